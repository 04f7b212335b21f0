"""Sparkplug as its host sees it (ISO/IEC 20237:2023): bytes of an independent encoder, births, deaths, order."""

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from fillguard.core.events import Doubt, InEvent, PresenceChanged, Quality, Reading, ReadingRejected
from fillguard.intake.formats import UnusableError
from fillguard.intake.payloads.sparkplug import body, rebirth_request
from fillguard.intake.station import StationDecoder
from fillguard.ports import Publication, RawMessage
from tests.fakes import FakeClock
from tests.shops import problems_of, settings_with
from tests.sparkplug import DOUBLE, FLOAT, INT8, INT16, INT32, INT64, UINT16, UINT32, UINT64, Node, Payload, encoded

FEED = """
[[feed]]
name = "gateway"
payload = "sparkplug"
group = "shop"
node = "panel"
rebirth = true
reorder_timeout_s = 3
[[feed.reading]]
quantity = "pressure"
whip = "1"
metric = "Whip 1/Pressure"
unit = "bar"
[[feed.reading]]
quantity = "pressure"
whip = "2"
device = "box"
metric = "pressure"
unit = "psi"
"""
ONE = {"name": "Whip 1/Pressure", "alias": 7, "datatype": FLOAT, "float_value": 100.0}
BOX = {"name": "pressure", "alias": 8, "datatype": INT32, "int_value": 2000}


@dataclass
class Host:
    """fillguard, and the node that it listens to."""

    folder: Path
    feed: str = FEED
    node: Node = field(default_factory=Node)
    clock: FakeClock = field(default_factory=FakeClock)
    asked: list[Publication] = field(default_factory=list)

    def __post_init__(self) -> None:
        settings = settings_with(self.folder, self.feed)
        self.decoder = StationDecoder(settings, whips=settings.whips, ask=self.asked.append)

    def hears(self, kind: str, payload: bytes, device: str | None = None) -> list[InEvent]:
        self.clock.advance(0.5)
        topic = f"spBv1.0/shop/{kind}/panel" + (f"/{device}" if device else "")
        return list(self.decoder.decode(RawMessage(arrived=self.clock.now(), topic=topic, payload=payload)))

    def reads(self, kind: str, payload: bytes, device: str | None = None) -> list[tuple[str | None, float]]:
        return [
            (event.whip, round(event.value / 1e5, 3))
            for event in self.hears(kind, payload, device)
            if isinstance(event, Reading)
        ]

    def refuses(self, kind: str, payload: bytes, device: str | None = None) -> str:
        (event,) = self.hears(kind, payload, device)
        assert isinstance(event, ReadingRejected), event
        return event.reason

    def born(self) -> None:
        """Node and device have introduced themselves."""
        self.hears("NBIRTH", self.node.birth(ONE))
        self.hears("DBIRTH", self.node.says(BOX), "box")


@pytest.fixture
def host(tmp_path: Path) -> Host:
    return Host(tmp_path)


def attendance(events: list[InEvent]) -> list[tuple[str, bool]]:
    return [(event.whip, event.online) for event in events if isinstance(event, PresenceChanged)]


# Bytes ----------------------------------------------------------------------------------------------------------------


def test_fields_are_read_by_the_numbers_of_section_6_4_1() -> None:
    payload = encoded(
        [
            {"name": "p", "alias": 300, "timestamp": 1795558185123, "datatype": DOUBLE, "double_value": 183.2},
            {"name": "old", "datatype": FLOAT, "float_value": 1.5, "is_historical": True, "quality": 192},
            {"name": "none", "datatype": DOUBLE, "is_null": True},
        ],
        seq=255,
        timestamp=1795558185000,
    )
    said = body(payload)
    assert (said.seq, said.timestamp_ms) == (255, 1795558185000)
    first, old, none = said.metrics
    assert (first.name, first.alias, first.timestamp_ms, first.datatype) == ("p", 300, 1795558185123, DOUBLE)
    assert first.number(None) == 183.2
    assert (old.historical, old.quality, old.number(None)) == (True, 192, 1.5)
    assert none.null


@pytest.mark.parametrize(
    ("datatype", "key", "written", "read"),
    [  # section 6.4.16; negative ones as two's complement in an unsigned field
        (INT8, "int_value", 2**32 - 1, -1),
        (INT8, "int_value", 0xFF, -1),
        (INT16, "int_value", 2**32 - 300, -300),
        (INT32, "int_value", 2**32 - 70000, -70000),
        (INT64, "long_value", 2**64 - 70000, -70000),
        (UINT16, "int_value", 65535, 65535),
        (UINT32, "long_value", 2**32 - 1, 2**32 - 1),
        (UINT64, "long_value", 10**12, 10**12),
        (FLOAT, "float_value", 0.5, 0.5),
        (DOUBLE, "double_value", -0.1, -0.1),
    ],
)
def test_a_value_is_read_by_its_datatype(datatype: int, key: str, written: float, read: float) -> None:
    (metric,) = body(encoded([{"name": "x", "datatype": datatype, key: written}], seq=0)).metrics
    assert metric.number(None) == read
    (bare,) = body(encoded([{"alias": 1, key: written}], seq=0)).metrics
    assert bare.number(datatype) == read


@pytest.mark.parametrize(
    ("metric", "reason"),
    [
        ({"datatype": 11, "boolean_value": True}, "not-a-number"),
        ({"datatype": 12, "string_value": "183.2"}, "not-a-number"),
        ({"datatype": FLOAT, "int_value": 3}, "not-a-number"),  # datatype and field contradict each other
        ({"int_value": 3}, "not-a-number"),  # no datatype, neither here nor at birth
        ({"datatype": FLOAT}, "is-null"),
        ({"datatype": FLOAT, "is_null": True}, "is-null"),
        ({"datatype": DOUBLE, "double_value": math.nan}, "not-finite"),
        ({"datatype": DOUBLE, "double_value": math.inf}, "not-finite"),
        ({"datatype": FLOAT, "float_value": 1.0, "quality": 0}, "bad-quality"),  # section 6.4.14
        ({"datatype": FLOAT, "float_value": 1.0, "quality": 500}, "bad-quality"),
    ],
)
def test_what_is_no_number_is_refused(metric: dict[str, Any], reason: str) -> None:
    (held,) = body(encoded([{"name": "x", **metric}], seq=0)).metrics
    with pytest.raises(UnusableError) as refused:
        held.number(None)
    assert refused.value.reason == reason


@pytest.mark.parametrize(
    "payload",
    [b"\xff", b"\x08", b"\x00\x00", b"\x12\x7f", b"\x0b", b"\x0a\x01x", b"\x10\x01", b"{}", b"\xff" * 40, b"\x0d\x01"],
)
def test_bytes_that_are_no_payload_are_refused(payload: bytes) -> None:
    with pytest.raises(UnusableError, match="no Sparkplug payload"):
        body(payload)


def test_a_request_to_be_born_again_is_understood_by_another_implementation() -> None:
    request = rebirth_request("shop", "panel", 1795558185.25)
    assert (request.topic, request.qos, request.retain) == ("spBv1.0/shop/NCMD/panel", 0, False)
    payload = Payload.FromString(request.payload)
    (metric,) = payload.metrics
    assert (metric.name, metric.datatype, metric.boolean_value) == ("Node Control/Rebirth", 11, True)
    assert payload.timestamp == metric.timestamp == 1795558185250


# Sessions -------------------------------------------------------------------------------------------------------------


def test_births_give_values_and_names_to_the_aliases_of_later_data(host: Host) -> None:
    born = host.hears("NBIRTH", host.node.birth(ONE))
    assert attendance(born) == [("1", True)]
    assert [event.value for event in born if isinstance(event, Reading)] == [100e5]
    assert host.reads("DBIRTH", host.node.says(BOX), "box") == [("2", pytest.approx(137.895, abs=0.001))]
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 101.5})) == [("1", 101.5)]
    assert host.reads("DDATA", host.node.says({"alias": 8, "int_value": 1000}), "box") == [("2", 68.948)]
    assert host.reads("NDATA", host.node.says({"name": "Whip 1/Pressure", "float_value": 3.0})) == [("1", 3.0)]
    assert host.asked == []


