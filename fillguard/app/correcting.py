"""Corrections: what a named person says a fill's record should have said. The record stays; the correction is a row."""

import math
from collections.abc import Callable, Mapping
from pathlib import Path

from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.register import add_to_register
from fillguard.ledger.rows import Correction
from fillguard.ports import AuditEntry
from fillguard.settings import load_settings

_LONGEST = 500


def _words(field: str, told: str) -> str:
    if not (0 < len(told) <= _LONGEST and told.isprintable()):
        raise ConfigurationError(f"--to {told!r}: say the {field} in 1 to {_LONGEST} printable characters")
    return told


def _fraction(field: str, told: str) -> float:
    try:
        value = float(told)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise ConfigurationError(f"--to {told!r}: give the {field} as a fraction from 0 to 1 (32 % is 0.32)")
    return value


FIELDS: Mapping[str, Callable[[str, str], str | float]] = {
    "operator": _words,
    "serial": _words,
    "o2": _fraction,
    "he": _fraction,
    "note": _words,
}
"""What people said may be corrected by people. What was measured or computed never is: a note may doubt it."""


def correct(
    fill_id: str, field: str, to: str, *, by: str, why: str, config: Path, environ: Mapping[str, str]
) -> Correction:
    """Record that `field` of an ended fill should read `to`. The running watch is not disturbed.

    Raises ConfigurationError when there is no such fill or field, or the value cannot be; LedgerError.
    """
    if field not in FIELDS:
        raise ConfigurationError(
            f"--field {field!r}: these can be corrected: {', '.join(FIELDS)}. What was measured stays; write a note"
        )
    value = FIELDS[field](field, to)
    settings = load_settings(config, environ)
    with SqliteLedgerReader(settings.ledger.path) as reader:
        fill = reader.fill(fill_id)
        if fill is None:
            raise ConfigurationError(f"fill {fill_id!r} is not on record as ended: `fillguard fills` lists them")
        earlier = [each for each in reader.corrections(fill_id) if each.field == field]
    was = earlier[-1].to if earlier else fill.get(field)
    now = SystemClock().now()
    made = Correction(fill_id=fill_id, field=field, was=was, to=value, by=by, why=why, at_utc_s=now.utc_s)
    entry = AuditEntry(
        at=now,
        who=by,
        action="correction",
        subject=fill_id,
        detail=why,
        data={"field": field, "was": was, "to": value},
    )
    add_to_register(settings.ledger.path, settings.station.id, now, (), audit=entry)
    return made
