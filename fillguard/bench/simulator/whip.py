"""One whip: hose, cylinder valve, cylinder, bleed, leaks, disc. Physics only; who turns what is elsewhere."""

from dataclasses import dataclass, field

from fillguard.bench.simulator.flow import STILL, Flows, Hose, Isotherm, Openings, valve_kg_s
from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.supply import Panel
from fillguard.bench.simulator.tables import CylinderTable
from fillguard.bench.simulator.vessel import HeatScales, Vessel, shell_of
from fillguard.core.errors import ConfigurationError
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import GasMix

AIR_OUTSIDE_W_M2K = 9.0
"""Free convection and radiation on a bottle standing in a room (common practice)."""
BATH_OUTSIDE_W_M2K = 400.0
"""Still water; between 300 and 600 (common practice)."""
_BLEED_M2 = 4e-7
_DISC_M2 = 4e-6
_AWAY_STEP_S = 1.0


@dataclass(slots=True, kw_only=True)
class Charge:
    """A cylinder with what is in it, on a whip or standing aside."""

    table: CylinderTable
    vessel: Vessel
    surroundings: str = "air"
    stepped_to_s: float = 0.0
    leak_m2: float = 0.0
    leaked_kg: float = 0.0
    burst_s: float | None = None
    mounted: bool = False


def charge_of(table: CylinderTable, gases: tuple[GasMix, ...], air_k: float, heat: HeatScales) -> Charge:
    """The cylinder as it arrives. `gases`: all that may be put into it; the first also stands for the residue."""
    start_k = k_from_c(table.start_c) if table.start_c is not None else air_k
    vessel = Vessel(
        fluid=Fluid.blend(table.residual_gas or gases[0], gases),
        shell=shell_of(
            material=table.material,
            capacity_m3=table.water_volume_l * 1e-3,
            mass_kg=table.empty_mass_kg,
            count=table.joined or table.count,
        ),
        pressure_pa=table.start_bar * PA_PER_BAR + STANDARD_ATMOSPHERE_PA,
        temperature_k=start_k,
        heat=heat,
    )
    return Charge(table=table, vessel=vessel)


@dataclass(slots=True, kw_only=True)
class _Turning:
    """A valve on its way from one opening to another."""

    start: float = 0.0
    target: float = 0.0
    began_s: float = 0.0
    over_s: float = 0.0

    def at(self, now_s: float) -> float:
        if now_s >= self.began_s + self.over_s:
            return self.target
        return self.start + (self.target - self.start) * (now_s - self.began_s) / self.over_s


@dataclass(slots=True, kw_only=True)
class Around:
    """What stands around the cylinders."""

    air_k: float
    bath_k: float

    def of(self, charge: Charge) -> tuple[float, float]:
        """Heat transfer outside, W/m2K, and the temperature there."""
        if charge.surroundings == "bath":
            return BATH_OUTSIDE_W_M2K, self.bath_k
        return AIR_OUTSIDE_W_M2K, self.air_k


