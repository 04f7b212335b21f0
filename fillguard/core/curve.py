"""What a pressure curve shows by itself: how fast it moves, whether it stands, rises, has stopped rising or collapses.

Times are sample times in seconds, pressures gauge pascal. A `Curve` keeps the last half minute and nothing else.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from fillguard.core.units import PA_PER_BAR

KEPT_S = 32.0
_SPACING_S = 0.18
"""Samples closer than this are thinned: five a second say all that a regression over seconds can use."""
_REBASED_AFTER_S = 256.0
"""Running sums count from a base that is moved on after so long: their digits must not run out."""
_MIN_POINTS = 3
_FEWEST_OF_A_STEP = 2
_FEWEST_OF_A_RISE = 4
"""Two points to each half."""
_ENDS_SHARE = 0.25
"""A rise that counts has its ends apart by more than this share of what counts, whatever the noise."""
_SPEED_OVER_S = 0.45
"""At 5 Hz two intervals: one alone is mostly noise."""
_KNEE_LOOKS_BACK_S = 10.0
_KNEE_SLOPE_PA_S = 1.0 * PA_PER_BAR / 60.0

Sample = tuple[float, float]
_Sums = tuple[float, float, float, float, float]
"""Sums of t, p, tt, tp and pp of every sample so far, counted from the base."""
_NOTHING: _Sums = (0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A straight line through samples: its gradient, the gradient's standard error and what it rests on."""

    pa_s: float
    error_pa_s: float
    span_s: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """The recent past of one gauge, oldest first, thinned to five samples a second.

    Running sums are kept beside the samples, so that a regression over any stretch up to now costs the same.
    """

    samples: tuple[Sample, ...] = ()
    base: Sample = (0.0, 0.0)
    sums: tuple[_Sums, ...] = ()

    def after(self, sample_s: float, gauge_pa: float) -> "Curve":
        """The curve with one more sample; a sample not later than the newest changes nothing."""
        samples, sums = self.samples, self.sums
        new = (sample_s, gauge_pa)
        if not samples:
            return Curve(samples=(new,), base=new, sums=(_NOTHING,))
        if sample_s <= samples[-1][0]:
            return self
        if len(samples) > 1 and sample_s - samples[-2][0] < _SPACING_S:
            samples, sums = samples[:-1], sums[:-1]
        first = bisect_left(samples, (sample_s - KEPT_S, 0.0))
        kept = (*samples[first:], new)
        if sample_s - self.base[0] > _REBASED_AFTER_S:
            return Curve(samples=kept, base=kept[0], sums=_running(kept))
        return Curve(samples=kept, base=self.base, sums=(*sums[first:], _added(sums[-1], self.base, new)))

    def since(self, start_s: float) -> tuple[Sample, ...]:
        """The samples at or after `start_s`."""
        return self.samples[bisect_left(self.samples, (start_s, float("-inf"))) :]

    def newest_speed(self) -> tuple[float, float]:
        """Speed and step (pascal a second, pascal) against the newest sample at least half a second older."""
        newest_s, newest_pa = self.samples[-1]
        for sample_s, gauge_pa in reversed(self.samples[:-1]):
            if newest_s - sample_s >= _SPEED_OVER_S:
                return (newest_pa - gauge_pa) / (newest_s - sample_s), newest_pa - gauge_pa
        return 0.0, 0.0

    def fastest_rise_pa_s(self) -> float:
        """How far it has risen within the last second; slower samples: since the one before, by the second."""
        if len(self.samples) < _FEWEST_OF_A_STEP:
            return 0.0
        newest_s, newest_pa = self.samples[-1]
        before_s, before_pa = self.samples[-2]
        within = [pa for sample_s, pa in self.samples if newest_s - sample_s <= 1.0]
        step_pa_s = (newest_pa - before_pa) / max(newest_s - before_s, 1.0)
        return max(newest_pa - min(within), step_pa_s)

    def slope(self, span_s: float, *, not_before_s: float = float("-inf")) -> Slope | None:
        """Regression over the last `span_s` seconds, nothing before `not_before_s`; None with too little to go on."""
        return self.slope_since(max(self.samples[-1][0] - span_s, not_before_s)) if self.samples else None

    def slope_since(self, start_s: float) -> Slope | None:
        """Least-squares gradient from `start_s` on with its standard error; None for fewer than three samples."""
        first = bisect_left(self.samples, (start_s, float("-inf")))
        count = len(self.samples) - first
        if count < _MIN_POINTS:
            return None
        newest = self.sums[-1]
        before = self.sums[first - 1] if first else _without(self.sums[0], self.base, self.samples[0])
        sums = (
            newest[0] - before[0],
            newest[1] - before[1],
            newest[2] - before[2],
            newest[3] - before[3],
            newest[4] - before[4],
        )
        return _line(count, sums, self.samples[-1][0] - self.samples[first][0])


