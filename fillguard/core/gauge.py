"""Is a pressure reading to be believed, and does the sensor still measure? Pressures gauge pascal."""

from dataclasses import dataclass, replace
from math import isfinite

from fillguard.core.events import Doubt, Quality, Reading
from fillguard.core.units import PA_PER_BAR

_JUMP_PA = 25.0 * PA_PER_BAR
_JUMP_PA_S = 100.0 * PA_PER_BAR
_TRUE_IN_A_ROW = 3
_STUCK_S = 10.0
_STUCK_COUNT = 8
_STUCK_RUNS = 3.0
_SMALL_STEPS = 3.0
_ABOVE_ZERO_PA = 2.0 * PA_PER_BAR
"""A bled whip may read the same for hours and says nothing about the sensor."""
_STUCK_RESOLUTION_PA = 0.25 * PA_PER_BAR
_STUCK_RATE_PA_S = 5.0 * PA_PER_BAR / 60.0
_SAME_PA = 1.0
_INTERVALS_KEPT = 5
_CHANGES_DIFFER_BY = 1.954
"""Mean difference of two neighbouring changes over the noise's standard deviation: sqrt(6) times sqrt(2/pi)."""
_NOISE_SHARE = 0.05
_NOISE_CLIP = 4.0
_LEAST_NOISE_PA = 0.01 * PA_PER_BAR
_OLDEST_S = 86_400.0
"""A sample older than a day, or from the future, has no time that means anything."""
_AHEAD_S = 1.0
_LARGEST_PA = 2000.0 * PA_PER_BAR
"""Beyond anything a gauge of this trade measures."""
_UNUSED = frozenset({Doubt.LATE, Doubt.RETAINED, Doubt.DUPLICATE, Doubt.SKEWED})
_SPEAKS_NO_MORE = frozenset({Doubt.OUT_OF_RANGE, Doubt.LOOP_FAULT, Doubt.STALE})


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """The pressure channel of a whip: when it spoke, how often it does, what it last said."""

    gauge_pa: float | None = None
    sample_s: float = float("-inf")
    """Of the newest accepted reading."""
    arrived_mono_s: float | None = None
    """When something new, usable and live last arrived; late, stale, doubtful and bad readings do not count."""
    refused: Doubt | None = None
    """Why what came since cannot be lived on: out of range, a fault in its loop, stale; None when nothing came."""
    intervals_s: tuple[float, ...] = ()
    """Between the last accepted samples."""
    doubted_pa: tuple[float, ...] = ()
    """Implausible values in a row, newest last."""
    same_since_s: float = 0.0
    same_count: int = 0
    finest_step_pa: float | None = None
    """Smallest change seen: the channel's resolution or its noise, whichever is larger."""
    step_pa: float = 0.0
    """The newest change."""
    noise_pa: float = 0.1 * PA_PER_BAR
    """Standard deviation of the sensor's noise, by how its changes differ from each other; begins with a usual one."""
    longest_run_s: float = 0.0
    """How long one value has repeated before the gauge moved on by a small step: a coarse, quiet sensor does that."""

    @property
    def period_s(self) -> float:
        """The usual time between two readings, one long gap left out of account; 0 before anything is known."""
        return sorted(self.intervals_s)[len(self.intervals_s) // 2] if self.intervals_s else 0.0

    def stuck(self, rate_before_pa_s: float | None) -> bool:
        """True when one value repeats although gas was flowing: impossible for a sensor that resolves its own noise."""
        return (
            self.same_count >= _STUCK_COUNT
            and self.sample_s - self.same_since_s >= max(_STUCK_S, _STUCK_RUNS * self.longest_run_s)
            and self.finest_step_pa is not None
            and self.finest_step_pa <= _STUCK_RESOLUTION_PA
            and rate_before_pa_s is not None
            and rate_before_pa_s > _STUCK_RATE_PA_S
        )


def judged(gauge: Gauge, reading: Reading) -> tuple[Gauge, Doubt | None, bool]:
    """The channel after `reading`, a new doubt about it (None: as graded by the intake), and whether to use it.

    An implausible leap is not used until three readings in a row agree on it: then it is true. What was
    withheld is recorded all the same.
    """
    if reading.quality is Quality.BAD or reading.doubt in _UNUSED:
        return _refused(gauge, reading.doubt), None, False
    if not (isfinite(reading.value) and abs(reading.value) <= _LARGEST_PA):
        return _refused(gauge, Doubt.OUT_OF_RANGE), Doubt.OUT_OF_RANGE, False
    if not -_AHEAD_S <= reading.stamp.utc_s - reading.sample_s <= _OLDEST_S:
        return gauge, Doubt.SKEWED, False
    if reading.sample_s <= gauge.sample_s:
        return gauge, Doubt.LATE, False
    if gauge.gauge_pa is not None and _implausible(gauge.gauge_pa, gauge.sample_s, reading):
        row = (*gauge.doubted_pa, reading.value)
        if len(row) < _TRUE_IN_A_ROW or not _agree(gauge.gauge_pa, row):
            return replace(gauge, doubted_pa=row[-_TRUE_IN_A_ROW + 1 :]), Doubt.IMPLAUSIBLE_JUMP, False
    return _accepted(gauge, reading), None, True


def _agree(believed_pa: float, row: tuple[float, ...]) -> bool:
    """True when all stand on one new level, or lead to it step by step as a collapse does."""
    away = [abs(value - believed_pa) for value in row]
    one_side = len({value > believed_pa for value in row}) == 1
    return all(abs(value - row[-1]) <= _JUMP_PA for value in row) or (one_side and away == sorted(away))


def _refused(gauge: Gauge, why: Doubt | None) -> Gauge:
    return replace(gauge, refused=why) if why in _SPEAKS_NO_MORE and why is not gauge.refused else gauge


def _implausible(before_pa: float, before_s: float, reading: Reading) -> bool:
    step = abs(reading.value - before_pa)
    return step > _JUMP_PA and step > _JUMP_PA_S * (reading.sample_s - before_s)


def _accepted(gauge: Gauge, reading: Reading) -> Gauge:
    first = gauge.gauge_pa is None
    since_s = 0.0 if first else reading.sample_s - gauge.sample_s
    change = reading.value - (reading.value if gauge.gauge_pa is None else gauge.gauge_pa)
    step = abs(change)
    same = not first and step < _SAME_PA
    finest, longest = gauge.finest_step_pa, gauge.longest_run_s
    if not (first or same):
        finest = step if finest is None else min(finest, step)
        if step <= _SMALL_STEPS * finest and reading.value > _ABOVE_ZERO_PA:
            longest = max(longest, gauge.sample_s - gauge.same_since_s)
    stale = reading.doubt is Doubt.STALE
    return Gauge(
        gauge_pa=reading.value,
        sample_s=reading.sample_s,
        arrived_mono_s=gauge.arrived_mono_s if stale else reading.stamp.mono_s,
        refused=Doubt.STALE if stale else None,
        intervals_s=gauge.intervals_s if first else (*gauge.intervals_s, since_s)[-_INTERVALS_KEPT:],
        same_since_s=gauge.same_since_s if same else reading.sample_s,
        same_count=gauge.same_count + 1 if same else 0,
        finest_step_pa=finest,
        step_pa=change,
        noise_pa=_noise_pa(gauge.noise_pa, abs(change - gauge.step_pa)),
        longest_run_s=longest,
    )


def _noise_pa(noise_pa: float, differs_pa: float) -> float:
    """Led by how two changes differ, which no steady rise adds to; a kink or a leap counts little."""
    seen = min(differs_pa / _CHANGES_DIFFER_BY, _NOISE_CLIP * noise_pa + _LEAST_NOISE_PA)
    return noise_pa + _NOISE_SHARE * (seen - noise_pa)
