"""What `replay` is built of: the live decoder and step behind a file."""

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from fillguard.app.counter import Counter
from fillguard.app.gases import Gases
from fillguard.bench.replay import Account, replayed, station_in
from fillguard.core.events import AlarmChanged
from fillguard.core.words import UnitChoice, alarm_text
from fillguard.engine import Happening, Stepper
from fillguard.intake.capture import read_capture
from fillguard.intake.rules import RulesFollowing
from fillguard.intake.station import StationDecoder
from fillguard.ports import RawMessage
from fillguard.settings import Settings, load_register, load_settings

_LOOKED_AT = 200
"""Messages searched for the station's id where no configuration gives it."""


@dataclass(frozen=True, slots=True)
class Replay:
    """A replay ready to run: iterate it once, then ask `account` for the fills."""

    happenings: Iterator[Happening]
    account: Account


def prepare(
    lines: Iterable[bytes],
    *,
    config_dir: Path | None,
    register: Path | None,
    environ: Mapping[str, str],
    trace: bool,
    gases: Gases,
    keep_thresholds: bool = False,
) -> Replay:
    """Build a replay of the capture in `lines`.

    `keep_thresholds`: those of the configuration hold throughout, whatever the capture says of changes.

    Raises:
        ConfigurationProblems: configuration or register cannot be used.
        DeviceError: while iterating, at the first malformed line.
    """
    settings = load_settings(config_dir, environ)
    known = load_register(register) if register is not None else settings.register
    messages = read_capture(lines)
    station, messages = _station(settings, messages, told=config_dir is not None)
    rules = settings.rules(gases.fitted, station=station)
    counter = Counter(settings, rules, register=known, ledger=False)
    decoder = StationDecoder(settings, station=station, register=counter.cylinder, assess=counter.received)
    units = units_of(settings)

    stepper = Stepper(rules)

    def text(change: AlarmChanged) -> str:
        return alarm_text(change, stepper.rules.alarms[change.alarm], units)

    following = RulesFollowing(decoder, follow=not keep_thresholds)
    return Replay(replayed(messages, following, stepper), Account(stepper, trace=trace, text=text))


def units_of(settings: Settings) -> UnitChoice:
    """How people at this station read their gauges."""
    return UnitChoice(
        pressure="psi" if settings.station.pressure_unit == "psi" else "bar",
        temperature="F" if settings.station.temperature_unit == "F" else "C",
    )


def _station(settings: Settings, messages: Iterator[RawMessage], *, told: bool) -> tuple[str, Iterator[RawMessage]]:
    """The station's id: as configured, else the one the capture's own topics name."""
    if told:
        return settings.station.id, messages
    first = list(itertools.islice(messages, _LOOKED_AT))
    named = next((station for message in first if (station := station_in(message.topic)) is not None), None)
    return named or settings.station.id, itertools.chain(first, messages)
