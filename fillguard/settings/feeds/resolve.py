"""`[[feed]]` tables to `FeedSettings`: everything that is wrong with them at once, each where it stands."""

import json
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import TypeVar

from fillguard.core.events import Quantity
from fillguard.settings.feeds.model import (
    Bits,
    FeedSettings,
    Loop,
    Payload,
    PresenceSettings,
    ReadingSettings,
    SparkplugSettings,
    TimeIs,
)
from fillguard.settings.feeds.pointers import Pointer, pointer
from fillguard.settings.feeds.schema import FEED_KEYS, READING_KEYS, FeedSection, ReadingSection, idle_keys
from fillguard.settings.feeds.topics import Template, template
from fillguard.settings.problems import Problem, did_you_mean
from fillguard.settings.schema import Place, validated
from fillguard.settings.units import PRESSURES, UNITS, Unit, UnitError, unit_of

T = TypeVar("T")
_AT_A_WHIP = frozenset({Quantity.PRESSURE, Quantity.WALL})
_OF_THE_STATION = frozenset({Quantity.AMBIENT, Quantity.BATH})


class FeedResolver:
    """Resolves the feeds of one station.toml; what is wrong is collected in `problems`."""

    def __init__(
        self, file: str, station: str, whips: Collection[str], ambient_abs_pa: float, problems: list[Problem]
    ) -> None:
        """`station` and `whips` are the configured ids, which stand in topics and readings."""
        self._file, self._station, self._whips = file, station, list(whips)
        self._ambient_abs_pa = ambient_abs_pa
        self._problems = problems
        self._names: set[str] = set()
        self._topics: dict[str, str] = {}
        self._claims: dict[tuple[str | None, Quantity], str] = {}

    def feeds(self, tables: Sequence[Mapping[str, object]]) -> tuple[FeedSettings, ...]:
        """Every feed that can be used."""
        found = (self._feed(table, number) for number, table in enumerate(tables, start=1))
        return tuple(feed for feed in found if feed is not None)

    def _feed(self, table: Mapping[str, object], number: int) -> FeedSettings | None:
        place = Place(file=self._file, label=f'[[feed]] "{table.get("name", f"no. {number}")}"')
        section = validated(FeedSection, table, place, self._problems)
        if section is None:
            self._look_into_readings(table, place)
            return None
        before = len(self._problems)
        if section.name in self._names:
            self._tell(place, "name", "another [[feed]] has it already: each needs its own", section.name)
        self._names.add(section.name)
        payload = Payload(section.payload)
        for key in idle_keys(table, FEED_KEYS[payload]):
            self._tell(place, key, f'does nothing with payload = "{payload}": take it out', table[key])
        feed = self._sparkplug(section, place) if payload is Payload.SPARKPLUG else self._on_topics(section, place)
        if feed is None:
            self._look_into_readings(table, place)
        if feed is None or len(self._problems) > before:
            return None
        self._claim(feed, place)
        return feed

    # Where it comes from ----------------------------------------------------------------------------------------------

    def _on_topics(self, section: FeedSection, place: Place) -> FeedSettings | None:
        if section.topic is None:
            self._tell(place, "topic", 'is missing; allowed: a topic in quotes, such as "shop/{station}/{whip}/gauge"')
            return None
        whips = self._words(section, place)
        shape = self._tried(place, "topic", section.topic, lambda text: template(text, self._station, whips))
        if shape is None:
            return None
        if section.whips is not None and not shape.names_whip:
            self._tell(place, "whips", "the topic has no {whip} level for these words to stand at")
        if section.whip is not None and shape.names_whip:
            self._tell(place, "whip", "the topic names the whip already: take one of the two out", section.whip)
        if section.whip is not None:
            self._known(place, "whip", section.whip)
        for topic in shape.topics():
            if topic in self._topics:
                text = f'[[feed]] "{self._topics[topic]}" reads {topic} already: put the readings into one feed'
                self._tell(place, "topic", text, section.topic)
                break
        topics = {topic: whip or section.whip for topic, whip in shape.topics().items()}
        self._topics.update(dict.fromkeys(topics, section.name))
        presence = self._presence(section, shape, place) if Payload(section.payload) is Payload.PRESENCE else None
        return FeedSettings(
            name=section.name,
            payload=Payload(section.payload),
            topics=topics,
            subscription=shape.subscription,
            readings=self._readings(section, place, at_whip=any(topics.values())) if presence is None else (),
            presence=presence,
        )

    def _words(self, section: FeedSection, place: Place) -> Mapping[str, str]:
        """Word at the {whip} level -> whip."""
        if section.whips is None:
            return {whip: whip for whip in self._whips}
        for whip in section.whips.values():
            self._known(place, "whips", whip)
        return section.whips

    def _presence(self, section: FeedSection, shape: Template, place: Place) -> PresenceSettings | None:
        for key, words in (("online", section.online), ("offline", section.offline)):
            if words is None:
                self._tell(place, key, 'is missing; allowed: a list of words, such as ["online"]')
        online = frozenset(json.dumps(word) for word in section.online or ())
        offline = frozenset(json.dumps(word) for word in section.offline or ())
        if both := online & offline:
            self._tell(place, "offline", f"{', '.join(sorted(both))} stands in online as well: what does it mean?")
        named = shape.names_whip or section.whip is not None
        if named == (section.serves is not None):
            text = "say whose gauges are gone with it: by {whip} in the topic, or a list here; one of the two"
            self._tell(place, "serves", text)
        for whip in section.serves or ():
            self._known(place, "serves", whip)
        return PresenceSettings(
            online=online,
            offline=offline,
            at=self._pointer(place, "at", section.at),
            whips=tuple(section.serves or ()),
        )

    def _sparkplug(self, section: FeedSection, place: Place) -> FeedSettings | None:
        if section.group is None or section.node is None:
            for key in ("group", "node"):
                if getattr(section, key) is None:
                    self._tell(place, key, f"is missing; allowed: the {key} id of the gateway, as in its topics")
            return None
        subscription = f"spBv1.0/{section.group}/+/{section.node}/#"
        if subscription in self._topics:
            text = f'[[feed]] "{self._topics[subscription]}" reads this node already: put the readings into one feed'
            self._tell(place, "node", text, section.node)
        self._topics[subscription] = section.name
        return FeedSettings(
            name=section.name,
            payload=Payload.SPARKPLUG,
            subscription=subscription,
            readings=self._readings(section, place, at_whip=False),
            sparkplug=SparkplugSettings(
                group=section.group,
                node=section.node,
                rebirth=section.rebirth,
                reorder_timeout_s=section.reorder_timeout_s,
            ),
        )

    # What it says -----------------------------------------------------------------------------------------------------

    def _readings(self, section: FeedSection, place: Place, *, at_whip: bool) -> tuple[ReadingSettings, ...]:
        if not section.reading:
            self._tell(place, "reading", "is missing; write [[feed.reading]] with at least its quantity")
        found: list[ReadingSettings] = []
        for number, table in enumerate(section.reading, start=1):
            where = Place(file=self._file, label=f"{place.label} reading {number}")
            reading = validated(ReadingSection, table, where, self._problems)
            if reading is None:
                continue
            for key in idle_keys(table, READING_KEYS[Payload(section.payload)]):
                self._tell(where, key, f'does nothing with payload = "{section.payload}": take it out', table[key])
            resolved = self._reading(section, reading, where, at_whip=at_whip)
            if any(resolved.label == other.label for other in found):
                self._tell(where, "", "reads the same place of the message as another one of this feed")
            found.append(resolved)
        return tuple(found)

    def _reading(self, feed: FeedSection, section: ReadingSection, place: Place, *, at_whip: bool) -> ReadingSettings:
        quantity = Quantity(section.quantity)
        self._check_whip(quantity, section, place, at_whip=at_whip)
        unit = self._unit(Payload(feed.payload), quantity, section, place)
        time_is = section.time_is or feed.time_is
        return ReadingSettings(
            label=self._label(Payload(feed.payload), section, place),
            quantity=quantity,
            whip=section.whip,
            value=self._pointer(place, "value", section.value),
            record=section.record,
            device=section.device,
            metric=section.metric,
            bits=self._bits(section, place),
            unit=unit,
            unit_name=section.unit or "",
            unit_at=self._pointer(place, "unit_at", section.unit_at),
            absolute=section.basis == "absolute" if unit is None or unit.absolute is None else unit.absolute,
            time=self._pointer(place, "time", section.time if section.time is not None else feed.time),
            time_is=TimeIs(time_is),
            seq=self._pointer(place, "seq", section.seq if section.seq is not None else feed.seq),
            boot=self._pointer(place, "boot", section.boot if section.boot is not None else feed.boot),
            limits_si=self._limits(section, unit, quantity, place),
            scale=self._scale(section, place),
            offset=section.offset,
            loop=self._loop(section, unit, quantity, place),
            live_for_s=section.live_for_s,
            silent_after_s=section.silent_after_s,
        )

    def _look_into_readings(self, table: Mapping[str, object], place: Place) -> None:
        """What is wrong with single readings is told even where their feed cannot be used."""
        readings = table.get("reading")
        for number, reading in enumerate(readings if isinstance(readings, list) else (), start=1):
            if isinstance(reading, dict):
                where = Place(file=self._file, label=f"{place.label} reading {number}")
                validated(ReadingSection, reading, where, self._problems)

    def _check_whip(self, quantity: Quantity, section: ReadingSection, place: Place, *, at_whip: bool) -> None:
        if section.whip is not None:
            self._known(place, "whip", section.whip)
        if section.whip is not None and at_whip:
            self._tell(place, "whip", "topic or feed name the whip already: take one of the two out", section.whip)
        if quantity in _AT_A_WHIP and section.whip is None and not at_whip:
            self._tell(place, "whip", f"is missing: whose {quantity} is it? Or put {{whip}} into the topic")
        if quantity in _OF_THE_STATION and (section.whip is not None or at_whip):
            self._tell(place, "quantity", "belongs to the whole station: give it a feed without a whip", quantity.value)

    def _label(self, payload: Payload, section: ReadingSection, place: Place) -> str:
        match payload:
            case Payload.JSON:
                return self._needed(place, "value", section.value, 'a JSON pointer in quotes, such as "/value"')
            case Payload.SENML:
                return self._needed(place, "record", section.record, "the whole name of the record")
            case Payload.SPARKPLUG:
                metric = self._needed(
                    place, "metric", section.metric, "the name of the metric, as in the birth message"
                )
                return f"{section.device}/{metric}" if section.device is not None else metric
            case Payload.HEX:
                bits = section.bits
                if bits is None:
                    self._tell(place, "bits", "is missing; allowed: [first bit, how many]")
                return f"bits {bits[0]}+{bits[1]}" if bits else ""
            case _:
                return ""

    def _needed(self, place: Place, key: str, value: str | None, allowed: str) -> str:
        if value is None:
            self._tell(place, key, f"is missing; allowed: {allowed}")
        return value or ""

    def _unit(self, payload: Payload, quantity: Quantity, section: ReadingSection, place: Place) -> Unit | None:
        if section.basis is not None and quantity not in PRESSURES:
            self._tell(place, "basis", "only a pressure has one: take it out", section.basis)
        if section.unit is None:
            says_itself = payload in (Payload.TEXT, Payload.SENML) or section.unit_at is not None
            if section.loop is not None or not says_itself:
                self._tell(place, "unit", f"is missing; allowed: {', '.join(list(UNITS[quantity])[:8])} and others")
            return None
        if section.unit_at is not None:
            self._tell(place, "unit_at", "unit says it already: take one of the two out", section.unit_at)
        try:
            unit = unit_of(section.unit, quantity)
        except UnitError as error:
            self._tell(place, "unit", str(error), section.unit)
            return None
        said = {True: "absolute", False: "gauge", None: section.basis}[unit.absolute]
        if section.basis is not None and section.basis != said:
            self._tell(place, "basis", f"unit {section.unit} says {said}: which one is it?", section.basis)
        return unit

    def _limits(
        self, section: ReadingSection, unit: Unit | None, quantity: Quantity, place: Place
    ) -> tuple[float, float] | None:
        if section.limits is None:
            return None
        low, high = section.limits
        if low >= high:
            self._tell(place, "limits", f"the lowest ({low:g}) is not below the highest ({high:g})")
        if unit is None:
            if section.unit is None:
                self._tell(place, "limits", "limits are in the unit of the reading: give unit")
            return None
        below = (
            self._ambient_abs_pa if quantity in PRESSURES and (unit.absolute or section.basis == "absolute") else 0.0
        )
        return unit.si(low) - below, unit.si(high) - below

    def _loop(self, section: ReadingSection, unit: Unit | None, quantity: Quantity, place: Place) -> Loop | None:
        if section.loop is None:
            return None
        low, high = section.loop
        if low == high:
            self._tell(place, "loop", f"both ends mean {low:g}: give what 4 mA and 20 mA mean, such as [0, 400]")
        if quantity is Quantity.LOOP_CURRENT:
            self._tell(place, "loop", 'loop_current is the current itself: take loop out and give unit = "mA"')
        return Loop(at_4_ma=low, at_20_ma=high) if unit is not None else None

    def _bits(self, section: ReadingSection, place: Place) -> Bits | None:
        if section.bits is None:
            return None
        first, count = section.bits
        if not 1 <= count <= 64:  # noqa: PLR2004 - the widest register there is
            self._tell(place, "bits", f"{count} bits: allowed are 1 to 64")
        if section.order == "little" and (first % 8 or count % 8):
            self._tell(place, "order", "little: only whole bytes have an order; first and count must be multiples of 8")
        return Bits(first=first, count=count, signed=section.signed, little_endian=section.order == "little")

    def _scale(self, section: ReadingSection, place: Place) -> float:
        if section.scale == 0.0:
            self._tell(place, "scale", "with 0 every reading would be the same", 0)
        return section.scale

    # What they claim --------------------------------------------------------------------------------------------------

    def _claim(self, feed: FeedSettings, place: Place) -> None:
        """Two sources for one quantity of one whip would fight over it."""
        for number, reading in enumerate(feed.readings, start=1):
            for claim in sorted(feed.claims_of(reading), key=str):
                whip, quantity = claim
                what = f"{quantity} of whip {whip}" if whip is not None else f"{quantity} of the station"
                if claim in self._claims:
                    where = Place(file=self._file, label=f"{place.label} reading {number}")
                    text = f"{what} comes from {self._claims[claim]} already: which of the two is true?"
                    self._tell(where, "quantity", text, quantity.value)
                    break
                self._claims[claim] = f'[[feed]] "{feed.name}"'

    # Words ------------------------------------------------------------------------------------------------------------

    def _tell(self, place: Place, key: str, message: str, value: object = None) -> None:
        self._problems.append(place.problem(key, message, value))

    def _known(self, place: Place, key: str, whip: str) -> None:
        if whip not in self._whips:
            self._tell(place, key, f"there is no such [[whip]]; {did_you_mean(whip, self._whips)}", whip)

    def _pointer(self, place: Place, key: str, text: str | None) -> Pointer | None:
        return None if text is None else self._tried(place, key, text, pointer)

    def _tried(self, place: Place, key: str, text: str, make: Callable[[str], T]) -> T | None:
        try:
            return make(text)
        except ValueError as error:
            self._tell(place, key, str(error), text)
            return None
