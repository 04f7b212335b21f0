"""`[[channel]]` of station.toml: where notices go, which of them, and when."""

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from fillguard.core.hours import DAYS, EVERY_DAY, Hours, WeekTime, minute_of_day
from fillguard.ports import Route
from fillguard.settings.schema import Section, choice, number, refusal, text
from fillguard.settings.station import FilePath, Name

_TIME = r"([01]\d|2[0-3]):[0-5]\d"
_ALL = frozenset({1, 2, 3})
_USUAL = frozenset({1, 2})


class ChannelSection(Section):
    """`[[channel]]`: where notices go. The address carries the password, so it may stand elsewhere."""

    name: Name
    url: Annotated[str | None, text("an Apprise address, such as json://host:port/path", pattern=r"^\S+://\S+$")] = None
    url_file: FilePath | None = None
    url_env: Annotated[
        str | None, text("the name of an environment variable that holds the address", pattern=r"^[A-Za-z_]\w*$")
    ] = None
    priorities: Annotated[
        list[Annotated[int, number(1, 3, "")]] | None,
        Field(min_length=1, description="a list of 1, 2, 3 or some of them"),
    ] = None
    whips: Annotated[
        list[str] | None, Field(min_length=1, description="a list of whip ids in quotes; leave it out for all of them")
    ] = None
    alarms: Annotated[
        list[str] | None, Field(min_length=1, description="a list of alarms in quotes; leave it out for all of them")
    ] = None
    hours: Annotated[str | None, text('hours of the day like "07:00-22:00"', pattern=rf"^{_TIME}-{_TIME}$")] = None
    days: Annotated[
        list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] | None,
        choice('a list of days, such as ["mon", "tue"]; leave it out for all of them'),
    ] = None
    unacknowledged_after_s: Annotated[float | None, number(10, 86400, "seconds; leave it out to be told at once")] = (
        None
    )
    test_at: Annotated[str | None, text('a time of day like "08:15"', pattern=rf"^{_TIME}$")] = None
    due_list_at: Annotated[
        str | None, text('a day and a time like "mon 08:00"', pattern=rf"^({'|'.join(DAYS)}) {_TIME}$")
    ] = None
    due_within_days: Annotated[int, number(1, 400, "days")] = 30
    deadline_s: Annotated[float, number(1, 45, "seconds")] = 10.0
    """Shorter than the ledger leaves a try alone for which it has no result."""

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if sum(bool(source) for source in (self.url, self.url_file, self.url_env)) != 1:
            raise refusal("give exactly one of url, url_file, url_env")
        if self.days is not None and (self.hours is None or not self.days):
            raise refusal('days belong to hours: give both, "00:00-00:00" is the whole day')
        return self

    def route(self) -> Route:
        """Which notices it gets, and when."""
        return Route(
            channel=self.name,
            priorities=frozenset(self.priorities) if self.priorities else _USUAL if self.alarms is None else _ALL,
            whips=None if self.whips is None else frozenset(self.whips),
            alarms=None if self.alarms is None else frozenset(self.alarms),
            hours=self._hours(),
            unacknowledged_after_s=self.unacknowledged_after_s,
        )

    def test_time(self) -> WeekTime | None:
        """When it is tested each day."""
        return None if self.test_at is None else WeekTime(minute=minute_of_day(self.test_at))

    def due_list_time(self) -> WeekTime | None:
        """When it is sent the list of what is due each week."""
        if self.due_list_at is None:
            return None
        day, at = self.due_list_at.split(" ")
        return WeekTime(minute=minute_of_day(at), days=frozenset({DAYS[day]}))

    def _hours(self) -> Hours | None:
        if self.hours is None:
            return None
        begin, end = map(minute_of_day, self.hours.split("-"))
        days = EVERY_DAY if self.days is None else frozenset(DAYS[day] for day in self.days)
        return Hours(from_min=begin, to_min=end, days=days)


def unknown_names(section: ChannelSection, known: Mapping[str, list[str]]) -> list[tuple[str, str]]:
    """Key and name of what a channel asks for and nobody has; `known`: by key, `whips` and `alarms`."""
    asked = {"whips": section.whips or [], "alarms": section.alarms or []}
    return [(key, name) for key, names in asked.items() for name in names if name not in known[key]]
