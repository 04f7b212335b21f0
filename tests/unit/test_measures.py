"""The measures of the alarm system, on a small record worked out by hand."""

import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.app import alarming
from fillguard.cli.commands import app
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import AlarmChanged, AlarmState, Chatter, Tick
from fillguard.core.measures import FillSpan, Measures, measured, occurrences
from fillguard.core.values import Stamp
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import StepRecord
from tests.delivery_fakes import GENEROUS_S
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER

DAY = 86_400.0
N, U, A, RU = (
    AlarmState.NORMAL,
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
)


def raised(at_s: float, alarm: str, fill: str | None, n: int = 1, *, priority: int = 2) -> AlarmChanged:
    return AlarmChanged(
        stamp=Stamp(mono_s=at_s, utc_s=at_s), whip="2", fill_id=fill, serial=None, operator="op-1" if fill else None,
        alarm=alarm, occurrence=f"{fill or 'tern-2'}/{alarm}/{n}", priority=priority, old=N, new=U, cause="seen",
        raised_utc_s=at_s,
    )  # fmt: skip


def then(change: AlarmChanged, at_s: float, new: AlarmState, *, by: str | None = None) -> AlarmChanged:
    return replace(change, stamp=Stamp(mono_s=at_s, utc_s=at_s), old=change.new, new=new, by=by)


FILLS = (
    FillSpan(fill_id="f-1", operator="op-1", started_s=1000.0, ended_s=1600.0),
    FillSpan(fill_id="f-2", operator="op-1", started_s=1300.0, ended_s=2200.0),  # beside the first, on another whip
    FillSpan(fill_id="f-3", operator="op-2", started_s=5000.0, ended_s=5600.0),
    FillSpan(fill_id="f-4", operator=None, started_s=9000.0, ended_s=9600.0),
)
TOO_FAST, GAS_HOT = raised(1100.0, "too-fast", "f-1"), raised(1500.0, "gas-hot", "f-2")
OVERFILL = raised(2000.0, "overfill", "f-2", priority=1)
DROPS = raised(3000.0, "drops", None, priority=3)
STORY = (
    TOO_FAST,
    seen := then(TOO_FAST, 1110.0, A, by="op-1"),
    then(seen, 1150.0, N),
    GAS_HOT,
    then(GAS_HOT, 1600.0, RU),
    OVERFILL,
    then(OVERFILL, 2030.0, A, by="op-1"),
    DROPS,
)


def of(changes: Iterable[AlarmChanged] = STORY, *, since_s: float = 0.0, until_s: float = 10_000.0) -> Measures:
    return measured(changes, FILLS, since_s=since_s, until_s=until_s)


def test_alarms_are_counted_by_fill_and_by_priority() -> None:
    found = of()
    assert (found.fills, found.fills_with_alarm, found.alarms, found.in_fills) == (4, 2, 4, 3)
    assert (found.per_fill, found.share_with_alarm) == (0.75, 0.5)
    assert found.by_priority == {1: 1, 2: 2, 3: 1}
    assert found.top[0][1] == 1
    assert measured((), (), since_s=0.0, until_s=1.0).per_fill is None


def test_an_operators_load_is_counted_over_the_time_at_the_panel() -> None:
    first, second = of().operators
    assert (first.operator, first.fills, first.alarms, first.at_panel_s) == ("op-1", 2, 3, 1200.0)
    assert first.per_ten_minutes == pytest.approx(1.5)
    assert first.most_in_ten_minutes == 2, "at 1500 and at 2000; the one at 1100 is 900 s before the last"
    assert (second.operator, second.alarms, second.per_ten_minutes, second.most_in_ten_minutes) == ("op-2", 0, 0.0, 0)


def test_the_time_to_an_acknowledgement_is_a_persons_and_not_that_of_a_return() -> None:
    answered = {each.priority: each for each in of().answered}
    assert (answered[1].median_s, answered[1].never) == (30.0, 0)
    assert (answered[2].acknowledged, answered[2].never, answered[2].median_s, answered[2].slow_s) == (1, 1, 10.0, 10.0)
    assert (answered[3].acknowledged, answered[3].never, answered[3].median_s) == (0, 1, None)


