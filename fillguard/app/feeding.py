"""Trying feeds before they are trusted: what messages become, what a configuration misses in them, what is unknown."""

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib.resources import files
from pathlib import Path

from fillguard.app.hearing import Progress, hear
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import (
    CylinderAttached,
    CylinderDetached,
    InEvent,
    PresenceChanged,
    Quantity,
    Reading,
    ReadingRejected,
    ServiceChanged,
)
from fillguard.core.units import bar_from_pa, c_from_k
from fillguard.intake.capture import read_capture
from fillguard.intake.discovering import proposal
from fillguard.intake.station import StationDecoder
from fillguard.ports import RawMessage
from fillguard.settings import Settings, did_you_mean, load_settings
from fillguard.settings.units import PRESSURES, TEMPERATURES

VERSION = 1
MOST_TOPICS = 200
"""Unknown topics that are looked at; a broker of a whole works has more than a person can read."""
_SAMPLES = 20

Line = dict[str, object]


def try_feed(
    name: str,
    config: Path,
    environ: Mapping[str, str],
    *,
    messages: Iterable[RawMessage] | None,
    live_s: float,
    progress: Progress,
) -> Iterator[Line]:
    """What the messages of one feed become: those given, or what the broker brings in `live_s` seconds.

    Raises:
        ConfigurationError: the configuration cannot be used, or has no such feed.
        CaptureError: while iterating, at a malformed line of a capture.
    """
    settings = load_settings(config, environ)
    feed = next((feed for feed in settings.feeds if feed.name == name), None)
    if feed is None:
        known = [feed.name for feed in settings.feeds]
        hint = did_you_mean(name, known) if known else "station.toml has no [[feed]] yet"
        raise ConfigurationError(f"there is no feed {name!r}: {hint}")
    if messages is None:
        messages = hear(settings, [feed.subscription], clock=SystemClock(), seconds=live_s, progress=progress)
    decoder = StationDecoder(settings, whips=settings.whips)
    others = 0
    for message in messages:
        if decoder.feed_of(message.topic) != feed:
            others += 1
            continue
        for event in decoder.decode(message):
            yield line_of(event, message)
    if others:
        progress(f"{others} messages were on topics of no concern to this feed")


def presets() -> Mapping[str, str]:
    """Blocks to begin with, by name; the first line of each says what it is."""
    folder = files("fillguard").joinpath("data", "feeds")
    found = {item.name.removesuffix(".toml"): item.read_text(encoding="utf-8") for item in folder.iterdir()}
    return dict(sorted(found.items()))


def line_of(event: InEvent, message: RawMessage) -> Line:
    """What one event says, in trade units."""
    head: Line = {"v": VERSION, "t": round(message.arrived.utc_s, 3), "topic": message.topic}
    match event:
        case Reading():
            value, unit = _in_trade_units(event.quantity, event.value)
            return {
                **head,
                "kind": "reading",
                "source": event.source,
                "whip": event.whip,
                "quantity": event.quantity.value,
                "value": value,
                "unit": unit,
                "sample_t": event.sample_s,
                "seq": event.seq,
                "quality": event.quality.value,
                "doubt": event.doubt.value if event.doubt is not None else None,
            }
        case ReadingRejected():
            return {**head, "kind": "rejected", "reason": event.reason, "detail": event.detail, "sample": event.sample}
        case CylinderAttached() | CylinderDetached():
            serial = event.serial if isinstance(event, CylinderAttached) else None
            return {**head, "kind": "attach", "whip": event.whip, "serial": serial, "operator": event.operator}
        case PresenceChanged():
            return {**head, "kind": "presence", "whip": event.whip, "online": event.online}
        case ServiceChanged():
            return {**head, "kind": "question", "whip": event.whip, "settled": event.ok, "detail": event.detail}
        case _:
            return {**head, "kind": type(event).__name__}


def _in_trade_units(quantity: Quantity, value: float) -> tuple[float, str]:
    if quantity in PRESSURES:
        return round(bar_from_pa(value), 3), "bar gauge"
    if quantity in TEMPERATURES:
        return round(c_from_k(value), 2), "C"
    if quantity is Quantity.LOOP_CURRENT:
        return round(value * 1e3, 3), "mA"
    return round(value * 1e2, 4), "%"


