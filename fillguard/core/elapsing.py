"""What the mere passing of time means for a whip: a pause over, a fill that nobody ends, a gauge nobody hears."""

from fillguard.core.course import Course
from fillguard.core.events import Phase
from fillguard.core.lifecycle import AFTER_CLOSE, TRANSITIONS, Sign
from fillguard.core.rules import Extents

_STILL_CONNECTED_S = 30.0


def after_time(course: Course, extents: Extents, mono_s: float, *, silent_s: float, heard: bool) -> Sign | None:
    """The sign that the mere passing of time gives.

    Args:
        course: Where the whip stands.
        extents: What counts as closed and ended.
        mono_s: Now.
        silent_s: How long the gauge has said nothing.
        heard: False when that is too long: then nobody knows whether gas flows, and no time without inflow passes.
    """
    waited_s = 0.0 if course.stopped_mono_s is None else mono_s - course.stopped_mono_s
    if course.phase in AFTER_CLOSE and waited_s >= extents.ended_after_s:
        return Sign.TIMED_OUT
    if silent_s >= extents.ended_after_s and (course.phase, Sign.GONE) in TRANSITIONS:
        return Sign.GONE
    sign: Sign | None = None
    if course.phase is Phase.PAUSED and waited_s >= extents.closed_after_s:
        sign = Sign.STOPPED
    elif course.phase is Phase.CLOSED and waited_s >= extents.closed_after_s + _STILL_CONNECTED_S:
        sign = Sign.STILL_CONNECTED
    return sign if heard else None
