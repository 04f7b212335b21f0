"""Hours of the week, in the time on the wall: when somebody wants to be told, and when something is done each day."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

DAYS: Mapping[str, int] = {"mon": 0, "tue": 1, "wed": 2, "thu": 3, "fri": 4, "sat": 5, "sun": 6}
EVERY_DAY = frozenset(DAYS.values())
_MINUTES_A_DAY = 1440


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """From one minute of the day to another, on some days of the week.

    Over midnight where the second is not later than the first; such a night belongs to the day on which it begins.
    """

    from_min: int
    to_min: int
    days: frozenset[int] = EVERY_DAY

    def holds(self, at: datetime) -> bool:
        """True when `at`, local time, lies within."""
        minute = at.hour * 60 + at.minute
        if self.from_min < self.to_min:
            return self.from_min <= minute < self.to_min and at.weekday() in self.days
        if minute >= self.from_min:
            return at.weekday() in self.days
        return minute < self.to_min and (at.weekday() - 1) % 7 in self.days

    def next_start(self, after: datetime) -> datetime:
        """When they begin next, later than `after`."""
        return WeekTime(minute=self.from_min, days=self.days).next_after(after)


@dataclass(frozen=True, slots=True, kw_only=True)
class WeekTime:
    """A minute of the day, on some days of the week."""

    minute: int
    days: frozenset[int] = EVERY_DAY

    def next_after(self, after: datetime) -> datetime:
        """The first such moment later than `after`."""
        return self._first(after, 1)

    def last_before(self, at: datetime) -> datetime:
        """The newest such moment that is not later than `at`."""
        return self._first(at, -1)

    def _first(self, at: datetime, step: int) -> datetime:
        midnight = at.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
        for days in range(8):
            moment = (midnight + timedelta(days=days * step)).replace(hour=self.minute // 60, minute=self.minute % 60)
            if moment.weekday() in self.days and (moment > at if step > 0 else moment <= at):
                return moment
        raise AssertionError(f"no day of the week in {self.days}")


def minute_of_day(text: str) -> int:
    """`07:30` as minutes after midnight. Raises ValueError."""
    hour, _, minute = text.partition(":")
    minutes = int(hour) * 60 + int(minute)
    if not (len(hour) == len(minute) == 2 and int(minute) < 60 and 0 <= minutes < _MINUTES_A_DAY):  # noqa: PLR2004 - HH:MM
        raise ValueError(f"{text!r} is no time of day like 07:30")
    return minutes
