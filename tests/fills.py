"""A cylinder that fills as the balance itself would have it: mass in, pressure out. For tests of the estimator."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from typing import Any

from fillguard.core.balance import Balance, Setting, begun
from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState, Flow, begin, on_pressure
from fillguard.core.heat import Convection, SupplyKind
from fillguard.core.restriction import WELL_OPEN_KG_S_PA
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, k_from_c, pa_from_bar
from fillguard.core.values import AIR, Cylinder, Material
from tests.balance_runs import AS_GUESSED, holding
from tests.gases import shipped

STEEL_12 = Cylinder(
    serial="TH-0042",
    water_capacity_m3=0.012,
    material=Material.STEEL,
    rated_gauge_pa=pa_from_bar(232.0),
    reference_k=k_from_c(15.0),
    empty_mass_kg=14.0,
)
ROOM_K = k_from_c(20.0)


def context_for(cylinder: Cylinder = STEEL_12, **changes: object) -> FillContext:
    """Air from a bank into `cylinder` in a shop of 20 C, to its rating."""
    given: dict[str, Any] = {
        "cylinder": cylinder,
        "gas": shipped(AIR),
        "mix": AIR,
        "target_gauge_pa": cylinder.rated_gauge_pa,
        "limit_gauge_pa": cylinder.rated_gauge_pa,
        "surroundings_k": ROOM_K,
        "supply": SupplyKind.BANK,
    }
    return FillContext(**(given | changes))


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment of a fill as it truly is."""

    at_s: float
    gauge_pa: float
    flow: Flow
    balance: Balance


def exchanging(setting: Setting, times: float) -> Setting:
    """The same, with so many times the convection."""
    natural, forced = setting.convection
    return setting._replace(convection=Convection(natural * times, forced * times))


def true_fill(
    setting: Setting, *, start_gauge_pa: float, flow_kg_s: float, fill_s: int, settle_s: int
) -> Iterator[Instant]:
    """Ten seconds of plateau, a steady inflow, then none: once a second, without noise."""
    balance = begun(setting, AS_GUESSED, 0.0, start_gauge_pa + STANDARD_ATMOSPHERE_PA, ROOM_K)
    mass = balance.mass_kg
    for second in range(1, 10 + fill_s + settle_s + 1):
        flows = 10 < second <= 10 + fill_s
        mass += flow_kg_s if flows else 0.0
        balance = holding(balance, setting, float(second), mass, ROOM_K)
        flow = Flow.FLOWING if flows else Flow.STOPPED
        whip_pa = ahead_of(balance.pressure_abs_pa, flow_kg_s if flows else 0.0)
        yield Instant(float(second), whip_pa - STANDARD_ATMOSPHERE_PA, flow, balance)


def ahead_of(cylinder_pa: float, flow_kg_s: float) -> float:
    """The whip's absolute pressure before an open cylinder valve (ISO 6358, critical ratio a half)."""
    whip_pa = cylinder_pa
    for _ in range(20):
        share = min(1.0, flow_kg_s / (WELL_OPEN_KG_S_PA * whip_pa))
        whip_pa = cylinder_pa / (1.0 - 0.5 * (1.0 - sqrt(1.0 - share * share)))
    return whip_pa


def fill_from_50_bar(setting: Setting, *, settle_s: int = 120) -> Iterator[Instant]:
    """Six minutes at 5 g/s, as a compressor of 250 L/min gives it."""
    return true_fill(setting, start_gauge_pa=pa_from_bar(50.0), flow_kg_s=0.005, fill_s=360, settle_s=settle_s)


def followed(context: FillContext, instants: Iterator[Instant]) -> Iterator[tuple[Instant, EstimatorState]]:
    """The estimator beside the truth."""
    state: EstimatorState | None = None
    for instant in instants:
        if state is None:
            state = begin(context, instant.gauge_pa, instant.at_s)
        else:
            state = on_pressure(state, context, instant.gauge_pa, instant.at_s, instant.flow)
        yield instant, state
