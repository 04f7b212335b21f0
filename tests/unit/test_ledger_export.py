"""Exports: trade units in columns that say so, every row once, safe to open in a spreadsheet."""

import csv
import io
import json
import sys
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.core.errors import ConfigurationError, LedgerError
from fillguard.core.events import AlarmFacts, FlowStopped, Quality, Quantity
from fillguard.ledger.export import Form, What, export, form_of
from fillguard.ledger.parquet import export_parquet
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from tests.ledger_facts import FILL, T0, alarm, at, ended, reading, record, started, step, tick


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.sqlite3"
    hot = reading(1, 0, quantity=Quantity.WALL, value=301.27, source="fill/tern/1/wall", quality=Quality.UNCERTAIN)
    o2 = reading(2, 0, quantity=Quantity.O2_FRACTION, value=0.3205)
    loop = reading(3, 0, quantity=Quantity.LOOP_CURRENT, value=0.0123456)
    change = replace(
        alarm(4), facts=AlarmFacts(gauge_pa=221.5e5, rate_pa_s=50_000.0, gas_k=331.0, silent_s=2.5), cause='=1+1, "no"'
    )
    stopped = FlowStopped(stamp=at(5), fill_id=FILL, whip="1", flow_stopped_s=T0 + 5, close_gauge_pa=221.5e5)
    record(
        path,
        step(reading(0.125, 183.2, seq=1), started()),
        *map(step, (hot, o2, loop)),
        step(tick(5), change, stopped),
        step(tick(200), ended(200, findings=(), operator="-op")),
    )
    return path


def exported(path: Path, what: What, form: Form, where: Filter = Filter()) -> str:  # noqa: B008 - frozen
    out = io.StringIO()
    with SqliteLedgerReader(path) as reader:
        export(reader, what, form, out, where=where)
    return out.getvalue()


def table(path: Path, what: What, where: Filter = Filter()) -> list[dict[str, str]]:  # noqa: B008 - frozen
    return list(csv.DictReader(io.StringIO(exported(path, what, Form.CSV, where), newline="")))


def lines(path: Path, what: What) -> list[dict[str, object]]:
    return [json.loads(line) for line in exported(path, what, Form.JSON_LINES).splitlines()]


def test_fills_are_told_in_bar_and_degrees(path: Path) -> None:
    (row,) = table(path, What.FILLS)
    expected = {
        "fill_id": FILL,
        "started_utc": "2026-11-24T22:09:45.000Z",
        "close_bar_gauge": "221.5",
        "final_settled_low_bar_gauge": "205.2",
        "reference_c": "21.1",
        "peak_rate_bar_min": "30.0",
        "gas_max_c": "57.85",
        "alarms": "too-fast",
        "findings": "",
        "plateau_seen": "yes",
        "readings": "600",
        "operator": "'-op",
        "config": "",
    }
    assert {name: row[name] for name in expected} == expected
    (line,) = lines(path, What.FILLS)
    assert (line["close_bar_gauge"], line["alarms"], line["operator"]) == (221.5, ["too-fast"], "-op")
    assert set(line) == set(row)


def test_readings_have_one_column_a_unit(path: Path) -> None:
    rows = table(path, What.READINGS)
    assert [
        (row["quantity"], row["bar_gauge"], row["celsius"], row["fraction"], row["milliampere"]) for row in rows
    ] == [
        ("pressure", "183.2", "", "", ""),
        ("wall", "", "28.12", "", ""),
        ("o2_fraction", "", "", "0.3205", ""),
        ("loop_current", "", "", "", "12.346"),
    ]
    assert rows[0]["arrived_utc"] == "2026-11-24T22:09:45.125Z"
    assert [row["quality"] for row in rows] == ["good", "uncertain", "good", "good"]
    assert [line["row"] for line in lines(path, What.READINGS)] == [1, 2, 3, 4]


def test_alarms_carry_their_numbers_and_no_cell_is_a_formula(path: Path) -> None:
    (row,) = table(path, What.ALARMS)
    expected = {
        "at_utc": "2026-11-24T22:09:49.000Z",
        "occurrence": f"{FILL}/too-fast/1",
        "new": "unacknowledged",
        "bar_gauge": "221.5",
        "rate_bar_min": "30.0",
        "gas_c": "57.85",
        "silent_s": "2.5",
        "settled_bar_gauge": "",
        "cause": '\'=1+1, "no"',
    }
    assert {name: row[name] for name in expected} == expected
    (line,) = lines(path, What.ALARMS)
    assert line["cause"] == '=1+1, "no"'


def test_events_carry_the_rest_as_json_in_trade_units_too(path: Path) -> None:
    (row,) = table(path, What.EVENTS)
    assert (row["kind"], row["whip"], row["fill_id"]) == ("FlowStopped", "1", FILL)
    assert json.loads(row["detail"]) == {
        "close_bar_gauge": 221.5,
        "flow_stopped_utc": "2026-11-24T22:09:50.000Z",
    }
    assert lines(path, What.EVENTS)[0]["detail"] == json.loads(row["detail"])


def test_only_what_is_asked_for_is_exported(path: Path) -> None:
    assert len(table(path, What.READINGS, Filter(since_s=T0 + 0.75, until_s=T0 + 2.75))) == 2
    assert table(path, What.FILLS, Filter(whip="9")) == []


def test_an_empty_export_still_names_its_columns(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    record(path)
    assert exported(path, What.READINGS, Form.CSV).startswith("row,arrived_utc,")
    assert exported(path, What.READINGS, Form.JSON_LINES) == ""


def test_progress_is_told_and_memory_stays_small(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    record(path, *(step(reading(number / 10, 40 + number / 100)) for number in range(5500)))
    told: list[tuple[int, int]] = []

    class Nowhere(io.StringIO):
        written = 0

        def write(self, text: str) -> int:
            self.written += text.count("\n")
            return len(text)

    out = Nowhere()
    with SqliteLedgerReader(path) as reader:
        tracemalloc.start()
        rows = export(reader, What.READINGS, Form.CSV, out, progress=lambda done, total: told.append((done, total)))
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert (rows, out.written) == (5500, 5501)
    assert told == [*((done, 5500) for done in range(1000, 5001, 1000)), (5500, 5500)]
    assert most < 500_000


def test_the_form_follows_the_name_of_the_file() -> None:
    assert (form_of("fills.csv"), form_of("season/FILLS.JSONL")) == (Form.CSV, Form.JSON_LINES)
    with pytest.raises(LedgerError, match=r"'fills.xlsx': end the name in .csv, .jsonl or .parquet"):
        form_of("fills.xlsx")


def test_parquet_without_its_package_says_what_to_install(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with SqliteLedgerReader(path) as reader, pytest.raises(ConfigurationError, match="needs the package pyarrow"):
        export_parquet(reader, What.FILLS, tmp_path / "fills.parquet")


@pytest.mark.parametrize("what", list(What))
def test_parquet_holds_what_csv_does_with_types(path: Path, tmp_path: Path, what: What) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is not installed: nobody here can want Parquet")
    with SqliteLedgerReader(path) as reader:
        count = export_parquet(reader, what, tmp_path / "out.parquet")
    found = parquet.read_table(tmp_path / "out.parquet").to_pylist()
    plain = table(path, what)
    assert len(found) == len(plain) == count > 0
    assert list(found[0]) == list(plain[0])
    for name in plain[0]:
        values = [row[name] for row in found]
        assert [value in (None, "") for value in values] == [row[name] == "" for row in plain]
    if what is What.FILLS:
        assert (found[0]["close_bar_gauge"], found[0]["plateau_seen"], found[0]["readings"]) == (221.5, True, 600)
