"""Several whips on one gauge: one fill to the balance, one row to each cylinder, the lowest limit of all."""

from dataclasses import replace

import pytest

from fillguard.core.events import (
    AlarmChanged,
    CommandAnswered,
    FillStarted,
    FindingMade,
    GroupChanged,
    Lamp,
    Phase,
    ReadingDoubted,
    WhipClosed,
)
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import Cylinder, Material
from tests.panel import ALUMINIUM_11, STEEL_12, Line, Panel, between, stamp

STEEL_300 = Cylinder(
    serial="TH-0300",
    water_capacity_m3=0.007,
    material=Material.STEEL,
    rated_gauge_pa=300 * PA_PER_BAR,
    reference_k=k_from_c(15.0),
    empty_mass_kg=8.4,
)
SECOND_11 = replace(ALUMINIUM_11, serial="TH-0012")


def shared(*whips: str) -> Panel:
    panel = Panel()
    panel.rules = replace(panel.rules, gauges={"north": whips or ("1", "2")})
    return panel


def two(*, first: Cylinder = ALUMINIUM_11, second: Cylinder = SECOND_11) -> tuple[Panel, Line]:
    """Two cylinders hang on one gauge; it reads under the name of the first whip."""
    panel = shared()
    panel.whip("2").attach(second)
    return panel, panel.whip("1").attach(first)


def filled(line: Line, *, to_bar: float = 205.0, at_bar_min: float = 20.0) -> Line:
    return line.opens(residual_bar=50).fills(to_bar=to_bar, at_bar_min=at_bar_min).closes(for_s=60).bleeds()


def closed(panel: Panel, whip: str, at_s: float) -> None:
    panel.send(at_s, WhipClosed(stamp=stamp(at_s), whip=whip, operator="op-1", command_id="c-1"))


def bar(pa: float | None) -> float:
    assert pa is not None
    return pa / PA_PER_BAR


def test_each_cylinder_gets_a_row_of_its_own_that_names_the_other() -> None:
    panel, line = two()
    filled(line)
    story = panel.play()
    (one,), (other,) = story.ended("1"), story.ended("2")
    assert (one.serial, other.serial) == ("TH-0011", "TH-0012")
    assert [(c.whip, c.serial, c.fill_id) for c in one.companions] == [("2", "TH-0012", other.fill_id)]
    assert [(c.whip, c.serial, c.fill_id) for c in other.companions] == [("1", "TH-0011", one.fill_id)]
    assert one.gauge == other.gauge == "north"
    story.never()


def test_all_of_them_show_one_curve() -> None:
    panel, line = two()
    filled(line)
    story = panel.play()
    mine, others = story.projections("1"), story.projections("2")
    assert len(mine) == len(others) > 400
    assert all(
        (a.settled_gauge_pa, a.close_at_gauge_pa, a.rate_pa_s) == (b.settled_gauge_pa, b.close_at_gauge_pa, b.rate_pa_s)
        for (_, a), (_, b) in zip(mine, others, strict=True)
    )


def test_the_lowest_limit_of_all_governs_each_of_them() -> None:
    panel, line = two(first=STEEL_300, second=SECOND_11)
    filled(line, to_bar=180)
    story = panel.play()
    (one,), (other,) = story.ended("1"), story.ended("2")
    assert bar(other.limit_gauge_pa) == pytest.approx(207.0)
    assert bar(one.limit_gauge_pa) == pytest.approx(200.8, abs=0.3)  # 207 bar at 21.1 C are 200.8 at 15 C
    group = next(fact for _, fact in story.all(GroupChanged, "1"))
    assert "one fill" in group.text
    assert "whip 2" in group.text


def test_a_cylinder_that_alone_might_hold_more_is_told_to_close_with_the_other() -> None:
    alone = Panel()
    filled(alone.whip("1").attach(STEEL_300), to_bar=180)
    panel, line = two(first=STEEL_300, second=SECOND_11)
    filled(line, to_bar=180)
    later = alone.play().projections("1")[200][1].close_at_gauge_pa
    earlier = panel.play().projections("1")[200][1].close_at_gauge_pa
    assert bar(later) - bar(earlier) > 50.0


def test_one_that_nobody_described_holds_all_to_the_lowest_rating_of_its_whip() -> None:
    panel = shared()
    panel.whip("2").attach(None, serial="UNKNOWN-7")
    filled(panel.whip("1").attach(STEEL_300), to_bar=150)
    story = panel.play()
    (one,), (other,) = story.ended("1"), story.ended("2")
    assert bar(one.limit_gauge_pa) == pytest.approx(200.0)
    assert other.serial == "UNKNOWN-7"
    assert story.raises("2") == ["unidentified"]
    assert story.raises("1") == []


