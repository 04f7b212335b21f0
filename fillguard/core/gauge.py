"""Is a pressure reading to be believed, and does the sensor still measure? Pressures gauge pascal."""

from dataclasses import dataclass, field, replace

from fillguard.core.events import Doubt, Quality, Reading
from fillguard.core.units import PA_PER_BAR

_JUMP_PA = 25.0 * PA_PER_BAR
_JUMP_PA_S = 100.0 * PA_PER_BAR
_TRUE_IN_A_ROW = 3
_STUCK_S = 10.0
_STUCK_COUNT = 8
_STUCK_RESOLUTION_PA = 0.25 * PA_PER_BAR
_STUCK_RATE_PA_S = 5.0 * PA_PER_BAR / 60.0
_PERIOD_SHARE = 0.1
_UNUSED = frozenset({Doubt.LATE, Doubt.RETAINED, Doubt.DUPLICATE, Doubt.SKEWED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """The pressure channel of a whip: when it spoke, how often it does, what it last said."""

    gauge_pa: float | None = None
    sample_s: float = float("-inf")
    """Of the newest accepted reading."""
    arrived_mono_s: float | None = None
    """When something new and usable last arrived; late, doubtful and bad readings do not count."""
    period_s: float | None = None
    doubted_pa: tuple[float, ...] = field(default=())
    """Implausible values in a row, newest last."""
    same_since_s: float = 0.0
    same_count: int = 0
    finest_step_pa: float | None = None
    """Smallest change seen: the channel's resolution or its noise, whichever is larger."""

    def stuck(self, rate_before_pa_s: float | None) -> bool:
        """True when one value repeats although gas was flowing: impossible for a sensor that resolves its own noise."""
        return (
            self.same_count >= _STUCK_COUNT
            and self.sample_s - self.same_since_s >= _STUCK_S
            and self.finest_step_pa is not None
            and self.finest_step_pa <= _STUCK_RESOLUTION_PA
            and rate_before_pa_s is not None
            and rate_before_pa_s > _STUCK_RATE_PA_S
        )


def judged(gauge: Gauge, reading: Reading) -> tuple[Gauge, Doubt | None, bool]:
    """The channel after `reading`, a new doubt about it (None: as graded by the intake), and whether to use it.

    An implausible leap is not used until three readings in a row agree on the new level: then it is true. What was
    withheld is recorded all the same.
    """
    if reading.quality is Quality.BAD or reading.doubt in _UNUSED:
        return gauge, None, False
    if reading.sample_s <= gauge.sample_s:
        return gauge, Doubt.LATE, False
    if gauge.gauge_pa is not None and _implausible(gauge, reading):
        row = (*gauge.doubted_pa, reading.value)
        agreeing = all(abs(value - reading.value) <= _JUMP_PA for value in row)
        if len(row) < _TRUE_IN_A_ROW or not agreeing:
            return replace(gauge, doubted_pa=row[-_TRUE_IN_A_ROW:]), Doubt.IMPLAUSIBLE_JUMP, False
    return _accepted(gauge, reading), None, True


def _implausible(gauge: Gauge, reading: Reading) -> bool:
    step = abs(reading.value - (gauge.gauge_pa or 0.0))
    return step > _JUMP_PA and step > _JUMP_PA_S * (reading.sample_s - gauge.sample_s)


def _accepted(gauge: Gauge, reading: Reading) -> Gauge:
    step = None if gauge.gauge_pa is None else abs(reading.value - gauge.gauge_pa)
    same = step is not None and step < 1.0
    finest = gauge.finest_step_pa
    if step is not None and not same:
        finest = step if finest is None else min(finest, step)
    since = reading.sample_s - gauge.sample_s
    period = gauge.period_s
    if since < float("inf"):
        period = since if period is None else period + _PERIOD_SHARE * (since - period)
    return Gauge(
        gauge_pa=reading.value,
        sample_s=reading.sample_s,
        arrived_mono_s=reading.stamp.mono_s,
        period_s=period,
        same_since_s=gauge.same_since_s if same else reading.sample_s,
        same_count=gauge.same_count + 1 if same else 0,
        finest_step_pa=finest,
    )
