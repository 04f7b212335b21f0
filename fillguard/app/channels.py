"""The channels for whoever sets them up: who is told what and when, how they stand, and a try on the spot."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.clock import SystemClock
from fillguard.core.announcing import channel_test
from fillguard.core.errors import ConfigurationError
from fillguard.core.hours import DAYS, EVERY_DAY, Hours, WeekTime
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.outlets.apprise import AppriseSender
from fillguard.outlets.delivery import Message, SendResult
from fillguard.ports import Route
from fillguard.settings import ChannelSettings, Settings, did_you_mean, load_settings

_DAY_NAMES = {number: name for name, number in DAYS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What became of a try on the spot."""

    channel: str
    result: SendResult


def try_on_the_spot(names: Sequence[str], *, config: Path, environ: Mapping[str, str]) -> Iterator[Tried]:
    """Send a test through these channels, or all of them, one after the other, and say what became of each.

    It goes from here, not from the watch: its address, password and network are proved, and nothing is recorded.
    Raises ConfigurationError for a channel that is not configured, or whose address cannot be used.
    """
    settings = load_settings(config, environ)
    now = datetime.fromtimestamp(SystemClock().now().utc_s, ZoneInfo(settings.station.timezone))
    for channel in _chosen(settings, names):
        said = channel_test(channel.name, station_name=settings.station.name, time_text=f"by hand at {now:%H:%M}")
        sender = AppriseSender(channel.name, channel.url, channel.deadline_s)
        message = Message(title=said.title, body=said.body, kind="test", priority=3)
        yield Tried(channel=channel.name, result=sender.send(message))


def rows(config: Path, environ: Mapping[str, str]) -> list[tuple[str, ...]]:
    """Each channel: what it gets, when, how it stands by the record."""
    settings = load_settings(config, environ)
    zone = ZoneInfo(settings.station.timezone)
    if not settings.ledger.path.exists():
        return [(channel.name, *_told(channel), "-", "never tried") for channel in settings.channels]
    with SqliteLedgerReader(settings.ledger.path) as reader:
        return [
            (channel.name, *_told(channel), str(reader.count_owed(channel.name)), _last(reader, channel.name, zone))
            for channel in settings.channels
        ]


def _chosen(settings: Settings, names: Sequence[str]) -> list[ChannelSettings]:
    known = {channel.name: channel for channel in settings.channels}
    if not known:
        raise ConfigurationError("no channel is configured: docs/how-to/send-alerts-somewhere.md shows how")
    for name in names:
        if name not in known:
            raise ConfigurationError(f"channel {name!r} is not configured: {did_you_mean(name, known)}")
    return [known[name] for name in names or known]


def _told(channel: ChannelSettings) -> tuple[str, str, str]:
    """What, when, what by the clock."""
    route = channel.route
    after_s = route.unacknowledged_after_s
    when = "at once" if after_s is None else f"unacknowledged after {after_s:g} s"
    return _what(route), f"{when}{_hours(route.hours)}", _by_the_clock(channel)


def _what(route: Route) -> str:
    parts = ["priority " + ", ".join(map(str, sorted(route.priorities)))]
    if route.whips is not None:
        parts.append("whips " + ", ".join(sorted(route.whips)))
    if route.alarms is not None:
        parts.append(", ".join(sorted(route.alarms)))
    return "; ".join(parts)


def _hours(hours: Hours | None) -> str:
    if hours is None:
        return ""
    days = "" if hours.days == EVERY_DAY else " " + ", ".join(_DAY_NAMES[day] for day in sorted(hours.days))
    return f"; {_time(hours.from_min)}-{_time(hours.to_min)}{days}, priority 1 always"


def _by_the_clock(channel: ChannelSettings) -> str:
    test_at, due_at = channel.test_at, channel.due_list_at
    parts = [f"test {_time(test_at.minute)}"] if test_at is not None else []
    if due_at is not None:
        parts.append(f"due list {_days(due_at)} {_time(due_at.minute)}")
    return "; ".join(parts) or "nothing"


def _days(at: WeekTime) -> str:
    return ", ".join(_DAY_NAMES[day] for day in sorted(at.days))


def _time(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _last(reader: SqliteLedgerReader, channel: str, zone: ZoneInfo) -> str:
    tried = reader.last_try(channel)
    if tried is None:
        return "never tried"
    at = f"{datetime.fromtimestamp(tried.started_utc_s, zone):%Y-%m-%d %H:%M}"
    return f"{tried.result} {at}{f': {tried.detail}' if tried.detail else ''}"
