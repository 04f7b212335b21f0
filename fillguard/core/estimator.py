"""Live estimate of what stands in a cylinder while it is filled: gas, wall, and how far each may be off.

Pure: a state goes in with a reading, a state comes out. The balance (`core.balance`) follows the pressure; a Kalman
filter corrects it by the wall sensor and by the fact that without inflow the mass stays. Nothing a sensor sends makes
these functions raise: a reading that cannot be used leaves the state as it was but for `refused`.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, isfinite
from typing import NamedTuple

from fillguard.core.balance import SUPPLY_KIND, UNKNOWNS, Balance, Row, advanced, begun, corrected
from fillguard.core.context import ESTIMATED, LEAK, FillContext, start_of, unknowns_of
from fillguard.core.gas import HIGHEST_ABS_PA, HIGHEST_K, LOWEST_ABS_PA, LOWEST_K
from fillguard.core.heat import SupplyKind
from fillguard.core.kalman import Unknowns, dot, loosened, measured
from fillguard.core.restriction import OPEN, Restriction, led
from fillguard.core.steadiness import (
    FORGOTTEN,
    NOTHING_SEEN,
    STEADY_FALL,
    STEADY_SIGMA,
    Steadiness,
    after,
    closed,
    compared,
    complete,
    kind_hint,
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


class Check(NamedTuple):
    """The mass at one instant, how each unknown would change it, and the unknowns it was reckoned with."""

    sample_s: float
    mass_kg: float
    row: Row
    mean: Row


class Hold(NamedTuple):
    """The mass at the beginning of a stretch without inflow, averaged over some seconds."""

    start_s: float
    used_s: float
    """When it was last held against the mass."""
    readings: int
    mass_kg: float
    row: Row


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimatorState:
    """Everything between two readings; bounded, cheap to copy."""

    balance: Balance
    unknowns: Unknowns
    prior_variance: Row
    surroundings_k: float
    start_seen: bool
    """The residual pressure was seen standing."""
    start_guessed: bool
    """The start temperature is nobody's measurement or word."""
    flow: Flow = Flow.STOPPED
    flowed: bool = False
    restriction: Restriction = OPEN
    whip_abs_pa: float
    """What the gauge says; ahead of the balance's pressure where the valve holds gas back."""
    hold: Hold | None = None
    checks: tuple[Check, ...] = ()
    """The mass over the last seconds of flow: where it stood when the flow stopped is known only later."""
    wall_sum_k: float = 0.0
    wall_count: int = 0
    wall_used_s: float | None = None
    wall_k: float | None = None
    """Latest wall reading."""
    loosened_s: float
    steadiness: Steadiness = NOTHING_SEEN
    trail: tuple[Trail, ...]
    trail_every_s: float = 10.0
    suspended: str | None = None
    """Why there is no projection; None while the pressure is followed."""
    refused: str | None = None
    """Why the latest reading was not used."""
    refusals: int = 0


_LONGEST_STEP_S = 2.0
_LARGEST_STEP_PA = 5e5
_MOST_STEPS = 200
_LOOSEN_EVERY_S = 10.0
_PROCESS_SHARE = 0.0025
"""Variance that comes back in ten seconds, as a share of the prior's: (0.05 sigma) squared."""
_NEVER_BELOW_ZERO_PA = -0.7e5
"""A gauge this far below zero is no noise."""
_TRAIL_LENGTH = 128

_WALL_EVERY_S = 5.0
_WALL_COUNTS_FOR_S = 10.0
_WALL_NOISE_K = 0.3
_WALL_MODEL_K = 0.5
_WALL_MODEL_MEMORY_S = 30.0
"""The model's error against the sensor lasts this long: readings within it are not news."""

_SURROUNDINGS_SHARE = 0.05

