"""alarms.toml: one table an alarm, with its rationalisation record. The shipped file holds them all.

A file in the configuration folder replaces whole tables of the shipped one; an alarm or a case that it leaves out keeps
the shipped one, so that nobody loses the slower limit of oxygen by writing down another one for air, and an older file
cannot take away an alarm that a newer version brings. What an alarm is (its kind
of quantity, which way is stricter, its cases) belongs to the shipped record; numbers and words belong to the station.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

from pydantic import Field

from fillguard.core.rules import NOT_RICH, OXYGEN_RICH, AlarmRule
from fillguard.core.units import PA_PER_BAR, ZERO_CELSIUS_K
from fillguard.core.values import Material
from fillguard.settings.problems import Problem, did_you_mean
from fillguard.settings.schema import Place, Section, choice, number, text, validated

FILE = "alarms.toml"
_NO_SETPOINT = "yes/no"
_CEILING = "-ceiling"
"""Ends the name of a variant that says how far another one may go."""
_SI_FACTOR = {
    "bar": PA_PER_BAR,
    "bar/min": PA_PER_BAR / 60.0,
    "bar/s": PA_PER_BAR,
    "bar/h": PA_PER_BAR / 3600.0,
    "Cel": 1.0,
    "s": 1.0,
    "%": 0.01,
    _NO_SETPOINT: 1.0,
}
_LONGEST_URGENT_DELAY_S = 10.0
"""A filling cylinder gains 7 bar in ten seconds at 40 bar/min: a priority 1 alarm may not wait longer (our choice)."""

_NOT_BLANK = r"\S"
Text = Annotated[str, text("text that a person can act on; never empty", pattern=_NOT_BLANK)]
Delay = Annotated[float, number(0, 600, "seconds")]
Setpoint = Annotated[float, Field(ge=-1000, le=100_000, allow_inf_nan=False)]


class AlarmSection(Section):
    """One alarm, in the units of the file."""

    priority: Annotated[int, number(1, 3, "(1 stop now, 2 act soon, 3 look after it)")]
    cause: Text
    consequence: Text
    action: Text
    respond_within_s: Annotated[float, number(1, 1e7, "seconds")]
    basis: Annotated[
        str,
        text(
            'where the setpoint comes from, beginning with "published:", "practice:" or "our choice:"',
            pattern=r"^(published|practice|our choice):\s*\S",
        ),
    ]
    setpoint: Annotated[float | None, number(-1000, 100_000, "in the alarm's unit")] = None
    deadband: Annotated[float, number(0, 1000, "in the alarm's unit")] = 0.0
    unit: Annotated[
        Literal["bar", "bar/min", "bar/s", "bar/h", "Cel", "s", "%", "yes/no"],
        choice(", ".join(f'"{unit}"' for unit in _SI_FACTOR)),
    ]
    strict: Annotated[Literal["lower", "higher"], choice('"lower" or "higher": which way the setpoint gets stricter')]
    on_delay_s: Delay = 0.0
    off_delay_s: Delay = 0.0
    latched: Annotated[bool, choice("true or false")] = False
    shelvable: Annotated[bool, choice("true or false")]
    realarm_s: Annotated[float | None, number(10, 86400, "seconds; leave it out for never")] = None
    suppressed_by: Annotated[list[str], choice("a list of findings in quotes")] = Field(default_factory=list)
    owner: Text
    reviewed: Annotated[str, text('a date in quotes, like "2026-10-01"', pattern=r"^\d{4}-\d{2}-\d{2}$")]
    variants: Annotated[dict[str, Setpoint], choice("names with numbers in the alarm's unit")] = Field(
        default_factory=dict
    )
    priorities: Annotated[dict[str, Annotated[int, Field(ge=1, le=3)]], choice("names with 1, 2 or 3")] = Field(
        default_factory=dict
    )

    def rule(self, name: str) -> AlarmRule:
        """The same in SI: percentages as fractions, degrees Celsius as kelvin, a deadband as a difference."""
        factor, offset = _SI_FACTOR[self.unit], ZERO_CELSIUS_K if self.unit == "Cel" else 0.0
        return AlarmRule(
            name=name,
            priority=self.priority,
            cause=self.cause,
            consequence=self.consequence,
            action=self.action,
            basis=self.basis,
            setpoint=(self.setpoint or 0.0) * factor + offset,
            deadband=self.deadband * factor,
            on_delay_s=self.on_delay_s,
            off_delay_s=self.off_delay_s,
            latched=self.latched,
            shelvable=self.shelvable,
            realarm_s=self.realarm_s,
            respond_within_s=self.respond_within_s,
            variants={case: value * factor + offset for case, value in self.variants.items()},
            priorities=self.priorities,
            strict=self.strict,
            suppressed_by=tuple(self.suppressed_by),
            owner=self.owner,
            reviewed=self.reviewed,
        )


@cache
def shipped_alarms() -> Mapping[str, AlarmSection]:
    """The alarms that come with fillguard."""
    content = files("fillguard").joinpath("data", FILE).read_text(encoding="utf-8")
    return {name: AlarmSection.model_validate(table) for name, table in tomllib.loads(content).items()}


def cases_of(alarm: str) -> tuple[str, ...]:
    """The cases for which `alarm` may have a setpoint of its own."""
    materials = tuple(f"{supply}.{material}" for supply in (NOT_RICH, OXYGEN_RICH) for material in Material)
    return (*shipped_alarms()[alarm].variants, *(materials if alarm == "too-fast" else ()))


def read_alarms(tables: Mapping[str, object], problems: list[Problem]) -> Mapping[str, AlarmSection]:
    """The shipped alarms with those of `tables` in their place; everything wrong is appended to `problems`."""
    shipped = shipped_alarms()
    alarms = dict(shipped)
    for name, table in tables.items():
        place = Place(file=FILE, label=f"[{name}]")
        if name not in shipped:
            problems.append(place.problem("", f"unknown alarm; {did_you_mean(name, shipped)}"))
        elif not isinstance(table, dict):
            problems.append(place.problem("", f"must be a table: write [{name}] above its keys", table))
        elif alarm := validated(AlarmSection, table, place, problems):
            alarms[name] = _with_all_cases(alarm, shipped[name])
            problems.extend(_misfits(name, alarms[name], shipped[name], place))
    return alarms


def _with_all_cases(alarm: AlarmSection, shipped: AlarmSection) -> AlarmSection:
    """The cases that a table does not name stay as shipped."""
    cases = {
        "variants": {**shipped.variants, **alarm.variants},
        "priorities": {**shipped.priorities, **alarm.priorities},
    }
    return alarm.model_copy(update=cases)


def _misfits(name: str, alarm: AlarmSection, shipped: AlarmSection, place: Place) -> Iterator[Problem]:
    """What one table says against itself, or against what this alarm is."""
    if alarm.priority == 1 and alarm.shelvable:
        yield place.problem("shelvable", "priority 1 must not be shelvable: set it to false", alarm.shelvable)
    if alarm.priority == 1 and alarm.on_delay_s > _LONGEST_URGENT_DELAY_S:
        text = f"allowed with priority 1: at most {_LONGEST_URGENT_DELAY_S:g} seconds"
        yield place.problem("on_delay_s", text, alarm.on_delay_s)
    if alarm.unit != shipped.unit:
        yield place.problem("unit", f'allowed for this alarm: "{shipped.unit}"', alarm.unit)
    if alarm.strict != shipped.strict:
        yield place.problem("strict", f'allowed for this alarm: "{shipped.strict}"', alarm.strict)
    if alarm.unit == _NO_SETPOINT and alarm.setpoint is not None:
        yield place.problem("setpoint", 'unit "yes/no" has no setpoint: take it out', alarm.setpoint)
    if alarm.unit != _NO_SETPOINT and alarm.setpoint is None:
        yield place.problem("setpoint", f"is missing; allowed: a number in {alarm.unit}")
    yield from _above_ceiling(alarm, shipped, place)
    yield from _strangers("variants", alarm.variants, cases_of(name), place)
    yield from _strangers("priorities", alarm.priorities, shipped.priorities, place)
    yield from _strangers("suppressed_by", alarm.suppressed_by, shipped.suppressed_by, place)


def _above_ceiling(alarm: AlarmSection, shipped: AlarmSection, place: Place) -> Iterator[Problem]:
    """A case that has a published ceiling may be set below it only."""
    for name, shipped_most in shipped.variants.items():
        if not name.endswith(_CEILING):
            continue
        most = min(shipped_most, alarm.variants.get(name, shipped_most))
        for case, value in alarm.variants.items():
            if case.partition(".")[0] == name.removesuffix(_CEILING) and value > most:
                text = f"{case}: at most {most:g} {alarm.unit} ({shipped.basis})"
                yield place.problem("variants", text, value)


def _strangers(key: str, names: Iterable[str], known: Iterable[str], place: Place) -> Iterator[Problem]:
    for name in names:
        if name not in known:
            text = did_you_mean(name, known) if known else "this alarm has none"
            yield place.problem(key, text, name)
