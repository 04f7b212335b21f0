"""Recorded readings and projections, wherever they lie: live rows and packed ones as one sequence, by their numbers.

Everybody who reads measurements reads them here.
"""

import heapq
import json
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import TypeVar

from fillguard.core.events import Quantity
from fillguard.ledger import grid
from fillguard.ledger.chunks import COLUMNS, unpacked
from fillguard.ledger.packing import Cell, Row
from fillguard.ledger.schema import OWNERS
from fillguard.ports import ProjectionRow, ReadingRow

_REMEMBERED = 1000
"""Fills whose names are kept at hand while rows are read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Which rows. Times are those of the samples, in milliseconds."""

    after_row: int = 0
    owners: Collection[int] | None = None
    """Sources of readings, fills of projections; None: all."""
    since_ms: int | None = None
    before_ms: int | None = None

    def conditions(self, *, owner: str, row: str, oldest: str, newest: str) -> tuple[str, list[object]]:
        """SQL and its values, over columns of these names (for a chunk its last row, its oldest and newest sample)."""
        asked: list[tuple[str, object]] = []
        if self.after_row > 0:
            asked.append((f"{row} > ?", self.after_row))
        if self.owners is not None:
            asked.append((f"{owner} IN (SELECT value FROM json_each(?))", json.dumps(sorted(self.owners))))  # noqa: S608
        if self.since_ms is not None:
            asked.append((f"{newest} >= ?", self.since_ms))
        if self.before_ms is not None:
            asked.append((f"{oldest} < ?", self.before_ms))
        return " AND ".join(condition for condition, _ in asked) or "1", [value for _, value in asked]

    def takes(self, stream: str, row: Row) -> bool:
        """True for a row that is wanted, of an owner that is."""
        sample_ms = _int(row[1 if stream == "reading" else 2])
        return (
            _int(row[0]) > self.after_row
            and (self.since_ms is None or sample_ms >= self.since_ms)
            and (self.before_ms is None or sample_ms < self.before_ms)
        )


def stored(connection: sqlite3.Connection, stream: str, wanted: Wanted) -> Iterator[Row]:
    """Rows of `COLUMNS[stream]` in order of their numbers. What was pruned is not among them.

    Memory: one chunk of each owner. One view of the ledger from first row to last, whatever is packed meanwhile.
    """
    ours = not connection.in_transaction
    if ours:
        connection.execute("BEGIN")
    try:
        both = (_live(connection, stream, wanted), _packed(connection, stream, wanted))
        yield from heapq.merge(*both, key=lambda row: _int(row[0]))
    finally:
        if ours and connection.in_transaction:
            connection.execute("COMMIT")


def _live(connection: sqlite3.Connection, stream: str, wanted: Wanted) -> Iterator[Row]:
    where, values = wanted.conditions(owner=OWNERS[stream], row="id", oldest="sample_ms", newest="sample_ms")
    sql = f"SELECT {', '.join(COLUMNS[stream])} FROM {stream} WHERE {where} ORDER BY id"  # noqa: S608 - our own names
    return connection.execute(sql, values)


def _packed(connection: sqlite3.Connection, stream: str, wanted: Wanted) -> Iterator[Row]:
    """Chunks are opened when their first row is due; several are open where sources took turns."""
    where, values = wanted.conditions(owner="owner", row="last_row", oldest="first_ms", newest="last_ms")
    chunks = connection.execute(
        f"SELECT id, first_row FROM chunk WHERE stream = ? AND {where} ORDER BY first_row",  # noqa: S608 - our own names
        (stream, *values),
    ).fetchall()
    due: list[tuple[Row, Iterator[Row]]] = []
    for number, first_row in chunks:
        yield from _up_to(due, first_row)
        _next(due, filter(lambda row: wanted.takes(stream, row), iter(_content(connection, stream, number))))
    yield from _up_to(due, None)


def _up_to(due: list[tuple[Row, Iterator[Row]]], row: int | None) -> Iterator[Row]:
    """What is due before `row`; None: everything."""
    while due and (row is None or _int(due[0][0][0]) < row):
        first, rest = heapq.heappop(due)
        yield first
        _next(due, rest)


def _next(due: list[tuple[Row, Iterator[Row]]], rest: Iterator[Row]) -> None:
    first = next(rest, None)
    if first is not None:
        heapq.heappush(due, (first, rest))


def _content(connection: sqlite3.Connection, stream: str, chunk: int) -> list[Row]:
    """The rows of a chunk; none once they were pruned."""
    found = connection.execute("SELECT data FROM chunk_data WHERE chunk = ?", (chunk,)).fetchone()
    return unpacked(stream, found[0]) if found else []


# Rows into facts ----------------------------------------------------------------------------------------------------

