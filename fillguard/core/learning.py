"""What one fill teaches the station, and when it must not.

After the close nothing flows, so the mass must stay: two minutes of that show how fast gas and wall exchange heat. A
settled reading, taken once the cylinder is as warm as something whose temperature is known, shows it through the
projection it proves right or wrong. A fill that anything was wrong with teaches nothing: what it seemed to say about
heat would be the fault speaking. Pressures gauge pascal, temperatures kelvin.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import sqrt

from fillguard.core.balance import FORCED, NATURAL, SUPPLY
from fillguard.core.context import LEAK, FillContext, unknowns_of
from fillguard.core.estimator import EstimatorState
from fillguard.core.fill import OpenFill
from fillguard.core.gas import GasSurface
from fillguard.core.kalman import Matrix, Row, dot, variance
from fillguard.core.learned import SHIPPED, Doubt, Ending, Lesson, Marginal, Unfit, class_of
from fillguard.core.units import PA_PER_BAR

HELD_S = 120.0
"""So long after the close a fill must stay connected to teach by itself."""
_TELLING_SHARE = 0.85
"""The heat transfer is only taught about when the fill cut its variance at least to this share."""
_SUPPLY_TELLING_SHARE = 0.5
"""Likewise the supply's temperature. Mostly a fill says little about it, and what it says then is the balance's own
error: believed so easily it made other fills worse (p95 4.7 bar instead of 4.1, MEASURED on simulated fills)."""
_NOT_A_FILL_PA = 20.0 * PA_PER_BAR
"""A smaller rise says nothing about heat."""
_DOUBTFUL_SHARE = 0.05
_LEAK_PA_S = 5.0 * PA_PER_BAR / 3600.0
_LEAK_SIGMAS = 2.0

READING_SHARE = 0.0025
"""Calibration of the gauge that reads the settled pressure (class 0.25), as one standard deviation."""
READING_PA = 0.3 * PA_PER_BAR
TOLD_SIGMA_K = 1.0
"""How well a person knows the temperature of a cylinder that has stood for hours (our estimate)."""
RETURNED_SIGMA_K = 2.0
"""... and we, of a cylinder that came back as cold as the shop."""
_FITS_SIGMAS = 3.0
"""A settled reading further off is not a reading of the same contents."""

_FAULTS: Mapping[str, Unfit] = {
    "sudden-loss": Unfit.SUDDEN_LOSS,
    "leak": Unfit.LEAK,
    "slow-leak": Unfit.LEAK,
    "sensor-stuck": Unfit.SENSOR_STUCK,
    "sensor-silent": Unfit.SENSOR_SILENT,
    "monitoring-lost": Unfit.SENSOR_SILENT,
    "whip-only": Unfit.VALVE_NOT_OPEN,
    "valve-not-open": Unfit.VALVE_NOT_OPEN,
    "valve-partly-open": Unfit.VALVE_NOT_OPEN,
    "back-flow": Unfit.BACK_FLOW,
    "half-set": Unfit.HALF_SET,
    "wrong-gas": Unfit.WRONG_GAS,
    "zero-off": Unfit.GAUGE_DOUBTFUL,
    "sensor-disagrees": Unfit.GAUGE_DOUBTFUL,
    "shared-gauge": Unfit.GAUGE_DOUBTFUL,
}
"""Alarms and findings that spoil a fill as a lesson."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Teaching:
    """What a fill's end brings the station: a lesson or the reason for none, and what a settled reading may add."""

    lesson: Lesson | None = None
    untaught: Unfit | None = None
    ending: Ending | None = None
    """None for a fill that must never teach."""


def teaching_of(
    fill: OpenFill,
    estimate: EstimatorState | None,
    context: FillContext | None,
    *,
    ended_s: float,
    interrupted: bool = False,
) -> Teaching:
    """What `fill` teaches at its end, with the estimate as it then stands."""
    if interrupted:
        return Teaching(untaught=Unfit.INTERRUPTED)
    if estimate is None or context is None:
        return Teaching(untaught=Unfit.NO_ESTIMATE)
    spoilt = _spoilt(fill, estimate, context)
    if spoilt is not None:
        return Teaching(untaught=spoilt)
    ending = _ending(fill, estimate, context, ended_s)
    if fill.flow_stopped_s is None or estimate.balance.sample_s - fill.flow_stopped_s < HELD_S:
        return Teaching(untaught=Unfit.DISCONNECTED_EARLY, ending=ending)
    lesson = _lesson(ending, settled=False)
    if lesson is None:
        return Teaching(untaught=Unfit.SAYS_NOTHING, ending=ending)
    return Teaching(lesson=lesson, ending=replace(ending, taught=True))


def settled_lesson(ending: Ending, gas: GasSurface, gauge_pa: float, at_k: float, *, sigma_k: float) -> Lesson | Unfit:
    """What the pressure of a cylinder that stands at `at_k` throughout teaches about its last fill.

    Args:
        ending: How that fill ended.
        gas: Surface of the contents.
        gauge_pa: Read, gauge pascal.
        at_k: Temperature of gas and cylinder, kelvin.
        sigma_k: How well that is known.
    """
    reference_k, ambient = ending.cylinder.reference_k, ending.ambient_abs_pa
    density = gas.density_unguarded(gauge_pa + ambient, at_k)
    read_pa = gas.state(density, reference_k)[0] - ambient
    per_k = (gauge_pa + ambient) / at_k
    noise = (READING_SHARE * gauge_pa) ** 2 + READING_PA**2 + (per_k * sigma_k) ** 2
    total = ending.settled_sigma_pa**2 + noise
    off = read_pa - ending.settled_gauge_pa
    if abs(off) > _FITS_SIGMAS * sqrt(total):
        return Unfit.OTHER_CONTENTS
    believed = [ending.scale, ending.supply_k]
    if ending.taught:
        believed = [replace(each, prior=each.posterior) for each in believed]
    scale, supply = (_read(each, off, total) for each in believed)
    after = replace(ending, scale=scale, supply_k=supply)
    return _lesson(after, settled=True) or Unfit.SAYS_NOTHING


