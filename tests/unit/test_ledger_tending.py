"""Housekeeping of the ledger's writer: the daily anchor, packing and pruning while nobody waits."""

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from threading import Condition

import pytest

from fillguard.ledger.chain import Anchor, Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.tending import Tending
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import ClockStatus
from tests.fakes import FakeClock, FakeDisk
from tests.ledger_facts import FILL, OWNER, PATIENCE_S, T0, ended, projected, reading, record, started, step, tick

DAY_S = 86_400.0


class Anchors:
    """Hears of anchors; can be waited on."""

    def __init__(self) -> None:
        self.told: list[tuple[Anchor, float]] = []
        self._changed = Condition()

    def __call__(self, anchor: Anchor, at_s: float) -> None:
        with self._changed:
            self.told.append((anchor, at_s))
            self._changed.notify_all()

    def wait(self, count: int) -> None:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.told) >= count, PATIENCE_S)


class Shop:
    """A running writer with housekeeping, on a clock that the test sets."""

    def __init__(self, path: Path, **options: object) -> None:
        self.path, self.clock, self.disk, self.anchors = path, FakeClock(utc_s=T0), FakeDisk(), Anchors()
        tending = Tending(on_anchor=self.anchors, **options)
        self.writer = SqliteLedgerWriter(path, OWNER, self.clock, tending=tending, connect=self.disk.connect)

    def pass_time(self, seconds: float) -> None:
        """Let time pass; one more entry makes the writer look at its clock."""
        self.clock.advance(seconds)
        self.writer.put(step(reading(self.clock.utc_s - T0, 0, whip="9")))

    def audit(self, action: str) -> list[str]:
        with SqliteLedgerReader(self.path) as reader:
            return [str(row.body["detail"]) for row in reader.iter_record("audit") if row.body["action"] == action]

    def until_rows(self, table: str, count: int) -> None:
        """Until `table` has so many rows: each turn of the clock is one more chance."""
        for _ in range(2000):
            with sqlite3.connect(self.path) as connection:
                (found,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()  # noqa: S608 - our own name
            if found == count:
                return
            self.pass_time(1.0)
        pytest.fail(f"{table} still holds {found} rows")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.sqlite3"
    record(
        path,
        step(reading(0, 40), started()),
        *(step(reading(second, 40 + second), projected(second, 40 + second)) for second in range(1, 100)),
        step(tick(101), ended(101)),
    )
    return path


@pytest.fixture
def shop(path: Path) -> Iterator[Shop]:
    shop = Shop(path, raw_retention_s=30 * DAY_S)
    yield shop
    shop.disk.may_commit.set()
    shop.writer.stop(PATIENCE_S)


def test_the_end_of_the_chain_is_noted_once_a_day_and_told(shop: Shop) -> None:
    shop.writer.start()
    shop.anchors.wait(1)
    shop.pass_time(3600.0)
    shop.pass_time(DAY_S)
    shop.anchors.wait(2)
    shop.writer.stop(PATIENCE_S)
    told = [anchor for anchor, _ in shop.anchors.told]
    assert shop.audit("anchor") == [str(anchor) for anchor in told]
    assert [at_s for _, at_s in shop.anchors.told] == [T0, T0 + 3600.0 + DAY_S]
    for anchor in told:
        assert verify(shop.path, anchor).finding is Finding.LONGER


def test_a_restart_on_the_same_day_tells_the_same_anchor_again_and_records_no_other(path: Path) -> None:
    first, second = Shop(path), None
    first.writer.start()
    first.anchors.wait(1)
    first.writer.stop(PATIENCE_S)
    second = Shop(path)
    second.clock.advance(60.0)
    second.writer.start()
    second.anchors.wait(1)
    second.writer.stop(PATIENCE_S)
    assert second.anchors.told == first.anchors.told
    assert len(second.audit("anchor")) == 1


def test_rows_are_packed_while_nobody_waits_and_old_ones_go(shop: Shop) -> None:
    shop.writer.start()
    shop.anchors.wait(1)
    shop.pass_time(3 * 3600.0)
    shop.until_rows("projection", 1)
    with SqliteLedgerReader(shop.path) as reader:
        assert len(list(reader.fill_trace(FILL))) == 99
    shop.pass_time(32 * DAY_S)
    shop.until_rows("audit WHERE action = 'pruned'", 1)
    shop.writer.stop(PATIENCE_S)
    assert shop.audit("pruned")[0].endswith("older than raw_retention_days = 30")
    assert verify(shop.path).ok


def test_nothing_is_packed_in_the_first_minutes_when_messages_of_the_last_run_come_again(shop: Shop) -> None:
    shop.clock.advance(3 * 3600.0)
    shop.writer.start()
    shop.anchors.wait(1)
    again = step(reading(50, 90, device_s=T0 + 49.5))
    record_before = 100
    for _ in range(20):
        shop.pass_time(20.0)
    shop.writer.put(again)
    shop.writer.stop(PATIENCE_S)
    with sqlite3.connect(shop.path) as connection:
        assert connection.execute("SELECT count(*) FROM chunk").fetchone() == (0,)
        assert connection.execute("SELECT count(*) FROM reading").fetchone()[0] > record_before


def test_fills_and_alarms_carry_the_clock_s_status_and_a_change_of_it_is_a_row(tmp_path: Path) -> None:
    statuses = [ClockStatus(synchronised=True, off_at_most_s=0.02), ClockStatus(synchronised=False)]
    path = tmp_path / "ledger.sqlite3"
    shop = Shop(path, clock_status=lambda: statuses.pop(0) if len(statuses) > 1 else statuses[0])
    shop.writer.start()
    shop.anchors.wait(1)
    shop.writer.put(step(reading(0, 40), started()))
    shop.pass_time(700.0)
    shop.until_rows("audit WHERE action = 'clock'", 2)
    shop.writer.put(step(tick(701), ended(701)))
    shop.writer.stop(PATIENCE_S)
    assert shop.audit("clock") == [
        "the machine's clock is synchronised",
        "the machine's clock is NOT synchronised: times in the record may be off",
    ]
    with sqlite3.connect(path) as connection:
        (start,) = connection.execute("SELECT body -> 'clock' FROM opened").fetchone()
        (end,) = connection.execute("SELECT body -> 'clock' FROM fill").fetchone()
    assert json.loads(start) == {"synchronised": True, "off_at_most_s": 0.02, "utc_s": T0}
    assert json.loads(end)["synchronised"] is False


def test_an_alarm_s_commit_comes_before_any_housekeeping(shop: Shop) -> None:
    shop.disk.breaks()
    shop.writer.put(step(reading(200, 0)))
    shop.writer.start()
    shop.disk.broken = None
    shop.anchors.wait(1)
    shop.writer.stop(PATIENCE_S)
    with SqliteLedgerReader(shop.path) as reader:
        assert reader.readings_after(100, 5)[0].utc_s == T0 + 200


def test_a_failing_turn_is_told_and_tried_again_later(path: Path) -> None:
    shop = Shop(path)
    shop.disk.breaks()
    shop.writer.start()
    shop.pass_time(1.0)
    shop.disk.broken = None
    for _ in range(10):
        shop.pass_time(400.0)
    shop.anchors.wait(1)
    shop.writer.stop(PATIENCE_S)
    assert len(shop.anchors.told) == 1
    assert len(shop.audit("anchor")) == 1
