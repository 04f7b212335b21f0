"""From what a message says to gauge pascal, kelvin, ampere or fraction: scale, loop, unit, basis, in this order."""

from dataclasses import dataclass

from fillguard.core.events import Quantity
from fillguard.intake.formats import Measured, UnusableError, shown
from fillguard.intake.measures import ELECTRICAL_RANGES, known_unit, on_grid
from fillguard.settings.feeds import Loop, ReadingSettings
from fillguard.settings.units import PRESSURES, Unit

FAULT_LOW_MA, FAULT_HIGH_MA = 3.6, 21.0
"""NAMUR NE 43: at or below, at or above, the transmitter reports its own failure, or the wire is broken."""
MEASURING_LOW_MA, MEASURING_HIGH_MA = 3.8, 20.5
"""NAMUR NE 43: what it measures lies between; just outside, the value stands at its end and says no more."""
_LIVE_ZERO_MA, _SPAN_MA = 4.0, 16.0


@dataclass(frozen=True, slots=True)
class Converted:
    """A value on the shared grid."""

    value: float
    in_range: bool
    loop_fault: bool = False


def converted(measured: Measured, reading: ReadingSettings, ambient_abs_pa: float) -> Converted:
    """`measured` as `reading` understands it. Raises UnusableError for what cannot be meant."""
    unit = _unit(measured.unit, reading)
    value = measured.value * reading.scale + reading.offset
    fault, measuring = False, True
    if reading.loop is not None:
        fault = not FAULT_LOW_MA < value < FAULT_HIGH_MA
        measuring = MEASURING_LOW_MA <= value <= MEASURING_HIGH_MA
        value = _of_loop(value, reading.loop)
    si = unit.si(value)
    if reading.quantity in PRESSURES and (reading.absolute if unit.absolute is None else unit.absolute):
        si -= ambient_abs_pa
    value_si = on_grid(si, reading.quantity, value, reading.unit_name or measured.unit)
    low, high = reading.limits_si or ELECTRICAL_RANGES[reading.quantity]
    if reading.quantity is Quantity.LOOP_CURRENT:
        fault = not FAULT_LOW_MA < value_si * 1e3 < FAULT_HIGH_MA
    return Converted(value_si, measuring and low <= value_si <= high, fault)


def _of_loop(milliampere: float, loop: Loop) -> float:
    """What a current means; beyond the fault limits as at the limit, so that no broken wire gives a number at large."""
    current = min(max(milliampere, FAULT_LOW_MA), FAULT_HIGH_MA)
    return loop.at_4_ma + (current - _LIVE_ZERO_MA) / _SPAN_MA * (loop.at_20_ma - loop.at_4_ma)


def _unit(said: str, reading: ReadingSettings) -> Unit:
    """The unit of the message or of the feed. Two that differ are refused: one of them is wrong."""
    if not said:
        if reading.unit is None:
            raise UnusableError("no-unit", "neither message nor feed names a unit: give unit in the feed")
        return reading.unit
    if said == reading.unit_name and reading.unit is not None:
        return reading.unit
    known = known_unit(said, reading.quantity)
    if reading.unit is not None and (known.scale, known.shift) != (reading.unit.scale, reading.unit.shift):
        raise UnusableError(
            "unit-differs", f"the message says {shown(said)}, the feed {reading.unit_name}: which one is true?"
        )
    return known
