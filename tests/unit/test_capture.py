"""Capture files: written as the contract says, read line by line, refused with the line's number."""

import io
import json
from pathlib import Path

import pytest

from fillguard.core.values import Stamp
from fillguard.intake.capture import LONGEST_LINE, CaptureError, CaptureWriter, read_capture
from fillguard.ports import RawMessage


def message(t: float, topic: str = "fill/tern/1/pressure", payload: bytes = b"{}", **flags: bool) -> RawMessage:
    return RawMessage(
        arrived=Stamp(mono_s=t, utc_s=t),
        topic=topic,
        payload=payload,
        retained=flags.get("retained", False),
        duplicate=flags.get("duplicate", False),
    )


def written(*messages: RawMessage) -> str:
    file = io.StringIO()
    writer = CaptureWriter(file)
    for each in messages:
        writer.write(each)
    return file.getvalue()


def test_a_line_is_what_the_contract_says() -> None:
    line = written(message(1795558185.12, payload=b'{"value": 183.2}'))
    assert line == '{"t": 1795558185.12, "topic": "fill/tern/1/pressure", "payload": "{\\"value\\": 183.2}"}\n'


def test_bytes_that_are_no_text_are_written_in_base64() -> None:
    assert json.loads(written(message(1.0, payload=b"\xff\x00"))) == {
        "t": 1.0,
        "topic": "fill/tern/1/pressure",
        "payload_b64": "/wA=",
    }


def test_flags_are_written_only_where_they_are_set() -> None:
    line = json.loads(written(message(1.0, retained=True)))
    assert line["retained"] is True
    assert "duplicate" not in line


def test_time_stands_still_while_the_receivers_clock_is_set_back() -> None:
    lines = written(message(100.0), message(40.0), message(101.0)).splitlines()
    assert [json.loads(line)["t"] for line in lines] == [100.0, 100.0, 101.0]


def test_a_file_is_read_as_a_stream(tmp_path: Path) -> None:
    path = tmp_path / "morning.jsonl"
    path.write_text(written(message(1.0), message(2.0)) + "this is where it breaks\n", encoding="utf-8")
    with path.open(encoding="utf-8") as file:
        messages = read_capture(file)
        assert next(messages).arrived == Stamp(mono_s=1.0, utc_s=1.0)
        assert next(messages).arrived.utc_s == 2.0
        with pytest.raises(CaptureError, match="line 3: not JSON"):
            next(messages)


def test_unknown_keys_and_empty_lines_are_passed_over() -> None:
    (only,) = read_capture(["\n", '{"t": 5, "topic": "a", "payload": "x", "qos": 1, "note": null}\n', "  \n"])
    assert (only.arrived.utc_s, only.topic, only.payload) == (5.0, "a", b"x")


def test_equal_times_are_allowed() -> None:
    line = '{"t": 5.0, "topic": "a", "payload": "x"}'
    assert len(list(read_capture([line, line]))) == 2


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("{", "not JSON"),
        ("[]", "not a JSON object"),
        ('{"topic": "a", "payload": ""}', "no t: arrival in Unix seconds"),
        ('{"t": 9.0, "payload": ""}', "no topic: text"),
        ('{"t": "9", "topic": "a", "payload": ""}', 't "9": give arrival in Unix seconds'),
        ('{"t": NaN, "topic": "a", "payload": ""}', "give arrival"),
        ('{"t": -1, "topic": "a", "payload": ""}', "t -1"),
        ('{"t": true, "topic": "a", "payload": ""}', "t true"),
        ('{"t": 9.0, "topic": "", "payload": ""}', 'topic ""'),
        ('{"t": 9.0, "topic": "a", "payload": {"value": 1}}', "give text"),
        ('{"t": 9.0, "topic": "a"}', "one of payload and payload_b64"),
        ('{"t": 9.0, "topic": "a", "payload": "", "payload_b64": ""}', "only one"),
        ('{"t": 9.0, "topic": "a", "payload_b64": "!"}', "not Base64"),
        ('{"t": 9.0, "topic": "a", "payload_b64": "é"}', "not Base64"),
        ('{"t": 4.999, "topic": "a", "payload": ""}', "t 4.999 is before the line above (5.0)"),
        ('{"t": 9.0, "topic": "a", "payload": "\ud800"}', "not UTF-8"),
        (b'{"t": 9.0, "topic": "a", "payload": "\xff"}', "not JSON"),
        (" " * LONGEST_LINE + "{}", "a line holds one message"),
    ],
    ids=lambda value: repr(value)[:50],
)
def test_a_malformed_line_is_named_with_its_number_and_the_reason(line: str | bytes, said: str) -> None:
    good = '{"t": 5.0, "topic": "a", "payload": "x"}'
    messages = read_capture([good, line])
    next(messages)
    with pytest.raises(CaptureError) as refused:
        next(messages)
    assert refused.value.line == 2
    assert said in str(refused.value), str(refused.value)
