"""From what is known of a fill to the estimator and back: the context it works in, the projection people see."""

from dataclasses import dataclass
from math import hypot

from fillguard.core.context import ARRIVED_SIGMA_K, FillContext
from fillguard.core.course import Course
from fillguard.core.curve import Curve
from fillguard.core.estimator import Flow
from fillguard.core.events import Phase, Projected
from fillguard.core.fill import Held, OpenFill
from fillguard.core.gas import GasSurface
from fillguard.core.learned import Doubt
from fillguard.core.limits import Cap, close_caps, lowest_first
from fillguard.core.outlook import Outlook
from fillguard.core.rules import Rules
from fillguard.core.values import AIR, GasMix, Stamp, Surroundings

_LEVEL_NOISE_PA = 0.35e5
_DROP_SHARE = 0.5
"""How far off the change of the drop across the valve may be: the cylinder's rate is the gauge's less that."""


def contents_mix(held: Held, start_pa: float) -> GasMix:
    """What will be in the cylinder at the target: residual and supply by their shares of the pressure."""
    if held.contents is not None:
        return held.contents
    if held.residual_gas == held.gas or held.target_gauge_pa <= 0.0:
        return held.gas
    old = min(max(start_pa / held.target_gauge_pa, 0.0), 1.0)
    o2 = old * held.residual_gas.o2 + (1.0 - old) * held.gas.o2
    he = old * held.residual_gas.he + (1.0 - old) * held.gas.he
    if he < 0.0005 and abs(o2 - AIR.o2) < 0.0005:  # noqa: PLR2004 - below what a mix is rounded to
        return AIR
    return GasMix(o2=round(o2, 3), he=round(he, 3))


def context_of(
    held: Held,
    rules: Rules,
    whip: str,
    *,
    start_pa: float,
    air_k: float | None,
    bath_k: float | None,
    came: Doubt | None,
    supply_end_gauge_pa: float | None,
) -> FillContext:
    """The estimator's context for a cylinder that connects at `start_pa` gauge, by its history as warm as `came`."""
    around = bath_k if held.surroundings is Surroundings.BATH else air_k
    mix = contents_mix(held, start_pa)
    gas = rules.surface_of(mix)
    return FillContext(
        cylinder=held.cylinder,
        mates=held.mates,
        gas=gas,
        supply_mix=held.gas if held.staged else None,
        supply_gas=rules.surface_of(held.gas) if held.staged else None,
        mix=mix,
        target_gauge_pa=held.target_gauge_pa,
        limit_gauge_pa=held.limit_gauge_pa,
        surroundings=held.surroundings,
        surroundings_k=rules.ambient_k if around is None else around,
        shop_k=air_k,
        surroundings_known=around is not None,
        arrived_k=held.arrived_k if came is None else came.guess,
        arrived_sigma_k=ARRIVED_SIGMA_K if came is None else came.sigma,
        learned=rules.learned_for(held.cylinder if held.identified else None),
        ambient_abs_pa=rules.ambient_abs_pa,
        caps=_caps(held, rules, whip, gas, supply_end_gauge_pa),
    )


def _caps(held: Held, rules: Rules, whip: str, gas: GasSurface, supply_end_gauge_pa: float | None) -> tuple[Cap, ...]:
    """What ends the fill before the target, of every cylinder at this gauge; the lowest first."""
    return lowest_first(
        cap
        for cylinder in (held.cylinder, *held.mates)
        for cap in close_caps(
            cylinder,
            gas,
            ambient_abs_pa=rules.ambient_abs_pa,
            whip_gauge_pa=rules.max_working_gauge_pa(whip, *held.mate_whips),
            safety_valve_gauge_pa=rules.whip(whip).safety_valve_gauge_pa,
            hot_allowance_pa=rules.hot_allowance_pa,
            supply_end_gauge_pa=supply_end_gauge_pa,
        )
    )


def flow_of(course: Course, gauge_pa: float) -> Flow:
    """What the estimator may assume of the flow: before the start is known, leaving the level may be flow."""
    if course.phase is Phase.FILLING:
        return Flow.FLOWING
    if course.phase in {Phase.CONNECTED, Phase.DRAINING}:
        standing = course.level_pa is not None and abs(gauge_pa - course.level_pa) <= _LEVEL_NOISE_PA
        return Flow.STOPPED if standing else Flow.FLOWING
    return Flow.STOPPED


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """The reading that a projection is made at."""

    stamp: Stamp
    sample_s: float
    gauge_pa: float


def projected(
    fill: OpenFill, course: Course, look: Outlook, at: Moment, *, inside: Curve, rate_window_s: float
) -> Projected:
    """The projection as everybody sees it: the estimator's outlook with the measured rate beside it."""
    curve = course.curve if look.cylinder_gauge_pa is None else inside
    slope = None if course.collapsing else curve.slope(rate_window_s, not_before_s=fill.started_s)
    gauge = course.curve.slope(rate_window_s, not_before_s=fill.started_s)
    error_pa_s = None if slope is None else slope.error_pa_s
    if error_pa_s is not None and slope is not None and gauge is not None:
        error_pa_s = hypot(error_pa_s, _DROP_SHARE * (gauge.pa_s - slope.pa_s))
    return Projected(
        stamp=at.stamp,
        sample_s=at.sample_s,
        whip=fill.whip,
        fill_id=fill.fill_id,
        phase=course.phase,
        gauge_pa=at.gauge_pa,
        limit_gauge_pa=fill.held.limit_gauge_pa,
        target_gauge_pa=fill.held.target_gauge_pa,
        reference_k=fill.held.cylinder.reference_k,
        settled_gauge_pa=look.settled_gauge_pa,
        settled_low_gauge_pa=look.low_gauge_pa,
        settled_high_gauge_pa=look.high_gauge_pa,
        gas_k=look.gas_k,
        wall_k=look.wall_k,
        mass_kg=look.mass_kg,
        cylinder_gauge_pa=look.cylinder_gauge_pa,
        developed_gauge_pa=look.developed_gauge_pa,
        rate_pa_s=None if slope is None else slope.pa_s,
        rate_error_pa_s=error_pa_s,
        stop_at_gauge_pa=look.stop_at_gauge_pa,
        close_at_gauge_pa=look.close_at_gauge_pa,
        close_at_cap=look.close_at_cap,
        close_at_settles_gauge_pa=look.close_at_settles_gauge_pa,
        bleed_to_gauge_pa=look.bleed_to_gauge_pa,
        seconds_to_stop=look.seconds_to_stop,
        reads_at_surroundings_gauge_pa=look.at_surroundings_gauge_pa,
        reason=look.reason if look.reason is not None else look.seconds_reason,
    )
