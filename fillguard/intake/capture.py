"""Capture files: what came over the wire, one message a line, as JSON Lines.

`{"t": 1795558185.12, "topic": "fill/tern/1/pressure", "payload": "..."}`; `t` is arrival in Unix seconds and never
falls from line to line; a payload that is no UTF-8 text stands in `payload_b64` instead. `"retained": true` and
`"duplicate": true` are written only where they were so. Other keys are passed over. Read and written line by line.
"""

import base64
import binascii
import json
from collections.abc import Iterable, Iterator
from typing import Annotated, NoReturn, NotRequired, TextIO

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.errors import DeviceError
from fillguard.core.units import quantised_time_s
from fillguard.core.values import Stamp
from fillguard.intake.formats import shown
from fillguard.ports import RawMessage

LONGEST_LINE = 1024 * 1024
"""Characters; a message of ours holds 64 KiB at most, six times that when every character is escaped."""
_LATEST_S = 1e11


class CaptureError(DeviceError):
    """A capture file that cannot be used: `line` counts from 1."""

    def __init__(self, line: int, problem: str) -> None:
        super().__init__(f"line {line}: {problem}")
        self.line = line
        self.problem = problem


@with_config(ConfigDict(strict=True, allow_inf_nan=False))
class _Line(TypedDict):
    t: Annotated[float, Field(ge=0.0, lt=_LATEST_S)]
    topic: Annotated[str, Field(min_length=1, max_length=65535)]
    payload: NotRequired[str]
    payload_b64: NotRequired[str]
    retained: NotRequired[bool]
    duplicate: NotRequired[bool]


_LINE = TypeAdapter(_Line)
_EXPECTED = {
    "t": "arrival in Unix seconds, a number",
    "topic": "text",
    "payload": "text",
    "payload_b64": "Base64 text",
    "retained": "true or false",
    "duplicate": "true or false",
}


def read_capture(lines: Iterable[str | bytes]) -> Iterator[RawMessage]:
    """The messages of a capture file opened with mode `rb`, one by one; raises CaptureError at the first bad line.

    Both clocks of a stamp read `t`, to the millisecond. Empty lines are passed over.
    """
    previous_s = 0.0
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        sent = _parsed(line, number)
        arrived_s = quantised_time_s(sent["t"])
        if arrived_s < previous_s:
            raise CaptureError(
                number, f"t {sent['t']!r} is before the line above ({previous_s!r}): sort the lines by arrival"
            )
        previous_s = arrived_s
        yield RawMessage(
            arrived=Stamp(mono_s=arrived_s, utc_s=arrived_s),
            topic=sent["topic"],
            payload=_payload(sent, number),
            retained=sent.get("retained", False),
            duplicate=sent.get("duplicate", False),
        )


def _parsed(line: str | bytes, number: int) -> _Line:
    if len(line) > LONGEST_LINE:
        raise CaptureError(number, f"{len(line)} characters: a line holds one message, at most {LONGEST_LINE}")
    try:
        return _LINE.validate_json(line)
    except ValidationError as error:
        _refuse(error, number)


def _refuse(error: ValidationError, number: int) -> NoReturn:
    first = error.errors(include_url=False)[0]
    if first["type"] == "json_invalid":
        raise CaptureError(number, f"not JSON: {first['msg'].removeprefix('Invalid JSON: ')}")
    if first["type"] == "string_unicode":  # a lone surrogate: the file was not read as UTF-8
        raise CaptureError(number, "not UTF-8 text")
    if first["type"] == "dict_type":
        raise CaptureError(number, "not a JSON object")
    key = str(first["loc"][0])
    if first["type"] == "missing":
        raise CaptureError(number, f"no {key}: {_EXPECTED[key]}")
    raise CaptureError(number, f"{key} {shown(first['input'])}: give {_EXPECTED[key]}")


def _payload(sent: _Line, number: int) -> bytes:
    text, encoded = sent.get("payload"), sent.get("payload_b64")
    if (text is None) == (encoded is None):
        raise CaptureError(number, "one of payload and payload_b64 is needed, and only one")
    if encoded is None:
        return (text or "").encode()
    try:
        return base64.b64decode(encoded, validate=True)
    except (binascii.Error, ValueError) as error:
        raise CaptureError(number, f"payload_b64 is not Base64: {error}") from None


class CaptureWriter:
    """Writes messages to an open text file (UTF-8, `newline=""`), in the order they came.

    When the receiver's UTC was set back, `t` stands still until it has caught up: it never falls.
    """

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._latest_s = 0.0

    def write(self, message: RawMessage) -> None:
        """Append one message as one line."""
        self._latest_s = max(self._latest_s, quantised_time_s(message.arrived.utc_s))
        line: dict[str, object] = {"t": self._latest_s, "topic": message.topic}
        try:
            line["payload"] = message.payload.decode()
        except UnicodeDecodeError:
            line["payload_b64"] = base64.b64encode(message.payload).decode("ascii")
        line |= {key: True for key in ("retained", "duplicate") if getattr(message, key)}
        self._file.write(json.dumps(line, ensure_ascii=False, separators=(", ", ": ")) + "\n")
