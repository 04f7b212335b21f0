"""A whip that goes on after a restart is the whip as if there had been none."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fillguard.app.folding import NOTHING, TakenUp, differences, shown_anew, taken_up
from fillguard.app.keeping import Snapshots
from fillguard.app.resuming import newest
from fillguard.core.events import (
    AlarmChanged,
    AlarmCommanded,
    AlarmState,
    CylinderAttached,
    InEvent,
    LampChanged,
    Phase,
    PhaseChanged,
    Projected,
    Quantity,
    Reading,
    Verb,
)
from fillguard.core.rules import Rules
from fillguard.core.station import StationState
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.engine import Stepper
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.states import plain_state, state_of
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import ConfigInForce, StationSnapshot, StepRecord
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, PATIENCE_S
from tests.panel import real_rules
from tests.recorded import recorded

FILLS = (2, 5, 9)
WITHIN_S = 900.0
FRESH = {name: WhipState(whip=name) for name in ("1", "2")}
ALARMED, ALARMED_BY = 9, 500
"""A fill in which alarms stand after so many events."""


def events_of(number: int) -> Sequence[InEvent]:
    return list(recorded(number).events())


def there_and_back(state: WhipState, **moved: float) -> WhipState:
    """Through JSON text, as it lies on the disk."""
    return state_of(json.loads(json.dumps(plain_state(state))), real_rules().surface_of, **moved)


def through(events: Sequence[InEvent], state: StationState | None = None, at: Stamp | None = None) -> Stepper:
    stepper = Stepper(real_rules(), state)
    if at is not None:
        list(stepper.advance(at))
    for event in events:
        list(stepper.feed(event))
    return stepper


class Watched:
    """A run of the watch into a ledger, that can be killed after any event."""

    def __init__(self, path: Path, *, keeps: bool = True, goes_on: TakenUp = NOTHING, at: Stamp | None = None) -> None:
        state = StationState(
            whips=goes_on.whips or FRESH, air_k=goes_on.air_k, bath_k=goes_on.bath_k, sensed=goes_on.sensed
        )
        self.stepper = Stepper(real_rules(), state)
        self.writer = SqliteLedgerWriter(path, OWNER, FakeClock())
        config = ConfigInForce(at=FakeClock().now(), config_hash=real_rules().rules_hash, text="{}", who="t", why="t")
        self.writer.put_config(config)
        self._snapshots = Snapshots(self.writer if keeps else Nobody())
        self.last = at or Stamp(mono_s=0.0, utc_s=0.0)
        if at is not None:
            self._snapshots.all(state, at)
            list(self.stepper.advance(at))

    def take(self, events: Sequence[InEvent]) -> None:
        for event in events:
            done = list(self.stepper.feed(event))
            for happening in done:
                self.writer.put(StepRecord(cause=happening.cause, facts=happening.facts))
            self._snapshots.after(self.stepper.state, done)
            self.last = event.stamp

    def keeps_no_more(self) -> None:
        """From now on only the record goes on."""
        self._snapshots = Snapshots(Nobody())

    def killed(self) -> WhipState:
        """What was put is on disk, and nothing more is said; the whip as it stood."""
        assert self.writer.stop(PATIENCE_S) == 0
        return self.stepper.state.whips["1"]


class Nobody:
    """A ledger that keeps no states."""

    def put_snapshot(self, snapshot: StationSnapshot) -> bool:
        """Pass over."""
        return snapshot is None


def restarted(path: Path, now: Stamp, *, rules: Rules | None = None) -> TakenUp:
    with SqliteLedgerReader(path) as reader:
        return taken_up(reader, rules or real_rules(), now, FRESH, WITHIN_S)


# What is kept can be read back ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [2, 9])
def test_a_state_comes_back_from_its_text_as_it_was(number: int) -> None:
    stepper = through(())
    for place, event in enumerate(events_of(number)):
        list(stepper.feed(event))
        if place % 50 == 0:
            state = stepper.state.whips["1"]
            assert there_and_back(state) == state, place


def test_sensors_beside_the_gauge_come_back_under_their_quantities(tmp_path: Path) -> None:
    bank = replace(
        next(e for e in events_of(9) if isinstance(e, Reading)), whip=None, quantity=Quantity.SUPPLY, value=250e5
    )
    run = Watched(tmp_path / "ledger.db")
    run.take([bank, *events_of(9)[:300]])
    before = run.killed()
    up = restarted(tmp_path / "ledger.db", run.last)
    assert up.sensed == run.stepper.state.sensed
    assert up.sensed[Quantity.SUPPLY].value == 250e5
    assert up.whips["1"] == before
    assert up.whips["1"].sensed.keys() == before.sensed.keys() >= {Quantity.SUPPLY}


def test_on_another_monotonic_clock_every_time_of_it_moves_and_shelving_on_its_own() -> None:
    events = events_of(9)
    shelve = AlarmCommanded(
        stamp=events[300].stamp,
        verb=Verb.SHELVE,
        operator="op-1",
        whip="1",
        alarm="too-fast",
        for_s=600.0,
        reason="its gauge is changed",
    )
    state = through([*events[:300], shelve]).state.whips["1"]
    moved = there_and_back(state, by_s=1000.0, shelved_by_s=940.0)
    assert state.gauge.arrived_mono_s is not None
    assert moved.gauge.arrived_mono_s == pytest.approx(state.gauge.arrived_mono_s + 1000.0)
    assert moved.gauge.sample_s == state.gauge.sample_s, "samples are dated, not counted from the start of a machine"
    before, after = state.standings["too-fast"], moved.standings["too-fast"]
    assert before.shelved_until_mono_s is not None
    assert after.shelved_until_mono_s == pytest.approx(before.shelved_until_mono_s + 940.0)


# A restart -----------------------------------------------------------------------------------------------------------


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(number=st.sampled_from(FILLS), part=st.floats(0.01, 1.0))
def test_killed_anywhere_in_a_fill_the_whip_goes_on_exactly_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, number: int, part: float
) -> None:
    events = events_of(number)
    path = tmp_path_factory.mktemp("run") / "ledger.db"
    run = Watched(path)
    run.take(events[: max(1, round(part * len(events)))])
    before = run.killed()
    up = restarted(path, run.last)
    assert up.whips["1"] == before
    assert not up.from_start
    assert up.folded < 1000, "of a minute"


@pytest.mark.parametrize("number", FILLS)
def test_without_a_kept_state_the_open_fill_is_folded_from_before_its_start_and_comes_to_the_same(
    tmp_path: Path, number: int
) -> None:
    events = events_of(number)
    run = Watched(tmp_path / "ledger.db", keeps=False)
    run.take(events[: len(events) // 2])
    before = run.killed()
    up = restarted(tmp_path / "ledger.db", run.last)
    assert up.from_start
    assert up.whips["1"] == before
    assert before.fill is not None
    assert up.whips["1"].fill == before.fill


def test_a_cylinder_that_went_to_another_whip_after_the_last_kept_state_is_there_after_a_restart(
    tmp_path: Path,
) -> None:
    """What happens at one whip changes another: the station is folded as a whole."""
    events = events_of(9)[:200]
    attached = next(event for event in events if isinstance(event, CylinderAttached))
    moved = replace(attached, stamp=events[-1].stamp, whip="2")
    run = Watched(tmp_path / "ledger.db")
    run.take(events)
    run.keeps_no_more()
    run.take([moved])
    before = dict(run.stepper.state.whips)
    run.killed()
    up = restarted(tmp_path / "ledger.db", run.last)
    assert up.whips == before
    assert up.whips["2"].attached is not None
    assert up.folded > 0


def test_what_follows_is_what_would_have_followed_without_the_restart(tmp_path: Path) -> None:
    events = events_of(2)
    half = len(events) // 2
    run = Watched(tmp_path / "ledger.db")
    run.take(events[:half])
    run.killed()
    up = restarted(tmp_path / "ledger.db", run.last)
    gone_on = through(
        events[half:], StationState(whips=up.whips, air_k=up.air_k, bath_k=up.bath_k, sensed=up.sensed), run.last
    )
    assert gone_on.state.whips["1"] == through(events).state.whips["1"]


@pytest.mark.parametrize(
    ("away_s", "goes_on"),
    [
        pytest.param(-3600.0, False, id="the clock was set back"),
        pytest.param(-0.5, True, id="the clock was trimmed"),
        pytest.param(12.0, True, id="seconds"),
        pytest.param(899.0, True, id="minutes"),
        pytest.param(901.0, False, id="too long"),
    ],
)
def test_a_fill_goes_on_after_a_short_absence_only(tmp_path: Path, away_s: float, goes_on: bool) -> None:  # noqa: FBT001 - a case
    run = Watched(tmp_path / "ledger.db")
    run.take(events_of(9)[:300])
    run.killed()
    now = Stamp(mono_s=run.last.mono_s + away_s, utc_s=run.last.utc_s + away_s)
    assert ("1" in restarted(tmp_path / "ledger.db", now).whips) is goes_on


def test_another_configuration_folds_from_the_start_with_its_own_rules(tmp_path: Path) -> None:
    run = Watched(tmp_path / "ledger.db")
    run.take(events_of(9)[:300])
    run.killed()
    up = restarted(tmp_path / "ledger.db", run.last, rules=replace(real_rules(), rules_hash="another"))
    assert up.from_start


def test_a_kept_state_that_cannot_be_read_is_as_good_as_none(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    run = Watched(path)
    run.take(events_of(9)[:300])
    before = run.killed()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "UPDATE snapshot SET body = CAST(json_remove(CAST(body AS TEXT), '$.gauge') AS BLOB) WHERE whip = '1'"
        )
    up = restarted(path, run.last)
    assert up.from_start
    assert up.whips["1"] == before


def test_nobody_listened_meanwhile_so_no_silence_and_no_delay_went_on(tmp_path: Path) -> None:
    run = Watched(tmp_path / "ledger.db")
    run.take(events_of(9)[:300])
    before = run.killed()
    booted_anew = Stamp(mono_s=20.0, utc_s=run.last.utc_s + 100.0)
    up = restarted(tmp_path / "ledger.db", booted_anew)
    assert before.gauge.arrived_mono_s is not None
    assert up.whips["1"].gauge.arrived_mono_s == pytest.approx(20.0 - (run.last.mono_s - before.gauge.arrived_mono_s))
    assert up.away_s == pytest.approx(100.0)


def test_a_clock_that_was_set_and_a_second_kill_change_nothing(tmp_path: Path) -> None:
    """The second run begins on another monotonic clock; what it recorded is folded on that one."""
    path, events = tmp_path / "ledger.db", events_of(9)
    first = Watched(path)
    first.take(events[:200])
    first.killed()
    later_s = 5000.0
    moved = [replace(e, stamp=Stamp(mono_s=e.stamp.mono_s + later_s, utc_s=e.stamp.utc_s)) for e in events[200:]]
    start = Stamp(mono_s=first.last.mono_s + later_s, utc_s=first.last.utc_s)
    second = Watched(path, goes_on=restarted(path, start), at=start)
    second.take(moved[:60])
    before = second.killed()
    assert restarted(path, second.last).whips["1"] == before


# What is said of it --------------------------------------------------------------------------------------------------


def raised(path: Path, number: int, upto: int) -> tuple[Watched, WhipState, list[AlarmChanged]]:
    run = Watched(path)
    run.take(events_of(number)[:upto])
    state = run.killed()
    with SqliteLedgerReader(path) as reader:
        return run, state, newest(reader.standing_alarms(), real_rules())


def test_alarms_that_stand_as_they_were_told_are_not_told_again(tmp_path: Path) -> None:
    run, state, told = raised(tmp_path / "ledger.db", ALARMED, ALARMED_BY)
    assert told, "a fill with alarms"
    assert differences(state, told, real_rules(), run.last) == []


def test_an_alarm_that_left_before_it_was_recorded_is_told_again_under_its_number(tmp_path: Path) -> None:
    run, state, told = raised(tmp_path / "ledger.db", ALARMED, ALARMED_BY)
    again, *others = differences(state, told[1:], real_rules(), run.last)
    assert others == []
    assert (again.occurrence, again.new, again.old) == (told[0].occurrence, told[0].new, AlarmState.NORMAL)
    assert again.cause == told[0].cause


def test_an_alarm_that_no_one_believes_any_more_is_told_to_be_over(tmp_path: Path) -> None:
    run, state, told = raised(tmp_path / "ledger.db", ALARMED, ALARMED_BY)
    nothing = replace(state, standings={}, left_over=())
    changes = differences(nothing, told, real_rules(), run.last)
    assert [(c.occurrence, c.new) for c in changes] == [(c.occurrence, AlarmState.NORMAL) for c in told]


def test_a_board_is_shown_the_fill_as_it_stands() -> None:
    state = through(events_of(9)[:300]).state.whips["1"]
    now = events_of(9)[300].stamp
    cause, facts = shown_anew(state, now)
    assert isinstance(cause, CylinderAttached)
    phases = [fact.new for fact in facts if isinstance(fact, PhaseChanged)]
    assert phases == [state.phase] == [Phase.FILLING]
    assert [fact.lamp for fact in facts if isinstance(fact, LampChanged)] == [state.lamp]
    (shown,) = [fact for fact in facts if isinstance(fact, Projected)]
    assert state.shown is not None
    assert shown.settled_gauge_pa == state.shown.settled_gauge_pa
    assert {fact.stamp for fact in facts} == {now}
