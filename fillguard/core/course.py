"""A whip's way through a fill, read from the pressure itself.

A hose of some 57 mL jumps within a second or two, a cylinder moves at a fraction of a bar a second. That difference
tells an opened cylinder valve (the gauge jumps to the residual pressure and stands) from the beginning of a fill
(the gauge rises and goes on rising), and a bled whip from everything else.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from fillguard.core.curve import Curve, Sample, end_of_rise, goes_on_rising, standing_level_pa
from fillguard.core.events import Phase
from fillguard.core.lifecycle import FILL_OPEN, WAITING, Sign
from fillguard.core.rules import Extents
from fillguard.core.slowly import NOT_YET, Slowly, began_rising, followed
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Stamp

_BAR = PA_PER_BAR
_HOSE_PA_S = 2.0 * _BAR
"""Faster than any supply moves a cylinder of ten litres (67 bar/min is a fast fill): the hose alone moves like this."""
_HOSE_STEP_PA = 1.5 * _BAR
_REFERENCE_CAPACITY_M3 = 0.010
_LEVEL_NOISE_PA = 0.35 * _BAR
_STANDS_S = 3.0
_LEVEL_POINTS = 4
_STANDS_WITHIN_PA = 1.0 * _BAR
_QUIET_S = 8.0
"""Standing for so long, far from where it stood before, it stands on a new level."""
_FAR_PA = 1.5 * _BAR
_RISES_FOR_S = 4.0
_UNSEEN_START_S = 8.0
"""A rise this long without a plateau before it: the panel was open before the cylinder valve."""
_FROM_BLED_S = 12.0
"""From a bled whip: a cylinder valve that is hardly open lets the hose rise for some seconds, too."""
_FELL_TO_SHARE = 0.7
"""A leapt gauge that collapses this far and stands, or rises, was a hose whose cylinder valve has just been opened."""
_FLOW_SLOPE_PA_S = 0.5 * _BAR / 60.0
_DRAIN_FALL_PA = 2.0 * _BAR
_CONNECTED_PA = 2.0 * _BAR
_EMPTY_PA = 0.5 * _BAR
_LEVEL_LEAST_PA = 0.7 * _BAR
"""A level below this is no more than a bled whip whose sensor is off zero."""
_JUMP_REMEMBERED_S = 60.0
"""So long after a jump from a standing level a rise is still that cylinder's."""
_JUMP_DOUBT_S = 5.0
"""Unclear for longer than this: the cylinder is taken to be connected."""
_MAY_RISE_SLOWLY = (FILL_OPEN | {Phase.CONNECTED}) - {Phase.FILLING}
_RESUME_WINDOWS_S = (6.0, 12.0, 20.0, 30.0)
_BLED_SHARE = 0.3
"""Below this share of what the gauge showed half a minute ago (and below the bled limit), the whip is bled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Where a whip stands and what its curve has shown. All pressures gauge."""

    phase: Phase = Phase.IDLE
    curve: Curve = field(default_factory=Curve)
    usable_from_s: float = float("-inf")
    """Samples before this belong to a jump of the hose and say nothing about a cylinder."""
    level_pa: float | None = None
    """Where the gauge last stood."""
    before_jump: tuple[float, float] | None = None
    """(time, level) when the hose jumped up from a level that stood: the residual pressure, if a rise follows."""
    hose_fell_s: float | None = None
    """Since when the gauge has been collapsing; None when it does not."""
    hose_jumped_s: float | None = None
    """When the gauge last jumped as only a hose can."""
    hose_peak_pa: float | None = None
    """Where the gauge stood, or had leapt to, before it collapsed: the hose alone, unless it goes on to be bled."""
    stood_at_pa: float | None = None
    """The cylinder valve was opened onto a hose that stood at this pressure: nobody saw the residual pressure."""
    start_s: float | None = None
    start_pa: float = 0.0
    plateau_seen: bool = False
    rises_from_s: float | None = None
    """Where the present rise began: the fill's start, or the lowest point of the pause before."""
    flow_stopped_s: float | None = None
    close_pa: float | None = None
    stopped_mono_s: float | None = None
    slowly: Slowly = NOT_YET
    """While nothing is known to flow."""

    @property
    def collapsing(self) -> bool:
        """True while the gauge falls as only an opened bleed or a burst lets it."""
        return self.hose_fell_s is not None