def test_capacity_and_wall_count_together() -> None:
    """Two equal cylinders behave as one of twice the size: the same curve, twice the gas."""
    alone = Panel()
    filled(alone.whip("1").attach(ALUMINIUM_11))
    panel, line = two()
    filled(line)
    (_, one), (_, both) = alone.play().projections("1")[300], panel.play().projections("1")[300]
    assert both.mass_kg is not None
    assert one.mass_kg is not None
    assert both.mass_kg == pytest.approx(2.0 * one.mass_kg, rel=0.01)
    assert bar(both.settled_gauge_pa) == pytest.approx(bar(one.settled_gauge_pa), abs=1.0)


def test_unequal_walls_widen_the_interval_by_what_each_of_them_may_keep_for_itself() -> None:
    def width(first: Cylinder, second: Cylinder) -> float:
        panel, line = two(first=first, second=second)
        filled(line, to_bar=200)
        seen = panel.play().projections("1")[440][1]
        return bar(seen.settled_high_gauge_pa) - bar(seen.settled_low_gauge_pa)

    assert width(ALUMINIUM_11, STEEL_12) > width(ALUMINIUM_11, SECOND_11) + 2.0


# Alarms ---------------------------------------------------------------------------------------------------------------


def test_what_concerns_the_gauge_is_told_once_what_concerns_a_cylinder_for_each() -> None:
    panel, line = two()
    line.opens(residual_bar=50).fills(to_bar=240, at_bar_min=45).closes(for_s=120)
    story = panel.play()
    assert story.raises("1").count("too-fast") == 1
    assert "too-fast" not in story.raises("2")
    assert [story.raises(whip).count("overfill") for whip in ("1", "2")] == [1, 1]


def test_the_row_of_each_cylinder_names_also_the_alarms_of_the_gauge() -> None:
    panel, line = two()
    filled(line, at_bar_min=45)
    story = panel.play()
    assert "too-fast" in story.ended("1")[0].alarms
    assert "too-fast" in story.ended("2")[0].alarms


def test_a_silent_gauge_is_one_alarm_and_every_lamp_shows_it() -> None:
    panel, line = two()
    line.opens(residual_bar=50).fills(to_bar=120, at_bar_min=20)
    story = panel.play(until_s=line.now_s + 20)
    raised = [fact.whip for _, fact in story.all(AlarmChanged) if fact.alarm == "monitoring-lost" and fact.is_raise]
    assert raised == ["1"]
    assert [story.state(whip).lamp for whip in ("1", "2")] == [Lamp.STOP, Lamp.STOP]
    assert story.projections("2")[-1][1].reason == "stale"


def test_the_weakest_hose_in_use_limits_them_all() -> None:
    panel, line = two(first=STEEL_300, second=replace(STEEL_300, serial="TH-0301"))
    weak = replace(panel.rules.whip("2"), max_working_gauge_pa=250 * PA_PER_BAR)
    panel.rules = replace(panel.rules, whips={**panel.rules.whips, "2": weak})
    line.opens(residual_bar=100).fills(to_bar=256, at_bar_min=20).closes(for_s=20)
    story = panel.play()
    story.expects(between(460, 500), "whip-over-rating", whip="1")
    assert bar(story.projections("1")[200][1].close_at_gauge_pa) <= 250.0


def test_a_doubtful_reading_is_doubted_once() -> None:
    panel, line = two()
    line.opens(residual_bar=50).fills(to_bar=80, at_bar_min=20).jumps(195).jumps(80.5).stands(for_s=10)
    assert [fact.whip for _, fact in panel.play().all(ReadingDoubted)] == ["1"]


# Coming and leaving ---------------------------------------------------------------------------------------------------


