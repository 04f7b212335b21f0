"""What the ledger's writer does while nobody waits, a little each turn: note the chain's end daily, pack, prune."""

import json
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime

from fillguard.core.values import Stamp
from fillguard.ledger.chain import Anchor
from fillguard.ledger.chunks import Packer, Pruner
from fillguard.ledger.codec import Json
from fillguard.ledger.recorder import Recorder
from fillguard.ports import AuditEntry, ClockStatus

ANCHORED = "anchor"
"""Action of the audit row that keeps a day's anchor."""
_BETWEEN_TURNS_S = 0.25
_REST_S = 600.0
"""... after everything was done, or after a failure."""
_FIRST_PACKING_S = 600.0
"""After a start: what an earlier run had not acknowledged comes again first, and must find its rows."""
_NEWEST_ANCHOR = "SELECT body FROM audit WHERE action = 'anchor' ORDER BY id DESC LIMIT 1"

_SYNCHRONISED = {
    True: "synchronised",
    False: "NOT synchronised: times in the record may be off",
    None: "of unknown status: this machine does not tell",
}

AnchorListener = Callable[[Anchor, float], None]
"""Told of the day's anchor and when it was noted (Unix seconds), once after a start and once a day. Returns at once."""


class Tending:
    """For the writer's thread. Times are those of its clock."""

    def __init__(
        self,
        *,
        raw_retention_s: float | None = None,
        mirror: str | None = None,
        on_anchor: AnchorListener | None = None,
        clock_status: Callable[[], ClockStatus] | None = None,
    ) -> None:
        """Nothing is done before the first turn.

        Args:
            raw_retention_s: Readings older than this lose their raw values; None: never.
            mirror: Cursor of the mirror that must have them before; None: there is none.
            on_anchor: Told of the day's anchor.
            clock_status: Asked every ten minutes; fills and alarms carry its answer.
        """
        self._on_anchor = on_anchor
        self._clock_status = clock_status
        self._clock: dict[str, Json] | None = None
        self._look_mono_s = float("-inf")
        self._pruner = None if raw_retention_s is None else Pruner(after_s=raw_retention_s, mirror=mirror)
        self._packers = (Packer("reading"), Packer("projection"))
        self._day: str | None = None
        self._due_mono_s = float("-inf")
        self._pack_from_mono_s: float | None = None

    def pause_s(self, now: Stamp) -> float:
        """Seconds until the next turn is due."""
        return max(0.0, self._due_mono_s - now.mono_s)

    def turn(self, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> Callable[[], None]:
        """One piece of work inside a transaction; returns what to do once it is committed."""
        self._look_at_clock(recorder, now)
        if self._pack_from_mono_s is None:
            self._pack_from_mono_s = now.mono_s + _FIRST_PACKING_S
        if (day := _day(now.utc_s)) != self._day:
            anchor, at_s = _anchor_of(day, connection, recorder, now)
            return lambda: self._anchored(day, anchor, at_s)
        if now.mono_s < self._pack_from_mono_s:
            self._due_mono_s = min(self._pack_from_mono_s, now.mono_s + _REST_S)
            return _nothing
        chores = [packer.turn for packer in self._packers]
        if self._pruner is not None:
            chores.append(self._pruner.turn)
        more = any(chore(connection, recorder, now) for chore in chores)
        self._due_mono_s = now.mono_s + (_BETWEEN_TURNS_S if more else _REST_S)
        return _nothing

    def _look_at_clock(self, recorder: Recorder, now: Stamp) -> None:
        """Keep the clock's status with what is recorded from here on; a change of it is a row of its own."""
        if self._clock_status is not None and now.mono_s >= self._look_mono_s:
            status = self._clock_status()
            self._look_mono_s = now.mono_s + _REST_S
            looked: dict[str, Json] = {
                "synchronised": status.synchronised,
                "off_at_most_s": status.off_at_most_s,
                "utc_s": now.utc_s,
            }
            if self._clock is None or self._clock["synchronised"] is not status.synchronised:
                detail = f"the machine's clock is {_SYNCHRONISED[status.synchronised]}"
                recorder.record(AuditEntry(at=now, who="fillguard", action="clock", detail=detail, data=looked))
            self._clock = looked
        recorder.clock = self._clock

    def failed(self, now: Stamp) -> None:
        """A turn failed and left nothing behind: wait before the next, and look at the clock again then."""
        self._clock, self._look_mono_s = None, float("-inf")
        self._due_mono_s = now.mono_s + _REST_S

    def _anchored(self, day: str, anchor: Anchor, at_s: float) -> None:
        self._day = day
        if self._on_anchor is not None:
            self._on_anchor(anchor, at_s)


def _anchor_of(day: str, connection: sqlite3.Connection, recorder: Recorder, now: Stamp) -> tuple[Anchor, float]:
    """The day's anchor: the one on record, else the end of the chain, which is recorded as it."""
    newest = connection.execute(_NEWEST_ANCHOR).fetchone()
    if newest is not None:
        said = json.loads(newest[0])
        at_s = float(said["at"]["utc_s"])
        if _day(at_s) == day:
            return Anchor.parse(str(said["detail"])), at_s
    anchor = recorder.end
    recorder.record(AuditEntry(at=now, who="fillguard", action=ANCHORED, detail=str(anchor)))
    return anchor, now.utc_s


def _day(utc_s: float) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d}"


def _nothing() -> None:
    """Nothing to do after the commit."""
