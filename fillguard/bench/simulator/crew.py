"""The operator of one whip: does the acts of the scenario, one after the other."""

from collections.abc import Callable, Generator, Mapping
from typing import Any, Protocol

from fillguard.bench.simulator.supply import Source
from fillguard.bench.simulator.tables import (
    Act,
    AnnounceAct,
    AttachAct,
    BleedAct,
    ClosePanelAct,
    CylinderTable,
    CylinderValveAct,
    DetachAct,
    FillAct,
    OpenPanelAct,
    Scenario,
    WhipTable,
)
from fillguard.bench.simulator.whip import Around, Charge, WhipModel
from fillguard.core.values import GasMix

_SEES_AFTER_S = 3.0
"""A person trusts the needle only some seconds after the cylinder valve is open."""
_FLEES_AFTER_S = 8.0
"""From a bursting disc to the panel closed from a distance."""
_FLOWING_KG_S = 1e-4
_BLED_BAR = 1.0

Steps = Generator[None, None, None]


class Witness(Protocol):
    """Who takes down what really happened."""

    def attached(self, now_s: float, charge: Charge, act: AttachAct) -> None:
        """A cylinder was put on."""

    def happened(self, now_s: float, event: str) -> None:
        """Something else: `valve_open`, `flow_start`, `flow_stop`, ..."""

    def detached(self, now_s: float) -> None:
        """It was taken off."""


