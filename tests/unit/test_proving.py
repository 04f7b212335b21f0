"""`fillguard ledger`: what it says of a sound record and of one that was tampered with, of good and bad copies."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.ledger import store
from fillguard.ledger.chain import verify
from tests.ledger_facts import FILL, ended, pack_all, projected, reading, record, started, step, tick, writer


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A fill, packed in part."""
    path = tmp_path / "ledger.sqlite3"
    record(
        path,
        step(reading(0, 40), started()),
        *(step(reading(second, 40 + second), projected(second, 40 + second)) for second in range(1, 60)),
        step(tick(61), ended(61)),
    )
    with closing(store.connect(path)) as connection:
        pack_all(connection)
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["ledger", *map(str, words)], env={"COLUMNS": "200"})


def change(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        assert connection.execute(statement).rowcount > 0


# --- verify ----------------------------------------------------------------------------------------------------------


def test_a_sound_ledger_is_intact_and_says_what_an_anchor_is_for(ledger: Path) -> None:
    result = run("verify", "--ledger", ledger)
    assert result.exit_code == Exit.OK
    assert "intact: every row is what was recorded" in result.stdout
    assert f"the chain ends at {verify(ledger).end}" in result.stdout
    assert "without --anchor a rewrite" in result.stdout


@pytest.mark.parametrize("form", ["ROW:HEAD", "head alone", "file", "JSON file"])
def test_an_anchor_is_taken_in_every_form_it_may_have_been_noted_in(ledger: Path, tmp_path: Path, form: str) -> None:
    end = verify(ledger).end
    notes = tmp_path / "notes.txt"
    notes.write_text(f"2026-11-24 workshop: {end}\n" if form == "file" else json.dumps({"anchor": str(end)}), "utf-8")
    given = {"ROW:HEAD": str(end), "head alone": end.head}.get(form, str(notes))
    record(ledger, step(tick(70), ended(70, fill_id="another")))
    result = run("verify", "--ledger", ledger, "--anchor", given, "--json")
    assert result.exit_code == Exit.OK
    said = json.loads(result.stdout)
    assert (said["finding"], said["ok"], said["detail"]) == ("longer-than-anchor", True, "1 rows since the anchor")
    assert (said["chunks"], said["packed_rows"], said["live_rows"]) == (2, 117, 2)


@pytest.mark.parametrize(
    ("statement", "finding", "row"),
    [
        ("UPDATE fill SET body = replace(body, 'op-1', 'op-2')", "broken", "last"),
        ("UPDATE chunk_data SET data = zeroblob(9)", "broken", None),
        ("DELETE FROM journal WHERE seq = 2", "broken", 2),
    ],
)
def test_a_tampered_ledger_has_an_exit_code_of_its_own(
    ledger: Path, statement: str, finding: str, row: int | str | None
) -> None:
    with closing(sqlite3.connect(ledger)) as connection:
        (fill,) = connection.execute("SELECT id FROM fill").fetchone()
    change(ledger, statement)
    result = run("verify", "--ledger", ledger, "--json")
    assert result.exit_code == Exit.TAMPERED
    said = json.loads(result.stdout)
    assert (said["finding"], said["ok"]) == (finding, False)
    assert row is None or said["row"] == (fill if row == "last" else row)
    assert "Keep this file as it is" in run("verify", "--ledger", ledger).stdout


def test_a_ledger_that_was_cut_short_or_swapped_is_told_by_its_anchor(ledger: Path, tmp_path: Path) -> None:
    end = verify(ledger).end
    later = f"{end.row + 3}:{end.head}"
    assert json.loads(run("verify", "--ledger", ledger, "--anchor", later, "--json").stdout)["finding"] == "truncated"
    other = tmp_path / "other.sqlite3"
    record(other, *(step(tick(number), ended(number, fill_id=f"other-{number}")) for number in range(40)))
    for given in (str(end), end.head):
        result = run("verify", "--ledger", other, "--anchor", given, "--json")
        assert (result.exit_code, json.loads(result.stdout)["finding"]) == (Exit.TAMPERED, "anchor-mismatch")


@pytest.mark.parametrize("given", ["12", "12:abcd", "z" * 64])
def test_what_is_no_anchor_is_unusable_input(ledger: Path, given: str) -> None:
    result = run("verify", "--ledger", ledger, "--anchor", given)
    assert result.exit_code == Exit.BAD_INPUT
    assert "--anchor" in result.stderr


# --- backup and drill ------------------------------------------------------------------------------------------------


def test_a_backup_of_a_ledger_in_use_passes_its_drill(ledger: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite3"
    watching = writer(ledger)
    watching.start()
    made = run("backup", copy, "--ledger", ledger)
    assert made.exit_code == Exit.OK, made.output
    assert "intact" in made.stdout
    watching.stop(10.0)
    record(ledger, step(reading(100_000, 10)), step(tick(70), ended(70, fill_id="another")))
    drill = run("drill", copy, "--ledger", ledger, "--json")
    said = json.loads(drill.stdout)
    assert (drill.exit_code, said["ok"]) == (Exit.OK, True), said
    details = {step["what"]: step["detail"] for step in said["steps"]}
    assert details["the newest fill can be read with its trace"] == f"{FILL}: 59 readings"
    assert details["it lies on the original's chain"] == "the original went on by 1 rows since"
    assert details["no reading is missing"].startswith("reading: 60 there, 0 pruned, 60 recorded")


def test_a_backup_never_overwrites_and_leaves_nothing_when_it_fails(ledger: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite3"
    copy.write_text("older", "utf-8")
    refused = run("backup", copy, "--ledger", ledger)
    assert refused.exit_code == Exit.FAILED
    assert "never overwritten" in refused.stderr
    assert copy.read_text("utf-8") == "older"
    assert run("backup", tmp_path / "none" / "copy", "--ledger", ledger).exit_code == Exit.FAILED


def test_a_backup_of_a_tampered_ledger_says_so(ledger: Path, tmp_path: Path) -> None:
    change(ledger, "UPDATE fill SET body = replace(body, 'op-1', 'op-2')")
    result = run("backup", tmp_path / "copy.sqlite3", "--ledger", ledger)
    assert result.exit_code == Exit.TAMPERED
    assert "BROKEN" in result.stdout


@pytest.mark.parametrize(
    ("statement", "fails"),
    [
        ("DELETE FROM reading", "no reading is missing"),
        ("UPDATE fill SET body = replace(body, 'op-1', 'op-2')", "every row is what was recorded"),
        (
            "DELETE FROM source WHERE id = (SELECT max(id) FROM source)",
            "it holds as many rows as the original held then",
        ),
    ],
)
def test_a_bad_copy_fails_its_drill_at_the_step_that_says_why(
    ledger: Path, tmp_path: Path, statement: str, fails: str
) -> None:
    copy = Path(shutil.copy(ledger, tmp_path / "copy.sqlite3"))
    change(copy, statement)
    result = run("drill", copy, "--ledger", ledger, "--json")
    said = json.loads(result.stdout)
    assert result.exit_code == Exit.TAMPERED
    assert fails in [step["what"] for step in said["steps"] if not step["ok"]]


def test_a_copy_of_another_ledger_is_told_from_a_backup(ledger: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite3"
    record(other, step(tick(1), ended(1, fill_id="other")))
    result = run("drill", other, "--ledger", ledger)
    assert result.exit_code == Exit.TAMPERED
    assert "another ledger" in result.stdout
    assert run("drill", other, "--alone").exit_code == Exit.OK


def test_the_ledger_is_no_backup_of_itself(ledger: Path) -> None:
    result = run("drill", ledger, "--ledger", ledger)
    assert result.exit_code == Exit.FAILED
    assert "is the ledger itself" in result.stderr


def test_a_file_that_is_no_ledger_fails_every_step_it_can(ledger: Path, tmp_path: Path) -> None:
    junk = tmp_path / "junk.sqlite3"
    junk.write_bytes(b"no database at all")
    result = run("drill", junk, "--ledger", ledger)
    assert result.exit_code == Exit.TAMPERED
    assert "could NOT be put to use" in result.stdout


# --- a damaged ledger at the start -----------------------------------------------------------------------------------


@pytest.mark.parametrize("damage", ["overwritten", "cut", "empty", "gone but for its -wal file"])
def test_the_watch_does_not_start_over_a_damaged_ledger_and_says_what_to_do(tmp_path: Path, damage: str) -> None:
    config = tmp_path / "config"
    shutil.copytree(Path(__file__).parents[2] / "config", config)
    path = config / "ledger.sqlite3"
    record(path, *(step(tick(number), ended(number, fill_id=f"fill-{number}")) for number in range(200)))
    content = path.read_bytes()
    match damage:
        case "overwritten":
            path.write_bytes(content[:4096] + b"\x5a" * 40_000 + content[44_096:])
        case "cut":
            path.write_bytes(content[: len(content) // 2])
        case "empty":
            path.write_bytes(b"")
        case _:
            path.rename(path.with_name("ledger.sqlite3-wal"))
    before = {each.name: each.read_bytes() for each in config.glob("ledger.sqlite3*")}
    command = [sys.executable, "-m", "fillguard", "run", "--config", str(config)]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    assert result.returncode == Exit.FAILED
    assert "copy the last good backup" in result.stderr or "Put the ledger back" in result.stderr
    after = {each.name: each.read_bytes() for each in config.glob("ledger.sqlite3*")}
    assert {name: after.get(name) for name in before} == before
    assert ("ledger.sqlite3" in after) == ("ledger.sqlite3" in before)
