"""Readings and projections as integers: the grids that core, ledger and capture share, and stable codes for words.

A value that lies on its grid is kept as an integer count of steps, any other as the exact number itself (REAL): what is
read back always equals what was recorded.
"""

import math

from fillguard.core.errors import LedgerError
from fillguard.core.events import Doubt, Phase, Projected, Quality, Quantity
from fillguard.core.units import quantised_pressure_pa, quantised_temperature_k, quantised_time_s

_PRESSURE_STEPS_PER_PA = 0.01
_MICRO = 1e6
_INT64 = 2**63
MASS_STEPS_PER_KG = 1e4
TO_STOP_STEPS_PER_S = 10.0
_LARGEST = 1e11
"""Beyond this nothing is a measurement, and steps would not fit."""

QUALITIES = {Quality.GOOD: 0, Quality.UNCERTAIN: 1, Quality.BAD: 2}
DOUBTS = {
    Doubt.RETAINED: 1,
    Doubt.LATE: 2,
    Doubt.STALE: 3,
    Doubt.SKEWED: 4,
    Doubt.OUT_OF_RANGE: 5,
    Doubt.LOOP_FAULT: 6,
    Doubt.DUPLICATE: 7,
    Doubt.IMPLAUSIBLE_JUMP: 8,
}
PHASES = {
    Phase.IDLE: 0,
    Phase.ATTACHED: 1,
    Phase.CONNECTED: 2,
    Phase.FILLING: 3,
    Phase.PAUSED: 4,
    Phase.CLOSED: 5,
    Phase.SETTLING: 6,
    Phase.SETTLED: 7,
    Phase.DRAINING: 8,
    Phase.ENDED: 9,
    Phase.INTERRUPTED: 10,
}
"""Recorded for ever: a code is never given another meaning."""

QUALITY_OF = {code: quality for quality, code in QUALITIES.items()}
DOUBT_OF = {code: doubt for doubt, code in DOUBTS.items()}
PHASE_OF = {code: phase for phase, code in PHASES.items()}

_PRESSURES = frozenset({Quantity.PRESSURE, Quantity.SUPPLY})
_TEMPERATURES = frozenset({Quantity.WALL, Quantity.AMBIENT, Quantity.BATH})


def stored_value(quantity: Quantity, value: float) -> int | float:
    """`value` (gauge pascal, kelvin, fraction or ampere) in grid steps where it lies on the grid, else as it is.

    Steps: 100 Pa, 0.01 K, one millionth of the fraction, one microampere.
    """
    if not abs(value) < _LARGEST:
        return value
    steps = _steps(quantity, value)
    exact = value_of(quantity, steps) == value and math.copysign(1.0, value) == _sign(steps)
    return steps if exact else value


def value_of(quantity: Quantity, stored: object) -> float:
    """The value in SI that `stored_value` made `stored` of: an int counts steps, a float is the value."""
    if isinstance(stored, float):
        return stored
    if not isinstance(stored, int):
        raise LedgerError(f"recorded {quantity} value {stored!r} is not a number: verify the ledger")
    if quantity in _PRESSURES:
        return stored * 100.0
    if quantity in _TEMPERATURES:
        return stored / 100.0
    return stored / _MICRO


def stored_ms(seconds: float) -> int:
    """Whole milliseconds."""
    return round(quantised_time_s(seconds) * 1000.0)


def seconds_of(ms: int) -> float:
    """Seconds on the 1 ms grid, exactly as `units.quantised_time_s` gives them."""
    return ms / 1000.0


def stored_pressure(gauge_pa: float | None) -> int | None:
    """Steps of 100 Pa; None stays None, and what is not finite is not known."""
    if gauge_pa is None or not math.isfinite(gauge_pa):
        return None
    return round(quantised_pressure_pa(gauge_pa) * _PRESSURE_STEPS_PER_PA)


def stored_temperature(kelvin: float | None) -> int | None:
    """Steps of 0.01 K."""
    if kelvin is None or not math.isfinite(kelvin):
        return None
    return round(quantised_temperature_k(kelvin) * 100.0)


def stored_scaled(value: float | None, per_unit: float) -> int | None:
    """Whole counts of which `per_unit` make one unit."""
    return None if value is None or not math.isfinite(value) else round(value * per_unit)


def pressure_of(steps: int | None) -> float | None:
    """Gauge pascal."""
    return None if steps is None else steps * 100.0


def temperature_of(steps: int | None) -> float | None:
    """Kelvin."""
    return None if steps is None else steps / 100.0


def scaled_of(counts: int | None, per_unit: float) -> float | None:
    """The value of `counts`, of which `per_unit` make one unit."""
    return None if counts is None else counts / per_unit


def projection_row(fill: int, fact: Projected) -> tuple[int | str | None, ...]:
    """A projection of the fill of that number, as the table of projections holds it."""
    pressure, temperature, scaled = stored_pressure, stored_temperature, stored_scaled
    return (
        fill,
        stored_ms(fact.sample_s),
        PHASES[fact.phase],
        pressure(fact.gauge_pa),
        pressure(fact.settled_gauge_pa),
        pressure(fact.settled_low_gauge_pa),
        pressure(fact.settled_high_gauge_pa),
        pressure(fact.cylinder_gauge_pa),
        pressure(fact.developed_gauge_pa),
        pressure(fact.stop_at_gauge_pa),
        pressure(fact.close_at_gauge_pa),
        pressure(fact.bleed_to_gauge_pa),
        temperature(fact.gas_k),
        temperature(fact.wall_k),
        scaled(fact.mass_kg, MASS_STEPS_PER_KG),
        scaled(fact.rate_pa_s, 1.0),
        scaled(fact.rate_error_pa_s, 1.0),
        scaled(fact.seconds_to_stop, TO_STOP_STEPS_PER_S),
        fact.close_at_cap,
        fact.reason,
    )


def stored_integer(number: int | None) -> int | None:
    """`number` where SQLite can hold it, else None: a nonsense sequence number must not cost the reading."""
    return number if number is not None and -_INT64 <= number < _INT64 else None


def _steps(quantity: Quantity, value: float) -> int:
    if quantity in _PRESSURES:
        return round(value / 100.0)
    if quantity in _TEMPERATURES:
        return round(value * 100.0)
    return round(value * _MICRO)


def _sign(steps: int) -> float:
    return -1.0 if steps < 0 else 1.0
