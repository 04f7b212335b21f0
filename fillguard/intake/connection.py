"""One connection to the broker, from CONNECT to its end, on the thread that runs it.

A new client is made for every connection, so that an acknowledgement can never reach another one: message ids recur.
The network thread does nothing with a message but stamp it and offer it to the intake queue. What is published goes out
on the thread that publishes it, unless another one is at the socket: an alarm does not wait for a thread to wake up.
"""

import contextlib
import select
import socket
import ssl
import threading
from collections.abc import Sequence
from typing import Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from fillguard.intake.bargain import Ended, How, Needs
from fillguard.intake.formats import LARGEST_BYTES
from fillguard.ports import Publication, RawMessage

SESSION_EXPIRY_S = 3600
RECEIVE_MAXIMUM = 64
LARGEST_PACKET_BYTES = 1024 * 1024
KEEPALIVE_S = 10
MOST_KEPT = 1000
"""Own QoS 1 messages that wait for the broker."""
_MOST_IN_FLIGHT = 10
"""Own unacknowledged messages: a broker that allows fewer ends the connection, and the library does not look. The
common brokers allow 20 and more."""
_FALLBACK_CONNACK_S = 3.0
_CONNACK_S = 10.0
_SUBACK_S = 10.0
_FAREWELL_S = 2.0
_LOOP_S = 0.5
_NO_ROOM_S = 0.05
"""How long to leave the socket alone when there is no room: a broker with a backlog sends far more than it was allowed
(mosquitto 2.0.11 with receive maximum 64: 11,000 messages at once, MEASURED)."""
_WAKE_UPS = 4096
_UNSUPPORTED_VERSION = 0x84
_SESSION_TAKEN_OVER = 0x8E


class Owner(Protocol):
    """What a connection tells, on the network thread."""

    def connected(self, connection: "Connection", *, session_present: bool) -> None:
        """The broker accepted the connection."""

    def subscribed(self, refused: Sequence[str]) -> None:
        """The broker answered the subscription; `refused` holds the filters it will not serve."""

    def send_waiting(self, connection: "Connection") -> None:
        """Asked again and again: hand over what waits, as far as the connection takes it."""

    def message_dropped(self) -> None:
        """A QoS 0 message found no room and is gone."""

    def rival_in(self, payload: bytes) -> str | None:
        """Who took our place, if that is what this message on the will's topic says."""

    def publication_refused(self, reason: str) -> None:
        """The broker took a message of ours and will not pass it on."""


class _Token:
    """Waits to acknowledge one message on its own connection."""

    __slots__ = ("_connection", "_message_id")

    def __init__(self, connection: "Connection", message_id: int) -> None:
        self._connection = connection
        self._message_id = message_id

    def acknowledge(self) -> None:
        self._connection.acknowledge(self._message_id)


