"""`fillguard mirror`: the copy of the record in a time series server."""

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import exit_codes, say
from fillguard.core.errors import ConfigurationError

app = typer.Typer(
    help="The mirror: how far it is behind the record, what it refused, sending again.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
LedgerFile = Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")]


@app.command()
def status(config: ConfigDir = Path("config"), *, ledger: LedgerFile = None) -> None:
    """Show how far the mirror has come and which rows it refused.

    Example: fillguard mirror status --config config
    """
    with exit_codes():
        from fillguard.app.mirroring import mirror_status  # noqa: PLC0415 - keeps `--help` quick

        told = mirror_status(config, ledger, os.environ)
        table = Table("rows", "on record", "sent", "behind", "to be sent again from")
        for stream in told.streams:
            table.add_row(
                f"{stream.name}s",
                str(stream.newest_row),
                str(stream.sent_row),
                str(stream.behind),
                str(stream.asked_from_row or ""),
            )
        Console().print(table)
        if told.waiting_since_utc_s is not None:
            say(f"the oldest reading that waits came {_utc(told.waiting_since_utc_s)} UTC")
        if told.last_word is not None:
            how = "works" if told.last_word.ok else "FAILS"
            say(f"{how} since {_utc(told.last_word.utc_s)}: {told.last_word.detail}")
        for refused in told.refused:
            say(
                f"refused {_utc(refused.utc_s)}: {refused.stream} rows {refused.first_row} to {refused.last_row}: "
                f"{refused.reason}"
            )


@app.command()
def resend(
    config: ConfigDir = Path("config"),
    *,
    start: Annotated[str, typer.Option("--from", help="Row number of a reading, or day or instant (ISO 8601, UTC).")],
    by: Annotated[str, typer.Option("--by", help="Who asks; it stands in the audit trail.")],
    ledger: LedgerFile = None,
) -> None:
    """Send rows again, from a row or a time on. The server keeps one of each: nothing is doubled.

    The running watch begins with it within seconds; when none runs, the next one does.

    Example: fillguard mirror resend --from 2026-11-24 --by tech-1
    """
    with exit_codes():
        from fillguard.app import mirroring  # noqa: PLC0415 - keeps `--help` quick

        row = int(start) if start.isdecimal() else None
        since_s = None if row is not None else _instant(start)
        if row == 0:
            raise ConfigurationError("--from 0: rows count from 1")
        rows = mirroring.resend(config, ledger, os.environ, row=row, since_s=since_s, by=by)
        say("to be sent again: " + ", ".join(f"{name}s from row {first}" for name, first in rows.items()))


def _instant(text: str) -> float:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(
            f"--from {text!r}: give a row number, a day such as 2026-11-24 or an instant such as 2026-11-24T22:09:45Z"
        ) from None
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()


def _utc(utc_s: float) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC):%Y-%m-%d %H:%M:%S}"