def after_pressure(
    course: Course,
    extents: Extents,
    sample_s: float,
    gauge_pa: float,
    *,
    capacity_m3: float,
    fed: Callable[[], bool] = lambda: False,
) -> tuple[Course, Sign | None]:
    """The course after one more sample, and the sign it gives, if any.

    Args:
        course: Before the sample.
        extents: What counts as start, pause, close and end.
        sample_s: The sample's own time.
        gauge_pa: Whip pressure.
        capacity_m3: Water capacity of what hangs on the whip: a small one can be filled faster.
        fed: Asked only when the gauge no longer rises. True when the heat balance says that gas flows in all the same:
            a gauge that stands while the gas is hot is equalised with its bank, a whip that sinks feeds its cylinder.
    """
    previous = course.curve
    course = _with_hose(replace(course, curve=previous.after(sample_s, gauge_pa)), previous, capacity_m3)
    if course.curve is previous:
        return course, None
    if course.phase in _MAY_RISE_SLOWLY:
        course = replace(course, slowly=followed(course.slowly, course.curve, course.usable_from_s))
    if course.phase in FILL_OPEN:
        return _while_open(course, extents, fed)
    if course.phase in WAITING:
        return _while_waiting(course, extents)
    return course, None


def stands_bled(course: Course) -> bool:
    """True when the gauge is known to stand, too low for a cylinder to be connected."""
    return course.level_pa is not None and course.level_pa <= _CONNECTED_PA


def started(course: Course) -> Course:
    """The course once gas flows: what was known of an earlier stop or leap is void."""
    rises_from_s = course.start_s
    if course.flow_stopped_s is not None:
        rises_from_s = min(course.curve.since(course.flow_stopped_s), key=lambda sample: sample[1])[0]
    return replace(
        course,
        rises_from_s=rises_from_s,
        flow_stopped_s=None,
        close_pa=None,
        stopped_mono_s=None,
        before_jump=None,
        hose_peak_pa=None,
        stood_at_pa=None,
        slowly=NOT_YET,
    )


def stopped(course: Course, now: Stamp) -> Course:
    """The course once the inflow is known to have stopped, dated back to the top of the rise."""
    stop_s, level_pa = _end_of_inflow(course)
    return replace(
        course, flow_stopped_s=stop_s, close_pa=level_pa, stopped_mono_s=now.mono_s - max(0.0, now.utc_s - stop_s)
    )


def at_rest(course: Course) -> Course:
    """The course of a whip on which nothing is open any more; where it stands now has to be seen anew."""
    samples = course.curve.samples
    return Course(phase=course.phase, curve=course.curve, usable_from_s=samples[-1][0] if samples else float("-inf"))


def hose_speed_pa_s(capacity_m3: float) -> float:
    """Faster than this only the hose moves: no supply moves a cylinder of `capacity_m3` like that."""
    return _HOSE_PA_S * max(1.0, _REFERENCE_CAPACITY_M3 / capacity_m3)


def _with_hose(course: Course, previous: Curve, capacity_m3: float) -> Course:
    """What only the hose can have done: a jump up from before a fill, or a collapse."""
    speed, step = course.curve.newest_speed()
    limit = hose_speed_pa_s(capacity_m3)
    if speed > limit and step > _HOSE_STEP_PA and course.phase in WAITING:
        return _jumped(course, previous)
    if speed < -limit and step < -_HOSE_STEP_PA:
        return _falling(course, previous)
    return replace(course, hose_fell_s=None) if course.hose_fell_s is not None else course


def _jumped(course: Course, previous: Curve) -> Course:
    newest_s, newest_pa = course.curve.samples[-1]
    before = course.before_jump
    if before is None and course.level_pa is not None and course.level_pa > _LEVEL_LEAST_PA:
        before = (previous.samples[-1][0], course.level_pa)
    return replace(
        course,
        usable_from_s=newest_s,
        level_pa=None,
        before_jump=before,
        hose_jumped_s=newest_s,
        hose_peak_pa=max(newest_pa, course.hose_peak_pa or 0.0),
        stood_at_pa=None,
        hose_fell_s=None,
    )


def _falling(course: Course, previous: Curve) -> Course:
    newest_s, newest_pa = course.curve.samples[-1]
    fell_s = course.hose_fell_s if course.hose_fell_s is not None else previous.samples[-1][0]
    before, peak_pa = course.before_jump, course.hose_peak_pa
    if before is not None and newest_pa < before[1] + _HOSE_STEP_PA:
        before = None
    if course.level_pa is not None and course.phase in WAITING:
        peak_pa = course.level_pa
    return replace(
        course, usable_from_s=newest_s, level_pa=None, before_jump=before, hose_fell_s=fell_s, hose_peak_pa=peak_pa
    )


