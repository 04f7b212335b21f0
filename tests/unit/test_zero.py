"""The zero check: what a bled whip's gauge reads, when it is looked at, what follows from it; nothing is corrected.

The limits (0.5 % and 1.5 % of range, 1 bar in a week) are our choice; 0.5 % is the class of a usual transmitter (common
practice, no source).
"""

from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.zeros import with_zeros
from fillguard.core.events import AlarmState, FillEnded, ZeroChecked, ZeroVerdict
from fillguard.core.rules import WhipRules
from fillguard.core.stationstate import StationState
from fillguard.core.units import PA_PER_BAR
from fillguard.core.whip import WhipState
from fillguard.core.zero import UNCHECKED, ZeroWatch, after, judged, remembered
from fillguard.ledger.reader import SqliteLedgerReader
from tests.ledger_facts import T0 as LEDGER_T0
from tests.ledger_facts import at, record, step, tick
from tests.panel import STEEL_12, Line, Panel, Story, real_rules

BLED_PA = 3.0 * PA_PER_BAR
RANGE_BAR = 200.0
DAY_S = 86_400.0


def panel(range_bar: float = RANGE_BAR) -> Panel:
    """One whip whose gauge reaches `range_bar`."""
    whips = {"1": WhipRules(whip="1", max_working_gauge_pa=range_bar * PA_PER_BAR)}
    return Panel(rules=replace(real_rules(), whips=whips))


def bled_to(line: Line, bar: float, *, for_s: float = 12.0) -> Line:
    """The hose was under pressure and is bled; the gauge then shows `bar`."""
    line.bar = 100.0
    line.stands(for_s=5.0).jumps(bar)
    line.bar = bar
    return line.stands(for_s=for_s)


def checks(story: Story) -> list[ZeroChecked]:
    return [fact for _, fact in story.all(ZeroChecked)]


@pytest.mark.parametrize("every_s", [1.0, 0.2, 2.0])
def test_the_median_of_five_seconds_counts_three_seconds_after_the_bleed(every_s: float) -> None:
    scene = panel()
    bled_to(scene.whip().samples(every_s), 0.0, for_s=14.0)
    story = scene.play()
    ((at_s, check),) = story.all(ZeroChecked)
    assert 5.0 + 8.0 <= at_s <= 5.0 + 8.0 + 3.0 * every_s
    assert check.judged is ZeroVerdict.GOOD
    assert abs(check.zero_gauge_pa) < 0.12 * PA_PER_BAR
    assert check.range_pa == RANGE_BAR * PA_PER_BAR
    assert "zero-off" not in story.raises()


def test_one_bleed_is_one_check_however_long_the_whip_lies_idle() -> None:
    scene = panel()
    bled_to(scene.whip(), 0.0, for_s=600.0)
    assert len(checks(scene.play())) == 1


def test_a_whip_that_is_bled_slowly_is_looked_at_once_it_stands() -> None:
    scene = panel()
    line = scene.whip()
    line.bar = 100.0
    line.stands(for_s=5.0).jumps(2.8).moves(to_bar=0.2, in_s=20.0).stands(for_s=15.0)
    ((at_s, check),) = scene.play().all(ZeroChecked)
    assert at_s > 5.0 + 20.0
    assert abs(check.zero_gauge_pa - 0.2 * PA_PER_BAR) < 0.15 * PA_PER_BAR


@pytest.mark.parametrize(
    ("bar", "verdict"),
    [
        (0.4, ZeroVerdict.GOOD),
        (0.9, ZeroVerdict.ABSOLUTE),
        (1.4, ZeroVerdict.OFF),
        (-1.4, ZeroVerdict.OFF),
        (-3.4, ZeroVerdict.UNCERTAIN),
    ],
)
def test_what_a_bleed_shows_of_a_gauge_of_200_bar(bar: float, verdict: ZeroVerdict) -> None:
    scene = panel()
    bled_to(scene.whip(), bar)
    story = scene.play()
    (check,) = checks(story)
    assert check.judged is verdict
    raised = [change.priority for _, change in story.changes("zero-off") if change.is_raise]
    assert raised == ([] if verdict is ZeroVerdict.GOOD else [3])
    assert "configured as gauge?" in check.text or verdict is not ZeroVerdict.ABSOLUTE


def test_the_alarm_stands_until_a_later_bleed_shows_zero() -> None:
    scene = panel()
    bled_to(scene.whip(), 2.0)
    bled_to(scene.whip(), 0.0)
    story = scene.play()
    assert [check.judged for check in checks(story)] == [ZeroVerdict.OFF, ZeroVerdict.GOOD]
    assert story.states("zero-off") == [AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED]


