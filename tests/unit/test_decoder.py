"""Default topics to events: units, strictness, sample times, doubts, presence, commands."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from fillguard.core.events import (
    AlarmCommanded,
    Doubt,
    InEvent,
    PresenceChanged,
    Quality,
    Quantity,
    Reading,
    ReadingRejected,
    Verb,
)
from fillguard.core.values import Stamp
from fillguard.intake.feeds import MOST_WHIPS, DefaultDecoder
from fillguard.ports import RawMessage
from tests.fakes import FakeClock

PRESSURE = "fill/tern/1/pressure"


@dataclass
class Wire:
    """A broker that hands messages to a decoder, one clock for all."""

    decoder: DefaultDecoder = field(default_factory=lambda: DefaultDecoder("tern", register=lambda _: None))
    clock: FakeClock = field(default_factory=FakeClock)

    def brings(
        self, topic: str, payload: bytes | Mapping[str, object], *, retained: bool = False, duplicate: bool = False
    ) -> InEvent:
        body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        message = RawMessage(
            arrived=self.clock.now(), topic=topic, payload=body, retained=retained, duplicate=duplicate
        )
        (event,) = self.decoder.decode(message)
        return event

    def reads(self, bar: float = 183.2, *, retained: bool = False, duplicate: bool = False, **more: object) -> Reading:
        event = self.brings(PRESSURE, {"value": bar, "unit": "bar", **more}, retained=retained, duplicate=duplicate)
        assert isinstance(event, Reading), event
        return event

    def refuses(self, topic: str, payload: bytes | Mapping[str, object], **flags: bool) -> ReadingRejected:
        event = self.brings(topic, payload, **flags)
        assert isinstance(event, ReadingRejected), event
        return event


@pytest.fixture
def wire() -> Wire:
    return Wire()


# What a reading is --------------------------------------------------------------------------------------------------


def test_a_pressure_becomes_a_good_reading_of_its_whip(wire: Wire) -> None:
    reading = wire.reads(183.2, time=wire.clock.utc_s - 0.05, seq=1234, boot="a7")
    assert (reading.quantity, reading.whip, reading.source) == (Quantity.PRESSURE, "1", PRESSURE)
    assert (reading.value, reading.quality, reading.doubt) == (18_320_000.0, Quality.GOOD, None)
    assert (reading.seq, reading.boot, reading.stamp) == (1234, "a7", wire.clock.now())


@pytest.mark.parametrize(
    ("value", "unit", "gauge_pa"),
    [
        (207.0, "bar", 20_700_000.0),
        (207.0, "barg", 20_700_000.0),
        (208.01325, "bara", 20_700_000.0),
        (3000.0, "psi", 20_684_300.0),  # 3000 x 6894.757293168361 Pa (exact inch and pound), on the 100 Pa grid
        (3014.6959, "psia", 20_684_300.0),
        (20.7, "MPa", 20_700_000.0),
        (20700.0, "kPa", 20_700_000.0),
        (20_700_000, "Pa", 20_700_000.0),
        (0.0, "bar", 0.0),
        (183.2004, "bar", 18_320_000.0),
        (183.2006, "bar", 18_320_100.0),
    ],
)
def test_pressure_units_end_as_gauge_pascal_on_the_shared_grid(
    wire: Wire, value: float, unit: str, gauge_pa: float
) -> None:
    reading = wire.brings(PRESSURE, {"value": value, "unit": unit})
    assert isinstance(reading, Reading)
    assert reading.value == gauge_pa


def test_an_absolute_sensor_on_a_mountain_is_counted_from_the_air_there() -> None:
    wire = Wire(DefaultDecoder("tern", register=lambda _: None, ambient_abs_pa=79_500.0))
    reading = wire.brings(PRESSURE, {"value": 200.795, "unit": "bara"})
    assert isinstance(reading, Reading)
    assert reading.value == 20_000_000.0


@pytest.mark.parametrize(
    ("topic", "sent", "read"),
    [
        ("fill/tern/2/wall", (21.5, "Cel"), (Quantity.WALL, "2", 294.65)),
        ("fill/tern/ambient", (70.0, "degF"), (Quantity.AMBIENT, None, 294.26)),  # 70 F = 21.11 C
        ("fill/tern/bath", (281.15, "K"), (Quantity.BATH, None, 281.15)),
        ("fill/tern/ambient", (-40, "degF"), (Quantity.AMBIENT, None, 233.15)),  # where both scales meet
    ],
)
def test_temperatures_end_as_kelvin(
    wire: Wire, topic: str, sent: tuple[float, str], read: tuple[Quantity, str | None, float]
) -> None:
    reading = wire.brings(topic, {"value": sent[0], "unit": sent[1]})
    assert isinstance(reading, Reading)
    assert (reading.quantity, reading.whip, reading.value) == read


# What is refused ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "reason", "said"),
    [
        (b"", "not-json", "send one JSON object"),
        (b"183.2 bar", "not-json", "line 1"),
        (b"\xff\xfe", "not-json", "send one JSON object"),
        (b"183.2", "not-an-object", "183.2"),
        (b'[{"value": 1}]', "not-an-object", '[{"value": 1}]'),
        (b'{"unit": "bar"}', "no-value", "send a JSON number"),
        (b'{"value": "183.2", "unit": "bar"}', "not-a-number", 'value "183.2"'),
        (b'{"value": true, "unit": "bar"}', "not-a-number", "value true"),
        (b'{"value": null, "unit": "bar"}', "not-a-number", "value null"),
        (b'{"value": NaN, "unit": "bar"}', "not-finite", "NaN"),
        (b'{"value": -Infinity, "unit": "bar"}', "not-finite", "-Infinity"),
        (b'{"value": 1, "unit": "bar", "raw": NaN}', "not-finite", "NaN"),
        (b'{"value": 1e999, "unit": "bar"}', "not-finite", "value"),
        (b'{"value": 1e300, "unit": "bar"}', "impossible-value", "1e+300"),
        (b'{"value": 183.2}', "no-unit", '"unit": "bar"'),
        (b'{"value": 183.2, "unit": 3}', "bad-unit", "unit 3"),
        (b'{"value": 183.2, "unit": "BAR"}', "unknown-unit", "did you mean bar?"),
        (b'{"value": 183.2, "unit": "Cel"}', "unknown-unit", "use bar, psi"),
        (b'{"value": 1, "unit": "bar", "time": "now"}', "bad-time", 'time "now"'),
        (b'{"value": 1, "unit": "bar", "time": 1795558185120}', "bad-time", "look like milliseconds"),
        (b'{"value": 1, "unit": "bar", "time": -5}', "bad-time", "time -5"),
        (b'{"value": 1, "unit": "bar", "seq": 1.5}', "bad-seq", "seq 1.5"),
        (b'{"value": 1, "unit": "bar", "seq": -1}', "bad-seq", "seq -1"),
        (b'{"value": 1, "unit": "bar", "seq": ' + b"9" * 40 + b"}", "bad-seq", "999"),
        (b'{"value": 1, "unit": "bar", "boot": [1]}', "bad-boot", "boot [1]"),
        (b'{"value": 1, "unit": "bar", "boot": "' + b"x" * 65 + b'"}', "bad-boot", "at most 64"),
        (b'{"value": 1, "unit": "bar", "x": ' + b"[" * 16 + b"]" * 16 + b"}", "too-deep", "16 levels"),
        (b'{"value": 1, "unit": "bar", "x": "' + b"y" * 65536 + b'"}', "too-large", "65536 bytes"),
        (b"[" * 60000, "too-deep", "16 levels"),
    ],
    ids=lambda value: repr(value)[:60],
)
def test_what_cannot_be_used_is_refused_with_its_reason(wire: Wire, payload: bytes, reason: str, said: str) -> None:
    refused = wire.refuses(PRESSURE, payload)
    assert refused.reason == reason
    assert said in refused.detail
    assert len(refused.sample) <= 200


@pytest.mark.parametrize(("unit", "meant"), [("C", "Cel"), ("F", "degF"), ("cel", "Cel")])
def test_a_letter_that_is_no_temperature_unit_is_refused_with_the_right_one(wire: Wire, unit: str, meant: str) -> None:
    refused = wire.refuses("fill/tern/ambient", {"value": 21.0, "unit": unit})
    assert (refused.reason, f"did you mean {meant}?" in refused.detail) == ("unknown-unit", True)


def test_sixteen_levels_and_brackets_inside_a_text_are_allowed(wire: Wire) -> None:
    deep = b'{"value": 1, "unit": "bar", "x": ' + b"[" * 15 + b"]" * 15 + b"}"
    texts = b'{"value": 1, "unit": "bar", "x": "\\"[[[[[[[[[[[[[[[[[[[[", "y": "NaN"}'
    assert isinstance(wire.brings(PRESSURE, deep), Reading)
    wire.clock.advance(1.0)
    assert isinstance(wire.brings(PRESSURE, texts), Reading)


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("fill/tern/1/presure", "unknown-topic"),
        ("fill/other/1/pressure", "unknown-topic"),
        ("fill/tern/pressure", "unknown-topic"),
        ("fill/tern/1/2/pressure", "unknown-topic"),
        ("$fillguard/rules", "unknown-topic"),
        ("", "unknown-topic"),
        ("fill/tern/+/pressure", "unknown-whip"),
        ("fill/tern/" + "w" * 33 + "/pressure", "unknown-whip"),
    ],
)
def test_a_topic_that_carries_nothing_known_is_refused(wire: Wire, topic: str, reason: str) -> None:
    assert wire.refuses(topic, {"value": 1.0, "unit": "bar"}).reason == reason


def test_a_whip_that_is_not_configured_is_refused_by_name() -> None:
    wire = Wire(DefaultDecoder("tern", register=lambda _: None, whips=frozenset({"1", "2"})))
    refused = wire.refuses("fill/tern/7/pressure", {"value": 1.0, "unit": "bar"})
    assert (refused.reason, '"7" is not configured: there are 1, 2' in refused.detail) == ("unknown-whip", True)


def test_invented_whips_cannot_fill_the_memory(wire: Wire) -> None:
    for number in range(MOST_WHIPS):
        assert isinstance(wire.brings(f"fill/tern/w{number}/pressure", {"value": 1.0, "unit": "bar"}), Reading)
    assert wire.refuses("fill/tern/one-more/pressure", {"value": 1.0, "unit": "bar"}).reason == "too-many-whips"


def test_rejections_are_counted_by_kind_and_reason_with_the_newest_sample(wire: Wire) -> None:
    wire.refuses(PRESSURE, b"first")
    wire.refuses(PRESSURE, b"second")
    wire.refuses("fill/tern/ambient", b"third")
    first, second = wire.decoder.rejections()
    assert (first.kind, first.reason, first.count, first.sample) == ("pressure", "not-json", 2, "second")
    assert (second.kind, second.reason, second.count, second.topic) == ("ambient", "not-json", 1, "fill/tern/ambient")


# When a sample was taken --------------------------------------------------------------------------------------------


def test_without_device_time_a_sample_is_as_old_as_its_arrival(wire: Wire) -> None:
    assert wire.reads().sample_s == wire.clock.utc_s


def test_a_device_with_a_wrong_clock_gives_right_sample_times(wire: Wire) -> None:
    slow_s = 7200.0
    for _ in range(30):
        wire.clock.advance(1.0)
        quick = wire.reads(time=wire.clock.utc_s - slow_s - 0.02)
    assert quick.sample_s == wire.clock.utc_s
    wire.clock.advance(1.0)
    delayed = wire.reads(time=wire.clock.utc_s - slow_s - 0.52)
    assert delayed.sample_s == pytest.approx(wire.clock.utc_s - 0.5, abs=0.0011)
    assert delayed.doubt is None


def test_a_sample_is_never_later_than_its_arrival(wire: Wire) -> None:
    for lag_s in (5.0, 0.5, 3.0, 0.1, 0.0):
        wire.clock.advance(10.0)
        assert wire.reads(time=wire.clock.utc_s - lag_s).sample_s <= wire.clock.utc_s


def test_a_backlog_keeps_its_own_times_and_is_not_live(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s - 0.02, seq=0, boot="a")
    began = wire.clock.utc_s
    wire.clock.advance(60.0)
    backlog = [wire.reads(50.0 + n, time=began + n - 0.02, seq=n, boot="a") for n in range(1, 61)]
    assert [reading.sample_s for reading in backlog] == [began + n for n in range(1, 61)]
    assert [reading.doubt for reading in backlog[:54]] == [Doubt.STALE] * 54
    assert {reading.quality for reading in backlog[:54]} == {Quality.UNCERTAIN}
    assert [reading.doubt for reading in backlog[-5:]] == [None] * 5


def test_a_backlog_after_a_long_silence_is_not_taken_for_news(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    began = wire.clock.utc_s
    wire.clock.advance(3600.0)
    assert wire.reads(51.0, time=began + 1.0).sample_s == began + 1.0


def test_a_backlog_after_our_own_restart_is_recognised_from_the_record() -> None:
    before = Wire()
    recorded = [before.reads(50.0 + n, time=before.clock.advance(1.0).utc_s - 90.0, seq=n, boot="a") for n in range(5)]
    after = Wire(clock=FakeClock(utc_s=before.clock.utc_s + 60.0, mono_s=7.0))  # the machine was started anew
    for reading in recorded:
        after.decoder.remember(reading, after.clock.now())
    repeated = after.reads(54.0, time=recorded[-1].device_s, seq=4, boot="a", duplicate=True)
    queued = after.reads(55.0, time=before.clock.utc_s + 1.0 - 90.0, seq=5, boot="a")
    assert repeated.doubt is Doubt.DUPLICATE
    assert (queued.doubt, queued.sample_s) == (Doubt.STALE, before.clock.utc_s + 1.0)


def test_a_step_of_the_receivers_clock_moves_no_sample(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    device_s = wire.clock.utc_s
    wire.clock.advance(1.0)
    wire.clock.utc_s -= 3600.0
    reading = wire.reads(51.0, time=device_s + 1.0)
    assert (reading.sample_s, reading.doubt) == (wire.clock.utc_s, None)


def test_one_absurd_device_time_does_not_blind_us(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    wire.clock.advance(1.0)
    absurd = wire.reads(51.0, time=wire.clock.utc_s + 86_400.0)
    wire.clock.advance(1.0)
    next_one = wire.reads(52.0, time=wire.clock.utc_s)
    assert (absurd.doubt, absurd.sample_s) == (Doubt.SKEWED, wire.clock.utc_s - 1.0)
    assert (next_one.doubt, next_one.sample_s) == (None, wire.clock.utc_s)


@pytest.mark.parametrize("set_by_s", [3600.0, -3600.0, -7.0])
def test_a_device_whose_clock_was_set_is_followed_within_a_quarter_of_a_minute(wire: Wire, set_by_s: float) -> None:
    for _ in range(20):
        wire.clock.advance(1.0)
        wire.reads(50.0, time=wire.clock.utc_s)
    for _ in range(15):
        wire.clock.advance(1.0)
        reading = wire.reads(50.0, time=wire.clock.utc_s + set_by_s)
    assert (reading.doubt, reading.sample_s) == (None, wire.clock.utc_s)


def test_a_late_message_does_not_look_like_a_clock_that_was_set_back(wire: Wire) -> None:
    for _ in range(20):
        wire.clock.advance(1.0)
        wire.reads(50.0, time=wire.clock.utc_s)
        late = wire.reads(49.0, time=wire.clock.utc_s - 30.5)
    assert late.doubt is Doubt.LATE
    assert late.sample_s == wire.clock.utc_s - 30.5


def test_the_least_delay_is_forgotten_after_ten_minutes(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    ages = []
    for _ in range(700):
        wire.clock.advance(1.0)
        ages.append(wire.clock.utc_s - wire.reads(50.0, time=wire.clock.utc_s - 1.0).sample_s)
    assert ages[:500] == [1.0] * 500
    assert ages[-50:] == [0.0] * 50


# How far it is trusted ----------------------------------------------------------------------------------------------


def test_a_sample_not_later_than_the_newest_is_late(wire: Wire) -> None:
    device_s = wire.clock.utc_s
    wire.reads(50.0, time=device_s)
    wire.clock.advance(2.0)
    wire.reads(52.0, time=device_s + 2.0)
    wire.clock.advance(0.5)
    late = wire.reads(51.0, time=device_s + 1.0)
    assert (late.doubt, late.quality, late.sample_s) == (Doubt.LATE, Quality.UNCERTAIN, device_s + 1.0)


def test_two_channels_do_not_make_each_other_late(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    wall = wire.brings("fill/tern/1/wall", {"value": 20.0, "unit": "Cel", "time": wire.clock.utc_s - 1.0})
    assert isinstance(wall, Reading)
    assert wall.doubt is None


def test_a_retained_reading_is_never_live_and_teaches_nothing(wire: Wire) -> None:
    retained = wire.reads(180.0, retained=True, time=wire.clock.utc_s - 4000.0)
    live = wire.reads(50.0, time=wire.clock.utc_s)
    assert (retained.doubt, retained.quality) == (Doubt.RETAINED, Quality.UNCERTAIN)
    assert retained.sample_s == wire.clock.utc_s - 4000.0
    assert (live.doubt, live.sample_s) == (None, wire.clock.utc_s)


@pytest.mark.parametrize("bar", [-5.1, 600.1])
def test_a_pressure_outside_the_electrical_range_is_bad(wire: Wire, bar: float) -> None:
    reading = wire.reads(bar)
    assert (reading.quality, reading.doubt) == (Quality.BAD, Doubt.OUT_OF_RANGE)


@pytest.mark.parametrize("bar", [-5.0, 0.0, 600.0])
def test_a_pressure_inside_the_electrical_range_is_good(wire: Wire, bar: float) -> None:
    assert wire.reads(bar).quality is Quality.GOOD


def test_a_sensor_may_have_a_range_of_its_own() -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None, ranges={Quantity.PRESSURE: (0.0, 4e7)})
    assert Wire(decoder).reads(401.0).doubt is Doubt.OUT_OF_RANGE


def test_a_late_reading_out_of_range_is_bad_as_well(wire: Wire) -> None:
    wire.reads(50.0, time=wire.clock.utc_s)
    late = wire.reads(900.0, time=wire.clock.utc_s - 1.0)
    assert (late.quality, late.doubt) == (Quality.BAD, Doubt.LATE)


@pytest.mark.parametrize(
    "identity", [{"seq": 7, "boot": "a"}, {"time": 1_795_558_184.0}, {"seq": 7, "boot": 3, "time": 5.0}]
)
def test_the_same_reading_again_is_a_duplicate(wire: Wire, identity: dict[str, Any]) -> None:
    wire.reads(50.0, **identity)
    wire.clock.advance(1.0)
    again = wire.reads(50.0, **identity)
    assert (again.doubt, again.quality) == (Doubt.DUPLICATE, Quality.BAD)


def test_equal_values_a_second_apart_are_two_readings(wire: Wire) -> None:
    wire.reads(50.0)
    wire.clock.advance(1.0)
    assert wire.reads(50.0).doubt is None


def test_without_identity_only_the_wires_flag_makes_a_duplicate(wire: Wire) -> None:
    assert wire.reads(50.0, duplicate=True).doubt is Doubt.DUPLICATE


def test_a_flagged_message_that_was_never_seen_is_a_reading(wire: Wire) -> None:
    assert wire.reads(50.0, seq=1, boot="a", duplicate=True).doubt is None


def test_a_restarted_device_that_counts_from_one_again_is_heard(wire: Wire) -> None:
    doubts = []
    for boot in ("a", "b"):
        for seq in range(1, 4):
            wire.clock.advance(1.0)
            doubts.append(wire.reads(50.0, seq=seq, boot=boot).doubt)
    assert doubts == [None] * 6


def test_a_gap_in_the_numbers_is_counted(wire: Wire) -> None:
    for seq in (1, 2, 5, 6, 10):
        wire.clock.advance(1.0)
        wire.reads(50.0, seq=seq, boot="a")
    assert wire.decoder.missed() == {PRESSURE: 5}


# Presence and commands ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("payload", "online"), [(b"online", True), (b"offline\n", False)])
def test_presence_is_one_word(wire: Wire, payload: bytes, online: bool) -> None:  # noqa: FBT001 - a table's column
    event = wire.brings("fill/tern/3/presence", payload, retained=True)
    assert event == PresenceChanged(stamp=wire.clock.now(), whip="3", online=online)


def test_any_other_presence_is_refused(wire: Wire) -> None:
    assert wire.refuses("fill/tern/3/presence", b'"online"').reason == "bad-presence"


COMMAND = "fillguard/tern/command"


def test_a_named_person_acknowledges_an_occurrence(wire: Wire) -> None:
    occurrence = "tern-1-20261124T230000Z/overfill/1"
    event = wire.brings(COMMAND, {"verb": "acknowledge", "operator": "op-1", "occurrence": occurrence})
    assert event == AlarmCommanded(
        stamp=wire.clock.now(), verb=Verb.ACKNOWLEDGE, operator="op-1", occurrence=occurrence
    )


@pytest.mark.parametrize(("ago_s", "taken"), [(0.0, True), (59.0, True), (61.0, False), (-61.0, False)])
def test_a_command_that_was_kept_somewhere_is_refused(wire: Wire, ago_s: float, *, taken: bool) -> None:
    given_s = wire.clock.now().utc_s - ago_s
    said = {"id": "c-1", "verb": "acknowledge", "operator": "op-1", "alarm": "overfill", "whip": "1", "time": given_s}
    if taken:
        event = wire.brings(COMMAND, said)
        assert isinstance(event, AlarmCommanded)
        assert event.command_id == "c-1"
    else:
        refused = wire.refuses(COMMAND, said)
        assert (refused.reason, refused.command_id) == ("late-command", "c-1"), "whoever gave it is told"


def test_a_shelf_has_an_end_and_a_reason(wire: Wire) -> None:
    event = wire.brings(
        COMMAND,
        {"verb": "shelve", "operator": "op-1", "alarm": "too-fast", "whip": "2", "reason": "hose test", "for_min": 15},
    )
    assert isinstance(event, AlarmCommanded)
    assert (event.for_s, event.reason, event.alarm, event.whip) == (900.0, "hose test", "too-fast", "2")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"operator": None}, "operator null"),
        ({"operator": "  "}, "1 to 200"),
        ({"verb": "silence"}, 'verb "silence": allowed are acknowledge'),
        ({"occurrence": None, "alarm": None}, "occurrence null"),
        ({"verb": "shelve", "for_min": 10}, "needs a reason"),
        ({"verb": "shelve", "reason": "hose test"}, "for_min null"),
        ({"verb": "shelve", "reason": "hose test", "for_min": 31}, "at most 30 minutes"),
        ({"verb": "shelve", "reason": "hose test", "for_min": "10"}, "a number of minutes"),
        ({"verb": "reset"}, "what was done"),
        ({"occurence": "x"}, "is not known"),
    ],
    ids=str,
)
def test_a_command_with_a_mistake_is_refused(wire: Wire, change: dict[str, object], said: str) -> None:
    command = {"verb": "acknowledge", "operator": "op-1", "occurrence": "tern-1/overfill/1"}
    refused = wire.refuses(COMMAND, {**command, **change})
    assert (refused.reason, said in refused.detail) == ("bad-command", True), refused.detail


def test_a_command_must_say_which_alarm(wire: Wire) -> None:
    refused = wire.refuses(COMMAND, {"verb": "acknowledge", "operator": "op-1"})
    assert "say which alarm" in refused.detail


def test_a_retained_command_is_not_obeyed(wire: Wire) -> None:
    command = {"verb": "acknowledge", "operator": "op-1", "occurrence": "tern-1/overfill/1"}
    assert wire.refuses(COMMAND, command, retained=True).reason == "retained-command"


def test_the_subscriptions_bring_all_default_topics(wire: Wire) -> None:
    assert wire.decoder.subscriptions == ("fill/tern/#", "fillguard/tern/command")


def test_every_event_carries_the_arrival(wire: Wire) -> None:
    arrived = Stamp(mono_s=1.0, utc_s=2.0)
    for topic in (PRESSURE, "fill/tern/1/cylinder", "fill/tern/1/presence", COMMAND, "nonsense"):
        (event,) = wire.decoder.decode(RawMessage(arrived=arrived, topic=topic, payload=b"{}"))
        assert event.stamp == arrived
