"""Saying what hangs on a whip from a command line: the verdict at once, the message to the watch through the broker."""

import json
from collections.abc import Callable, Mapping
from pathlib import Path

from fillguard.app.counter import Counter
from fillguard.app.gases import Gases
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import CylinderAttached
from fillguard.core.fitness.verdict import Verdict
from fillguard.intake.attach import attach_event
from fillguard.intake.commands import OVERRIDE
from fillguard.intake.formats import UnusableError
from fillguard.intake.sending import send_command, send_cylinder
from fillguard.settings import Settings, did_you_mean, load_settings


def attach(
    whip: str,
    serial: str,
    *,
    operator: str,
    gas: object,
    target: Mapping[str, float],
    config: Path,
    environ: Mapping[str, str],
    tell: Callable[[Verdict], None],
) -> None:
    """Give `tell` the verdict on a cylinder, then attach it. `target`: `target_bar` or `target_psi`, or nothing.

    Raises ConfigurationError for what the watch would refuse, DeviceError when the broker cannot be reached.
    """
    settings = _settings(config, environ, whip)
    said = {"serial": serial, "operator": operator, "gas": gas, **target}
    payload = json.dumps(said).encode()
    counter = Counter(
        settings,
        settings.rules(Gases(environ, report=lambda _: None).surface_of),
        ledger=settings.ledger.path.exists(),
    )
    try:
        event = attach_event(payload, stamp=SystemClock().now(), whip=whip, register=counter.cylinder)
    except UnusableError as problem:
        raise ConfigurationError(str(problem)) from problem
    if isinstance(event, CylinderAttached):
        tell(counter.assess(event))
    send_cylinder(settings.broker, settings.station.id, whip, payload)


def detach(whip: str, *, operator: str, config: Path, environ: Mapping[str, str]) -> None:
    """Say that a whip is free. Raises ConfigurationError, DeviceError."""
    settings = _settings(config, environ, whip)
    payload = json.dumps({"serial": None, "operator": operator}).encode()
    send_cylinder(settings.broker, settings.station.id, whip, payload)


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
