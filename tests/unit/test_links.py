"""Links that acknowledge: whoever holds one can, nobody else; what only looks at links acknowledges nothing."""

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from urllib.parse import parse_qsl, urlsplit

import pytest

from fillguard.app import linking
from fillguard.app.linking import LinkDesk
from fillguard.core.events import AlarmChanged, AlarmState, Tick
from fillguard.core.standing import Standing
from fillguard.core.station import StationState
from fillguard.engine import Happening, Inbox, Stepper
from fillguard.outlets.links import Claim, Links
from fillguard.outlets.web import Request
from fillguard.ports import Announced, OwedNotice
from tests import ledger_facts as facts
from tests.fakes import FakeClock
from tests.panel import Panel, real_rules

SECRET = "0123456789abcdef0123"  # noqa: S105 - of these tests
NOW_S = 1_795_558_185.0


def links(*, secret: str = SECRET, station: str = "tern", last_s: float = 3600.0) -> Links:
    return Links(base_url="https://tern.example/", secret=secret, last_s=last_s, station=station)


def said_in(url: str) -> dict[str, str]:
    return dict(parse_qsl(urlsplit(url).query))


def test_a_link_says_what_it_was_made_for() -> None:
    url = links().url("tern-1-20261124T220954Z/overfill/1", "duty phone", NOW_S)
    assert url.startswith("https://tern.example/ack?")
    assert SECRET not in url
    assert links().check(said_in(url), NOW_S) == Claim("tern-1-20261124T220954Z/overfill/1", "duty phone")


def test_a_link_lasts_as_long_as_was_said() -> None:
    said = said_in(links(last_s=60.0).url("tern/x/1", "phone", NOW_S))
    assert isinstance(links().check(said, NOW_S + 60.0), Claim)
    assert links().check(said, NOW_S + 60.1) == "This link has expired: acknowledge at the board."


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"o": "tern-1/overfill/2"}, id="another occurrence"),
        pytest.param({"c": "manager"}, id="another channel"),
        pytest.param({"e": "99999999999"}, id="a longer life"),
        pytest.param({"e": "1795561785.0"}, id="a time that is no whole number"),
        pytest.param({"e": "٣"}, id="digits of another script"),
        pytest.param({"s": "A" * 43}, id="another signature"),
        pytest.param({"s": ""}, id="no signature"),
        pytest.param({"s": "é"}, id="a signature that is no text of ours"),
        pytest.param({"o": "tern-1/overfill/1phone", "c": ""}, id="the same letters in other places"),
    ],
)
def test_a_link_that_was_tampered_with_does_not_hold(change: dict[str, str]) -> None:
    said = {**said_in(links().url("tern-1/overfill/1", "phone", NOW_S)), **change}
    refused = links().check(said, NOW_S)
    assert refused == "This link is not one of this station's, or not whole: copy all of it."


@pytest.mark.parametrize(
    "other", [links(secret=SECRET[::-1]), links(station="skerry")], ids=["another secret", "another station"]
)
def test_a_link_of_others_does_not_hold(other: Links) -> None:
    assert isinstance(links().check(said_in(other.url("tern-1/overfill/1", "phone", NOW_S)), NOW_S), str)


@pytest.mark.parametrize("missing", ["o", "c", "e", "s"])
def test_half_a_link_does_not_hold(missing: str) -> None:
    said = said_in(links().url("tern-1/overfill/1", "phone", NOW_S))
    del said[missing]
    assert isinstance(links().check(said, NOW_S), str)


# --- The page ----------------------------------------------------------------------------------------------------


@dataclass
class Bench:
    """A link desk at a station with an overfilled cylinder, its engine on a thread."""

    clock: FakeClock = field(default_factory=FakeClock)
    inbox: Inbox = field(default_factory=Inbox)
    happened: list[Happening] = field(default_factory=list)

    def __post_init__(self) -> None:
        panel = Panel()
        panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29).closes(for_s=30)
        story = panel.play()
        self.stepper = Stepper(real_rules(), story.stepper.state)
        (_, self.raised), *_ = story.changes("overfill")
        self.clock.utc_s, self.clock.mono_s = (story.happenings[-1].cause.stamp.utc_s + 1.0, 0.0)
        self.clock.mono_s = story.happenings[-1].cause.stamp.mono_s + 1.0
        self.desk = LinkDesk(
            links(),
            station_name="Tern <Harbour>",
            drill=True,
            clock=self.clock,
            inbox=self.inbox,
            state=lambda: self.stepper.state,
        )
        self.said = said_in(links().url(self.raised.occurrence, "phone", self.clock.utc_s))

    @contextmanager
    def running(self) -> Iterator[None]:
        """The engine takes what comes."""
        stopping = threading.Event()

        def run() -> None:
            while not stopping.is_set():
                item = self.inbox.take(0.05)
                if item is not None:
                    for happening in self.stepper.feed(item):  # type: ignore[arg-type]  # only events come here
                        self.happened.append(happening)
                        self.desk.tell(happening.cause, happening.facts)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield
        finally:
            stopping.set()
            thread.join(30.0)

    def get(self, said: dict[str, str] | None = None) -> tuple[HTTPStatus, str]:
        answer = self.desk.routes["GET", "/ack"](Request("GET", "/ack", query=self.said if said is None else said))
        return answer.status, answer.body.decode()

    def post(self, said: dict[str, str] | None = None) -> tuple[HTTPStatus, str]:
        answer = self.desk.routes["POST", "/ack"](Request("POST", "/ack", form=self.said if said is None else said))
        return answer.status, answer.body.decode()

    @property
    def standing(self) -> Standing:
        return self.stepper.state.whips["1"].standings["overfill"]


def test_opening_a_link_acknowledges_nothing_and_asks() -> None:
    bench = Bench()
    status, page = bench.get()
    assert status is HTTPStatus.OK
    assert "It will settle above the limit of this cylinder." in page
    assert "Acknowledging says that you know and act on it. It closes no valve" in page
    assert "DRILL Tern &lt;Harbour&gt;" in page
    assert re.search(r'<form method="post" action="/ack">', page)
    fields = dict(re.findall(r'name="(\w)" value="([^"]*)"', page))
    assert fields == bench.said
    assert len(bench.inbox) == 0


def test_the_button_acknowledges_in_the_name_of_the_link() -> None:
    bench = Bench()
    with bench.running():
        status, page = bench.post()
    assert status is HTTPStatus.OK
    assert "<h1>Acknowledged</h1>" in page
    assert bench.standing.state is AlarmState.ACKNOWLEDGED
    (change,) = [
        fact
        for happening in bench.happened
        for fact in happening.facts
        if isinstance(fact, AlarmChanged) and fact.alarm == "overfill"
    ]
    assert change.by == "link:phone"


def test_a_link_that_was_used_does_no_harm_when_it_is_used_again() -> None:
    bench = Bench()
    with bench.running():
        bench.post()
        status, page = bench.post()
    assert status is HTTPStatus.CONFLICT
    assert "there is nothing to acknowledge" in page


def test_a_link_for_an_occurrence_that_is_over_acknowledges_no_other() -> None:
    bench = Bench()
    past = said_in(links().url(bench.raised.occurrence.replace("/1", "/7"), "phone", bench.clock.utc_s))
    assert bench.get(past)[0] is HTTPStatus.GONE
    with bench.running():
        status, _ = bench.post(past)
    assert status is HTTPStatus.CONFLICT
    assert bench.standing.state is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize("how", ["get", "post"])
@pytest.mark.parametrize("spoil", [{"o": "tern-1/wall-hot/1"}, {"s": "x"}, {"e": "1"}])
def test_a_link_that_does_not_hold_is_refused_before_anything_is_asked(how: str, spoil: dict[str, str]) -> None:
    bench = Bench()
    status, page = getattr(bench, how)({**bench.said, **spoil})
    assert status is HTTPStatus.FORBIDDEN
    assert bench.raised.occurrence not in page
    assert len(bench.inbox) == 0


def test_an_expired_link_is_refused() -> None:
    bench = Bench()
    bench.clock.utc_s += 3601.0
    assert bench.post()[0] is HTTPStatus.FORBIDDEN
    assert len(bench.inbox) == 0


def test_an_engine_that_does_not_answer_is_not_taken_for_done(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(linking, "ANSWERED_WITHIN_S", 0.01)
    bench = Bench()
    status, page = bench.post()
    assert status is HTTPStatus.SERVICE_UNAVAILABLE
    assert "look at the board" in page
    assert bench.desk._waiting == {}, "nobody waits any more"


# --- In notices --------------------------------------------------------------------------------------------------


def owed(change: AlarmChanged | Announced) -> OwedNotice:
    return OwedNotice(channel="phone", change=change, title="t", body="b")


def test_a_raise_carries_a_link_for_its_own_channel_and_a_return_none() -> None:
    bench = Bench()
    raised = facts.alarm(1)
    returned = facts.alarm(2, old=AlarmState.UNACKNOWLEDGED, new=AlarmState.RETURNED_UNACKNOWLEDGED)
    test = Announced(
        stamp=facts.at(1), about="channel-test", occurrence="tern/channel-test/1", notice_kind="test", priority=3,
        raised_utc_s=facts.T0,
    )  # fmt: skip
    notices = bench.desk.with_links(lambda _cause, _facts: (owed(raised), owed(returned), owed(test)))
    one, two, three = notices(Tick(stamp=bench.clock.now()), ())
    url = one.body.removeprefix("b\nAcknowledge: ")
    assert links().check(said_in(url), bench.clock.utc_s) == Claim(raised.occurrence, "phone")
    assert (two.body, three.body) == ("b", "b")


def test_a_station_without_that_alarm_says_so() -> None:
    bench = Bench()
    bench.stepper.state = StationState()
    assert bench.get()[0] is HTTPStatus.GONE
