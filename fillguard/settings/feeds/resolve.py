"""`[[feed]]` tables to `FeedSettings`: everything that is wrong with them at once, each where it stands."""

import json
from collections.abc import Collection, Mapping, Sequence
from typing import TypeVar

from fillguard.core.events import Quantity
from fillguard.settings.feeds.model import (
    AttachSettings,
    FeedSettings,
    Payload,
    PresenceSettings,
    SparkplugSettings,
)
from fillguard.settings.feeds.readings import ReadingResolver
from fillguard.settings.feeds.schema import FEED_KEYS, FeedSection, idle_keys
from fillguard.settings.feeds.telling import Telling
from fillguard.settings.feeds.topics import Template, template
from fillguard.settings.problems import Problem
from fillguard.settings.schema import Place, validated

T = TypeVar("T")
_AT_A_WHIP = frozenset({Quantity.PRESSURE, Quantity.WALL})
_OF_THE_STATION = frozenset({Quantity.AMBIENT, Quantity.BATH})


_SAYS_NO_VALUE = frozenset({Payload.PRESENCE, Payload.ATTACH})


class FeedResolver(Telling):
    """Resolves the feeds of one station.toml; what is wrong is collected in `problems`."""

    def __init__(
        self, file: str, station: str, whips: Collection[str], ambient_abs_pa: float, problems: list[Problem]
    ) -> None:
        """`station` and `whips` are the configured ids, which stand in topics and readings."""
        super().__init__(whips, problems)
        self._file, self._station = file, station
        self._of_readings = ReadingResolver(file, ambient_abs_pa, whips, problems)
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
            self._of_readings.look_into(table, place)
            return None
        before = len(self._problems)
        if section.name in self._names:
            self.tell(place, "name", "another [[feed]] has it already: each needs its own", section.name)
        self._names.add(section.name)
        payload = Payload(section.payload)
        for key in idle_keys(table, FEED_KEYS[payload]):
            self.tell(place, key, f'does nothing with payload = "{payload}": take it out', table[key])
        feed = self._sparkplug(section, place) if payload is Payload.SPARKPLUG else self._on_topics(section, place)
        if feed is None:
            self._of_readings.look_into(table, place)
        if feed is None or len(self._problems) > before:
            return None
        self._claim(feed, place)
        return feed

    # Where it comes from ----------------------------------------------------------------------------------------------

    def _on_topics(self, section: FeedSection, place: Place) -> FeedSettings | None:
        if section.topic is None:
            self.tell(place, "topic", 'is missing; allowed: a topic in quotes, such as "shop/{station}/{whip}/gauge"')
            return None
        whips = self._words(section, place)
        payload = Payload(section.payload)
        shape = self.tried(place, "topic", section.topic, lambda text: template(text, self._station, whips))
        if shape is None:
            return None
        if section.whips is not None and not shape.names_whip and section.whip_at is None:
            self.tell(place, "whips", "the topic has no {whip} level for these words to stand at")
        if section.whip is not None and shape.names_whip:
            self.tell(place, "whip", "the topic names the whip already: take one of the two out", section.whip)
        if section.whip is not None:
            self.known(place, "whip", section.whip)
        for topic in shape.topics():
            if topic in self._topics:
                text = f'[[feed]] "{self._topics[topic]}" reads {topic} already: put the readings into one feed'
                self.tell(place, "topic", text, section.topic)
                break
        topics = {topic: whip or section.whip for topic, whip in shape.topics().items()}
        self._topics.update(dict.fromkeys(topics, section.name))
        measures = payload not in _SAYS_NO_VALUE
        return FeedSettings(
            name=section.name,
            payload=payload,
            topics=topics,
            subscription=shape.subscription,
            readings=self._of_readings.readings(section, place, at_whip=any(topics.values())) if measures else (),
            presence=self._presence(section, shape, place) if payload is Payload.PRESENCE else None,
            attach=self._attach(section, shape, place) if payload is Payload.ATTACH else None,
        )

    def _words(self, section: FeedSection, place: Place) -> Mapping[str, str]:
        """Word at the {whip} level -> whip."""
        if section.whips is None:
            return {whip: whip for whip in self._whips}
        for whip in section.whips.values():
            self.known(place, "whips", whip)
        return section.whips

    def _presence(self, section: FeedSection, shape: Template, place: Place) -> PresenceSettings | None:
        for key, words in (("online", section.online), ("offline", section.offline)):
            if words is None:
                self.tell(place, key, 'is missing; allowed: a list of words, such as ["online"]')
        online = frozenset(json.dumps(word) for word in section.online or ())
        offline = frozenset(json.dumps(word) for word in section.offline or ())
        if both := online & offline:
            self.tell(place, "offline", f"{', '.join(sorted(both))} stands in online as well: what does it mean?")
        named = shape.names_whip or section.whip is not None
        if named == (section.serves is not None):
            text = "say whose gauges are gone with it: by {whip} in the topic, or a list here; one of the two"
            self.tell(place, "serves", text)
        for whip in section.serves or ():
            self.known(place, "serves", whip)
        return PresenceSettings(
            online=online,
            offline=offline,
            at=self.pointer(place, "at", section.at),
            whips=tuple(section.serves or ()),
        )

    def _attach(self, section: FeedSection, shape: Template, place: Place) -> AttachSettings:
        named = shape.names_whip or section.whip is not None
        if named == (section.whip_at is not None):
            text = "say on which whip it hangs: by {whip} in the topic, by whip, or by a JSON pointer here; one of them"
            self.tell(place, "whip_at", text)
        if section.whip_at is not None and section.serial is None:
            self.tell(place, "serial", 'is missing; allowed: a JSON pointer in quotes, such as "/serial"')
        if section.operator is not None and section.serial is None:
            self.tell(place, "operator", "a bare serial has no operator beside it: give serial, or take it out")
        return AttachSettings(
            serial=self.pointer(place, "serial", section.serial),
            operator=self.pointer(place, "operator", section.operator),
            whip=self.pointer(place, "whip_at", section.whip_at),
            whips=self._words(section, place),
            free=frozenset(section.free),
        )

    def _sparkplug(self, section: FeedSection, place: Place) -> FeedSettings | None:
        if section.group is None or section.node is None:
            for key in ("group", "node"):
                if getattr(section, key) is None:
                    self.tell(place, key, f"is missing; allowed: the {key} id of the gateway, as in its topics")
            return None
        subscription = f"spBv1.0/{section.group}/+/{section.node}/#"
        if subscription in self._topics:
            text = f'[[feed]] "{self._topics[subscription]}" reads this node already: put the readings into one feed'
            self.tell(place, "node", text, section.node)
        self._topics[subscription] = section.name
        return FeedSettings(
            name=section.name,
            payload=Payload.SPARKPLUG,
            subscription=subscription,
            readings=self._of_readings.readings(section, place, at_whip=False),
            sparkplug=SparkplugSettings(
                group=section.group,
                node=section.node,
                rebirth=section.rebirth,
                reorder_timeout_s=section.reorder_timeout_s,
            ),
        )

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
                    self.tell(where, "quantity", text, quantity.value)
                    break
                self._claims[claim] = f'[[feed]] "{feed.name}"'
