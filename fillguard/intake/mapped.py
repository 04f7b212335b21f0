"""The decoder of mapped topics: what the `[[feed]]` tables say about the messages of foreign sensors."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from fillguard.core.events import Doubt, InEvent, Quality, Quantity, Reading
from fillguard.core.values import Stamp
from fillguard.intake.converting import converted
from fillguard.intake.formats import LARGEST_BYTES, Measured, UnusableError
from fillguard.intake.grading import QUALITY, Channel
from fillguard.intake.nodes import Attended, EdgeNode, Happened
from fillguard.intake.payloads.found import Reader
from fillguard.intake.payloads.plain import hex_found, number_found, text_found
from fillguard.intake.payloads.pointed import json_found
from fillguard.intake.payloads.senml import senml_found
from fillguard.intake.payloads.sparkplug import NAMESPACE
from fillguard.intake.presence import Attendance, is_online
from fillguard.intake.rejections import Rejections
from fillguard.ports import Publication, RawMessage
from fillguard.settings.feeds import FeedSettings, Payload, ReadingSettings

READERS: Mapping[Payload, Reader] = {
    Payload.NUMBER: number_found,
    Payload.TEXT: text_found,
    Payload.JSON: json_found,
    Payload.SENML: senml_found,
    Payload.HEX: hex_found,
}
_IN_TIME = frozenset({None, Doubt.OUT_OF_RANGE, Doubt.STALE, Doubt.SKEWED})


class MappedDecoder:
    """Decodes the topics of `feeds`, and no other. One thread only."""

    def __init__(
        self,
        feeds: Sequence[FeedSettings],
        *,
        ambient_abs_pa: float,
        live_for_s: float,
        rejections: Rejections,
        attendance: Attendance,
        ask: Callable[[Publication], None],
    ) -> None:
        """`live_for_s` holds where a feed gives none of its own; `ask` publishes a request that a feed allows."""
        self._ambient_abs_pa, self._live_for_s = ambient_abs_pa, live_for_s
        self._rejections, self._attendance = rejections, attendance
        self._feeds = {topic: feed for feed in feeds for topic in feed.topics}
        self._nodes = {
            (feed.sparkplug.group, feed.sparkplug.node): (feed, EdgeNode(feed, feed.sparkplug, ask))
            for feed in feeds
            if feed.sparkplug is not None
        }
        self._sources = {*self._feeds, *(node.source for _, node in self._nodes.values())}
        self._channels: dict[str, Channel] = {}
        self.subscriptions = tuple(feed.subscription for feed in feeds)
        self.claims = frozenset[tuple[str | None, Quantity]]().union(*(feed.claims() for feed in feeds))
        """Whip (None: the station) and quantity of everything that the feeds measure."""

    def feed_of(self, topic: str) -> FeedSettings | None:
        """The feed that `topic` belongs to."""
        known = self._feeds.get(topic)
        if known is None and topic.startswith(f"{NAMESPACE}/"):
            found = self._nodes.get(_node_of(topic))
            return found[0] if found is not None else None
        return known

    def measures(self, source: str) -> bool:
        """True when a recorded reading of `source` came by one of the feeds."""
        return source.split("#", 1)[0] in self._sources

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:
        """The events of one message on a known topic; none for a Sparkplug message of no concern."""
        feed = self.feed_of(message.topic)
        if feed is None:
            raise AssertionError(f"no feed reads {message.topic}")
        events: list[InEvent] = []
        try:
            if len(message.payload) > LARGEST_BYTES:
                raise UnusableError("too-large", f"over {LARGEST_BYTES} bytes: send one reading a message")  # noqa: TRY301 - counted below like all others
            for event in self._events(message, feed):
                events.append(event)  # noqa: PERF402 - what came before a refusal stands
        except UnusableError as problem:
            events.append(self._rejections.note(feed.name, message, problem))
        return tuple(events)

    def remember(self, reading: Reading, now: Stamp) -> None:
        """Take over one recorded reading after a restart."""
        self._channel(reading.source).remember(reading, now)

    def missed(self) -> Mapping[str, int]:
        """Sequence numbers that never came, by source."""
        nodes = {node.source: node.missed for _, node in self._nodes.values()}
        return {**{source: channel.missed for source, channel in self._channels.copy().items()}, **nodes}

    def _events(self, message: RawMessage, feed: FeedSettings) -> Iterator[InEvent]:
        if feed.presence is not None:
            yield from self._presence(message, feed)
        elif feed.sparkplug is not None:
            _, node = self._nodes[feed.sparkplug.group, feed.sparkplug.node]
            _, _, kind, _, *device = message.topic.split("/", 4)
            yield from self._told(message, feed, node.source, node.hear(kind, device[0] if device else None, message))
        else:
            yield from self._told(message, feed, message.topic, READERS[feed.payload](message.payload, feed))

    def _told(
        self, message: RawMessage, feed: FeedSettings, source: str, happened: Iterable[Happened]
    ) -> Iterator[InEvent]:
        for told in happened:
            if isinstance(told, Attended):
                for whip in told.whips:
                    yield self._attendance.told(message.arrived, told.source, whip, online=told.online)
                continue
            reading, measured = told
            try:
                if isinstance(measured, UnusableError):
                    raise measured
                yield self._reading(message, feed, source, reading, measured)
            except UnusableError as problem:
                yield self._rejections.note(feed.name, message, problem)

    def _reading(
        self, message: RawMessage, feed: FeedSettings, source: str, reading: ReadingSettings, measured: Measured
    ) -> Reading:
        value = converted(measured, reading, self._ambient_abs_pa)
        if reading.label:
            source = f"{source}#{reading.label}"
        grade = self._channel(source).grade(
            measured,
            message,
            value=value.value,
            in_range=value.in_range,
            live_for_s=reading.live_for_s or self._live_for_s,
        )
        doubt = Doubt.LOOP_FAULT if value.loop_fault and grade.doubt in _IN_TIME else grade.doubt
        return Reading(
            stamp=message.arrived,
            source=source,
            whip=reading.whip or feed.topics.get(message.topic),
            quantity=reading.quantity,
            value=value.value,
            sample_s=grade.sample_s,
            quality=QUALITY[doubt] if value.in_range else Quality.BAD,
            doubt=doubt,
            seq=measured.seq,
            boot=measured.boot,
            device_s=measured.device_s,
        )

    def _presence(self, message: RawMessage, feed: FeedSettings) -> Iterator[InEvent]:
        if feed.presence is None:
            raise AssertionError(f"feed {feed.name} tells no presence")
        online = is_online(message.payload, feed.presence)
        named = feed.topics[message.topic]
        for whip in feed.presence.whips or ((named,) if named is not None else ()):
            yield self._attendance.told(message.arrived, message.topic, whip, online=online)

    def _channel(self, source: str) -> Channel:
        channel = self._channels.get(source)
        if channel is None:
            channel = self._channels[source] = Channel()
        return channel


def _node_of(topic: str) -> tuple[str, str]:
    """Group and edge node of a topic of Sparkplug: `spBv1.0/GROUP/KIND/NODE[/DEVICE]`."""
    _, group, *rest = topic.split("/", 4)
    return group, rest[1] if len(rest) > 1 else ""
