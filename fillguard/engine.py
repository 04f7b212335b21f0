"""The loop: take, decode, stamp, step, hand on. One thread owns the station's state; nothing here waits for a disk.

`Stepper` is the part that live and replay share: it puts the ticks into the order of events. `Engine` feeds it from the
intake queue and hands what follows to the fast outlets first, then to the ledger's queue.
"""

import math
import queue
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from fillguard.core.events import (
    AlarmCommanded,
    ClockStepped,
    CylinderAttached,
    CylinderChecked,
    CylinderDetached,
    InEvent,
    LearnedChanged,
    OutEvent,
    PresenceChanged,
    Reading,
    RulesChanged,
    ServiceChanged,
    Tick,
    VerdictOverridden,
)
from fillguard.core.rules import Rules
from fillguard.core.station import StationState, step
from fillguard.core.values import Stamp
from fillguard.ports import Clock, Decoder, LedgerWriter, Outlet, OwedNotice, RawMessage, StepRecord

_LONGEST_CATCH_UP_S = 86_400
"""Ticks made up at most after a gap. A day in which nothing arrived replays in seconds."""
_WORKS_AFTER_S = 10.0
"""A step that fails now and then does not work: it must have gone well for so long."""
_CLOCK_STEPPED_S = 0.01
"""UTC and the steady clock of two stamps differ by so much only when UTC was re-anchored between them."""


@dataclass(frozen=True, slots=True)
class Happening:
    """One event and what followed from it."""

    cause: InEvent
    facts: tuple[OutEvent, ...]


class Stepper:
    """The station in motion: ticks in their place, a failed step turned into an alarm instead of a crash."""

    def __init__(self, rules: Rules, state: StationState | None = None) -> None:
        """Begin with `state`, or with a station that has seen nothing."""
        self.rules = rules
        self.state = state or StationState()
        self._until: Stamp | None = None
        self._failing: dict[str, tuple[object, float]] = {}
        """Whips on which a step failed: the kind of event that must succeed to end it, and when it failed last."""

    def feed(self, event: InEvent) -> Iterator[Happening]:
        """Everything that follows from `event`, the ticks due before it first. The caller must exhaust it."""
        yield from self.advance(event.stamp)
        yield from self._stepped(event)

    def advance(self, now: Stamp) -> Iterator[Happening]:
        """Every whole second after the previous stamp up to `now`; skipped while everything is at rest."""
        before = self._until
        if before is not None and now.mono_s <= before.mono_s:
            return  # stamped a moment earlier on another thread: time does not go back
        self._until = now
        if before is None:
            return
        since_s = now.mono_s - before.mono_s
        stepped = abs(now.utc_s - before.utc_s - since_s) > _CLOCK_STEPPED_S
        first = math.floor(now.utc_s - since_s if stepped else before.utc_s) + 1
        for second in range(max(first, math.floor(now.utc_s) - _LONGEST_CATCH_UP_S), math.floor(now.utc_s) + 1):
            if self.state.at_rest:
                return
            mono_s = now.mono_s - (now.utc_s - second)
            yield from self._stepped(Tick(stamp=Stamp(mono_s=mono_s, utc_s=float(second))))

    def _stepped(self, event: InEvent) -> Iterator[Happening]:
        try:
            self.state, facts = step(self.state, event, self.rules)
        except Exception as error:  # noqa: BLE001 - a fault of ours must blind nobody: it becomes "monitoring lost"
            yield from self._failed(event, error)
            return
        for fact in facts:
            if isinstance(fact, LearnedChanged):
                self.rules = replace(self.rules, learned=fact.learned)
        if isinstance(event, RulesChanged) and event.thresholds is not None:
            self.rules = self.rules.held_to(event.thresholds, rules_hash=event.rules_hash)
        yield Happening(event, facts)
        for whip in [name for name in self._failing if self._works_again(name, event)]:
            del self._failing[whip]
            yield from self._stepped(
                ServiceChanged(stamp=event.stamp, service="step", ok=True, detail="steps succeed again", whip=whip)
            )

    def _works_again(self, whip: str, event: InEvent) -> bool:
        awaited, failed_mono_s = self._failing[whip]
        long_ago = event.stamp.mono_s - failed_mono_s >= _WORKS_AFTER_S
        return long_ago and _kind(event) == awaited and _whip_of(event) in {None, whip}

    def _failed(self, event: InEvent, error: Exception) -> Iterator[Happening]:
        concerned = _whip_of(event)
        whips: list[str | None] = [concerned] if concerned is not None else [*self.state.whips]
        detail = f"fillguard itself failed on this whip ({type(error).__name__}: {error})."
        for whip in whips or [None]:
            fault = ServiceChanged(stamp=event.stamp, service="step", ok=False, detail=detail, whip=whip)
            try:
                self.state, facts = step(self.state, fault, self.rules)
            except Exception as again:
                raise RuntimeError(f"cannot even raise monitoring-lost on whip {whip}") from again
            if whip is not None:
                awaited = _kind(event) if isinstance(event, Reading) else Tick
                self._failing[whip] = (awaited, event.stamp.mono_s)
            yield Happening(fault, facts)


def _whip_of(event: InEvent) -> str | None:
    """The whip an event is about; None for what concerns the whole station."""
    match event:
        case Reading() | CylinderAttached() | CylinderDetached() | PresenceChanged() | AlarmCommanded():
            return event.whip
        case ServiceChanged() | VerdictOverridden() | CylinderChecked():
            return event.whip
        case _:
            return None


def _kind(event: InEvent) -> object:
    """What tells one kind of event from another: sensors fail each by itself."""
    return event.quantity if isinstance(event, Reading) else type(event)


Notices = Callable[[InEvent, Sequence[OutEvent]], tuple[OwedNotice, ...]]
"""Which notices are owed from this step on: for its facts, and because their time has come."""
After = Callable[[StationState, Sequence[Happening]], None]
"""Sees what happened and the state it led to, once all is on the ledger's queue. Returns at once, never raises."""


Stopwatch = Callable[[], Callable[[], None]]


class Inbox:
    """The one intake queue. Messages are bounded; what fillguard itself has to say (few, small) is never refused."""

    def __init__(self, most_messages: int = 4096) -> None:
        """`most_messages`: a message that finds no room is refused, and its sender is told."""
        self._queue: queue.SimpleQueue[RawMessage | InEvent | None] = queue.SimpleQueue()
        self._most = most_messages

    def offer(self, message: RawMessage) -> bool:
        """Queue a message; False when there is no room. For the one network thread."""
        if self._queue.qsize() >= self._most:
            return False
        self._queue.put(message)
        return True

    def has_room(self) -> bool:
        """False when it is nearly full: whoever reads a socket had better wait, and let the sender wait."""
        return self._queue.qsize() < self._most * 7 // 8

    def put(self, event: InEvent) -> None:
        """Queue an event of our own; from any thread."""
        self._queue.put(event)

    def wake(self) -> None:
        """Make a waiting `take` return None."""
        self._queue.put(None)

    def take(self, timeout_s: float) -> RawMessage | InEvent | None:
        """The next item; None after `timeout_s` real seconds without one, or when woken."""
        try:
            return self._queue.get(timeout=timeout_s)
        except queue.Empty:
            return None

    def __len__(self) -> int:
        return self._queue.qsize()


_CLOCK_STEP_S = 0.5


class Engine:
    """The one owner of the state, on a thread of its own, behind one bounded queue."""

    def __init__(
        self,
        *,
        stepper: Stepper,
        clock: Clock,
        decoder: Decoder,
        outlets: Sequence[Outlet],
        ledger: LedgerWriter,
        notices: Notices,
        inbox: Inbox,
        unrecorded: Callable[[OwedNotice], None] = lambda _: None,
        after: After = lambda _state, _done: None,
        stopwatch: Stopwatch = lambda: lambda: None,
    ) -> None:
        """Wire the engine; nothing runs before `run` is called.

        `unrecorded` takes the notices that are owed while the ledger takes no rows: they go out all the same.
        `stopwatch` is called when an item is taken, and its answer when all of it has been handed on.
        """
        self.stepper = stepper
        self._clock = clock
        self._decoder = decoder
        self._outlets = outlets
        self._ledger = ledger
        self._notices = notices
        self._inbox = inbox
        self._unrecorded = unrecorded
        self._after = after
        self._stopwatch = stopwatch
        self._stopping = threading.Event()
        self.published: StationState = stepper.state
        """The newest state, for readers on other threads: frozen, handed over by reference."""

    def run(self) -> None:
        """Work until `stop`; what was queued before it is still done, what comes after it is left where it is."""
        while True:
            item = self._inbox.take(self._until_next_second_s())
            finished = self._stopwatch()
            if item is None:
                if self._stopping.is_set():
                    return
                self._on_idle()
            elif isinstance(item, RawMessage):
                self._on_message(item)
            else:
                self._hand_on(self.stepper.feed(item), None)
            self.published = self.stepper.state
            finished()

    def stop(self) -> None:
        """Finish what is queued, then leave `run`."""
        self._stopping.set()
        self._inbox.wake()

    def _until_next_second_s(self) -> float:
        now_s = self._clock.now().utc_s
        return max(self._clock.real_seconds(math.floor(now_s) + 1 - now_s), 0.001)

    def _on_idle(self) -> None:
        now = self._clock.now()
        done = list(self.stepper.advance(now))
        self._hand_on(done, None)
        if not done:  # at rest no tick is made, and what is owed by the clock would wait for the next alarm
            self._record(Happening(Tick(stamp=now), ()), None)
        # Not in the middle of a fill: its readings could not be compared any more.
        if abs(self._clock.drift_s()) > _CLOCK_STEP_S and not self.stepper.state.fill_is_open:
            by_s = self._clock.reanchor()
            self._hand_on(self.stepper.feed(ClockStepped(stamp=self._clock.now(), by_s=by_s)), None)

    def _on_message(self, message: RawMessage) -> None:
        events = self._decoder.decode(message)
        for event in events[:-1]:
            self._hand_on(self.stepper.feed(event), None)
        if events:
            self._hand_on(self.stepper.feed(events[-1]), message)
        elif message.ack is not None:
            message.ack.acknowledge()

    def _hand_on(self, happenings: Iterable[Happening], message: RawMessage | None) -> None:
        """Tell the outlets, then queue the record; the message rides on the last record it caused."""
        done = list(happenings)
        for index, happening in enumerate(done):
            for outlet in self._outlets:
                outlet.tell(happening.cause, happening.facts)
            self._record(happening, message if index == len(done) - 1 else None)
        self._after(self.stepper.state, done)

    def _record(self, happening: Happening, message: RawMessage | None) -> None:
        """Queue what happened, with the notices that are owed from it on, for the ledger."""
        owed = self._notices(happening.cause, happening.facts)
        if owed and not self._ledger.healthy():
            for notice in owed:
                self._unrecorded(notice)
            owed = ()
        self._ledger.put(StepRecord(cause=happening.cause, facts=happening.facts, owed=owed, raw=message))


__all__ = ["Engine", "Happening", "Inbox", "Notices", "Stepper", "Stopwatch"]
