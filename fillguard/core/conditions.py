"""What each alarm of a whip looks at. Facts in, `Seen` out; the life cycle of an alarm is somewhere else.

Every function takes the same `View` and returns what it sees now: an excess over the setpoint (SI, gauge pascal), yes,
no, or that nothing is known. Missing data is never "all is well".
"""

from collections.abc import Callable, Mapping
from dataclasses import replace

from fillguard.core.alarms import Seen
from fillguard.core.events import AlarmFacts, Doubt, Phase, Projected, Quantity
from fillguard.core.fill import LOSS
from fillguard.core.losses import leak, sudden_loss
from fillguard.core.passage import Way
from fillguard.core.rules import AlarmRule
from fillguard.core.sensed import Sensed
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Material, Profile
from fillguard.core.view import HOSE_ONLY, View
from fillguard.core.whip import COOLING, WATCHED

Z_LOWER_90 = 1.645
"""One-sided 95 %: the lower end of a two-sided 90 % interval of a normal error."""
_TOO_FAST_FROM_S = 20.0
_MARGIN_LEAST_PA, _MARGIN_MOST_PA = 1.5 * PA_PER_BAR, 5.0 * PA_PER_BAR
_ARRIVED_EMPTY_BEFORE_PA = 20.0 * PA_PER_BAR
_LAST_SECONDS = (1.3, 2.5, 4.5)
_STOPPING_SHARE = 0.5
"""The last seconds rise by less than this share of what the last twenty do: the panel valve is being closed."""
_BEYOND_NOISE = 2.5
WRONG_GAS = "wrong-gas"
_PURGED_AFTER_S = 20.0
"""Hose, line and analyser hold the last gas for so long after the flow began (our choice)."""
_WALL_LEAP_K = 5.0
"""Above its trend within ten seconds: a fire inside (our choice)."""

_DISAGREES = "sensor-disagrees"
_STAGE, _OVER_40 = "blending-stage", "over-40-percent-oxygen"
_RICH_ANYWHERE, _PURE_OXYGEN = 0.40, 0.995
_NOT_CONNECTED = frozenset({Phase.IDLE, Phase.ATTACHED})

_CLEAR, _UNKNOWN = Seen.no(), Seen.unknown()


def upper_margin_pa(seen: Projected) -> float:
    """How far the contents may stand above the best estimate: upper half of the interval, 1.5 to 5 bar (our choice)."""
    if seen.settled_gauge_pa is None or seen.settled_high_gauge_pa is None:
        return _MARGIN_MOST_PA
    return min(max(seen.settled_high_gauge_pa - seen.settled_gauge_pa, _MARGIN_LEAST_PA), _MARGIN_MOST_PA)


def overfill(view: View, rule: AlarmRule) -> Seen:
    """Projected settled pressure above this cylinder's limit."""
    fill, seen = view.fill, view.shown
    if fill is None:
        return _CLEAR
    if seen is None or seen.settled_gauge_pa is None:
        return _UNKNOWN
    excess = seen.settled_gauge_pa - fill.held.limit_gauge_pa - rule.setpoint
    return Seen(excess=excess, cause="It will settle above the limit of this cylinder.", facts=view.facts)


def over_ceiling(view: View, rule: AlarmRule) -> Seen:
    """Pressure in the cylinder above what it may ever see.

    Only in an open fill: before it, a gauge that stands above the ceiling has leapt there, and no cylinder leaps. It is
    a hose at bank pressure before a shut valve (`whip-only`), and people are not sent away from that.
    """
    fill, gauge_pa = view.fill, view.state.gauge.gauge_pa
    if fill is None:
        return _CLEAR
    if gauge_pa is None:
        return _UNKNOWN
    inside = view.shown.cylinder_gauge_pa if view.shown is not None else None
    pressure_pa = gauge_pa if inside is None else min(inside, gauge_pa)
    return Seen(
        excess=pressure_pa - fill.held.ceiling_gauge_pa - rule.setpoint,
        cause=_doubted("The pressure in the cylinder is above its ceiling.", view),
        facts=view.facts,
    )


def whip_over_rating(view: View, rule: AlarmRule) -> Seen:
    """Gauge above the whip's own maximum working pressure."""
    gauge_pa = view.state.gauge.gauge_pa
    if gauge_pa is None:
        return _UNKNOWN
    limit = view.rules.max_working_gauge_pa(view.state.whip, *(mate.whip for mate in view.state.mates))
    return Seen(
        excess=gauge_pa - limit - rule.setpoint,
        cause=_doubted("The whip is above its own working pressure.", view),
        facts=AlarmFacts(gauge_pa=gauge_pa, ceiling_gauge_pa=limit),
    )