def _is_bled(course: Course, extents: Extents) -> bool:
    samples = course.curve.samples
    newest_pa = samples[-1][1]
    if newest_pa > extents.bled_below_gauge_pa:
        return False
    if course.phase in FILL_OPEN and newest_pa >= course.start_pa + _EMPTY_PA:
        # A fill from empty begins below the bled limit; a whip bled after a fill ends below where that began.
        return newest_pa <= _BLED_SHARE * max(p for _, p in samples)
    return newest_pa <= _EMPTY_PA or newest_pa <= _BLED_SHARE * max(p for _, p in samples)


def _while_open(course: Course, extents: Extents, fed: Callable[[], bool]) -> tuple[Course, Sign | None]:
    if _is_bled(course, extents):
        return course, Sign.BLED
    if course.collapsing:
        return course, None
    if course.phase is Phase.FILLING:
        return course, Sign.HESITATES if _flow_ended(course, extents) and not fed() else None
    rises = began_rising(course.slowly) is not None or _rises_again(course, extents)
    return course, Sign.FLOWS if rises else None


def _flow_ended(course: Course, extents: Extents) -> bool:
    slope = course.curve.slope(extents.paused_after_s, not_before_s=course.usable_from_s)
    if slope is None or slope.span_s < 0.5 * extents.paused_after_s:
        return False
    if slope.pa_s > max(_FLOW_SLOPE_PA_S, 2.0 * slope.error_pa_s):
        return False
    newest_s = course.curve.samples[-1][0]
    if newest_s - _end_of_inflow(course)[0] < extents.paused_after_s - 1.0:
        return False
    return not _rises_again(course, extents)


def _end_of_inflow(course: Course) -> Sample:
    """The top of the present rise, whatever the gauge showed before it."""
    rise = () if course.rises_from_s is None else course.curve.since(course.rises_from_s)
    return end_of_rise(rise or course.curve.samples)


def _rises_again(course: Course, extents: Extents) -> bool:
    newest_s = course.curve.samples[-1][0]
    not_before_s = max(course.usable_from_s, course.flow_stopped_s or course.usable_from_s)
    for window_s in _RESUME_WINDOWS_S:
        start_s = max(newest_s - window_s, not_before_s)
        if _goes_on_rising(course.curve, start_s, extents):
            return True
        if start_s == not_before_s:
            break
    return False


def _goes_on_rising(curve: Curve, start_s: float, extents: Extents, *, for_s: float = _RISES_FOR_S) -> bool:
    return goes_on_rising(
        curve, start_s, least_pa_s=extents.start_rate_pa_s, least_pa=extents.start_rise_pa, for_s=for_s
    )


def _while_waiting(course: Course, extents: Extents) -> tuple[Course, Sign | None]:
    if course.phase in {Phase.CONNECTED, Phase.DRAINING} and _is_bled(course, extents):
        return replace(course, level_pa=course.curve.samples[-1][1], before_jump=None, hose_peak_pa=None), Sign.BLED
    if course.collapsing:
        return course, None
    begun = _start_of_rise(course, extents) or _flow_after_jump(course) or _slow_rise(course)
    if begun is not None:
        return begun, Sign.FLOWS
    was_standing = course.level_pa is not None
    course = _with_level(course, extents)
    if course.level_pa is not None and not was_standing:
        course = replace(course, stood_at_pa=_opened_late_at_pa(course, extents, course.level_pa), hose_peak_pa=None)
    return course, _sign_of_level(course, extents, was_standing=was_standing)


def _opened_late_at_pa(course: Course, extents: Extents, now_pa: float) -> float | None:
    """Where the hose had stood if the gauge has come down from a leap and stays, or rises: never while it is bled."""
    peak_pa = course.hose_peak_pa
    if peak_pa is None or not extents.bled_below_gauge_pa < now_pa < _FELL_TO_SHARE * peak_pa:
        return None
    return peak_pa


def _sign_of_level(course: Course, extents: Extents, *, was_standing: bool) -> Sign | None:
    connected = course.level_pa is not None and course.level_pa > _CONNECTED_PA
    if not connected:
        return None
    if course.phase is Phase.CONNECTED:
        return Sign.FALLS if _drains(course, extents) else None
    if course.phase is Phase.DRAINING and was_standing:
        return None
    return Sign.STANDS


