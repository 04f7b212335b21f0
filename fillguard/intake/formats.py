"""What stands in a message on a default topic: JSON with one value, checked strictly.

Nothing is converted behind the sender's back: a number in quotes, a boolean, NaN or Infinity is refused and named.
"""

import json
from typing import Any, NamedTuple, NoReturn, NotRequired

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.errors import DeviceError
from fillguard.core.units import quantised_time_s

LARGEST_BYTES = 64 * 1024
DEEPEST = 16
STRICT = ConfigDict(strict=True, allow_inf_nan=False)
_LATEST_DEVICE_S = 1e11
_LARGEST_INTEGER = 2**63 - 1
_LONGEST_WORD = 64
_SAMPLE_CHARACTERS = 200
_QUOTE, _BACKSLASH = b'"\\'
_OPENING, _CLOSING = b"{[", b"}]"


class UnusableError(DeviceError):
    """A message that gives no event: `reason` is a stable word for counting, `detail` a sentence for the technician."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


class Measured(NamedTuple):
    """One value of one sensor as its device sent it, whatever the payload kind."""

    value: float
    unit: str
    device_s: float | None = None
    """Unix seconds of the device's clock, to the millisecond."""
    seq: int | None = None
    boot: str | None = None
    age_s: float | None = None
    """How old the device says it is, where it gives no time of its clock."""
    historical: bool = False
    """The device says that this is no news."""


@with_config(STRICT)
class _Json(TypedDict):
    value: float
    unit: str
    time: NotRequired[float | None]
    seq: NotRequired[int | None]
    boot: NotRequired[str | int | None]


_JSON = TypeAdapter(_Json)
_ADVICE = {
    "value": "send a JSON number, without quotes",
    "unit": 'say which, such as "unit": "bar"',
    "time": "send Unix seconds as a number, or leave it out",
    "seq": "send a whole number that counts up, or leave it out",
    "boot": "send a word or number that changes at each start of the device, or leave it out",
}
_REASONS = {"value": "not-a-number", "unit": "bad-unit", "time": "bad-time", "seq": "bad-seq", "boot": "bad-boot"}
_MISSING = {"value": "no-value", "unit": "no-unit"}


def json_measured(payload: bytes) -> Measured:
    """The value in a JSON object. Raises UnusableError."""
    check_json(payload)
    try:
        sent = _JSON.validate_json(payload)
    except ValidationError as error:
        _refuse(error)
    return Measured(
        sent["value"],
        sent["unit"],
        device_time(sent.get("time")),
        seq_number(sent.get("seq")),
        boot_word(sent.get("boot")),
    )


def device_time(time_s: float | None) -> float | None:
    """Unix seconds on the grid. Raises UnusableError for what is no time of a device."""
    if time_s is None:
        return None
    if not 0.0 <= time_s < _LATEST_DEVICE_S:
        meant = "these look like milliseconds; " if time_s > 0.0 else ""
        raise UnusableError("bad-time", f"time {time_s!r}: {meant}{_ADVICE['time']}")
    return quantised_time_s(time_s)


def seq_number(seq: int | None) -> int | None:
    """A number that counts up. Raises UnusableError."""
    if seq is not None and not 0 <= seq <= _LARGEST_INTEGER:
        raise UnusableError("bad-seq", f"seq {shown(seq)}: {_ADVICE['seq']}")
    return seq


def boot_word(boot: str | int | None) -> str | None:
    """What tells one start of a device from another. Raises UnusableError."""
    if boot is None:
        return None
    fits = len(boot) <= _LONGEST_WORD if isinstance(boot, str) else 0 <= boot <= _LARGEST_INTEGER
    if not fits:
        raise UnusableError("bad-boot", f"boot {shown(boot)}: at most {_LONGEST_WORD} characters")
    return str(boot)


def check_json(payload: bytes) -> None:
    """Raise UnusableError for JSON that is too large, too deep, or has NaN or Infinity in it."""
    if len(payload) > LARGEST_BYTES:
        raise UnusableError("too-large", f"over {LARGEST_BYTES} bytes: send one reading a message")
    # Three searches in C decide for nearly every message that there is nothing to look at more closely.
    if payload.count(b"{") + payload.count(b"[") > DEEPEST and _depth(payload) > DEEPEST:
        raise UnusableError("too-deep", f"nested deeper than {DEEPEST} levels: send a flat object")
    if b"NaN" in payload or b"Infinity" in payload:
        _refuse_constants(payload)


def _depth(payload: bytes) -> int:
    """Deepest nesting outside of texts; a plain scan, so that no crafted message can make it slow."""
    depth = deepest = 0
    in_text = escaped = False
    for byte in payload:
        if in_text:
            in_text = escaped or byte != _QUOTE
            escaped = not escaped and byte == _BACKSLASH
        elif byte == _QUOTE:
            in_text = True
        elif byte in _OPENING:
            depth += 1
            deepest = max(deepest, depth)
        elif byte in _CLOSING:
            depth -= 1
    return deepest


def _refuse_constants(payload: bytes) -> None:
    """JSON knows no NaN and no Infinity; inside a text they are just letters."""

    def refuse(constant: str) -> NoReturn:
        raise UnusableError(
            "not-finite", f"{constant}: JSON has no such number; leave the reading out when there is none"
        )

    try:
        json.loads(payload, parse_constant=refuse)
    except (ValueError, RecursionError):
        return  # no JSON at all: the parser proper says so, in its own words


def _refuse(error: ValidationError) -> NoReturn:
    """Raise the first complaint about a reading."""
    first = error.errors(include_url=False)[0]
    refuse_shape(first["type"], first["msg"], first["input"])
    field = str(first["loc"][0])
    if first["type"] == "missing":
        raise UnusableError(_MISSING[field], f"no {field}: {_ADVICE[field]}")
    reason = "not-finite" if field == "value" and first["type"] == "finite_number" else _REASONS[field]
    raise UnusableError(reason, f"{field} {shown(first['input'])}: {_ADVICE[field]}")


def refuse_shape(kind: str, message: str, value: object) -> None:
    """Raise UnusableError when pydantic's complaint `kind` is about the message as a whole: no JSON, or no object."""
    if kind == "json_invalid":
        raise UnusableError("not-json", f"{message.removeprefix('Invalid JSON: ')}: send one JSON object")
    if kind == "dict_type":
        raise UnusableError("not-an-object", f"{shown(value)} is no JSON object")


def shown(value: Any) -> str:  # noqa: ANN401 - anything that JSON can hold
    """`value` as JSON would write it, cut to fit a sentence."""
    try:
        text = json.dumps(value, ensure_ascii=False, default=str)
    except (ValueError, RecursionError):
        text = type(value).__name__
    return text if len(text) <= _LONGEST_WORD else text[: _LONGEST_WORD - 3] + "..."


def sample_of(payload: bytes) -> str:
    """The start of `payload` as text, for a person to look at."""
    return payload[:_SAMPLE_CHARACTERS].decode("utf-8", "backslashreplace")[:_SAMPLE_CHARACTERS]
