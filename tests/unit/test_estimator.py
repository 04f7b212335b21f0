"""The estimator on fills that are exactly what its own balance says, and on readings that are not."""

from dataclasses import replace

import pytest

from fillguard.core import estimator
from fillguard.core.balance import NATURAL, START, SUPPLY_KIND
from fillguard.core.context import LEAK
from fillguard.core.estimator import EstimatorState, Flow
from fillguard.core.heat import SupplyKind
from fillguard.core.outlook import outlook
from fillguard.core.units import bar_from_pa, k_from_c, pa_from_bar
from fillguard.core.values import Material, Surroundings
from tests.fills import ROOM_K, STEEL_12, context_for, exchanging, fill_from_50_bar, followed

CONTEXT = context_for()


def after_close(state: EstimatorState) -> bool:
    return state.flowed and state.flow is Flow.STOPPED


def filled(times: float = 1.0, *, settle_s: int = 120) -> EstimatorState:
    """After a fill of a cylinder that exchanges heat `times` as strongly as guessed."""
    setting = exchanging(CONTEXT.setting, times)
    *_, (_, state) = followed(CONTEXT, fill_from_50_bar(setting, settle_s=settle_s))
    return state


def test_what_the_balance_itself_would_do_is_followed_exactly() -> None:
    context = context_for(learned=replace(CONTEXT.learned, ln_forced=CONTEXT.learned.ln_natural))
    for instant, state in followed(context, fill_from_50_bar(context.setting)):
        assert state.balance.mass_kg == pytest.approx(instant.balance.mass_kg, rel=3e-3)
        assert state.balance.gas_k == pytest.approx(instant.balance.gas_k, abs=0.5)


def test_a_standing_plateau_changes_nothing() -> None:
    state = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0)
    mass = state.balance.mass_kg
    for second in range(1, 60):
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(50.0), float(second), Flow.STOPPED)
    assert state.balance.mass_kg == pytest.approx(mass, rel=1e-6)
    assert state.unknowns.mean[NATURAL] == CONTEXT.learned.ln_natural.guess


@pytest.mark.parametrize("times", [0.6, 1.6])
def test_the_minutes_after_the_close_show_the_heat_transfer(times: float) -> None:
    before, after = filled(times, settle_s=1), filled(times)
    learnt = after.unknowns.mean[NATURAL] - before.unknowns.mean[NATURAL]
    assert learnt * (times - 1.0) > 0.0, "towards the truth"
    assert after.unknowns.covariance[NATURAL][NATURAL] < before.unknowns.covariance[NATURAL][NATURAL]


@pytest.mark.parametrize("times", [0.5, 1.0, 2.0])
def test_two_minutes_after_the_close_little_is_wrong_whatever_the_heat_transfer(times: float) -> None:
    setting = exchanging(CONTEXT.setting, times)
    *_, (instant, state) = followed(CONTEXT, fill_from_50_bar(setting))
    assert state.balance.mass_kg == pytest.approx(instant.balance.mass_kg, rel=0.006)


def test_a_wall_sensor_puts_a_wrong_start_temperature_right() -> None:
    cold_k = k_from_c(8.0)
    state = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0)
    for second in range(1, 120):
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(50.0), float(second), Flow.STOPPED)
        state = estimator.on_wall(state, CONTEXT, cold_k, float(second))
    assert state.balance.outer_k == pytest.approx(cold_k, abs=2.0)
    assert state.balance.gas_k == pytest.approx(cold_k, abs=2.0)
    assert state.unknowns.covariance[START][START] < 2.0**2
    assert not state.start_guessed


def test_in_a_bath_a_bare_wall_sensor_is_not_used() -> None:
    bath = context_for(surroundings=Surroundings.BATH, surroundings_k=k_from_c(15.0))
    state = estimator.begin(bath, pa_from_bar(50.0), 0.0)
    after = estimator.on_wall(state, bath, k_from_c(5.0), 1.0)
    assert after.balance == state.balance
    insulated = context_for(surroundings=Surroundings.BATH, surroundings_k=k_from_c(15.0), wall_insulated=True)
    assert estimator.on_wall(state, insulated, k_from_c(5.0), 1.0).balance != state.balance


