"""Bank or compressor, by the steadiness of the inflow.

A compressor moves the same mass every second whatever the cylinder's pressure (some per cent up and down, a few per
cent less at the end). Out of a bank gas runs through a valve that a hand sets and sets again, and less of it as the
pressures meet. The two bring in gas of very different energy, so it matters when nobody configured the source.
"""

from math import sqrt
from typing import NamedTuple

from fillguard.core.balance import SUPPLY_KIND, UNKNOWNS, Row
from fillguard.core.heat import SupplyKind

BLOCK_S = 20.0
MEAN_S = 3.0
"""The mass at a block's end is the mean over this long: pressure noise of 0.2 bar would hide a steady flow."""
MOST_BLOCKS = 60
FEWEST_BLOCKS = 4
STEADY = 0.04
UNSTEADY = 0.07
"""Relative scatter of the blocks' flows below which it is a compressor's, above which it is a bank's (our choice)."""
HINT_SIGMA = 0.6


class Steadiness(NamedTuple):
    """Mean inflow of each block so far, and the block that is open."""

    flows_kg_s: Row = ()
    ends_s: float | None = None
    readings: int = 0
    mass_kg: float = 0.0
    time_s: float = 0.0
    """Sums over the last seconds of the open block."""
    last_kg: float | None = None
    last_s: float = 0.0


class Hint(NamedTuple):
    """A measurement for the filter."""

    gradient: Row
    value: float
    variance: float


def after(steadiness: Steadiness, sample_s: float, mass_kg: float, *, flowing: bool) -> Steadiness:
    """Steadiness after one more estimate of the mass; the same object when nothing changed."""
    if not flowing:
        return steadiness if steadiness.ends_s is None else Steadiness(flows_kg_s=steadiness.flows_kg_s)
    if steadiness.ends_s is None:
        return steadiness._replace(ends_s=sample_s + BLOCK_S)
    if sample_s < steadiness.ends_s - MEAN_S:
        return steadiness
    count = steadiness.readings + 1
    mass, time = steadiness.mass_kg + mass_kg, steadiness.time_s + sample_s
    if sample_s < steadiness.ends_s:
        return steadiness._replace(readings=count, mass_kg=mass, time_s=time)
    mass, time = mass / count, time / count
    flows = steadiness.flows_kg_s
    if steadiness.last_kg is not None:
        flows = (*flows, (mass - steadiness.last_kg) / (time - steadiness.last_s))[-MOST_BLOCKS:]
    return Steadiness(flows, sample_s + BLOCK_S, last_kg=mass, last_s=time)


def kind_hint(steadiness: Steadiness, configured: SupplyKind) -> Hint | None:
    """What a block that has just ended says about the supply; None while it says nothing."""
    flows = steadiness.flows_kg_s
    fresh = steadiness.readings == 0 and steadiness.last_kg is not None
    if configured is not SupplyKind.UNKNOWN or not fresh or len(flows) < FEWEST_BLOCKS:
        return None
    mean = sum(flows) / len(flows)
    if mean <= 0.0:
        return None
    scatter = sqrt(sum((flow / mean - 1.0) ** 2 for flow in flows) / (len(flows) - 1))
    if STEADY <= scatter <= UNSTEADY:
        return None
    gradient = tuple(1.0 if j == SUPPLY_KIND else 0.0 for j in range(UNKNOWNS))
    return Hint(gradient, 1.0 if scatter < STEADY else -1.0, HINT_SIGMA**2)


NOTHING_SEEN = Steadiness()