def sample(lines: Iterable[bytes], topic: str | None) -> Iterator[RawMessage]:
    """The messages of a capture file; with `topic` instead one message on it, which is all that `lines` hold.

    Raises:
        CaptureError: while iterating, at the first line that is none of a capture.
    """
    if topic is None:
        yield from read_capture(lines)
        return
    yield RawMessage(arrived=SystemClock().now(), topic=topic, payload=b"".join(lines).rstrip(b"\r\n"))


def dead_readings(config: Path, environ: Mapping[str, str], messages: Iterable[RawMessage]) -> list[str]:
    """What the feeds expect and `messages` never gave: dead pointers, names that nobody sends, silent topics."""
    settings = load_settings(config, environ)
    decoder = StationDecoder(settings, whips=settings.whips)
    came = dict.fromkeys((feed.name for feed in settings.feeds), 0)
    gave: set[str] = set()
    why: dict[str, str] = {}
    for message in messages:
        feed = decoder.feed_of(message.topic)
        if feed is None:
            continue
        came[feed.name] += 1
        for event in decoder.decode(message):
            if isinstance(event, Reading):
                gave.add(f"{feed.name}#{event.source.partition('#')[2]}")
            elif isinstance(event, ReadingRejected):
                why.setdefault(feed.name, event.detail)
    dead = []
    for feed in settings.feeds:
        if not came[feed.name]:
            dead.append(f'[[feed]] "{feed.name}": no message of the sample is on its topics')
        for number, reading in enumerate(feed.readings, start=1):
            if came[feed.name] and f"{feed.name}#{reading.label}" not in gave:
                because = f"; first refusal: {why[feed.name]}" if feed.name in why else ""
                dead.append(f'[[feed]] "{feed.name}" reading {number}: no message of the sample gave it{because}')
    return dead


def discover(config: Path, environ: Mapping[str, str], *, seconds: float, progress: Progress) -> Iterator[str]:
    """Listen to everything for `seconds`, then propose a `[[feed]]` for each topic that nothing is known of."""
    settings = load_settings(config, environ)
    decoder = StationDecoder(settings, whips=settings.whips)
    known = decoder.subscriptions
    unknown: dict[str, deque[bytes]] = {}
    more = heard = 0
    for message in hear(settings, ["#"], clock=SystemClock(), seconds=seconds, progress=progress):
        heard += 1
        if decoder.feed_of(message.topic) is not None or message.topic.startswith(_own(settings)):
            continue
        if message.topic not in unknown and len(unknown) >= MOST_TOPICS:
            more += 1
            continue
        unknown.setdefault(message.topic, deque(maxlen=_SAMPLES)).append(message.payload)
    progress(f"{heard} messages, {len(unknown)} unknown topics (subscribed now: {', '.join(known)})")
    if more:
        progress(f"{more} messages on still more topics were passed over: at most {MOST_TOPICS} are looked at")
    yield from _proposals(unknown, settings)


def _proposals(unknown: Mapping[str, Sequence[bytes]], settings: Settings) -> Iterator[str]:
    """One block for each shape of topic: four whips of one kind make one feed."""
    told: set[str] = set()
    names = {feed.name for feed in settings.feeds}
    for topic in sorted(unknown):
        name = _free_name(topic, names)
        block = proposal(name, topic, list(unknown[topic]), settings.station.id, list(settings.whips))
        shape = block.partition("topic = ")[2].partition("\n")[0] or block
        if shape not in told:
            told.add(shape)
            names.add(name)
            yield f"# seen on {topic!r}\n{block}"


def _own(settings: Settings) -> tuple[str, ...]:
    """Where the default topics and our own messages stand."""
    return f"fill/{settings.station.id}/", f"fillguard/{settings.station.id}/"


def _free_name(topic: str, taken: set[str]) -> str:
    word = "".join(c if c.isascii() and c.isalnum() else "-" for c in topic).strip("-")[-24:].strip("-") or "feed"
    return next(name for n in range(len(taken) + 1) if (name := word if n == 0 else f"{word}-{n}") not in taken)
