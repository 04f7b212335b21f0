"""A whip's way through a fill, read from the pressure itself: one table, and the signs that drive it.

A hose of some 57 mL jumps within a second or two, a cylinder moves at a fraction of a bar a second. That difference
tells an opened cylinder valve (the gauge jumps to the residual pressure and stands) from the beginning of a fill
(the gauge rises and goes on rising), and a bled whip from everything else.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from fillguard.core.curve import Curve, Sample, end_of_rise, slope_of, standing_level_pa
from fillguard.core.errors import IllegalTransitionError
from fillguard.core.events import Phase
from fillguard.core.rules import Extents
from fillguard.core.units import PA_PER_BAR

_BAR = PA_PER_BAR
_HOSE_PA_S = 2.0 * _BAR
"""Faster than any supply moves a cylinder of ten litres (67 bar/min is a fast fill): the hose alone moves like this."""
_HOSE_STEP_PA = 1.5 * _BAR
_REFERENCE_CAPACITY_M3 = 0.010
_LEVEL_NOISE_PA = 0.35 * _BAR
_STANDS_S = 3.0
_STANDS_WITHIN_PA = 1.0 * _BAR
_RISES_FOR_S = 4.0
_UNSEEN_START_S = 8.0
"""A rise this long without a plateau before it: the panel was open before the cylinder valve."""
_FLOW_SLOPE_PA_S = 0.5 * _BAR / 60.0
_STILL_CONNECTED_S = 30.0
_DRAIN_FALL_PA = 2.0 * _BAR
_CONNECTED_PA = 2.0 * _BAR
_EMPTY_PA = 0.5 * _BAR
_JUMP_REMEMBERED_S = 60.0
"""So long after a jump from a standing level a rise is still that cylinder's."""
_JUMP_DOUBT_S = 5.0
"""Unclear for longer than this: the cylinder is taken to be connected."""
_RESUME_WINDOWS_S = (6.0, 12.0, 20.0, 30.0)
_BLED_SHARE = 0.3
"""Below this share of what the gauge showed half a minute ago (and below the bled limit), the whip is bled."""


class Sign(StrEnum):
    """What can move a whip from one phase to another."""

    ATTACHED = "attached"
    REPLACED = "another cylinder attached"
    DETACHED = "detached"
    STANDS = "the pressure stands"
    FLOWS = "gas flows in"
    HESITATES = "no inflow for a while"
    STOPPED = "no inflow for two minutes"
    STILL_CONNECTED = "closed, and the gauge still sees the cylinder"
    COOLED = "the pressure has settled"
    FALLS = "the pressure falls steadily"
    BLED = "the whip is bled"
    TIMED_OUT = "nothing more for a quarter of an hour"
    ENDED = "the fill is over"
    GONE = "not watched for too long"


