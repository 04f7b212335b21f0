"""What the watch says a curve hints at, and that it keeps quiet about what only looks like it."""

import math
from dataclasses import replace

import pytest

from fillguard.core.events import Doubt, FindingMade, Phase, Quality
from fillguard.core.rules import WhipRules
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Drop, Visits
from tests.panel import STEEL_12, TWIN_12, Line, Panel, Story, between, real_rules

# A cylinder valve that is not fully open ------------------------------------------------------------------------------


def hardly_open(panel: Panel, visits: Visits | None = None) -> Line:
    """The whip leaps from 50 to 120 bar when the panel is opened, and then climbs slowly."""
    line = panel.whip().samples(0.2).attach(visits=visits).opens(residual_bar=50)
    return line.moves(to_bar=120, in_s=3).moves(to_bar=130, in_s=40)


def sinks(line: Line, to_bar: float, *, in_s: float = 1.0, for_s: float = 15.0) -> Line:
    """The hose empties into its cylinder."""
    start = line.bar
    return line.follows(lambda t: to_bar + (start - to_bar) * math.exp(-t / in_s), for_s=for_s)


def text_of(story: Story, finding: str) -> str:
    """What was said with the finding."""
    (text,) = [fact.text for _, fact in story.all(FindingMade) if fact.finding == finding]
    return text


def test_a_whip_that_runs_ahead_is_told_within_half_a_minute_with_its_numbers_and_what_to_do() -> None:
    panel = Panel()
    hardly_open(panel)
    story = panel.play()

    story.expects(between(30, 55), "valve-not-open")
    text = text_of(story, "valve-not-open")
    assert text.startswith("The gauge leapt from 5")
    assert " bar and for 1" in text
    assert text.endswith(real_rules().alarms["valve-not-open"].action)
    story.nothing_grave()


def test_a_needle_that_creeps_back_is_told_and_the_alarm_ends_with_the_fill() -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=28)
    sinks(line, 140).stands(for_s=130)
    story = panel.play()

    assert story.raises() == ["valve-not-open"]
    assert "came back from 1" in text_of(story, "valve-not-open")
    story.returns(between(330, 400), "valve-not-open")


def test_a_whip_far_ahead_may_sink_to_its_cylinder_without_a_sudden_loss() -> None:
    panel = Panel()
    line = hardly_open(panel)
    for _ in range(3):
        sinks(line, 62, in_s=2.0).moves(to_bar=130, in_s=4).moves(to_bar=135, in_s=20)
    story = panel.play()

    story.never("sudden-loss")
    assert story.raises().count("valve-not-open") == 1


def test_a_disc_that_lets_go_behind_a_valve_hardly_open_is_still_told_once_less_is_left_than_there_was() -> None:
    panel = Panel()
    line = hardly_open(panel)
    start = line.bar
    line.follows(lambda t: start * math.exp(-t / 8.0), for_s=40.0)
    story = panel.play()

    assert "sudden-loss" in story.raises()


def test_once_the_valve_has_been_opened_the_alarm_returns() -> None:
    panel = Panel()
    line = hardly_open(panel)
    sinks(line, 62).stands(for_s=15).moves(to_bar=80, in_s=45)
    story = panel.play()

    assert story.raises() == ["valve-not-open"]
    assert len(story.changes("valve-not-open")) == 2, "raised, and returned while gas flows"
    assert story.state().phase is Phase.FILLING


def test_a_valve_that_somebody_saw_open_makes_it_a_restriction() -> None:
    panel = Panel()
    hardly_open(panel, Visits(valve_confirmed_open=True))
    story = panel.play()

    assert story.findings() == ["flow-restricted"]
    assert "somebody saw its valve open" in text_of(story, "flow-restricted")


def test_the_third_fill_in_a_row_that_was_held_back_makes_it_a_restriction() -> None:
    panel = Panel()
    hardly_open(panel, Visits(held_back=2))

    assert panel.play().findings() == ["flow-restricted"]


@pytest.mark.parametrize(("earlier_bar", "told"), [(0.8, True), (3.2, False)], ids=["it has grown", "it was so before"])
def test_a_drop_that_grows_over_the_visits_is_a_restriction(earlier_bar: float, *, told: bool) -> None:
    usual = Drop(ahead_pa=earlier_bar * PA_PER_BAR, rate_pa_s=30.0 * PA_PER_BAR / 60.0)
    panel = Panel()
    line = panel.whip().samples(0.2).attach(visits=Visits(drops=(usual, usual, usual)))
    line.opens(residual_bar=50).fills(to_bar=150, at_bar_min=30)
    sinks(line, 146.2, in_s=0.5, for_s=30)
    story = panel.play()

    assert ("flow-restricted" in story.findings()) is told


