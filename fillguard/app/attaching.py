"""Saying what hangs on a whip from a command line: the verdict at once, the message to the watch through the broker."""

import json
import uuid
from collections.abc import Callable, Mapping
from pathlib import Path

from fillguard.app.commanding import ANSWER_WITHIN_S
from fillguard.app.counter import Counter
from fillguard.app.gases import Gases
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError, NotDoneError
from fillguard.core.events import CylinderAttached, InEvent
from fillguard.core.fitness.verdict import Verdict
from fillguard.intake.asking import ask
from fillguard.intake.attach import attach_event
from fillguard.intake.checks import checks_said
from fillguard.intake.commands import OVERRIDE
from fillguard.intake.deeds import checked_command, closed_command, stage_command
from fillguard.intake.described import Register
from fillguard.intake.formats import UnusableError
from fillguard.intake.sending import send_command, send_cylinder
from fillguard.settings import Settings, did_you_mean, load_settings


def attach(
    whip: str,
    said: Mapping[str, object],
    *,
    config: Path,
    environ: Mapping[str, str],
    tell: Callable[[Verdict], None],
) -> None:
    """Give `tell` the verdict on a cylinder, then attach it. `said`: the keys of an attach message.

    Raises ConfigurationError for what the watch would refuse, DeviceError when the broker cannot be reached.
    """
    settings = _settings(config, environ, whip)
    payload = json.dumps(said).encode()
    counter = Counter(
        settings,
        settings.rules(Gases(environ, report=lambda _: None).surface_of),
        ledger=settings.ledger.path.exists(),
    )
    event = counter.received(_understood(payload, settings, whip, counter.cylinder))
    if isinstance(event, CylinderAttached) and event.verdict is not None:
        tell(event.verdict)
    send_cylinder(settings.broker, settings.station.id, whip, payload)


def detach(whip: str, said: Mapping[str, object], *, config: Path, environ: Mapping[str, str]) -> None:
    """Say that a whip is free, and what was noticed at the valve. Raises ConfigurationError, DeviceError."""
    settings = _settings(config, environ, whip)
    payload = json.dumps({"serial": None, **said}).encode()
    _understood(payload, settings, whip, lambda _: None)
    send_cylinder(settings.broker, settings.station.id, whip, payload)


def check(whip: str, checked: list[str], *, operator: str, config: Path, environ: Mapping[str, str]) -> None:
    """Tick what somebody looked at on the cylinder of a whip.

    Raises ConfigurationError for a word that is no tick, NotDoneError where nothing hangs there, or nobody answers.
    """
    settings = _settings(config, environ, whip)
    try:
        checks_said(checked)
    except UnusableError as problem:
        raise ConfigurationError(str(problem)) from problem
    command_id = uuid.uuid4().hex
    payload = checked_command(operator, whip, checked, command_id)
    refused = ask(settings.broker, settings.station.id, payload, command_id, wait_s=ANSWER_WITHIN_S)
    if refused is not None:
        raise NotDoneError(f"whip {whip}: not ticked: {refused}")


def call_stage(whip: str, number: int, *, operator: str, config: Path, environ: Mapping[str, str]) -> None:
    """Say which stage of a partial-pressure fill comes now. Raises NotDoneError with what the watch has against it."""
    command_id = uuid.uuid4().hex
    refused = _asked(whip, stage_command(operator, whip, number, command_id), command_id, config, environ)
    if refused is not None:
        raise NotDoneError(f"whip {whip}: stage {number} does not come: {refused}")


def close(whip: str, *, operator: str, config: Path, environ: Mapping[str, str]) -> None:
    """Say that one whip of a shared gauge was closed. Raises NotDoneError with what the watch has against it."""
    command_id = uuid.uuid4().hex
    refused = _asked(whip, closed_command(operator, whip, command_id), command_id, config, environ)
    if refused is not None:
        raise NotDoneError(f"whip {whip}: not taken out: {refused}")


def _asked(whip: str, payload: bytes, command_id: str, config: Path, environ: Mapping[str, str]) -> str | None:
    """What the watch answers to a command about a whip: why not, None for done."""
    settings = _settings(config, environ, whip)
    return ask(settings.broker, settings.station.id, payload, command_id, wait_s=ANSWER_WITHIN_S)


def _understood(payload: bytes, settings: Settings, whip: str, register: Register) -> InEvent:
    """What the watch will make of the message. Raises ConfigurationError in its words."""
    try:
        return attach_event(payload, stamp=SystemClock().now(), whip=whip, register=register, panel=settings.panel)
    except UnusableError as problem:
        raise ConfigurationError(str(problem)) from problem


def override(whip: str, *, operator: str, reason: str, config: Path, environ: Mapping[str, str]) -> None:
    """Answer for filling what should not be filled. Whether anybody may is the watch's to say."""
    settings = _settings(config, environ, whip)
    said = {"verb": OVERRIDE, "whip": whip, "operator": operator, "reason": reason}
    send_command(settings.broker, settings.station.id, json.dumps(said).encode())


def _settings(config: Path, environ: Mapping[str, str], whip: str) -> Settings:
    settings = load_settings(config, environ)
    if whip not in settings.whips:
        raise ConfigurationError(f"whip {whip!r} is not configured: {did_you_mean(whip, settings.whips)}")
    return settings
