"""How long from a reading to its alarm, what a reading costs, and how much memory the watch takes.

A real `fillguard run` behind a real mosquitto, everything on: estimator, ledger, one channel. Whips fill while a probe
on a whip of its own goes above the whip's rating and back; the time from its publication to the alarm's arrival is
measured. Beside it, in the same run and under the same load, a bare client that echoes each probe: what broker, Python
and this machine cost by themselves. Figures are ratios to that, and absolute ones for this machine.

    python tests/benchmarks/latency.py            five runs, some five minutes
    python tests/benchmarks/latency.py --quick    one short run, half a minute: does it work at all?
"""

import argparse
import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion

sys.path.append(str(Path(__file__).resolve().parents[2]))  # last: the tests from the checkout, fillguard as installed

from fillguard.clock import monotonic_s
from fillguard.ledger.reader import SqliteLedgerReader
from tests.notice_servers import JsonInbox
from tests.servers import Mosquitto
from tests.stations import Process, until

RATES = (100, 1000)
"""Readings a second."""
WHIPS = {100: 10, 1000: 50}
PROBE = "probe"
PROBE_EVERY_S = 0.04
WARM_UP = 10
COST_OVER_S = 3.0
PATIENCE_S = 30.0
STATION = """
[station]
id = "tern"
name = "Tern Harbour"
timezone = "UTC"
hot_allowance_bar = "full"
[broker]
host = "127.0.0.1"
port = {port}
[ledger]
path = "ledger.db"
[[channel]]
name = "panel"
url = "json://127.0.0.1:{inbox}"
priorities = [1]
"""
WHIP = '[[whip]]\nid = "{id}"\nmax_working_bar = 350\nlowest_rating_bar = 300\n'


def say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


# --- The other processes ---------------------------------------------------------------------------------------------


def without_delay(_client: mqtt.Client, _data: object, opened: Any) -> None:  # noqa: ANN401 - one of several kinds of socket
    opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def client(port: int) -> mqtt.Client:
    made = mqtt.Client(CallbackAPIVersion.VERSION2)
    made.on_socket_open = without_delay
    made.connect("127.0.0.1", port)
    return made


def echo(port: int) -> None:
    """The bare client: hears all that the watch hears, and sends every probe back."""
    bare = client(port)

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        if PROBE in message.topic:
            bare.publish("echo", message.payload, qos=1)

    bare.on_message = on_message
    bare.on_subscribe = lambda *_: say("ready")
    bare.subscribe("fill/tern/#", qos=1)
    parent = os.getppid()
    while os.getppid() == parent:
        bare.loop()


def load(port: int, rate: int) -> None:
    """Whips that fill at 20 bar a minute, `rate` readings a second in all, until killed or orphaned."""
    sender, whips = client(port), WHIPS[rate]
    sender.loop_start()
    never, began_s, sent = threading.Event(), monotonic_s(), 0
    say("ready")
    parent = os.getppid()
    while os.getppid() == parent:
        due = int((monotonic_s() - began_s) * rate)
        for number in range(sent, due):
            whip, seq = number % whips, number // whips
            bar = 50.0 + 20.0 / 60.0 * (number / rate) + 0.1 * (seq % 3)
            reading = {"value": round(bar, 2), "unit": "bar", "seq": seq, "boot": str(began_s)}
            sender.publish(f"fill/tern/{whip}/pressure", json.dumps(reading), qos=1)
        sent = due
        never.wait(0.002)


@contextmanager
def other(*arguments: object) -> Iterator[None]:
    """One of the functions above as a process of its own."""
    process = subprocess.Popen([sys.executable, __file__, *map(str, arguments)], stdout=subprocess.PIPE, text=True)
    try:
        if process.stdout is None or process.stdout.readline() != "ready\n":
            raise RuntimeError(f"{arguments} did not begin")
        yield
    finally:
        process.kill()
        process.wait()


# --- Measuring -------------------------------------------------------------------------------------------------------

Answer = Callable[[mqtt.MQTTMessage], bool]


def online(message: mqtt.MQTTMessage) -> bool:
    return message.topic.endswith("/status") and json.loads(message.payload)["state"] == "online"


def echoed(message: mqtt.MQTTMessage) -> bool:
    return message.topic == "echo"


def alarmed(state: str) -> Answer:
    def is_it(message: mqtt.MQTTMessage) -> bool:
        if not message.topic.endswith("/alarm"):
            return False
        said = json.loads(message.payload)
        return bool(said["whip"] == PROBE and said["alarm"] == "whip-over-rating" and said["state"] == state)

    return is_it


