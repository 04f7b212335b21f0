"""Thresholds that change while somebody fills: a stricter one counts at once, a looser one after the fill."""

import json
from dataclasses import replace

from fillguard.core.events import FillIdentified, RulesChanged
from fillguard.core.thresholds import Thresholds, WhipRules
from fillguard.core.units import PA_PER_BAR
from fillguard.ledger.states import plain_state, state_of
from tests.panel import ALUMINIUM_11, STEEL_12, Panel, Story, between, real_rules, stamp, surface_of

BAR_MIN = PA_PER_BAR / 60.0


def with_alarm(name: str, **changed: object) -> Thresholds:
    """The shipped thresholds with one alarm's numbers changed."""
    thresholds = real_rules().thresholds
    rule = replace(thresholds.alarms[name], **changed)  # type: ignore[arg-type]
    return replace(thresholds, alarms={**thresholds.alarms, name: rule})


def loads(panel: Panel, at_s: float, thresholds: Thresholds, *, name: str = "new") -> None:
    """A new configuration comes into force."""
    panel.send(at_s, RulesChanged(stamp=stamp(at_s), rules_hash=name, summary="", thresholds=thresholds))


def filling(panel: Panel, *, at_bar_min: float = 27.0, to_bar: float = 170.0) -> float:
    """A steel cylinder from 50 bar; the fill begins at 18 s. Returns when it ends."""
    line = panel.whip().attach().opens(residual_bar=50).fills(to_bar=to_bar, at_bar_min=at_bar_min)
    line.closes(for_s=20).bleeds().detach()
    return line.now_s


def test_a_stricter_limit_counts_for_the_fill_that_is_open() -> None:
    panel = Panel()
    filling(panel)
    loads(panel, 120.0, with_alarm("too-fast", setpoint=20 * BAR_MIN))
    story = panel.play()
    # Its on-delay of 10 s runs from the next reading.
    story.expects(between(130.0, 134.0), "too-fast")


def test_a_looser_limit_waits_until_the_fill_has_ended() -> None:
    panel = Panel()
    ends_s = filling(panel, at_bar_min=34.0)
    loads(panel, 30.0, with_alarm("too-fast", setpoint=40 * BAR_MIN))
    second = panel.at(ends_s + 30.0).whip("1")
    second.attach().opens(residual_bar=50).fills(to_bar=170, at_bar_min=34.0).closes(for_s=20)
    story = panel.play()
    raised = story.raised_at("too-fast")
    assert len(raised) == 1, "in the first fill only"
    assert raised[0] < ends_s
    assert len(story.started()) == 2
    assert story.state().held_to is None


def test_a_looser_limit_counts_at_once_where_nothing_is_open() -> None:
    panel = Panel()
    loads(panel, 1.0, with_alarm("too-fast", setpoint=40 * BAR_MIN))
    panel.at(5.0)
    panel.whip().now_s = 5.0
    filling(panel, at_bar_min=34.0)
    panel.play().never("too-fast")


def test_a_fill_keeps_the_strictest_of_several_loads() -> None:
    panel = Panel()
    filling(panel)
    loads(panel, 60.0, with_alarm("too-fast", setpoint=20 * BAR_MIN), name="strict")
    loads(panel, 65.0, with_alarm("too-fast", setpoint=40 * BAR_MIN), name="loose")
    story = panel.play()
    assert len(story.raised_at("too-fast")) == 1
    assert story.stepper.rules.rules_hash == "loose"
    assert story.stepper.rules.alarms["too-fast"].setpoint == 40 * BAR_MIN


def test_only_the_open_fill_keeps_the_old_limit_not_its_neighbour() -> None:
    panel = Panel()
    filling(panel, at_bar_min=34.0)
    loads(panel, 30.0, with_alarm("too-fast", setpoint=40 * BAR_MIN))
    neighbour = panel.at(40.0).whip("2")
    neighbour.attach().opens(residual_bar=50).fills(to_bar=170, at_bar_min=34.0)
    story = panel.play()
    assert len(story.raised_at("too-fast", "1")) == 1
    assert story.raised_at("too-fast", "2") == []


def test_off_delay_and_deadband_count_at_once() -> None:
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=50)
    line.fills(to_bar=110, at_bar_min=40.0)
    throttled_s = line.now_s
    line.fills(to_bar=150, at_bar_min=15.0)
    loads(panel, throttled_s - 5.0, with_alarm("too-fast", off_delay_s=60.0))
    story = panel.play()
    (_, raised), (returned_s, returned) = story.changes("too-fast")[:2]
    assert raised.is_raise
    assert returned.is_return
    assert returned_s > throttled_s + 60.0


def test_a_lower_rating_of_the_whip_lowers_the_limit_of_a_cylinder_nobody_named() -> None:
    panel = Panel()
    panel.whip().opens(residual_bar=50).fills(to_bar=160, at_bar_min=20)
    thresholds = replace(
        real_rules().thresholds, whips={"1": WhipRules(whip="1", lowest_rating_gauge_pa=150 * PA_PER_BAR)}
    )
    loads(panel, 100.0, thresholds)
    story = panel.play()
    told = [fact for at_s, fact in story.all(FillIdentified) if at_s == 100.0]
    assert [fact.limit_gauge_pa for fact in told] == [150 * PA_PER_BAR]
    _limit_held(story, 150.0)


def test_a_higher_rating_of_the_whip_waits_for_the_next_cylinder() -> None:
    panel = Panel()
    panel.whip().opens(residual_bar=50).fills(to_bar=160, at_bar_min=20)
    thresholds = replace(
        real_rules().thresholds, whips={"1": WhipRules(whip="1", lowest_rating_gauge_pa=300 * PA_PER_BAR)}
    )
    loads(panel, 100.0, thresholds)
    story = panel.play()
    assert story.all(FillIdentified) == []
    _limit_held(story, 200.0)


def _limit_held(story: Story, bar: float) -> None:
    fill = story.state().fill
    assert fill is not None
    assert fill.held.limit_gauge_pa == bar * PA_PER_BAR


def test_a_restart_in_mid_fill_does_not_forget_the_stricter_limit() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=160, at_bar_min=20)
    loads(panel, 100.0, with_alarm("too-fast", setpoint=40 * BAR_MIN))
    whip = panel.play().state()
    kept = state_of(json.loads(json.dumps(plain_state(whip))), surface_of)
    assert kept.held_to == whip.held_to
    assert kept.held_to is not None
    assert kept.held_to.alarms["too-fast"].setpoint == 30 * BAR_MIN


def test_a_supply_and_a_wall_may_have_a_limit_of_their_own() -> None:
    variants = {**real_rules().alarms["too-fast"].variants, "air.steel": 40 * BAR_MIN}
    panel = Panel()
    loads(panel, 0.0, with_alarm("too-fast", variants=variants))
    panel.whip("1").now_s = 5.0
    panel.whip("1").attach(STEEL_12).opens(residual_bar=50).fills(to_bar=170, at_bar_min=34.0)
    panel.whip("2").now_s = 5.0
    panel.whip("2").attach(ALUMINIUM_11).opens(residual_bar=50).fills(to_bar=170, at_bar_min=34.0)
    story = panel.play()
    assert story.raised_at("too-fast", "1") == [], "steel: 40 bar/min"
    assert len(story.raised_at("too-fast", "2")) == 1, "aluminium: 30 bar/min, as for all others"
