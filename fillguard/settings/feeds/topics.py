"""Topic templates: `shop/{station}/{whip}/gauge`, what to subscribe to for them, and whether two can meet."""

from collections.abc import Mapping
from dataclasses import dataclass

STATION, WHIP = "{station}", "{whip}"
_LONGEST = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """A template with the station filled in: a level is a word, or None where the name of a whip stands."""

    text: str
    levels: tuple[str | None, ...]
    whips: Mapping[str, str]
    """Word at the level of the whip -> whip id; every word that may stand there."""

    @property
    def names_whip(self) -> bool:
        """True when the topic says which whip."""
        return None in self.levels

    @property
    def subscription(self) -> str:
        """The filter that brings these topics."""
        return "/".join("+" if level is None else level for level in self.levels)

    def topics(self) -> Mapping[str, str | None]:
        """Every topic that fits, with its whip; None where the topic names none."""
        if not self.names_whip:
            return {self.subscription: None}
        return {
            "/".join(word if level is None else level for level in self.levels): whip
            for word, whip in self.whips.items()
        }


def template(text: str, station: str, whips: Mapping[str, str]) -> Template:
    """Take `text` apart. Raises ValueError, saying what is allowed."""
    if len(text) > _LONGEST:
        raise ValueError(f"a topic of more than {_LONGEST} characters")
    if text.startswith(("/", "$")) or "\0" in text:
        raise ValueError("a topic of a sensor starts neither with / nor with $")
    levels = tuple(_level(level, station) for level in text.split("/"))
    if levels.count(None) > 1:
        raise ValueError("{whip} stands in it twice: which one is it?")
    return Template(text=text, levels=levels, whips=whips)


def _level(level: str, station: str) -> str | None:
    if level == WHIP:
        return None
    if level == STATION:
        return station
    if "+" in level or "#" in level:
        raise ValueError(
            f"{level} stands for anything, so two sensors could be taken for one: write {STATION}, {WHIP} or the word "
            "that stands there"
        )
    if "{" in level or "}" in level:
        raise ValueError(f"{level}: a level is a word, {STATION} or {WHIP} as a whole")
    return level


def covers(wide: str, narrow: str) -> bool:
    """True when the topic filter `wide` brings everything that `narrow` does."""
    outer, inner = wide.split("/"), narrow.split("/")
    for index, level in enumerate(outer):
        if level == "#":
            return True
        if index >= len(inner) or inner[index] == "#":
            return False
        if level != "+" and level != inner[index]:
            return False
    return len(outer) == len(inner)
