"""The link to the broker: connects, falls back to MQTT 3.1.1 where it must, reconnects for ever, keeps what is owed."""

import random
import ssl
import threading
from collections import deque
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Protocol

from paho.mqtt.enums import MQTTProtocolVersion

from fillguard.core.errors import ConfigurationError
from fillguard.intake.bargain import Ended, How, Needs
from fillguard.intake.connection import MOST_KEPT, Connection, connack_within_s
from fillguard.ports import Clock, Publication, RawMessage
from fillguard.settings import BrokerSettings, TlsSettings

_V5, _V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
_NAMES = {_V5: "MQTT 5", _V311: "MQTT 3.1.1"}
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 0.25, 5.0
_LASTING_S = 10.0
"""A connection that held so long is tried again at once; one that keeps breaking, less and less often."""
_TELL_DROPPED_EVERY_S = 60.0
_STOP_WITHIN_S = 10.0


class LinkNews(StrEnum):
    """What a link has to tell."""

    UP = "up"
    """Connected and subscribed."""
    DOWN = "down"
    """No connection, or lost; told once, and again when the reason changes."""
    SUBSCRIPTION_REFUSED = "subscription-refused"
    """The broker will not send what we need: blind though connected. Told after `UP`, on every connection."""
    PUBLICATION_REFUSED = "publication-refused"
    """The broker will not pass on a message of ours (its access list)."""
    GAP_POSSIBLE = "gap-possible"
    """The broker forgot our session: what was sent meanwhile is lost."""
    TAKEN_OVER = "taken-over"
    """Another fillguard took our place; this link stays down until it is started anew."""
    DROPPED = "dropped"
    """QoS 0 messages found the intake queue full; told at most once a minute."""


class Sign(Protocol):
    """What the station's fillguard says of itself, and how it knows that another one took its place."""

    @property
    def topic(self) -> str:
        """Where it stands, retained."""

    def farewell(self) -> Publication:
        """Published when we leave, and by the broker when we vanish."""

    def rival(self, payload: bytes, utc_s: float) -> str | None:
        """In words, who took our place; None for our own sign and for what is left of an older one."""


Tell = Callable[[LinkNews, str], None]


