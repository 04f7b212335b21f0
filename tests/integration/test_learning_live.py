"""What a running watch learns, from a reading that a person gives and from a cylinder that comes back cold; a reset."""

import json
from dataclasses import dataclass
from typing import Any

import pytest

from fillguard.bench.simulator import Simulation
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.core.events import FillEnded, LearnedChanged
from fillguard.core.learned import SCALE_LIMIT, SHIPPED, Unfit
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import AIR
from fillguard.ledger.reader import SqliteLedgerReader
from tests.gases import shipped
from tests.servers import Mosquitto, Peer
from tests.stations import Drill, Process, fillguard, said_on, until, write_station

pytestmark = pytest.mark.servers

SHOP_C = 20.0
READ_HIGHER_BAR = 1.5


def _cylinder(serial: str) -> dict[str, Any]:
    return {
        "serial": serial,
        "material": "steel",
        "water_volume_l": 12.0,
        "empty_mass_kg": 14.0,
        "rated_pressure_bar": 232,
        "reference_temperature_c": 15,
        "start_bar": 120,
        "start_c": SHOP_C,
    }


def _filled_and_taken_off(serial: str, at_s: float) -> list[dict[str, Any]]:
    return [
        {"do": "attach", "at_s": at_s, "cylinder": serial, "operator": "op-1", "gas": "air"},
        {"do": "cylinder-valve", "after_s": 1, "opening": 1.0, "over_s": 1},
        {"do": "fill", "after_s": 8, "source": "compressor", "close_at_bar": 190},
        {"do": "cylinder-valve", "after_s": 30, "opening": 0.0, "over_s": 1},
        {"do": "bleed", "after_s": 1},
        {"do": "detach", "after_s": 3},
    ]


SCENARIO: dict[str, Any] = {
    "station": {"id": "tern", "duration_s": 620.0, "air_c": SHOP_C},
    "source": [{"kind": "compressor", "name": "compressor", "free_air_l_min": 350, "stop_bar": 330}],
    "cylinder": [_cylinder("TH-0042"), _cylinder("TH-0043"), _cylinder("TH-0044")],
    "whip": [
        {
            "id": "1",
            "gauge": {"every_s": 0.5},
            "act": [*_filled_and_taken_off("TH-0042", 1.0), *_filled_and_taken_off("TH-0043", 300.0)],
        },
        {
            "id": "2",
            "gauge": {"every_s": 0.5},
            "fault": [{"kind": "stuck", "at_bar": 150, "for_s": 50}],
            "act": _filled_and_taken_off("TH-0044", 1.0),
        },
    ],
}
"""Two good fills, one after the other, and one whose sensor stands still in the middle: nobody stays connected."""


def comes_back_cold(serial: str, level_bar: float, at_s: float) -> list[SimMessage]:
    """The cylinder hangs on whip 2, as cold as the shop by its wall sensor, and gets a little gas."""
    said = {"serial": serial, **{key: value for key, value in _cylinder(serial).items() if "start" not in key}}
    messages = [_message("2/cylinder", {**said, "operator": "op-1", "gas": "air"}, at_s)]
    for step in range(140):
        t_s = 0.5 * step
        bar = 0.0 if t_s < 6.0 else level_bar + max(0.0, t_s - 25.0) * 0.4
        messages.append(_message("2/pressure", {"value": round(bar, 1), "unit": "bar", "time": at_s + t_s}, at_s + t_s))
        if step % 10 == 0:
            warm = {"value": SHOP_C, "unit": "Cel", "time": at_s + t_s}
            messages += [_message(leaf, warm, at_s + t_s) for leaf in ("2/wall", "ambient")]
    return messages


def _message(leaf: str, content: dict[str, Any], t_s: float) -> SimMessage:
    return SimMessage(t_s=t_s, topic=f"fill/tern/{leaf}", payload=json.dumps(content).encode(), whip=None)


@dataclass
class Learned:
    """What came of it."""

    ends: dict[str, FillEnded]
    changes: list[LearnedChanged]
    """Oldest first."""
    said: list[str]
    """By the commands."""


