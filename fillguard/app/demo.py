"""The demonstration: a broker, a made-up station, the real watch and the places its alerts go, on one machine."""

import asyncio
import json
import logging
import os
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

from rich.console import Console
from rich.live import Live
from rich.table import Table

from fillguard.app.records import fill_rows
from fillguard.app.replaying import units_of
from fillguard.app.running import signals
from fillguard.app.simulating import scenario as load_named
from fillguard.app.watching import Watching
from fillguard.clock import DRILL_CLOCK_VARIABLE, ScaledClock
from fillguard.core.errors import ConfigurationError
from fillguard.outlets.lanes import Lanes, LaneText
from fillguard.settings import load_settings

_LINE_EVERY_S = 5.0
_DRAW_EVERY_S = 0.5
_SETTLE_S = 4.0
"""Real seconds after the last message: late notices still arrive, the ledger catches up."""
_BROKER_WITHIN_S = 20.0
_STATION = """\
# Written by `fillguard demo`. An invented station; the keys are described in config/station.toml of the project.
[station]
id = "{station}"
name = "Tern Harbour"
timezone = "UTC"
hot_allowance_bar = "full"

[broker]
host = "127.0.0.1"
port = {broker}
version = "3.1.1"

[ledger]
path = "ledger.db"

{whips}
[[channel]]
name = "panel"
url = "json://127.0.0.1:{alerts}/panel"
priorities = [1, 2]

[[channel]]
name = "manager"
url = "json://127.0.0.1:{alerts}/manager"
priorities = [1]
"""
_WHIP = """\
[[whip]]
id = "{id}"
max_working_bar = 350
lowest_rating_bar = 200
lowest_rating_reference_c = 15

"""


class Demo:
    """One demonstration. Everything listens on loopback only and ends with it."""

    def __init__(self, *, folder: Path | None, scenario: str, speed: float, environ: Mapping[str, str]) -> None:
        """Prepare the folder; raises ConfigurationError for a scenario that cannot be played."""
        self._played = load_named(scenario)
        self._scenario = scenario
        self._environ = environ
        self._folder = folder or Path(tempfile.mkdtemp(prefix="fillguard-demo-"))
        self._clock = ScaledClock.ending_now(self._played.station.duration_s, speed)
        self._console = Console(highlight=False)
        self._plain = not self._console.is_terminal
        self._lock = threading.Lock()

    def run(self, *, stay: bool) -> bool:
        """Play it; False when a person stopped it."""
        self._folder.mkdir(parents=True, exist_ok=True)
        if (self._folder / "ledger.db").exists():
            raise ConfigurationError(f"{self._folder} already holds a record: name an empty folder")
        with _AlertPlace(self._on_alert) as alerts, _LoopbackBroker() as broker:
            self._write_config(broker.port, alerts.port)
            settings = load_settings(self._folder, {})
            lanes = Lanes(units_of(settings))
            watching = Watching(settings, clock=self._clock, drill=True, report=self._on_report, also=(lanes,))
            self._introduce(broker.port, alerts.port)
            with signals() as stop:
                watching.start()
                simulator = self._start_simulator(broker.port)
                try:
                    self._show(lanes, simulator, stop)
                    if stay and not stop.is_set():
                        self._say("The morning is over; the watch stays up. Ctrl-C ends it.")
                        self._show(lanes, None, stop)
                finally:
                    _end(simulator)
                    stop_asked = stop.is_set()
                    watching.stop()
        self._conclude()
        return not stop_asked or stay

    def _write_config(self, broker: int, alerts: int) -> None:
        whips = "".join(_WHIP.format(id=whip.id) for whip in self._played.whip)
        text = _STATION.format(station=self._played.station.id, broker=broker, alerts=alerts, whips=whips)
        (self._folder / "station.toml").write_text(text, encoding="utf-8")

    def _introduce(self, broker: int, alerts: int) -> None:
        minutes = self._played.station.duration_s / 60.0
        real_s = self._clock.real_seconds(self._played.station.duration_s)
        self._say(
            f"DRILL: {minutes:.0f} minutes of an invented fill station, {self._clock.speed:g} times faster than life "
            f"({real_s:.0f} s).\nBroker on 127.0.0.1:{broker}, alerts go to http://127.0.0.1:{alerts}, "
            f"the record to {self._folder}.\nfillguard advises; it operates no valve.\n"
        )

    def _start_simulator(self, broker: int) -> "subprocess.Popen[bytes]":
        command = [sys.executable, "-m", "fillguard", "simulate", self._scenario, "--port", str(broker)]
        environ = {**os.environ, **self._environ, DRILL_CLOCK_VARIABLE: self._clock.variable}
        return subprocess.Popen(command, env=environ, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)  # noqa: S603 - our own module

    def _show(self, lanes: Lanes, simulator: "subprocess.Popen[bytes] | None", stop: threading.Event) -> None:
        """Draw the lanes until the simulated station has ended (None: until stopped)."""

        def over() -> bool:
            return simulator is not None and simulator.poll() is not None

        if self._plain:
            while not over() and not stop.wait(_LINE_EVERY_S):
                for lane in lanes.texts():
                    self._say(lane.line)
        else:
            with Live(console=self._console, auto_refresh=False, transient=True) as live:
                while not over() and not stop.wait(_DRAW_EVERY_S):
                    live.update(_table(lanes.texts()), refresh=True)
        if simulator is not None and not stop.is_set():
            if simulator.returncode:
                problem = (simulator.stderr.read() if simulator.stderr else b"").decode(errors="replace")
                raise ConfigurationError(f"the simulated station failed: {problem.strip()}")
            stop.wait(_SETTLE_S)

    def _on_alert(self, channel: str, title: str, body: str) -> None:
        text = "\n".join(f"    {line}" for line in body.splitlines())
        self._say(f">>> alert to {channel}: {title}\n{text}\n")

    def _on_report(self, text: str) -> None:
        self._say(f"({text})")

    def _say(self, text: str) -> None:
        with self._lock:
            self._console.print(text, markup=False, soft_wrap=True)

    def _conclude(self) -> None:
        table = Table(title="What the record holds")
        rows = fill_rows(self._folder, None, {}, limit=50)
        for key in rows[0] if rows else {}:
            table.add_column(key, overflow="fold")
        for row in reversed(rows):
            table.add_row(*row.values())
        if self._plain:
            for row in reversed(rows):
                self._say(" | ".join(f"{key}: {value}" for key, value in row.items()))
        else:
            self._console.print(table)
        where = self._folder
        self._say(f"The record lies in {where / 'ledger.db'}. Look again: fillguard fills --config {where}")


