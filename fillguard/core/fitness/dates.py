"""Dates as they are stamped: a day, or a month alone, which counts to its end."""

import calendar
import re
from dataclasses import dataclass
from datetime import date

from fillguard.core.errors import ConfigurationError

MONTHS_A_YEAR = 12
_WRITTEN = re.compile(r"(\d{4})[-/](\d{1,2})(?:[-/](\d{1,2}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Dated:
    """A day of the calendar, or a whole month where the stamp says no more."""

    year: int
    month: int
    day: int | None = None

    def __post_init__(self) -> None:
        try:
            date(self.year, self.month, self.day or 1)
        except ValueError:
            raise ConfigurationError(f"date {self}: there is no such day; write 2026-03 or 2026-03-31") from None

    def __str__(self) -> str:
        month = f"{self.year:04d}-{self.month:02d}"
        return month if self.day is None else f"{month}-{self.day:02d}"

    @property
    def first(self) -> date:
        """The first day that it can mean."""
        return date(self.year, self.month, self.day or 1)

    @property
    def last(self) -> date:
        """The last day that it can mean."""
        return date(self.year, self.month, self.day or _days_in(self.year, self.month))

    def months_later(self, months: int) -> date:
        """The last day of a period of `months` that began then: the end of its month where no day was stamped.

        From 29 February on, a year without one ends on 28 February.
        """
        years, month = divmod(self.month - 1 + months, MONTHS_A_YEAR)
        year, month = self.year + years, month + 1
        in_month = _days_in(year, month)
        return date(year, month, in_month if self.day is None else min(self.day, in_month))


def written_date(text: str) -> Dated:
    """`2026-03`, `2026/03` or `2026-03-31`. Raises ConfigurationError, also for a day that does not exist."""
    match = _WRITTEN.fullmatch(text.strip())
    if match is None:
        raise ConfigurationError(f"date {text!r}: write year and month, 2026-03, or a day, 2026-03-31")
    year, month, day = match.groups()
    return Dated(year=int(year), month=int(month), day=None if day is None else int(day))


def _days_in(year: int, month: int) -> int:
    return calendar.monthrange(year, month)[1]
