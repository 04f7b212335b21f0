"""A ledger of every earlier schema is brought forward whole: what it held is read, proved, packed and added to."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from fillguard.core.errors import LedgerError
from fillguard.ledger import store
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.schema import MIGRATIONS, version_of
from tests.ledger_facts import (
    FILL,
    OWNER,
    T0,
    alarm,
    ended,
    notice,
    pack_all,
    projected,
    reading,
    record,
    started,
    step,
    tick,
)

EARLIER = [migration.version for migration in MIGRATIONS[:-1]]


def made(path: Path, version: int) -> Path:
    """A small ledger of an earlier schema, made by that schema's own scripts."""
    assert len(store.prepare(path, OWNER, 7000, MIGRATIONS[:version])) == version
    change = alarm(30)
    with closing(store.connect(path)) as connection:
        recorder = Recorder(connection)
        connection.execute("BEGIN IMMEDIATE")
        recorder.record(step(reading(0, 40), started()))
        for second in range(1, 60):
            recorder.record(step(reading(second, 40 + second), projected(second, 40 + second)))
        recorder.record(step(tick(30), change, owed=(notice(change),)))
        recorder.record(step(tick(61), ended(61)))
        connection.execute("COMMIT")
        assert version_of(connection) == version
    return path


def test_the_steps_are_numbered_without_a_gap() -> None:
    assert [migration.version for migration in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))


@pytest.mark.parametrize("version", EARLIER)
def test_an_earlier_ledger_is_brought_forward_and_loses_nothing(tmp_path: Path, version: int) -> None:
    path = made(tmp_path / "ledger.sqlite3", version)
    with closing(sqlite3.connect(path)) as connection:
        before = connection.execute("SELECT * FROM journal ORDER BY seq").fetchall()
        readings = connection.execute("SELECT id, sample_ms, value FROM reading ORDER BY id").fetchall()
    record(path, step(reading(100, 12)))
    assert verify(path).finding is Finding.INTACT
    with closing(sqlite3.connect(path)) as connection:
        assert version_of(connection) == len(MIGRATIONS)
        assert connection.execute("SELECT * FROM journal ORDER BY seq LIMIT ?", (len(before),)).fetchall() == before
        assert connection.execute("SELECT id, sample_ms, value FROM reading LIMIT ?", (len(readings),)).fetchall() == (
            readings
        )
    with SqliteLedgerReader(path) as reader:
        assert reader.fill(FILL) is not None
        assert len(list(reader.fill_trace(FILL))) == 59
        assert [item.occurrence for item in reader.due_notices("shop-phone", T0 + 3600, 9)] == [alarm(30).occurrence]
        steps = [row.body["detail"] for row in reader.iter_record("audit") if row.body["action"] == "ledger-schema"]
    assert len(steps) == len(MIGRATIONS) - version
    with closing(store.connect(path)) as connection:
        pack_all(connection)
    assert verify(path).ok
    with SqliteLedgerReader(path) as reader:
        assert len(list(reader.fill_trace(FILL))) == 59


@pytest.mark.parametrize("version", EARLIER)
def test_an_earlier_ledger_ends_with_the_tables_and_guards_of_a_new_one(tmp_path: Path, version: int) -> None:
    path, new = made(tmp_path / "ledger.sqlite3", version), tmp_path / "new.sqlite3"
    record(path)
    record(new)
    assert objects(path) == objects(new)


def objects(path: Path) -> set[tuple[str, str, str | None]]:
    with closing(sqlite3.connect(path)) as connection:
        return set(connection.execute("SELECT type, name, sql FROM sqlite_master"))


@pytest.mark.parametrize("version", EARLIER)
def test_an_earlier_ledger_is_not_read_before_it_was_brought_forward(tmp_path: Path, version: int) -> None:
    path = made(tmp_path / "ledger.sqlite3", version)
    with pytest.raises(
        LedgerError, match=f"has schema {version}, this version reads {len(MIGRATIONS)}: start fillguard"
    ):
        SqliteLedgerReader(path)
