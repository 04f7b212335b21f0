"""`fillguard fills`: the fills on record, corrections of what people said of them, and all that is known of one."""

import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import exit_codes, say
from fillguard.core.errors import ConfigurationError

app = typer.Typer(
    help="List the newest fills of the record; correct one; all that is known of one.", rich_markup_mode=None
)

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Ledger = Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")]
FillId = Annotated[str, typer.Argument(metavar="FILL", help="Fill id, as in `fillguard fills`.")]
_LONGEST = 200


@app.callback(invoke_without_command=True)
def fills(
    context: typer.Context,
    config: ConfigDir = Path("config"),
    *,
    ledger: Ledger = None,
    limit: Annotated[int, typer.Option(help="How many at most.", min=1)] = 20,
) -> None:
    """List the newest fills of the record; what was corrected is marked so.

    Example: fillguard fills --config config --limit 50
    """
    if context.invoked_subcommand is not None:
        return
    with exit_codes():
        from fillguard.app.records import fill_rows  # noqa: PLC0415 - keeps `--help` quick

        rows = fill_rows(config, ledger, os.environ, limit=limit)
        if not rows:
            say("no fills on record yet")
            return
        table = Table()
        for key in rows[0]:
            table.add_column(key, overflow="fold")
        for row in rows:
            table.add_row(*row.values())
        Console().print(table)


@app.command()
def correct(
    fill: FillId,
    *,
    field: Annotated[str, typer.Option("--field", help="operator, serial, o2, he or note.")],
    to: Annotated[str, typer.Option("--to", help="What it should have said; a gas as a fraction: 0.32.")],
    by: Annotated[str, typer.Option("--by", help="Who corrects it.")],
    why: Annotated[str, typer.Option("--why", help="The reason, for whoever reads this in years.")],
    config: ConfigDir = Path("config"),
) -> None:
    """Correct what somebody said of a fill: a new row that names it, by whom and why. The fill's own row stays.

    What was measured or computed cannot be corrected: doubt it in a note.

    Example: fillguard fills correct tern-1-20261124T220945Z --field operator --to op-2 --by tech-1 --why "misread"
    """
    with exit_codes():
        from fillguard.app import correcting  # noqa: PLC0415 - keeps `--help` quick

        made = correcting.correct(
            fill, field, to, by=_said("--by", by), why=_said("--why", why), config=config, environ=os.environ
        )
        sys.stdout.write(f"{fill}: {made}\n")


@app.command()
def dossier(
    fill: FillId,
    config: ConfigDir = Path("config"),
    *,
    ledger: Ledger = None,
    as_json: Annotated[bool, typer.Option("--json", help="For machines; what is not recorded is null.")] = False,
) -> None:
    """Put everything on record about one fill into one document, with its raw data and the proof of both.

    What nobody recorded is told as "not recorded".

    Example: fillguard fills dossier tern-1-20261124T220945Z > dossier.txt
    """
    with exit_codes():
        from fillguard.app.dossier import dossier as dossier_of  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.app.records import ledger_path  # noqa: PLC0415 - keeps `--help` quick
        from fillguard.app.shown import in_words  # noqa: PLC0415 - keeps `--help` quick

        document = dossier_of(ledger_path(config, ledger, os.environ), fill)
        if as_json:
            sys.stdout.write(json.dumps({"v": 1, **document}, ensure_ascii=False, allow_nan=False) + "\n")
        else:
            sys.stdout.write("\n".join(in_words(document)) + "\n")


def _said(option: str, text: str) -> str:
    text = text.strip()
    if not (0 < len(text) <= _LONGEST and text.isprintable()):
        raise ConfigurationError(f"{option} {text!r}: say it in 1 to {_LONGEST} printable characters")
    return text
