"""Feeds: any sensor by mapping. What each payload kind becomes, and what is refused, beside each standard's clause."""

from pathlib import Path

import pytest

from fillguard.core.events import Doubt, PresenceChanged, Quality, Quantity, Reading, ReadingRejected
from fillguard.intake.payloads.senml import resolved
from fillguard.settings.feeds.pointers import pointer
from tests.shops import Shop, settings_with, shop

# Plain numbers --------------------------------------------------------------------------------------------------------


def test_a_bare_number_becomes_the_pressure_of_the_whip_that_its_topic_names(tmp_path: Path) -> None:
    reading = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "psi"').reads("shop/tern/2/gauge", "3000\n")
    # 3000 x 6894.757293168361 Pa (exact inch and pound), on the 100 Pa grid
    assert (reading.whip, reading.value, reading.quantity) == ("2", 20_684_300.0, Quantity.PRESSURE)
    assert (reading.source, reading.quality, reading.doubt) == ("shop/tern/2/gauge", Quality.GOOD, None)


@pytest.mark.parametrize(
    ("payload", "reason", "said"),
    [
        ("", "not-a-number", "a bare number is needed"),
        ("nan", "not-finite", "leave the reading out"),
        ("-Infinity", "not-finite", "leave the reading out"),
        ("1e999", "not-finite", "no measurement"),
        ("true", "not-a-number", "true"),
        ('"183.2"', "not-a-number", "183.2"),
        ("183,2", "not-a-number", "decimal sign as a point"),
        ("1_000", "not-a-number", "1_000"),
        ("183.2 bar", "not-a-number", "a bare number is needed"),
        (b"\xff\xfe", "not-a-number", "UTF-8"),
        ("1" * 100, "not-a-number", "more than 80"),
        ("1e12", "impossible-value", "cannot be"),
    ],
)
def test_what_is_no_bare_number_is_refused(tmp_path: Path, payload: str | bytes, reason: str, said: str) -> None:
    rejected = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "bar"').refuses("shop/tern/1/gauge", payload)
    assert rejected.reason == reason
    assert said in rejected.detail


@pytest.mark.parametrize(
    ("payload", "bar"),
    [
        ("183.2 bar", 183.2),
        ("183.2bar", 183.2),
        ("+2657.09 psi", 183.2),
        ("184.21325 bara", 183.2),
        ("18.32 MPag", 183.2),
    ],
)
def test_a_number_with_its_unit_is_read_in_that_unit(tmp_path: Path, payload: str, bar: float) -> None:
    reading = shop(tmp_path, "text", 'quantity = "pressure"').reads("shop/tern/1/gauge", payload)
    assert reading.value / 1e5 == pytest.approx(bar, abs=0.001)


def test_a_number_without_unit_needs_one_in_the_feed_and_two_that_differ_are_refused(tmp_path: Path) -> None:
    bare = shop(tmp_path, "text", 'quantity = "pressure"')
    assert bare.refuses("shop/tern/1/gauge", "183.2").reason == "no-unit"
    named = shop(tmp_path, "text", 'quantity = "pressure"\nunit = "bar"')
    assert named.reads("shop/tern/1/gauge", "183.2").value == 183.2e5
    assert named.refuses("shop/tern/1/gauge", "183.2 psi").reason == "unit-differs"
    assert named.refuses("shop/tern/1/gauge", "183.2 furlong").reason == "unknown-unit"


# JSON -----------------------------------------------------------------------------------------------------------------

RFC_6901 = {
    "foo": ["bar", "baz"],
    "": 0,
    "a/b": 1,
    "c%d": 2,
    "e^f": 3,
    "g|h": 4,
    "i\\j": 5,
    'k"l': 6,
    " ": 7,
    "m~n": 8,
}


@pytest.mark.parametrize(
    ("text", "value"),
    [  # RFC 6901 section 5, the whole table
        ("", RFC_6901),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
    ],
)
def test_pointers_lead_where_rfc_6901_section_5_says(text: str, value: object) -> None:
    assert pointer(text).find(RFC_6901) == value


@pytest.mark.parametrize("text", ["/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/bar", "/nothing", "/a/b", "//x"])
def test_a_pointer_that_leads_nowhere_says_so(text: str) -> None:
    """RFC 6901 section 4: `-` is after the last element; an index has no leading zero and no sign."""
    with pytest.raises(LookupError):
        pointer(text).find(RFC_6901)


