"""Live rows into chunks, and chunks out of the ledger once their time is over. Inside the writer's transaction.

A chunk holds rows of one source (of projections: of one fill) that follow each other: the readings of one fill with
those since the last one, or a piece of what came between fills. Rows are packed two hours after they came: a message
whose acknowledgement was lost may come again until then, and must find its row. While a fill is open nothing is packed
that came since two hours before it: whoever resumes it reads that.
"""

import sqlite3
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
_ROWS_A_TURN = 2048
_LONGEST_CHUNK = 2048
_PRUNE_LOOK = 256


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


@dataclass(slots=True)
class Packer:
    """Packs one stream, a few rows a turn; remembers how far it has looked."""

    stream: str
    _from: int = 0
    _refused: set[tuple[int, int]] = field(default_factory=set)
    """Owner and first row of what did not come back as it went in: never tried again by this process."""

    def turn(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> bool:
        """Pack at most about two thousand rows; False when there is nothing (more) to pack for now."""
        begun_ms = recorder.oldest_open_ms
        now_ms = stored_ms(now.utc_s)
        before_ms = (now_ms if begun_ms is None else min(now_ms, begun_ms)) - stored_ms(PACKED_AFTER_S)
        window = list(self._window(connection, before_ms))
        taken = 0
        for group in self._groups(window):
            if taken >= _ROWS_A_TURN:
                return True
            if self._may_go(group, now):
                self._pack(connection, recorder, group, now)
                taken += len(group)
        if taken:
            return True
        if len(window) < _WINDOW:
            self._from = 0
            return False
        self._from = _whole(window[-1][0]) + 1
        return True

    def _window(self, connection: sqlite3.Connection, before_ms: int) -> Iterator[Row]:
        """The next rows that came before `before_ms`; the newest of all never is among them: it has to stay."""
        sql = (
            f"SELECT {', '.join(COLUMNS[self.stream])} FROM {self.stream} "  # noqa: S608 - our own names
            f"WHERE id >= ? AND id < (SELECT max(id) FROM {self.stream}) ORDER BY id LIMIT ?"
        )
        for row in connection.execute(sql, (self._from, _WINDOW)):
            if arrived_ms(self.stream, row) > before_ms:
                return
            yield row

    def _groups(self, window: Sequence[Row]) -> Iterator[list[Row]]:
        """What may become one chunk each: neighbours of one owner, up to the end of a fill."""
        owner, fill = (COLUMNS[self.stream].index(name) for name in (OWNERS[self.stream], "fill"))
        by_owner: dict[object, list[Row]] = {}
        for row in window:
            by_owner.setdefault(row[owner], []).append(row)
        for rows in by_owner.values():
            group: list[Row] = []
            for row in rows:
                fill_ended = bool(group) and group[-1][fill] not in {None, row[fill]}
                if fill_ended or len(group) == _LONGEST_CHUNK:
                    yield group
                    group = []
                group.append(row)
            yield group

    def _may_go(self, group: Sequence[Row], now: Stamp) -> bool:
        fill = group[-1][COLUMNS[self.stream].index("fill")]
        if self._key(group) in self._refused:
            return False
        old = arrived_ms(self.stream, group[-1]) < stored_ms(now.utc_s - _WAITS_AT_MOST_S)
        return fill is not None or old or len(group) >= _FEWEST

    def _key(self, group: Sequence[Row]) -> tuple[int, int]:
        return _whole(group[0][COLUMNS[self.stream].index(OWNERS[self.stream])]), _whole(group[0][0])

    def _pack(self, connection: sqlite3.Connection, recorder: Recorder, group: list[Row], now: Stamp) -> None:
        content = packed(self.stream, group)
        if not packing.same(unpacked(self.stream, content), group):
            self._refused.add(self._key(group))
            detail = f"{len(group)} rows of {self.stream} from {group[0][0]} stay as they are: packed they differ"
            recorder.record(AuditEntry(at=now, who="fillguard", action="packing-refused", detail=detail))
            return
        recorder.add_chunk(_record(self.stream, self._key(group)[0], group, content), content)
        connection.executemany(f"DELETE FROM {self.stream} WHERE id = ?", [(row[0],) for row in group])  # noqa: S608


@dataclass(slots=True, kw_only=True)
class Pruner:
    """Takes the content of old chunks of readings away. Projections stay, as fills, alarms and audit rows do."""

    after_s: float
    _from: int = 0

    def turn(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> bool:
        """Prune at most one chunk, with its row in the audit trail; False when there is none (more) for now."""
        before_ms = stored_ms(now.utc_s - self.after_s)
        looked = connection.execute(
            "SELECT chunk.id, chunk.stream = 'reading' AND chunk.body ->> 'arrived_ms' < ? FROM chunk_data "
            "JOIN chunk ON chunk.id = chunk_data.chunk WHERE chunk_data.chunk > ? ORDER BY chunk_data.chunk LIMIT ?",
            (before_ms, self._from, _PRUNE_LOOK),
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
