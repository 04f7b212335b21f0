"""The one writer of the ledger, on its own thread behind a bounded queue. Nobody ever waits for the disk."""

import sqlite3
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from threading import Condition, Event, Thread

from fillguard.core.errors import LedgerError
from fillguard.core.events import AlarmChanged, Projected, Reading, Tick
from fillguard.core.values import Stamp
from fillguard.ledger import store
from fillguard.ledger.acks import Acknowledger
from fillguard.ledger.chain import Anchor
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.lock import LedgerLock
from fillguard.ledger.outage import Outage
from fillguard.ledger.recorder import CursorMoved, Entry
from fillguard.ledger.session import Session, is_storage_fault
from fillguard.ledger.tending import Tending
from fillguard.ports import (
    Attempt,
    AuditEntry,
    Clock,
    ConfigInForce,
    CylinderRecorded,
    Quarantined,
    StationSnapshot,
    StepRecord,
)

GROUP_SIZE = 16
GROUP_WAIT_S = 0.1
"""A group is committed at so many entries or after this real time, and at once when somebody waits for it."""
STALL_S = 5.0
"""A commit that takes longer is a failure: people are told that nothing is recorded."""
UNACKNOWLEDGED = 48
"""While the ledger takes no rows, so many messages stay unacknowledged. A sender may have 64 under way (receive
maximum): beyond this the oldest are acknowledged from memory, so that the readings go on coming."""
RELIEF_S = 1.0
"""... and likewise once a single commit takes longer than this."""
_AT_ONCE = 256
_FIRST_PAUSE_S = 0.2
_LONGEST_PAUSE_S = 10.0
_FAULTS_TOLD = 100
_FAULT_LENGTH = 500

HealthListener = Callable[[bool, str], None]
"""Whether the ledger takes rows, and what is the matter. From any thread; returns at once, never raises."""
CommitListener = Callable[[frozenset[str]], None]
"""Called after each commit with the channels that are owed something new. Returns at once, never raises."""


@dataclass(frozen=True, slots=True)
class _Waiting:
    entry: Entry
    ticket: int | None = None
    on_settled: Callable[[bool], None] | None = None


