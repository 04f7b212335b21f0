"""What the events talk about: a moment, a gas, a cylinder. Frozen, checked when built, no behaviour beyond that."""

import math
from dataclasses import dataclass
from enum import StrEnum

from fillguard.core.errors import ConfigurationError
from fillguard.core.units import PA_PER_BAR, bar_from_pa, c_from_k

AIR_O2_FRACTION = 0.2095
"""Oxygen in dry air, mole fraction (common practice; EN 12021 asks 21 +/- 1 %)."""
_US_REFERENCE_ABOVE_C = 18.0
"""Between the two reference temperatures in use: 15 C (Europe) and 21.1 C = 70 F (US)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """One reading of the receiver's clocks; the only time a step sees."""

    mono_s: float
    """Monotonic: drives ticks, silence and delays."""
    utc_s: float
    """Unix seconds: names things and dates them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GasMix:
    """A breathing gas by mole fraction; the rest is nitrogen. `air` keeps its argon and has a surface of its own."""

    o2: float
    he: float = 0.0
    air: bool = False

    def __post_init__(self) -> None:
        for name, value in (("o2", self.o2), ("he", self.he)):
            if not (math.isfinite(value) and 0.0 <= value <= 1.0):
                raise ConfigurationError(f"gas fraction {name} = {value!r}: give a number from 0 to 1 (32 % is 0.32)")
        if self.o2 + self.he > 1.0 + 1e-9:
            raise ConfigurationError(
                f"o2 {self.o2} + he {self.he} is more than 1: the fractions must sum to 1 with nitrogen"
            )

    @property
    def n2(self) -> float:
        """Nitrogen (and what travels with it), mole fraction."""
        return max(0.0, 1.0 - self.o2 - self.he)

    @property
    def key(self) -> str:
        """Name of this mix in files and caches, to a tenth of a per cent: `air`, `o2-320-he-000`."""
        return "air" if self.air else f"o2-{round(self.o2 * 1000):03d}-he-{round(self.he * 1000):03d}"

    def __str__(self) -> str:
        return "air" if self.air else f"O2 {self.o2 * 100:.3g} %, He {self.he * 100:.3g} %"


AIR = GasMix(o2=AIR_O2_FRACTION, air=True)


class Material(StrEnum):
    """What the pressure-bearing wall is made of."""

    STEEL = "steel"
    ALUMINIUM = "aluminium"
    COMPOSITE = "composite"


class Surroundings(StrEnum):
    """What the cylinder stands in while it is filled."""

    AIR = "air"
    BATH = "bath"


class Profile(StrEnum):
    """Whose rules a cylinder is under: they differ in ceiling and reference temperature."""

    US = "us"
    EU = "eu"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder:
    """A cylinder, or a twin set of equal ones, as far as filling it is concerned.

    Pressures are gauge pascal, as stamped. `water_capacity_m3` and `empty_mass_kg` are of ONE cylinder.
    """

    serial: str | None
    water_capacity_m3: float
    material: Material
    rated_gauge_pa: float
    reference_k: float
    count: int = 1
    empty_mass_kg: float | None = None
    test_gauge_pa: float | None = None
    disc_burst_gauge_pa: float | None = None
    plus_marked: bool = False

    def __post_init__(self) -> None:
        self._check("water capacity", self.water_capacity_m3 * 1e3, 0.2, 150.0, "litres")
        self._check("rated pressure", bar_from_pa(self.rated_gauge_pa), 100.0, 500.0, "bar gauge")
        self._check("reference temperature", c_from_k(self.reference_k), 0.0, 40.0, "degrees C")
        self._check("count", self.count, 1, 12, "cylinders")
        if self.empty_mass_kg is not None:
            self._check("empty mass", self.empty_mass_kg, 0.3, 250.0, "kg of one cylinder")
        if self.test_gauge_pa is not None:
            self._check("test pressure", self.test_gauge_pa / PA_PER_BAR, 120.0, 900.0, "bar gauge")

    def _check(self, what: str, value: float, low: float, high: float, unit: str) -> None:
        if not (math.isfinite(value) and low <= value <= high):
            whose = self.serial or "(no serial)"
            raise ConfigurationError(f"{what} {value:.6g} of cylinder {whose}: allowed are {low:g} to {high:g} {unit}")

    @property
    def profile(self) -> Profile:
        """US when the rating holds at 21 C (70 F), else European (15 C): the stamp's own convention."""
        return Profile.US if c_from_k(self.reference_k) > _US_REFERENCE_ABOVE_C else Profile.EU

    @property
    def total_capacity_m3(self) -> float:
        """Water capacity of the whole set."""
        return self.water_capacity_m3 * self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """How warm a cylinder was when its last fill ended, and how soon the air of the shop cools it."""

    serial: str
    ended_s: float
    """UTC."""
    kelvin: float
    """Of gas and wall, once they are level with each other."""
    cools_in_s: float
    """Time constant."""
    settled_gauge_pa: float
    """What was left in it, at `reference_k`."""
    reference_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """Another cylinder that was filled on the same gauge at the same time."""

    whip: str
    serial: str | None
    fill_id: str | None
    """Of its own row; None before gas flowed into it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    """How far the whip came back to the cylinder when the flow stopped, and how fast it had filled."""

    ahead_pa: float
    rate_pa_s: float
    """Of the gauge, over the last twenty seconds of flow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visits:
    """What earlier fills say of a cylinder, and of the whip it hangs on. Empty where nobody remembers."""

    drops: tuple[Drop, ...] = ()
    """Of this cylinder's earlier fills, oldest first."""
    held_back: int = 0
    """Its last fills in a row that found `valve-not-open` or `flow-restricted`."""
    valve_confirmed_open: bool = False
    """Somebody looked: the cylinder valve of this visit is all the way open."""
    flow_kg_s: float | None = None
    """What the compressor behind this whip usually delivers to one whip."""
