"""Flow through valves, the hose between panel and cylinder valve, and what feeds it. SI, absolute pressures."""

import bisect
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.vessel import Vessel
from fillguard.core.errors import OutOfRangeError
from fillguard.core.units import STANDARD_ATMOSPHERE_PA

HOSE_M3 = 57e-6
"""Hose and panel pipe behind the gauge (common practice: a 1.5 m filling hose with its block)."""
_CHOKED_RATIO = 0.7
_SMALLEST_DROP = 1e-9
_TABLE_TOP_PA = 700e5
_TABLE_STEPS = 350
_SOLVE_LIMIT = 80
_PRESSURE_TOLERANCE_PA = 20.0
_FIRST_BRACKET_PA = 0.3e5
_STOP_BAND_PA = 2e5
_LEVEL_PA = 100.0


def valve_kg_s(area_m2: float, upstream_pa: float, upstream_kg_m3: float, downstream_pa: float) -> float:
    """Gas through a valve of effective area, upstream above downstream (else 0).

    The control-valve sizing form of IEC 60534-2-1: expansion factor 1 - x/(3 x_T), choked above x_T = 0.7.
    """
    x = (upstream_pa - downstream_pa) / upstream_pa
    if x <= _SMALLEST_DROP or area_m2 <= 0.0:
        return 0.0
    x = min(x, _CHOKED_RATIO)
    expansion = 1.0 - x / (3.0 * _CHOKED_RATIO)
    return area_m2 * expansion * math.sqrt(2.0 * upstream_kg_m3 * x * upstream_pa)


class Isotherm:
    """Density of one gas at one temperature over pressure, from a table: the hose stays at ambient temperature."""

    def __init__(self, fluid: Fluid, temperature_k: float) -> None:
        step = _TABLE_TOP_PA / _TABLE_STEPS
        self._step_pa = step
        self._densities = [0.0] + [fluid.at_pressure(step * i, temperature_k) for i in range(1, _TABLE_STEPS + 1)]

    def density(self, pressure_pa: float) -> float:
        """In kg/m3; straight lines between 2 bar steps."""
        place = pressure_pa / self._step_pa
        i = int(place)
        if not 0 <= i < _TABLE_STEPS:
            raise OutOfRangeError(
                f"hose at {pressure_pa / 1e5:.1f} bar absolute: the simulator's table ends at {_TABLE_TOP_PA / 1e5:g}"
            )
        low = self._densities[i]
        return low + (place - i) * (self._densities[i + 1] - low)

    def pressure(self, density_kg_m3: float) -> float:
        """The inverse of `density`."""
        i = min(max(bisect.bisect_right(self._densities, density_kg_m3) - 1, 0), _TABLE_STEPS - 1)
        low, high = self._densities[i], self._densities[i + 1]
        return (i + (density_kg_m3 - low) / (high - low)) * self._step_pa


class Feed(Protocol):
    """What stands behind a whip's panel valve during one step."""

    def kg_s(self, hose_pa: float) -> float:
        """Flow into the hose at this hose pressure; falls as the hose pressure rises."""

    @property
    def highest_pa(self) -> float:
        """The pressure that the hose cannot exceed because of this feed."""


@dataclass(slots=True, kw_only=True)
class CompressorFeed:
    """A fixed flow until the compressor stops itself; the flow dies over the last 2 bar."""

    flow_kg_s: float
    stop_pa: float

    def kg_s(self, hose_pa: float) -> float:
        """See `Feed`."""
        return self.flow_kg_s * min(1.0, max(0.0, (self.stop_pa - hose_pa) / _STOP_BAND_PA))

    @property
    def highest_pa(self) -> float:
        """See `Feed`."""
        return self.stop_pa


@dataclass(slots=True, kw_only=True)
class BankFeed:
    """A bank behind the panel valve, with or without a non-return valve."""

    bank: Vessel
    area_m2: float
    non_return: bool
    isotherm: Isotherm

    def kg_s(self, hose_pa: float) -> float:
        """See `Feed`."""
        if hose_pa <= self.bank.pressure_pa:
            return valve_kg_s(self.area_m2, self.bank.pressure_pa, self.bank.density_kg_m3, hose_pa)
        if self.non_return:
            return 0.0
        return -valve_kg_s(self.area_m2, hose_pa, self.isotherm.density(hose_pa), self.bank.pressure_pa)

    @property
    def highest_pa(self) -> float:
        """See `Feed`."""
        return self.bank.pressure_pa


@dataclass(frozen=True, slots=True, kw_only=True)
class Flows:
    """What moved in one step, kg/s; `cylinder` is negative when gas comes back out of it."""

    source: float = 0.0
    cylinder: float = 0.0
    bleed: float = 0.0
    leak: float = 0.0


STILL = Flows()


@dataclass(frozen=True, slots=True, kw_only=True)
class Openings:
    """What is open around a hose: effective areas in m2; the cylinder valve's is 0 when it is shut or none is there."""

    valve_m2: float = 0.0
    bleed_m2: float = 0.0
    leak_m2: float = 0.0


