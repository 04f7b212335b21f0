"""Numbers as a person reads them: pressures, rates, temperatures, durations in the units of the shop's needles.

Pressures are gauge and come out whole in bar, or in steps of 10 psi. What a person must not go above (close-at,
bleed-to) is rounded down, never up.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fillguard.core.fitness.needle import Needle
from fillguard.core.units import PA_PER_BAR, PA_PER_PSI, c_from_k, f_from_k

_A_HAIR_PA = 1.0
"""Far below the 100 Pa grid of readings: keeps 221.0 bar from being floored to 220 by binary fractions."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitChoice:
    """The units printed on the shop's needles: pressure `bar` or `psi`, temperature `C` or `F`."""

    pressure: str = "bar"
    temperature: str = "C"

    def __post_init__(self) -> None:
        if self.pressure not in _STEPS or self.temperature not in ("C", "F"):
            raise ValueError(
                f"units {self.pressure!r}, {self.temperature!r}: choose pressure 'bar' or 'psi', temperature 'C' or 'F'"
            )


_STEPS: Mapping[str, tuple[float, int]] = {"bar": (PA_PER_BAR, 1), "psi": (PA_PER_PSI, 10)}
"""Pascal of one unit, and the step in which it is shown."""
BAR_AND_CELSIUS = UnitChoice()


def bare_pressure(gauge_pa: float, units: UnitChoice, *, fine: bool = False) -> str:
    """`214`, or `3100` in psi; `fine` shows a tenth of a bar or single psi."""
    unit_pa, step = _STEPS[units.pressure]
    value = gauge_pa / unit_pa
    if fine:
        return _plain(value, 1 if units.pressure == "bar" else 0)
    return _plain(round(value / step) * step, 0)


def pressure(gauge_pa: float, units: UnitChoice, *, fine: bool = False) -> str:
    """`214 bar`, `3100 psi`: the nearest step."""
    return f"{bare_pressure(gauge_pa, units, fine=fine)} {units.pressure}"


def pressure_not_above(gauge_pa: float, units: UnitChoice) -> str:
    """`221 bar`: the step at or below, for what a person closes at or bleeds to."""
    unit_pa, step = _STEPS[units.pressure]
    return f"{_plain(math.floor((gauge_pa + _A_HAIR_PA) / (unit_pa * step)) * step, 0)} {units.pressure}"


def close_at_text(gauge_pa: float, units: UnitChoice, needle: Needle | None) -> str:
    """`221 bar (needle about 225)`: fillguard's sensor, and the panel's own needle as last compared with it."""
    beside = "" if needle is None else f" (needle about {bare_pressure(needle.shows_pa(gauge_pa), units)})"
    return pressure_not_above(gauge_pa, units) + beside


def stamped(limit_gauge_pa: float, units: UnitChoice) -> str:
    """A limit as on the shoulder: `232 bar`; 206.84 bar, which is 3000 psi, comes out as `207 bar` or `3000 psi`."""
    unit_pa, _ = _STEPS[units.pressure]
    return f"{_plain(limit_gauge_pa / unit_pa, 0)} {units.pressure}"


def rate(pa_s: float, units: UnitChoice, *, per: str = "min") -> str:
    """`32 bar/min`, `4.5 bar/min`, `460 psi/min`; `per` is `s`, `min` or `h`."""
    value = pa_s * {"s": 1.0, "min": 60.0, "h": 3600.0}[per] / _STEPS[units.pressure][0]
    fine = units.pressure == "bar" and abs(value) < 9.95  # noqa: PLR2004 - two digits are enough, and no fewer
    return f"{_plain(value, 1 if fine else 0)} {units.pressure}/{per}"


def temperature(kelvin: float, units: UnitChoice) -> str:
    """`65 C` or `149 F`, whole degrees."""
    return f"{_plain(c_from_k(kelvin) if units.temperature == 'C' else f_from_k(kelvin), 0)} {units.temperature}"


def duration(seconds: float) -> str:
    """`7 s`, `1:40` from a minute on, `2 h 05 min` from an hour on."""
    whole = max(0, round(seconds))
    minutes, rest = divmod(whole, 60)
    if minutes == 0:
        return f"{whole} s"
    if minutes < 60:  # noqa: PLR2004 - minutes of an hour
        return f"{minutes}:{rest:02d}"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _plain(value: float, decimals: int) -> str:
    """Without a minus before zero."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text
