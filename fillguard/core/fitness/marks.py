"""Stamp marks of a shoulder, US and European, into fields. What was not understood is listed, never guessed.

US: 49 CFR 178.35(f) (specification and service pressure in psi, serial, maker, inspector, date of test month-year, plus
and star after it); Canadian marks carry the service pressure in bar. European: EN ISO 13769 in outline (working and
test pressure in bar, capacity, mass, year/month).
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from fillguard.core.fitness.dates import MONTHS_A_YEAR, Dated
from fillguard.core.fitness.record import Stamped

_METRIC_ABOVE = 700.0
"""No Canadian service pressure in bar is higher, no US one in psi lower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DateStamp:
    """One date of a test, with what stands behind it."""

    on: Dated
    plus: bool = False
    star: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """What was read from a shoulder. A pressure keeps the unit it is stamped in; two stamps give two pressures."""

    specifications: tuple[str, ...] = ()
    approval_marks: tuple[str, ...] = ()
    rated: tuple[Stamped, ...] = ()
    test: tuple[Stamped, ...] = ()
    water_capacity_l: float | None = None
    empty_mass_kg: float | None = None
    wall_mm: float | None = None
    neck_thread: str | None = None
    dates: tuple[DateStamp, ...] = ()
    """In the order of the shoulder; the first one is that of manufacture."""
    not_understood: tuple[str, ...] = ()

    @property
    def manufactured(self) -> Dated | None:
        """The oldest date."""
        return min((stamp.on for stamp in self.dates), key=lambda on: on.last, default=None)

    @property
    def latest(self) -> DateStamp | None:
        """The newest date: its plus is the one that counts."""
        return max(self.dates, key=lambda stamp: stamp.on.last, default=None)

    def columns(self) -> Mapping[str, str]:
        """What goes into the register's columns; the rest (serial, material, temperature) is for a person to enter."""
        latest = self.latest
        told: dict[str, object | None] = {
            "specification": self.specifications[0] if self.specifications else None,
            "approval_marks": " ".join(self.approval_marks) or None,
            "water_capacity_l": self.water_capacity_l,
            "empty_mass_kg": self.empty_mass_kg,
            "neck_thread": self.neck_thread,
            "manufactured": self.manufactured,
            "last_test": latest.on if latest is not None and latest.on != self.manufactured else None,
            "plus_marked": "yes" if latest is not None and latest.plus else None,
            "star": "yes" if latest is not None and latest.star else None,
        }
        for stem, pressures in (("rated", self.rated), ("test", self.test)):
            if pressures:
                lowest = min(pressures, key=lambda pressure: pressure.gauge_pa)
                told |= {f"{stem}_pressure": f"{lowest.value:g}", f"{stem}_unit": lowest.unit}
        return {name: str(value) for name, value in told.items() if value is not None}


def read_marks(text: str, today: date) -> Marks:
    """The marks in `text`, as copied from a shoulder. `today` tells a two-digit year's century: none lies ahead."""
    reading = _Reading(today=today, us=_SPECIFICATION.search(text.upper()) is not None)
    rest = text.replace("\N{GREEK SMALL LETTER PI}", " PI ").replace("\N{BLACK STAR}", "*").strip()
    while rest:
        rest = _next(reading, rest)
    if len(reading.marks.dates) > 1 and not reading.us:
        reading.sort_dates()
    return reading.marks


_Handler = Callable[["_Reading", re.Match[str]], bool]
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_SPECIFICATION = re.compile(r"\b(DOT|ICC|CTC|TC)?-?(3ALM?|3AAXM?|3AAM?|3AX|3A|3T|3HT)[ -]?(\d{3,4})(?![\d.,])")


@dataclass(slots=True)
class _Reading:
    """How far a shoulder has been read."""

    today: date
    us: bool
    marks: Marks = field(default_factory=Marks)

    def add(self, **more: object) -> bool:
        """Take over one field that was not there yet; False when it says something else."""
        for name, value in more.items():
            if getattr(self.marks, name) not in (None, value):
                return False
            self.marks = replace(self.marks, **{name: value})  # type: ignore[arg-type] # names are those of Marks
        return True

    def append(self, name: str, value: object) -> bool:
        """One more of a list."""
        have = getattr(self.marks, name)
        if value not in have:
            self.marks = replace(self.marks, **{name: (*have, value)})  # type: ignore[arg-type] # names are those of Marks
        return True

    def year(self, written: str) -> int:
        """The newest year that the digits can mean."""
        if len(written) > 2:  # noqa: PLR2004 - with its century
            return int(written)
        century = self.today.year // 100 * 100
        year = century + int(written)
        return year if year <= self.today.year else year - 100

    def date(self, year: str, month: str, behind: str = "") -> bool:
        """A stamped month; False when it cannot be one or lies ahead."""
        if not 1 <= int(month) <= MONTHS_A_YEAR:
            return False
        on = Dated(year=self.year(year), month=int(month))
        if on.first > self.today:
            return False
        return self.append("dates", DateStamp(on=on, plus="+" in behind, star="*" in behind))

    def sort_dates(self) -> None:
        """European stamps may stand in any order."""
        self.marks = replace(self.marks, dates=tuple(sorted(self.marks.dates, key=lambda stamp: stamp.on.last)))


