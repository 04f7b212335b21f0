"""`fillguard channels`: who is told what and when, and a try on the spot."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import Exit, exit_codes, say

app = typer.Typer(help="The channels that notices go to.", no_args_is_help=True)

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]


@app.command("list")
def list_channels(config: ConfigDir = Path("config")) -> None:
    """Show each channel: what it gets, when, what is still owed to it, and what became of its last try.

    Example: fillguard channels list
    """
    with exit_codes():
        from fillguard.app import channels  # noqa: PLC0415 - keeps `--help` quick

        rows = channels.rows(config, os.environ)
        if not rows:
            say("no channel is configured")
            return
        table = Table()
        for column in ("channel", "gets", "when", "by the clock", "owed", "last try"):
            table.add_column(column, overflow="fold")
        for row in rows:
            table.add_row(*row)
        Console().print(table)


@app.command("test")
def try_on_the_spot(
    names: Annotated[list[str] | None, typer.Argument(help="Channels; left out: all of them.")] = None,
    *,
    config: ConfigDir = Path("config"),
) -> None:
    """Send a test through channels now, and say what became of it. Then look at the phone that must ring.

    It goes from this command, beside a running watch, and is not recorded. Exit code 1 when one was not delivered.

    Example: fillguard channels test duty-phone
    """
    with exit_codes():
        from fillguard.app import channels  # noqa: PLC0415 - keeps `--help` quick

        delivered = True
        for tried in channels.try_on_the_spot(names or (), config=config, environ=os.environ):
            result = tried.result
            sys.stdout.write(f"{tried.channel}: {result.result}{f': {result.detail}' if result.detail else ''}\n")
            sys.stdout.flush()
            delivered = delivered and result.result == "delivered"
        if not delivered:
            raise typer.Exit(Exit.FAILED)
