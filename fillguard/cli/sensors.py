"""`fillguard sensors`: the register of sensors."""

import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fillguard.cli.exits import Exit, exit_codes, say

if TYPE_CHECKING:
    from fillguard.app.sensors import Sensors
    from fillguard.ledger.sensors import SensorRow

app = typer.Typer(
    help="The register of sensors: which one hangs where since when, its range, class, calibration and checks.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Id = Annotated[str, typer.Argument(help="What is written on the sensor: its serial number.")]
By = Annotated[str, typer.Option("--by", help="Who.")]
Why = Annotated[str, typer.Option("--why", help="Why; stands in its history.")]
_FILE_WIDTH = 160
_PAIR = re.compile(r"\s*([0-9.+-]+)\s*=\s*([0-9.+-]+)\s*")
_RANGE = re.compile(r"\s*(-?[0-9.]+)\s*\.\.\s*(-?[0-9.]+)\s*")


def _sensors(config: Path) -> "Sensors":
    from fillguard.app.sensors import sensors_here  # noqa: PLC0415 - keeps `--help` quick

    return sensors_here(config, os.environ)


@app.command("list")
def list_sensors(
    config: ConfigDir = Path("config"),
    *,
    due: Annotated[bool, typer.Option("--due", help="Only those in use whose calibration is overdue.")] = False,
) -> None:
    """Every sensor as it is now: where, since when, range, class, calibration.

    Example: fillguard sensors list
    """
    with exit_codes():
        sensors = _sensors(config)
        overdue = {sensor.id for sensor in sensors.overdue()}
        rows = [
            (
                each.sensor.id,
                each.sensor.quantity.value,
                each.sensor.place,
                each.since,
                f"{each.sensor.low:g} to {each.sensor.high:g} {each.sensor.unit}",
                "-" if each.sensor.class_percent is None else f"{each.sensor.class_percent:g} %",
                each.sensor.certificate or "-",
                _due(each.sensor.due, each.days_left),
            )
            for each in sensors.listed()
            if not due or each.sensor.id in overdue
        ]
        _print(("sensor", "quantity", "place", "since", "range", "class", "certificate", "calibration due"), rows)


@app.command()
def add(
    sensor: Id,
    config: ConfigDir = Path("config"),
    *,
    quantity: Annotated[str, typer.Option("--quantity", help="pressure, wall, ambient, bath, supply, ...")],
    place: Annotated[str, typer.Option("--to", help="The id of a whip, station, spare or retired.")],
    measures: Annotated[str, typer.Option("--range", help="What it measures: 0..400")],
    unit: Annotated[str, typer.Option("--unit", help="The unit of its range: bar, psi, Cel, %, mA.")],
    by: By,
    why: Why = "new",
    class_percent: Annotated[str, typer.Option("--class", help="Largest error, per cent of range.")] = "",
    certificate: Annotated[str, typer.Option("--certificate", help="Of its calibration.")] = "",
    calibrated: Annotated[str, typer.Option("--on", help="Day of its calibration: 2026-10-01.")] = "",
    due: Annotated[str, typer.Option("--due", help="Day when the next one is due.")] = "",
    source: Annotated[str, typer.Option("--source", help="The topic its readings come on.")] = "",
    note: Annotated[str, typer.Option("--note", help="Anything else.")] = "",
) -> None:
    """Enter a sensor. One of the same kind that was in its place becomes a spare and keeps its history.

    Example: fillguard sensors add P-4711 --quantity pressure --to 1 --range 0..400 --unit bar --class 0.5
    --certificate C-2026-113 --on 2026-10-01 --due 2027-10-01 --by op-2
    """
    with exit_codes():
        low, high = _matched(_RANGE, measures, "a range such as 0..400")
        cells = {
            "id": sensor,
            "quantity": quantity,
            "place": place,
            "low": low,
            "high": high,
            "unit": unit,
            "class_percent": class_percent,
            "certificate": certificate,
            "calibrated": calibrated,
            "due": due,
            "source": source,
            "note": note,
        }
        entered = _sensors(config).add(cells, by=by, why=why)
        say(f"{entered.id} is entered: {entered.quantity} at {entered.place}")


@app.command()
def move(
    sensor: Id,
    place: Annotated[str, typer.Argument(help="The id of a whip, station, spare or retired.")],
    config: ConfigDir = Path("config"),
    *,
    by: By,
    why: Why,
) -> None:
    """Put a sensor elsewhere. What was there becomes a spare; both keep their history.

    Example: fillguard sensors move P-4711 spare --by op-2 --why "off zero since Monday"
    """
    with exit_codes():
        say(f"{sensor} is at {_sensors(config).move(sensor, place, by=by, why=why).place}")


@app.command("set")
def set_columns(
    sensor: Id,
    cells: Annotated[list[str], typer.Argument(help='column=value, such as class_percent=0.25; "x=" takes x away.')],
    config: ConfigDir = Path("config"),
    *,
    by: By,
    why: Why,
) -> None:
    """Correct what the register says of a sensor. The earlier rows stay.

    Example: fillguard sensors set P-4711 class_percent=0.25 --by op-2 --why "read from its data sheet"
    """
    with exit_codes():
        wrong = next((cell for cell in cells if "=" not in cell), None)
        if wrong is not None:
            raise typer.BadParameter(f"{wrong!r}: write column=value")
        written = {name.strip(): value.strip() for name, _, value in (cell.partition("=") for cell in cells)}
        _sensors(config).change(sensor, written, by=by, why=why)
        say(f"{sensor}: {', '.join(written)} changed")


@app.command()
def calibrate(
    sensor: Id,
    config: ConfigDir = Path("config"),
    *,
    certificate: Annotated[str, typer.Option("--certificate", help="Number of the laboratory's certificate.")],
    on: Annotated[str, typer.Option("--on", help="Day of the calibration: 2026-11-25.")],
    due: Annotated[str, typer.Option("--due", help="Day when the next one is due.")],
    by: By,
    why: Why = "calibration",
) -> None:
    """Enter a calibration by a laboratory.

    Example: fillguard sensors calibrate P-4711 --certificate C-2027-020 --on 2027-09-20 --due 2028-09-20 --by op-2
    """
    with exit_codes():
        _sensors(config).calibrate(sensor, certificate, on, due, by=by, why=why)
        say(f"{sensor}: certificate {certificate} of {on}, due {due}")


@app.command()
def check(
    sensor: Id,
    config: ConfigDir = Path("config"),
    *,
    pair: Annotated[list[str], typer.Option("--pair", help="Certified gauge=sensor, in its unit: 200=199.6")],
    certificate: Annotated[str, typer.Option("--certificate", help="Of the certified gauge.")],
    by: By,
    why: Why = "check against a certified gauge",
) -> None:
    """Enter a check against a certified gauge: pairs of what both read. Corrects nothing.

    Exit code 1 when it is further off than its class allows.

    Example: fillguard sensors check P-4711 --pair 0=0.2 --pair 100=100.4 --pair 200=200.3 --certificate G-88 --by op-2
    """
    with exit_codes():
        read = [_matched(_PAIR, text, "a pair such as 200=199.6") for text in pair]
        pairs = tuple((_number(reference), _number(seen)) for reference, seen in read)
        done = _sensors(config).check(sensor, pairs, certificate, by=by, why=why)
        verdict = {True: "within its class", False: "FURTHER OFF THAN ITS CLASS ALLOWS", None: "its class is not known"}
        say(f"{sensor}: at most {done.worst_percent:.2f} % of its range off, {verdict[done.within_class]}")
        if done.within_class is False:
            raise typer.Exit(Exit.FAILED)


@app.command()
def history(sensor: Id, config: ConfigDir = Path("config")) -> None:
    """Everything that happened to a sensor: when, by whom, why, what; and what it read when its whip was bled.

    Example: fillguard sensors history P-4711
    """
    with exit_codes():
        sensors = _sensors(config)
        told = sensors.history(sensor)
        befores: list[dict[str, str]] = [{}, *(dict(row.columns) for _, row in told)]
        rows = [
            (when, row.by, row.act, row.why, _what(before, row))
            for before, (when, row) in zip(befores, told, strict=False)
        ]
        rows += [
            (when, "fillguard", "zero", zero.judged, f"{zero.zero_gauge_pa / 1e5:+.2f} bar: {zero.text}")
            for when, zero in sensors.zeros(sensor)
        ]
        _print(("when", "by", "act", "why", "what"), sorted(rows, key=lambda row: row[0]))


@app.command()
def export(
    out: Annotated[Path, typer.Argument(help="CSV to write; it appears whole or not at all.")],
    config: ConfigDir = Path("config"),
) -> None:
    """Write the register of sensors as a file that can be imported again.

    Example: fillguard sensors export sensors.csv
    """
    with exit_codes():
        say(f"{out}: {_sensors(config).export_file(out)} sensors")


@app.command("import")
def import_file(
    file: Annotated[Path, typer.Argument(help="CSV with the columns of docs/reference/sensors.md.")],
    config: ConfigDir = Path("config"),
    *,
    by: By,
    why: Why = "import",
) -> None:
    """Take over every row of a file, or none. Every problem is named with its row and column.

    Example: fillguard sensors import sensors.csv --by op-2
    """
    with exit_codes():
        say(f"{file}: {_sensors(config).import_file(file, by=by, why=why)} sensors new or changed")


def _matched(shape: re.Pattern[str], text: str, wanted: str) -> tuple[str, str]:
    match = shape.fullmatch(text)
    if match is None:
        raise typer.BadParameter(f"{text!r}: write {wanted}")
    return match[1], match[2]


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is no number") from None


def _what(before: dict[str, str], row: "SensorRow") -> str:
    changes = [
        f"{name}: {before.get(name) or '-'} -> {row.columns.get(name) or '-'}"
        for name in {**before, **row.columns}
        if before.get(name) != row.columns.get(name)
    ]
    if row.pairs:
        changes.append(f"against {row.reference}: " + ", ".join(f"{ref:g} = {seen:g}" for ref, seen in row.pairs))
    return "\n".join(changes)


def _due(due: object, days_left: int | None) -> str:
    if days_left is None:
        return "-"
    return f"{due} (in {days_left} days)" if days_left >= 0 else f"{due} OVERDUE by {-days_left} days"


def _print(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    if not rows:
        say("none")
        return
    table = Table()
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*map(Text, row))
    Console(width=None if sys.stdout.isatty() else _FILE_WIDTH).print(table)
