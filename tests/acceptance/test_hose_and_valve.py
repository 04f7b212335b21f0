"""What the hose does and the cylinder cannot: shut valves, valves opened late, bled whips; and gas really lost."""

import math

import pytest

from fillguard.core.events import AlarmState, Outcome, Phase
from fillguard.core.units import PA_PER_BAR
from tests.panel import STEEL_12, T0, Line, Panel, between

# A shut cylinder valve ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("bank_bar", [120, 200, 260, 330], ids=lambda bar: f"bank at {bar} bar")
@pytest.mark.parametrize("attached", [True, False], ids=["attached", "nobody said"])
def test_a_hose_before_a_shut_valve_raises_nothing_grave_whatever_the_bank(bank_bar: float, *, attached: bool) -> None:
    panel = Panel()
    line = panel.whip()
    if attached:
        line.attach()
    line.stands(for_s=6).jumps(bank_bar * 0.7).jumps(bank_bar).stands(for_s=180).bleeds()
    story = panel.play()

    story.never()
    assert story.started() == []


def test_a_compressor_that_pumps_up_the_hose_alone_is_no_fill() -> None:
    panel = Panel()
    panel.whip().attach().stands(for_s=6).moves(to_bar=320, in_s=6).stands(for_s=60).bleeds()
    story = panel.play()

    story.never()
    assert story.started() == []


def test_a_gauge_above_the_limit_before_any_flow_is_most_likely_a_shut_valve() -> None:
    panel = Panel()
    panel.whip().attach().stands(for_s=6).jumps(300).stands(for_s=30)

    assert panel.play().findings() == ["whip-only"]


def test_a_valve_that_is_shut_before_the_panels_raises_nothing_grave() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20)
    line.jumps(280).stands(for_s=60).bleeds()
    story = panel.play()

    story.nothing_grave()
    assert "whip-only" in story.findings()
    withheld = [seen.reason for _, seen in story.projections() if seen.gauge_pa > 250 * PA_PER_BAR][:4]
    assert set(withheld) == {"whip-only"}
    assert [row.outcome for row in story.ended()] == [Outcome.SHORT]


def test_a_bleed_right_after_the_hose_leapt_is_no_loss() -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20)
    line.jumps(280).stands(for_s=8).bleeds()

    panel.play().nothing_grave()


# A cylinder valve opened late -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("every_s", [0.2, 1.0])
def test_a_valve_opened_late_is_told_and_the_start_marked_as_not_seen(every_s: float) -> None:
    panel = Panel()
    line = panel.whip().samples(every_s).attach().stands(for_s=6).moves(to_bar=210, in_s=8).stands(for_s=10)
    line.moves(to_bar=60, in_s=max(1.0, every_s))
    opened_s = line.now_s
    line.fills(to_bar=160, at_bar_min=20).closes(for_s=130).bleeds()
    story = panel.play()

    story.never()
    assert story.findings() == ["whip-only", "bled"]
    (row,) = story.ended()
    assert not row.plateau_seen
    assert row.start_gauge_pa / PA_PER_BAR == pytest.approx(60.0, abs=2.0)
    assert row.started_s - T0 == pytest.approx(opened_s, abs=3.0)
    assert row.findings == ("whip-only", "bled")


def test_an_unseen_start_widens_the_interval() -> None:
    widths = {}
    for late in (False, True):
        panel = Panel()
        line = panel.whip().attach()
        if late:
            line.stands(for_s=6).moves(to_bar=210, in_s=8).stands(for_s=6).jumps(60)
        else:
            line.opens(residual_bar=60)
        line.fills(to_bar=160, at_bar_min=20).closes(for_s=20)
        (_, seen) = panel.play().projections()[-1]
        assert seen.settled_high_gauge_pa is not None
        assert seen.settled_low_gauge_pa is not None
        widths[late] = seen.settled_high_gauge_pa - seen.settled_low_gauge_pa

    assert widths[True] > 1.2 * widths[False]


def test_a_residual_plateau_is_where_the_fill_begins() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=87, for_s=25).fills(to_bar=120, at_bar_min=20)
    (started,) = panel.play().started()

    assert started.plateau_seen
    assert started.start_gauge_pa / PA_PER_BAR == pytest.approx(87.0, abs=0.3)