def test_nine_of_ten_were_faster_than_the_slow_one() -> None:
    story: list[AlarmChanged] = []
    for n in range(1, 11):
        change = raised(10.0 * n, "too-fast", "f-1", n)
        story += [change, then(change, 10.0 * n + n, A, by="op-1")]
    answered = of(story).answered[1]
    assert (answered.median_s, answered.slow_s) == (5.0, 9.0)


def test_what_comes_and_goes_and_what_nobody_acts_on_is_listed() -> None:
    noisy = [replace(raised(100.0 + n, "gas-hot", "f-1", n), chatter=Chatter.GOES_ON) for n in range(3)]
    found = of([*noisy, DROPS], until_s=3000.0 + 2 * DAY)
    assert found.chattering == (("gas-hot", "2", 3),)
    assert [each.occurrence for each in found.stale if each.alarm == "drops"] == ["tern-2/drops/1"]
    assert of([DROPS, then(DROPS, 3000.0 + DAY, N)], until_s=5 * DAY).stale == ()


def test_floods_are_counted() -> None:
    burst = [raised(100.0 + n, "drops", None, n, priority=3) for n in range(15)]
    later = [raised(5000.0 + n, "drops", None, 100 + n, priority=3) for n in range(11)]
    assert of(burst).floods == 1
    assert of([*burst, *later]).floods == 2


def test_an_alarm_raised_before_the_stretch_does_not_count_although_it_was_acknowledged_in_it() -> None:
    assert of(since_s=1105.0).alarms == 3


def test_a_change_whose_raise_is_not_on_record_is_passed_over() -> None:
    assert occurrences([then(TOO_FAST, 5.0, A, by="op-1")]) == []


@pytest.mark.parametrize(
    ("text", "since_s"), [("30d", 1e7 - 30 * DAY), ("12h", 1e7 - 43_200.0), ("2w", 1e7 - 14 * DAY), ("1970-01-02", DAY)]
)
def test_since_is_a_span_or_a_day(text: str, since_s: float) -> None:
    assert alarming.since_s(text, 1e7) == since_s


def test_any_other_since_is_refused_with_what_is_allowed() -> None:
    with pytest.raises(ConfigurationError, match="30d, 12h or 2w"):
        alarming.since_s("a month", 0.0)


# On a ledger ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.sqlite3"
    writer = SqliteLedgerWriter(path, OWNER, FakeClock())
    for change in STORY:
        writer.put(StepRecord(cause=Tick(stamp=change.stamp), facts=(change,)))
    assert writer.stop(GENEROUS_S) == 0
    return path


def test_what_stands_is_listed_gravest_first_with_the_ids_to_acknowledge_it_by(ledger: Path) -> None:
    run = CliRunner().invoke(app, ["alarms", "list", "--ledger", str(ledger), "--config", "none", "--json"])
    assert run.exit_code == 0, run.output
    said = [(each["occurrence"], each["state"], each["by"]) for each in json.loads(run.stdout)]
    assert said == [
        ("f-2/overfill/1", "acknowledged", "op-1"),
        ("f-2/gas-hot/1", "returned-unacknowledged", None),
        ("tern-2/drops/1", "unacknowledged", None),
    ]
    table = CliRunner(env={"COLUMNS": "200"}).invoke(
        app, ["alarms", "list", "--ledger", str(ledger), "--config", "none"]
    )
    assert "f-2/overfill/1" in table.stdout


def test_the_report_is_a_table_for_a_person_and_json_for_a_program(ledger: Path) -> None:
    told = ["alarms", "report", "--ledger", str(ledger), "--since", "1970-01-01"]
    table = CliRunner(env={"COLUMNS": "200"}).invoke(app, told)
    assert table.exit_code == 0, table.output
    assert "priority 2" in table.stdout
    assert "about 15 %" in table.stdout
    said = json.loads(CliRunner().invoke(app, [*told, "--json"]).stdout)
    assert (said["alarms"], said["fills"], said["by_priority"]) == (4, 0, {"1": 1, "2": 2, "3": 1})
