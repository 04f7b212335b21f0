"""What the person at the panel is told: stop-at, close-at, bleed-to, caps and their price, the interval."""

from dataclasses import replace

import pytest

from fillguard.core import estimator
from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState, Flow
from fillguard.core.limits import Cap
from fillguard.core.outlook import LEAST_MARGIN_PA, MOST_MARGIN_PA, outlook
from fillguard.core.units import k_from_c, pa_from_bar
from tests.fills import ROOM_K, context_for, fill_from_50_bar, followed, true_fill

CONTEXT = context_for()


def filling(context: FillContext = CONTEXT, *, until_s: float = 300.0) -> EstimatorState:
    """In the middle of a fill at 5 g/s."""
    for instant, state in followed(context, fill_from_50_bar(context.setting)):
        if instant.at_s >= until_s:
            return state
    raise AssertionError(f"the fill ended before {until_s:g} s")


def test_a_hot_gauge_settles_lower_and_reads_more_where_it_is_warm() -> None:
    look = outlook(filling(), CONTEXT)
    assert look.reason is None
    assert look.settled_gauge_pa is not None
    assert look.at_surroundings_gauge_pa is not None
    assert look.cylinder_gauge_pa is not None
    assert look.developed_gauge_pa is not None
    assert look.settled_gauge_pa < look.at_surroundings_gauge_pa < look.cylinder_gauge_pa < look.developed_gauge_pa


def test_stop_at_is_where_the_true_fill_settles_on_target() -> None:
    target = pa_from_bar(170.0)
    context = context_for(target_gauge_pa=target)
    told: tuple[float, float, float] | None = None
    for instant, state in followed(context, fill_from_50_bar(context.setting)):
        look = outlook(state, context)
        if told is None and look.seconds_to_stop is not None and look.seconds_to_stop <= 60.0:
            assert look.stop_at_gauge_pa is not None
            told = (instant.at_s, look.stop_at_gauge_pa, look.seconds_to_stop)
        density = instant.balance.mass_kg / context.setting.vessel.capacity_m3
        settled = context.gas.state(density, context.cylinder.reference_k)[0] - context.ambient_abs_pa
        if settled >= target:
            assert told is not None
            assert instant.gauge_pa == pytest.approx(told[1], abs=pa_from_bar(1.0))
            assert instant.at_s == pytest.approx(told[0] + told[2], abs=4.0)
            return
    raise AssertionError("the fill never came to its target")


def test_close_at_comes_before_stop_at_by_margin_and_reaction() -> None:
    look = outlook(filling(), CONTEXT)
    assert look.stop_at_gauge_pa is not None
    assert look.close_at_gauge_pa is not None
    early = look.stop_at_gauge_pa - look.close_at_gauge_pa
    assert LEAST_MARGIN_PA < early < 1.5 * MOST_MARGIN_PA + pa_from_bar(2.0)


def test_a_target_well_below_the_limit_costs_reaction_only() -> None:
    context = context_for(target_gauge_pa=pa_from_bar(180.0))
    look = outlook(filling(context), context)
    assert look.stop_at_gauge_pa is not None
    assert look.close_at_gauge_pa is not None
    assert 0.0 < look.stop_at_gauge_pa - look.close_at_gauge_pa < pa_from_bar(1.5)


def test_a_cap_decides_and_tells_its_price() -> None:
    context = context_for(caps=(Cap(name="hot-allowance", gauge_pa=pa_from_bar(214.0)),))
    look = outlook(filling(context), context)
    assert look.close_at_gauge_pa == pa_from_bar(214.0)
    assert look.close_at_cap == "hot-allowance"
    assert look.close_at_settles_gauge_pa is not None
    assert pa_from_bar(180.0) < look.close_at_settles_gauge_pa < pa_from_bar(212.0)
    assert look.seconds_to_stop is not None


def test_a_supply_that_ends_first_leaves_no_seconds() -> None:
    context = context_for(caps=(Cap(name="supply", gauge_pa=pa_from_bar(205.0)),))
    look = outlook(filling(context), context)
    assert (look.seconds_to_stop, look.seconds_reason) == (None, "supply-limited")
    assert look.close_at_cap == "supply"


def test_a_cap_beyond_the_target_says_nothing() -> None:
    context = context_for(caps=(Cap(name="whip", gauge_pa=pa_from_bar(350.0)),))
    assert outlook(filling(context), context).close_at_cap is None


def test_without_flow_there_are_no_seconds_but_a_stop_at() -> None:
    *_, (_, state) = followed(CONTEXT, fill_from_50_bar(CONTEXT.setting, settle_s=60))
    look = outlook(state, CONTEXT)
    assert (look.seconds_to_stop, look.seconds_reason) == (None, "no-flow")
    assert look.stop_at_gauge_pa is not None


