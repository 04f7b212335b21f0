"""What comes in: decoded, quantised, graded and stamped by the intake."""

from dataclasses import dataclass, field

from fillguard.core.events.kinds import Doubt, Quality, Quantity, Verb
from fillguard.core.fitness.checks import Check, Checked, Left, named
from fillguard.core.fitness.record import Found
from fillguard.core.fitness.release import Analysis, Basis
from fillguard.core.fitness.verdict import Verdict
from fillguard.core.stages import Stage
from fillguard.core.thresholds import Thresholds
from fillguard.core.values import Cylinder, GasMix, Stamp, Surroundings, Visits


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value of one sensor, decoded, quantised and graded by the intake."""

    stamp: Stamp
    source: str
    """The topic it came on: names the sensor's channel."""
    whip: str | None
    """None for what the whole station shares (ambient, bath)."""
    quantity: Quantity
    value: float
    sample_s: float
    """Device time plus the source's clock offset, never later than arrival; arrival without device time."""
    quality: Quality = Quality.GOOD
    doubt: Doubt | None = None
    seq: int | None = None
    boot: str | None = None
    device_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRejected:
    """Bytes that gave no reading: what they were and why."""

    stamp: Stamp
    topic: str
    reason: str
    """Stable word for counting: `not-json`, `not-a-number`, `unknown-topic`, `too-large`, `too-deep`, ..."""
    detail: str
    """One sentence for the technician, quoting the value."""
    sample: str
    """At most 200 characters of the payload."""
    command_id: str | None = None
    """Of a command that was not understood, as far as it said one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderAttached:
    """Somebody said which cylinder hangs on a whip; `cylinder` is None where nothing describes it."""

    stamp: Stamp
    whip: str
    serial: str | None
    cylinder: Cylinder | None
    operator: str | None
    gas: GasMix
    """What is supplied; of several stages the gas that is richest in oxygen."""
    residual_gas: GasMix
    """What was in it before."""
    target_gauge_pa: float | None = None
    """Settled, at the cylinder's reference temperature; None means the limit."""
    surroundings: Surroundings | None = None
    arrived_k: float | None = None
    """Wall temperature as told at the counter (`cold`, `hot`, a figure); None when nobody said."""
    note: str | None = None
    """What did not fit between register and message, in words."""
    verdict: Verdict | None = None
    """Whether it may be filled, how far, and why not; None where nobody judged it."""
    visits: Visits = field(default_factory=Visits)
    """What earlier fills say of this cylinder and this whip."""
    checked: tuple[Checked, ...] = ()
    """What a person looked at."""
    stamp_unseen: bool = False
    """The rating is the register's or its class's: nobody said that the shoulder of THIS cylinder says so."""
    class_name: str | None = None
    """Known by the shop's class only."""
    of_class: Cylinder | None = None
    """What it counts as once a named person has read what a class cannot say."""
    valve_found: tuple[Found, ...] = ()
    valve_note: str | None = None
    members: tuple[str, ...] = ()
    """Serials of the cylinders of a set."""
    left: Left | None = None
    """How its last recorded fill left it; None: not on record."""
    residual_told: bool = True
    """False: nobody said what was in it, `residual_gas` is an assumption."""

    stages: tuple[Stage, ...] = ()
    """Of a partial-pressure fill, in order; empty: one gas."""

    @property
    def stamp_read(self) -> Checked | None:
        """Who read the stamp; None while no named person did."""
        return named(self.checked, Check.STAMP_READ)


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderChecked:
    """A named person looked at what hangs on a whip."""

    stamp: Stamp
    whip: str
    operator: str
    checks: tuple[Check, ...]
    command_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WhipClosed:
    """A named person closed one whip of a gauge that several share: its cylinder takes no more part."""

    stamp: Stamp
    whip: str
    operator: str
    command_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StageCalled:
    """A named person says which stage of a partial-pressure fill comes now."""

    stamp: Stamp
    whip: str
    operator: str
    number: int
    """From 1."""
    command_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderDetached:
    """Somebody took the cylinder off."""

    stamp: Stamp
    whip: str
    operator: str | None = None
    valve_found: tuple[Found, ...] = ()
    """What the operator noticed at its valve."""
    valve_note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PresenceChanged:
    """The gateway of a whip said it is there, or its last will said it is gone."""

    stamp: Stamp
    whip: str
    online: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A whole second of the receiver's clock has passed."""

    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmCommanded:
    """A named person acted on an alarm. `alarm` and `whip`, or the occurrence id, say which."""

    stamp: Stamp
    verb: Verb
    operator: str
    occurrence: str | None = None
    whip: str | None = None
    alarm: str | None = None
    reason: str | None = None
    for_s: float | None = None
    command_id: str | None = None
    """What the sender calls this command: the answer carries it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictOverridden:
    """A named person takes it on themselves to fill what should not be filled. Whether they may is still to be seen."""

    stamp: Stamp
    whip: str
    operator: str
    reason: str
    command_id: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FillAnalysed:
    """A named person analysed what is in a filled cylinder."""

    stamp: Stamp
    fill_id: str
    analysis: Analysis
    command_id: str | None = None
    refused: str | None = None
    """Why it could not be taken down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillReleased:
    """A named person released a filled cylinder to somebody, or tried to."""

    stamp: Stamp
    fill_id: str
    gauge_pa: float | None
    """As read in the shop; None: nobody read it, the projection counts."""
    basis: Basis
    shop_k: float | None
    """How warm it was there; None: nobody said."""
    label: GasMix | None
    """None: what was supplied."""
    valve_seen: bool
    o_ring_seen: bool
    by: str
    to: str | None
    """Whoever got it. Kept apart from the record, and for its own time."""
    to_until_utc_s: float | None = None
    """When that name is forgotten."""
    command_id: str | None = None
    settled_gauge_pa: float | None = None
    """The same, or the projection, at the cylinder's reference temperature; None: not known."""
    refused: str | None = None
    """Why it may not leave, in words; None: it may."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledRead:
    """A named person read the pressure of a filled cylinder that has come to a known temperature throughout."""

    stamp: Stamp
    fill_id: str
    gauge_pa: float
    temperature_k: float
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningReset:
    """A named person put the learned values back to the shipped ones."""

    stamp: Stamp
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockStepped:
    """The receiver's UTC was re-anchored: it had moved against the monotonic clock."""

    stamp: Stamp
    by_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RulesChanged:
    """Other thresholds are in force from here on; an open fill keeps the stricter ones until it ends."""

    stamp: Stamp
    rules_hash: str
    summary: str
    """What changed, in words."""
    thresholds: Thresholds | None = None
    """All of them as they are from here on; None only in records of versions that changed them at a restart."""
    by: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CanaryReturned:
    """A message that a fillguard sent to itself came back through broker, intake and step: they work."""

    stamp: Stamp
    instance: str
    """Whose it is: of two that watch one station each knows its own."""
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceChanged:
    """Part of fillguard itself, or a server it needs, failed or came back."""

    stamp: Stamp
    service: str
    """`broker`, `ledger`, `channel:NAME`, `mirror`, `step`, `configuration`, `canary`; about sensors `zero:WHIP`,
    `unit:WHIP`, `shared:WHIP+WHIP`, `device-clock:SOURCE`."""
    ok: bool
    detail: str
    whip: str | None = None
    """Set when only one whip is concerned (`step`)."""


InEvent = (
    Reading
    | ReadingRejected
    | CylinderAttached
    | StageCalled
    | WhipClosed
    | CylinderDetached
    | CylinderChecked
    | PresenceChanged
    | Tick
    | AlarmCommanded
    | VerdictOverridden
    | FillAnalysed
    | FillReleased
    | SettledRead
    | LearningReset
    | ClockStepped
    | RulesChanged
    | CanaryReturned
    | ServiceChanged
)
