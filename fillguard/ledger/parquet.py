"""Exports as Parquet, for those who have pyarrow installed: the same columns as in CSV, with types."""

import importlib
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from types import ModuleType
from typing import Any

from fillguard.core.errors import ConfigurationError
from fillguard.ledger.export import PROGRESS_EVERY, Progress, Row, What, columns_of, flat, rows_of
from fillguard.ledger.reader import ALL, Filter, SqliteLedgerReader

_WHOLE = frozenset({"row", "readings", "doubtful_readings", "priority"})
_YES_OR_NO = frozenset({"plateau_seen", "first_out"})
_NUMBERS = ("bar_gauge", "_c", "_bar_min", "celsius", "fraction", "milliampere", "silent_s", "for_s")
_NUMBER_NAMES = frozenset({"o2", "he", "bar_gauge", "celsius", "fraction", "milliampere"})


def export_parquet(
    reader: SqliteLedgerReader, what: What, out: Path, *, where: Filter = ALL, progress: Progress | None = None
) -> int:
    """Write what `where` chooses to `out`, oldest first; returns the number of rows. Memory does not grow with them.

    Raises ConfigurationError without pyarrow, LedgerError, and OSError from `out`.
    """
    arrow, parquet = _module("pyarrow"), _module("pyarrow.parquet")
    columns = columns_of(what)
    schema = arrow.schema([(name, _type(arrow, name)) for name in columns])
    rows, total = rows_of(reader, what, where, count=progress is not None)
    done = 0
    with parquet.ParquetWriter(out, schema) as file:
        for batch in _batches(rows):
            file.write_table(arrow.table({name: _column(batch, name) for name in columns}, schema=schema))
            done += len(batch)
            if progress is not None:
                progress(done, max(done, total))
    return done


def _module(name: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except ImportError as problem:
        raise ConfigurationError(
            f"Parquet needs the package pyarrow, which is not installed here ({problem}): install it beside fillguard, "
            "or export as .csv or .jsonl"
        ) from problem


def _type(arrow: Any, name: str) -> Any:  # noqa: ANN401 - the package may not be there
    if name in _WHOLE:
        return arrow.int64()
    if name in _YES_OR_NO:
        return arrow.bool_()
    return arrow.float64() if name in _NUMBER_NAMES or name.endswith(_NUMBERS) else arrow.string()


def _column(batch: Sequence[Row], name: str) -> list[object]:
    cells = [row.get(name) for row in batch]
    if name in _WHOLE or name in _YES_OR_NO:
        return cells
    if name in _NUMBER_NAMES or name.endswith(_NUMBERS):
        return [None if cell is None else float(str(cell)) for cell in cells]
    return [None if cell is None else str(flat(cell)) for cell in cells]


def _batches(rows: Iterator[Row]) -> Iterator[list[Row]]:
    while batch := list(islice(rows, PROGRESS_EVERY)):
        yield batch
