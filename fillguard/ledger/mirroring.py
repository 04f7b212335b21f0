"""How far a mirror has come, what it refused, and asking it to send again: beside a running watch."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fillguard.core.errors import LedgerError
from fillguard.ledger import store
from fillguard.ledger.grid import seconds_of, stored_ms
from fillguard.ledger.recorder import CursorMoved, Recorder
from fillguard.ports import MIRRORED, AuditEntry, resend_cursor, sent_cursor

_LISTED = 20
_SINCE = """
SELECT min(first) FROM (
    SELECT min(id) AS first FROM {stream} WHERE sample_ms >= :at
    UNION ALL SELECT min(first_row) FROM chunk WHERE stream = '{stream}' AND last_ms >= :at
)
"""
_NEWEST = {stream: f"SELECT ifnull(max(id), 0) FROM {stream}" for stream in MIRRORED}  # noqa: S608 - our own names
_REFUSED = """
SELECT stream, first_row, last_row, status, reason, at_ms FROM quarantine WHERE mirror = ? ORDER BY id DESC LIMIT ?
"""
_LAST_WORD = """
SELECT body ->> 'ok', body ->> 'detail', at_ms FROM event
WHERE kind = 'ServiceChanged' AND body ->> 'service' = 'mirror' ORDER BY id DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream:
    """One kind of row on its way to the mirror."""

    name: str
    newest_row: int
    sent_row: int
    asked_from_row: int
    """0, or the row from which somebody asked to have everything sent again; the mirror has not begun with it."""

    @property
    def behind(self) -> int:
        """Rows that the mirror does not have."""
        return max(0, self.newest_row - self.sent_row)


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """Rows that the server refused for what they hold."""

    stream: str
    first_row: int
    last_row: int
    status: int
    reason: str
    utc_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LastWord:
    """What the watch last said of the mirror."""

    ok: bool
    detail: str
    utc_s: float


class Mirroring:
    """Questions about one mirror, on a connection that only reads."""

    def __init__(self, ask: Callable[..., sqlite3.Cursor], mirror: str) -> None:
        """`ask` executes a question. Raises LedgerError."""
        self._ask, self._mirror = ask, mirror

    def streams(self) -> list[Stream]:
        """How far each kind of row has come."""
        return [self._stream(name) for name in MIRRORED]

    def refused(self) -> list[Refused]:
        """What was refused, newest first; at most twenty."""
        rows = self._ask(_REFUSED, (self._mirror, _LISTED))
        return [
            Refused(
                stream=str(stream),
                first_row=int(first),
                last_row=int(last),
                status=int(status),
                reason=str(reason),
                utc_s=seconds_of(int(at_ms)),
            )
            for stream, first, last, status, reason, at_ms in rows
        ]

    def last_word(self) -> LastWord | None:
        """What was last told of it; None when it never failed."""
        row = self._ask(_LAST_WORD, ()).fetchone()
        return row and LastWord(ok=bool(row[0]), detail=str(row[1]), utc_s=seconds_of(int(row[2])))

    def first_row_since(self, stream: str, utc_s: float) -> int | None:
        """The first row whose sample was taken then or later; None when there is none."""
        (row,) = self._ask(_SINCE.format(stream=stream), {"at": stored_ms(utc_s)}).fetchone()
        return None if row is None else int(row)

    def _stream(self, name: str) -> Stream:
        sent = self._number("SELECT value FROM cursor WHERE name = ?", sent_cursor(self._mirror, name))
        return Stream(
            name=name,
            newest_row=self._number(_NEWEST[name]),
            sent_row=sent,
            asked_from_row=self._number("SELECT value FROM cursor WHERE name = ?", resend_cursor(self._mirror, name)),
        )

    def _number(self, sql: str, *values: object) -> int:
        row = self._ask(sql, values).fetchone()
        return 0 if row is None else int(row[0])


def ask_to_resend(path: Path, mirror: str, rows: dict[str, int], audit: AuditEntry) -> None:
    """Ask the mirror to send everything from these rows on again, and record who asked. Raises LedgerError."""
    try:
        with closing(store.connect(path)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            recorder = Recorder(connection)
            for stream, row in rows.items():
                recorder.record(CursorMoved(name=resend_cursor(mirror, stream), row=row))
            recorder.record(audit)
            connection.execute("COMMIT")
    except sqlite3.Error as problem:
        raise LedgerError(
            f"nothing was asked of the mirror: ledger {path}: {problem}. Check room and rights"
        ) from problem
