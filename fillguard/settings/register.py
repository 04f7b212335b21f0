"""cylinders.csv: the cylinders that this station knows by serial.

`serial`, `water_capacity_l` (of one cylinder), `material`, rated pressure and reference temperature are needed in
every row; `count`, `empty_mass_kg` (of one cylinder), test pressure, the disc's lowest burst pressure and `plus_marked`
may be left empty. A pressure is gauge, as stamped, and stands in `rated_bar` or `rated_psi`, or in `rated_pressure`
with its unit in `rated_unit` (likewise `test_...`, `disc_burst_...`); a temperature in `reference_c` or `reference_f`.
Lines that start with # are comments.
"""

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import model_validator

from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import Cylinder, Material, Profile
from fillguard.settings.files import read_text
from fillguard.settings.problems import ConfigurationProblems, Problem, did_you_mean, quoted
from fillguard.settings.schema import Place, Section, choice, declared_key, number, refusal, text, validated

_TEXT_COLUMNS = frozenset({"serial", "material"})
_YES_NO = {"yes": True, "true": True, "no": False, "false": False}
_PRESSURES = ("rated", "test", "disc_burst")


class CylinderRow(Section):
    """One row of the register."""

    serial: Annotated[str, text("the serial as stamped", pattern=r"^.{1,40}$")]
    water_capacity_l: Annotated[float, number(0.2, 150, "litres of one cylinder")]
    count: Annotated[int, number(1, 12, "cylinders in the set")] = 1
    material: Annotated[Literal["steel", "aluminium", "composite"], choice("steel, aluminium or composite")]
    empty_mass_kg: Annotated[float | None, number(0.3, 250, "kg of one cylinder")] = None
    rated_bar: Annotated[float, number(100, 500, "bar gauge")]
    reference_c: Annotated[float, number(0, 40, "degrees C")]
    test_bar: Annotated[float | None, number(120, 900, "bar gauge")] = None
    disc_burst_bar: Annotated[float | None, number(120, 900, "bar gauge")] = None
    plus_marked: Annotated[bool, choice("yes or no")] = False

    @model_validator(mode="after")
    def _stamps_fit(self) -> Self:
        for what, pressure in (("test pressure", self.test_bar), ("disc's burst pressure", self.disc_burst_bar)):
            if pressure is not None and pressure <= self.rated_bar:
                raise refusal(
                    f"the {what} {pressure:.5g} bar is not above the rated {self.rated_bar:.5g} bar: read the stamps"
                )
        cylinder = self.cylinder()
        if self.plus_marked and (cylinder.material is not Material.STEEL or cylinder.profile is not Profile.US):
            raise refusal("plus_marked: the mark exists on US steel cylinders only, rated at 21.1 C (70 F)")
        return self

    def cylinder(self) -> Cylinder:
        """The same in SI."""
        return Cylinder(
            serial=self.serial,
            water_capacity_m3=self.water_capacity_l / 1e3,
            material=Material(self.material),
            rated_gauge_pa=pa_from_bar(self.rated_bar),
            reference_k=k_from_c(self.reference_c),
            count=self.count,
            empty_mass_kg=self.empty_mass_kg,
            test_gauge_pa=None if self.test_bar is None else pa_from_bar(self.test_bar),
            disc_burst_gauge_pa=None if self.disc_burst_bar is None else pa_from_bar(self.disc_burst_bar),
            plus_marked=self.plus_marked,
        )


_COLUMNS = frozenset(
    {
        *CylinderRow.model_fields,
        *(f"{stem}_{end}" for stem in _PRESSURES for end in ("psi", "pressure", "unit")),
        "reference_f",
    }
)
_NEEDED = (
    ("serial",),
    ("water_capacity_l",),
    ("material",),
    ("rated_bar", "rated_psi", "rated_pressure"),
    ("reference_c", "reference_f"),
)


@dataclass(frozen=True, slots=True)
class Register:
    """Cylinders by serial. Upper and lower case and blanks around a serial do not matter."""

    cylinders: Mapping[str, Cylinder] = field(default_factory=dict)

    def __call__(self, serial: str) -> Cylinder | None:
        """The cylinder of that serial, None when the register does not know it."""
        return self.cylinders.get(_key(serial))

    def __len__(self) -> int:
        return len(self.cylinders)


def load_register(path: Path) -> Register:
    """The register in `path`.

    Raises:
        ConfigurationProblems: with everything that is wrong with the file.
    """
    problems: list[Problem] = []
    register = read_register(path, problems)
    if problems:
        raise ConfigurationProblems(problems)
    return register


