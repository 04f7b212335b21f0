"""Leads the evidence of a whip on after each pressure reading. Cheap: what is slow is looked at once a second."""

from math import sqrt

from fillguard.core.context import LEAK
from fillguard.core.curve import Curve, slope_of
from fillguard.core.ebbing import OVER_S, Ebb, ebbing, standing
from fillguard.core.events import Phase
from fillguard.core.evidence import Evidence, Noise, trembling
from fillguard.core.fill import LOSS
from fillguard.core.lifecycle import FILL_OPEN
from fillguard.core.passage import Passage, seen_falling, seen_standing, through
from fillguard.core.seeping import LEVEL_OVER_S, Lost, Seep, seeping, stopped
from fillguard.core.skin import Skin, begun, felt
from fillguard.core.values import Drop, Surroundings
from fillguard.core.whip import COOLING, WhipState

_NORMAL_90 = 1.645
_UNFELT = 1.5
"""Where no sensor felt the wall, the heat in it may be further off than the estimate's own doubt says."""
_STOPPED = COOLING | {Phase.PAUSED}
_STANDING = frozenset({Phase.CONNECTED, Phase.DRAINING})
_SAME_COUNT = 8
_SAME_S = 5.0
"""A value that repeats so often and so long: the sensor had stopped measuring, its next step is no leap of the whip."""
_DROP_BEFORE_S, _DROP_AFTER_S, _DROP_UNTIL_S = 2.0, 3.0, 6.0
_ALONG_S = 20.0
_ALMOST = 0.9


def gathered(state: WhipState, before: WhipState, capacity_m3: float, ambient_abs_pa: float) -> Evidence:
    """The evidence after the reading that `state` has taken in and `before` had not.

    Args:
        state: The whip with the reading: gauge, course, estimate of the reading before.
        before: The whip as the reading found it.
        capacity_m3: Water capacity of all that hangs on it.
        ambient_abs_pa: Turns gauge into absolute pressure.
    """
    old, gauge_pa = state.evidence, state.gauge.gauge_pa
    if gauge_pa is None or state.phase is Phase.IDLE:
        return old
    passage = _passage(state, before, gauge_pa + ambient_abs_pa, capacity_m3)
    stops = state.phase is Phase.PAUSED and before.phase is Phase.FILLING
    return Evidence(
        passage=passage,
        ebb=_ebb(state, passage, gauge_pa),
        seep=_seep(state, passage, ambient_abs_pa),
        skin=_skin(state, gauge_pa),
        noise=old.noise if state.phase is Phase.FILLING else _noise(state),
        drop=_drop(state) if stops else old.drop,
    )


def _passage(state: WhipState, before: WhipState, whip_abs_pa: float, capacity_m3: float) -> Passage | None:
    old, sample_s = state.evidence.passage, state.gauge.sample_s
    opened_late = state.course.stood_at_pa is not None and before.course.stood_at_pa is None
    if opened_late and (old is None or not old.may_be_at(whip_abs_pa)):
        return seen_falling(sample_s, whip_abs_pa)
    if old is None:
        stands = state.course.level_pa is not None or state.phase in FILL_OPEN
        return seen_standing(sample_s, whip_abs_pa) if stands and state.phase is not Phase.ATTACHED else None
    stood = before.gauge
    measured = stood.same_count < _SAME_COUNT or stood.sample_s - stood.same_since_s < _SAME_S
    return through(
        old,
        sample_s,
        whip_abs_pa,
        capacity_m3,
        flowing=state.phase is Phase.FILLING,
        measured=measured or state.gauge.same_count > 0,
    )


def _ebb(state: WhipState, passage: Passage | None, gauge_pa: float) -> Ebb | None:
    old, sample_s = state.evidence.ebb, state.gauge.sample_s
    ahead = passage is not None and (passage.doubted or passage.leap is not None)
    if state.course.collapsing or ahead or state.phase not in _STANDING:
        return old if old is not None and old.told else None
    if old is not None:
        slope = state.course.curve.slope(OVER_S, not_before_s=old.began_s)
        if slope is None or slope.span_s < _ALMOST * OVER_S:
            return old
        return ebbing(old, sample_s, gauge_pa, slope.pa_s)
    falls = state.phase is Phase.DRAINING
    return standing(sample_s, gauge_pa) if falls or state.course.level_pa is not None else None


