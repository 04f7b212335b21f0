"""States of a gas by the reference equations of state. Imports CoolProp: for the child process and tests only.

CoolProp's Helmholtz-energy equations: air by Lemmon et al. 2000, as one gas with its argon; nitrogen by Span et al.
2000; oxygen by Schmidt and Wagner 1985; helium by Ortiz-Vega; mixtures by the multi-fluid model of the GERG family. Gas
phase imposed and density given, so the library's own pressure solver, which fails for cold oxygen, is not needed.
"""

from dataclasses import dataclass

import CoolProp
import CoolProp.CoolProp
import numpy as np
import numpy.typing as npt

from fillguard.core.gas import HIGHEST_ABS_PA, HIGHEST_K, LOWEST_ABS_PA, LOWEST_K, TEMPERATURE_UNIT_K
from fillguard.core.values import GasMix
from fillguard.surfaces.anymix import mole_fractions

Array = npt.NDArray[np.float64]
Cubic = tuple[float, float, float, float]

LIBRARY = f"CoolProp {CoolProp.__version__}"

_MARGIN_K = 5.0
"""Fitted this far beyond the guarded range, so that its edges are as good as its middle."""
_IDEAL_DENSITY_MOL_M3 = 1e-6
_BISECTIONS = 60


class Reference:
    """One gas in the reference library, asked by density (mol/m3) and temperature (K)."""

    def __init__(self, mix: GasMix) -> None:
        parts = {} if mix.air else dict(zip(("Oxygen", "Nitrogen", "Helium"), mole_fractions(mix), strict=True))
        present = {name: fraction for name, fraction in parts.items() if fraction > 0.0}
        self._state = CoolProp.CoolProp.AbstractState("HEOS", "&".join(present) or "Air")
        if present:
            self._state.set_mole_fractions(list(present.values()))
        self._state.specify_phase(CoolProp.CoolProp.iphase_gas)
        self.gas_constant: float = self._state.gas_constant()
        self.molar_mass: float = self._state.molar_mass()
        self._zero_j_mol = 0.0
        self._zero_j_mol = self.at(_IDEAL_DENSITY_MOL_M3, TEMPERATURE_UNIT_K)[1]

    def at(self, density: float, temperature_k: float) -> tuple[float, float, float]:
        """Absolute pressure (Pa), internal energy above the ideal gas at 300 K (J/mol), cv (J/(mol K))."""
        self._state.update(CoolProp.CoolProp.DmolarT_INPUTS, density, temperature_k)
        return self._state.p(), self._state.umolar() - self._zero_j_mol, self._state.cvmolar()

    def density(self, absolute_pa: float, temperature_k: float) -> float:
        """Density, mol/m3, by bisection: pressure rises with density everywhere in a gas above 225 K."""
        low, high = 0.0, 2.0 * absolute_pa / (self.gas_constant * temperature_k)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            if self.at(middle, temperature_k)[0] < absolute_pa:
                low = middle
            else:
                high = middle
        return high

    def ideal_cv(self) -> Cubic:
        """Cubic of cv/R of the ideal gas in (T - 300 K)/100 K."""
        temperatures = np.linspace(LOWEST_K - _MARGIN_K, HIGHEST_K + _MARGIN_K, 40)
        cv = [self.at(_IDEAL_DENSITY_MOL_M3, float(t))[2] / self.gas_constant for t in temperatures]
        k0, k1, k2, k3 = np.polynomial.polynomial.polyfit((temperatures - 300.0) / 100.0, cv, 3)
        return float(k0), float(k1), float(k2), float(k3)

    def points(self, isotherms: int, densities: int) -> "Points":
        """Chebyshev points over the guarded range and a margin, in temperature and density."""
        rows = []
        for temperature in chebyshev(LOWEST_K - _MARGIN_K, HIGHEST_K + _MARGIN_K, isotherms):
            lowest = self.density(0.6 * LOWEST_ABS_PA, temperature)
            highest = self.density(1.01 * HIGHEST_ABS_PA, temperature)
            rows += [
                (density, temperature, *self.at(density, temperature))
                for density in chebyshev(lowest, highest, densities)
            ]
        density, temperature_k, pressure, energy, cv = np.array(rows).T
        return Points(
            gas_constant=self.gas_constant,
            density=density,
            temperature=temperature_k,
            pressure=pressure,
            energy=energy,
            cv=cv,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """States of one gas, SI and molar: one array each, equally long; `energy` above the ideal gas at 300 K."""

    gas_constant: float
    density: Array
    temperature: Array
    pressure: Array
    energy: Array
    cv: Array

    @property
    def guarded(self) -> npt.NDArray[np.bool_]:
        """Which points lie in the range that the guarded methods of a surface accept."""
        return self.within(LOWEST_ABS_PA, HIGHEST_ABS_PA, LOWEST_K, HIGHEST_K)

    def within(
        self, lowest_abs_pa: float, highest_abs_pa: float, lowest_k: float, highest_k: float
    ) -> npt.NDArray[np.bool_]:
        """Which points lie in a range of absolute pressure and temperature."""
        p, t = self.pressure, self.temperature
        return (p >= lowest_abs_pa) & (p <= highest_abs_pa) & (t >= lowest_k) & (t <= highest_k)


def chebyshev(low: float, high: float, count: int) -> list[float]:
    """`count` numbers from `low` to `high`, closer together towards the ends: what a polynomial is best fitted to."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    return [float(middle - half * np.cos(np.pi * k / (count - 1))) for k in range(count)]
