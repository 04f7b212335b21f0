"""Which cylinder hangs there: what counts before somebody read the stamp, exchanges, moves, doubts, visitors, sets."""

from dataclasses import replace

import pytest

from fillguard.core.events import (
    CommandAnswered,
    CylinderDetached,
    FindingMade,
    Outcome,
    Phase,
    ValveNoted,
    VerdictGiven,
)
from fillguard.core.fitness.checks import CLASS_CHECKS, Check, Left
from fillguard.core.fitness.questions import class_questions, set_question, stamp_question
from fillguard.core.fitness.record import Found
from fillguard.core.fitness.verdict import Level, Verdict
from fillguard.core.units import PA_PER_BAR, bar_from_pa, k_from_c
from fillguard.core.values import GasMix
from tests.panel import ALUMINIUM_11, STEEL_12, T0, TWIN_12, Line, Panel, Story, real_rules, stamp

ASKS = replace(real_rules(), asks_stamp=True)
"""A station that asks for the stamp; its whips serve 200 bar at 15 C and more."""
FROM_REGISTER = {"stamp_read": False, "stamp_unseen": True}


def panel() -> Panel:
    return Panel(rules=ASKS)


def limits(story: Story, whip: str = "1") -> list[float]:
    return [round(bar_from_pa(said.limit_gauge_pa), 1) for said in story.ended(whip)[0].identified]


def filled(line: Line, to_bar: float = 120.0) -> Line:
    return line.opens(residual_bar=50).fills(to_bar=to_bar, at_bar_min=25)


# --- The stamp -------------------------------------------------------------------------------------------------------


def test_a_rating_above_the_whip_s_lowest_one_waits_until_somebody_has_read_the_stamp() -> None:
    scene = panel()
    filled(scene.whip().attach(**FROM_REGISTER)).closes(for_s=130).bleeds()
    story = scene.play()

    assert story.started()[0].limit_gauge_pa == pytest.approx(200 * PA_PER_BAR), "the register says 232"
    assert story.ended()[0].cylinder == STEEL_12, "the record keeps what the register said"


def test_the_stamp_that_is_read_in_mid_fill_sets_the_rating_free_and_the_fill_keeps_who_and_when() -> None:
    scene = panel()
    line = filled(scene.whip().attach(**FROM_REGISTER), to_bar=100)
    line.ticks(Check.STAMP_READ, operator="op-2")
    read_s = line.now_s
    line.fills(to_bar=150, at_bar_min=25).closes(for_s=130).bleeds()
    row = scene.play().ended()[0]

    assert row.limit_gauge_pa == pytest.approx(232 * PA_PER_BAR)
    assert [(said.check, said.by, said.utc_s) for said in row.identified[-1].checked] == [
        (Check.STAMP_READ, "op-2", pytest.approx(T0 + read_s, abs=0.1))
    ]


def test_a_stamp_that_was_read_is_still_read_when_the_same_cylinder_is_said_again() -> None:
    scene = panel()
    line = filled(scene.whip().attach(**FROM_REGISTER), to_bar=100).ticks(Check.STAMP_READ)
    line.attach(target_bar=220, **FROM_REGISTER).fills(to_bar=120, at_bar_min=25).closes(for_s=130).bleeds()
    line.attach(**FROM_REGISTER).opens(residual_bar=110).fills(to_bar=140, at_bar_min=25).closes(for_s=130).bleeds()
    first, next_visit = scene.play().ended()

    assert first.limit_gauge_pa == pytest.approx(232 * PA_PER_BAR)
    assert next_visit.limit_gauge_pa == pytest.approx(200 * PA_PER_BAR), "after the bleed it is another visit"


def test_a_rating_at_the_whip_s_lowest_one_or_below_waits_for_nobody() -> None:
    low = replace(STEEL_12, rated_gauge_pa=200 * PA_PER_BAR)
    scene = panel()
    filled(scene.whip().attach(low, **FROM_REGISTER)).closes(for_s=130).bleeds()
    assert scene.play().ended()[0].limit_gauge_pa == pytest.approx(200 * PA_PER_BAR)


