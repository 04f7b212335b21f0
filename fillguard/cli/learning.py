"""Commands about what the station has learned of itself."""

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import Exit, exit_codes, say
from fillguard.core.errors import ConfigurationError

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]


def settled(
    fill: Annotated[str, typer.Argument(help="Fill id, as in `fillguard fills`.")],
    *,
    bar: Annotated[float, typer.Option("--bar", help="What the gauge reads, bar.", min=1.0, max=400.0)],
    at_c: Annotated[
        float, typer.Option("--at-c", help="Temperature of the cylinder throughout, degrees C.", min=-20.0, max=50.0)
    ],
    by: Annotated[str, typer.Option("--by", help="Who read it.")],
    config: ConfigDir = Path("config"),
) -> None:
    """Record a settled reading: a filled cylinder that has stood for hours at a temperature you know.

    It goes through the running watch, or straight into the record when none runs.

    Example: fillguard settled tern-1-20261124T220945Z --bar 201.3 --at-c 20.5 --by tech-1
    """
    with exit_codes():
        from fillguard.app import learning  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.core.units import bar_from_pa, k_from_c, pa_from_bar  # noqa: PLC0415

        judged = learning.settled(
            fill,
            gauge_pa=pa_from_bar(bar),
            temperature_k=k_from_c(at_c),
            by=_name("--by", by),
            config=config,
            environ=os.environ,
        )
        if judged is None:
            _unanswered()
        elif judged.lesson is not None:
            say(f"recorded; it taught the station (projected {bar_from_pa(judged.projected_gauge_pa or 0.0):.1f} bar)")
        else:
            say(f"recorded; it teaches nothing: {judged.untaught}")


def learned(
    config: ConfigDir = Path("config"),
    *,
    ledger: Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")] = None,
    reset: Annotated[bool, typer.Option("--reset", help="Put the shipped values back.")] = False,
    by: Annotated[str | None, typer.Option("--by", help="With --reset: who.")] = None,
    why: Annotated[str | None, typer.Option("--why", help="With --reset: the reason.")] = None,
) -> None:
    """Show what the station has learned of itself: values in use, their doubt, what taught them.

    Example: fillguard learned --config config
    """
    with exit_codes():
        from fillguard.app import learning  # noqa: PLC0415 - keeps `--help` quick

        if reset:
            done = learning.reset(by=_name("--by", by), why=_name("--why", why), config=config, environ=os.environ)
            if done is None:
                _unanswered()
            else:
                say(f"the shipped values are in use again, as version {done.learned.version}")
            return
        known = learning.in_use(config, ledger, os.environ)
        for problem in known.told:
            say(f"fillguard: {problem}")
        console = Console()
        values = Table(title=f"Learned values, version {known.learned.version}")
        for column in ("what", "value", "90 % between", "lessons"):
            values.add_column(column, overflow="fold")
        for row in learning.value_rows(known.learned):
            values.add_row(*row)
        console.print(values)
        if known.history:
            history = Table(title="What changed them, newest first")
            for column in ("version", "when (UTC)", "by", "why"):
                history.add_column(column, overflow="fold")
            for change in known.history:
                at = f"{datetime.fromtimestamp(change.stamp.utc_s, UTC):%Y-%m-%d %H:%M:%S}"
                history.add_row(str(change.learned.version), at, change.by, change.why)
            console.print(history)


_LONGEST = 200


def _name(option: str, text: str | None) -> str:
    text = (text or "").strip()
    if not (0 < len(text) <= _LONGEST and text.isprintable()):
        raise ConfigurationError(f"{option} {text!r}: say it in 1 to {_LONGEST} printable characters")
    return text


def _unanswered() -> None:
    say("fillguard: the running watch has not answered: see `fillguard learned` later, it may still be on its way")
    raise typer.Exit(Exit.FAILED)
