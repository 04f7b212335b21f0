"""The hash chain: every way in which a ledger can be tampered with has its name and its row."""

# ruff: noqa: S608 - the statements name our own tables

import hashlib
import shutil
import sqlite3
import tracemalloc
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import pytest

from fillguard.core.errors import LedgerError
from fillguard.ledger import store
from fillguard.ledger.chain import Anchor, Finding, anchor_of_head, genesis, leaf, next_head, verify
from fillguard.ledger.chunks import Pruner
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.schema import RECORD_TABLES
from tests.ledger_facts import (
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


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Anchor]:
    """A ledger of some twenty rows, and the anchor that was noted in its middle."""
    path = tmp_path_factory.mktemp("chain") / "ledger.sqlite3"
    change = alarm(3)
    record(
        path, step(reading(0, 40), started()), step(reading(1, 41), projected(1, 41), change, owed=(notice(change),))
    )
    middle = writer(path)
    middle.stop(10.0)
    record(path, step(tick(4), alarm(4, 2), alarm(5, 3), alarm(6, 4)), step(tick(9), ended(9)))
    return path, middle.anchor


@pytest.fixture
def path(full: tuple[Path, Anchor], tmp_path: Path) -> Path:
    return Path(shutil.copy(full[0], tmp_path / "ledger.sqlite3"))


@pytest.fixture
def anchor(full: tuple[Path, Anchor]) -> Anchor:
    return full[1]


