"""The ledger's writer: groups, acknowledgements, a disk that fails, hangs or lies, and what is told of it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event

import pytest

from fillguard.core.errors import LedgerError
from fillguard.core.events import AlarmChanged
from fillguard.ledger import store
from fillguard.ledger import writer as writing
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.schema import MIGRATIONS
from fillguard.ledger.writer import UNACKNOWLEDGED, SqliteLedgerWriter
from fillguard.ports import Attempt, AuditEntry, ConfigInForce
from tests.fakes import FakeClock, FakeDisk
from tests.ledger_facts import (
    OWNER,
    PATIENCE_S,
    T0,
    Token,
    alarm,
    at,
    ended,
    notice,
    projected,
    reading,
    started,
    step,
    tick,
)

FOR_EVER_S = 1e6


class Health:
    """Hears of the ledger's health; `down` and `up` can be waited for."""

    def __init__(self) -> None:
        self.told: list[tuple[bool, str]] = []
        self.down = Event()
        self.up = Event()

    def __call__(self, ok: bool, detail: str) -> None:  # noqa: FBT001 - the listener's contract
        self.told.append((ok, detail))
        (self.up if ok else self.down).set()


class Bench:
    """A writer with everything around it that a test may turn."""

    def __init__(self, path: Path, **options: object) -> None:
        self.path = path
        self.clock = FakeClock()
        self.disk = FakeDisk()
        self.health = Health()
        self.acknowledged: list[object] = []
        self.writer = SqliteLedgerWriter(
            path, OWNER, self.clock, on_health=self.health, connect=self.disk.connect, **options
        )

    def put(self, number: int, *facts: object, **options: object) -> Token:
        """One reading on its way, with an acknowledgement that is waited for."""
        token = Token(number, self.acknowledged)
        self.writer.put(step(reading(number, 40 + number / 10, seq=number, boot="b"), *facts, ack=token, **options))
        return token

    def recorded(self) -> list[float]:
        with SqliteLedgerReader(self.path) as reader:
            return [round(row.value / 1e4) / 10 for row in reader.readings_after(0, 100_000)]

    def audit(self, action: str) -> list[dict[str, object]]:
        with SqliteLedgerReader(self.path) as reader:
            return [row.body for row in reader.iter_record("audit") if row.body["action"] == action]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path / "ledger.sqlite3")
    yield made
    made.disk.broken = None
    made.disk.may_commit.set()
    made.writer.stop(PATIENCE_S)


def bar(number: int) -> float:
    return 40 + number / 10


# --- groups and acknowledgements -------------------------------------------------------------------------------------


def test_sixteen_messages_are_one_commit(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "GROUP_WAIT_S", FOR_EVER_S)
    bench.writer.start()
    before = bench.disk.commits
    tokens = [bench.put(number) for number in range(1, writing.GROUP_SIZE)]  # with the ledger's own first audit row
    assert tokens[-1].done.wait(PATIENCE_S)
    assert bench.disk.commits == before + 1


def test_a_lone_message_is_committed_without_company(bench: Bench) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    assert bench.recorded() == [bar(1)]


def test_what_somebody_waits_for_is_committed_at_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "GROUP_WAIT_S", FOR_EVER_S)
    owed = Event()
    channels: list[frozenset[str]] = []
    bench.writer.subscribe(lambda names: (channels.append(names), owed.set() if names else None))
    bench.writer.start()
    change = alarm(1)
    token = bench.put(1, change, owed=(notice(change),))
    assert token.done.wait(PATIENCE_S)
    assert owed.wait(PATIENCE_S)
    assert channels[-1] == {"shop-phone"}
    with SqliteLedgerReader(bench.path) as reader:
        assert [item.occurrence for item in reader.due_notices("shop-phone", T0, 10)] == [change.occurrence]
    on_disk = Event()
    bench.writer.put_attempt(attempt(change), lambda recorded: on_disk.set() if recorded else None)
    assert on_disk.wait(PATIENCE_S)


def test_messages_are_acknowledged_in_order_and_only_when_they_can_be_read_back(bench: Bench) -> None:
    class Suspicious(Token):
        def acknowledge(self) -> None:
            assert bar(self._name) in bench.recorded()
            super().acknowledge()

    last = None
    for number in range(1, 101):
        last = Suspicious(number, bench.acknowledged)
        bench.writer.put(step(reading(number, bar(number), seq=number, boot="b"), ack=last))
        if number == 50:
            bench.writer.start()
    assert last.done.wait(PATIENCE_S)
    assert bench.acknowledged == list(range(1, 101))