def test_a_tick_without_a_name_raises_no_limit() -> None:
    scene = panel()
    filled(scene.whip().attach(operator=None, stamp_read=True, stamp_unseen=True)).closes(for_s=130).bleeds()
    assert scene.play().ended()[0].limit_gauge_pa == pytest.approx(200 * PA_PER_BAR)


def test_while_the_stamp_is_unread_the_lowest_rating_is_what_the_overfill_alarm_goes_by() -> None:
    unread, read = panel(), panel()
    filled(unread.whip().attach(**FROM_REGISTER), to_bar=232).closes(for_s=30)
    filled(read.whip().attach(stamp_unseen=True), to_bar=232).closes(for_s=30)

    assert "overfill" in unread.play().raises()
    read.play().never("overfill")


def test_the_question_is_gone_from_the_verdict_once_it_is_answered() -> None:
    scene = panel()
    asked = stamp_question("232 bar settled at 15 C", "200 bar settled at 15 C")
    verdict = Verdict(level=Level.FILL, profile="eu", day="2026-11-25").with_reasons([asked])
    scene.whip().attach(verdict=verdict, **FROM_REGISTER).ticks(Check.STAMP_READ)
    before, after = (fact.verdict for _, fact in scene.play().all(VerdictGiven))

    assert before is not None
    assert after is not None
    assert "232 bar settled at 15 C: is that what the shoulder says?" in before.text
    assert (before.level, after.level) == (Level.CARE, Level.FILL)
    assert after.limit_gauge_pa == pytest.approx(232 * PA_PER_BAR)


# --- Identified or exchanged in mid-fill -----------------------------------------------------------------------------


def test_a_stricter_limit_holds_from_the_reading_on_and_the_fill_keeps_both_serials() -> None:
    scene = panel()
    line = filled(scene.whip().attach(STEEL_12), to_bar=100)
    line.attach(ALUMINIUM_11, operator="op-2", stamp_read=False)
    line.fills(to_bar=120, at_bar_min=25).closes(for_s=130).bleeds()
    row = scene.play().ended()[0]

    assert [(said.serial, said.operator) for said in row.identified] == [("TH-0042", "op-1"), ("TH-0011", "op-2")]
    assert row.serial == "TH-0011"
    assert row.limit_gauge_pa == pytest.approx(207 * PA_PER_BAR), "at 21.1 C: less than 232 bar at 15 C"


def test_a_looser_limit_holds_only_once_a_named_person_has_read_the_stamp() -> None:
    scene = panel()
    line = filled(scene.whip().attach(ALUMINIUM_11), to_bar=100)
    line.attach(STEEL_12, operator="op-2", **FROM_REGISTER)
    line.fills(to_bar=110, at_bar_min=25)
    line.ticks(Check.STAMP_READ, operator="op-2").fills(to_bar=120, at_bar_min=25).closes(for_s=130).bleeds()

    assert limits(scene.play()) == [207.0, 200.0, 232.0]


def test_a_name_alone_loosens_nothing_also_where_the_station_does_not_ask_for_the_stamp() -> None:
    scene = Panel()
    line = filled(scene.whip().attach(ALUMINIUM_11), to_bar=100)
    line.attach(STEEL_12, stamp_read=False).fills(to_bar=120, at_bar_min=25).closes(for_s=130).bleeds()
    assert bar_from_pa(scene.play().ended()[0].limit_gauge_pa) < 207.0, "207 bar at 21.1 C are about 203 at 15 C"


# --- Another whip ----------------------------------------------------------------------------------------------------


def test_a_cylinder_attached_elsewhere_was_taken_off_here() -> None:
    scene = panel()
    filled(scene.whip("1").attach()).closes(for_s=200)
    moved_s = scene.whip("1").now_s
    scene.at(moved_s).whip("2").attach().stands(for_s=5)
    story = scene.play()

    assert [row.outcome for row in story.ended("1")] == [Outcome.SHORT]
    assert story.state("1").attached is None
    assert story.state("2").attached is not None