@dataclass(slots=True, kw_only=True)
class _Balance:
    """The gas of a hose during one step, as a function of the pressure at its end."""

    isotherm: Isotherm
    feed: Feed | None
    cylinder: Vessel | None
    openings: Openings
    before_kg_m3: float
    held_m3_s: float
    """Hose volume over the time step."""

    def source_kg_s(self, pressure_pa: float) -> float:
        return self.feed.kg_s(pressure_pa) if self.feed is not None else 0.0

    def valve_kg_s(self, pressure_pa: float) -> float:
        cylinder, area_m2 = self.cylinder, self.openings.valve_m2
        if cylinder is None:
            return 0.0
        if pressure_pa >= cylinder.pressure_pa:
            return valve_kg_s(area_m2, pressure_pa, self.isotherm.density(pressure_pa), cylinder.pressure_pa)
        return -valve_kg_s(area_m2, cylinder.pressure_pa, cylinder.density_kg_m3, pressure_pa)

    def out_kg_s(self, area_m2: float, pressure_pa: float) -> float:
        if area_m2 <= 0.0:
            return 0.0
        return valve_kg_s(area_m2, pressure_pa, self.isotherm.density(pressure_pa), STANDARD_ATMOSPHERE_PA)

    def stored_kg_s(self, pressure_pa: float) -> float:
        return self.held_m3_s * (self.isotherm.density(pressure_pa) - self.before_kg_m3)

    def surplus_kg_s(self, pressure_pa: float) -> float:
        """Rises with the pressure; zero at the pressure sought."""
        holes_m2 = self.openings.bleed_m2 + self.openings.leak_m2
        out = self.valve_kg_s(pressure_pa) + self.out_kg_s(holes_m2, pressure_pa)
        return self.stored_kg_s(pressure_pa) + out - self.source_kg_s(pressure_pa)

    def closed_at(self, start_pa: float) -> float:
        """The pressure at which it closes; none of what is connected can push it beyond its own pressure."""
        ends = [start_pa, STANDARD_ATMOSPHERE_PA]
        if self.feed is not None:
            ends.append(self.feed.highest_pa)
        if self.cylinder is not None:
            ends.append(self.cylinder.pressure_pa)
        return _root(self.surplus_kg_s, start_pa, min(ends), max(ends))


class Hose:
    """The small volume that the gauge sees. One implicit step: the pressure at which its balance closes."""

    def __init__(self, isotherm: Isotherm) -> None:
        self.isotherm = isotherm
        self.pressure_pa = STANDARD_ATMOSPHERE_PA

    def step(self, dt_s: float, *, feed: Feed | None, cylinder: Vessel | None, openings: Openings) -> Flows:
        """Advance by `dt_s` and return the flows; the cylinder's own pressure is taken as it was."""
        balance = _Balance(
            isotherm=self.isotherm,
            feed=feed,
            cylinder=cylinder if openings.valve_m2 > 0.0 else None,
            openings=openings,
            before_kg_m3=self.isotherm.density(self.pressure_pa),
            held_m3_s=HOSE_M3 / dt_s,
        )
        if feed is None and openings.bleed_m2 <= 0.0 and openings.leak_m2 <= 0.0:
            if balance.cylinder is None:
                return STILL
            if abs(balance.cylinder.pressure_pa - self.pressure_pa) < _LEVEL_PA:
                self.pressure_pa = balance.cylinder.pressure_pa
                return Flows(cylinder=-balance.stored_kg_s(self.pressure_pa))
        self.pressure_pa = balance.closed_at(self.pressure_pa)
        source = balance.source_kg_s(self.pressure_pa)
        bleed = balance.out_kg_s(openings.bleed_m2, self.pressure_pa)
        leak = balance.out_kg_s(openings.leak_m2, self.pressure_pa)
        if balance.cylinder is None:
            return Flows(source=source, bleed=bleed, leak=leak)
        # What the balance leaves: near level pressures the valve's own figure is a large error of a small difference.
        into = source - bleed - leak - balance.stored_kg_s(self.pressure_pa)
        return Flows(source=source, cylinder=into, bleed=bleed, leak=leak)


def _root(rising: Callable[[float], float], start: float, low: float, high: float) -> float:
    """Where a rising function is zero, between `low` and `high`: bracket around `start`, then the Illinois method."""
    reach = _FIRST_BRACKET_PA
    a = max(low, start - reach)
    b = min(high, start + reach)
    fa, fb = rising(a), rising(b)
    while fa > 0.0 and a > low:
        reach *= 8.0
        b, fb = a, fa
        a = max(low, a - reach)
        fa = rising(a)
    while fb < 0.0 and b < high:
        reach *= 8.0
        a, fa = b, fb
        b = min(high, b + reach)
        fb = rising(b)
    if fa >= 0.0:
        return a
    if fb <= 0.0:
        return b
    for _ in range(_SOLVE_LIMIT):
        c = b - fb * (b - a) / (fb - fa)
        fc = rising(c)
        if fc * fb < 0.0:
            a, fa = b, fb
        else:
            fa *= 0.5
        moved = abs(c - b)
        b, fb = c, fc
        if fc == 0.0 or moved < _PRESSURE_TOLERANCE_PA or abs(b - a) < _PRESSURE_TOLERANCE_PA:
            return b
    raise OutOfRangeError(f"hose balance did not close near {b / 1e5:.2f} bar absolute: shorten the time step")
