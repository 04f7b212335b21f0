"""Saying what is wrong with a `[[feed]]`: where it stands, what is allowed."""

from collections.abc import Callable, Collection
from typing import TypeVar

from fillguard.settings.feeds.pointers import Pointer, pointer
from fillguard.settings.problems import Problem, did_you_mean
from fillguard.settings.schema import Place

T = TypeVar("T")


class Telling:
    """Collects problems of one station.toml."""

    def __init__(self, whips: Collection[str], problems: list[Problem]) -> None:
        """`whips`: the configured ids."""
        self._whips = list(whips)
        self._problems = problems

    def tell(self, place: Place, key: str, message: str, value: object = None) -> None:
        """`message` about `key` at `place`, quoting `value`."""
        self._problems.append(place.problem(key, message, value))

    def known(self, place: Place, key: str, whip: str) -> None:
        """Complain where there is no such whip."""
        if whip not in self._whips:
            self.tell(place, key, f"there is no such [[whip]]; {did_you_mean(whip, self._whips)}", whip)

    def pointer(self, place: Place, key: str, text: str | None) -> Pointer | None:
        """A JSON pointer, None where there is none or it cannot be used."""
        return None if text is None else self.tried(place, key, text, pointer)

    def tried(self, place: Place, key: str, text: str, make: Callable[[str], T]) -> T | None:
        """What `make` makes of `text`; None where it refuses, which is told."""
        try:
            return make(text)
        except ValueError as error:
            self.tell(place, key, str(error), text)
            return None
