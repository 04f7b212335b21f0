"""Fit gas surfaces to the reference equations of state. Imports CoolProp: for the child process and tests only."""

from dataclasses import dataclass

import numpy as np

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
from fillguard.surfaces.anymix import AnyMix, degree, mole_fractions, weights
from fillguard.surfaces.files import Made, SurfaceFile
from fillguard.surfaces.reference import LIBRARY, Array, Cubic, Points, Reference, chebyshev

ALLOWED_PRESSURE_ERROR_PERCENT, ALLOWED_ENERGY_ERROR_K = 0.01, 0.05
"""A surface further than this from the reference is not written: energy error over cv, so in kelvin."""

_PRESSURE_UNIT, _PRESSURE_UNIT_PA, _ENERGY_UNIT_K = 5e-5, 1e3, 0.03
"""One unit of error in the fit: 0.005 % of the pressure or 0.01 bar, whichever is less; 0.03 K of internal energy."""
_CORE = (0.0, 355e5, 248.0, 382.0)
_GUARDED_WEIGHT, _MARGIN_WEIGHT = 0.6, 0.3
"""Real fills live in the core (Pa absolute, K); the rest of the guarded range counts less, the margin least."""

_ROUNDS = 40
_ISOTHERMS, _DENSITIES = 20, 24
_ANY_MIX_ISOTHERMS, _ANY_MIX_DENSITIES = 10, 11
_SIMPLEX = 13
"""Mixes along one edge of the triangle oxygen, nitrogen, helium that the any-mix formula is fitted to, less one."""
_PURE = (GasMix(o2=1.0), GasMix(o2=0.0), GasMix(o2=0.0, he=1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """What each coefficient adds to p / (rho R T) and u / (R T) at each point, and what they must sum to."""

    points: Points
    compressibility: Array
    energy: Array
    compressibility_target: Array
    energy_target: Array

    def equations(self) -> tuple[Array, Array]:
        """Matrix and right-hand side, in units of error: pressures first, then energies."""
        points = self.points
        count = np.where(points.within(*_CORE), 1.0, np.where(points.guarded, _GUARDED_WEIGHT, _MARGIN_WEIGHT))
        unit = np.minimum(_PRESSURE_UNIT, _PRESSURE_UNIT_PA / points.pressure)
        of_pressure = count / ((1.0 + self.compressibility_target) * unit)
        of_energy = count * points.gas_constant * points.temperature / (points.cv * _ENERGY_UNIT_K)
        return (
            np.concatenate([self.compressibility * of_pressure[:, None], self.energy * of_energy[:, None]]),
            np.concatenate([self.compressibility_target * of_pressure, self.energy_target * of_energy]),
        )

    def errors(self, coefficients: Array) -> tuple[float, float, float]:
        """Largest error in the guarded range: pressure in per cent and in bar, energy in kelvin."""
        points, inside = self.points, self.points.guarded
        pressure = (self.compressibility @ coefficients - self.compressibility_target) / (
            1.0 + self.compressibility_target
        )
        energy = (self.energy @ coefficients - self.energy_target) * (
            points.gas_constant * points.temperature / points.cv
        )
        return (
            _largest(100.0 * pressure[inside]),
            _largest(bar_from_pa(1.0) * (pressure * points.pressure)[inside]),
            _largest(energy[inside]),
        )


def fit(mix: GasMix) -> SurfaceFile:
    """The surface of one mix (fractions to a tenth of a per cent).

    Raises:
        ArithmeticError: the fit is further from the reference than a surface may be.
    """
    reference = Reference(mix)
    cubic = reference.ideal_cv()
    problem = system(reference.points(_ISOTHERMS, _DENSITIES), cubic)
    coefficients = _minimax(*problem.equations())
    return SurfaceFile(
        key=mix.key,
        molar_mass_kg_mol=reference.molar_mass,
        gas_constant_j_mol_k=reference.gas_constant,
        residual=tuple(float(c) for c in coefficients),
        ideal_cv=cubic,
        made=_made(str(mix), [problem.errors(coefficients)]),
    )


def fit_any_mix() -> AnyMix:
    """The formula for every mix, in one linear system over mixes spread on the triangle. Takes about ten seconds.

    Raises:
        ArithmeticError: the fit is further from the reference than a surface may be.
    """
    pure = [Reference(mix) for mix in _PURE]
    cubics = [reference.ideal_cv() for reference in pure]
    problems, matrices, targets = [], [], []
    for mix in _triangle(_SIMPLEX):
        problem = system(Reference(mix).points(_ANY_MIX_ISOTHERMS, _ANY_MIX_DENSITIES), _blend(mix, cubics))
        matrix, target = problem.equations()
        rows = [np.array(weights(mole_fractions(mix), degree(i))) for i, _ in TERMS]
        matrices.append(np.concatenate([matrix[:, [k]] * row for k, row in enumerate(rows)], axis=1))
        targets.append(target)
        problems.append((problem, rows))
    solution = _split(_least_squares(np.concatenate(matrices), np.concatenate(targets)))
    oxygen, nitrogen, helium = (reference.molar_mass for reference in pure)
    return AnyMix(
        molar_mass_kg_mol=(oxygen, nitrogen, helium),
        ideal_cv=tuple(cubics),
        residual=tuple(tuple(map(float, row)) for row in solution),
        made=_made("any mix", [problem.errors(_at_mix(solution, rows)) for problem, rows in problems]),
    )


def system(points: Points, cubic: Cubic) -> System:
    """The linear system for the coefficients of one gas, given its ideal-gas heat capacity."""
    d, t = points.density / DENSITY_UNIT_MOL_M3, TEMPERATURE_UNIT_K / points.temperature
    powers = [d**i * t**j for i, j in TERMS]
    rt = points.gas_constant * points.temperature
    x = (points.temperature - 300.0) / 100.0
    u_ideal = 100.0 * points.gas_constant * sum(k * x ** (n + 1) / (n + 1) for n, k in enumerate(cubic))
    return System(
        points=points,
        compressibility=np.stack([i * power for (i, _), power in zip(TERMS, powers, strict=True)], axis=1),
        energy=np.stack([j * power for (_, j), power in zip(TERMS, powers, strict=True)], axis=1),
        compressibility_target=points.pressure / (points.density * rt) - 1.0,
        energy_target=(points.energy - u_ideal) / rt,
    )


def _least_squares(matrix: Array, target: Array) -> Array:
    scale = np.linalg.norm(matrix, axis=0)
    return np.asarray(np.linalg.lstsq(matrix / scale, target, rcond=None)[0] / scale)


def _minimax(matrix: Array, target: Array) -> Array:
    """Least squares, reweighted round by round (Lawson) so that the LARGEST error shrinks rather than the mean."""
    count = np.ones(len(target))
    solution = _least_squares(matrix, target)
    for _ in range(_ROUNDS):
        error = np.abs(matrix @ solution - target)
        count *= error / error.mean() + 0.01
        count /= count.mean()
        root = np.sqrt(count)
        solution = _least_squares(matrix * root[:, None], target * root)
    return solution


def _made(what: str, errors: list[tuple[float, float, float]]) -> Made:
    percent, bar, kelvin = (max(column) for column in zip(*errors, strict=True))
    if not (percent <= ALLOWED_PRESSURE_ERROR_PERCENT and kelvin <= ALLOWED_ENERGY_ERROR_K):
        raise ArithmeticError(f"the surface of {what} misses the reference by {percent:g} % in pressure, {kelvin:g} K")
    return Made(
        library=LIBRARY,
        lowest_abs_bar=bar_from_pa(LOWEST_ABS_PA),
        highest_abs_bar=bar_from_pa(HIGHEST_ABS_PA),
        lowest_k=LOWEST_K,
        highest_k=HIGHEST_K,
        pressure_error_percent=percent,
        pressure_error_bar=bar,
        energy_error_k=kelvin,
    )


def _triangle(edge: int) -> list[GasMix]:
    """Mixes spread over the triangle of compositions, closer together towards its sides."""
    steps = chebyshev(0.0, 1.0, edge + 1)
    mixes = {}
    for a in range(edge + 1):
        for b in range(edge + 1 - a):
            scale = 1000.0 / (steps[a] + steps[b] + steps[edge - a - b])
            oxygen = round(scale * steps[a])
            mix = GasMix(o2=oxygen / 1000, he=min(round(scale * steps[b]), 1000 - oxygen) / 1000)
            mixes[mix.key] = mix
    return list(mixes.values())


def _blend(mix: GasMix, cubics: list[Cubic]) -> Cubic:
    k0, k1, k2, k3 = np.array(mole_fractions(mix)) @ np.array(cubics)
    return float(k0), float(k1), float(k2), float(k3)


def _split(solution: Array) -> list[Array]:
    """The coefficients of each term, from all of them in one row."""
    lengths = [len(weights((1.0, 0.0, 0.0), degree(i))) for i, _ in TERMS]
    return np.split(solution, np.cumsum(lengths)[:-1])


def _at_mix(solution: list[Array], rows: list[Array]) -> Array:
    return np.array([part @ row for part, row in zip(solution, rows, strict=True)])


def _largest(errors: Array) -> float:
    return float(f"{np.abs(errors).max():.2e}")
