"""What `[[feed]]` tables of station.toml may say, in the units of the file."""

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from fillguard.core.events import Quantity
from fillguard.settings.feeds.model import Payload
from fillguard.settings.schema import Section, choice, number, text
from fillguard.settings.station import Name

_POINTER = 'a JSON pointer in quotes, such as "/gauge/value"'
_UNIT = 'a unit in quotes, such as "bar", "psig", "Cel", "mA", "%"'
_WORDS = 'a list of words, numbers or booleans, such as ["online", 1, true]'
Whip = Annotated[str | None, text("the id of a [[whip]]")]
Pointer = Annotated[str | None, Field(description=_POINTER)]
TimeWords = Annotated[
    Literal["s", "ms", "us", "iso8601"],
    choice('"s", "ms" or "us" (since 1970) or "iso8601" (with its offset from UTC)'),
]
Words = Annotated[list[str | int | bool], Field(min_length=1, description=_WORDS)]
TopicLevel = Annotated[
    str | None, text("one level of a topic, without / + #", pattern=r"^[^/+#\x00]+$")
]  # what Sparkplug allows in an id (ISO/IEC 20237)


class FeedSection(Section):
    """`[[feed]]`: one kind of message."""

    name: Name
    payload: Annotated[
        Literal["number", "text", "json", "senml", "sparkplug", "hex", "presence", "attach"],
        choice(", ".join(f'"{kind}"' for kind in Payload)),
    ]
    topic: Annotated[
        str | None, text('a topic in quotes, such as "shop/{station}/{whip}/gauge": {station} and {whip} are filled in')
    ] = None
    whips: Annotated[
        dict[str, str] | None,
        Field(
            min_length=1, description='a table, such as {gauge-7 = "1"}: the word that stands at {whip}, the whip id'
        ),
    ] = None
    whip: Whip = None
    time: Pointer = None
    time_is: TimeWords = "s"
    seq: Pointer = None
    boot: Pointer = None
    reading: Annotated[
        list[dict[str, object]],
        choice("tables [[feed.reading]], one for each value of the message"),
    ] = Field(default_factory=list)
    at: Pointer = None
    online: Words | None = None
    offline: Words | None = None
    serves: Annotated[list[str] | None, Field(min_length=1, description="a list of whip ids in quotes")] = None
    serial: Pointer = None
    operator: Pointer = None
    whip_at: Pointer = None
    free: Annotated[
        list[str],
        Field(description='a list of texts, such as ["FREE"]: scanned to say that the whip is free'),
    ] = Field(default_factory=list)
    group: TopicLevel = None
    node: TopicLevel = None
    rebirth: Annotated[bool, choice("true or false: may fillguard ask the node to introduce itself anew?")] = False
    reorder_timeout_s: Annotated[float, number(0.1, 60, "seconds")] = 5.0


class ReadingSection(Section):
    """`[[feed.reading]]`: one value of a message."""

    quantity: Annotated[
        Literal["pressure", "wall", "ambient", "bath", "supply", "o2_fraction", "loop_current", "valve"],
        choice(", ".join(f'"{quantity}"' for quantity in Quantity)),
    ]
    whip: Whip = None
    value: Pointer = None
    record: Annotated[str | None, text("the whole name of a SenML record, base name included")] = None
    device: TopicLevel = None
    metric: Annotated[str | None, text("the name of a metric, as in the birth message")] = None
    bits: Annotated[
        list[Annotated[int, Field(ge=0, le=4095)]] | None,
        Field(min_length=2, max_length=2, description="[first bit, how many], counted from the first byte's highest"),
    ] = None
    signed: Annotated[bool, choice("true or false")] = False
    order: Annotated[Literal["big", "little"], choice('"big" or "little": which byte comes first')] = "big"
    unit: Annotated[str | None, text(_UNIT)] = None
    unit_at: Pointer = None
    basis: Annotated[Literal["gauge", "absolute"] | None, choice('"gauge" or "absolute"')] = None
    time: Pointer = None
    time_is: TimeWords | None = None
    seq: Pointer = None
    boot: Pointer = None
    limits: Annotated[
        list[Annotated[float, Field(allow_inf_nan=False)]] | None,
        Field(min_length=2, max_length=2, description="[lowest, highest] in the unit: outside, the sensor is broken"),
    ] = None
    words: Annotated[
        dict[str, Annotated[float, Field(allow_inf_nan=False)]] | None,
        Field(min_length=1, description="a table, such as {open = 1, shut = 0}: what a word in the message stands for"),
    ] = None
    scale: Annotated[float, number(-1e9, 1e9, "to multiply what the message says with")] = 1.0
    offset: Annotated[float, number(-1e9, 1e9, "to add after that")] = 0.0
    loop: Annotated[
        list[Annotated[float, Field(allow_inf_nan=False)]] | None,
        Field(min_length=2, max_length=2, description="[at 4 mA, at 20 mA] in the unit; the message says milliampere"),
    ] = None
    live_for_s: Annotated[float | None, number(0.1, 600, "seconds")] = None
    silent_after_s: Annotated[float | None, number(1, 600, "seconds")] = None


_OF_A_MESSAGE = frozenset({"time", "time_is", "seq", "boot"})
_OF_ALL_FEEDS = frozenset({"name", "payload"})
_ON_TOPICS = frozenset({"topic", "whip", "whips", "reading"})
FEED_KEYS: Mapping[Payload, frozenset[str]] = {
    Payload.NUMBER: _ON_TOPICS,
    Payload.TEXT: _ON_TOPICS,
    Payload.JSON: _ON_TOPICS | _OF_A_MESSAGE,
    Payload.SENML: _ON_TOPICS,
    Payload.HEX: _ON_TOPICS,
    Payload.SPARKPLUG: frozenset({"group", "node", "rebirth", "reorder_timeout_s", "reading"}),
    Payload.PRESENCE: frozenset({"topic", "whip", "whips", "at", "online", "offline", "serves"}),
    Payload.ATTACH: frozenset({"topic", "whip", "whips", "whip_at", "serial", "operator", "free"}),
}
"""Which keys of `[[feed]]` mean something with which payload, besides `name` and `payload`."""
_OF_ALL_READINGS = frozenset(
    {"quantity", "whip", "unit", "basis", "limits", "scale", "offset", "loop", "live_for_s", "silent_after_s"}
)
READING_KEYS: Mapping[Payload, frozenset[str]] = {
    Payload.NUMBER: _OF_ALL_READINGS | {"words"},
    Payload.TEXT: _OF_ALL_READINGS | {"words"},
    Payload.JSON: _OF_ALL_READINGS | _OF_A_MESSAGE | {"value", "unit_at", "words"},
    Payload.SENML: _OF_ALL_READINGS | {"record"},
    Payload.HEX: _OF_ALL_READINGS | {"bits", "signed", "order"},
    Payload.SPARKPLUG: _OF_ALL_READINGS | {"device", "metric", "words"},
    Payload.PRESENCE: frozenset(),
    Payload.ATTACH: frozenset(),
}
"""Which keys of `[[feed.reading]]` mean something with which payload."""


def idle_keys(written: Mapping[str, object], allowed: frozenset[str]) -> list[str]:
    """Keys that stand there and would do nothing: whoever wrote them expects something else."""
    return [key for key in written if key not in allowed | _OF_ALL_FEEDS]
