"""Everything that is known of one whip between two events."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from fillguard.core.alarms import Standing
from fillguard.core.context import FillContext
from fillguard.core.curve import Curve
from fillguard.core.estimator import EstimatorState
from fillguard.core.events import CylinderAttached, Lamp, Phase, Projected, Prompt
from fillguard.core.fill import OpenFill
from fillguard.core.gauge import Gauge
from fillguard.core.lifecycle import Course

WATCHED = frozenset({Phase.ATTACHED, Phase.CONNECTED, Phase.FILLING, Phase.PAUSED, Phase.DRAINING})
"""Phases in which a silent gauge leaves somebody at a panel blind within seconds."""
COOLING = frozenset({Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """The strap-on sensor of a whip."""

    kelvin: float
    sample_s: float
    arrived_mono_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WhipState:
    """One whip: who hangs on it, how its pressure has run, what is open, which alarms stand."""

    whip: str
    attached: CylinderAttached | None = None
    attach_used: bool = False
    """A fill has been opened under this attachment: it ends with the next bleed."""
    online: bool = True
    course: Course = field(default_factory=Course)
    gauge: Gauge = field(default_factory=Gauge)
    wall: Wall | None = None
    fill: OpenFill | None = None
    context: FillContext | None = None
    estimate: EstimatorState | None = None
    inside: Curve = field(default_factory=Curve)
    """Estimated pressure in the cylinder itself: a valve not fully open holds the gauge far above it."""
    shown: Projected | None = None
    """The newest projection of the open fill."""
    last_fill_id: str | None = None
    rate_before_pa_s: float | None = None
    """Fill rate while the gauge last moved: tells a stuck sensor from a standing gauge."""
    ahead_pa: float = 0.0
    """How far the gauge stands above anything the cylinder can have reached since: that much is hose alone."""
    outage: str | None = None
    """Our own failure on this whip, in words; None when all is well."""
    standings: Mapping[str, Standing] = field(default_factory=dict)
    left_over: tuple[tuple[str, Standing], ...] = ()
    """Alarms of earlier fills that still wait for a person, oldest first."""
    findings: frozenset[str] = frozenset()
    """What has been told of the present stretch already."""
    prompt: Prompt | None = None
    lamp: Lamp = Lamp.NORMAL

    @property
    def phase(self) -> Phase:
        """Where the whip stands."""
        return self.course.phase
