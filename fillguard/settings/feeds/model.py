"""Feeds as the intake needs them: checked, taken apart, units resolved to numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from fillguard.core.events import Quantity
from fillguard.settings.feeds.pointers import Pointer
from fillguard.settings.units import Unit


class Payload(StrEnum):
    """How a message is written."""

    NUMBER = "number"
    TEXT = "text"
    JSON = "json"
    SENML = "senml"
    SPARKPLUG = "sparkplug"
    HEX = "hex"
    PRESENCE = "presence"
    ATTACH = "attach"


class TimeIs(StrEnum):
    """How a device writes its time."""

    S = "s"
    MS = "ms"
    US = "us"
    ISO8601 = "iso8601"


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A 4 to 20 mA loop: what it means, in the unit of the reading, at both ends."""

    at_4_ma: float
    at_20_ma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bits:
    """Where a number stands in bytes: bit 0 is the most significant one of the first byte."""

    first: int
    count: int
    signed: bool = False
    little_endian: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingSettings:
    """One value of a message."""

    label: str
    """What tells it from the others of its message: a pointer, a record's or metric's name, bits; empty: alone."""
    quantity: Quantity
    whip: str | None = None
    """None: the topic says, or it belongs to the station."""
    value: Pointer | None = None
    record: str | None = None
    device: str | None = None
    metric: str | None = None
    bits: Bits | None = None
    unit: Unit | None = None
    """None: the message says."""
    unit_name: str = ""
    unit_at: Pointer | None = None
    absolute: bool = False
    """What a bare unit in the message means."""
    time: Pointer | None = None
    time_is: TimeIs = TimeIs.S
    seq: Pointer | None = None
    boot: Pointer | None = None
    limits_si: tuple[float, float] | None = None
    """Gauge pascal, kelvin, ampere or fraction; outside, the sensor is broken."""
    words: Mapping[str, float] = field(default_factory=dict)
    """Text that stands for a value: `open`, `true`; before scale and offset."""
    scale: float = 1.0
    offset: float = 0.0
    loop: Loop | None = None
    live_for_s: float | None = None
    silent_after_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PresenceSettings:
    """How a gateway says that it is there."""

    online: frozenset[str]
    offline: frozenset[str]
    """JSON of each word: `"up"`, `1`, `true`."""
    at: Pointer | None
    """None: the message is the bare word."""
    whips: tuple[str, ...]
    """Whose gauges are gone with it; empty: the one that the topic names."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttachSettings:
    """How a scanner or a counter says which cylinder hangs on a whip."""

    serial: Pointer | None
    """None: the message is the bare serial."""
    operator: Pointer | None
    whip: Pointer | None
    """None: the topic, or the feed, names the whip."""
    whips: Mapping[str, str]
    """Word at `whip` -> whip id."""
    free: frozenset[str]
    """What is scanned to say that the whip is free."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SparkplugSettings:
    """Which edge node, and what it may be asked."""

    group: str
    node: str
    rebirth: bool = False
    """It may be asked to introduce itself anew."""
    reorder_timeout_s: float = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedSettings:
    """One kind of message."""

    name: str
    payload: Payload
    topics: Mapping[str, str | None] = field(default_factory=dict)
    """Topic -> its whip; every topic of this feed but Sparkplug's."""
    subscription: str
    readings: tuple[ReadingSettings, ...] = ()
    presence: PresenceSettings | None = None
    attach: AttachSettings | None = None
    sparkplug: SparkplugSettings | None = None

    def claims(self) -> frozenset[tuple[str | None, Quantity]]:
        """Whip (None: the station) and quantity of everything that this feed measures."""
        return frozenset(claim for reading in self.readings for claim in self.claims_of(reading))

    def claims_of(self, reading: ReadingSettings) -> frozenset[tuple[str | None, Quantity]]:
        """The same for one of its readings."""
        whips = {reading.whip} if reading.whip is not None else set(self.topics.values()) or {None}
        return frozenset((whip, reading.quantity) for whip in whips)
