"""Small stand-ins for the world: each behaves like the real thing, without the world."""

from dataclasses import dataclass

from fillguard.core.values import Stamp


@dataclass(slots=True)
class FakeClock:
    """A clock that stands still until it is told to go on; `speed` is how much faster than the world it runs."""

    utc_s: float = 1_795_558_185.0
    mono_s: float = 1_000.0
    speed: float = 1.0

    def now(self) -> Stamp:
        return Stamp(mono_s=self.mono_s, utc_s=self.utc_s)

    def real_seconds(self, seconds: float) -> float:
        return seconds / self.speed

    def advance(self, seconds: float) -> Stamp:
        """Let `seconds` pass; returns the new moment."""
        self.mono_s += seconds
        self.utc_s += seconds
        return self.now()
