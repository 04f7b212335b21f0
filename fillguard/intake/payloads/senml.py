"""SenML packs in JSON (RFC 8428): base fields, names, units, times relative to now."""

from collections.abc import Iterator
from typing import NamedTuple

from fillguard.intake.formats import Measured, UnusableError, device_time, shown
from fillguard.intake.payloads.found import Found, finite
from fillguard.intake.payloads.pointed import json_document
from fillguard.settings.feeds import FeedSettings

VERSION = 10
"""RFC 8428 section 4.4: a pack without `bver` is of this version, and a higher one is not for us."""
RELATIVE_BELOW_S = float(2**28)
"""RFC 8428 section 4.5.3: a smaller time counts from now."""
_LONGEST_NAME = 1000
_VALUES = ("v", "vs", "vb", "vd")


class Record(NamedTuple):
    """One resolved record (RFC 8428 section 4.6)."""

    name: str
    unit: str
    time_s: float
    """Unix seconds, or relative to now (below 2^28)."""
    value: float | None
    """Base value added; None for what is no number."""
    problem: UnusableError | None = None


def senml_found(payload: bytes, feed: FeedSettings) -> Iterator[Found]:
    """The records whose names the readings of `feed` give, in the order of the pack."""
    pack = json_document(payload)
    wanted = {reading.record: reading for reading in feed.readings}
    found = 0
    for record in resolved(pack):
        reading = wanted.get(record.name)
        if reading is None:
            continue
        found += 1
        yield reading, _measured(record)
    if not found:
        names = ", ".join(shown(name) for name in list(wanted)[:3])
        raise UnusableError("no-value", f"no record of this pack is called {names}")


def resolved(pack: object) -> Iterator[Record]:
    """The records of `pack` with the base fields applied. Raises UnusableError for what is no pack."""
    if not isinstance(pack, list) or not all(isinstance(record, dict) for record in pack):
        raise UnusableError("not-senml", f"{shown(pack)}: a SenML pack is an array of records (RFC 8428)")
    base_name, base_unit, base_time, base_value = "", "", 0.0, 0.0
    for record in pack:
        _check(record)
        base_name = _text(record, "bn", base_name)
        base_unit = _text(record, "bu", base_unit)
        base_time = _number(record, "bt", base_time)
        base_value = _number(record, "bv", base_value)
        if "n" not in record and not any(key in record for key in (*_VALUES, "s")):
            continue  # base fields only
        name = base_name + _text(record, "n", "")
        unit = _text(record, "u", base_unit)
        time_s = base_time + _number(record, "t", 0.0)
        try:
            yield Record(name, unit, time_s, _value(record, name, base_value))
        except UnusableError as problem:
            yield Record(name, unit, time_s, None, problem)


def _check(record: dict[str, object]) -> None:
    version = record.get("bver", VERSION)
    if isinstance(version, bool) or not isinstance(version, int) or not 0 < version <= VERSION:
        raise UnusableError("bad-version", f"bver {shown(version)}: versions up to {VERSION} are known")
    # RFC 8428 section 4.4: a key that must be understood and is not makes the pack unusable.
    unknown = next((key for key in record if key.endswith("_")), None)
    if unknown is not None:
        raise UnusableError("unknown-key", f"key {shown(unknown)} must be understood (it ends in _), and is not")


def _value(record: dict[str, object], name: str, base_value: float) -> float:
    if "v" in record:
        return base_value + _number(record, "v", 0.0)
    if "s" in record or "bs" in record:
        raise UnusableError("is-a-sum", f"record {shown(name)} is a sum over time (s), no reading: send v")
    other = next((key for key in _VALUES if key in record), None)
    what = f"{other} {shown(record[other])}" if other else "nothing"
    raise UnusableError("not-a-number", f"record {shown(name)} has {what}: a number in v is needed")


def _measured(record: Record) -> Measured | UnusableError:
    if record.value is None:
        return record.problem or UnusableError("no-value", f"record {shown(record.name)} has no value")
    try:
        if record.time_s < RELATIVE_BELOW_S:
            return Measured(record.value, record.unit, age_s=max(0.0, -record.time_s))
        return Measured(record.value, record.unit, device_time(record.time_s))
    except UnusableError as problem:
        return problem


def _text(record: dict[str, object], key: str, default: str) -> str:
    text = record.get(key, default)
    if not isinstance(text, str) or len(text) > _LONGEST_NAME:
        raise UnusableError("not-senml", f"{key} {shown(text)}: text is needed (RFC 8428)")
    return text


def _number(record: dict[str, object], key: str, default: float) -> float:
    return finite(record[key], key) if key in record else default