class _LoopbackBroker:
    """An MQTT 3.1.1 broker in this process, for demonstrations only: it keeps nothing."""

    def __init__(self) -> None:
        self.port = _free_port()
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._stopped = asyncio.Event()
        self._problem: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="demo-broker", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._ready.wait(_BROKER_WITHIN_S) or self._problem is not None:
            raise ConfigurationError(f"the demonstration's broker did not start: {self._problem or 'no answer'}")
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stopped.set)
        self._thread.join(_BROKER_WITHIN_S)

    def _work(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        except Exception as error:  # noqa: BLE001 - handed to the thread that waits for the start
            self._problem = error
            self._ready.set()

    async def _serve(self) -> None:
        try:
            from amqtt.broker import Broker  # noqa: PLC0415 - an extra, and slow to import
        except ImportError as error:
            raise ConfigurationError("the demonstration needs its extra: pip install 'fillguard[demo]'") from error
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await broker.start()
        self._ready.set()
        await self._stopped.wait()
        await broker.shutdown()


class _AlertPlace:
    """A web server that takes the alerts and shows them: a real channel, on loopback."""

    def __init__(self, on_alert: Callable[[str, str, str], None]) -> None:
        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = min(int(self.headers.get("Content-Length") or 0), 1_000_000)
                said = json.loads(self.rfile.read(length))
                on_alert(self.path.strip("/"), str(said.get("title")), str(said.get("message")))
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Keep quiet: what arrived is shown."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, name="demo-alerts", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _end(process: "subprocess.Popen[bytes]") -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(10.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    if process.stderr is not None:
        process.stderr.close()


_STYLES = {1: "bold white on red", 2: "black on yellow"}


def _table(lanes: list[LaneText]) -> Table:
    table = Table(expand=True)
    for column in ("whip", "phase", "gauge", "settles at", "limit", "rate", "what to do", "alarms"):
        table.add_column(column, overflow="fold")
    for lane in lanes:
        alarms = ", ".join(lane.alarms)
        style = _STYLES.get(lane.worst or 0, "")
        cells = (lane.whip, lane.phase, lane.gauge, lane.settled, lane.limit, lane.rate, lane.do)
        table.add_row(*cells, f"[{style}]{alarms}[/]" if style and alarms else alarms)
    return table
