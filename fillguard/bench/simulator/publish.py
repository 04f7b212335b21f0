"""A simulated station on a broker: one gateway per whip, paced by the drill's clock."""

import signal
import socket
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.record import Progress
from fillguard.bench.simulator.scenario import load_scenario
from fillguard.bench.simulator.sensors import SimMessage
from fillguard.bench.simulator.simulation import Simulation
from fillguard.bench.simulator.truth import FillTruth
from fillguard.core.errors import DeviceError
from fillguard.core.values import AIR, Stamp

_CONNECT_WITHIN_S = 10.0
_DRAIN_WITHIN_S = 10.0
_KEEPALIVE_S = 30
_QUEUED_AT_MOST = 20_000
_GET_READY_S = 1.0
"""Real seconds between building the station and its first message."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    """Where to publish, and how surely."""

    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    qos_reading: int = 1
    """Of sensor readings; attach, detach and presence are always QoS 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """How a run went."""

    epoch_utc_s: float
    """Scenario second 0 on the clock."""
    sent: int
    unacknowledged: int
    refused: int
    """Given up because the queue towards the broker was full."""
    latest_by_s: float
    """The worst lag behind the schedule, seconds of the clock."""
    stopped_early: bool
    fills: Sequence[FillTruth]


class Clock(Protocol):
    """The clock of the station's day: in a drill it runs faster than the world."""

    def now(self) -> Stamp:
        """Both clocks, read together."""

    def real_seconds(self, seconds: float) -> float:
        """How long `seconds` of this clock take in the world."""


class Sender(Protocol):
    """Takes messages towards a broker."""

    def send(self, message: SimMessage) -> None:
        """Hand over one message; returns at once."""


def paced(
    messages: Iterable[SimMessage],
    sender: Sender,
    *,
    clock: Clock,
    epoch_utc_s: float,
    wait: Callable[[float], bool],
    heard: Callable[[float], None] = lambda _: None,
) -> tuple[int, float, bool]:
    """Send each message when `clock` reaches its time; return how many, the worst lag in s, and whether stopped early.

    `wait(real_seconds)` sleeps and returns True when the run is to stop (`threading.Event.wait` does); `heard` is told
    the time of each message that was sent.
    """
    sent, worst_s = 0, 0.0
    for message in messages:
        early_s = epoch_utc_s + message.t_s - clock.now().utc_s
        if wait(clock.real_seconds(early_s) if early_s > 0.0 else 0.0):
            return sent, worst_s, True
        worst_s = max(worst_s, -early_s)
        sender.send(message)
        sent += 1
        heard(message.t_s)
    return sent, worst_s, False


class _Gateway:
    """One whip's connection, with its last will on the whip's presence topic."""

    def __init__(self, name: str, presence_topic: str, broker: Broker) -> None:
        self._presence_topic = presence_topic
        self._broker = broker
        self._answered = threading.Event()
        self._refusal: str | None = None
        self._settled = threading.Condition()
        self._handed_over = self._greetings = self._acknowledged = 0
        self.refused = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv311)
        self._client.max_queued_messages_set(_QUEUED_AT_MOST)
        self._client.will_set(presence_topic, "offline", qos=1, retain=True)
        if broker.username is not None:
            self._client.username_pw_set(broker.username, broker.password)
        self._client.on_connect = self._connected
        self._client.on_publish = self._published
        self._client.on_socket_open = _without_delay

    def connect(self) -> None:
        where = f"broker at {self._broker.host}:{self._broker.port}"
        try:
            self._client.connect(self._broker.host, self._broker.port, keepalive=_KEEPALIVE_S)
        except OSError as error:
            raise DeviceError(f"{where} cannot be reached ({error}); start it, or check host and port") from error
        self._client.loop_start()
        if not self._answered.wait(_CONNECT_WITHIN_S):
            self.close()
            raise DeviceError(f"{where} did not answer within {_CONNECT_WITHIN_S:g} s; is it an MQTT broker?")
        if self._refusal is not None:
            self.close()
            raise DeviceError(f"{where} refused the connection: {self._refusal}; check user and password")

    def publish(self, message: SimMessage) -> None:
        qos = self._broker.qos_reading if message.reading else 1
        info = self._client.publish(message.topic, message.payload, qos=qos, retain=message.retained)
        kept = info.rc == mqtt.MQTT_ERR_SUCCESS or (qos and info.rc != mqtt.MQTT_ERR_QUEUE_SIZE)
        self._handed_over += bool(kept)
        self.refused += not kept

    def say_offline(self) -> None:
        self._client.publish(self._presence_topic, "offline", qos=1, retain=True)
        self._handed_over += 1

    def drain(self) -> int:
        """Wait for what is still unacknowledged; return how much of it there is in the end."""
        with self._settled:
            self._settled.wait_for(lambda: self._open() <= 0, _DRAIN_WITHIN_S)
            return self._open()

    def _open(self) -> int:
        """Messages on their way. Each count is written by one thread only."""
        return self._handed_over + self._greetings - self._acknowledged

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:  # noqa: ANN401  (paho's callback)
        if reason.is_failure:
            self._refusal = str(reason)
        else:
            self._refusal = None
            # Also after a reconnect: meanwhile the last will has said offline.
            client.publish(self._presence_topic, "online", qos=1, retain=True)
            self._greetings += 1
        self._answered.set()

    def _published(self, _client: mqtt.Client, _data: Any, _mid: int, _reason: Any, _properties: Any) -> None:  # noqa: ANN401  (paho's callback)
        with self._settled:
            self._acknowledged += 1
            self._settled.notify_all()