def test_a_cylinder_that_is_just_being_filled_is_not_taken_off_by_a_slip_of_the_pen() -> None:
    scene = panel()
    line = filled(scene.whip("1").attach(), to_bar=100)
    scene.at(line.now_s).whip("2").attach().stands(for_s=5)
    line.fills(to_bar=120, at_bar_min=25)
    story = scene.play()

    assert story.state("1").phase is Phase.FILLING
    assert story.state("1").attached is not None


def test_the_mix_goes_with_the_cylinder_to_another_whip() -> None:
    nitrox = GasMix(o2=0.32)
    scene = panel()
    filled(scene.whip("1").attach(gas=nitrox)).closes(for_s=200)
    scene.at(scene.whip("1").now_s).whip("2").attach(residual_told=False).stands(for_s=5)
    attached = scene.play().state("2").attached

    assert attached is not None
    assert attached.residual_gas == nitrox


# --- Is this the right cylinder? -------------------------------------------------------------------------------------

LEFT = Left(fill_id="tern-2-20261124T090000Z", gauge_pa=60 * PA_PER_BAR, reference_k=k_from_c(15.0))
FINE = Verdict(level=Level.FILL, profile="eu", day="2026-11-25")


def doubts(story: Story) -> list[str]:
    return [fact.text for _, fact in story.all(FindingMade) if fact.finding == "other-cylinder"]


def test_more_pressure_than_its_last_fill_left_asks_whether_it_is_the_right_cylinder() -> None:
    scene = panel()
    scene.whip().attach(left=LEFT, verdict=FINE).opens(residual_bar=130)
    story = scene.play()

    assert len(doubts(story)) == 1
    assert "stands at 130 bar, but TH-0042 was left at 60 bar settled" in doubts(story)[0]
    verdict = story.all(VerdictGiven)[-1][1].verdict
    assert verdict is not None
    assert verdict.level is Level.CARE, "the screen that shows the verdict shows the question"


@pytest.mark.parametrize("residual_bar", [5.0, 40.0, 60.0, 66.0], ids=str)
def test_a_cylinder_that_was_used_or_stands_a_little_warmer_raises_no_doubt(residual_bar: float) -> None:
    scene = panel()
    scene.whip().attach(left=LEFT).opens(residual_bar=residual_bar)
    assert doubts(scene.play()) == []


def test_the_doubt_is_over_once_somebody_says_that_it_is_the_right_one() -> None:
    scene = panel()
    line = scene.whip().attach(left=LEFT, verdict=FINE).opens(residual_bar=130)
    line.ticks(Check.RIGHT_CYLINDER).stands(for_s=5)
    verdict = scene.play().all(VerdictGiven)[-1][1].verdict

    assert verdict is not None
    assert verdict.level is Level.FILL


# --- Visitors --------------------------------------------------------------------------------------------------------

CLASS = {"class_name": "alu-11-207", "of_class": replace(ALUMINIUM_11, serial=None), "stamp_unseen": True}


def test_a_visitor_s_cylinder_is_unidentified_until_stamp_and_dates_are_read() -> None:
    scene = panel()
    line = filled(scene.whip().attach(None, stamp_read=False, **CLASS), to_bar=90)
    line.ticks(*CLASS_CHECKS).fills(to_bar=120, at_bar_min=25).closes(for_s=130).bleeds()
    story = scene.play()

    assert story.raises().count("unidentified") == 1
    assert story.changes("unidentified")[-1][1].is_return, "with the ticks"
    row = story.ended()[0]
    assert row.identified[-1].class_name == "alu-11-207", "the record says that it is known by its class only"
    assert row.limit_gauge_pa == pytest.approx(207 * PA_PER_BAR)


