"""The daily anchor goes outside: to the broker at once and at each connection, to a channel once."""

import json
from threading import Event

from fillguard.app.anchoring import AnchorNotes
from fillguard.ledger.chain import Anchor
from fillguard.outlets.delivery import Message, SendResult
from fillguard.ports import AuditEntry, ConfigInForce, Publication
from tests.fakes import FakeClock
from tests.ledger_facts import PATIENCE_S, T0

ANCHOR = Anchor(row=1234, head="ab" * 32)


class Workshop:
    """A channel that keeps what it is sent."""

    def __init__(self, result: str = "delivered") -> None:
        self.messages: list[Message] = []
        self._result = result

    def send(self, message: Message) -> SendResult:
        self.messages.append(message)
        return SendResult(result=self._result)


class Trail:
    """An audit trail in memory."""

    def __init__(self) -> None:
        self.entries: list[AuditEntry] = []
        self.told = Event()

    def put_audit(self, entry: AuditEntry) -> None:
        self.entries.append(entry)
        self.told.set()

    def put_config(self, config: ConfigInForce) -> None:
        raise AssertionError(f"{config} is no anchor")


def notes(
    published: list[Publication],
    trail: Trail,
    channel: Workshop | None = None,
    utc_s: float = T0,
    *,
    drill: bool = False,
) -> AnchorNotes:
    return AnchorNotes(
        published.append,
        station="tern",
        drill=drill,
        channel=None if channel is None else ("workshop", channel),
        trail=lambda: trail,
        clock=FakeClock(utc_s=utc_s),
    )


def test_it_stands_retained_at_the_broker_in_a_form_that_verify_takes() -> None:
    published: list[Publication] = []
    outside = notes(published, Trail())
    outside.greet()
    assert published == [], "nothing is known yet"
    outside.noted(ANCHOR, T0)
    outside.greet()
    first, again = published
    assert first == again
    assert (first.topic, first.retain, first.qos) == ("fillguard/tern/anchor", True, 1)
    assert json.loads(first.payload) == {
        "v": 1,
        "station": "tern",
        "t": T0,
        "row": 1234,
        "head": "ab" * 32,
        "anchor": str(ANCHOR),
    }
    assert Anchor.all_in(first.payload.decode()) == (ANCHOR,)


def test_a_channel_gets_a_line_and_what_became_of_it_is_recorded() -> None:
    trail, workshop = Trail(), Workshop("failed")
    notes([], trail, workshop).noted(ANCHOR, T0)
    assert trail.told.wait(PATIENCE_S)
    (message,) = workshop.messages
    assert message.title == "tern: end of the record on 2026-11-24"
    assert message.body.startswith(f"{ANCHOR}\n")
    (entry,) = trail.entries
    assert (entry.action, entry.subject) == ("anchor-sent", "workshop")
    assert entry.detail == f"{ANCHOR} to channel workshop: failed"


def test_an_anchor_told_again_after_a_start_is_not_sent_to_the_channel_again() -> None:
    published: list[Publication] = []
    workshop = Workshop()
    outside = notes(published, Trail(), workshop, utc_s=T0 + 3600.0)
    outside.noted(ANCHOR, T0)
    assert (len(published), workshop.messages) == (1, [])


def test_a_drill_s_anchor_never_stands_beside_the_station_s() -> None:
    published: list[Publication] = []
    workshop = Workshop()
    outside = notes(published, Trail(), workshop, drill=True)
    outside.noted(ANCHOR, T0)
    outside.greet()
    assert (published, workshop.messages) == ([], [])
