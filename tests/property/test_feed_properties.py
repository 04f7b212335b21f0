"""Whatever a foreign sensor sends: no exception, nothing that is not finite; what is written is read back."""

import json
import math
import random
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.core.events import (
    CylinderAttached,
    CylinderDetached,
    InEvent,
    PresenceChanged,
    Reading,
    ReadingRejected,
    ServiceChanged,
)
from fillguard.core.values import Stamp
from fillguard.intake.discovering import proposal
from fillguard.intake.payloads.protobuf import Wire, field, fields
from fillguard.intake.payloads.sparkplug import body
from fillguard.intake.station import StationDecoder
from fillguard.ports import RawMessage
from fillguard.settings import Settings, check_config
from fillguard.settings.feeds.pointers import escaped, pointer
from tests.shops import STATION, settings_with
from tests.sparkplug import DOUBLE, INT32, Node, encoded

FEEDS = """
[[feed]]
name = "number"
topic = "n/{whip}"
payload = "number"
[[feed.reading]]
quantity = "pressure"
unit = "bar"
loop = [0, 400]
[[feed]]
name = "text"
topic = "t/{whip}"
payload = "text"
[[feed.reading]]
quantity = "wall"
[[feed]]
name = "json"
topic = "j"
payload = "json"
time = "/t"
seq = "/n"
[[feed.reading]]
quantity = "supply"
value = "/p"
unit_at = "/u"
[[feed.reading]]
quantity = "o2_fraction"
value = "/a/1"
unit = "%"
scale = -2.5
offset = 1
[[feed]]
name = "senml"
topic = "s"
payload = "senml"
[[feed.reading]]
quantity = "ambient"
record = "x:t"
[[feed]]
name = "hex"
topic = "h"
payload = "hex"
[[feed.reading]]
quantity = "bath"
unit = "degF"
bits = [3, 13]
signed = true
[[feed]]
name = "alive"
topic = "alive"
payload = "presence"
online = ["up"]
offline = ["down", 0]
serves = ["1", "2"]
[[feed]]
name = "scanner"
topic = "scan/{whip}"
payload = "attach"
free = ["FREE"]
[[feed]]
name = "counter"
topic = "counter"
payload = "attach"
serial = "/code"
operator = "/badge"
whip_at = "/place"
[[feed]]
name = "valves"
topic = "v/{whip}"
payload = "number"
[[feed.reading]]
quantity = "valve"
words = {open = 1, shut = 0}
[[feed]]
name = "plug"
payload = "sparkplug"
group = "g"
node = "n"
rebirth = true
[[feed.reading]]
quantity = "loop_current"
whip = "1"
metric = "c"
unit = "mA"
[[feed.reading]]
quantity = "loop_current"
whip = "2"
metric = "c"
device = "d"
unit = "mA"
"""
TOPICS = [
    "n/1", "n/2", "t/1", "j", "s", "h", "alive", "scan/1", "counter", "v/2",
    "spBv1.0/g/NBIRTH/n", "spBv1.0/g/NDATA/n", "spBv1.0/g/NDEATH/n",
    "spBv1.0/g/DBIRTH/n/d", "spBv1.0/g/DDATA/n/d", "spBv1.0/g/DDEATH/n/d", "spBv1.0/g/NCMD/n",
]  # fmt: skip


@cache
def station() -> Settings:
    with tempfile.TemporaryDirectory() as folder:
        return settings_with(Path(folder), FEEDS)


def decoder() -> StationDecoder:
    return StationDecoder(station(), whips=station().whips)


def check(events: Iterable[InEvent], arrived: Stamp) -> int:
    """Every event is whole and finite; returns how many readings there were."""
    readings = 0
    for event in events:
        assert event.stamp == arrived
        match event:
            case Reading():
                readings += 1
                assert math.isfinite(event.value)
                assert math.isfinite(event.sample_s)
                assert event.device_s is None or math.isfinite(event.device_s)
                assert event.sample_s <= arrived.utc_s + 0.0005  # the millisecond grid
            case ReadingRejected():
                assert event.reason
                assert len(event.sample) <= 200
                assert len(event.detail) <= 300
            case _:
                assert isinstance(event, PresenceChanged | ServiceChanged | CylinderAttached | CylinderDetached)
    return readings