@pytest.mark.parametrize(("text", "said"), [("foo", "starts with /"), ("a.b", '"/a/b"'), ("/a~", "~0"), ("/a~2", "~0")])
def test_text_that_is_no_pointer_is_refused_with_the_way_out(text: str, said: str) -> None:
    """RFC 6901 section 3."""
    with pytest.raises(ValueError, match=said):
        pointer(text)


def test_an_escape_is_undone_once() -> None:
    """RFC 6901 section 4: first ~1, then ~0, so that ~01 stands for ~1."""
    assert pointer("/~01").find({"~1": 5, "/": 6}) == 5


def test_one_message_gives_every_reading_that_it_carries(tmp_path: Path) -> None:
    here = Shop(
        settings_with(
            tmp_path,
            """
[[feed]]
name = "box"
topic = "shop/box"
payload = "json"
time = "/t"
time_is = "ms"
seq = "/n"
boot = "/boot"
[[feed.reading]]
quantity = "pressure"
whip = "1"
value = "/bar/0"
unit = "bar"
[[feed.reading]]
quantity = "pressure"
whip = "2"
value = "/bar/1"
unit = "bar"
basis = "absolute"
[[feed.reading]]
quantity = "o2_fraction"
value = "/o2"
unit = "%"
[[feed.reading]]
quantity = "supply"
value = "/bank/value"
unit_at = "/bank/unit"
""",
        )
    )
    sent = {"bar": [12.0, 183.2], "o2": 32, "bank": {"value": 3000, "unit": "psi"}, "n": 7, "boot": 3}
    first, second, oxygen, bank = here.brings("shop/box", {**sent, "t": round(here.clock.utc_s * 1000)})
    assert isinstance(first, Reading)
    assert (first.whip, first.value, first.source) == ("1", 12e5, "shop/box#/bar/0")
    assert (first.seq, first.boot, first.device_s) == (7, "3", here.clock.utc_s)
    assert isinstance(second, Reading)
    assert (second.whip, second.value) == ("2", 18_218_700.0)  # 183.2 bar less 101 325 Pa, on the 100 Pa grid
    assert isinstance(oxygen, Reading)
    assert (oxygen.whip, oxygen.quantity, oxygen.value) == (None, Quantity.O2_FRACTION, 0.32)
    assert isinstance(bank, Reading)
    assert (bank.quantity, bank.value) == (Quantity.SUPPLY, 20_684_300.0)


def test_a_part_that_is_missing_costs_only_its_own_reading(tmp_path: Path) -> None:
    here = shop(tmp_path, "json", 'quantity = "pressure"\nvalue = "/p"\nunit = "bar"', more="")
    assert here.refuses("shop/tern/1/gauge", {"q": 1}).reason == "no-value"
    two = Shop(
        settings_with(
            tmp_path,
            """
[[feed]]
name = "pair"
topic = "shop/{whip}"
payload = "json"
[[feed.reading]]
quantity = "pressure"
value = "/p"
unit = "bar"
[[feed.reading]]
quantity = "wall"
value = "/w"
unit = "Cel"
""",
        )
    )
    pressure, wall = two.brings("shop/1", {"p": 100})
    assert isinstance(pressure, Reading)
    assert isinstance(wall, ReadingRejected)
    assert "/w" in wall.detail


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ({"p": "183.2"}, "not-a-number"),
        ({"p": True}, "not-a-number"),
        ({"p": None}, "not-a-number"),
        ({"p": [1]}, "not-a-number"),
        ('{"p": NaN}', "not-finite"),
        ('{"p": 1e999}', "not-finite"),
        ('{"p": 1' + "0" * 400 + "}", "not-finite"),
        ("{", "not-json"),
        ("[" * 17 + "]" * 17, "too-deep"),
        (" " * 70_000, "too-large"),
        ({"p": 1, "t": "now"}, "bad-time"),
        ({"p": 1, "t": "2026-11-24T23:15:00"}, "bad-time"),
        ({"p": 1, "t": 1795558185}, "bad-time"),
    ],
)
def test_json_is_taken_as_strictly_as_on_the_default_topics(tmp_path: Path, payload: object, reason: str) -> None:
    reading = 'quantity = "pressure"\nvalue = "/p"\nunit = "bar"'
    timed = isinstance(payload, dict) and "t" in payload
    here = shop(tmp_path, "json", reading, more='time = "/t"\ntime_is = "iso8601"' if timed else "")
    assert here.refuses("shop/tern/1/gauge", payload).reason == reason


