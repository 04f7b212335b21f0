"""Who is told of what, and when: routes, hours, what nobody acknowledged, one notice instead of a flood.

One thread, no clock of its own: it hears each step and answers with the notices that are owed from then on. What waits
(for hours to begin, for somebody to acknowledge) counts from the raise, in UTC, so that a restart changes nothing:
`resume` takes it up again from the record.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol
from zoneinfo import ZoneInfo

from fillguard.core.alarms import CHATTER_WITHIN_S
from fillguard.core.events import AlarmChanged, AlarmState, Chatter, ClockStepped, InEvent, OutEvent, ServiceChanged
from fillguard.core.figures import duration
from fillguard.core.standing import NO_LONGER_JUDGED
from fillguard.core.values import Stamp
from fillguard.core.words import Notice
from fillguard.outlets.grouping import ChannelFlood, Ended
from fillguard.outlets.mqtt import same_alarm
from fillguard.outlets.routing import CHANNEL_FAILING, wants
from fillguard.ports import Announced, OwedNotice, Route

FLOOD = "alarm-flood"
_CHANNEL = "channel:"
_REMEMBERED_AT_MOST = 2000
"""Occurrences that are not over. With more, the oldest is forgotten: nobody is told of its end, or of it later."""
_CALLING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
_OVER = frozenset({AlarmState.NORMAL, AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


Routes = Callable[[], Sequence[Route]]
"""The routes in force."""


class Words(Protocol):
    """What notices say, in this station's units, time and name."""

    def notice(self, change: AlarmChanged) -> Notice:
        """Of an alarm's change."""

    def flood_began(self, flood: ChannelFlood) -> Notice:
        """Of many alarms at once."""

    def flood_over(self, flood: Ended, ended: Stamp) -> Notice:
        """That alarms are told one by one again."""


@dataclass(slots=True)
class Opened:
    """One occurrence that is not over."""

    raised: AlarmChanged
    last: AlarmChanged
    """Its newest change."""
    told: set[str] = field(default_factory=set)
    """Channels that are owed the raise: they hear of the return, too."""
    waiting: dict[str, float] = field(default_factory=dict)
    """Channel -> when it is told (UTC), unless somebody acknowledges before."""

    @property
    def calls(self) -> bool:
        """True while nobody has acknowledged it and it is still there, as far as anybody knows."""
        returned_unseen = self.last.new is AlarmState.RETURNED_UNACKNOWLEDGED and self.last.reason in NO_LONGER_JUDGED
        return self.last.new in _CALLING or returned_unseen


