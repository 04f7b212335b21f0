"""Corrections: a new row that says who and why; the fill's own row stays, lists and exports show both."""

import csv
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.ledger.chain import verify
from fillguard.ledger.reader import SqliteLedgerReader
from tests.ledger_facts import FILL, ended, reading, record, started, step, tick, writer

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = tmp_path / "config"
    shutil.copytree(CONFIG, folder)
    record(folder / "ledger.sqlite3", step(reading(0, 40), started()), step(tick(61), ended(61)))
    return folder


def run(config: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--config", str(config)], env={"COLUMNS": "300"})


def correct(config: Path, field: str, to: str, fill: str = FILL) -> Result:
    return run(
        config, "fills", "correct", fill, "--field", field, "--to", to, "--by", "tech-1", "--why", "badge misread"
    )


def test_a_correction_is_a_new_row_and_the_fill_s_own_stays(config: Path) -> None:
    path = config / "ledger.sqlite3"
    with SqliteLedgerReader(path) as reader:
        before = reader.fill(FILL)
    result = correct(config, "operator", "op-2")
    assert result.exit_code == Exit.OK, result.output
    assert result.stdout == f"{FILL}: operator: op-1 -> op-2 by tech-1 (badge misread)\n"
    with SqliteLedgerReader(path) as reader:
        assert reader.fill(FILL) == before
        (row,) = [row.body for row in reader.iter_record("audit") if row.body["action"] == "correction"]
    assert (row["who"], row["subject"], row["detail"]) == ("tech-1", FILL, "badge misread")
    assert row["data"] == {"field": "operator", "was": "op-1", "to": "op-2"}
    assert verify(path).ok


def test_a_second_correction_names_what_the_first_said(config: Path) -> None:
    correct(config, "serial", "TH-0007")
    assert "serial: TH-0007 -> TH-0008" in correct(config, "serial", "TH-0008").stdout


def test_lists_and_exports_show_what_was_corrected(config: Path, tmp_path: Path) -> None:
    correct(config, "operator", "op-2")
    correct(config, "note", "gauge of whip 1 was off by 3 bar that day")
    listed = run(config, "fills").stdout
    assert "op-2 (corrected)" in listed
    assert "gauge of whip 1 was off by 3 bar" in listed
    out = tmp_path / "fills.csv"
    assert run(config, "export", "fills", str(out)).exit_code == Exit.OK
    (row,) = csv.DictReader(out.read_text("utf-8").splitlines())
    assert row["operator"] == "op-1"
    assert row["corrections"].startswith("operator: op-1 -> op-2 by tech-1 (badge misread); note: nothing -> gauge")
    audit = tmp_path / "audit.csv"
    assert run(config, "export", "audit", str(audit)).exit_code == Exit.OK
    rows = list(csv.DictReader(audit.read_text("utf-8").splitlines()))
    assert [row["who"] for row in rows if row["action"] == "correction"] == ["tech-1", "tech-1"]


def test_it_can_be_made_while_the_watch_writes(config: Path) -> None:
    watching = writer(config / "ledger.sqlite3")
    watching.start()
    assert correct(config, "operator", "op-3").exit_code == Exit.OK
    watching.put(step(tick(70), ended(70, fill_id="another")))
    watching.stop(10.0)
    assert verify(config / "ledger.sqlite3").ok


@pytest.mark.parametrize(
    ("field", "to", "says"),
    [
        ("close_gauge_pa", "200", "What was measured stays"),
        ("o2", "32", "32 % is 0.32"),
        ("he", "none", "as a fraction"),
        ("operator", "", "printable characters"),
    ],
)
def test_what_cannot_be_corrected_is_refused_and_nothing_is_recorded(
    config: Path, field: str, to: str, says: str
) -> None:
    end = verify(config / "ledger.sqlite3").end
    result = correct(config, field, to)
    assert result.exit_code == Exit.BAD_INPUT
    assert says in result.stderr
    assert verify(config / "ledger.sqlite3").end == end


def test_a_fill_that_is_not_on_record_cannot_be_corrected(config: Path) -> None:
    result = correct(config, "operator", "op-2", fill="tern-9-20261124T220945Z")
    assert result.exit_code == Exit.BAD_INPUT
    assert "is not on record" in result.stderr