def test_a_whip_that_is_said_to_be_closed_ends_its_own_fill_and_the_others_go_on() -> None:
    panel, line = two()
    line.opens(residual_bar=50).fills(to_bar=150, at_bar_min=20)
    closed(panel, "2", line.now_s)
    line.fills(to_bar=190, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    (other,), (one,) = story.ended("2"), story.ended("1")
    assert bar(other.close_gauge_pa) == pytest.approx(150.0, abs=1.5)
    assert bar(one.close_gauge_pa) == pytest.approx(190.0, abs=1.5)
    assert one.fill_id in {c.fill_id for c in other.companions}
    ((_, answer),) = story.all(CommandAnswered)
    assert (answer.verb, answer.whip, answer.command_id, answer.refused) == ("closed", "2", "c-1", None)
    last = story.all(GroupChanged, "1")[-1][1]
    assert last.companions == ()
    assert "alone" in last.text


def test_once_the_weaker_one_is_closed_the_stronger_may_be_filled_to_its_own_limit() -> None:
    panel, line = two(first=STEEL_300, second=SECOND_11)
    line.opens(residual_bar=50).fills(to_bar=190, at_bar_min=20)
    closed(panel, "2", line.now_s)
    line.fills(to_bar=280, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    story.never("overfill", "will-overfill")
    assert bar(story.ended("1")[0].limit_gauge_pa) == pytest.approx(300.0)


def test_the_one_that_led_may_leave_first() -> None:
    panel, line = two()
    line.opens(residual_bar=50).fills(to_bar=150, at_bar_min=45)
    closed(panel, "1", line.now_s)
    line.fills(to_bar=190, at_bar_min=45).closes(for_s=60).bleeds()
    story = panel.play()
    assert len(story.ended("1")) == len(story.ended("2")) == 1
    assert story.state("2").follows is None
    assert bar(story.ended("2")[0].close_gauge_pa) == pytest.approx(190.0, abs=1.5)


def test_one_that_comes_in_mid_fill_takes_part_from_there_with_a_row_of_its_own() -> None:
    panel = shared()
    line = panel.whip("1").attach(STEEL_300).opens(residual_bar=50).fills(to_bar=100, at_bar_min=20)
    panel.at(line.now_s).whip("2").attach(SECOND_11)
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    started = story.all(FillStarted)
    assert [fact.whip for _, fact in started] == ["1", "2"]
    assert story.phases("2")[:2] == [Phase.ATTACHED, Phase.FILLING]
    assert bar(story.ended("1")[0].limit_gauge_pa) == pytest.approx(200.8, abs=0.3)
    assert len(story.ended("2")) == 1


def test_a_whip_on_which_nothing_hangs_takes_no_part() -> None:
    panel = shared("1", "2", "4")
    panel.whip("2").attach(SECOND_11)
    filled(panel.whip("1"))
    story = panel.play()
    assert [fact.whip for _, fact in story.all(FillStarted)] == ["2"]
    assert story.ended("2")[0].companions == ()
    story.never()


def test_a_fill_that_nobody_announced_is_the_first_whips() -> None:
    panel = shared()
    filled(panel.whip("2"), to_bar=120)
    story = panel.play()
    assert [fact.whip for _, fact in story.all(FillStarted)] == ["1"]
    assert story.raises("1") == ["unidentified"]


def test_whips_with_gauges_of_their_own_have_nothing_to_close_off() -> None:
    panel = Panel()
    line = panel.whip("1").attach().opens(residual_bar=50)
    closed(panel, "1", line.now_s)
    line.stands(for_s=5)
    story = panel.play()
    ((_, answer),) = story.all(CommandAnswered)
    assert answer.refused is not None
    assert "a gauge of its own" in answer.refused
    assert story.state("1").attached is not None


# Before gas is let in -------------------------------------------------------------------------------------------------


def test_two_that_stood_far_apart_are_told_and_the_emptier_one_is_to_be_opened_first() -> None:
    panel, line = two()
    line.opens(residual_bar=120, for_s=15).moves(to_bar=85, in_s=12).stands(for_s=20)
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    assert "unequal-starts" in story.findings("1")
    assert "unequal-starts" not in story.findings("2")
    (text,) = [h.text for _, h in story.all(FindingMade) if h.finding == "unequal-starts"]
    assert "about 50 bar" in text
    prompts = [prompt for _, prompt in story.prompts("1")]
    assert prompts[0] == "open-the-emptier-one-first"


def test_the_fill_starts_from_where_both_stand_together() -> None:
    panel, line = two()
    line.opens(residual_bar=120, for_s=15).moves(to_bar=85, in_s=12).stands(for_s=20)
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=60).bleeds()
    (one,) = panel.play().ended("1")
    assert bar(one.start_gauge_pa) == pytest.approx(85.0, abs=1.0)
    assert one.plateau_seen


def test_two_that_stood_alike_raise_no_question() -> None:
    panel, line = two()
    line.opens(residual_bar=60, for_s=15).moves(to_bar=57, in_s=6).stands(for_s=20)
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    assert "unequal-starts" not in story.findings("1")
    story.never()
