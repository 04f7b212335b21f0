"""Fit a gas surface to the reference equation of state. Imports CoolProp: for the child process and tests only.

Reference: CoolProp's Helmholtz-energy equations (air: Lemmon et al. 2000, as one gas with its argon; nitrogen: Span et
al. 2000; oxygen: Schmidt and Wagner 1985; helium: Ortiz-Vega; mixtures: the multi-fluid model of the GERG family). Gas
phase imposed and density given, so the library's own pressure solver, which fails for cold oxygen, is not needed.
"""

from dataclasses import dataclass

import CoolProp
import CoolProp.CoolProp
import numpy as np
import numpy.typing as npt

from fillguard.core.gas import (
    DENSITY_UNIT_MOL_M3,
    HIGHEST_ABS_PA,
    HIGHEST_K,
    LOWEST_ABS_PA,
    LOWEST_K,
    TEMPERATURE_UNIT_K,
    TERMS,
)
from fillguard.core.units import bar_from_pa
from fillguard.core.values import GasMix
from fillguard.surfaces.files import Made, SurfaceFile

Array = npt.NDArray[np.float64]

MARGIN_K = 5.0
"""Fitted this far beyond the guarded range, so that its edges are as good as its middle."""
_ISOTHERMS, _DENSITIES = 20, 24
_ROUNDS = 40
_IDEAL_DENSITY_MOL_M3 = 1e-6

_PRESSURE_UNIT, _PRESSURE_UNIT_PA, _ENERGY_UNIT_K = 5e-5, 1e3, 0.03
"""One unit of error: 0.005 % of the pressure or 0.01 bar, whichever is less; 0.03 K worth of internal energy."""
_CORE_ABS_PA, _CORE_LOWEST_K, _CORE_HIGHEST_K = 355e5, 248.0, 382.0
_GUARDED_WEIGHT, _MARGIN_WEIGHT = 0.6, 0.3
"""Real fills live in the core; the rest of the guarded range counts less in the fit, the margin least."""
ALLOWED_PRESSURE_ERROR_PERCENT, ALLOWED_ENERGY_ERROR_K = 0.01, 0.05


class Reference:
    """One gas in the reference library, asked by density (mol/m3) and temperature (K)."""

    def __init__(self, mix: GasMix) -> None:
        self._state = CoolProp.CoolProp.AbstractState("HEOS", _fluid(mix))
        if not mix.air:
            self._state.set_mole_fractions([fraction for _, fraction in _parts(mix)])
        self._state.specify_phase(CoolProp.CoolProp.iphase_gas)
        self.gas_constant: float = self._state.gas_constant()
        self.molar_mass: float = self._state.molar_mass()

    def at(self, density: float, temperature_k: float) -> tuple[float, float, float]:
        """Absolute pressure (Pa), internal energy (J/mol, its own zero), cv (J/(mol K))."""
        self._state.update(CoolProp.CoolProp.DmolarT_INPUTS, density, temperature_k)
        return self._state.p(), self._state.umolar(), self._state.cvmolar()

    def density(self, absolute_pa: float, temperature_k: float) -> float:
        """Density, mol/m3, by bisection: pressure rises with density everywhere in a gas above 230 K."""
        low, high = 0.0, 2.0 * absolute_pa / (self.gas_constant * temperature_k)
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.at(middle, temperature_k)[0] < absolute_pa:
                low = middle
            else:
                high = middle
        return high


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """States of one gas: molar density, temperature, pressure, energy above the ideal gas at 300 K, cv. SI, molar."""

    density: Array
    temperature: Array
    pressure: Array
    energy: Array
    cv: Array
    gas_constant: float

    @property
    def guarded(self) -> npt.NDArray[np.bool_]:
        """Which points lie in the range that the guarded methods of a surface accept."""
        return (
            (self.pressure >= LOWEST_ABS_PA)
            & (self.pressure <= HIGHEST_ABS_PA)
            & (self.temperature >= LOWEST_K)
            & (self.temperature <= HIGHEST_K)
        )

    @property
    def weight(self) -> Array:
        """How much each point counts."""
        core = (
            (self.pressure <= _CORE_ABS_PA)
            & (self.temperature >= _CORE_LOWEST_K)
            & (self.temperature <= _CORE_HIGHEST_K)
        )
        return np.where(core, 1.0, np.where(self.guarded, _GUARDED_WEIGHT, _MARGIN_WEIGHT))

    @property
    def terms(self) -> tuple[Array, Array]:
        """For each point and term, what its coefficient adds to p / (rho R T) and to u / (R T)."""
        d, t = self.density / DENSITY_UNIT_MOL_M3, TEMPERATURE_UNIT_K / self.temperature
        powers = [d**i * t**j for i, j in TERMS]
        return (
            np.stack([i * power for (i, _), power in zip(TERMS, powers, strict=True)], axis=1),
            np.stack([j * power for (_, j), power in zip(TERMS, powers, strict=True)], axis=1),
        )