@dataclass(slots=True, kw_only=True)
class WhipModel:
    """State of one whip; `step` moves it on."""

    panel: Panel
    hose: Hose
    charge: Charge | None = None
    bleed: float = 0.0
    leak_m2: float = 0.0
    flows: Flows = STILL
    before_pa: float = STANDARD_ATMOSPHERE_PA
    """Hose pressure one step ago: a sample may fall between two steps."""
    _valve: _Turning = field(default_factory=_Turning)
    _fed_by: Isotherm | None = None

    @property
    def gauge_bar(self) -> float:
        """True gauge pressure in the hose."""
        return (self.hose.pressure_pa - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR

    def valve_opening(self, now_s: float) -> float:
        """Of the cylinder valve, as a share of its full flow area."""
        return self._valve.at(now_s)

    def turn_valve(self, opening: float, over_s: float, now_s: float) -> None:
        """Start to turn the cylinder valve."""
        self._valve = _Turning(start=self._valve.at(now_s), target=opening, began_s=now_s, over_s=over_s)

    def connect(self, charge: Charge, surroundings: str, now_s: float, around: Around) -> None:
        """Screw a cylinder on, its valve shut; it has cooled or warmed meanwhile.

        Raises:
            ConfigurationError: it hangs on another whip at this time.
        """
        if charge.mounted:
            raise ConfigurationError(
                f"cylinder {charge.table.serial} is to be attached at {now_s:.1f} s but still hangs on another whip; "
                "detach it there first, or give this whip another cylinder"
            )
        charge.mounted = True
        charge.surroundings = surroundings
        outside, around_k = around.of(charge)
        while charge.stepped_to_s < now_s:
            dt_s = min(_AWAY_STEP_S, now_s - charge.stepped_to_s)
            charge.vessel.step(dt_s, outside_w_m2k=outside, around_k=around_k)
            charge.stepped_to_s += dt_s
        self.charge = charge
        self._valve = _Turning()

    def disconnect(self) -> None:
        """Take it off."""
        if self.charge is not None:
            self.charge.mounted = False
        self.charge = None
        self._valve = _Turning()

    def step(self, now_s: float, dt_s: float, around: Around) -> None:
        """Advance to `now_s`, which is `dt_s` later than before."""
        self.before_pa = self.hose.pressure_pa
        feed = self.panel.feed(now_s)
        if self.panel.source is not None and self.panel.source.isotherm is not self._fed_by:
            self._fed_by = self.hose.isotherm = self.panel.source.isotherm
        charge = self.charge
        self.flows = self.hose.step(
            dt_s,
            feed=feed,
            cylinder=charge.vessel if charge is not None else None,
            openings=Openings(
                valve_m2=self._valve.at(now_s) * charge.table.valve_area_mm2 * 1e-6 if charge is not None else 0.0,
                bleed_m2=self.bleed * _BLEED_M2,
                leak_m2=self.leak_m2,
            ),
        )
        if charge is not None:
            self._step_charge(charge, now_s, dt_s, around)

    def _step_charge(self, charge: Charge, now_s: float, dt_s: float, around: Around) -> None:
        vessel, table = charge.vessel, charge.table
        if table.disc_burst_bar is not None and _gauge_bar(vessel) > table.disc_burst_bar:
            charge.burst_s = charge.burst_s if charge.burst_s is not None else now_s
        holes_m2 = charge.leak_m2 + (_DISC_M2 if charge.burst_s is not None else 0.0)
        lost_kg = dt_s * valve_kg_s(holes_m2, vessel.pressure_pa, vessel.density_kg_m3, STANDARD_ATMOSPHERE_PA)
        charge.leaked_kg += lost_kg
        outside, around_k = around.of(charge)
        into_kg = self.flows.cylinder * dt_s
        source = self.panel.source
        vessel.step(
            dt_s,
            in_kg=max(0.0, into_kg),
            in_j_kg=self.panel.supply_j_kg(self.hose.pressure_pa) if source is not None else vessel.enthalpy_j_kg,
            in_shares=vessel.fluid.shares_of(source.gas) if source is not None else vessel.fluid.fractions,
            out_kg=max(0.0, -into_kg) + lost_kg,
            outside_w_m2k=outside,
            around_k=around_k,
        )
        charge.stepped_to_s = now_s


def leak_area_m2(vessel: Vessel, bar_per_hour: float) -> float:
    """The hole that costs this vessel so much at 200 bar and 20 C."""
    high_pa, temperature_k = 201e5, 293.15
    low = vessel.fluid.at_pressure(high_pa - 1e5, temperature_k)
    density = vessel.fluid.at_pressure(high_pa, temperature_k)
    kg_s = (density - low) * vessel.shell.capacity_m3 * bar_per_hour / 3600.0
    return kg_s / valve_kg_s(1.0, high_pa, density, STANDARD_ATMOSPHERE_PA)


def _gauge_bar(vessel: Vessel) -> float:
    return (vessel.pressure_pa - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR
