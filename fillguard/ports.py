"""What the engine knows of the world: Protocols and the facts that cross them. `app` wires the real parts in.

How a notice is delivered: the outbox row is committed with its step; the channel's worker puts an `Attempt` (result
`unknown`, no `elapsed_s`) and sends only once `on_settled(True)` said that this row is on disk; then it puts the same
attempt with its result. An outbox row stays due until an attempt with result `delivered` is recorded for it. The
`repeat` of a try counts ALL earlier ones: even one that failed may have been shown to somebody.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from fillguard.core.events import AlarmChanged, InEvent, OutEvent
from fillguard.core.hours import Hours
from fillguard.core.sensed import Sensors
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState


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
class Publication:
    """One message of ours to the broker.

    A retained one is state: while there is no connection it is dropped, and sent anew from state at the next. One that
    is not retained and has QoS 1 is kept until the broker has it.
    """

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Announced:
    """What channels are told of that is no alarm: a test of the channel, a list of what is due, many alarms as one."""

    stamp: Stamp
    """The moment it is about: the same after a restart, so that nobody is told twice."""
    about: str
    """`channel-test`, `due-list`, `alarm-flood`."""
    occurrence: str
    notice_kind: str
    """`raise` and `return` of a flood; `test`, `list`."""
    priority: int
    raised_utc_s: float
    stands_for: tuple[str, ...] = ()
    """Occurrences of alarms that are not told one by one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedNotice:
    """A notice that must reach a channel, whatever happens in between."""

    channel: str
    change: AlarmChanged | Announced
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
class StationSnapshot:
    """The station as it stands after everything that was put into the ledger before: a restart goes on from here."""

    at: Stamp
    changed: tuple[WhipState, ...]
    """Whips that changed since they were kept last. All others stand as they were kept."""
    air_k: float | None = None
    bath_k: float | None = None
    sensed: Sensors = field(default_factory=dict)
    """What the station's own sensors say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One try to deliver one notice to one channel."""

    outbox_id: int
    channel: str
    occurrence: str
    kind: str
    """`raise`, `return`, `test` or `list`."""
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
    repeat: int = 0
    """How many earlier tries may have arrived (result unknown)."""
    changed_utc_s: float | None = None
    """When the change happened that it tells of: a return notice is late counted from the return."""


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
    serial: str | None = None
    """The cylinder as it was known when this came, where the reader was asked for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProjectionRow:
    """One projection as recorded, at most one a second of a fill. Gauge pascal, kelvin; None: not known."""

    row: int
    fill_id: str
    whip: str
    serial: str | None
    sample_s: float
    phase: str
    gauge_pa: float | None
    settled_gauge_pa: float | None
    settled_low_gauge_pa: float | None
    settled_high_gauge_pa: float | None
    cylinder_gauge_pa: float | None
    developed_gauge_pa: float | None
    stop_at_gauge_pa: float | None
    close_at_gauge_pa: float | None
    bleed_to_gauge_pa: float | None
    gas_k: float | None
    wall_k: float | None
    mass_kg: float | None
    rate_pa_s: float | None
    rate_error_pa_s: float | None
    seconds_to_stop: float | None
    close_at_cap: str | None
    reason: str | None


RULES_TOPIC = "$fillguard/rules"
"""Where a capture says that thresholds changed: a replay changes them at the same place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigInForce:
    """A whole configuration, from when on, by whom and why. The fills that follow name its hash."""

    at: Stamp
    config_hash: str
    text: str
    who: str
    why: str
    change: tuple[str, ...] = ()
    """What differs from the one before, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditEntry:
    """Somebody, or fillguard itself, did something that an inspector may ask about."""

    at: Stamp
    who: str
    action: str
    """Stable word: `release`, `correction`, `ledger-recovered`, ..."""
    detail: str
    subject: str | None = None
    """What it is about: a fill, an occurrence, a whip, a file."""
    data: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderRecorded:
    """A cylinder entered the register or changed in it: all of its columns from here on, by whom and why."""

    at: Stamp
    by: str
    why: str
    key: str
    """What identifies it: the serial in capitals, without blanks around it."""
    serial: str
    columns: Mapping[str, str]
    """Its row as in cylinders.csv, without the empty cells."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quarantined:
    """Rows that a mirror refused for what they hold; they stay in the ledger."""

    at: Stamp
    mirror: str
    stream: str
    """`reading` or `projection`."""
    first_row: int
    last_row: int
    status: int
    reason: str


class Clock(Protocol):
    """The receiver's two clocks."""

    def now(self) -> Stamp:
        """Both clocks, read together once."""

    def real_seconds(self, seconds: float) -> float:
        """How long `seconds` of this clock take in real time (a drill runs faster)."""

    def drift_s(self) -> float:
        """How far the machine's wall clock has moved against this one since it was anchored."""

    def reanchor(self) -> float:
        """Follow the wall clock from here on; returns by how many seconds UTC stepped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStatus:
    """How far the machine says that its wall clock is to be trusted."""

    synchronised: bool | None
    """By a time server or a receiver; None: this machine does not tell."""
    off_at_most_s: float | None = None
    """The kernel's own bound on its error."""


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


class AuditTrail(Protocol):
    """What the ledger writer also takes: configurations and acts of people. Never raises."""

    def put_config(self, config: ConfigInForce) -> None:
        """Queue the configuration that is in force from here on."""

    def put_audit(self, entry: AuditEntry) -> None:
        """Queue one row of the audit trail."""


class StateKeeper(Protocol):
    """What the ledger writer also takes: states to go on from. Never raises."""

    def put_snapshot(self, snapshot: StationSnapshot) -> bool:
        """Queue what changed, to be kept whole or not at all. False where it is passed over: next time keep all."""


MIRRORED = ("reading", "projection")
"""The kinds of rows that a mirror gets."""


def sent_cursor(mirror: str, stream: str) -> str:
    """Name of the cursor that says how far `mirror` has come."""
    return f"{mirror}/{stream}"


def resend_cursor(mirror: str, stream: str) -> str:
    """Name of the cursor that holds the row from which `mirror` is asked to send again; 0: nobody asks."""
    return f"{mirror}/resend/{stream}"


class MirrorProgress(Protocol):
    """How far a mirror has come, kept in the ledger through its one writer. Never raises."""

    def put_cursor(self, name: str, row: int) -> None:
        """Queue: everything of `name` up to `row` has arrived."""

    def put_quarantined(self, rows: Quarantined) -> None:
        """Queue: these rows were refused and are passed over."""


class MirrorSource(Protocol):
    """What a mirror reads, on a connection of its own."""

    def readings_after(self, row: int, limit: int) -> list[ReadingRow]:
        """Readings with a row number above `row`, in order, with the serial of their fill."""

    def projections_after(self, row: int, limit: int) -> list[ProjectionRow]:
        """Projections with a row number above `row`, in order."""

    def cursor(self, name: str) -> int:
        """The row that `put_cursor` last recorded under `name`; 0 before the first."""

    def newest_row(self, stream: str) -> int:
        """Number of the newest row of `reading` or `projection`; 0 when there is none."""


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
    """Which notices a channel gets, and when."""

    channel: str
    priorities: frozenset[int] = field(default_factory=lambda: frozenset({1, 2}))
    whips: frozenset[str] | None = None
    """None: all whips and the station itself."""
    alarms: frozenset[str] | None = None
    """None: all that have one of the priorities."""
    hours: Hours | None = None
    """Outside of them only priority 1 is told at once; None: always."""
    unacknowledged_after_s: float | None = None
    """Only what nobody has acknowledged so long after it was raised; None: at once."""
