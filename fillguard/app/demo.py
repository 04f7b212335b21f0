"""The demonstration: a broker, a made-up station, the real watch and the places its alerts go, on one machine."""

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event
from typing import IO

from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from fillguard.app.hearing import TO_STOP, signals
from fillguard.app.records import fill_rows
from fillguard.app.replaying import units_of
from fillguard.app.simulating import scenario as load_named
from fillguard.app.stage import AlertPlace, LoopbackBroker, Voice
from fillguard.app.watching import Watching
from fillguard.clock import DRILL_CLOCK_VARIABLE, ScaledClock
from fillguard.core.errors import ConfigurationError, FillguardError
from fillguard.core.events import FillEnded, FindingMade, InEvent, OutEvent
from fillguard.core.figures import UnitChoice, pressure, stamped
from fillguard.outlets.lanes import Lanes, LaneText
from fillguard.settings import load_settings

_LINE_EVERY_S = 5.0
_DRAW_EVERY_S = 0.5
_SETTLE_S = 4.0
"""Real seconds after the last message: late notices still arrive, the ledger catches up."""
_END_WITHIN_S = 10.0
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
_STYLES = {1: "bold white on red", 2: "black on yellow"}


@dataclass(slots=True)
class _Simulated:
    """The simulated station, a process of its own, and what it says when it fails."""

    process: "subprocess.Popen[bytes]"
    words: IO[bytes] = field(repr=False)

    @property
    def over(self) -> bool:
        return self.process.poll() is not None

    def check(self) -> None:
        """Raise FillguardError with its last words when it failed."""
        if self.process.returncode:
            self.words.seek(0)
            raise FillguardError(f"the simulated station failed: {self.words.read().decode(errors='replace').strip()}")