def test_one_sensor_is_one_channel_whatever_message_brings_it(host: Host) -> None:
    first = [event for event in host.hears("NBIRTH", host.node.birth(ONE)) if isinstance(event, Reading)]
    later = [e for e in host.hears("NDATA", host.node.says({"alias": 7, "float_value": 1.0})) if isinstance(e, Reading)]
    assert {event.source for event in (*first, *later)} == {"spBv1.0/shop/panel#Whip 1/Pressure"}
    host.decoder.remember(later[0], host.clock.now())


def test_data_before_a_birth_are_refused_and_a_birth_is_asked_for_once_a_minute(host: Host) -> None:
    for _ in range(3):
        assert host.refuses("NDATA", host.node.says({"alias": 7, "float_value": 1.0})) == "no-birth"
    assert [request.topic for request in host.asked] == ["spBv1.0/shop/NCMD/panel"]
    host.clock.advance(61)
    host.refuses("NDATA", host.node.says({"alias": 7, "float_value": 1.0}))
    assert len(host.asked) == 2


def test_a_node_that_may_not_be_asked_is_not(tmp_path: Path) -> None:
    host = Host(tmp_path, FEED.replace("rebirth = true\n", ""))
    assert host.refuses("NDATA", host.node.says({"alias": 7, "float_value": 1.0})) == "no-birth"
    assert host.asked == []


def test_data_of_a_device_whose_birth_was_not_heard_are_refused(host: Host) -> None:
    host.hears("NBIRTH", host.node.birth(ONE))
    assert host.refuses("DDATA", host.node.says({"name": "pressure", "int_value": 5}), "box") == "no-birth"


def test_a_death_takes_the_whips_off_line_by_our_own_clock(host: Host) -> None:
    host.born()
    events = host.hears("NDEATH", host.node.death())
    assert attendance(events) == [("1", False), ("2", False)]
    assert all(event.stamp == host.clock.now() for event in events)
    assert host.refuses("NDATA", host.node.says({"alias": 7, "float_value": 1.0})) == "no-birth"
    assert attendance(host.hears("NBIRTH", host.node.birth(ONE))) == [("1", True)]


def test_the_death_of_an_earlier_session_is_passed_over(host: Host) -> None:
    """Section 6.4.21: an NDEATH belongs to the NBIRTH with the same bdSeq."""
    old = host.node.death()
    host.node.bd_seq = 1
    host.born()
    assert host.refuses("NDEATH", old) == "old-death"
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 2.0})) == [("1", 2.0)]
    assert attendance(host.hears("NDEATH", host.node.death())) == [("1", False), ("2", False)]


def test_the_death_of_a_device_is_its_own(host: Host) -> None:
    host.born()
    assert attendance(host.hears("DDEATH", host.node.says(), "box")) == [("2", False)]
    assert host.refuses("DDATA", host.node.says({"alias": 8, "int_value": 5}), "box") == "no-birth"
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 2.0})) == [("1", 2.0)]
    assert attendance(host.hears("DBIRTH", host.node.says(BOX), "box")) == [("2", True)]


# Order ----------------------------------------------------------------------------------------------------------------


def missed(host: Host) -> int:
    return host.decoder.missed()["spBv1.0/shop/panel"]


def test_messages_that_change_places_within_the_timeout_are_no_loss(host: Host) -> None:
    host.born()
    first, second = (host.node.says({"alias": 7, "float_value": value}) for value in (1.0, 2.0))
    assert host.reads("NDATA", second) == [("1", 2.0)]
    assert missed(host) == 1
    assert host.reads("NDATA", first) == [("1", 1.0)]
    assert missed(host) == 0
    host.clock.advance(10)
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 3.0})) == [("1", 3.0)]
    assert host.asked == []