def test_a_wall_sensor_that_has_come_off_is_left_out() -> None:
    state = filled(settle_s=1)
    after = estimator.on_wall(state, CONTEXT, k_from_c(90.0), state.balance.sample_s)
    assert after.refused == "wall-disagrees"
    assert after.unknowns == state.unknowns


def test_a_steady_flow_is_taken_for_a_compressor_and_a_changing_one_for_a_bank() -> None:
    unknown = context_for(supply=SupplyKind.UNKNOWN)
    compressor = exchanging(context_for(supply=SupplyKind.COMPRESSOR).setting, 1.0)
    *_, (_, steady) = followed(unknown, fill_from_50_bar(compressor, settle_s=1))
    assert steady.unknowns.mean[SUPPLY_KIND] > 0.7


@pytest.mark.parametrize(("lost_bar_min", "least", "most"), [(0.0, -0.05, 0.05), (0.5, 0.1, 0.8)])
def test_a_leak_after_the_close_is_told_from_cooling(lost_bar_min: float, least: float, most: float) -> None:
    setting = CONTEXT.setting
    *_, (last, state) = followed(CONTEXT, fill_from_50_bar(setting, settle_s=1))
    for instant in fill_from_50_bar(setting, settle_s=300):
        if instant.at_s > last.at_s:
            lost_pa = pa_from_bar(lost_bar_min) / 60.0 * (instant.at_s - last.at_s)
            state = estimator.on_pressure(state, CONTEXT, instant.gauge_pa - lost_pa, instant.at_s, Flow.STOPPED)
    leak = state.unknowns.mean[LEAK] * 60.0
    assert pa_from_bar(least) <= leak <= pa_from_bar(most)


@pytest.mark.parametrize(
    ("gauge_bar", "later_s", "reason"),
    [
        (float("nan"), 1.0, "not-a-number"),
        (float("inf"), 1.0, "not-a-number"),
        (60.0, float("nan"), "not-a-number"),
        (60.0, 0.0, "late"),
        (60.0, -3600.0, "late"),
        (-1.0, 1.0, "below-zero"),
        (900.0, 1.0, "over-range"),
    ],
)
def test_a_reading_that_cannot_be_leaves_the_state_as_it_was(gauge_bar: float, later_s: float, reason: str) -> None:
    state = filled(settle_s=1)
    after = estimator.on_pressure(
        state, CONTEXT, pa_from_bar(gauge_bar), state.balance.sample_s + later_s, Flow.STOPPED
    )
    assert after.refused == reason
    assert (after.balance, after.unknowns) == (state.balance, state.unknowns)
    assert outlook(after, CONTEXT).settled_gauge_pa == outlook(state, CONTEXT).settled_gauge_pa


def test_after_three_of_them_there_is_no_projection_until_a_good_one() -> None:
    state = filled(settle_s=1)
    gauge_pa = state.whip_abs_pa - CONTEXT.ambient_abs_pa
    for second in range(1, 4):
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(900.0), state.balance.sample_s + second, Flow.STOPPED)
    assert outlook(state, CONTEXT).reason == "over-range"
    state = estimator.on_pressure(state, CONTEXT, gauge_pa, state.balance.sample_s + 4.0, Flow.STOPPED)
    assert outlook(state, CONTEXT).reason is None


def test_late_readings_never_withdraw_the_projection() -> None:
    state = filled(settle_s=1)
    for _ in range(5):
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(60.0), state.balance.sample_s - 1.0, Flow.STOPPED)
    assert state.suspended is None