def _added(sums: _Sums, base: Sample, sample: Sample) -> _Sums:
    t, p = sample[0] - base[0], sample[1] - base[1]
    return (sums[0] + t, sums[1] + p, sums[2] + t * t, sums[3] + t * p, sums[4] + p * p)


def _without(sums: _Sums, base: Sample, sample: Sample) -> _Sums:
    t, p = sample[0] - base[0], sample[1] - base[1]
    return (sums[0] - t, sums[1] - p, sums[2] - t * t, sums[3] - t * p, sums[4] - p * p)


def _running(samples: Sequence[Sample]) -> tuple[_Sums, ...]:
    """The running sums of `samples`, counted from the first of them."""
    sums, total = [], _NOTHING
    for sample in samples:
        total = _added(total, samples[0], sample)
        sums.append(total)
    return tuple(sums)


def _line(count: int, sums: _Sums, span_s: float) -> Slope | None:
    sum_t, sum_p, sum_tt, sum_tp, sum_pp = sums
    s_tt = sum_tt - sum_t * sum_t / count
    if not s_tt > 0.0:
        return None
    s_tp = sum_tp - sum_t * sum_p / count
    gradient = s_tp / s_tt
    residual = max(0.0, sum_pp - sum_p * sum_p / count - gradient * s_tp)
    error = (residual / (count - 2) / s_tt) ** 0.5
    return Slope(pa_s=gradient, error_pa_s=error, span_s=span_s, points=count)


def slope_of(samples: Sequence[Sample]) -> Slope | None:
    """As `Curve.slope`, of `samples` that stand by themselves."""
    if len(samples) < _MIN_POINTS:
        return None
    return _line(len(samples), _running(samples)[-1], samples[-1][0] - samples[0][0])


def goes_on_rising(curve: Curve, start_s: float, *, least_pa_s: float, least_pa: float, for_s: float) -> bool:
    """True for a rise that has lasted, is steep enough over all of it and has not slackened in its second half.

    Args:
        curve: Up to now.
        start_s: Where the rise began.
        least_pa_s: How steep it must be, over all of it and in its second half.
        least_pa: How far it must have come.
        for_s: How long it must have lasted.
    """
    samples = curve.samples
    first = bisect_left(samples, (start_s, float("-inf")))
    if len(samples) - first < _FEWEST_OF_A_RISE or samples[-1][1] - samples[first][1] < _ENDS_SHARE * least_pa:
        return False  # the usual case, seen without a regression
    whole = curve.slope_since(start_s)
    if whole is None or whole.span_s < for_s:
        return False
    if whole.pa_s < max(least_pa_s, 4.0 * whole.error_pa_s) or whole.pa_s * whole.span_s < least_pa:
        return False
    second = curve.slope_since(samples[-1][0] - whole.span_s / 2.0)
    if second is None:
        return samples[-1][1] > samples[-2][1]
    return second.pa_s >= least_pa_s and second.pa_s > 2.0 * second.error_pa_s


def standing_level_pa(samples: Sequence[Sample], *, span_s: float, within_pa: float) -> float | None:
    """The median level when `samples` cover `span_s` and neither drift nor scatter beyond `within_pa`; else None."""
    if len(samples) < _MIN_POINTS or samples[-1][0] - samples[0][0] < 0.85 * span_s:
        return None
    levels = sorted(p for _, p in samples)
    if levels[-1] - levels[0] > within_pa:
        return None
    half = len(samples) // 2
    first = sum(p for _, p in samples[:half]) / half
    second = sum(p for _, p in samples[half:]) / (len(samples) - half)
    if abs(second - first) > within_pa / 4.0:
        return None
    return levels[len(levels) // 2]


def end_of_rise(samples: Sequence[Sample], *, within_pa: float = 0.15 * PA_PER_BAR) -> Sample:
    """The sample at which inflow ended: the knee of a rise, or the end of a plateau held by slow inflow.

    Args:
        samples: At least one, oldest first.
        within_pa: How near to the top counts as the top, so that noise does not move the knee.
    """
    smooth = [
        (samples[i][0], sorted(p for _, p in samples[max(0, i - 1) : i + 2])[min(1, len(samples) - 1)])
        for i in range(len(samples))
    ]
    top = max(p for _, p in smooth)
    near = [sample for sample in smooth if sample[1] >= top - within_pa]
    first_s = near[0][0]
    before = [sample for sample in samples if first_s - _KNEE_LOOKS_BACK_S <= sample[0] <= first_s]
    rise = slope_of(before)
    if rise is None or rise.pa_s <= _KNEE_SLOPE_PA_S:
        return near[-1]
    # Where the rise, led on, meets the level it came to: slow cooling keeps the gauge near its top for long.
    (at_s, at_pa), (_, level_pa) = _middle(before), _middle(near)
    knee_s = at_s + (level_pa - at_pa) / rise.pa_s
    return next((sample for sample in near if sample[0] >= knee_s), near[-1])


def _middle(samples: Sequence[Sample]) -> Sample:
    return sum(s for s, _ in samples) / len(samples), sum(p for _, p in samples) / len(samples)
