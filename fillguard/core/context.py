"""What a fill is about, as far as the estimator is concerned: cylinder, gas, supply, surroundings, and prior doubt."""

from dataclasses import dataclass, field

from fillguard.core.balance import (
    CONTACT,
    FORCED,
    NATURAL,
    START,
    SUPPLY,
    SUPPLY_KIND,
    SURROUNDINGS,
    UNKNOWNS,
    WALL_HEAT,
    Setting,
)
from fillguard.core.cylinder import together, unevenness, vessel_of
from fillguard.core.gas import GasSurface, Isotherm
from fillguard.core.heat import BANK_ABS_PA, OUTSIDE_W_M2_K, SupplyKind, convection_of, supply_of
from fillguard.core.kalman import Unknowns
from fillguard.core.learned import SCALES_GO_TOGETHER, Doubt, Learned
from fillguard.core.limits import Cap, hot_k
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import Cylinder, GasMix, Surroundings

LEAK = UNKNOWNS
"""One unknown more than the balance has: pressure lost by a leak while nothing flows, Pa/s at the gauge."""
ESTIMATED = UNKNOWNS + 1


ARRIVED_SIGMA_K = 5.0
"""How far off a told temperature may be."""
_KIND_SIGMA = 1.0
_LEAK_SIGMA_PA_S = 0.2e5 / 60.0
_AMBIENT_SIGMA_K = 1.5
_NO_AMBIENT_SIGMA_K = 5.0
_START_WALL_SIGMA_K = 0.7
_START_BATH_SIGMA_K = 1.5
_START_SHOP_SIGMA_K = 2.8
"""What cylinders differ from their shop by (root mean square over simulated fills)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillContext:
    """Fixed for a stretch of a fill; rebuilt when somebody says something new about it (takes half a millisecond)."""

    cylinder: Cylinder
    mates: tuple[Cylinder, ...] = ()
    """Others on the same gauge: they fill as one."""
    gas: GasSurface
    """Of the contents."""
    supply_mix: GasMix | None = None
    supply_gas: GasSurface | None = None
    """What flows in, where it is another gas, and its surface; None: the same."""
    mix: GasMix
    target_gauge_pa: float
    limit_gauge_pa: float
    surroundings: Surroundings = Surroundings.AIR
    surroundings_k: float = k_from_c(20.0)
    """Shop air, or the bath, when the cylinder was connected."""
    shop_k: float | None = None
    """Shop air, where the supply stands; None: as warm as the surroundings."""
    surroundings_known: bool = True
    """False: nothing measures it, `surroundings_k` is a guess."""
    wall_insulated: bool = False
    """The wall sensor does not feel the bath."""
    arrived_k: float | None = None
    """Temperature the cylinder came with, by its own history or as told; None: as warm as the shop."""
    arrived_sigma_k: float = ARRIVED_SIGMA_K
    supply: SupplyKind = SupplyKind.UNKNOWN
    supply_k: float | None = None
    """Measured supply temperature."""
    bank_abs_pa: float = BANK_ABS_PA
    caps: tuple[Cap, ...] = ()
    """Lowest first."""
    learned: Learned = field(default_factory=Learned)
    ambient_abs_pa: float = STANDARD_ATMOSPHERE_PA
    setting: Setting = field(init=False, repr=False, compare=False)
    settled: Isotherm = field(init=False, repr=False, compare=False)
    """The contents at the reference temperature."""
    developed: Isotherm = field(init=False, repr=False, compare=False)
    """The contents at 55 C (US profile) or 65 C (EU profile)."""
    uneven: tuple[float, float] = field(init=False, repr=False, compare=False)
    """How much less and more one of several cylinders keeps than all together, as shares of the hot gauge's excess."""
    target_kg: float = field(init=False, repr=False, compare=False)
    """Contents that settle on the target."""
    limit_kg: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        vessels = [vessel_of(cylinder) for cylinder in (self.cylinder, *self.mates)]
        vessel = together(vessels) if self.mates else vessels[0]
        inflow = self.supply_gas or self.gas
        shop_k = self.surroundings_k if self.shop_k is None else self.shop_k
        supply = supply_of(inflow, self.supply, shop_k, self.supply_k, self.bank_abs_pa)
        if inflow is not self.gas:
            supply = supply.per_mass_of(inflow, self.gas)
        setting = Setting(
            self.gas,
            vessel,
            convection_of(vessel, self.mix),
            supply,
            OUTSIDE_W_M2_K[self.surroundings] * vessel.outer_area_m2,
        )
        object.__setattr__(self, "setting", setting)
        object.__setattr__(self, "settled", self.gas.isotherm(self.cylinder.reference_k))
        object.__setattr__(self, "developed", self.gas.isotherm(hot_k(self.cylinder)))
        object.__setattr__(self, "uneven", unevenness(vessels) if self.mates else (0.0, 0.0))
        object.__setattr__(self, "target_kg", self.settled_kg(self.target_gauge_pa))
        object.__setattr__(self, "limit_kg", self.settled_kg(self.limit_gauge_pa))

    def settled_kg(self, gauge_pa: float) -> float:
        """Contents that stand at `gauge_pa` at the reference temperature."""
        density = self.gas.density_unguarded(gauge_pa + self.ambient_abs_pa, self.cylinder.reference_k)
        return density * self.setting.vessel.capacity_m3

    @property
    def wall_sensor_counts(self) -> bool:
        """In a bath a bare strap-on sensor reads the water; of several cylinders it feels one."""
        return not self.mates and (self.surroundings is Surroundings.AIR or self.wall_insulated)

    @property
    def start_guessed(self) -> bool:
        """Nobody said how warm the cylinder came."""
        return self.arrived_k is None and self.surroundings is Surroundings.AIR


