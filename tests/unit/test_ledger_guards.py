"""The ledger's file: what is recorded stays, what is not a sound ledger is refused, one process writes."""

# ruff: noqa: S608 - the statements name our own tables

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from fillguard.core.errors import LedgerError
from fillguard.core.events import PresenceChanged
from fillguard.ledger import schema, store
from fillguard.ledger.lock import LedgerLock, LedgerLocked
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.register import add_to_register
from fillguard.ledger.schema import (
    LIVE_TABLES,
    MIGRATIONS,
    PACKED_TABLES,
    RECORD_TABLES,
    WORK_TABLES,
    Migration,
    migrate,
)
from fillguard.ports import Attempt, ConfigInForce, CylinderRecorded
from tests.ledger_facts import (
    OWNER,
    T0,
    alarm,
    at,
    ended,
    notice,
    pack_all,
    projected,
    reading,
    record,
    started,
    step,
    tick,
    writer,
)

NOW = MIGRATIONS[-1].version
GUARDED = ("schema_version", "identity", "journal", *RECORD_TABLES, *LIVE_TABLES, *PACKED_TABLES)


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger with at least one row in every guarded table."""
    path = tmp_path_factory.mktemp("full") / "ledger.sqlite3"
    change = alarm(3)
    made = writer(path)
    made.put_config(ConfigInForce(at=at(0), config_hash="c0ffee", text="[station]", who="op-1", why="first start"))
    made.put(step(reading(0, 40, seq=1, boot="b1"), started()))
    made.put(step(reading(1, 41, seq=2, boot="b1"), projected(1, 41)))
    made.put(step(reading(2, 42, device_s=T0 + 2)))
    made.put(step(tick(3), change, owed=(notice(change),)))
    made.put(step(tick(4), ended(4)))
    made.put(step(PresenceChanged(stamp=at(4), whip="1", online=True), ended(4, fill_id="another")))
    made.put_attempt(
        Attempt(
            outbox_id=1, channel="shop-phone", occurrence=change.occurrence, kind="raise", repeat=0, started_utc_s=T0
        )
    )
    assert made.stop(10.0) == 0
    cylinder = CylinderRecorded(
        at=at(5), by="op-1", why="bought", key="TH-0042", serial="TH-0042", columns={"serial": "TH-0042"}
    )
    add_to_register(path, OWNER.station, at(5), [cylinder])
    with closing(store.connect(path)) as connection:
        pack_all(connection, "reading")
    record(path, step(reading(9, 40, seq=7, boot="b1")), step(reading(10, 42, device_s=T0 + 10)))
    return path


@pytest.fixture
def ledger(full: Path, tmp_path: Path) -> Path:
    """A copy of the full ledger, to do anything to."""
    return Path(shutil.copy(full, tmp_path / full.name))


def any_connection(path: Path) -> sqlite3.Connection:
    """As careless as any other program would open it: no pragma set."""
    return sqlite3.connect(path, isolation_level=None)


@pytest.mark.parametrize("table", GUARDED)
def test_no_recorded_row_can_be_changed(ledger: Path, table: str) -> None:
    with closing(any_connection(ledger)) as connection:
        (column,) = {
            "schema_version": ("name",),
            "journal": ("kind",),
            **dict.fromkeys(LIVE_TABLES, ("sample_ms",)),
            "chunk_data": ("data",),
        }.get(table, ("body",))
        with pytest.raises(sqlite3.IntegrityError, match="is a record"):
            connection.execute(f"UPDATE {table} SET {column} = {column}")


@pytest.mark.parametrize("table", GUARDED)
def test_no_recorded_row_can_be_deleted(ledger: Path, table: str) -> None:
    with closing(any_connection(ledger)) as connection:
        before = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
        assert before != (0,), "the fixture must fill every table"
        with pytest.raises(sqlite3.IntegrityError, match="is a record"):
            connection.execute(f"DELETE FROM {table}")
        assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == before


@pytest.mark.parametrize("recursive", ["ON", "OFF"])
@pytest.mark.parametrize("table", GUARDED)
def test_replace_does_not_slip_past_the_guards(ledger: Path, table: str, recursive: str) -> None:
    with closing(any_connection(ledger)) as connection:
        connection.execute(f"PRAGMA recursive_triggers = {recursive}")
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        with pytest.raises(sqlite3.IntegrityError, match="recorded already"):
            connection.execute(
                f"INSERT OR REPLACE INTO {table} ({', '.join(columns)}) SELECT {', '.join(columns)} FROM {table}"
            )


@pytest.mark.parametrize(
    ("table", "body"),
    [
        ("fill", '{"summary": {"fill_id": "another", "readings": 0}}'),
        ("opened", '{"fill_id": "tern-1-20261124T220945Z"}'),
        ("boot", '{"name": "b1"}'),
        ("source", '{"topic": "fill/tern/1/pressure", "whip": "1", "quantity": "pressure"}'),
        (
            "chunk",
            '{"stream": "reading", "owner": 0, "first_row": 1, "last_row": 9, "first_ms": 1, "last_ms": 2}',
        ),
    ],
)
def test_replace_under_a_new_number_does_not_take_away_the_old_row(ledger: Path, table: str, body: str) -> None:
    with closing(any_connection(ledger)) as connection:
        (owner,) = connection.execute("SELECT owner FROM chunk").fetchone()
        body = body.replace('"owner": 0', f'"owner": {owner}')
        with pytest.raises(sqlite3.IntegrityError, match="recorded already"):
            connection.execute(f"INSERT OR REPLACE INTO {table} (id, body) VALUES (99999, ?)", (body,))


@pytest.mark.parametrize("key", ["device_ms", "seq"])
def test_a_reading_cannot_be_replaced_through_what_identifies_it(ledger: Path, key: str) -> None:
    copied = "sample_ms, delay_ms, source, value, quality, seq, boot, device_ms"
    with closing(any_connection(ledger)) as connection, pytest.raises(sqlite3.IntegrityError, match="recorded already"):
        connection.execute(
            f"INSERT OR REPLACE INTO reading ({copied}) SELECT {copied} FROM reading WHERE {key} IS NOT NULL LIMIT 1"
        )


def test_every_table_has_its_kind(ledger: Path) -> None:
    with closing(any_connection(ledger)) as connection:
        tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables == {*GUARDED, *WORK_TABLES}


def test_a_writing_connection_loses_nothing_in_a_power_cut(ledger: Path) -> None:
    with closing(store.connect(ledger)) as connection:
        pragmas = {
            name: connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "recursive_triggers", "busy_timeout")
        }
    assert pragmas == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "recursive_triggers": 1,
        "busy_timeout": 5000,
    }


def test_a_reader_cannot_write(ledger: Path) -> None:
    with SqliteLedgerReader(ledger) as reader, pytest.raises(sqlite3.OperationalError, match="readonly"):
        reader._connection.execute("DELETE FROM cursor")


# --- opening ---------------------------------------------------------------------------------------------------------


def damage_middle(path: Path) -> None:
    with path.open("r+b") as file:
        for page in range(3, path.stat().st_size // 4096):
            file.seek(page * 4096)
            file.write(b"\x5a" * 64)


def damage_what_is_not_read_at_the_start(path: Path) -> None:
    with closing(any_connection(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'fill_by_serial'").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\x5a" * 64)


def damage_header(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"not a ledger at all")


def empty(path: Path) -> None:
    path.write_bytes(b"")


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


@pytest.mark.parametrize("damage", [damage_middle, damage_what_is_not_read_at_the_start, damage_header, empty, cut])
def test_a_damaged_ledger_is_refused_and_left_as_it_is(ledger: Path, damage: object) -> None:
    damage(ledger)
    before = ledger.read_bytes()
    with pytest.raises(LedgerError, match="copy the last good backup"):
        writer(ledger)
    assert ledger.read_bytes() == before


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    with closing(any_connection(path)) as connection:
        connection.execute("CREATE TABLE t (x)")
    with pytest.raises(LedgerError, match="no ledger of fillguard"):
        writer(path)


def test_a_newer_schema_is_refused_with_what_to_do(ledger: Path) -> None:
    with closing(any_connection(ledger)) as connection:
        connection.execute("INSERT INTO schema_version (version, name, at_ms) VALUES (99, 'from the future', 0)")
    with pytest.raises(LedgerError, match=f"schema 99, this version knows {NOW}: it was written by a newer fillguard"):
        writer(ledger)
    with pytest.raises(LedgerError, match="newer fillguard"):
        SqliteLedgerReader(ledger)


def test_a_ledger_that_left_its_write_ahead_log_behind_is_not_started_anew(tmp_path: Path) -> None:
    (tmp_path / "ledger.sqlite3-wal").write_bytes(b"rows of a lost ledger")
    with pytest.raises(LedgerError, match="rows of a lost ledger may be in it"):
        writer(tmp_path / "ledger.sqlite3")
    assert not (tmp_path / "ledger.sqlite3").exists()


def test_a_missing_ledger_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="cannot be read"):
        SqliteLedgerReader(tmp_path / "nowhere.sqlite3")


@pytest.mark.parametrize("other", [store.Owner(station="harbour-2"), store.Owner(station="tern", drill=True)])
def test_a_ledger_serves_one_station_and_never_a_drill_as_well(ledger: Path, other: store.Owner) -> None:
    with pytest.raises(LedgerError, match=f"that of {OWNER}, asked for is {other}"):
        store.prepare(ledger, other, 0)


def test_two_new_ledgers_are_told_apart(tmp_path: Path) -> None:
    texts = set()
    for name in ("a", "b"):
        store.prepare(tmp_path / name, OWNER, 0)
        with closing(store.connect_read_only(tmp_path / name)) as connection:
            texts.add(store.identity_text(connection))
    assert len(texts) == 2


# --- schema ----------------------------------------------------------------------------------------------------------

NEXT = Migration(version=NOW + 1, name="a note", statements=("CREATE TABLE note (id INTEGER PRIMARY KEY)",))
BROKEN = Migration(version=NOW + 2, name="broken", statements=("CREATE TABLE half (x)", "CREATE TABLE note (x)"))


def test_an_older_ledger_is_brought_forward_one_step_at_a_time(ledger: Path) -> None:
    taken = store.prepare(ledger, OWNER, 7000, (*MIGRATIONS, NEXT))
    assert taken == [NEXT]
    with closing(store.connect(ledger)) as connection:
        steps = connection.execute("SELECT version, name, at_ms FROM schema_version ORDER BY version").fetchall()
        assert steps[-1] == (NOW + 1, "a note", 7000)
        assert migrate(connection, 8000, (*MIGRATIONS, NEXT)) == []


def test_a_step_that_fails_leaves_nothing_behind(ledger: Path) -> None:
    with pytest.raises(LedgerError, match="table note already exists"):
        store.prepare(ledger, OWNER, 7000, (*MIGRATIONS, NEXT, BROKEN))
    with closing(store.connect(ledger)) as connection:
        assert schema.version_of(connection) == NOW + 1
        assert connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'half'").fetchone() is None


def test_an_older_ledger_is_not_read_before_it_was_brought_forward(
    ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "MIGRATIONS", (*MIGRATIONS, NEXT))
    with pytest.raises(LedgerError, match="start fillguard once"):
        SqliteLedgerReader(ledger)


def test_a_schema_script_that_ends_in_the_middle_is_refused() -> None:
    with pytest.raises(LedgerError, match="ends within a statement"):
        list(schema.statements_of("CREATE TABLE a (x);\nCREATE TABLE"))


# --- lock ------------------------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_who_holds_the_ledger(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    first = writer(path)
    with pytest.raises(LedgerLocked, match=rf"process {os.getpid()} on .+ since 2026-11-24T22:09:45\+00:00"):
        writer(path)
    first.stop(10.0)
    writer(path).stop(10.0)


def test_a_lock_without_a_name_in_it_still_holds(tmp_path: Path) -> None:
    held = LedgerLock(tmp_path / "ledger.sqlite3", "now")
    held.path.write_text("", encoding="utf-8")
    with pytest.raises(LedgerLocked, match="has not said who it is"):
        LedgerLock(tmp_path / "ledger.sqlite3", "now")
    held.release()


def test_a_lock_ends_with_its_process_however_that_ends(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    holding = (
        "import sys, pathlib; from fillguard.ledger.lock import LedgerLock; "
        "lock = LedgerLock(pathlib.Path(sys.argv[1]), 'then'); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holding, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        with pytest.raises(LedgerLocked, match=f"process {process.pid} "):
            LedgerLock(path, "now")
        process.kill()
        process.wait()
    with LedgerLock(path, "now") as lock:
        assert str(os.getpid()) in lock.path.read_text(encoding="utf-8")


def test_a_folder_that_cannot_be_made_is_an_error_that_names_it(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(LedgerError, match="cannot be made"):
        writer(tmp_path / "file" / "ledger.sqlite3")


# --- backup ----------------------------------------------------------------------------------------------------------


def test_a_backup_of_a_ledger_in_use_is_a_whole_ledger(tmp_path: Path) -> None:
    path, target = tmp_path / "ledger.sqlite3", tmp_path / "copy.sqlite3"
    record(path, step(reading(0, 40), started()), step(tick(9), ended(9)))
    ledger = writer(path)
    size = store.backup(path, target)
    assert size == target.stat().st_size
    ledger.stop(10.0)
    with SqliteLedgerReader(path) as first, SqliteLedgerReader(target) as second:
        assert second.anchor() == first.anchor()
        assert second.fills(limit=9) == first.fills(limit=9)
        assert second.readings_after(0, 9) == first.readings_after(0, 9) != []


def test_a_backup_never_overwrites(ledger: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    target.write_text("an older backup", encoding="utf-8")
    with pytest.raises(LedgerError, match="never overwritten"):
        store.backup(ledger, target)
    assert target.read_text(encoding="utf-8") == "an older backup"


def test_a_backup_that_fails_leaves_nothing(ledger: Path, tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="failed"):
        store.backup(ledger, tmp_path / "no such folder" / "copy.sqlite3")
    damage_middle(ledger)
    with pytest.raises(LedgerError):
        store.backup(ledger, tmp_path / "copy.sqlite3")
    assert not list(tmp_path.glob("copy*"))
