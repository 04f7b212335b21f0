"""A cylinder that loses gas after it was closed: how much, how sure, and when the question makes no sense.

The estimator knows how far the gauge must fall while gas and wall cool, and holds what falls beyond it against a leak.
This keeps the verdict honest: only while the gauge sees the cylinder and nobody bleeds it, only two minutes after the
close, not across a change of the surroundings, only what has been sure for some time, and only while the fall does not
slacken as cooling does. Pascal a second, settled where not said otherwise.
"""

from typing import NamedTuple

from fillguard.core.units import PA_PER_BAR

_FROM_S, _FROM_UNSEEN_S = 120.0, 600.0
"""Before that it cools too fast to tell; longer where the start was not seen and the heat in it is a guess."""
_SURE_FOR = 6
_EVERY_S = 5.0
LEVEL_OVER_S = 6.0
"""The level that is kept is the mean of so long."""
_LEVELS_KEPT = 25
"""Two minutes: the older one against the newer one."""
_SLACKENED, _SLACKENED_AFTER_ALL = 0.72, 0.5
"""From one minute to the next cooling slackens by more, two or three minutes after a close; a leak does not."""
_BLED_PA_S, _ASKED_PA_S = 0.25 * PA_PER_BAR, 0.1 * PA_PER_BAR
"""A minute after the close no cylinder cools like that: somebody bleeds it, or the hose is alone and empties."""
_BLED_AFTER_S = 60.0
_SURROUNDINGS_K = 5.0
_SHUT_PA_S = 3.0 * PA_PER_BAR / 3600.0
"""Far less of a fall than cooling makes: the cylinder valve is shut, and the gauge sees the hose alone."""


class Lost(NamedTuple):
    """What seems to be lost, settled, Pa/s: estimate with the ends of its 90 % interval."""

    rate_pa_s: float
    low_pa_s: float
    high_pa_s: float


class Seep(NamedTuple):
    """One stop of the flow."""

    stopped_s: float
    surroundings_k: float
    from_s: float
    """Judged from so long after the stop."""
    spoiled: bool = False
    """The gauge does not tell of the cylinder's own losses any more in this stop."""
    judged_s: float = float("-inf")
    levels_pa: tuple[float, ...] = ()
    """Of the gauge at the last judgements, newest last."""
    lows_pa_s: tuple[float, ...] = ()
    """Lower ends of the last judgements, newest last."""
    lost: Lost | None = None
    goes_on: bool = False
    """The fall has not slackened as cooling does."""

    def is_due(self, sample_s: float) -> bool:
        """True when it is time for another judgement."""
        return not self.spoiled and sample_s - self.judged_s >= _EVERY_S

    @property
    def low_pa_s(self) -> float | None:
        """What is certainly lost, settled Pa/s; None while that cannot be told."""
        if self.spoiled or len(self.lows_pa_s) < _SURE_FOR or len(self.levels_pa) < _LEVELS_KEPT:
            return None
        return min(self.lows_pa_s) if self.goes_on else min(0.0, *self.lows_pa_s)


def stopped(stopped_s: float, surroundings_k: float, *, start_seen: bool) -> Seep:
    """The flow has stopped; `start_seen`: the residual pressure had been seen standing."""
    return Seep(stopped_s, surroundings_k, _FROM_S if start_seen else _FROM_UNSEEN_S)


def seeping(
    old: Seep, sample_s: float, lost: Lost | None, *, surroundings_k: float, level_pa: float, over: bool, bled: bool
) -> Seep:
    """The stop after one more reading.

    Args:
        old: Before it.
        sample_s: The reading's own time.
        lost: What the estimator holds against a leak; None while it cannot say.
        surroundings_k: Shop air or bath now.
        level_pa: Of the gauge, its noise smoothed away.
        over: The cylinder is above its limit, and whoever is at the panel is asked to bleed it.
        bled: The gauge collapses, or was ahead of the cylinder: no loss at all.
    """
    if old.spoiled:
        return old
    since_s = sample_s - old.stopped_s
    fell_pa = old.levels_pa[-1] - level_pa if old.levels_pa else 0.0
    falls_pa_s = _ASKED_PA_S if over else _BLED_PA_S
    falls = since_s >= _BLED_AFTER_S and fell_pa > falls_pa_s * (sample_s - old.judged_s)
    shut = lost is not None and since_s >= old.from_s and lost.high_pa_s < -_SHUT_PA_S
    if bled or falls or shut:
        return Seep(old.stopped_s, old.surroundings_k, old.from_s, spoiled=True)
    if lost is None or abs(surroundings_k - old.surroundings_k) > _SURROUNDINGS_K:
        return Seep(old.stopped_s, old.surroundings_k, old.from_s, judged_s=sample_s)
    levels = (*old.levels_pa, level_pa)[-_LEVELS_KEPT:]
    share = _SLACKENED_AFTER_ALL if old.goes_on else _SLACKENED
    middle = levels[len(levels) // 2]
    return old._replace(
        judged_s=sample_s,
        levels_pa=levels,
        lows_pa_s=(*old.lows_pa_s, lost.low_pa_s)[-_SURE_FOR:] if since_s >= old.from_s and not over else (),
        lost=lost,
        goes_on=len(levels) == _LEVELS_KEPT and middle - levels[-1] >= share * (levels[0] - middle),
    )
