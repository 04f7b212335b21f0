"""What feeds the whips, and the panel valve with the hand on it."""

import math
import random
from collections import deque

from fillguard.bench.simulator.flow import BankFeed, CompressorFeed, Feed, Isotherm, valve_kg_s
from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.tables import CascadeTable, CompressorTable, FillAct, OpenPanelAct, Schedule
from fillguard.bench.simulator.vessel import PUBLISHED_HEAT, Vessel, shell_of
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K, k_from_c
from fillguard.core.values import GasMix, Material

_BANK_KG_PER_M3 = 1250.0
_BANK_INLET_M = 0.02
_COMPRESSOR_EXCESS_C = 8.0
_FREE_AIR_DENSITY_KG_M3_K = 1.2929 * ZERO_CELSIUS_K
"""Air at 1.01325 bar and 0 C, times kelvin (dry air, common practice)."""
_OPENING_TAKES_S = 3.0
_WATCHES_OVER_S = 8.0
_ADJUSTS_EVERY_S = 4.0
_FIRST_GUESS = 0.7
_SMALLEST_THROTTLE = 0.002


class Compressor:
    """A fixed flow, shared by the panel valves that are open in proportion to their openings."""

    def __init__(self, table: CompressorTable, air_k: float) -> None:
        self.name = table.name
        self.gas: GasMix = table.gas
        self.fluid = Fluid.of(table.gas)
        self.isotherm = Isotherm(self.fluid, air_k)
        self.supply_k = k_from_c(table.supply_c) if table.supply_c is not None else air_k + _COMPRESSOR_EXCESS_C
        molar_ratio = self.fluid.molar_mass_kg_mol / 0.0289655
        self._flow_kg_s = table.free_air_l_min / 60e3 * _FREE_AIR_DENSITY_KG_M3_K / air_k * molar_ratio
        self._stop_pa = table.stop_bar * PA_PER_BAR + STANDARD_ATMOSPHERE_PA
        self.openings: dict[str, float] = {}
        self._enthalpies: dict[int, float] = {}

    def feed(self, whip: str) -> Feed:
        """What this whip gets of it now."""
        share = self.openings[whip] / sum(self.openings.values())
        return CompressorFeed(flow_kg_s=self._flow_kg_s * share, stop_pa=self._stop_pa)

    def enthalpy_j_kg(self, hose_pa: float) -> float:
        """Of the gas as it enters the hose; to the nearest bar."""
        bar = max(1, round(hose_pa / PA_PER_BAR))
        if bar not in self._enthalpies:
            self.fluid.at_pressure(bar * PA_PER_BAR, self.supply_k)
            self._enthalpies[bar] = self.fluid.enthalpy_j_kg
        return self._enthalpies[bar]


class Cascade:
    """Banks of thick-walled cylinders, lowest first."""

    def __init__(self, table: CascadeTable, air_k: float) -> None:
        self.name = table.name
        self.gas: GasMix = table.gas
        self.table = table
        self.fluid = Fluid.of(table.gas)
        self.isotherm = Isotherm(self.fluid, air_k)
        self.banks = [
            Vessel(
                fluid=Fluid.of(table.gas),
                shell=shell_of(
                    material=Material.STEEL,
                    capacity_m3=bank.volume_l * 1e-3,
                    mass_kg=bank.volume_l * 1e-3 * _BANK_KG_PER_M3,
                ),
                pressure_pa=bank.start_bar * PA_PER_BAR + STANDARD_ATMOSPHERE_PA,
                temperature_k=air_k,
                heat=PUBLISHED_HEAT,
                inlet_m=_BANK_INLET_M,
            )
            for bank in table.bank
        ]
        self._owed_kg = [0.0] * len(self.banks)

    def draw(self, bank: int, kg: float) -> None:
        """Note gas taken from a bank (negative: given back); `settle` moves it."""
        self._owed_kg[bank] += kg

    def settle(self, dt_s: float, air_k: float, outside_w_m2k: float) -> None:
        """Step every bank by `dt_s` with what was drawn meanwhile."""
        for i, vessel in enumerate(self.banks):
            kg, self._owed_kg[i] = self._owed_kg[i], 0.0
            vessel.step(
                dt_s,
                in_kg=max(0.0, -kg),
                in_j_kg=vessel.enthalpy_j_kg,
                in_shares=vessel.fluid.fractions,
                out_kg=max(0.0, kg),
                outside_w_m2k=outside_w_m2k,
                around_k=air_k,
            )


Source = Compressor | Cascade


def _at(schedule: Schedule, since_s: float) -> float:
    """The value of a stepped schedule; before its first entry, that entry's."""
    value = schedule[0][1]
    for start, next_value in schedule:
        if start <= since_s:
            value = next_value
    return value


