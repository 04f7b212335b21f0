"""A station for end-to-end tests: its configuration, the daemon as a process, and an overfill played on a broker."""

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from fillguard.bench.simulator import Simulation
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.clock import DRILL_CLOCK_VARIABLE, ScaledClock, monotonic_s
from tests.servers import DEADLINE_S, Peer

DRILL_SPEED = 30.0
"""How many times faster than life the end-to-end tests play."""
_BEGIN_IN_S = 1.0
TOKEN = "token-of-the-mirror"  # noqa: S105 - of a server that ends with the test


def until(condition: Callable[[], bool], what: str, within_s: float = DEADLINE_S) -> None:
    """Return once `condition` holds. Raises TimeoutError, naming `what`, when it does not come."""
    ends_s = monotonic_s() + within_s
    while not condition():
        if monotonic_s() > ends_s:
            raise TimeoutError(f"not within {within_s:g} s: {what}")
        threading.Event().wait(0.02)


def write_station(
    folder: Path, port: int, *, channels: Mapping[str, str] | None = None, mirror: str | None = None, more: str = ""
) -> Path:
    """A configuration in `folder`: whips 1 and 2, patient about silence. `channels`: the lines below `[[channel]]`."""
    folder.mkdir(exist_ok=True)
    tables = [
        '[station]\nid = "tern"\nname = "Tern Harbour"\ntimezone = "UTC"\nhot_allowance_bar = "full"',
        f'[broker]\nhost = "127.0.0.1"\nport = {port}',
        '[ledger]\npath = "ledger.db"',
        # A busy machine must not look like a silent or a late sensor: the clock runs thirty times faster than life.
        "[extents]\nsilent_after_s = 60\nlive_for_s = 60",
        *(f'[[whip]]\nid = "{whip}"\nmax_working_bar = 350\nlowest_rating_bar = 200' for whip in ("1", "2")),
        *(f'[[channel]]\nname = "{name}"\n{lines}' for name, lines in (channels or {}).items()),
        more,
    ]
    if mirror is not None:
        (folder / "influx.token").write_text(TOKEN + "\n", encoding="utf-8")
        tables.append(f'[influx]\nurl = "{mirror}"\norg = "tern"\nbucket = "fills"\ntoken_file = "influx.token"')
    (folder / "station.toml").write_text("\n\n".join(tables) + "\n", encoding="utf-8")
    return folder


def fillguard(*arguments: str | Path, **environ: str) -> "subprocess.CompletedProcess[str]":
    """A command, run to its end."""
    return subprocess.run(
        [sys.executable, "-m", "fillguard", *map(str, arguments)],
        env={**os.environ, "NO_COLOR": "1", "COLUMNS": "200", **environ},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=4 * DEADLINE_S,
        check=False,
    )


class Process:
    """A fillguard command that runs until it is told to stop; what it says goes into a file."""

    def __init__(self, said: Path, *arguments: str | Path, **environ: str) -> None:
        self._said = said
        self._arguments = [sys.executable, "-m", "fillguard", *map(str, arguments)]
        self._environ = {**os.environ, "NO_COLOR": "1", **environ}
        self.process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self.process is not None and self.process.poll() is None:
            self.kill()

    def within(self, *command: str) -> None:
        """Have it started by another command: in a network of its own."""
        self._arguments = [*command, *self._arguments]

    def start(self) -> None:
        with self._said.open("ab") as said:
            self.process = subprocess.Popen(
                self._arguments, env=self._environ, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT
            )

    @property
    def pid(self) -> int:
        if self.process is None:
            raise RuntimeError("not started")
        return self.process.pid

    @property
    def said(self) -> str:
        return self._said.read_text(encoding="utf-8")

    def ask_to_stop(self, number: signal.Signals = signal.SIGTERM, within_s: float = DEADLINE_S) -> int:
        """Send the signal and return the exit code. Raises TimeoutExpired."""
        os.kill(self.pid, number)
        return self.wait(within_s)

    def kill(self) -> None:
        self.ask_to_stop(signal.SIGKILL)

    def wait(self, within_s: float = 4 * DEADLINE_S) -> int:
        if self.process is None:
            raise RuntimeError("not started")
        return self.process.wait(within_s)