_HOLD_MEAN_S = 5.0
_HOLD_EVERY_S = 5.0
_HOLD_SURE_S = 12.0
_HOLD_PA = 0.12e5
_HOLD_DOUBLES_S = 60.0
_HOLD_MEMORY_S = 15.0
_KIND_ONLY = tuple(1.0 if j == SUPPLY_KIND else 0.0 for j in range(ESTIMATED))
_SURELY_COMPRESSOR = 0.7
_CHECK_EVERY_S = 1.0
_CHECKS_KEPT = 20
_HOLD_CHECKS = 5
_SAME_MASS = 0.003
_SAME_PA = 0.4e5


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
    whip_pa, before = _absolute(context, gauge_pa), state.balance
    dt, flowing = sample_s - before.sample_s, flow is Flow.FLOWING
    restriction, cylinder_pa = led(
        state.restriction, whip_pa, before.pressure_abs_pa, before.mass_kg, dt, flowing=flowing
    )
    balance = _followed(state, context, cylinder_pa, sample_s)
    if not (LOWEST_K < balance.gas_k < HIGHEST_K and balance.mass_kg > 0.0 and isfinite(balance.energy_j)):
        return _refuse(state, "implausible-jump")
    new = replace(
        state,
        balance=balance,
        restriction=restriction,
        whip_abs_pa=whip_pa,
        flow=flow,
        flowed=state.flowed or flowing,
        steadiness=after(state.steadiness, sample_s, balance.pressure_abs_pa, balance.mass_kg, flowing=flowing),
        suspended=None,
        refused=None,
        hold=state.hold if flow is Flow.STOPPED and not restriction.active else None,
    )
    if flowing:
        new = _checked(new)
    elif new.flowed and not restriction.active:
        new = _held(new)
    if complete(new.steadiness, sample_s):
        new = _block_ended(new, context)
    if sample_s - new.loosened_s >= _LOOSEN_EVERY_S:
        new = _loosen(new)
    return _trailed(new, gauge_pa) if sample_s - new.trail[-1].sample_s >= new.trail_every_s else new


def on_wall(state: EstimatorState, context: FillContext, wall_k: float, sample_s: float) -> EstimatorState:
    """The state after one reading of the wall sensor; readings are averaged and used every few seconds."""
    if not (isfinite(wall_k) and LOWEST_K < wall_k < HIGHEST_K):
        return _refuse(state, "wall-out-of-range")
    if not context.wall_sensor_counts or state.suspended is not None:
        return replace(state, wall_k=wall_k)
    total, count = state.wall_sum_k + wall_k - state.balance.sensor_k, state.wall_count + 1
    since = _WALL_COUNTS_FOR_S if state.wall_used_s is None else sample_s - state.wall_used_s
    if since < _WALL_EVERY_S:
        return replace(state, wall_sum_k=total, wall_count=count, wall_k=wall_k)
    news = min(since, _WALL_COUNTS_FOR_S) / _WALL_MODEL_MEMORY_S
    noise = _WALL_NOISE_K**2 / count + _WALL_MODEL_K**2 / news
    new = _learn(state, (*state.balance.sensor_row, 0.0), total / count, noise)
    return replace(new, wall_sum_k=0.0, wall_count=0, wall_used_s=sample_s, wall_k=wall_k, start_guessed=False)


def on_surroundings(state: EstimatorState, around_k: float) -> EstimatorState:
    """The state after a reading of shop air or bath, smoothed."""
    if not (isfinite(around_k) and LOWEST_K < around_k < HIGHEST_K):
        return _refuse(state, "surroundings-out-of-range")
    return replace(state, surroundings_k=state.surroundings_k + _SURROUNDINGS_SHARE * (around_k - state.surroundings_k))


def drop_pa(state: EstimatorState) -> float:
    """How far the whip stands above the cylinder, as far as a leap of the gauge has shown it."""
    return max(0.0, state.whip_abs_pa - state.balance.pressure_abs_pa)


def suspend(state: EstimatorState, reason: str) -> EstimatorState:
    """Freeze: the pressure no longer speaks for the cylinder. The next followed reading takes up where it stood."""
    return state if state.suspended == reason else replace(state, suspended=reason)


