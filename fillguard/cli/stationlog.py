"""`fillguard log`: what was tested, changed and compared at the station, and what of it falls due."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fillguard.cli.cylinders import print_table
from fillguard.cli.exits import exit_codes, say

if TYPE_CHECKING:
    from fillguard.app.stationlog import StationLog

app = typer.Typer(
    help="The station's log: air tests, filters, hoses, safety valves, needles; what falls due.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
By = Annotated[str, typer.Option("--by", help="Who.")]
Next = Annotated[str | None, typer.Option("--next", help="Last day in date: 2027-02 or 2027-02-25.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="As CSV, for a spreadsheet or a mail.")]


def _log(config: Path) -> "StationLog":
    from fillguard.app.stationlog import StationLog  # noqa: PLC0415 - keeps `--help` quick

    return StationLog(config, os.environ)


@app.command()
def add(
    kind: Annotated[str, typer.Argument(help="air-test, filter, hose, safety-valve or service.")],
    text: Annotated[str, typer.Argument(help="What was done, or found.")],
    config: ConfigDir = Path("config"),
    *,
    whip: Annotated[str, typer.Option("--whip", help="Of a hose or safety valve: which whip.")] = "",
    certificate: Annotated[str | None, typer.Option("--certificate", help="Number of the paper.")] = None,
    hours: Annotated[float | None, typer.Option("--hours", help="Of the compressor.", min=0.0)] = None,
    rating_bar: Annotated[float | None, typer.Option("--rating-bar", help="Stamped on hose or valve.", min=0.0)] = None,
    made: Annotated[str | None, typer.Option("--made", help="Of a hose: its date of manufacture, 2025-06.")] = None,
    next_on: Next = None,
    by: By,
) -> None:
    """Enter something that was done. Without --next it falls due when common practice says.

    Example: fillguard log add air-test "CO 1 ppm, CO2 420 ppm, O2 20.9 %" --certificate L-118 --by tech-1
    """
    with exit_codes():
        said = {"certificate": certificate, "hours": hours, "rating_bar": rating_bar, "made": made}
        data = {key: value for key, value in said.items() if value is not None}
        until = _log(config).add(kind, text, by=by, about=whip, next_on=next_on, data=data)
        say(f"{kind} {whip}".strip() + f": entered, in date until {until.isoformat()}")


@app.command()
def needle(
    whip: Annotated[str, typer.Argument(help="Whip id.")],
    pairs: Annotated[list[str], typer.Argument(help="sensor=needle in bar, at three pressures or more: 150=153.")],
    config: ConfigDir = Path("config"),
    *,
    class_percent: Annotated[float, typer.Option("--class", help="On the dial: 1.6.")],
    range_bar: Annotated[float, typer.Option("--range-bar", help="Where the dial ends: 400.")],
    next_on: Next = None,
    by: By,
) -> None:
    """Compare a whip's needle with its sensor: the state of the whip then says where the needle stands as well.

    Example: fillguard log needle 2 50=51 150=153 230=234 --class 1.6 --range-bar 400 --by tech-1
    """
    with exit_codes():
        compared = _log(config).compare_needle(
            whip, pairs, class_percent=class_percent, range_bar=range_bar, by=by, next_on=next_on
        )
        error_bar = compared.error_pa / 1e5
        say(f"needle of whip {whip}: entered; its class allows +/- {error_bar:.1f} bar")


@app.command("list")
def list_entries(
    config: ConfigDir = Path("config"),
    *,
    kind: Annotated[str | None, typer.Option("--kind", help="Only this kind.")] = None,
    as_csv: AsCsv = False,
) -> None:
    """What was entered, newest first.

    Example: fillguard log list --kind air-test
    """
    with exit_codes():
        log = _log(config)
        rows = [
            (
                log.when_text(row.utc_s),
                row.kind,
                row.about or "-",
                row.text,
                ", ".join(f"{name} {value}" for name, value in row.data.items() if name != "pairs_bar") or "-",
                row.next_on or "-",
                row.by,
            )
            for row in log.entries(kind)
        ]
        print_table(("when", "what", "whip", "found", "papers", "in date until", "by"), rows, as_csv=as_csv)


@app.command()
def due(
    config: ConfigDir = Path("config"),
    *,
    within: Annotated[int, typer.Option("--within", help="Days from today.", min=0, max=3650)] = 60,
    as_csv: AsCsv = False,
) -> None:
    """What has run out, will soon, or was never entered.

    Example: fillguard log due --within 60
    """
    with exit_codes():
        rows = [
            (
                each.kind,
                each.about or "-",
                each.on or "nothing on record",
                "overdue" if each.overdue and each.on else "missing" if each.on is None else "",
            )
            for each in _log(config).due(within)
        ]
        print_table(("what", "whip", "in date until", "state"), rows, as_csv=as_csv)