@contextmanager
def _simulated(command: Sequence[str], environ: Mapping[str, str]) -> Iterator[_Simulated]:
    with tempfile.TemporaryFile() as words:
        process = subprocess.Popen(  # noqa: S603 - our own module
            command,
            env=environ,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=words,
            start_new_session=True,  # Ctrl-C reaches us alone, and we end it in our order
        )
        try:
            yield _Simulated(process, words)
        finally:
            process.terminate()
            try:
                process.wait(_END_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


class _Told:
    """An outlet that says aloud what no alert tells: what the curves hint at, and how fills came out."""

    def __init__(self, say: Callable[[str], None], units: UnitChoice) -> None:
        self._say, self._units = say, units

    def tell(self, _cause: InEvent, facts: Sequence[OutEvent]) -> None:
        for fact in facts:
            match fact:
                case FindingMade():
                    self._say(f"--- whip {fact.whip}: {fact.text}")
                case FillEnded(summary=done):
                    settled = done.final_settled_gauge_pa
                    settles = "" if settled is None else f", settles at {pressure(settled, self._units)}"
                    outcome = done.outcome.value.replace("-", " ")
                    limit = stamped(done.limit_gauge_pa, self._units)
                    self._say(f"--- whip {done.whip}: the fill is over: {outcome}{settles}, limit {limit}")


class Demo:
    """One demonstration. Everything listens on loopback only and ends with it."""

    def __init__(self, *, folder: Path | None, scenario: str, environ: Mapping[str, str]) -> None:
        """Prepare the folder; raises ConfigurationError for a scenario that cannot be played or a folder in use."""
        self._played = load_named(scenario)
        self._scenario = scenario
        self._environ = environ
        self._folder = folder or Path(tempfile.mkdtemp(prefix="fillguard-demo-"))
        self._folder.mkdir(parents=True, exist_ok=True)
        if (self._folder / "ledger.db").exists():
            raise ConfigurationError(f"{self._folder} already holds a record: name an empty folder")
        self._console = Console(highlight=False)
        self._voice = Voice(self._console)
        self._say = self._voice.say

    def run(self, *, speed: float, stay: bool) -> bool:
        """Play it; False when a person stopped it before its end."""
        clock = ScaledClock.ending_now(self._played.station.duration_s, speed)
        with (
            signals(*TO_STOP) as stop,
            self._voice,
            AlertPlace(self._on_alert) as alerts,
            LoopbackBroker() as broker,
        ):
            self._write_config(broker.port, alerts.port)
            self._introduce(clock, broker.port, alerts.port)
            finished = self._play(clock, broker.port, stop, stay=stay)
        self._conclude()
        return finished

    def _play(self, clock: ScaledClock, broker: int, stop: Event, *, stay: bool) -> bool:
        settings = load_settings(self._folder, {})
        units = units_of(settings)
        lanes = Lanes(units)
        also = (lanes, _Told(self._say, units))
        watching = Watching(settings, clock=clock, drill=True, report=self._on_report, also=also)
        command = [sys.executable, "-m", "fillguard", "simulate", self._scenario, "--port", str(broker)]
        environ = {**os.environ, **self._environ, DRILL_CLOCK_VARIABLE: clock.variable}
        with _simulated(command, environ) as simulated:
            watching.start()
            try:
                self._show(lanes, stop, until=lambda: simulated.over or watching.died.is_set())
                finished = not stop.is_set()
                if finished:
                    simulated.check()
                    stop.wait(_SETTLE_S)
                if stay and finished:
                    self._say("The morning is over; the watch stays up. Ctrl-C ends it.")
                    self._show(lanes, stop, until=watching.died.is_set)
            finally:
                watching.stop()  # before the sensors go: their going is no alarm
        if watching.died.is_set():
            raise FillguardError("the watch itself failed: see above")
        return finished

    def _write_config(self, broker: int, alerts: int) -> None:
        whips = "".join(_WHIP.format(id=whip.id) for whip in self._played.whip)
        text = _STATION.format(station=self._played.station.id, broker=broker, alerts=alerts, whips=whips)
        (self._folder / "station.toml").write_text(text, encoding="utf-8")

    def _introduce(self, clock: ScaledClock, broker: int, alerts: int) -> None:
        duration_s = self._played.station.duration_s
        self._say(
            f"DRILL: {duration_s / 60.0:.0f} minutes of an invented fill station, {clock.speed:g} times faster than "
            f"life ({clock.real_seconds(duration_s):.0f} s).\n"
            f"Broker on 127.0.0.1:{broker}, alerts go to http://127.0.0.1:{alerts}, the record to {self._folder}.\n"
            "fillguard advises; it operates no valve.\n"
        )

    def _show(self, lanes: Lanes, stop: Event, *, until: Callable[[], bool]) -> None:
        """Show the lanes until it is over or somebody stops it."""
        if not self._console.is_terminal:
            while not until() and not stop.wait(_LINE_EVERY_S):
                self._say("\n".join(lane.line for lane in lanes.texts()))
            return
        with Live(console=self._console, auto_refresh=False, transient=True) as live:
            while not until() and not stop.wait(_DRAW_EVERY_S):
                live.update(_table(lanes.texts()), refresh=True)

    def _on_alert(self, channel: str, title: str, body: str) -> None:
        text = "\n".join(f"    {line}" for line in body.splitlines())
        self._say(f">>> alert to {channel}: {title}\n{text}\n")

    def _on_report(self, text: str, *, ok: bool = True) -> None:
        self._say(f"({text})" if ok else f"(! {text})")

    def _conclude(self) -> None:
        rows = list(reversed(fill_rows(self._folder, None, {}, limit=50)))
        where = f"The record lies in {self._folder / 'ledger.db'}. Look again: fillguard fills --config {self._folder}"
        if self._console.is_terminal:
            table = Table(title="What the record holds")
            for key in rows[0] if rows else {}:
                table.add_column(key, overflow="fold")
            for row in rows:
                table.add_row(*map(Text, row.values()))
            self._console.print(table)
        else:
            for row in rows:
                self._console.print(
                    " | ".join(f"{key}: {value}" for key, value in row.items()), markup=False, soft_wrap=True
                )
        self._console.print(where, markup=False, soft_wrap=True)


def _table(lanes: list[LaneText]) -> Table:
    table = Table(expand=True)
    for column in ("whip", "phase", "gauge", "settles at", "limit", "rate"):
        table.add_column(column)
    for column, share in (("what to do", 3), ("noticed", 2), ("alarms", 2)):
        table.add_column(column, ratio=share, overflow="fold")
    for lane in lanes:
        cells = (lane.whip, lane.phase, lane.gauge, lane.settled, lane.limit, lane.rate, lane.do, lane.found)
        alarms = Text(", ".join(lane.alarms), style=_STYLES.get(lane.worst or 0, "") if lane.alarms else "")
        table.add_row(*map(Text, cells), alarms)
    return table
