"""The broker configuration we ship: mosquitto takes it beside Debian's own, keeps strangers out and messages in."""

import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from tests.servers import DEADLINE_S, Mosquitto, free_port

SHIPPED = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"
FEEDS = ("tern-shop", "tern-senml", "tern-sparkplug", "tern-scanner")
ROLES = ("fillguard", "tern-sensors", "tern-board", "tern-operator", *FEEDS)

pytestmark = pytest.mark.servers


def shipped_configuration(folder: Path) -> tuple[Path, int]:
    """Our two files in a folder for `include_dir`, with its passwords made; and the port it listens on here."""
    port = free_port()
    shutil.copy(SHIPPED / "fillguard.acl", folder)
    passwords = folder / "fillguard.passwd"
    for role in ROLES:
        create = [] if passwords.exists() else ["-c"]
        subprocess.run(["mosquitto_passwd", "-b", *create, passwords, role, f"secret of {role}"], check=True)
    text = (SHIPPED / "fillguard.conf").read_text(encoding="utf-8")
    text = text.replace("/etc/mosquitto/", f"{folder}/").replace("listener 1883 ", f"listener {port} ")
    (folder / "conf.d").mkdir()
    (folder / "conf.d" / "fillguard.conf").write_text(text, encoding="utf-8")
    return folder / "conf.d", port


class Client:
    """An MQTT client of one role that can wait for what comes."""

    def __init__(self, broker: Mosquitto, role: str | None, *, keeps_session: bool = False) -> None:
        self.received: list[tuple[str, bytes]] = []
        self.refused: ReasonCode | None = None
        self._news = threading.Condition()
        self._connected = self._subscribed = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, role or "stranger", clean_session=not keeps_session)
        if role is not None:
            self._client.username_pw_set(role, f"secret of {role}")
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        self._wait(lambda: self._connected or self.refused is not None)

    def subscribe(self, topic: str) -> None:
        self._client.subscribe(topic, qos=1)
        self._wait(lambda: self._subscribed)

    def publish(self, topic: str, payload: str) -> None:
        """Return once the broker has it (or has thrown it away: the access list says so to nobody)."""
        self._client.publish(topic, payload, qos=1).wait_for_publish(DEADLINE_S)

    def wait_for(self, count: int) -> list[tuple[str, bytes]]:
        self._wait(lambda: len(self.received) >= count)
        return self.received

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _wait(self, condition: Callable[[], bool]) -> None:
        with self._news:
            assert self._news.wait_for(condition, DEADLINE_S)

    def _on_connect(self, _c: mqtt.Client, _u: object, _f: object, reason: ReasonCode, _p: object) -> None:
        with self._news:
            self._connected, self.refused = (not reason.is_failure), (reason if reason.is_failure else None)
            self._news.notify_all()

    def _on_subscribe(self, *_: object) -> None:
        with self._news:
            self._subscribed = True
            self._news.notify_all()

    def _on_message(self, _c: mqtt.Client, _u: object, message: mqtt.MQTTMessage) -> None:
        with self._news:
            self.received.append((message.topic, bytes(message.payload)))
            self._news.notify_all()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A broker with our file included by a main file that sets what Debian's sets; it starts, or the test fails."""
    included, port = shipped_configuration(tmp_path)
    with Mosquitto(tmp_path, lines=(f"include_dir {included}",)) as broker:
        broker.port = port
        yield broker


def test_a_stranger_is_refused(broker: Mosquitto) -> None:
    stranger = Client(broker, None)
    stranger.close()
    assert stranger.refused == "Not authorized"


def test_each_role_reaches_what_it_needs_and_nothing_else(broker: Mosquitto) -> None:
    daemon, sensors, operator = (Client(broker, role) for role in ("fillguard", "tern-sensors", "tern-operator"))
    board = Client(broker, "tern-board")
    daemon.subscribe("#")
    board.publish("fillguard/tern/command", "from the board")
    board.publish("fill/tern/1/pressure", "from the board")
    sensors.publish("fillguard/tern/1/lamp", "from the sensors")
    sensors.publish("fill/kite/1/pressure", "of another station")
    sensors.publish("fill/tern/1/pressure", "183.2")
    operator.publish("fillguard/tern/command", "acknowledge")
    came = daemon.wait_for(2)
    for client in (daemon, sensors, operator, board):
        client.close()
    assert came == [("fill/tern/1/pressure", b"183.2"), ("fillguard/tern/command", b"acknowledge")]


def test_each_kind_of_foreign_sensor_reaches_its_own_topics_and_no_others(broker: Mosquitto) -> None:
    daemon = Client(broker, "fillguard")
    daemon.subscribe("#")
    own = {
        "tern-shop": "shop/tern/1/gauge",
        "tern-senml": "gw/tern/senml",
        "tern-sparkplug": "spBv1.0/shop/DDATA/panel/manifold",
        "tern-scanner": "scan/tern/1",
    }
    for role in FEEDS:
        sensor = Client(broker, role)
        for topic in (*own.values(), "fill/tern/1/pressure", "fillguard/tern/command", "spBv1.0/shop/NCMD/panel"):
            sensor.publish(topic, role)
        sensor.close()
    came = daemon.wait_for(len(own))
    daemon.close()
    assert came == [(topic, role.encode()) for role, topic in own.items()]


def test_a_sparkplug_gateway_hears_that_it_is_to_be_born_again(broker: Mosquitto) -> None:
    daemon, gateway = Client(broker, "fillguard"), Client(broker, "tern-sparkplug")
    gateway.subscribe("spBv1.0/shop/NCMD/panel")
    daemon.publish("spBv1.0/shop/NCMD/panel", "born again")
    daemon.publish("spBv1.0/shop/DCMD/panel/valve", "open")  # fillguard operates nothing
    came = gateway.wait_for(1)
    for client in (daemon, gateway):
        client.close()
    assert came == [("spBv1.0/shop/NCMD/panel", b"born again")]


def test_what_came_while_the_daemon_was_away_survives_a_restart_of_the_broker(broker: Mosquitto) -> None:
    daemon = Client(broker, "fillguard", keeps_session=True)
    daemon.subscribe("fill/tern/#")
    daemon.close()
    sensors = Client(broker, "tern-sensors")
    for number in range(2000):  # mosquitto's own default keeps 1000
        sensors.publish("fill/tern/1/pressure", str(number))
    sensors.close()
    broker.restart()
    daemon = Client(broker, "fillguard", keeps_session=True)
    came = daemon.wait_for(2000)
    daemon.close()
    assert [int(payload) for _, payload in came] == list(range(2000))
