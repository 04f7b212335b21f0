"""What a new run makes of what the last one left in the ledger."""

from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.resuming import LeftBehind, left_behind
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    FillEnded,
    FillIdentified,
    FindingMade,
    Outcome,
    OutEvent,
    ServiceChanged,
)
from fillguard.core.rules import Rules
from fillguard.core.standing import RESTARTED
from fillguard.core.station import step
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.settings import load_settings
from tests import ledger_facts as facts
from tests.panel import surface_of
from tests.stations import write_station

S = AlarmState
SELF_TEST = "tern/self-test-failing/3"
FILLING = [
    facts.step(facts.tick(0), facts.started()),
    *(facts.step(facts.reading(s, 40 + s, seq=s, boot="b"), facts.projected(s, 40 + s)) for s in range(1, 31)),
    facts.step(facts.reading(31, 71, seq=31, boot="b", **facts.doubtful())),  # type: ignore[arg-type]
]


@pytest.fixture
def rules(tmp_path: Path) -> Rules:
    made = load_settings(write_station(tmp_path / "config", 1), {}).rules(surface_of)
    # So short that nothing in these tests goes on: what goes on is told in test_folding.
    return replace(made, extents=replace(made.extents, resume_within_s=5.0))


def left(tmp_path: Path, rules: Rules, *records: object, after_s: float = 60.0) -> LeftBehind:
    path = tmp_path / "ledger.sqlite3"
    facts.record(path, *records)  # type: ignore[arg-type]
    with SqliteLedgerReader(path) as reader:
        return left_behind(reader, rules, facts.at(after_s))


def told(*changes: OutEvent) -> list[object]:
    return [facts.step(facts.tick(20.0 + n), change) for n, change in enumerate(changes)]


def test_a_new_ledger_leaves_nothing(tmp_path: Path, rules: Rules) -> None:
    found = left(tmp_path, rules)
    assert (found.standing, found.facts, found.attached, found.told) == ((), (), (), ())
    assert set(found.state.whips) == {"1", "2"}
    assert found.state.at_rest


def test_an_open_fill_ends_as_interrupted_with_all_that_is_known_of_it(tmp_path: Path, rules: Rules) -> None:
    finding = FindingMade(
        stamp=facts.at(25), whip="1", fill_id=facts.FILL, finding="valve-not-open", confidence=0.9, text="..."
    )
    found = left(tmp_path, rules, *FILLING, *told(facts.alarm(20), finding))
    (ended,) = [fact for fact in found.facts if isinstance(fact, FillEnded)]
    summary = ended.summary
    assert (summary.fill_id, summary.outcome, summary.serial) == (facts.FILL, Outcome.INTERRUPTED, "TH-0042")
    assert (summary.readings, summary.doubtful_readings) == (30, 1)
    assert summary.final_settled_gauge_pa == pytest.approx(70 * 0.95e5)
    assert summary.peak_gauge_pa == 70e5
    assert summary.ended_s == facts.T0 + 31 - 0.25, "its last reading: what comes later is not its own"
    assert (summary.alarms, summary.findings) == (("too-fast",), ("valve-not-open",))
    assert facts.FILL in found.told[0]


@pytest.mark.parametrize("last", [S.UNACKNOWLEDGED, S.ACKNOWLEDGED])
def test_a_self_test_that_failed_stands_until_the_new_run_has_judged_it(
    tmp_path: Path, rules: Rules, last: AlarmState
) -> None:
    change = facts.alarm(20, alarm="self-test-failing", new=last, whip=None, fill_id=None, occurrence=SELF_TEST)
    found = left(tmp_path, rules, *told(change))
    assert found.facts == (), "a watch that is restarted again and again does not tell it each time"

    def judged(ok: bool) -> list[tuple[AlarmState, str]]:  # noqa: FBT001 - as the service has it
        event = ServiceChanged(stamp=facts.at(70), service="canary", ok=ok, detail="why")
        _, told = step(found.state, event, rules)
        return [(fact.new, fact.occurrence) for fact in told if isinstance(fact, AlarmChanged)]

    assert judged(ok=False) == []
    returned = S.RETURNED_UNACKNOWLEDGED if last is S.UNACKNOWLEDGED else S.NORMAL
    assert judged(ok=True) == [(returned, SELF_TEST)]


def test_the_newest_word_on_whose_cylinder_it_is_counts(tmp_path: Path, rules: Rules) -> None:
    later = FillIdentified(
        stamp=facts.at(25),
        fill_id=facts.FILL,
        whip="1",
        serial="TH-0077",
        operator="op-2",
        cylinder=replace(facts.CYLINDER, serial="TH-0077"),
        limit_gauge_pa=200e5,
        reference_k=288.15,
        target_gauge_pa=190e5,
    )
    found = left(tmp_path, rules, *FILLING, *told(later))
    (ended,) = found.facts
    assert isinstance(ended, FillEnded)
    assert (ended.summary.serial, ended.summary.limit_gauge_pa) == ("TH-0077", 200e5)
    (attached,) = found.attached
    assert (attached.whip, attached.serial, attached.operator) == ("1", "TH-0077", "op-2")
    assert attached.target_gauge_pa == 190e5
    assert facts.FILL in (attached.note or "")


