"""The only reader of the clocks: UTC anchored to the monotonic clock, and a faster one for drills.

Stamps are on the 1 ms grid that core, ledger and capture share.
"""

import ctypes
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Self

from fillguard.core.errors import ConfigurationError
from fillguard.core.units import quantised_time_s
from fillguard.core.values import Stamp
from fillguard.ports import ClockStatus

DRILL_CLOCK_VARIABLE = "FILLGUARD_DRILL_CLOCK"
"""Environment variable that hands one scaled clock to simulator and daemon: `E,M,k`."""
FASTEST = 1000.0

_wall: Callable[[], float] = time.time  # noqa: TID251 - this module is the reader
monotonic_s: Callable[[], float] = time.monotonic  # noqa: TID251 - this module is the reader
"""Real seconds of the monotonic clock: for deadlines that a drill must not shorten."""


class SystemClock:
    """UTC as it was at the start, carried on by the monotonic clock: time never jumps unless somebody re-anchors it."""

    def __init__(self, wall: Callable[[], float] = _wall, monotonic: Callable[[], float] = monotonic_s) -> None:
        self._wall = wall
        self._monotonic = monotonic
        self._offset_s = quantised_time_s(self._wall_ahead_s())

    def now(self) -> Stamp:
        """Both clocks, read together once, to the millisecond; between two anchors they differ by a constant."""
        mono_s = quantised_time_s(self._monotonic())
        return Stamp(mono_s=mono_s, utc_s=quantised_time_s(mono_s + self._offset_s))

    def real_seconds(self, seconds: float) -> float:
        """`seconds`: this clock runs as fast as the world."""
        return seconds

    def drift_s(self) -> float:
        """How far the wall clock has moved ahead of the anchored one (negative: behind) since the anchor was set."""
        return self._wall_ahead_s() - self._offset_s

    def reanchor(self) -> float:
        """Follow the wall clock from here on; returns by how many seconds UTC stepped."""
        by_s = quantised_time_s(self.drift_s())
        self._offset_s += by_s
        return by_s

    def _wall_ahead_s(self) -> float:
        """Wall minus monotonic, the latter taken on both sides so that a pause in between halves its error."""
        before_s = self._monotonic()
        wall_s = self._wall()
        return wall_s - (before_s + self._monotonic()) / 2.0


@dataclass(frozen=True, slots=True)
class ScaledClock:
    """A drill's clock: `epoch_utc_s` + `speed` x (monotonic clock - `real_mono_s`), the same in every process.

    Raises ConfigurationError for a speed outside 0 to 1000 or a time that is not a finite number.
    """

    epoch_utc_s: float
    real_mono_s: float
    speed: float
    monotonic: Callable[[], float] = monotonic_s

    def __post_init__(self) -> None:
        if not (math.isfinite(self.epoch_utc_s) and math.isfinite(self.real_mono_s)):
            raise ConfigurationError(
                f"drill clock starts at {self.epoch_utc_s!r} s, {self.real_mono_s!r} s: give finite numbers of seconds"
            )
        if not 0.0 < self.speed <= FASTEST:
            raise ConfigurationError(f"drill clock speed {self.speed!r}: allowed is more than 0, up to {FASTEST:g}")

    @classmethod
    def parse(cls, text: str) -> Self:
        """The clock that `variable` wrote, `E,M,k`: Unix seconds, seconds of the monotonic clock, speed."""
        try:
            epoch_utc_s, real_mono_s, speed = (float(part) for part in text.split(","))
        except ValueError:
            raise ConfigurationError(
                f"{DRILL_CLOCK_VARIABLE}={text!r}: write three numbers with commas, such as 1795558185.0,8123.5,20 "
                "(Unix seconds, seconds of the monotonic clock, speed)"
            ) from None
        return cls(epoch_utc_s, real_mono_s, speed)

    @classmethod
    def ending_now(cls, lasting_s: float, speed: float) -> Self:
        """A clock on which a scenario of `lasting_s` starts now and ends when the world's time says so too."""
        now = SystemClock().now()
        started = cls(now.utc_s, now.mono_s, speed)
        return cls(now.utc_s + started.real_seconds(lasting_s) - lasting_s, now.mono_s, speed)

    @property
    def variable(self) -> str:
        """This clock as the value of the environment variable; `parse` reads it back exactly."""
        return f"{self.epoch_utc_s!r},{self.real_mono_s!r},{self.speed!r}"

    def now(self) -> Stamp:
        """Both clocks on the drill's scale; `mono_s` counts from the drill's start."""
        mono_s = quantised_time_s(self.speed * (self.monotonic() - self.real_mono_s))
        return Stamp(mono_s=mono_s, utc_s=quantised_time_s(quantised_time_s(self.epoch_utc_s) + mono_s))

    def real_seconds(self, seconds: float) -> float:
        """How long `seconds` of the drill take in the world."""
        return seconds / self.speed

    def drift_s(self) -> float:
        """Nothing: a drill does not follow the wall clock."""
        return 0.0

    def reanchor(self) -> float:
        """Nothing to follow: UTC steps by 0 s."""
        return 0.0


def drill_clock(environment: Mapping[str, str]) -> ScaledClock | None:
    """The drill's clock when the environment carries one."""
    text = environment.get(DRILL_CLOCK_VARIABLE)
    return ScaledClock.parse(text) if text else None


class _Timex(ctypes.Structure):
    """`struct timex` of Linux (adjtimex(2)), as far as it is read; the rest is room."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("room", ctypes.c_byte * 512),
    )


_UNSYNCHRONISED, _CLOCK_ERROR = 0x0040, 5
"""STA_UNSYNC and TIME_ERROR (adjtimex(2))."""


def clock_status() -> ClockStatus:
    """Ask the kernel; nothing is changed. Never raises."""
    timex = _Timex()
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError):
        return ClockStatus(synchronised=None)
    if state < 0:
        return ClockStatus(synchronised=None)
    synchronised = state != _CLOCK_ERROR and not timex.status & _UNSYNCHRONISED
    return ClockStatus(synchronised=synchronised, off_at_most_s=timex.maxerror / 1e6 if synchronised else None)
