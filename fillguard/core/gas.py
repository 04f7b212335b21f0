"""Real gas: pressure, energy and their slopes as functions of density and temperature, for one composition.

Form: residual Helmholtz energy over RT, ``a = sum c_ij d^i t^j``, with ``d`` = molar density / (10 kmol/m3),
``t`` = 300 K / T and the 34 pairs of exponents in `TERMS`; a cubic in temperature for the ideal-gas heat capacity.
Everything follows from ``a`` by differentiation, so pressure, energy and heat capacity cannot contradict each other:

====================  ===============================================
pressure              ``rho R T (1 + d a_d)``
internal energy       ``u_ideal(T) + R 300 K a_t``
heat capacity         ``cv_ideal(T) - R t^2 a_tt``
====================  ===============================================

Internal energy counts from the ideal gas at 300 K for EVERY composition. Pressures are absolute, densities kg/m3.
The formulas use operators only: they work alike on floats and on arrays.
"""

import math
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol, Self, TypeVar

from fillguard.core.errors import ConfigurationError, OutOfRangeError
from fillguard.core.units import bar_from_pa

DENSITY_UNIT_MOL_M3 = 1e4
TEMPERATURE_UNIT_K = 300.0
_HIGHEST_POWER_OF_T = (4, 4, 5, 5, 4, 3, 2)
TERMS = tuple((i, j) for i, highest in enumerate(_HIGHEST_POWER_OF_T, start=1) for j in range(highest + 1))
"""Exponents (i of density, j of reciprocal temperature), in the order of `GasSurface.residual`."""

LOWEST_ABS_PA, HIGHEST_ABS_PA = 0.5e5, 400e5
LOWEST_K, HIGHEST_K = 230.0, 400.0
"""Where the surfaces are fitted and compared with the reference library; the guarded methods refuse anything else."""
_EDGE = 1e-6
"""A value that Newton's steps find at the very edge of the range is not refused for its last digits."""
_HIGHEST_MOL_M3 = 22_000.0
"""Just above the densest gas in that range (oxygen, 400 bar, 230 K). Far beyond it the polynomial turns down again and
an absurd density would read as a fair pressure."""

CV_AIR_J_KG_K = 750.0
"""Heat capacity of air at constant volume, near enough for a time constant."""
_IDEAL_CV_TERMS = 4
_NEWTON_STEPS = 6
_NEWTON_CLOSED = 1e-9


class Arithmetic(Protocol):
    """A float, or an array of floats: what the formulas need of a number."""

    def __add__(self, other: Self | float, /) -> Self: ...
    def __radd__(self, other: float, /) -> Self: ...
    def __sub__(self, other: Self | float, /) -> Self: ...
    def __rsub__(self, other: float, /) -> Self: ...
    def __mul__(self, other: Self | float, /) -> Self: ...
    def __rmul__(self, other: float, /) -> Self: ...
    def __truediv__(self, other: Self | float, /) -> Self: ...
    def __rtruediv__(self, other: float, /) -> Self: ...


Number = TypeVar("Number", bound=Arithmetic)
Six = tuple[Number, Number, Number, Number, Number, Number]
Seven = tuple[Number, Number, Number, Number, Number, Number, Number]


@dataclass(frozen=True, slots=True, kw_only=True)
class GasSurface:
    """One gas: `residual` holds ``c_ij`` in the order of `TERMS`, `ideal_cv` the cubic of cv/R in (T - 300 K)/100 K.

    `approximate` marks a surface that stands in until the mix's own is fitted: use a wider interval.
    """

    key: str
    molar_mass_kg_mol: float
    gas_constant_j_mol_k: float
    residual: tuple[float, ...]
    ideal_cv: tuple[float, float, float, float]
    approximate: bool = False
    _specific_r: float = field(init=False, repr=False, compare=False)
    _per_density: float = field(init=False, repr=False, compare=False)
    _slopes: tuple[float, ...] = field(init=False, repr=False, compare=False)
    _bends: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        numbers = (self.molar_mass_kg_mol, self.gas_constant_j_mol_k, *self.residual, *self.ideal_cv)
        if (
            len(self.residual) != len(TERMS)
            or len(self.ideal_cv) != _IDEAL_CV_TERMS
            or not all(map(math.isfinite, numbers))
        ):
            raise ConfigurationError(
                f"gas surface {self.key}: {len(self.residual)} + {len(self.ideal_cv)} coefficients, expected "
                f"{len(TERMS)} + {_IDEAL_CV_TERMS} finite ones: fit it again"
            )
        terms = list(zip(TERMS, self.residual, strict=True))
        derived = {
            "_specific_r": self.gas_constant_j_mol_k / self.molar_mass_kg_mol,
            "_per_density": 1.0 / (self.molar_mass_kg_mol * DENSITY_UNIT_MOL_M3),
            "_slopes": tuple(j * c for (_, j), c in terms if j >= 1),
            "_bends": tuple(j * (j - 1) * c for (_, j), c in terms if j > 1),
        }
        for name, value in derived.items():
            object.__setattr__(self, name, value)

    # The live estimator's inner loop: no guard, floats or arrays.

    def state(self, density_kg_m3: Number, temperature_k: Number) -> Six[Number]:
        """Absolute pressure, energy, dp/drho, dp/dT, du/drho, cv at (kg/m3, K), unguarded.

        Units: Pa, J/kg, Pa m3/kg, Pa/K, J m3/kg2, J/(kg K). Outside the fitted range the numbers drift away from
        the gas, slowly at first (from 215 to 480 K, up to 300 bar, 0.02 % of pressure and 0.3 K of energy): the caller
        keeps its states near it.
        """
        t = TEMPERATURE_UNIT_K / temperature_k
        a1, a2, a3, a4, a5, a6, a7 = _values(self.residual, t)
        b1, b2, b3, b4, b5, b6, b7 = _slopes(self._slopes, t)
        g1, g2, g3, g4, g5, g6, g7 = _bends(self._bends, t)
        d = density_kg_m3 * self._per_density
        d2 = d * d
        d3, d4 = d2 * d, d2 * d2
        d5, d6 = d4 * d, d4 * d2
        e2, e3, e4, e5, e6, e7 = 2.0 * d, 3.0 * d2, 4.0 * d3, 5.0 * d4, 6.0 * d5, 7.0 * d6
        a_d = a1 + a2 * e2 + a3 * e3 + a4 * e4 + a5 * e5 + a6 * e6 + a7 * e7
        d_a_dd = a2 * e2 + 2.0 * a3 * e3 + 3.0 * a4 * e4 + 4.0 * a5 * e5 + 5.0 * a6 * e6 + 6.0 * a7 * e7
        a_t = (b1 + b2 * d + b3 * d2 + b4 * d3 + b5 * d4 + b6 * d5 + b7 * d6) * d
        a_dt = b1 + b2 * e2 + b3 * e3 + b4 * e4 + b5 * e5 + b6 * e6 + b7 * e7
        a_tt = (g1 + g2 * d + g3 * d2 + g4 * d3 + g5 * d4 + g6 * d5 + g7 * d6) * d
        r = self._specific_r
        rt = r * temperature_k
        u_ideal, cv_ideal = self._ideal(temperature_k)
        pressure = density_kg_m3 * rt * (1.0 + d * a_d)
        energy = u_ideal + (r * TEMPERATURE_UNIT_K) * a_t
        dp_drho = rt * (1.0 + d * (2.0 * a_d + d_a_dd))
        dp_dt = density_kg_m3 * r * (1.0 + d * (a_d - t * a_dt))
        du_drho = (r * TEMPERATURE_UNIT_K * self._per_density) * a_dt
        return pressure, energy, dp_drho, dp_dt, du_drho, cv_ideal - r * t * t * a_tt

    def isotherm(self, temperature_k: float) -> "Isotherm":
        """The surface at one temperature (K), for what is asked at the same one again and again."""
        t = TEMPERATURE_UNIT_K / temperature_k
        values, slopes = _values(self.residual, t), _slopes(self._slopes, t)
        return Isotherm(
            self._per_density,
            self._specific_r,
            temperature_k,
            tuple(i * a for i, a in enumerate(values, start=1)),
            tuple(i * (a - t * b) for i, (a, b) in enumerate(zip(values, slopes, strict=True), start=1)),
        )

    def density_unguarded(self, absolute_pa: Number, temperature_k: Number) -> Number:
        """Density, kg/m3, from absolute pressure (Pa) and temperature (K), unguarded.

        A fixed number of Newton steps from the ideal gas, so that arrays take the same way; in the fitted range four
        leave 4e-9 of the pressure, five nothing.
        """
        a1, a2, a3, a4, a5, a6, a7 = _values(self.residual, TEMPERATURE_UNIT_K / temperature_k)
        ideal = absolute_pa * (self._per_density / self._specific_r) / temperature_k
        z2, z3, z4, z5, z6, z7 = 2.0 * a2, 3.0 * a3, 4.0 * a4, 5.0 * a5, 6.0 * a6, 7.0 * a7
        s1, s2, s3, s4, s5, s6, s7 = 2.0 * a1, 3.0 * z2, 4.0 * z3, 5.0 * z4, 6.0 * z5, 7.0 * z6, 8.0 * z7
        d = ideal
        for _ in range(_NEWTON_STEPS):
            z = 1.0 + d * (a1 + d * (z2 + d * (z3 + d * (z4 + d * (z5 + d * (z6 + d * z7))))))
            slope = 1.0 + d * (s1 + d * (s2 + d * (s3 + d * (s4 + d * (s5 + d * (s6 + d * s7))))))
            d = d - (d * z - ideal) / slope
        return d / self._per_density

    def temperature_unguarded(self, density_kg_m3: Number, energy_j_kg: Number) -> Number:
        """Temperature, K, from density (kg/m3) and internal energy (J/kg), unguarded.

        Newton again: energy is nearly straight in temperature. Starts at 300 K whatever the energy: a first guess from
        the ideal gas is so cold for dense gas that the steps run away.
        """
        temperature_k = 0.0 * energy_j_kg + TEMPERATURE_UNIT_K
        for _ in range(_NEWTON_STEPS):
            _, energy, _, _, _, cv = self.state(density_kg_m3, temperature_k)
            temperature_k = temperature_k - (energy - energy_j_kg) / cv
        return temperature_k

    # For readings and reports: floats, guarded.

    def pressure_pa(self, density_kg_m3: float, temperature_k: float) -> float:
        """Absolute pressure, Pa.

        Raises:
            OutOfRangeError: temperature, density or the resulting pressure is outside what was fitted.
        """
        self._check_temperature(temperature_k)
        self._check_density(density_kg_m3)
        absolute_pa = self.state(density_kg_m3, temperature_k)[0]
        self._check_pressure(absolute_pa)
        return absolute_pa

    def developed_abs_pa(self, density_kg_m3: float, temperature_k: float) -> float:
        """Absolute pressure of the same contents once they are at `temperature_k` throughout: settled or developed."""
        return self.pressure_pa(density_kg_m3, temperature_k)

    def energy_j_kg(self, density_kg_m3: float, temperature_k: float) -> float:
        """Internal energy, J/kg, from the ideal gas at 300 K. Raises OutOfRangeError like `pressure_pa`."""
        self.pressure_pa(density_kg_m3, temperature_k)
        return self.state(density_kg_m3, temperature_k)[1]

    def density_kg_m3(self, absolute_pa: float, temperature_k: float) -> float:
        """Density at an absolute pressure. Raises OutOfRangeError outside the fitted range."""
        self._check_temperature(temperature_k)
        self._check_pressure(absolute_pa)
        density = self.density_unguarded(absolute_pa, temperature_k)
        found_pa = self.state(density, temperature_k)[0]
        if not abs(found_pa - absolute_pa) <= _NEWTON_CLOSED * absolute_pa:
            raise OutOfRangeError(
                f"no density of {self.key} found for {bar_from_pa(absolute_pa):.6g} bar absolute at "
                f"{temperature_k:.6g} K: the gas surface is damaged, fit it again"
            )
        return density

    def enthalpy_j_kg(self, absolute_pa: float, temperature_k: float) -> float:
        """Enthalpy, J/kg, of supply gas at its storage state. Raises OutOfRangeError outside the fitted range."""
        density = self.density_kg_m3(absolute_pa, temperature_k)
        return self.state(density, temperature_k)[1] + absolute_pa / density

    def temperature_from_energy(self, density_kg_m3: float, energy_j_kg: float) -> float:
        """Temperature, K, at a density and an internal energy. Raises OutOfRangeError when it is outside the range."""
        temperature_k = self.temperature_unguarded(density_kg_m3, energy_j_kg)
        self.pressure_pa(density_kg_m3, temperature_k)
        return temperature_k

    def _ideal(self, temperature_k: Number) -> tuple[Number, Number]:
        """Internal energy and heat capacity of the ideal gas, J/kg and J/(kg K)."""
        k0, k1, k2, k3 = self.ideal_cv
        x = 0.01 * temperature_k - 3.0
        r = self._specific_r
        energy = (100.0 * r) * x * (k0 + x * (0.5 * k1 + x * (k2 / 3.0 + x * (0.25 * k3))))
        return energy, r * (k0 + x * (k1 + x * (k2 + x * k3)))

    def _check_temperature(self, temperature_k: float) -> None:
        if not LOWEST_K * (1.0 - _EDGE) <= temperature_k <= HIGHEST_K * (1.0 + _EDGE):
            raise OutOfRangeError(
                f"gas temperature {temperature_k:.6g} K of {self.key}: the gas surface holds from {LOWEST_K:g} "
                f"to {HIGHEST_K:g} K"
            )

    def _check_density(self, density_kg_m3: float) -> None:
        highest = _HIGHEST_MOL_M3 * self.molar_mass_kg_mol
        if not 0.0 < density_kg_m3 <= highest:
            raise OutOfRangeError(
                f"gas density {density_kg_m3:.6g} kg/m3 of {self.key}: the gas surface holds above 0 and up to "
                f"{highest:.4g} kg/m3"
            )

    def _check_pressure(self, absolute_pa: float) -> None:
        if not LOWEST_ABS_PA * (1.0 - _EDGE) <= absolute_pa <= HIGHEST_ABS_PA * (1.0 + _EDGE):
            raise OutOfRangeError(
                f"gas pressure {bar_from_pa(absolute_pa):.6g} bar absolute of {self.key}: the gas surface holds from "
                f"{bar_from_pa(LOWEST_ABS_PA):g} to {bar_from_pa(HIGHEST_ABS_PA):g} bar absolute"
            )