class SqliteLedgerWriter:
    """A `LedgerWriter`, `AuditTrail`, `StateKeeper` and `MirrorProgress` on one SQLite file.

    Memory is bounded: `capacity` entries wait at most; beyond that plain readings are dropped, and beyond a quarter
    more anything is: counted, alarmed through `on_health`, told in the audit trail.
    """

    def __init__(
        self,
        path: Path,
        owner: store.Owner,
        clock: Clock,
        *,
        on_health: HealthListener | None = None,
        capacity: int = 20_000,
        tending: Tending | None = None,
        connect: Callable[[Path], sqlite3.Connection] = store.connect,
    ) -> None:
        """Lock and open the ledger; a new one is made where there is none. Raises LedgerLocked, LedgerError."""
        self._clock = clock
        self._on_health = on_health
        self._capacity = capacity
        self._tending = tending
        self._listeners: list[CommitListener] = []
        self._changed = Condition()
        self._queue: deque[_Waiting] = deque()
        self._urgent = False
        self._stopping = False
        self._abandoned = Event()
        self._acks = Acknowledger()
        self._outage: Outage | None = None
        self._commit_began: Stamp | None = None
        self._in_hand = 0
        self._faults: set[str] = set()
        self._thread = Thread(target=self._run, name="ledger-writer", daemon=True)
        self._session = Session(path, connect)
        now = clock.now()
        self._lock = LedgerLock(path, datetime.fromtimestamp(now.utc_s, UTC).isoformat(timespec="seconds"))
        try:
            self._open(path, owner, now)
        except BaseException:
            self._session.close()
            self._lock.release()
            raise
        self._anchor = self._session.end

    def _open(self, path: Path, owner: store.Owner, now: Stamp) -> None:
        steps = store.prepare(path, owner, stored_ms(now.utc_s))
        try:
            self._session.open()
        except sqlite3.Error as problem:
            raise LedgerError(f"ledger {path} cannot be written: {problem}. Check room and rights") from problem
        for step in steps:
            detail = f"schema {step.version}: {step.name}"
            self.put_audit(AuditEntry(at=now, who="fillguard", action="ledger-schema", detail=detail))

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self, deadline_s: float) -> int:
        """Write what waits, for at most about `deadline_s` real seconds; returns how many entries were not recorded."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread.ident is None:
            self._run()
        else:
            self._thread.join(deadline_s)
        with self._changed:
            self._abandoned.set()
            self._changed.notify_all()
            left = list(self._queue)
            self._queue.clear()
        for waiting in left:
            self._tell(waiting.on_settled, recorded=False)
        return len(left) + self._in_hand

    def subscribe(self, listener: CommitListener) -> None:
        """Have `listener` called after each commit. Before `start` only."""
        self._listeners.append(listener)

    @property
    def waiting(self) -> int:
        """How many entries are not written yet."""
        return len(self._queue) + self._in_hand

    @property
    def anchor(self) -> Anchor:
        """End of the chain as last committed: what is noted outside."""
        return self._anchor

    def put(self, record: StepRecord) -> None:
        """Queue one step; see `ports.LedgerWriter`."""
        self._watch()
        token = record.raw.ack if record.raw else None
        if token is None and isinstance(record.cause, Tick) and not record.facts and not record.owed:
            return
        urgent = bool(record.owed) or any(isinstance(fact, AlarmChanged) for fact in record.facts)
        if self._outage:
            with self._changed:
                if self._outage:
                    self._outage.passed(record)
        ticket = None if token is None else self._acks.expect(token)
        self._enqueue(_Waiting(record, ticket), urgent=urgent, droppable=_is_plain_reading(record))

    def put_attempt(self, attempt: Attempt, on_settled: Callable[[bool], None] | None = None) -> None:
        """Queue a try of a channel; see `ports.LedgerWriter`."""
        with self._changed:
            if self._outage:
                self._outage.tried(attempt)
        self._enqueue(_Waiting(attempt, None, on_settled), urgent=True)

    def put_config(self, config: ConfigInForce) -> None:
        """Queue the configuration in force."""
        self._enqueue(_Waiting(config))

    def put_audit(self, entry: AuditEntry) -> None:
        """Queue one row of the audit trail."""
        self._enqueue(_Waiting(entry))

    def put_cylinder(self, change: CylinderRecorded) -> None:
        """Queue one row of the register."""
        self._enqueue(_Waiting(change))

    def put_snapshot(self, snapshot: StationSnapshot) -> bool:
        """Queue a state of the station; passed over during an outage, when there is no end to what waits."""
        if self._outage is None:
            self._enqueue(_Waiting(snapshot), droppable=True)
        return self._outage is None

    def put_cursor(self, name: str, row: int) -> None:
        """Queue a mirror's progress."""
        self._enqueue(_Waiting(CursorMoved(name=name, row=row)), droppable=True)

    def put_quarantined(self, rows: Quarantined) -> None:
        """Queue rows that a mirror passes over."""
        self._enqueue(_Waiting(rows))

    def healthy(self) -> bool:
        """False from a failed or stalled commit, or a full queue, until the ledger takes rows again."""
        self._watch()
        return self._outage is None and (self._thread.ident is None or self._thread.is_alive())

    def _watch(self) -> None:
        """Notice a commit that hangs (its own thread cannot), and keep the readings coming meanwhile."""
        began = self._commit_began
        taken_s = 0.0
        if began is not None:
            taken_s = self._clock.real_seconds(self._clock.now().mono_s - began.mono_s)
            if taken_s > STALL_S:
                self._begin_outage(f"a commit has taken over {STALL_S:g} s", since=began)
        if self._outage is not None or taken_s > RELIEF_S:
            ahead = self._acks.leave_only(UNACKNOWLEDGED)
            with self._changed:
                if ahead and self._outage:
                    self._outage.acknowledged_ahead += ahead

    # the queue --------------------------------------------------------------------------------------------------

    def _enqueue(self, waiting: _Waiting, *, urgent: bool = False, droppable: bool = False) -> None:
        with self._changed:
            room = self._capacity if droppable else self._capacity * 5 // 4
            if len(self._queue) < room and not self._abandoned.is_set():
                self._queue.append(waiting)
                if urgent or self._urgent:
                    self._urgent = True
                    self._changed.notify()
                elif len(self._queue) in {1, GROUP_SIZE}:
                    self._changed.notify()
                return
        self._lose(waiting)

    def _lose(self, waiting: _Waiting) -> None:
        now = self._clock.now()
        self._begin_outage(f"{self._capacity} entries wait already: rows are being LOST", since=now)
        with self._changed:
            if self._outage:
                self._outage.lose(now.utc_s)
        self._tell(waiting.on_settled, recorded=False)

    def _gather(self) -> list[_Waiting] | None:
        """The next group; None when nothing came and housekeeping is due; empty when no more will come."""
        pause_s = None
        if self._tending is not None and self._outage is None:
            pause_s = self._clock.real_seconds(self._tending.pause_s(self._clock.now()))
        with self._changed:
            if not self._changed.wait_for(lambda: self._queue or self._stopping, timeout=pause_s):
                return None
            self._changed.wait_for(
                lambda: len(self._queue) >= GROUP_SIZE or self._urgent or self._stopping, timeout=GROUP_WAIT_S
            )
            group = [self._queue.popleft() for _ in range(min(len(self._queue), _AT_ONCE))]
            self._urgent = self._urgent and bool(self._queue)
            self._in_hand = len(group)
            return group

    # the thread -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while (group := self._gather()) is None or (group and self._written(group)):
                self._tend()
            self._session.close()
        except BaseException as problem:
            self._begin_outage(f"the ledger's writer stopped: {problem!r}", since=self._clock.now())
            raise
        finally:
            self._lock.release()

    def _tend(self) -> None:
        """Housekeeping, when it is due and nobody waits."""
        now = self._clock.now()
        idle = len(self._queue) < GROUP_SIZE and self._outage is None and not self._stopping
        if self._tending is None or not idle or self._tending.pause_s(now) > 0.0:
            return
        self._commit_began = now
        try:
            after = self._session.tend(self._tending.turn, now)
            self._anchor = self._session.end
            self._call(after)
        except Exception as problem:  # noqa: BLE001 - housekeeping must not end the record; its failure is recorded
            self._tending.failed(now)
            detail = f"{type(problem).__name__}: {problem}"[:_FAULT_LENGTH]
            self.put_audit(AuditEntry(at=now, who="fillguard", action="tending-failed", detail=detail))
        finally:
            self._watch()
            self._commit_began = None

    def _written(self, group: Sequence[_Waiting]) -> bool:
        """Try until `group` is on disk; False when told to give up."""
        pause_s = _FIRST_PAUSE_S
        while not self._abandoned.is_set():
            refused = self._committed(group)
            if refused is not None:
                self._settle(group, refused)
                return True
            with self._changed:
                stopping = self._changed.wait_for(lambda: self._stopping, timeout=pause_s)
            if stopping:
                self._abandoned.wait(_FIRST_PAUSE_S)
            pause_s = min(pause_s * 2.0, _LONGEST_PAUSE_S)
        for waiting in group:
            self._tell(waiting.on_settled, recorded=False)
        return False

    def _committed(self, group: Sequence[_Waiting]) -> set[int] | None:
        """Places that can never be recorded; None when the storage failed."""
        began = self._clock.now()
        self._commit_began = began
        try:
            refused = self._session.commit([waiting.entry for waiting in group], began)
            self._anchor = self._session.end
        except (sqlite3.Error, OSError, MemoryError, LedgerError) as problem:
            kind = "storage" if is_storage_fault(problem) else type(problem).__name__
            self._begin_outage(f"{kind}: {problem}", since=began)
            return None
        finally:
            self._watch()
            self._commit_began = None
        self._in_hand = 0
        return refused

    def _settle(self, group: Sequence[_Waiting], refused: set[int]) -> None:
        """Tell everybody who waited for this group."""
        tickets = [waiting.ticket for waiting in group if waiting.ticket is not None]
        if tickets:
            self._acks.safe_up_to(tickets[-1])
        for place, waiting in enumerate(group):
            self._tell(waiting.on_settled, recorded=place not in refused)
        owed = frozenset(
            notice.channel
            for waiting in group
            if isinstance(waiting.entry, StepRecord)
            for notice in waiting.entry.owed
        )
        for listener in self._listeners:
            self._call(partial(listener, owed))
        if refused:
            self._begin_outage(
                f"{len(refused)} entries cannot be recorded: see the audit trail", since=self._clock.now()
            )
        else:
            self._end_outage()

    def _tell(self, on_settled: Callable[[bool], None] | None, *, recorded: bool) -> None:
        if on_settled is not None:
            self._call(partial(on_settled, recorded))

    def _call(self, listener: Callable[[], None]) -> None:
        try:
            listener()
        except Exception as fault:  # noqa: BLE001 - a fault in a listener must not end the record; it is recorded
            detail = f"{type(fault).__name__}: {fault}"[:_FAULT_LENGTH]
            if detail in self._faults or len(self._faults) >= _FAULTS_TOLD:
                return  # each is told once: a row for every commit would cause the next commit
            self._faults.add(detail)
            self.put_audit(AuditEntry(at=self._clock.now(), who="fillguard", action="listener-fault", detail=detail))

    # outages ----------------------------------------------------------------------------------------------------

    def _begin_outage(self, reason: str, since: Stamp) -> None:
        with self._changed:
            if self._outage is not None:
                return
            self._outage = Outage(since=since, reason=reason)
        self._report(ok=False, detail=reason)

    def _end_outage(self) -> None:
        """The ledger takes rows again, and what waited in memory is on disk for the better part."""
        with self._changed:
            outage = self._outage
            if outage is None or len(self._queue) > self._capacity // 2:
                return
            self._outage = None
        told = outage.told(self._clock.now())
        self.put_audit(told)
        self._report(ok=True, detail=told.detail)

    def _report(self, *, ok: bool, detail: str) -> None:
        if self._on_health is not None:
            self._call(partial(self._on_health, ok, detail))


def _is_plain_reading(record: StepRecord) -> bool:
    return (
        isinstance(record.cause, Reading)
        and not record.owed
        and all(isinstance(fact, Projected) for fact in record.facts)
    )
