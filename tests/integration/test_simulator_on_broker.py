"""The simulated station on a real broker: everything arrives, presence is told, and it stops when asked."""

import json
import socket
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from fillguard.bench.simulator import Broker, Published, simulate_over_mqtt
from fillguard.clock import ScaledClock
from fillguard.core.errors import DeviceError

DEADLINE_S = 60.0
SCENARIO = """
[station]
id = "tern"
duration_s = 120
ambient_every_s = 5
[[source]]
kind = "compressor"
name = "compressor"
free_air_l_min = 300
stop_bar = 320
[[cylinder]]
serial = "TH-0042"
material = "steel"
water_volume_l = 7.0
empty_mass_kg = 8.4
rated_pressure_bar = 300
reference_temperature_c = 15
[[whip]]
id = "1"
wall = {}
act = [
    { do = "attach", at_s = 5, cylinder = "TH-0042", operator = "op-1", gas = "air" },
    { do = "cylinder-valve", after_s = 2, opening = 1.0 },
    { do = "fill", after_s = 5, source = "compressor", close_at_bar = 80 },
]
[[whip]]
id = "2"
"""

pytestmark = pytest.mark.servers


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """Mosquitto in a folder of its own, open to anybody on this machine."""
    port = free_port()
    configuration = tmp_path / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nlog_dest stderr\n", encoding="utf-8"
    )
    with subprocess.Popen(["mosquitto", "-c", configuration], stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        assert any(line.rstrip().endswith(" running") for line in process.stderr)
        threading.Thread(target=process.stderr.read, daemon=True).start()  # or its log would fill the pipe
        yield Broker(host="127.0.0.1", port=port)
        process.terminate()


class Ear:
    """Hears every topic of the station."""

    def __init__(self, broker: Broker) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._news = threading.Condition()
        self._subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "ear")
        self._client.on_message = self._message
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect(broker.host, broker.port)
        self._client.loop_start()
        self._client.subscribe("fill/#", qos=1)
        assert self._subscribed.wait(DEADLINE_S)

    def _message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        with self._news:
            self.heard.append((message.topic, bytes(message.payload), message.retain))
            self._news.notify_all()

    def wait_for(self, topic: str, payload: bytes) -> None:
        with self._news:
            assert self._news.wait_for(lambda: (topic, payload) in [one[:2] for one in self.heard], DEADLINE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def played(broker: Broker, folder: Path, *, stop: threading.Event, stop_at: float = 2.0) -> Published:
    """The scenario a hundred times faster than life, stopped after a share of it."""
    path = folder / "scenario.toml"
    path.write_text(SCENARIO, encoding="utf-8")
    return simulate_over_mqtt(
        path,
        broker=broker,
        clock=ScaledClock.ending_now(120.0, 100.0),
        stop=stop,
        progress=lambda share: stop.set() if share > stop_at else None,
    )


def test_every_message_arrives_stamped_by_the_drill_clock_and_presence_ends_offline(
    broker: Broker, tmp_path: Path
) -> None:
    ear = Ear(broker)
    run = played(broker, tmp_path, stop=threading.Event())
    for whip in ("1", "2"):
        ear.wait_for(f"fill/tern/{whip}/presence", b"offline")
    ear.close()
    assert not run.stopped_early
    assert (run.unacknowledged, run.refused) == (0, 0)
    presence = [payload for topic, payload, _ in ear.heard if topic == "fill/tern/1/presence"]
    assert presence == [b"online", b"offline"]
    others = [one for one in ear.heard if not one[0].endswith("/presence")]
    assert len(others) + 2 == run.sent  # the scenario's own two presence messages are the gateways'
    times = [json.loads(payload)["time"] for topic, payload, _ in others if topic == "fill/tern/1/pressure"]
    assert times == sorted(times)
    assert 0.0 <= times[0] - run.epoch_utc_s < 1.0
    assert times[-1] - run.epoch_utc_s == pytest.approx(120.0, abs=1.0)
    assert run.fills[0].at_close is not None


def test_stop_in_the_middle_leaves_retained_presence_offline(broker: Broker, tmp_path: Path) -> None:
    run = played(broker, tmp_path, stop=threading.Event(), stop_at=0.3)
    assert run.stopped_early
    assert run.unacknowledged == 0
    late = Ear(broker)
    late.wait_for("fill/tern/1/presence", b"offline")
    late.close()
    assert ("fill/tern/1/presence", b"offline", True) in late.heard


def test_broker_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match=r"broker at 127\.0\.0\.1:\d+ cannot be reached .* start it"):
        played(Broker(host="127.0.0.1", port=free_port()), tmp_path, stop=threading.Event())
