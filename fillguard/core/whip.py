"""Everything that is known of one whip between two events."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from fillguard.core.alarms import Standing
from fillguard.core.blend import Blend
from fillguard.core.context import FillContext
from fillguard.core.course import Course
from fillguard.core.curve import Curve
from fillguard.core.estimator import EstimatorState
from fillguard.core.events import CylinderAttached, Lamp, Phase, Projected, Prompt
from fillguard.core.evidence import NOTHING, Evidence
from fillguard.core.fill import OpenFill
from fillguard.core.gauge import Gauge
from fillguard.core.prompting import Asked
from fillguard.core.sensed import Sensors
from fillguard.core.thresholds import Thresholds
from fillguard.core.values import Stamp
from fillguard.core.zero import UNCHECKED, ZeroWatch

WATCHED = frozenset({Phase.ATTACHED, Phase.CONNECTED, Phase.FILLING, Phase.PAUSED, Phase.DRAINING})
"""Phases in which a silent gauge leaves somebody at a panel blind within seconds."""
COOLING = frozenset({Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})


COLDEST_K, HOTTEST_K = 220.0, 360.0
"""A shop, a bath and a cylinder that waits in them are never beyond this: a sensor that says so is broken."""
_TREND_S = 10.0
_TREND_OVER_S = 40.0
_TREND_SPACING_S = 1.0
_TREND_FEWEST = 3
_FRESH_S = 60.0
"""A wall sensor that has said nothing for so long says nothing about the wall any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """The strap-on sensor of a whip."""

    kelvin: float
    sample_s: float
    arrived_mono_s: float
    recent: tuple[tuple[float, float], ...] = ()
    """(sample time, kelvin) of the last forty seconds, one a second at most."""
    above_trend_k: float = 0.0
    """How far the last ten seconds lie above the line through what came before."""

    def after(self, kelvin: float, sample_s: float, arrived_mono_s: float) -> "Wall":
        """With one more reading."""
        recent, above = self.recent, self.above_trend_k
        if not recent or sample_s - recent[-1][0] >= _TREND_SPACING_S:
            recent = (*(r for r in recent if sample_s - r[0] <= _TREND_OVER_S), (sample_s, kelvin))
            above = _above_trend_k(recent)
        return Wall(kelvin=kelvin, sample_s=sample_s, arrived_mono_s=arrived_mono_s, recent=recent, above_trend_k=above)

    def is_fresh(self, now: Stamp) -> bool:
        """False when it has been silent for a minute."""
        return now.mono_s - self.arrived_mono_s <= _FRESH_S

    def start_k(self, now: Stamp) -> float | None:
        """How warm the cylinder is to begin with; None when this sensor cannot tell."""
        return self.kelvin if self.is_fresh(now) and COLDEST_K < self.kelvin < HOTTEST_K else None


def _above_trend_k(recent: Sequence[tuple[float, float]]) -> float:
    """Kelvin above the trend; 0 with too little to go on."""
    newest_s = recent[-1][0]
    old = [r for r in recent if newest_s - r[0] > _TREND_S]
    new = recent[len(old) :]
    half = len(old) // 2
    if half < _TREND_FEWEST or len(new) < _TREND_FEWEST:
        return 0.0
    (early_s, early_k), (late_s, late_k), (new_s, new_k) = _mean(old[:half]), _mean(old[half:]), _mean(new)
    return new_k - late_k - (late_k - early_k) / (late_s - early_s) * (new_s - late_s)


def _mean(rows: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return sum(s for s, _ in rows) / len(rows), sum(k for _, k in rows) / len(rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mate:
    """Another whip that fills from the same gauge at the moment."""

    whip: str
    attached: CylinderAttached | None
    fill_id: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """A partial-pressure fill whose cylinder is off its whip until the next stage."""

    fill: OpenFill
    since_mono_s: float
    warm_k: float | None
    """Gas and wall together when it was taken off; None when nobody knew."""
    cools_in_s: float
    """Time constant with which it comes to the temperature of the shop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WhipState:
    """One whip: who hangs on it, how its pressure has run, what is open, which alarms stand."""

    whip: str
    attached: CylinderAttached | None = None
    last_serial: str | None = None
    """Of what hung here last: whoever takes it off a bled whip may have noticed something at its valve."""
    attach_used: bool = False
    """A fill has been opened under this attachment: it ends with the next bleed."""
    waits_since_mono_s: float = 0.0
    """When the whip became attached: an attachment that nothing follows is forgotten."""
    online: bool = True
    course: Course = field(default_factory=Course)
    gauge: Gauge = field(default_factory=Gauge)
    wall: Wall | None = None
    sensed: Sensors = field(default_factory=dict)
    """What the sensors beside the gauge say; the bank of the station where the whip has none of its own."""
    zero: ZeroWatch = UNCHECKED
    """What its gauge read when it was bled."""
    loop_fault: bool = False
    """The current of the gauge's loop stands for no pressure: what the gauge says is none."""
    fill: OpenFill | None = None
    context: FillContext | None = None
    estimate: EstimatorState | None = None
    inside: Curve = field(default_factory=Curve)
    """Estimated pressure in the cylinder itself: a valve not fully open holds the gauge far above it."""
    shown: Projected | None = None
    """The newest projection of the open fill."""
    mates: tuple[Mate, ...] = ()
    """What else fills from this whip's gauge: all of it is one fill to the balance."""
    follows: str | None = None
    """The whip of the same gauge that speaks for it; None: this one does."""
    stood_pa: tuple[float, ...] = ()
    """Where the gauge has stood, one valve after the other, before gas was let in."""
    blend: Blend | None = None
    """Of what hangs here, where it is filled in stages."""
    between: Between | None = None
    """The fill that waits for its next stage here."""
    last_fill_id: str | None = None
    rate_before_pa_s: float | None = None
    """Fill rate while the gauge last moved: tells a stuck sensor from a standing gauge."""
    ahead_pa: float = 0.0
    """How far the gauge stands above anything the cylinder can have reached since: that much is hose alone."""
    leapt_s: float | None = None
    """When it last got further ahead (sample time); None while it is not ahead."""
    outage: str | None = None
    """Our own failure on this whip, in words; None when all is well."""
    standings: Mapping[str, Standing] = field(default_factory=dict)
    left_over: tuple[tuple[str, Standing], ...] = ()
    """Alarms of earlier fills that still wait for a person, oldest first."""
    evidence: Evidence = NOTHING
    """What the curve has shown of the present stretch."""
    findings: frozenset[str] = frozenset()
    """What has been told of the present stretch already."""
    prompt: Prompt | None = None
    asked: Asked | None = None
    lamp: Lamp = Lamp.NORMAL
    lead_lamp: Lamp = Lamp.NORMAL
    """Of the whip that leads on the same gauge: this one's lamp is never milder."""
    held_to: Thresholds | None = None
    """The stricter of old and new, when thresholds changed during the open fill; None: those in force."""

    @property
    def phase(self) -> Phase:
        """Where the whip stands."""
        return self.course.phase
