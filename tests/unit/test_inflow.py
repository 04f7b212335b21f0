"""What the inflow says: steady or not about the supply, steady about the gas; how long it takes; a small filter."""

from collections.abc import Callable
from itertools import pairwise

import pytest

from fillguard.core.balance import FORCED, NATURAL, UNKNOWNS
from fillguard.core.forecast import Inflow
from fillguard.core.heat import SupplyKind
from fillguard.core.kalman import Unknowns, loosened, measured, variance
from fillguard.core.steadiness import (
    MOST_BLOCKS,
    NOTHING_SEEN,
    Steadiness,
    after,
    blocks,
    closed,
    compared,
    complete,
    kind_hint,
)

NO_ROW = (0.0,) * UNKNOWNS
MEAN = (0.0,) * (UNKNOWNS + 1)
PA_PER_KG = 70e5


def seen(flow_kg_s: Callable[[int], float], seconds: int, pause: range = range(0)) -> Steadiness:
    """After so many seconds of inflow, once a second."""
    steadiness, mass = NOTHING_SEEN, 0.7
    for second in range(seconds):
        flowing = second not in pause
        mass += flow_kg_s(second) if flowing else 0.0
        steadiness = after(steadiness, float(second), mass * PA_PER_KG, mass, flowing=flowing)
        if complete(steadiness, float(second)):
            steadiness = closed(steadiness, float(second), mass * PA_PER_KG, NO_ROW, MEAN)
    return steadiness


def steady(_second: int) -> float:
    return 0.005


def falling(second: int) -> float:
    return 0.006 * (1.0 - second / 1200.0)


def by_hand(second: int) -> float:
    return 0.005 * (1.0 + 0.15 * ((second // 40) % 3 - 1))


def test_blocks_have_the_flow_that_was() -> None:
    flows = blocks(seen(steady, 300), MEAN)
    assert len(flows) >= 10
    assert all(block.flow_kg_s == pytest.approx(0.005) for block in flows)
    assert all(earlier.middle_s < later.middle_s for earlier, later in pairwise(flows))


def test_a_pause_belongs_to_no_block() -> None:
    flows = blocks(seen(steady, 400, pause=range(150, 220)), MEAN)
    assert all(block.flow_kg_s == pytest.approx(0.005) for block in flows)


def test_a_steady_flow_hints_at_a_compressor_the_more_the_longer() -> None:
    early, late = (
        kind_hint(seen(steady, 240), MEAN, SupplyKind.UNKNOWN),
        kind_hint(seen(steady, 500), MEAN, SupplyKind.UNKNOWN),
    )
    assert early is not None
    assert late is not None
    assert early.kind == late.kind == 1.0
    assert early.variance > late.variance


@pytest.mark.parametrize("flow", [falling, by_hand], ids=["pressures meet", "a hand on the valve"])
def test_an_unsteady_flow_hints_at_a_bank(flow: Callable[[int], float]) -> None:
    hint = kind_hint(seen(flow, 600), MEAN, SupplyKind.UNKNOWN)
    assert hint is not None
    assert hint.kind == -1.0


def test_one_short_pause_nobody_noticed_spoils_nothing() -> None:
    hint = kind_hint(seen(lambda s: 0.0 if 300 <= s < 308 else 0.005, 600), MEAN, SupplyKind.UNKNOWN)
    assert hint is not None
    assert hint.kind == 1.0


def test_a_configured_source_needs_no_hint_and_the_first_minute_gives_none() -> None:
    assert kind_hint(seen(steady, 500), MEAN, SupplyKind.BANK) is None
    assert kind_hint(seen(steady, 60), MEAN, SupplyKind.UNKNOWN) is None


def test_a_week_of_flow_stays_bounded_and_keeps_its_first_minute() -> None:
    steadiness = seen(lambda _s: 0.0005, 40_000)
    assert len(steadiness.ends) <= MOST_BLOCKS
    assert steadiness.ends[0].time_s < 20.0


def test_the_first_minute_is_compared_with_what_follows() -> None:
    flat = compared(seen(steady, 300), MEAN)
    assert flat is not None
    assert flat.log_ratio == pytest.approx(0.0, abs=1e-6)
    fell = compared(seen(lambda s: 0.006 if s < 60 else 0.005, 300), MEAN)
    assert fell is not None
    assert fell.log_ratio > 0.1
    assert compared(seen(steady, 100), MEAN) is None, "too little has followed"


def test_a_flow_that_rises_more_than_heat_explains_is_no_steady_one() -> None:
    assert compared(seen(lambda s: 0.0044 if s < 60 else 0.005, 300), MEAN) is None


def test_the_trend_is_that_of_the_last_blocks() -> None:
    assert seen(steady, 300).trend_kg_s2 == pytest.approx(0.0, abs=1e-9)
    assert seen(falling, 600).trend_kg_s2 == pytest.approx(-0.006 / 1200.0, rel=0.05)
    assert seen(falling, 50).trend_kg_s2 == 0.0


def test_seconds_follow_the_flow_and_its_fall() -> None:
    assert Inflow(0.005).seconds_for(0.5) == pytest.approx(100.0)
    assert Inflow(0.005).seconds_for(-0.1) == 0.0
    falls = Inflow(0.005, -0.00001)
    in_100_s = 0.005 * 100.0 - 0.5 * 0.00001 * 100.0**2
    assert falls.seconds_for(in_100_s) == pytest.approx(100.0)
    assert Inflow(0.005, +0.00001).seconds_for(0.5) == pytest.approx(100.0), "a rise is not trusted"
    assert falls.seconds_for(10.0) == pytest.approx(10.0 / 0.002, rel=0.1), "never below four tenths of the flow"


def test_a_measurement_pulls_by_its_weight_and_what_goes_together_follows() -> None:
    prior = Unknowns((0.0, 0.0), ((4.0, 2.0), (2.0, 4.0)))
    after_one = measured(prior, (1.0, 0.0), 1.0, 4.0)
    assert after_one.mean == pytest.approx((0.5, 0.25))
    assert after_one.covariance[0][0] == pytest.approx(2.0)
    assert after_one.covariance[0][1] == after_one.covariance[1][0]
    assert variance(after_one.covariance, (1.0, 0.0)) == pytest.approx(2.0)


def test_a_wild_residual_counts_as_three_standard_deviations() -> None:
    prior = Unknowns((0.0,), ((1.0,),))
    wild = measured(prior, (1.0,), 1e6, 3.0)
    assert wild.mean[0] == pytest.approx(3.0 * 2.0 / 4.0)


def test_process_noise_goes_on_the_diagonal() -> None:
    assert loosened(((1.0, 0.5), (0.5, 1.0)), (0.1, 0.2)) == ((1.1, 0.5), (0.5, 1.2))


def test_the_two_scales_are_neighbours() -> None:
    assert {NATURAL, FORCED} == {1, 2}, "rows in these tests count on it"
