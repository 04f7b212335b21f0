"""How far a reading may be trusted, judged per channel: seen before, too late, too old, of a clock that was set.

One channel is one topic. Nothing is thrown away here: a doubtful reading is passed on with its doubt, for the record.
"""

import math
from dataclasses import dataclass

from fillguard.core.events import Doubt, Quality, Reading
from fillguard.core.units import quantised_time_s
from fillguard.core.values import Stamp
from fillguard.intake.formats import Measured
from fillguard.intake.timing import SourceClock
from fillguard.ports import RawMessage

REMEMBERED = 512
"""Readings of one channel that are recognised when they come again; a broker repeats at most what is in flight (64)."""

QUALITY: dict[Doubt | None, Quality] = {
    None: Quality.GOOD,
    Doubt.RETAINED: Quality.UNCERTAIN,
    Doubt.LATE: Quality.UNCERTAIN,
    Doubt.STALE: Quality.UNCERTAIN,
    Doubt.SKEWED: Quality.UNCERTAIN,
    Doubt.DUPLICATE: Quality.BAD,
    Doubt.OUT_OF_RANGE: Quality.BAD,
    Doubt.LOOP_FAULT: Quality.BAD,
}
_NOT_ACCEPTED = frozenset({Doubt.DUPLICATE, Doubt.RETAINED, Doubt.LATE})

Identity = tuple[str | int | float, float]


@dataclass(frozen=True, slots=True)
class Grade:
    """When a sample was taken (receiver's UTC) and why it is not simply good."""

    sample_s: float
    doubt: Doubt | None


class Channel:
    """What is known of one sensor's stream of readings. Memory: bounded, see `REMEMBERED`."""

    def __init__(self) -> None:
        self._clock = SourceClock()
        self._newest_mono_s = -math.inf
        self._seen: dict[Identity, None] = {}
        self._seq: int | None = None
        self.missed = 0
        """Sequence numbers that never came."""

    def grade(
        self, measured: Measured, message: RawMessage, *, value: float, in_range: bool, live_for_s: float
    ) -> Grade:
        """Judge one reading and remember it. `value` is SI and quantised."""
        arrived = message.arrived
        identity = _identity(measured, value)
        if identity in self._seen or (identity is None and message.duplicate):
            if measured.device_s is not None:
                self._clock.watch(measured.device_s, arrived.mono_s)
            return Grade(self._sample_utc_s(measured, arrived), Doubt.DUPLICATE)
        if message.retained:
            return Grade(self._sample_utc_s(measured, arrived), Doubt.RETAINED)
        self._keep(identity)
        if measured.historical:
            return Grade(self._sample_utc_s(measured, arrived), Doubt.LATE)
        device_s = measured.device_s
        age_s = measured.age_s or 0.0 if device_s is None else self._clock.age_s(device_s, arrived.mono_s)
        doubt = self._doubt(age_s, arrived, in_range=in_range, live_for_s=live_for_s)
        if doubt not in _NOT_ACCEPTED:
            self._newest_mono_s = quantised_time_s(arrived.mono_s - (age_s or 0.0))
            self._count_missed(measured.seq)
        return Grade(quantised_time_s(arrived.utc_s - (age_s or 0.0)), doubt)

    def remember(self, reading: Reading, now: Stamp) -> None:
        """Take over a recorded reading after a restart; what follows is judged as before."""
        device_s = reading.device_s
        measured = Measured(reading.value, "", device_s, reading.seq, reading.boot)
        if reading.doubt is not Doubt.RETAINED:
            self._keep(_identity(measured, reading.value))
        if reading.doubt in _NOT_ACCEPTED:
            return
        self._seq = reading.seq
        sample_mono_s = now.mono_s - (now.utc_s - reading.sample_s)
        self._newest_mono_s = max(self._newest_mono_s, quantised_time_s(sample_mono_s))
        if device_s is not None and reading.doubt is not Doubt.SKEWED:
            self._clock.note(sample_mono_s - device_s, now.mono_s)

    def _doubt(self, age_s: float | None, arrived: Stamp, *, in_range: bool, live_for_s: float) -> Doubt | None:
        if quantised_time_s(arrived.mono_s - (age_s or 0.0)) <= self._newest_mono_s:
            return Doubt.LATE
        if not in_range:
            return Doubt.OUT_OF_RANGE
        if age_s is None:
            return Doubt.SKEWED
        return Doubt.STALE if age_s > live_for_s else None

    def _count_missed(self, seq: int | None) -> None:
        if seq is not None:
            self.missed += max(0, seq - self._seq - 1) if self._seq is not None else 0
            self._seq = seq

    def _keep(self, identity: Identity | None) -> None:
        if identity is None:
            return
        self._seen[identity] = None
        if len(self._seen) > REMEMBERED:
            del self._seen[next(iter(self._seen))]

    def _sample_utc_s(self, measured: Measured, arrived: Stamp) -> float:
        """The sample's time by what is known of its clock, which learns nothing from a repeated or stored message."""
        device_s = measured.device_s
        if device_s is None:
            return quantised_time_s(arrived.utc_s - (measured.age_s or 0.0))
        age_s = self._clock.known_age_s(device_s, arrived.mono_s)
        return quantised_time_s(min(arrived.utc_s, device_s) if age_s is None else arrived.utc_s - age_s)


def _identity(measured: Measured, value: float) -> Identity | None:
    """What makes a reading recognisable when it comes again; None when only the wire's repeat flag tells."""
    if measured.seq is not None and measured.boot is not None:
        return (measured.boot, measured.seq)
    return None if measured.device_s is None else (measured.device_s, value)
