"""Whether anybody sees the pressure at all: silent, stuck, late, impossible, repeated readings; our own faults."""

from dataclasses import replace

import pytest

from fillguard.core.events import AlarmChanged, AlarmState, Doubt, Phase, Quality, ReadingDoubted
from fillguard.core.units import PA_PER_BAR
from fillguard.engine import Stepper
from tests.panel import Line, Panel, Story, between

LOST = "monitoring-lost"


def filling(panel: Panel, *, every_s: float = 1.0) -> Line:
    """In the middle of a fill."""
    line = panel.whip().samples(every_s).attach().opens(residual_bar=50, for_s=max(12.0, 4 * every_s))
    return line.fills(to_bar=100, at_bar_min=20)


# Silence --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("every_s", "after_s"), [(0.2, 5.0), (1.0, 5.0), (2.0, 6.0), (4.0, 12.0)])
def test_silence_in_a_fill_is_told_after_five_seconds_and_three_periods(every_s: float, after_s: float) -> None:
    panel = Panel()
    silent_from_s = filling(panel, every_s=every_s).now_s
    story = panel.play(until_s=silent_from_s + 30)

    story.expects(between(silent_from_s + after_s, silent_from_s + after_s + 1.1), LOST)
    (_, change), *_ = story.changes(LOST)
    assert change.priority == 1
    assert change.cause == "The pressure sensor is silent."
    assert change.facts.silent_s is not None
    assert change.facts.silent_s > after_s


def test_silence_withdraws_the_projection_each_time() -> None:
    panel = Panel()
    line = filling(panel).silent(for_s=20).fills(to_bar=130, at_bar_min=20).silent(for_s=20)
    line.fills(to_bar=140, at_bar_min=20)
    story = panel.play()

    assert len(story.raised_at(LOST)) == 2
    assert [seen.reason for _, seen in story.projections()].count("stale") == 2
    assert story.findings().count("sensor-silent") == 2
    assert story.projections()[-1][1].settled_gauge_pa is not None, "it is back"


def test_silence_returns_with_the_next_live_reading() -> None:
    panel = Panel()
    line = filling(panel).silent(for_s=20)
    back_s = line.now_s + 1.0
    line.fills(to_bar=110, at_bar_min=20)

    panel.play().returns(between(back_s, back_s), LOST)


def test_after_the_close_a_minute_of_silence_is_allowed() -> None:
    panel = Panel()
    silent_from_s = filling(panel).closes(for_s=170).now_s
    story = panel.play(until_s=silent_from_s + 90)

    story.expects(between(silent_from_s + 60, silent_from_s + 62), LOST)


@pytest.mark.parametrize("then", ["idle", "bled"])
def test_silence_of_an_idle_or_bled_whip_is_nothing(then: str) -> None:
    panel = Panel()
    line = panel.whip().stands(for_s=10) if then == "idle" else filling(panel).closes(for_s=20).bleeds()

    panel.play(until_s=line.now_s + 600).never()


def test_silence_counts_from_the_moment_somebody_attaches() -> None:
    panel = Panel()
    attached_s = panel.whip().stands(for_s=10).silent(for_s=300).attach().now_s
    story = panel.play(until_s=attached_s + 30)

    story.expects(between(attached_s + 5, attached_s + 6.1), LOST)


def test_one_long_silence_does_not_teach_the_watch_to_wait_longer() -> None:
    panel = Panel()
    silent_from_s = filling(panel).silent(for_s=60).fills(to_bar=140, at_bar_min=20).now_s
    story = panel.play(until_s=silent_from_s + 20)

    assert story.raised_at(LOST)[-1] == pytest.approx(silent_from_s + 5, abs=1.1)


def test_no_time_without_inflow_passes_while_nobody_sees_whether_gas_flows() -> None:
    panel = Panel()
    silent_from_s = filling(panel).closes(for_s=20).now_s
    story = panel.play(until_s=silent_from_s + 300)

    assert story.phases()[-1] is Phase.PAUSED
    story.expects(between(silent_from_s + 5, silent_from_s + 7), LOST)


def test_a_fill_nobody_saw_for_a_quarter_of_an_hour_is_interrupted() -> None:
    panel = Panel()
    silent_from_s = filling(panel).now_s
    story = panel.play(until_s=silent_from_s + 1000)

    (row,) = story.ended()
    assert row.outcome.value == "interrupted"
    assert story.state().phase is Phase.IDLE
    assert story.state().attached is None, "nobody knows what hangs there now"
    assert story.changes(LOST)[-1][1].reason == "the fill has ended", "not: all is well again"


