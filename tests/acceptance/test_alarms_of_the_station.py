"""What the station says of its own parts and sensors: a channel, the record, the clock, the load, the wall sensor."""

from dataclasses import replace

import pytest

from fillguard.core.events import AlarmState, ClockStepped, ServiceChanged
from fillguard.core.rules import WhipRules
from fillguard.core.units import PA_PER_BAR
from tests.panel import STEEL_12, Panel, Story, real_rules, stamp


def says(panel: Panel, at_s: float, service: str, detail: str = "no answer", *, ok: bool = False) -> Panel:
    panel.send(at_s, ServiceChanged(stamp=stamp(at_s), service=service, ok=ok, detail=detail))
    return panel


def causes(story: Story, alarm: str) -> list[str]:
    return [change.cause for _, change in story.changes(alarm) if change.is_raise]


def test_a_channel_that_fails_is_told_and_returns_when_it_delivers_again() -> None:
    panel = says(Panel(), 10, "channel:duty-phone")
    story = says(panel, 60, "channel:duty-phone", "delivers again", ok=True).play()
    assert story.states("channel-failing") == [AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED]
    assert causes(story, "channel-failing") == ["channel:duty-phone: no answer"]


def test_the_second_channel_that_fails_is_told_too() -> None:
    panel = says(says(Panel(), 10, "channel:duty-phone"), 20, "channel:mail", "password refused")
    story = says(panel, 30, "channel:mail", "password refused again").play()
    assert causes(story, "channel-failing")[1] == "channel:duty-phone: no answer; channel:mail: password refused"
    assert len(causes(story, "channel-failing")) == 2, "that it still fails is no news"
    assert story.states("channel-failing")[-1] is AlarmState.UNACKNOWLEDGED


def test_it_is_over_only_when_every_channel_delivers_again() -> None:
    panel = says(says(Panel(), 10, "channel:duty-phone"), 20, "channel:mail")
    panel = says(panel, 30, "channel:mail", ok=True)
    assert panel.play().states("channel-failing")[-1] is AlarmState.UNACKNOWLEDGED
    story = says(panel, 40, "channel:duty-phone", ok=True).play()
    assert story.states("channel-failing")[-1] is AlarmState.RETURNED_UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("service", "alarm"),
    [
        ("mirror", "store-failing"),
        ("ledger", "record-failing"),
        ("zero:2", "zero-off"),
        ("shared:1+2", "shared-gauge"),
        ("calibration:gauge-2", "calibration-due"),
        ("configuration", "configuration-broken"),
        ("canary", "self-test-failing"),
    ],
)
def test_what_a_part_of_the_station_says_of_itself_is_told_and_returns(service: str, alarm: str) -> None:
    panel = says(Panel(), 10, service, "what is the matter")
    story = says(panel, 20, service, "well again", ok=True).play(until_s=120)
    assert causes(story, alarm) == [f"{service}: what is the matter"]
    assert story.changes(alarm)[-1][1].is_return


def test_messages_that_were_dropped_are_told_and_are_over_a_minute_later() -> None:
    panel = says(says(Panel(), 10, "drops", "12 messages"), 10, "drops", "12 messages", ok=True)
    story = panel.play(until_s=100)
    (raised_s, _), (over_s, change) = story.changes("drops")
    assert change.is_return
    assert over_s - raised_s == pytest.approx(60.0, abs=1.0)


def test_a_clock_that_was_set_is_told_with_by_how_much() -> None:
    panel = Panel()
    panel.send(10, ClockStepped(stamp=stamp(10), by_s=-3600.0))
    story = panel.play()
    assert causes(story, "clock-wrong") == ["The computer's clock was moved by -3600.0 s while the watch was running."]


def test_a_wall_sensor_that_came_off_is_to_be_looked_after_and_stops_nobody() -> None:
    panel = Panel()
    panel.whip().attach(STEEL_12).wall(20.0).opens(residual_bar=50).fills(to_bar=170, at_bar_min=20).closes(for_s=30)
    story = panel.play()
    assert story.raises() == ["sensor-disagrees"]
    ((_, change),) = story.changes("sensor-disagrees")
    assert change.priority == 3


def test_a_gauge_above_what_the_compressor_can_give_is_to_be_compared() -> None:
    rules = replace(real_rules(), whips={"1": WhipRules(whip="1", supply_end_gauge_pa=150 * PA_PER_BAR)})
    panel = Panel(rules=rules)
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=170, at_bar_min=20).closes(for_s=30).bleeds()
    story = panel.play()
    assert story.raises() == ["sensor-disagrees"]
    assert story.changes("sensor-disagrees")[-1][1].reason == "the fill has ended"


def test_a_clean_fill_raises_none_of_them() -> None:
    panel = Panel()
    panel.whip().attach(STEEL_12).opens(residual_bar=50).fills(to_bar=200, at_bar_min=20).closes(for_s=60).bleeds()
    panel.play().never()
