"""From the attached cylinder to the bled whip: where a fill begins, pauses, stops and ends."""

import math
from dataclasses import replace

import pytest

from fillguard.core.events import ClockStepped, FillIdentified, FlowStopped, Outcome, Phase
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Surroundings
from tests.panel import ALUMINIUM_11, STEEL_12, T0, TWIN_12, Panel, Story, between, stamp

START_S = 18.0
"""Six seconds bled, one for the jump, eleven more of standing: the next sample is the first of the rise."""


def usual(**said: float) -> Story:
    """A steel cylinder of 232 bar, filled from 50 to 200 on the gauge at 20 bar/min: 450 s."""
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=200, at_bar_min=20).closes(for_s=170).bleeds()
    return panel.play(**said)


def test_a_normal_fill_goes_its_way_and_raises_nothing() -> None:
    story = usual()

    story.never()
    assert story.phases() == [
        Phase.ATTACHED,
        Phase.CONNECTED,
        Phase.FILLING,
        Phase.PAUSED,
        Phase.CLOSED,
        Phase.SETTLING,
        Phase.ENDED,
        Phase.IDLE,
    ]
    assert story.findings() == ["bled"]
    assert story.lamps() == []


def test_the_row_of_a_normal_fill_says_when_and_between_which_pressures() -> None:
    (row,) = usual().ended()

    assert row.started_s - T0 == pytest.approx(START_S, abs=4.0)
    assert row.flow_stopped_s is not None
    assert row.flow_stopped_s - T0 == pytest.approx(START_S + 450.0, abs=2.0)
    assert row.plateau_seen
    assert row.start_gauge_pa / PA_PER_BAR == pytest.approx(50.0, abs=0.3)
    assert row.close_gauge_pa is not None
    assert row.close_gauge_pa / PA_PER_BAR == pytest.approx(200.0, abs=0.5)
    assert row.settled_gauge_pa is not None
    assert 150.0 < row.settled_gauge_pa / PA_PER_BAR < 195.0, "hot gas settles below the gauge"
    assert row.outcome is Outcome.SHORT
    assert row.peak_rate_pa_s is not None
    assert row.peak_rate_pa_s / PA_PER_BAR * 60.0 == pytest.approx(20.0, abs=3.0)


def test_a_fill_is_named_after_the_first_sample_of_its_rise() -> None:
    story = usual()
    (started,) = story.started()

    assert started.fill_id == "tern-1-20261124T220701Z"
    assert started.started_s - T0 == pytest.approx(START_S, abs=4.0)
    assert [row.fill_id for row in story.ended()] == [started.fill_id]


def test_the_same_readings_always_give_the_same_name() -> None:
    assert usual().started()[0].fill_id == usual().started()[0].fill_id


def test_the_start_is_told_within_seconds_of_the_rise() -> None:
    (filling_s,) = usual().entered(Phase.FILLING)

    assert START_S + 4.0 <= filling_s <= START_S + 8.0


def test_a_pause_of_ten_seconds_is_a_pause_and_not_the_end() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20)
    line.closes(for_s=40).fills(to_bar=180, at_bar_min=20).closes(for_s=150).bleeds()
    story = panel.play()

    assert story.phases().count(Phase.PAUSED) == 2
    assert len(story.started()) == len(story.ended()) == 1
    story.never()


def test_a_hesitation_of_a_few_seconds_is_not_even_a_pause() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20)
    line.stands(for_s=5).fills(to_bar=180, at_bar_min=20).closes(for_s=150).bleeds()
    story = panel.play()

    assert story.phases().count(Phase.PAUSED) == 1, "only the close"


def test_a_bank_change_with_a_dip_and_a_leap_does_not_split_a_fill() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20).stands(for_s=15)
    line.jumps(118.5).jumps(126).fills(to_bar=200, at_bar_min=20).closes(for_s=150).bleeds()
    story = panel.play()

    assert len(story.ended()) == 1
    story.nothing_grave()


def test_inflow_again_after_ten_minutes_on_the_same_attachment_is_the_same_fill() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20)
    line.closes(for_s=600).fills(to_bar=190, at_bar_min=10).closes(for_s=150).bleeds()
    story = panel.play()

    (row,) = story.ended()
    assert story.phases().count(Phase.CLOSED) == 2
    assert row.close_gauge_pa is not None
    assert row.close_gauge_pa / PA_PER_BAR == pytest.approx(190.0, abs=0.5)
    assert len(story.all(FlowStopped)) == 2, "the flow stopped twice; the row holds the later one"


