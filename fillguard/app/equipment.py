"""What the station's log says of what a fill relied on: air, filter, hose, safety valve, needle. Parts of a dossier."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from fillguard.app.shown import Told, utc
from fillguard.ledger.stationlog import LogRow, StationLogReader

_OF_THE_WHIP = ("hose", "safety-valve", "needle")
_OF_THE_SUPPLY = ("air-test", "filter", "service")


def entries_until(ledger: Path, utc_s: float) -> list[LogRow]:
    """What had been entered by then, oldest first. Raises LedgerError."""
    with StationLogReader(ledger) as log:
        return [row for row in log.rows() if row.utc_s <= utc_s]


def of_whip(entries: Sequence[LogRow], whip: str) -> dict[str, Told]:
    """The last entry of each thing that belongs to one whip; None: never entered."""
    return {kind: _entry(_last(row for row in entries if row.subject == (kind, whip))) for kind in _OF_THE_WHIP}


def of_supply(entries: Sequence[LogRow]) -> dict[str, Told]:
    """The last entry of each thing that the air went through; None: never entered.

    A station that names several compressors or filters has each of them in it.
    """
    return {kind: _each(row for row in entries if row.kind == kind) for kind in _OF_THE_SUPPLY}


def _each(rows: Iterable[LogRow]) -> Told:
    newest = {row.about: row for row in rows}
    if set(newest) <= {""}:
        return _entry(newest.get(""))
    return {about or "the station": _entry(row) for about, row in sorted(newest.items())}


def _last(rows: Iterable[LogRow]) -> LogRow | None:
    found = None
    for found in rows:  # noqa: B007 - the last one is what is wanted
        pass
    return found


def _entry(row: LogRow | None) -> Told:
    if row is None:
        return None
    data = {key: value for key, value in row.data.items() if isinstance(value, str | int | float)}
    return {"entered": utc(row.utc_s), "by": row.by, "text": row.text, "in date until": row.next_on, **data}
