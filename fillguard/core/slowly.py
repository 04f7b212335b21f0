"""A rise too slow for a regression over seconds: seen over minutes, against what warming alone can do.

A cylinder that comes cold warms by half a kelvin a minute at most in the air of a shop, a cold one beside a warm one by
some 15 K in all: half a bar a minute, 8 % of its pressure. More is gas. Gauge pascal, sample times.
"""

from itertools import pairwise
from typing import NamedTuple

from fillguard.core.curve import Curve, Sample
from fillguard.core.units import PA_PER_BAR

_EVERY_S = 30.0
_MEAN_OVER_S = 8.0
_MARKS = 5
"""Two minutes."""
_LEAST_STEP_PA, _LEAST_RISE_PA = 0.25 * PA_PER_BAR, 2.0 * PA_PER_BAR
"""From mark to mark, and over all of them: 1 bar/min."""
_WARMING_SHARE, _WARMING_PA = 0.08, 3.0 * PA_PER_BAR
_LEAST_PA = 10.0 * PA_PER_BAR
"""Below this a hose may creep up behind a panel valve that passes."""


class Slowly(NamedTuple):
    """Where the gauge has stood every half minute of late, and its lowest since it was last seen to stop or connect."""

    marks: tuple[Sample, ...] = ()
    lowest: Sample | None = None


NOT_YET = Slowly()


def followed(old: Slowly, curve: Curve, usable_from_s: float) -> Slowly:
    """With the newest half minute; `curve` up to now, of which nothing before `usable_from_s` says anything."""
    newest_s = curve.samples[-1][0]
    if newest_s - usable_from_s < _MEAN_OVER_S:
        return NOT_YET
    if old.marks and newest_s - old.marks[-1][0] < _EVERY_S:
        return old
    recent = [pa for _, pa in curve.since(newest_s - _MEAN_OVER_S)]
    mark = (newest_s, sum(recent) / len(recent))
    lowest = mark if old.lowest is None or mark[1] < old.lowest[1] else old.lowest
    return Slowly((*old.marks[-_MARKS + 1 :], mark), lowest)


def began_rising(slowly: Slowly) -> Sample | None:
    """Where a rise began that is no warming; None while there is none."""
    marks, lowest = slowly.marks, slowly.lowest
    if lowest is None or lowest[1] < _LEAST_PA:
        return None
    if len(marks) == _MARKS and marks[-1][1] - marks[0][1] >= _LEAST_RISE_PA:
        steps = [later[1] - earlier[1] for earlier, later in pairwise(marks)]
        if min(steps) >= _LEAST_STEP_PA:
            return marks[0]
    return lowest if marks[-1][1] - lowest[1] > _WARMING_SHARE * lowest[1] + _WARMING_PA else None
