"""`fillguard acknowledge`, `reset`, `shelve` and the like: a named person acts on an alarm, and hears the answer."""

import os
from pathlib import Path
from typing import Annotated

import typer

from fillguard.cli.exits import exit_codes, say
from fillguard.core.events import Verb

ConfigDir = Annotated[Path, typer.Option("--config", help="Folder with station.toml.")]
Alarm = Annotated[
    str, typer.Argument(help="Occurrence id, as in `fillguard alarms list`, or an alarm's name together with --whip.")
]
Operator = Annotated[str, typer.Option("--operator", help="Who.")]
Whip = Annotated[str | None, typer.Option("--whip", help="Whip id; left out for an alarm of the station.")]


def acknowledge(alarm: Alarm, *, operator: Operator, whip: Whip = None, config: ConfigDir = Path("config")) -> None:
    """Say that you have seen an alarm and see to it.

    Exit code 1 when the watch refuses (it says why) or does not answer.

    Example: fillguard acknowledge overfill --whip 2 --operator op-1
    """
    _act(Verb.ACKNOWLEDGE, alarm, who=operator, whip=whip, config=config, done="acknowledged")


def reset(
    alarm: Alarm,
    *,
    operator: Operator,
    done: Annotated[str, typer.Option("--done", help="What was done about it.")],
    whip: Whip = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Let go of a latched alarm, once its cause is gone and something was done about it.

    Example: fillguard reset overfill --whip 2 --operator op-1 --done "bled to 205 bar, tagged for inspection"
    """
    _act(Verb.RESET, alarm, who=operator, whip=whip, config=config, done="reset", reason=done)


def shelve(
    alarm: Alarm,
    *,
    operator: Operator,
    reason: Annotated[str, typer.Option("--reason", help="Why it is set aside.")],
    minutes: Annotated[float, typer.Option("--minutes", help="For how long: 30 at most.", min=1.0, max=30.0)],
    whip: Whip = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Set an alarm aside for a while: it is still judged, and calls again by itself. Never one of priority 1.

    Example: fillguard shelve too-fast --whip 2 --minutes 20 --operator op-1 --reason "slow needle valve on order"
    """
    _act(
        Verb.SHELVE,
        alarm,
        who=operator,
        whip=whip,
        config=config,
        done=f"shelved for {minutes:g} min",
        reason=reason,
        for_min=minutes,
    )


def unshelve(alarm: Alarm, *, operator: Operator, whip: Whip = None, config: ConfigDir = Path("config")) -> None:
    """Show a shelved alarm again before its time is up.

    Example: fillguard unshelve too-fast --whip 2 --operator op-1
    """
    _act(Verb.UNSHELVE, alarm, who=operator, whip=whip, config=config, done="shown again")


def out_of_service(
    alarm: Alarm,
    *,
    operator: Operator,
    reason: Annotated[str, typer.Option("--reason", help="Why nobody can act on it.")],
    whip: Whip = None,
    config: ConfigDir = Path("config"),
) -> None:
    """Take an alarm out of service until it is put back by hand. Never one of priority 1.

    Example: fillguard out-of-service gas-hot --whip 4 --operator tech-1 --reason "wall sensor is being replaced"
    """
    _act(Verb.OUT_OF_SERVICE, alarm, who=operator, whip=whip, config=config, done="out of service", reason=reason)


def in_service(alarm: Alarm, *, operator: Operator, whip: Whip = None, config: ConfigDir = Path("config")) -> None:
    """Put an alarm back into service.

    Example: fillguard in-service gas-hot --whip 4 --operator tech-1
    """
    _act(Verb.IN_SERVICE, alarm, who=operator, whip=whip, config=config, done="in service again")


def _act(
    verb: Verb,
    alarm: str,
    *,
    who: str,
    whip: str | None,
    config: Path,
    done: str,
    reason: str | None = None,
    for_min: float | None = None,
) -> None:
    with exit_codes():
        from fillguard.app import commanding  # noqa: PLC0415 - keeps `--help` quick

        commanding.act(
            verb,
            alarm,
            operator=who,
            whip=whip,
            config=config,
            environ=os.environ,
            reason=reason,
            for_min=for_min,
        )
        say(f"{alarm}{'' if whip is None else f' on whip {whip}'}: {done}")
