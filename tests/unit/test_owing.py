"""After a restart the record says who is still to be told: escalations run on, nothing is told twice."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.app import owing
from fillguard.core.events import AlarmChanged, AlarmState, Tick
from fillguard.core.values import Stamp
from fillguard.core.words import Notice
from fillguard.ledger.account import FillAccount
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.outlets.grouping import ChannelFlood, Ended
from fillguard.outlets.notifying import Notifier
from fillguard.ports import Announced, OwedNotice, Route, StepRecord
from tests.delivery_fakes import GENEROUS_S, notice
from tests.fakes import FakeClock
from tests.ledger_facts import FILL, OWNER, T0, alarm, reading, started, step, tick

ROUTES = (Route(channel="duty"), Route(channel="manager", unacknowledged_after_s=120.0))
RAISED = notice("tern-1/overfill/1", raised_s=T0).change


class Words:
    def notice(self, change: AlarmChanged) -> Notice:
        return Notice(title=change.alarm, body="b")

    def flood_began(self, _: ChannelFlood) -> Notice:
        return Notice(title="many", body="b")

    def flood_over(self, _: Ended, ended: Stamp) -> Notice:
        return Notice(title="over", body=f"{ended.utc_s}")


def stamp(at_s: float) -> Stamp:
    return Stamp(mono_s=at_s + 5000.0, utc_s=T0 + at_s)


def run(path: Path, *steps: tuple[float, AlarmChanged | None]) -> list[OwedNotice]:
    """One life of the watch: resumes, hears these changes at these seconds, records what it owes; what it owed."""
    writer = SqliteLedgerWriter(path, OWNER, FakeClock(utc_s=T0))
    owed: list[OwedNotice] = []
    notifier = Notifier(lambda: ROUTES, Words(), station="tern", zone=ZoneInfo("UTC"))
    with SqliteLedgerReader(path) as reader:
        owing.resume(notifier, reader, stamp(steps[0][0]))
    for at_s, change in steps:
        cause, facts = Tick(stamp=stamp(at_s)), () if change is None else (change,)
        notices = notifier.notices(cause, facts)
        owed += notices
        writer.put(StepRecord(cause=cause, facts=facts, owed=notices))
    assert writer.stop(GENEROUS_S) == 0
    return owed


def on_record(path: Path) -> list[tuple[str, str]]:
    with SqliteLedgerReader(path) as reader:
        items = [item for name in ("duty", "manager") for item in reader.due_notices(name, T0 + 1e6, 100)]
    return [(item.channel, item.kind) for item in items]


def test_an_escalation_runs_on_through_a_restart_and_comes_once(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    assert isinstance(RAISED, AlarmChanged)
    assert [each.channel for each in run(path, (0.0, RAISED), (60.0, None))] == ["duty"]
    assert [each.channel for each in run(path, (110.0, None), (119.0, None), (120.0, None))] == ["manager"]
    assert run(path, (500.0, None)) == []
    assert on_record(path) == [("duty", "raise"), ("manager", "raise")]


def test_what_was_acknowledged_in_the_last_run_goes_no_further_in_this_one(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    assert isinstance(RAISED, AlarmChanged)
    seen = replace(RAISED, stamp=stamp(60.0), old=RAISED.new, new=AlarmState.ACKNOWLEDGED, by="op-1")
    run(path, (0.0, RAISED), (60.0, seen))
    assert run(path, (500.0, None)) == []


def test_a_return_after_a_restart_reaches_whoever_heard_of_the_raise(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    assert isinstance(RAISED, AlarmChanged)
    run(path, (0.0, RAISED))
    over = replace(RAISED, stamp=stamp(60.0), old=RAISED.new, new=AlarmState.RETURNED_UNACKNOWLEDGED)
    assert [(each.channel, each.change.notice_kind) for each in run(path, (60.0, over))] == [("duty", "return")]


def test_a_flood_goes_on_through_a_restart_and_is_told_once(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    changes = [notice(f"tern-{n}/too-fast/1", priority=2, raised_s=T0 + n).change for n in range(20)]
    steps = [(float(n), change) for n, change in enumerate(changes) if isinstance(change, AlarmChanged)]
    first = run(path, *steps, (30.0, None))
    assert [each.title for each in first if each.channel == "duty"][-1] == "many"
    again = run(path, (40.0, None), (50.0, None))
    assert [each.title for each in again if each.channel == "duty"] == ["many"], "owed again under the same name ..."
    raises = [kind for channel, kind in on_record(path) if channel == "duty" and kind == "raise"]
    assert len(raises) == 11, "... which the record knows: ten alarms and one notice of the flood"


def test_an_alarm_that_was_told_with_many_others_stands_in_the_account_of_its_fill(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    writer = SqliteLedgerWriter(path, OWNER, FakeClock(utc_s=T0))
    change = alarm(30)
    writer.put(step(reading(0, 40), started()))
    writer.put(step(tick(30), change))
    about = Announced(
        stamp=stamp(30.0),
        about="alarm-flood",
        occurrence="tern/alarm-flood/20261124T220945Z",
        notice_kind="raise",
        priority=2,
        raised_utc_s=T0 + 30.0,
        stands_for=(change.occurrence,),
    )
    grouped = OwedNotice(channel="duty", change=about, title="many", body="b")
    writer.put(step(tick(36), owed=(grouped,)))
    assert writer.stop(GENEROUS_S) == 0
    with FillAccount(path, FILL) as account:
        assert account.notices() == [(change.occurrence, "grouped raise", "duty", None)]
