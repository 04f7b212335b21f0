"""Driving the heat balance step by step, without the estimator around it: what reference tests share."""

from fillguard.core.balance import UNKNOWNS, Balance, Setting, advanced
from fillguard.core.heat import Convection

AS_GUESSED = (0.0,) * UNKNOWNS
"""Every unknown as the balance would guess it: no scale, no shift."""
_MASS_CLOSED = 1e-9
_SECANT_STEPS = 12


class FixedConvection(Convection):
    """The same heat transfer at every density, difference and flow: `forced_w_k`, W/K."""

    __slots__ = ()

    def at(self, density_kg_m3: float, difference_k: float, flow_kg_s: float) -> tuple[float, float]:  # noqa: ARG002
        return 0.0, self.forced_w_k


def fixed(w_k: float) -> Convection:
    return FixedConvection(natural_w_k=0.0, forced_w_k=w_k)


def read(balance: Balance, setting: Setting, at_s: float, absolute_pa: float, surroundings_k: float) -> Balance:
    """The balance once the gauge shows `absolute_pa`."""
    return advanced(balance, setting, AS_GUESSED, at=(at_s, absolute_pa), surroundings_k=surroundings_k)


def holding(balance: Balance, setting: Setting, at_s: float, kg: float, surroundings_k: float) -> Balance:
    """The balance once `kg` are in the cylinder: the other way round, the mass known and the pressure sought."""
    low = read(balance, setting, at_s, balance.pressure_abs_pa, surroundings_k)
    high = read(balance, setting, at_s, balance.pressure_abs_pa * 1.001 + 1e3, surroundings_k)
    for _ in range(_SECANT_STEPS):
        if abs(high.mass_kg - kg) <= _MASS_CLOSED * kg:
            return high
        slope = (high.pressure_abs_pa - low.pressure_abs_pa) / (high.mass_kg - low.mass_kg)
        pressure = high.pressure_abs_pa + slope * (kg - high.mass_kg)
        low, high = high, read(balance, setting, at_s, pressure, surroundings_k)
    raise AssertionError(f"no pressure found for {kg:.6g} kg at {at_s:.6g} s: {high.mass_kg:.6g} kg")


def settled_abs_pa(balance: Balance, setting: Setting, kelvin: float) -> float:
    """Absolute pressure of the contents once they are at `kelvin` throughout."""
    return setting.gas.developed_abs_pa(balance.mass_kg / setting.vessel.capacity_m3, kelvin)
