"""Notices to channels, at least once: one thread a channel, so that none waits for another and nobody waits for any.

A try is recorded BEFORE it is made. So whatever happens, kill -9 included, a notice is either known to have arrived or
it is sent again, marked as a repeat, under the same occurrence id. While the ledger takes no rows notices go out all
the same, marked "not recorded"; what was sent meanwhile is remembered and recorded later.
"""

import random
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from threading import Condition, Event, Thread
from typing import Protocol

from fillguard.outlets.memory import NOT_RECORDED, NOTHING_SENT, REMEMBERED_AT_MOST, SendMemory, key_of, urgency
from fillguard.ports import Attempt, Clock, LedgerWriter, OutboxItem, OwedNotice

DELIVERED, FAILED, UNKNOWN = "delivered", "failed", "unknown"
_CHANNEL, _OVERFLOW, _BROKEN = "channel", "overflow", "broken"
"""What can be wrong with a worker; it is well when none of these is."""

COMMIT_WAIT_S = 5.0
"""Real time within which the ledger must have recorded a try; then the notice leaves unrecorded, and says so."""
_LOOK_EVERY_S = 1.0
"""Real time between looks at the worklist when nobody wakes the worker."""
_FIRST_PAUSE_S = 2.0
_LONGEST_PAUSE_S: Mapping[int, float] = {1: 60.0}
_LONGEST_PAUSE_ELSE_S = 300.0
_LATE_AFTER_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What a channel is asked to send."""

    title: str
    body: str
    kind: str
    """`raise`, `return`, `test` or `list`."""
    priority: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SendResult:
    """How a try came out."""

    result: str
    """`delivered`, `failed` or `unknown` (no answer in time: it may have arrived)."""
    detail: str = ""


class Sender(Protocol):
    """A service that takes messages."""

    def send(self, message: Message) -> SendResult:
        """Send once. Returns within the channel's deadline. Never raises."""


class NoticeSource(Protocol):
    """The part of a `LedgerReader` that a worker needs."""

    def due_notices(self, channel: str, utc_s: float, limit: int) -> list[OutboxItem]:
        """Unsettled notices of `channel` that may be tried now: priority 1 first, then oldest."""


TimeText = Callable[[float, float], str]
"""A moment as people read it (UTC seconds), seen from another one."""
_HAPPENED: Mapping[str, str] = {"raise": "raised", "return": "ended"}

OpenSource = Callable[[], AbstractContextManager[NoticeSource]]
"""Opens a source for the thread that calls it, to be closed there."""
HealthListener = Callable[[str, bool, str], None]
"""Called with channel, ok and detail whenever ok changes. Returns at once, never raises."""


def marked(
    item: OutboxItem, *, repeat: int, happened_s: float, started_s: float, recorded: bool, time_text: TimeText
) -> Message:
    """The message of `item` with what a reader must know about this very copy, in the title and in words below."""
    late_s = started_s - happened_s
    late = f"{_HAPPENED.get(item.kind, 'due')} at {time_text(happened_s, started_s)}" if late_s >= _LATE_AFTER_S else ""
    marks = (
        (f"repeat {repeat}" if repeat else "", f"Repeat {repeat}: an earlier copy may have arrived."),
        (late, f"Late: {late}, sent {round(late_s / 60.0)} min after it."),
        ("" if recorded else "not recorded", "Not recorded: the ledger takes no rows. Write it down."),
    )
    shown = [(short, sentence) for short, sentence in marks if short]
    title = f"{item.title} ({', '.join(short for short, _ in shown)})" if shown else item.title
    body = "\n".join([item.body, *(sentence for _, sentence in shown)])
    return Message(title=title, body=body, kind=item.kind, priority=item.priority)


def local_time(zone: tzinfo) -> TimeText:
    """Moments as the clock on the wall shows them: `14:03`, of another day `24 Nov 14:03`."""

    def text(moment_s: float, seen_s: float) -> str:
        moment, seen = (datetime.fromtimestamp(utc_s, zone) for utc_s in (moment_s, seen_s))
        return f"{moment:%H:%M}" if moment.date() == seen.date() else f"{moment.day} {moment:%b %H:%M}"

    return text


def _happened_utc_s(item: OutboxItem, *, otherwise: float) -> float:
    """When that happened which `item` tells of; `otherwise` when only the raise of a returned alarm is known."""
    if item.changed_utc_s is not None:
        return item.changed_utc_s
    return item.raised_utc_s if item.kind == "raise" else otherwise