def _seep(state: WhipState, passage: Passage | None, ambient_abs_pa: float) -> Seep | None:
    estimate, stopped_s, old = state.estimate, state.course.flow_stopped_s, state.evidence.seep
    if state.phase not in _STOPPED or estimate is None or stopped_s is None:
        return None
    if old is None or old.stopped_s != stopped_s:
        return stopped(stopped_s, estimate.surroundings_k, start_seen=estimate.start_seen)
    sample_s, bled = state.gauge.sample_s, _is_bled(state, passage)
    if not (bled or old.is_due(sample_s)):
        return old
    return seeping(
        old,
        sample_s,
        _lost(state, ambient_abs_pa),
        surroundings_k=estimate.surroundings_k,
        level_pa=_mean(state.course.curve, sample_s - LEVEL_OVER_S, sample_s) or 0.0,
        over=state.shown is not None and state.shown.bleed_to_gauge_pa is not None,
        bled=bled,
    )


def _is_bled(state: WhipState, passage: Passage | None) -> bool:
    """The gauge falls, or fell in this stop, for a reason that is no leak."""
    return state.course.collapsing or (passage is not None and passage.held is not None)


def _lost(state: WhipState, ambient_abs_pa: float) -> Lost | None:
    """The estimator's leak, settled: it counts pressure lost at the gauge, of the same share of the contents."""
    estimate, seen = state.estimate, state.shown
    if estimate is None or estimate.suspended is not None or estimate.hold is None:
        return None
    if seen is None or seen.settled_gauge_pa is None:
        return None
    per = (seen.settled_gauge_pa + ambient_abs_pa) / estimate.balance.pressure_abs_pa
    rate = per * estimate.unknowns.mean[LEAK]
    half = per * _NORMAL_90 * sqrt(estimate.unknowns.covariance[LEAK][LEAK])
    if estimate.wall_used_s is None:
        half *= _UNFELT
    return Lost(rate, rate - half, rate + half)


def _skin(state: WhipState, gauge_pa: float) -> Skin | None:
    wall, estimate, old = state.wall, state.estimate, state.evidence.skin
    if state.phase not in FILL_OPEN or wall is None or estimate is None or state.context is None:
        return None
    if state.context.surroundings is not Surroundings.AIR:
        return None
    if old is None:
        return begun(wall.sample_s, gauge_pa, wall.kelvin)
    lost = state.fill is not None and LOSS in state.fill.alarms
    if wall.sample_s <= old.seen_s or estimate.suspended is not None or lost or state.course.collapsing:
        return old
    return felt(
        old,
        wall.sample_s,
        wall.kelvin,
        gauge_pa=gauge_pa,
        expected_k=estimate.balance.sensor_k,
        flowing=state.phase is Phase.FILLING,
    )


def _noise(state: WhipState) -> Noise:
    stuck = state.gauge.same_count >= _SAME_COUNT
    return state.evidence.noise if stuck else trembling(state.evidence.noise, state.gauge.step_pa)


def _drop(state: WhipState) -> Drop | None:
    """How far the gauge came back within seconds after the flow stopped, cooling left out; None when it cannot tell."""
    curve, stop_s = state.course.curve, state.course.flow_stopped_s
    if stop_s is None:
        return None
    before = _mean(curve, stop_s - _DROP_BEFORE_S, stop_s)
    later = _mean(curve, stop_s + _DROP_AFTER_S, stop_s + _DROP_UNTIL_S)
    along = slope_of([sample for sample in curve.samples if stop_s - _ALONG_S <= sample[0] <= stop_s])
    cooling = curve.slope_since(stop_s + _DROP_AFTER_S)
    if before is None or later is None or along is None or cooling is None:
        return None
    cooled_pa = min(0.0, cooling.pa_s) * (_DROP_AFTER_S + _DROP_UNTIL_S) / 2.0
    reached_pa = before + along.pa_s * _DROP_BEFORE_S / 2.0
    return Drop(ahead_pa=max(0.0, reached_pa + cooled_pa - later), rate_pa_s=max(along.pa_s, 0.0))


def _mean(curve: Curve, from_s: float, to_s: float) -> float | None:
    levels = [pa for sample_s, pa in curve.samples if from_s <= sample_s <= to_s]
    return sum(levels) / len(levels) if levels else None