TRANSITIONS: Mapping[tuple[Phase, Sign], Phase] = {
    (Phase.IDLE, Sign.ATTACHED): Phase.ATTACHED,
    (Phase.IDLE, Sign.STANDS): Phase.CONNECTED,
    (Phase.IDLE, Sign.FLOWS): Phase.FILLING,
    (Phase.ATTACHED, Sign.STANDS): Phase.CONNECTED,
    (Phase.ATTACHED, Sign.FLOWS): Phase.FILLING,
    (Phase.ATTACHED, Sign.REPLACED): Phase.ATTACHED,
    (Phase.ATTACHED, Sign.DETACHED): Phase.IDLE,
    (Phase.ATTACHED, Sign.TIMED_OUT): Phase.IDLE,
    (Phase.CONNECTED, Sign.FLOWS): Phase.FILLING,
    (Phase.CONNECTED, Sign.FALLS): Phase.DRAINING,
    (Phase.CONNECTED, Sign.BLED): Phase.IDLE,
    (Phase.CONNECTED, Sign.DETACHED): Phase.IDLE,
    (Phase.DRAINING, Sign.STANDS): Phase.CONNECTED,
    (Phase.DRAINING, Sign.FLOWS): Phase.FILLING,
    (Phase.DRAINING, Sign.BLED): Phase.ENDED,
    (Phase.DRAINING, Sign.DETACHED): Phase.ENDED,
    (Phase.FILLING, Sign.HESITATES): Phase.PAUSED,
    (Phase.FILLING, Sign.BLED): Phase.ENDED,
    (Phase.FILLING, Sign.DETACHED): Phase.ENDED,
    (Phase.PAUSED, Sign.FLOWS): Phase.FILLING,
    (Phase.PAUSED, Sign.STOPPED): Phase.CLOSED,
    (Phase.PAUSED, Sign.BLED): Phase.ENDED,
    (Phase.PAUSED, Sign.DETACHED): Phase.ENDED,
    (Phase.CLOSED, Sign.FLOWS): Phase.FILLING,
    (Phase.CLOSED, Sign.STILL_CONNECTED): Phase.SETTLING,
    (Phase.SETTLING, Sign.FLOWS): Phase.FILLING,
    (Phase.SETTLING, Sign.COOLED): Phase.SETTLED,
    (Phase.SETTLED, Sign.FLOWS): Phase.FILLING,
    **{
        (phase, sign): Phase.ENDED
        for phase in (Phase.CLOSED, Phase.SETTLING, Phase.SETTLED)
        for sign in (Sign.BLED, Sign.DETACHED, Sign.REPLACED, Sign.TIMED_OUT)
    },
    **{
        (phase, Sign.GONE): Phase.INTERRUPTED
        for phase in (Phase.FILLING, Phase.PAUSED, Phase.CLOSED, Phase.SETTLING, Phase.SETTLED, Phase.DRAINING)
    },
    (Phase.ENDED, Sign.ENDED): Phase.IDLE,
    (Phase.INTERRUPTED, Sign.ENDED): Phase.IDLE,
}

FILL_OPEN = frozenset({Phase.FILLING, Phase.PAUSED, Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})
"""Phases in which a fill is open: it has started and has not ended."""
AFTER_CLOSE = frozenset({Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})
WAITING = frozenset({Phase.IDLE, Phase.ATTACHED, Phase.CONNECTED, Phase.DRAINING})
"""Phases in which a fill may yet start."""


def next_phase(phase: Phase, sign: Sign) -> Phase:
    """The phase after `sign`.

    Raises:
        IllegalTransitionError: The table holds no such change; nothing has changed.
    """
    try:
        return TRANSITIONS[phase, sign]
    except KeyError:
        raise IllegalTransitionError(f"a whip that is {phase} cannot take: {sign.value}") from None


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
    start_s: float | None = None
    start_pa: float = 0.0
    plateau_seen: bool = False
    flow_stopped_s: float | None = None
    close_pa: float | None = None
    stopped_mono_s: float | None = None

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
    if course.phase in FILL_OPEN:
        return _while_open(course, extents, fed)
    if course.phase in WAITING:
        return _while_waiting(course, extents)
    return course, None


def after_time(course: Course, extents: Extents, mono_s: float) -> Sign | None:
    """The sign that the mere passing of time gives."""
    if course.stopped_mono_s is None:
        return None
    waited = mono_s - course.stopped_mono_s
    if course.phase in AFTER_CLOSE and waited >= extents.ended_after_s:
        return Sign.TIMED_OUT
    if course.phase is Phase.PAUSED and waited >= extents.closed_after_s:
        return Sign.STOPPED
    if course.phase is Phase.CLOSED and waited >= extents.closed_after_s + _STILL_CONNECTED_S:
        return Sign.STILL_CONNECTED
    return None


def started(course: Course) -> Course:
    """The course once a fill is open: what was known of an earlier stop is void."""
    return replace(course, flow_stopped_s=None, close_pa=None, stopped_mono_s=None, before_jump=None)


def stopped(course: Course, mono_s: float) -> Course:
    """The course once the inflow is known to have stopped, dated back to the top of the rise."""
    stop_s, level_pa = end_of_rise(course.curve.samples)
    newest_s = course.curve.samples[-1][0]
    return replace(course, flow_stopped_s=stop_s, close_pa=level_pa, stopped_mono_s=mono_s - (newest_s - stop_s))