def points(reference: Reference, isotherms: int = _ISOTHERMS, densities: int = _DENSITIES) -> Points:
    """Chebyshev points over the guarded range and a margin, in temperature and density."""
    zero = reference.at(_IDEAL_DENSITY_MOL_M3, TEMPERATURE_UNIT_K)[1]
    rows = []
    for temperature in _chebyshev(LOWEST_K - MARGIN_K, HIGHEST_K + MARGIN_K, isotherms):
        lowest = reference.density(0.6 * LOWEST_ABS_PA, temperature)
        highest = reference.density(1.01 * HIGHEST_ABS_PA, temperature)
        for density in _chebyshev(lowest, highest, densities):
            pressure, energy, cv = reference.at(density, temperature)
            rows.append((density, temperature, pressure, energy - zero, cv))
    density, temperature, pressure, energy, cv = np.array(rows).T
    return Points(
        density=density,
        temperature=temperature,
        pressure=pressure,
        energy=energy,
        cv=cv,
        gas_constant=reference.gas_constant,
    )


def ideal_cv(reference: Reference) -> tuple[float, float, float, float]:
    """Cubic of cv/R of the ideal gas in (T - 300 K)/100 K."""
    temperatures = np.linspace(LOWEST_K - MARGIN_K, HIGHEST_K + MARGIN_K, 40)
    cv = [reference.at(_IDEAL_DENSITY_MOL_M3, float(t))[2] / reference.gas_constant for t in temperatures]
    k0, k1, k2, k3 = np.polynomial.polynomial.polyfit((temperatures - 300.0) / 100.0, cv, 3)
    return float(k0), float(k1), float(k2), float(k3)


def fit(mix: GasMix) -> SurfaceFile:
    """The surface of one mix (fractions to a tenth of a per cent).

    Raises:
        ArithmeticError: the fit is further from the reference than a surface may be.
    """
    reference = Reference(mix)
    measured = points(reference)
    cubic = ideal_cv(reference)
    compressibility, energy, weight_p, weight_u, target_p, target_u = _system(measured, cubic)
    matrix = np.concatenate([compressibility * weight_p[:, None], energy * weight_u[:, None]])
    target = np.concatenate([target_p * weight_p, target_u * weight_u])
    coefficients = minimax(matrix, target)
    miss_p = (compressibility @ coefficients - target_p) / (1.0 + target_p)
    miss_u = (energy @ coefficients - target_u) * measured.gas_constant * measured.temperature / measured.cv
    inside = measured.guarded
    made = Made(
        library=f"CoolProp {CoolProp.__version__}",
        lowest_abs_bar=bar_from_pa(LOWEST_ABS_PA),
        highest_abs_bar=bar_from_pa(HIGHEST_ABS_PA),
        lowest_k=LOWEST_K,
        highest_k=HIGHEST_K,
        pressure_error_percent=_largest(100.0 * miss_p[inside]),
        pressure_error_bar=_largest(bar_from_pa(1.0) * (miss_p * measured.pressure)[inside]),
        energy_error_k=_largest(miss_u[inside]),
    )
    if made.pressure_error_percent > ALLOWED_PRESSURE_ERROR_PERCENT or made.energy_error_k > ALLOWED_ENERGY_ERROR_K:
        raise ArithmeticError(f"the surface of {mix} misses its reference: {made}")
    return SurfaceFile(
        key=mix.key,
        molar_mass_kg_mol=reference.molar_mass,
        gas_constant_j_mol_k=reference.gas_constant,
        residual=tuple(float(c) for c in coefficients),
        ideal_cv=cubic,
        made=made,
    )


def minimax(matrix: Array, target: Array, rounds: int = _ROUNDS) -> Array:
    """Least squares, reweighted (Lawson) so that the LARGEST error shrinks rather than the mean."""
    scale = np.linalg.norm(matrix, axis=0)
    scaled = matrix / scale
    weights = np.ones(len(target))
    solution: Array = np.zeros(matrix.shape[1])
    for _ in range(rounds):
        root = np.sqrt(weights)
        solution = np.linalg.lstsq(scaled * root[:, None], target * root, rcond=None)[0]
        error = np.abs(scaled @ solution - target)
        weights *= error / error.mean() + 0.01
        weights /= weights.mean()
    return np.asarray(solution / scale)


def _system(measured: Points, cubic: tuple[float, ...]) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Terms of compressibility and energy, their weights in units of error, and what they must sum to."""
    compressibility, energy = measured.terms
    rt = measured.gas_constant * measured.temperature
    z = measured.pressure / (measured.density * rt)
    x = (measured.temperature - 300.0) / 100.0
    u_ideal = 100.0 * measured.gas_constant * sum(k * x ** (n + 1) / (n + 1) for n, k in enumerate(cubic))
    weight_p = measured.weight / (z * np.minimum(_PRESSURE_UNIT, _PRESSURE_UNIT_PA / measured.pressure))
    weight_u = measured.weight * rt / (measured.cv * _ENERGY_UNIT_K)
    return compressibility, energy, weight_p, weight_u, z - 1.0, (measured.energy - u_ideal) / rt


def _parts(mix: GasMix) -> list[tuple[str, float]]:
    """Components present, quantised as the key is: the file's name and its content must be the same gas."""
    oxygen, helium = round(mix.o2 * 1000), round(mix.he * 1000)
    thousandths = (("Oxygen", oxygen), ("Nitrogen", max(0, 1000 - oxygen - helium)), ("Helium", helium))
    return [(name, parts / 1000.0) for name, parts in thousandths if parts > 0]


def _fluid(mix: GasMix) -> str:
    return "Air" if mix.air else "&".join(name for name, _ in _parts(mix))


def _chebyshev(low: float, high: float, count: int) -> list[float]:
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    return [float(middle - half * np.cos(np.pi * k / (count - 1))) for k in range(count)]


def _largest(errors: Array) -> float:
    return float(f"{np.abs(errors).max():.2e}")
