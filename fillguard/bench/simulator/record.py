"""A simulated day as a capture file (JSON Lines, one message a line) and its truth beside it."""

import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, TextIO

from fillguard.bench.simulator.report import truth_report
from fillguard.bench.simulator.scenario import load_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.bench.simulator.simulation import Simulation
from fillguard.bench.simulator.truth import FillTruth

INVENTED_MORNING_UTC_S = 1_780_300_800.0
"""1 June 2026, 08:00 UTC: when a captured scenario starts unless told otherwise. Fixed, so that files compare equal."""

Progress = Callable[[float], None]


def capture_line(message: SimMessage, epoch_utc_s: float) -> str:
    """One line of a capture file, without its end."""
    return json.dumps(
        {"t": round(epoch_utc_s + message.t_s, 3), "topic": message.topic, "payload": message.payload.decode()},
        separators=(",", ":"),
    )


def simulate_to_capture(
    scenario_path: Path,
    out_path: Path,
    *,
    seed: int | None = None,
    epoch_utc_s: float = INVENTED_MORNING_UTC_S,
    truth_path: Path | None = None,
    progress: Progress | None = None,
) -> Sequence[FillTruth]:
    """Play a scenario as fast as it goes and write what came over the wire; return the truth of each fill.

    The files appear whole or not at all. `progress` hears the share done, 0 to 1, at each per cent.

    Raises:
        ConfigurationError: the scenario cannot be done.
        OSError: a file cannot be written.
    """
    scenario = load_scenario(scenario_path)
    simulation = Simulation(scenario, seed=seed, epoch_utc_s=epoch_utc_s)
    part = out_path.with_name(out_path.name + ".part")
    try:
        with part.open("w", encoding="utf-8") as out:
            _write(simulation.messages(), out, epoch_utc_s, scenario.station.duration_s, progress)
        part.replace(out_path)
    finally:
        part.unlink(missing_ok=True)
    if truth_path is not None:
        truth_path.write_text(json.dumps([truth_of(fill) for fill in simulation.fills]) + "\n", encoding="utf-8")
    return simulation.fills


def _write(
    messages: Iterable[SimMessage], out: TextIO, epoch_utc_s: float, duration_s: float, progress: Progress | None
) -> None:
    told = 0.0
    for message in messages:
        out.write(capture_line(message, epoch_utc_s) + "\n")
        if progress is not None and message.t_s >= told:
            progress(min(1.0, message.t_s / duration_s))
            told = message.t_s + duration_s / 100.0
    if progress is not None:
        progress(1.0)


def truth_of(fill: FillTruth) -> dict[str, Any]:
    """Whose fill it was, and the truth in the words that scoring reads."""
    who = {"whip": fill.whip, "serial": fill.serial, "announced": fill.announced, "attached_s": fill.attached_s}
    return who | {"detached_s": fill.detached_s, "rated_bar": fill.rated_bar} | truth_report(fill)
