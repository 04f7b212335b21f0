"""A small simulated station for tests: ninety seconds, one whip, one cylinder filled a little."""

import json
from typing import Any

from fillguard.bench.simulator import Simulation
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.bench.simulator.truth import FillTruth


def small_scenario() -> dict[str, Any]:
    """A minute and a half: attach, open, fill a little, bleed, take off."""
    return {
        "station": {"id": "tern", "duration_s": 90.0, "bath_c": 15.0},
        "source": [
            {"kind": "compressor", "name": "compressor", "free_air_l_min": 300, "stop_bar": 320},
            {"kind": "cascade", "name": "cascade", "bank": [{"volume_l": 100, "start_bar": 280}]},
        ],
        "cylinder": [
            {
                "serial": "TH-0042",
                "material": "steel",
                "water_volume_l": 7.0,
                "empty_mass_kg": 8.4,
                "rated_pressure_bar": 300,
                "reference_temperature_c": 15,
                "start_bar": 50,
            }
        ],
        "whip": [
            {
                "id": "1",
                "wall": {},
                "act": [
                    {"do": "attach", "at_s": 2, "cylinder": "TH-0042", "operator": "op-1", "gas": "air"},
                    {"do": "cylinder-valve", "after_s": 2, "opening": 1.0, "over_s": 1},
                    {"do": "fill", "after_s": 3, "source": "compressor", "close_at_bar": 70},
                    {"do": "cylinder-valve", "after_s": 5, "opening": 0.0, "over_s": 1},
                    {"do": "bleed", "after_s": 1},
                    {"do": "detach", "after_s": 2},
                ],
            }
        ],
    }


def act(data: dict[str, Any], number: int) -> dict[str, Any]:
    """Act `number` of the first whip, counted from 1."""
    found: dict[str, Any] = data["whip"][0]["act"][number - 1]
    return found


def played(data: dict[str, Any], seed: int | None = None) -> tuple[list[SimMessage], list[FillTruth]]:
    """Everything that a scenario sends, and the truth of its fills."""
    simulation = Simulation(parse_scenario(data, "test"), seed=seed)
    return list(simulation.messages()), list(simulation.fills)


def readings(messages: list[SimMessage], leaf: str) -> list[dict[str, Any]]:
    """The contents of all messages on topics that end in `leaf`."""
    return [json.loads(one.payload) for one in messages if one.topic.endswith(f"/{leaf}")]
