"""How warm a cylinder still is from its last fill: kept for the last ones, and cooled forward to when one comes back.

A steel cylinder that was filled in ten minutes hangs 18 K above the shop, 14 K after ten minutes more, 7 K after forty:
taken for cold, its top-up would settle several bar below what is projected. Temperatures kelvin, pressures gauge.
"""

from collections.abc import Iterable, Sequence
from math import exp, hypot

from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState
from fillguard.core.events import FillEnded, FillStarted, OutEvent
from fillguard.core.gas import CV_AIR_J_KG_K
from fillguard.core.heat import OUTSIDE_W_M2_K
from fillguard.core.learned import Doubt
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Surroundings, Warmth

WARM_KEPT = 64
"""Cylinders whose warmth is remembered: more than a shop fills while one of them cools."""
_TIME_CONSTANTS = 3.0
"""Later nothing is left of it, and it may have been anywhere."""
_END_SIGMA_K = 1.0
_TIME_SIGMA = 0.25
"""Relative doubt of the time constant: a boot, a rack, a draught."""
_SHOP_SIGMA_K = 3.2
"""What has been in the shop for long is as warm as that, give or take."""
_SAME_CONTENTS_SHARE, _SAME_CONTENTS_PA = 0.08, 3.0 * PA_PER_BAR
"""Start pressures further from what was left in it: gas was taken out, which cools, or it is another cylinder."""


def warmth_of(
    serial: str | None, estimate: EstimatorState | None, context: FillContext | None, ended_s: float
) -> Warmth | None:
    """How warm a cylinder is when its fill ends; None for one without serial or estimate."""
    if serial is None or estimate is None or context is None:
        return None
    balance, vessel = estimate.balance, context.setting.vessel
    gas_j_k = balance.mass_kg * CV_AIR_J_KG_K
    heat_j_k = gas_j_k + vessel.inner_heat_j_k + vessel.outer_heat_j_k
    stored = gas_j_k * balance.gas_k + vessel.inner_heat_j_k * balance.inner_k + vessel.outer_heat_j_k * balance.outer_k
    density = balance.mass_kg / vessel.capacity_m3
    return Warmth(
        serial=serial,
        ended_s=ended_s,
        kelvin=stored / heat_j_k,
        cools_in_s=heat_j_k / (OUTSIDE_W_M2_K[Surroundings.AIR] * vessel.outer_area_m2),
        settled_gauge_pa=context.settled.state(density)[0] - context.ambient_abs_pa,
        reference_k=context.cylinder.reference_k,
    )


def kept(warm: Sequence[Warmth], new: Iterable[Warmth], *, without: frozenset[str] = frozenset()) -> tuple[Warmth, ...]:
    """The newest warmth of each of the last cylinders, oldest first; `without`: serials that are being filled anew."""
    by_serial = {each.serial: each for each in warm if each.serial not in without}
    for each in new:
        by_serial.pop(each.serial, None)
        by_serial[each.serial] = each
    return tuple(by_serial.values())[-WARM_KEPT:]


def warmed(warm: tuple[Warmth, ...], facts: Iterable[OutEvent]) -> tuple[Warmth, ...]:
    """What is remembered after `facts`: cylinders that left, without those that are being filled anew."""
    for fact in facts:
        if isinstance(fact, FillStarted) and fact.serial is not None:
            warm = kept(warm, (), without=frozenset({fact.serial}))
        elif isinstance(fact, FillEnded) and fact.warmth is not None:
            warm = kept(warm, (fact.warmth,))
    return warm


def still_warm(
    warm: Sequence[Warmth], serial: str | None, *, now_s: float, around_k: float, start_gauge_pa: float
) -> Doubt | None:
    """How warm a cylinder comes back, in the air of the shop since its last fill; None when that says nothing any more.

    Args:
        warm: What is remembered.
        serial: Of the cylinder that has been connected at `start_gauge_pa`.
        now_s: UTC.
        around_k: Air of the shop.
        start_gauge_pa: Residual pressure.
    """
    last = next((each for each in warm if each.serial == serial), None)
    if last is None or not 0.0 <= now_s - last.ended_s <= _TIME_CONSTANTS * last.cools_in_s:
        return None
    passed = (now_s - last.ended_s) / last.cools_in_s
    left = exp(-passed)
    lead_k = (last.kelvin - around_k) * left
    expected_pa = last.settled_gauge_pa * (around_k + lead_k) / last.reference_k
    if abs(start_gauge_pa - expected_pa) > _SAME_CONTENTS_SHARE * expected_pa + _SAME_CONTENTS_PA:
        return None
    sigma = hypot(_END_SIGMA_K, _TIME_SIGMA * passed * lead_k, _SHOP_SIGMA_K * (1.0 - left))
    return Doubt(guess=around_k + lead_k, sigma=sigma)