def test_a_sensor_switched_off_for_the_night_alarms_for_a_quarter_of_an_hour_at_most() -> None:
    panel = Panel()
    off_s = panel.whip().opens(residual_bar=180).now_s
    story = panel.play(until_s=off_s + 4000)

    assert story.state().phase is Phase.IDLE
    last_s, last = story.all(AlarmChanged)[-1]
    assert last.new is AlarmState.RETURNED_UNACKNOWLEDGED
    assert last_s == pytest.approx(off_s + 900, abs=2.0)


# Gateway, sensor, ourselves -------------------------------------------------------------------------------------------


def test_a_gateway_that_goes_off_line_is_told_at_once() -> None:
    panel = Panel()
    gone_s = filling(panel).gateway(online=False).now_s
    story = panel.play()

    story.expects(between(gone_s, gone_s), LOST)
    assert "gateway" in story.changes(LOST)[0][1].cause


def test_an_idle_whips_gateway_may_come_and_go() -> None:
    panel = Panel()
    panel.whip().stands(for_s=5).gateway(online=False).stands(for_s=1).gateway(online=True)

    panel.play().never()


def test_a_reading_proves_that_the_gateway_is_there() -> None:
    panel = Panel()
    line = filling(panel).gateway(online=False)
    back_s = line.now_s + 1
    line.fills(to_bar=110, at_bar_min=20)

    panel.play().returns(between(back_s, back_s), LOST)


def test_a_sensor_that_repeats_one_value_while_gas_flows_is_stuck() -> None:
    panel = Panel()
    line = filling(panel)
    stuck_s = line.now_s
    for _ in range(15):
        line.now_s += 1
        line.reads(100.0)
    line.bar = 106.0
    back_s = line.now_s
    line.fills(to_bar=120, at_bar_min=20)
    story = panel.play()

    (at_s,) = story.raised_at(LOST)
    assert stuck_s + 10 <= at_s <= stuck_s + 13
    assert "stuck" in story.changes(LOST)[0][1].cause
    assert "sensor-stuck" in story.findings()
    story.returns(between(back_s, back_s + 2), LOST)
    assert "stuck" in {seen.reason for _, seen in story.projections()}


def test_a_coarse_and_quiet_sensor_that_stands_after_the_close_is_not_stuck() -> None:
    panel = Panel(noise_bar=0.0)
    line = panel.whip().attach().stands(for_s=6)
    for bar in [*([50.0] * 20), *[round(50.0 + 0.2 * int(t * 0.1 / 0.2), 1) for t in range(600)], *([110.0] * 30)]:
        line.now_s += 1.0
        line.reads(bar)

    panel.play().never(LOST)


@pytest.mark.parametrize(
    ("doubt", "cause"),
    [
        (Doubt.OUT_OF_RANGE, "The pressure sensor reads outside what it can measure."),
        (Doubt.LOOP_FAULT, "The pressure sensor reports a fault in its loop."),
    ],
)
def test_a_sensor_that_speaks_nonsense_is_named(doubt: Doubt, cause: str) -> None:
    panel = Panel()
    line = filling(panel)
    for _ in range(10):
        line.now_s += 1
        line.reads(900.0, quality=Quality.BAD, doubt=doubt)
    story = panel.play()

    (_, change), *_ = story.changes(LOST)
    assert change.cause == cause


def test_pressures_that_arrive_too_late_to_be_watched_are_no_watch() -> None:
    panel = Panel()
    line = filling(panel)
    late_s = line.now_s
    for step in range(1, 30):
        line.now_s = late_s + step
        line.reads(100 + step / 3, sample_s=line.now_s - 0.5, quality=Quality.UNCERTAIN, doubt=Doubt.STALE)
    story = panel.play()

    story.expects(between(late_s + 5, late_s + 6.1), LOST)
    assert story.changes(LOST)[0][1].cause == "The pressure arrives too late to be watched."


def test_our_own_failure_is_told_whatever_the_phase() -> None:
    panel = Panel()
    line = panel.whip().stands(for_s=5).fails()
    failed_s = line.now_s
    line.stands(for_s=5).fails(ok=True)
    story = panel.play()

    story.expects(between(failed_s, failed_s), LOST)
    story.returns(between(line.now_s, line.now_s), LOST)


