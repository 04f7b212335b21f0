"""What a delivery worker must remember itself: notices and results that the ledger does not hold, or not yet."""

from collections import OrderedDict, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from threading import Lock

from fillguard.ports import Attempt, OutboxItem, OwedNotice

Key = tuple[str, str]
"""Occurrence and kind: what a notice is about, whichever way it comes."""

NOT_RECORDED = 0
"""Number of an outbox row that does not exist."""
_WAITING_AT_MOST = 200
REMEMBERED_AT_MOST = 300
"""With so many sent and not recorded, what the ledger holds is sent no more: forgetting it would send it twice."""
_TRIES_AT_MOST = 50
_PUT_AT_MOST = 3
"""How often a result is handed to a ledger that says it cannot record it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Try:
    """A try whose result is not in the ledger, as far as we know."""

    attempt: Attempt
    being_recorded: bool = True
    """It waits for a commit."""
    put: int = 1
    """How often it was handed to the ledger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """The tries of one notice that are not in the ledger, oldest first."""

    kept: tuple[Try, ...] = ()
    forgotten: int = 0
    """Older ones, only counted."""

    @property
    def tries(self) -> int:
        """How many there were."""
        return self.forgotten + len(self.kept)

    def blocks(self, utc_s: float) -> bool:
        """True while it must not be sent: it has arrived, or the last try was a moment ago."""
        if any(each.attempt.result == "delivered" for each in self.kept):
            return True
        return bool(self.kept) and utc_s < (self.kept[-1].attempt.not_before_utc_s or 0.0)


NOTHING_SENT = Sent()


class SendMemory:
    """Notices to send from memory, and what was sent but is not recorded. Bounded; safe from any thread."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._waiting: deque[OutboxItem] = deque()
        self._sent: OrderedDict[Key, Sent] = OrderedDict()

    def add(self, notice: OwedNotice) -> OutboxItem | None:
        """Take in a notice that could not be recorded. Returns the least urgent one when there is no room for all."""
        item = OutboxItem(
            outbox_id=NOT_RECORDED,
            channel=notice.channel,
            occurrence=notice.change.occurrence,
            kind=notice.change.notice_kind,
            priority=notice.change.priority,
            raised_utc_s=notice.change.raised_utc_s,
            title=notice.title,
            body=notice.body,
            attempts=0,
            not_before_utc_s=0.0,
            changed_utc_s=notice.change.stamp.utc_s,
        )
        with self._lock:
            self._waiting.append(item)
            if len(self._waiting) <= _WAITING_AT_MOST:
                return None
            dropped = max(self._waiting, key=urgency)
            self._waiting.remove(dropped)
            return dropped

    def waiting(self) -> list[OutboxItem]:
        """The notices to send from memory."""
        with self._lock:
            return list(self._waiting)

    def forget_waiting(self, keys: Iterable[Key]) -> None:
        """The ledger knows these notices now."""
        gone = set(keys)
        with self._lock:
            self._waiting = deque(item for item in self._waiting if key_of(item) not in gone)

    def sent(self) -> dict[Key, Sent]:
        """What was sent and is not recorded, as it stands now."""
        with self._lock:
            return dict(self._sent)

    def note(self, attempt: Attempt) -> None:
        """A try was made; its result is about to be handed to the ledger."""
        key = (attempt.occurrence, attempt.kind)
        with self._lock:
            self._waiting = deque(_after_try(self._waiting, key, attempt))
            sent = self._sent.get(key, NOTHING_SENT)
            kept = (*sent.kept, Try(attempt=attempt))
            over = len(kept) > _TRIES_AT_MOST
            self._sent[key] = Sent(kept=kept[1:] if over else kept, forgotten=sent.forgotten + int(over))
            if len(self._sent) > REMEMBERED_AT_MOST:
                self._forget_one()

    def _forget_one(self) -> None:
        """Forget the oldest of those that came from memory: their results follow them into the ledger in order."""
        oldest = next(
            (key for key, sent in self._sent.items() if sent.kept[-1].attempt.outbox_id == NOT_RECORDED), None
        )
        if oldest is not None:
            del self._sent[oldest]

    def settled(self, attempt: Attempt, recorded: bool) -> None:  # noqa: FBT001 - what the ledger calls back with
        """The ledger holds the result of `attempt`, or did not take it."""
        key = (attempt.occurrence, attempt.kind)
        with self._lock:
            sent = self._sent.get(key, NOTHING_SENT)
            this = next((each for each in sent.kept if each.attempt == attempt), None)
            if this is None:
                return
            kept = tuple(
                replace(each, being_recorded=False) if each is this else each
                for each in sent.kept
                if not (recorded and each is this)
            )
            if kept:
                self._sent[key] = replace(sent, kept=kept)
            else:
                del self._sent[key]

    def lost_results(self) -> list[Attempt]:
        """Results that the ledger did not take, to be handed to it again."""
        found: list[Attempt] = []
        with self._lock:
            for key, sent in self._sent.items():
                lost = {each for each in sent.kept if not each.being_recorded and each.put < _PUT_AT_MOST}
                if lost:
                    found += [each.attempt for each in sent.kept if each in lost]
                    kept = tuple(
                        replace(each, being_recorded=True, put=each.put + 1) if each in lost else each
                        for each in sent.kept
                    )
                    self._sent[key] = replace(sent, kept=kept)
        return found


def _after_try(waiting: Iterable[OutboxItem], key: Key, attempt: Attempt) -> Iterator[OutboxItem]:
    """`waiting` without what arrived; what did not is due again later."""
    for item in waiting:
        if key_of(item) != key:
            yield item
        elif attempt.result != "delivered":
            yield replace(item, attempts=item.attempts + 1, not_before_utc_s=attempt.not_before_utc_s or 0.0)


def key_of(item: OutboxItem) -> Key:
    """What `item` is about."""
    return item.occurrence, item.kind


def urgency(item: OutboxItem) -> tuple[int, float]:
    """Sort key: priority 1 first, then oldest."""
    return item.priority, item.raised_utc_s
