"""`fillguard attach`, `detach`, `override`: what hangs on a whip, and who answers for it."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from fillguard.cli.exits import exit_codes, say

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Whip = Annotated[str, typer.Argument(help="Whip id, as in station.toml.")]
Operator = Annotated[str, typer.Option("--operator", help="Who.")]


def _gas(text: str) -> object:
    """`air`, `oxygen`, or fractions: `o2=0.32`, `o2=0.18,he=0.45`."""
    if "=" not in text:
        return text
    try:
        return {name.strip(): float(value) for name, value in (part.split("=") for part in text.split(","))}
    except ValueError:
        raise typer.BadParameter(
            f"{text!r}: write air, oxygen or fractions such as o2=0.32 or o2=0.18,he=0.45"
        ) from None


def attach(
    whip: Whip,
    serial: Annotated[str, typer.Argument(help="Serial as stamped; a scanner types it for you.")],
    *,
    operator: Operator,
    gas: Annotated[str, typer.Option("--gas", help="air, oxygen, or fractions: o2=0.32.")] = "air",
    target_bar: Annotated[float | None, typer.Option("--target-bar", help="Settled; else the limit.")] = None,
    target_psi: Annotated[float | None, typer.Option("--target-psi", help="Settled; else the limit.")] = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Say which cylinder hangs on a whip, and read at once whether it may be filled, how far, and why not.

    The watch hears it through the broker. A verdict does not stop anybody: it operates no valve.

    Example: fillguard attach 2 TH-0042 --gas o2=0.32 --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        asked = {"target_bar": target_bar, "target_psi": target_psi}
        attaching.attach(
            whip,
            serial,
            operator=operator,
            gas=_gas(gas),
            target={key: value for key, value in asked.items() if value is not None},
            config=config,
            environ=os.environ,
            tell=lambda verdict: print(verdict.text, file=sys.stdout, flush=True),  # noqa: T201 - before it is sent
        )


def detach(whip: Whip, *, operator: Operator, config: ConfigDir = Path("config")) -> None:
    """Say that a whip is free.

    Example: fillguard detach 2 --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        attaching.detach(whip, operator=operator, config=config, environ=os.environ)
        say(f"whip {whip}: detached")


def override(
    whip: Whip,
    *,
    operator: Annotated[str, typer.Option("--operator", help="Who answers for it.")],
    reason: Annotated[str, typer.Option("--reason", help="Why it is filled all the same.")],
    config: ConfigDir = Path("config"),
) -> None:
    """Answer by name for filling what the verdict says not to fill. Some things nobody may override.

    Whether it was taken stands in the state of the whip and in the record.

    Example: fillguard override 2 --operator op-1 --reason "inspected this morning, sticker to follow"
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        attaching.override(whip, operator=operator, reason=reason, config=config, environ=os.environ)
        say(f"whip {whip}: sent; the state of the whip says whether anybody may override this")
