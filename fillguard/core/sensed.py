"""What a sensor beside the gauge last said, and whether it still speaks: bank, oxygen, loop current, valve, heat."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from fillguard.core.events import Doubt, Quality, Quantity, Reading
from fillguard.core.values import Stamp

SILENT_AFTER_S = 60.0
"""A sensor that nobody said more of is silent after a minute, or three of its own periods (our choice)."""
_PERIODS = 3.0
_INTERVALS_KEPT = 5
OPEN_FROM = 0.05
"""A panel valve counts as open from a twentieth of its way (our choice: position sensors are not exact at the stop)."""
NO_NEWS = frozenset({Doubt.RETAINED, Doubt.LATE, Doubt.DUPLICATE})
"""A stored message may be days old."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensed:
    """One sensor: gauge pascal, fraction, ampere or kelvin."""

    source: str
    value: float
    since_s: float
    """Sample time since when it has been on this side: a valve shut or open."""
    sample_s: float
    arrived_mono_s: float
    intervals_s: tuple[float, ...] = ()
    """Between its last readings, by arrival."""
    of_station: bool = False
    """It speaks for every whip that has none of its own."""

    def speaks(self, now: Stamp, silent_after_s: float | None) -> bool:
        """False when it has been silent for too long; `silent_after_s`: as configured."""
        return self.silent_s(now) <= max(silent_after_s or SILENT_AFTER_S, _PERIODS * self._period_s)

    def silent_s(self, now: Stamp) -> float:
        """For how long nothing usable has come."""
        return now.mono_s - self.arrived_mono_s

    @property
    def is_open(self) -> bool:
        """Of a valve: gas may pass."""
        return self.value >= OPEN_FROM

    @property
    def _period_s(self) -> float:
        return sorted(self.intervals_s)[len(self.intervals_s) // 2] if self.intervals_s else 0.0


def is_news(reading: Reading) -> bool:
    """True for a reading that says how it is now."""
    return reading.doubt not in NO_NEWS


def is_usable(reading: Reading) -> bool:
    """True for a reading whose value counts."""
    finite = isfinite(reading.value) and isfinite(reading.sample_s)
    return finite and is_news(reading) and reading.quality is not Quality.BAD


def sensed_after(before: Sensed | None, reading: Reading) -> Sensed:
    """The sensor after one more usable reading."""
    intervals: tuple[float, ...] = ()
    since_s = reading.sample_s
    if before is not None and before.source == reading.source:
        intervals = (*before.intervals_s, reading.stamp.mono_s - before.arrived_mono_s)[-_INTERVALS_KEPT:]
        since_s = before.since_s if before.is_open == (reading.value >= OPEN_FROM) else reading.sample_s
    return Sensed(
        source=reading.source,
        value=reading.value,
        since_s=since_s,
        sample_s=reading.sample_s,
        arrived_mono_s=reading.stamp.mono_s,
        intervals_s=intervals,
        of_station=reading.whip is None,
    )


Sensors = Mapping[Quantity, Sensed]
"""The newest word of each kind of sensor of one whip, or of the station."""