class Crew:
    """Steps through a whip's acts; call `step` once per time step, before the physics."""

    def __init__(
        self,
        *,
        scenario: Scenario,
        whip: WhipTable,
        model: WhipModel,
        sources: Mapping[str, Source],
        charges: Mapping[str, Charge],
        around: Around,
        witness: Witness,
        say: Callable[[float, Mapping[str, Any]], None],
    ) -> None:
        self._cylinders = {cylinder.serial: cylinder for cylinder in scenario.cylinder}
        self._whip = whip
        self._model = model
        self._sources = sources
        self._charges = charges
        self._around = around
        self._witness = witness
        self._say = say
        self._now_s = 0.0
        self._flowing = False
        self.closed_s: float | None = None
        self._switches_told = 0
        self._work = self._all()

    def step(self, now_s: float) -> None:
        """Do what is due at `now_s`."""
        self._now_s = now_s
        next(self._work, None)
        model = self._model
        if model.charge is not None:
            model.panel.mind(now_s, model.hose.pressure_pa, model.charge.vessel.shell.capacity_m3)
        for switched_s in model.panel.switches[self._switches_told :]:
            self._witness.happened(switched_s, "bank_switch")
        self._switches_told = len(model.panel.switches)
        if model.panel.is_open and not self._flowing and model.flows.cylinder > _FLOWING_KG_S:
            self._flowing = True
            self._witness.happened(now_s, "flow_start")

    def _all(self) -> Steps:
        done_s = 0.0
        for act in self._whip.act:
            start_s = act.at_s if act.at_s is not None else done_s + (act.after_s or 0.0)
            while self._now_s < start_s:
                yield
            yield from self._do(act)
            done_s = self._now_s

    def _do(self, act: Act) -> Steps:
        match act:
            case AttachAct():
                self._attach(act)
            case AnnounceAct():
                cylinder = self._cylinders[act.cylinder]
                self._say(self._now_s, announcement(cylinder, act, inline=act.announce == "inline"))
            case DetachAct():
                self._witness.detached(self._now_s)
                self._model.disconnect()
                if act.announce:
                    self._say(self._now_s, {"serial": None})
            case CylinderValveAct():
                yield from self._turn(act)
            case OpenPanelAct():
                self._open(act)
            case FillAct():
                yield from self._fill(act)
            case ClosePanelAct():
                self._close()
            case BleedAct():
                yield from self._bleed(act)

    def _attach(self, act: AttachAct) -> None:
        charge = self._charges[act.cylinder]
        self._model.connect(charge, act.surroundings, self._now_s, self._around)
        self._witness.attached(self._now_s, charge, act)
        if act.announce != "none":
            self._say(self._now_s, announcement(charge.table, act, inline=act.announce == "inline"))

    def _turn(self, act: CylinderValveAct) -> Steps:
        self._model.turn_valve(act.opening, act.over_s, self._now_s)
        if act.opening > 0.0:
            self._witness.happened(self._now_s, "valve_open")
        end_s = self._now_s + act.over_s
        while self._now_s < end_s:
            yield
        if act.opening <= 0.0:
            self._witness.happened(self._now_s, "valve_closed")

    def _open(self, act: OpenPanelAct | FillAct) -> None:
        self._model.panel.open(act, self._sources[act.source], self._now_s)

    def _close(self) -> None:
        self._model.panel.close()
        if self._flowing:
            self._flowing = False
            self.closed_s = self._now_s
            self._witness.happened(self._now_s, "flow_stop")

    def _fill(self, act: FillAct) -> Steps:
        if not self._model.panel.is_open:
            self._open(act)
        give_up_s = self._now_s + act.at_most_s
        open_since_s: float | None = None
        pauses = list(act.pause)
        while self._now_s < give_up_s and not self._burst_heard():
            open_since_s = None if self._model.valve_opening(self._now_s) <= 0.0 else open_since_s or self._now_s
            trusted = open_since_s is not None and self._now_s >= open_since_s + _SEES_AFTER_S
            reads = self._reads()
            if trusted and pauses and reads >= pauses[0].at_bar:
                self._model.panel.shut_for(self._now_s, pauses.pop(0).for_s)
            if trusted and reads >= act.close_at_bar:
                break
            yield
        self._close()

    def _bleed(self, act: BleedAct) -> Steps:
        self._model.bleed = act.opening
        give_up_s = self._now_s + act.at_most_s
        while self._now_s < give_up_s and self._model.gauge_bar > max(act.until_bar, _BLED_BAR):
            yield
        if act.until_bar < _BLED_BAR:
            yield from self._wait(1.0)
            self._witness.happened(self._now_s, "whip_bled")
        self._model.bleed = 0.0

    def _wait(self, seconds: float) -> Steps:
        end_s = self._now_s + seconds
        while self._now_s < end_s:
            yield

    def _burst_heard(self) -> bool:
        charge = self._model.charge
        return charge is not None and charge.burst_s is not None and self._now_s >= charge.burst_s + _FLEES_AFTER_S

    def _reads(self) -> float:
        """What the gauge tells the operator, bar."""
        return self._model.gauge_bar * self._whip.gauge.gain + self._whip.gauge.zero_bar


def announcement(table: CylinderTable, act: AttachAct | AnnounceAct, *, inline: bool) -> dict[str, Any]:
    """The payload of an attach message."""
    said: dict[str, Any] = {"serial": table.serial, "surroundings": act.surroundings}
    if act.operator is not None:
        said["operator"] = act.operator
        said["checked"] = ["stamp-read", "valves-open"]
    if act.gas is not None:
        said["gas"] = _gas_said(act.gas)
    if act.target_bar is not None:
        said["target_bar"] = act.target_bar
    if act.arrived is not None:
        said["arrived"] = act.arrived
    if inline:
        said |= {
            "water_volume_l": table.water_volume_l,
            "empty_mass_kg": table.empty_mass_kg,
            "count": table.count,
            "material": table.material.value,
            "rated_pressure_bar": table.rated_pressure_bar,
            "reference_temperature_c": table.reference_temperature_c,
        }
        if table.residual_gas is not None:
            said["residual_gas"] = _gas_said(table.residual_gas)
    return {key: value for key, value in said.items() if key not in act.leave_out}


def _gas_said(gas: GasMix) -> str | dict[str, float]:
    return "air" if gas.air else {"o2": gas.o2, "he": gas.he}
