"""Live rows into chunks, and chunks out of the ledger once their time is over. Inside the writer's transaction.

A chunk holds rows of one source (of projections: of one fill) that follow each other: the readings of one fill with
those since the last one, or a piece of what came between fills. Rows are packed two hours after they came: a message
whose acknowledgement was lost may come again until then, and must find its row. While a fill is open nothing is packed
that came since two hours before it: whoever resumes it reads that.
"""

import sqlite3
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from fillguard.core.errors import LedgerError
from fillguard.core.values import Stamp
from fillguard.ledger import packing
from fillguard.ledger.codec import TYPE, Json
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.packing import Row
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.schema import OWNERS
from fillguard.ports import AuditEntry

COLUMNS = {
    "reading": (
        *("id", "sample_ms", "delay_ms", "source", "value", "quality", "doubt", "doubted_quality", "doubted", "seq"),
        *("boot", "device_ms", "fill"),
    ),
    "projection": (
        *("id", "fill", "sample_ms", "phase", "gauge", "settled", "settled_low", "settled_high", "cylinder"),
        *("developed", "stop_at", "close_at", "bleed_to", "gas", "wall", "mass", "rate", "rate_error", "to_stop"),
        *("cap", "reason"),
    ),
}
"""What is packed of each stream, in this order."""
PACKED_AFTER_S = 7200.0
"""Longer than a broker keeps a session for a client that is away (we ask for an hour)."""
_WAITS_AT_MOST_S = 86_400.0
"""Rows outside fills wait for company, but not longer than a day."""
_FEWEST = 256
_WINDOW = 8192
"""Rows looked at in one turn."""
_ROWS_A_TURN = _LONGEST_CHUNK = 1024
"""A turn holds up whoever waits for the next commit: some twenty milliseconds (measured)."""
_PRUNE_LOOK = 256
_EVERY_ROW = 2**62


def packed(stream: str, rows: Sequence[Row]) -> bytes:
    """Rows of `COLUMNS[stream]` as a chunk's content."""
    return packing.pack([_relative(stream, row) for row in rows])


def unpacked(stream: str, content: bytes) -> list[Row]:
    """The rows in a chunk's content, in order of their numbers. Raises LedgerError."""
    return [_absolute(stream, row) for row in packing.unpack(content)]


_AGAINST = {
    stream: tuple((COLUMNS[stream].index(name), COLUMNS[stream].index(base)) for name, base in pairs.items())
    for stream, pairs in {
        "reading": {"device_ms": "sample_ms"},
        "projection": {
            "settled_low": "settled",
            "settled_high": "settled",
            "developed": "settled",
            "cylinder": "gauge",
            "close_at": "stop_at",
        },
    }.items()
}
"""Columns that are packed as their difference from another one: it hardly changes."""


def _relative(stream: str, row: Row) -> Row:
    cells = list(row)
    for place, base in _AGAINST[stream]:
        cell, against = row[place], row[base]
        if isinstance(cell, int) and isinstance(against, int):
            cells[place] = cell - against
    return tuple(cells)


def _absolute(stream: str, row: Row) -> Row:
    cells = list(row)
    for place, base in _AGAINST[stream]:
        cell, against = row[place], row[base]
        if isinstance(cell, int) and isinstance(against, int):
            cells[place] = cell + against
    return tuple(cells)


@dataclass(frozen=True, slots=True)
class _Group:
    """Rows of one owner that may become a chunk."""

    owner: int
    first_row: int
    last_row: int
    rows: int
    of_fill: bool
    arrived_ms: int


@dataclass(slots=True)
class Packer:
    """Packs one stream, a few rows a turn; remembers how far it has looked, and what it found there."""

    stream: str
    _from: int = 0
    _found: deque[_Group] = field(default_factory=deque)
    _refused: set[tuple[int, int]] = field(default_factory=set)
    """Owner and first row of what did not come back as it went in: never tried again by this process."""

    def turn(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> bool:
        """Look for rows to pack, or pack about a thousand; False when there is nothing (more) to pack for now."""
        if not self._found:
            return self._look(connection, recorder, now)
        taken = 0
        while self._found and taken + self._found[0].rows <= _ROWS_A_TURN:
            group = self._found.popleft()
            self._pack(connection, recorder, group, now)
            taken += group.rows
        return True

    def _look(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> bool:
        """Find what may go among the next rows; False when that was the last of them."""
        begun_ms, now_ms = recorder.oldest_open_ms, stored_ms(now.utc_s)
        before_ms = (now_ms if begun_ms is None else min(now_ms, begun_ms)) - stored_ms(PACKED_AFTER_S)
        window = list(self._window(connection, before_ms))
        old_ms = stored_ms(now.utc_s - _WAITS_AT_MOST_S)
        self._found.extend(group for group in self._groups(window) if self._may_go(group, old_ms))
        ended = len(window) < _WINDOW
        self._from = 0 if ended else _whole(window[-1][0]) + 1
        return bool(self._found) or not ended

    def _window(self, connection: sqlite3.Connection, before_ms: int) -> Iterator[Row]:
        """Number, owner, fill and arrival of the next rows that came before `before_ms`.

        The newest row of all never is among them: it has to stay.
        """
        arrived = "sample_ms + delay_ms" if self.stream == "reading" else "sample_ms"
        sql = (
            f"SELECT id, {OWNERS[self.stream]}, fill, {arrived} FROM {self.stream} "  # noqa: S608 - our own names
            f"WHERE id >= ? AND id < (SELECT max(id) FROM {self.stream}) ORDER BY id LIMIT ?"
        )
        for row in connection.execute(sql, (self._from, _WINDOW)):
            if _whole(row[3]) > before_ms:
                return
            yield row

    @staticmethod
    def _groups(window: Sequence[Row]) -> Iterator[_Group]:
        """What may become one chunk each: neighbours of one owner, up to the end of a fill."""
        by_owner: dict[int, list[Row]] = {}
        for row in window:
            by_owner.setdefault(_whole(row[1]), []).append(row)
        for owner, rows in by_owner.items():
            begin = 0
            for place, (_, _, fill, _) in enumerate(rows):
                last = place + 1 == len(rows)
                fill_ends = not last and fill is not None and rows[place + 1][2] != fill
                if last or fill_ends or place + 1 - begin == _LONGEST_CHUNK:
                    first_row, last_row = _whole(rows[begin][0]), _whole(rows[place][0])
                    arrived_ms = _whole(rows[place][3])
                    yield _Group(owner, first_row, last_row, place + 1 - begin, fill is not None, arrived_ms)
                    begin = place + 1

    def _may_go(self, group: _Group, old_ms: int) -> bool:
        if (group.owner, group.first_row) in self._refused:
            return False
        return group.of_fill or group.arrived_ms < old_ms or group.rows >= _FEWEST

    def _pack(self, connection: sqlite3.Connection, recorder: Recorder, group: _Group, now: Stamp) -> None:
        sql = (
            f"SELECT {', '.join(COLUMNS[self.stream])} FROM {self.stream} "  # noqa: S608 - our own names
            f"WHERE id BETWEEN ? AND ? AND +{OWNERS[self.stream]} = ? ORDER BY id"
        )
        rows: list[Row] = connection.execute(sql, (group.first_row, group.last_row, group.owner)).fetchall()
        content = packed(self.stream, rows)
        if not packing.same(unpacked(self.stream, content), rows):
            self._refused.add((group.owner, group.first_row))
            detail = f"{len(rows)} rows of {self.stream} from {group.first_row} stay as they are: packed they differ"
            recorder.record(AuditEntry(at=now, who="fillguard", action="packing-refused", detail=detail))
            return
        recorder.add_chunk(_record(self.stream, group.owner, rows, content), content)
        connection.executemany(f"DELETE FROM {self.stream} WHERE id = ?", [(row[0],) for row in rows])  # noqa: S608


@dataclass(slots=True, kw_only=True)
class Pruner:
    """Takes the content of old chunks of readings away. Projections stay, as fills, alarms and audit rows do."""

    after_s: float
    mirror: str | None = None
    """Cursor of a mirror that must have a reading before it goes; None: nobody waits for it."""
    _from: int = 0

    def turn(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> bool:
        """Prune at most one chunk, with its row in the audit trail; False when there is none (more) for now."""
        before_ms = stored_ms(now.utc_s - self.after_s)
        looked = connection.execute(
            "SELECT chunk.id, chunk.stream = 'reading' AND chunk.body ->> 'arrived_ms' < ? AND chunk.last_row <= ? "
            "FROM chunk_data JOIN chunk ON chunk.id = chunk_data.chunk "
            "WHERE chunk_data.chunk > ? ORDER BY chunk_data.chunk LIMIT ?",
            (before_ms, self._sent(connection), self._from, _PRUNE_LOOK),
        ).fetchall()
        for number, old in looked:
            self._from = number
            if old:
                self._prune(connection, recorder, number, now)
                return True
        if len(looked) == _PRUNE_LOOK:
            return True
        self._from = 0
        return False

    def _sent(self, connection: sqlite3.Connection) -> int:
        """Up to which row readings may go."""
        if self.mirror is None:
            return _EVERY_ROW
        row = connection.execute("SELECT value FROM cursor WHERE name = ?", (self.mirror,)).fetchone()
        return 0 if row is None else int(row[0])

    def _prune(self, connection: sqlite3.Connection, recorder: Recorder, number: int, now: Stamp) -> None:
        sha256, rows, first_ms, last_ms = connection.execute(
            "SELECT body ->> 'sha256', body ->> 'rows', first_ms, last_ms FROM chunk WHERE id = ?", (number,)
        ).fetchone()
        days = self.after_s / 86_400.0
        entry = AuditEntry(
            at=now,
            who="fillguard",
            action="pruned",
            subject=f"chunk {number}",
            detail=f"{rows} raw readings were taken away: older than raw_retention_days = {days:g}",
            data={
                "sha256": sha256,
                "policy": f"raw_retention_days = {days:g}",
                "rows": rows,
                "first_ms": first_ms,
                "last_ms": last_ms,
            },
        )
        recorder.record(entry)
        connection.execute("DELETE FROM chunk_data WHERE chunk = ?", (number,))


def arrived_ms(stream: str, row: Row) -> int:
    """When a row came; a projection when its sample was taken."""
    return _whole(row[1]) + _whole(row[2]) if stream == "reading" else _whole(row[2])


def _record(stream: str, owner: int, group: Sequence[Row], content: bytes) -> dict[str, Json]:
    sample = COLUMNS[stream].index("sample_ms")
    times = [_whole(row[sample]) for row in group]
    return {
        TYPE: "Chunk",
        "stream": stream,
        "owner": owner,
        "first_row": _whole(group[0][0]),
        "last_row": _whole(group[-1][0]),
        "rows": len(group),
        "first_ms": min(times),
        "last_ms": max(times),
        "arrived_ms": max(arrived_ms(stream, row) for row in group),
        "sha256": packing.content_hash(content),
        "format": packing.FORMAT,
    }


def _whole(cell: object) -> int:
    if not isinstance(cell, int):
        raise LedgerError(f"recorded {cell!r} is no whole number: verify the ledger")
    return cell
