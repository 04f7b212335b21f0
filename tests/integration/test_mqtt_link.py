"""The link to the broker against real ones: sessions, acknowledgements, restarts, refusals, rivals."""

import base64
import contextlib
import hashlib
import json
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Self

import pytest
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion
from pydantic import SecretStr

from fillguard.clock import SystemClock, monotonic_s
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import Doubt, Reading
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.mqtt import LinkNews, MqttLink
from fillguard.outlets.status import StationStatus
from fillguard.ports import Publication, RawMessage
from fillguard.settings import BrokerSettings, TlsSettings
from tests.servers import DEADLINE_S, Amqtt, Mosquitto, Peer

PRESSURE = "fill/tern/1/pressure"
ALARM = "fillguard/tern/alarm"
STATUS = "fillguard/tern/status"


class Daemon:
    """A link with an intake queue that a test can look into, and a station's sign."""

    def __init__(
        self,
        port: int,
        *,
        version: str = "auto",
        client_id: str = "fillguard-tern",
        user: str | None = None,
        password: str | None = None,
        tls: TlsSettings | None = None,
        started_utc_s: float = 1_795_558_185.0,
        room: int = 100_000,
        filters: tuple[str, ...] = ("fill/tern/#", "fillguard/tern/command"),
    ) -> None:
        self.messages: list[RawMessage] = []
        self.news: list[tuple[LinkNews, str]] = []
        self.room = room
        self.refused = self.greeted = 0
        self._changed = threading.Condition()
        self.status = StationStatus(
            station="tern",
            instance=f"{client_id} {started_utc_s}",
            version="0",
            started_utc_s=started_utc_s,
            drill=False,
        )
        self.link = MqttLink(
            BrokerSettings(
                host="127.0.0.1",
                port=port,
                user=user,
                password=SecretStr(password) if password is not None else None,
                tls=tls,
                version=version,
                client_id=client_id,
            ),
            clock=SystemClock(),
            monotonic=monotonic_s,
            filters=filters,
            offer=self._offer,
            tell=self._tell,
        )

    def __enter__(self) -> Self:
        self.link.start(sign=self.status, greet=self._greet)
        return self

    def __exit__(self, *_: object) -> None:
        self.link.stop()

    def wait_for(self, condition: Callable[[], bool]) -> None:
        with self._changed:
            if not self._changed.wait_for(condition, DEADLINE_S):
                raise TimeoutError(f"news {self.news}, {len(self.messages)} messages")

    def wait_up(self, times: int = 1) -> None:
        self.wait_for(lambda: self.told(LinkNews.UP) >= times)

    def wait_messages(self, count: int) -> list[RawMessage]:
        self.wait_for(lambda: len(self.messages) >= count)
        return self.messages

    def told(self, news: LinkNews) -> int:
        return sum(1 for each, _ in self.news if each is news)

    def detail(self, news: LinkNews) -> str:
        """Of its last telling."""
        return next(detail for each, detail in reversed(self.news) if each is news)

    def acknowledge_all(self) -> None:
        for message in self.messages:
            if message.ack is not None:
                message.ack.acknowledge()

    def _offer(self, message: RawMessage) -> bool:
        with self._changed:
            self._changed.notify_all()
            if len(self.messages) >= self.room:
                self.refused += 1
                return False
            self.messages.append(message)
            return True

    def _tell(self, news: LinkNews, detail: str) -> None:
        with self._changed:
            self.news.append((news, detail))
            self._changed.notify_all()

    def _greet(self) -> None:
        self.greeted += 1
        self.link.publish(self.status.birth())


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as running:
        yield running


def reading(seq: int) -> str:
    return json.dumps({"value": 50.0 + seq / 100.0, "unit": "bar", "seq": seq, "boot": "a"})


# Sessions and acknowledgements ---------------------------------------------------------------------------------------


