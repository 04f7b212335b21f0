"""What goes out: facts for ledger, outlets, board and people."""

from dataclasses import dataclass

from fillguard.core.events.alarmed import AlarmChanged, CommandAnswered
from fillguard.core.events.grouped import CylinderMoved, GroupChanged, StageBegan, StageEnded
from fillguard.core.events.kinds import Doubt, Lamp, Outcome, Phase, Prompt, Quality, ZeroVerdict
from fillguard.core.fitness.checks import Checked, Identified
from fillguard.core.fitness.record import Found
from fillguard.core.fitness.verdict import Verdict
from fillguard.core.learned import Ending, Lesson, StationLearned, Unfit
from fillguard.core.stages import Prediction, Stage, StageDone
from fillguard.core.values import Companion, Cylinder, Drop, GasMix, Stamp, Surroundings, Warmth


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseChanged:
    """A whip went from one phase to another."""

    stamp: Stamp
    sample_s: float
    whip: str
    fill_id: str | None
    old: Phase
    new: Phase
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FillStarted:
    """Gas began to flow into a cylinder (or what must be taken for one)."""

    stamp: Stamp
    fill_id: str
    station: str
    whip: str
    started_s: float
    """Sample time of the first sample of the rise."""
    start_gauge_pa: float
    plateau_seen: bool
    """False: the residual pressure was not seen standing, the start is an estimate."""
    serial: str | None
    operator: str | None
    cylinder: Cylinder | None
    gas: GasMix
    residual_gas: GasMix
    surroundings: Surroundings
    limit_gauge_pa: float
    reference_k: float
    target_gauge_pa: float
    ceiling_gauge_pa: float
    """Never above this in the cylinder, however hot (5/4 service or developed at 65 C, disc margin)."""
    ambient_k: float | None
    learned_version: int = 0
    """Of the station's learned values in use; 0: as shipped."""
    verdict: Verdict | None = None
    """On the cylinder, as it stood when the gas began to flow."""
    checked: tuple[Checked, ...] = ()
    class_name: str | None = None
    stages: tuple[Stage, ...] = ()
    """Of a partial-pressure fill, in order; empty: one gas."""
    gauge: str | None = None
    """The gauge that its whip shares with others; None: it has its own."""
    heard_on: tuple[str, ...] = ()
    """Names that this gauge's readings may come under: the gauge's own, and those of its whips."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillIdentified:
    """The cylinder of an open fill became known, or turned out to be another one."""

    stamp: Stamp
    fill_id: str
    whip: str
    serial: str | None
    operator: str | None
    cylinder: Cylinder | None
    limit_gauge_pa: float
    reference_k: float
    target_gauge_pa: float
    note: str | None = None
    verdict: Verdict | None = None
    checked: tuple[Checked, ...] = ()
    class_name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictGiven:
    """Whether the attached cylinder may be filled; told at attach, and again when somebody overrode it or tried to."""

    stamp: Stamp
    whip: str
    fill_id: str | None
    serial: str | None
    operator: str | None
    verdict: Verdict | None
    """None: there was none to override."""
    refused: str | None = None
    """Why it was not overridden, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveNoted:
    """The operator noticed something at a cylinder's valve when it was attached or taken off."""

    stamp: Stamp
    whip: str
    fill_id: str | None
    serial: str | None
    operator: str | None
    found: tuple[Found, ...]
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Projected:
    """Where this cylinder will stand once it is in equilibrium at its reference temperature, as far as we know now.

    Emitted for every accepted pressure reading of an open fill. `settled_gauge_pa` is None with a `reason` whenever it
    cannot be trusted (`whip-only`, `bled`, `stale`, `stuck`, `no-cylinder`, ...); `seconds_to_stop` None likewise.
    """

    stamp: Stamp
    sample_s: float
    whip: str
    fill_id: str
    phase: Phase
    gauge_pa: float
    limit_gauge_pa: float
    target_gauge_pa: float
    reference_k: float
    settled_gauge_pa: float | None = None
    settled_low_gauge_pa: float | None = None
    settled_high_gauge_pa: float | None = None
    gas_k: float | None = None
    wall_k: float | None = None
    mass_kg: float | None = None
    cylinder_gauge_pa: float | None = None
    """Estimated pressure in the cylinder itself, behind whip and valve."""
    developed_gauge_pa: float | None = None
    """At 55 C (US profile) or 65 C (EU profile)."""
    rate_pa_s: float | None = None
    rate_error_pa_s: float | None = None
    """Standard error of the rate."""
    stop_at_gauge_pa: float | None = None
    close_at_gauge_pa: float | None = None
    close_at_cap: str | None = None
    """Which cap governs close-at, None when the target does."""
    close_at_settles_gauge_pa: float | None = None
    """What a capped fill will settle at."""
    bleed_to_gauge_pa: float | None = None
    seconds_to_stop: float | None = None
    reads_at_surroundings_gauge_pa: float | None = None
    """What the gauge will show once the cylinder is as warm as its surroundings."""
    stage: int | None = None
    """Number of the stage under way, from 1; None where there is only one gas."""
    stages: int | None = None
    """How many there are."""
    predicted: Prediction | None = None
    """What should be in it as it stands, in a partial-pressure fill; never in place of an analysis."""
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PromptChanged:
    """The board's request to the operator changed; None: nothing is asked."""

    stamp: Stamp
    whip: str
    fill_id: str | None
    prompt: Prompt | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingMade:
    """What the curve hints at, or what is questionable about a sensor."""

    stamp: Stamp
    whip: str | None
    """None: about a sensor of the whole station."""
    fill_id: str | None
    finding: str
    confidence: float
    text: str
    """Evidence and action, in words, SI-free: the numbers are in bar."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LampChanged:
    """The lamp over a whip changed."""

    stamp: Stamp
    whip: str
    lamp: Lamp


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowStopped:
    """Gas stopped flowing into the cylinder for good, as far as the fill goes; back-dated to the last inflow."""

    stamp: Stamp
    fill_id: str
    whip: str
    flow_stopped_s: float
    close_gauge_pa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FillSummary:
    """One fill, in one row: what the log shows and an auditor asks first."""

    fill_id: str
    station: str
    whip: str
    serial: str | None
    operator: str | None
    gas: GasMix
    cylinder: Cylinder | None
    started_s: float
    flow_stopped_s: float | None
    ended_s: float | None
    outcome: Outcome
    start_gauge_pa: float
    plateau_seen: bool
    close_gauge_pa: float | None
    settled_gauge_pa: float | None
    """The projection 3 s after the flow stopped, with its 90 % interval."""
    settled_low_gauge_pa: float | None = None
    settled_high_gauge_pa: float | None = None
    final_settled_gauge_pa: float | None
    """The last projection that was made."""
    final_settled_low_gauge_pa: float | None = None
    final_settled_high_gauge_pa: float | None = None
    reference_k: float
    limit_gauge_pa: float
    target_gauge_pa: float
    peak_rate_pa_s: float | None = None
    peak_gauge_pa: float
    gas_k_max: float | None = None
    alarms: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    readings: int = 0
    doubtful_readings: int = 0
    learned_version: int = 0
    """Of the station's learned values in use; 0: as shipped."""
    verdict: Verdict | None = None
    """On the cylinder, with the name of whoever overrode it."""
    identified: tuple[Identified, ...] = ()
    """What it was said to be of, one after the other; the last one is `serial`."""
    entered_by: str | None = None
    """Who entered it by hand from the shop's form: nothing of it was measured. None: the watch saw it."""
    gauge: str | None = None
    """The gauge that its whip shares with others; None: it has its own."""
    companions: tuple[Companion, ...] = ()
    """What was filled from that gauge together with it; the readings stand in the row of the whip that led."""
    stages: tuple[StageDone, ...] = ()
    """What came of each stage of a partial-pressure fill; empty: one gas."""
    predicted: Prediction | None = None
    """What should be in it then. `gas` is the best of it; an analysis says what is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillEnded:
    """A fill is over; its one row, and what it teaches the station."""

    stamp: Stamp
    summary: FillSummary
    lesson: Lesson | None = None
    untaught: Unfit | None = None
    """Why it teaches nothing (yet); None also in records of versions that did not learn."""
    ending: Ending | None = None
    """What a settled reading can still teach about it; None when nothing ever can."""
    warmth: Warmth | None = None
    """How warm the cylinder is left behind; None when nobody knows."""
    drop: Drop | None = None
    """How far the gauge came back when the flow last stopped; None when it could not tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledJudged:
    """A settled reading of an earlier fill, and what it teaches."""

    stamp: Stamp
    fill_id: str
    gauge_pa: float
    temperature_k: float
    by: str
    """Who read it; `fillguard` when the cylinder came back on a whip."""
    projected_gauge_pa: float | None
    """What the fill's end said, at the cylinder's reference temperature."""
    lesson: Lesson | None = None
    untaught: Unfit | None = None

    @property
    def uses_up(self) -> bool:
        """True when nothing more can be learned from that fill."""
        return self.untaught not in {Unfit.OTHER_CONTENTS, Unfit.UNKNOWN_FILL}


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedChanged:
    """The station's learned values changed: all of them as they are from here on, what changed them, and who."""

    stamp: Stamp
    learned: StationLearned
    by: str
    """`fillguard`, or who took the reading or reset the values."""
    why: str
    lesson: Lesson | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroChecked:
    """A whip was bled, and its gauge should have read zero. Nothing is corrected by it."""

    stamp: Stamp
    whip: str
    fill_id: str | None
    zero_gauge_pa: float
    """Median of five seconds."""
    range_pa: float
    drift_pa: float | None
    """Against the zero of the last week that differs most; None: there is none."""
    judged: ZeroVerdict
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingDoubted:
    """The station gave a reading less trust than the intake did."""

    stamp: Stamp
    whip: str
    source: str
    sample_s: float
    quality: Quality
    doubt: Doubt


OutEvent = (
    PhaseChanged
    | FillStarted
    | FillIdentified
    | VerdictGiven
    | ValveNoted
    | Projected
    | GroupChanged
    | StageBegan
    | StageEnded
    | CylinderMoved
    | PromptChanged
    | FindingMade
    | AlarmChanged
    | CommandAnswered
    | LampChanged
    | FlowStopped
    | FillEnded
    | SettledJudged
    | LearnedChanged
    | ZeroChecked
    | ReadingDoubted
)