def at_rest(course: Course) -> Course:
    """The course of a whip on which nothing is open any more."""
    return Course(phase=course.phase, curve=course.curve, usable_from_s=course.usable_from_s, level_pa=course.level_pa)


def hose_speed_pa_s(capacity_m3: float) -> float:
    """Faster than this only the hose moves: no supply moves a cylinder of `capacity_m3` like that."""
    return _HOSE_PA_S * max(1.0, _REFERENCE_CAPACITY_M3 / capacity_m3)


def _speed_pa_s(curve: Curve) -> tuple[float, float]:
    """Speed and step against the newest sample at least half a second older."""
    newest_s, newest_pa = curve.samples[-1]
    for sample_s, gauge_pa in reversed(curve.samples[:-1]):
        if newest_s - sample_s >= 0.45:  # noqa: PLR2004 - at 5 Hz two intervals: one alone is mostly noise
            step = newest_pa - gauge_pa
            return step / (newest_s - sample_s), step
    return 0.0, 0.0


def _with_hose(course: Course, previous: Curve, capacity_m3: float) -> Course:
    speed, step = _speed_pa_s(course.curve)
    limit = hose_speed_pa_s(capacity_m3)
    newest_s = course.curve.samples[-1][0]
    if speed > limit and step > _HOSE_STEP_PA and course.phase in WAITING:
        before = course.before_jump
        if before is None and course.level_pa is not None:
            before = (previous.samples[-1][0], course.level_pa) if course.level_pa > _LEVEL_NOISE_PA * 2 else None
        return replace(
            course,
            usable_from_s=newest_s,
            level_pa=None,
            before_jump=before,
            hose_jumped_s=newest_s,
            hose_fell_s=None,
        )
    if speed < -limit and step < -_HOSE_STEP_PA:
        fell_s = course.hose_fell_s if course.hose_fell_s is not None else previous.samples[-1][0]
        before = course.before_jump
        if before is not None and course.curve.samples[-1][1] < before[1] + _HOSE_STEP_PA:
            before = None
        return replace(course, usable_from_s=newest_s, level_pa=None, before_jump=before, hose_fell_s=fell_s)
    return replace(course, hose_fell_s=None) if course.hose_fell_s is not None else course


def _is_bled(course: Course, extents: Extents) -> bool:
    samples = course.curve.samples
    newest_pa = samples[-1][1]
    if newest_pa > extents.bled_below_gauge_pa:
        return False
    highest_pa = max(p for _, p in samples)
    return newest_pa <= _EMPTY_PA or newest_pa <= _BLED_SHARE * highest_pa


def _while_open(course: Course, extents: Extents, fed: Callable[[], bool]) -> tuple[Course, Sign | None]:
    if _is_bled(course, extents):
        return course, Sign.BLED
    if course.collapsing:
        return course, None
    if course.phase is Phase.FILLING:
        return course, Sign.HESITATES if _flow_ended(course, extents) and not fed() else None
    return course, Sign.FLOWS if _rises_again(course, extents) else None


def _flow_ended(course: Course, extents: Extents) -> bool:
    slope = course.curve.slope(extents.paused_after_s, not_before_s=course.usable_from_s)
    if slope is None or slope.span_s < 0.5 * extents.paused_after_s:
        return False
    if slope.pa_s > max(_FLOW_SLOPE_PA_S, 2.0 * slope.error_pa_s):
        return False
    newest_s = course.curve.samples[-1][0]
    if newest_s - end_of_rise(course.curve.samples)[0] < extents.paused_after_s - 1.0:
        return False
    return not _rises_again(course, extents)


def _rises_again(course: Course, extents: Extents) -> bool:
    newest_s = course.curve.samples[-1][0]
    not_before_s = max(course.usable_from_s, course.flow_stopped_s or course.usable_from_s)
    return any(
        _goes_on_rising(course.curve.since(max(newest_s - window_s, not_before_s)), extents)
        for window_s in _RESUME_WINDOWS_S
    )