class Prober:
    """Sends one probe at a time and measures until its answer comes."""

    def __init__(self, port: int) -> None:
        self._came, self._never = threading.Semaphore(0), threading.Event()
        self._came_at_s = 0.0
        self._answer: Answer | None = None
        self._client = client(port)
        self._client.on_message = self._on_message
        self._client.subscribe([(topic, 1) for topic in ("fillguard/tern/alarm", "fillguard/tern/status", "echo")])
        self._client.loop_start()

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        arrived_s = monotonic_s()
        if self._answer is not None and self._answer(message):
            self._answer, self._came_at_s = None, arrived_s
            self._came.release()

    def wait_for(self, answer: Answer, bar: float | None = None) -> float:
        """Send a probe of `bar` (None: nothing) and return the seconds until `answer` came."""
        self._answer = answer
        sent_s = monotonic_s()
        if bar is not None:
            payload = json.dumps({"value": bar, "unit": "bar"})
            self._client.publish(f"fill/tern/{PROBE}/pressure", payload, qos=1)
        if not self._came.acquire(timeout=PATIENCE_S):
            raise TimeoutError(f"no answer within {PATIENCE_S:g} s")
        return self._came_at_s - sent_s

    def alarms(self, count: int) -> list[float]:
        """Seconds from a reading above the rating to its alarm."""
        taken = []
        for _ in range(count):
            taken.append(self.wait_for(alarmed("unacknowledged"), 360.0))
            self._never.wait(PROBE_EVERY_S / 2.0)
            self.wait_for(alarmed("returned-unacknowledged"), 300.0)
            self._never.wait(PROBE_EVERY_S / 2.0)
        return taken

    def echoes(self, count: int) -> list[float]:
        """Seconds from a probe to its echo."""
        taken = []
        for _ in range(count):
            taken.append(self.wait_for(echoed, 300.0))
            self._never.wait(PROBE_EVERY_S / 2.0)
        return taken


@dataclass(frozen=True, slots=True)
class Run:
    """One rate, measured once."""

    alarm_p50_ms: float
    alarm_p99_ms: float
    echo_p50_ms: float
    echo_p99_ms: float
    cpu_us: float
    """Processor time of the watch for each reading, without probes."""
    readings: float
    """Recorded a second."""
    rss_mb: float


def percentile_ms(seconds: Sequence[float], share: float) -> float:
    return sorted(seconds)[min(int(share * len(seconds)), len(seconds) - 1)] * 1e3


def measured(rate: int, probes: int, folder: Path) -> Run:
    """One run at `rate`."""
    (folder / "broker").mkdir(parents=True)
    with Mosquitto(folder / "broker") as broker, JsonInbox() as inbox:
        whips = [*map(str, range(WHIPS[rate])), PROBE]
        text = STATION.format(port=broker.port, inbox=inbox.port) + "".join(WHIP.format(id=whip) for whip in whips)
        (folder / "station.toml").write_text(text, encoding="utf-8")
        prober = Prober(broker.port)
        with Process(folder / "log", "run", "--config", folder) as daemon:
            prober.wait_for(online)
            watch = psutil.Process(daemon.pid)
            with other("load", broker.port, rate):
                until(lambda: open_fills(folder) == WHIPS[rate], "all whips fill")
                cpu_us, readings = cost(watch, folder)
                prober.alarms(WARM_UP)
                alarms = prober.alarms(probes)
                rss_mb = watch.memory_info().rss / 1e6
            if daemon.ask_to_stop() != 0:
                raise RuntimeError(daemon.said)
        with other("echo", broker.port), other("load", broker.port, rate):
            prober.echoes(WARM_UP)
            echoes = prober.echoes(2 * probes)
    return Run(
        alarm_p50_ms=percentile_ms(alarms, 0.5),
        alarm_p99_ms=percentile_ms(alarms, 0.99),
        echo_p50_ms=percentile_ms(echoes, 0.5),
        echo_p99_ms=percentile_ms(echoes, 0.99),
        cpu_us=cpu_us,
        readings=readings,
        rss_mb=rss_mb,
    )


def cost(watch: psutil.Process, folder: Path) -> tuple[float, float]:
    """Microseconds of processor time a reading, and readings recorded a second, over some seconds."""
    with SqliteLedgerReader(folder / "ledger.db") as reader:
        cpu, count, began_s = watch.cpu_times(), reader.newest_row("reading"), monotonic_s()
        threading.Event().wait(COST_OVER_S)
        took_s, count = monotonic_s() - began_s, reader.newest_row("reading") - count
        used = watch.cpu_times()
    return (used.user + used.system - cpu.user - cpu.system) / max(count, 1) * 1e6, count / took_s


def open_fills(folder: Path) -> int:
    with SqliteLedgerReader(folder / "ledger.db") as reader:
        return len(reader.open_fills())


def report(rate: int, runs: Sequence[Run]) -> None:
    def median(name: str) -> float:
        return float(statistics.median(getattr(run, name) for run in runs))

    def ratio(percent: str) -> float:
        ratios = (getattr(run, f"alarm_{percent}_ms") / getattr(run, f"echo_{percent}_ms") for run in runs)
        return float(statistics.median(ratios))

    say(f"{rate} readings/s asked for, {median('readings'):.0f} recorded; median of {len(runs)}")
    for percent in ("p50", "p99"):
        alarm, bare = median(f"alarm_{percent}_ms"), median(f"echo_{percent}_ms")
        say(f"  {percent}: alarm {alarm:7.2f} ms, bare echo {bare:7.2f} ms, ratio {ratio(percent):5.1f}")
    say(f"  processor {median('cpu_us'):.0f} us a reading, memory {median('rss_mb'):.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="one short run: does it work at all?")
    arguments = parser.parse_args()
    runs, probes = (1, 20) if arguments.quick else (5, 150)
    for rate in RATES:
        with tempfile.TemporaryDirectory(prefix="fillguard-latency-") as folder:
            report(rate, [measured(rate, probes, Path(folder) / str(run)) for run in range(runs)])


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["echo", port]:
            echo(int(port))
        case ["load", port, rate]:
            load(int(port), int(rate))
        case _:
            main()