class Isotherm(NamedTuple):
    """One gas at one temperature: pressure and its slopes are polynomials in density."""

    per_density: float
    specific_r: float
    temperature_k: float
    pressure: tuple[float, ...]
    """Coefficients of ``p / (rho R T) - 1`` in powers 1 to 7 of ``d``."""
    warming: tuple[float, ...]
    """... of ``dp/dT / (rho R) - 1``."""

    def state(self, density_kg_m3: float) -> tuple[float, float, float]:
        """Absolute pressure, dp/drho, dp/dT at a density, as `GasSurface.state` gives them."""
        d = density_kg_m3 * self.per_density
        a1, a2, a3, a4, a5, a6, a7 = self.pressure
        b1, b2, b3, b4, b5, b6, b7 = self.warming
        r, rt = self.specific_r, self.specific_r * self.temperature_k
        more = d * (a1 + d * (a2 + d * (a3 + d * (a4 + d * (a5 + d * (a6 + d * a7))))))
        steeper = d * (
            2.0 * a1 + d * (3.0 * a2 + d * (4.0 * a3 + d * (5.0 * a4 + d * (6.0 * a5 + d * (7.0 * a6 + d * 8.0 * a7)))))
        )
        warmer = d * (b1 + d * (b2 + d * (b3 + d * (b4 + d * (b5 + d * (b6 + d * b7))))))
        return density_kg_m3 * rt * (1.0 + more), rt * (1.0 + steeper), density_kg_m3 * r * (1.0 + warmer)


