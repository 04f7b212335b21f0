"""cylinders.csv: the cylinders that a station knows by serial, one row each.

The columns are in `settings.columns`. A pressure is gauge, as stamped, and stands in `rated_bar` or `rated_psi`, or in
`rated_pressure` with its unit in `rated_unit` (likewise `test_...`, `disc_burst_...`); a temperature in `reference_c`
or `reference_f`. Lines that start with # are comments.
"""

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from fillguard.core.fitness.record import CylinderRecord, Stamped
from fillguard.settings.columns import COLUMNS, PRESSURES, CylinderRow, value_of
from fillguard.settings.files import read_text
from fillguard.settings.problems import ConfigurationProblems, Problem, did_you_mean, quoted
from fillguard.settings.schema import Place, validated

Progress = Callable[[int, int], None]
"""Rows read and rows in all."""

_PROGRESS_EVERY = 500
_NEEDED = (
    ("serial",),
    ("water_capacity_l",),
    ("material",),
    ("rated_bar", "rated_psi", "rated_pressure"),
    ("reference_c", "reference_f"),
)
"""A file without these columns is not what was meant. A cell may be empty: then the verdict says what is missing."""


@dataclass(frozen=True, slots=True)
class Register:
    """Records by `key_of` their serial."""

    records: Mapping[str, CylinderRecord] = field(default_factory=dict)

    def record(self, serial: str) -> CylinderRecord | None:
        """The record of that serial, None when this register does not know it."""
        return self.records.get(key_of(serial))

    def __len__(self) -> int:
        return len(self.records)


def key_of(serial: str) -> str:
    """What identifies a cylinder: upper and lower case and blanks around a serial do not matter."""
    return serial.strip().upper()


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


def read_register(path: Path, problems: list[Problem], progress: Progress | None = None) -> Register:
    """The good rows of `path`; everything wrong with the others is appended to `problems`."""
    content = read_text(path, problems)
    if content is None:
        return Register()
    lines = content.splitlines()
    rows = _rows(lines)
    line, header = next(rows, (1, []))
    columns = [name.strip().lower() for name in header]
    wrong = list(_header_problems(path.name, line, columns))
    problems.extend(wrong)
    if wrong:
        return Register()
    records: dict[str, CylinderRecord] = {}
    first_line: dict[str, int] = {}
    for line, cells in rows:
        if progress is not None and line % _PROGRESS_EVERY == 0:
            progress(line, len(lines))
        place = Place(file=path.name, label=f"row {line},")
        record = _row(columns, cells, place, problems)
        if record is None:
            continue
        key = key_of(record.serial)
        if key in first_line:
            text = f"stands in row {first_line[key]} already: keep one"
            problems.append(place.problem("serial", text, record.serial))
        first_line.setdefault(key, line)
        records[key] = record
    return Register(records)


def read_record(cells: Mapping[str, str], place: Place, problems: list[Problem]) -> CylinderRecord | None:
    """One record from the cells of its row by column; None with everything that is wrong appended to `problems`."""
    written = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    found: list[Problem] = []
    cells_by_column, unclear = _with_units(written, place, found)
    row = validated(CylinderRow, {name: value_of(name, cell) for name, cell in cells_by_column.items()}, place, found)
    said_already = [place.problem(f"{stem}_bar", "").key for stem in unclear]
    problems.extend(problem for problem in found if problem.key not in said_already)
    return None if found or row is None else row.record(_stamped(cells_by_column))


def _stamped(cells: Mapping[str, str]) -> dict[str, Stamped]:
    """The pressures in the units they were written in."""
    return {
        stem: Stamped(value=float(cells[f"{stem}_{unit}"]), unit=unit)
        for stem in PRESSURES
        for unit in ("bar", "psi")
        if f"{stem}_{unit}" in cells
    }


def _rows(lines: Sequence[str]) -> Iterator[tuple[int, list[str]]]:
    """Line number in the file and cells of every row that is neither blank nor a comment."""
    reader = csv.reader(lines)
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
        if name not in COLUMNS:
            yield Problem(file=file, key=key, value=quoted(name), text=f"unknown column; {did_you_mean(name, COLUMNS)}")
        elif columns.count(name) > 1:
            yield Problem(file=file, key=key, value=quoted(name), text="this column stands there twice: keep one")
    for names in _NEEDED:
        if not set(names) & set(columns):
            yield Problem(file=file, key=key, value=None, text=f"column {' or '.join(names)} is missing")


def _row(columns: list[str], cells: list[str], place: Place, problems: list[Problem]) -> CylinderRecord | None:
    if len(cells) != len(columns):
        hint = "; a decimal comma? write a point" if len(cells) > len(columns) else ""
        problems.append(place.problem("", f"has {len(cells)} cells but the header has {len(columns)}{hint}"))
        return None
    return read_record(dict(zip(columns, cells, strict=True)), place, problems)


def _with_units(
    written: Mapping[str, str], place: Place, problems: list[Problem]
) -> tuple[Mapping[str, str], Sequence[str]]:
    """`rated_pressure` and `rated_unit` as the one column that they mean, and which of these could not be made out."""
    cells = dict(written)
    unclear: list[str] = []
    for stem in PRESSURES:
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