def _flow_after_jump(course: Course) -> Course | None:
    """A start seen as a jump: the gauge leapt up from a cylinder that stood, and has not come back.

    A valve not fully open, or an empty cylinder behind it, holds the whip far above the cylinder: the gauge may then
    stand for a while, or creep back, while gas flows in.
    """
    if course.before_jump is None or course.hose_jumped_s is None:
        return None
    newest_s, newest_pa = course.curve.samples[-1]
    start_s, start_pa = course.before_jump
    if newest_s - course.hose_jumped_s < _JUMP_DOUBT_S or newest_pa < start_pa + _HOSE_STEP_PA:
        return None
    return replace(course, start_s=start_s, start_pa=start_pa, plateau_seen=True)


def _with_level(course: Course, extents: Extents) -> Course:
    """Follow a standing gauge; a steady rise or fall does not drag the level along."""
    samples = course.curve.samples
    newest_s = samples[-1][0]
    if course.hose_jumped_s is not None and newest_s - course.hose_jumped_s > _JUMP_REMEMBERED_S:
        course = replace(course, before_jump=None, hose_jumped_s=None)
    # A slow sensor needs longer for as many samples as a level rests on.
    few_s = samples[-_LEVEL_POINTS][0] if len(samples) >= _LEVEL_POINTS else newest_s
    recent = course.curve.since(max(min(newest_s - _STANDS_S - 0.5, few_s), course.usable_from_s))
    level = standing_level_pa(recent, span_s=_STANDS_S, within_pa=_STANDS_WITHIN_PA)
    if level is None:
        return course
    if course.level_pa is None:
        return replace(course, level_pa=level)
    near = abs(level - course.level_pa) < _FAR_PA
    drift = course.curve.slope(extents.rate_window_s if near else _QUIET_S, not_before_s=course.usable_from_s)
    quiet = drift is not None and drift.span_s >= 2.0 * _STANDS_S and abs(drift.pa_s) < extents.start_rate_pa_s / 2.0
    return replace(course, level_pa=level) if quiet else course


def _start_of_rise(course: Course, extents: Extents) -> Course | None:
    level_pa = course.level_pa
    return _unseen(course, extents) if level_pa is None else _start_above_level(course, extents, level_pa)


def _start_above_level(course: Course, extents: Extents, level_pa: float) -> Course | None:
    """The rise out of a plateau, dated back to where it left it."""
    samples = course.curve.samples
    if samples[-1][1] - level_pa < extents.start_rise_pa:
        return None
    threshold = level_pa + _LEVEL_NOISE_PA
    first = len(samples)
    while first > 0 and samples[first - 1][1] > threshold and samples[first - 1][0] > course.usable_from_s:
        first -= 1
    lasting_s = _RISES_FOR_S if level_pa > _CONNECTED_PA else _FROM_BLED_S
    if not _goes_on_rising(course.curve, samples[max(0, first - 1)][0], extents, for_s=lasting_s):
        return None
    late = course.stood_at_pa is not None
    start_s, start_pa = course.before_jump or (samples[min(first, len(samples) - 1)][0], level_pa)
    return replace(course, start_s=course.usable_from_s if late else start_s, start_pa=start_pa, plateau_seen=not late)


def _slow_rise(course: Course) -> Course | None:
    """A fill too slow for a regression over seconds."""
    begun = began_rising(course.slowly) if course.phase is Phase.CONNECTED else None
    return None if begun is None else replace(course, start_s=begun[0], start_pa=begun[1], plateau_seen=True)


def _unseen(course: Course, extents: Extents) -> Course | None:
    """A rise without a plateau before it: the panel was open before the cylinder valve."""
    rise = course.curve.since(course.usable_from_s)
    if not rise or rise[-1][0] - course.usable_from_s < _UNSEEN_START_S:
        return None
    if not _goes_on_rising(course.curve, course.usable_from_s, extents):
        return None
    start_s, start_pa = course.before_jump or rise[0]
    return replace(
        course,
        start_s=start_s,
        start_pa=start_pa,
        plateau_seen=course.before_jump is not None,
        stood_at_pa=_opened_late_at_pa(course, extents, start_pa),
    )


def _drains(course: Course, extents: Extents) -> bool:
    slope = course.curve.slope(extents.paused_after_s, not_before_s=course.usable_from_s)
    if course.level_pa is None or slope is None or slope.span_s < 0.5 * extents.paused_after_s:
        return False
    fallen_pa = course.level_pa - course.curve.samples[-1][1]
    return slope.pa_s < -extents.start_rate_pa_s and fallen_pa >= _DRAIN_FALL_PA