_OPENED = "SELECT fill_id, whip, serial FROM opened WHERE id = ?"
_IDENTIFIED = "SELECT at_ms, body ->> 'serial' FROM event WHERE fill_id = ? AND kind = 'FillIdentified' ORDER BY id"


@dataclass(frozen=True, slots=True)
class _Fill:
    fill_id: str
    whip: str
    serial: str | None
    identified: tuple[tuple[int, str | None], ...]

    def serial_at(self, ms: int) -> str | None:
        """The cylinder as it was known then."""
        known = [serial for at_ms, serial in self.identified if at_ms <= ms]
        return (known[-1] if known else None) or self.serial


class Names:
    """What the numbers in rows stand for. Made anew for each reading of the ledger: open fills get other cylinders."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Ask `connection` when something is needed first."""
        self._connection = connection
        self._sources: dict[int, tuple[str, str | None, str]] = {}
        self._fills: dict[int, _Fill] = {}

    def reading(self, row: Row) -> ReadingRow:
        """A row of readings in SI, with its names."""
        number, sample_ms, delay_ms, source, value, quality, doubt, doubted_quality, doubted, *_, fill = row
        topic, whip, quantity = self._source(_int(source))
        arrived_ms = _int(sample_ms) + _int(delay_ms)
        opened = None if fill is None else self._fill(_int(fill))
        why = doubt if doubted is None else doubted
        return ReadingRow(
            row=_int(number),
            utc_s=grid.seconds_of(arrived_ms),
            sample_s=grid.seconds_of(_int(sample_ms)),
            source=topic,
            whip=whip,
            quantity=quantity,
            value=grid.value_of(Quantity(quantity), value),
            quality=grid.QUALITY_OF[_int(quality if doubted_quality is None else doubted_quality)],
            doubt=None if why is None else grid.DOUBT_OF[_int(why)],
            fill_id=opened.fill_id if opened else None,
            serial=opened.serial_at(arrived_ms) if opened else None,
        )

    def projection(self, row: Row) -> ProjectionRow:
        """A row of projections in SI, with its names."""
        number, fill, sample_ms, phase, *cells, cap, reason = row
        steps = [None if cell is None else _int(cell) for cell in cells]
        gauge, settled, low, high, cylinder, developed, stop_at, close_at, bleed_to = map(grid.pressure_of, steps[:9])
        gas_k, wall_k = map(grid.temperature_of, steps[9:11])
        opened = self._fill(_int(fill))
        return ProjectionRow(
            row=_int(number),
            fill_id=opened.fill_id,
            whip=opened.whip,
            serial=opened.serial_at(_int(sample_ms)),
            sample_s=grid.seconds_of(_int(sample_ms)),
            phase=grid.PHASE_OF[_int(phase)],
            gauge_pa=gauge,
            settled_gauge_pa=settled,
            settled_low_gauge_pa=low,
            settled_high_gauge_pa=high,
            cylinder_gauge_pa=cylinder,
            developed_gauge_pa=developed,
            stop_at_gauge_pa=stop_at,
            close_at_gauge_pa=close_at,
            bleed_to_gauge_pa=bleed_to,
            gas_k=gas_k,
            wall_k=wall_k,
            mass_kg=grid.scaled_of(steps[11], grid.MASS_STEPS_PER_KG),
            rate_pa_s=grid.scaled_of(steps[12], 1.0),
            rate_error_pa_s=grid.scaled_of(steps[13], 1.0),
            seconds_to_stop=grid.scaled_of(steps[14], grid.TO_STOP_STEPS_PER_S),
            close_at_cap=_text(cap),
            reason=_text(reason),
        )

    def _source(self, number: int) -> tuple[str, str | None, str]:
        if number not in self._sources:
            ask = "SELECT topic, whip, quantity FROM source WHERE id = ?"
            _remember(self._sources, number, self._connection.execute(ask, (number,)).fetchone())
        return self._sources[number]

    def _fill(self, number: int) -> _Fill:
        if number not in self._fills:
            fill_id, whip, serial = self._connection.execute(_OPENED, (number,)).fetchone()
            identified = self._connection.execute(_IDENTIFIED, (fill_id,)).fetchall()
            _remember(self._fills, number, _Fill(fill_id, whip, serial, tuple(identified)))
        return self._fills[number]


_Name = TypeVar("_Name")


def _remember(names: dict[int, _Name], number: int, name: _Name) -> None:
    if len(names) >= _REMEMBERED:
        names.clear()
    names[number] = name


def _int(cell: Cell) -> int:
    if not isinstance(cell, int):
        raise TypeError(f"{cell!r} is not a whole number")
    return cell


def _text(cell: Cell) -> str | None:
    return None if cell is None else str(cell)
