"""What a person who acts on an alarm hears back: that it was done, or in words why not."""

import pytest

from fillguard.core.events import AlarmCommanded, AlarmState, CommandAnswered, Verb
from tests.panel import ALUMINIUM_11, STEEL_12, Line, Panel, Story, stamp


def overfilled(panel: Panel, whip: str = "1") -> Line:
    return panel.whip(whip).attach(STEEL_12).opens(residual_bar=190).fills(to_bar=275, at_bar_min=29).closes(for_s=30)


def answers(story: Story) -> list[tuple[str, str | None]]:
    return [(answer.verb, answer.refused) for _, answer in story.all(CommandAnswered)]


def test_whoever_acknowledges_hears_that_it_was_done_and_which_occurrence_it_was() -> None:
    panel = Panel()
    overfilled(panel).says(Verb.ACKNOWLEDGE, "overfill")
    story = panel.play()

    ((_, answer),) = story.all(CommandAnswered)
    assert (answer.refused, answer.whip, answer.alarm) == (None, "1", "overfill")
    assert answer.occurrence == story.changes("overfill")[0][1].occurrence


def test_whoever_is_refused_hears_why() -> None:
    panel = Panel()
    line = overfilled(panel).says(Verb.RESET, "overfill", reason="bled")
    line.says(Verb.SHELVE, "overfill", reason="noisy").says(Verb.ACKNOWLEDGE, "too-fats").says(Verb.UNSHELVE, "leak")
    story = panel.play()

    refused = [words or "" for _, words in answers(story)]
    assert refused[0].startswith("overfill is still there: ")
    assert refused[1] == "overfill has priority 1: it cannot be shelved by a person; remove its cause"
    assert refused[2].startswith("there is no such alarm here")
    assert refused[3] == "leak is not shelved"
    assert story.states("overfill") == [AlarmState.UNACKNOWLEDGED]


def test_an_alarm_that_never_came_can_be_set_aside_before_a_test() -> None:
    panel = Panel()
    panel.whip("1").says(Verb.OUT_OF_SERVICE, "too-fast", reason="flow test with a bottle on the scales")
    line = panel.at(10).whip("1").attach(STEEL_12).opens(residual_bar=50)
    line.fills(to_bar=110, at_bar_min=60).closes(for_s=10)
    story = panel.play()

    assert answers(story) == [("out-of-service", None)]
    assert "too-fast" not in story.raises()


def test_named_only_the_alarm_that_the_last_cylinder_left_is_meant_once_the_present_one_has_none() -> None:
    panel = Panel()
    line = overfilled(panel).bleeds().stands(for_s=5)
    line.attach(ALUMINIUM_11).opens(residual_bar=50).fills(to_bar=70, at_bar_min=20)
    line.says(Verb.ACKNOWLEDGE, "overfill").says(Verb.RESET, "overfill", reason="bled, tagged").stands(for_s=2)
    story = panel.play()

    assert answers(story) == [("acknowledge", None), ("reset", None)]
    assert [name for name, _ in story.state().left_over] == ["will-overfill"]


@pytest.mark.parametrize(("whip", "acknowledged"), [(None, []), ("2", ["2"])], ids=["no whip named", "whip 2 named"])
def test_where_two_whips_have_the_same_alarm_the_whip_must_be_named(whip: str | None, acknowledged: list[str]) -> None:
    panel = Panel()
    now_s = overfilled(panel).now_s
    overfilled(panel, "2")
    command = AlarmCommanded(
        stamp=stamp(now_s), verb=Verb.ACKNOWLEDGE, operator="op-1", alarm="overfill", whip=whip, command_id="c-1"
    )
    panel.send(now_s, command)
    story = panel.play()

    ((_, answer),) = story.all(CommandAnswered)
    assert answer.command_id == "c-1"
    assert (answer.refused is None) == bool(acknowledged)
    assert acknowledged or answer.refused == "overfill stands on whips 1, 2: say which one"
    done = [change for _, change in story.changes("overfill") if change.new is AlarmState.ACKNOWLEDGED]
    assert [change.whip for change in done] == acknowledged