def start_of(context: FillContext, wall_k: float | None) -> Doubt:
    """How warm the cylinder is to begin with: wall sensor, history or word, bath, shop, in this order."""
    if wall_k is not None and context.wall_sensor_counts:
        return Doubt(guess=wall_k, sigma=_START_WALL_SIGMA_K)
    if context.arrived_k is not None:
        return Doubt(guess=context.arrived_k, sigma=context.arrived_sigma_k)
    in_bath = context.surroundings is Surroundings.BATH
    return Doubt(guess=context.surroundings_k, sigma=_START_BATH_SIGMA_K if in_bath else _START_SHOP_SIGMA_K)


def unknowns_of(context: FillContext, start: Doubt) -> Unknowns:
    """The unknowns before the first reading."""
    learned = context.learned
    kind_sigma = _KIND_SIGMA if context.supply is SupplyKind.UNKNOWN else 0.0
    around_sigma = _AMBIENT_SIGMA_K if context.surroundings_known else _NO_AMBIENT_SIGMA_K
    doubts = {
        START: Doubt(guess=0.0, sigma=start.sigma),
        NATURAL: learned.ln_natural,
        FORCED: learned.ln_forced,
        WALL_HEAT: Doubt(guess=0.0, sigma=context.setting.vessel.heat_sigma),
        SUPPLY: learned.supply_k,
        SUPPLY_KIND: Doubt(guess=0.0, sigma=kind_sigma),
        CONTACT: learned.contact,
        SURROUNDINGS: Doubt(guess=0.0, sigma=around_sigma),
        LEAK: Doubt(guess=0.0, sigma=_LEAK_SIGMA_PA_S),
    }
    order = [doubts[j] for j in range(ESTIMATED)]
    covariance = [[d.sigma**2 if i == j else 0.0 for j in range(ESTIMATED)] for i, d in enumerate(order)]
    together = SCALES_GO_TOGETHER * learned.ln_natural.sigma * learned.ln_forced.sigma
    covariance[NATURAL][FORCED] = covariance[FORCED][NATURAL] = together
    return Unknowns(tuple(d.guess for d in order), tuple(tuple(row) for row in covariance))