def test_a_shut_valve_freezes_it_and_the_next_reading_goes_on() -> None:
    state = filled(settle_s=30)
    frozen = estimator.on_pressure(state, CONTEXT, 0.0, state.balance.sample_s + 5.0, Flow.SHUT)
    assert frozen.balance == state.balance
    assert outlook(frozen, CONTEXT).reason == "whip-only"
    gauge_pa = state.whip_abs_pa - CONTEXT.ambient_abs_pa
    again = estimator.on_pressure(frozen, CONTEXT, gauge_pa, state.balance.sample_s + 60.0, Flow.STOPPED)
    assert again.suspended is None
    assert again.balance.mass_kg == pytest.approx(state.balance.mass_kg, rel=0.02)


@pytest.mark.parametrize("gap_s", [60.0, 3600.0, 5 * 3600.0])
def test_a_gap_of_any_length_is_bridged(gap_s: float) -> None:
    state = filled(settle_s=30)
    density = state.balance.mass_kg / CONTEXT.setting.vessel.capacity_m3
    settled_pa = CONTEXT.gas.state(density, ROOM_K)[0] - CONTEXT.ambient_abs_pa
    late = estimator.on_pressure(state, CONTEXT, settled_pa, state.balance.sample_s + gap_s, Flow.STOPPED)
    assert late.refused is None
    if gap_s > 7200.0:
        assert late.balance.gas_k == pytest.approx(ROOM_K, abs=1.0)
        assert late.balance.mass_kg == pytest.approx(state.balance.mass_kg, rel=0.01)


def test_another_cylinder_named_in_mid_fill_is_filled_again_from_the_kept_readings() -> None:
    *_, (_, state) = followed(CONTEXT, fill_from_50_bar(CONTEXT.setting, settle_s=1))
    bigger = context_for(replace(STEEL_12, water_capacity_m3=0.015, empty_mass_kg=16.8))
    adapted = estimator.adapted(state, CONTEXT, bigger)
    assert adapted.balance.sample_s == state.balance.sample_s
    assert adapted.balance.pressure_abs_pa == pytest.approx(state.balance.pressure_abs_pa, rel=1e-6)
    assert adapted.balance.mass_kg == pytest.approx(state.balance.mass_kg * 15.0 / 12.0, rel=0.02)
    *_, (_, known) = followed(bigger, fill_from_50_bar(CONTEXT.setting, settle_s=1))
    assert adapted.balance.gas_k == pytest.approx(known.balance.gas_k, abs=2.0)


def test_the_fitted_surface_takes_over_from_the_approximate_one_without_a_jump() -> None:
    state = filled(settle_s=1)
    other = replace(CONTEXT, gas=replace(CONTEXT.gas, approximate=True))
    adapted = estimator.adapted(state, CONTEXT, other)
    assert (adapted.balance.mass_kg, adapted.balance.gas_k) == (state.balance.mass_kg, state.balance.gas_k)


def test_the_trail_of_a_day_stays_short() -> None:
    state = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0)
    for tens in range(1, 4000):
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(50.0), 10.0 * tens, Flow.STOPPED)
    assert len(state.trail) <= 130
    assert state.trail[0].sample_s == 0.0


def test_a_residual_nobody_saw_standing_widens_the_interval() -> None:
    seen = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0)
    unseen = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0, start_seen=False)
    width = [
        (look.high_gauge_pa or 0.0) - (look.low_gauge_pa or 0.0)
        for look in (outlook(seen, CONTEXT), outlook(unseen, CONTEXT))
    ]
    assert width[1] > width[0] + pa_from_bar(0.5)


def test_a_composite_shows_its_heat_outside_only_later() -> None:
    composite = context_for(replace(STEEL_12, material=Material.COMPOSITE, water_capacity_m3=0.0068, empty_mass_kg=4.4))
    *_, (_, state) = followed(composite, fill_from_50_bar(composite.setting, settle_s=1))
    assert state.balance.inner_k - state.balance.outer_k > 3.0
    assert bar_from_pa(state.balance.pressure_abs_pa) > 100.0
