"""Whatever comes over the wire: no exception, no number that is not finite, and what was captured is read back."""

import io
import json
import math

from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.events import CylinderAttached, Reading, ReadingRejected
from fillguard.core.values import Stamp
from fillguard.intake.capture import CaptureError, CaptureWriter, read_capture
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import RawMessage

LEVELS = st.sampled_from(
    [
        "fill",
        "fillguard",
        "tern",
        "1",
        "2",
        "pressure",
        "wall",
        "ambient",
        "bath",
        "cylinder",
        "presence",
        "command",
        "",
    ]
)
TOPICS = st.one_of(
    st.sampled_from(
        [
            "fill/tern/1/pressure",
            "fill/tern/1/wall",
            "fill/tern/ambient",
            "fill/tern/bath",
            "fill/tern/1/cylinder",
            "fill/tern/1/presence",
            "fillguard/tern/command",
        ]
    ),
    st.lists(LEVELS, max_size=5).map("/".join),
    st.text(max_size=40),
)
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
KEYS = st.sampled_from(
    ["value", "unit", "time", "seq", "boot", "serial", "operator", "gas", "residual_gas", "target_bar", "target_psi",
     "arrived", "surroundings", "count", "material", "water_volume_l", "rated_pressure_bar", "rated_pressure_psi",
     "reference_temperature_c", "empty_mass_kg", "o2", "he", "verb", "occurrence", "alarm", "reason", "for_min"]
)  # fmt: skip
LIKELY = st.sampled_from(
    ["bar", "psi", "bara", "Cel", "degF", "K", "air", "oxygen", "steel", "cold", "bath", "shelve", "op-1", "TH-0042"]
)
JSON = st.recursive(
    SCALARS | LIKELY,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS | st.text(max_size=8), inner, max_size=8),
    max_leaves=20,
)
READINGS = st.fixed_dictionaries(
    {"value": st.floats() | st.integers(), "unit": LIKELY},
    optional={"time": st.floats() | st.integers(), "seq": st.integers(), "boot": st.text(max_size=5) | st.integers()},
)
PAYLOADS = st.one_of(
    st.binary(max_size=200),
    JSON.map(lambda value: json.dumps(value).encode()),
    READINGS.map(lambda value: json.dumps(value).encode()),
    st.integers(0, 70_000).map(lambda n: b'{"value":' * n),
)
TIMES = st.floats(0.0, 4e9)


@st.composite
def messages(draw: st.DrawFn) -> RawMessage:
    return RawMessage(
        arrived=Stamp(mono_s=draw(TIMES), utc_s=draw(TIMES)),
        topic=draw(TOPICS),
        payload=draw(PAYLOADS),
        retained=draw(st.booleans()),
        duplicate=draw(st.booleans()),
    )


@given(st.lists(messages(), max_size=12))
def test_any_bytes_on_any_topic_give_one_event_with_finite_numbers(stream: list[RawMessage]) -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None)
    for message in stream:
        (event,) = decoder.decode(message)
        assert event.stamp == message.arrived
        match event:
            case Reading():
                assert math.isfinite(event.value)
                assert math.isfinite(event.sample_s)
                assert abs(event.value) <= 1e9
                assert event.sample_s <= message.arrived.utc_s + 0.0005  # the millisecond grid
            case CylinderAttached():
                assert event.target_gauge_pa is None or math.isfinite(event.target_gauge_pa)
                assert event.arrived_k is None or math.isfinite(event.arrived_k)
            case ReadingRejected():
                assert event.reason
                assert len(event.sample) <= 200
                assert len(event.detail) <= 300


@given(
    st.floats(-1e3, 1e3),
    st.lists(st.tuples(st.floats(0.01, 30.0), st.floats(0.0, 20.0)), min_size=1, max_size=40),
)
def test_no_clock_and_no_delay_puts_a_sample_after_its_arrival_or_lets_accepted_ones_go_back(
    offset_s: float, steps: list[tuple[float, float]]
) -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None)
    taken_s, newest_s = 1_795_558_185.0, -math.inf
    for gap_s, delay_s in steps:
        taken_s += gap_s
        arrived_s = taken_s + delay_s
        body = json.dumps({"value": 50.0, "unit": "bar", "time": taken_s + offset_s}).encode()
        arrived = Stamp(mono_s=arrived_s - 1e9, utc_s=arrived_s)
        (event,) = decoder.decode(RawMessage(arrived=arrived, topic="fill/tern/1/pressure", payload=body))
        assert isinstance(event, Reading)
        assert event.sample_s <= arrived_s + 0.0005
        if event.doubt in (None, "stale", "skewed"):
            assert event.sample_s > newest_s
            newest_s = event.sample_s


@given(st.lists(st.tuples(st.integers(0, 10**12), st.text(min_size=1), st.binary(), st.booleans(), st.booleans())))
def test_what_was_captured_is_read_back(rows: list[tuple[int, str, bytes, bool, bool]]) -> None:
    sent = [
        RawMessage(
            arrived=Stamp(mono_s=ms / 1000.0, utc_s=ms / 1000.0),
            topic=topic,
            payload=payload,
            retained=retained,
            duplicate=duplicate,
        )
        for ms, topic, payload, retained, duplicate in sorted(rows)
    ]
    file = io.StringIO(newline="")
    writer = CaptureWriter(file)
    for message in sent:
        writer.write(message)
    file.seek(0)
    assert list(read_capture(file)) == sent


@given(st.lists(st.text() | JSON.map(json.dumps), max_size=5))
def test_any_text_as_a_capture_is_read_or_refused_with_a_line_number(lines: list[str]) -> None:
    read: list[RawMessage | CaptureError] = []
    try:
        read.extend(read_capture(lines))
    except CaptureError as error:
        read.append(error)
    assert len(read) <= len(lines)
    assert all(1 <= each.line <= len(lines) for each in read if isinstance(each, CaptureError))
