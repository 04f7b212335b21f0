"""What the estimate means for the person at the panel: where it settles, where to close, when, at what price."""

from dataclasses import dataclass
from math import exp, expm1, log, sqrt

from fillguard.core.balance import FORCED, NATURAL, START, WALL_HEAT
from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState, Flow, drop_pa
from fillguard.core.forecast import Inflow, forecast
from fillguard.core.gas import CV_AIR_J_KG_K
from fillguard.core.kalman import Matrix, Row, variance
from fillguard.core.steadiness import newest_flow_kg_s

NORMAL_90 = 1.645
"""Half-width of a normal distribution's central 90 %, in standard deviations."""
_GAUGE_SHARE = 0.0015
"""Calibration of an industrial pressure sensor: class 0.25 as a 90 % bound."""
_MODEL_PA = 0.3e5
_DROP_SHARE = 0.3
_UNSEEN_START_SHARE = 0.02
_APPROXIMATE_GAS_SHARE = 0.0015
_COLD_START_K = 12.0
"""A cylinder nobody spoke of may be this much colder than the shop: the interval's high end covers it."""
LEAST_MARGIN_PA, MOST_MARGIN_PA = 1.5e5, 5e5
"""Margin under the limit: the interval's upper half, within these bounds (our choice)."""
REACTION_S = 3.0
_LEAST_FLOW_SHARE = 1e-5
"""Less inflow than this share of the contents a second is no filling."""
_RISEN = 1.15
"""So far above its longer mean the newest flow is no noise: gas has just begun to flow again."""
_USUAL_FILL_S = 600.0
"""From empty, where no flow has been seen yet (common practice)."""
_LEAST_REACH, _MOST_REACH = 1e-6, 2.0
_SETTLED_SHARE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """Pressures gauge pascal. Without a projection every figure is None and `reason` says why."""

    reason: str | None = None
    settled_gauge_pa: float | None = None
    low_gauge_pa: float | None = None
    high_gauge_pa: float | None = None
    """90 % interval."""
    gas_k: float | None = None
    wall_k: float | None = None
    """Outside of the wall."""
    mass_kg: float | None = None
    cylinder_gauge_pa: float | None = None
    developed_gauge_pa: float | None = None
    """At 55 C (US profile) or 65 C (EU profile)."""
    at_surroundings_gauge_pa: float | None = None
    """What the gauge will show once the cylinder is as warm as its surroundings."""
    settled_in_s: float | None = None
    """Until the gauge is within one per cent of that."""
    settled_rate_pa_s: float | None = None
    stop_at_gauge_pa: float | None = None
    """Unbiased: close here at the present flow and it settles on the target."""
    close_at_gauge_pa: float | None = None
    """What a person is told: earlier by the margin to the limit and by reaction time, and under every cap."""
    close_at_cap: str | None = None
    """The cap that decides; None when the target does."""
    close_at_settles_gauge_pa: float | None = None
    """Where it settles when a cap decides: the price."""
    bleed_to_gauge_pa: float | None = None
    """Only when over the limit: the reading, at the present gas temperature, that settles on it."""
    seconds_to_stop: float | None = None
    seconds_reason: str | None = None


def outlook(state: EstimatorState, context: FillContext) -> Outlook:
    """What to tell now."""
    if state.suspended is not None:
        return Outlook(reason=state.suspended)
    balance = state.balance
    volume = context.setting.vessel.capacity_m3
    density = balance.mass_kg / volume
    gas, ambient = context.gas, context.ambient_abs_pa
    settled_abs, dp_drho, dp_dt = context.settled.state(density)
    settled = settled_abs - ambient
    below, above = _half_widths(state, context, settled, dp_drho / volume)
    developed = context.developed.state(density)[0] - ambient
    over = balance.mass_kg > context.limit_kg
    closing = _closing(state, context, settled, above, dp_drho / volume)
    return Outlook(
        settled_gauge_pa=settled,
        low_gauge_pa=max(settled - below, -ambient),
        high_gauge_pa=settled + above,
        gas_k=balance.gas_k,
        wall_k=balance.outer_k,
        mass_kg=balance.mass_kg,
        cylinder_gauge_pa=balance.pressure_abs_pa - ambient,
        developed_gauge_pa=developed,
        # At constant density pressure is all but straight over the few kelvin between reference and shop.
        at_surroundings_gauge_pa=settled + dp_dt * (state.surroundings_k - context.cylinder.reference_k),
        settled_in_s=_settled_in_s(state, context),
        settled_rate_pa_s=dp_drho / volume * balance.flow_kg_s,
        bleed_to_gauge_pa=gas.state(context.limit_kg / volume, balance.gas_k)[0] - ambient if over else None,
        stop_at_gauge_pa=closing.stop_at,
        close_at_gauge_pa=closing.close_at,
        close_at_cap=closing.cap,
        close_at_settles_gauge_pa=closing.settles,
        seconds_to_stop=closing.seconds,
        seconds_reason=closing.reason,
    )


