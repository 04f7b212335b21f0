"""Partial-pressure filling: a little oxygen, then air on top, from the same whip or from another."""

from dataclasses import replace
from itertools import pairwise

import pytest

from fillguard.core.events import (
    CommandAnswered,
    CylinderMoved,
    FillEnded,
    FillStarted,
    FindingMade,
    Outcome,
    Phase,
    Projected,
    StageBegan,
    StageCalled,
    StageEnded,
)
from fillguard.core.fitness.checks import Left
from fillguard.core.stages import Stage, StageDone
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, GasMix
from tests.panel import ALUMINIUM_11, Line, Panel, Story, between, stamp

OXYGEN, EAN32 = GasMix(o2=1.0), GasMix(o2=0.32)
PURE, TOPPED = 29.0, 207.0


def recipe(
    *, oxygen: str = "3", air: str = "1", oxygen_bar: float = PURE, air_bar: float = TOPPED
) -> tuple[Stage, ...]:
    return (
        Stage(gas=OXYGEN, target_gauge_pa=oxygen_bar * PA_PER_BAR, whip=oxygen),
        Stage(gas=AIR, target_gauge_pa=air_bar * PA_PER_BAR, whip=air),
    )


def oxygen_whip(panel: Panel, *, to_bar: float = 29.6, at_bar_min: float = 4.0, stages: tuple[Stage, ...] = ()) -> Line:
    """Five bar of air left in it, oxygen on top; the whip is left standing for five minutes."""
    line = panel.whip("3").attach(ALUMINIUM_11, gas=OXYGEN, stages=stages or recipe(), residual_gas=AIR)
    return line.opens(residual_bar=5.0).fills(to_bar=to_bar, at_bar_min=at_bar_min).closes(for_s=300)


def air_whip(panel: Panel, oxygen: Line, *, from_bar: float = 29.0) -> Line:
    """The air whip: bled while oxygen is let in elsewhere, then the same cylinder is opened to it and filled."""
    line = panel.at(0).whip("1").stands(for_s=oxygen.now_s + 60.0)
    return line.opens(residual_bar=from_bar).fills(to_bar=215, at_bar_min=20).closes(for_s=240)


def two_whips(*, to_bar: float = 29.6, at_bar_min: float = 4.0) -> Story:
    panel = Panel()
    oxygen = oxygen_whip(panel, to_bar=to_bar, at_bar_min=at_bar_min).bleeds().stands(for_s=120)
    air_whip(panel, oxygen).bleeds()
    return panel.play()


def stages_done(story: Story) -> list[StageDone]:
    return [fact.done for _, fact in story.all(StageEnded)]


def test_changing_the_whip_does_not_end_the_fill() -> None:
    story = two_whips()
    assert len(story.all(FillStarted)) == 1
    (summary,) = story.ended("1")
    assert not story.ended("3")
    assert summary.fill_id == story.started("3")[0].fill_id
    assert [done.stage.gas for done in summary.stages] == [OXYGEN, AIR]
    assert [done.reached for done in summary.stages] == [True, False]  # the panel was closed 10 bar short, cooled
    ((_, moved),) = story.all(CylinderMoved)
    assert (moved.left, moved.whip, moved.serial) == ("3", "1", "TH-0011")
    assert story.phases("3")[-1] is Phase.IDLE
    story.never()


def test_each_stage_has_its_own_target_gas_and_close_at_gauge() -> None:
    story = two_whips()
    began = [fact for _, fact in story.all(StageBegan)]
    assert [(fact.number, fact.whip, fact.stage.gas) for fact in began] == [(1, "3", OXYGEN), (2, "1", AIR)]
    first, second = story.projections("3")[60][1], story.projections("1")[200][1]
    assert first.target_gauge_pa == pytest.approx(PURE * PA_PER_BAR)
    assert second.target_gauge_pa == pytest.approx(TOPPED * PA_PER_BAR)
    assert first.close_at_gauge_pa is not None
    assert PURE - 2.0 < first.close_at_gauge_pa / PA_PER_BAR < PURE + 3.0
    assert (first.stage, first.stages, second.stage) == (1, 2, 2)


def test_the_operator_is_asked_to_get_ready_to_close_and_to_go_on_with_the_next_gas() -> None:
    prompts = [prompt for _, prompt in two_whips().prompts("3") if prompt is not None]
    assert prompts == ["get-ready", "close-now", "next-stage"]


