"""The ledger for other programs: fills, alarms, readings and events as CSV or JSON Lines, in trade units.

Pressures are bar gauge, temperatures degrees Celsius, rates bar a minute, times ISO 8601 in UTC; each column's name
says so. Rows are streamed: memory does not grow with the ledger.
"""

import csv
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from datetime import UTC, datetime
from enum import StrEnum
from typing import TextIO

from fillguard.core.errors import LedgerError
from fillguard.core.events import AlarmChanged, AlarmFacts, Quantity
from fillguard.core.units import bar_from_pa, c_from_k
from fillguard.ledger.codec import TYPE, Json
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.reader import ALL, Filter, SqliteLedgerReader
from fillguard.ledger.rows import FILL_COLUMNS, RecordRow
from fillguard.ledger.snapshots import AFTER
from fillguard.ports import ReadingRow

Progress = Callable[[int, int], None]
"""Rows written and rows in all."""

PROGRESS_EVERY = 1000
_SECONDS_PER_MINUTE = 60.0
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is run as a formula by spreadsheet programs."""


class What(StrEnum):
    """What can be exported."""

    FILLS = "fills"
    ALARMS = "alarms"
    READINGS = "readings"
    EVENTS = "events"
    AUDIT = "audit"


class Form(StrEnum):
    """In which form."""

    CSV = "csv"
    JSON_LINES = "jsonl"
    PARQUET = "parquet"
    """Written by `parquet.py`, where its package is installed."""


Row = Mapping[str, object]


def export(
    reader: SqliteLedgerReader,
    what: What,
    form: Form,
    out: TextIO,
    *,
    where: Filter = ALL,
    progress: Progress | None = None,
) -> int:
    """Write what `where` chooses to `out`, oldest first; returns the number of rows.

    `progress` is told every 1000 rows and at the end. Raises LedgerError, and OSError from `out`.
    """
    rows, total = rows_of(reader, what, where, count=progress is not None)
    write = _csv_writer(out, _COLUMNS[what]) if form is Form.CSV else _json_writer(out)
    done = 0
    for row in rows:
        write(row)
        done += 1
        if progress and done % PROGRESS_EVERY == 0:
            progress(done, total)
    if progress:
        progress(done, max(done, total))
    return done


def rows_of(reader: SqliteLedgerReader, what: What, where: Filter, *, count: bool) -> tuple[Iterator[Row], int]:
    """The rows of an export, and how many there are (0 where nobody asked)."""
    table, rows = _SOURCES[what]
    return rows(reader, where), reader.count(table, where) if count else 0


def columns_of(what: What) -> tuple[str, ...]:
    """The columns of an export, in order."""
    return _COLUMNS[what]


def trade_name(name: str) -> str:
    """Name of a column in trade units for a field in SI: `close_gauge_pa` is told as `close_bar_gauge`."""
    return _trade(name)[0]


def in_trade_units(body: Mapping[str, Json]) -> dict[str, Json]:
    """A recorded fact with every quantity in trade units, under the name that says so."""
    told: dict[str, Json] = {}
    for name, value in body.items():
        new_name, convert = _trade(name)
        if isinstance(value, dict):
            told[name] = in_trade_units(value)
        elif convert and isinstance(value, int | float):
            told[new_name] = convert(value)
        else:
            told[new_name] = value
    return told


_Convert = Callable[[float], Json]


def _trade(name: str) -> tuple[str, _Convert | None]:
    for ending, new_ending, convert in _ENDINGS:
        if name.endswith(ending):
            return name.removesuffix(ending) + new_ending, convert
    return name, None


def _bar(pascal: float) -> Json:
    return round(bar_from_pa(pascal), 3)


def _celsius(kelvin: float) -> Json:
    return round(c_from_k(kelvin), 2)


def _bar_min(pascal_a_second: float) -> Json:
    return round(bar_from_pa(pascal_a_second) * _SECONDS_PER_MINUTE, 3)


def _iso(seconds: float) -> Json:
    return _iso_ms(stored_ms(seconds))


def _iso_ms(ms: float) -> Json:
    try:
        moment = datetime.fromtimestamp(ms // 1000, UTC)
    except (ValueError, OverflowError, OSError):
        return None  # no calendar knows it: the row number still orders it
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{round(ms % 1000):03d}Z"


_ENDINGS: tuple[tuple[str, str, _Convert], ...] = (
    ("gauge_pa", "bar_gauge", _bar),
    ("rate_pa_s", "rate_bar_min", _bar_min),
    ("rate_error_pa_s", "rate_error_bar_min", _bar_min),
    ("rate_limit_pa_s", "rate_limit_bar_min", _bar_min),
    ("_k_max", "_max_c", _celsius),
    ("_k", "_c", _celsius),
    ("utc_s", "utc", _iso),
    ("sample_s", "sample_utc", _iso),
    ("started_s", "started_utc", _iso),
    ("stopped_s", "stopped_utc", _iso),
    ("ended_s", "ended_utc", _iso),
    ("_ms", "_utc", _iso_ms),
)

# What the rows hold -------------------------------------------------------------------------------------------------

_ALARM_FIELDS = tuple(field.name for field in fields(AlarmChanged) if field.name not in {"stamp", "facts"})
_FACT_FIELDS = tuple(field.name for field in fields(AlarmFacts))
_READING_COLUMNS = (
    "row",
    "arrived_utc",
    "sample_utc",
    "source",
    "whip",
    "quantity",
    "bar_gauge",
    "celsius",
    "fraction",
    "milliampere",
    "quality",
    "doubt",
    "fill_id",
    "serial",
)
_COLUMNS: Mapping[What, tuple[str, ...]] = {
    What.FILLS: (*map(trade_name, FILL_COLUMNS), "corrections"),
    What.ALARMS: ("row", "at_utc", *map(trade_name, _ALARM_FIELDS), *map(trade_name, _FACT_FIELDS)),
    What.READINGS: _READING_COLUMNS,
    What.EVENTS: ("row", "at_utc", "kind", "whip", "fill_id", "detail"),
    What.AUDIT: ("row", "at_utc", "who", "action", "subject", "detail", "data"),
}


def _fills(reader: SqliteLedgerReader, where: Filter) -> Iterator[Row]:
    corrected: dict[str, list[str]] = {}
    for correction in reader.corrections():
        corrected.setdefault(correction.fill_id, []).append(str(correction))
    for fill in reader.iter_fills(where):
        told = {
            new_name: convert(value) if convert and isinstance(value, int | float) else value
            for name, value in fill.items()
            for new_name, convert in (_trade(name),)
        }
        yield told | {"corrections": "; ".join(corrected.get(str(fill["fill_id"]), ())) or None}


def _alarms(reader: SqliteLedgerReader, where: Filter) -> Iterator[Row]:
    for record in reader.iter_alarms(where):
        body = in_trade_units(record.body)
        facts = body.pop("facts", None)
        yield _head(record, body) | body | (facts if isinstance(facts, dict) else {})


def _events(reader: SqliteLedgerReader, where: Filter) -> Iterator[Row]:
    for record in reader.iter_events(where):
        body = in_trade_units(record.body)
        head = _head(record, body)
        kind, whip, fill_id = body.pop(TYPE, None), body.pop("whip", None), body.pop("fill_id", None)
        yield head | {"kind": kind, "whip": whip, "fill_id": fill_id, "detail": body}


def _audit(reader: SqliteLedgerReader, where: Filter) -> Iterator[Row]:
    for record in reader.iter_audit(where):
        at = record.body.get("at")
        told = {name: record.body.get(name) for name in ("who", "action", "subject", "detail", "data")}
        utc_s = at.get("utc_s") if isinstance(at, dict) else None
        yield {"row": record.row, "at_utc": _iso(utc_s) if isinstance(utc_s, int | float) else None} | told


def _head(record: RecordRow, body: dict[str, Json]) -> dict[str, Json]:
    body.pop(AFTER, None)
    stamp = body.pop("stamp", None)
    return {"row": record.row, "at_utc": stamp.get("utc") if isinstance(stamp, dict) else None}


def _readings(reader: SqliteLedgerReader, where: Filter) -> Iterator[Row]:
    return map(_reading, reader.iter_readings(where))


def _reading(row: ReadingRow) -> Row:
    column, convert = _MEASURED[Quantity(row.quantity)]
    return {
        "row": row.row,
        "arrived_utc": _iso(row.utc_s),
        "sample_utc": _iso(row.sample_s),
        "source": row.source,
        "whip": row.whip,
        "quantity": row.quantity,
        column: convert(row.value),
        "quality": row.quality,
        "doubt": row.doubt,
        "fill_id": row.fill_id,
        "serial": row.serial,
    }


_MEASURED: Mapping[Quantity, tuple[str, _Convert]] = {
    Quantity.PRESSURE: ("bar_gauge", _bar),
    Quantity.SUPPLY: ("bar_gauge", _bar),
    Quantity.WALL: ("celsius", _celsius),
    Quantity.AMBIENT: ("celsius", _celsius),
    Quantity.BATH: ("celsius", _celsius),
    Quantity.O2_FRACTION: ("fraction", lambda fraction: round(fraction, 6)),
    Quantity.LOOP_CURRENT: ("milliampere", lambda ampere: round(ampere * 1000.0, 3)),
    Quantity.VALVE: ("fraction", lambda fraction: round(fraction, 6)),
}
_SOURCES: Mapping[What, tuple[str, Callable[[SqliteLedgerReader, Filter], Iterator[Row]]]] = {
    What.FILLS: ("fill", _fills),
    What.ALARMS: ("alarm", _alarms),
    What.READINGS: ("reading", _readings),
    What.EVENTS: ("event", _events),
    What.AUDIT: ("audit", _audit),
}

# How they are written -----------------------------------------------------------------------------------------------


def _csv_writer(out: TextIO, columns: tuple[str, ...]) -> Callable[[Row], object]:
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180
    writer.writerow(columns)
    return lambda row: writer.writerow([_cell(row.get(column)) for column in columns])


def _cell(value: object) -> object:
    value = flat(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return "'" + value
    return value


def flat(value: object) -> object:
    """What stands in one cell for a value that is a list or a table of its own."""
    if isinstance(value, dict):
        return _json(value)
    return " ".join(map(str, value)) if isinstance(value, list | tuple) else value


def _json_writer(out: TextIO) -> Callable[[Row], object]:
    return lambda row: out.write(_json(row) + "\n")


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def form_of(name: str) -> Form:
    """The form that the ending of a file's name asks for. Raises LedgerError."""
    ending = name.rpartition(".")[2].lower()
    try:
        return Form(ending)
    except ValueError:
        raise LedgerError(f"export to {name!r}: end the name in .csv, .jsonl or .parquet, or say the form") from None
