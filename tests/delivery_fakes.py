"""A ledger and a service for delivery tests: each behaves like the real thing, without disk or network."""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from queue import Queue
from threading import Event, Lock
from typing import Self

from fillguard.core.events import AlarmChanged, AlarmState
from fillguard.core.values import Stamp
from fillguard.outlets.delivery import DELIVERED, Message, SendResult
from fillguard.ports import Attempt, OutboxItem, OwedNotice, StepRecord

GENEROUS_S = 60.0
"""How long a test waits for something that must happen, before it fails."""


def notice(
    occurrence: str = "tern-1/overfill/1",
    *,
    channel: str = "phone",
    priority: int = 1,
    raised_s: float = 0.0,
    returned_s: float | None = None,
) -> OwedNotice:
    """A notice as the router makes it: of a return when `returned_s` is given, else of a raise."""
    stamp_s = raised_s if returned_s is None else returned_s
    states = (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
    old, new = states if returned_s is None else reversed(states)
    change = AlarmChanged(
        stamp=Stamp(mono_s=stamp_s, utc_s=stamp_s),
        whip="1",
        fill_id=None,
        serial="TH-0042",
        operator="op-1",
        alarm=occurrence.split("/")[1],
        occurrence=occurrence,
        priority=priority,
        old=old,
        new=new,
        cause="projected to settle above the limit",
        raised_utc_s=raised_s,
    )
    return OwedNotice(channel=channel, change=change, title=f"STOP - {occurrence}", body="Close the panel valve.")


@dataclass(slots=True)
class FakeLedger:
    """Outbox and attempts. Commits at once while `takes_rows`; otherwise what is put waits for `recover` or `lose`."""

    takes_rows: bool = True
    attempts: list[Attempt] = field(default_factory=list)
    """As recorded, in order."""
    _outbox: dict[int, OwedNotice] = field(default_factory=dict)
    _waiting: deque[tuple[Attempt | OwedNotice, Callable[[bool], None] | None]] = field(default_factory=deque)
    _says_healthy: bool | None = None
    _lock: Lock = field(default_factory=Lock)
    tells_changes: bool = True
    """Whether its rows say when the change happened."""
    broken: Exception | None = None
    """Raised when the worklist is read."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def owe(self, notice: OwedNotice) -> None:
        """A step with this notice: committed now, or after recovery."""
        if self.takes_rows:
            with self._lock:
                self._outbox[len(self._outbox) + 1] = notice
        else:
            self._waiting.append((notice, None))

    def put(self, record: StepRecord) -> None:
        for notice in record.owed:
            self.owe(notice)

    def put_attempt(self, attempt: Attempt, on_settled: Callable[[bool], None] | None = None) -> None:
        if not self.takes_rows:
            self._waiting.append((attempt, on_settled))
            return
        self._record(attempt)
        if on_settled is not None:
            on_settled(True)  # noqa: FBT003 - the port's signature

    def healthy(self) -> bool:
        return self.takes_rows if self._says_healthy is None else self._says_healthy

    def fail(self, *, unnoticed: bool = False) -> None:
        """Take no rows; `unnoticed`: nobody has found out yet."""
        self.takes_rows = False
        self._says_healthy = True if unnoticed else None

    def recover(self) -> None:
        """Commit what waits, in order."""
        self.takes_rows, self._says_healthy = True, None
        while self._waiting:
            entry, on_settled = self._waiting.popleft()
            if isinstance(entry, Attempt):
                self.put_attempt(entry, on_settled)
            else:
                self.owe(entry)

    def lose(self) -> None:
        """Drop the attempts that wait: they will never be recorded."""
        for _ in range(len(self._waiting)):
            entry, on_settled = self._waiting.popleft()
            if isinstance(entry, OwedNotice):
                self._waiting.append((entry, None))
            elif on_settled is not None:
                on_settled(False)  # noqa: FBT003 - the port's signature

    def due_notices(self, channel: str, utc_s: float, limit: int) -> list[OutboxItem]:
        if self.broken is not None:
            raise self.broken
        with self._lock:
            items = [self._item(number, notice) for number, notice in self._outbox.items() if notice.channel == channel]
        due = [item for item in items if item is not None and item.not_before_utc_s <= utc_s]
        return sorted(due, key=lambda item: (item.priority, item.outbox_id))[:limit]

    def unsettled(self) -> list[str]:
        """Occurrences that are still owed."""
        with self._lock:
            return [each.change.occurrence for number, each in self._outbox.items() if self._item(number, each)]

    def _record(self, attempt: Attempt) -> None:
        with self._lock:
            number = attempt.outbox_id or next(
                (n for n, owed in self._outbox.items() if owed.change.occurrence == attempt.occurrence), 0
            )
            self.attempts.append(replace(attempt, outbox_id=number))

    def _item(self, number: int, owed: OwedNotice) -> OutboxItem | None:
        """The outbox row, None once it is settled."""
        tries = [attempt for attempt in self.attempts if attempt.outbox_id == number]
        if any(attempt.result == DELIVERED for attempt in tries):
            return None
        return OutboxItem(
            outbox_id=number,
            channel=owed.channel,
            occurrence=owed.change.occurrence,
            kind="raise" if owed.change.is_raise else "return",
            priority=owed.change.priority,
            raised_utc_s=owed.change.raised_utc_s,
            title=owed.title,
            body=owed.body,
            attempts=len({attempt.started_utc_s for attempt in tries}),
            not_before_utc_s=(tries[-1].not_before_utc_s or 0.0) if tries else 0.0,
            changed_utc_s=owed.change.stamp.utc_s if self.tells_changes else None,
        )


class FakeService:
    """Answers as scripted, then always `delivered`; keeps what it was sent. `hang` holds every call until released."""

    def __init__(self, results: Iterable[str] = (), *, hang: bool = False) -> None:
        self.messages: list[Message] = []
        self.before_each: Callable[[Message], None] = lambda message: None  # noqa: ARG005 - nothing to do by default
        self._results = deque(results)
        self._came: Queue[Message] = Queue()
        self._released = Event()
        if not hang:
            self._released.set()

    def send(self, message: Message) -> SendResult:
        self.before_each(message)
        self.messages.append(message)
        self._came.put(message)
        self._released.wait(GENEROUS_S)
        result = self._results.popleft() if self._results else DELIVERED
        return SendResult(result=result, detail="" if result == DELIVERED else f"scripted: {result}")

    def release(self) -> None:
        self._released.set()

    def next_message(self) -> Message:
        """Wait for the next message."""
        return self._came.get(timeout=GENEROUS_S)
