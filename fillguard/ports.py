"""What the engine knows of the world: Protocols and the facts that cross them. `app` wires the real parts in.

How a notice is delivered: the outbox row is committed with its step; the channel's worker puts an `Attempt` (result
`unknown`, no `elapsed_s`) and sends only once `on_settled(True)` said that this row is on disk; then it puts the same
attempt with its result. An outbox row stays due until an attempt with result `delivered` is recorded for it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from fillguard.core.events import AlarmChanged, InEvent, OutEvent
from fillguard.core.values import Stamp


class AckToken(Protocol):
    """A message that waits to be acknowledged on the very connection it came from."""

    def acknowledge(self) -> None:
        """Tell the sender that the message is safe. Does nothing when that connection is gone. Never raises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RawMessage:
    """What came over the wire, untouched."""

    arrived: Stamp
    topic: str
    payload: bytes
    retained: bool = False
    duplicate: bool = False
    qos: int = 0
    ack: AckToken | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedNotice:
    """A notice that must reach a channel, whatever happens in between."""

    channel: str
    change: AlarmChanged
    title: str
    body: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecord:
    """One step, as the ledger keeps it: what came, what followed, what is owed. One transaction."""

    cause: InEvent
    facts: tuple[OutEvent, ...]
    owed: tuple[OwedNotice, ...] = ()
    raw: RawMessage | None = None
    """Set on the last record that a message caused: acknowledged once committed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to deliver one notice to one channel."""

    outbox_id: int
    channel: str
    occurrence: str
    kind: str
    """`raise` or `return` or `test`."""
    repeat: int
    started_utc_s: float
    elapsed_s: float | None = None
    result: str = "unknown"
    """`delivered`, `failed`, `unknown` (timed out: it may have arrived)."""
    detail: str = ""
    not_before_utc_s: float | None = None
    """Not delivered: the notice is not due again before this; None: due at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxItem:
    """One row of the outbox that is not settled yet."""

    outbox_id: int
    channel: str
    occurrence: str
    kind: str
    priority: int
    raised_utc_s: float
    title: str
    body: str
    attempts: int
    not_before_utc_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRow:
    """One reading as recorded; integers inside the ledger, SI here."""

    row: int
    utc_s: float
    sample_s: float
    source: str
    whip: str | None
    quantity: str
    value: float
    quality: str
    doubt: str | None
    fill_id: str | None


class Clock(Protocol):
    """The receiver's two clocks."""

    def now(self) -> Stamp:
        """Both clocks, read together once."""

    def real_seconds(self, seconds: float) -> float:
        """How long `seconds` of this clock take in real time (a drill runs faster)."""


class Decoder(Protocol):
    """Bytes to events. Never raises: what cannot be used becomes `ReadingRejected`."""

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:
        """The events of one message, in order; stamped with its arrival."""


class Outlet(Protocol):
    """Somewhere that hears of a step at once and must not hold it up. Never raises, never blocks."""

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Take note of what just happened."""


class LedgerWriter(Protocol):
    """The one writer of the ledger, on its own thread behind a bounded queue."""

    def put(self, record: StepRecord) -> None:
        """Queue one step for the next group commit; its message is acknowledged after that commit. Never raises."""

    def put_attempt(self, attempt: Attempt, on_settled: Callable[[bool], None] | None = None) -> None:
        """Queue the start (result `unknown`, no `elapsed_s`) or the result of a delivery attempt. Never raises.

        `on_settled` is called exactly once, from any thread: True after the commit that holds the row, False as soon
        as it is known that this row will not be recorded. It returns at once and never raises.
        """

    def healthy(self) -> bool:
        """False from a failed or stalled commit until the ledger takes rows again."""


class LedgerReader(Protocol):
    """What delivery workers, console and export read; each has a connection of its own."""

    def due_notices(self, channel: str, utc_s: float, limit: int) -> list[OutboxItem]:
        """Unsettled notices of `channel` that may be tried now: priority 1 first, then oldest."""

    def readings_after(self, row: int, limit: int) -> list[ReadingRow]:
        """Readings with a row number above `row`, in order: the mirror's cursor walks these."""

    def fills(self, *, limit: int, before_s: float | None = None) -> list[Mapping[str, object]]:
        """Newest fills first, one mapping a fill with the columns of the fill log."""

    def fill_trace(self, fill_id: str) -> Iterator[ReadingRow]:
        """Every recorded reading of one fill, in sample order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """Which notices a channel gets."""

    channel: str
    priorities: frozenset[int] = field(default_factory=lambda: frozenset({1, 2}))
    whips: frozenset[str] | None = None
    """None: all whips and the station itself."""