NUMBERS = st.floats() | st.integers() | st.floats(-1e3, 1e3)
SCALARS = st.none() | st.booleans() | NUMBERS | st.text(max_size=10) | st.sampled_from(["bar", "Pa", "Cel", "x:", "t"])
KEYS = st.sampled_from(["p", "u", "t", "n", "a", "bn", "bt", "bu", "bv", "v", "vs", "s", "bver", "state"])
DOCUMENTS = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS | st.text(max_size=3), inner, max_size=6),
    max_leaves=12,
)
METRICS = st.lists(
    st.fixed_dictionaries(
        {"alias": st.integers(0, 3), "datatype": st.integers(0, 20)},
        optional={
            "name": st.sampled_from(["c", "bdSeq", "other"]),
            "timestamp": st.integers(0, 2**64 - 1),
            "is_historical": st.booleans(),
            "is_null": st.booleans(),
            "long_value": st.integers(0, 2**64 - 1),
            "double_value": st.floats(),
            "quality": st.integers(0, 600),
        },
    ),
    max_size=4,
)
PLUG = st.builds(lambda metrics, seq: encoded(metrics, seq=seq), METRICS, st.none() | st.integers(0, 300))
PAYLOADS = st.one_of(
    st.binary(max_size=100),
    st.text(max_size=30).map(str.encode),
    st.builds(
        lambda number, unit: f"{number} {unit}".encode(), NUMBERS, st.sampled_from(["", "bar", "Cel", "degF", "x"])
    ),
    DOCUMENTS.map(lambda document: json.dumps(document).encode()),
    st.fixed_dictionaries({"p": NUMBERS, "u": st.just("bar"), "t": NUMBERS, "n": NUMBERS, "a": st.lists(NUMBERS)}).map(
        lambda document: json.dumps(document).encode()
    ),
    st.lists(
        st.fixed_dictionaries({"n": st.just("x:t"), "u": st.just("Cel"), "v": NUMBERS}, optional={"t": NUMBERS})
    ).map(lambda pack: json.dumps(pack).encode()),
    st.binary(max_size=8).map(lambda content: content.hex().encode()),
    PLUG,
)
TIMES = st.floats(0.0, 4e9)


@st.composite
def messages(draw: st.DrawFn) -> RawMessage:
    return RawMessage(
        arrived=Stamp(mono_s=draw(TIMES), utc_s=draw(TIMES)),
        topic=draw(st.sampled_from(TOPICS)),
        payload=draw(PAYLOADS),
        retained=draw(st.booleans()),
        duplicate=draw(st.booleans()),
    )


@given(st.lists(messages(), max_size=10))
def test_any_bytes_on_any_mapped_topic_give_whole_and_finite_events(stream: list[RawMessage]) -> None:
    here = decoder()
    for message in stream:
        check(here.decode(message), message.arrived)


@settings(max_examples=40)
@given(st.text(max_size=40), st.lists(PAYLOADS, max_size=4))
def test_whatever_an_unknown_topic_brings_what_is_proposed_is_toml_that_loads(
    topic: str, payloads: list[bytes]
) -> None:
    block = proposal("new", topic, payloads, "tern", ["1", "2"])
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "station.toml").write_text(STATION + block, encoding="utf-8")
        problems = [str(problem) for problem in check_config(Path(folder), {})]
    # A topic that no template can stand for is named; nothing else is ever wrong.
    assert [problem for problem in problems if '"new" topic' not in problem] == []


# Round trips ----------------------------------------------------------------------------------------------------------


@given(st.lists(st.text(max_size=8), min_size=1, max_size=4), st.integers())
def test_a_pointer_made_of_names_leads_to_what_stands_under_them(names: list[str], value: int) -> None:
    document: object = value
    for name in reversed(names):
        document = {name: document}
    assert pointer("".join(f"/{escaped(name)}" for name in names)).find(document) == value


@given(st.floats(4.0, 20.0))
def test_a_current_within_the_loop_is_the_pressure_that_it_stands_for(milliampere: float) -> None:
    arrived = Stamp(mono_s=0.0, utc_s=1e9)
    (event,) = decoder().decode(RawMessage(arrived=arrived, topic="n/1", payload=repr(milliampere).encode()))
    assert isinstance(event, Reading)
    assert event.value == pytest.approx((milliampere - 4.0) / 16.0 * 400e5, abs=51)


@given(st.integers(-(2**12), 2**12 - 1), st.integers(0, 7))
def test_a_number_packed_into_bits_comes_out_again(value: int, above: int) -> None:
    packed = (above << 13 | value & 2**13 - 1).to_bytes(2, "big").hex()
    arrived = Stamp(mono_s=0.0, utc_s=1e9)
    (event,) = decoder().decode(RawMessage(arrived=arrived, topic="h", payload=packed.encode()))
    if value < -459.67:
        assert isinstance(event, ReadingRejected)  # below absolute zero
    else:
        assert isinstance(event, Reading)
        assert event.value == pytest.approx((value + 459.67) / 1.8, abs=0.006)


