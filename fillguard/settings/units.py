"""Units of sensors: the trade's usual ones in a table, any other through pint, once, when the configuration is loaded.

pint costs 26 MB and half a second, and one conversion by it as much as hundreds of multiplications: it is imported only
when a feed names a unit that the table lacks, and leaves two numbers behind.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import TYPE_CHECKING

from fillguard.core.events import Quantity
from fillguard.core.units import PA_PER_BAR, PA_PER_PSI, ZERO_CELSIUS_K

if TYPE_CHECKING:
    from pint import UnitRegistry


@dataclass(frozen=True, slots=True)
class Unit:
    """SI value = (value + `shift`) x `scale`.

    `absolute`: a pressure counted from vacuum; None where the name does not say (a bare `bar`).
    """

    scale: float
    shift: float = 0.0
    absolute: bool | None = None

    def si(self, value: float) -> float:
        """Pascal, kelvin, ampere or fraction, from `value` in this unit."""
        return (value + self.shift) * self.scale

    def from_si(self, si: float) -> float:
        """The way back."""
        return si / self.scale - self.shift


_PRESSURE_SCALES = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1e3,
    "MPa": 1e6,
    "mbar": 100.0,
    "bar": PA_PER_BAR,
    "psi": PA_PER_PSI,
}
_BASIS = {"": None, "g": False, "a": True}
_CELSIUS = Unit(1.0, ZERO_CELSIUS_K)
_FAHRENHEIT = Unit(5.0 / 9.0, 459.67)

PRESSURE_UNITS: Mapping[str, Unit] = {
    name + suffix: Unit(scale, absolute=absolute)
    for name, scale in _PRESSURE_SCALES.items()
    for suffix, absolute in _BASIS.items()
}
"""The suffix g or a says whether gauge or absolute; a bare unit is gauge unless the feed says otherwise."""
TEMPERATURE_UNITS: Mapping[str, Unit] = {
    "K": Unit(1.0),
    "Cel": _CELSIUS,
    "degC": _CELSIUS,
    "°C": _CELSIUS,
    "degF": _FAHRENHEIT,
    "°F": _FAHRENHEIT,
}
BARE = "1"
"""A fraction that is just a number."""
FRACTION_UNITS: Mapping[str, Unit] = {"1": Unit(1.0), "/": Unit(1.0), "%": Unit(0.01), "/100": Unit(0.01)}
CURRENT_UNITS: Mapping[str, Unit] = {"A": Unit(1.0), "mA": Unit(1e-3)}
UNITS: Mapping[Quantity, Mapping[str, Unit]] = {
    Quantity.PRESSURE: PRESSURE_UNITS,
    Quantity.SUPPLY: PRESSURE_UNITS,
    Quantity.WALL: TEMPERATURE_UNITS,
    Quantity.AMBIENT: TEMPERATURE_UNITS,
    Quantity.BATH: TEMPERATURE_UNITS,
    Quantity.O2_FRACTION: FRACTION_UNITS,
    Quantity.LOOP_CURRENT: CURRENT_UNITS,
    Quantity.VALVE: FRACTION_UNITS,
}
PRESSURES = frozenset({Quantity.PRESSURE, Quantity.SUPPLY})
TEMPERATURES = frozenset({Quantity.WALL, Quantity.AMBIENT, Quantity.BATH})

_MEANT = {"C": "Cel", "c": "Cel", "F": "degF", "f": "degF"}
_LONGEST = 40


class UnitError(ValueError):
    """A unit that cannot be used; the text says why and what to write."""


def unit_of(text: str, quantity: Quantity) -> Unit:
    """The unit called `text` for `quantity`, through pint when the table lacks it. Raises UnitError."""
    known = UNITS[quantity].get(text)
    if known is not None:
        return known
    if quantity in PRESSURES:
        return _pressure(text)
    return _checked(_by_pint(text, _SI[quantity]), text, quantity)


def advice(unit: str, quantity: Quantity) -> str:
    """What to write instead of `unit`."""
    units = UNITS[quantity]
    meant = _MEANT.get(unit) if quantity in TEMPERATURES else None
    near = get_close_matches(unit, units, n=1) or get_close_matches(unit.lower(), units, n=1)
    if meant or near:
        return f"did you mean {meant or near[0]}?"
    return f"use {_USUAL[quantity]}"


_PRESSURE_WORDS = "bar, psi, kPa, MPa or Pa; g or a behind it for gauge or absolute"
_USUAL = {
    **dict.fromkeys(PRESSURES, _PRESSURE_WORDS),
    **dict.fromkeys(TEMPERATURES, "Cel, degF or K"),
    Quantity.O2_FRACTION: "1 (a fraction) or %",
    Quantity.LOOP_CURRENT: "mA or A",
    Quantity.VALVE: "1 (0 shut, 1 open) or %",
}
_SI = {
    **dict.fromkeys(PRESSURES, "pascal"),
    **dict.fromkeys(TEMPERATURES, "kelvin"),
    Quantity.O2_FRACTION: "",
    Quantity.LOOP_CURRENT: "ampere",
    Quantity.VALVE: "",
}


def _pressure(text: str) -> Unit:
    """A pressure unit, with a suffix g or a behind a name that is none by itself."""
    bare = _by_pint(text, "pascal")
    if bare is None and text[-1:] in ("g", "a"):
        bare = _by_pint(text[:-1], "pascal")
        if bare is not None:
            bare = Unit(bare.scale, bare.shift, absolute=text.endswith("a"))
    return _checked(bare, text, Quantity.PRESSURE)


def _checked(unit: Unit | None, text: str, quantity: Quantity) -> Unit:
    if unit is not None:
        return unit
    what = {"pascal": "pressure", "kelvin": "temperature", "": "fraction", "ampere": "current"}[_SI[quantity]]
    hint = ""
    if quantity in TEMPERATURES and text in _MEANT:
        hint = {"Cel": " (C is the coulomb)", "degF": " (F is the farad)"}[_MEANT[text]]
    raise UnitError(f"is no unit of {what}{hint}; {advice(text, quantity)}")


@cache
def _registry() -> "UnitRegistry[float]":
    from pint import UnitRegistry  # noqa: PLC0415 - costs 26 MB: only for units that the table lacks

    return UnitRegistry()


def _by_pint(text: str, si: str) -> Unit | None:
    """`text` as a linear unit of the dimension of `si`; None when it is none."""
    if not 0 < len(text) <= _LONGEST:
        return None
    registry = _registry()
    try:
        zero, one, two = (float(registry.Quantity(n, text).to(si).magnitude) for n in (0.0, 1.0, 2.0))
    except Exception:  # noqa: BLE001 - pint raises many kinds for text that is no unit; the caller reports a problem
        return None
    scale = one - zero
    if not (math.isfinite(zero) and math.isfinite(scale) and scale > 0.0):
        return None
    if not math.isclose(two - one, scale, rel_tol=1e-6):
        return None  # logarithmic
    return Unit(scale, zero / scale)
