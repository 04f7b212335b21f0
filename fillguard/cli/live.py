"""Commands that talk to a broker: watch, capture, demonstrate."""

import os
from pathlib import Path
from typing import Annotated

import typer

from fillguard.cli.exits import Exit, exit_codes, say

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]


def run(
    config: ConfigDir = Path("config"),
    *,
    drill: Annotated[
        bool, typer.Option("--drill", help="Practice: marked everywhere, on a ledger of its own.")
    ] = False,
) -> None:
    """Watch the station until stopped (SIGTERM, Ctrl-C): subscribe, judge, alarm, record.

    One watch per ledger: a second one exits with 3 and names the holder.

    Example: fillguard run --config /etc/fillguard
    """
    with exit_codes():
        from fillguard.app.running import run_station  # noqa: PLC0415 - keeps `--help` quick

        if not run_station(config, os.environ, drill=drill):
            raise typer.Exit(Exit.FAILED)


def capture(
    out: Annotated[Path, typer.Argument(help="File to write, one message a line; it is added to.")],
    config: ConfigDir = Path("config"),
    *,
    seconds: Annotated[float | None, typer.Option("--for", help="Stop after so many seconds.", min=0.1)] = None,
) -> None:
    """Record what comes over the wire, for `replay` and for finding out what a sensor really says.

    Uses a client id and session of its own: a running watch loses nothing.

    Example: fillguard capture monday.jsonl --config config --for 3600
    """
    with exit_codes():
        from fillguard.app.hearing import capture_to  # noqa: PLC0415 - keeps `--help` quick

        count = capture_to(out, config, os.environ, seconds=seconds, progress=say)
        say(f"{out}: {count} messages")


def demo(
    *,
    stay: Annotated[bool, typer.Option("--stay", help="Keep watching after the scenario has ended.")] = False,
    folder: Annotated[
        Path | None, typer.Option("--folder", help="Where configuration and record go; else a new temporary folder.")
    ] = None,
    speed: Annotated[float, typer.Option(help="How many times faster than life.", min=1.0, max=20.0)] = 10.0,
    scenario: Annotated[str, typer.Option(help="Scenario file, or the name of a shipped one.")] = "tern-harbour",
) -> None:
    """Show a made-up morning at a fill station: broker, sensors, watch and alerts, all on this machine.

    Nothing leaves the machine, everything is marked DRILL.

    Example: fillguard demo
    """
    with exit_codes():
        from fillguard.app.demo import Demo  # noqa: PLC0415 - keeps `--help` quick

        demonstration = Demo(folder=folder, scenario=scenario, environ=os.environ)
        if not demonstration.run(speed=speed, stay=stay):
            raise typer.Exit(Exit.INTERRUPTED)
