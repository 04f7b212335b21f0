"""One whip with everything on it: physics, operator, faults, sensors, and the record of the truth."""

import random
from collections.abc import Callable

from fillguard.bench.simulator.crew import Crew
from fillguard.bench.simulator.sensors import Make, Post, Sensor, StrapOn, Way
from fillguard.bench.simulator.tables import BurstFault, Fault, LeakFault, SilentFault, StuckFault, WhipTable
from fillguard.bench.simulator.truth import Recorder, gauge_bar
from fillguard.bench.simulator.whip import Around, WhipModel, leak_area_m2
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, c_from_k

_BARE_CONTACT_IN_BATH = 0.9
"""A strap-on sensor under water that is not insulated reads nine tenths of the water."""


class Rig:
    """Everything that belongs to one whip; `step` it through time."""

    def __init__(
        self,
        *,
        table: WhipTable,
        model: WhipModel,
        crew: Crew,
        recorder: Recorder,
        around: Around,
        pressure: Sensor,
        wall: Sensor | None,
    ) -> None:
        self.recorder = recorder
        self._model = model
        self._crew = crew
        self._around = around
        self._pressure = pressure
        self._wall = wall
        self._wall_table = table.wall
        self._faults: list[Fault] = list(table.fault)
        self._strap = StrapOn(temperature_k=around.air_k)

    def step(self, now_s: float, dt_s: float, post: Post) -> None:
        """Advance to `now_s` and send what the sensors saw on the way."""
        self._crew.step(now_s)
        for fault in [fault for fault in self._faults if self._comes(fault, now_s)]:
            self._faults.remove(fault)
            self._strike(fault, now_s)
        model = self._model
        model.step(now_s, dt_s, self._around)
        self.recorder.observe(now_s)
        self._step_strap(dt_s)
        before, after = gauge_bar(model.before_pa), gauge_bar(model.hose.pressure_pa)
        while self._pressure.due_s <= now_s:
            share = 1.0 - (now_s - self._pressure.due_s) / dt_s
            self._pressure.sample(before + share * (after - before), post)
        while self._wall is not None and self._wall.due_s <= now_s:
            self._wall.sample(c_from_k(self._strap.temperature_k), post)

    def _step_strap(self, dt_s: float) -> None:
        table, charge = self._wall_table, self._model.charge
        if table is None:
            return
        if charge is None:
            self._strap.step(dt_s, self._around.air_k, self._around.air_k, table.lag_s, 0.0)
            return
        _, around_k = self._around.of(charge)
        bare = charge.surroundings == "bath" and not table.insulated
        contact = _BARE_CONTACT_IN_BATH if bare else table.contact
        self._strap.step(dt_s, charge.vessel.wall.outer_k, around_k, table.lag_s, contact)

    def _comes(self, fault: Fault, now_s: float) -> bool:
        charge = self._model.charge
        if isinstance(fault, LeakFault | BurstFault) and charge is None:
            return False
        if fault.at_s is not None:
            return now_s >= fault.at_s
        if fault.at_bar is not None:
            return (
                charge is not None and charge.vessel.pressure_pa >= fault.at_bar * PA_PER_BAR + STANDARD_ATMOSPHERE_PA
            )
        closed_s = self._crew.closed_s
        return closed_s is not None and now_s >= closed_s + (fault.after_close_s or 0.0)

    def _strike(self, fault: Fault, now_s: float) -> None:
        truth, charge = self.recorder.current, self._model.charge
        match fault:
            case SilentFault():
                sensor = self._channel(fault.channel)
                sensor.silent_until_s = now_s + fault.for_s
                if fault.reboot:
                    sensor.reboot()
                if truth is not None:
                    truth.silences.append((round(now_s, 2), round(now_s + fault.for_s, 2)))
            case StuckFault():
                self._channel(fault.channel).stuck_until_s = now_s + fault.for_s
                if truth is not None:
                    truth.stucks.append((round(now_s, 2), round(now_s + fault.for_s, 2)))
            case LeakFault() if charge is not None:
                area_m2 = leak_area_m2(charge.vessel, fault.bar_per_hour)
                if fault.where == "whip":
                    self._model.leak_m2 = area_m2
                else:
                    charge.leak_m2 = area_m2
                self.recorder.happened(now_s, "leak_start")
            case BurstFault() if charge is not None:
                charge.burst_s = now_s
            case _:
                raise AssertionError(fault)

    def _channel(self, name: str) -> Sensor:
        return self._wall if name == "wall" and self._wall is not None else self._pressure


def whip_sensors(
    table: WhipTable, prefix: str, way: Way, chance_of: Callable[[str], random.Random]
) -> tuple[Sensor, Sensor | None]:
    """The gauge of a whip and its wall sensor, where it has one."""
    gauge, strap = table.gauge, table.wall
    pressure = Sensor(
        topic=f"{prefix}/pressure",
        whip=table.id,
        make=Make(
            unit="bar",
            every_s=gauge.every_s,
            noise=gauge.noise_bar,
            step=gauge.step_bar,
            gain=gauge.gain,
            zero=gauge.zero_bar,
        ),
        way=way,
        chance=chance_of("pressure"),
    )
    if strap is None:
        return pressure, None
    wall = Sensor(
        topic=f"{prefix}/wall",
        whip=table.id,
        make=Make(unit="Cel", every_s=strap.every_s, noise=strap.noise_c, step=strap.step_c),
        way=way,
        chance=chance_of("wall"),
    )
    return pressure, wall
