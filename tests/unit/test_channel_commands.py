"""`fillguard channels`: what somebody who sets a channel up gets to see."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.cli.commands import app
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import Attempt
from tests.delivery_fakes import GENEROUS_S, notice
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, T0, step, tick
from tests.notice_servers import JsonInbox

WIDE = CliRunner(env={"COLUMNS": "250"})
STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = 0
[ledger]
path = "ledger.sqlite3"
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
"""
PHONE = """
[[channel]]
name = "phone"
url = "{url}"
hours = "07:00-22:00"
days = ["mon", "fri"]
unacknowledged_after_s = 180
alarms = ["bank-low"]
test_at = "08:15"
due_list_at = "mon 08:00"
"""


def station(folder: Path, url: str = "json://127.0.0.1/", *, more: str = PHONE) -> Path:
    (folder / "station.toml").write_text(STATION + more.replace("{url}", url), encoding="utf-8")
    return folder


def test_the_list_says_who_is_told_what_and_when_and_how_the_channel_stands(tmp_path: Path) -> None:
    config = station(tmp_path)
    writer = SqliteLedgerWriter(config / "ledger.sqlite3", OWNER, FakeClock(utc_s=T0))
    writer.put(step(tick(0), owed=(notice(channel="phone"), notice("tern-1/bank-low/1", channel="phone"))))
    began = Attempt(outbox_id=1, channel="phone", occurrence="x", kind="raise", repeat=0, started_utc_s=T0)
    writer.put_attempt(began)
    failed = Attempt(
        outbox_id=1, channel="phone", occurrence="x", kind="raise", repeat=0, started_utc_s=T0, elapsed_s=1.0,
        result="failed", detail="error=401",
    )  # fmt: skip
    writer.put_attempt(failed)
    assert writer.stop(GENEROUS_S) == 0
    run = WIDE.invoke(app, ["channels", "list", "--config", str(config)])
    assert run.exit_code == 0, run.output
    for said in (
        "priority 1, 2, 3; bank-low",
        "unacknowledged after 180 s; 07:00-22:00 mon, fri, priority 1 always",
        "test 08:15; due list mon 08:00",
        "failed 2026-11-24 22:09: error=401",
    ):
        assert said in run.stdout
    assert " 2 " in run.stdout, "both are owed still"


def test_without_a_record_yet_a_channel_was_never_tried(tmp_path: Path) -> None:
    run = WIDE.invoke(app, ["channels", "list", "--config", str(station(tmp_path))])
    assert "never tried" in run.stdout
    assert "no channel" in WIDE.invoke(app, ["channels", "list", "--config", str(station(tmp_path, more=""))]).output


def test_a_name_that_no_channel_has_is_said(tmp_path: Path) -> None:
    run = WIDE.invoke(app, ["channels", "test", "phon", "--config", str(station(tmp_path))])
    assert (run.exit_code, "did you mean phone" in run.output) == (2, True)


@pytest.mark.servers
@pytest.mark.parametrize(("status", "said", "code"), [(200, "delivered", 0), (401, "failed", 1)])
def test_a_try_on_the_spot_says_what_became_of_it(tmp_path: Path, status: int, said: str, code: int) -> None:
    with JsonInbox([status]) as inbox:
        config = station(tmp_path, f"json://127.0.0.1:{inbox.port}/hunter2-path")
        run = WIDE.invoke(app, ["channels", "test", "--config", str(config)])
        assert inbox.next_post()["title"] == "Test - Tern Harbour: this channel works"
    assert (run.exit_code, run.stdout.startswith(f"phone: {said}")) == (code, True), run.output
    assert "hunter2" not in run.output