def test_a_quarter_of_an_hour_without_inflow_ends_it() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20).closes(for_s=920)
    story = panel.play()

    (row,) = story.ended()
    (ended_s,) = story.entered(Phase.ENDED)
    assert row.flow_stopped_s is not None
    assert ended_s - (row.flow_stopped_s - T0) == pytest.approx(900.0, abs=2.0)
    assert story.state().phase is Phase.CONNECTED, "the gauge still sees the cylinder"


def test_what_is_filled_after_that_quarter_is_another_fill_of_the_same_cylinder() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20)
    line.closes(for_s=920).fills(to_bar=190, at_bar_min=10).closes(for_s=60).bleeds()
    story = panel.play()

    assert [started.serial for started in story.started()] == ["TH-0042", "TH-0042"]
    assert len({started.fill_id for started in story.started()}) == 2
    story.never("unidentified")


def test_bleeding_ends_the_fill_and_the_attachment() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20).closes(for_s=30).bleeds()
    story = panel.play()

    assert story.phases()[-2:] == [Phase.ENDED, Phase.IDLE]
    assert story.state().attached is None
    assert story.findings() == ["bled"]
    story.never()


def test_a_whip_that_is_bled_within_ten_seconds_of_the_close_is_closed_and_bled() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20).closes(for_s=7).bleeds()
    story = panel.play()

    (row,) = story.ended()
    assert row.flow_stopped_s is not None
    assert row.flow_stopped_s - T0 == pytest.approx(START_S + 390.0, abs=2.0)
    assert row.settled_gauge_pa is not None, "the projection of the last seconds before it was bled"
    assert len(story.all(FlowStopped)) == 1
    story.never()


def test_detaching_ends_the_fill() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20).closes(for_s=30).detach()
    story = panel.play()

    assert len(story.ended()) == 1
    assert story.state().attached is None


def test_another_cylinder_attached_after_the_close_ends_the_fill() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=20).closes(for_s=130)
    line.attach(ALUMINIUM_11).stands(for_s=5)
    story = panel.play()

    assert [row.serial for row in story.ended()] == ["TH-0042"]
    attached = story.state().attached
    assert attached is not None
    assert attached.serial == "TH-0011"


def test_another_cylinder_attached_while_it_fills_identifies_the_fill_anew() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20)
    line.attach(ALUMINIUM_11).fills(to_bar=160, at_bar_min=20).closes(for_s=130).bleeds()
    story = panel.play()

    assert [fact.serial for _, fact in story.all(FillIdentified)] == ["TH-0011"]
    assert [row.serial for row in story.ended()] == ["TH-0011"]
    assert [started.serial for started in story.started()] == ["TH-0042"], "both serials stay on record"


def test_an_attachment_that_nothing_follows_is_forgotten_after_a_quarter_of_an_hour() -> None:
    panel = Panel()
    panel.whip().attach().stands(for_s=910)
    story = panel.play()

    assert story.phases() == [Phase.ATTACHED, Phase.IDLE]
    assert story.state().attached is None


def test_a_quarter_of_an_hour_of_draining_does_not_cost_the_attachment() -> None:
    panel = Panel()
    line = panel.whip().attach(TWIN_12).opens(residual_bar=150).moves(to_bar=1, in_s=1000).stands(for_s=30)
    line.fills(to_bar=60, at_bar_min=20).closes(for_s=20)
    story = panel.play()

    assert [started.serial for started in story.started()] == ["TH-0077"]


def test_draining_is_not_a_fill() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=150).moves(to_bar=0.2, in_s=600).stands(for_s=20)
    story = panel.play()

    assert Phase.DRAINING in story.phases()
    assert story.started() == []
    assert story.state().phase is Phase.ATTACHED
    story.never()


def test_a_rise_of_a_bar_or_two_that_stops_is_not_a_fill() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=51.6, at_bar_min=12).stands(for_s=160).bleeds()
    story = panel.play()

    assert [row.outcome for row in story.ended()] in ([], [Outcome.NOT_A_FILL])


def test_attaching_is_optional() -> None:
    panel = Panel()
    panel.whip().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20).closes(for_s=130).bleeds()
    story = panel.play()

    (row,) = story.ended()
    assert row.serial is None
    assert row.cylinder is None
    assert row.limit_gauge_pa == 200 * PA_PER_BAR
    assert story.raises() == ["unidentified"]


def test_a_twin_set_is_filled_as_one() -> None:
    panel = Panel()
    panel.whip().attach(TWIN_12).opens(residual_bar=50).fills(to_bar=200, at_bar_min=12).closes(for_s=130).bleeds()
    story = panel.play()

    (row,) = story.ended()
    assert row.cylinder is not None
    assert row.cylinder.count == 2
    mass_kg = [seen.mass_kg for _, seen in story.projections() if seen.mass_kg]
    assert max(mass_kg) == pytest.approx(2 * 0.012 * 225.0, rel=0.1), "24 litres of air at some 200 bar"
    story.never()


