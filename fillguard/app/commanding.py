"""Acting on alarms from a command line: through the broker to the running watch, and its answer back."""

import uuid
from collections.abc import Mapping
from pathlib import Path

from fillguard.clock import SystemClock, drill_clock
from fillguard.core.errors import ConfigurationError, NotDoneError
from fillguard.core.events import Verb
from fillguard.intake.asking import ask
from fillguard.intake.commands import alarm_command
from fillguard.settings import did_you_mean, load_settings

ANSWER_WITHIN_S = 10.0


def act(
    verb: Verb,
    alarm: str,
    *,
    operator: str,
    whip: str | None,
    config: Path,
    environ: Mapping[str, str],
    reason: str | None = None,
    for_min: float | None = None,
    wait_s: float = ANSWER_WITHIN_S,
) -> None:
    """Do `verb` to an alarm: an occurrence id (`.../overfill/1`), or a name, with the whip where it is about one.

    Raises:
        ConfigurationError: the alarm or the whip does not exist.
        DeviceError: the broker cannot be used.
        NotDoneError: the watch refused, and says why; or it did not answer.
    """
    settings = load_settings(config, environ)
    by_occurrence = "/" in alarm
    if not by_occurrence and alarm not in settings.alarms:
        raise ConfigurationError(f"alarm {alarm!r}: {did_you_mean(alarm, settings.alarms)}; or give an occurrence id")
    if whip is not None and whip not in settings.whips:
        raise ConfigurationError(f"whip {whip!r} is not configured: {did_you_mean(whip, settings.whips)}")
    command_id = uuid.uuid4().hex
    payload = alarm_command(
        verb,
        operator=operator,
        command_id=command_id,
        given_utc_s=(drill_clock(environ) or SystemClock()).now().utc_s,
        occurrence=alarm if by_occurrence else None,
        alarm=None if by_occurrence else alarm,
        whip=whip,
        reason=reason,
        for_min=for_min,
    )
    refused = ask(settings.broker, settings.station.id, payload, command_id, wait_s=wait_s)
    if refused is not None:
        raise NotDoneError(f"{verb.value} {alarm}: not done: {refused}")
