"""The decoder of the default topics: one message in, its events out, whatever the bytes."""

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from fillguard.core.events import (
    CylinderAttached,
    CylinderDetached,
    InEvent,
    PresenceChanged,
    Quality,
    Quantity,
    Reading,
)
from fillguard.core.units import STANDARD_ATMOSPHERE_PA
from fillguard.core.values import Stamp
from fillguard.intake.attach import Assess, attach_event
from fillguard.intake.canary import canary_event
from fillguard.intake.commands import command_event, command_id
from fillguard.intake.described import Register
from fillguard.intake.formats import LARGEST_BYTES, UnusableError, json_measured, sample_of, shown
from fillguard.intake.grading import QUALITY, Channel
from fillguard.intake.measures import ELECTRICAL_RANGES, Range, si_value
from fillguard.intake.rejections import RejectionCount, Rejections
from fillguard.ports import RawMessage
from fillguard.settings.panel import PanelSettings

MOST_WHIPS = 64
"""Names that are taken for whips when the configuration lists none: a bound for memory, far above any panel."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_WHIP_QUANTITIES = {"pressure": Quantity.PRESSURE, "wall": Quantity.WALL}
_STATION_QUANTITIES = {"ambient": Quantity.AMBIENT, "bath": Quantity.BATH}
_UNKNOWN = "other"
_ATTACHES_REMEMBERED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """What one topic carries."""

    kind: str
    """`pressure`, `wall`, `ambient`, `bath`, `cylinder`, `presence`, `command`, `canary`: counts go by it."""
    whip: str | None = None
    quantity: Quantity | None = None


_SAID_BY_PEOPLE = frozenset({"cylinder", "command"})


class DefaultDecoder:
    """Decodes `fill/{station}/...` and `fillguard/{station}/command`. One thread only, but for `rejections`.

    Every message gives at least one event, so that its acknowledgement always has a step to ride on.
    """

    def __init__(
        self,
        station: str,
        *,
        register: Register,
        assess: Assess = lambda event: event,
        panel: PanelSettings | None = None,
        whips: frozenset[str] | None = None,
        gauges: Mapping[str, tuple[str, ...]] | None = None,
        ambient_abs_pa: float = STANDARD_ATMOSPHERE_PA,
        live_for_s: float = 5.0,
        rejections: Rejections | None = None,
        ranges: Mapping[Quantity, Range] = ELECTRICAL_RANGES,
    ) -> None:
        self._station = station
        self._register, self._assess, self._panel = register, assess, panel
        self._whips, self._gauges = whips, gauges or {}
        self._ambient_abs_pa = ambient_abs_pa
        self._live_for_s = live_for_s
        self._ranges = {**ELECTRICAL_RANGES, **ranges}
        self._feeds: dict[str, Feed] = {}
        self._channels: dict[str, Channel] = {}
        self._attached: dict[str, deque[int]] = {}
        """Topic -> hashes of the last messages that attached or detached."""
        self._rejections = rejections or Rejections()
        self._events: Mapping[str, Callable[[RawMessage, Feed], InEvent]] = {
            "cylinder": self._attach,
            "presence": self._presence,
            "command": lambda message, _: command_event(message),
            "canary": lambda message, _: canary_event(message),
        }

    @property
    def subscriptions(self) -> tuple[str, ...]:
        """Topic filters that bring everything this decoder understands."""
        return f"fill/{self._station}/#", f"fillguard/{self._station}/command"

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:
        """The events of one message, stamped with its arrival; `ReadingRejected` for what cannot be used."""
        kind = _UNKNOWN
        try:
            feed = self._feeds.get(message.topic) or self._feed(message.topic)
            kind = feed.kind
            if len(message.payload) > LARGEST_BYTES:
                raise UnusableError("too-large", f"over {LARGEST_BYTES} bytes: send one reading a message")  # noqa: TRY301 - counted below like all others
            event = self._events.get(kind, self._reading)(message, feed)
            return (self._assess(event) if kind in _SAID_BY_PEOPLE else event,)
        except UnusableError as problem:
            rejected = self._rejections.note(kind, message, problem)
            return (replace(rejected, command_id=command_id(message.payload)) if kind == "command" else rejected,)

    def remember(self, reading: Reading, now: Stamp) -> None:
        """Take over one recorded reading after a restart, oldest first: repeats and backlogs are then known."""
        self._channel(reading.source).remember(reading, now)

    def rejections(self) -> tuple[RejectionCount, ...]:
        """What could not be used so far, by kind of topic and reason; from any thread."""
        return self._rejections.counts()

    def missed(self) -> Mapping[str, int]:
        """Sequence numbers that never came, by topic, for sources that number their readings."""
        return {topic: channel.missed for topic, channel in self._channels.copy().items()}

    def _reading(self, message: RawMessage, feed: Feed) -> Reading:
        quantity = feed.quantity
        if quantity is None:
            raise AssertionError(f"feed {feed.kind} has no quantity")
        measured = json_measured(message.payload)
        value = si_value(measured.value, measured.unit, quantity, self._ambient_abs_pa)
        low, high = self._ranges[quantity]
        in_range = low <= value <= high
        grade = self._channel(message.topic).grade(
            measured, message, value=value, in_range=in_range, live_for_s=self._live_for_s
        )
        return Reading(
            stamp=message.arrived,
            source=message.topic,
            whip=feed.whip,
            quantity=quantity,
            value=value,
            sample_s=grade.sample_s,
            quality=QUALITY[grade.doubt] if in_range else Quality.BAD,
            doubt=grade.doubt,
            seq=measured.seq,
            boot=measured.boot,
            device_s=measured.device_s,
        )

    def _channel(self, topic: str) -> Channel:
        channel = self._channels.get(topic)
        if channel is None:
            channel = self._channels[topic] = Channel()
        return channel

    def _attach(self, message: RawMessage, feed: Feed) -> CylinderAttached | CylinderDetached:
        """A broker repeats stored and unacknowledged messages after each reconnect; a person did not attach again."""
        before = self._attached.setdefault(message.topic, deque(maxlen=_ATTACHES_REMEMBERED))
        said = hash(message.payload)
        if (message.retained or message.duplicate) and said in before:
            raise UnusableError("repeated", "the broker sent an earlier message on this topic again: nothing changed")
        event = attach_event(
            message.payload, stamp=message.arrived, whip=_whip_of(feed), register=self._register, panel=self._panel
        )
        for stage in event.stages if isinstance(event, CylinderAttached) else ():
            self._known_whip(stage.whip)
        before.append(said)
        return event

    def _presence(self, message: RawMessage, feed: Feed) -> PresenceChanged:
        word = message.payload.strip()
        if word not in (b"online", b"offline"):
            raise UnusableError(
                "bad-presence", f"presence {shown(sample_of(word))}: send online or offline, without quotes"
            )
        return PresenceChanged(stamp=message.arrived, whip=_whip_of(feed), online=word == b"online")

    def _feed(self, topic: str) -> Feed:
        """Find out what `topic` carries, and keep it: bounded, since only known shapes of known whips are kept."""
        feed = self._find(topic.split("/"))
        if feed is None:
            raise UnusableError(
                "unknown-topic",
                f"topic {shown(topic)}: readings come on fill/{self._station}/WHIP/pressure and the like",
            )
        self._feeds[topic] = feed
        return feed

    def _find(self, levels: list[str]) -> Feed | None:
        match levels:
            case ["fill", self._station, leaf] if leaf in _STATION_QUANTITIES:
                return Feed(kind=leaf, quantity=_STATION_QUANTITIES[leaf])
            case ["fill", self._station, gauge, "pressure" | "presence" as leaf] if gauge in self._gauges:
                # A shared gauge's readings come under its own name, too: to the rest it is its first whip.
                return Feed(kind=leaf, whip=self._gauges[gauge][0], quantity=_WHIP_QUANTITIES.get(leaf))
            case ["fill", self._station, whip, leaf] if leaf in _WHIP_QUANTITIES:
                return Feed(kind=leaf, whip=self._known_whip(whip), quantity=_WHIP_QUANTITIES[leaf])
            case ["fill", self._station, whip, "cylinder" | "presence" as leaf]:
                return Feed(kind=leaf, whip=self._known_whip(whip))
            case ["fillguard", self._station, "command" | "canary" as leaf]:
                return Feed(kind=leaf)
        return None

    def _known_whip(self, whip: str) -> str:
        if self._whips is not None:
            if whip not in self._whips:
                raise UnusableError(
                    "unknown-whip", f"whip {shown(whip)} is not configured: there are {', '.join(sorted(self._whips))}"
                )
            return whip
        if not _NAME.fullmatch(whip):
            raise UnusableError("unknown-whip", f"whip {shown(whip)}: a name is 1 to 32 letters, digits, - and _")
        names = {feed.whip for feed in self._feeds.values()}
        if whip not in names and len(names) >= MOST_WHIPS:
            raise UnusableError(
                "too-many-whips",
                f"whip {shown(whip)} would be one of more than {MOST_WHIPS}: list the whips in the configuration",
            )
        return whip


def _whip_of(feed: Feed) -> str:
    if feed.whip is None:
        raise AssertionError(f"feed {feed.kind} has no whip")
    return feed.whip
