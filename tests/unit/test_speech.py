"""What is said in the name of the station: in its time, under its name, marked where it is practice."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fillguard.app.cylinders import Cylinders
from fillguard.app.speech import Speech, plans
from fillguard.core.figures import UnitChoice
from fillguard.core.values import Stamp
from fillguard.outlets.grouping import ChannelFlood, Ended
from fillguard.settings import load_settings
from tests.panel import real_rules

ROOT = Path(__file__).resolve().parents[2]
BEGAN = Stamp(mono_s=1000.0, utc_s=datetime(2026, 11, 24, 13, 3, tzinfo=UTC).timestamp())
STATION = """
[station]
id = "tern"
name = "Tern Harbour"
timezone = "Europe/Oslo"
hot_allowance_bar = 0
[ledger]
path = "ledger.sqlite3"
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
[[channel]]
name = "phone"
url = "json://127.0.0.1/"
test_at = "08:15"
due_list_at = "mon 08:00"
due_within_days = 400
[[channel]]
name = "plain"
url = "json://127.0.0.1/"
"""


@pytest.fixture
def speech(tmp_path: Path) -> Speech:
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    return Speech(settings=load_settings(tmp_path, {}), rules=real_rules(), units=UnitChoice(), drill=False)


def test_a_flood_is_told_in_the_time_of_the_station(speech: Speech) -> None:
    said = speech.flood_began(ChannelFlood(began=BEGAN, counts=Counter({"too-fast": 8})))
    assert said.body.startswith("Tern Harbour: ")
    assert said.body.endswith("Began 2026-11-24 14:03:00 CET.")
    ended = Ended(began=BEGAN, told=True, counts={"too-fast": 8}, stands_for=())
    over = speech.flood_over(ended, Stamp(mono_s=1660.0, utc_s=BEGAN.utc_s + 660.0))
    assert "one by one again, after 11:00." in over.body


def test_practice_is_marked_first_and_in_the_text(speech: Speech) -> None:
    drill = replace(speech, drill=True)
    said = drill.test("phone", datetime(2026, 11, 24, 8, 15, tzinfo=drill.zone))
    assert said.title == "DRILL Test - Tern Harbour: this channel works"
    assert said.body.startswith("DRILL: practice, nothing of this is real.\n")


def test_a_channel_is_sent_what_it_asks_for_by_the_clock_and_no_other(speech: Speech) -> None:
    assert [(plan.channel, plan.kind) for plan in plans(speech)] == [("phone", "test"), ("phone", "list")]


def test_the_list_of_what_is_due_names_serial_and_day_and_no_owner(speech: Speech, tmp_path: Path) -> None:
    moment = datetime(2026, 11, 24, 8, tzinfo=UTC)
    assert speech.due_list(400, moment) is None, "there is no register yet"
    register = ROOT / "config" / "cylinders.csv"
    cylinders = Cylinders(tmp_path, {}, Stamp(mono_s=0.0, utc_s=moment.timestamp()))
    cylinders.import_file(register, by="op-1", why="first entry", progress=lambda *_: None)
    said = speech.due_list(400, moment)
    assert said is not None
    due = cylinders.due(400)
    assert said.title == f"Due - Tern Harbour: {len(due)} cylinders"
    lines = said.body.splitlines()[1:]
    assert lines[0] == f"{due[0][1].on}: {due[0][0].serial}, {due[0][1].what}"
    owners = {record.owner for record, _ in due if record.owner}
    assert not any(owner in said.body for owner in owners)
