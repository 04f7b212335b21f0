"""Gas that runs back out of a standing cylinder into a lower bank: the gauge falls, and ever more slowly.

A bleed to the open air takes the same share of the pressure every second until nothing is left (choked flow). Flow into
a bank slackens while there is still plenty of pressure, and stands where the two are level. SI, gauge pascal.
"""

from typing import NamedTuple

from fillguard.core.units import PA_PER_BAR

_EVERY_S = 1.0
OVER_S = 20.0
"""The slope that is judged is one over so long: noise makes none of it."""
_BEGINS_PA_S = 4.0 * PA_PER_BAR / 60.0
"""Faster than a cylinder cools once it stands."""
_FELL_PA = 2.0 * PA_PER_BAR
_LEAST_S = 30.0
_SLACKENED = 0.5
_HIGH_PA = 15.0 * PA_PER_BAR
_LEFT_SHARE = 0.3


class Ebb(NamedTuple):
    """A fall from a standing level."""

    from_pa: float
    began_s: float
    seen_s: float
    seen_pa: float
    share_s: float = 0.0
    """Share of the pressure lost a second, now."""
    fastest_share_s: float = 0.0
    told: bool = False

    @property
    def fell_pa(self) -> float:
        """How far it has fallen."""
        return self.from_pa - self.seen_pa


def standing(sample_s: float, gauge_pa: float) -> Ebb:
    """The gauge stands, nothing flows."""
    return Ebb(gauge_pa, sample_s, sample_s, gauge_pa)


def ebbing(old: Ebb, sample_s: float, gauge_pa: float, slope_pa_s: float) -> Ebb:
    """The fall after one more reading; begins anew while the gauge stands or rises."""
    if sample_s - old.seen_s < _EVERY_S:
        return old
    begun = old.fastest_share_s > 0.0
    if slope_pa_s > (0.0 if begun else -_BEGINS_PA_S):
        return old if old.told else standing(sample_s, gauge_pa)
    share_s = -slope_pa_s / max(gauge_pa, PA_PER_BAR)
    new = old._replace(
        seen_s=sample_s, seen_pa=gauge_pa, share_s=share_s, fastest_share_s=max(share_s, old.fastest_share_s)
    )
    return new._replace(told=old.told or _slackens(new))


def _slackens(ebb: Ebb) -> bool:
    return (
        ebb.seen_s - ebb.began_s >= _LEAST_S
        and ebb.fell_pa >= _FELL_PA
        and ebb.seen_pa >= max(_HIGH_PA, _LEFT_SHARE * ebb.from_pa)
        and ebb.share_s < _SLACKENED * ebb.fastest_share_s
    )