def test_two_of_the_three_ticks_are_not_enough() -> None:
    scene = panel()
    line = scene.whip().attach(None, stamp_read=False, **CLASS).ticks(Check.STAMP_READ, Check.INSPECTION_READ)
    filled(line).closes(for_s=130).bleeds()
    story = scene.play()

    assert "unidentified" in story.raises()
    assert story.ended()[0].limit_gauge_pa == pytest.approx(200 * PA_PER_BAR)


def test_what_a_class_cannot_say_is_asked_by_name_of_each_tick() -> None:
    unread, only = class_questions("alu-11-207", ())
    assert "stamp-read, test-date-read, inspection-read" in unread.text
    assert only.text.startswith("class only (alu-11-207)")


# --- Sets, valves ----------------------------------------------------------------------------------------------------


def test_a_twin_set_asks_for_isolator_and_both_valves_and_names_both_cylinders() -> None:
    (asked,) = set_question(2, ("TH-0077", "TH-0078"), ())
    assert "a set of 2 (TH-0077 and TH-0078)" in asked.text
    verdict = FINE.with_reasons([asked])
    scene = panel()
    scene.whip().attach(TWIN_12, verdict=verdict, members=("TH-0077", "TH-0078")).ticks(Check.VALVES_OPEN)
    story = scene.play()
    told = story.all(VerdictGiven)[-1][1].verdict
    attached = story.state().attached

    assert told is not None
    assert told.level is Level.FILL
    assert attached is not None
    assert attached.visits.valve_confirmed_open, "a narrow way is then not put down to a valve nobody opened"


def test_the_record_of_a_set_names_its_cylinders() -> None:
    scene = panel()
    filled(scene.whip().attach(TWIN_12, members=("TH-0077", "TH-0078"))).closes(for_s=130).bleeds()
    assert scene.play().ended()[0].identified[0].members == ("TH-0077", "TH-0078")


def test_what_the_operator_noticed_at_the_valve_goes_with_the_cylinder() -> None:
    scene = panel()
    line = scene.whip().attach(valve_found=(Found.STIFF,)).stands(for_s=5)
    gone = CylinderDetached(
        stamp=stamp(line.now_s), whip="1", operator="op-2", valve_found=(Found.BUBBLES_AT_STEM,), valve_note="slow"
    )
    scene.send(line.now_s, gone)
    noted = [fact for _, fact in scene.play().all(ValveNoted)]

    assert [(fact.serial, fact.operator, fact.found) for fact in noted] == [
        ("TH-0042", "op-1", (Found.STIFF,)),
        ("TH-0042", "op-2", (Found.BUBBLES_AT_STEM,)),
    ]


def taken_off(scene: Panel, line: Line) -> list[str | None]:
    """Whose valve is meant by a note from whoever takes the cylinder off now."""
    gone = CylinderDetached(stamp=stamp(line.now_s), whip="1", operator="op-2", valve_found=(Found.STIFF,))
    scene.send(line.now_s, gone)
    return [fact.serial for _, fact in scene.play().all(ValveNoted)]


def test_a_note_after_the_bleed_still_means_the_cylinder_that_hung_there() -> None:
    scene = panel()
    line = filled(scene.whip().attach()).closes(for_s=130).bleeds()
    assert taken_off(scene, line) == ["TH-0042"]


def test_a_note_after_the_fill_of_a_cylinder_nobody_named_means_nobody_s() -> None:
    scene = panel()
    line = filled(scene.whip().attach()).closes(for_s=130).bleeds()
    line = filled(line).closes(for_s=130).bleeds()
    assert taken_off(scene, line) == [None]


def test_a_tick_where_nothing_hangs_is_refused_in_words() -> None:
    scene = panel()
    scene.whip().stands(for_s=3).ticks(Check.STAMP_READ)
    (answer,) = (fact for _, fact in scene.play().all(CommandAnswered))
    assert answer.refused == "nothing to tick: no cylinder hangs here"