class ChannelWorker:
    """Delivers what is owed to one channel."""

    def __init__(
        self,
        channel: str,
        sender: Sender,
        *,
        open_source: OpenSource,
        writer: LedgerWriter,
        clock: Clock,
        on_health: HealthListener,
        jitter: Callable[[], float] = random.random,
        commit_wait_s: float = COMMIT_WAIT_S,
        zone: tzinfo = UTC,
    ) -> None:
        """`jitter` gives a number from 0 to 1; `commit_wait_s` is real time; `zone`: in which people read the time."""
        self._channel, self._sender, self._open_source = channel, sender, open_source
        self._writer, self._clock, self._on_health = writer, clock, on_health
        self._jitter, self._commit_wait_s, self._time_text = jitter, commit_wait_s, local_time(zone)
        self._memory = SendMemory()
        self._troubles: set[str] = set()
        self._changed = Condition()
        self._woken = self._stopping = False
        self._thread = Thread(target=self._run, name=f"notices-{channel}", daemon=True)

    def start(self) -> None:
        """Begin to deliver."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Begin nothing new."""
        with self._changed:
            self._stopping = True
            self._changed.notify()

    def stop(self, deadline_s: float) -> bool:
        """Finish the try in hand, for at most `deadline_s` real seconds; False when it still hangs."""
        self.ask_to_stop()
        self._thread.join(deadline_s)
        return not self._thread.is_alive()

    def wake(self) -> None:
        """Something new is owed: look at once."""
        with self._changed:
            self._woken = True
            self._changed.notify()

    def send_unrecorded(self, notice: OwedNotice) -> None:
        """Deliver a notice that the ledger could not take."""
        dropped = self._memory.add(notice)
        if dropped is not None:
            self._trouble(_OVERFLOW, f"too much to send while nothing is recorded: dropped {dropped.occurrence}")
        self.wake()

    # the thread -----------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping:
            try:
                with self._open_source() as source:
                    self._deliver_all(source)
            except Exception as problem:  # noqa: BLE001 - one fault must not silence a channel for good: it is alarmed
                self._trouble(_BROKEN, f"what is owed cannot be read or sent: {problem!r}")
                self._rest()

    def _deliver_all(self, source: NoticeSource) -> None:
        while not self._stopping:
            tried = self.deliver_next(source)
            self._over(_BROKEN, "what is owed can be read again")
            if not tried:
                self._rest()

    def _rest(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._woken or self._stopping, timeout=_LOOK_EVERY_S)
            self._woken = False

    def deliver_next(self, source: NoticeSource) -> bool:
        """Try the most urgent notice that is due; False when there is none."""
        if self._writer.healthy():
            for result in self._memory.lost_results():
                self._put_result(result)
        item = self._most_urgent(source, self._clock.now().utc_s)
        if item is None:
            return False
        self._deliver(item)
        return True

    def _most_urgent(self, source: NoticeSource, utc_s: float) -> OutboxItem | None:
        """From the worklist and from memory; what has arrived and only waits to be recorded is passed over."""
        waiting, sent = self._memory.waiting(), self._memory.sent()  # before the worklist: see below
        listed = source.due_notices(self._channel, utc_s, len(sent) + 1)
        # A result committed after `sent` was taken is still in `sent`, one committed before is no longer in `listed`:
        # either way nothing that has arrived is sent again.
        known = {key_of(item) for item in listed}
        self._memory.forget_waiting(known)
        if len(sent) >= REMEMBERED_AT_MOST:
            listed = [item for item in listed if key_of(item) in sent]
        candidates = [*listed, *(item for item in waiting if key_of(item) not in known)]
        due = [
            item
            for item in candidates
            if item.not_before_utc_s <= utc_s and not sent.get(key_of(item), NOTHING_SENT).blocks(utc_s)
        ]
        return min(due, key=urgency, default=None)

    def _deliver(self, item: OutboxItem) -> None:
        started = self._clock.now()
        remembered = self._memory.sent().get(key_of(item), NOTHING_SENT).tries
        known_to_ledger = item.outbox_id != NOT_RECORDED
        attempt = Attempt(
            outbox_id=item.outbox_id,
            channel=self._channel,
            occurrence=item.occurrence,
            kind=item.kind,
            repeat=item.attempts + remembered if known_to_ledger else max(item.attempts, remembered),
            started_utc_s=started.utc_s,
        )
        recorded = known_to_ledger and self._start_is_recorded(attempt)
        message = marked(
            item,
            repeat=attempt.repeat,
            happened_s=_happened_utc_s(item, otherwise=started.utc_s),
            started_s=started.utc_s,
            recorded=recorded,
            time_text=self._time_text,
        )
        outcome = self._sender.send(message)
        ended = self._clock.now()
        arrived = outcome.result == DELIVERED
        result = replace(
            attempt,
            elapsed_s=self._clock.real_seconds(ended.mono_s - started.mono_s),
            result=outcome.result,
            detail=outcome.detail,
            not_before_utc_s=None if arrived else ended.utc_s + self._pause_s(item.priority, attempt.repeat),
        )
        self._memory.note(result)
        settled = self._put_result(result)
        if recorded:
            settled.wait(self._commit_wait_s)  # so that the next look at the worklist sees it
        if arrived:
            self._over(_CHANNEL, "delivers again")
            self._over(_OVERFLOW, "delivers again")
        else:
            self._trouble(_CHANNEL, f"{outcome.result}: {outcome.detail}")

    def _start_is_recorded(self, attempt: Attempt) -> bool:
        """True once the start of `attempt` is on disk; False when the ledger does not take it in time."""
        if not self._writer.healthy():
            return False
        answers: list[bool] = []
        answered = Event()

        def on_settled(recorded: bool) -> None:  # noqa: FBT001 - the port's signature
            answers.append(recorded)
            answered.set()

        self._writer.put_attempt(attempt, on_settled)
        answered.wait(self._commit_wait_s)
        return answers == [True]

    def _put_result(self, result: Attempt) -> Event:
        """Hand a result to the ledger; the event is set once it is known whether it is recorded."""
        settled = Event()

        def on_settled(recorded: bool) -> None:  # noqa: FBT001 - the port's signature
            self._memory.settled(result, recorded)
            settled.set()

        self._writer.put_attempt(result, on_settled)
        return settled

    def _pause_s(self, priority: int, earlier: int) -> float:
        """Seconds of the clock until the next try: doubling, capped, spread so that channels do not march in step."""
        longest_s = _LONGEST_PAUSE_S.get(priority, _LONGEST_PAUSE_ELSE_S)
        real_s = min(longest_s, _FIRST_PAUSE_S * 2.0 ** min(earlier, 16)) * (0.5 + self._jitter() / 2.0)
        return real_s / self._clock.real_seconds(1.0)

    def _trouble(self, what: str, detail: str) -> None:
        with self._changed:
            first = not self._troubles
            self._troubles.add(what)
        if first:
            self._on_health(self._channel, False, detail)  # noqa: FBT003 - the listener's signature

    def _over(self, what: str, detail: str) -> None:
        with self._changed:
            last = self._troubles == {what}
            self._troubles.discard(what)
        if last:
            self._on_health(self._channel, True, detail)  # noqa: FBT003 - the listener's signature


