"""What is sent by the clock on the wall: the daily test of each channel, the weekly list of what is due.

A thread of its own, since making a list may take a moment. Each sending is known by the moment it was planned for, so
that a restart sends nothing twice; one that was missed by more than a few hours is left for the next time.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from threading import Event, Thread

from fillguard.core.hours import WeekTime
from fillguard.core.values import Stamp
from fillguard.core.words import Notice
from fillguard.ports import Announced, Clock, OwedNotice

LATE_AT_MOST_S = 6.0 * 3600.0
"""Missed by more than this (nobody was running), it waits for its next time (our choice)."""
_LOOK_EVERY_S = 20.0
TEST, LIST = "test", "list"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Something that a channel is sent regularly."""

    channel: str
    kind: str
    """`test` or `list`."""
    about: str
    """`channel-test`, `due-list`: names the occurrence."""
    at: WeekTime
    make: Callable[[datetime], Notice | None]
    """What to send, for the local moment it was planned for; None: nothing this time. May take a moment."""


class Planner:
    """Sends what is planned, each time once."""

    def __init__(
        self,
        plans: Sequence[Plan],
        *,
        station: str,
        zone: tzinfo,
        clock: Clock,
        owe: Callable[[OwedNotice], None],
        report: Callable[[str], None],
    ) -> None:
        """`owe` takes a notice, from any thread; `report` hears what could not be made."""
        self._plans, self._station, self._zone = plans, station, zone
        self._clock, self._owe, self._report = clock, owe, report
        self._done: dict[int, datetime] = {}
        """Plan -> the newest moment it was carried out for."""
        self._stopping = Event()
        self._thread = Thread(target=self._run, name="planned-notices", daemon=True)

    def start(self) -> None:
        """Begin; nothing is started where nothing is planned."""
        if self._plans:
            self._thread.start()

    def stop(self) -> None:
        """Plan nothing any more; what is being made is not waited for."""
        self._stopping.set()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.look(self._clock.now())
            self._stopping.wait(min(self._clock.real_seconds(_LOOK_EVERY_S), _LOOK_EVERY_S))

    def look(self, now: Stamp) -> None:
        """Send what is due by `now`."""
        local = datetime.fromtimestamp(now.utc_s, self._zone)
        for index, plan in enumerate(self._plans):
            moment = plan.at.last_before(local)
            late_s = now.utc_s - moment.timestamp()
            if late_s > LATE_AT_MOST_S or self._done.get(index) == moment:
                continue
            self._done[index] = moment
            try:
                said = plan.make(moment)
            except Exception as problem:  # noqa: BLE001 - one list that cannot be made must not end all tests: it is told
                self._report(f"{plan.about} for channel {plan.channel} could not be made: {problem!r}")
                continue
            if said is not None:
                self._owe(self._notice(plan, moment, said))

    def _notice(self, plan: Plan, moment: datetime, said: Notice) -> OwedNotice:
        about = Announced(
            stamp=Stamp(mono_s=0.0, utc_s=moment.timestamp()),
            about=plan.about,
            occurrence=f"{self._station}/{plan.about}/{moment:%Y%m%dT%H%M}",
            notice_kind=plan.kind,
            priority=3,
            raised_utc_s=moment.timestamp(),
        )
        return OwedNotice(channel=plan.channel, change=about, title=said.title, body=said.body)