def test_the_oxygen_is_predicted_with_its_interval_and_never_without_asking_for_an_analysis() -> None:
    story = two_whips()
    last = story.all(StageEnded)[-1][1]
    seen = last.done.predicted
    assert seen is not None
    # By hand, ideal: (6.0 bar of air + 24 bar of oxygen + 170 bar of air) / 200 bar of which 21 % is oxygen: 30 %.
    assert seen.o2.best == pytest.approx(0.305, abs=0.012)
    assert seen.o2.low < seen.o2.best < seen.o2.high
    assert 0.002 < seen.o2.high - seen.o2.low < 0.02
    assert "analyse before use" in last.text
    (summary,) = story.ended("1")
    assert summary.predicted == seen
    assert summary.gas.o2 == pytest.approx(seen.o2.best, abs=0.0006)


def test_while_air_runs_in_the_oxygen_falls_towards_what_is_predicted() -> None:
    shown = [
        seen for _, seen in two_whips().projections("1") if seen.predicted is not None and seen.phase is Phase.FILLING
    ]
    fractions = [seen.predicted.o2.best for seen in shown if seen.predicted is not None][::60]
    assert fractions[0] > 0.8
    assert all(later < earlier for earlier, later in pairwise(fractions))


def test_a_residual_that_nobody_told_widens_the_interval_to_air_and_the_last_recorded_mix() -> None:
    def after_oxygen(residual: GasMix | None, last_mix: GasMix | None) -> StageDone:
        panel = Panel()
        left = Left(fill_id="tern-1-20261124T120000Z", gauge_pa=50.0 * PA_PER_BAR, reference_k=294.25, mix=last_mix)
        line = panel.whip("3").attach(
            ALUMINIUM_11,
            gas=OXYGEN,
            stages=recipe(),
            residual_gas=residual,
            residual_told=residual is not None,
            left=left,
        )
        line.opens(residual_bar=50.0).fills(to_bar=72, at_bar_min=4).closes(for_s=60).bleeds()
        return stages_done(panel.play())[0]

    told, recorded = after_oxygen(AIR, EAN32), after_oxygen(None, EAN32)
    assert told.predicted is not None
    assert recorded.predicted is not None
    assert recorded.predicted.o2.low < told.predicted.o2.best < recorded.predicted.o2.best
    # 51 of 73 bar are the residual: air or 32 % make 7.6 points of difference in the whole.
    assert recorded.predicted.o2.high - recorded.predicted.o2.low > 0.12
    assert told.predicted.o2.high - told.predicted.o2.low < 0.06  # the start's temperature alone is 1.5 %


def test_what_is_taken_for_granted_is_said() -> None:
    panel = Panel()
    panel.whip("3").attach(ALUMINIUM_11, gas=OXYGEN, stages=recipe(), residual_told=False).opens(residual_bar=20).fills(
        to_bar=29, at_bar_min=4
    )
    ((_, began),) = panel.play().all(StageBegan)
    assert "Nobody said what was left in it" in began.assumed
    assert "air" in began.assumed
    assert "O2 40 %" in began.assumed


def test_oxygen_at_six_bar_a_minute_is_too_fast_and_air_at_twenty_is_not() -> None:
    story = two_whips(to_bar=32.0, at_bar_min=7.0)
    story.expects(between(20, 120), "too-fast", whip="3")
    assert story.raised_at("too-fast", "1") == []


def test_a_stage_passed_by_more_than_a_bar_asks_not_to_add_the_next_gas() -> None:
    story = two_whips(to_bar=34.0)
    story.expects(between(300, 500), "over-target", whip="3")
    (_, change), *_ = story.changes("over-target", "3")
    assert change.priority == 2


