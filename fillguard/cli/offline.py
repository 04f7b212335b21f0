"""Commands that need no broker: check a configuration, export the record, make a station up."""

import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from fillguard.cli.exits import Exit, exit_codes, say
from fillguard.ledger.export import Form, What, form_of

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]


def check_config(
    config: Annotated[Path, typer.Argument(help="Folder with station.toml, alarms.toml, cylinders.csv.")] = Path(
        "config"
    ),
    *,
    sample: Annotated[
        Path | None, typer.Option("--sample", help="Capture file: say also what the feeds never find in it.")
    ] = None,
) -> None:
    """Say everything that is wrong with a configuration: file, key, value, what is allowed.

    Example: fillguard check-config config --sample monday.jsonl
    """
    with exit_codes():
        from fillguard.app.checking import problems_in  # noqa: PLC0415 - keeps `--help` quick

        problems = problems_in(config, os.environ)
        for problem in problems:
            say(str(problem))
        if problems:
            raise typer.Exit(Exit.BAD_INPUT)
        if sample is not None:
            _check_feeds(config, sample)
        sys.stdout.write(f"{config}: nothing wrong\n")


def _check_feeds(config: Path, sample: Path) -> None:
    """Exit when a feed expects what the sample never gives."""
    from fillguard.app import feeding  # noqa: PLC0415 - keeps `--help` quick

    with sample.open("rb") as lines:
        dead = feeding.dead_readings(config, os.environ, feeding.sample(lines, None))
    for text in dead:
        say(f"{sample}: {text}")
    if dead:
        raise typer.Exit(Exit.BAD_INPUT)


def simulate(
    scenario: Annotated[
        str, typer.Argument(help="Scenario file (TOML), or the name of a shipped one.")
    ] = "tern-harbour",
    *,
    out: Annotated[Path | None, typer.Option("--out", help="Write a capture file instead of publishing.")] = None,
    truth: Annotated[Path | None, typer.Option("--truth", help="With --out: what really happened (JSON).")] = None,
    host: Annotated[str, typer.Option(help="Broker to publish to.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Its port.")] = 1883,
    seed: Annotated[int | None, typer.Option(help="Another seed: other noise, same acts.")] = None,
) -> None:
    """Play a made-up fill station: as a capture file, or live over MQTT.

    Live it keeps the pace of life, or of the drill clock in FILLGUARD_DRILL_CLOCK. Never publish to a broker that
    people at a real panel look at.

    Example: fillguard simulate tern-harbour --out morning.jsonl --truth morning-truth.json
    """
    with exit_codes():
        from fillguard.app import simulating  # noqa: PLC0415 - keeps `--help` quick

        path = simulating.scenario_path(scenario)
        if out is None:
            published = simulating.publish(path, host=host, port=port, seed=seed, environ=os.environ)
            say(f"{published.sent} messages sent, {published.unacknowledged} of them not acknowledged")
            return
        with progress_bar("simulating") as progress:
            task = progress.add_task("simulating", total=1.0)
            fills = simulating.write(
                path, out, truth=truth, seed=seed, progress=lambda share: progress.update(task, completed=share)
            )
        sys.stdout.write(f"{out}: {len(fills)} {'fill' if len(fills) == 1 else 'fills'}\n")


def export(
    what: Annotated[What, typer.Argument(help="Which part of the record.")],
    out: Annotated[Path, typer.Argument(help="File to write; it appears whole or not at all.")],
    *,
    config: ConfigDir = Path("config"),
    ledger: Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")] = None,
    form: Annotated[Form | None, typer.Option("--format", help="Else by the file's ending.")] = None,
    since: Annotated[str | None, typer.Option(help="First day or instant, ISO 8601 (UTC).")] = None,
    until: Annotated[str | None, typer.Option(help="First instant no longer wanted, ISO 8601 (UTC).")] = None,
) -> None:
    """Write fills, alarms, readings or events to a file: bar gauge, degrees C, ISO 8601.

    Example: fillguard export fills november.csv --since 2026-11-01 --until 2026-12-01
    """
    with exit_codes():
        from fillguard.app.records import export_to  # noqa: PLC0415 - keeps `--help` quick

        chosen = form or form_of(out.name)
        with progress_bar(f"exporting {what}") as progress:
            task = progress.add_task(f"exporting {what}", total=None)
            count = export_to(
                out,
                what,
                chosen,
                config=config,
                ledger=ledger,
                environ=os.environ,
                since_s=_instant("--since", since),
                until_s=_instant("--until", until),
                progress=lambda done, total: progress.update(task, completed=done, total=total),
            )
        sys.stdout.write(f"{out}: {count} {what}\n")


def _instant(option: str, text: str | None) -> float | None:
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        say(f"fillguard: {option} {text!r}: write a day or an instant like 2026-11-01 or 2026-11-01T08:00")
        raise typer.Exit(Exit.BAD_INPUT) from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def progress_bar(what: str) -> Progress:
    """A progress bar on standard error; nothing but the end where that is no terminal."""
    return Progress(
        TextColumn(what),
        BarColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )
