"""Live estimate of what stands in a cylinder while it is filled: gas, wall, and how far each may be off.

Pure: a state goes in with a reading, a state comes out. The balance (`core.balance`) follows the pressure; a Kalman
filter corrects it by the wall sensor and by the fact that without inflow the mass stays. Nothing a sensor sends makes
these functions raise: a reading that cannot be used leaves the state as it was but for `refused`.
"""

from enum import StrEnum
from math import ceil, isfinite
from typing import NamedTuple

from fillguard.core.balance import (
    FORCED,
    NATURAL,
    SUPPLY_KIND,
    UNKNOWNS,
    WALL_HEAT,
    Balance,
    Row,
    advanced,
    begun,
    corrected,
)
from fillguard.core.context import ESTIMATED, LEAK, FillContext, start_of, unknowns_of
from fillguard.core.gas import HIGHEST_ABS_PA, HIGHEST_K, LOWEST_ABS_PA, LOWEST_K
from fillguard.core.heat import SupplyKind
from fillguard.core.kalman import Unknowns, dot, loosened, measured
from fillguard.core.restriction import OPEN, Restriction, led
from fillguard.core.steadiness import (
    FORGOTTEN,
    LOOKS_STEADY_SIGMA,
    NOTHING_SEEN,
    STEADY_FALL,
    STEADY_SIGMA,
    Hold,
    Reckoned,
    Steadiness,
    after,
    averaged,
    closed,
    compared,
    complete,
    hold_of,
    kind_hint,
    remembered,
    standstill,
)


class Flow(StrEnum):
    """Whether gas runs into the cylinder, as the life cycle of the fill knows it."""

    FLOWING = "flowing"
    STOPPED = "stopped"
    """The gauge sees the cylinder and nothing flows: connected, paused, closed, settling."""
    SHUT = "shut"
    """The gauge does not see the cylinder: valve shut, whip bled."""


class Trail(NamedTuple):
    """One kept reading, to fold again when the cylinder turns out to be another one."""

    sample_s: float
    gauge_pa: float
    wall_k: float | None
    flow: Flow


class EstimatorState(NamedTuple):
    """Everything between two readings; bounded, and a tuple, because it is copied at every one."""

    balance: Balance
    unknowns: Unknowns
    prior_variance: Row
    surroundings_k: float
    whip_abs_pa: float
    """What the gauge says; ahead of the balance's pressure while gas flows."""
    loosened_s: float
    trail: tuple[Trail, ...]
    start_seen: bool
    """The residual pressure was seen standing."""
    start_guessed: bool
    """The start temperature is nobody's measurement or word."""
    flow: Flow = Flow.STOPPED
    flowed: bool = False
    restriction: Restriction = OPEN
    hold: Hold | None = None
    checks: tuple[Reckoned, ...] = ()
    """The mass over the last seconds of flow: where it stood when the flow stopped is known only later."""
    wall_sum_k: float = 0.0
    wall_count: int = 0
    wall_used_s: float | None = None
    wall_k: float | None = None
    """Latest wall reading."""
    steadiness: Steadiness = NOTHING_SEEN
    trail_every_s: float = 10.0
    suspended: str | None = None
    """Why there is no projection; None while the pressure is followed."""
    refused: str | None = None
    """Why the latest reading was not used."""
    refusals: int = 0
    """Readings of the gauge refused in a row, late ones apart."""


_LONGEST_STEP_S = 2.0
_LARGEST_STEP_PA = 5e5
_MOST_STEPS = 200
_LOOSEN_EVERY_S = 10.0
_PROCESS_SHARE = 0.0025
"""Variance that comes back in ten seconds, as a share of the prior's: (0.05 sigma) squared."""
_NEVER_BELOW_ZERO_PA = -0.7e5
"""A gauge this far below zero is no noise."""
_LN_SCALE_MOST = 3.0
"""A twentieth or twenty times what is usual: no fill teaches that, a lying sensor might."""
_LATE = "late"
_TOO_MANY_REFUSALS = 3
_COLDEST_K, _HOTTEST_K = 210.0, 450.0
"""Thin gas may for a moment be hotter, and gas that is let out colder, than the surfaces were fitted for."""
_TRAIL_LENGTH = 128

_WALL_EVERY_S = 5.0
_WALL_COUNTS_FOR_S = 10.0
_WALL_NOISE_K = 0.3
_WALL_MODEL_K = 0.5
_WALL_MODEL_MEMORY_S = 30.0
"""The model's error against the sensor lasts this long: readings within it are not news."""

_WALL_OFF_K = 12.0
"""A sensor this far from any wall that the fill explains has come off, or hangs on another cylinder."""
_SURROUNDINGS_SHARE = 0.05

_KIND_ONLY = tuple(1.0 if j == SUPPLY_KIND else 0.0 for j in range(ESTIMATED))
_SURELY_COMPRESSOR = 0.7


def begin(
    context: FillContext, gauge_pa: float, sample_s: float, wall_k: float | None = None, *, start_seen: bool = True
) -> EstimatorState:
    """Gas and wall in equilibrium at `gauge_pa`, the plateau seen before the flow.

    `start_seen` False: the residual pressure was never seen standing, `gauge_pa` is the best that is known.
    """
    start = start_of(context, wall_k)
    unknowns = unknowns_of(context, start)
    pressure = _absolute(context, gauge_pa)
    balance = begun(context.setting, unknowns.mean, sample_s, pressure, start.guess)
    return EstimatorState(
        balance=balance,
        unknowns=unknowns,
        prior_variance=tuple(row[j] for j, row in enumerate(unknowns.covariance)),
        whip_abs_pa=pressure,
        surroundings_k=context.surroundings_k,
        start_seen=start_seen,
        start_guessed=context.start_guessed and wall_k is None,
        loosened_s=sample_s,
        trail=(Trail(sample_s, gauge_pa, wall_k, Flow.STOPPED),),
    )


def on_pressure(
    state: EstimatorState, context: FillContext, gauge_pa: float, sample_s: float, flow: Flow
) -> EstimatorState:
    """The state after one pressure reading."""
    if flow is Flow.SHUT:
        return suspend(state, "whip-only")
    refused = _refusal(state, gauge_pa, sample_s)
    if refused is not None:
        return _refuse(state, refused)
    whip_pa, flowing = _absolute(context, gauge_pa), flow is Flow.FLOWING
    restriction, cylinder_pa = _behind(state, context, whip_pa, sample_s, flowing=flowing)
    balance = _followed(state, context, cylinder_pa, sample_s)
    if not _plausible(balance):
        return _refuse(state, "implausible-jump")
    new = state._replace(
        balance=balance,
        restriction=restriction,
        whip_abs_pa=whip_pa,
        flow=flow,
        flowed=state.flowed or flowing,
        steadiness=after(state.steadiness, sample_s, balance.pressure_abs_pa, balance.mass_kg, flowing=flowing),
        suspended=None,
        refused=None,
        refusals=0,
        hold=state.hold if flow is Flow.STOPPED and not restriction.active else None,
    )
    if flowing:
        new = new._replace(checks=remembered(new.checks, balance, new.unknowns.mean))
    elif new.flowed and not restriction.active:
        new = _held(new)
    if complete(new.steadiness, sample_s):
        new = _block_ended(new, context)
    if sample_s - new.loosened_s >= _LOOSEN_EVERY_S:
        new = _loosen(new)
    return _trailed(new, gauge_pa) if sample_s - new.trail[-1].sample_s >= new.trail_every_s else new


def _behind(
    state: EstimatorState, context: FillContext, whip_pa: float, sample_s: float, *, flowing: bool
) -> tuple[Restriction, float]:
    """The way to the cylinder after a reading of the whip, and the pressure behind it."""
    old, count = state.balance, context.setting.vessel.count
    dt = sample_s - old.sample_s
    return led(state.restriction, whip_pa, old.pressure_abs_pa, old.mass_kg, dt, flowing=flowing, count=count)


def on_wall(state: EstimatorState, context: FillContext, wall_k: float, sample_s: float) -> EstimatorState:
    """The state after one reading of the wall sensor; readings are averaged and used every few seconds."""
    if not (isfinite(wall_k) and LOWEST_K < wall_k < HIGHEST_K):
        return state._replace(refused="wall-out-of-range")
    if not context.wall_sensor_counts or state.suspended is not None:
        return state._replace(wall_k=wall_k)
    total, count = state.wall_sum_k + wall_k - state.balance.sensor_k, state.wall_count + 1
    since = _WALL_COUNTS_FOR_S if state.wall_used_s is None else sample_s - state.wall_used_s
    if since < _WALL_EVERY_S:
        return state._replace(wall_sum_k=total, wall_count=count, wall_k=wall_k)
    news = min(since, _WALL_COUNTS_FOR_S) / _WALL_MODEL_MEMORY_S
    if state.flowed and abs(total / count) > _WALL_OFF_K:
        return state._replace(wall_sum_k=0.0, wall_count=0, wall_k=wall_k, refused="wall-disagrees")
    noise = _WALL_NOISE_K**2 / count + _WALL_MODEL_K**2 / news
    new = _learn(state, (*state.balance.sensor_row, 0.0), total / count, noise)
    return new._replace(wall_sum_k=0.0, wall_count=0, wall_used_s=sample_s, wall_k=wall_k, start_guessed=False)


def on_surroundings(state: EstimatorState, around_k: float) -> EstimatorState:
    """The state after a reading of shop air or bath, smoothed."""
    if not (isfinite(around_k) and LOWEST_K < around_k < HIGHEST_K):
        return state._replace(refused="surroundings-out-of-range")
    return state._replace(surroundings_k=state.surroundings_k + _SURROUNDINGS_SHARE * (around_k - state.surroundings_k))


def drop_pa(state: EstimatorState) -> float:
    """How far the whip stands above the cylinder, as far as a leap of the gauge has shown it."""
    return max(0.0, state.whip_abs_pa - state.balance.pressure_abs_pa)


def suspend(state: EstimatorState, reason: str) -> EstimatorState:
    """Freeze: the pressure no longer speaks for the cylinder. The next followed reading takes up where it stood."""
    return state if state.suspended == reason else state._replace(suspended=reason)


def adapted(state: EstimatorState, old: FillContext, new: FillContext) -> EstimatorState:
    """The state under a new context: folded again when cylinder or surroundings changed, else only re-based."""
    if (old.cylinder, old.mates, old.surroundings) != (new.cylinder, new.mates, new.surroundings):
        return _refolded(state, new)
    if old.gas is not new.gas:
        balance = state.balance
        energy = new.gas.state(balance.mass_kg / new.setting.vessel.capacity_m3, balance.gas_k)[1]
        return state._replace(balance=balance._replace(energy_j=energy * balance.mass_kg))
    return state


def _absolute(context: FillContext, gauge_pa: float) -> float:
    return max(gauge_pa + context.ambient_abs_pa, LOWEST_ABS_PA)


def _refusal(state: EstimatorState, gauge_pa: float, sample_s: float) -> str | None:
    if not (isfinite(gauge_pa) and isfinite(sample_s)):
        return "not-a-number"
    if sample_s <= state.balance.sample_s:
        return _LATE
    if gauge_pa < _NEVER_BELOW_ZERO_PA:
        return "below-zero"
    if gauge_pa > HIGHEST_ABS_PA:
        return "over-range"
    return None


def _refuse(state: EstimatorState, reason: str) -> EstimatorState:
    """The reading is not used; after some in a row nobody may go on trusting the last projection."""
    if reason == _LATE:
        return state._replace(refused=reason)
    refusals = state.refusals + 1
    suspended = reason if refusals >= _TOO_MANY_REFUSALS else state.suspended
    return state._replace(refused=reason, refusals=refusals, suspended=suspended)


def _plausible(balance: Balance) -> bool:
    return _COLDEST_K < balance.gas_k < _HOTTEST_K and balance.mass_kg > 0.0 and isfinite(balance.energy_j)


def _followed(state: EstimatorState, context: FillContext, pressure_abs_pa: float, sample_s: float) -> Balance:
    """The balance led to the reading in steps short enough for it."""
    balance, theta, around = state.balance, state.unknowns.mean, state.surroundings_k
    start_s, start_pa = balance.sample_s, balance.pressure_abs_pa
    dt, rise = sample_s - start_s, pressure_abs_pa - start_pa
    steps = min(max(ceil(dt / _LONGEST_STEP_S), ceil(abs(rise) / _LARGEST_STEP_PA), 1), _MOST_STEPS)
    for step in range(1, steps):
        part = step / steps
        balance = advanced(
            balance, context.setting, theta, at=(start_s + part * dt, start_pa + part * rise), surroundings_k=around
        )
        if not _plausible(balance):
            return balance
    return advanced(balance, context.setting, theta, at=(sample_s, pressure_abs_pa), surroundings_k=around)


