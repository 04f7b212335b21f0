"""What a station has learned survives in the record: round trip, restart, commands; damage means the defaults."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.app.learning import remembered, value_rows
from fillguard.cli.commands import app
from fillguard.core.events import FillEnded, InEvent, LearnedChanged, LearningReset, SettledJudged, SettledRead, Tick
from fillguard.core.learned import AS_SHIPPED, Doubt, Ending, Lesson, Marginal, StationLearned, Unfit
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import AIR, Stamp
from fillguard.intake.commands import command_event, command_text
from fillguard.intake.formats import UnusableError
from fillguard.ledger import store
from fillguard.ledger.chain import verify
from fillguard.ledger.codec import canonical, decode_text, encode
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.schema import MIGRATIONS
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import RawMessage, StepRecord
from tests.fakes import FakeClock
from tests.ledger_facts import CYLINDER, FILL, OWNER, ended

NOW = Stamp(mono_s=1.0, utc_s=1_795_600_000.0)
LESSON = Lesson(
    fill_id=FILL,
    cylinder_class="aluminium 8.5-13.5 L",
    scale=Doubt(guess=-0.6, sigma=0.3),
    supply_k=Doubt(guess=2.0, sigma=3.0),
)
TAUGHT = AS_SHIPPED.taught(LESSON)
CHANGED = LearnedChanged(stamp=NOW, learned=TAUGHT, by="fillguard", why=f"fill {FILL} taught", lesson=LESSON)
ENDING = Ending(
    fill_id=FILL,
    serial="TH-0042",
    cylinder=CYLINDER,
    mix=AIR,
    ambient_abs_pa=101_300.0,
    ended_s=1_795_559_000.0,
    settled_gauge_pa=200e5,
    settled_sigma_pa=3e5,
    scale=Marginal(prior=Doubt(guess=0.0, sigma=0.35), posterior=Doubt(guess=0.0, sigma=0.3), lean_pa=0.8e5),
    supply_k=Marginal(prior=Doubt(guess=0.0, sigma=3.5), posterior=Doubt(guess=0.0, sigma=3.4), lean_pa=0.1e5),
    taught=False,
)
ENDED = replace(ended(600.0, learned_version=3), untaught=Unfit.SAYS_NOTHING, ending=ENDING)
JUDGED = SettledJudged(
    stamp=NOW,
    fill_id=FILL,
    gauge_pa=199e5,
    temperature_k=293.0,
    by="tech-1",
    projected_gauge_pa=200e5,
    lesson=LESSON,
)
READ = SettledRead(stamp=NOW, fill_id=FILL, gauge_pa=pa_from_bar(201.3), temperature_k=k_from_c(20.5), by="tech-1")
RESET = LearningReset(stamp=NOW, by="tech-1", why="another compressor")


@pytest.fixture
def path(tmp_path: Path) -> Iterator[Path]:
    return tmp_path / "ledger.db"


def recorded(path: Path, *facts: LearnedChanged | FillEnded | SettledJudged, cause: InEvent | None = None) -> None:
    writer = SqliteLedgerWriter(path, OWNER, FakeClock())
    writer.put(StepRecord(cause=cause or Tick(stamp=NOW), facts=facts))
    assert writer.stop(10.0) == 0


@pytest.mark.parametrize("fact", [CHANGED, ENDED, JUDGED, READ, RESET], ids=lambda fact: type(fact).__name__)
def test_every_fact_of_learning_comes_back_as_it_was_recorded(fact: LearnedChanged) -> None:
    assert decode_text(canonical(encode(fact))) == fact


def test_a_fill_recorded_before_there_was_learning_is_still_read() -> None:
    body = encode(ENDED)
    for key in ("lesson", "untaught", "ending"):
        del body[key]
    old = decode_text(canonical(body))
    assert isinstance(old, FillEnded)
    assert (old.lesson, old.untaught, old.ending) == (None, None, None)


def test_the_newest_values_are_in_force_after_a_restart(path: Path) -> None:
    recorded(path, CHANGED, replace(CHANGED, learned=TAUGHT.taught(LESSON)))
    with SqliteLedgerReader(path) as reader:
        known = remembered(reader)
    assert known.learned == TAUGHT.taught(LESSON)
    assert known.told == ()
    assert verify(path).ok


def test_a_station_that_never_learned_starts_with_the_shipped_values_and_says_nothing(path: Path) -> None:
    recorded(path)
    with SqliteLedgerReader(path) as reader:
        known = remembered(reader)
    assert (known.learned, known.endings, known.told) == (AS_SHIPPED, (), ())


@pytest.mark.parametrize(
    "damage",
    [
        "json_set(body, '$.learned.classes[0].weight', 'much')",
        "json_set(body, '$.learned.classes[0].weight', -3.0)",
        "json_set(body, '$.learned.classes[0].weight', NULL)",
    ],
    ids=["a word", "negative", "nothing"],
)
def test_values_that_cannot_be_read_are_the_shipped_ones_and_that_is_said(path: Path, damage: str) -> None:
    recorded(path, CHANGED, CHANGED)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER event_update")
        connection.execute(f"UPDATE event SET body = {damage} WHERE kind = 'LearnedChanged'")  # noqa: S608 - our own table
        connection.commit()
    with SqliteLedgerReader(path) as reader:
        known = remembered(reader)
    assert known.learned == StationLearned(version=2)  # no number is ever used twice
    assert "cannot be read" in known.told[0]


def test_a_fill_can_be_read_settled_after_a_restart_once(path: Path) -> None:
    recorded(path, ENDED)
    with SqliteLedgerReader(path) as reader:
        assert remembered(reader).endings == (ENDING,)
    recorded(path, JUDGED, cause=READ)
    with SqliteLedgerReader(path) as reader:
        assert remembered(reader).endings == ()


def test_a_ledger_of_the_first_schema_is_brought_forward_with_what_is_in_it(path: Path) -> None:
    store.prepare(path, OWNER, 1000, MIGRATIONS[:1])
    with closing(store.connect(path)) as connection:
        before = connection.execute("SELECT count(*) FROM event").fetchone()
    assert next(step.name for step in store.prepare(path, OWNER, 2000)) == "learned"
    recorded(path, CHANGED)
    with closing(store.connect(path)) as connection:
        plan = str(
            connection.execute(
                "EXPLAIN QUERY PLAN SELECT body FROM event WHERE kind = 'LearnedChanged' ORDER BY id DESC LIMIT 1"
            ).fetchall()
        )
        assert "event_learned" in plan
        assert before == (0,)
    assert verify(path).ok


# --- Commands --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("event", [READ, RESET], ids=["settled", "reset"])
def test_a_command_over_the_broker_says_what_was_told(event: SettledRead | LearningReset) -> None:
    message = RawMessage(arrived=NOW, topic="fillguard/tern/command", payload=command_text(event))
    back = command_event(message)
    if isinstance(event, SettledRead):
        assert isinstance(back, SettledRead)
        assert back.gauge_pa == pytest.approx(event.gauge_pa)
        assert back.temperature_k == pytest.approx(event.temperature_k)
        assert (back.fill_id, back.by) == (event.fill_id, event.by)
    else:
        assert back == event


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [("bar", 2013.0, "bar"), ("bar", "much", "bar"), ("at_c", 205.0, "at_c"), ("operator", "", "operator")],
)
def test_a_settled_reading_that_cannot_be_is_refused(key: str, value: object, said: str) -> None:
    payload = json.dumps(json.loads(command_text(READ)) | {key: value}).encode()
    with pytest.raises(UnusableError, match=said):
        command_event(RawMessage(arrived=NOW, topic="fillguard/tern/command", payload=payload))


STATION = """
[station]
id = "tern"
name = "Tern Harbour"
timezone = "UTC"
hot_allowance_bar = "full"
[broker]
host = "127.0.0.1"
[ledger]
path = "ledger.db"
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
lowest_rating_reference_c = 15
"""


def asked(*words: str) -> str:
    result = CliRunner().invoke(app, list(words), env={"COLUMNS": "200"})
    assert result.exit_code == 0, result.output
    return result.output


def test_the_commands_record_a_reading_show_what_it_taught_and_reset_it(path: Path) -> None:
    (path.parent / "station.toml").write_text(STATION, encoding="utf-8")
    recorded(path, ENDED)
    config = ("--config", str(path.parent))
    said = asked("settled", FILL, "--bar", "195", "--at-c", "21.1", "--by", "tech-1", *config)
    assert "taught" in said
    shown = asked("learned", *config)
    assert f"settled reading of fill {FILL}" in shown
    assert "tech-1" in shown
    assert "version 2" in asked("learned", "--reset", "--by", "tech-1", "--why", "another compressor", *config)
    with SqliteLedgerReader(path) as reader:
        assert remembered(reader).learned == StationLearned(version=2)
    assert verify(path).ok
    assert "unknown-fill" in asked("settled", FILL, "--bar", "195", "--at-c", "21.1", "--by", "tech-1", *config)


def test_a_reset_without_a_name_is_refused(path: Path) -> None:
    (path.parent / "station.toml").write_text(STATION, encoding="utf-8")
    result = CliRunner().invoke(app, ["learned", "--reset", "--why", "x", "--config", str(path.parent)])
    assert result.exit_code == 2


def test_what_is_in_use_is_told_in_words() -> None:
    rows = {row[0]: row[1:] for row in value_rows(TAUGHT)}
    assert set(rows) == {"heat transfer, any cylinder", "heat transfer, aluminium 8.5-13.5 L", "supply temperature"}
    assert rows["supply temperature"][2] == "1"