class Panel:
    """One whip's panel valve and the operator who minds it: opens gently, holds a rate, goes to the next bank."""

    def __init__(self, whip: str, chance: random.Random) -> None:
        self._whip = whip
        self._chance = chance
        self.source: Source | None = None
        self.bank = 0
        self.switches: list[float] = []
        self._schedule: Schedule = ()
        self._rates: Schedule = ()
        self._opened_s = 0.0
        self._shut_until_s = 0.0
        self._throttle = 1.0
        self._seen: deque[tuple[float, float]] = deque(maxlen=int(_WATCHES_OVER_S) + 1)
        self._next_look_s = 0.0
        self._next_turn_s = 0.0

    @property
    def is_open(self) -> bool:
        """The operator has opened it and not closed it again (a pause counts as open)."""
        return self.source is not None

    def open(self, act: OpenPanelAct | FillAct, source: Source, now_s: float) -> None:
        """Start to open it on `source`."""
        if self.source is not source:
            self.bank = 0
        self.source = source
        self._schedule = act.throttle or ((0.0, 1.0),)
        self._rates = act.rate_bar_min or ()
        self._opened_s = self._shut_until_s = now_s
        self._throttle = 0.0 if self._rates else 1.0
        self._seen.clear()
        self._next_turn_s = now_s

    def close(self) -> None:
        """Shut it."""
        if isinstance(self.source, Compressor):
            self.source.openings.pop(self._whip, None)
        self.source = None

    def shut_for(self, now_s: float, seconds: float) -> None:
        """Shut it for a while: a pause, or going to another bank."""
        self._shut_until_s = now_s + seconds
        if isinstance(self.source, Compressor):
            self.source.openings.pop(self._whip, None)

    def feed(self, now_s: float) -> Feed | None:
        """What stands behind the hose now; None when shut."""
        if self.source is None or now_s < self._shut_until_s:
            return None
        opening = min(1.0, (now_s - self._shut_until_s) / _OPENING_TAKES_S)
        opening *= self._throttle if self._rates else _at(self._schedule, now_s - self._opened_s)
        if isinstance(self.source, Compressor):
            if opening <= 0.0:
                return None
            self.source.openings[self._whip] = opening
            return self.source.feed(self._whip)
        return BankFeed(
            bank=self.source.banks[self.bank],
            area_m2=self.source.table.panel_area_mm2 * 1e-6 * opening,
            non_return=self.source.table.non_return,
            isotherm=self.source.isotherm,
        )

    def supply_j_kg(self, hose_pa: float) -> float:
        """Enthalpy of what comes through it."""
        if isinstance(self.source, Cascade):
            return self.source.banks[self.bank].enthalpy_j_kg
        return self.source.enthalpy_j_kg(hose_pa) if self.source is not None else 0.0

    def mind(self, now_s: float, hose_pa: float, capacity_m3: float) -> None:
        """Look at the gauge once a second; turn the valve every few; change bank when this one has little left."""
        if not isinstance(self.source, Cascade) or now_s < self._shut_until_s or now_s < self._next_look_s:
            return
        self._next_look_s = now_s + 1.0
        self._seen.append((now_s, hose_pa))
        left_pa = self.source.banks[self.bank].pressure_pa - hose_pa
        low = left_pa < self.source.table.change_difference_bar * PA_PER_BAR
        if low and self.bank + 1 < len(self.source.banks):
            self.bank += 1
            self.switches.append(now_s)
            self.shut_for(now_s, self.source.table.change_takes_s)
            self._seen.clear()
            self._throttle = 0.0
            self._next_turn_s = self._shut_until_s
        elif self._rates and now_s >= self._next_turn_s:
            self._turn(_at(self._rates, now_s - self._opened_s), self.source, hose_pa, capacity_m3)
            self._next_turn_s = now_s + _ADJUSTS_EVERY_S

    def _turn(self, wanted_bar_min: float, source: Cascade, hose_pa: float, capacity_m3: float) -> None:
        bank = source.banks[self.bank]
        if self._throttle <= 0.0:
            wanted_kg_s = wanted_bar_min / 60.0 * PA_PER_BAR * capacity_m3 * bank.density_kg_m3 / bank.pressure_pa
            all_open_kg_s = valve_kg_s(
                source.table.panel_area_mm2 * 1e-6, bank.pressure_pa, bank.density_kg_m3, hose_pa
            )
            self._throttle = _FIRST_GUESS * wanted_kg_s / max(all_open_kg_s, 1e-9)
        elif self._seen[-1][0] - self._seen[0][0] >= _ADJUSTS_EVERY_S - 0.5:
            (first_s, first_pa), (last_s, last_pa) = self._seen[0], self._seen[-1]
            seen_bar_min = max(0.2, (last_pa - first_pa) / PA_PER_BAR / (last_s - first_s) * 60.0)
            turn = min(1.5, max(0.6, (wanted_bar_min / seen_bar_min) ** 0.6))
            self._throttle *= turn * math.exp(self._chance.gauss(0.0, 0.03))
        self._throttle = min(1.0, max(_SMALLEST_THROTTLE, self._throttle))