def test_a_bath_is_taken_for_what_surrounds_the_cylinder() -> None:
    told: dict[Surroundings | None, float] = {}
    for surroundings in (None, Surroundings.BATH):
        panel = Panel()
        line = panel.whip().attach(surroundings=surroundings).opens(residual_bar=50)
        line.fills(to_bar=200, at_bar_min=20).closes(for_s=20)
        told[surroundings] = panel.play().projections()[-1][1].gas_k or 0.0

    assert 280.0 < told[Surroundings.BATH] < told[None], "water takes the heat away"


@pytest.mark.parametrize("every_s", [0.2, 1.0, 5.0])
def test_slow_and_fast_sensors_see_the_same_fill(every_s: float) -> None:
    panel = Panel()
    line = panel.whip().samples(every_s).attach().opens(residual_bar=50, for_s=20, bled_s=10)
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=130).bleeds()
    story = panel.play()

    (row,) = story.ended()
    assert row.flow_stopped_s is not None
    assert row.flow_stopped_s - row.started_s == pytest.approx(300.0, abs=4.0 + 2.0 * every_s)
    story.never()


def test_two_whips_do_not_know_of_each_other() -> None:
    panel = Panel()
    panel.whip("1").attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20).closes(for_s=170)
    panel.at(40).whip("2").attach(ALUMINIUM_11).opens(residual_bar=30).fills(to_bar=150, at_bar_min=50).closes(
        for_s=240
    )
    story = panel.play()

    assert story.raises("1") == []
    assert story.raises("2") == ["too-fast"]
    story.expects(between(85, 105), "too-fast", whip="2")
    assert STEEL_12.serial == story.started("1")[0].serial


@pytest.mark.parametrize("for_s", [30.0, 130.0, 200.0], ids=["paused", "closed", "settling"])
def test_the_same_cylinder_said_again_after_the_flow_stopped_changes_nothing(for_s: float) -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20).closes(for_s=for_s)
    line.attach().stands(for_s=5).bleeds()
    story = panel.play()

    assert [row.serial for row in story.ended()] == ["TH-0042"]
    story.never()


@pytest.mark.parametrize("for_s", [30.0, 130.0, 200.0], ids=["paused", "closed", "settling"])
def test_a_fill_of_an_unknown_cylinder_may_be_identified_after_it(for_s: float) -> None:
    panel = Panel()
    line = panel.whip().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20).closes(for_s=for_s)
    line.attach().stands(for_s=5).bleeds()
    story = panel.play()

    assert [row.serial for row in story.ended()] == ["TH-0042"]
    assert story.ended()[0].limit_gauge_pa == 232 * PA_PER_BAR


def test_two_visitors_cylinders_without_serials_are_two() -> None:
    panel = Panel()
    line = panel.whip().attach(replace(STEEL_12, serial=None)).opens(residual_bar=50)
    line.fills(to_bar=120, at_bar_min=20).closes(for_s=130).attach(replace(ALUMINIUM_11, serial=None)).stands(for_s=5)

    assert len(panel.play().ended()) == 1


def test_an_attachment_does_not_outlive_a_bleed_that_nobody_saw() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20).closes(for_s=920)
    line.silent(for_s=300)
    line.bar = 0.0
    line.stands(for_s=10).opens(residual_bar=80).fills(to_bar=110, at_bar_min=20)
    story = panel.play()

    assert [started.serial for started in story.started()] == ["TH-0042", None]


def test_a_clock_that_is_set_in_a_fill_ends_it_as_interrupted_and_the_rest_is_another() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=120, at_bar_min=20)
    panel.send(line.now_s, ClockStepped(stamp=stamp(line.now_s), by_s=3600.0))
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=20)
    story = panel.play()

    assert [row.outcome for row in story.ended()] == [Outcome.INTERRUPTED]
    assert len(story.started()) == 2
    assert "clock-wrong" in story.raises()


def test_in_a_bath_a_fill_far_from_its_target_is_not_asked_to_close() -> None:
    panel = Panel()
    line = panel.whip().attach(TWIN_12, surroundings=Surroundings.BATH).opens(residual_bar=45)
    line.follows(lambda t: 45.0 + 260.0 * (1.0 - math.exp(-t / 1100.0)), for_s=500)
    story = panel.play()

    far = [seen for _, seen in story.projections() if (seen.settled_gauge_pa or 0.0) < 200 * PA_PER_BAR]
    assert len(far) > 300
    assert all(seen.close_at_gauge_pa is not None and seen.close_at_gauge_pa > seen.gauge_pa for seen in far)
    assert story.prompts() == []