def test_the_same_whip_goes_on_to_the_next_stage_once_the_first_stands_at_its_target() -> None:
    panel = Panel()
    line = oxygen_whip(panel, stages=recipe(air="3"))
    line.fills(to_bar=150, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    assert [fact.number for _, fact in story.all(StageBegan)] == [1, 2]
    first = stages_done(story)[0]
    assert first.settled is not None
    assert first.settled.gauge_pa / PA_PER_BAR == pytest.approx(28.5, abs=1.0)  # what rises already is the next gas
    assert len(story.ended("3")) == 1


def test_more_oxygen_after_a_stage_that_fell_short_is_still_oxygen() -> None:
    panel = Panel()
    line = oxygen_whip(panel, to_bar=20.0, stages=recipe(air="3"))
    line.fills(to_bar=29.5, at_bar_min=4).closes(for_s=60)
    story = panel.play()
    assert [fact.number for _, fact in story.all(StageBegan)] == [1]
    assert story.projections("3")[-1][1].stage == 1


def test_a_named_person_may_go_on_to_the_next_stage_although_the_first_fell_short() -> None:
    panel = Panel()
    line = oxygen_whip(panel, to_bar=20.0, stages=recipe(air="3"))
    called = StageCalled(stamp=stamp(line.now_s), whip="3", operator="op-1", number=2, command_id="c-1")
    panel.send(line.now_s, called)
    line.fills(to_bar=100, at_bar_min=20).closes(for_s=60)
    story = panel.play()
    assert [fact.number for _, fact in story.all(StageBegan)] == [1, 2]
    ((_, answer),) = story.all(CommandAnswered)
    assert (answer.verb, answer.command_id, answer.refused) == ("stage", "c-1", None)
    assert not stages_done(story)[0].reached
    story.never("too-fast")


@pytest.mark.parametrize(
    ("number", "at_s", "because"),
    [(2, 60.0, "gas flows"), (7, 60.0, "no stage 7"), (0, 60.0, "no stage 0")],
    ids=["while gas flows", "beyond the last stage", "before the first"],
)
def test_a_stage_that_cannot_come_now_is_refused_in_words(number: int, at_s: float, because: str) -> None:
    panel = Panel()
    oxygen_whip(panel)
    panel.send(at_s, StageCalled(stamp=stamp(at_s), whip="3", operator="op-1", number=number))
    ((_, answer),) = panel.play().all(CommandAnswered)
    assert answer.refused is not None
    assert because in answer.refused


def test_a_stage_of_another_whip_needs_this_whip_bled_first() -> None:
    panel = Panel()
    line = oxygen_whip(panel, to_bar=20.0)
    panel.send(line.now_s, StageCalled(stamp=stamp(line.now_s), whip="3", operator="op-1", number=2))
    line.stands(for_s=5)
    ((_, answer),) = panel.play().all(CommandAnswered)
    assert answer.refused == "stage 2 is filled on whip 1: bleed this whip first"


def test_attaching_it_where_the_next_stage_is_filled_goes_on_although_the_first_fell_short() -> None:
    panel = Panel()
    line = oxygen_whip(panel, to_bar=22.0).bleeds()
    other = panel.at(line.now_s + 5).whip("1").stands(for_s=10).attach(ALUMINIUM_11).opens(residual_bar=21)
    other.fills(to_bar=120, at_bar_min=20).closes(for_s=60).bleeds()
    story = panel.play()
    assert [(fact.number, fact.whip) for _, fact in story.all(StageBegan)] == [(1, "3"), (2, "1")]
    (summary,) = story.ended("1")
    assert [done.reached for done in summary.stages] == [False, False]
    story.never("too-fast", "unidentified")


def back_at(residual_bar: float) -> Story:
    """The cylinder that was left at 28.5 bar of oxygen stands at something else on the air whip."""
    panel = Panel()
    oxygen = oxygen_whip(panel).bleeds()
    line = panel.at(0).whip("1").stands(for_s=oxygen.now_s + 60.0).opens(residual_bar=residual_bar)
    line.fills(to_bar=residual_bar + 60.0, at_bar_min=20).closes(for_s=30).bleeds()
    return panel.play()


def test_a_cylinder_that_comes_back_as_it_was_left_raises_no_question() -> None:
    assert "other-cylinder" not in back_at(28.7).findings("1")


def test_one_that_comes_back_emptier_is_asked_about_and_counted_as_let_out() -> None:
    story = back_at(14.0)
    assert "other-cylinder" in story.findings("1")
    (text,) = [fact.text for _, fact in story.all(FindingMade) if fact.finding == "other-cylinder"]
    assert "gas was let out" in text
    seen = story.ended("1")[0].predicted
    assert seen is not None
    # 15 bar of 84 % and 60 bar of air: a third of what the whole stage would have brought is gone with it.
    assert seen.o2.best == pytest.approx(0.335, abs=0.015)


def test_of_one_that_comes_back_fuller_nothing_is_predicted_any_more() -> None:
    story = back_at(60.0)
    assert "other-cylinder" in story.findings("1")
    assert story.ended("1")[0].stages[-1].predicted is None
    assert "not known" in story.all(StageBegan)[-1][1].assumed


def test_the_whip_of_the_next_stage_is_waited_for_while_another_cylinder_hangs_there() -> None:
    panel = Panel()
    oxygen_whip(panel).bleeds().stands(for_s=300)
    panel.at(0).whip("1").attach(serial="TH-0042").opens(residual_bar=60).fills(to_bar=150, at_bar_min=15).closes(
        for_s=60
    ).stands(for_s=60).bleeds().detach().stands(for_s=200)
    story = panel.play()
    ((moved_s, _),) = story.all(CylinderMoved)
    assert moved_s > story.entered(Phase.ENDED, "1")[0]


def test_a_fill_whose_next_stage_never_comes_ends_after_four_hours_with_what_is_in_it() -> None:
    panel = Panel()
    line = oxygen_whip(panel, stages=recipe(air="3")).bleeds()
    line.samples(60.0).stands(for_s=4.2 * 3600.0)
    story = panel.play()
    (summary,) = story.ended("3")
    assert [done.stage.gas for done in summary.stages] == [OXYGEN]
    assert summary.predicted is not None
    assert summary.predicted.o2.best > 0.8
    assert summary.outcome is Outcome.SHORT
    assert story.state("3").between is None


def test_somebody_who_takes_the_cylinder_off_between_the_stages_ends_the_fill() -> None:
    panel = Panel()
    oxygen_whip(panel, stages=recipe(air="3")).bleeds().detach().stands(for_s=5)
    story = panel.play()
    assert len(story.ended("3")) == 1
    assert story.state("3").blend is None


def test_a_fill_in_stages_teaches_the_station_nothing() -> None:
    story = two_whips()
    ((_, ended),) = story.all(FillEnded)
    assert ended.lesson is None
    assert str(ended.untaught) == "filled-in-stages"


# How it is opened -----------------------------------------------------------------------------------------------------


def leap(panel: Panel, gas: GasMix, *, to_bar: float, stood: bool = True) -> Story:
    line = panel.whip("1").attach(ALUMINIUM_11, gas=gas, residual_gas=AIR).samples(0.2)
    if stood:
        line.opens(residual_bar=20.0)
    else:
        line.stands(for_s=6.0)
    line.moves(to_bar=to_bar, in_s=0.8).stands(for_s=5.0)
    return panel.play()


def test_oxygen_let_in_at_once_is_of_the_highest_priority() -> None:
    story = leap(Panel(), OXYGEN, to_bar=60.0)
    story.expects(between(18, 24), "opened-too-fast")
    assert story.changes("opened-too-fast")[0][1].priority == 1


def test_a_richer_supply_below_forty_per_cent_is_of_the_second_priority_where_the_shop_counts_it_as_rich() -> None:
    panel = Panel()
    panel.rules = replace(panel.rules, oxygen_threshold=0.235)
    story = leap(panel, GasMix(o2=0.36), to_bar=60.0)
    assert story.changes("opened-too-fast")[0][1].priority == 2


def test_air_may_be_opened_as_fast_as_ever() -> None:
    leap(Panel(), AIR, to_bar=60.0).never("opened-too-fast")


def test_the_residual_that_comes_into_the_hose_is_no_oxygen_let_in() -> None:
    leap(Panel(), OXYGEN, to_bar=50.0, stood=False).never("opened-too-fast")


def test_pure_oxygen_beyond_all_that_the_cylinder_is_to_hold_counts_without_a_residual_seen() -> None:
    panel = Panel()
    line = panel.whip("3").attach(ALUMINIUM_11, gas=OXYGEN, stages=recipe(), residual_gas=AIR).samples(0.2)
    line.stands(for_s=6.0).moves(to_bar=120.0, in_s=1.2).stands(for_s=3.0)
    panel.play().expects(between(6, 9), "opened-too-fast")


def test_oxygen_opened_slowly_raises_nothing() -> None:
    panel = Panel()
    oxygen_whip(panel)
    panel.play().never("opened-too-fast", "too-fast")


def test_the_alarm_stays_until_somebody_says_what_was_looked_at() -> None:
    story = leap(Panel(), OXYGEN, to_bar=60.0)
    standing = story.state().standings["opened-too-fast"]
    assert standing.latched or any(name == "opened-too-fast" for name, _ in story.state().left_over)


def test_every_projection_of_a_stage_says_which() -> None:
    assert {seen.stage for _, seen in two_whips().all(Projected)} == {1, 2}