def test_a_tick_from_which_nothing_follows_costs_no_commit(bench: Bench) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    before = bench.disk.commits
    for second in range(100):
        bench.writer.put(step(tick(second)))
    assert bench.put(2).done.wait(PATIENCE_S)
    assert bench.disk.commits == before + 1


def test_stopping_writes_what_waits(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing, "GROUP_WAIT_S", FOR_EVER_S)
    bench.writer.start()
    for number in range(1, 6):
        bench.put(number)
    assert bench.writer.stop(PATIENCE_S) == 0
    assert bench.acknowledged == [1, 2, 3, 4, 5]
    assert len(bench.recorded()) == 5


def test_after_the_end_the_ledger_can_be_opened_again_and_goes_on(bench: Bench) -> None:
    bench.put(1)
    bench.writer.stop(PATIENCE_S)
    again = Bench(bench.path)
    assert again.writer.anchor == bench.writer.anchor
    again.put(2)
    again.writer.stop(PATIENCE_S)
    assert bench.recorded() == [bar(1), bar(2)]
    assert verify(bench.path, bench.writer.anchor).ok


def test_what_comes_after_the_end_is_told_as_lost(bench: Bench) -> None:
    bench.writer.stop(PATIENCE_S)
    answers: list[bool] = []
    bench.writer.put_attempt(attempt(alarm(1)), answers.append)
    assert answers == [False]
    assert not bench.writer.healthy()


# --- a disk that fails -----------------------------------------------------------------------------------------------


def attempt(change: AlarmChanged, outbox_id: int = 0, **changes: object) -> Attempt:
    made = Attempt(
        outbox_id=outbox_id,
        channel="shop-phone",
        occurrence=change.occurrence,
        kind="raise",
        repeat=0,
        started_utc_s=T0 + 2,
    )
    return replace(made, **changes)


@pytest.mark.parametrize(
    ("code", "text"),
    [
        (sqlite3.SQLITE_FULL, "database or disk is full"),
        (sqlite3.SQLITE_READONLY, "attempt to write a readonly database"),
        (sqlite3.SQLITE_IOERR, "disk I/O error"),
    ],
)
def test_a_failing_disk_costs_nothing_but_time(bench: Bench, code: int, text: str) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    bench.disk.breaks(code, text)
    bench.put(2)
    assert bench.health.down.wait(PATIENCE_S)
    assert bench.health.told == [(False, f"storage: {text}")]
    assert not bench.writer.healthy()
    change = alarm(3)
    last = bench.put(3, started(3), change, owed=(notice(change),))
    assert bench.acknowledged == [1]
    bench.disk.broken = None
    assert last.done.wait(PATIENCE_S)
    assert bench.health.up.wait(PATIENCE_S)
    assert bench.writer.healthy()
    assert bench.writer.stop(PATIENCE_S) == 0
    assert bench.acknowledged == [1, 2, 3]
    assert bench.recorded() == [bar(1), bar(2), bar(3)]
    assert verify(bench.path).finding is Finding.INTACT
    with SqliteLedgerReader(bench.path) as reader:
        assert reader.fill_alarms(change.fill_id) == [change]


def test_after_a_failure_one_audit_row_tells_what_was_sent_meanwhile(bench: Bench) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    bench.disk.breaks()
    bench.put(2)
    assert bench.health.down.wait(PATIENCE_S)
    change = alarm(3)
    bench.clock.advance(90.0)
    bench.put(3, change, owed=(notice(change),))
    bench.writer.put_attempt(attempt(change))
    bench.writer.put_attempt(attempt(change, elapsed_s=0.5, result="delivered"))
    bench.disk.broken = None
    assert bench.health.up.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    (row,) = bench.audit("ledger-recovered")
    assert row["detail"] == "took no rows for 90.000 s (storage: database or disk is full); nothing was lost"
    assert row["data"]["alarms_sent_meanwhile"] == [f"{change.occurrence} unacknowledged"]
    assert row["data"]["notices_sent_meanwhile"] == [f"shop-phone {change.occurrence} raise delivered"]
    assert row["data"]["since_utc_s"] == T0
    with SqliteLedgerReader(bench.path) as reader:
        assert reader.due_notices("shop-phone", T0 + 1e6, 10) == [], "it was delivered while the ledger was down"


def test_a_commit_that_reached_the_disk_and_was_reported_as_failed_is_not_made_twice(bench: Bench) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    bench.disk.lies = True
    change = alarm(2)
    assert bench.put(2, change).done.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    assert bench.health.down.is_set()
    assert bench.recorded() == [bar(1), bar(2)]
    with SqliteLedgerReader(bench.path) as reader:
        assert reader.fill_alarms(change.fill_id) == [change]
    assert verify(bench.path).finding is Finding.INTACT


