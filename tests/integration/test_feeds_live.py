"""Feeds at a real broker: tried live, and unknown topics discovered, beside a running sensor."""

import subprocess
import sys
import threading
import tomllib
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Peer
from tests.shops import STATION
from tests.stations import Process, fillguard, said_on, write_station

pytestmark = pytest.mark.servers
ALARM, FINDING = "fillguard/tern/alarm", "fillguard/tern/finding"
FEED = """
[[feed]]
name = "gauges"
topic = "shop/{station}/{whip}/gauge"
payload = "number"
[[feed.reading]]
quantity = "pressure"
unit = "bar"
"""


class Command:
    """`fillguard feed ...` that listens while somebody publishes."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "fillguard", "feed", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def listens(self) -> None:
        """Return once it has subscribed."""
        assert self.process.stderr is not None
        assert any("broker up" in line for line in self.process.stderr)
        threading.Thread(target=self.process.stderr.read, daemon=True).start()

    def output(self) -> str:
        """What it printed, once it has ended."""
        assert self.process.stdout is not None
        text = self.process.stdout.read()
        assert self.process.wait(60) == 0
        return text


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = tmp_path / "config"
    folder.mkdir()
    return folder


def test_a_feed_is_tried_on_what_its_sensor_says_now(config: Path, tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Peer(broker.port) as sensor:
        (config / "station.toml").write_text(STATION + f"[broker]\nport = {broker.port}\n" + FEED, encoding="utf-8")
        command = Command("try", "gauges", "--config", str(config), "--live", "2s", "--json")
        command.listens()
        sensor.publish("shop/tern/2/gauge", "183.2")
        sensor.publish("shop/tern/2/other", "7")
        assert '"whip": "2", "quantity": "pressure", "value": 183.2' in command.output()


def test_unknown_topics_are_discovered_and_the_known_left_out(config: Path, tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Peer(broker.port) as sensor:
        station = config / "station.toml"
        station.write_text(STATION + f"[broker]\nport = {broker.port}\n" + FEED, encoding="utf-8")
        before = station.read_bytes()
        command = Command("discover", "--config", str(config), "--for", "2s")
        command.listens()
        for whip in ("1", "2"):
            sensor.publish(f"shop/tern/{whip}/gauge", "183.2")
            sensor.publish(f"shop/tern/{whip}/wall", "21.5 Cel")
        (feed,) = tomllib.loads(command.output())["feed"]
        assert (feed["topic"], feed["payload"]) == ("shop/{station}/{whip}/wall", "text")
        assert station.read_bytes() == before


BESIDE = """
[[feed]]
name = "scanner"
topic = "scan/{station}/{whip}"
payload = "attach"
"""


def test_a_running_watch_asks_about_sensors_and_takes_what_a_scanner_says(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as sensor:
        sensor.subscribe("fillguard/#")
        config = write_station(tmp_path / "config", broker.port)
        with (config / "station.toml").open("a", encoding="utf-8") as file:
            file.write(FEED + BESIDE)
        gauge = ("--quantity", "pressure", "--to", "1", "--range", "0..400", "--unit", "bar", "--due", "2020-01-01")
        entered = fillguard("sensors", "add", "P-4711", *gauge, "--by", "op-1", "--config", config)
        assert entered.returncode == 0, entered.stderr
        with Process(tmp_path / "daemon.log", "run", "--config", config) as daemon:
            sensor.wait_for(lambda _: any(s["state"] == "online" for s in said_on(sensor, "fillguard/tern/status")))
            sensor.wait_for(lambda _: any(s["alarm"] == "calibration-due" for s in said_on(sensor, ALARM)))
            (due,) = [said for said in said_on(sensor, ALARM) if said["alarm"] == "calibration-due"]
            assert (due["priority"], due["whip"]) == (3, None)
            assert "P-4711 (1) was due on 2020-01-01" in due["cause"]

            for tenth in range(50):  # two within one millisecond count as one
                sensor.publish("shop/tern/1/gauge", f"{2987 + tenth / 10}")
            sensor.wait_for(lambda _: said_on(sensor, FINDING) != [])
            (found,) = said_on(sensor, FINDING)
            assert (found["finding"], found["whip"]) == ("wrong-unit", "1")
            assert "is the unit wrong?" in found["text"]

            sensor.publish("scan/tern/2", "TH-0042")
            sensor.wait_for(lambda _: any(s["serial"] == "TH-0042" for s in said_on(sensor, "fillguard/tern/2/fill")))
            assert daemon.ask_to_stop() == 0