class Drill:
    """A clock that runs faster than life, shared by the daemon and by whoever plays the sensors.

    It begins an hour ago: servers do not show what lies in their future.
    """

    def __init__(self, speed: float = DRILL_SPEED) -> None:
        self.clock = ScaledClock.ending_now(3600.0, speed)
        self.environ = {DRILL_CLOCK_VARIABLE: self.clock.variable}
        self._epoch_utc_s: float | None = None
        self._never = threading.Event()

    @property
    def now_s(self) -> float:
        """On the scenario's clock; 0 before it began."""
        return 0.0 if self._epoch_utc_s is None else self.clock.now().utc_s - self._epoch_utc_s

    def play(self, peer: Peer, messages: Sequence[SimMessage]) -> None:
        """Publish each message when its time has come (QoS 1), stamped with it; returns once the broker has them all.

        The first call is the beginning: the scenario's clock runs from there.
        """
        if self._epoch_utc_s is None:
            self._epoch_utc_s = self.clock.now().utc_s + _BEGIN_IN_S
        for message in messages:
            early_s = self._epoch_utc_s + message.t_s - self.clock.now().utc_s
            if early_s > 0.0:
                self._never.wait(self.clock.real_seconds(early_s))
            peer.publish(message.topic, stamped(message, self._epoch_utc_s))


def stamped(message: SimMessage, epoch_utc_s: float) -> bytes:
    """The payload with the device's time counted from `epoch_utc_s`."""
    content = json.loads(message.payload)
    if "time" in content:
        content["time"] = round(content["time"] + epoch_utc_s, 3)
    return json.dumps(content).encode()


@cache
def overfill() -> Sequence[SimMessage]:
    """Two minutes at whip 1: attach TH-0043, fill it from 195 bar past its 206.84 bar, bleed it, take it off.

    Device times count from 0; presence is left out.
    """
    simulation = Simulation(parse_scenario(_OVERFILL, "overfill"), epoch_utc_s=0.0)
    return tuple(message for message in simulation.messages() if not message.retained)


OVER_AT_S = 45.0
"""By then the overfill alarm has been raised, and gas still flows."""
_OVERFILL: dict[str, Any] = {
    "station": {"id": "tern", "duration_s": 125.0},
    "source": [{"kind": "compressor", "name": "compressor", "free_air_l_min": 280, "stop_bar": 320}],
    "cylinder": [
        {
            "serial": "TH-0043",
            "material": "aluminium",
            "water_volume_l": 11.1,
            "empty_mass_kg": 14.2,
            "rated_pressure_bar": 206.84,
            "reference_temperature_c": 21.1,
            "start_bar": 195,
        }
    ],
    "whip": [
        {
            "id": "1",
            "gauge": {"every_s": 0.5},
            "wall": {},
            "act": [
                {"do": "attach", "at_s": 1, "cylinder": "TH-0043", "operator": "op-1", "gas": "air"},
                {"do": "cylinder-valve", "after_s": 1, "opening": 1.0, "over_s": 1},
                {"do": "fill", "after_s": 6, "source": "compressor", "close_at_bar": 228},
                {"do": "bleed", "after_s": 14, "opening": 0.3, "until_bar": 205},
                {"do": "cylinder-valve", "after_s": 4, "opening": 0.0, "over_s": 1},
                {"do": "bleed", "after_s": 1},
                {"do": "detach", "after_s": 2},
            ],
        }
    ],
}


def said_on(peer: Peer, topic: str) -> list[dict[str, Any]]:
    """What came on a topic so far, as JSON."""
    return [json.loads(message.payload) for message in list(peer.received) if message.topic == topic]