def _doubted(cause: str, view: View) -> str:
    """`cause`, and what is to be said of a reading that may be none."""
    if view.leap_pa is None:
        return cause
    return f"{cause} Reading doubtful: it leapt by {bar_from_pa(view.leap_pa):.0f} bar at once."


def will_overfill(view: View, rule: AlarmRule) -> Seen:
    """The reaction time to the close-at gauge of the limit is used up, and gas still flows."""
    fill, seen = view.fill, view.shown
    if fill is None or view.state.phase is not Phase.FILLING:
        return _CLEAR
    if seen is None or seen.settled_gauge_pa is None or seen.rate_pa_s is None:
        return _UNKNOWN
    if seen.settled_gauge_pa <= fill.held.limit_gauge_pa - upper_margin_pa(seen):
        return _CLEAR
    rate_pa_s = 0.0 if _is_being_closed(view, seen.rate_pa_s) else seen.rate_pa_s
    return Seen(
        excess=rate_pa_s - rule.setpoint,
        cause="The gauge is past the point to close at and gas still flows.",
        facts=view.facts,
    )


def _is_being_closed(view: View, rate_pa_s: float) -> bool:
    """True once the last seconds show, beyond their noise, that far less flows than a moment ago."""
    for window_s in _LAST_SECONDS:
        late = view.state.course.curve.slope(window_s)
        if late is None or late.pa_s >= _STOPPING_SHARE * rate_pa_s:
            continue
        error_pa_s = view.state.gauge.noise_pa / (late.span_s * (late.points / 12.0) ** 0.5)
        if rate_pa_s - late.pa_s > _BEYOND_NOISE * error_pa_s:
            return True
    return False


def too_fast(view: View, rule: AlarmRule) -> Seen:
    """The cylinder's own fill rate, judged by its lower bound."""
    fill, seen = view.fill, view.shown
    if fill is None or view.state.phase is not Phase.FILLING:
        return _CLEAR
    if seen is None or seen.rate_pa_s is None or seen.rate_error_pa_s is None:
        return _UNKNOWN
    if seen.sample_s - fill.started_s < _TOO_FAST_FROM_S:
        return _CLEAR
    limit = view.rules.rate_limit_pa_s(fill.held.gas, fill.held.cylinder.material) or rule.setpoint
    lower = seen.rate_pa_s - Z_LOWER_90 * seen.rate_error_pa_s
    if lower <= limit - rule.deadband:
        return Seen(excess=lower - limit, facts=view.facts)
    facts = replace(view.facts, rate_limit_pa_s=limit)
    return Seen(excess=lower - limit, cause="It is being filled too fast.", facts=facts)


def gas_hot(view: View, rule: AlarmRule) -> Seen:
    """Estimated gas temperature."""
    if view.fill is None:
        return _CLEAR
    if view.shown is None or view.shown.gas_k is None:
        return _UNKNOWN
    return Seen(excess=view.shown.gas_k - rule.setpoint, cause="The gas in it is very hot.", facts=view.facts)


def wall_hot(view: View, rule: AlarmRule) -> Seen:
    """Measured wall temperature, or its leap above its own trend. A sensor that fell silent tells nothing."""
    wall, fill = view.state.wall, view.fill
    if fill is None or wall is None:
        return _CLEAR
    if not wall.is_fresh(view.now):
        return _UNKNOWN
    limit, cylinder = rule.setpoint, fill.held.cylinder
    if cylinder.profile is Profile.US:
        limit = rule.variants.get("us", limit)
    if cylinder.material is Material.COMPOSITE:
        limit = rule.variants.get("composite", limit)
    over_k, leapt_k = wall.kelvin - limit, wall.above_trend_k - _WALL_LEAP_K
    if leapt_k > max(over_k, 0.0):
        return Seen(excess=leapt_k, cause="The wall of the cylinder warms far faster than before.", facts=view.facts)
    return Seen(excess=over_k, cause="The wall of the cylinder is too hot.", facts=view.facts)


def unidentified(view: View, _rule: AlarmRule) -> Seen:
    """A fill of a cylinder nobody named."""
    fill = view.fill
    if fill is None or fill.held.identified:
        return _CLEAR
    return Seen.yes("Nobody said which cylinder this is: the lowest rating this whip serves is applied.", view.facts)


def not_fit(view: View, _rule: AlarmRule) -> Seen:
    """Gas in a cylinder of which the verdict says: do not fill, and nobody answers for it."""
    verdict = view.fill.held.verdict if view.fill is not None else None
    if verdict is None or not verdict.forbids:
        return _CLEAR
    why = "; ".join(reason.text for reason in verdict.refusals)
    return Seen.yes(f"This cylinder must not be filled: {why}.", view.facts)


def wrong_gas(view: View, rule: AlarmRule) -> Seen:
    """The analyser in this whip's line against the gas that was said to be supplied, while it flows."""
    fill = view.fill
    if fill is None or Quantity.O2_FRACTION not in view.state.sensed:
        return _CLEAR
    sensed = view.sensed(Quantity.O2_FRACTION)
    told = view.state.attached is not None  # else nobody said which gas: `unidentified` speaks of it
    if sensed is None or not told or view.state.phase is not Phase.FILLING or _line_not_purged(view, sensed):
        return _UNKNOWN
    meant = fill.held.gas.o2
    cause = (
        f"The analyser in the line reads {sensed.value * 100.0:.1f} % O2, and the gas that was attached has "
        f"{meant * 100.0:.1f} %."
    )
    return Seen(excess=abs(sensed.value - meant) - rule.setpoint, cause=cause, facts=view.facts)


def _line_not_purged(view: View, sensed: Sensed) -> bool:
    """True while line and analyser may still hold what flowed before."""
    started_s = view.state.course.start_s if view.state.course.start_s is not None else view.now.utc_s
    return sensed.sample_s - started_s < _PURGED_AFTER_S


def arrived_empty(view: View, rule: AlarmRule) -> Seen:
    """A fill that began from (almost) nothing: water may have got in."""
    fill = view.fill
    if fill is None or not fill.plateau_seen:
        return _CLEAR
    if fill.start_pa >= rule.setpoint or fill.peak_pa > _ARRIVED_EMPTY_BEFORE_PA:
        return _CLEAR
    return Seen.yes("It came in empty: water may have got in.", view.facts)


_HELD_BACK = {
    Way.RUNS_AHEAD: "The whip has run ahead of the cylinder: its valve is not fully open.",
    Way.CREEPS_BACK: "The needle comes back when the flow is throttled: the cylinder valve is not fully open.",
}


def valve_not_open(view: View, _rule: AlarmRule) -> Seen:
    """The whip is ahead of the cylinder; nothing to act on once the fill is closed."""
    passage = view.state.evidence.passage
    if view.fill is None or passage is None or passage.held is None:
        return _CLEAR
    if view.state.phase in COOLING or LOSS in view.fill.alarms:
        return _CLEAR
    return Seen.yes(_HELD_BACK[passage.held.way], view.facts)


def over_target(view: View, rule: AlarmRule) -> Seen:
    """A target below the limit has been passed."""
    fill, seen = view.fill, view.shown
    if fill is None or fill.held.target_gauge_pa >= fill.held.limit_gauge_pa:
        return _CLEAR
    if seen is None or seen.settled_gauge_pa is None:
        return _UNKNOWN
    setpoint, priority = rule.setpoint, None
    if fill.held.staged:
        setpoint, priority = rule.variants.get(_STAGE, setpoint), rule.priorities.get(_STAGE)
    excess = seen.settled_gauge_pa - fill.held.target_gauge_pa - setpoint
    cause = "It will settle above the pressure that was asked for."
    return Seen(excess=excess, cause=cause, facts=view.facts, priority=priority)


def opened_too_fast(view: View, rule: AlarmRule) -> Seen:
    """An oxygen-rich supply let into the whip at once, after the residual pressure has stood.

    Before that a leap may be what was left in the cylinder coming into the hose. One that goes beyond all that this
    fill, or this stage, is to hold is the supply in any case: then pure oxygen counts at any time.
    """
    gas, state = view.supplied, view.state
    gauge_pa = state.gauge.gauge_pa
    if gas is None or gauge_pa is None or gas.o2 <= view.rules.oxygen_threshold:
        return _CLEAR
    stood = state.phase not in _NOT_CONNECTED or state.course.before_jump is not None
    if not stood and not (gas.o2 >= _PURE_OXYGEN and gauge_pa > view.target_gauge_pa):
        return _CLEAR
    rise_pa_s = state.course.curve.fastest_rise_pa_s()
    rich = gas.o2 > _RICH_ANYWHERE
    return Seen(
        excess=rise_pa_s - rule.setpoint,
        cause=f"{gas} was let in at once: the whip rose by {bar_from_pa(rise_pa_s):.0f} bar within a second.",
        facts=view.facts,
        priority=rule.priorities.get(_OVER_40) if rich else None,
    )


