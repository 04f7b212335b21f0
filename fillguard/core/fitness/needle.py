"""The panel's own needle beside fillguard's sensor: what it shows where the sensor shows so much."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fillguard.core.errors import ConfigurationError
from fillguard.core.units import PA_PER_BAR

FEWEST_PAIRS = 3
_FURTHEST_APART = 0.1
"""A needle that is off by more of its range is broken, not compared (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needle:
    """One comparison of a needle with the sensor of its whip. Gauge pascal."""

    whip: str
    dated: str
    """ISO 8601."""
    pairs: tuple[tuple[float, float], ...]
    """(sensor, needle), rising."""
    class_percent: float
    """Largest error by its dial, in per cent of its range."""
    range_pa: float

    def __post_init__(self) -> None:
        if len(self.pairs) < FEWEST_PAIRS:
            raise ConfigurationError(f"needle of whip {self.whip}: {len(self.pairs)} pairs; compare at three pressures")
        sensors = [sensor for sensor, _ in self.pairs]
        if sorted(set(sensors)) != sensors:
            raise ConfigurationError(f"needle of whip {self.whip}: give the pairs in rising order, none of them twice")
        for sensor, needle in self.pairs:
            if not (math.isfinite(needle) and abs(needle - sensor) <= _FURTHEST_APART * self.range_pa):
                raise ConfigurationError(
                    f"needle of whip {self.whip}: {needle / PA_PER_BAR:.0f} bar where the sensor shows "
                    f"{sensor / PA_PER_BAR:.0f}: one of them is broken, use neither"
                )

    @property
    def error_pa(self) -> float:
        """What its class allows it to be off, either way."""
        return self.class_percent / 100.0 * self.range_pa

    def shows_pa(self, sensor_pa: float) -> float:
        """What it shows where the sensor shows `sensor_pa`: the difference between two pairs is led over in a line."""
        before = self.pairs[0]
        for after in self.pairs:
            if sensor_pa <= after[0]:
                return sensor_pa + _between(before, after, sensor_pa)
            before = after
        return sensor_pa + before[1] - before[0]


def _between(before: tuple[float, float], after: tuple[float, float], sensor_pa: float) -> float:
    low, high = before[1] - before[0], after[1] - after[0]
    if after[0] <= before[0]:
        return high
    share = max(0.0, (sensor_pa - before[0]) / (after[0] - before[0]))
    return low + share * (high - low)


def read_pairs(said: Sequence[str]) -> tuple[tuple[float, float], ...]:
    """`50=52` and the like, bar gauge: what the sensor shows, what the needle shows. Raises ConfigurationError."""
    pairs = []
    for text in said:
        sensor, equals, needle = text.partition("=")
        try:
            pairs.append((float(sensor) * PA_PER_BAR, float(needle) * PA_PER_BAR))
        except ValueError:
            equals = ""
        if not equals:
            raise ConfigurationError(f"pair {text!r}: write sensor=needle in bar, as in 150=153")
    return tuple(sorted(pairs))
