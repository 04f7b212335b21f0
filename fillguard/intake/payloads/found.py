"""What a payload reader gives: for each reading of a feed the measured value, or why there is none."""

import json
from collections.abc import Callable, Iterable

from fillguard.intake.formats import Measured, UnusableError, shown
from fillguard.settings.feeds import FeedSettings, ReadingSettings

Found = tuple[ReadingSettings, Measured | UnusableError]
Reader = Callable[[bytes, FeedSettings], Iterable[Found]]
"""Raises UnusableError where the message as a whole cannot be used."""

LARGEST = 1e15
"""Beyond it a number is no measurement, and whole numbers are no longer exact."""


def worded(value: object, reading: ReadingSettings) -> float | None:
    """What a word, a boolean or a number in the message stands for, where the feed says so."""
    if not reading.words:
        return None
    return reading.words.get(value if isinstance(value, str) else json.dumps(value, default=str))


def finite(value: object, where: str) -> float:
    """`value` as a number. Raises UnusableError for text, booleans and what is no measurement."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise UnusableError("not-a-number", f"{where} {shown(value)}: a number without quotes is needed")
    if not abs(value) < LARGEST:
        raise UnusableError("not-finite", f"{where} {shown(value)} is no measurement")
    return float(value)