def forge(path: Path, statements: Iterable[str]) -> None:
    """What somebody does who can write the file: guards are only triggers, and triggers can be dropped."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")  # to be quick
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        for statement in statements:
            assert connection.execute(statement).rowcount != 0, f"{statement} must change something"


def last_row(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT max(seq) FROM journal").fetchone()[0])


def alarm_row(path: Path, number: int) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("SELECT id FROM alarm WHERE number = ?", (number,)).fetchone()[0])


def rewrite(path: Path) -> None:
    """Change a row and compute all hashes anew: a bare chain cannot show it."""
    forge(path, ["UPDATE alarm SET body = replace(body, 'op-1', 'op-2')"])
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        (identity,) = connection.execute("SELECT body FROM identity").fetchone()
        head = genesis(identity)
        for number, kind in connection.execute("SELECT seq, kind FROM journal ORDER BY seq").fetchall():
            (body,) = connection.execute(f"SELECT body FROM {kind} WHERE id = ?", (number,)).fetchone()
            row_leaf = leaf(kind, number, body)
            head = next_head(head, row_leaf)
            connection.execute("UPDATE journal SET leaf = ?, head = ? WHERE seq = ?", (row_leaf, head, number))


def test_an_untouched_ledger_is_intact(path: Path) -> None:
    verdict = verify(path)
    assert (verdict.finding, verdict.rows, verdict.ok) == (Finding.INTACT, last_row(path), True)
    assert verify(path, verdict.end).finding is Finding.INTACT


def test_a_ledger_that_went_on_since_its_anchor_was_noted_is_longer(path: Path, anchor: Anchor) -> None:
    verdict = verify(path, anchor)
    assert (verdict.finding, verdict.ok) == (Finding.LONGER, True)
    assert verdict.detail == f"{last_row(path) - anchor.row} rows since the anchor"


def test_a_new_ledger_has_the_anchor_of_its_own_name(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        (identity,) = connection.execute("SELECT body FROM identity").fetchone()
    start = Anchor(row=0, head=genesis(identity).hex())
    assert verify(path, start).finding is Finding.LONGER
    assert verify(path, Anchor(row=0, head="00" * 32)).finding is Finding.MISMATCH


@pytest.mark.parametrize(
    ("statements", "says"),
    [
        (["UPDATE alarm SET body = replace(body, 'op-1', 'op-2') WHERE number = 2"], "is not what was recorded"),
        (["DELETE FROM alarm WHERE number = 2"], "was taken away"),
        (
            ["DELETE FROM journal WHERE seq = (SELECT id FROM alarm WHERE number = 2)"],
            "is missing",
        ),
        (
            [
                "DELETE FROM journal WHERE seq = (SELECT id FROM alarm WHERE number = 2)",
                "DELETE FROM alarm WHERE number = 2",
            ],
            "is missing",
        ),
        (
            ["UPDATE journal SET leaf = zeroblob(32) WHERE seq = (SELECT id FROM alarm WHERE number = 2)"],
            "does not follow from the one before",
        ),
        (
            ["UPDATE journal SET head = zeroblob(32) WHERE seq = (SELECT id FROM alarm WHERE number = 2)"],
            "does not follow from the one before",
        ),
        (
            ["UPDATE journal SET kind = 'event' WHERE seq = (SELECT id FROM alarm WHERE number = 2)"],
            "is not what was recorded",
        ),
        (
            [
                "INSERT INTO event (id, body) SELECT id, body FROM alarm WHERE number = 2",
                "DELETE FROM alarm WHERE number = 2",
            ],
            "is not what was recorded",
        ),
    ],
)
def test_a_row_that_was_touched_is_named(path: Path, statements: list[str], says: str) -> None:
    touched = alarm_row(path, 2)
    forge(path, statements)
    verdict = verify(path)
    assert (verdict.finding, verdict.row, verdict.ok) == (Finding.BROKEN, touched, False)
    assert says in verdict.detail
    assert verdict.rows == touched - 1, "everything before it still fits"


def test_two_rows_that_changed_places_are_found(path: Path) -> None:
    first, second = alarm_row(path, 2), alarm_row(path, 3)
    forge(
        path,
        [
            f"UPDATE alarm SET id = 9999 WHERE id = {first}",
            f"UPDATE alarm SET id = {first} WHERE id = {second}",
            f"UPDATE alarm SET id = {second} WHERE id = 9999",
        ],
    )
    assert (verify(path).finding, verify(path).row) == (Finding.BROKEN, first)


@pytest.mark.parametrize(("number", "expected"), [("0", 1), ("9999", None)])
def test_a_row_that_was_slipped_in_is_found(path: Path, number: str, expected: int | None) -> None:
    forge(path, [f"INSERT INTO audit (id, body) VALUES ({number}, '{{}}')"])
    verdict = verify(path)
    assert verdict.finding is Finding.BROKEN
    assert "is recorded but not in the journal" in verdict.detail
    assert verdict.row == (0 if expected == 1 else last_row(path) + 1)


def test_rows_taken_away_at_the_end_are_found_by_the_anchor(path: Path) -> None:
    noted = verify(path).end
    end = alarm_row(path, 3)
    forge(
        path,
        [
            f"DELETE FROM journal WHERE seq > {end}",
            *(f"DELETE FROM {table} WHERE id > {end}" for table in ("alarm", "fill")),
        ],
    )
    assert verify(path).finding is Finding.INTACT, "a bare chain cannot show it"
    verdict = verify(path, noted)
    assert (verdict.finding, verdict.row, verdict.ok) == (Finding.TRUNCATED, end + 1, False)


def test_a_rewrite_with_new_hashes_is_found_by_the_anchor(path: Path, anchor: Anchor) -> None:
    rewrite(path)
    assert verify(path).finding is Finding.INTACT, "a bare chain cannot show it"
    verdict = verify(path, anchor)
    assert (verdict.finding, verdict.row, verdict.ok) == (Finding.MISMATCH, anchor.row, False)


def test_another_ledger_is_not_the_one_the_anchor_was_taken_from(tmp_path: Path, anchor: Anchor) -> None:
    other = tmp_path / "other.sqlite3"
    record(other, *(step(tick(second), alarm(second, second)) for second in range(anchor.row)))
    assert verify(other, anchor).finding is Finding.MISMATCH


def test_a_forged_name_of_the_ledger_breaks_the_chain_at_its_first_row(path: Path) -> None:
    forge(path, ["UPDATE identity SET body = replace(body, 'tern', 'gull')"])
    assert (verify(path).finding, verify(path).row) == (Finding.BROKEN, 1)


def test_the_hashes_are_the_published_ones_over_the_published_bytes(path: Path) -> None:
    """Anybody can check a ledger without fillguard: this is the whole recipe."""
    with closing(sqlite3.connect(path)) as connection:
        (identity,) = connection.execute("SELECT body FROM identity").fetchone()
        head = hashlib.sha256(b"fillguard/genesis/1\0" + identity.encode()).digest()
        for number, kind, _, recorded in connection.execute("SELECT * FROM journal ORDER BY seq").fetchall():
            (body,) = connection.execute(f"SELECT body FROM {kind} WHERE id = ?", (number,)).fetchone()
            row_leaf = hashlib.sha256(f"fillguard/leaf/1\0{kind}\0{number}\0{body}".encode()).digest()
            head = hashlib.sha256(b"fillguard/head/1\0" + head + row_leaf).digest()
            assert head == recorded


def test_every_recorded_row_is_in_the_chain(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        rows = sum(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in RECORD_TABLES)
        assert rows == last_row(path)


def test_an_anchor_is_written_down_and_read_back() -> None:
    anchor = Anchor(row=12, head="ab" * 32)
    assert Anchor.parse(f" {anchor}\n") == anchor
    assert Anchor.parse(str(anchor).upper()) == anchor


@pytest.mark.parametrize("text", ["", "12", "12:", "x:" + "ab" * 32, "12:" + "zz" * 32, "12:abcd", "-1:" + "ab" * 32])
def test_what_is_no_anchor_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(LedgerError, match="write ROW:HEAD"):
        Anchor.parse(text)


def test_several_anchors_are_all_held_against_the_chain(path: Path, anchor: Anchor) -> None:
    end = verify(path).end
    assert verify(path, anchor, end).finding is Finding.INTACT
    assert verify(path, anchor).finding is Finding.LONGER
    assert verify(path, Anchor(row=2, head="ab" * 32), end).row == 2
    assert verify(path, end, Anchor(row=end.row + 5, head="ab" * 32)).finding is Finding.TRUNCATED


def test_anchors_are_found_in_whatever_they_were_noted_in(anchor: Anchor) -> None:
    other = Anchor(row=7, head="cd" * 32)
    text = f'2026-11-24 {{"v": 1, "anchor": "{anchor}"}}\nnot 12:abcd\nTern Harbour, chain ends at {other}.\n'
    assert Anchor.all_in(text) == (anchor, other)


def test_a_head_without_its_row_is_looked_up(path: Path, anchor: Anchor) -> None:
    assert anchor_of_head(path, anchor.head.upper()) == anchor
    assert anchor_of_head(path, "ab" * 32) is None


# --- packed measurements ---------------------------------------------------------------------------------------------


@pytest.fixture
def packed(path: Path) -> Path:
    with closing(store.connect(path)) as connection:
        pack_all(connection)
    return path


def test_packed_readings_are_proved_and_live_ones_are_said_not_to_be(packed: Path) -> None:
    verdict = verify(packed)
    assert verdict.finding is Finding.INTACT
    assert verdict.contents is not None
    assert (verdict.contents.chunks, verdict.contents.packed_rows, verdict.contents.live_rows) == (1, 1, 2)


def test_pruned_readings_are_no_break_but_are_told(packed: Path) -> None:
    with closing(store.connect(packed)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        pruner, recorder = Pruner(after_s=1.0), Recorder(connection)
        assert pruner.turn(connection, recorder, at(90_000))
        connection.execute("COMMIT")
    verdict = verify(packed)
    assert verdict.finding is Finding.INTACT
    assert verdict.contents is not None
    assert (verdict.contents.pruned_chunks, verdict.contents.pruned_rows, verdict.contents.packed_rows) == (1, 1, 0)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("UPDATE chunk_data SET data = zeroblob(20)", "are not what was recorded"),
        ("DELETE FROM chunk_data", "no row says by which policy"),
        ("INSERT INTO chunk_data SELECT 9999, data FROM chunk_data", "it has content and no record"),
    ],
)
def test_tampered_packed_readings_are_named(packed: Path, statement: str, says: str) -> None:
    forge(packed, [statement])
    verdict = verify(packed)
    assert (verdict.finding, verdict.ok) == (Finding.BROKEN, False)
    assert says in verdict.detail
    assert f"chunk {verdict.row}:" in verdict.detail


def test_progress_is_told(tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    path = tmp_path / "long.sqlite3"
    record(
        path, *(step(tick(number), *(alarm(number, 20 * number + each) for each in range(20))) for number in range(251))
    )
    verify(path, progress=lambda done, total: told.append((done, total)))
    assert told == [(5000, last_row(path))]


def test_a_damaged_file_is_no_verdict_but_an_error(path: Path) -> None:
    with path.open("r+b") as file:
        for page in range(3, path.stat().st_size // 4096):
            file.seek(page * 4096)
            file.write(b"\x5a" * 64)
    with pytest.raises(LedgerError, match="restore the last good backup"):
        verify(path)


def test_memory_does_not_grow_with_the_ledger(tmp_path: Path) -> None:
    def peak(path: Path) -> int:
        tracemalloc.start()
        assert verify(path).ok
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return most

    small, large = tmp_path / "small.sqlite3", tmp_path / "large.sqlite3"
    record(small, step(tick(0), *(alarm(number, number) for number in range(20))))
    record(large, step(tick(0), *(alarm(number, number) for number in range(2000))))
    assert peak(large) < peak(small) + 200_000
