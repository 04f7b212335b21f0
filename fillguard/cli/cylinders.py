"""`fillguard cylinders`: the register."""

import csv
import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fillguard.cli.exits import Exit, exit_codes, say
from fillguard.cli.offline import progress_bar

if TYPE_CHECKING:
    from fillguard.app.cylinders import Cylinders

app = typer.Typer(
    help="The register: what may be filled, how far, and why not; what is due; who changed what, and why.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Serial = Annotated[str, typer.Argument(help="Serial as stamped.")]
By = Annotated[str, typer.Option("--by", help="Who.")]
AsCsv = Annotated[bool, typer.Option("--csv", help="As CSV, for a spreadsheet or a mail.")]


def _cylinders(config: Path) -> "Cylinders":
    from fillguard.app.cylinders import Cylinders  # noqa: PLC0415 - keeps `--help` quick

    return Cylinders(config, os.environ)


@app.command("import")
def import_file(
    file: Annotated[Path, typer.Argument(help="CSV with the columns of docs/reference/register.md.")],
    config: ConfigDir = Path("config"),
    *,
    by: By,
    why: Annotated[str, typer.Option("--why", help="Why; stands in every row's history.")] = "import",
) -> None:
    """Take over every row of a file, or none. Every problem is named with its row and column.

    Example: fillguard cylinders import config/cylinders.csv --by op-1
    """
    with exit_codes(), progress_bar("importing") as bar:
        task = bar.add_task("importing", total=None)
        done = _cylinders(config).import_file(
            file,
            by=by,
            why=why,
            progress=lambda what, count, of: bar.update(task, description=what, completed=count, total=of),
        )
        say(f"{file}: {done.added} added, {done.changed} changed, {done.unchanged} as they were")


@app.command()
def export(
    out: Annotated[Path, typer.Argument(help="CSV to write; it appears whole or not at all.")],
    config: ConfigDir = Path("config"),
) -> None:
    """Write the register as a file that can be imported again.

    Example: fillguard cylinders export register.csv
    """
    with exit_codes():
        say(f"{out}: {_cylinders(config).export_file(out)} cylinders")


@app.command()
def show(serial: Serial, config: ConfigDir = Path("config")) -> None:
    """One cylinder, and whether it may be filled with air today.

    Example: fillguard cylinders show TH-0042
    """
    with exit_codes():
        from fillguard.settings.columns import columns_of  # noqa: PLC0415 - keeps `--help` quick

        cylinders = _cylinders(config)
        record = cylinders.record(serial)
        for column, cell in columns_of(record).items():
            sys.stdout.write(f"{column}: {cell}\n")
        verdict = cylinders.verdict(record)
        sys.stdout.write(f"\n{verdict.text}\n")
        for source in dict.fromkeys(reason.source for reason in verdict.reasons if reason.source):
            sys.stdout.write(f"  {source}\n")


@app.command()
def history(serial: Serial, config: ConfigDir = Path("config")) -> None:
    """Every change of a cylinder: when, by whom, why, what.

    Example: fillguard cylinders history TH-0042
    """
    with exit_codes():
        rows = [
            (
                entry.when,
                entry.by,
                entry.why,
                "\n".join(f"{name}: {old or '-'} -> {new or '-'}" for name, (old, new) in entry.changes.items()),
            )
            for entry in _cylinders(config).history(serial)
        ]
        print_table(("when", "by", "why", "what"), rows)


@app.command("set")
def set_columns(
    serial: Serial,
    cells: Annotated[list[str], typer.Argument(help='column=value, such as last_visual=2026-11; "x=" takes x away.')],
    config: ConfigDir = Path("config"),
    *,
    by: By,
    why: Annotated[str, typer.Option("--why", help="Why.")],
    new: Annotated[bool, typer.Option("--new", help="The cylinder is not in the register yet.")] = False,
) -> None:
    """Change what the register says of one cylinder. The earlier rows stay.

    Example: fillguard cylinders set TH-0042 last_visual=2026-11-25 --by op-2 --why "yearly inspection"
    """
    with exit_codes():
        wrong = [cell for cell in cells if "=" not in cell]
        if wrong:
            say(f"fillguard: {wrong[0]!r}: write column=value")
            raise typer.Exit(Exit.BAD_INPUT)
        written = {name.strip(): value.strip() for name, _, value in (cell.partition("=") for cell in cells)}
        cylinders = _cylinders(config)
        say(cylinders.verdict(cylinders.change(serial, written, by=by, why=why, new=new)).text)


@app.command("set-aside")
def set_aside(
    serial: Serial,
    config: ConfigDir = Path("config"),
    *,
    reason: Annotated[str, typer.Option("--reason", help="What is wrong.")],
    by: By,
) -> None:
    """Take a cylinder out of use until somebody has looked at it.

    Example: fillguard cylinders set-aside TH-0049 --reason "stem weeps" --by op-1
    """
    _state(serial, "set-aside", config, reason, by)


@app.command()
def condemn(
    serial: Serial,
    config: ConfigDir = Path("config"),
    *,
    reason: Annotated[str, typer.Option("--reason", help="Why it may never be filled again.")],
    by: By,
) -> None:
    """Take a cylinder out of use for good. Nobody may override that.

    Example: fillguard cylinders condemn TH-0049 --reason "neck cracked" --by tech-1
    """
    _state(serial, "condemned", config, reason, by)


def _state(serial: str, state: str, config: Path, reason: str, by: str) -> None:
    with exit_codes():
        cells = {"state": state, "state_reason": reason}
        _cylinders(config).change(serial, cells, by=by, why=reason)
        say(f"{serial}: {state}: {reason}")


@app.command()
def valve(
    serial: Serial,
    config: ConfigDir = Path("config"),
    *,
    found: Annotated[str | None, typer.Option("--found", help="stiff, weeping, bent, knocked, will-not-seal.")] = None,
    serviced: Annotated[bool, typer.Option("--serviced", help="Serviced today; clears what was found.")] = False,
    parts: Annotated[str, typer.Option("--parts", help="Parts replaced, with blanks between.")] = "",
    by: Annotated[str | None, typer.Option("--by", help="Who.")] = None,
) -> None:
    """The valve of a cylinder: its checklist; what somebody found; its service.

    Example: fillguard cylinders valve TH-0042 --serviced --parts "neck-o-ring seat" --by tech-1
    """
    with exit_codes():
        cylinders = _cylinders(config)
        if found is None and not serviced:
            record = cylinders.record(serial)
            sys.stdout.write(
                f"valve {record.valve_type or 'of unknown type'}: {', '.join(cylinders.checklist(record))}\n"
            )
            return
        if by is None:
            say("fillguard: --by is missing: who found or serviced it?")
            raise typer.Exit(Exit.BAD_INPUT)
        if found is not None:
            cylinders.note_valve(serial, found, by=by, why=f"valve found {found}")
        if serviced:
            cylinders.service_valve(serial, parts=parts.split(), by=by)
        say(cylinders.verdict(cylinders.record(serial)).text)


@app.command()
def due(
    config: ConfigDir = Path("config"),
    *,
    within: Annotated[int, typer.Option("--within", help="Days from today.", min=0, max=3650)] = 60,
    overdue: Annotated[bool, typer.Option("--overdue", help="Only what has run out already.")] = False,
    owner: Annotated[str | None, typer.Option("--owner", help="Only this owner's.")] = None,
    as_csv: AsCsv = False,
) -> None:
    """What has run out, or will soon: tests, inspections, valve service, oxygen cleaning.

    Example: fillguard cylinders due --within 60 --csv
    """
    with exit_codes():
        cylinders = _cylinders(config)
        today = cylinders.today.isoformat()
        rows = [
            (due.on, "overdue" if due.on < today else "", record.serial, due.what, record.owner or "-")
            for record, due in cylinders.due(within)
            if (owner is None or record.owner == owner) and (due.on < today or not overdue)
        ]
        print_table(("good until", "", "cylinder", "what", "owner"), rows, as_csv=as_csv)


@app.command()
def valves(config: ConfigDir = Path("config"), *, as_csv: AsCsv = False) -> None:
    """Valves that need somebody's eyes: something was found at them, or fills of the last three months hint at them.

    Example: fillguard cylinders valves
    """
    with exit_codes():
        cylinders = _cylinders(config)
        rows = [
            (
                record.serial,
                ", ".join(record.valve_found) or "-",
                str(count),
                record.valve_type or "-",
                str(record.valve_serviced or "not on record"),
                record.state.value,
            )
            for record, count in cylinders.valves()
        ]
        columns = ("cylinder", "found", "fills that hint at it", "valve", "serviced", "state")
        print_table(columns, rows, as_csv=as_csv)


@app.command("list")
def list_cylinders(
    config: ConfigDir = Path("config"),
    *,
    owner: Annotated[str | None, typer.Option("--owner", help="Only this owner's.")] = None,
    state: Annotated[str | None, typer.Option("--state", help="in-service, set-aside or condemned.")] = None,
    plus: Annotated[bool, typer.Option("--plus", help="Only plus-marked ones.")] = False,
    as_csv: AsCsv = False,
) -> None:
    """The register in one line a cylinder, with today's verdict for air.

    Example: fillguard cylinders list --state set-aside
    """
    with exit_codes():
        cylinders = _cylinders(config)
        rows = [
            (
                record.serial,
                record.owner or "-",
                record.state.value,
                verdict.level.value,
                "; ".join(reason.text for reason in verdict.reasons),
            )
            for record in cylinders.records()
            if (owner is None or record.owner == owner)
            and (state is None or record.state.value == state)
            and (record.plus_marked or not plus)
            for verdict in (cylinders.verdict(record),)
        ]
        print_table(("cylinder", "owner", "state", "verdict", "why"), rows, as_csv=as_csv)


@app.command()
def marks(text: Annotated[str, typer.Argument(help="The shoulder, copied in any order.")]) -> None:
    """Read stamp marks into the register's columns. What is not plain is listed, never guessed.

    Example: fillguard cylinders marks "DOT-3AA2400 TH0047 5-95+ 6-24+"
    """
    from fillguard.clock import SystemClock  # noqa: PLC0415 - keeps `--help` quick
    from fillguard.core.fitness.marks import read_marks  # noqa: PLC0415

    read = read_marks(text, datetime.fromtimestamp(SystemClock().now().utc_s, UTC).date())
    for column, cell in read.columns().items():
        sys.stdout.write(f"{column}: {cell}\n")
    for stamp in read.rated[1:]:
        sys.stdout.write(f"also stamped: {stamp}; the lower one stands above\n")
    if read.not_understood:
        sys.stdout.write(f"not understood, enter by hand: {' '.join(read.not_understood)}\n")


def print_table(columns: Sequence[str], rows: Sequence[Sequence[str]], *, as_csv: bool = False) -> None:
    """A table for people, or CSV for what reads on."""
    if as_csv:
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow(column or "state" for column in columns)
        writer.writerows(rows)
        return
    if not rows:
        say("none")
        return
    table = Table()
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*map(Text, row))
    Console().print(table)
