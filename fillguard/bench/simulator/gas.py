"""Real gas for the simulator: the reference equations of state, called directly.

The daemon works with fitted surfaces; the simulator must not share them, or a fault in a fit would hide itself.
CoolProp is imported when the first gas is built (about two seconds), so that importing this module stays cheap.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from fillguard.core.errors import OutOfRangeError
from fillguard.core.values import AIR_O2_FRACTION, GasMix

_REFERENCE_K = 298.15
_DILUTE_KG_M3 = 1e-3
_NEWTON_LIMIT = 60
_TEMPERATURE_TOLERANCE_K = 1e-3
_NAMES = ("Nitrogen", "Oxygen", "Helium")


@dataclass(frozen=True, slots=True, kw_only=True)
class Transport:
    """What heat transfer needs of a gas, at one state."""

    viscosity_pa_s: float
    conductivity_w_mk: float
    cp_j_kgk: float
    expansion_per_k: float


def _shares(mix: GasMix) -> tuple[float, float, float]:
    """Mole fractions of nitrogen, oxygen, helium; air counts as oxygen and nitrogen when it is blended."""
    o2 = AIR_O2_FRACTION if mix.air else mix.o2
    return (max(0.0, 1.0 - o2 - mix.he), o2, mix.he)


class Fluid:
    """One gas and its present state; SI units, absolute pressures.

    Energies count from the dilute gas at 25 C, whatever the composition, so gases of different make-up may be mixed:
    at that point mixing neither takes nor gives heat.
    """

    def __init__(self, components: Sequence[str], fractions: Sequence[float]) -> None:
        from CoolProp import CoolProp  # noqa: PLC0415  (two seconds and 70 MB: only a simulation pays for them)

        self.components = tuple(components)
        self._density_temperature = CoolProp.DmassT_INPUTS
        self._pressure_temperature = CoolProp.PT_INPUTS
        self._state: Any = CoolProp.AbstractState("HEOS", "&".join(self.components))
        self._state.specify_phase(CoolProp.iphase_gas)
        self.fractions: tuple[float, ...] = ()
        self.molar_mass_kg_mol = 0.0
        self._zero_j_kg = 0.0
        self.set_fractions(fractions)

    @classmethod
    def of(cls, mix: GasMix) -> Fluid:
        """A gas of fixed composition; air by its own equation (argon included)."""
        if mix.air:
            return cls(("Air",), (1.0,))
        present = [(name, share) for name, share in zip(_NAMES, _shares(mix), strict=True) if share > 0.0]
        return cls([name for name, _ in present], [share for _, share in present])

    @classmethod
    def blend(cls, start: GasMix, others: Iterable[GasMix]) -> Fluid:
        """A gas that starts as `start` and may take in any of `others`; fixed when they are all the same."""
        mixes = [start, *others]
        if all(mix == start for mix in mixes):
            return cls.of(start)
        kept = [i for i in range(len(_NAMES)) if any(_shares(mix)[i] > 0.0 for mix in mixes)]
        return cls([_NAMES[i] for i in kept], [_shares(start)[i] for i in kept])

    def shares_of(self, mix: GasMix) -> tuple[float, ...]:
        """Mole fractions of `mix` in this fluid's own components."""
        if self.components == ("Air",):
            return (1.0,)
        by_name = dict(zip(_NAMES, _shares(mix), strict=True))
        return tuple(by_name[name] for name in self.components)

    def shares_by_symbol(self) -> dict[str, float]:
        """Mole fractions as `o2`, `n2`, `he`; air without its argon."""
        if self.components == ("Air",):
            return {"o2": AIR_O2_FRACTION, "n2": 1.0 - AIR_O2_FRACTION, "he": 0.0}
        by_name = dict(zip(self.components, self.fractions, strict=True))
        return {"o2": by_name.get("Oxygen", 0.0), "n2": by_name.get("Nitrogen", 0.0), "he": by_name.get("Helium", 0.0)}

    def set_fractions(self, fractions: Sequence[float]) -> None:
        """Change the composition; the caller brings the state up to date."""
        self.fractions = tuple(fractions)
        if len(self.components) > 1:
            self._state.set_mole_fractions(list(fractions))
        self.molar_mass_kg_mol = float(self._state.molar_mass())
        self._state.update(self._density_temperature, _DILUTE_KG_M3, _REFERENCE_K)
        self._zero_j_kg = float(self._state.umass())

    def at(self, density_kg_m3: float, temperature_k: float) -> float:
        """Go to a state; return its pressure in pascal absolute."""
        self._state.update(self._density_temperature, density_kg_m3, temperature_k)
        return float(self._state.p())

    def at_pressure(self, pressure_pa: float, temperature_k: float) -> float:
        """Go to a state; return its density in kg/m3."""
        self._state.update(self._pressure_temperature, pressure_pa, temperature_k)
        return float(self._state.rhomass())

    def at_energy(self, density_kg_m3: float, energy_j_kg: float, guess_k: float) -> tuple[float, float]:
        """Go to the state with this internal energy; return (temperature K, pressure Pa absolute).

        Raises:
            OutOfRangeError: no such state between 50 and 1500 K.
        """
        state, temperature_k = self._state, guess_k
        target = energy_j_kg + self._zero_j_kg
        for _ in range(_NEWTON_LIMIT):
            state.update(self._density_temperature, density_kg_m3, temperature_k)
            step = (target - state.umass()) / state.cvmass()
            if abs(step) < _TEMPERATURE_TOLERANCE_K:
                return temperature_k, float(state.p())
            temperature_k = min(1500.0, max(50.0, temperature_k + step))
        raise OutOfRangeError(
            f"no temperature found for {'&'.join(self.components)} at {density_kg_m3:.4g} kg/m3 and "
            f"{energy_j_kg:.5g} J/kg: the vessel was emptied or filled faster than the time step can follow"
        )

    @property
    def energy_j_kg(self) -> float:
        """Internal energy at the present state."""
        return float(self._state.umass()) - self._zero_j_kg

    @property
    def enthalpy_j_kg(self) -> float:
        """Enthalpy at the present state."""
        return float(self._state.hmass()) - self._zero_j_kg

    def transport(self) -> Transport:
        """Properties for heat transfer at the present state.

        Mixtures: CoolProp weights the pure gases' viscosity and conductivity by mole fraction, which over-states the
        conductivity of helium mixes by up to a fifth; the doubt about the heat transfer coefficient is larger.
        """
        return Transport(
            viscosity_pa_s=float(self._state.viscosity()),
            conductivity_w_mk=float(self._state.conductivity()),
            cp_j_kgk=float(self._state.cpmass()),
            expansion_per_k=float(self._state.isobaric_expansion_coefficient()),
        )
