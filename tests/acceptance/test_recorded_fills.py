"""Simulated fills whose truth is known: when they began and stopped, what was raised, and what was not."""

import pytest

from fillguard.core.events import AlarmChanged, FillSummary, Outcome, Phase
from fillguard.core.units import PA_PER_BAR
from tests.panel import T0, between
from tests.recorded import recorded, watched

pytestmark = pytest.mark.fills

ALL = [2, 5, 7, 9, 14, 15, 19, 24, 109]
LEAPT_FROM_EMPTY = 19
"""Begins empty: the hose leaps to 18 bar and stands for some seconds, which is what an opened cylinder valve shows."""
WITHOUT_OVERFILL_OR_FAULT = [2, 9, 15, 109]
START_WITHIN_S = 4.0
STOP_WITHIN_S = 2.0


def row_of(number: int) -> FillSummary:
    """The one row of a fill, open or not."""
    story = watched(number)
    rows = story.ended()
    fill = story.state().fill
    if fill is not None:
        rows.append(fill.summary(ended_s=None, outcome=Outcome.OPEN))
    assert len(rows) == 1, "one fill and no more"
    return rows[0]


@pytest.mark.parametrize("number", [n for n in ALL if n != LEAPT_FROM_EMPTY])
def test_the_start_is_within_four_seconds_of_the_truth(number: int) -> None:
    truth, row = recorded(number).truth, row_of(number)

    assert row.started_s - T0 == pytest.approx(truth["t_flow_start"], abs=START_WITHIN_S)
    assert row.start_gauge_pa / PA_PER_BAR == pytest.approx(truth["p_start_bar_g"], abs=1.0)


def test_a_start_from_empty_that_leaps_is_ten_seconds_late_at_most() -> None:
    row = row_of(LEAPT_FROM_EMPTY)

    assert 0.0 <= row.started_s - T0 - recorded(LEAPT_FROM_EMPTY).truth["t_flow_start"] <= 10.0


@pytest.mark.parametrize("number", [n for n in ALL if n not in (7, 19)])
def test_the_stop_is_within_two_seconds_of_the_truth(number: int) -> None:
    row = row_of(number)

    assert row.flow_stopped_s is not None
    assert row.flow_stopped_s - T0 == pytest.approx(recorded(number).truth["t_close"], abs=STOP_WITHIN_S)


@pytest.mark.parametrize("number", WITHOUT_OVERFILL_OR_FAULT)
def test_a_fill_that_goes_well_raises_nothing_grave(number: int) -> None:
    watched(number).nothing_grave()


@pytest.mark.parametrize("number", ALL)
def test_too_fast_is_raised_where_it_was_too_fast_for_long_and_nowhere_else(number: int) -> None:
    segments = recorded(number).truth["too_fast_segments"]
    at = watched(number).raised_at("too-fast")

    clear = [(start_s, end_s) for start_s, end_s, rate in segments if end_s - start_s > 40 and rate > 34]
    for start_s, end_s in clear:
        assert any(start_s <= at_s <= end_s for at_s in at) or any(at_s < start_s for at_s in at), (
            f"too fast from {start_s} to {end_s}, raised at {at}"
        )
    for at_s in at:
        assert any(start_s <= at_s <= end_s + 15 for start_s, end_s, _ in segments), f"raised at {at_s}: {segments}"


def test_an_overfill_is_raised_before_the_flow_stops() -> None:
    truth = recorded(5).truth
    (at_s,) = watched(5).raised_at("overfill")

    assert truth["overfill_margin_bar"] > 3.0
    assert at_s <= truth["t_close"]


@pytest.mark.parametrize("number", [2, 9, 15, 19, 109])
def test_a_bled_whip_ends_the_fill_and_is_found_to_be_bled(number: int) -> None:
    (bled_s,) = recorded(number).truth["events"]["whip_bled"]
    story = watched(number)

    assert story.findings()[-1] == "bled"
    assert story.entered(Phase.ENDED) == [pytest.approx(bled_s, abs=4.0)]
    story.never("sudden-loss")


def test_a_burst_disc_is_a_loss_within_four_seconds() -> None:
    (burst_s,) = recorded(7).truth["events"]["burst_disc"]
    story = watched(7)

    story.expects(between(burst_s, burst_s + 4.0), "sudden-loss")
    assert row_of(7).outcome is Outcome.STOPPED_FOR_ALARM


def test_a_stuck_sensor_is_lost_monitoring_until_it_moves_again() -> None:
    ((stuck_s, back_s),) = recorded(14).truth["sensor_stuck"]
    story = watched(14)

    story.expects(between(stuck_s + 10, stuck_s + 15), "monitoring-lost")
    story.returns(between(back_s, back_s + 2), "monitoring-lost")


def test_a_silent_sensor_is_lost_monitoring_until_it_speaks_again() -> None:
    ((silent_s, back_s),) = recorded(19).truth["sensor_dropout"]
    story = watched(19)

    story.expects(between(silent_s + 4, silent_s + 6.5), "monitoring-lost")
    story.returns(between(back_s, back_s + 2), "monitoring-lost")


@pytest.mark.parametrize("number", [9, 109])
def test_the_settled_pressure_at_the_close_is_within_the_interval(number: int) -> None:
    truth, row = recorded(number).truth["settled_ref_bar_g"], row_of(number)

    assert row.settled_low_gauge_pa is not None
    assert row.settled_high_gauge_pa is not None
    assert row.settled_low_gauge_pa / PA_PER_BAR - 1.0 < truth < row.settled_high_gauge_pa / PA_PER_BAR + 1.0


def test_clean_fills_together_stay_quiet_but_for_their_speed() -> None:
    raised = [
        change.alarm
        for number in WITHOUT_OVERFILL_OR_FAULT
        for _, change in watched(number).all(AlarmChanged)
        if change.is_raise
    ]

    assert set(raised) <= {"too-fast"}
