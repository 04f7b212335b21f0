"""Gas that gets out: all at once, or little by little after the close. What each of the two alarms sees."""

from collections.abc import Sequence
from dataclasses import replace

from fillguard.core.alarms import Seen
from fillguard.core.curve import Curve, Sample, slope_of
from fillguard.core.events import Phase
from fillguard.core.rules import AlarmRule
from fillguard.core.units import PA_PER_BAR
from fillguard.core.view import View

_LOSS_LEAST_PA = 10.0 * PA_PER_BAR
_COLLAPSED_TO = 0.5
_NOT_SLACKENED = 0.6
_LOSS_FOR_S = 2.0
_HOSE_EMPTIES_TO = 0.4
"""A bled hose (57 mL) has lost more than this share within two seconds; a cylinder behind an open disc has not."""
_FLOWED_WITHIN_S = 5.0
_FEWEST = 3
_MAY_LOSE = frozenset({Phase.FILLING, Phase.PAUSED})
"""Later the cylinder valve may be shut, and a hose that is bled slowly looks like a cylinder that empties."""
_BEYOND_NOISE = 2.0
_BELOW_IT_PA = 5.0 * PA_PER_BAR

_CLEAR, _UNKNOWN = Seen.no(), Seen.unknown()


def sudden_loss(view: View, rule: AlarmRule) -> Seen:
    """The cylinder itself empties, or the gauge collapses while gas flows. A bled whip is neither."""
    state, fill = view.state, view.fill
    course = state.course
    if fill is None or course.hose_fell_s is None:
        return _CLEAR
    newest_s, newest_pa = course.curve.samples[-1]
    before = [sample for sample in course.curve.samples if sample[0] <= course.hose_fell_s]
    if state.phase not in _MAY_LOSE or not before or _is_hose_alone(view, newest_pa):
        return _UNKNOWN
    inside_pa = fill.last_inside_pa
    flowed = state.phase is Phase.FILLING and _was_rising(before, view.rules.extents.start_rate_pa_s)
    hose_went = flowed and newest_pa < _COLLAPSED_TO * inside_pa
    speed = _steady_fall_pa_s(course.curve) if newest_s - course.hose_fell_s >= _LOSS_FOR_S else None
    cylinder_empties = speed is not None and _HOSE_EMPTIES_TO * inside_pa < newest_pa < inside_pa - _LOSS_LEAST_PA
    if not hose_went and not cylinder_empties:
        return _UNKNOWN
    fell_s, fell_from_pa = before[-1]
    fall_pa_s = (fell_from_pa - newest_pa) / (newest_s - fell_s) if speed is None else speed
    return Seen(
        excess=rule.setpoint if hose_went else fall_pa_s - rule.setpoint,
        cause="The pressure collapses: gas is being lost.",
        facts=replace(view.facts, rate_pa_s=-fall_pa_s),
    )


def _is_hose_alone(view: View, newest_pa: float) -> bool:
    """A whip that was ahead of its cylinder may sink to it as fast as it likes, but not below what the cylinder has."""
    passage = view.state.evidence.passage
    if passage is None:
        return False
    cylinder_pa = passage.start_pa if passage.doubted else passage.bound_pa
    return newest_pa + view.rules.ambient_abs_pa > cylinder_pa - _BELOW_IT_PA


def _was_rising(before: Sequence[Sample], least_pa_s: float) -> bool:
    """True when the gauge rose up to its collapse: within the last five seconds, or as far as a slow sensor shows."""
    latest_s = before[-1][0]
    recent = [sample for sample in before if latest_s - sample[0] <= _FLOWED_WITHIN_S]
    slope = slope_of(recent if len(recent) >= _FEWEST else before[-_FEWEST:])
    return slope is not None and slope.pa_s > max(least_pa_s, _BEYOND_NOISE * slope.error_pa_s)


def _steady_fall_pa_s(curve: Curve) -> float | None:
    """How fast the gauge falls when it has fallen for two seconds without slackening; None when it slackens.

    A whip that sinks to its cylinder slackens within a second, an open disc does not.
    """
    whole, end = curve.slope(_LOSS_FOR_S), curve.slope(_LOSS_FOR_S / 2.0)
    if whole is None:
        return None
    late = whole if end is None else end
    return -whole.pa_s if late.pa_s < _NOT_SLACKENED * whole.pa_s else None


def leak(view: View, rule: AlarmRule) -> Seen:
    """The closed cylinder certainly loses more than cooling explains; a bled whip or a shut valve is none."""
    seep = view.state.evidence.seep
    if view.fill is None or seep is None or seep.spoiled:
        return _CLEAR
    if seep.low_pa_s is None or seep.lost is None:
        return _UNKNOWN
    facts = replace(view.facts, rate_pa_s=-seep.lost.rate_pa_s)
    return Seen(excess=seep.low_pa_s - rule.setpoint, cause="It loses gas: more than cooling explains.", facts=facts)
