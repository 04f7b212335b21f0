"""One formula for any mix of oxygen, nitrogen and helium: each coefficient of a surface, as a polynomial in the mix.

Term (i, j) of `fillguard.core.gas` gets a homogeneous polynomial in the three mole fractions (Bernstein form, so that
nothing cancels). Its degree grows with i as the virial expansion's does: pairs meet at low density, larger groups at
high density. It is higher than i + 1 because the reference combines gases through reduced density and temperature.
"""

import math
from collections.abc import Iterable
from functools import cache
from operator import mul
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, model_validator

from fillguard.core.gas import TERMS, GasSurface
from fillguard.core.values import GasMix
from fillguard.surfaces.files import FORMAT, Made

DEGREE_OF_MIX = (6, 7, 7, 8, 8, 7, 6)
"""Degree in the mole fractions, for each power of density from 1 on."""
GAS_CONSTANT_J_MOL_K = 8.31446261815324

Three = tuple[float, float, float]


class AnyMix(BaseModel):
    """The formula on disk. Pure gases in the order oxygen, nitrogen, helium; `residual` has one row per term."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal[1] = FORMAT
    molar_mass_kg_mol: Three
    ideal_cv: tuple[tuple[float, float, float, float], ...]
    residual: tuple[tuple[float, ...], ...]
    made: Made

    @model_validator(mode="after")
    def _fits_the_formula(self) -> Self:
        if [len(row) for row in self.residual] != [len(_exponents(degree(i))) for i, _ in TERMS]:
            raise ValueError("the coefficients are not those of this version's formula")
        return self

    def surface(self, mix: GasMix) -> GasSurface:
        """The surface of this mix, to a tenth of a per cent, marked approximate. Not for air: argon is not in it."""
        fractions = mole_fractions(mix)
        by_degree = {n: weights(fractions, n) for n in set(DEGREE_OF_MIX)}
        k0, k1, k2, k3 = (_dot(fractions, column) for column in zip(*self.ideal_cv, strict=True))
        return GasSurface(
            key=mix.key,
            molar_mass_kg_mol=_dot(fractions, self.molar_mass_kg_mol),
            gas_constant_j_mol_k=GAS_CONSTANT_J_MOL_K,
            residual=tuple(_dot(row, by_degree[degree(i)]) for (i, _), row in zip(TERMS, self.residual, strict=True)),
            ideal_cv=(k0, k1, k2, k3),
            approximate=True,
        )


def mole_fractions(mix: GasMix) -> Three:
    """Oxygen, nitrogen, helium in whole thousandths, as in the mix's key: name and content must be the same gas."""
    oxygen, helium = round(mix.o2 * 1000), round(mix.he * 1000)
    nitrogen = max(0, 1000 - oxygen - helium)
    total = oxygen + nitrogen + helium
    return oxygen / total, nitrogen / total, helium / total


def degree(density_power: int) -> int:
    """Degree in the mole fractions of the terms with this power of density."""
    return DEGREE_OF_MIX[density_power - 1]


def weights(fractions: Three, n: int) -> list[float]:
    """Bernstein polynomials of degree n at a mix: what each coefficient of a term counts there."""
    x, y, z = ([fraction**k for k in range(n + 1)] for fraction in fractions)
    return [count * x[a] * y[b] * z[c] for count, a, b, c in _exponents(n)]


@cache
def _exponents(n: int) -> tuple[tuple[int, int, int, int], ...]:
    """Multinomial coefficient and the three exponents of every monomial of degree n."""
    return tuple(
        (math.comb(n, a) * math.comb(n - a, b), a, b, n - a - b) for a in range(n + 1) for b in range(n + 1 - a)
    )


def _dot(left: Iterable[float], right: Iterable[float]) -> float:
    return math.fsum(map(mul, left, right))