def adapted(state: EstimatorState, old: FillContext, new: FillContext) -> EstimatorState:
    """The state under a new context: folded again when cylinder or surroundings changed, else only re-based."""
    if (old.cylinder, old.surroundings) != (new.cylinder, new.surroundings):
        return _refolded(state, new)
    if old.gas is not new.gas:
        balance = state.balance
        energy = new.gas.state(balance.mass_kg / new.setting.vessel.capacity_m3, balance.gas_k)[1]
        return replace(state, balance=balance._replace(energy_j=energy * balance.mass_kg))
    return state


def _absolute(context: FillContext, gauge_pa: float) -> float:
    return max(gauge_pa + context.ambient_abs_pa, LOWEST_ABS_PA)


def _refusal(state: EstimatorState, gauge_pa: float, sample_s: float) -> str | None:
    if not (isfinite(gauge_pa) and isfinite(sample_s)):
        return "not-a-number"
    if sample_s <= state.balance.sample_s:
        return "late"
    if gauge_pa < _NEVER_BELOW_ZERO_PA:
        return "below-zero"
    if gauge_pa > HIGHEST_ABS_PA:
        return "over-range"
    return None


def _refuse(state: EstimatorState, reason: str) -> EstimatorState:
    return replace(state, refused=reason, refusals=state.refusals + 1)


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
    return advanced(balance, context.setting, theta, at=(sample_s, pressure_abs_pa), surroundings_k=around)


def _learn(state: EstimatorState, gradient: Row, residual: float, noise_variance: float) -> EstimatorState:
    """Take one measurement into the unknowns, and the unknowns' change into the balance."""
    unknowns = measured(state.unknowns, gradient, residual, noise_variance)
    change = tuple(new - old for new, old in zip(unknowns.mean, state.unknowns.mean, strict=True))
    hold = state.hold
    if hold is not None:
        hold = hold._replace(mass_kg=hold.mass_kg + dot(hold.row, change[:UNKNOWNS]))
    balance = corrected(state.balance, change[:UNKNOWNS])
    return replace(state, unknowns=unknowns, balance=balance, hold=hold)


def _block_ended(state: EstimatorState, context: FillContext) -> EstimatorState:
    """A block of flow is complete: what it says about the supply, and a steady one about the gas."""
    balance, mean = state.balance, state.unknowns.mean
    steadiness = closed(state.steadiness, balance.sample_s, balance.pressure_abs_pa, balance.mass_row(), mean)
    state = replace(state, steadiness=steadiness)
    hint = kind_hint(steadiness, mean, context.supply)
    if hint is not None:
        covariance = loosened(state.unknowns.covariance, tuple(FORGOTTEN * k for k in _KIND_ONLY))
        state = replace(state, unknowns=Unknowns(mean, covariance))
        state = _learn(state, _KIND_ONLY, hint.kind - mean[SUPPLY_KIND], hint.variance)
    steady = context.supply is SupplyKind.COMPRESSOR or state.unknowns.mean[SUPPLY_KIND] > _SURELY_COMPRESSOR
    comparison = compared(steadiness, state.unknowns.mean) if steady and not steadiness.compared else None
    if comparison is None:
        return state
    state = _learn(state, (*comparison.row, 0.0), STEADY_FALL - comparison.log_ratio, STEADY_SIGMA**2)
    return replace(state, steadiness=state.steadiness._replace(compared=True))


def _checked(state: EstimatorState) -> EstimatorState:
    """Remember the mass once a second."""
    balance, checks = state.balance, state.checks
    if checks and balance.sample_s - checks[-1].sample_s < _CHECK_EVERY_S:
        return state
    check = Check(balance.sample_s, balance.mass_kg, balance.mass_row(), state.unknowns.mean)
    return replace(state, checks=(*checks[-_CHECKS_KEPT + 1 :], check))


