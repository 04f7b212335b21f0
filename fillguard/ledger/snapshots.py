"""Kept states of whips, and what came after them: all that a restart needs to go on where it was."""

import json
import sqlite3
from collections.abc import Callable, Iterator
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
from fillguard.ports import WhipSnapshot

AFTER = "after_reading"
"""Key in a recorded event: number of the reading before it. Readings and the rest of the record are numbered apart."""
_KEEP = """
INSERT OR REPLACE INTO snapshot (whip, fill_id, at_ms, code, rules_hash, body) VALUES (?, ?, ?, ?, ?, ?)
"""
_KEPT = "SELECT whip, at_ms, body FROM snapshot WHERE code = ? AND rules_hash = ? ORDER BY whip"
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
_FIRST_SINCE = """
SELECT min(reading.id) FROM reading JOIN source ON source.id = reading.source
WHERE (source.whip = ? OR source.whip IS NULL) AND reading.sample_ms >= ?
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A point in the record: everything up to this reading and this row of the journal."""

    reading: int
    journal: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One whip's kept state, still plain."""

    whip: str
    at: Stamp
    place: Place
    air_k: float | None
    bath_k: float | None
    sensed: object
    """Plain, too."""
    plain: object

    def sensors(self) -> Sensors:
        """What the station's own sensors said. Raises LedgerError."""
        return sensors_of(self.sensed)

    def state(self, surface_of: SurfaceOf) -> WhipState:
        """The state as it was. Raises LedgerError."""
        return state_of(self.plain, surface_of)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """Something that went into a step, as the record has it. `reading` or `journal` is its own number."""

    event: InEvent
    reading: int | None = None
    journal: int | None = None

    def is_after(self, place: Place) -> bool:
        """True when it came later."""
        if self.reading is not None:
            return self.reading > place.reading
        return self.journal is not None and self.journal > place.journal


def keep(connection: sqlite3.Connection, snapshot: WhipSnapshot, place: Place, rules_hash: str | None) -> None:
    """Keep a state in place of the whip's last one, inside the writer's transaction."""
    fill = snapshot.state.fill
    body = {
        "at": [snapshot.at.mono_s, snapshot.at.utc_s],
        "reading": place.reading,
        "journal": place.journal,
        "air_k": snapshot.air_k,
        "bath_k": snapshot.bath_k,
        "sensed": plain_state(snapshot.sensed),
        "state": plain_state(snapshot.state),
    }
    row = (
        snapshot.state.whip,
        fill.fill_id if fill is not None else None,
        grid.stored_ms(snapshot.at.utc_s),
        code(),
        rules_hash or "",
        json.dumps(body, separators=(",", ":")).encode(),
    )
    connection.execute(_KEEP, row)


class Past:
    """What the record says of the last run, on a connection that only reads."""

    def __init__(self, ask: Callable[..., sqlite3.Cursor]) -> None:
        """`ask` executes a question. Raises LedgerError."""
        self._ask = ask

    def kept(self, rules_hash: str) -> list[Kept]:
        """The kept states that this code under these rules may go on from."""
        found = []
        for whip, _, body in self._ask(_KEPT, (code(), rules_hash)):
            try:
                said = json.loads(body)
                mono_s, utc_s = said["at"]
                found.append(
                    Kept(
                        whip=str(whip),
                        at=Stamp(mono_s=float(mono_s), utc_s=float(utc_s)),
                        place=Place(reading=int(said["reading"]), journal=int(said["journal"])),
                        air_k=said["air_k"],
                        bath_k=said["bath_k"],
                        sensed=said["sensed"],
                        plain=said["state"],
                    )
                )
            except (ValueError, KeyError, TypeError) as problem:
                raise LedgerError(f"the kept state of whip {whip} cannot be read: {problem!r}") from problem
        return found

    def newest_s(self) -> float:
        """When the last run was last known to be there (UTC): its newest reading, event or kept state; 0: never."""
        (newest,) = self._ask(_LAST_KNOWN, ()).fetchone()
        return grid.seconds_of(int(newest or 0))

    def before_fill(self, fill_id: str, whip: str, since_s: float) -> Place:
        """Where `whip` was last at rest before a fill, `since_s` (sample time) at the earliest."""
        idle = self._ask(_BEGINNING, {"whip": whip, "fill": fill_id}).fetchone()
        journal, reading = (int(idle[0]), int(idle[1] or 0)) if idle else (0, 0)
        first = self._ask(_FIRST_SINCE, (whip, grid.stored_ms(since_s))).fetchone()
        return Place(reading=max(reading, int(first[0] or 1) - 1), journal=journal)

    def since(self, place: Place) -> Iterator[Recorded]:
        """Everything that went into steps after `place`, in the order in which it did."""
        readings = map(_reading, self._ask(f"{_READINGS} WHERE reading.id > ? ORDER BY reading.id", (place.reading,)))
        waiting = next(readings, None)
        for number, body in self._ask("SELECT id, body FROM event WHERE id > ? ORDER BY id", (place.journal,)):
            said = json.loads(body)
            if said.get("type") not in _CAUSES:
                continue
            after = said.get(AFTER) or 0
            while waiting is not None and waiting.reading is not None and waiting.reading <= after:
                yield waiting
                waiting = next(readings, None)
            event: InEvent = decode(said)  # type: ignore[assignment]  # one of `_CAUSES`
            yield Recorded(event=event, journal=int(number))
        while waiting is not None:
            yield waiting
            waiting = next(readings, None)

    def newest_readings(self, count: int) -> Iterator[Reading]:
        """The last `count` readings on record, oldest first, as they came."""
        for row in self._ask(_NEWEST, (count,)):
            event = _reading(row).event
            if isinstance(event, Reading):
                yield event


def _reading(row: tuple[object, ...]) -> Recorded:
    number, sample_ms, arrived_ms, topic, whip, quantity, value, quality, doubt, seq, boot, device_ms = row
    if not (isinstance(number, int) and isinstance(sample_ms, int) and isinstance(arrived_ms, int)):
        raise LedgerError(f"recorded reading {row!r} has no number or time: verify the ledger")
    kind = Quantity(str(quantity))
    arrived_s = grid.seconds_of(arrived_ms)
    return Recorded(
        reading=number,
        event=Reading(
            stamp=Stamp(mono_s=arrived_s, utc_s=arrived_s),  # its own monotonic clock is not on record
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
        ),
    )
