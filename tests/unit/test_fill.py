"""What is gathered of a fill, and how its one row comes out."""

from dataclasses import replace

import pytest

from fillguard.core.events import CylinderAttached, Outcome, Phase, Projected
from fillguard.core.fill import AT_CLOSE_AFTER_S, OpenFill, fill_id, held_to
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import AIR, Cylinder, Material
from tests.panel import STEEL_12, real_rules, stamp

BAR = PA_PER_BAR
STARTED_S = 1_795_558_018.0


def attached(cylinder: Cylinder | None = STEEL_12, *, target_bar: float | None = None) -> CylinderAttached:
    return CylinderAttached(
        stamp=stamp(0),
        whip="1",
        serial="TH-0042",
        cylinder=cylinder,
        operator="op-1",
        gas=AIR,
        residual_gas=AIR,
        target_gauge_pa=None if target_bar is None else target_bar * BAR,
    )


def opened(*, target_bar: float | None = None, start_bar: float = 50.0) -> OpenFill:
    return OpenFill(
        fill_id="tern-1-x",
        station="tern",
        whip="1",
        held=held_to(attached(target_bar=target_bar), real_rules(), "1"),
        started_s=STARTED_S,
        start_pa=start_bar * BAR,
        plateau_seen=True,
        ambient_k=None,
        peak_pa=start_bar * BAR,
        last_inside_pa=start_bar * BAR,
        peak_inside_pa=start_bar * BAR,
    )


def seen(at_s: float, settled_bar: float | None, *, gauge_bar: float = 210.0) -> Projected:
    known = settled_bar is not None
    return Projected(
        stamp=stamp(at_s),
        sample_s=STARTED_S + at_s,
        whip="1",
        fill_id="tern-1-x",
        phase=Phase.FILLING,
        gauge_pa=gauge_bar * BAR,
        limit_gauge_pa=232 * BAR,
        target_gauge_pa=232 * BAR,
        reference_k=288.15,
        settled_gauge_pa=settled_bar * BAR if settled_bar is not None else None,
        settled_low_gauge_pa=(settled_bar - 2) * BAR if settled_bar is not None else None,
        settled_high_gauge_pa=(settled_bar + 2) * BAR if settled_bar is not None else None,
        cylinder_gauge_pa=gauge_bar * BAR if known else None,
        gas_k=310.0 if known else None,
        rate_pa_s=20 * BAR / 60,
    )


def led(fill: OpenFill, *seens: Projected) -> OpenFill:
    for one in seens:
        fill = fill.with_projection(one, collapsing=False)
    return fill


# The row --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settled", "target", "outcome"),
    [
        (228.0, None, Outcome.FULL),
        (232.5, None, Outcome.OVER),
        (220.0, None, Outcome.SHORT),
        (178.0, 180.0, Outcome.TARGET),
        (170.0, 180.0, Outcome.SHORT),
        (None, None, Outcome.SHORT),
    ],
    ids=["full", "over", "short", "less on purpose", "short of the target", "never projected"],
)
def test_how_a_fill_came_out(settled: float | None, target: float | None, outcome: Outcome) -> None:
    fill = led(opened(target_bar=target), seen(300, 100.0), seen(400, settled))
    if settled is None:
        fill = replace(fill, last_sure=None)

    assert fill.outcome() is outcome


def test_a_gauge_that_rose_without_its_cylinder_was_no_fill() -> None:
    assert led(opened(), seen(10, None, gauge_bar=300)).outcome() is Outcome.NOT_A_FILL


@pytest.mark.parametrize(
    ("raised_s", "outcome"),
    [(330.0, Outcome.STOPPED_FOR_ALARM), (200.0, Outcome.SHORT), (380.0, Outcome.SHORT)],
    ids=["stopped for it", "went on for minutes", "stopped before"],
)
def test_only_a_flow_that_stops_soon_after_was_stopped_for_the_alarm(raised_s: float, outcome: Outcome) -> None:
    fill = led(opened(), seen(300, 190.0)).with_alarm("monitoring-lost", priority=1, at_s=STARTED_S + raised_s)
    fill = fill.flow_stopped(STARTED_S + 350, 200 * BAR)

    assert fill.outcome() is outcome


def test_what_was_lost_is_not_full_however_full_it_was() -> None:
    fill = led(opened(), seen(400, 230.0)).with_alarm("sudden-loss", priority=1, at_s=STARTED_S + 401)
    row = fill.flow_stopped(STARTED_S + 400, 240 * BAR).summary(ended_s=STARTED_S + 500)

    assert row.outcome is Outcome.STOPPED_FOR_ALARM
    assert row.settled_gauge_pa is row.final_settled_gauge_pa is None


