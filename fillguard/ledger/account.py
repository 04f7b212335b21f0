"""Everything the ledger holds about one fill, as it is recorded: asked once, answered in plain data."""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from fillguard.core.errors import LedgerError
from fillguard.ledger.chain import Anchor
from fillguard.ledger.rows import SOURCES_OF_FILL
from fillguard.ledger.store import connect_read_only

Body = dict[str, Any]
"""A recorded row as it is: canonical JSON, read back."""

_CHUNKS = f"""
SELECT chunk.id, chunk.stream, chunk.first_row, chunk.last_row, chunk.body ->> 'rows', chunk.body ->> 'sha256',
       EXISTS (SELECT 1 FROM chunk_data WHERE chunk_data.chunk = chunk.id),
       (SELECT audit.body FROM audit WHERE action = 'pruned' AND subject = 'chunk ' || chunk.id)
FROM chunk
WHERE (stream = 'projection' AND owner = :opened)
   OR (stream = 'reading' AND owner IN ({SOURCES_OF_FILL})
       AND last_ms >= :from_ms AND first_ms <= :to_ms)
ORDER BY chunk.id
"""  # noqa: S608 - all is ours
_ATTEMPTS = """
SELECT notice.occurrence, notice.kind, notice.channel, attempt.body FROM notice
LEFT JOIN attempt ON attempt.notice = notice.id AND attempt.phase = 'ended'
WHERE notice.occurrence IN (SELECT occurrence FROM alarm WHERE fill_id = ?) ORDER BY notice.id, attempt.id
"""
_GROUPED = """
SELECT stood.value, 'grouped ' || notice.kind, notice.channel, attempt.body
FROM notice JOIN json_each(notice.body, '$.change.stands_for') AS stood
LEFT JOIN attempt ON attempt.notice = notice.id AND attempt.phase = 'ended'
WHERE stood.value IN (SELECT occurrence FROM alarm WHERE fill_id = ?) ORDER BY notice.id, attempt.id
"""
"""Notices that stand for many alarms at once."""
_OF_WHIP = """
SELECT body FROM event WHERE kind = ? AND (whip = ? OR whip IS NULL) AND at_ms BETWEEN ? AND ? ORDER BY id
"""
_LAST_OF_WHIP = "SELECT body FROM event WHERE kind = ? AND whip = ? AND at_ms <= ? ORDER BY id DESC LIMIT 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """When a fill was, in Unix milliseconds, and where its rows stand."""

    opened: int
    whip: str
    from_ms: int
    to_ms: int


class FillAccount:
    """One fill on one connection that cannot write. For the thread that made it; use it in a `with`."""

    def __init__(self, path: Path, fill_id: str) -> None:
        """Look the fill up. Raises LedgerError when the ledger cannot be read or knows no such fill."""
        self._path, self._fill_id = path, fill_id
        self._connection = connect_read_only(path)
        self._connection.execute("BEGIN")
        self.opened = self._body("SELECT body FROM opened WHERE fill_id = ?", fill_id)
        self.ended = self._body("SELECT body FROM fill WHERE fill_id = ?", fill_id)
        if self.opened is None and self.ended is None:
            self.close()
            raise LedgerError(f"fill {fill_id!r} is not on record: `fillguard fills` lists them")

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def span(self, until_ms: int) -> Span:
        """From the start to the end; to `until_ms` while it is open."""
        found = self._row("SELECT id, whip, started_ms FROM opened WHERE fill_id = ?", self._fill_id)
        over = self._row("SELECT id, whip, started_ms, ended_ms FROM fill WHERE fill_id = ?", self._fill_id)
        opened, whip, from_ms = found or (over or (0, "", 0))[:3]
        return Span(opened=opened, whip=whip, from_ms=from_ms, to_ms=(over[3] if over else None) or until_ms)

    def events(self, *kinds: str) -> list[Body]:
        """What happened in the fill, of these kinds."""
        asked = ", ".join("?" * len(kinds))
        sql = f"SELECT body FROM event WHERE fill_id = ? AND kind IN ({asked}) ORDER BY id"  # noqa: S608 - marks only
        return list(self._bodies(sql, self._fill_id, *kinds))

    def of_whip(self, kind: str, span: Span) -> list[Body]:
        """What happened on the whip, or to the whole station, while the fill lasted."""
        return list(self._bodies(_OF_WHIP, kind, span.whip, span.from_ms, span.to_ms))

    def last_of_whip(self, kind: str, span: Span) -> Body | None:
        """What last happened of this kind on the whip before the fill began."""
        return self._body(_LAST_OF_WHIP, kind, span.whip, span.from_ms)

    def alarms(self) -> list[Body]:
        """Every change of an alarm of the fill."""
        return list(self._bodies("SELECT body FROM alarm WHERE fill_id = ? ORDER BY id", self._fill_id))

    def notices(self) -> list[tuple[str, str, str, Body | None]]:
        """Occurrence, kind and channel of each notice, with each try that ended; None: none did.

        An alarm of a flood has none of its own: then the notice that stood for it, of kind `grouped raise`.
        """
        return [
            (str(occurrence), str(kind), str(channel), None if body is None else json.loads(body))
            for sql in (_ATTEMPTS, _GROUPED)
            for occurrence, kind, channel, body in self._connection.execute(sql, (self._fill_id,))
        ]

    def audit(self, span: Span, *actions: str) -> list[Body]:
        """Audit rows of these actions while the fill lasted."""
        asked = ", ".join("?" * len(actions))
        sql = f"SELECT body FROM audit WHERE action IN ({asked}) AND at_ms BETWEEN ? AND ? ORDER BY id"  # noqa: S608 - marks only
        return list(self._bodies(sql, *actions, span.from_ms, span.to_ms))

    def last_audit(self, action: str, before: int) -> Body | None:
        """The last audit row of an action before a row of the journal."""
        sql = "SELECT body FROM audit WHERE action = ? AND id < ? ORDER BY id DESC LIMIT 1"
        return self._body(sql, action, before)

    def config(self, hashed: object) -> Body | None:
        """The configuration of that hash, as it first came into force."""
        return self._body("SELECT body FROM config WHERE hash = ? ORDER BY id LIMIT 1", hashed)

    def learned(self, version: object) -> Body | None:
        """The learned values of that version; None: as shipped."""
        sql = "SELECT body FROM event WHERE kind = 'LearnedChanged' AND body ->> '$.learned.version' = ? LIMIT 1"
        return self._body(sql, version)

    def register_row(self, key: str, before: int) -> Body | None:
        """The cylinder as the register had it before a row of the journal."""
        return self._body("SELECT body FROM cylinder WHERE key = ? AND id < ? ORDER BY id DESC LIMIT 1", key, before)

    def rows(self) -> list[tuple[int, str, str, str]]:
        """Journal rows that are about this fill: number, table, leaf and head in hexadecimal, in order."""
        sql = (
            "SELECT seq, kind, leaf, head FROM journal WHERE seq IN ("
            "SELECT id FROM opened WHERE fill_id = :fill UNION ALL SELECT id FROM fill WHERE fill_id = :fill "
            "UNION ALL SELECT id FROM event WHERE fill_id = :fill UNION ALL SELECT id FROM alarm WHERE fill_id = :fill "
            "UNION ALL SELECT id FROM audit WHERE subject = :fill) ORDER BY seq"
        )
        found = self._connection.execute(sql, {"fill": self._fill_id})
        return [(seq, kind, leaf.hex(), head.hex()) for seq, kind, leaf, head in found]

    def chunks(self, span: Span) -> list[Body]:
        """The packed pieces its measurements lie in; `pruned`: when and by which policy the content went."""
        asked = {"opened": span.opened, "fill": self._fill_id, "from_ms": span.from_ms, "to_ms": span.to_ms}
        names = ("chunk", "stream", "first_row", "last_row", "rows", "sha256", "there", "pruned")
        found = [dict(zip(names, row, strict=True)) for row in self._connection.execute(_CHUNKS, asked)]
        for each in found:
            each["there"] = bool(each["there"])
            each["pruned"] = None if each["pruned"] is None else json.loads(each["pruned"])
        return found

    def end(self) -> Anchor:
        """The end of the chain now."""
        row = self._row("SELECT seq, head FROM journal ORDER BY seq DESC LIMIT 1")
        return Anchor(row=row[0], head=row[1].hex()) if row else Anchor(row=0, head="")

    def _bodies(self, sql: str, *values: object) -> Iterator[Body]:
        try:
            for (body,) in self._connection.execute(sql, values):
                yield json.loads(body)
        except sqlite3.Error as problem:
            raise LedgerError(f"ledger {self._path} cannot be read: {problem}") from problem

    def _body(self, sql: str, *values: object) -> Body | None:
        return next(self._bodies(sql, *values), None)

    def _row(self, sql: str, *values: object) -> Sequence[Any] | None:
        found: Sequence[Any] | None = self._connection.execute(sql, values).fetchone()
        return found