def test_only_what_is_over_the_limit_is_bled_and_never_to_the_stamp() -> None:
    assert outlook(filling(), CONTEXT).bleed_to_gauge_pa is None
    low = context_for(limit_gauge_pa=pa_from_bar(140.0), target_gauge_pa=pa_from_bar(140.0))
    look = outlook(filling(low), low)
    assert look.bleed_to_gauge_pa is not None
    assert look.cylinder_gauge_pa is not None
    assert pa_from_bar(140.0) < look.bleed_to_gauge_pa < look.cylinder_gauge_pa, "hot gas: above the limit itself"
    assert look.seconds_to_stop == 0.0


def test_a_cold_cylinder_is_bled_below_the_stamp() -> None:
    # 232 on the gauge at 8 C is 241 settled at 15 C (computed with CoolProp 8.0.0).
    cold_k = k_from_c(8.0)
    context = context_for(surroundings_k=cold_k, arrived_k=cold_k)
    look = outlook(estimator.begin(context, pa_from_bar(232.0), 0.0), context)
    assert look.settled_gauge_pa == pytest.approx(pa_from_bar(241.0), abs=pa_from_bar(0.5))
    assert look.bleed_to_gauge_pa is not None
    assert look.bleed_to_gauge_pa < pa_from_bar(232.0)


def test_the_interval_is_wide_where_nobody_spoke_of_the_cylinder_above_all_upwards() -> None:
    nobody = outlook(filling(), CONTEXT)
    told_context = context_for(arrived_k=ROOM_K, arrived_sigma_k=2.0)
    told = outlook(filling(told_context), told_context)
    for look in (nobody, told):
        assert look.settled_gauge_pa is not None
        assert look.low_gauge_pa is not None
        assert look.high_gauge_pa is not None
        assert look.low_gauge_pa < look.settled_gauge_pa < look.high_gauge_pa
    assert (nobody.high_gauge_pa or 0.0) - (nobody.settled_gauge_pa or 0.0) > pa_from_bar(5.0), "it may be 12 K colder"
    assert (nobody.high_gauge_pa or 0.0) > (told.high_gauge_pa or 0.0) + pa_from_bar(2.0)


def test_a_hotter_gas_is_likelier_than_a_colder_one() -> None:
    context = context_for(arrived_k=ROOM_K, arrived_sigma_k=0.1)
    fast = true_fill(context.setting, start_gauge_pa=pa_from_bar(50.0), flow_kg_s=0.012, fill_s=120, settle_s=0)
    *_, (_, state) = followed(context, fast)
    look = outlook(state, context)
    assert look.settled_gauge_pa is not None
    assert look.low_gauge_pa is not None
    assert look.high_gauge_pa is not None
    below, above = look.settled_gauge_pa - look.low_gauge_pa, look.high_gauge_pa - look.settled_gauge_pa
    assert below > 1.1 * above


def test_an_approximate_gas_surface_widens_the_interval() -> None:
    approximate = replace(CONTEXT, gas=replace(CONTEXT.gas, approximate=True))
    exact, rough = outlook(filling(), CONTEXT), outlook(filling(approximate), approximate)
    assert (exact.low_gauge_pa or 0.0) > (rough.low_gauge_pa or 0.0)


def test_settling_takes_most_of_an_hour_in_air() -> None:
    # About 40 minutes' time constant for a 12 L steel cylinder (estimate of check values; common experience: an hour).
    look = outlook(filling(), CONTEXT)
    assert look.settled_in_s is not None
    assert 1200.0 < look.settled_in_s < 9000.0
    rested = estimator.begin(CONTEXT, pa_from_bar(200.0), 0.0)
    assert outlook(rested, CONTEXT).settled_in_s == 0.0


def test_a_suspended_estimate_says_why_and_nothing_else() -> None:
    look = outlook(estimator.suspend(filling(), "bled"), CONTEXT)
    assert look.reason == "bled"
    assert look.settled_gauge_pa is None
    assert look.stop_at_gauge_pa is None


def test_before_any_flow_a_usual_one_is_assumed() -> None:
    state = estimator.begin(CONTEXT, pa_from_bar(50.0), 0.0)
    state = estimator.on_pressure(state, CONTEXT, pa_from_bar(50.0), 1.0, Flow.STOPPED)
    look = outlook(state, CONTEXT)
    assert look.stop_at_gauge_pa is not None
    assert pa_from_bar(235.0) < look.stop_at_gauge_pa < pa_from_bar(300.0)
