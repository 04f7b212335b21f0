"""The columns of cylinders.csv: what may stand in each, and how a record of the register is written back into them."""

from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from fillguard.core.errors import ConfigurationError
from fillguard.core.fitness.dates import Dated, written_date
from fillguard.core.fitness.record import (
    CylinderRecord,
    Found,
    Known,
    Outlet,
    Service,
    Stamped,
    Standing,
)
from fillguard.core.values import Material
from fillguard.settings.schema import Section, choice, declared_key, number, refusal, text

PRESSURES = ("rated", "test", "disc_burst")
_US_ABOVE_C = 18.0
_SERIAL = r"^.{1,40}$"
_YES_NO = {"yes": True, "true": True, "no": False, "false": False}
_MATERIALS = {"aluminum": "aluminium"}

_Date = Annotated[Dated | None, choice("a date: 2026-03 (counts to the end of the month) or 2026-03-31")]
_Words = Annotated[str | None, text("1 to 200 printable characters", pattern=r"^[^\x00-\x1f]{1,200}$")]
_Several = Annotated[tuple[str, ...], Field(description="words with blanks between")]


def _of(*allowed: type[StrEnum]) -> str:
    return ", ".join(str(word) for kind in allowed for word in kind)


class CylinderRow(Section):
    """One row. Pressures in bar gauge, capacity and empty mass of ONE cylinder; empty: not on record."""

    serial: Annotated[str, text("the serial as stamped", pattern=_SERIAL)]
    water_capacity_l: Annotated[float | None, number(0.2, 150, "litres of one cylinder")] = None
    count: Annotated[int, number(1, 12, "cylinders in the set")] = 1
    members: _Several = ()
    material: Annotated[Material | None, choice("steel, aluminium or composite")] = None
    empty_mass_kg: Annotated[float | None, number(0.3, 250, "kg of one cylinder")] = None
    rated_bar: Annotated[float | None, number(100, 500, "bar gauge")] = None
    reference_c: Annotated[float | None, number(0, 40, "degrees C")] = None
    test_bar: Annotated[float | None, number(120, 900, "bar gauge")] = None
    disc_burst_bar: Annotated[float | None, number(120, 900, "bar gauge")] = None
    specification: _Words = None
    approval_marks: _Several = ()
    plus_marked: Annotated[bool, choice("yes or no")] = False
    star: Annotated[bool, choice("yes or no")] = False
    alloy_6351: Annotated[Known, choice(_of(Known))] = Known.UNKNOWN
    manufactured: _Date = None
    service_life_ends: _Date = None
    last_test: _Date = None
    last_test_by: _Words = None
    last_test_certificate: _Words = None
    last_visual: _Date = None
    last_visual_by: _Words = None
    last_visual_certificate: _Words = None
    eddy_current: _Date = None
    gas_service: Annotated[Service | None, choice(_of(Service))] = None
    oxygen_clean_until: _Date = None
    outlet: Annotated[Outlet | None, choice(_of(Outlet))] = None
    neck_thread: _Words = None
    valve_thread: _Words = None
    valve_fitted: _Date = None
    threads_compared: _Date = None
    threads_compared_by: _Words = None
    valve_type: _Words = None
    valve_serviced: _Date = None
    valve_serviced_by: _Words = None
    valve_parts: _Several = ()
    valve_found: Annotated[tuple[Found, ...], Field(description=f"some of: {_of(Found)}")] = ()
    heat_exposed: Annotated[bool, choice("yes or no")] = False
    owner: _Words = None
    maker_marks: _Words = None
    state: Annotated[Standing, choice(_of(Standing))] = Standing.IN_SERVICE
    state_reason: _Words = None

    @model_validator(mode="after")
    def _stamps_fit(self) -> Self:
        for what, pressure in (("test pressure", self.test_bar), ("disc's burst pressure", self.disc_burst_bar)):
            if pressure is not None and self.rated_bar is not None and pressure <= self.rated_bar:
                raise refusal(
                    f"the {what} {pressure:.5g} bar is not above the rated {self.rated_bar:.5g} bar: read the stamps"
                )
        us = self.reference_c is not None and self.reference_c > _US_ABOVE_C
        if self.plus_marked and (self.material is not Material.STEEL or not us):
            raise refusal("plus_marked: the mark exists on US steel cylinders only, rated at 21.1 C (70 F)")
        if self.state is not Standing.IN_SERVICE and self.state_reason is None:
            raise refusal(f"state {self.state}: say why in state_reason")
        return self

    def record(self, stamped: Mapping[str, Stamped]) -> CylinderRecord:
        """The same for the core; `stamped` holds the pressures in the units they were written in."""
        same = {name: getattr(self, name) for name in _SAME}
        pressures = {stem: stamped.get(stem) for stem in PRESSURES}
        return CylinderRecord(**same, **pressures)  # type: ignore[arg-type] # each has the type of its column