def read_register(path: Path, problems: list[Problem]) -> Register:
    """The good rows of `path`; everything wrong with the others is appended to `problems`."""
    content = read_text(path, problems)
    if content is None:
        return Register()
    rows = _rows(content)
    line, header = next(rows, (1, []))
    columns = [name.strip().lower() for name in header]
    wrong = list(_header_problems(path.name, line, columns))
    problems.extend(wrong)
    if wrong:
        return Register()
    cylinders: dict[str, Cylinder] = {}
    first_line: dict[str, int] = {}
    for line, cells in rows:
        place = Place(file=path.name, label=f"row {line},")
        row = _row(columns, cells, place, problems)
        if row is None:
            continue
        key = _key(row.serial)
        if key in first_line:
            problems.append(place.problem("serial", f"stands in row {first_line[key]} already: keep one", row.serial))
        first_line.setdefault(key, line)
        cylinders[key] = row.cylinder()
    return Register(cylinders)


def _key(serial: str) -> str:
    return serial.strip().upper()


def _rows(content: str) -> Iterator[tuple[int, list[str]]]:
    """Line number in the file and cells of every row that is neither blank nor a comment."""
    reader = csv.reader(content.splitlines())
    for cells in reader:
        if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#"):
            yield reader.line_num, cells


def _header_problems(file: str, line: int, columns: list[str]) -> Iterator[Problem]:
    key = f"row {line}"
    if len(columns) == 1 and ";" in columns[0]:
        help_text = "cells are separated by semicolons: save the file with commas, and with decimal points"
        yield Problem(file=file, key=key, value=None, text=help_text)
        return
    for name in sorted(set(columns)):
        if name not in _COLUMNS:
            yield Problem(
                file=file, key=key, value=quoted(name), text=f"unknown column; {did_you_mean(name, _COLUMNS)}"
            )
        elif columns.count(name) > 1:
            yield Problem(file=file, key=key, value=quoted(name), text="this column stands there twice: keep one")
    for names in _NEEDED:
        if not set(names) & set(columns):
            yield Problem(file=file, key=key, value=None, text=f"column {' or '.join(names)} is missing")


def _row(columns: list[str], cells: list[str], place: Place, problems: list[Problem]) -> CylinderRow | None:
    if len(cells) != len(columns):
        hint = "; a decimal comma? write a point" if len(cells) > len(columns) else ""
        problems.append(place.problem("", f"has {len(cells)} cells but the header has {len(columns)}{hint}"))
        return None
    written = {name: cell.strip() for name, cell in zip(columns, cells, strict=True) if cell.strip()}
    found: list[Problem] = []
    cells_by_column, unclear = _with_units(written, place, found)
    row = validated(CylinderRow, {name: _value(name, cell) for name, cell in cells_by_column.items()}, place, found)
    said_already = [place.problem(f"{stem}_bar", "").key for stem in unclear]
    problems.extend(problem for problem in found if problem.key not in said_already)
    return None if found else row


def _with_units(
    written: Mapping[str, str], place: Place, problems: list[Problem]
) -> tuple[Mapping[str, str], Sequence[str]]:
    """`rated_pressure` and `rated_unit` as the one column that they mean, and which of these could not be made out."""
    cells = dict(written)
    unclear: list[str] = []
    for stem in _PRESSURES:
        pressure, unit = cells.pop(f"{stem}_pressure", None), cells.pop(f"{stem}_unit", None)
        if pressure is None:
            continue
        if unit not in ("bar", "psi"):
            problems.append(place.problem(f"{stem}_unit", f"allowed: bar or psi, the unit of {stem}_pressure", unit))
            unclear.append(stem)
        elif f"{stem}_{unit}" in cells:
            text = f"{stem}_{unit} says the same: keep one of the two"
            problems.append(place.problem(f"{stem}_pressure", text, pressure))
        else:
            cells[f"{stem}_{unit}"] = pressure
    return cells, unclear


def _value(column: str, cell: str) -> object:
    """What a cell says; text that is no number is left to be refused with its own words."""
    if column in _TEXT_COLUMNS:
        return cell if column == "serial" else cell.lower()
    if declared_key(column, CylinderRow) == "plus_marked":
        return _YES_NO.get(cell.lower(), cell)
    try:
        return int(cell) if column == "count" else float(cell)
    except ValueError:
        return cell