@pytest.mark.servers
def test_it_speaks_mqtt_5_and_hands_over_what_comes(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        gateway.publish(PRESSURE, reading(1))
        (message,) = daemon.wait_messages(1)
        opened = daemon.link._connection._client.socket()  # type: ignore[union-attr]
        assert isinstance(opened, socket.socket)
        assert opened.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
    assert daemon.news[0] == (LinkNews.UP, "MQTT 5, session new")
    assert (message.topic, message.payload, message.qos) == (PRESSURE, reading(1).encode(), 1)
    assert not message.retained
    assert not message.duplicate


@pytest.mark.servers
def test_what_was_not_acknowledged_comes_again_and_what_was_does_not(broker: Mosquitto) -> None:
    with Peer(broker.port) as gateway:
        with Daemon(broker.port) as first:
            first.wait_up()
            for seq in range(10):
                gateway.publish(PRESSURE, reading(seq))
            for message in first.wait_messages(10)[:6]:
                assert message.ack is not None
                message.ack.acknowledge()
        with Daemon(broker.port) as second:
            second.wait_up()
            again = second.wait_messages(4)
            assert second.detail(LinkNews.UP) == "MQTT 5, session resumed"
            assert [message.payload.decode() for message in again] == [reading(seq) for seq in range(6, 10)]
            assert all(message.duplicate for message in again)


@pytest.mark.servers
def test_a_backlog_survives_a_restart_of_the_broker_and_every_reading_counts_once(broker: Mosquitto) -> None:
    count = 300
    decoder = DefaultDecoder("tern", register=lambda _: None)
    with Daemon(broker.port) as first:
        first.wait_up()
        with Peer(broker.port) as gateway:
            for seq in range(20):
                gateway.publish(PRESSURE, reading(seq))
        seen = list(first.wait_messages(20))
    with Peer(broker.port) as gateway:
        for seq in range(20, 100):
            gateway.publish(PRESSURE, reading(seq))
    broker.restart()
    with Peer(broker.port) as gateway, Daemon(broker.port) as second:
        for seq in range(100, count):
            gateway.publish(PRESSURE, reading(seq))
        second.wait_for(lambda: acknowledged_up_to(second, count))
        seen += second.messages
    events = [decoder.decode(message)[0] for message in seen]
    seqs = [event.seq for event in events if isinstance(event, Reading) and event.doubt is not Doubt.DUPLICATE]
    assert seqs == list(range(count))
    with Daemon(broker.port) as third, Peer(broker.port) as gateway:
        third.wait_up()
        gateway.publish(PRESSURE, reading(count))
        assert [message.payload.decode() for message in third.wait_messages(1)] == [reading(count)]


def acknowledged_up_to(daemon: Daemon, count: int) -> bool:
    """Acknowledges as it looks: at most 64 come without."""
    daemon.acknowledge_all()
    return bool(daemon.messages) and daemon.messages[-1].payload.decode() == reading(count - 1)


@pytest.mark.servers
def test_after_a_restart_of_the_broker_it_subscribes_again(broker: Mosquitto, tmp_path: Path) -> None:
    with Daemon(broker.port) as daemon:
        daemon.wait_up()
        broker.kill()
        daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
        for database in tmp_path.glob("*.db"):
            database.unlink()
        broker.start()
        daemon.wait_up(2)
        with Peer(broker.port) as gateway:
            gateway.publish(PRESSURE, reading(1))
        daemon.wait_messages(1)
        assert daemon.told(LinkNews.GAP_POSSIBLE) == 1
        assert daemon.greeted == 2


@pytest.mark.servers
def test_a_session_that_was_kept_is_no_gap(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon:
        daemon.wait_up()
        broker.restart()
        daemon.wait_up(2)
        assert daemon.told(LinkNews.GAP_POSSIBLE) == 0
        assert daemon.detail(LinkNews.UP) == "MQTT 5, session resumed"


@pytest.mark.servers
def test_an_acknowledgement_for_a_replaced_connection_is_dropped(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        gateway.publish(PRESSURE, reading(1))
        old = daemon.wait_messages(1)[0]
        cut(daemon)
        daemon.wait_messages(2)  # the broker sends it again, under the same message id
        assert old.ack is not None
        old.ack.acknowledge()
        cut(daemon)
        again = daemon.wait_messages(3)
        assert [message.payload for message in again] == [reading(1).encode()] * 3


def cut(daemon: Daemon) -> None:
    """Break the connection as a cable does."""
    connection = daemon.link._connection
    assert connection is not None
    opened = connection._client.socket()
    assert isinstance(opened, socket.socket)
    with contextlib.suppress(OSError):
        opened.shutdown(socket.SHUT_RDWR)


# The intake queue is full --------------------------------------------------------------------------------------------


@pytest.mark.servers
def test_qos_0_into_a_full_queue_is_dropped_and_counted(broker: Mosquitto) -> None:
    with Daemon(broker.port, room=3) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        for seq in range(10):
            gateway.publish(PRESSURE, reading(seq), qos=0)
        daemon.wait_for(lambda: daemon.refused == 7)
        daemon.room = 100
        gateway.publish(PRESSURE, reading(10))
        assert [m.payload.decode() for m in daemon.wait_messages(4)] == [reading(seq) for seq in (0, 1, 2, 10)]
        assert daemon.link.dropped == 7
        assert daemon.told(LinkNews.DROPPED) == 1
        assert daemon.told(LinkNews.DOWN) == 0


@pytest.mark.servers
def test_qos_1_without_room_closes_the_connection_and_comes_again_in_order(broker: Mosquitto) -> None:
    with Daemon(broker.port, room=3) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        for seq in range(10):
            gateway.publish(PRESSURE, reading(seq))
        daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
        assert "queue is full" in daemon.detail(LinkNews.DOWN)
        daemon.room = 100
        daemon.wait_for(lambda: daemon.messages[-1].payload.decode() == reading(9))
        news = list(dict.fromkeys(message.payload.decode() for message in daemon.messages))
        assert news == [reading(seq) for seq in range(10)]


@pytest.mark.servers
def test_a_fault_in_the_queue_itself_is_an_outage_and_not_the_end(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        daemon.room = None  # type: ignore[assignment]  # comparing with it raises TypeError
        gateway.publish(PRESSURE, reading(1))
        daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
        daemon.room = 100
        daemon.wait_messages(1)
        assert "TypeError" in next(detail for news, detail in daemon.news if news is LinkNews.DOWN)


@pytest.mark.servers
def test_huge_messages_are_cut_before_they_fill_the_memory(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon, Peer(broker.port) as gateway:
        daemon.wait_up()
        gateway.publish(PRESSURE, b"x" * 900_000)
        (message,) = daemon.wait_messages(1)
        assert len(message.payload) == 65_537


# What we publish -----------------------------------------------------------------------------------------------------


def alarm(number: int) -> Publication:
    return Publication(topic=ALARM, payload=f"alarm {number}".encode(), qos=1)


@pytest.mark.servers
def test_alarms_wait_for_the_broker_and_old_state_does_not(tmp_path: Path) -> None:
    lamp = Publication(topic="fillguard/tern/1/lamp", payload=b"stop", retain=True)
    with Mosquitto(tmp_path, ["allow_anonymous true", "max_queued_messages 5000"]) as broker:
        with Peer(broker.port, client_id="board", keeps_session=True) as board:
            board.subscribe("fillguard/tern/#")
        with Daemon(broker.port) as daemon:
            daemon.wait_up()
            broker.stop()
            daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
            for number in range(1500):
                daemon.link.publish(alarm(number))
            daemon.link.publish(lamp)
            broker.start()
            daemon.wait_up(2)
            for number in range(1500, 1700):  # while the thousand are still on their way
                daemon.link.publish(alarm(number))
            with Peer(broker.port, client_id="board", keeps_session=True) as board:
                heard = board.wait_for(lambda all_: any(m.payload == b"alarm 1699" for m in all_))
    alarms = [message.payload.decode() for message in heard if message.topic == ALARM]
    assert alarms == [f"alarm {number}" for number in range(500, 1700)]
    assert daemon.link.unsent == 500
    assert not [message for message in heard if message.topic == lamp.topic]


@pytest.mark.servers
def test_an_alarm_the_broker_never_confirmed_is_sent_again(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon:
        daemon.wait_up()
        broker.pause()
        for number in range(30):  # more than are on their way at once
            daemon.link.publish(alarm(number))
        broker.kill()
        broker.start()
        daemon.wait_up(2)
        with Peer(broker.port) as board:
            board.subscribe("fillguard/tern/#")
            daemon.link.publish(alarm(30))
            board.wait_for(lambda all_: any(m.payload == b"alarm 30" for m in all_))
        assert not daemon.link._kept
        assert daemon.link.unsent == 0


@pytest.mark.servers
def test_birth_farewell_and_last_will_are_retained(broker: Mosquitto) -> None:
    with Peer(broker.port) as board:
        board.subscribe(STATUS)
        with Daemon(broker.port) as daemon:
            board.wait_for(lambda all_: states(all_) == ["online"])
            cut(daemon)
            board.wait_for(lambda all_: states(all_) == ["online", "offline", "online"])
            daemon.wait_up(2)
        board.wait_for(lambda all_: states(all_) == ["online", "offline", "online", "offline"])
    with Peer(broker.port) as later:
        later.subscribe(STATUS)
        assert later.wait_for(lambda all_: len(all_) == 1)[0].retain


def states(messages: Sequence[MQTTMessage]) -> list[str]:
    return [json.loads(message.payload)["state"] for message in messages]


@pytest.mark.servers
def test_leaving_does_not_wait_for_a_broker_that_hangs(broker: Mosquitto) -> None:
    with Daemon(broker.port) as daemon:
        daemon.wait_up()
        broker.pause()
        daemon.link.stop()
        assert daemon.link._thread is not None
        assert not daemon.link._thread.is_alive()
        assert daemon.news[-1] == (LinkNews.DOWN, "stopped")


# Another one takes over ----------------------------------------------------------------------------------------------


@pytest.mark.servers
@pytest.mark.parametrize("client_id", ["fillguard-tern", "fillguard-other-machine"], ids=["same id", "another id"])
@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_the_one_that_was_started_later_takes_over_and_the_other_stays_away(
    broker: Mosquitto, client_id: str, version: str
) -> None:
    now_s = SystemClock().now().utc_s
    with Daemon(broker.port, version=version, started_utc_s=now_s - 3600.0) as older:
        older.wait_up()
        with Daemon(broker.port, version=version, client_id=client_id, started_utc_s=now_s) as newer:
            older.wait_for(lambda: older.told(LinkNews.TAKEN_OVER) == 1)
            assert older.link._thread is not None
            older.link._thread.join(DEADLINE_S)
            assert not older.link._thread.is_alive()
            newer.wait_for(lambda: bool(newer.news) and newer.news[-1][0] is LinkNews.UP)
            with Peer(broker.port) as gateway:
                gateway.publish(PRESSURE, reading(1))
            newer.wait_messages(1)
            assert newer.told(LinkNews.TAKEN_OVER) == 0
            assert "another" in older.detail(LinkNews.TAKEN_OVER)


@pytest.mark.servers
def test_what_an_earlier_fillguard_left_behind_is_no_rival(broker: Mosquitto) -> None:
    now_s = SystemClock().now().utc_s
    left = StationStatus(station="tern", instance="x", version="0", started_utc_s=now_s + 1e8, drill=False)
    with Peer(broker.port) as somebody:
        somebody.publish(STATUS, left.birth().payload, retain=True)
        with Daemon(broker.port, started_utc_s=now_s) as daemon:
            daemon.wait_up()
            somebody.publish(PRESSURE, reading(1))
            daemon.wait_messages(1)
            assert daemon.told(LinkNews.TAKEN_OVER) == 0


# Refusals ------------------------------------------------------------------------------------------------------------


def guarded(folder: Path) -> list[str]:
    """Lines that make mosquitto refuse: its own access lists grant every subscription and then send nothing."""
    plugins = sorted(Path("/usr/lib").glob("**/mosquitto_dynamic_security.so"))
    if not plugins:
        pytest.fail("mosquitto's dynamic security plugin is missing: it comes with the Debian package mosquitto")
    salt = b"0123456789ab"
    secret = base64.b64encode(hashlib.pbkdf2_hmac("sha512", b"secret", salt, 101)).decode()
    access = {"publishClientSend": False, "publishClientReceive": True, "subscribe": False, "unsubscribe": True}
    client = {"username": "tern", "password": secret, "salt": base64.b64encode(salt).decode(), "iterations": 101}
    granted = {"acltype": "subscribePattern", "topic": "fillguard/#", "allow": True}
    content = {
        "defaultACLAccess": access,
        "clients": [client | {"roles": [{"rolename": "daemon"}]}],
        "roles": [{"rolename": "daemon", "acls": [granted]}],
    }
    (folder / "security.json").write_text(json.dumps(content), encoding="utf-8")
    return ["allow_anonymous false", f"plugin {plugins[0]}", f"plugin_opt_config_file {folder}/security.json"]


@pytest.mark.servers
@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_refused_subscription_is_told_with_its_filter(tmp_path: Path, version: str) -> None:
    with Mosquitto(tmp_path, guarded(tmp_path)) as broker:
        with Daemon(broker.port, version=version, user="tern", password="secret") as daemon:  # noqa: S106 - a test's
            daemon.wait_for(lambda: daemon.told(LinkNews.SUBSCRIPTION_REFUSED) == 1)
            refused = daemon.detail(LinkNews.SUBSCRIPTION_REFUSED)
            kinds = [news for news, _ in daemon.news]
        assert kinds.index(LinkNews.UP) < kinds.index(LinkNews.SUBSCRIPTION_REFUSED)
        assert "fill/tern/#" in refused
        assert "fillguard/tern/command" not in refused


@pytest.mark.servers
def test_a_publication_that_is_not_passed_on_is_told(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path, guarded(tmp_path)) as broker,
        Daemon(broker.port, user="tern", password="secret") as daemon,  # noqa: S106 - a test's
    ):
        daemon.wait_for(lambda: daemon.told(LinkNews.PUBLICATION_REFUSED) >= 1)
        assert "Not authorized" in daemon.detail(LinkNews.PUBLICATION_REFUSED)


@pytest.mark.servers
def test_a_wrong_password_is_an_outage_that_says_so_and_no_downgrade(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path, guarded(tmp_path)) as broker,
        Daemon(broker.port, user="tern", password="guess") as daemon,  # noqa: S106 - a test's
    ):
        daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
        assert "Not authorized" in daemon.detail(LinkNews.DOWN)
        assert daemon.told(LinkNews.UP) == 0


def make_certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate that vouches for itself, for 127.0.0.1."""
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
         "-keyout", key, "-out", certificate, "-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, capture_output=True,
    )  # fmt: skip
    return certificate, key


@pytest.mark.servers
def test_tls_connects_to_the_broker_it_trusts_and_to_no_other(tmp_path: Path) -> None:
    ours, key = make_certificate(tmp_path, "ours")
    theirs, _ = make_certificate(tmp_path, "theirs")
    lines = ["allow_anonymous true", f"certfile {ours}", f"keyfile {key}"]
    with Mosquitto(tmp_path, lines) as broker:
        with Daemon(broker.port, tls=TlsSettings(ca_file=ours, cert_file=None, key_file=None)) as daemon:
            daemon.wait_up()
        with Daemon(broker.port, tls=TlsSettings(ca_file=theirs, cert_file=None, key_file=None)) as daemon:
            daemon.wait_for(lambda: daemon.told(LinkNews.DOWN) >= 1)
            assert "CERTIFICATE_VERIFY_FAILED" in daemon.detail(LinkNews.DOWN)


def test_tls_files_that_do_not_load_are_a_mistake_in_the_configuration(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"nowhere\.crt"):
        Daemon(1, tls=TlsSettings(ca_file=tmp_path / "nowhere.crt", cert_file=None, key_file=None))


# MQTT 3.1.1 ----------------------------------------------------------------------------------------------------------


@pytest.mark.servers
@pytest.mark.parametrize("version", ["auto", "3.1.1"])
def test_a_broker_that_knows_only_3_1_1_is_served(version: str) -> None:
    with Amqtt() as broker, Daemon(broker.port, version=version) as daemon:
        daemon.wait_up()
        with Peer(broker.port, version=MQTTProtocolVersion.MQTTv311) as gateway:
            gateway.publish(PRESSURE, reading(1))
            daemon.wait_messages(1)
        daemon.acknowledge_all()
        assert daemon.detail(LinkNews.UP).startswith("MQTT 3.1.1")


class ScriptedBroker:
    """Takes connections, notes their CONNECT, and answers each as told: bytes, None for silence, "" to hang up."""

    def __init__(self, *answers: bytes | None) -> None:
        self.connects: list[bytes] = []
        self._answers = answers
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._heard = threading.Condition()
        threading.Thread(target=self._serve, daemon=True).start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()
        for each in self._open:
            each.close()

    def wait_connects(self, count: int) -> list[bytes]:
        with self._heard:
            assert self._heard.wait_for(lambda: len(self.connects) >= count, DEADLINE_S)
        return self.connects

    def _serve(self) -> None:
        for answer in self._answers:
            try:
                peer, _ = self._listener.accept()
            except OSError:
                return
            packet = peer.recv(1000)
            if answer == b"":
                peer.close()
            else:
                self._open.append(peer)
                peer.sendall(answer or b"")
            with self._heard:
                self.connects.append(packet)
                self._heard.notify_all()


def level_and_flags(connect: bytes) -> tuple[int, int]:
    """Protocol level (5 or 4) and the clean-session bit of a CONNECT."""
    start = connect.index(b"\x00\x04MQTT") + 6
    return connect[start], connect[start + 1] & 0x02


@pytest.mark.parametrize(
    "answer",
    [b"\x20\x03\x00\x84\x00", b"\x20\x02\x00\x01", None],
    ids=["refused as version 5 does", "refused as version 3 does", "silence on an open socket"],
)
def test_a_broker_that_does_not_speak_version_5_is_asked_in_3_1_1_for_the_same_session(answer: bytes | None) -> None:
    with ScriptedBroker(answer, None) as broker, Daemon(broker.port):
        first, second = broker.wait_connects(2)
    assert level_and_flags(first) == (5, 0)
    assert level_and_flags(second) == (4, 0)
    assert b"fillguard-tern" in second


@pytest.mark.parametrize(
    "answer", [b"", b"\x20\x03\x00\x87\x00"], ids=["connection closed", "refused for another reason"]
)
def test_an_outage_is_never_a_downgrade(answer: bytes) -> None:
    with ScriptedBroker(answer, answer, None) as broker, Daemon(broker.port):
        connects = broker.wait_connects(3)
    assert [level_and_flags(connect) for connect in connects] == [(5, 0)] * 3


def test_a_version_that_was_asked_for_is_kept() -> None:
    with ScriptedBroker(b"\x20\x03\x00\x84\x00", None) as broker, Daemon(broker.port, version="5"):
        connects = broker.wait_connects(2)
    assert [level_and_flags(connect)[0] for connect in connects] == [5, 5]
