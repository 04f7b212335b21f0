"""The station in motion: one time step for everybody, messages out in order of arrival."""

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fillguard.bench.simulator.crew import Crew
from fillguard.bench.simulator.flow import Hose, Isotherm
from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.rig import Rig, whip_sensors
from fillguard.bench.simulator.sensors import Make, Post, Sensor, SimMessage, Way, payload_of
from fillguard.bench.simulator.supply import Cascade, Compressor, Panel, Source
from fillguard.bench.simulator.tables import (
    AttachAct,
    CascadeTable,
    FillAct,
    OpenPanelAct,
    Scenario,
    WhipTable,
)
from fillguard.bench.simulator.truth import FillTruth, Recorder
from fillguard.bench.simulator.vessel import HeatScales
from fillguard.bench.simulator.whip import AIR_OUTSIDE_W_M2K, Around, WhipModel, charge_of
from fillguard.core.units import c_from_k, k_from_c
from fillguard.core.values import AIR, GasMix

STEP_S = 0.1
_BANKS_EVERY_STEPS = 5
_SWING_PERIOD_S = 3600.0
_ROOM_STEP_C = 0.1
_ROOM_NOISE_C = 0.15
_BATH_WHERE_NONE_C = 15.0


class Simulation:
    """A scenario played once. The same scenario, seed and epoch give the same messages, byte for byte.

    Iterate `messages()` to its end; `fills` then holds the truth of every cylinder that was on a whip.
    `epoch_utc_s` is the Unix time of the scenario's start, for the time stamps in the payloads.
    """

    def __init__(self, scenario: Scenario, *, seed: int | None = None, epoch_utc_s: float = 0.0) -> None:
        station = scenario.station
        self.scenario = scenario
        self._seed = station.seed if seed is None else seed
        self._epoch_utc_s = epoch_utc_s
        self._ends_s = station.duration_s
        self._post = Post()
        self._air_mean_k = k_from_c(station.air_c)
        bath_c = station.bath_c if station.bath_c is not None else _BATH_WHERE_NONE_C
        self._around = Around(air_k=self._air_mean_k, bath_k=k_from_c(bath_c))
        self._sources: dict[str, Source] = {
            table.name: Cascade(table, self._air_mean_k)
            if isinstance(table, CascadeTable)
            else Compressor(table, self._air_mean_k)
            for table in scenario.source
        }
        heat = HeatScales(natural=scenario.heat.natural, forced=scenario.heat.forced)
        self._charges = {
            table.serial: charge_of(table, _gases_into(scenario, table.serial), self._air_mean_k, heat)
            for table in scenario.cylinder
        }
        self._rigs = [self._rig(table) for table in scenario.whip]
        self._room = self._room_sensors()

    @property
    def fills(self) -> Sequence[FillTruth]:
        """One record per cylinder that was on a whip: by whip, then time."""
        return [fill for rig in self._rigs for fill in rig.recorder.fills]

    def end_at(self, t_s: float) -> None:
        """End earlier than the scenario says; allowed while `messages` runs."""
        self._ends_s = min(self._ends_s, t_s)

    def messages(self) -> Iterator[SimMessage]:
        """Every message of the scenario, in order of arrival. Call once."""
        for whip in self.scenario.whip:
            topic = f"{self._prefix(whip.id)}/presence"
            yield SimMessage(t_s=0.0, topic=topic, payload=b"online", whip=whip.id, retained=True)
        step = 0
        while step * STEP_S < self._ends_s:
            step += 1
            self._step(step)
            yield from self._post.arrived(round(step * STEP_S, 6))
        for rig in self._rigs:
            rig.recorder.detached(round(step * STEP_S, 6))
        yield from self._post.arrived(math.inf)

    def _step(self, step: int) -> None:
        now_s = round(step * STEP_S, 6)
        swing_k = self.scenario.station.air_swing_c * math.sin(2.0 * math.pi * now_s / _SWING_PERIOD_S)
        self._around.air_k = self._air_mean_k + swing_k
        for rig in self._rigs:
            rig.step(now_s, STEP_S, self._post)
        if step % _BANKS_EVERY_STEPS == 0:
            for source in self._sources.values():
                if isinstance(source, Cascade):
                    source.settle(STEP_S * _BANKS_EVERY_STEPS, self._around.air_k, AIR_OUTSIDE_W_M2K)
        for sensor, true_k in zip(self._room, (self._around.air_k, self._around.bath_k), strict=False):
            while sensor.due_s <= now_s:
                sensor.sample(c_from_k(true_k), self._post)

    def _prefix(self, whip: str | None) -> str:
        return f"fill/{self.scenario.station.id}" + (f"/{whip}" if whip is not None else "")

    def _chance(self, *names: str) -> random.Random:
        """A stream of its own for each name, so that a change in one place moves nothing elsewhere."""
        return random.Random(":".join((str(self._seed), *names)))  # noqa: S311  (noise of sensors, not a secret)

    def _room_sensors(self) -> list[Sensor]:
        station = self.scenario.station
        make = Make(unit="Cel", every_s=station.ambient_every_s, noise=_ROOM_NOISE_C, step=_ROOM_STEP_C)
        way = Way(link=self.scenario.link, epoch_utc_s=self._epoch_utc_s)
        names = ("ambient", "bath") if station.bath_c is not None else ("ambient",)
        return [
            Sensor(topic=f"{self._prefix(None)}/{name}", whip=None, make=make, way=way, chance=self._chance(name))
            for name in names
        ]

    def _rig(self, table: WhipTable) -> Rig:
        model = WhipModel(panel=Panel(table.id, self._chance(table.id, "panel")), hose=Hose(self._first_gas(table)))
        around_c = {"air": self.scenario.station.air_c, "bath": c_from_k(self._around.bath_k)}
        recorder = Recorder(table.id, model, around_c)
        crew = Crew(
            scenario=self.scenario,
            whip=table,
            model=model,
            sources=self._sources,
            charges=self._charges,
            around=self._around,
            witness=recorder,
            say=lambda now_s, content: self._say(table.id, now_s, content),
        )
        way = Way(
            link=self.scenario.link,
            epoch_utc_s=self._epoch_utc_s,
            clock_offset_s=table.clock_offset_s,
            send_time=table.send_time,
        )
        pressure, wall = whip_sensors(table, self._prefix(table.id), way, lambda leaf: self._chance(table.id, leaf))
        return Rig(
            table=table,
            model=model,
            crew=crew,
            recorder=recorder,
            around=self._around,
            pressure=pressure,
            wall=wall,
        )

    def _first_gas(self, table: WhipTable) -> Isotherm:
        """Of the first source this whip is opened to; air where there is none."""
        for act in table.act:
            if isinstance(act, OpenPanelAct | FillAct):
                return self._sources[act.source].isotherm
        return Isotherm(Fluid.of(AIR), self._air_mean_k)

    def _say(self, whip: str, now_s: float, content: Mapping[str, Any]) -> None:
        arrives_s = now_s + self.scenario.link.delay_s
        topic = f"{self._prefix(whip)}/cylinder"
        self._post.send(SimMessage(t_s=arrives_s, topic=topic, payload=payload_of(content), whip=whip))


def _gases_into(scenario: Scenario, serial: str) -> tuple[GasMix, ...]:
    """All gases that the acts may put into a cylinder, the first one first; air where nothing does."""
    gas_of = {source.name: source.gas for source in scenario.source}
    gases: list[GasMix] = []
    for whip in scenario.whip:
        on_whip: str | None = None
        for act in whip.act:
            if isinstance(act, AttachAct):
                on_whip = act.cylinder
            elif isinstance(act, OpenPanelAct | FillAct) and on_whip == serial:
                gases.append(gas_of[act.source])
    return tuple(gases) or (AIR,)