class Delivery:
    """All channels."""

    def __init__(
        self,
        senders: Mapping[str, Sender],
        *,
        open_source: OpenSource,
        writer: LedgerWriter,
        clock: Clock,
        on_health: HealthListener,
        zone: tzinfo = UTC,
    ) -> None:
        """`open_source` gives each worker's thread a connection of its own; `zone`: in which people read the time."""
        self._clock = clock
        self._workers = {
            channel: ChannelWorker(
                channel,
                sender,
                open_source=open_source,
                writer=writer,
                clock=clock,
                on_health=on_health,
                zone=zone,
            )
            for channel, sender in senders.items()
        }

    @property
    def channels(self) -> frozenset[str]:
        """Those that can be delivered to: one that a reload brings begins at the next start."""
        return frozenset(self._workers)

    def start(self) -> None:
        """Begin to deliver; first of all what an earlier run still owes."""
        for worker in self._workers.values():
            worker.start()

    def owed(self, channels: frozenset[str]) -> None:
        """Something new for `channels` was committed."""
        for channel in channels & self._workers.keys():
            self._workers[channel].wake()

    def send_unrecorded(self, notice: OwedNotice) -> None:
        """Deliver a notice that the ledger cannot take: marked, from memory, repeated until it arrives."""
        self._workers[notice.channel].send_unrecorded(notice)

    def stop(self, deadline_s: float) -> list[str]:
        """Stop all within `deadline_s` real seconds; returns the channels whose last try still hangs."""
        for worker in self._workers.values():
            worker.ask_to_stop()
        began_s = self._clock.now().mono_s
        hanging = []
        for channel, worker in self._workers.items():
            passed_s = self._clock.real_seconds(self._clock.now().mono_s - began_s)
            if not worker.stop(max(deadline_s - passed_s, 0.0)):
                hanging.append(channel)
        return hanging
