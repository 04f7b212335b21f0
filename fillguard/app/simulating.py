"""A made-up station: as a file, or on a broker at the pace of the clock that the environment names."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from fillguard.bench.simulator import (
    Broker,
    Published,
    load_scenario,
    shipped_scenario,
    simulate_over_mqtt,
    simulate_to_capture,
    stop_on_signals,
)
from fillguard.bench.simulator.tables import Scenario
from fillguard.bench.simulator.truth import FillTruth
from fillguard.clock import SystemClock, drill_clock


def scenario_path(name: str) -> Path:
    """The scenario file called `name`: a path if it looks like one, else a shipped scenario."""
    return Path(name) if name.endswith(".toml") or "/" in name else shipped_scenario(name)


def scenario(name: str) -> Scenario:
    """The checked scenario called `name`."""
    return load_scenario(scenario_path(name))


def write(
    path: Path, out: Path, *, truth: Path | None, seed: int | None, progress: Callable[[float], None]
) -> Sequence[FillTruth]:
    """The scenario as a capture file."""
    return simulate_to_capture(path, out, seed=seed, truth_path=truth, progress=progress)


def publish(path: Path, *, host: str, port: int, seed: int | None, environ: Mapping[str, str]) -> Published:
    """The scenario on a broker, until it ends or a signal comes."""
    clock = drill_clock(environ) or SystemClock()
    with stop_on_signals() as stop:
        return simulate_over_mqtt(path, broker=Broker(host=host, port=port), clock=clock, stop=stop, seed=seed)