# Readings in no good order -------------------------------------------------------------------------------------------


def usual() -> Panel:
    """A fill without noise, so that what is added to it is all the difference."""
    panel = Panel(noise_bar=0.0)
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20).closes(for_s=150)
    return panel


def told(story: Story) -> list[tuple[float, object]]:
    """What the watch said, but for its doubts."""
    return [
        (happening.cause.stamp.utc_s, fact)
        for happening in story.happenings
        for fact in happening.facts
        if not isinstance(fact, ReadingDoubted)
    ]


def settled_of(story: Story) -> list[float | None]:
    return [seen.settled_gauge_pa for _, seen in story.projections()]


@pytest.mark.parametrize(
    ("back_s", "doubt"),
    [(0.0, Doubt.DUPLICATE), (3.0, Doubt.LATE), (0.0, Doubt.RETAINED), (0.0, None)],
    ids=["a duplicate", "a late one", "a stored one", "one with the time of the last"],
)
def test_what_is_no_news_changes_nothing(back_s: float, doubt: Doubt | None) -> None:
    panel = usual()
    line = panel.whip()
    for at_s in range(60, 300, 7):
        line.now_s = at_s + 0.3
        line.reads(400.0, sample_s=at_s - back_s, quality=Quality.UNCERTAIN if doubt else Quality.GOOD, doubt=doubt)
    story = panel.play()

    assert settled_of(story) == settled_of(usual().play())
    story.never()


def test_a_backlog_is_taken_in_but_raises_nothing_before_a_live_reading() -> None:
    panel = Panel(noise_bar=0.0)
    line = panel.whip().attach().opens(residual_bar=200)
    line.fills(to_bar=240, at_bar_min=25).silent(for_s=90)
    start_s, bar = line.now_s - 90, line.bar
    for step in range(1, 85):
        line.now_s += 0.01
        line.reads(bar + step * 25 / 60, sample_s=start_s + step, quality=Quality.UNCERTAIN, doubt=Doubt.STALE)
    backlog_s = line.now_s
    line.now_s += 1.0
    line.reads(bar + 90 * 25 / 60)
    story = panel.play()

    (at_s,) = story.raised_at("overfill")
    assert at_s == pytest.approx(line.now_s, abs=0.01)
    assert at_s > backlog_s
    assert any(seen.settled_gauge_pa for seen_s, seen in story.projections() if line.now_s > seen_s > line.now_s - 1.5)


def test_an_impossible_leap_is_withheld_and_three_in_a_row_are_true() -> None:
    panel = Panel(noise_bar=0.0)
    line = filling(panel)
    for leap in (390.0, 100.9, 391.0, 392.0):
        line.now_s += 1.0
        line.reads(leap)
    assert panel.play().state().gauge.gauge_pa == pytest.approx(100.9 * PA_PER_BAR)
    line.now_s += 1.0
    line.reads(393.0)
    story = panel.play()

    assert story.state().gauge.gauge_pa == pytest.approx(393.0 * PA_PER_BAR)
    assert [doubted.doubt for _, doubted in story.all(ReadingDoubted)] == [Doubt.IMPLAUSIBLE_JUMP] * 3


def test_the_same_readings_give_the_same_words_again() -> None:
    panel = Panel(noise_bar=0.2)
    line = panel.whip().attach(operator=None).opens(residual_bar=120).fills(to_bar=275, at_bar_min=60)
    line.silent(for_s=20).closes(for_s=60).bleeds()

    assert told(panel.play()) == told(panel.play())


def test_a_stricter_rule_changes_only_what_is_told_of_it() -> None:
    panel = usual()
    rule = panel.rules.alarms["too-fast"]
    stricter = replace(rule, setpoint=rule.setpoint / 2.0)
    panel.rules = replace(panel.rules, alarms={**panel.rules.alarms, "too-fast": stricter})
    story = panel.play()

    assert story.raises() == ["too-fast"]
    assert settled_of(story) == settled_of(usual().play())


def test_ticks_come_before_what_arrives_with_them() -> None:
    panel = usual()
    stepper = Stepper(panel.rules)
    stamps = [happening.cause.stamp for event in panel.events() for happening in stepper.feed(event)]

    assert [s.mono_s for s in stamps] == sorted(s.mono_s for s in stamps)
