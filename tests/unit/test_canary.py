"""The watch is watched: what comes back feeds, what does not is told, and only canaries count."""

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from fillguard.app.canary import EVERY_S, LOST_AFTER_S, Canary
from fillguard.app.services import Services
from fillguard.app.supervisor import READY, STOPPING, WATCHDOG, Supervisor
from fillguard.core.events import CanaryReturned, InEvent, ReadingRejected, ServiceChanged, Tick
from fillguard.core.station import StationState, step
from fillguard.core.values import Stamp
from fillguard.engine import Inbox
from fillguard.intake.canary import canary_publication, canary_topic
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.mqtt import LinkNews
from fillguard.ports import Publication, RawMessage
from tests.fakes import FakeClock
from tests.panel import real_rules

NOW = Stamp(mono_s=5.0, utc_s=1_795_558_185.0)


def decoded(publication: Publication, topic: str = "fillguard/tern/canary") -> InEvent:
    """What the intake makes of a message."""
    decoder = DefaultDecoder("tern", register=lambda _: None)
    (event,) = decoder.decode(RawMessage(arrived=NOW, topic=topic, payload=publication.payload))
    return event


@dataclass
class Aviary:
    """A canary with a clock by hand, and a broker that can keep it."""

    now_s: float = 100.0
    flying: list[Publication] = field(default_factory=list)
    health: list[tuple[bool, str]] = field(default_factory=list)
    fed: int = 0

    def __post_init__(self) -> None:
        self.canary = Canary(
            station="tern",
            instance="me",
            publish=self.flying.append,
            monotonic=lambda: self.now_s,
            on_health=lambda ok, detail: self.health.append((ok, detail)),
            feed=self._fed,
        )
        self.canary._since_s = self.now_s

    def _fed(self) -> None:
        self.fed += 1

    def round(self, *, returns: bool) -> None:
        """One round of its thread; what was sent comes back a moment later, or never."""
        self.canary.look()
        self.now_s += 0.05
        if returns:
            self.canary.tell(decoded(self.flying[-1]), ())
        self.now_s += EVERY_S - 0.05


def test_a_canary_is_sent_so_that_it_cannot_come_back_later() -> None:
    sent = canary_publication("tern", "me", 7)
    assert (sent.topic, sent.qos, sent.retain) == (canary_topic("tern"), 0, False)
    assert decoded(sent) == CanaryReturned(stamp=NOW, instance="me", number=7)


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"[]", b"7", b'{"n": 1}', b'{"n": "x", "instance": "me"}', b"[" * 60_000]
)
def test_what_is_no_canary_is_refused_as_one(payload: bytes) -> None:
    event = decoded(Publication(topic="", payload=payload))
    assert isinstance(event, ReadingRejected)
    assert event.reason == "bad-canary"


def test_it_passes_the_step_without_a_trace() -> None:
    state = StationState()
    assert step(state, CanaryReturned(stamp=NOW, instance="me", number=7), real_rules()) == (state, ())


def test_every_one_that_comes_back_feeds_once() -> None:
    aviary = Aviary()
    for _ in range(5):
        aviary.round(returns=True)
    assert aviary.fed == 4, "the fifth is on its way to be looked at"
    assert aviary.health == [(True, "it came back after 0.050 s")], "told once"
    assert aviary.canary.returned == 5
    assert aviary.canary.age_s == pytest.approx(EVERY_S - 0.05)
    assert aviary.canary.flight_s == pytest.approx(0.05)


def test_one_that_does_not_come_back_feeds_nothing_and_is_told_once() -> None:
    aviary = Aviary()
    aviary.round(returns=True)
    for _ in range(20):
        aviary.round(returns=False)
    assert aviary.fed == 1
    assert [ok for ok, _ in aviary.health] == [True, False]
    assert "has not come back for 12 s" in aviary.health[-1][1]
    assert not aviary.canary.well
    aviary.round(returns=True)
    aviary.round(returns=True)
    assert [ok for ok, _ in aviary.health] == [True, False, True]
    assert aviary.fed == 2


def test_the_first_one_has_as_long_as_any_other() -> None:
    aviary = Aviary()
    while aviary.now_s < 100.0 + LOST_AFTER_S:
        aviary.round(returns=False)
    assert aviary.health == []
    aviary.round(returns=False)
    aviary.round(returns=False)
    assert [ok for ok, _ in aviary.health] == [False]