@pytest.mark.parametrize(
    ("time_is", "written"),
    [("s", 1795558180.25), ("ms", 1795558180250), ("us", 1795558180250000), ("iso8601", "2026-11-24T22:09:40.25Z")],
)
def test_the_devices_time_is_read_as_the_feed_says(tmp_path: Path, time_is: str, written: object) -> None:
    reading = 'quantity = "pressure"\nvalue = "/p"\nunit = "bar"'
    here = shop(tmp_path, "json", reading, more=f'time = "/t"\ntime_is = "{time_is}"')
    assert here.reads("shop/tern/1/gauge", {"p": 1, "t": written}).device_s == pytest.approx(1795558180.25)


# SenML ----------------------------------------------------------------------------------------------------------------

OW = "urn:dev:ow:10e2073a01080063"


def records(pack: object) -> list[tuple[str, str, float, float | None]]:
    return [(record.name, record.unit, record.time_s, record.value) for record in resolved(pack)]


def test_senml_single_data_point_of_rfc_8428_section_5_1_1() -> None:
    assert records([{"n": OW, "u": "Cel", "v": 23.1}]) == [(OW, "Cel", 0.0, 23.1)]


def test_senml_base_name_of_rfc_8428_section_5_1_2() -> None:
    pack = [{"bn": f"{OW}:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
    assert records(pack) == [(f"{OW}:voltage", "V", 0.0, 120.1), (f"{OW}:current", "A", 0.0, 1.2)]


def test_senml_base_time_and_unit_of_rfc_8428_section_5_1_2() -> None:
    pack: list[dict[str, object]] = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V",
         "v": 120.1},
        *({"n": "current", "t": t, "v": v} for t, v in ((-5, 1.2), (-4, 1.3), (-3, 1.4), (-2, 1.5), (-1, 1.6))),
        {"n": "current", "v": 1.7},
    ]  # fmt: skip
    current = "urn:dev:ow:10e2073a0108006:current"
    assert records(pack) == [
        ("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1),
        (current, "A", 1276020071.001, 1.2),
        (current, "A", 1276020072.001, 1.3),
        (current, "A", 1276020073.001, 1.4),
        (current, "A", 1276020074.001, 1.5),
        (current, "A", 1276020075.001, 1.6),
        (current, "A", 1276020076.001, 1.7),
    ]


def test_senml_records_resolve_as_rfc_8428_section_5_1_4_shows() -> None:
    pack = [
        {"bn": OW, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "lon", "t": 60, "v": 24.30622},
    ]
    assert records(pack) == [
        (OW, "%RH", 1.320067464e09, 20),
        (OW, "lon", 1.320067464e09, 24.30621),
        (OW, "lat", 1.320067464e09, 60.07965),
        (OW, "%RH", 1.320067524e09, 20.3),
        (OW, "lon", 1.320067524e09, 24.30622),
    ]


def test_senml_other_kinds_of_value_of_rfc_8428_section_5_1_5_are_no_numbers() -> None:
    pack = [
        {"bn": f"{OW}:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    assert [value for *_, value in records(pack)] == [23.1, None, None, None]


def test_senml_base_value_is_added() -> None:
    """RFC 8428 section 4.1."""
    assert records([{"n": "p", "bv": 200.0, "v": 5.5}, {"n": "p", "v": -3}]) == [("p", "", 0, 205.5), ("p", "", 0, 197)]


SENML = 'quantity = "pressure"\nrecord = "urn:dev:x:p"'


def test_a_senml_record_becomes_a_reading_in_its_own_unit(tmp_path: Path) -> None:
    here = shop(tmp_path, "senml", SENML)
    reading = here.reads(
        "shop/tern/1/gauge", [{"bn": "urn:dev:x:", "n": "p", "u": "Pa", "v": 18_320_000}, {"n": "q", "v": 1}]
    )
    assert (reading.value, reading.source, reading.device_s) == (18_320_000.0, "shop/tern/1/gauge#urn:dev:x:p", None)


def test_a_relative_time_counts_from_arrival(tmp_path: Path) -> None:
    """RFC 8428 section 4.5.3: below 2^28 a time counts from now."""
    here = shop(tmp_path, "senml", SENML)
    pack = [{"bn": "urn:dev:x:", "bu": "Pa"}, *({"n": "p", "t": -3 + i, "v": 1e7 + i * 1e5} for i in range(4))]
    found = [event for event in here.brings("shop/tern/1/gauge", pack) if isinstance(event, Reading)]
    now = here.clock.utc_s
    assert [event.sample_s for event in found] == pytest.approx([now - 3, now - 2, now - 1, now], abs=0.001)
    assert [event.doubt for event in found] == [None] * 4


def test_an_old_relative_time_is_stale_and_a_future_one_is_now(tmp_path: Path) -> None:
    here = shop(tmp_path, "senml", SENML)
    (old,) = here.brings("shop/tern/1/gauge", [{"n": "urn:dev:x:p", "u": "Pa", "t": -60, "v": 1e7}])
    assert isinstance(old, Reading)
    assert (old.doubt, old.sample_s) == (Doubt.STALE, here.clock.utc_s - 60)
    (ahead,) = here.brings("shop/tern/1/gauge", [{"n": "urn:dev:x:p", "u": "Pa", "t": 60, "v": 1e7}])
    assert isinstance(ahead, Reading)
    assert ahead.sample_s == here.clock.utc_s


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({"n": "urn:dev:x:p", "v": 1}, "not-senml"),
        ([1], "not-senml"),
        ([{"n": "other", "u": "Pa", "v": 1}], "no-value"),
        ([{"n": "urn:dev:x:p", "u": "Pa", "s": 1}], "is-a-sum"),  # RFC 8428 section 4.2: integrated over time
        ([{"n": "urn:dev:x:p", "u": "Pa", "vs": "full"}], "not-a-number"),
        ([{"n": "urn:dev:x:p", "u": "Pa", "v": "5"}], "not-a-number"),
        ([{"n": "urn:dev:x:p", "u": "Cel", "v": 5}], "unknown-unit"),
        ([{"n": "urn:dev:x:p", "v": 5}], "no-unit"),
        ([{"bver": 11, "n": "urn:dev:x:p", "v": 5}], "bad-version"),  # section 4.4
        ([{"n": "urn:dev:x:p", "u": "Pa", "v": 5, "x_": 1}], "unknown-key"),  # section 4.4: must be understood
        ([{"n": 5, "v": 5}], "not-senml"),
        ([{"n": "urn:dev:x:p", "u": "Pa", "v": 5, "t": 1e13}], "bad-time"),
    ],
)
def test_a_pack_that_cannot_be_used_is_refused(tmp_path: Path, pack: object, reason: str) -> None:
    assert shop(tmp_path, "senml", SENML).refuses("shop/tern/1/gauge", pack).reason == reason


# Loops ----------------------------------------------------------------------------------------------------------------

LOOP = 'quantity = "pressure"\nunit = "bar"\nloop = [0, 400]'


@pytest.mark.parametrize(
    ("milliampere", "bar", "quality", "doubt"),
    [
        (4.0, 0.0, Quality.GOOD, None),
        (12.0, 200.0, Quality.GOOD, None),
        (20.0, 400.0, Quality.GOOD, None),
        (3.8, -5.0, Quality.GOOD, None),  # NAMUR NE 43: measuring from 3.8 mA ...
        (20.5, 412.5, Quality.GOOD, None),  # ... to 20.5 mA
        (3.7, -7.5, Quality.BAD, Doubt.OUT_OF_RANGE),
        (20.7, 417.5, Quality.BAD, Doubt.OUT_OF_RANGE),
        (3.6, -10.0, Quality.BAD, Doubt.LOOP_FAULT),  # NAMUR NE 43: failure at or below 3.6 mA ...
        (21.0, 425.0, Quality.BAD, Doubt.LOOP_FAULT),  # ... and from 21 mA on
        (0.0, -10.0, Quality.BAD, Doubt.LOOP_FAULT),  # wire broken; held at the limit
        (24.0, 425.0, Quality.BAD, Doubt.LOOP_FAULT),
        (3.5, -10.0, Quality.BAD, Doubt.LOOP_FAULT),
    ],
)
def test_a_loop_is_a_pressure_only_within_the_limits_of_namur_ne_43(
    tmp_path: Path, milliampere: float, bar: float, quality: Quality, doubt: Doubt | None
) -> None:
    reading = shop(tmp_path, "number", LOOP).reads("shop/tern/1/gauge", str(milliampere))
    assert (reading.value, reading.quality, reading.doubt) == (pytest.approx(bar * 1e5, abs=51), quality, doubt)


def test_scale_and_offset_make_milliampere_of_what_a_converter_counts(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", LOOP + "\nscale = 0.001\noffset = 0.0")
    assert here.reads("shop/tern/1/gauge", "12000").value == 200e5
    assert here.reads("shop/tern/1/gauge", "3600").doubt is Doubt.LOOP_FAULT


def test_a_loop_in_psi_absolute_is_counted_from_the_air(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "psia"\nloop = [0, 6000]')
    assert here.reads("shop/tern/1/gauge", "12").value == pytest.approx(3000 * 6894.757293168361 - 101_325, abs=50)


def test_a_mapped_loop_current_outside_the_limits_is_a_fault_as_well(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "loop_current"\nunit = "mA"')
    assert (here.reads("shop/tern/1/gauge", "12.5").value, here.reads("shop/tern/1/gauge", "12.5").doubt) == (
        0.0125,
        None,
    )
    assert here.reads("shop/tern/1/gauge", "3.2").doubt is Doubt.LOOP_FAULT


# Bits -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bits", "more", "payload", "bar"),
    [
        ("[0, 16]", "", "04E2", 1250),
        ("[0, 16]", "", "0x04e2 00ff", 1250),
        ("[16, 16]", "", "FFFF04E2", 1250),
        ("[4, 12]", "", "F4E2", 1250),
        ("[0, 16]", 'order = "little"', "E204", 1250),
        ("[0, 16]", "signed = true", "FFF6", -10),
        ("[0, 16]", 'signed = true\norder = "little"', "F6FF", -10),
        ("[3, 5]", "signed = true", "1F", -1),
        ("[7, 1]", "", "01", 1),
    ],
)
def test_bits_are_counted_from_the_highest_of_the_first_byte(
    tmp_path: Path, bits: str, more: str, payload: str, bar: float
) -> None:
    here = shop(tmp_path, "hex", f'quantity = "pressure"\nunit = "bar"\nscale = 0.1\nbits = {bits}\n{more}')
    assert here.reads("shop/tern/1/gauge", payload).value == pytest.approx(bar * 1e4)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        ("4E2", "not-hex"),
        ("", "not-hex"),
        ("zz", "not-hex"),
        (b"\xff", "not-hex"),
        ("04", "no-value"),
        ("0" * 4000, "not-hex"),
    ],
)
def test_what_is_no_hexadecimal_or_too_short_is_refused(tmp_path: Path, payload: str | bytes, reason: str) -> None:
    here = shop(tmp_path, "hex", 'quantity = "pressure"\nunit = "bar"\nbits = [0, 16]')
    assert here.refuses("shop/tern/1/gauge", payload).reason == reason


# Presence -------------------------------------------------------------------------------------------------------------

PRESENCE = """
[[feed]]
name = "gateway"
topic = "shop/gateway/state"
payload = "presence"
at = "/state"
online = ["up", 1]
offline = ["down", 0]
serves = ["1", "2"]
[[feed]]
name = "sensors"
topic = "shop/{whip}/alive"
payload = "presence"
online = ["yes", true]
offline = ["no", false]
"""


def test_a_whip_is_on_line_only_while_all_who_speak_of_it_are(tmp_path: Path) -> None:
    here = Shop(settings_with(tmp_path, PRESENCE))

    def said(topic: str, payload: object) -> list[tuple[str, bool]]:
        events = here.brings(topic, payload)
        return [(event.whip, event.online) for event in events if isinstance(event, PresenceChanged)]

    assert said("shop/gateway/state", {"state": "up"}) == [("1", True), ("2", True)]
    assert said("shop/1/alive", "no") == [("1", False)]
    assert said("shop/gateway/state", {"state": 0}) == [("1", False), ("2", False)]
    assert said("shop/1/alive", "true") == [("1", False)]
    assert said("fill/tern/2/presence", "online") == [("2", False)]
    assert said("shop/gateway/state", {"state": 1}) == [("1", True), ("2", True)]
    assert said("fill/tern/2/presence", "offline") == [("2", False)]


@pytest.mark.parametrize("payload", ["maybe", "", "{}", b"\xff", "[" * 100, "YES"])
def test_a_word_that_nobody_explained_is_no_presence(tmp_path: Path, payload: str | bytes) -> None:
    rejected = Shop(settings_with(tmp_path, PRESENCE)).refuses("shop/1/alive", payload)
    assert rejected.reason == "bad-presence"
    assert '"yes"' in rejected.detail


# Beside the default topics --------------------------------------------------------------------------------------------


def test_what_a_feed_measures_is_refused_on_its_default_topic(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "bar"')
    assert here.refuses("fill/tern/1/pressure", {"value": 1, "unit": "bar"}).reason == "mapped-elsewhere"
    assert here.reads("fill/tern/1/wall", {"value": 20, "unit": "Cel"}).quantity is Quantity.WALL


def test_a_default_topic_can_be_given_another_payload(tmp_path: Path) -> None:
    topic = "fill/{station}/{whip}/pressure"
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "bar"', topic=topic)
    assert here.reads("fill/tern/1/pressure", "183.2").value == 183.2e5
    assert here.decoder.subscriptions == ("fill/tern/#", "fillguard/tern/command")  # nothing comes twice


def test_words_of_a_topic_can_stand_for_whips(tmp_path: Path) -> None:
    here = shop(
        tmp_path, "number", 'quantity = "pressure"\nunit = "bar"', more='whips = {gauge-7 = "1", gauge-9 = "2"}'
    )
    assert here.reads("shop/tern/gauge-9/gauge", "5").whip == "2"
    assert here.refuses("shop/tern/1/gauge", "5").reason == "unknown-topic"
    assert "shop/tern/+/gauge" in here.decoder.subscriptions


def test_a_retained_or_stale_message_of_a_feed_is_doubted_like_any_other(tmp_path: Path) -> None:
    here = shop(
        tmp_path, "json", 'quantity = "pressure"\nvalue = "/p"\nunit = "bar"\nlive_for_s = 2', more='time = "/t"'
    )
    (kept,) = here.brings("shop/tern/1/gauge", {"p": 1, "t": here.clock.utc_s}, retained=True)
    assert isinstance(kept, Reading)
    assert kept.doubt is Doubt.RETAINED
    assert here.reads("shop/tern/1/gauge", {"p": 1, "t": here.clock.utc_s}).doubt is None
    sent_s = here.clock.utc_s + 1
    here.clock.advance(4)
    assert here.reads("shop/tern/1/gauge", {"p": 2, "t": sent_s}).doubt is Doubt.STALE


def test_limits_are_in_the_unit_of_the_reading(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "psi"\nlimits = [-10, 4000]')
    assert here.reads("shop/tern/1/gauge", "3999").doubt is None
    assert here.reads("shop/tern/1/gauge", "4001").doubt is Doubt.OUT_OF_RANGE


def test_the_feeds_own_patience_reaches_the_rules(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "psi"\nsilent_after_s = 12')
    assert [whip.silent_after_s for whip in here.settings.whips.values()] == [12.0, 12.0]


def test_a_sensor_beside_the_gauge_may_be_given_patience_of_its_own(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "supply"\nunit = "psi"\nsilent_after_s = 300', topic="shop/bank")
    rules = here.settings.rules(lambda _: pytest.fail("no gas is asked for"))
    assert rules.silent_after_s == {(None, Quantity.SUPPLY): 300.0}


def test_rejections_are_counted_by_feed(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "psi"')
    for _ in range(3):
        here.refuses("shop/tern/1/gauge", "x")
    (count,) = here.decoder.rejections()
    assert (count.kind, count.reason, count.count) == ("gauges", "not-a-number", 3)