def _half_widths(
    state: EstimatorState, context: FillContext, settled_pa: float, pa_per_kg: float
) -> tuple[float, float]:
    """The 90 % interval below and above the estimate."""
    gradient = (*(pa_per_kg * kg for kg in state.balance.mass_row()), 0.0)
    covariance = state.unknowns.covariance
    known = variance(covariance, gradient)
    share = _GAUGE_SHARE**2
    if not state.start_seen:
        share += _UNSEEN_START_SHARE**2
    if context.gas.approximate:
        share += _APPROXIMATE_GAS_SHARE**2
    known += (_DROP_SHARE * drop_pa(state)) ** 2 + share * settled_pa * settled_pa + _MODEL_PA * _MODEL_PA
    more_below, more_above = _lopsided(gradient, covariance)
    hot_pa = max(0.0, state.balance.pressure_abs_pa - context.ambient_abs_pa - settled_pa) / NORMAL_90
    more_below += (context.uneven[0] * hot_pa) ** 2
    more_above += (context.uneven[1] * hot_pa) ** 2
    if state.start_guessed:
        left = covariance[START][START]
        more_above += gradient[START] ** 2 * max(0.0, (_COLD_START_K / NORMAL_90) ** 2 - left)
    return NORMAL_90 * sqrt(known + more_below), NORMAL_90 * sqrt(max(known + more_above, _MODEL_PA * _MODEL_PA))


def _lopsided(gradient: Row, covariance: Matrix) -> tuple[float, float]:
    """What the scales of convection add to the variance below the estimate, and take from that above it.

    The gas is warmer than the wall by the heat over the scale: half the scale doubles the difference, twice the scale
    only halves it. So the settled pressure may lie further below the estimate than above.
    """
    natural, forced = gradient[NATURAL], gradient[FORCED]
    total = natural + forced
    if natural <= 0.0 or forced < 0.0:
        return 0.0, 0.0
    square = (
        natural * natural * covariance[NATURAL][NATURAL]
        + 2.0 * natural * forced * covariance[NATURAL][FORCED]
        + forced * forced * covariance[FORCED][FORCED]
    )
    reach = min(max(NORMAL_90 * sqrt(square) / total, _LEAST_REACH), _MOST_REACH)
    below, above = expm1(reach) / reach, -expm1(-reach) / reach
    return square * (below * below - 1.0), square * (above * above - 1.0)


@dataclass(frozen=True, slots=True)
class _Closing:
    """When and where to close."""

    stop_at: float
    close_at: float
    cap: str | None
    settles: float | None
    seconds: float | None
    reason: str | None


def _closing(state: EstimatorState, context: FillContext, settled: float, above: float, pa_per_kg: float) -> _Closing:
    """Stop-at, close-at and the seconds to go; `above` is the upper half of the interval."""
    balance = state.balance
    flow = _inflow(state, context)
    led_on = forecast(
        balance, context, state.unknowns.mean, to_kg=context.target_kg, flow=flow, around_k=state.surroundings_k
    )
    # At the same flow the drop across the valve goes down as the gas gets denser.
    drop = drop_pa(state) * min(1.0, balance.pressure_abs_pa / led_on.pressure_abs_pa)
    stop_at = led_on.pressure_abs_pa + drop - context.ambient_abs_pa
    margin = min(max(above, LEAST_MARGIN_PA), MOST_MARGIN_PA)
    short = max(0.0, context.target_gauge_pa - (context.limit_gauge_pa - margin)) / pa_per_kg
    # Gas that cools faster than a trickle presses lets the hot gauge fall: then the settled pressure's slope counts.
    close_at = stop_at - max(led_on.pa_per_kg, pa_per_kg) * (short + REACTION_S * flow.kg_s)
    cap = context.caps[0] if context.caps and context.caps[0].gauge_pa < close_at else None
    settles: float | None = None
    if cap is not None:
        close_at = cap.gauge_pa
        gauge = state.whip_abs_pa - context.ambient_abs_pa
        # A gauge that is past the cap already settles at what is in there now.
        part = max(0.0, close_at - gauge) / (stop_at - gauge) if stop_at > gauge else 0.0
        settles = settled + part * (context.target_gauge_pa - settled)
    idle = state.flow is not Flow.FLOWING or balance.steady_flow_kg_s <= _LEAST_FLOW_SHARE * balance.mass_kg
    reason = "no-flow" if idle else "supply-limited" if cap is not None and cap.name == "supply" else None
    return _Closing(
        stop_at=stop_at,
        close_at=close_at,
        cap=None if cap is None else cap.name,
        settles=settles,
        seconds=led_on.seconds if reason is None else None,
        reason=reason,
    )


def _inflow(state: EstimatorState, context: FillContext) -> Inflow:
    """The inflow a forecast goes on with: the present one, the last block's, or the usual."""
    balance = state.balance
    least = _LEAST_FLOW_SHARE * balance.mass_kg
    seen = newest_flow_kg_s(state.steadiness)
    steady, newest = balance.steady_flow_kg_s, balance.flow_kg_s
    if state.flow is Flow.FLOWING and steady > least:
        if newest > _RISEN * steady:
            return Inflow(max(newest, seen or 0.0))
        return Inflow(steady, state.steadiness.trend_kg_s2)
    return Inflow(max(seen, least) if seen else context.target_kg / _USUAL_FILL_S)


def _settled_in_s(state: EstimatorState, context: FillContext) -> float:
    """Until the gauge is within a per cent of what it reads at the surroundings' temperature: one time constant."""
    vessel, balance = context.setting.vessel, state.balance
    wall_j_k = (vessel.inner_heat_j_k + vessel.outer_heat_j_k) * exp(state.unknowns.mean[WALL_HEAT])
    away = abs(0.5 * (balance.gas_k + balance.outer_k) / state.surroundings_k - 1.0)
    if away <= _SETTLED_SHARE:
        return 0.0
    return (wall_j_k + balance.mass_kg * CV_AIR_J_KG_K) / context.setting.outside_w_k * log(away / _SETTLED_SHARE)