@pytest.mark.parametrize(
    "event",
    [
        pytest.param(CanaryReturned(stamp=NOW, instance="another", number=1), id="another fillguard's"),
        pytest.param(CanaryReturned(stamp=NOW, instance="me", number=99), id="one that was never sent"),
        pytest.param(Tick(stamp=NOW), id="a second that passed"),
        pytest.param(ServiceChanged(stamp=NOW, service="broker", ok=True, detail=""), id="a broker that is back"),
    ],
)
def test_nothing_else_feeds(event: InEvent) -> None:
    aviary = Aviary()
    aviary.canary.look()
    aviary.canary.tell(event, ())
    aviary.canary.look()
    assert (aviary.fed, aviary.canary.returned) == (0, 0)


def test_the_same_one_twice_counts_once_and_one_that_comes_too_late_does_not_count() -> None:
    aviary = Aviary()
    aviary.canary.look()
    first = decoded(aviary.flying[0])
    aviary.canary.tell(first, ())
    aviary.canary.tell(first, ())
    assert aviary.canary.returned == 1
    aviary.round(returns=False)
    late = decoded(aviary.flying[-1])
    for _ in range(10):
        aviary.round(returns=False)
    aviary.canary.tell(late, ())
    assert aviary.canary.returned == 1
    assert len(aviary.canary._sent) < 10, "what is lost is forgotten"


def test_on_its_thread_it_goes_on_until_it_is_stopped() -> None:
    came = threading.Event()
    canary = Canary(
        station="tern",
        instance="me",
        publish=lambda _: came.set(),
        monotonic=lambda: 0.0,
        on_health=lambda *_: None,
    )
    canary.start()
    assert came.wait(30.0)
    canary.stop()
    assert not canary._thread.is_alive()


# --- Whoever started us ------------------------------------------------------------------------------------------


@contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """A real datagram socket, as systemd's."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address)
        listener.settimeout(30.0)
        yield listener


@pytest.mark.parametrize("abstract", [False, True], ids=["a path", "an abstract name"])
def test_what_is_said_arrives_on_the_socket_that_the_environment_names(abstract: bool, tmp_path: Path) -> None:  # noqa: FBT001 - of a table
    name = f"fillguard-test-{tmp_path.name}" if abstract else str(tmp_path / "notify")
    with listening(f"\0{name}" if abstract else name) as listener:
        supervisor = Supervisor({"NOTIFY_SOCKET": f"@{name}" if abstract else name})
        supervisor.say(READY, "watching tern\nharbour")
        supervisor.feed()
        supervisor.say(STOPPING)
        said = [listener.recv(1000).decode() for _ in range(3)]
        supervisor.close()
        supervisor.say(READY)  # nobody is told any more
    assert said == ["READY=1\nSTATUS=watching tern harbour", WATCHDOG, STOPPING]


def test_a_watch_that_another_one_took_over_asks_to_be_left_alone(tmp_path: Path) -> None:
    said: list[str] = []
    with listening(str(tmp_path / "notify")) as listener:
        supervisor = Supervisor({"NOTIFY_SOCKET": str(tmp_path / "notify")})
        services = Services(
            Inbox(), FakeClock(), lambda text, **_: said.append(text), on_taken_over=supervisor.stand_down
        )
        services.on_link(LinkNews.SUBSCRIPTION_REFUSED, "its access list")
        services.on_link(LinkNews.TAKEN_OVER, "another one")
        word, status = listener.recv(1000).decode().splitlines()
        supervisor.close()
    assert int(word.removeprefix("WATCHDOG_USEC=")) > 86_400 * 1_000_000
    assert status == "STATUS=another fillguard watches this station; this one stays away"


@pytest.mark.parametrize("address", ["", "nonsense", "tcp:1"])
def test_where_nobody_waits_nothing_is_said(address: str) -> None:
    supervisor = Supervisor({"NOTIFY_SOCKET": address})
    supervisor.say(READY)
    assert supervisor._socket is None


def test_a_supervisor_that_is_gone_or_does_not_read_holds_up_nobody(tmp_path: Path) -> None:
    Supervisor({"NOTIFY_SOCKET": str(tmp_path / "gone")}).feed()
    with listening(str(tmp_path / "full")):
        supervisor = Supervisor({"NOTIFY_SOCKET": str(tmp_path / "full")})
        for _ in range(5000):
            supervisor.feed()
        supervisor.close()
    assert supervisor._socket is None