class MqttLink:
    """One client id at one broker, for intake and for what we publish. `publish` may be called from any thread.

    `offer` takes a message or says that there is no room, `has_room` whether more had better wait at the broker; `tell`
    hears the news, `greet` publishes state anew. All four are called on the network thread; they must not block, and
    `tell` must not publish.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        clock: Clock,
        monotonic: Callable[[], float],
        filters: Sequence[str],
        offer: Callable[[RawMessage], bool],
        tell: Tell,
        has_room: Callable[[], bool] = lambda: True,
        expects_session: bool = False,
        keeps_session: bool = True,
    ) -> None:
        """`monotonic` gives real seconds, also in a drill. Raises ConfigurationError for TLS files that do not load.

        `expects_session`: an earlier run left a session with the broker. `keeps_session`: this one leaves one, too.
        """
        self._broker = broker
        self._tls = _tls_context(broker.tls) if broker.tls else None
        self._clock, self._monotonic = clock, monotonic
        self._filters, self._offer, self._tell = tuple(filters), offer, tell
        self._has_room = has_room
        self._expects_session = expects_session
        self._keeps_session = keeps_session
        self._lock = threading.Lock()
        self._connection: Connection | None = None
        self._kept: deque[Publication] = deque()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._greet: Callable[[], None] = lambda: None
        self._sign: Sign | None = None
        self._said: tuple[bool, str] | None = None
        self._only_311 = False
        self._opening = ""
        self._dropped = self._unsent = 0
        self._told_dropped_s: float | None = None

    @property
    def dropped(self) -> int:
        """QoS 0 messages that found the intake queue full."""
        return self._dropped

    @property
    def unsent(self) -> int:
        """Own QoS 1 messages that waited for a broker and had to make room for newer ones."""
        return self._unsent

    def start(self, *, sign: Sign | None = None, greet: Callable[[], None] | None = None) -> None:
        """Connect, and keep connected until `stop`."""
        self._sign = sign
        if greet is not None:
            self._greet = greet
        self._thread = threading.Thread(target=self._run, name="fillguard-mqtt", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Say farewell, leave (the broker keeps the session) and wait until the thread has ended."""
        if self._sign is not None:
            self.publish(self._sign.farewell())
        self._stop.set()
        if self._thread is not None:
            self._thread.join(_STOP_WITHIN_S)

    def publish(self, publication: Publication) -> None:
        """Send, or keep until there is a connection (QoS 1, not retained), or drop what is sent anew from state."""
        owed = publication.qos > 0 and not publication.retain
        with self._lock:
            if owed and self._kept:
                self._keep(publication)  # behind those that came before
            elif (self._connection is None or not self._connection.publish(publication)) and owed:
                self._keep(publication)

    # The network thread ----------------------------------------------------------------------------------------------

    def connected(self, connection: Connection, *, session_present: bool) -> None:
        """Publish state anew, then what waited."""
        self._opening = f"{_NAMES[connection.version]}, session {'resumed' if session_present else 'new'}"
        if self._expects_session and not session_present:
            self._tell(LinkNews.GAP_POSSIBLE, "the broker forgot our session: what was sent while we were away is lost")
        with self._lock:
            self._connection = connection
        self._greet()
        self.send_waiting(connection)

    def send_waiting(self, connection: Connection) -> None:
        """Hand over what is kept, oldest first, as far as the connection takes it."""
        if self._kept:
            with self._lock:
                while self._kept and self._connection is connection and connection.publish(self._kept[0]):
                    self._kept.popleft()

    def subscribed(self, refused: Sequence[str]) -> None:
        """Only now is the link up: nothing comes without the subscription."""
        self._expects_session = self._keeps_session
        self._say(up=True, detail=self._opening)
        if refused:
            self._tell(
                LinkNews.SUBSCRIPTION_REFUSED,
                f"the broker refuses {', '.join(refused)}: look at its access list for user {self._broker.user!r}",
            )

    def message_dropped(self) -> None:
        """Count every one; tell at most once a minute."""
        self._dropped += 1
        now_s = self._monotonic()
        if self._told_dropped_s is None or now_s - self._told_dropped_s >= _TELL_DROPPED_EVERY_S:
            self._told_dropped_s = now_s
            self._tell(LinkNews.DROPPED, f"the intake queue is full: {self._dropped} QoS 0 messages dropped so far")

    def publication_refused(self, reason: str) -> None:
        """Passed on: an alarm that nobody hears is worth an alarm."""
        self._tell(LinkNews.PUBLICATION_REFUSED, f"the broker does not pass on what we publish: {reason}")

    def rival_in(self, payload: bytes) -> str | None:
        """Who took our place, if that is what a message on our own sign's topic says."""
        return self._sign.rival(payload, self._clock.now().utc_s) if self._sign is not None else None

    def _run(self) -> None:
        needs = Needs(
            broker=self._broker,
            tls=self._tls,
            clock=self._clock,
            monotonic=self._monotonic,
            filters=self._filters,
            offer=self._offer,
            has_room=self._has_room,
            will=self._sign.farewell() if self._sign is not None else None,
            keeps_session=self._keeps_session,
        )
        version = _V311 if self._broker.version == "3.1.1" else _V5
        pause_s = _SHORTEST_PAUSE_S
        while not self._stop.is_set():
            began_s = self._monotonic()
            ended = self._connect_once(needs, version)
            if ended.how is How.TAKEN_OVER:
                self._tell(LinkNews.TAKEN_OVER, f"{ended.detail}: this one stays away; stop one of the two")
                return
            tried, version = version, self._version_after(version, ended.how)
            if (tried, version) == (_V5, _V311):
                continue
            lasted_s = self._monotonic() - began_s
            pause_s = _SHORTEST_PAUSE_S if lasted_s > _LASTING_S else min(2.0 * pause_s, _LONGEST_PAUSE_S)
            self._stop.wait(pause_s * random.uniform(1.0, 2.0))  # noqa: S311 - spreads reconnects, keeps no secret

    def _connect_once(self, needs: Needs, version: MQTTProtocolVersion) -> Ended:
        within_s = connack_within_s(version, may_fall_back=self._broker.version == "auto")
        ended = Connection(needs, self, version).run(self._stop, within_s)
        with self._lock:
            self._connection = None
            owed = [publication for publication in ended.unsent if not publication.retain]
            self._kept.extendleft(reversed(owed))
            self._trim()
        self._say(up=False, detail=ended.detail)
        return ended

    def _version_after(self, tried: MQTTProtocolVersion, how: How) -> MQTTProtocolVersion:
        """A broker that says no, or nothing, to version 5 is asked again in 3.1.1; one that is away is just away."""
        if self._broker.version != "auto":
            return tried
        self._only_311 |= how is How.OTHER_VERSION
        return _V311 if self._only_311 or (how is How.SILENT and tried is _V5) else _V5

    def _say(self, *, up: bool, detail: str) -> None:
        if self._said != (up, detail):
            self._said = (up, detail)
            self._tell(LinkNews.UP if up else LinkNews.DOWN, detail)

    def _keep(self, publication: Publication) -> None:
        """With the lock held."""
        self._kept.append(publication)
        self._trim()

    def _trim(self) -> None:
        """With the lock held."""
        too_many = len(self._kept) - MOST_KEPT
        for _ in range(too_many):
            self._kept.popleft()
        if too_many > 0:
            self._unsent += too_many


def _tls_context(tls: TlsSettings) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
        if tls.cert_file is not None:
            context.load_cert_chain(tls.cert_file, tls.key_file, password="")  # else it would ask at the terminal
    except (OSError, ssl.SSLError) as error:
        files = ", ".join(str(path) for path in (tls.ca_file, tls.cert_file, tls.key_file) if path is not None)
        raise ConfigurationError(f"TLS files of the broker ({files}) do not load: {error}") from error
    return context
