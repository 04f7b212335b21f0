"""The one decoder of a station: mapped topics by its feeds, everything else by the default topics."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

from fillguard.core.events import InEvent, PresenceChanged, Reading
from fillguard.core.rules import WhipRules
from fillguard.core.values import Stamp
from fillguard.intake.attach import Assess
from fillguard.intake.described import Register
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.formats import LARGEST_BYTES, UnusableError
from fillguard.intake.mapped import MappedDecoder
from fillguard.intake.payloads.scanned import scanned
from fillguard.intake.presence import Attendance
from fillguard.intake.rejections import RejectionCount, Rejections
from fillguard.intake.sanity import Sanity
from fillguard.ports import Publication, RawMessage
from fillguard.settings import Settings
from fillguard.settings.feeds import AttachSettings, FeedSettings, covers


class StationDecoder:
    """Decodes everything a station listens to. One thread only, but for `rejections`."""

    def __init__(
        self,
        settings: Settings,
        *,
        station: str | None = None,
        register: Register = lambda _: None,
        assess: Assess = lambda event: event,
        whips: Collection[str] | None = None,
        ask: Callable[[Publication], None] = lambda _: None,
    ) -> None:
        """Decode for the station of `settings`.

        `station`, `register`: others than the configured ones; `whips`: None takes any name for a whip; `ask` publishes
        the request to an edge node that its feed allows.
        """
        self._rejections, self._attendance = Rejections(), Attendance()
        self._station = station or settings.station.id
        self._default = DefaultDecoder(
            self._station,
            register=register,
            assess=assess,
            panel=settings.panel,
            whips=frozenset(whips) if whips is not None else None,
            gauges=settings.gauges,
            ambient_abs_pa=settings.station.ambient_abs_pa,
            live_for_s=settings.extents.live_for_s,
            rejections=self._rejections,
        )
        self._sanity = Sanity(settings.whips, settings.gauges)
        self._mapped = MappedDecoder(
            settings.feeds,
            ambient_abs_pa=settings.station.ambient_abs_pa,
            live_for_s=settings.extents.live_for_s,
            rejections=self._rejections,
            attendance=self._attendance,
            ask=ask,
        )

    def take_over(self, whips: Mapping[str, WhipRules]) -> None:
        """Other ratings of whips hold from here on: questions about sensors are asked by them."""
        self._sanity.take_over(whips)

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """Topic filters that bring everything this decoder understands, none of them twice."""
        filters: list[str] = []
        for wanted in (*self._default.subscriptions, *self._mapped.subscriptions):
            if not any(covers(known, wanted) for known in filters):
                filters = [known for known in filters if not covers(wanted, known)]
                filters.append(wanted)
        return tuple(filters)

    def feed_of(self, topic: str) -> FeedSettings | None:
        """The feed that `topic` belongs to; None for a default or an unknown topic."""
        return self._mapped.feed_of(topic)

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:
        """The events of one message, then the questions they raise. Never raises: no use is `ReadingRejected`."""
        events = self._decoded(message)
        questions = (
            question for event in events if isinstance(event, Reading) for question in self._sanity.look(event)
        )
        return (*events, *questions)

    def _decoded(self, message: RawMessage) -> tuple[InEvent, ...]:
        feed = self._mapped.feed_of(message.topic)
        if feed is not None and feed.attach is not None:
            return self._attached(message, feed, feed.attach)
        if feed is not None:
            return self._mapped.decode(message)
        (event,) = self._default.decode(message)
        match event:
            case Reading() if (event.whip, event.quantity) in self._mapped.claims:
                problem = UnusableError(
                    "mapped-elsewhere", f"a feed measures {event.quantity} here: two would disagree"
                )
                return (self._rejections.note(event.quantity, message, problem),)
            case PresenceChanged():
                return (self._attendance.told(message.arrived, message.topic, event.whip, online=event.online),)
        return (event,)

    def _attached(self, message: RawMessage, feed: FeedSettings, attach: AttachSettings) -> tuple[InEvent, ...]:
        """What a foreign scanner says goes the way of our own topic: same register, same checks, same refusals."""
        try:
            whip, said = scanned(message.payload[: LARGEST_BYTES + 1], attach, feed.topics[message.topic])
        except UnusableError as problem:
            return (self._rejections.note(feed.name, message, problem),)
        topic = f"fill/{self._station}/{whip}/cylinder"
        return self._default.decode(replace(message, topic=topic, payload=said))

    def remember(self, reading: Reading, now: Stamp) -> None:
        """Take over one recorded reading after a restart, oldest first: repeats and backlogs are then known."""
        (self._mapped if self._mapped.measures(reading.source) else self._default).remember(reading, now)

    def rejections(self) -> tuple[RejectionCount, ...]:
        """What could not be used so far, by feed or kind of topic, and reason; from any thread."""
        return self._rejections.counts()

    def missed(self) -> Mapping[str, int]:
        """Sequence numbers that never came, by source, for sources that number their readings."""
        return {**self._default.missed(), **self._mapped.missed()}