def test_a_cylinder_is_not_taken_to_hang_there_after_a_long_time(tmp_path: Path, rules: Rules) -> None:
    assert len(left(tmp_path, rules, *FILLING, after_s=900.0).attached) == 1
    with SqliteLedgerReader(tmp_path / "ledger.sqlite3") as reader:
        assert left_behind(reader, rules, facts.at(1000.0)).attached == ()


@pytest.mark.parametrize(
    ("alarm", "last", "becomes"),
    [
        pytest.param("too-fast", S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED, id="still to be acknowledged"),
        pytest.param("too-fast", S.ACKNOWLEDGED, S.NORMAL, id="acknowledged, and nobody looks any more"),
        pytest.param("overfill", S.UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED, id="latched"),
        pytest.param("overfill", S.ACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED, id="latched and acknowledged"),
        pytest.param("too-fast", S.SHELVED, S.NORMAL, id="shelving does not outlast a restart"),
    ],
)
def test_what_was_active_is_told_to_be_no_longer_judged(
    tmp_path: Path, rules: Rules, alarm: str, last: AlarmState, becomes: AlarmState
) -> None:
    found = left(tmp_path, rules, *FILLING, *told(facts.alarm(20, alarm=alarm, new=last, by="op-1")))
    change = found.facts[0]
    assert not isinstance(change, FillEnded)
    assert (change.old, change.new, change.reason, change.by) == (last, becomes, RESTARTED, None)
    assert change.occurrence == f"{facts.FILL}/{alarm}/1"
    waiting = [(name, standing.state) for name, standing in found.state.whips["1"].left_over]
    assert waiting == ([] if becomes is S.NORMAL else [(alarm, becomes)])


@pytest.mark.parametrize("last", [S.RETURNED_UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED])
def test_what_waits_for_a_person_goes_on_waiting_and_is_not_told_again(
    tmp_path: Path, rules: Rules, last: AlarmState
) -> None:
    name = "too-fast" if last is S.RETURNED_UNACKNOWLEDGED else "overfill"
    ended = facts.step(facts.tick(50), facts.ended(50))
    found = left(tmp_path, rules, *FILLING, *told(facts.alarm(20, alarm=name, new=last)), ended)
    assert found.facts == ()
    assert [change.new for change in found.standing] == [last]
    (waiting,) = found.state.whips["1"].left_over
    assert (waiting[0], waiting[1].state) == (name, last)
    assert not found.state.at_rest, "lamp and reminders go on"


def test_an_alarm_that_was_raised_again_stands_once(tmp_path: Path, rules: Rules) -> None:
    first = facts.alarm(20, 1, new=S.RETURNED_UNACKNOWLEDGED)
    second = facts.alarm(21, 2, old=S.RETURNED_UNACKNOWLEDGED)
    found = left(tmp_path, rules, *FILLING, *told(first, second))
    assert [standing.occurrence for _, standing in found.state.whips["1"].left_over] == [f"{facts.FILL}/too-fast/2"]


def test_alarms_of_the_whip_and_of_the_station_go_on_where_they_were(tmp_path: Path, rules: Rules) -> None:
    whip = facts.alarm(20, 7, fill_id=None, alarm="monitoring-lost", serial=None)
    station = replace(
        facts.alarm(21, 4, fill_id=None, alarm="store-failing"), whip=None, occurrence="tern/store-failing/4"
    )
    found = left(tmp_path, rules, *told(whip, station))
    lost = found.state.whips["1"].standings["monitoring-lost"]
    assert (lost.state, lost.occurrence_n) == (S.RETURNED_UNACKNOWLEDGED, 7)
    failing = found.state.standings["store-failing"]
    assert (failing.state, failing.occurrence_n) == (S.RETURNED_UNACKNOWLEDGED, 4)


def test_an_alarm_that_the_configuration_no_longer_has_is_let_go(tmp_path: Path, rules: Rules) -> None:
    found = left(tmp_path, rules, *told(facts.alarm(20, alarm="of-an-older-version")))
    assert (found.standing, found.facts) == ((), ())


def test_what_a_person_took_out_of_service_stays_so(tmp_path: Path, rules: Rules) -> None:
    change = facts.alarm(20, alarm="monitoring-lost", fill_id=None, new=S.OUT_OF_SERVICE, by="op-1")
    found = left(tmp_path, rules, *told(change), after_s=90_000.0)
    assert found.facts == ()
    standing = found.state.whips["1"].standings["monitoring-lost"]
    assert (standing.state, standing.out_of_service_by) == (S.OUT_OF_SERVICE, "op-1")


def test_a_fault_in_going_on_ends_the_fill_and_is_told_but_the_watch_starts(tmp_path: Path, rules: Rules) -> None:
    faulty = replace(
        rules,
        rules_hash=object(),  # type: ignore[arg-type]  # no ledger can be asked for this
        extents=replace(rules.extents, resume_within_s=900.0),
    )
    found = left(tmp_path, faulty, *FILLING)
    (ended,) = found.facts
    assert isinstance(ended, FillEnded)
    assert ended.summary.outcome is Outcome.INTERRUPTED
    assert "cannot be gone on with (LedgerError" in found.told[0]
