"""A cylinder valve that is not fully open: the whip runs ahead of the cylinder, and only the whip has a gauge.

While gas flows the valve is a nozzle in the form of ISO 6358, with `r` cylinder over whip (absolute pressures)::

    flow = C whip,                                r <= b (choked)
    flow = C whip sqrt(1 - ((r - b)/(1 - b))^2),  r > b

What the gauge shows says little about `C`: a choked valve holds the whip still whatever the cylinder does. So `C`
starts from a guess at the moment the gauge has leapt as no cylinder can, and is raised whenever the whip afterwards
climbs faster than that flow could make the cylinder climb. Without a leap the valve counts as open: the whip is ahead
of the cylinder by what an open valve takes, a bar or so at the usual flow. SI throughout.
"""

from math import sqrt
from typing import NamedTuple

CRITICAL_RATIO = 0.5
FAST_RATE_PA_S = 60e5 / 60.0
"""A fast fill (common practice: 20 to 40 bar/min)."""
OPEN_KG_S_PA = 0.3e-8
"""An open cylinder valve with its whip (our estimate: 7 bar at 10 g/s and 100 bar)."""
WELL_OPEN_KG_S_PA = 0.4e-8
"""One behind which the gauge has not leapt: the narrow ones are not among them (our estimate, between two simulations
that differ by three quarters)."""
NEARLY_OPEN = 0.5
"""More than this share of an open valve's conductance is an open valve, badly guessed: it is led there."""
LARGEST_FLOW_KG_S = 0.025
"""More than any panel gives one cylinder: what the gauge gains beyond it is not in the cylinder."""
LEAP_PA = 8e5
NEXT_LEAP_PA = 3e5
"""In a fill that has shown a restriction already."""
CREDIT_PA = 12e5
"""A gauge that has stood still while gas flowed (stuck, or silent) may catch up by so much at once."""
GONE_PA = 1e5
_SLOPE_MEMORY_S = 8.0
_LEARN_S = 6.0
_OPENS_S = 30.0
_LEAST_SHARE = 0.05
_TELLING_SHARE = 0.1
NOISE_PA = 0.5e5
_STILL_PA, _STOOD_S = 0.01e5, 5.0
_STIFFENING = 1.15
"""Relative rise of pressure over that of mass while filling: between isothermal and adiabatic."""


class Restriction(NamedTuple):
    """What is known of the way from whip to cylinder."""

    conductance_kg_s_pa: float | None = None
    """`C` above; None: nothing has hinted at a restriction in this fill."""
    active: bool = False
    proven: bool = False
    """The whip has come back to the cylinder once, as this conductance let it."""
    leaping: bool = False
    """The leap that made it active is still going on."""
    ahead_pa: float = 0.0
    """How far the whip has gained on anything a cylinder can do."""
    whip_pa: float = 0.0
    leapt_pa: float = 0.0
    """Sum of all leaps, up and down: the whip cannot be further ahead than that."""
    slope_pa_s: float = 0.0
    """Of the whip, leaps left out, smoothed."""
    still_s: float = 0.0
    """For how long the gauge has repeated itself."""


OPEN = Restriction()


def led(
    old: Restriction, whip_pa: float, cylinder_pa: float, mass_kg: float, dt_s: float, *, flowing: bool, count: int = 1
) -> tuple[Restriction, float]:
    """The restriction after one reading, and the pressure in the cylinder: while gas flows the whip is ahead of it.

    `cylinder_pa`, `mass_kg`: in the cylinder before the reading; `dt_s` since then; `count`: cylinders of the set.
    """
    pa_per_kg = _STIFFENING * cylinder_pa / mass_kg
    reach_pa = LARGEST_FLOW_KG_S * count * pa_per_kg * dt_s
    step = whip_pa - (old.whip_pa or whip_pa)
    new = _moved(old, whip_pa, step, reach_pa, dt_s, flowing=flowing)
    if old.active:
        if new.leaping:
            guess = _leapt(whip_pa, cylinder_pa, pa_per_kg)
            new = new._replace(conductance_kg_s_pa=min(guess, old.conductance_kg_s_pa or guess))
        return _held_back(new, cylinder_pa, pa_per_kg, dt_s)
    if new.ahead_pa < (LEAP_PA if old.conductance_kg_s_pa is None else NEXT_LEAP_PA):
        if flowing and step > reach_pa and max(old.still_s, dt_s) > _STOOD_S:
            return new, whip_pa  # a gauge that stood still or was silent catches up with a cylinder that did not
        if flowing:
            return new, whip_pa - _ahead_of(whip_pa, cylinder_pa, pa_per_kg * dt_s * WELL_OPEN_KG_S_PA * whip_pa)
        return new._replace(leapt_pa=0.0, slope_pa_s=0.0), whip_pa
    known = old.conductance_kg_s_pa
    conductance = known or _leapt(whip_pa, cylinder_pa, pa_per_kg)
    leapt = max(new.leapt_pa, whip_pa - cylinder_pa)
    new = new._replace(active=True, leaping=known is None, conductance_kg_s_pa=conductance, leapt_pa=leapt)
    return _held_back(new, cylinder_pa, pa_per_kg, dt_s)