def filled(scene: Panel, zero_bar: float) -> Story:
    """A bleed that shows `zero_bar`, then a fill, bled again."""
    line = bled_to(scene.whip(), zero_bar)
    line.attach(STEEL_12).opens(residual_bar=50.0, bled_s=1.0).fills(to_bar=150.0, at_bar_min=20.0)
    line.closes(for_s=150.0).bleeds()
    return scene.play()


@pytest.mark.parametrize(("zero_bar", "marked"), [(0.0, False), (1.4, False), (-3.4, True)])
def test_only_fills_of_a_gauge_far_off_zero_are_marked_uncertain(zero_bar: float, marked: bool) -> None:  # noqa: FBT001 - a case
    ((_, ended),) = filled(panel(), zero_bar).all(FillEnded)
    assert ("zero-off" in ended.summary.findings) is marked


def test_nothing_is_corrected() -> None:
    off, right = filled(panel(), -3.4), filled(panel(), 0.0)
    closes = [ended.summary.close_gauge_pa for story in (off, right) for _, ended in story.all(FillEnded)]
    assert closes[0] == pytest.approx(closes[1], abs=0.5 * PA_PER_BAR)


def test_a_gauge_that_moved_by_a_bar_within_a_week_is_told_and_one_that_took_longer_is_not() -> None:
    earlier = remembered(UNCHECKED, -0.3 * PA_PER_BAR, 0.0, ZeroVerdict.GOOD)
    said = {
        days: judged(earlier, "1", 0.72 * PA_PER_BAR - 0.02 * PA_PER_BAR, days * DAY_S, range_pa=4e7, off_share=0.005)
        for days in (6.9, 7.1)
    }
    assert said[6.9].drift_pa == pytest.approx(1.0 * PA_PER_BAR)
    assert said[7.1].drift_pa is None
    moved = judged(earlier, "1", -1.31 * PA_PER_BAR, DAY_S, range_pa=4e7, off_share=0.005)
    assert (moved.verdict, moved.drift_pa) == (ZeroVerdict.MOVED, pytest.approx(-1.01 * PA_PER_BAR))


def test_a_week_is_kept_in_a_few_numbers() -> None:
    zero = UNCHECKED
    for hour in range(24 * 60):
        zero = remembered(zero, 0.0, hour * 3600.0, ZeroVerdict.GOOD)
    assert len(zero.kept) <= 29


def test_residual_pressure_of_a_cylinder_is_no_zero() -> None:
    zero = replace(UNCHECKED, armed=False)
    for second in range(60):
        zero, found = after(zero, float(second), 2.5 * PA_PER_BAR, BLED_PA)
        assert found is None
    assert zero == ZeroWatch(armed=False)


def recorded(path: Path, *checked: tuple[float, str, float, ZeroVerdict]) -> None:
    """Zero checks on record: when (days before now), whip, bar, what was said."""
    facts = [
        ZeroChecked(
            stamp=at(-days * DAY_S),
            whip=whip,
            fill_id=None,
            zero_gauge_pa=bar * PA_PER_BAR,
            range_pa=200e5,
            drift_pa=None,
            judged=verdict,
            text=f"{verdict}.",
        )
        for days, whip, bar, verdict in checked
    ]
    record(path, *(step(tick(fact.stamp.utc_s - LEDGER_T0), fact) for fact in facts))


def test_a_restart_knows_the_zeros_of_the_last_week_and_which_whip_was_off(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    recorded(
        path,
        (9.0, "1", 0.1, ZeroVerdict.GOOD),
        (3.0, "1", 0.2, ZeroVerdict.GOOD),
        (2.0, "2", 1.4, ZeroVerdict.OFF),
        (1.0, "2", 0.0, ZeroVerdict.GOOD),
        (0.5, "3", -3.4, ZeroVerdict.UNCERTAIN),
    )
    with SqliteLedgerReader(path) as reader:
        state = with_zeros(StationState(), reader, at(0.0))
    assert [pa for _, pa in state.whips["1"].zero.kept] == [0.2 * PA_PER_BAR]
    assert state.failing == {"zero:3/bled": "uncertain"}
    assert state.whips["3"].zero.uncertain
    assert not state.whips["2"].zero.uncertain


def test_a_whip_that_goes_on_where_it_was_knows_its_own(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    recorded(path, (1.0, "1", 0.1, ZeroVerdict.GOOD))
    own = WhipState(whip="1", zero=replace(UNCHECKED, kept=((0.0, 7.0),)))
    with SqliteLedgerReader(path) as reader:
        state = with_zeros(StationState(whips={"1": own}), reader, at(0.0))
    assert state.whips["1"] is own
