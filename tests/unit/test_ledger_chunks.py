"""Packed measurements: what comes out is what went in, nothing goes before it is packed, all readers see both forms."""

# ruff: noqa: S608 - the statements name our own tables

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.bench.recordings import read_recording
from fillguard.core.errors import LedgerError
from fillguard.core.events import Doubt, FillIdentified, Quality, Quantity
from fillguard.ledger import chunks, packing, store
from fillguard.ledger.chunks import COLUMNS, Packer, Pruner, packed, unpacked
from fillguard.ledger.packing import Row, pack, same, unpack
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.stored import Wanted
from tests.ledger_facts import (
    CYLINDER,
    FILL,
    T0,
    at,
    ended,
    pack_all,
    projected,
    reading,
    record,
    started,
    step,
    tick,
)

FILLS = Path(__file__).parents[1] / "data" / "fills"
CELLS = st.one_of(
    st.none(),
    st.integers(-(2**63), 2**63 - 1),
    st.integers(-300, 300),
    st.floats(allow_nan=False),
    st.text(max_size=5),
)


@given(st.integers(1, 5).flatmap(lambda width: st.lists(st.tuples(*[CELLS] * width), min_size=1, max_size=40)))
def test_any_rows_come_out_as_they_went_in(rows: list[Row]) -> None:
    assert same(unpack(pack(rows)), rows)


@pytest.mark.parametrize(
    ("one", "other"),
    [((1,), (1.0,)), ((0.0,), (-0.0,)), ((None,), (0,)), ((1, 2), (1, 3)), (("1",), (1,))],
)
def test_rows_that_only_look_alike_are_told_apart(one: Row, other: Row) -> None:
    assert same([one], [one])
    assert not same([one], [other])


@pytest.mark.parametrize("cut", [0, 1, 10, -1])
def test_content_that_is_not_whole_is_an_error_and_no_rows(cut: int) -> None:
    content = pack([(number, 2.5, None, "a") for number in range(50)])
    with pytest.raises(LedgerError, match="verify the ledger"):
        unpack(content[:cut])