def _spoilt(fill: OpenFill, estimate: EstimatorState, context: FillContext) -> Unfit | None:
    """Why this fill must never teach: the gravest reason."""
    faults = [_FAULTS[name] for name in (*fill.findings, *fill.alarms) if name in _FAULTS]
    leak, sigma = estimate.unknowns.mean[LEAK], sqrt(estimate.unknowns.covariance[LEAK][LEAK])
    reasons = (
        (Unfit.UNIDENTIFIED, not fill.held.identified),
        (Unfit.IN_A_GROUP, bool(fill.companions or fill.held.mates)),
        (Unfit.IN_STAGES, fill.held.staged),
        (Unfit.CLASS_ONLY, fill.held.serial is None),
        *((fault, True) for fault in faults[:1]),
        (Unfit.VALVE_NOT_OPEN, estimate.restriction.conductance_kg_s_pa is not None),
        (Unfit.START_NOT_SEEN, not (fill.plateau_seen and estimate.start_seen)),
        (Unfit.NOT_A_FILL, fill.peak_pa - fill.start_pa < _NOT_A_FILL_PA),
        (Unfit.APPROXIMATE_GAS, context.gas.approximate),
        (Unfit.GAUGE_DOUBTFUL, fill.doubtful > _DOUBTFUL_SHARE * max(fill.readings, 1)),
        (Unfit.LEAK, leak > max(_LEAK_PA_S, _LEAK_SIGMAS * sigma)),
    )
    return next((reason for reason, holds in reasons if holds), None)


_SCALE: Mapping[int, float] = {NATURAL: 0.5, FORCED: 0.5}
_SUPPLY: Mapping[int, float] = {SUPPLY: 1.0}
_SHIPPED_SCALE = 0.5 * (SHIPPED.ln_natural.guess + SHIPPED.ln_forced.guess)


def _ending(fill: OpenFill, estimate: EstimatorState, context: FillContext, ended_s: float) -> Ending:
    volume = context.setting.vessel.capacity_m3
    balance, unknowns = estimate.balance, estimate.unknowns
    settled_abs, _, dp_drho, *_ = context.gas.state(balance.mass_kg / volume, context.cylinder.reference_k)
    gradient = (*(dp_drho / volume * kg for kg in balance.mass_row()), 0.0)
    lean = tuple(dot(row, gradient) for row in unknowns.covariance)
    prior = unknowns_of(context, Doubt(guess=0.0, sigma=1.0))

    def marginal(part: Mapping[int, float], origin: float) -> Marginal:
        return Marginal(
            prior=_doubt(prior.mean, prior.covariance, part, origin),
            posterior=_doubt(unknowns.mean, unknowns.covariance, part, origin),
            lean_pa=sum(share * lean[j] for j, share in part.items()),
        )

    return Ending(
        fill_id=fill.fill_id,
        serial=fill.held.serial or "",
        cylinder=context.cylinder,
        mix=context.mix,
        ambient_abs_pa=context.ambient_abs_pa,
        ended_s=ended_s,
        settled_gauge_pa=settled_abs - context.ambient_abs_pa,
        settled_sigma_pa=sqrt(variance(unknowns.covariance, gradient)),
        scale=marginal(_SCALE, _SHIPPED_SCALE),
        supply_k=marginal(_SUPPLY, SHIPPED.supply_k.guess),
        taught=False,
    )


def _doubt(mean: Row, covariance: Matrix, part: Mapping[int, float], origin: float) -> Doubt:
    """Mean and standard deviation of a sum of unknowns, counted from `origin`."""
    guess = sum(share * mean[j] for j, share in part.items())
    spread = sum(a * b * covariance[i][j] for i, a in part.items() for j, b in part.items())
    return Doubt(guess=guess - origin, sigma=sqrt(spread))


def _read(old: Marginal, off_pa: float, total_pa2: float) -> Marginal:
    """The quantity after the settled pressure was read `off_pa` above the projection."""
    gain = old.lean_pa / total_pa2
    left = max(old.posterior.sigma**2 - gain * old.lean_pa, 0.0)
    return replace(old, posterior=Doubt(guess=old.posterior.guess + gain * off_pa, sigma=sqrt(left)))


def _lesson(ending: Ending, *, settled: bool) -> Lesson | None:
    """What the ending says apart from what was believed before; None: nothing worth the name."""
    scale = _apart(ending.scale, _TELLING_SHARE)
    supply = _apart(ending.supply_k, _SUPPLY_TELLING_SHARE)
    if scale is None and supply is None:
        return None
    return Lesson(
        fill_id=ending.fill_id,
        cylinder_class=class_of(ending.cylinder),
        scale=scale,
        supply_k=supply,
        settled=settled,
    )


def _apart(marginal: Marginal, telling_share: float) -> Doubt | None:
    """The information after, less that before: what the fill alone says."""
    before, after = marginal.prior.sigma**2, marginal.posterior.sigma**2
    if not 0.0 < after <= telling_share * before:
        return None
    weight = 1.0 / after - 1.0 / before
    guess = (marginal.posterior.guess / after - marginal.prior.guess / before) / weight
    return Doubt(guess=guess, sigma=sqrt(1.0 / weight))