def _without_delay(_client: mqtt.Client, _data: Any, sock: Any) -> None:  # noqa: ANN401  (paho's callback)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class _Gateways:
    """All whips' connections; what belongs to the whole room goes through the first."""

    def __init__(self, station: str, whips: Sequence[str], broker: Broker) -> None:
        self._by_whip = {
            whip: _Gateway(f"gateway-{station}-{whip}", f"fill/{station}/{whip}/presence", broker) for whip in whips
        }
        self._room = self._by_whip[whips[0]]
        self._started: list[_Gateway] = []

    def connect(self) -> None:
        for gateway in self._by_whip.values():
            gateway.connect()
            self._started.append(gateway)

    def send(self, message: SimMessage) -> None:
        if not message.retained:  # presence is the gateways' own
            (self._room if message.whip is None else self._by_whip[message.whip]).publish(message)

    @property
    def refused(self) -> int:
        return sum(gateway.refused for gateway in self._by_whip.values())

    def close(self) -> int:
        """Say goodbye; return how many messages were never acknowledged."""
        for gateway in self._started:
            gateway.say_offline()
        left = sum(gateway.drain() for gateway in self._started)
        for gateway in self._started:
            gateway.close()
        return left


def simulate_over_mqtt(
    scenario_path: Path,
    *,
    broker: Broker,
    clock: Clock,
    stop: threading.Event,
    seed: int | None = None,
    progress: Progress | None = None,
) -> Published:
    """Play a scenario on a broker at the pace of `clock`, from now on; ends with it, or early once `stop` is set.

    Every whip's gateway leaves its retained presence at `offline`.

    Raises:
        ConfigurationError: the scenario cannot be done.
        DeviceError: the broker cannot be reached or refuses.
    """
    scenario = load_scenario(scenario_path)
    Fluid.of(AIR)  # the slow import happens before the clock is read
    gateways = _Gateways(scenario.station.id, [whip.id for whip in scenario.whip], broker)
    try:
        gateways.connect()
        epoch_utc_s = clock.now().utc_s + _GET_READY_S / clock.real_seconds(1.0)
        simulation = Simulation(scenario, seed=seed, epoch_utc_s=epoch_utc_s)
        heard = _share_of(scenario.station.duration_s, progress)
        sent, worst_s, early = paced(
            simulation.messages(), gateways, clock=clock, epoch_utc_s=epoch_utc_s, wait=stop.wait, heard=heard
        )
    finally:
        unacknowledged = gateways.close()
    return Published(
        epoch_utc_s=epoch_utc_s,
        sent=sent,
        unacknowledged=unacknowledged,
        refused=gateways.refused,
        latest_by_s=worst_s,
        stopped_early=early,
        fills=simulation.fills,
    )


def _share_of(duration_s: float, progress: Progress | None) -> Callable[[float], None]:
    """What turns the time of a message into the share done."""
    if progress is None:
        return lambda _: None
    return lambda t_s: progress(min(1.0, t_s / duration_s))


@contextmanager
def stop_on_signals() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set; the handlers are put back afterwards. Main thread only."""
    stop = threading.Event()
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
