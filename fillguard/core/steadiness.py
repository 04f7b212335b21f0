"""Bank or compressor, by the steadiness of the inflow.

A compressor moves the same mass every second whatever the cylinder's pressure (some per cent up and down, a few per
cent less at the end). Out of a bank gas runs through a valve that a hand sets and sets again, and less of it as the
pressures meet. The two bring in gas of very different energy, so it matters when nobody configured the source.
"""

from math import sqrt
from typing import NamedTuple

from fillguard.core.balance import Row
from fillguard.core.heat import SupplyKind

BLOCK_S = 20.0
BLOCK_PA = 8e5
"""A block is at least this long and this high: pressure noise of 0.2 bar must not hide a steady flow."""
MEAN_S = 4.0
"""The mass at a block's end is the mean over this long."""
MOST_BLOCKS = 60
FEWEST_BLOCKS = 4
TELLING_BLOCKS = 8
"""Fewer steady blocks say little: a hand may have left the bank's valve alone for two minutes."""
STEADY, UNSTEADY = 0.030, 0.038
"""Relative scatter of the blocks' flows below which it is a compressor's, above which it is a bank's (our choice)."""
TREND_BLOCKS, FEWEST_TREND_BLOCKS = 5, 3
HINT_SIGMA, WEAK_HINT_SIGMA = 0.5, 1.5
FORGOTTEN = 0.1
"""Variance that comes back with each block: all blocks speak each time, so the last word is the best informed."""


class Steadiness(NamedTuple):
    """Mean inflow of each block so far, and the block that is open."""

    flows_kg_s: Row = ()
    middles_s: Row = ()
    """When each of these was, in its middle."""
    begun_s: float | None = None
    begun_pa: float = 0.0
    ends_s: float | None = None
    """Set once the block is long and high enough: the mean at its end is being taken."""
    readings: int = 0
    mass_kg: float = 0.0
    time_s: float = 0.0
    """Sums over the end of the open block."""
    last_kg: float | None = None
    last_s: float = 0.0


class Hint(NamedTuple):
    """A measurement of the supply kind."""

    kind: float
    """-1 bank, +1 compressor."""
    variance: float


def after(steadiness: Steadiness, sample_s: float, pressure_pa: float, mass_kg: float, *, flowing: bool) -> Steadiness:
    """Steadiness after one more estimate of the mass; the same object when nothing changed."""
    if not flowing:
        if steadiness.begun_s is None:
            return steadiness
        return Steadiness(steadiness.flows_kg_s, steadiness.middles_s)
    if steadiness.begun_s is None:
        return steadiness._replace(begun_s=sample_s, begun_pa=pressure_pa)
    if steadiness.ends_s is None:
        if sample_s < steadiness.begun_s + BLOCK_S - MEAN_S or pressure_pa < steadiness.begun_pa + BLOCK_PA:
            return steadiness
        steadiness = steadiness._replace(ends_s=sample_s + MEAN_S)
    count = steadiness.readings + 1
    mass, time = steadiness.mass_kg + mass_kg, steadiness.time_s + sample_s
    if sample_s < (steadiness.ends_s or 0.0):
        return steadiness._replace(readings=count, mass_kg=mass, time_s=time)
    mass, time = mass / count, time / count
    flows, middles = steadiness.flows_kg_s, steadiness.middles_s
    if steadiness.last_kg is not None:
        flows = (*flows, (mass - steadiness.last_kg) / (time - steadiness.last_s))[-MOST_BLOCKS:]
        middles = (*middles, 0.5 * (time + steadiness.last_s))[-MOST_BLOCKS:]
    return Steadiness(flows, middles, begun_s=sample_s, begun_pa=pressure_pa, last_kg=mass, last_s=time)


def rescaled(steadiness: Steadiness, ratio: float) -> Steadiness:
    """Steadiness once the mass is reckoned `ratio` times what it was: a better estimate is no inflow."""
    last = steadiness.last_kg
    return steadiness._replace(mass_kg=steadiness.mass_kg * ratio, last_kg=None if last is None else last * ratio)


def trend_kg_s2(steadiness: Steadiness) -> float:
    """How the flow has changed over the last blocks; 0 while too few have been seen."""
    flows, middles = steadiness.flows_kg_s[-TREND_BLOCKS:], steadiness.middles_s[-TREND_BLOCKS:]
    if len(flows) < FEWEST_TREND_BLOCKS:
        return 0.0
    middle, mean = sum(middles) / len(middles), sum(flows) / len(flows)
    spread = sum((t - middle) ** 2 for t in middles)
    return sum((t - middle) * (f - mean) for t, f in zip(middles, flows, strict=True)) / spread


def kind_hint(steadiness: Steadiness, configured: SupplyKind) -> Hint | None:
    """What a block that has just ended says about the supply; None while it says nothing."""
    fresh = steadiness.readings == 0 and steadiness.last_kg is not None
    # The newest block may hold the end of the flow, which is noticed late.
    flows = steadiness.flows_kg_s[:-1]
    if configured is not SupplyKind.UNKNOWN or not fresh or len(flows) < FEWEST_BLOCKS:
        return None
    telling = len(flows) >= TELLING_BLOCKS
    if telling:
        flows = tuple(sorted(flows)[1:-1])  # a pause too short to be noticed spoils one block
    mean = sum(flows) / len(flows)
    if mean <= 0.0:
        return None
    scatter = sqrt(sum((flow / mean - 1.0) ** 2 for flow in flows) / (len(flows) - 1))
    if STEADY <= scatter <= UNSTEADY:
        return None
    if scatter > UNSTEADY:
        return Hint(-1.0, HINT_SIGMA**2)
    return Hint(1.0, (HINT_SIGMA if telling else WEAK_HINT_SIGMA) ** 2)


NOTHING_SEEN = Steadiness()