def test_readings_keep_coming_while_the_ledger_is_down(bench: Bench) -> None:
    bench.writer.start()
    bench.disk.breaks()
    bench.put(1)
    assert bench.health.down.wait(PATIENCE_S)
    for number in range(2, 101):
        bench.put(number)
    assert bench.writer.healthy() is False
    ahead = 100 - UNACKNOWLEDGED
    assert bench.acknowledged == list(range(1, ahead + 1)), "the oldest make room for the sender"
    bench.disk.broken = None
    assert bench.health.up.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    assert bench.acknowledged == list(range(1, 101))
    assert len(bench.recorded()) == 100
    (row,) = bench.audit("ledger-recovered")
    assert row["data"]["acknowledged_before_recorded"] == ahead


def test_memory_is_bounded_and_what_found_no_room_is_counted_readings_first(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "ledger.sqlite3", capacity=8)
    bench.writer.start()
    bench.disk.breaks()
    bench.put(1)
    assert bench.health.down.wait(PATIENCE_S)
    for number in range(2, 31):
        bench.put(number)
    change = alarm(31)
    bench.put(31, change)
    answers: list[bool] = []
    for _ in range(5):
        bench.writer.put_attempt(attempt(change), answers.append)
    assert answers.count(False) >= 3, "a quarter above the capacity is the end for everything"
    bench.disk.broken = None
    assert bench.health.up.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    kept = len(bench.recorded())
    (row,) = bench.audit("ledger-recovered")
    assert row["data"]["lost"] == (31 - kept) + answers.count(False)
    assert "entries were LOST" in row["detail"]
    assert row["data"]["first_lost_utc_s"] == T0
    with SqliteLedgerReader(bench.path) as reader:
        assert reader.fill_alarms(change.fill_id) == [change]


def test_a_full_queue_is_a_failure_even_on_a_sound_disk(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "ledger.sqlite3", capacity=8)
    for number in range(1, 20):
        bench.put(number)
    assert bench.health.told == [(False, "8 entries wait already: rows are being LOST")]
    assert not bench.writer.healthy()
    bench.writer.start()
    assert bench.health.up.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    assert len(bench.recorded()) == 8 - len(MIGRATIONS), "beside the ledger's own first audit rows"


def test_stopping_on_a_dead_disk_gives_up_and_says_what_is_lost(bench: Bench) -> None:
    bench.writer.start()
    bench.disk.breaks()
    answers: list[bool] = []
    bench.writer.put_attempt(attempt(alarm(1)), answers.append)
    assert bench.health.down.wait(PATIENCE_S)
    bench.put(2)
    bench.put(3)
    assert bench.writer.stop(0.3) >= 3
    bench.writer._thread.join(PATIENCE_S)
    assert answers == [False]
    assert bench.acknowledged == [], "whoever sent them may send them again"
    SqliteLedgerWriter(bench.path, OWNER, bench.clock).stop(PATIENCE_S)


def test_a_ledger_that_cannot_be_opened_for_writing_is_refused_and_unlocked(tmp_path: Path) -> None:
    disk = FakeDisk()
    disk.breaks(sqlite3.SQLITE_READONLY, "attempt to write a readonly database")
    with pytest.raises(LedgerError, match="cannot be written: attempt to write a readonly database"):
        SqliteLedgerWriter(tmp_path / "ledger.sqlite3", OWNER, FakeClock(), connect=disk.connect)
    SqliteLedgerWriter(tmp_path / "ledger.sqlite3", OWNER, FakeClock()).stop(PATIENCE_S)


@pytest.mark.parametrize("come_back", ["moved back", "another one"])
def test_a_ledger_taken_away_while_in_use_is_noticed(bench: Bench, come_back: str) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    aside = bench.path.with_name("aside")
    bench.path.rename(aside)
    if come_back == "another one":
        store.prepare(bench.path.with_name("other"), OWNER, 0)
        bench.path.with_name("other").rename(bench.path)
    last = bench.put(2)
    assert bench.health.down.wait(PATIENCE_S)
    assert ("was replaced" if come_back == "another one" else "was taken away") in bench.health.told[0][1]
    aside.rename(bench.path)
    assert last.done.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    assert bench.recorded() == [bar(1), bar(2)]


# --- a disk that hangs -----------------------------------------------------------------------------------------------