def _next(reading: _Reading, rest: str) -> str:
    """Read one mark, or pass over one word."""
    for pattern, handler in _PATTERNS:
        match = pattern.match(rest)
        if match and handler(reading, match):
            return rest[match.end() :].lstrip(" \t\n\r/,;")
    word, _, after = rest.partition(" ")
    if word.strip("/,;-"):
        reading.append("not_understood", word)
    return after.lstrip()


def _specification(reading: _Reading, match: re.Match[str]) -> bool:
    approval, specification, pressure = match.groups()
    if approval:
        reading.append("approval_marks", approval.upper())
    unit = "bar" if float(pressure) < _METRIC_ABOVE else "psi"
    reading.append("rated", Stamped(value=float(pressure), unit=unit))
    return reading.append("specifications", specification.upper())


def _standard(reading: _Reading, match: re.Match[str]) -> bool:
    return reading.append("specifications", re.sub(r"\s+", " ", match.group().upper()))


def _approval(reading: _Reading, match: re.Match[str]) -> bool:
    word = match.group().upper()
    return reading.append("approval_marks", "pi" if word == "PI" else word)


def _us_date(reading: _Reading, match: re.Match[str]) -> bool:
    """`5-95+`, `05-95`, with the tester's number between as in `5 A123 12`: month, then year. US shoulders only."""
    month, year, behind = match.groups()
    return reading.us and reading.date(year, month, behind)


def _dated(reading: _Reading, match: re.Match[str]) -> bool:
    """Year and month; which is which must be plain: 05/12 could be either and is left to a person."""
    first, second = match.groups()
    if len(first) == len(second) and int(first) <= MONTHS_A_YEAR:
        return False
    year, month = (second, first) if len(second) > len(first) else (first, second)
    return reading.date(year, month)


def _pressure(name: str) -> _Handler:
    def handler(reading: _Reading, match: re.Match[str]) -> bool:
        return reading.append(name, Stamped(value=_number(match.group(1)), unit=(match.group(2) or "bar").lower()))

    return handler


def _measure(name: str) -> _Handler:
    return lambda reading, match: reading.add(**{name: _number(match.group(1))})


def _neck(reading: _Reading, match: re.Match[str]) -> bool:
    return reading.add(neck_thread=match.group().replace(" ", "").replace(",", "."))


def _number(written: str) -> float:
    return float(written.replace(",", "."))


def _pattern(text: str) -> re.Pattern[str]:
    return re.compile(text, re.IGNORECASE)


_END = r"(?![\w.,-])"
_PATTERNS: tuple[tuple[re.Pattern[str], _Handler], ...] = (
    (_pattern(_SPECIFICATION.pattern), _specification),
    (_pattern(r"(?:EN|ISO)\s?(?:ISO\s?)?\d{4,5}(?:-\d)?" + _END), _standard),
    (_pattern(r"(\d{1,2})\s?-\s?(\d{2}|\d{4})\s?([+*]{0,2})(?![\w-])"), _us_date),
    (_pattern(r"(\d{1,2})\s[A-Z]\d{3}\s(\d{2})\s?([+*]{0,2})(?![\w-])"), _us_date),
    (_pattern(r"(\d{4}|\d{2})[/-](\d{4}|\d{2})(?![\w/-])"), _dated),
    (_pattern(rf"(?:PT|TP|PH)\s?{_NUMBER}\s?(BAR|PSI)?{_END}"), _pressure("test")),
    (_pattern(rf"(?:PW|WP|PS)\s?{_NUMBER}\s?(BAR|PSI)?{_END}"), _pressure("rated")),
    (_pattern(rf"V?\s?{_NUMBER}\s?L{_END}"), _measure("water_capacity_l")),
    (_pattern(rf"{_NUMBER}\s?KG{_END}"), _measure("empty_mass_kg")),
    (_pattern(rf"{_NUMBER}\s?MM{_END}"), _measure("wall_mm")),
    (_pattern(rf"M\s?\d{{2}}\s?x\s?{_NUMBER}{_END}|(?:17|25)E{_END}"), _neck),
    (_pattern(r"(?:PI|CE|UN|EPSILON)" + _END), _approval),
)
