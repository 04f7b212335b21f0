"""`fillguard attach`, `detach`, `checked`, `override`: what hangs on a whip, and who answers for it."""

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from fillguard.cli.exits import exit_codes, say

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Whip = Annotated[str, typer.Argument(help="Whip id, as in station.toml.")]
Operator = Annotated[str, typer.Option("--operator", help="Who.")]

ValveFound = Annotated[
    list[str] | None,
    typer.Option(
        "--valve-found",
        help="What you noticed at its valve: stiff, weeping, bubbles-at-stem, bubbles-at-neck, bent, knocked, "
        "will-not-seal. May be given again.",
    ),
]
Stages = Annotated[
    list[str] | None,
    typer.Option(
        "--stage",
        help="Partial pressure, instead of --gas and target: gas:bar@whip, in order. bar: where the WHOLE contents are "
        "to settle. Such as --stage oxygen:29@3 --stage air:207.",
    ),
]
ValveNote = Annotated[str | None, typer.Option("--valve-note", help="The same in your own words.")]


def gas_said(text: str) -> object:
    """`air`, `oxygen`, or fractions: `o2=0.32`, `o2=0.18,he=0.45`."""
    if "=" not in text:
        return text
    try:
        return {name.strip(): float(value) for name, value in (part.split("=") for part in text.split(","))}
    except ValueError:
        raise typer.BadParameter(
            f"{text!r}: write air, oxygen or fractions such as o2=0.32 or o2=0.18,he=0.45"
        ) from None


def stage_said(text: str) -> dict[str, object]:
    """`o2=1.0:29@3`: gas, settled bar of the whole contents after it, whip; without `@` the whip of the command."""
    told, _, whip = text.partition("@")
    gas, _, bar = told.rpartition(":")
    try:
        stage: dict[str, object] = {"gas": gas_said(gas), "target_bar": float(bar)}
    except ValueError:
        raise typer.BadParameter(f"{text!r}: write gas:bar or gas:bar@whip, such as oxygen:29@3 or air:207") from None
    return stage | {"whip": whip} if whip else stage


def attach(
    whip: Whip,
    serial: Annotated[str | None, typer.Argument(help="Serial as stamped; a scanner types it for you.")] = None,
    *,
    operator: Operator,
    class_name: Annotated[str | None, typer.Option("--class", help="A visitor's cylinder: its [[class]].")] = None,
    gas: Annotated[str, typer.Option("--gas", help="air, oxygen, or fractions: o2=0.32.")] = "air",
    residual_gas: Annotated[str | None, typer.Option("--residual-gas", help="What is in it; else --gas.")] = None,
    target_bar: Annotated[float | None, typer.Option("--target-bar", help="Settled; else the limit.")] = None,
    target_psi: Annotated[float | None, typer.Option("--target-psi", help="Settled; else the limit.")] = None,
    stages: Stages = None,
    arrived: Annotated[str | None, typer.Option("--arrived", help="shop, cold, hot or degrees C.")] = None,
    bath: Annotated[bool, typer.Option("--bath", help="It stands in a water bath.")] = False,
    stamp_read: Annotated[bool, typer.Option("--stamp-read", help="The shoulder says this rating.")] = False,
    test_date_read: Annotated[bool, typer.Option("--test-date-read", help="The test date is in date.")] = False,
    inspection_read: Annotated[bool, typer.Option("--inspection-read", help="The inspection is in date.")] = False,
    valves_open: Annotated[bool, typer.Option("--valves-open", help="Valve open; of a set, isolator too.")] = False,
    valve_found: ValveFound = None,
    valve_note: ValveNote = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Say which cylinder hangs on a whip, and read at once whether it may be filled, how far, and why not.

    The watch hears it through the broker. A verdict does not stop anybody: it operates no valve.

    Example: fillguard attach 2 TH-0042 --gas o2=0.32 --stamp-read --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        ticks = {
            "stamp-read": stamp_read,
            "test-date-read": test_date_read,
            "inspection-read": inspection_read,
            "valves-open": valves_open,
        }
        said = {
            "serial": serial,
            "class": class_name,
            "operator": operator,
            "gas": None if stages else gas_said(gas),
            "stages": [stage_said(text) for text in stages] if stages else None,
            "residual_gas": None if residual_gas is None else gas_said(residual_gas),
            "target_bar": target_bar,
            "target_psi": target_psi,
            "arrived": _arrived(arrived),
            "surroundings": "bath" if bath else None,
            "checked": [word for word, ticked in ticks.items() if ticked] or None,
            "valve_found": valve_found or None,
            "valve_note": valve_note,
        }
        attaching.attach(
            whip,
            {key: value for key, value in said.items() if value is not None},
            config=config,
            environ=os.environ,
            tell=lambda verdict: print(verdict.text, file=sys.stdout, flush=True),  # noqa: T201 - before it is sent
        )


def _arrived(word: str | None) -> str | float | None:
    try:
        return None if word is None else float(word)
    except ValueError:
        return word


def detach(
    whip: Whip,
    *,
    operator: Operator,
    valve_found: ValveFound = None,
    valve_note: ValveNote = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Say that a whip is free, and what was noticed at the cylinder's valve.

    Example: fillguard detach 2 --operator op-1 --valve-found stiff
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        said = {"operator": operator, "valve_found": valve_found or None, "valve_note": valve_note}
        given = {key: value for key, value in said.items() if value is not None}
        attaching.detach(whip, given, config=config, environ=os.environ)
        say(f"whip {whip}: detached")


def checked(
    whip: Whip,
    checks: Annotated[
        list[str],
        typer.Argument(help="stamp-read, test-date-read, inspection-read, valves-open, right-cylinder."),
    ],
    *,
    operator: Operator,
    config: ConfigDir = Path("config"),
) -> None:
    """Tick what you looked at on the cylinder that hangs on a whip. A rating above the whip's lowest one waits for it.

    Exit code 1 when the watch refuses (it says why) or does not answer.

    Example: fillguard checked 2 stamp-read --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        attaching.check(whip, checks, operator=operator, config=config, environ=os.environ)
        say(f"whip {whip}: ticked: {', '.join(checks)}")


def stage(
    whip: Whip,
    number: Annotated[int, typer.Argument(help="Which stage comes now, from 1.")],
    *,
    operator: Operator,
    config: ConfigDir = Path("config"),
) -> None:
    """Say which stage of a partial-pressure fill comes now, where the one before closed short of its target.

    Exit code 1 when the watch refuses (it says why) or does not answer.

    Example: fillguard stage 3 2 --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        attaching.call_stage(whip, number, operator=operator, config=config, environ=os.environ)
        say(f"whip {whip}: stage {number} comes now")


def closed(whip: Whip, *, operator: Operator, config: ConfigDir = Path("config")) -> None:
    """Say that this whip is closed while others go on filling from the same gauge: its fill ends, theirs goes on.

    Exit code 1 when the watch refuses (it says why) or does not answer.

    Example: fillguard closed 1 --operator op-1
    """
    with exit_codes():
        from fillguard.app import attaching  # noqa: PLC0415 - keeps `--help` quick

        attaching.close(whip, operator=operator, config=config, environ=os.environ)
        say(f"whip {whip}: closed, out of the group")


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
