"""Reading the record for a person: lists and exports. Opens the ledger read-only; a running watch is not disturbed."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.app.replaying import units_of
from fillguard.core.figures import UnitChoice, pressure, stamped
from fillguard.ledger.export import Form, Progress, What, export
from fillguard.ledger.parquet import export_parquet
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from fillguard.settings import load_settings

BY_HAND = "entered by hand, not measured"


def ledger_path(config: Path, ledger: Path | None, environ: Mapping[str, str]) -> Path:
    """The ledger asked for, else the configured one."""
    return ledger if ledger is not None else load_settings(config, environ).ledger.path


def fill_rows(config: Path, ledger: Path | None, environ: Mapping[str, str], *, limit: int) -> list[dict[str, str]]:
    """The newest fills as words, one mapping a fill in the order of the columns; open ones first.

    Units and time zone are the station's; bar and UTC for a ledger given by itself.
    """
    if ledger is not None and not config.is_dir():
        units, zone = UnitChoice(), ZoneInfo("UTC")
    else:
        settings = load_settings(config, environ)
        units, zone = units_of(settings), ZoneInfo(settings.station.timezone)
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        still_open = [
            {
                "fill_id": opened.fill_id,
                "whip": opened.whip,
                "serial": opened.serial,
                "operator": opened.operator,
                "started_ms": opened.started_s * 1000.0,
                "outcome": "open",
                "start_gauge_pa": opened.start_gauge_pa,
                "limit_gauge_pa": opened.limit_gauge_pa,
            }
            for opened in reversed(reader.open_fills())
        ]
        corrected: dict[str, dict[str, object]] = {}
        for each in reader.corrections():
            corrected.setdefault(each.fill_id, {})[each.field] = each.to
        fills = [*still_open, *reader.fills(limit=limit)][:limit]
        return [_row(fill, units, zone, corrected.get(str(fill["fill_id"]), {})) for fill in fills]


def export_to(
    out: Path,
    what: What,
    form: Form,
    *,
    config: Path,
    ledger: Path | None,
    environ: Mapping[str, str],
    since_s: float | None,
    until_s: float | None,
    progress: Progress,
) -> int:
    """Write part of the record to `out`, whole or not at all; returns how many rows. Raises LedgerError, OSError."""
    beside = out.with_name(f".{out.name}.part")
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        try:
            where = Filter(since_s=since_s, until_s=until_s)
            if form is Form.PARQUET:
                count = export_parquet(reader, what, beside, where=where, progress=progress)
            else:
                with beside.open("w", encoding="utf-8", newline="") as file:
                    count = export(reader, what, form, file, where=where, progress=progress)
            beside.replace(out)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
    return count


def _row(
    fill: Mapping[str, object], units: UnitChoice, zone: ZoneInfo, corrected: Mapping[str, object]
) -> dict[str, str]:
    def said(key: str, otherwise: str) -> str:
        if key in corrected:
            return f"{corrected[key]} (corrected)"
        return str(fill.get(key) or otherwise)

    def gauge(key: str) -> str:
        value = fill.get(key)
        return "-" if value is None else pressure(_number(value), units)

    started = datetime.fromtimestamp(_number(fill["started_ms"]) / 1000.0, zone)
    alarms = fill.get("alarms")
    return {
        "fill": str(fill["fill_id"]),
        "started": f"{started:%Y-%m-%d %H:%M:%S %Z}",
        "whip": str(fill["whip"]),
        "cylinder": said("serial", "not identified"),
        "operator": said("operator", "-"),
        "outcome": f"{fill['outcome']} ({BY_HAND})" if fill.get("entered_by") else str(fill["outcome"]),
        "from": gauge("start_gauge_pa"),
        "closed at": gauge("close_gauge_pa"),
        "settles at": gauge("final_settled_gauge_pa"),
        "limit": stamped(_number(fill["limit_gauge_pa"]), units),
        "alarms": ", ".join(map(str, alarms)) if isinstance(alarms, tuple) and alarms else "none",
        "note": str(corrected.get("note", "")),
    }


def _number(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"{value!r} is not a number")
    return float(value)