# --- a ledger in which everything happened that matters to packing --------------------------------------------------


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Two whips and an ambient sensor, one fill among them, a late reading, a value off the grid, doubts."""
    path = tmp_path / "ledger.sqlite3"
    found = FillIdentified(
        stamp=at(120),
        fill_id=FILL,
        whip="1",
        serial="TH-0007",
        operator="op-1",
        cylinder=replace(CYLINDER, serial="TH-0007"),
        limit_gauge_pa=206.84e5,
        reference_k=294.25,
        target_gauge_pa=206.84e5,
    )
    records = [step(reading(second, 40 + second / 100, seq=second, boot="b1")) for second in range(100)]
    records.append(step(reading(100, 41), started(100, serial=None)))
    for second in range(101, 300):
        device = {"device_s": T0 + second - 1.5}
        facts = (projected(second, 40 + second / 3),)
        records.append(step(reading(second, 40 + second / 3, **device), *facts))
        records.append(step(reading(second + 0.4, 12, whip="2")))
        if second == 120:
            records.append(step(tick(120), found))
        if second % 10 == 0:
            air = {"whip": None, "quantity": Quantity.AMBIENT, "source": "fill/tern/ambient"}
            records.append(step(reading(second + 0.1, 0, value=293.15 + second / 100, **air)))
    records.append(step(reading(301, 0, value=12_345_678.9, quality=Quality.BAD, doubt=Doubt.IMPLAUSIBLE_JUMP)))
    records.append(step(tick(400), ended(400, started_s=T0 + 100)))
    records.append(step(reading(410, 70, sample_s=T0 + 250.5, quality=Quality.UNCERTAIN, doubt=Doubt.LATE)))
    records.append(step(reading(420, 0)))
    records.append(step(reading(430, 0)))
    record(path, *records)
    return path


def count(path: Path, table: str) -> int:
    with closing(store.connect_read_only(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def packed_whole(path: Path, **options: float) -> None:
    with closing(store.connect(path)) as connection:
        pack_all(connection, **options)


EVERY_QUESTION: list[tuple[str, Callable[[SqliteLedgerReader], object]]] = [
    ("all readings", lambda reader: list(reader.iter_readings())),
    ("of a whip", lambda reader: list(reader.iter_readings(Filter(whip="2")))),
    ("of a time", lambda reader: list(reader.iter_readings(Filter(since_s=T0 + 90, until_s=T0 + 200.25)))),
    ("a page in the middle", lambda reader: reader.readings_after(57, 100)),
    ("pages one after the other", lambda reader: [reader.readings_after(row, 7) for row in range(0, 500, 7)]),
    ("the trace of a fill", lambda reader: list(reader.fill_trace(FILL))),
    ("no trace", lambda reader: list(reader.fill_trace("unknown"))),
    ("projections of a fill", lambda reader: list(reader.fill_projections(FILL))),
    ("a page of projections", lambda reader: reader.projections_after(20, 50)),
    ("how many", lambda reader: reader.count("reading")),
    ("how many of a whip", lambda reader: reader.count("reading", Filter(whip="2"))),
    ("the newest rows", lambda reader: [reader.newest_row(stream) for stream in ("reading", "projection")]),
]


@pytest.mark.parametrize("ask", [pytest.param(ask, id=name) for name, ask in EVERY_QUESTION])
def test_every_question_has_the_same_answer_before_and_after_packing(
    path: Path, ask: Callable[[SqliteLedgerReader], object]
) -> None:
    with SqliteLedgerReader(path) as reader:
        before = ask(reader)
    packed_whole(path)
    assert (count(path, "reading"), count(path, "projection")) == (1, 1)
    with SqliteLedgerReader(path) as reader:
        assert ask(reader) == before


def test_a_reader_that_began_before_rows_were_packed_ends_as_it_began(path: Path) -> None:
    with SqliteLedgerReader(path) as reader:
        whole = list(reader.iter_readings())
        begun = reader.iter_readings()
        first = [next(begun) for _ in range(150)]
        packed_whole(path)
        assert [*first, *begun] == whole


def test_numbers_go_on_after_everything_was_packed(path: Path) -> None:
    before = count(path, "reading")
    packed_whole(path)
    record(path, step(reading(500, 50)))
    with SqliteLedgerReader(path) as reader:
        assert [row.row for row in reader.readings_after(before, 10)] == [before + 1]


def test_what_came_within_two_hours_stays_so_that_a_message_that_comes_again_finds_it(path: Path) -> None:
    before = count(path, "reading")
    packed_whole(path, days=(chunks.PACKED_AFTER_S - 10.0) / 86_400.0)
    assert count(path, "reading") == before
    record(path, step(reading(110, 40 + 110 / 3, device_s=T0 + 108.5)))
    assert count(path, "reading") == before


def test_rows_of_an_open_fill_and_what_came_shortly_before_stay(tmp_path: Path) -> None:
    path = tmp_path / "open.sqlite3"
    record(
        path,
        *(step(reading(second, 40)) for second in range(-9000, -8000, 5)),
        step(reading(-100, 40)),
        step(reading(0, 40), started()),
        *(step(reading(second, 40 + second)) for second in range(1, 50)),
    )
    packed_whole(path)
    with closing(store.connect_read_only(path)) as connection:
        assert connection.execute("SELECT count(*), min(id) FROM reading").fetchone() == (51, 201)


def test_a_few_rows_outside_fills_wait_for_company_but_not_longer_than_a_day(tmp_path: Path) -> None:
    path = tmp_path / "few.sqlite3"
    record(path, *(step(reading(second, 0)) for second in range(20)))
    packed_whole(path, days=0.9)
    assert count(path, "chunk") == 0
    packed_whole(path, days=1.1)
    assert (count(path, "chunk"), count(path, "reading")) == (1, 1)


def test_one_turn_packs_at_most_about_a_thousand_rows(tmp_path: Path) -> None:
    path = tmp_path / "many.sqlite3"
    record(path, *(step(reading(second, 10)) for second in range(5000)))
    with closing(store.connect(path)) as connection:
        assert pack_all(connection, "reading") >= 5
        most = connection.execute("SELECT max(body ->> 'rows') FROM chunk").fetchone()[0]
    assert most <= 1024


def test_what_does_not_come_back_as_it_went_in_stays_and_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packing, "same", lambda _ours, _theirs: False)
    before = count(path, "reading")
    with closing(store.connect(path)) as connection:
        packer, recorder = Packer("reading"), Recorder(connection)
        connection.execute("BEGIN IMMEDIATE")
        while packer.turn(connection, recorder, at(200_000)):
            pass
        connection.execute("COMMIT")
    assert (count(path, "reading"), count(path, "chunk")) == (before, 0)
    with SqliteLedgerReader(path) as reader:
        told = [row.body["action"] for row in reader.iter_record("audit")]
    assert told.count("packing-refused") >= 3


# --- the guards ------------------------------------------------------------------------------------------------------


def test_no_live_row_goes_before_a_chunk_holds_it(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        with pytest.raises(sqlite3.IntegrityError, match="is a record"):
            connection.execute("DELETE FROM reading WHERE id = 50")
        rows = connection.execute(f"SELECT {', '.join(COLUMNS['reading'])} FROM reading WHERE id < 50").fetchall()
        connection.execute("BEGIN")
        body = {"stream": "reading", "owner": rows[0][3], "first_row": 1, "last_row": 49, "first_ms": 0, "last_ms": 0}
        Recorder(connection).add_chunk(body | {"sha256": "00"}, packed("reading", rows))
        connection.execute("DELETE FROM reading WHERE id < 50")
        with pytest.raises(sqlite3.IntegrityError, match="is a record"):
            connection.execute("DELETE FROM reading WHERE id = 50")


def test_the_newest_row_never_goes(path: Path) -> None:
    packed_whole(path)
    with (
        closing(sqlite3.connect(path, isolation_level=None)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="is a record"),
    ):
        connection.execute("DELETE FROM reading")


def test_a_chunk_s_content_goes_only_when_it_is_recorded_as_pruned_by_its_own_hash(path: Path) -> None:
    packed_whole(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        number, sha256 = connection.execute("SELECT id, body ->> 'sha256' FROM chunk LIMIT 1").fetchone()
        wrong = '{"action": "pruned", "subject": "chunk %d", "data": {"sha256": "%s"}}'
        connection.execute("INSERT INTO audit (id, body) VALUES (90001, ?)", (wrong % (number, "00" * 32),))
        with pytest.raises(sqlite3.IntegrityError, match="is a record"):
            connection.execute("DELETE FROM chunk_data WHERE chunk = ?", (number,))
        connection.execute("INSERT INTO audit (id, body) VALUES (90002, ?)", (wrong % (number, sha256),))
        assert connection.execute("DELETE FROM chunk_data WHERE chunk = ?", (number,)).rowcount == 1


# --- pruning ---------------------------------------------------------------------------------------------------------


def pruned(path: Path, now_days: float, after_days: float, mirror: str | None = None) -> int:
    """Let the pruner do all that it may; returns how many chunks went."""
    before = count(path, "chunk_data")
    with closing(store.connect(path)) as connection:
        pruner, recorder = Pruner(after_s=after_days * 86_400.0, mirror=mirror), Recorder(connection)
        connection.execute("BEGIN IMMEDIATE")
        while pruner.turn(connection, recorder, at(now_days * 86_400.0)):
            pass
        connection.execute("COMMIT")
    return before - count(path, "chunk_data")


def test_old_raw_readings_go_with_a_row_in_the_audit_trail_each_and_nothing_else_does(path: Path) -> None:
    packed_whole(path)
    with SqliteLedgerReader(path) as reader:
        projections, fills = list(reader.fill_projections(FILL)), reader.fills(limit=9)
    assert pruned(path, now_days=29.0, after_days=30.0) == 0
    gone = pruned(path, now_days=31.0, after_days=30.0)
    assert gone == count(path, "chunk") - 1 > 1, "all but the chunk of projections"
    with SqliteLedgerReader(path) as reader:
        told = [row.body for row in reader.iter_record("audit") if row.body["action"] == "pruned"]
        assert len(told) == gone
        assert told[0]["data"]["policy"] == "raw_retention_days = 30"
        assert sum(each["data"]["rows"] for each in told) == reader.newest_row("reading") - 1
        assert list(reader.fill_projections(FILL)) == projections
        assert reader.fills(limit=9) == fills
        assert len(list(reader.iter_readings())) == 1


def test_what_the_mirror_has_not_got_stays(path: Path) -> None:
    packed_whole(path)
    with closing(store.connect(path)) as connection:
        (first,) = connection.execute("SELECT min(last_row) FROM chunk WHERE stream = 'reading'").fetchone()
    assert pruned(path, now_days=31.0, after_days=30.0, mirror="influx/reading") == 0
    with closing(store.connect(path)) as connection:
        Recorder(connection).move_cursor("influx/reading", first)
    assert pruned(path, now_days=31.0, after_days=30.0, mirror="influx/reading") == 1


def test_packed_device_times_are_exact(path: Path) -> None:
    columns = ", ".join(COLUMNS["reading"])
    with closing(store.connect(path)) as connection:
        rows = connection.execute(f"SELECT {columns} FROM reading ORDER BY id").fetchall()
    assert any(row[11] is not None for row in rows)
    assert same(unpacked("reading", packed("reading", rows)), rows)


def test_a_trace_finds_its_chunks_by_an_index_however_many_there_are(path: Path) -> None:
    wanted = Wanted(owners=[1, 2], since_ms=5, before_ms=10)
    where, values = wanted.conditions(owner="owner", row="last_row", oldest="first_ms", newest="last_ms")
    with closing(store.connect_read_only(path)) as connection:
        plan = connection.execute(
            f"EXPLAIN QUERY PLAN SELECT id FROM chunk WHERE stream = 'reading' AND {where}", values
        )
        steps = [str(row[3]) for row in plan]
    assert "chunk_by_time (stream=? AND owner=? AND last_ms>?)" in steps[0]


def test_recorded_fills_take_less_than_three_bytes_a_reading() -> None:
    """Three megabytes a million is what we set ourselves; these sampling times jitter and these gauges are noisy."""
    beside = 450  # bytes of a chunk's own record: body, row of the journal, indexes
    taken = readings = 0
    for path in sorted(FILLS.glob("fill_*.json"))[:5]:
        fill = [row for row in read_recording(path).rows if row[1] == "P"][:1000]
        rows: list[Row] = [
            (3 * number + 1, round(1000 * at_s), 12, 4, round(1000 * bar), 0, None, None, None, number, 9, None, 33)
            for number, (at_s, _, bar) in enumerate(fill)
        ]
        taken += len(packed("reading", rows)) + beside
        readings += len(rows)
    assert readings > 3000
    assert taken / readings < 3.0