def test_a_fill_is_judged_three_seconds_after_its_flow_stopped() -> None:
    fill = led(opened(), *(seen(400 + i, 200.0 + i) for i in range(12)))
    row = fill.flow_stopped(STARTED_S + 403, 240 * BAR).summary(ended_s=None)

    assert row.settled_gauge_pa == (203.0 + AT_CLOSE_AFTER_S) * BAR
    assert row.final_settled_gauge_pa == 211.0 * BAR


def test_the_mark_at_the_close_may_come_later_than_the_stop_is_known() -> None:
    fill = led(opened(), seen(400, 200.0)).flow_stopped(STARTED_S + 400, 240 * BAR)
    assert fill.at_close is None
    fill = led(fill, seen(402, 202.0), seen(403.5, None), seen(404, 204.0), seen(405, 205.0))

    assert fill.summary(ended_s=None).settled_gauge_pa == 204.0 * BAR


def test_a_whip_bled_at_once_leaves_the_last_projection_before_that() -> None:
    fill = led(opened(), seen(400, 200.0), seen(401, 200.5)).flow_stopped(STARTED_S + 400, 240 * BAR)

    assert fill.summary(ended_s=STARTED_S + 402).settled_gauge_pa == 200.5 * BAR


def test_a_projection_of_long_before_the_stop_is_none_of_it() -> None:
    fill = led(opened(), seen(300, 180.0)).flow_stopped(STARTED_S + 400, 240 * BAR)

    assert fill.summary(ended_s=STARTED_S + 402).settled_gauge_pa is None


def test_a_fill_that_goes_on_has_not_stopped() -> None:
    fill = led(opened(), *(seen(400 + i, 200.0) for i in range(8))).flow_stopped(STARTED_S + 400, 240 * BAR).resumed()

    row = fill.summary(ended_s=None, outcome=Outcome.OPEN)
    assert (row.flow_stopped_s, row.close_gauge_pa, row.settled_gauge_pa) == (None, None, None)


def test_peaks_and_counts_are_kept() -> None:
    fill = led(opened(), seen(1, 100, gauge_bar=120), seen(2, 110, gauge_bar=150), seen(3, 110, gauge_bar=140))
    row = (
        fill.with_alarm("too-fast", priority=2, at_s=0).with_alarm("too-fast", priority=2, at_s=9).summary(ended_s=None)
    )

    assert (row.peak_gauge_pa, row.readings, row.alarms) == (150 * BAR, 3, ("too-fast",))
    assert row.gas_k_max == 310.0


def test_what_is_kept_of_projections_does_not_grow() -> None:
    fill = led(opened(), *(seen(i * 0.2, 100.0) for i in range(2000)))

    assert len(fill.recent) < 100


# Names, limits --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("taken", "name"),
    [
        (None, "tern-1-20261124T220658Z"),
        ("tern-1-20261124T220500Z", "tern-1-20261124T220658Z"),
        ("tern-1-20261124T220658Z", "tern-1-20261124T220658Z-2"),
        ("tern-1-20261124T220658Z-2", "tern-1-20261124T220658Z-3"),
    ],
    ids=["first", "after another", "a collision", "a second collision"],
)
def test_a_fill_is_named_after_station_whip_and_the_second_it_began(taken: str | None, name: str) -> None:
    assert fill_id("tern", "1", STARTED_S + 0.7, taken) == name


def test_an_unknown_cylinder_is_held_to_the_lowest_rating_of_the_whip() -> None:
    held = held_to(None, real_rules(), "1")

    assert (held.identified, held.serial, held.limit_gauge_pa) == (False, None, 200 * BAR)
    assert held.cylinder.reference_k == pytest.approx(k_from_c(15.0))
    assert held.cylinder.material is Material.ALUMINIUM, "cools its gas most: more is left after settling"


@pytest.mark.parametrize(("asked", "target"), [(None, 232.0), (180.0, 180.0), (300.0, 232.0)])
def test_a_target_is_never_above_the_limit(asked: float | None, target: float) -> None:
    assert held_to(attached(target_bar=asked), real_rules(), "1").target_gauge_pa == target * BAR


def test_a_plus_mark_allows_ten_per_cent_more() -> None:
    plus = replace(STEEL_12, plus_marked=True)

    # 49 CFR 173.302a(b)
    assert held_to(attached(plus), real_rules(), "1").limit_gauge_pa == pytest.approx(1.1 * 232 * BAR)
