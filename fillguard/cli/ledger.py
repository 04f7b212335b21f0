"""`fillguard ledger`: prove that the record is what was recorded, copy it, try the copy."""

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import typer
from rich.console import Console
from rich.table import Table

from fillguard.cli.exits import Exit, exit_codes
from fillguard.cli.offline import progress_bar

app = typer.Typer(
    help="Prove that the record is what was recorded, copy it, try the copy.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Ledger = Annotated[Path | None, typer.Option("--ledger", help="Ledger file; else the configured one.")]
AsJson = Annotated[bool, typer.Option("--json", help="For machines: one JSON object.")]

_Done = TypeVar("_Done")
_Progress = Callable[[int, int], None]


@app.command()
def verify(
    config: ConfigDir = Path("config"),
    *,
    ledger: Ledger = None,
    anchor: Annotated[
        str | None,
        typer.Option("--anchor", help="What was noted outside: a file with anchors, ROW:HEAD, or a head alone."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Compute the whole hash chain anew and say whether every row is what was recorded.

    Tells apart: intact, broken at a row, truncated, longer than its anchor, anchor mismatch; and says what was pruned.
    Exit code 0: intact; 4: the record is not what it was. The running watch is not disturbed.

    Example: fillguard ledger verify --anchor 20417:9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08
    """
    with exit_codes():
        from fillguard.app import proving, records  # noqa: PLC0415 - keeps `--help` quick

        path = records.ledger_path(config, ledger, os.environ)
        verdict = _with_bar("verifying", lambda progress: proving.checked(path, anchor, progress))
        if as_json:
            _print_json(proving.verdict_as_data(path, verdict))
        else:
            lines = proving.verdict_in_words(path, verdict, anchored=anchor is not None)
            sys.stdout.write("\n".join(lines) + "\n")
        if not verdict.ok:
            raise typer.Exit(Exit.TAMPERED)


@app.command()
def backup(
    target: Annotated[Path, typer.Argument(help="File to write; it must not exist, and appears whole or not at all.")],
    *,
    config: ConfigDir = Path("config"),
    ledger: Ledger = None,
    as_json: AsJson = False,
) -> None:
    """Copy the ledger, in use or not, check the copy and verify it.

    Example: fillguard ledger backup /media/stick/tern-2026-11-25.sqlite3
    """
    with exit_codes():
        from fillguard.app import proving, records  # noqa: PLC0415 - keeps `--help` quick

        path = records.ledger_path(config, ledger, os.environ)
        made = _with_bar("copying", lambda progress: proving.backed_up(path, target, progress))
        if as_json:
            _print_json(proving.verdict_as_data(target, made.verdict) | {"bytes": made.size_bytes})
        else:
            sys.stdout.write(f"{target}: {made.size_bytes / 1e6:.1f} MB\n")
            lines = proving.verdict_in_words(target, made.verdict, anchored=False)
            sys.stdout.write("\n".join(lines) + "\n")
        if not made.verdict.ok:
            raise typer.Exit(Exit.TAMPERED)


@app.command()
def drill(
    copy: Annotated[Path, typer.Argument(metavar="BACKUP", help="A copy made with `fillguard ledger backup`.")],
    *,
    config: ConfigDir = Path("config"),
    ledger: Ledger = None,
    alone: Annotated[bool, typer.Option("--alone", help="The original is lost: look at the copy by itself.")] = False,
    as_json: AsJson = False,
) -> None:
    """Try a backup as if it had to be restored now: open, check, verify, read, compare with the original.

    Nothing is written. Exit code 0: it could be put to use; 4: it could not.

    Example: fillguard ledger drill /media/stick/tern-2026-11-25.sqlite3
    """
    with exit_codes():
        from fillguard.app import proving, records  # noqa: PLC0415 - keeps `--help` quick

        original = None if alone else records.ledger_path(config, ledger, os.environ)
        if original is not None:
            proving.refuse_same_file(copy, original)
        steps = _with_bar("trying", lambda progress: proving.drilled(copy, original, progress))
        ok = proving.passed(steps)
        if as_json:
            said = [{"what": step.what, "ok": step.ok, "detail": step.detail} for step in steps]
            _print_json({"v": 1, "backup": str(copy), "ok": ok, "steps": said})
        else:
            table = Table(title=f"{copy}: {'could be put to use' if ok else 'could NOT be put to use'}")
            for column in ("what must hold", "does it", "detail"):
                table.add_column(column, overflow="fold")
            for step in steps:
                table.add_row(step.what, "yes" if step.ok else "NO", step.detail)
            Console().print(table)
        if not ok:
            raise typer.Exit(Exit.TAMPERED)


def _with_bar(what: str, work: Callable[[_Progress], _Done]) -> _Done:
    with progress_bar(what) as bar:
        task = bar.add_task(what, total=None)
        return work(lambda done, total: bar.update(task, completed=done, total=total))


def _print_json(said: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(said, ensure_ascii=False, allow_nan=False) + "\n")
