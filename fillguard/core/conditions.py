"""What each alarm of a whip looks at. Facts in, `Seen` out; the life cycle of an alarm is somewhere else.

Every function takes the same `View` and returns what it sees now: an excess over the setpoint (SI, gauge pascal), yes,
no, or that nothing is known. Missing data is never "all is well".
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from fillguard.core.alarms import Seen
from fillguard.core.curve import Curve, end_of_rise
from fillguard.core.events import AlarmFacts, Phase, Projected
from fillguard.core.fill import OpenFill
from fillguard.core.rules import AlarmRule, Rules
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Material, Profile, Stamp
from fillguard.core.whip import COOLING, WATCHED, WhipState

Z_LOWER_90 = 1.645
"""One-sided 95 %: the lower end of a two-sided 90 % interval of a normal error."""
_TOO_FAST_FROM_S = 20.0
_MARGIN_LEAST_PA, _MARGIN_MOST_PA = 1.5 * PA_PER_BAR, 5.0 * PA_PER_BAR
_ARRIVED_EMPTY_BEFORE_PA = 20.0 * PA_PER_BAR
_LOSS_LEAST_PA = 10.0 * PA_PER_BAR
_COLLAPSED_TO = 0.5
_NOT_SLACKENED = 0.6
_LOSS_FOR_S = 2.0
_HOSE_EMPTIES_TO = 0.4
"""A bled hose (57 mL) has lost more than this share within two seconds; a cylinder behind an open disc has not."""
_FLOWED_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What the conditions may look at."""

    state: WhipState
    rules: Rules
    now: Stamp

    @property
    def fill(self) -> OpenFill | None:
        """The open fill, if there is one."""
        return self.state.fill

    @property
    def shown(self) -> Projected | None:
        """The newest projection of the open fill."""
        return self.state.shown

    @property
    def hose_only(self) -> bool:
        """True while only the hose can be at the pressure the gauge shows."""
        return self.state.ahead_pa > HOSE_AHEAD_PA

    def facts(self) -> AlarmFacts:
        """The numbers of the moment, for a notice."""
        seen, fill = self.shown, self.fill
        if seen is None or fill is None:
            return AlarmFacts(gauge_pa=self.state.gauge.gauge_pa)
        return AlarmFacts(
            gauge_pa=self.state.gauge.gauge_pa,
            settled_gauge_pa=seen.settled_gauge_pa,
            settled_low_gauge_pa=seen.settled_low_gauge_pa,
            settled_high_gauge_pa=seen.settled_high_gauge_pa,
            limit_gauge_pa=fill.held.limit_gauge_pa,
            reference_k=fill.held.cylinder.reference_k,
            ceiling_gauge_pa=fill.held.ceiling_gauge_pa,
            rate_pa_s=seen.rate_pa_s,
            gas_k=seen.gas_k,
            wall_k=self.state.wall.kelvin if self.state.wall else None,
            bleed_to_gauge_pa=seen.bleed_to_gauge_pa,
            close_at_gauge_pa=seen.close_at_gauge_pa,
        )


def upper_margin_pa(seen: Projected) -> float:
    """How far the contents may stand above the best estimate: upper half of the interval, 1.5 to 5 bar (our choice)."""
    if seen.settled_gauge_pa is None or seen.settled_high_gauge_pa is None:
        return _MARGIN_MOST_PA
    return min(max(seen.settled_high_gauge_pa - seen.settled_gauge_pa, _MARGIN_LEAST_PA), _MARGIN_MOST_PA)


def overfill(view: View, rule: AlarmRule) -> Seen:
    """Projected settled pressure above this cylinder's limit."""
    fill, seen = view.fill, view.shown
    if fill is None:
        return Seen.no()
    if seen is None or seen.settled_gauge_pa is None:
        return Seen.unknown()
    excess = seen.settled_gauge_pa - fill.held.limit_gauge_pa - rule.setpoint
    return Seen(excess=excess, cause="It will settle above the limit of this cylinder.", facts=view.facts())


def over_ceiling(view: View, rule: AlarmRule) -> Seen:
    """Pressure in the cylinder above what it may ever see."""
    fill, gauge_pa = view.fill, view.state.gauge.gauge_pa
    if fill is None:
        return Seen.no()
    if gauge_pa is None:
        return Seen.unknown()
    inside = view.shown.cylinder_gauge_pa if view.shown is not None else None
    pressure_pa = gauge_pa if inside is None else min(inside, gauge_pa)
    excess = pressure_pa - fill.held.ceiling_gauge_pa - rule.setpoint
    return Seen(excess=excess, cause="The pressure in the cylinder is above its ceiling.", facts=view.facts())


def whip_over_rating(view: View, rule: AlarmRule) -> Seen:
    """Gauge above the whip's own maximum working pressure."""
    gauge_pa = view.state.gauge.gauge_pa
    if gauge_pa is None:
        return Seen.unknown()
    limit = view.rules.whip(view.state.whip).max_working_gauge_pa
    facts = AlarmFacts(gauge_pa=gauge_pa, ceiling_gauge_pa=limit)
    return Seen(
        excess=gauge_pa - limit - rule.setpoint, cause="The whip is above its own working pressure.", facts=facts
    )


def sudden_loss(view: View, rule: AlarmRule) -> Seen:
    """The cylinder itself empties, or the gauge collapses while gas flows. A bled whip is neither."""
    state, fill = view.state, view.fill
    if fill is None:
        return Seen.no()
    course, samples = state.course, state.course.curve.samples
    if not course.collapsing or course.hose_fell_s is None or not samples:
        return Seen.no()
    newest_s, newest_pa = samples[-1]
    before_pa = fill.last_inside_pa
    before = [sample for sample in samples if sample[0] <= course.hose_fell_s]
    no_flow_s = course.hose_fell_s - end_of_rise(before)[0] if before else 0.0
    flowed = state.phase is Phase.FILLING and no_flow_s <= _FLOWED_WITHIN_S
    hose_went = flowed and newest_pa < _COLLAPSED_TO * before_pa
    speed = _steady_fall_pa_s(course.curve) if newest_s - course.hose_fell_s >= _LOSS_FOR_S else None
    cylinder_empties = speed is not None and _HOSE_EMPTIES_TO * before_pa < newest_pa < before_pa - _LOSS_LEAST_PA
    if not hose_went and not cylinder_empties:
        return Seen.unknown()
    excess = 1.0 if speed is None else speed - rule.setpoint
    return Seen(excess=excess, cause="The pressure collapses: gas is being lost.", facts=view.facts())


def _steady_fall_pa_s(curve: Curve) -> float | None:
    """How fast the gauge falls when it has fallen for two seconds without slackening; None when it slackens.

    A whip that sinks to its cylinder slackens within a second, an open disc does not.
    """
    whole, end = curve.slope(_LOSS_FOR_S), curve.slope(_LOSS_FOR_S / 2.0)
    if whole is None:
        return None
    late = whole if end is None else end
    return -whole.pa_s if late.pa_s < _NOT_SLACKENED * whole.pa_s else None


def will_overfill(view: View, rule: AlarmRule) -> Seen:
    """The close-at gauge of the limit is passed and gas still flows."""
    fill, seen = view.fill, view.shown
    if fill is None or view.state.phase is not Phase.FILLING:
        return Seen.no()
    if seen is None or seen.settled_gauge_pa is None or seen.rate_pa_s is None:
        return Seen.unknown()
    if seen.settled_gauge_pa <= fill.held.limit_gauge_pa - upper_margin_pa(seen):
        return Seen.no()
    return Seen(
        excess=seen.rate_pa_s - rule.setpoint,
        cause="The gauge is past the point to close at and gas still flows.",
        facts=view.facts(),
    )


def too_fast(view: View, rule: AlarmRule) -> Seen:
    """The cylinder's own fill rate, judged by its lower bound."""
    fill, seen = view.fill, view.shown
    if fill is None or view.state.phase is not Phase.FILLING:
        return Seen.no()
    if seen is None or seen.rate_pa_s is None or seen.rate_error_pa_s is None:
        return Seen.unknown()
    if seen.sample_s - fill.started_s < _TOO_FAST_FROM_S:
        return Seen.no()
    limit = rule.setpoint
    if fill.held.gas.o2 > view.rules.oxygen_threshold:
        limit = rule.variants.get("oxygen-rich", rule.setpoint)
    facts = replace(view.facts(), rate_limit_pa_s=limit)
    lower = seen.rate_pa_s - Z_LOWER_90 * seen.rate_error_pa_s
    return Seen(excess=lower - limit, cause="It is being filled too fast.", facts=facts)


def gas_hot(view: View, rule: AlarmRule) -> Seen:
    """Estimated gas temperature."""
    if view.fill is None:
        return Seen.no()
    if view.shown is None or view.shown.gas_k is None:
        return Seen.unknown()
    return Seen(excess=view.shown.gas_k - rule.setpoint, cause="The gas in it is very hot.", facts=view.facts())


def wall_hot(view: View, rule: AlarmRule) -> Seen:
    """Measured wall temperature."""
    wall, fill = view.state.wall, view.fill
    if fill is None or wall is None:
        return Seen.no()
    limit, cylinder = rule.setpoint, fill.held.cylinder
    if cylinder.profile is Profile.US:
        limit = rule.variants.get("us", limit)
    if cylinder.material is Material.COMPOSITE:
        limit = rule.variants.get("composite", limit)
    return Seen(excess=wall.kelvin - limit, cause="The wall of the cylinder is too hot.", facts=view.facts())


def unidentified(view: View, _rule: AlarmRule) -> Seen:
    """A fill of a cylinder nobody named."""
    fill = view.fill
    if fill is None or fill.held.identified:
        return Seen.no()
    return Seen.yes(
        "Nobody said which cylinder this is: the lowest rating this whip serves is applied.", facts=view.facts()
    )


def arrived_empty(view: View, rule: AlarmRule) -> Seen:
    """A fill that began from (almost) nothing: water may have got in."""
    fill = view.fill
    if fill is None or not fill.plateau_seen:
        return Seen.no()
    gauge_pa = view.state.gauge.gauge_pa
    if fill.start_pa >= rule.setpoint or gauge_pa is None or gauge_pa > _ARRIVED_EMPTY_BEFORE_PA:
        return Seen.no()
    return Seen.yes("It came in empty: water may have got in.", facts=view.facts())


def over_target(view: View, rule: AlarmRule) -> Seen:
    """A target below the limit has been passed."""
    fill, seen = view.fill, view.shown
    if fill is None or fill.held.target_gauge_pa >= fill.held.limit_gauge_pa:
        return Seen.no()
    if seen is None or seen.settled_gauge_pa is None:
        return Seen.unknown()
    excess = seen.settled_gauge_pa - fill.held.target_gauge_pa - rule.setpoint
    return Seen(excess=excess, cause="It will settle above the pressure that was asked for.", facts=view.facts())


def monitoring_lost(view: View, _rule: AlarmRule) -> Seen:
    """Nobody can see this whip's pressure: silent, stuck, its gateway gone, or our own failure."""
    state, gauge = view.state, view.state.gauge
    facts = AlarmFacts(gauge_pa=gauge.gauge_pa)
    if state.outage is not None:
        return Seen.yes(state.outage, facts)
    if state.phase not in WATCHED and state.phase not in COOLING:
        return Seen.no()
    if not state.online:
        return Seen.yes("The gateway of this whip has gone off line.", facts)
    silent_s = view.now.mono_s - gauge.arrived_mono_s if gauge.arrived_mono_s is not None else 0.0
    if silent_s > silent_after_s(view):
        return Seen.yes("The pressure sensor is silent.", AlarmFacts(gauge_pa=gauge.gauge_pa, silent_s=silent_s))
    if "sensor-stuck" in state.findings:
        return Seen.yes("The pressure sensor is stuck: it repeats one value while gas flows.", facts)
    return Seen.no(facts)


def silent_after_s(view: View) -> float:
    """How long this whip's gauge may say nothing in its present phase."""
    extents = view.rules.extents
    if view.state.phase in COOLING:
        return extents.silent_settling_s
    return max(extents.silent_after_s, extents.silent_periods * (view.state.gauge.period_s or 0.0))


HOSE_AHEAD_PA = 20.0 * PA_PER_BAR
"""A valve not fully open lets the whip leap by this much at a change of bank; more is a shut one (our choice)."""

Condition = Callable[[View, AlarmRule], Seen]

ON_PRESSURE: Mapping[str, Condition] = {
    "overfill": overfill,
    "over-ceiling": over_ceiling,
    "whip-over-rating": whip_over_rating,
    "sudden-loss": sudden_loss,
    "monitoring-lost": monitoring_lost,
    "will-overfill": will_overfill,
    "too-fast": too_fast,
    "gas-hot": gas_hot,
    "wall-hot": wall_hot,
    "unidentified": unidentified,
    "arrived-empty": arrived_empty,
    "over-target": over_target,
}
"""Judged after each live pressure reading, graver ones first."""
OF_THE_WHIP = frozenset({"monitoring-lost", "whip-over-rating"})
"""About the whip, not the cylinder: a new fill does not end them."""
WHATEVER_QUALITY = ("over-ceiling", "whip-over-rating")
"""Judged on every live reading in electrical range, however doubtful."""
HOSE_ONLY = "whip-only"


def suppressed_by(view: View, rule: AlarmRule) -> str | None:
    """The finding under which this alarm has no meaning now."""
    return HOSE_ONLY if HOSE_ONLY in rule.suppressed_by and view.hose_only else None