def test_a_commit_that_hangs_is_a_failure_after_five_seconds(bench: Bench) -> None:
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    bench.disk.committing.clear()
    bench.disk.may_commit.clear()
    last = bench.put(2)
    assert bench.disk.committing.wait(PATIENCE_S)
    bench.clock.advance(4.9)
    assert bench.writer.healthy()
    bench.clock.advance(0.2)
    assert not bench.writer.healthy()
    assert bench.health.told == [(False, "a commit has taken over 5 s")]
    bench.disk.may_commit.set()
    assert last.done.wait(PATIENCE_S)
    assert bench.health.up.wait(PATIENCE_S)
    assert bench.writer.healthy()
    bench.writer.stop(PATIENCE_S)
    (row,) = bench.audit("ledger-recovered")
    assert row["detail"] == "took no rows for 5.100 s (a commit has taken over 5 s); nothing was lost"


def test_five_seconds_are_real_ones_in_a_drill_too(bench: Bench) -> None:
    bench.clock.speed = 60.0
    bench.writer.start()
    bench.disk.committing.clear()
    bench.disk.may_commit.clear()
    bench.put(1)
    assert bench.disk.committing.wait(PATIENCE_S)
    bench.clock.advance(299.0)
    assert bench.writer.healthy()
    bench.clock.advance(2.0)
    assert not bench.writer.healthy()


def test_while_a_commit_takes_long_the_readings_keep_coming(bench: Bench) -> None:
    bench.writer.start()
    bench.disk.committing.clear()
    bench.disk.may_commit.clear()
    for number in range(1, 101):
        bench.put(number)
    assert bench.disk.committing.wait(PATIENCE_S)
    assert bench.acknowledged == []
    bench.clock.advance(1.5)
    bench.writer.put(step(tick(200)))
    assert len(bench.acknowledged) == 100 - UNACKNOWLEDGED
    assert bench.writer.healthy(), "slow is not failed"


# --- what can never be recorded --------------------------------------------------------------------------------------


def test_one_entry_that_cannot_be_recorded_does_not_keep_the_others_from_the_record(bench: Bench) -> None:
    nobody = object()
    bench.put(1)
    bench.writer.put_config(ConfigInForce(at=at(1), config_hash="h", text=nobody, who="op-1", why="why"))
    answers: list[bool] = []
    bench.writer.put_attempt(attempt(alarm(1), detail=nobody), answers.append)
    bench.writer.put(step(tick(2), started(2), alarm(2), replace(alarm(3, 2), cause=nobody)))
    bench.put(2, started(2))
    bench.writer.stop(PATIENCE_S)
    assert bench.acknowledged == [1, 2]
    assert bench.recorded() == [bar(1), bar(2)]
    assert answers == [False]
    refused = [row["data"]["entry"].partition("(")[0] for row in bench.audit("unrecordable")]
    assert refused == ["ConfigInForce", "Attempt", "StepRecord"]
    assert bench.health.told == [(False, "3 entries cannot be recorded: see the audit trail")]
    with SqliteLedgerReader(bench.path) as reader:
        assert list(reader.iter_alarms()) == [], "an entry is recorded whole or not at all"
        assert reader.open_fills() == [started(2)]
    assert verify(bench.path).finding is Finding.INTACT


def test_numbers_and_words_that_nobody_should_send_do_not_cost_the_row(bench: Bench) -> None:
    odd = reading(1, 41, seq=2**70, boot="boot\0\ud800")
    bench.writer.put(step(odd, replace(started(1), operator="op\ud800", start_gauge_pa=float("nan"))))
    bench.writer.put(step(reading(2, 42, seq=-1, boot="boot\0\ud800")))
    bench.writer.stop(PATIENCE_S)
    assert bench.recorded() == [41, 42]
    assert bench.audit("unrecordable") == []
    with SqliteLedgerReader(bench.path) as reader:
        (opened,) = reader.open_fills()
    assert opened.operator == "op?"
    assert opened.start_gauge_pa is None


def test_a_fault_in_a_listener_is_recorded_and_ends_nothing(bench: Bench) -> None:
    def fails(_: object) -> None:
        raise RuntimeError("no such lamp")

    bench.writer.subscribe(fails)
    bench.writer.put_attempt(attempt(alarm(1)), fails)
    bench.writer.start()
    assert bench.put(1).done.wait(PATIENCE_S)
    assert bench.put(2).done.wait(PATIENCE_S)
    bench.writer.stop(PATIENCE_S)
    assert {row["detail"] for row in bench.audit("listener-fault")} == {"RuntimeError: no such lamp"}
    assert bench.recorded() == [bar(1), bar(2)]


# --- what is written -------------------------------------------------------------------------------------------------


def test_a_new_ledger_says_so_in_its_audit_trail(bench: Bench) -> None:
    bench.writer.stop(PATIENCE_S)
    assert [row["detail"] for row in bench.audit("ledger-schema")] == [
        f"schema {step.version}: {step.name}" for step in MIGRATIONS
    ]


