"""Kept states of whips, and what came after them: all that a restart needs to go on where it was."""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import get_args

from fillguard.core.errors import LedgerError
from fillguard.core.events import InEvent, Quality, Quantity, Reading
from fillguard.core.sensed import Sensors
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.ledger import grid
from fillguard.ledger.codec import decode
from fillguard.ledger.states import SurfaceOf, code, plain_state, sensors_of, state_of
from fillguard.ports import StationSnapshot

AFTER = "after_reading"
"""Key in a recorded event: number of the reading before it. Readings and the rest of the record are numbered apart."""
_KEEP = """
INSERT OR REPLACE INTO snapshot (whip, fill_id, at_ms, code, rules_hash, body) VALUES (?, ?, ?, ?, ?, ?)
"""
_KEPT = "SELECT whip, body FROM snapshot WHERE code = ? AND rules_hash = ? ORDER BY whip"
_STATION = ""
"""In place of a whip: when and where in the record the newest states were kept, and what belongs to no whip."""
_READINGS = """
SELECT reading.id, sample_ms, sample_ms + delay_ms, source.topic, source.whip, source.quantity, value, quality, doubt,
       seq, boot.name, device_ms
FROM reading JOIN source ON source.id = reading.source LEFT JOIN boot ON boot.id = reading.boot
"""
_NEWEST = f"""
{_READINGS} WHERE reading.id > (SELECT ifnull(max(id), 0) FROM reading) - ? ORDER BY reading.id
"""  # noqa: S608 - all parts are ours
_LAST_KNOWN = """
SELECT max(
    ifnull((SELECT sample_ms + delay_ms FROM reading ORDER BY id DESC LIMIT 1), 0),
    ifnull((SELECT at_ms FROM event ORDER BY id DESC LIMIT 1), 0),
    ifnull((SELECT max(at_ms) FROM snapshot), 0)
)
"""
_CAUSES = frozenset(kind.__name__ for kind in get_args(InEvent))
_BEGINNING = """
SELECT event.id, event.body ->> 'after_reading' FROM event
WHERE kind = 'PhaseChanged' AND whip = :whip AND body ->> 'new' = 'idle'
  AND id < (SELECT id FROM opened WHERE fill_id = :fill)
ORDER BY id DESC LIMIT 1
"""
_FIRST_SINCE = "SELECT min(id) FROM reading WHERE sample_ms >= ?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A point in the record: everything up to this reading and this row of the journal."""

    reading: int
    journal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """The station as it was kept."""

    at: Stamp
    place: Place
    whips: Mapping[str, WhipState]
    air_k: float | None
    bath_k: float | None
    sensed: Sensors


def keep(connection: sqlite3.Connection, snapshot: StationSnapshot, place: Place, rules_hash: str | None) -> None:
    """Keep states in place of the last ones, inside the writer's transaction."""
    station = {
        "at": [snapshot.at.mono_s, snapshot.at.utc_s],
        "reading": place.reading,
        "journal": place.journal,
        "air_k": snapshot.air_k,
        "bath_k": snapshot.bath_k,
        "sensed": plain_state(snapshot.sensed),
    }
    states = {whip.whip: plain_state(whip) for whip in snapshot.changed}
    fills = {whip.whip: whip.fill.fill_id for whip in snapshot.changed if whip.fill is not None}
    at_ms = grid.stored_ms(snapshot.at.utc_s)
    for name, body in {**states, _STATION: station}.items():
        text = json.dumps(body, separators=(",", ":")).encode()
        connection.execute(_KEEP, (name, fills.get(name), at_ms, code(), rules_hash or "", text))