_SAME = tuple(name for name in CylinderRow.model_fields if name.removesuffix("_bar") not in PRESSURES)
COLUMNS = frozenset(
    {
        *CylinderRow.model_fields,
        *(f"{stem}_{end}" for stem in PRESSURES for end in ("psi", "pressure", "unit")),
        "reference_f",
    }
)
"""Every column that may be in a file."""
WRITTEN = tuple(
    column
    for name in CylinderRow.model_fields
    for column in (
        (f"{name.removesuffix('_bar')}_pressure", f"{name.removesuffix('_bar')}_unit")
        if name.removesuffix("_bar") in PRESSURES
        else (name,)
    )
)
"""The columns of an export, in order."""


def columns_of(record: CylinderRecord) -> dict[str, str]:
    """A record as the cells of its row, what is not on record or as usual left out. Read back, it is the same."""
    told: dict[str, str] = {}
    for name in _SAME:
        value = getattr(record, name)
        if value != CylinderRow.model_fields[name].default and value is not None:
            told[name] = _written(value)
    for stem in PRESSURES:
        pressure = getattr(record, stem)
        if pressure is not None:
            told |= {f"{stem}_pressure": f"{pressure.value:.10g}", f"{stem}_unit": pressure.unit}
    return told


def _written(value: object) -> str:
    match value:
        case bool():
            return "yes" if value else "no"
        case float():
            return f"{value:.10g}"
        case tuple():
            return " ".join(map(str, value))
    return str(value)


def _either(cell: str) -> object:
    return _YES_NO.get(cell.lower(), cell)


def _words(cell: str) -> object:
    return tuple(cell.split())


def _dated(cell: str) -> object:
    try:
        return written_date(cell)
    except ConfigurationError:
        return cell


def _one_of(kind: type[StrEnum]) -> Callable[[str], object]:
    words = {str(word): word for word in kind}
    return lambda cell: words.get(_MATERIALS.get(cell.lower(), cell.lower()), cell)


def _found(cell: str) -> object:
    words = {str(word): word for word in Found}
    return tuple(words.get(word.lower(), word) for word in cell.split())


def _whole(cell: str) -> object:
    return int(cell) if cell.isdecimal() else cell


def _number(cell: str) -> object:
    try:
        return float(cell)
    except ValueError:
        return cell


def _text(cell: str) -> object:
    return cell


_BY_TYPE: Mapping[object, Callable[[str], object]] = {
    bool: _either,
    int: _whole,
    float: _number,
    float | None: _number,
    tuple[str, ...]: _words,
    tuple[Found, ...]: _found,
    Dated | None: _dated,
    Material | None: _one_of(Material),
    Known: _one_of(Known),
    Service | None: _one_of(Service),
    Outlet | None: _one_of(Outlet),
    Standing: _one_of(Standing),
}
_READERS = {name: _BY_TYPE.get(info.annotation, _text) for name, info in CylinderRow.model_fields.items()}


def value_of(column: str, cell: str) -> object:
    """What a cell says; text that is no such thing is left to be refused with its own words."""
    return _READERS.get(declared_key(column, CylinderRow), _text)(cell)
