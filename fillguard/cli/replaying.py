"""`fillguard replay`."""

import itertools
import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.bench.replay import Line
from fillguard.cli.exits import exit_codes, say


def replay(
    capture: Annotated[Path, typer.Argument(help="Capture file (JSON Lines), as written by `fillguard capture`.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON Lines instead of a table.")] = False,
    trace: Annotated[bool, typer.Option("--trace", help="Also each fill's projections, one a second.")] = False,
    config: Annotated[Path | None, typer.Option("--config", help="Folder with station.toml; none: defaults.")] = None,
    register: Annotated[Path | None, typer.Option("--register", help="Cylinder register (CSV).")] = None,
    keep_thresholds: Annotated[
        bool, typer.Option("--keep-thresholds", help="Hold to the configuration's, whatever changed that day.")
    ] = False,
) -> None:
    """Put a recorded day through the same watch as live: what it would have said, and when.

    Reads no network and writes no ledger.

    Example: fillguard replay monday.jsonl --config config
    """
    with exit_codes():
        # Imported here: `fillguard --help` stays quick.
        from fillguard.app.gases import Gases  # noqa: PLC0415
        from fillguard.app.replaying import prepare  # noqa: PLC0415

        with capture.open("rb") as file:
            ready = prepare(
                file,
                config_dir=config,
                register=register,
                environ=os.environ,
                trace=trace,
                gases=Gases(report=say),
                keep_thresholds=keep_thresholds,
            )
            told = (line for happening in ready.happenings for line in ready.account.lines(happening))
            if as_json:
                for line in itertools.chain(told, ready.account.fills()):
                    _print(line)
            else:
                _tables(list(told), list(ready.account.fills()))


def _print(line: Line) -> None:
    sys.stdout.write(json.dumps(line, allow_nan=False, ensure_ascii=False) + "\n")


def _tables(told: list[Line], fills: list[Line]) -> None:
    console = Console()
    happened = Table(title="What the watch said", show_lines=False)
    for column in ("time", "whip", "what", "state", "in words"):
        happened.add_column(column, overflow="fold")
    for line in told:
        name = line.get("alarm") or line.get("finding") or line.get("phase")
        state = line.get("state") or line["kind"]
        text = line.get("text") or f"{line.get('settled_bar')} bar settled at {line.get('whip_bar')} on the gauge"
        happened.add_row(*map(_cell, (_time(line["t"]), line.get("whip"), name, state, text)))
    summary = Table(title="Fills")
    keys = ("fill", "serial", "outcome", "start_bar", "close_bar", "settled_bar", "limit_bar", "peak_rate_bar_min")
    for key in (*keys, "alarms", "findings"):
        summary.add_column(key.replace("_", " "), overflow="fold")
    for fill in fills:
        lists = (", ".join(map(str, _items(fill[key]))) for key in ("alarms", "findings"))
        summary.add_row(*(_cell(fill[key]) for key in keys), *lists)
    console.print(happened)
    console.print(summary)


def _time(t: object) -> str:
    return f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M:%S} UTC" if isinstance(t, float) else "-"


def _items(value: object) -> list[object]:
    return value if isinstance(value, list) else []


def _cell(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:.1f}" if isinstance(value, float) else str(value)