def sensor_disagrees(view: View, _rule: AlarmRule) -> Seen:
    """Two sensors of an open fill cannot both be right; which, and why, stands in the finding."""
    if view.fill is None or _DISAGREES not in view.state.findings:
        return _CLEAR
    return Seen.yes("The sensors of this whip do not agree; the finding says which, and why.", view.facts)


_SILENT: Mapping[Doubt | None, str] = {
    None: "The pressure sensor is silent.",
    Doubt.STALE: "The pressure arrives too late to be watched.",
    Doubt.LOOP_FAULT: "The pressure sensor reports a fault in its loop.",
    Doubt.OUT_OF_RANGE: "The pressure sensor reads outside what it can measure.",
}


def monitoring_lost(view: View, _rule: AlarmRule) -> Seen:
    """Nobody can see this whip's pressure: silent, stuck, its gateway gone, or our own failure.

    Our own failure counts whatever the phase says: the phase is ours, too, and may be wrong.
    """
    state, gauge = view.state, view.state.gauge
    if state.outage is not None:
        return Seen.yes(state.outage, _last_word(view))
    if state.phase not in WATCHED and state.phase not in COOLING:
        return _CLEAR
    if state.loop_fault or not state.online:
        gone = "The gateway of this whip has gone off line."
        return Seen.yes(_SILENT[Doubt.LOOP_FAULT] if state.loop_fault else gone, _last_word(view))
    silent_s = view.silent_s
    if silent_s > view.silent_after_s:
        cause = _SILENT.get(gauge.refused, _SILENT[None])
        return Seen.yes(cause, replace(_last_word(view), silent_s=silent_s))
    if "sensor-stuck" in state.findings:
        return Seen.yes("The pressure sensor is stuck: it repeats one value while gas flows.", _last_word(view))
    return Seen.no(view.facts)


def _last_word(view: View) -> AlarmFacts:
    """All that is known while nothing is seen."""
    return AlarmFacts(gauge_pa=view.state.gauge.gauge_pa)


Condition = Callable[[View, AlarmRule], Seen]

ON_PRESSURE: Mapping[str, Condition] = {
    "overfill": overfill,
    "over-ceiling": over_ceiling,
    "whip-over-rating": whip_over_rating,
    "sudden-loss": sudden_loss,
    "monitoring-lost": monitoring_lost,
    "not-fit": not_fit,
    "opened-too-fast": opened_too_fast,
    "will-overfill": will_overfill,
    "too-fast": too_fast,
    "gas-hot": gas_hot,
    "wall-hot": wall_hot,
    "unidentified": unidentified,
    "arrived-empty": arrived_empty,
    "valve-not-open": valve_not_open,
    "leak": leak,
    "over-target": over_target,
    "sensor-disagrees": sensor_disagrees,
    WRONG_GAS: wrong_gas,
}
"""Judged after each live pressure reading, graver ones first."""
OF_THE_GAUGE = frozenset(
    {
        "whip-over-rating", "monitoring-lost", "sudden-loss", "opened-too-fast", "will-overfill", "too-fast", "gas-hot",
        "valve-not-open", "leak", "over-target", WRONG_GAS,
    }
)  # fmt: skip
"""Where several whips share a gauge these are judged, and told, for the first of them only."""
OF_THE_WHIP = ("whip-over-rating", "monitoring-lost")
"""About the whip, not the cylinder: a new fill does not end them, and without a fill only these are judged."""
WITHOUT_A_FILL = (*OF_THE_WHIP, "opened-too-fast")
"""Judged also before a fill: what presses into the hose need not reach a cylinder."""
WHATEVER_QUALITY = ("over-ceiling", "whip-over-rating")
"""Judged on every live reading in electrical range, however doubtful."""


def suppressed_by(view: View, rule: AlarmRule) -> str | None:
    """The finding under which this alarm has no meaning now."""
    return HOSE_ONLY if HOSE_ONLY in rule.suppressed_by and view.hose_only else None
