"""Single fills by the hundred, varied at random, with their truth: material to score an estimator on.

A fill is `fill_NNN.csv.gz` with `t_s,ch,value` in order of arrival (P whip pressure bar gauge, W strap-on wall C,
A ambient C, B bath C) and `fill_NNN.json` with what a station knows (`given`) and what was so (`truth`).
"""

import gzip
import io
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fillguard.bench.simulator.cases import HEATS, KINDS, Case, Trouble, draw_case
from fillguard.bench.simulator.report import truth_report
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.bench.simulator.simulation import Simulation
from fillguard.core.errors import ConfigurationError

_CHANNELS = {"pressure": "P", "wall": "W", "ambient": "A", "bath": "B"}
_CHANNEL_WORDS = {
    "P": "whip pressure, bar(g)",
    "W": "outer wall strap-on thermistor, degC",
    "A": "ambient air, degC",
    "B": "bath water, degC",
}
_SETTLE_AFTER_BURST_S = 300.0
_TRACE_EVERY_S = 5.0
_SEEDS_APART = 100_003


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneratedFill:
    """One fill: what was measured, what a station knows, what was so."""

    number: int
    rows: Sequence[tuple[float, str, float]]
    """(device time s, channel, value) in order of arrival."""
    given: dict[str, Any]
    truth: dict[str, Any]

    def write(self, folder: Path) -> None:
        """Write `fill_NNN.csv.gz` and `fill_NNN.json`; equal fills give equal bytes."""
        text = io.StringIO()
        text.write("t_s,ch,value\n")
        text.writelines(f"{t_s:.3f},{channel},{value:g}\n" for t_s, channel, value in self.rows)
        stem = folder / f"fill_{self.number:03d}"
        stem.with_suffix(".csv.gz").write_bytes(gzip.compress(text.getvalue().encode(), mtime=0))
        content = {"id": self.number, "given": self.given, "truth": self.truth}
        stem.with_suffix(".json").write_text(json.dumps(content, separators=(",", ":")), encoding="utf-8")


def generate_fills(
    count: int,
    seed: int,
    *,
    kinds: Sequence[str] = tuple(KINDS),
    heats: Sequence[str] = tuple(HEATS),
    troubles: Sequence[Trouble] = tuple(Trouble),
    settle_s: float = 600.0,
    first_number: int = 1,
) -> Iterator[GeneratedFill]:
    """`count` varied fills; fill n depends on `seed` and n only, not on how many are asked for.

    Cylinder `kinds` and heat transfer `heats` come in turn, everything else by chance. About half the fills have one
    of `troubles` (none: clean fills). Each is recorded until `settle_s` after its close.

    Raises:
        ConfigurationError: an unknown kind or heat.
    """
    for what, asked, known in (("kind", kinds, KINDS), ("heat", heats, HEATS)):
        unknown = [name for name in asked if name not in known]
        if unknown or not asked:
            raise ConfigurationError(f"cylinder {what} {unknown}: known are {', '.join(known)}; give at least one")
    for index in range(count):
        case = draw_case(seed, index, kinds=kinds, heats=heats, troubles=troubles, settle_s=settle_s)
        yield _simulated(first_number + index, seed * _SEEDS_APART + index, case)


def _simulated(number: int, seed: int, case: Case) -> GeneratedFill:
    simulation = Simulation(parse_scenario(case.scenario, f"fill {number}"), seed=seed)
    rows: list[tuple[float, str, float]] = []
    for message in simulation.messages():
        rows += _row(message)
        fill = simulation.fills[0] if simulation.fills else None
        if fill is not None and fill.flow_stop_s is not None:
            burst = fill.at_burst is not None
            simulation.end_at(
                fill.flow_stop_s + (min(_SETTLE_AFTER_BURST_S, case.settle_s) if burst else case.settle_s)
            )
    truth = truth_report(simulation.fills[0], every_s=_TRACE_EVERY_S)
    heat = {"kind": case.heat, **case.scenario["heat"]}
    trouble = {"trouble": case.trouble.value if case.trouble else None, "heat": heat}
    gain = {"gauge_gain": case.scenario["whip"][0]["gauge"]["gain"]}
    return GeneratedFill(number=number, rows=rows, given=_given(case, rows), truth=truth | trouble | gain)


def _row(message: SimMessage) -> list[tuple[float, str, float]]:
    channel = _CHANNELS.get(message.topic.rsplit("/", 1)[-1])
    if channel is None:
        return []
    content = json.loads(message.payload)
    return [(content["time"], channel, content["value"])]


def _given(case: Case, rows: Sequence[tuple[float, str, float]]) -> dict[str, Any]:
    kind = case.kind
    present = {channel for _, channel, _ in rows}
    return {
        "cylinder": {
            "kind": kind.name,
            "count": kind.cylinders,
            # Capacity of the whole set, mass of each: as the fills this format comes from have it.
            "water_volume_l": kind.water_volume_l * kind.cylinders,
            "water_volume_l_each": kind.water_volume_l,
            "material": kind.material,
            "rated_pressure_bar": kind.rated_bar,
            "reference_temperature_c": kind.reference_c,
            "service_standard": kind.standard,
            "empty_mass_kg_each": kind.empty_mass_kg,
        },
        "gas": case.gas,
        "residual_gas": case.gas,
        "medium": "bath" if "bath_c" in case.scenario["station"] else "air",
        "channels": {channel: words for channel, words in _CHANNEL_WORDS.items() if channel in present},
        "nominal_hz": round(1.0 / case.scenario["whip"][0]["gauge"]["every_s"]),
    }
