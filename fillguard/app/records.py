"""Reading the record for a person: lists and exports. Opens the ledger read-only; a running watch is not disturbed."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from fillguard.app.replaying import units_of
from fillguard.core.figures import UnitChoice, pressure, stamped
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from fillguard.settings import load_settings

Progress = Callable[[int, int], None]


def ledger_path(config: Path, ledger: Path | None, environ: Mapping[str, str]) -> Path:
    """The ledger asked for, else the configured one."""
    return ledger if ledger is not None else load_settings(config, environ).ledger.path


def fill_rows(config: Path, ledger: Path | None, environ: Mapping[str, str], *, limit: int) -> list[dict[str, str]]:
    """The newest fills as words, one mapping a fill in the order of the columns; open ones first."""
    units = UnitChoice() if ledger is not None and not config.is_dir() else units_of(load_settings(config, environ))
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        still_open = [
            _row(
                {
                    "fill_id": opened.fill_id,
                    "whip": opened.whip,
                    "serial": opened.serial,
                    "operator": opened.operator,
                    "started_ms": opened.started_s * 1000.0,
                    "outcome": "open",
                    "start_gauge_pa": opened.start_gauge_pa,
                    "limit_gauge_pa": opened.limit_gauge_pa,
                },
                units,
            )
            for opened in reversed(reader.open_fills())
        ]
        return (still_open + [_row(fill, units) for fill in reader.fills(limit=limit)])[:limit]


def export_to(
    what: str,
    out: Path,
    *,
    form: str,
    config: Path,
    ledger: Path | None,
    environ: Mapping[str, str],
    since_s: float | None,
    until_s: float | None,
    progress: Progress,
) -> int:
    """Write part of the record to `out`; returns how many rows."""
    from fillguard.ledger import export
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        where = Filter(since_s=since_s, until_s=until_s)
        return export.export(reader, what, out, form=form, where=where, progress=progress)


def _row(fill: Mapping[str, object], units: UnitChoice) -> dict[str, str]:
    def gauge(key: str) -> str:
        value = fill.get(key)
        return pressure(float(value), units) if isinstance(value, int | float) else "-"

    started, limit = fill["started_ms"], fill["limit_gauge_pa"]
    alarms = fill.get("alarms")
    return {
        "fill": str(fill["fill_id"]),
        "started (UTC)": f"{datetime.fromtimestamp(_number(started) / 1000.0, UTC):%Y-%m-%d %H:%M:%S}",
        "whip": str(fill["whip"]),
        "cylinder": str(fill.get("serial") or "not identified"),
        "operator": str(fill.get("operator") or "-"),
        "outcome": str(fill["outcome"]),
        "from": gauge("start_gauge_pa"),
        "closed at": gauge("close_gauge_pa"),
        "settles at": gauge("final_settled_gauge_pa"),
        "limit": stamped(_number(limit), units),
        "alarms": ", ".join(str(name) for name in alarms) if isinstance(alarms, tuple) and alarms else "none",
    }


def _number(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"{value!r} is not a number")
    return float(value)