class Notifier:
    """Decides on notices. Bounded: so many occurrences, one flood a channel."""

    def __init__(self, routes: Routes, words: Words, *, station: str, zone: ZoneInfo) -> None:
        """`routes` are asked for anew each time: a reload changes them. `zone`: in which their hours are meant."""
        self._ask_routes, self._words, self._station, self._zone = routes, words, station, zone
        self._open: dict[str, Opened] = {}
        """By occurrence, oldest first."""
        self._newest: dict[str, str] = {}
        """Alarm -> its newest occurrence."""
        self._floods: dict[str, ChannelFlood] = {}
        self._failing: set[str] = set()
        self._look_at_s = 0.0

    @property
    def channels(self) -> tuple[str, ...]:
        """Every channel there is."""
        return tuple(route.channel for route in self._routes)

    @property
    def _routes(self) -> Sequence[Route]:
        return self._ask_routes()

    def _flood_of(self, channel: str) -> ChannelFlood:
        return self._floods.setdefault(channel, ChannelFlood())

    def resume(self, opened: Iterable[Opened], raises: Iterable[AlarmChanged], now: Stamp) -> None:
        """Take up what an earlier run left: occurrences that are not over, and the raises of the last minutes."""
        for change in raises:
            at = Stamp(mono_s=now.mono_s - (now.utc_s - change.stamp.utc_s), utc_s=change.stamp.utc_s)
            for route in self._routes:
                if wants(route, change) and self._told_at_s(route, change, at) is None:
                    self._flood_of(route.channel).ended(at)
                    self._flood_of(route.channel).takes(change, at)
        for flood in self._floods.values():
            flood.ended(now)
        for each in opened:
            self._remember(each)
            for route in self._routes if each.calls else ():
                if wants(route, each.raised) and route.channel not in each.told:
                    at_s = self._told_at_s(route, each.raised, each.raised.stamp)
                    if at_s is not None:
                        each.waiting[route.channel] = at_s

    def notices(self, cause: InEvent, facts: Sequence[OutEvent]) -> tuple[OwedNotice, ...]:
        """The notices that are owed because of what just happened, or because their time has come."""
        match cause:
            case ServiceChanged(service=service) if service.startswith(_CHANNEL):
                (self._failing.discard if cause.ok else self._failing.add)(service.removeprefix(_CHANNEL))
            case ClockStepped(by_s=by_s):
                self._stepped(by_s)
        owed = [
            notice for fact in facts if isinstance(fact, AlarmChanged) for notice in self._on_alarm(fact, cause.stamp)
        ]
        if not 0.0 <= cause.stamp.utc_s - self._look_at_s < 1.0:
            self._look_at_s = cause.stamp.utc_s
            owed += self._due(cause.stamp)
        return tuple(owed)

    # alarms ---------------------------------------------------------------------------------------------------------

    def _on_alarm(self, change: AlarmChanged, now: Stamp) -> Iterator[OwedNotice]:
        if change.is_raise:
            yield from self._on_raise(change, now)
            return
        opened = self._open.get(change.occurrence)
        if opened is None:
            return
        opened.last = change
        if not opened.calls:
            opened.waiting.clear()
        if change.is_return and opened.told:
            said = self._words.notice(change)
            for channel in (route.channel for route in self._routes if route.channel in opened.told):
                yield _notice(channel, change, said)
            opened.told.clear()  # one return and no more
        if change.new in _OVER:
            self._forget(change.occurrence)

    def _on_raise(self, change: AlarmChanged, now: Stamp) -> Iterator[OwedNotice]:
        before = self._newest.get(same_alarm(change))
        if before is not None:
            self._forget(before)  # raised again before anybody dealt with it: this occurrence has taken over
        opened = Opened(raised=change, last=change)
        self._remember(opened)
        said: Notice | None = None
        for route in self._routes:
            if not wants(route, change) or (change.alarm == CHANNEL_FAILING and route.channel in self._failing):
                continue
            at_s = self._told_at_s(route, change, now)
            if at_s is not None:
                opened.waiting[route.channel] = at_s
            elif not self._flood_of(route.channel).takes(change, now):
                opened.told.add(route.channel)
                said = said or self._words.notice(change)
                yield _notice(route.channel, change, said)

    def _told_at_s(self, route: Route, change: AlarmChanged, now: Stamp) -> float | None:
        """When the channel is told of a raise, if nobody acknowledges before; None: at once."""
        after_s, at_s = route.unacknowledged_after_s, None
        if change.chatter is Chatter.GOES_ON and change.priority != 1:
            after_s = max(after_s or 0.0, CHATTER_WITHIN_S)  # told that it comes and goes: again only if it stays
        if after_s is not None:
            at_s = change.raised_utc_s + after_s
        if change.priority != 1 and route.hours is not None:
            local = self._local(now.utc_s if at_s is None else at_s)
            if not route.hours.holds(local):
                at_s = route.hours.next_start(local).timestamp()
        return at_s

    # what waits -----------------------------------------------------------------------------------------------------

    def _due(self, now: Stamp) -> Iterator[OwedNotice]:
        for opened in self._open.values():
            for channel in [name for name, at_s in opened.waiting.items() if at_s <= now.utc_s]:
                del opened.waiting[channel]
                if not self._flood_of(channel).takes(opened.raised, now):
                    opened.told.add(channel)
                    yield self._later(opened.raised, channel, now)
        for channel, flood in self._floods.items():
            if flood.is_to_be_told(now) and flood.began is not None:
                about = self._about_flood("raise", flood.began, flood.began, flood.stands_for)
                yield _notice(channel, about, self._words.flood_began(flood))
            over = flood.ended(now)
            if over is not None and over.told:
                about = self._about_flood("return", over.began, now, over.stands_for)
                yield _notice(channel, about, self._words.flood_over(over, now))

    def _later(self, raised: AlarmChanged, channel: str, now: Stamp) -> OwedNotice:
        """The raise, told to somebody who would not have been told if anybody had acknowledged it."""
        said = self._words.notice(raised)
        waited = duration(max(now.utc_s - raised.raised_utc_s, 0.0))
        body = f"{said.body}\nNobody has acknowledged it, {waited} after it was raised."
        return OwedNotice(channel=channel, change=raised, title=f"{said.title} (not acknowledged)", body=body)

    def _about_flood(self, kind: str, began: Stamp, at: Stamp, stands_for: Sequence[str]) -> Announced:
        return Announced(
            stamp=at,
            about=FLOOD,
            occurrence=f"{self._station}/{FLOOD}/{datetime.fromtimestamp(began.utc_s, UTC):%Y%m%dT%H%M%SZ}",
            notice_kind=kind,
            priority=2,
            raised_utc_s=began.utc_s,
            stands_for=tuple(stands_for),
        )

    # what is remembered ---------------------------------------------------------------------------------------------

    def _remember(self, opened: Opened) -> None:
        self._open[opened.raised.occurrence] = opened
        self._newest[same_alarm(opened.raised)] = opened.raised.occurrence
        if len(self._open) > _REMEMBERED_AT_MOST:
            self._forget(next(iter(self._open)))

    def _forget(self, occurrence: str) -> None:
        opened = self._open.pop(occurrence, None)
        if opened is not None and self._newest.get(same_alarm(opened.raised)) == occurrence:
            del self._newest[same_alarm(opened.raised)]

    def _stepped(self, by_s: float) -> None:
        """UTC was set: what waits waits for as long as before."""
        self._look_at_s += by_s
        for opened in self._open.values():
            opened.waiting = {channel: at_s + by_s for channel, at_s in opened.waiting.items()}
        for flood in self._floods.values():
            flood.stepped(by_s)

    def _local(self, utc_s: float) -> datetime:
        return datetime.fromtimestamp(utc_s, self._zone)


def _notice(channel: str, change: AlarmChanged | Announced, said: Notice) -> OwedNotice:
    return OwedNotice(channel=channel, change=change, title=said.title, body=said.body)
