"""Words of a message that say what a person looked at: ticks on a cylinder, and what was found at its valve."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from enum import StrEnum
from typing import TypeVar

from fillguard.core.events import CylinderAttached
from fillguard.core.fitness.checks import Check, Checked, merged, unread
from fillguard.core.fitness.record import Found
from fillguard.core.values import Cylinder, Stamp
from fillguard.intake.formats import UnusableError, shown
from fillguard.settings import did_you_mean

_MOST_WORDS = 16
W = TypeVar("W", bound=StrEnum)


def checks_said(said: Sequence[str]) -> tuple[Check, ...]:
    """The ticks that `said` names. Raises UnusableError, quoting a word that is none."""
    return _words(Check, "checked", said)


def found_said(said: Sequence[str]) -> tuple[Found, ...]:
    """What was found at a valve. Raises UnusableError, quoting a word that is none."""
    return _words(Found, "valve_found", said)


def ticked(checks: Iterable[Check], by: str | None, at: Stamp) -> tuple[Checked, ...]:
    """Each with who and when."""
    return merged((), (Checked(check=check, by=by, utc_s=at.utc_s) for check in checks))


def with_class(event: CylinderAttached, name: str, classes: Mapping[str, Cylinder]) -> CylinderAttached:
    """`event` with the shop's class `name`: it counts once a named person has read what a class cannot say.

    Raises UnusableError for a class that the configuration does not hold.
    """
    known = classes.get(name)
    if known is None:
        hint = did_you_mean(name, classes) if classes else "station.toml has no [[class]]: describe the cylinder"
        raise UnusableError("unknown-class", f"class {shown(name)}: {hint}")
    known = replace(known, serial=event.serial)
    event = replace(event, class_name=name, of_class=known)
    return event if unread(event.checked) else replace(event, cylinder=known)


def _words(kind: type[W], key: str, said: Sequence[str]) -> tuple[W, ...]:
    if len(said) > _MOST_WORDS:
        raise UnusableError(f"bad-{key.replace('_', '-')}", f"{key}: {len(said)} words; at most {_MOST_WORDS}")
    known = {word.value: word for word in kind}
    found = []
    for word in said:
        plain = word.strip().lower().replace(" ", "-").replace("_", "-")
        if plain not in known:
            reason = f"bad-{key.replace('_', '-')}"
            raise UnusableError(reason, f"{key} {shown(word)}: {did_you_mean(plain, known)}")
        found.append(known[plain])
    return tuple(dict.fromkeys(found))