@given(st.lists(st.tuples(st.integers(1, 2**29 - 1), st.integers(0, 2**64 - 1) | st.binary(max_size=300)), max_size=10))
def test_fields_that_are_written_are_read_back(written: list[tuple[int, int | bytes]]) -> None:
    content = b"".join(field(number, value) for number, value in written)
    assert [(number, value) for number, _, value in fields(content)] == written
    assert {wire for _, wire, _ in fields(content)} <= {Wire.VARINT, Wire.LENGTH}


@given(
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e14, max_value=1e14),
    st.integers(-(2**31), 2**31 - 1),
    st.text(max_size=20),
    st.integers(0, 2**64 - 1),
)
def test_metrics_of_another_encoder_are_read_as_they_were_meant(
    number: float, whole: int, name: str, alias: int
) -> None:
    metrics = [
        {"name": name, "alias": alias, "datatype": DOUBLE, "double_value": number},
        {"alias": alias, "datatype": INT32, "int_value": whole % 2**32},
    ]
    first, second = body(encoded(metrics, seq=3)).metrics
    assert (first.name, first.alias, first.number(None)) == (name, alias, number)
    assert second.number(None) == whole


# A million ------------------------------------------------------------------------------------------------------------


def seeds() -> dict[str, list[bytes]]:
    """Good messages, to be broken."""
    node = Node()
    c = {"name": "c", "alias": 1, "datatype": DOUBLE, "double_value": 12.0}
    return {
        "n/1": [b"12.5", b"-3e2"],
        "t/1": [b"21.5 Cel", b"70 degF"],
        "j": [b'{"p": 183.2, "u": "bar", "t": 1795558185.5, "n": 3, "a": [1, 32]}'],
        "s": [b'[{"bn": "x:", "bt": 1.79e9, "bu": "Cel"}, {"n": "t", "v": 21.5, "t": -3}, {"n": "t", "v": 22}]'],
        "h": [b"0x04E2 00FF"],
        "alive": [b"up", b"down", b"0"],
        "scan/1": [b"TH-0042", b"FREE"],
        "counter": [b'{"code": "TH-0042", "badge": "op-1", "place": "2"}', b'{"code": null, "badge": 7, "place": "1"}'],
        "v/2": [b"open", b"shut", b"0.5"],
        "spBv1.0/g/NBIRTH/n": [node.birth(c)],
        "spBv1.0/g/DBIRTH/n/d": [node.says(c)],
        "spBv1.0/g/NDATA/n": [node.says({"alias": 1, "double_value": 13.0}) for _ in range(4)],
        "spBv1.0/g/DDATA/n/d": [node.says({"alias": 1, "double_value": 13.0})],
        "spBv1.0/g/NDEATH/n": [node.death()],
    }


def broken(chance: random.Random, good: bytes) -> bytes:
    """`good` with a few bytes changed, cut out or doubled; now and then as it is."""
    content = bytearray(good)
    for _ in range(chance.randrange(4)):
        at = chance.randrange(len(content) + 1)
        match chance.randrange(4):
            case 0:
                content[at : at + 1] = bytes([chance.randrange(256)])
            case 1:
                del content[at : at + chance.randrange(1, 6)]
            case 2:
                content[at:at] = content[at : at + chance.randrange(1, 12)]
            case _:
                content[at:at] = chance.choice([b"9" * 40, b"NaN", b"1e999", b"[" * 30, b"null", b"\xff" * 11, b'"'])
    return bytes(content)


def storm(count: int) -> int:
    """How many readings `count` broken messages gave; none may do worse than be refused."""
    chance = random.Random(20237)  # noqa: S311 - repeatable, keeps no secret
    here, good, readings = decoder(), seeds(), 0
    topics = list(good)
    for number in range(count):
        topic = chance.choice(topics)
        arrived = Stamp(mono_s=number * 0.1, utc_s=1_795_558_185.0 + number * 0.1)
        payload = broken(chance, chance.choice(good[topic]))
        readings += check(here.decode(RawMessage(arrived=arrived, topic=topic, payload=payload)), arrived)
    return readings


def test_thousands_of_broken_messages_are_refused_one_by_one() -> None:
    assert storm(5_000) > 500


@pytest.mark.long
def test_a_million_broken_messages_are_refused_one_by_one() -> None:
    assert storm(1_000_000) > 100_000