def test_a_cylinder_valve_that_is_hardly_open_lets_the_hose_creep_up_and_that_is_no_fill() -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().stands(for_s=6)
    line.follows(lambda t: 6.3 * (1.0 - math.exp(-t / 2.0)), for_s=20)
    story = panel.play()

    assert story.started() == []
    assert story.state().phase is Phase.CONNECTED


# Bled or lost ---------------------------------------------------------------------------------------------------------


def closed(every_s: float, *, for_s: float) -> tuple[Panel, Line]:
    panel = Panel()
    line = panel.whip().samples(every_s).attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=25)
    return panel, line.closes(for_s=for_s)


@pytest.mark.parametrize("every_s", [0.2, 1.0])
@pytest.mark.parametrize("for_s", [6.0, 30.0, 200.0])
def test_a_fast_bleed_after_five_seconds_without_flow_is_no_loss(every_s: float, for_s: float) -> None:
    panel, line = closed(every_s, for_s=for_s)
    line.bleeds()
    story = panel.play()

    story.never()
    assert story.findings() == ["bled"]
    assert story.state().phase is Phase.IDLE


@pytest.mark.parametrize("every_s", [0.2, 1.0])
def test_a_whip_bled_over_two_seconds_is_no_loss(every_s: float) -> None:
    panel, line = closed(every_s, for_s=60)
    top = line.bar
    line.follows(lambda t: top * math.exp(-t / 0.7), for_s=6)

    panel.play().never()


@pytest.mark.parametrize("every_s", [0.2, 1.0])
def test_a_hose_that_lets_go_while_gas_flows_is_a_loss(every_s: float) -> None:
    panel = Panel()
    line = panel.whip().samples(every_s).attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20)
    burst_s = line.now_s
    line.jumps(40).jumps(2).jumps(0.3)
    line.bar = 0.0
    line.stands(for_s=10)
    story = panel.play()

    story.expects(between(burst_s, burst_s + 4 * every_s + 1.0), "sudden-loss")
    (_, change), *_ = story.changes("sudden-loss")
    assert change.priority == 1
    assert change.facts.rate_pa_s is not None
    assert change.facts.rate_pa_s < -10 * PA_PER_BAR, "falling, in bar a second"
    assert story.states("sudden-loss")[-1] is AlarmState.LATCHED_UNACKNOWLEDGED
    assert [row.outcome for row in story.ended()] == [Outcome.STOPPED_FOR_ALARM]


@pytest.mark.parametrize("paused", [False, True], ids=["while it fills", "in a pause"])
def test_a_disc_that_bursts_empties_the_cylinder_and_is_a_loss(*, paused: bool) -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().opens(residual_bar=50).fills(to_bar=180, at_bar_min=25)
    if paused:
        line.closes(for_s=30)
    burst_s, top = line.now_s, line.bar
    line.follows(lambda t: top * math.exp(-t / 14.0), for_s=60)
    story = panel.play()

    story.expects(between(burst_s + 2.0, burst_s + 4.0), "sudden-loss")
    (_, change), *_ = story.changes("sudden-loss")
    assert change.facts.rate_pa_s is not None
    assert -change.facts.rate_pa_s / PA_PER_BAR == pytest.approx(top / 14.0, rel=0.3)
    assert "sudden-loss" in story.findings()
    withheld = [seen for at_s, seen in story.projections() if burst_s + 4 < at_s < burst_s + 30]
    assert all(seen.settled_gauge_pa is None for seen in withheld)
    assert {seen.reason for seen in withheld} == {"sudden-loss"}


def test_what_was_lost_is_not_in_the_row() -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().opens(residual_bar=150).fills(to_bar=230, at_bar_min=29)
    top = line.bar
    line.follows(lambda t: top * math.exp(-t / 14.0), for_s=70).jumps(0.2)
    (row,) = panel.play().ended()

    assert row.outcome is Outcome.STOPPED_FOR_ALARM
    assert row.final_settled_gauge_pa is None


def test_a_slow_bleed_of_an_overfilled_cylinder_is_no_loss_and_the_projection_follows_it() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29).closes(for_s=60)
    line.moves(to_bar=220, in_s=300).stands(for_s=30)
    story = panel.play()

    story.never("sudden-loss")
    assert story.started()[0].serial == STEEL_12.serial
    settled = [seen.settled_gauge_pa for _, seen in story.projections() if seen.settled_gauge_pa]
    assert settled[-1] / PA_PER_BAR < 225.0
