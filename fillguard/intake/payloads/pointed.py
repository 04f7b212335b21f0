"""Messages in JSON: values found by JSON pointers (RFC 6901)."""

from collections.abc import Iterator
from datetime import datetime

from pydantic_core import from_json

from fillguard.intake.formats import Measured, UnusableError, boot_word, check_json, device_time, seq_number, shown
from fillguard.intake.payloads.found import Found, finite, worded
from fillguard.settings.feeds import FeedSettings, ReadingSettings, TimeIs
from fillguard.settings.feeds.pointers import Pointer

_SECONDS = {TimeIs.S: 1.0, TimeIs.MS: 1e-3, TimeIs.US: 1e-6}
_LONGEST_TIME = 40


def json_found(payload: bytes, feed: FeedSettings) -> Iterator[Found]:
    """What the readings of `feed` point at."""
    document = json_document(payload)
    for reading in feed.readings:
        try:
            yield reading, _measured(document, reading)
        except UnusableError as problem:
            yield reading, problem


def json_document(payload: bytes) -> object:
    """The JSON in `payload`. Raises UnusableError for what is none, too large, too deep or not finite."""
    check_json(payload)
    try:
        document: object = from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        raise UnusableError("not-json", f"{error}: send one JSON value") from None
    return document


def at(document: object, pointer: Pointer, what: str) -> object:
    """What stands at `pointer`. Raises UnusableError when it leads nowhere."""
    try:
        return pointer.find(document)
    except LookupError as error:
        raise UnusableError(f"no-{what}", f"{what} at {pointer.text}: the message has nothing at {error}") from None


def _measured(document: object, reading: ReadingSettings) -> Measured:
    if reading.value is None:
        raise AssertionError("a reading of JSON has a pointer")
    found = at(document, reading.value, "value")
    word = worded(found, reading)
    value = finite(found, f"value at {reading.value.text}") if word is None else word
    return Measured(
        value,
        _unit(document, reading.unit_at),
        None if reading.time is None else _time(at(document, reading.time, "time"), reading.time_is),
        None if reading.seq is None else _seq(at(document, reading.seq, "seq")),
        None if reading.boot is None else _boot(at(document, reading.boot, "boot")),
    )


def _unit(document: object, pointer: Pointer | None) -> str:
    if pointer is None:
        return ""
    unit = at(document, pointer, "unit")
    if not isinstance(unit, str) or not unit:
        raise UnusableError("bad-unit", f"unit at {pointer.text} {shown(unit)}: text is needed")
    return unit


def _time(value: object, time_is: TimeIs) -> float:
    if time_is is TimeIs.ISO8601:
        return device_time(_instant(value)) or 0.0
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UnusableError("bad-time", f"time {shown(value)}: a number without quotes is needed")
    if not abs(value) < 1e18:  # noqa: PLR2004 - microseconds of thirty thousand years
        raise UnusableError("bad-time", f"time {shown(value)} is no time")
    return device_time(value * _SECONDS[time_is]) or 0.0


def _instant(value: object) -> float:
    if not isinstance(value, str) or len(value) > _LONGEST_TIME:
        raise UnusableError("bad-time", f'time {shown(value)}: text such as "2026-11-24T23:15:00Z" is needed')
    try:
        instant = datetime.fromisoformat(value)
        if instant.tzinfo is None:
            raise UnusableError("bad-time", f"time {shown(value)}: say the offset from UTC, such as Z or +01:00")
        return instant.timestamp()
    except (ValueError, OverflowError):
        raise UnusableError("bad-time", f"time {shown(value)} is no instant of ISO 8601") from None


def _seq(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise UnusableError("bad-seq", f"seq {shown(value)}: a whole number that counts up is needed")
    return seq_number(value) or 0


def _boot(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise UnusableError("bad-boot", f"boot {shown(value)}: a word or number that changes at each start is needed")
    return boot_word(value) or ""