class Past:
    """What the record says of the last run, on a connection that only reads."""

    def __init__(self, ask: Callable[..., sqlite3.Cursor]) -> None:
        """`ask` executes a question. Raises LedgerError."""
        self._ask = ask

    def kept(self, rules_hash: str, surface_of: SurfaceOf) -> Kept | None:
        """The station as this code under these rules may take it up; None when nothing usable was kept."""
        bodies = dict(self._ask(_KEPT, (code(), rules_hash)))
        try:
            said = {str(name): json.loads(body) for name, body in bodies.items()}
            station = said.pop(_STATION, None)
            if station is None:
                return None
            mono_s, utc_s = station["at"]
            return Kept(
                at=Stamp(mono_s=float(mono_s), utc_s=float(utc_s)),
                place=Place(reading=int(station["reading"]), journal=int(station["journal"])),
                whips={name: state_of(plain, surface_of) for name, plain in said.items()},
                air_k=station["air_k"],
                bath_k=station["bath_k"],
                sensed=sensors_of(station["sensed"]),
            )
        except (LedgerError, ValueError, KeyError, TypeError):
            return None

    def newest_s(self) -> float:
        """When the last run was last known to be there (UTC): its newest reading, event or kept state; 0: never."""
        (newest,) = self._ask(_LAST_KNOWN, ()).fetchone()
        return grid.seconds_of(int(newest or 0))

    def before_fill(self, fill_id: str, whip: str, since_s: float) -> Place:
        """Where `whip` was last at rest before a fill, `since_s` (sample time) at the earliest."""
        idle = self._ask(_BEGINNING, {"whip": whip, "fill": fill_id}).fetchone()
        journal, reading = (int(idle[0]), int(idle[1] or 0)) if idle else (0, 0)
        first = self._ask(_FIRST_SINCE, (grid.stored_ms(since_s),)).fetchone()
        return Place(reading=max(reading, int(first[0] or 1) - 1), journal=journal)

    def since(self, place: Place) -> Iterator[InEvent]:
        """Everything that went into steps after `place`, in the order in which it did."""
        rows = self._ask(f"{_READINGS} WHERE reading.id > ? ORDER BY reading.id", (place.reading,))
        readings = map(_reading, rows)
        waiting = next(readings, None)
        for (body,) in self._ask("SELECT body FROM event WHERE id > ? ORDER BY id", (place.journal,)):
            said = json.loads(body)
            if said.get("type") not in _CAUSES:
                continue
            after = said.get(AFTER) or 0
            while waiting is not None and waiting[0] <= after:
                yield waiting[1]
                waiting = next(readings, None)
            yield decode(said)  # type: ignore[misc]  # one of `_CAUSES`
        while waiting is not None:
            yield waiting[1]
            waiting = next(readings, None)

    def newest_readings(self, count: int) -> Iterator[Reading]:
        """The last `count` readings on record, oldest first, as they came."""
        return (_reading(row)[1] for row in self._ask(_NEWEST, (count,)))


def _reading(row: tuple[object, ...]) -> tuple[int, Reading]:
    """A row of `_READINGS`: its number, and the reading as it came but for its monotonic stamp."""
    number, sample_ms, arrived_ms, topic, whip, quantity, value, quality, doubt, seq, boot, device_ms = row
    if not (isinstance(number, int) and isinstance(sample_ms, int) and isinstance(arrived_ms, int)):
        raise LedgerError(f"recorded reading {row!r} has no number or time: verify the ledger")
    kind = Quantity(str(quantity))
    arrived_s = grid.seconds_of(arrived_ms)
    return number, Reading(
        stamp=Stamp(mono_s=arrived_s, utc_s=arrived_s),
        source=str(topic),
        whip=None if whip is None else str(whip),
        quantity=kind,
        value=grid.value_of(kind, value),
        sample_s=grid.seconds_of(sample_ms),
        quality=Quality(grid.QUALITY_OF[quality]) if isinstance(quality, int) else Quality.BAD,
        doubt=grid.DOUBT_OF[doubt] if isinstance(doubt, int) else None,
        seq=seq if isinstance(seq, int) else None,
        boot=None if boot is None else str(boot),
        device_s=grid.seconds_of(device_ms) if isinstance(device_ms, int) else None,
    )
