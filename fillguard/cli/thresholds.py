"""`fillguard thresholds`: what alarms are judged by, changed with a name and a reason."""

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from fillguard.cli.exits import exit_codes, say
from fillguard.core.errors import ConfigurationError

app = typer.Typer(
    help="What alarms are judged by: shown, changed with a name and a reason, and what was in force when.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]


@app.command("list")
def list_thresholds(config: ConfigDir = Path("config")) -> None:
    """Every alarm with its numbers, as the configuration has them.

    Example: fillguard thresholds list
    """
    with exit_codes():
        from fillguard.app.thresholds import in_force, rows  # noqa: PLC0415 - keeps `--help` quick

        columns = ("alarm", "priority", "setpoint", "deadband", "on/off delay s")
        _print(columns, rows(in_force(config, os.environ)))


@app.command()
def show(
    alarm: Annotated[str, typer.Argument(help="Name, such as too-fast.")], config: ConfigDir = Path("config")
) -> None:
    """One alarm with its whole record: why it is there, what it rests on, what to do.

    Example: fillguard thresholds show too-fast
    """
    with exit_codes():
        from fillguard.app.thresholds import in_force, target_of  # noqa: PLC0415 - keeps `--help` quick

        name = target_of(alarm.partition(".")[0] + ".priority").alarm
        for key, value in in_force(config, os.environ)[name].model_dump(exclude_none=True).items():
            if value not in ({}, []):
                sys.stdout.write(f"{key}: {value}\n")


@app.command("set")
def set_threshold(
    what: Annotated[str, typer.Argument(help="too-fast, too-fast.oxygen-rich or too-fast.deadband.")],
    value: Annotated[float, typer.Argument(help="The number, in the alarm's unit (seconds for delays).")],
    config: ConfigDir = Path("config"),
    *,
    by: Annotated[str, typer.Option("--by", help="Who.")],
    why: Annotated[str, typer.Option("--why", help="Why; stands in the record.")],
    basis: Annotated[
        str | None,
        typer.Option("--basis", help='What the number rests on now: "published:", "practice:" or "our choice: ...".'),
    ] = None,
) -> None:
    """Change one number in alarms.toml, its comments kept, and tell the running watch.

    The whole configuration is checked first. A fill that is open keeps the stricter of old and new until it ends.

    Example: fillguard thresholds set too-fast 25 --by tech-1 --why "whip 2 runs hot in summer"
    """
    with exit_codes():
        from fillguard.app.authors import Author  # noqa: PLC0415
        from fillguard.app.thresholds import set_threshold as change  # noqa: PLC0415
        from fillguard.app.thresholds import target_of  # noqa: PLC0415 - keeps `--help` quick

        author = Author(by=_word("--by", by), why=_word("--why", why))
        done = change(config, os.environ, target_of(what), value, author, basis=basis)
        for line in done.change:
            say(str(line))
        if basis is None:
            say(f'it still rests on "{done.basis}": say --basis when that is not so any more')
        if done.told is not None:
            say(f"the running watch (process {done.told}) was told")
        elif done.running:
            say("the running watch could not be signalled: it looks at its files by itself, within seconds")
        else:
            say("no watch is running on this ledger: it counts from the next start")


@app.command()
def history(
    config: ConfigDir = Path("config"),
    *,
    last: Annotated[int, typer.Option("--last", help="How many.", min=1, max=10_000)] = 20,
) -> None:
    """What was in force from when on, by whom and why; newest first.

    Example: fillguard thresholds history --last 5
    """
    with exit_codes():
        from fillguard.app.thresholds import history as entries  # noqa: PLC0415 - keeps `--help` quick

        found = [
            (entry.when, entry.by, entry.why, "\n".join(entry.change) or "-", entry.config_hash[:12])
            for entry in entries(config, os.environ, limit=last)
        ]
        _print(("from", "by", "why", "what changed", "hash"), found)


def _word(option: str, text: str) -> str:
    text = text.strip()
    if not text or not text.isprintable():
        raise ConfigurationError(f"{option} {text!r}: say who changes it, and why")
    return text


def _print(columns: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> None:
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for column in columns:
        table.add_column(column, overflow="fold", no_wrap=column in {"alarm", "from"})
    for row in rows:
        table.add_row(*map(Text, row))
    Console().print(table)
