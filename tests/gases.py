"""Gases for tests: as shipped, ideal, and straight from the reference equations of state."""

from pathlib import Path
from typing import cast

import pytest
from CoolProp import CoolProp

from fillguard.core.gas import TERMS, GasSurface
from fillguard.core.values import GasMix
from fillguard.surfaces import SurfaceStore

_GAS_CONSTANT_J_MOL_K = 8.314462618


def shipped(mix: GasMix) -> GasSurface:
    """The surface of `mix` that comes with the package."""
    surface = SurfaceStore(Path("no-cache"), on_problem=pytest.fail).get(mix)
    assert surface is not None
    return surface


def ideal_gas(cv_j_kg_k: float, specific_r_j_kg_k: float) -> GasSurface:
    """What the same formulas make of a gas without interactions and with one heat capacity."""
    return GasSurface(
        key="ideal gas",
        molar_mass_kg_mol=_GAS_CONSTANT_J_MOL_K / specific_r_j_kg_k,
        gas_constant_j_mol_k=_GAS_CONSTANT_J_MOL_K,
        residual=(0.0,) * len(TERMS),
        ideal_cv=(cv_j_kg_k / specific_r_j_kg_k, 0.0, 0.0, 0.0),
    )


class _ReferenceGas:
    def __init__(self, fluid: str) -> None:
        self._state = CoolProp.AbstractState("HEOS", fluid)
        self._state.specify_phase(CoolProp.iphase_gas)

    def state(self, density_kg_m3: float, temperature_k: float) -> tuple[float, float, float, float, float, float]:
        state = self._state
        state.update(CoolProp.DmassT_INPUTS, density_kg_m3, temperature_k)
        return (
            state.p(),
            state.umass(),
            state.first_partial_deriv(CoolProp.iP, CoolProp.iDmass, CoolProp.iT),
            state.first_partial_deriv(CoolProp.iP, CoolProp.iT, CoolProp.iDmass),
            state.first_partial_deriv(CoolProp.iUmass, CoolProp.iDmass, CoolProp.iT),
            state.cvmass(),
        )

    def density_unguarded(self, absolute_pa: float, temperature_k: float) -> float:
        self._state.update(CoolProp.PT_INPUTS, absolute_pa, temperature_k)
        return float(self._state.rhomass())


def reference_gas(fluid: str) -> GasSurface:
    """A gas that answers the balance as a surface does, for what the surfaces were never meant for.

    Hydrogen, say, or nitrogen colder than any fill makes it.
    """
    return cast("GasSurface", _ReferenceGas(fluid))
