"""What is read back of the ledger: readings once and whole, fills by every question, notices until they arrived."""

from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from threading import Event

import pytest

from fillguard.core.errors import LedgerError
from fillguard.core.events import (
    AlarmState,
    ClockStepped,
    Doubt,
    FillIdentified,
    FindingMade,
    Outcome,
    Phase,
    PhaseChanged,
    Quality,
    Quantity,
    ReadingDoubted,
    ReadingRejected,
    StageBegan,
)
from fillguard.core.stages import Stage
from fillguard.core.values import AIR
from fillguard.ledger import store
from fillguard.ledger.outbox import LEASE_S, restore_worklist
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from fillguard.ports import Attempt, OutboxItem, Quarantined
from tests.ledger_facts import (
    CYLINDER,
    FILL,
    PRESSURE,
    T0,
    alarm,
    at,
    ended,
    notice,
    projected,
    reading,
    record,
    started,
    step,
    tick,
    writer,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


def bars(path: Path) -> list[float]:
    with SqliteLedgerReader(path) as reader:
        return [round(row.value / 1e5, 3) for row in reader.readings_after(0, 1000)]


# --- readings --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sent",
    [
        reading(1, 41.3, seq=7, boot="b1"),
        reading(1, 41.3, seq=7, boot="b1", device_s=T0 + 0.5),
        reading(1, 41.3, seq=7, device_s=T0 + 0.5),
        reading(1, 41.3, device_s=T0 + 0.5),
    ],
    ids=["boot and number", "boot, number and device time", "number and device time", "device time"],
)
def test_a_message_that_comes_twice_is_one_reading(path: Path, sent: object) -> None:
    again = replace(sent, stamp=at(9), sample_s=T0 + 0.8, quality=Quality.UNCERTAIN, doubt=Doubt.LATE)
    record(path, step(sent), step(again))
    record(path, step(again))
    with SqliteLedgerReader(path) as reader:
        (row,) = reader.readings_after(0, 10)
    assert (row.utc_s, row.quality) == (T0 + 1, "good"), "the first is the record"


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({}, {}),
        ({"seq": 7}, {"seq": 7}),
        ({"boot": "b1", "seq": 7}, {"boot": "b2", "seq": 7}),
        ({"boot": "b1", "seq": 7}, {"boot": "b1", "seq": 8}),
        ({"device_s": T0}, {"device_s": T0 + 0.001}),
        ({"device_s": T0, "seq": 7}, {"device_s": T0, "seq": 8}),
        ({"device_s": T0}, {"device_s": T0, "value": 41.4e5}),
        ({"device_s": T0}, {"device_s": T0, "whip": "2"}),
        ({"device_s": T0}, {"device_s": T0, "quantity": Quantity.SUPPLY}),
        ({"device_s": T0}, {"device_s": T0, "source": "another/topic"}),
    ],
    ids=[
        "nothing tells them apart: two readings",
        "a number without its boot says little after a restart of the sender",
        "the sender restarted",
        "the next number",
        "a millisecond later",
        "two of one millisecond",
        "another value",
        "another whip in one message",
        "another quantity in one message",
        "another sensor",
    ],
)
def test_different_messages_are_different_readings(
    path: Path, one: dict[str, object], other: dict[str, object]
) -> None:
    record(path, step(reading(1, 41.3, **one)), step(replace(reading(1, 41.3), **other)))
    assert len(bars(path)) == 2