def _values(c: tuple[float, ...], t: Number) -> Seven[Number]:
    """Sum over j of ``c_ij t^j``, for each of the seven powers of density."""
    (
        c10, c11, c12, c13, c14, c20, c21, c22, c23, c24, c30, c31, c32, c33, c34, c35,
        c40, c41, c42, c43, c44, c45, c50, c51, c52, c53, c54, c60, c61, c62, c63, c70, c71, c72,
    ) = c  # fmt: skip
    return (
        c10 + t * (c11 + t * (c12 + t * (c13 + t * c14))),
        c20 + t * (c21 + t * (c22 + t * (c23 + t * c24))),
        c30 + t * (c31 + t * (c32 + t * (c33 + t * (c34 + t * c35)))),
        c40 + t * (c41 + t * (c42 + t * (c43 + t * (c44 + t * c45)))),
        c50 + t * (c51 + t * (c52 + t * (c53 + t * c54))),
        c60 + t * (c61 + t * (c62 + t * c63)),
        c70 + t * (c71 + t * c72),
    )


def _slopes(c: tuple[float, ...], t: Number) -> Seven[Number]:
    """First derivatives of `_values` by t; `c` carries the factor j."""
    (
        c11, c12, c13, c14, c21, c22, c23, c24, c31, c32, c33, c34, c35, c41, c42, c43, c44, c45,
        c51, c52, c53, c54, c61, c62, c63, c71, c72,
    ) = c  # fmt: skip
    return (
        c11 + t * (c12 + t * (c13 + t * c14)),
        c21 + t * (c22 + t * (c23 + t * c24)),
        c31 + t * (c32 + t * (c33 + t * (c34 + t * c35))),
        c41 + t * (c42 + t * (c43 + t * (c44 + t * c45))),
        c51 + t * (c52 + t * (c53 + t * c54)),
        c61 + t * (c62 + t * c63),
        c71 + t * c72,
    )


def _bends(c: tuple[float, ...], t: Number) -> tuple[Number, Number, Number, Number, Number, Number, float]:
    """Second derivatives of `_values` by t; `c` carries the factor j (j - 1)."""
    (c12, c13, c14, c22, c23, c24, c32, c33, c34, c35, c42, c43, c44, c45, c52, c53, c54, c62, c63, c72) = c
    return (
        c12 + t * (c13 + t * c14),
        c22 + t * (c23 + t * c24),
        c32 + t * (c33 + t * (c34 + t * c35)),
        c42 + t * (c43 + t * (c44 + t * c45)),
        c52 + t * (c53 + t * c54),
        c62 + t * c63,
        c72,
    )