def test_every_fill_names_the_configuration_it_ran_under(bench: Bench) -> None:
    for number, name in enumerate(("first", "second")):
        bench.writer.put_config(
            ConfigInForce(at=at(number), config_hash=name, text=f"# {name}", who="op-1", why="a try")
        )
        bench.writer.put(step(tick(number), started(number, fill_id=name), ended(number + 0.5, fill_id=name)))
    bench.writer.stop(PATIENCE_S)
    again = Bench(bench.path)
    again.writer.put(step(tick(9), started(9, fill_id="third"), ended(10, fill_id="third")))
    again.writer.stop(PATIENCE_S)
    with SqliteLedgerReader(bench.path) as reader:
        assert {name: reader.fill(name)["config"] for name in ("first", "second", "third")} == {
            "first": "first",
            "second": "second",
            "third": "second",
        }
        assert [row.body["text"] for row in reader.iter_record("config")] == ["# first", "# second"]


def test_audit_rows_keep_who_did_what_to_which(bench: Bench) -> None:
    entry = AuditEntry(
        at=at(1), who="op-1", action="release", detail="analysed and released", subject="TH-0042", data={"o2": 0.209}
    )
    bench.writer.put_audit(entry)
    bench.writer.stop(PATIENCE_S)
    (row,) = bench.audit("release")
    assert (row["who"], row["subject"], row["data"]) == ("op-1", "TH-0042", {"o2": 0.209})


def test_a_fill_that_is_opened_or_ended_twice_keeps_its_first_row_and_loses_nothing(bench: Bench) -> None:
    bench.writer.put(step(tick(0), started()))
    bench.writer.put(step(tick(1), started(1)))
    bench.writer.put(step(tick(2), ended(200)))
    bench.writer.put(step(tick(3), ended(300, readings=900)))
    bench.writer.stop(PATIENCE_S)
    with SqliteLedgerReader(bench.path) as reader:
        assert reader.fill(started().fill_id)["readings"] == 600
        assert [row.body["type"] for row in reader.iter_events()] == ["FillStarted", "FillEnded"]
    assert bench.audit("unrecordable") == []


def test_projections_are_kept_once_a_second_across_a_restart(bench: Bench) -> None:
    bench.writer.put(step(tick(0), started()))
    for tenth in range(25):
        bench.writer.put(step(tick(tenth), projected(1.25 + tenth / 10, 50 + tenth)))
    bench.writer.stop(PATIENCE_S)
    again = Bench(bench.path)
    for tenth in range(20, 40):
        again.writer.put(step(tick(tenth), projected(1.25 + tenth / 10, 50 + tenth)))
    again.writer.stop(PATIENCE_S)
    with SqliteLedgerReader(bench.path) as reader:
        kept = [row.sample_s - T0 for row in reader.fill_projections(started().fill_id)]
    assert [int(each) for each in kept] == [1, 2, 3, 4]


@pytest.mark.parametrize("fault", ["closed at once", "full disk"])
def test_a_real_full_file_is_survived(tmp_path: Path, fault: str) -> None:
    """SQLite's own page limit: the same error, from the same place, as a full disk."""
    path = tmp_path / "ledger.sqlite3"
    limited = Event()
    limited.set()

    def connect(where: Path) -> sqlite3.Connection:
        connection = store.connect(where)
        if limited.is_set():
            (pages,) = connection.execute("PRAGMA page_count").fetchone()
            connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        return connection

    health = Health()
    writer = SqliteLedgerWriter(path, OWNER, FakeClock(), on_health=health, connect=connect)
    writer.start()
    acknowledged: list[object] = []
    for number in range(1, 400):
        token = Token(number, acknowledged)
        writer.put(step(reading(number, 40 + number / 10, seq=number, boot="b"), alarm(number, number), ack=token))
    assert health.down.wait(PATIENCE_S)
    assert "full" in health.told[0][1]
    if fault == "closed at once":
        assert writer.stop(0.1) > 0
        writer._thread.join(PATIENCE_S)
        assert verify(path).finding is Finding.INTACT
        return
    limited.clear()
    assert token.done.wait(PATIENCE_S)
    assert writer.stop(PATIENCE_S) == 0
    assert acknowledged == list(range(1, 400))
    assert verify(path).finding is Finding.INTACT
    with closing(store.connect_read_only(path)) as connection:
        assert connection.execute("SELECT count(*) FROM reading").fetchone() == (399,)
        assert connection.execute("SELECT count(*) FROM alarm").fetchone() == (399,)
