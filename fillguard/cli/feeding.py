"""`fillguard feed`: prove a sensor's mapping before it is trusted."""

import json
import os
import re
import sys
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import Exit, exit_codes, say

if TYPE_CHECKING:
    from fillguard.app.feeding import Line

app = typer.Typer(
    help="Prove a sensor's mapping: what its messages become, and what unknown topics may carry.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
MOST_SHOWN = 2000
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min)?")


def _seconds(text: str) -> float:
    match = _SPAN.fullmatch(text.strip())
    if match is None or not 0.0 < float(match[1]) <= 86_400.0:  # noqa: PLR2004 - a day
        raise typer.BadParameter("a time such as 30s or 5min is needed")
    return float(match[1]) * (60.0 if match[2] == "min" else 1.0)


@app.command("try")
def try_feed(
    feed: Annotated[str, typer.Argument(help="The name of a [[feed]] in station.toml.")],
    config: ConfigDir = Path("config"),
    *,
    sample: Annotated[
        str | None, typer.Option("--sample", help="A capture file, - for standard input; with --topic one payload.")
    ] = None,
    topic: Annotated[str | None, typer.Option(help="The sample is one bare payload that came on this topic.")] = None,
    live: Annotated[
        float | None, typer.Option(parser=_seconds, metavar="TIME", help="Listen to the broker: 30s.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON Lines instead of a table.")] = False,
) -> None:
    """Show what each message of a feed becomes, or why it is refused. Changes nothing and records nothing.

    Exit code 1 when nothing usable came.

    Example: fillguard feed try gauges --config config --live 30s
    """
    with exit_codes():
        from fillguard.app import feeding  # noqa: PLC0415 - keeps `--help` quick

        if (sample is None) == (live is None):
            raise typer.BadParameter("give one of --sample and --live")
        with _opened(sample) as lines:
            messages = feeding.sample(lines, topic) if sample is not None else None
            came, useful = _show(
                feeding.try_feed(feed, config, os.environ, messages=messages, live_s=live or 0.0, progress=say),
                as_json=as_json,
            )
        if not useful:
            say("nothing usable came" if came else "no message of this feed came")
            raise typer.Exit(Exit.FAILED)


def _show(lines: "Iterable[Line]", *, as_json: bool) -> tuple[int, int]:
    """Print what messages became; returns how many lines, and how many of them are no refusals."""
    newest: deque[Line] = deque(maxlen=MOST_SHOWN)
    came = useful = 0
    for line in lines:
        came += 1
        useful += line["kind"] != "rejected"
        if as_json:
            sys.stdout.write(json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n")
        else:
            newest.append(line)
    if not as_json:
        Console().print(_table(newest))
        if came > MOST_SHOWN:
            say(f"the newest {MOST_SHOWN} of {came} are shown: --json prints all of them")
    return came, useful


@app.command()
def discover(
    config: ConfigDir = Path("config"),
    *,
    seconds: Annotated[
        float, typer.Option("--for", parser=_seconds, metavar="TIME", help="How long to listen: 30s, 5min.")
    ] = 30.0,
) -> None:
    """Listen to every topic of the broker and propose a [[feed]] for each unknown one. Writes no file.

    What is proposed is guessed from names and a few values: check every line, then prove it with `feed try`.

    Example: fillguard feed discover --config config --for 30s
    """
    with exit_codes():
        from fillguard.app import feeding  # noqa: PLC0415 - keeps `--help` quick

        for block in feeding.discover(config, os.environ, seconds=seconds, progress=say):
            sys.stdout.write(block + "\n")


@app.command()
def preset(
    name: Annotated[str | None, typer.Argument(help="Which one; left out: all of them are named.")] = None,
) -> None:
    """Print a [[feed]] to begin with, for an open standard or a usual sensor. Writes no file.

    Names, units and ranges in it are examples: put in your own, then prove it with `feed try`.

    Example: fillguard feed preset senml
    """
    with exit_codes():
        from fillguard.app import feeding  # noqa: PLC0415 - keeps `--help` quick

        known = feeding.presets()
        if name is None:
            for each, block in known.items():
                sys.stdout.write(f"{each:<12} {block.partition(chr(10))[0].removeprefix('# ')}\n")
        elif name in known:
            sys.stdout.write(known[name])
        else:
            raise typer.BadParameter(f"there is no preset {name!r}: there are {', '.join(known)}")


@contextmanager
def _opened(sample: str | None) -> Iterator[Iterator[bytes]]:
    if sample is None:
        yield iter(())
    elif sample == "-":
        yield iter(sys.stdin.buffer)
    else:
        with Path(sample).open("rb") as lines:
            yield iter(lines)


def _table(told: "Iterable[Line]") -> Table:
    table = Table()
    for column in ("arrived", "topic", "whip", "what", "value", "sample", "quality"):
        table.add_column(column, overflow="fold")
    for line in told:
        table.add_row(_clock(line["t"]), str(line["topic"]), str(line.get("whip") or "-"), *_cells(line))
    return table


def _cells(line: "Line") -> tuple[str, str, str, str]:
    match line["kind"]:
        case "reading":
            quality = f"{line['quality']}: {line['doubt']}" if line["doubt"] else str(line["quality"])
            return str(line["quantity"]), f"{line['value']} {line['unit']}", _clock(line["sample_t"]), quality
        case "attach":
            return "cylinder", str(line["serial"] or "none: the whip is free"), "-", f"by {line['operator'] or '-'}"
        case "presence":
            return "presence", "online" if line["online"] else "offline", "-", "-"
        case "question":
            return "settled" if line["settled"] else "question", "-", "-", str(line["detail"])
        case _:
            return "refused", str(line["sample"])[:40], "-", f"{line['reason']}: {line['detail']}"


def _clock(seconds: object) -> str:
    if not isinstance(seconds, int | float):
        return "-"
    return f"{datetime.fromtimestamp(seconds, UTC):%H:%M:%S.%f}"[:-3]
