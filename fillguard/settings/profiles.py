"""profiles.toml: the rules of each jurisdiction with their sources, and a shop's own stricter ones."""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

from pydantic import Field

from fillguard.core.fitness.profiles import JurisdictionProfile, Source
from fillguard.core.fitness.verdict import GRAVITY, Level
from fillguard.settings.problems import Problem
from fillguard.settings.schema import Place, Section, choice, number, text

_NOT_RULES = frozenset({"name", "sources"})
_SETS = frozenset({"plus_specifications", "accepted_marks"})
_OWN_SOURCE = "the shop's own rule, station.toml [profile]"


class ProfileSection(Section):
    """`[profile]`: a shop's own rules. Each may only be stricter than the jurisdiction's."""

    name: Annotated[str, text("a short name for the shop's own rules")]
    reviewed: Annotated[
        str, text("the day on which somebody last compared them with the codes", pattern=r"^\d{4}-\d{2}-\d{2}$")
    ]
    test_interval_months: Annotated[int | None, number(1, 240, "months")] = None
    inspection_interval_months: Annotated[int | None, number(1, 120, "months")] = None
    inspection_overridable: Annotated[Literal[False] | None, choice("false: an overdue inspection is never filled")] = (
        None
    )
    valve_service_months: Annotated[int | None, number(1, 120, "months")] = None
    plus_specifications: Annotated[
        list[str] | None, Field(description="a list of specifications whose plus counts; [] for none")
    ] = None
    eddy_current_months: Annotated[int | None, number(1, 120, "months")] = None
    alloy_doubtful_before_year: Annotated[int | None, number(1950, 2100, "(a year)")] = None
    oxygen_threshold: Annotated[float | None, number(0.21, 1.0, "(a fraction: 0.235 is 23.5 % oxygen)")] = None
    accepted_marks: Annotated[list[str] | None, Field(description="a list of approval marks")] = None
    unknown_date: Annotated[
        Literal["fill with care", "do not fill"] | None, choice('"fill with care" or "do not fill"')
    ] = None


@cache
def shipped_profiles() -> Mapping[str, JurisdictionProfile]:
    """The jurisdictions that fillguard ships, by name."""
    written = tomllib.loads((files("fillguard.data") / "profiles.toml").read_text(encoding="utf-8"))
    return {name: _profile(name, rules) for name, rules in written.items()}


def profile_in_force(
    jurisdiction: str, own: ProfileSection | None, place: Place, problems: list[Problem]
) -> JurisdictionProfile:
    """The jurisdiction's rules, made stricter by the shop's own; one that is looser is a problem."""
    base = shipped_profiles()[jurisdiction]
    if own is None:
        return base
    asked = own.model_dump(exclude_none=True, exclude={"name", "reviewed"})
    for rule, value in asked.items():
        if not _stricter(rule, value, getattr(base, rule)):
            problems.append(
                place.problem(rule, f"is looser than profile {jurisdiction} ({_shown(getattr(base, rule))})", value)
            )
    source = Source(text=_OWN_SOURCE, as_of=own.reviewed)
    changes = {rule: _as_rule(rule, value) for rule, value in asked.items()}
    return replace(base, name=own.name, sources={**base.sources, **dict.fromkeys(asked, source)}, **changes)  # type: ignore[arg-type] # checked by the section


def _profile(name: str, rules: Mapping[str, Mapping[str, object]]) -> JurisdictionProfile:
    known = {field.name for field in fields(JurisdictionProfile)} - _NOT_RULES
    values = {rule: _as_rule(rule, entry["value"]) for rule, entry in rules.items() if rule in known}
    sources = {rule: Source(text=str(entry["source"]), as_of=str(entry["as_of"])) for rule, entry in rules.items()}
    return JurisdictionProfile(name=name, sources=sources, **values)  # type: ignore[arg-type] # a test builds each


def _as_rule(rule: str, value: object) -> object:
    if rule in _SETS and isinstance(value, list):
        return frozenset(str(each).upper() for each in value)
    return Level(str(value)) if rule == "unknown_date" else value


def _at_most(own: object, base: object) -> bool:
    return isinstance(own, int | float) and isinstance(base, int | float) and own <= base


def _sooner(own: object, base: object) -> bool:
    return base == 0 or _at_most(own, base)


def _within(own: object, base: object) -> bool:
    return isinstance(own, list) and isinstance(base, frozenset) and {str(each).upper() for each in own} <= base


_STRICTER: Mapping[str, Callable[[object, object], bool]] = {
    "inspection_overridable": lambda _own, _base: True,
    "plus_specifications": _within,
    "accepted_marks": _within,
    "eddy_current_months": _sooner,
    "alloy_doubtful_before_year": lambda own, base: _at_most(base, own),
    "unknown_date": lambda own, base: _at_most(GRAVITY[Level(str(base))], GRAVITY[Level(str(own))]),
}
"""Where a smaller number is not what is stricter."""


def _stricter(rule: str, own: object, base: object) -> bool:
    """True when `own` allows nothing that `base` forbids."""
    return _STRICTER.get(rule, _at_most)(own, base)


def _shown(value: object) -> str:
    return ", ".join(sorted(map(str, value))) if isinstance(value, frozenset) else str(value)
