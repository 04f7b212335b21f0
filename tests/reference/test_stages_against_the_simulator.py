"""Fills in stages against the simulator, which has its own gas, its own wall and its own mixing.

After each stage: where the contents settle, and how much oxygen is in them. The bar for the settled pressure is the
usual error of any fill without a wall sensor, 3.5 bar; for the oxygen a few tenths of a per cent, what an analyser
resolves (both our choice).
"""

from dataclasses import dataclass
from typing import Any

import pytest

from fillguard.bench.simulator import Simulation
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.bench.simulator.truth import FillTruth
from fillguard.core.events import CylinderAttached, StageEnded
from fillguard.core.stages import Stage
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Stamp
from fillguard.engine import Stepper
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import RawMessage
from tests.panel import real_rules

SETTLED_BAR, O2_FINAL, O2_ON_THE_WAY = 3.5, 0.003, 0.006
T0 = 1_795_558_000.0
OXYGEN, HELIUM = GasMix(o2=1.0), GasMix(o2=0.0, he=1.0)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One blend: what hangs there, what is let in, how the operator does it."""

    name: str
    material: str = "aluminium"
    litres: float = 11.1
    mass_kg: float = 14.2
    rated_bar: float = 207.0
    reference_c: float = 21.1
    start_bar: float = 0.3
    residual: GasMix = AIR
    stages: tuple[tuple[GasMix, float, float, float, str], ...]
    """Gas, target, gauge at which it is closed, bar/min, whip."""
    wait_s: float = 240.0
    wall: bool = True
    heat: tuple[float, float] = (0.6, 0.33)
    slow: bool = False


CASES = (
    Case(
        name="oxygen then air on two whips",
        stages=((OXYGEN, 29.0, 30.5, 4.0, "3"), (AIR, 207.0, 217.0, 20.0, "1")),
    ),
    Case(
        name="oxygen then air on one whip",
        stages=((OXYGEN, 29.0, 30.5, 4.0, "1"), (AIR, 207.0, 217.0, 20.0, "1")),
    ),
    Case(
        name="nobody waits and nothing feels the wall",
        slow=True,
        stages=((OXYGEN, 40.0, 42.0, 6.0, "3"), (AIR, 207.0, 220.0, 30.0, "1")),
        wait_s=60.0,
        wall=False,
        heat=(1.0, 1.0),
    ),
    Case(
        name="a steel cylinder with 50 bar of EAN32 left in it",
        slow=True,
        material="steel",
        litres=12.0,
        mass_kg=14.5,
        rated_bar=232.0,
        reference_c=15.0,
        start_bar=50.0,
        residual=GasMix(o2=0.32),
        stages=((OXYGEN, 72.0, 74.0, 4.5, "3"), (AIR, 220.0, 232.0, 20.0, "1")),
    ),
    Case(
        name="helium, oxygen, air",
        slow=True,
        material="steel",
        litres=12.0,
        mass_kg=14.5,
        rated_bar=232.0,
        reference_c=15.0,
        stages=((HELIUM, 80.0, 84.0, 10.0, "3"), (OXYGEN, 100.0, 103.0, 4.0, "3"), (AIR, 220.0, 231.0, 20.0, "1")),
    ),
)


def scenario(case: Case) -> dict[str, Any]:
    sources: list[dict[str, Any]] = []
    whips: dict[str, list[dict[str, Any]]] = {}
    for number, (mix, _, close_bar, rate, whip) in enumerate(case.stages):
        said = "air" if mix.air else {"o2": mix.o2, "he": mix.he}
        sources.append(
            {"kind": "cascade", "name": f"s{number}", "gas": said, "bank": [{"volume_l": 400, "start_bar": 280}]}
        )
        acts = whips.setdefault(whip, [])
        last = is_last_on_its_whip(case, number)
        fill = {"do": "fill", "source": f"s{number}", "close_at_bar": close_bar, "rate_bar_min": rate}
        if number and case.stages[number - 1][4] == whip:
            acts.append(fill | {"after_s": case.wait_s})
        else:
            at = {"at_s": 20.0} if number == 0 else {"at_s": 1500.0 * number}
            acts.append({"do": "attach", **at, "cylinder": "TH-0042", "announce": "none"})
            acts.append({"do": "cylinder-valve", "after_s": 10, "opening": 1.0, "over_s": 3})
            acts.append(fill | {"after_s": 25})
        if last:
            acts.append({"do": "cylinder-valve", "after_s": case.wait_s, "opening": 0.0, "over_s": 3})
            acts.append({"do": "bleed", "after_s": 3})
            acts.append({"do": "detach", "after_s": 10, "announce": False})
    return {
        "station": {"id": "tern", "duration_s": 1500.0 * len(case.stages) + 900.0, "air_c": 20.0, "seed": 7},
        "heat": {"natural": case.heat[0], "forced": case.heat[1]},
        "source": sources,
        "cylinder": [
            {
                "serial": "TH-0042",
                "material": case.material,
                "water_volume_l": case.litres,
                "empty_mass_kg": case.mass_kg,
                "rated_pressure_bar": case.rated_bar,
                "reference_temperature_c": case.reference_c,
                "start_bar": case.start_bar,
                "residual_gas": "air" if case.residual.air else {"o2": case.residual.o2, "he": case.residual.he},
            }
        ],
        "whip": [
            {"id": whip, "gauge": {"every_s": 1.0}, "act": acts} | ({"wall": {}} if case.wall else {})
            for whip, acts in whips.items()
        ],
    }


def is_last_on_its_whip(case: Case, number: int) -> bool:
    return number + 1 == len(case.stages) or case.stages[number + 1][4] != case.stages[number][4]


def watched(case: Case) -> tuple[list[StageEnded], list[FillTruth]]:
    """What the watch said after each stage, and the truth of each stay on a whip."""
    simulation = Simulation(parse_scenario(scenario(case), case.name), epoch_utc_s=T0)
    decoder = DefaultDecoder("tern", register=lambda _: None)
    stepper = Stepper(real_rules())
    happenings = list(stepper.feed(attached(case)))
    for message in simulation.messages():
        at = Stamp(mono_s=T0 + message.t_s, utc_s=T0 + message.t_s)
        for event in decoder.decode(RawMessage(arrived=at, topic=message.topic, payload=message.payload)):
            happenings += stepper.feed(event)
    told = [fact for happening in happenings for fact in happening.facts if isinstance(fact, StageEnded)]
    return told, list(simulation.fills)


def attached(case: Case) -> CylinderAttached:
    stages = tuple(Stage(gas=gas, target_gauge_pa=bar * PA_PER_BAR, whip=whip) for gas, bar, _, _, whip in case.stages)
    return CylinderAttached(
        stamp=Stamp(mono_s=T0 + 1, utc_s=T0 + 1),
        whip=stages[0].whip,
        serial="TH-0042",
        cylinder=Cylinder(
            serial="TH-0042",
            water_capacity_m3=case.litres * 1e-3,
            material=Material(case.material),
            rated_gauge_pa=case.rated_bar * PA_PER_BAR,
            reference_k=k_from_c(case.reference_c),
            empty_mass_kg=case.mass_kg,
        ),
        operator="op-1",
        gas=max((stage.gas for stage in stages), key=lambda gas: gas.o2),
        residual_gas=case.residual,
        residual_told=True,
        stages=stages,
    )


@pytest.mark.parametrize(
    "case", [pytest.param(case, id=case.name, marks=[pytest.mark.long] if case.slow else []) for case in CASES]
)
def test_settled_pressure_and_oxygen_after_the_stages_are_what_the_simulator_says(case: Case) -> None:
    told, stays = watched(case)
    assert [fact.number for fact in told] == list(range(1, len(case.stages) + 1))
    # The last stage on each whip is what stood there when it was taken off.
    seen = [told[number] for number in range(len(case.stages)) if is_last_on_its_whip(case, number)]
    for fact, stay in zip(seen, sorted(stays, key=lambda stay: stay.attached_s), strict=True):
        settled, predicted = fact.done.settled, fact.done.predicted
        assert stay.at_close is not None
        assert settled is not None
        assert predicted is not None
        true_bar, true_o2 = stay.at_close.state.settled_ref_bar_g, stay.at_close.shares["o2"]
        assert settled.gauge_pa / PA_PER_BAR == pytest.approx(true_bar, abs=SETTLED_BAR), fact.text
        assert settled.low_gauge_pa / PA_PER_BAR - 0.1 <= true_bar <= settled.high_gauge_pa / PA_PER_BAR + 0.1
        assert predicted.o2.low <= true_o2 <= predicted.o2.high, fact.text
        assert predicted.he.low - 5e-4 <= stay.at_close.shares["he"] <= predicted.he.high + 5e-4, fact.text
        within = O2_FINAL if fact is told[-1] else O2_ON_THE_WAY
        assert predicted.o2.best == pytest.approx(true_o2, abs=within), fact.text