class Connection:
    """One client, one socket. `run` returns when it is over; `publish` and `acknowledge` from any thread."""

    def __init__(self, needs: Needs, owner: Owner, version: MQTTProtocolVersion) -> None:
        self._needs = needs
        self._owner = owner
        self.version = version
        self._own_topic = needs.will.topic if needs.will is not None else None
        self._filters = needs.filters + ((self._own_topic,) if self._own_topic is not None else ())
        self._at_socket = threading.Lock()
        self._woken, self._waker = _wake_pair()
        self._client = self._new_client()
        self._connected_at_s: float | None = None
        self._heard_s = 0.0
        self._refused: ReasonCode | None = None
        self._server_said: ReasonCode | None = None
        self._rival: str | None = None
        self._last_sent: MQTTMessageInfo | None = None
        self._answered = False
        self._overfull = False
        self._over = False

    # Any thread ------------------------------------------------------------------------------------------------------

    def publish(self, publication: Publication) -> bool:
        """Hand one message over for sending; False when the connection cannot take it."""
        p = publication
        info = self._client.publish(p.topic, p.payload, p.qos, p.retain)
        self._send_queued()
        taken = info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS
        if taken and p.qos > 0:
            self._last_sent = info
        return taken

    def acknowledge(self, message_id: int) -> None:
        """Acknowledge a QoS 1 message; nothing when this connection is over: the broker sends it again on the next."""
        if not self._over:
            with contextlib.suppress(OSError):  # the socket closed a moment ago: as if it were over
                self._client.ack(message_id, 1)
                self._send_queued()

    def _send_queued(self) -> None:
        """Send what is queued, or have the network thread do it when one is at the socket already. Waits for nobody."""
        if self._at_socket.acquire(blocking=False):
            try:
                self._client.loop_write()
            finally:
                self._at_socket.release()
            if not self._client.want_write():
                return
        with contextlib.suppress(OSError):  # full of wake-ups already, or over
            self._waker.send(b"!")

    # The network thread ----------------------------------------------------------------------------------------------

    def run(self, stop: threading.Event, connack_within_s: float) -> Ended:
        """Connect, serve until it ends, and say how it ended. Never raises."""
        try:
            ended = self._serve(stop, connack_within_s)
        except OSError as error:
            ended = Ended(How.UNREACHABLE if self._connected_at_s is None else How.LOST, str(error))
        except Exception as error:  # noqa: BLE001 - the client library raises all sorts on broken packets: reported as an outage
            ended = Ended(How.LOST, f"{type(error).__name__}: {error}")
        self._over = True
        self._woken.close()
        self._waker.close()
        opened = self._client.socket()
        if opened is not None:
            opened.close()
        unsent = tuple(
            Publication(topic=m.topic, payload=bytes(m.payload), qos=m.qos, retain=m.retain)
            for m in self._client.drop_out_messages()
        )
        return Ended(ended.how, ended.detail, unsent)

    def _serve(self, stop: threading.Event, connack_within_s: float) -> Ended:
        broker = self._needs.broker
        v5 = self.version is MQTTProtocolVersion.MQTTv5
        self._client.connect(
            broker.host,
            broker.port,
            KEEPALIVE_S,
            clean_start=not self._needs.keeps_session if v5 else 3,
            properties=_connect_properties(keeps_session=self._needs.keeps_session) if v5 else None,
        )
        opened_s = self._needs.monotonic()
        leaving_s: float | None = None
        while self._turn() == MQTTErrorCode.MQTT_ERR_SUCCESS:
            now_s = self._needs.monotonic()
            self._owner.send_waiting(self)
            unanswered = self._unanswered(now_s, opened_s, connack_within_s)
            if unanswered is not None:
                return unanswered
            if leaving_s is None and (stop.is_set() or self._overfull or self._rival):
                leaving_s = now_s
            if leaving_s is not None and (self._all_confirmed() or now_s - leaving_s > _FAREWELL_S):
                self._client.disconnect()
                self._turn()
                break
        return self._ended(stop)

    def _turn(self) -> MQTTErrorCode:
        """Wait for something to read or to write, and do it."""
        opened = self._client.socket()
        if opened is None or opened.fileno() < 0:
            return MQTTErrorCode.MQTT_ERR_NO_CONN
        ready = isinstance(opened, ssl.SSLSocket) and opened.pending() > 0  # read from the network, not yet by us
        writing = [opened] if self._client.want_write() else []
        if not self._needs.has_room():
            return self._turn_without_reading([each.fileno() for each in writing])
        readable, _, _ = select.select([opened, self._woken], writing, [], 0.0 if ready else _LOOP_S)
        if self._woken in readable:
            self._woken.recv(_WAKE_UPS)
        with self._at_socket:
            code = MQTTErrorCode.MQTT_ERR_SUCCESS
            if ready or opened in readable:
                code = self._client.loop_read()
            if code == MQTTErrorCode.MQTT_ERR_SUCCESS and self._client.want_write():
                code = self._client.loop_write()
            return code or self._client.loop_misc()

    def _turn_without_reading(self, writing: Sequence[int]) -> MQTTErrorCode:
        """Write what is to be written, and give whoever takes the messages some time."""
        select.select([], writing, [], _NO_ROOM_S)
        self._heard_s = self._needs.monotonic()
        with self._at_socket:
            code = self._client.loop_write() if self._client.want_write() else MQTTErrorCode.MQTT_ERR_SUCCESS
            return code or self._client.loop_misc()

    def _unanswered(self, now_s: float, opened_s: float, connack_within_s: float) -> Ended | None:
        if self._connected_at_s is None and now_s - opened_s > connack_within_s:
            return Ended(How.SILENT, f"no answer to CONNECT within {connack_within_s:g} s")
        if self._connected_at_s is None or self._answered:
            return None
        if now_s - max(self._connected_at_s, self._heard_s) > _SUBACK_S:  # an answer stands in line behind a backlog
            return Ended(How.LOST, f"no answer to SUBSCRIBE within {_SUBACK_S:g} s")
        return None

    def _all_confirmed(self) -> bool:
        """Whether the broker has what we sent: closing a socket before its answers came can lose the last words."""
        return self._last_sent is None or self._last_sent.is_published()

    def _ended(self, stop: threading.Event) -> Ended:
        said = self._server_said
        if self._rival is not None:
            return Ended(How.TAKEN_OVER, self._rival)
        if said is not None and said.value == _SESSION_TAKEN_OVER:
            return Ended(How.TAKEN_OVER, f"another client connected as {self._needs.broker.client_id!r}")
        if self._refused is not None:
            how = How.OTHER_VERSION if self._refused.value == _UNSUPPORTED_VERSION else How.REFUSED
            return Ended(how, f"the broker refused the connection: {self._refused}")
        if self._overfull:
            return Ended(How.OVERFULL, "the intake queue is full: the broker keeps what it has for us")
        if stop.is_set():
            return Ended(How.STOPPED, "stopped")
        return Ended(How.LOST, f"the broker closed the connection: {said}" if said else "connection lost")

    def _new_client(self) -> Client:
        needs, v5 = self._needs, self.version is MQTTProtocolVersion.MQTTv5
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=needs.broker.client_id,
            clean_session=None if v5 else not needs.keeps_session,
            protocol=self.version,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.max_queued_messages_set(MOST_KEPT)
        client.max_inflight_messages_set(_MOST_IN_FLIGHT)
        if needs.broker.user is not None:
            password = needs.broker.password
            client.username_pw_set(needs.broker.user, password.get_secret_value() if password else None)
        if needs.tls is not None:
            client.tls_set_context(needs.tls)
        if needs.will is not None:
            client.will_set(needs.will.topic, needs.will.payload, needs.will.qos, needs.will.retain)
        client.on_socket_open = _send_at_once
        client.on_socket_register_write = _leave_writing_to_us
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        return client

    def _on_connect(
        self, client: Client, _data: object, flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refused = reason
            return
        self._connected_at_s = self._needs.monotonic()
        client.subscribe([(each, 0 if each == self._own_topic else 1) for each in self._filters])
        self._owner.connected(self, session_present=flags.session_present)

    def _on_subscribe(
        self, _client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        self._answered = True
        answers = zip(self._filters, reasons, strict=True)
        self._owner.subscribed([topic_filter for topic_filter, reason in answers if reason.is_failure])

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        raw = self._raw(message)
        self._heard_s = self._needs.monotonic()
        if raw.topic == self._own_topic:
            # Two at one station under different ids, or a broker that does not say who took our id over.
            self._rival = self._rival or self._owner.rival_in(raw.payload)
        elif not self._overfull and self._needs.offer(raw):
            pass
        elif message.qos == 0:
            self._owner.message_dropped()
        else:
            # Whatever follows on this connection would overtake this message: refuse it all.
            self._overfull = True

    def _raw(self, message: MQTTMessage) -> RawMessage:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        return RawMessage(
            arrived=self._needs.clock.now(),
            topic=topic,
            payload=bytes(
                message.payload[: LARGEST_BYTES + 1]
            ),  # one too many says "too large": bounds the queue's memory
            retained=message.retain,
            duplicate=message.dup,
            qos=message.qos,
            ack=_Token(self, message.mid) if message.qos else None,
        )

    def _on_publish(
        self, _client: Client, _data: object, _mid: int, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._owner.publication_refused(str(reason))

    def _on_disconnect(
        self,
        _client: Client,
        _data: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._server_said = reason


def connack_within_s(version: MQTTProtocolVersion, *, may_fall_back: bool) -> float:
    """How long to wait for a CONNACK: short where there is an older version to try instead."""
    return _FALLBACK_CONNACK_S if may_fall_back and version is MQTTProtocolVersion.MQTTv5 else _CONNACK_S


def _connect_properties(*, keeps_session: bool) -> Properties:
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = SESSION_EXPIRY_S if keeps_session else 0
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    properties.MaximumPacketSize = LARGEST_PACKET_BYTES
    return properties


def _send_at_once(_client: Client, _data: object, opened: object) -> None:
    """Without this, TCP holds small packets back: an alarm took 10 ms, with it 1 ms."""
    if isinstance(opened, socket.socket):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _leave_writing_to_us(_client: Client, _data: object, _socket: object) -> None:
    """With this set, the library never writes by itself: two writers at once would mix their packets."""


def _wake_pair() -> tuple[socket.socket, socket.socket]:
    woken, waker = socket.socketpair()
    woken.settimeout(0.0)
    waker.settimeout(0.0)
    return woken, waker
