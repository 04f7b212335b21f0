"""Sparkplug payloads (ISO/IEC 20237:2023, section 6.4), read only; and the one request that a host may make."""

from dataclasses import dataclass

from fillguard.intake.formats import UnusableError, shown
from fillguard.intake.payloads.found import finite
from fillguard.intake.payloads.protobuf import Wire, as_float, field, fields
from fillguard.ports import Publication

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
BD_SEQ = "bdSeq"
GOOD_QUALITY = 192
"""Section 6.4.14: 0 bad, 192 good, 500 stale."""

# Field numbers of org.eclipse.tahu.protobuf (section 6.4.1).
_TIMESTAMP, _METRICS, _SEQ = 1, 2, 3
_NAME, _ALIAS, _METRIC_TIMESTAMP, _DATATYPE, _HISTORICAL, _NULL, _PROPERTIES = 1, 2, 3, 4, 5, 7, 9
_INT, _LONG, _FLOAT, _DOUBLE, _BOOLEAN, _STRING = 10, 11, 12, 13, 14, 15
_KEYS, _VALUES, _PROPERTY_INT, _PROPERTY_LONG = 1, 2, 3, 4
_VALUE_FIELDS = range(_INT, 20)

# Datatypes (section 6.4.16): how many bits, and whether signed.
_INTEGERS = {1: (8, True), 2: (16, True), 3: (32, True), 4: (64, True),
             5: (8, False), 6: (16, False), 7: (32, False), 8: (64, False)}  # fmt: skip
_FLOATS = {9: _FLOAT, 10: _DOUBLE}
_BOOLEAN_TYPE = 11
_MOST_METRICS = 5000
_QUALITY_KEY = b"Quality"


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One metric as it came; name or alias says which."""

    name: str | None = None
    alias: int | None = None
    timestamp_ms: int | None = None
    datatype: int | None = None
    historical: bool = False
    null: bool = False
    quality: int | None = None
    held: int = 0
    """Number of the field that holds the value; 0: none."""
    value: int | bytes = 0

    def word(self) -> object:
        """A boolean or a text as it stands; None for anything else."""
        if self.null or self.quality not in (None, GOOD_QUALITY) or self.held not in (_BOOLEAN, _STRING):
            return None
        return self.value.decode("utf-8", "replace") if isinstance(self.value, bytes) else bool(self.value)

    def number(self, datatype: int | None) -> float:
        """The value as a number, of `datatype` as said at birth. Raises UnusableError."""
        kind = self.datatype if self.datatype is not None else datatype
        what = f"metric {shown(self.name or f'alias {self.alias}')}"
        if self.null or not self.held:
            raise UnusableError("is-null", f"{what} is null: there is no reading")
        if self.quality not in (None, GOOD_QUALITY):
            raise UnusableError("bad-quality", f"{what} has quality {self.quality}: its device does not stand by it")
        if kind in _INTEGERS and self.held in (_INT, _LONG) and isinstance(self.value, int):
            bits, signed = _INTEGERS[kind]
            value = self.value & (1 << bits) - 1
            return finite(value - (1 << bits) if signed and value >> (bits - 1) else value, what)
        if kind in _FLOATS and self.held == _FLOATS[kind] and isinstance(self.value, bytes):
            return finite(as_float(self.value), what)
        raise UnusableError("not-a-number", f"{what} of datatype {kind} in field {self.held}: a number is needed")


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """One payload."""

    timestamp_ms: int | None = None
    seq: int | None = None
    metrics: tuple[Metric, ...] = ()

    def bd_seq(self) -> int | None:
        """Which session of the edge node this birth or death belongs to."""
        held = next((metric for metric in self.metrics if metric.name == BD_SEQ), None)
        return held.value if held is not None and isinstance(held.value, int) and held.held else None


def body(payload: bytes) -> Body:
    """Take a payload apart. Raises UnusableError."""
    timestamp_ms = seq = None
    metrics: list[Metric] = []
    for number, wire, value in fields(payload):
        if number == _METRICS:
            if len(metrics) >= _MOST_METRICS:
                raise UnusableError("too-large", f"more than {_MOST_METRICS} metrics in one message")
            metrics.append(_metric(_bytes(number, wire, value)))
        elif number == _TIMESTAMP:
            timestamp_ms = _integer(number, wire, value)
        elif number == _SEQ:
            seq = _integer(number, wire, value)
    return Body(timestamp_ms=timestamp_ms, seq=seq, metrics=tuple(metrics))


def rebirth_request(group: str, node: str, now_s: float) -> Publication:
    """Ask an edge node to introduce itself anew (section 6.4.6: QoS 0, not retained)."""
    now_ms = round(now_s * 1000.0)
    metric = (
        field(_NAME, REBIRTH.encode())
        + field(_METRIC_TIMESTAMP, now_ms)
        + field(_DATATYPE, _BOOLEAN_TYPE)
        + field(_BOOLEAN, 1)
    )
    payload = field(_TIMESTAMP, now_ms) + field(_METRICS, metric)
    return Publication(topic=f"{NAMESPACE}/{group}/NCMD/{node}", payload=payload)


def _metric(content: bytes) -> Metric:
    name: str | None = None
    held = 0
    held_value: int | bytes = 0
    numbers: dict[int, int] = {}
    quality = None
    for number, wire, value in fields(content):
        if number == _NAME:
            name = _bytes(number, wire, value).decode("utf-8", "replace")
        elif number in _VALUE_FIELDS:
            held, held_value = number, value
        elif number == _PROPERTIES:
            quality = _quality(_bytes(number, wire, value))
        elif number in (_ALIAS, _METRIC_TIMESTAMP, _DATATYPE, _HISTORICAL, _NULL):
            numbers[number] = _integer(number, wire, value)
    return Metric(
        name=name,
        alias=numbers.get(_ALIAS),
        timestamp_ms=numbers.get(_METRIC_TIMESTAMP),
        datatype=numbers.get(_DATATYPE),
        historical=bool(numbers.get(_HISTORICAL)),
        null=bool(numbers.get(_NULL)),
        quality=quality,
        held=held,
        value=held_value,
    )


def _quality(properties: bytes) -> int | None:
    """The property `Quality`, where a metric has it: keys and values stand in the same order."""
    keys: list[bytes] = []
    values: list[bytes] = []
    for number, wire, value in fields(properties):
        if number in (_KEYS, _VALUES):
            (keys if number == _KEYS else values).append(_bytes(number, wire, value))
    if _QUALITY_KEY not in keys or keys.index(_QUALITY_KEY) >= len(values):
        return None
    held = {number: value for number, _, value in fields(values[keys.index(_QUALITY_KEY)])}
    quality = held.get(_PROPERTY_INT, held.get(_PROPERTY_LONG))
    return quality if isinstance(quality, int) else None


def _integer(number: int, wire: Wire, value: int | bytes) -> int:
    if wire is not Wire.VARINT or not isinstance(value, int):
        raise UnusableError("not-sparkplug", f"field {number} is no integer: this is no Sparkplug payload")
    return value


def _bytes(number: int, wire: Wire, value: int | bytes) -> bytes:
    if wire is not Wire.LENGTH or not isinstance(value, bytes):
        raise UnusableError("not-sparkplug", f"field {number} has no length: this is no Sparkplug payload")
    return value
