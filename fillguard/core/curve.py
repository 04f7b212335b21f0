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
_MIN_POINTS = 3
_KNEE_POINTS = 30
_KNEE_SLOPE_PA_S = 1.0 * PA_PER_BAR / 60.0

Sample = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """A straight line through samples: its gradient, the gradient's standard error and what it rests on."""

    pa_s: float
    error_pa_s: float
    span_s: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """The recent past of one gauge, oldest first, thinned to five samples a second."""

    samples: tuple[Sample, ...] = ()

    def after(self, sample_s: float, gauge_pa: float) -> "Curve":
        """The curve with one more sample; a sample not later than the newest changes nothing."""
        samples = self.samples
        if samples and sample_s <= samples[-1][0]:
            return self
        if len(samples) > 1 and sample_s - samples[-2][0] < _SPACING_S:
            samples = samples[:-1]
        first = bisect_left(samples, (sample_s - KEPT_S, 0.0))
        return Curve(samples=(*samples[first:], (sample_s, gauge_pa)))

    def since(self, start_s: float) -> tuple[Sample, ...]:
        """The samples at or after `start_s`."""
        return self.samples[bisect_left(self.samples, (start_s, float("-inf"))) :]

    def last(self, span_s: float) -> tuple[Sample, ...]:
        """The samples of the last `span_s` seconds."""
        return self.since(self.samples[-1][0] - span_s) if self.samples else ()

    def slope(self, span_s: float, *, not_before_s: float = float("-inf")) -> Slope | None:
        """Regression over the last `span_s` seconds, nothing before `not_before_s`; None with too little to go on."""
        if not self.samples:
            return None
        return slope_of(self.since(max(self.samples[-1][0] - span_s, not_before_s)))


def slope_of(samples: Sequence[Sample]) -> Slope | None:
    """Least-squares gradient of `samples` with its standard error; None for fewer than three or no span."""
    count = len(samples)
    if count < _MIN_POINTS:
        return None
    t0, p0 = samples[0]
    sum_t = sum_p = sum_tt = sum_tp = sum_pp = 0.0
    for sample_s, gauge_pa in samples:
        t = sample_s - t0
        p = gauge_pa - p0
        sum_t += t
        sum_p += p
        sum_tt += t * t
        sum_tp += t * p
        sum_pp += p * p
    s_tt = sum_tt - sum_t * sum_t / count
    if s_tt <= 0.0:
        return None
    s_tp = sum_tp - sum_t * sum_p / count
    gradient = s_tp / s_tt
    residual = max(0.0, sum_pp - sum_p * sum_p / count - gradient * s_tp)
    error = (residual / (count - 2) / s_tt) ** 0.5
    return Slope(pa_s=gradient, error_pa_s=error, span_s=samples[-1][0] - t0, points=count)


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
    before = slope_of([sample for sample in samples if sample[0] <= near[0][0]][-_KNEE_POINTS:])
    rose = before is not None and before.pa_s > _KNEE_SLOPE_PA_S
    return near[(len(near) - 1) // 3] if rose else near[-1]
