"""What is said of an alarm and of the station itself, in this station's units, time and name."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

from fillguard.app.cylinders import cylinders_due
from fillguard.core import announcing
from fillguard.core.events import AlarmChanged
from fillguard.core.rules import Rules
from fillguard.core.values import Stamp
from fillguard.core.words import Notice, UnitChoice, alarm_text, notice
from fillguard.outlets.grouping import ChannelFlood, Ended
from fillguard.outlets.planning import LIST, TEST, Plan
from fillguard.settings import Settings


@dataclass(slots=True, kw_only=True)
class Speech:
    """What is said of an alarm, in this station's units and time. Settings and rules change as a whole, by a reload."""

    settings: Settings
    rules: Rules
    units: UnitChoice
    drill: bool

    @property
    def zone(self) -> ZoneInfo:
        """The station's time zone."""
        return ZoneInfo(self.settings.station.timezone)

    def text(self, change: AlarmChanged) -> str:
        """One paragraph for MQTT and board."""
        return alarm_text(change, self.rules.alarms[change.alarm], self.units)

    def action(self, change: AlarmChanged) -> str:
        """What to do, as in the alarm's record."""
        return self.rules.alarms[change.alarm].action

    def notice(self, change: AlarmChanged) -> Notice:
        """Title and body for a channel."""
        return notice(
            change,
            self.rules.alarms[change.alarm],
            self.units,
            station_name=self.settings.station.name,
            time_text=self._time(change.raised_utc_s),
            drill=self.drill,
        )

    def flood_began(self, flood: ChannelFlood) -> Notice:
        """Many alarms at once, for a channel that is told of them as one."""
        began_s = flood.began.utc_s if flood.began is not None else 0.0
        said = announcing.flood_began(
            flood.counts, station_name=self.settings.station.name, time_text=self._time(began_s)
        )
        return self._marked(said)

    def flood_over(self, flood: Ended, ended: Stamp) -> Notice:
        """Alarms are told one by one again."""
        said = announcing.flood_over(
            flood.counts,
            ended.mono_s - flood.began.mono_s,
            station_name=self.settings.station.name,
            time_text=self._time(flood.began.utc_s),
        )
        return self._marked(said)

    def test(self, channel: str, moment: datetime) -> Notice:
        """The daily test of a channel."""
        time_text = f"{moment:%Y-%m-%d %H:%M %Z}"
        name = self.settings.station.name
        return self._marked(announcing.channel_test(channel, station_name=name, time_text=time_text))

    def due_list(self, within_days: int, moment: datetime) -> Notice | None:
        """Cylinders with something due; None where there are none. Owners stay in the register."""
        found = cylinders_due(self.settings, moment.date(), within_days)
        lines = [f"{due.on}: {record.serial}, {due.what}" for record, due in found]
        if not lines:
            return None
        return self._marked(announcing.due_list(lines, within_days, station_name=self.settings.station.name))

    def _time(self, utc_s: float) -> str:
        return f"{datetime.fromtimestamp(utc_s, self.zone):%Y-%m-%d %H:%M:%S %Z}"

    def _marked(self, said: Notice) -> Notice:
        """Marked as practice where it is."""
        if not self.drill:
            return said
        return Notice(title=f"DRILL {said.title}", body=f"DRILL: practice, nothing of this is real.\n{said.body}")


def plans(speech: Speech) -> Iterator[Plan]:
    """What the channels of a station are sent by the clock on the wall."""
    for channel in speech.settings.channels:
        name = channel.name
        if channel.test_at is not None:
            make = partial(speech.test, name)
            yield Plan(channel=name, kind=TEST, about="channel-test", at=channel.test_at, make=make)
        if channel.due_list_at is not None:
            listing = partial(speech.due_list, channel.due_within_days)
            yield Plan(channel=name, kind=LIST, about="due-list", at=channel.due_list_at, make=listing)
