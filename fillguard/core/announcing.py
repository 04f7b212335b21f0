"""What channels are told that is no alarm, in plain words: many alarms as one, a test of the channel, what is due."""

from collections.abc import Mapping, Sequence

from fillguard.core.figures import duration
from fillguard.core.words import Notice, alarm_phrase

_LISTED_AT_MOST = 40
"""Lines of a list; a channel cuts or refuses what is much longer."""


def counted(counts: Mapping[str, int]) -> str:
    """`filling too fast 8, gas hot 3`: most frequent first."""
    frequent = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return ", ".join(f"{alarm_phrase(alarm)} {count}" for alarm, count in frequent)


def flood_began(counts: Mapping[str, int], *, station_name: str, time_text: str) -> Notice:
    """More came than a person can take in: from now on only the gravest is told one by one.

    Args:
        counts: alarms that were not told one by one so far, by name.
        station_name: as people call it.
        time_text: when it began, local time.
    """
    lines = (
        f"{station_name}: more alarms than can be told one by one (over 10 within 10 minutes).",
        f"Not told one by one so far: {counted(counts)}." if counts else "",
        "From now on this channel gets only STOP alarms (priority 1) one by one. The board shows everything.",
        "What to do: go to the board, or call somebody who stands there.",
        f"Began {time_text}.",
    )
    return Notice(title="ACT - station: many alarms at once, look at the board", body=_joined(lines))


def flood_over(counts: Mapping[str, int], lasted_s: float, *, station_name: str, time_text: str) -> Notice:
    """Alarms are told one by one again; `counts`: those that were not."""
    total = sum(counts.values())
    lines = (
        f"{station_name}: alarms are told one by one again, after {duration(lasted_s)}.",
        f"Not told one by one: {total} ({counted(counts)})." if counts else "All of them were told one by one.",
        "What still stands is on the board.",
        f"Began {time_text}.",
    )
    return Notice(title="Ended - station: many alarms at once", body=_joined(lines))


def channel_test(channel: str, *, station_name: str, time_text: str) -> Notice:
    """The daily proof that a channel reaches somebody."""
    lines = (
        f"{station_name}: daily test of the channel {channel}, due {time_text}.",
        "Nothing is wrong and nothing is to be done.",
        "On a day on which this does not come, the channel is broken: have it mended before anybody relies on it.",
    )
    return Notice(title=f"Test - {station_name}: this channel works", body=_joined(lines))


def due_list(lines: Sequence[str], within_days: int, *, station_name: str) -> Notice:
    """Cylinders with a test or inspection due within some days, one line each."""
    shown = list(lines[:_LISTED_AT_MOST])
    if len(lines) > len(shown):
        shown.append(f"... and {len(lines) - len(shown)} more: fillguard cylinders due")
    head = f"{station_name}: due within {within_days} days, or overdue:"
    return Notice(title=f"Due - {station_name}: {len(lines)} cylinders", body=_joined([head, *shown]))


def _joined(lines: Sequence[str]) -> str:
    return "\n".join(line for line in lines if line)