@pytest.fixture(scope="module")
def learned(tmp_path_factory: pytest.TempPathFactory) -> Learned:
    folder = tmp_path_factory.mktemp("learning")
    (folder / "broker").mkdir()
    said: list[str] = []
    with Mosquitto(folder / "broker") as broker, Peer(broker.port) as board, Peer(broker.port) as sensors:
        config = write_station(folder / "config", broker.port)
        board.subscribe("fillguard/#")
        drill = Drill()
        with Process(folder / "daemon.log", "run", "--config", config, "--drill", **drill.environ):
            board.wait_for(lambda _: any(each["state"] == "online" for each in said_on(board, "fillguard/tern/status")))
            simulation = Simulation(parse_scenario(SCENARIO, "learning"), epoch_utc_s=0.0)
            drill.play(sensors, [message for message in simulation.messages() if not message.retained])
            with SqliteLedgerReader(config / "ledger.db") as reader:
                until(lambda: len(reader.newest_ends(10)) == 3, "three fills on record")
                ends = {end.summary.serial or "": end for end in reader.newest_ends(10)}
                first, second = ends["TH-0042"], ends["TH-0043"]
                higher = str(round(_as_cold_as_the_shop(first) + READ_HIGHER_BAR, 1))
                words = ("--bar", higher, "--at-c", str(SHOP_C), "--by", "tech-1", "--config", config)
                for fill in (ends["TH-0044"], first, first):
                    done = fillguard("settled", fill.summary.fill_id, *words, **drill.environ)
                    said.append(done.stdout + done.stderr)
                drill.play(sensors, comes_back_cold("TH-0043", _as_cold_as_the_shop(second), drill.now_s + 30.0))
                until(lambda: len(reader.learned_changes(10)) == 2, "what the cylinder that came back taught")
                done = fillguard(
                    "learned", "--reset", "--by", "tech-1", "--why", "new gauge", "--config", config, **drill.environ
                )
                said.append(done.stdout + done.stderr)
                until(lambda: len(reader.learned_changes(10)) == 3, "the reset")
                changes = list(reversed(reader.learned_changes(10)))
    return Learned(ends, changes, said)


def _as_cold_as_the_shop(end: FillEnded) -> float:
    """What a gauge reads once gas and wall are at the shop's temperature, by the fill's own projection; bar."""
    settled_pa, gas = end.summary.final_settled_gauge_pa, shipped(AIR)
    assert settled_pa is not None
    density = gas.density_unguarded(settled_pa + STANDARD_ATMOSPHERE_PA, k_from_c(15.0))
    return (gas.state(density, k_from_c(SHOP_C))[0] - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR


def test_fills_that_were_taken_off_at_once_teach_nothing_by_themselves(learned: Learned) -> None:
    assert learned.ends["TH-0042"].untaught is Unfit.DISCONNECTED_EARLY
    assert learned.ends["TH-0043"].untaught is Unfit.DISCONNECTED_EARLY


def test_one_whose_sensor_stood_still_never_teaches_anything(learned: Learned) -> None:
    assert learned.ends["TH-0044"].untaught is Unfit.SENSOR_STUCK
    assert learned.ends["TH-0044"].ending is None
    assert "unknown-fill" in learned.said[0]


def test_a_reading_that_a_person_gives_teaches_once_under_a_version_of_its_own(learned: Learned) -> None:
    change = learned.changes[0]
    assert (change.learned.version, change.by) == (1, "tech-1")
    assert change.lesson is not None
    assert change.lesson.settled
    assert change.lesson.fill_id == learned.ends["TH-0042"].summary.fill_id
    assert change.learned.shift().guess > 0.0, "more was in it: its gas had been colder, its heat transfer better"
    assert "unknown-fill" in learned.said[2], "the same fill cannot be read twice"


def test_a_cylinder_that_comes_back_cold_teaches_by_itself(learned: Learned) -> None:
    change = learned.changes[1]
    assert (change.learned.version, change.by) == (2, "fillguard")
    assert change.lesson is not None
    assert change.lesson.fill_id == learned.ends["TH-0043"].summary.fill_id
    assert abs(change.learned.shift().guess) <= SCALE_LIMIT
    assert change.learned.shift().sigma < learned.changes[0].learned.shift().sigma


def test_a_reset_puts_the_shipped_values_back_under_the_next_version(learned: Learned) -> None:
    change = learned.changes[2]
    assert (change.learned.version, change.by) == (3, "tech-1")
    assert "new gauge" in change.why
    assert change.learned.learned_for(None).ln_natural.guess == SHIPPED.ln_natural.guess
