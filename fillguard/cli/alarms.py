"""`fillguard alarms`: what stands, and how well the alarms serve."""

import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import exit_codes, say

app = typer.Typer(help="Alarms that stand, and the measures of all that came.", no_args_is_help=True)

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Ledger = Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")]
AsJson = Annotated[bool, typer.Option("--json", help="For a program.")]


@app.command("list")
def list_alarms(config: ConfigDir = Path("config"), *, ledger: Ledger = None, as_json: AsJson = False) -> None:
    """Show the alarms that a person still has to deal with, gravest first, with the ids to acknowledge them by.

    Example: fillguard alarms list
    """
    with exit_codes():
        from fillguard.app import alarming  # noqa: PLC0415 - keeps `--help` quick

        found = alarming.standing(config, ledger, os.environ)
        if as_json:
            sys.stdout.write(json.dumps(alarming.standing_document(found), ensure_ascii=False, indent=1) + "\n")
        elif not found:
            say("no alarm stands")
        else:
            columns = ("occurrence", "alarm", "whip", "priority", "state", "raised", "what was seen")
            _print("", columns, alarming.standing_rows(found, alarming.zone_of(config, os.environ)))


@app.command("report")
def report(
    config: ConfigDir = Path("config"),
    *,
    since: Annotated[str, typer.Option("--since", help="A span like 30d, 12h, 2w, or a day like 2026-11-01.")] = "30d",
    ledger: Ledger = None,
    as_json: AsJson = False,
) -> None:
    """Say how well the alarms served: how many a fill, how urgent, who bore them, how soon somebody answered.

    Also which come and go, and which nobody acts on. Beside the figures stands what the standards suggest.

    Example: fillguard alarms report --since 30d
    """
    with exit_codes():
        from fillguard.app import alarming  # noqa: PLC0415 - keeps `--help` quick

        measures = alarming.report(config, ledger, os.environ, since)
        if as_json:
            sys.stdout.write(json.dumps(alarming.report_document(measures), ensure_ascii=False, indent=1) + "\n")
            return
        for title, columns, rows in alarming.report_tables(measures):
            _print(title, columns, rows)


def _print(title: str, columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    table = Table(title=title or None, title_justify="left")
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*row)
    Console().print(table)
