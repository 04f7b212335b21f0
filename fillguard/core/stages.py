"""Stages of a partial-pressure fill: what was asked for, what came of each, and what should be in it now."""

from dataclasses import dataclass

from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import GasMix

SAME_MIX = 0.0005
"""Mixes are told apart to a tenth of a per cent."""

_REACHED_WITHIN_PA, _REACHED_SHARE = 2.0 * PA_PER_BAR, 0.04
"""A stage that settles this near to its target is done: what flows next is the next gas (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of a partial-pressure fill: which gas is let in, and where the WHOLE contents are then to stand."""

    gas: GasMix
    target_gauge_pa: float
    """Settled, of the whole contents, at the cylinder's reference temperature."""
    whip: str
    """Where this stage is filled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The fraction of one gas in the contents, 0 to 1, with its interval of 90 %."""

    best: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """What should be in it. Never a reason not to analyse."""

    o2: Part
    he: Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A settled gauge pressure with its 90 % interval, pascal."""

    gauge_pa: float
    low_gauge_pa: float
    high_gauge_pa: float

    @property
    def half_pa(self) -> float:
        """The wider half of the interval."""
        return max(self.high_gauge_pa - self.gauge_pa, self.gauge_pa - self.low_gauge_pa)


@dataclass(frozen=True, slots=True, kw_only=True)
class StageDone:
    """One stage that is over: what came of it."""

    stage: Stage
    settled: Settled | None
    """The whole contents after it; None where nobody could see them."""
    reached: bool
    """It settles within reach of its target."""
    predicted: Prediction | None
    """What should be in it after this stage."""


def is_near(settled_pa: float, target_pa: float) -> bool:
    """True when contents that settle there have reached the target, as far as that can be told apart."""
    return settled_pa >= target_pa - max(_REACHED_WITHIN_PA, _REACHED_SHARE * target_pa)


def prediction_text(seen: Prediction) -> str:
    """As people are to read it: never a figure without its interval, never without what it does not replace."""
    text = f"predicted O2 {_percent(seen.o2)}"
    if seen.he.high >= SAME_MIX:
        text += f", He {_percent(seen.he)}"
    return f"{text}: analyse before use"


def _percent(part: Part) -> str:
    return f"{part.best * 100:.1f} % ({part.low * 100:.1f} to {part.high * 100:.1f})"
