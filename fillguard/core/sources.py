"""What sensors say for the whole station: bank, compressor intake, and what is questionable. Pressures gauge pascal."""

from collections.abc import Iterable

from fillguard.core.alarms import Seen
from fillguard.core.conditions import WRONG_GAS
from fillguard.core.events import AlarmFacts, FindingMade, OutEvent, Quantity, Reading, ServiceChanged
from fillguard.core.rules import AlarmRule, Rules
from fillguard.core.sensed import Sensed, is_usable
from fillguard.core.sensing import ASKED
from fillguard.core.stationstate import StationState, Step, done, station_alarm, watch_of
from fillguard.core.units import PA_PER_BAR

_FINDING_OF_SERVICE = {
    "zero": "absolute-as-gauge",
    "unit": "wrong-unit",
    "shared": "shared-gauge",
    "gaps": "messages-missing",
    "device-clock": "device-clock-off",
}
"""Questions about sensors, as findings."""
BANK_LOW = "bank-low"
_INTAKE = "compressor-intake"
"""Variant of the alarm on a wrong gas: the highest oxygen fraction that a compressor may take in."""
Spoken = tuple[Sensed, bool]
"""A sensor, and whether it still speaks."""


def _bank_low(banks: Iterable[Spoken], rule: AlarmRule) -> Seen:
    """The lowest of the banks that have a gauge of their own."""
    heard = [bank for bank, speaks in banks if speaks]
    if not heard:
        return Seen.unknown()
    lowest = min(heard, key=lambda bank: bank.value)
    cause = f"The bank ({lowest.source}) stands at {lowest.value / PA_PER_BAR:.0f} bar: too low to finish a usual fill."
    return Seen(excess=rule.setpoint - lowest.value, cause=cause, facts=AlarmFacts(gauge_pa=lowest.value))


def _intake_rich(o2: Sensed, rule: AlarmRule) -> Seen:
    """Oxygen at a compressor's intake."""
    most = rule.variants.get(_INTAKE)
    if most is None:
        return Seen.unknown()
    cause = f"The analyser at the compressor's intake ({o2.source}) reads {o2.value * 100.0:.1f} % O2."
    return Seen(excess=o2.value - most, cause=cause)


def on_source(state: StationState, reading: Reading, rules: Rules) -> Step:
    """What feeds the whips: the station's bank, the intake of its compressor."""
    if not is_usable(reading):
        return state, ()
    rule = rules.alarms.get(WRONG_GAS)
    if reading.quantity is Quantity.O2_FRACTION and rule is not None:
        seen = _intake_rich(state.sensed[Quantity.O2_FRACTION], rule)
        return station_alarm(state, rules, WRONG_GAS, seen, reading.stamp)
    if reading.quantity is not Quantity.SUPPLY:
        return state, ()
    told: tuple[OutEvent, ...] = ()
    for name in state.whips:
        watch = watch_of(state, name, rules, reading.stamp)
        watch.on_sensed(reading)
        state, out = done(state, watch)
        told += out
    return with_bank(state, told, reading, rules)


def with_bank(state: StationState, told: tuple[OutEvent, ...], reading: Reading, rules: Rules) -> Step:
    """Judge the lowest bank."""
    rule = rules.alarms.get(BANK_LOW)
    if rule is None:
        return state, told
    sensors = [(None, state.sensed), *((name, whip.sensed) for name, whip in state.whips.items())]
    banks = [
        (bank, bank.speaks(reading.stamp, rules.silent_after_s.get((whip, Quantity.SUPPLY))))
        for whip, sensed in sensors
        if (bank := sensed.get(Quantity.SUPPLY)) is not None and (whip is None or not bank.of_station)
    ]
    state, changes = station_alarm(state, rules, BANK_LOW, _bank_low(banks, rule), reading.stamp)
    return state, (*told, *changes)


def on_question(state: StationState, event: ServiceChanged, kind: str, rules: Rules) -> Step:
    """A question about a sensor is a finding: in the words of the intake, in the record of the fill it falls into."""
    name = _FINDING_OF_SERVICE.get(kind)
    if name is None:
        return state, ()
    if event.whip is not None:
        watch = watch_of(state, event.whip, rules, event.stamp)
        watch.question(name, event.detail, settled=event.ok)
        return done(state, watch)
    if event.ok:
        return state, ()
    found = FindingMade(
        stamp=event.stamp, whip=None, fill_id=None, finding=name, confidence=ASKED, text=f"{event.detail}."
    )
    return state, (found,)