def test_a_reading_is_read_back_as_it_was_with_what_the_station_made_of_it(path: Path) -> None:
    wall = reading(2, 0, quantity=Quantity.WALL, value=301.27, source="fill/tern/1/wall")
    odd = reading(3, 0, value=12_345_678.9)
    doubted = ReadingDoubted(
        stamp=at(4),
        whip="1",
        source=PRESSURE,
        sample_s=T0 + 3.75,
        quality=Quality.UNCERTAIN,
        doubt=Doubt.IMPLAUSIBLE_JUMP,
    )
    fault = reading(5, 0, quality=Quality.BAD, doubt=Doubt.LOOP_FAULT)
    record(path, step(wall), step(odd), step(reading(4, 90), doubted), step(fault))
    with SqliteLedgerReader(path) as reader:
        rows = reader.readings_after(0, 10)
        assert list(reader.iter_events()) == [], "a doubt about this very reading is kept with it"
    assert [row.value for row in rows] == [301.27, 12_345_678.9, 90e5, 0.0]
    assert (rows[0].quantity, rows[0].source, rows[0].whip) == ("wall", "fill/tern/1/wall", "1")
    assert (rows[0].utc_s, rows[0].sample_s) == (T0 + 2, T0 + 1.75)
    assert [(row.quality, row.doubt) for row in rows] == [
        ("good", None),
        ("good", None),
        ("uncertain", "implausible-jump"),
        ("bad", "loop-fault"),
    ]


def test_a_doubt_about_an_earlier_reading_is_an_event(path: Path) -> None:
    doubted = ReadingDoubted(
        stamp=at(2), whip="1", source=PRESSURE, sample_s=T0 + 0.75, quality=Quality.BAD, doubt=Doubt.STALE
    )
    record(path, step(reading(1, 41)), step(reading(2, 42), doubted))
    with SqliteLedgerReader(path) as reader:
        assert [row.body["doubt"] for row in reader.iter_events()] == ["stale"]


def test_the_mirror_walks_readings_in_pages_and_knows_how_far_it_is(path: Path) -> None:
    ledger = writer(path)
    for number in range(1, 8):
        ledger.put(step(reading(number, 40 + number)))
    ledger.put_cursor("influx/reading", 3)
    ledger.put_cursor("influx/reading", 5)
    ledger.put_quarantined(
        Quarantined(
            at=at(9), mirror="influx", stream="reading", first_row=4, last_row=5, status=400, reason="unable to parse"
        )
    )
    ledger.stop(10.0)
    with SqliteLedgerReader(path) as reader:
        assert [row.row for row in reader.readings_after(2, 3)] == [3, 4, 5]
        assert (reader.cursor("influx/reading"), reader.cursor("elsewhere")) == (5, 0)
        assert (reader.newest_row("reading"), reader.newest_row("projection")) == (7, 0)
    with closing(store.connect_read_only(path)) as connection:
        assert connection.execute("SELECT first_row, last_row, status, reason FROM quarantine").fetchall() == [
            (4, 5, 400, "unable to parse")
        ]


def test_a_row_names_the_cylinder_as_it_was_known_then(path: Path) -> None:
    found = FillIdentified(
        stamp=at(3),
        fill_id=FILL,
        whip="1",
        serial="TH-0007",
        operator="op-1",
        cylinder=replace(CYLINDER, serial="TH-0007"),
        limit_gauge_pa=206.84e5,
        reference_k=294.25,
        target_gauge_pa=206.84e5,
    )
    record(
        path,
        step(reading(0, 40)),
        step(reading(1, 41), started(1, serial=None)),
        step(reading(2, 42), projected(2, 42)),
        step(tick(3), found),
        step(reading(4, 44), projected(4, 44)),
        step(reading(4.5, 20, whip=None, quantity=Quantity.AMBIENT, value=293.15, source="fill/tern/ambient")),
    )
    with SqliteLedgerReader(path) as reader:
        assert [(row.fill_id, row.serial) for row in reader.readings_after(0, 9)] == [
            (None, None),
            (None, None),
            (FILL, None),
            (FILL, "TH-0007"),
            (None, None),
        ]
        assert [row.serial for row in reader.projections_after(0, 9)] == [None, "TH-0007"]


