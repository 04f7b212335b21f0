"""Fills that are over, as their release needs them: analyses, releases, and what is still in the shop."""

import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Self

from fillguard.core.errors import LedgerError
from fillguard.core.events import FillAnalysed, FillEnded, FillReleased, FillStarted, FillSummary
from fillguard.core.fitness.release import Analysis
from fillguard.core.values import GasMix
from fillguard.ledger import store
from fillguard.ledger.codec import decode_text
from fillguard.ledger.grid import stored_ms
from fillguard.settings.register import key_of

_BY_ID = "SELECT body FROM fill WHERE fill_id = ?"
_BY_SERIAL = "SELECT body FROM fill WHERE serial IN (?, ?) ORDER BY started_ms DESC LIMIT 1"
_OPENED = "SELECT body FROM opened WHERE fill_id = ?"
_EVENTS = "SELECT body FROM event WHERE fill_id = ? AND kind = ? ORDER BY id"
_UNRELEASED = """
SELECT body FROM fill WHERE started_ms >= ? AND outcome NOT IN ('drained', 'not-a-fill') AND NOT EXISTS (
    SELECT 1 FROM event WHERE event.fill_id = fill.fill_id AND kind = 'FillReleased' AND body ->> 'refused' IS NULL
) AND NOT EXISTS (
    SELECT 1 FROM fill AS later WHERE later.serial = fill.serial AND later.started_ms > fill.started_ms
)
ORDER BY started_ms DESC LIMIT ?
"""
_RECIPIENT = "SELECT name FROM recipient WHERE fill_id = ? AND until_ms >= ? ORDER BY event DESC LIMIT 1"


class ReleaseReader:
    """For the thread that made it; close it there, or use it in a `with`."""

    def __init__(self, path: Path) -> None:
        """Open for reading. Raises LedgerError."""
        self._path = path
        self._connection = store.connect_read_only(path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def fill(self, named: str) -> FillSummary | None:
        """A fill by its id, or the newest one of a serial; None where there is none. Raises LedgerError."""
        found = next(self._summaries(_BY_ID, (named,)), None)
        return found or next(self._summaries(_BY_SERIAL, (named, key_of(named))), None)

    def residual_gas(self, fill_id: str) -> GasMix | None:
        """What was in it before, as far as somebody said; None where its opening is not on record."""
        facts = (decode_text(body) for (body,) in self._ask(_OPENED, (fill_id,)))
        return next((fact.residual_gas for fact in facts if isinstance(fact, FillStarted)), None)

    def analyses(self, fill_id: str) -> list[Analysis]:
        """Every analysis of a fill, oldest first."""
        facts = (decode_text(body) for (body,) in self._ask(_EVENTS, (fill_id, "FillAnalysed")))
        return [fact.analysis for fact in facts if isinstance(fact, FillAnalysed) and fact.refused is None]

    def release(self, fill_id: str) -> FillReleased | None:
        """The release of a fill; None while it is in the shop."""
        facts = (decode_text(body) for (body,) in self._ask(_EVENTS, (fill_id, "FillReleased")))
        return next((fact for fact in facts if isinstance(fact, FillReleased) and fact.refused is None), None)

    def recipient(self, fill_id: str, now_s: float) -> str | None:
        """Who got it, while that name is kept."""
        row = self._ask(_RECIPIENT, (fill_id, stored_ms(now_s))).fetchone()
        return None if row is None else str(row[0])

    def unreleased(self, since_s: float, limit: int) -> list[FillSummary]:
        """What was filled since then and has not been released, newest first; the last fill of each cylinder only."""
        return list(self._summaries(_UNRELEASED, (stored_ms(since_s), limit)))

    def _summaries(self, sql: str, values: Sequence[object]) -> Iterator[FillSummary]:
        for (body,) in self._ask(sql, values):
            fact = decode_text(str(body))
            if isinstance(fact, FillEnded):
                yield fact.summary

    def _ask(self, sql: str, values: Sequence[object]) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql, values)
        except sqlite3.Error as problem:
            raise LedgerError(f"ledger {self._path} cannot be read: {problem}") from problem