@pytest.mark.parametrize("bar_min", [10, 30, 60])
def test_a_fill_through_an_open_valve_hints_at_nothing(bar_min: float) -> None:
    panel = Panel()
    line = panel.whip().samples(0.2).attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=bar_min)
    line.closes(for_s=60).bleeds()
    story = panel.play()

    assert story.findings() == ["bled"]
    story.never("valve-not-open", "leak", "sudden-loss")


# Gas that goes elsewhere ----------------------------------------------------------------------------------------------


def test_a_cylinder_connected_to_a_lower_bank_is_told_so_and_it_is_no_leak() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=150)
    line.follows(lambda t: 90.0 + 60.0 * math.exp(-t / 40.0), for_s=180)
    story = panel.play()

    assert story.findings() == ["back-flow"]
    assert "change to a fuller bank" in text_of(story, "back-flow")
    story.never()


def test_a_cylinder_that_is_drained_is_told_nothing() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=150).follows(lambda t: 150.0 * math.exp(-t / 120.0), for_s=240)
    story = panel.play()

    assert story.findings() == []


def test_a_shut_cylinder_valve_behind_a_hose_that_sinks_is_no_leak() -> None:
    """The hose holds 57 mL: it stands still, or falls far faster than a cylinder leaks."""
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20).closes(for_s=60)
    line.moves(to_bar=60, in_s=200)
    story = panel.play()

    story.never("leak")


# A set that fills by half ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("usual_kg_s", "told"), [(0.5, True), (1.0, False), (0.75, False)], ids=["twice", "as usual", "half as fast again"]
)
def test_a_set_that_climbs_twice_as_fast_as_its_compressor_fills_it_has_a_closed_isolator(
    usual_kg_s: float, *, told: bool
) -> None:
    """24 litres at 20 bar/min take some 8 g/s at first, less as the gas gets denser."""
    panel = Panel()
    line = panel.whip().samples(0.2).attach(TWIN_12, visits=Visits(flow_kg_s=usual_kg_s * 0.0086))
    line.opens(residual_bar=50).fills(to_bar=170, at_bar_min=20)
    story = panel.play()

    assert (story.findings() == ["half-set"]) is told


def test_a_set_whose_wall_stays_cold_is_asked_for_its_isolator() -> None:
    panel = Panel()
    panel.whip().attach(TWIN_12).wall(20.0).opens(residual_bar=50).fills(to_bar=170, at_bar_min=20)
    story = panel.play()

    assert story.findings() == ["half-set"]
    assert "isolator" in text_of(story, "half-set")


def test_a_single_cylinder_whose_wall_stays_cold_has_lost_its_sensor() -> None:
    panel = Panel()
    panel.whip().attach(STEEL_12).wall(20.0).opens(residual_bar=50).fills(to_bar=170, at_bar_min=20)
    story = panel.play()

    assert story.findings() == ["sensor-disagrees"]
    assert "come off" in text_of(story, "sensor-disagrees")


# Sensors --------------------------------------------------------------------------------------------------------------


def test_a_gauge_above_what_the_supply_can_give_is_told() -> None:
    rules = replace(real_rules(), whips={"1": WhipRules(whip="1", supply_end_gauge_pa=150 * PA_PER_BAR)})
    panel = Panel(rules=rules)
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=170, at_bar_min=20)
    story = panel.play()

    assert story.findings() == ["sensor-disagrees"]
    assert "the supply ends at 150 bar" in text_of(story, "sensor-disagrees")


def test_a_fault_in_the_loop_is_called_by_its_name_and_not_silence() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=100, at_bar_min=20)
    for _ in range(10):
        line.now_s += 1.0
        line.reads(0.0, quality=Quality.BAD, doubt=Doubt.LOOP_FAULT)
    story = panel.play()

    assert story.findings() == ["loop-fault"]
    assert story.raises() == ["monitoring-lost"]


def test_a_gauge_that_stops_trembling_in_a_pause_is_stuck() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50, for_s=30).fills(to_bar=100, at_bar_min=20).stands(for_s=40)
    for _ in range(75):
        line.now_s += 1.0
        line.reads(100.0)
    story = panel.play()

    assert "sensor-stuck" in story.findings()
    assert "trembled" in text_of(story, "sensor-stuck")


def test_a_gauge_that_never_trembles_may_repeat_itself_in_a_pause() -> None:
    panel = Panel(noise_bar=0.0)
    panel.whip().attach().opens(residual_bar=50, for_s=30).fills(to_bar=100, at_bar_min=20).stands(for_s=110)

    assert panel.play().findings() == []


# How it is said -------------------------------------------------------------------------------------------------------


def test_every_finding_ends_with_what_to_do_and_is_told_once() -> None:
    panel = Panel()
    sinks(hardly_open(panel), 62).stands(for_s=20).moves(to_bar=120, in_s=3).moves(to_bar=130, in_s=40)
    story = panel.play()

    told = [fact for _, fact in story.all(FindingMade)]
    assert [fact.finding for fact in told] == ["valve-not-open"]
    assert 0.0 < told[0].confidence < 1.0
    assert told[0].fill_id == story.started()[0].fill_id