def _goes_on_rising(samples: Sequence[Sample], extents: Extents) -> bool:
    """True for a rise that has lasted, is steep enough over all of it and has not slackened in its second half."""
    if len(samples) < 4 or samples[-1][0] - samples[0][0] < _RISES_FOR_S:  # noqa: PLR2004 - two points a half
        return False
    whole = slope_of(samples)
    if whole is None or whole.pa_s < max(extents.start_rate_pa_s, 4.0 * whole.error_pa_s):
        return False
    if whole.pa_s * whole.span_s < extents.start_rise_pa:
        return False
    middle_s = (samples[0][0] + samples[-1][0]) / 2.0
    second = slope_of([s for s in samples if s[0] >= middle_s])
    if second is None:
        return samples[-1][1] > samples[-2][1]
    return second.pa_s >= extents.start_rate_pa_s and second.pa_s > 2.0 * second.error_pa_s


def _while_waiting(course: Course, extents: Extents) -> tuple[Course, Sign | None]:
    if course.phase in {Phase.CONNECTED, Phase.DRAINING} and _is_bled(course, extents):
        return replace(course, level_pa=course.curve.samples[-1][1], before_jump=None), Sign.BLED
    if course.collapsing:
        return course, None
    begun = _start_of_rise(course, extents) or _flow_after_jump(course)
    if begun is not None:
        return begun, Sign.FLOWS
    was_standing = course.level_pa is not None
    course = _with_level(course, extents)
    return course, _sign_of_level(course, extents, was_standing=was_standing)


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
    newest_s = course.curve.samples[-1][0]
    if course.hose_jumped_s is not None and newest_s - course.hose_jumped_s > _JUMP_REMEMBERED_S:
        course = replace(course, before_jump=None, hose_jumped_s=None)
    recent = course.curve.since(max(newest_s - _STANDS_S - 0.5, course.usable_from_s))
    level = standing_level_pa(recent, span_s=_STANDS_S, within_pa=_STANDS_WITHIN_PA)
    if course.level_pa is None:
        return course if level is None else replace(course, level_pa=level)
    drift = course.curve.slope(extents.rate_window_s, not_before_s=course.usable_from_s)
    quiet = drift is not None and drift.span_s >= 2.0 * _STANDS_S and abs(drift.pa_s) < extents.start_rate_pa_s / 2.0
    return replace(course, level_pa=level) if quiet and level is not None else course


def _start_of_rise(course: Course, extents: Extents) -> Course | None:
    samples = course.curve.samples
    newest_s, newest_pa = samples[-1]
    if course.level_pa is not None:
        threshold = course.level_pa + _LEVEL_NOISE_PA
        first = len(samples)
        while first > 0 and samples[first - 1][1] > threshold and samples[first - 1][0] > course.usable_from_s:
            first -= 1
        rise = samples[max(0, first - 1) :]
        if newest_pa - course.level_pa < extents.start_rise_pa or not _goes_on_rising(rise, extents):
            return None
        start_s, start_pa = course.before_jump or (samples[min(first, len(samples) - 1)][0], course.level_pa)
        return replace(course, start_s=start_s, start_pa=start_pa, plateau_seen=True)
    rise = course.curve.since(course.usable_from_s)
    if newest_s - course.usable_from_s < _UNSEEN_START_S or not _goes_on_rising(rise, extents):
        return None
    start_s, start_pa = course.before_jump or rise[0]
    return replace(course, start_s=start_s, start_pa=start_pa, plateau_seen=course.before_jump is not None)


def _drains(course: Course, extents: Extents) -> bool:
    slope = course.curve.slope(extents.paused_after_s, not_before_s=course.usable_from_s)
    if course.level_pa is None or slope is None or slope.span_s < 0.5 * extents.paused_after_s:
        return False
    fallen_pa = course.level_pa - course.curve.samples[-1][1]
    return slope.pa_s < -extents.start_rate_pa_s and fallen_pa >= _DRAIN_FALL_PA