def test_after_a_loss_aliases_are_not_believed_until_the_next_birth(host: Host) -> None:
    host.born()
    host.node.says()
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 2.0})) == [("1", 2.0)]
    host.clock.advance(3)
    assert host.refuses("NDATA", host.node.says({"alias": 7, "float_value": 3.0})) == "birth-missed"
    assert missed(host) == 1
    assert [request.topic for request in host.asked] == ["spBv1.0/shop/NCMD/panel"]
    assert host.reads("NDATA", host.node.says({"name": "Whip 1/Pressure", "float_value": 4.0})) == [("1", 4.0)]
    host.born()
    assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": 5.0})) == [("1", 5.0)]


def test_numbers_go_round_after_255(host: Host) -> None:
    host.born()
    for value in range(600):
        assert host.reads("NDATA", host.node.says({"alias": 7, "float_value": float(value % 50)})) != []
    assert missed(host) == 0


def test_an_unknown_alias_costs_only_itself(host: Host) -> None:
    host.born()
    reading, rejected = host.hears(
        "NDATA", host.node.says({"alias": 99, "float_value": 1.0}, {"alias": 7, "float_value": 2.0})
    )
    assert isinstance(reading, Reading)
    assert isinstance(rejected, ReadingRejected)
    assert rejected.reason == "unknown-alias"


# Time -----------------------------------------------------------------------------------------------------------------


def test_the_time_of_the_metric_counts_before_that_of_the_message(host: Host) -> None:
    host.born()
    now_ms = round(host.clock.utc_s * 1000)
    payload = host.node.says({"alias": 7, "float_value": 2.0, "timestamp": now_ms - 40}, timestamp=now_ms)
    (reading,) = host.hears("NDATA", payload)
    assert isinstance(reading, Reading)
    assert reading.device_s == pytest.approx((now_ms - 40) / 1000)


def test_a_historical_value_is_recorded_and_never_news(host: Host) -> None:
    """Section 6.4.8: it must not be taken for the current value."""
    host.born()
    old_ms = round(host.clock.utc_s * 1000) - 60_000
    host.hears("NDATA", host.node.says({"alias": 7, "float_value": 2.0, "timestamp": old_ms + 60_000}))
    (reading,) = host.hears(
        "NDATA", host.node.says({"alias": 7, "float_value": 300.0, "timestamp": old_ms, "is_historical": True})
    )
    assert isinstance(reading, Reading)
    assert (reading.doubt, reading.quality) == (Doubt.LATE, Quality.UNCERTAIN)


# What else comes along ------------------------------------------------------------------------------------------------


def test_commands_and_unwanted_metrics_give_nothing(host: Host) -> None:
    host.born()
    assert host.hears("NCMD", rebirth_request("shop", "panel", 1.0).payload) == []
    assert host.hears("DCMD", b"\xff", "box") == []
    assert host.hears("NDATA", host.node.says({"name": "other", "float_value": 1.0})) == []


def test_a_node_that_no_feed_names_is_an_unknown_topic(host: Host) -> None:
    message = RawMessage(arrived=host.clock.now(), topic="spBv1.0/shop/NDATA/elsewhere", payload=host.node.says())
    (event,) = host.decoder.decode(message)
    assert isinstance(event, ReadingRejected)
    assert event.reason == "unknown-topic"
    assert "spBv1.0/shop/+/panel/#" in host.decoder.subscriptions


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('group = "shop"\n', "", "group: is missing"),
        ('node = "panel"', 'node = "a/b"', "one level of a topic"),
        ('metric = "pressure"\n', "", "reading 2 metric: is missing"),
        ('node = "panel"', 'node = "panel"\ntopic = "x"', "topic"),
        ('unit = "psi"', "", "reading 2 unit: is missing"),
        ('whip = "2"', 'whip = "1"', "pressure of whip 1 comes from"),
    ],
)
def test_a_mistake_in_a_sparkplug_feed_is_named(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert any(said in problem for problem in problems_of(tmp_path, FEED.replace(old, new)))