def test_a_sender_of_rubbish_does_not_fill_the_disk_and_is_counted(path: Path) -> None:
    def rubbish(seconds: float, reason: str = "not-json") -> ReadingRejected:
        return ReadingRejected(stamp=at(seconds), topic="x", reason=reason, detail="'}' at 1", sample="}")

    record(path, *(step(rubbish(tenth / 10)) for tenth in range(1300)), step(rubbish(2, "too-large")))
    with SqliteLedgerReader(path) as reader:
        rows = [(row.body["reason"], row.body["unrecorded_before"]) for row in reader.iter_events()]
    assert rows == [("not-json", 0), ("not-json", 599), ("not-json", 599), ("too-large", 0)]


# --- fills -----------------------------------------------------------------------------------------------------------


def season(path: Path, count: int = 25) -> None:
    """Fills a minute apart on two whips; every second pair begins in the same millisecond."""
    for number in range(count):
        name = f"fill-{number:02d}"
        whip = "1" if number % 2 else "2"
        begin = 60.0 * (number // 2)
        record(
            path,
            step(tick(begin), started(begin, fill_id=name, whip=whip)),
            step(
                tick(begin + 30),
                ended(
                    begin + 30,
                    fill_id=name,
                    whip=whip,
                    started_s=T0 + begin,
                    serial=f"TH-{number % 3:04d}",
                    operator=f"op-{number % 2}",
                    outcome=Outcome.OVER if number == 7 else Outcome.FULL,
                ),
            ),
        )


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("season") / "ledger.sqlite3"
    season(path)
    return path


def test_pages_of_fills_lose_and_repeat_none_even_when_two_began_together(many: Path) -> None:
    with SqliteLedgerReader(many) as reader:
        seen: list[object] = []
        while page := reader.fills(limit=4, after_fill=str(seen[-1]) if seen else None):
            seen.extend(row["fill_id"] for row in page)
        assert len(seen) == len(set(seen)) == 25
        assert seen == [row["fill_id"] for row in reversed(list(reader.iter_fills()))]
        assert reader.count("fill") == 25


@pytest.mark.parametrize(
    ("where", "wanted"),
    [
        (Filter(whip="1"), lambda row: row["whip"] == "1"),
        (Filter(serial="TH-0002"), lambda row: row["serial"] == "TH-0002"),
        (Filter(operator="op-1", whip="1"), lambda row: row["operator"] == "op-1" and row["whip"] == "1"),
        (Filter(outcome="over"), lambda row: row["outcome"] == "over"),
        (Filter(since_s=T0 + 120, until_s=T0 + 300), lambda row: 120_000 <= row["started_ms"] - T0 * 1e3 < 300_000),
    ],
    ids=["whip", "serial", "operator and whip", "outcome", "time"],
)
def test_fills_are_found_by_what_is_asked(many: Path, where: Filter, wanted: Callable[[object], bool]) -> None:
    with SqliteLedgerReader(many) as reader:
        everything = reader.fills(limit=100)
        found = reader.fills(limit=100, where=where)
        assert found == [row for row in everything if wanted(row)]
        assert 0 < len(found) < len(everything)
        assert reader.count("fill", where) == len(found)
        assert list(reader.iter_fills(where)) == found[::-1] or len({row["started_ms"] for row in found}) < len(found)
        assert reader.fills(limit=100, before_s=T0 + 120) == [
            row for row in everything if row["started_ms"] < (T0 + 120) * 1000
        ]


def test_a_question_the_table_cannot_answer_says_which_it_can(many: Path) -> None:
    with SqliteLedgerReader(many) as reader:
        with pytest.raises(LedgerError, match="cannot be chosen by serial: choose by whip, time"):
            list(reader.iter_readings(Filter(serial="TH-0001")))
        with pytest.raises(LedgerError, match="no such record 'outbox'"):
            reader.iter_record("outbox")


def test_a_fill_in_one_row_is_its_summary(path: Path) -> None:
    record(path, step(tick(0), started()), step(tick(200), ended(200, close_gauge_pa=None)))
    with SqliteLedgerReader(path) as reader:
        row = reader.fill(FILL)
        assert reader.fill("another") is None
    summary = ended(200, close_gauge_pa=None).summary
    for name in ("serial", "outcome", "settled_low_gauge_pa", "close_gauge_pa", "alarms", "plateau_seen", "gas_k_max"):
        assert row[name] == getattr(summary, name), name
    assert (row["started_ms"], row["ended_ms"]) == (T0 * 1000, (T0 + 200) * 1000)


def test_open_fills_are_seen_until_they_ended(path: Path) -> None:
    record(path, step(tick(0), started()), step(tick(1), started(1, fill_id="other", whip="2")))
    with SqliteLedgerReader(path) as reader:
        assert reader.open_fills() == [started(), started(1, fill_id="other", whip="2")]
        record(path, step(tick(9), ended(9)))
        assert [fill.fill_id for fill in reader.open_fills()] == ["other"]


def test_the_trace_of_a_fill_is_every_reading_of_its_time_in_sample_order(path: Path) -> None:
    ambient = reading(2.5, 0, whip=None, quantity=Quantity.AMBIENT, value=293.15, source="fill/tern/ambient")
    record(
        path,
        step(reading(-5, 39)),
        step(reading(1, 41)),
        step(reading(2, 42), started(0)),
        step(ambient),
        step(reading(2.2, 90, whip="2", source="fill/tern/2/pressure")),
        step(reading(4, 44)),
        step(tick(6), ended(6)),
        step(reading(9, 43, sample_s=T0 + 3.75, quality=Quality.UNCERTAIN, doubt=Doubt.LATE)),
        step(reading(10, 0)),
    )
    with SqliteLedgerReader(path) as reader:
        trace = list(reader.fill_trace(FILL))
        assert [round(row.value / 1e5) for row in trace if row.quantity == "pressure"] == [41, 42, 44, 43]
        assert sorted(row.sample_s for row in trace) == [row.sample_s for row in trace]
        assert [row.value for row in trace if row.quantity == "ambient"] == [293.15]
        assert list(reader.fill_trace("another")) == []


def test_the_trace_of_a_fill_in_stages_goes_on_on_the_whip_where_the_fill_does(path: Path) -> None:
    there = StageBegan(
        stamp=at(5),
        whip="2",
        fill_id=FILL,
        number=2,
        stage=Stage(gas=AIR, target_gauge_pa=200e5, whip="2"),
        assumed="",
        limit_gauge_pa=206.84e5,
        reference_k=294.25,
    )
    record(
        path,
        step(reading(1, 41), started()),
        step(reading(2, 42)),
        step(reading(3, 7, whip="2")),
        step(reading(5, 50, whip="2"), there),
        step(reading(6, 51, whip="2")),
        step(reading(7, 0)),
        step(tick(8), ended(8, whip="2")),
    )
    with SqliteLedgerReader(path) as reader:
        assert [round(row.value / 1e5) for row in reader.fill_trace(FILL)] == [41, 42, 50, 51]


def test_the_story_of_a_fill_is_read_in_the_order_it_happened(path: Path) -> None:
    phase = PhaseChanged(
        stamp=at(1), sample_s=T0 + 1, whip="1", fill_id=FILL, old=Phase.CONNECTED, new=Phase.FILLING, reason="it rises"
    )
    finding = FindingMade(stamp=at(2), whip="1", fill_id=FILL, finding="leak", confidence=0.7, text="about 4 bar/h")
    elsewhere = replace(finding, fill_id=None)
    record(
        path, step(tick(1), started(), phase), step(tick(2), finding, elsewhere, alarm(2)), step(tick(3), alarm(3, 2))
    )
    with SqliteLedgerReader(path) as reader:
        assert list(reader.fill_events(FILL)) == [phase, finding]
        assert reader.fill_alarms(FILL) == [alarm(2), alarm(3, 2)]
        assert [row.body["type"] for row in reader.iter_events(Filter(whip="1"))] == [
            "PhaseChanged",
            "FindingMade",
            "FindingMade",
        ]
        assert reader.count("alarm", Filter(since_s=T0 + 3)) == 1


# --- alarms ----------------------------------------------------------------------------------------------------------


def test_occurrences_go_on_counting_where_the_record_ends(path: Path) -> None:
    of_station = [alarm(number, number, fill_id=None) for number in (1, 2, 10)]
    record(path, step(tick(0), started(), *of_station, alarm(1, 3), alarm(2, 1, alarm="leak")))
    record(path, step(tick(1), started(1, fill_id="over"), alarm(3, 7, fill_id="over"), ended(2, fill_id="over")))
    with SqliteLedgerReader(path) as reader:
        assert reader.last_occurrences() == {"tern-1/too-fast": 10, f"{FILL}/too-fast": 3, f"{FILL}/leak": 1}


def test_an_alarm_stands_until_its_last_change_made_it_normal(path: Path) -> None:
    first, second = alarm(1), alarm(2, 2)
    back = replace(first, stamp=at(3), old=AlarmState.UNACKNOWLEDGED, new=AlarmState.NORMAL)
    latched = replace(second, stamp=at(4), old=AlarmState.UNACKNOWLEDGED, new=AlarmState.LATCHED_ACKNOWLEDGED)
    record(path, step(tick(1), first, second), step(tick(4), back, latched), step(tick(5), ended(5)))
    with SqliteLedgerReader(path) as reader:
        assert reader.standing_alarms() == [latched], "also after its fill: somebody must still reset it"


# --- notices ---------------------------------------------------------------------------------------------------------


def due(path: Path, utc_s: float = T0 + 1000, channel: str = "shop-phone") -> list[OutboxItem]:
    with SqliteLedgerReader(path) as reader:
        return reader.due_notices(channel, utc_s, 100)


def owe(path: Path, *priorities: int) -> None:
    for number, priority in enumerate(priorities, start=1):
        change = alarm(number, number, priority=priority)
        record(path, step(tick(number), change, owed=(notice(change), notice(change, "mail"))))


def attempt(item: OutboxItem, **changes: object) -> Attempt:
    made = Attempt(
        outbox_id=item.outbox_id,
        channel=item.channel,
        occurrence=item.occurrence,
        kind=item.kind,
        repeat=item.repeat,
        started_utc_s=T0 + 50,
    )
    return replace(made, **changes)


def tried(path: Path, *attempts: Attempt) -> None:
    ledger = writer(path)
    for each in attempts:
        ledger.put_attempt(each)
    ledger.stop(10.0)


def test_priority_1_is_due_first_then_the_oldest(path: Path) -> None:
    owe(path, 2, 1, 3, 1)
    assert [(item.priority, item.raised_utc_s - T0) for item in due(path)] == [(1, 2), (1, 4), (2, 1), (3, 3)]
    assert [item.channel for item in due(path, channel="mail")] == ["mail"] * 4
    with SqliteLedgerReader(path) as reader:
        assert [item.priority for item in reader.due_notices("shop-phone", T0, 1)] == [1]


def test_a_delivered_notice_is_settled_for_its_channel_only(path: Path) -> None:
    owe(path, 1)
    (item,) = due(path)
    assert (item.title, item.body, item.kind) == ("Whip 1: too fast", "Throttle.", "raise")
    assert (item.raised_utc_s, item.changed_utc_s) == (T0 + 1, T0 + 1)
    tried(path, attempt(item), attempt(item, elapsed_s=0.4, result="delivered"))
    assert due(path) == []
    assert len(due(path, channel="mail")) == 1


def test_a_try_under_way_is_left_alone_until_its_lease_is_over(path: Path) -> None:
    owe(path, 1)
    (item,) = due(path)
    ledger = writer(path)
    ledger.start()
    on_disk = Event()
    ledger.put_attempt(attempt(item), lambda _: on_disk.set())
    assert on_disk.wait(30.0)
    assert due(path, T0 + 50 + LEASE_S - 0.001) == []
    (again,) = due(path, T0 + 50 + LEASE_S)
    assert (again.attempts, again.repeat) == (1, 1), "it may have arrived"
    ledger.stop(10.0)


def test_after_a_crash_a_try_without_result_is_due_at_once_as_a_repeat(path: Path) -> None:
    owe(path, 1)
    (item,) = due(path)
    tried(path, attempt(item))
    tried(path)  # the next start
    (again,) = due(path, T0 + 51)
    assert (again.attempts, again.repeat) == (1, 1)


@pytest.mark.parametrize(
    ("result", "repeat"), [("failed", 0), ("unknown", 1)], ids=["refused: never arrived", "timed out: may have arrived"]
)
def test_a_try_that_was_not_delivered_is_due_again_when_its_worker_says(path: Path, result: str, repeat: int) -> None:
    owe(path, 1)
    (item,) = due(path)
    ledger = writer(path)
    ledger.put_attempt(attempt(item))
    ledger.put_attempt(attempt(item, elapsed_s=9.0, result=result, not_before_utc_s=T0 + 80))
    ledger.stop(10.0)
    assert due(path, T0 + 79.9) == []
    (again,) = due(path, T0 + 80)
    assert (again.attempts, again.repeat, again.not_before_utc_s) == (1, repeat, T0 + 80)
    tried(
        path, attempt(again, started_utc_s=T0 + 81), attempt(again, started_utc_s=T0 + 81, elapsed_s=1, result="failed")
    )
    (third,) = due(path)
    assert (third.attempts, third.repeat) == (2, repeat)


def test_a_notice_delivered_while_the_ledger_was_down_is_found_by_what_it_says(path: Path) -> None:
    owe(path, 1)
    (item,) = due(path)
    tried(path, attempt(item, outbox_id=0, elapsed_s=0.4, result="delivered"))
    assert due(path) == []


def test_a_test_of_a_channel_is_recorded_without_a_notice(path: Path) -> None:
    made = Attempt(
        outbox_id=0,
        channel="shop-phone",
        occurrence="test",
        kind="test",
        repeat=0,
        started_utc_s=T0,
        elapsed_s=1.0,
        result="delivered",
    )
    tried(path, made)
    with SqliteLedgerReader(path) as reader:
        assert [(row.body["kind"], row.body["notice"]) for row in reader.iter_record("attempt")] == [("test", None)]


def test_the_same_notice_is_owed_once_and_a_second_raise_is_owed_again(path: Path) -> None:
    change = alarm(1)
    later = replace(change, stamp=at(60), old=AlarmState.SHELVED)
    record(path, step(tick(1), change, owed=(notice(change),)), step(tick(1), owed=(notice(change),)))
    record(path, step(tick(60), later, owed=(notice(later),)))
    assert len(due(path)) == 2


def test_when_the_clock_was_set_nothing_waits_for_a_time_that_is_now_far_off(path: Path) -> None:
    owe(path, 1)
    (item,) = due(path)
    ledger = writer(path)
    ledger.put_attempt(attempt(item, elapsed_s=9.0, result="failed", not_before_utc_s=T0 + 3600))
    ledger.put(step(ClockStepped(stamp=at(60), by_s=-3600.0)))
    ledger.stop(10.0)
    assert len(due(path, T0)) == 1


def test_a_lost_worklist_is_made_anew_from_the_record(path: Path) -> None:
    owe(path, 1, 2, 3)
    delivered, refused, _ = due(path)
    tried(
        path,
        attempt(delivered, elapsed_s=0.4, result="delivered"),
        attempt(refused),
        attempt(refused, elapsed_s=0.4, result="unknown", not_before_utc_s=T0 + 500),
    )
    before = due(path), due(path, channel="mail")
    with closing(store.connect(path)) as connection:
        connection.execute("DELETE FROM outbox")
        assert restore_worklist(connection) == 6
    assert (due(path), due(path, channel="mail")) == before
    with closing(store.connect(path)) as connection:
        connection.execute("DELETE FROM outbox")
    tried(path)  # and a start does so by itself
    assert [item.occurrence for item in due(path)] == [item.occurrence for item in before[0]]