def _moved(
    old: Restriction, whip_pa: float, step: float, reach_pa: float, dt_s: float, *, flowing: bool
) -> Restriction:
    """What the gauge's step shows by itself: a slope, a leap, or that it stands."""
    slope, leapt = old.slope_pa_s, old.leapt_pa
    if abs(step) < reach_pa + NOISE_PA:
        slope += dt_s / (_SLOPE_MEMORY_S + dt_s) * (step / dt_s - slope)
    else:
        leapt = max(0.0, leapt + step)
    return old._replace(
        leaping=old.leaping and leapt != old.leapt_pa,
        ahead_pa=max(-CREDIT_PA if flowing else 0.0, old.ahead_pa + step - reach_pa),
        whip_pa=whip_pa,
        leapt_pa=leapt,
        slope_pa_s=slope,
        still_s=old.still_s + dt_s if abs(step) < _STILL_PA else 0.0,
    )


def _leapt(whip_pa: float, cylinder_pa: float, pa_per_kg: float) -> float:
    """First guess after a leap: an open valve, less open the more absurdly fast it would fill."""
    rate = OPEN_KG_S_PA * pa_per_kg * whip_pa * _share(cylinder_pa / whip_pa)
    slower = min(1.0, FAST_RATE_PA_S / rate)
    return OPEN_KG_S_PA * slower * slower * sqrt(slower)


def _held_back(new: Restriction, cylinder_pa: float, pa_per_kg: float, dt_s: float) -> tuple[Restriction, float]:
    """One implicit step of the flow through the valve."""
    whip_pa = new.whip_pa
    conductance = new.conductance_kg_s_pa or 0.0
    share = _share(cylinder_pa / whip_pa)
    seen = new.slope_pa_s / (pa_per_kg * whip_pa * share) if share > _TELLING_SHARE else 0.0
    if seen > conductance:
        conductance += min(1.0, dt_s / _LEARN_S) * (seen - conductance)
    if NEARLY_OPEN * OPEN_KG_S_PA < conductance < OPEN_KG_S_PA and not new.leaping:
        conductance += min(1.0, dt_s / _OPENS_S) * (OPEN_KG_S_PA - conductance)
    gap = whip_pa - cylinder_pa
    if gap > new.leapt_pa + NOISE_PA and not new.proven:
        conductance *= 1.0 + dt_s / _LEARN_S
    drop = _ahead_of(whip_pa, cylinder_pa, pa_per_kg * dt_s * conductance * whip_pa)
    if gap <= GONE_PA and drop <= GONE_PA:
        return Restriction(conductance, proven=True, whip_pa=whip_pa, slope_pa_s=new.slope_pa_s), whip_pa
    drop = max(drop, 0.0)
    if not new.proven:
        drop = min(drop, new.leapt_pa + 2.0 * NOISE_PA)
    return new._replace(conductance_kg_s_pa=conductance), whip_pa - drop


def _ahead_of(whip_pa: float, cylinder_pa: float, filled_pa: float) -> float:
    """How far the whip is ahead after a step in which choked flow would fill the cylinder by `filled_pa`.

    With y = drop / span the share of choked flow is sqrt(2 y - y^2), and the drop left is gap - filled * share: a
    quadratic in y. Below the cylinder the same backwards, so that noise of the gauge leans neither way.
    """
    gap, span = abs(whip_pa - cylinder_pa), whip_pa * (1.0 - CRITICAL_RATIO)
    if whip_pa < cylinder_pa - GONE_PA:
        return 0.0  # no noise: what the gauge sees has fallen
    middle = gap * span + filled_pa * filled_pa
    square = span * span + filled_pa * filled_pa
    y = (middle - sqrt(max(0.0, middle * middle - square * gap * gap))) / square
    drop = y * span if y < 1.0 else gap - filled_pa
    return drop if whip_pa > cylinder_pa else -drop


def _share(ratio: float) -> float:
    """Flow over choked flow at this pressure ratio."""
    if ratio <= CRITICAL_RATIO:
        return 1.0
    y = max(0.0, 1.0 - ratio) / (1.0 - CRITICAL_RATIO)
    return max(sqrt(2.0 * y - y * y), _LEAST_SHARE)