def _began(state: EstimatorState) -> Hold:
    """The hold of a stop that was noticed late: from the checks whose mass is already the mass of now."""
    balance = state.balance
    row, mean = balance.mass_row(), state.unknowns.mean
    masses, rows, start_s = [balance.mass_kg], [row], balance.sample_s
    for check in reversed(state.checks):
        change = tuple(new - old for new, old in zip(mean, check.mean, strict=True))
        mass = check.mass_kg + dot(check.row, change[:UNKNOWNS])
        if abs(mass - balance.mass_kg) > balance.mass_kg * max(_SAME_MASS, _SAME_PA / balance.pressure_abs_pa):
            break
        masses.append(mass)
        rows.append(check.row)
        start_s = check.sample_s
    # The oldest is where the flow may still have been running out; of the rest the early ones count.
    masses, rows = masses[:-1][-_HOLD_CHECKS:] or masses, rows[:-1][-_HOLD_CHECKS:] or rows
    count = len(masses)
    mean_row = tuple(sum(column) / count for column in zip(*rows, strict=True))
    return Hold(start_s, balance.sample_s, count, sum(masses) / count, mean_row)


def _held(state: EstimatorState) -> EstimatorState:
    """No inflow: what the mass seems to have changed by is the unknowns' fault, or a leak's."""
    balance, hold = state.balance, state.hold
    now_s = balance.sample_s
    if hold is None:
        return replace(state, hold=_began(state), checks=())
    row = balance.mass_row()
    if now_s - hold.start_s < _HOLD_MEAN_S:
        n = hold.readings + 1
        mass = hold.mass_kg + (balance.mass_kg - hold.mass_kg) / n
        mean_row = tuple(mean + (r - mean) / n for mean, r in zip(hold.row, row, strict=True))
        return replace(state, hold=Hold(hold.start_s, now_s, n, mass, mean_row))
    since, held_s = now_s - hold.used_s, now_s - hold.start_s
    if since < _HOLD_EVERY_S or held_s < _HOLD_SURE_S:
        return state
    kg_per_pa = balance.mass_kg / balance.pressure_abs_pa
    doubt_pa = _HOLD_PA * (1.0 + held_s / _HOLD_DOUBLES_S)
    noise = (doubt_pa * kg_per_pa) ** 2 * max(1.0, _HOLD_MEMORY_S / since)
    leaked_kg_per = kg_per_pa * held_s
    gradient = (*(r - h for r, h in zip(row, hold.row, strict=True)), leaked_kg_per)
    changed_kg = balance.mass_kg - hold.mass_kg + leaked_kg_per * state.unknowns.mean[LEAK]
    new = _learn(state, gradient, -changed_kg, noise)
    return replace(new, hold=new.hold._replace(used_s=now_s) if new.hold else None)


def _loosen(state: EstimatorState) -> EstimatorState:
    since = min(state.balance.sample_s - state.loosened_s, 60.0 * _LOOSEN_EVERY_S)
    share = _PROCESS_SHARE * since / _LOOSEN_EVERY_S
    covariance = loosened(state.unknowns.covariance, tuple(share * v for v in state.prior_variance))
    return replace(state, unknowns=Unknowns(state.unknowns.mean, covariance), loosened_s=state.balance.sample_s)


def _trailed(state: EstimatorState, gauge_pa: float) -> EstimatorState:
    """Keep this reading; when the trail is full, keep every other one from now on."""
    trail = (*state.trail, Trail(state.balance.sample_s, gauge_pa, state.wall_k, state.flow))
    if len(trail) <= _TRAIL_LENGTH:
        return replace(state, trail=trail)
    return replace(state, trail=(*trail[:-1:2], trail[-1]), trail_every_s=2.0 * state.trail_every_s)


def _refolded(state: EstimatorState, context: FillContext) -> EstimatorState:
    """The fill so far again, from the kept readings, as if the new context had been known from the start."""
    first, *rest = state.trail
    new = begin(context, first.gauge_pa, first.sample_s, first.wall_k, start_seen=state.start_seen)
    new = replace(new, surroundings_k=state.surroundings_k)
    now = Trail(state.balance.sample_s, state.whip_abs_pa - context.ambient_abs_pa, state.wall_k, state.flow)
    for kept in (*rest, now):
        new = on_pressure(new, context, kept.gauge_pa, kept.sample_s, kept.flow)
        if kept.wall_k is not None:
            new = on_wall(new, context, kept.wall_k, kept.sample_s)
    return replace(new, trail=state.trail, trail_every_s=state.trail_every_s, suspended=state.suspended)