def _learn(state: EstimatorState, gradient: Row, residual: float, noise_variance: float) -> EstimatorState:
    """Take one measurement into the unknowns, and the unknowns' change into the balance."""
    unknowns = measured(state.unknowns, gradient, residual, noise_variance)
    change = tuple(new - old for new, old in zip(unknowns.mean, state.unknowns.mean, strict=True))
    hold = state.hold
    if hold is not None:
        hold = hold._replace(mass_kg=hold.mass_kg + dot(hold.row, change[:UNKNOWNS]))
    balance = corrected(state.balance, change[:UNKNOWNS])
    scales = (unknowns.mean[NATURAL], unknowns.mean[FORCED], unknowns.mean[WALL_HEAT])
    if not _plausible(balance) or max(map(abs, scales)) > _LN_SCALE_MOST:
        return state
    return state._replace(unknowns=unknowns, balance=balance, hold=hold)


def _block_ended(state: EstimatorState, context: FillContext) -> EstimatorState:
    """A block of flow is complete: what it says about the supply, and a steady one about the gas."""
    balance, mean = state.balance, state.unknowns.mean
    steadiness = closed(state.steadiness, balance.sample_s, balance.pressure_abs_pa, balance.mass_row(), mean)
    state = state._replace(steadiness=steadiness)
    hint = kind_hint(steadiness, mean, context.supply)
    if hint is not None:
        covariance = loosened(state.unknowns.covariance, tuple(FORGOTTEN * k for k in _KIND_ONLY))
        state = state._replace(unknowns=Unknowns(mean, covariance))
        state = _learn(state, _KIND_ONLY, hint.kind - mean[SUPPLY_KIND], hint.variance)
    known = context.supply is SupplyKind.COMPRESSOR
    steady = known or state.unknowns.mean[SUPPLY_KIND] > _SURELY_COMPRESSOR
    comparison = compared(steadiness, state.unknowns.mean) if steady and not steadiness.compared else None
    if comparison is None:
        return state
    sigma = STEADY_SIGMA if known else LOOKS_STEADY_SIGMA
    state = _learn(state, (*comparison.row, 0.0), STEADY_FALL - comparison.log_ratio, sigma * sigma)
    return state._replace(steadiness=state.steadiness._replace(compared=True))


def _held(state: EstimatorState) -> EstimatorState:
    """Nothing flows in: the mass stays, and what it seems to have changed by teaches."""
    balance, hold, mean = state.balance, state.hold, state.unknowns.mean
    if hold is None:
        return state._replace(hold=hold_of(state.checks, balance, mean), checks=())
    longer = averaged(hold, balance)
    if longer is not None:
        return state._replace(hold=longer)
    still = standstill(hold, balance, mean[LEAK])
    if still is None:
        return state
    new = _learn(state, still.gradient, -still.changed_kg, still.variance)
    return new._replace(hold=new.hold._replace(used_s=balance.sample_s) if new.hold else None)


def _loosen(state: EstimatorState) -> EstimatorState:
    since = min(state.balance.sample_s - state.loosened_s, 60.0 * _LOOSEN_EVERY_S)
    share = _PROCESS_SHARE * since / _LOOSEN_EVERY_S
    covariance = loosened(state.unknowns.covariance, tuple(share * v for v in state.prior_variance))
    return state._replace(unknowns=Unknowns(state.unknowns.mean, covariance), loosened_s=state.balance.sample_s)


def _trailed(state: EstimatorState, gauge_pa: float) -> EstimatorState:
    """Keep this reading; when the trail is full, keep every other one from now on."""
    trail = (*state.trail, Trail(state.balance.sample_s, gauge_pa, state.wall_k, state.flow))
    if len(trail) <= _TRAIL_LENGTH:
        return state._replace(trail=trail)
    return state._replace(trail=(*trail[:-1:2], trail[-1]), trail_every_s=2.0 * state.trail_every_s)


def _refolded(state: EstimatorState, context: FillContext) -> EstimatorState:
    """The fill so far again, from the kept readings, as if the new context had been known from the start."""
    first, *rest = state.trail
    new = begin(context, first.gauge_pa, first.sample_s, first.wall_k, start_seen=state.start_seen)
    new = new._replace(surroundings_k=state.surroundings_k)
    now = Trail(state.balance.sample_s, state.whip_abs_pa - context.ambient_abs_pa, state.wall_k, state.flow)
    for kept in (*rest, now):
        new = on_pressure(new, context, kept.gauge_pa, kept.sample_s, kept.flow)
        if kept.wall_k is not None:
            new = on_wall(new, context, kept.wall_k, kept.sample_s)
    return new._replace(trail=state.trail, trail_every_s=state.trail_every_s, suspended=state.suspended)
