"""The commands as people and scripts use them: help, exit codes, what is printed where."""

import csv
import itertools
import json
import math
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.core import TyperGroup
from typer.testing import CliRunner, Result

from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.core.values import Stamp
from fillguard.intake.capture import CaptureWriter
from fillguard.ledger.lock import LedgerLock
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ports import RawMessage
from tests import ledger_facts as facts
from tests.servers import DEADLINE_S, Mosquitto, Peer
from tests.simulated import small_scenario
from tests.stations import Drill, Process, fillguard, overfill, said_on, stamped, until, write_station

EPOCH_S = 1_795_558_185.0


def run(*arguments: str | Path, **environ: str) -> Result:
    """A command in this process: quick, and with its two outputs apart."""
    return CliRunner().invoke(
        app, [str(each) for each in arguments], env={"COLUMNS": "200", "NO_COLOR": "1", **environ}
    )


def commands(group: TyperGroup, names: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name, command in group.commands.items():
        if isinstance(command, TyperGroup):
            yield from commands(command, (*names, name))
        else:
            yield (*names, name)


def all_commands() -> list[tuple[str, ...]]:
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    return list(commands(group))


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The overfill of the end-to-end tests as a capture file."""
    path = tmp_path_factory.mktemp("capture") / "overfill.jsonl"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = CaptureWriter(file)
        for message in overfill():
            t = EPOCH_S + message.t_s
            payload = stamped(message, EPOCH_S)
            writer.write(RawMessage(arrived=Stamp(mono_s=t, utc_s=t), topic=message.topic, payload=payload))
    return path


def lines_of(text: str) -> list[dict[str, Any]]:
    return [json.loads(line, parse_constant=pytest.fail) for line in text.splitlines()]


# --- Help and exit codes ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("names", all_commands(), ids=" ".join)
def test_the_help_of_a_command_shows_an_example_of_it(names: tuple[str, ...]) -> None:
    shown = run(*names, "--help")
    assert shown.exit_code == Exit.OK
    assert f"Example: fillguard {' '.join(names)}" in shown.stdout


def test_help_says_what_it_is_for_and_what_the_exit_codes_mean() -> None:
    shown = run("--help")
    words = re.sub(r"\s+", " ", shown.stdout)
    assert "It advises; it operates no valve." in words
    assert all(f" {code.value} " in words for code in Exit)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["replay", "nowhere.jsonl"], "nowhere.jsonl", id="a file that is not there"),
        pytest.param(["check-config", "nowhere"], "name the folder", id="a folder that is not there"),
        pytest.param(["fills", "--config", "nowhere"], "name the folder", id="a configuration that is not there"),
        pytest.param(["simulate", "no-such-day", "--out", "x"], "no-such-day", id="a scenario that is not there"),
        pytest.param(["run", "--nonsense"], "nonsense", id="an option that is not there"),
        pytest.param(["export", "fills", "x.csv", "--since", "yesterday"], "yesterday", id="a date that is none"),
    ],
)
def test_unusable_input_exits_with_2_and_says_which(
    arguments: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run(*arguments)
    assert done.exit_code == Exit.BAD_INPUT
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_fails_and_is_nobodys_input_exits_with_1(tmp_path: Path) -> None:
    broken = tmp_path / "ledger.db"
    broken.write_bytes(b"this is no ledger" * 1000)
    done = run("fills", "--ledger", broken)
    assert done.exit_code == Exit.FAILED
    assert str(broken) in done.stderr


@pytest.mark.parametrize("trace", [["--trace"], []], ids=["told at once", "told at the end"])
def test_a_full_disk_is_nobodys_input(capture: Path, trace: list[str]) -> None:
    command = [sys.executable, "-m", "fillguard", "replay", str(capture), "--json", *trace]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (Exit.FAILED, "fillguard: No space left on device\n")


def test_a_ledger_in_use_exits_with_3_and_names_who_holds_it(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1)
    with LedgerLock(config / "ledger.db", "2026-11-24T23:00:00+00:00"):
        done = run("run", "--config", config)
    assert done.exit_code == Exit.LOCKED
    assert f"process {os.getpid()} on " in done.stderr


def test_stopped_by_hand_it_exits_with_130(tmp_path: Path) -> None:
    pipe = tmp_path / "endless.jsonl"
    os.mkfifo(pipe)
    command = [sys.executable, "-m", "fillguard", "replay", str(pipe)]
    with (
        subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process,
        pipe.open("w"),  # opens once the command reads
    ):
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=DEADLINE_S)
    assert (process.returncode, said) == (Exit.INTERRUPTED, "stopped\n")


def test_a_reader_that_goes_away_is_no_failure(capture: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "fillguard", "replay", str(capture), "--json", "--trace"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr is not None
        said = process.stderr.read()
    assert (process.returncode, said) == (Exit.OK, "")


# --- check-config ----------------------------------------------------------------------------------------------------


def test_check_config_names_everything_that_is_wrong_at_once(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1, more='[extents]\nlive_fr_s = 5\n[[whip]]\nid = "3"')
    (config / "station.toml").write_text(
        (config / "station.toml").read_text().replace("[extents]\nsilent_after_s = 60\nlive_for_s = 60", "")
    )
    (config / "cylinders.csv").write_text("serial,water_volume_l\nTH-0042,minus four\n")
    done = run("check-config", config)
    assert done.exit_code == Exit.BAD_INPUT
    told = done.stderr.splitlines()
    assert any("live_fr_s" in line and "did you mean live_for_s" in line for line in told)
    assert any("max_working_bar" in line for line in told)
    assert any("cylinders.csv" in line for line in told)


def test_check_config_tries_the_addresses_of_the_channels(tmp_path: Path) -> None:
    channels = {"phone": 'url = "jsonn://127.0.0.1/token-0815"', "mail": 'url = "mailto://nobody"'}
    done = run("check-config", write_station(tmp_path / "config", 1, channels=channels))
    assert done.exit_code == Exit.BAD_INPUT
    assert [line.partition(" url: ")[0] for line in done.stderr.splitlines()] == [
        'station.toml: [[channel]] "phone"',
        'station.toml: [[channel]] "mail"',
    ]
    assert "token-0815" not in done.stderr


def test_check_config_says_when_nothing_is_wrong(tmp_path: Path) -> None:
    done = run("check-config", write_station(tmp_path / "config", 1))
    assert (done.exit_code, done.stderr) == (Exit.OK, "")
    assert "nothing wrong" in done.stdout


# --- replay ----------------------------------------------------------------------------------------------------------

KEYS = {
    "projection": {
        "t", "sample_t", "whip", "fill", "phase", "whip_bar", "settled_bar", "settled_low_bar", "settled_high_bar",
        "gas_c", "rate_bar_min", "stop_at_bar", "seconds_to_stop", "close_at_bar", "bleed_to_bar", "reason",
    },
    "alarm": {"t", "whip", "fill", "alarm", "state", "occurrence", "cause", "text"},
    "finding": {"t", "whip", "fill", "finding", "confidence", "text"},
    "fill": {
        "fill", "station", "whip", "serial", "started", "flow_stopped", "ended", "outcome", "start_bar", "close_bar",
        "settled_bar", "settled_low_bar", "settled_high_bar", "final_settled_bar", "reference_c", "limit_bar",
        "peak_rate_bar_min", "gas_c_max", "alarms", "findings",
    },
}  # fmt: skip
"""What every line of a kind carries at least."""
STATES = {
    "unacknowledged", "acknowledged", "returned-unacknowledged", "normal", "latched-unacknowledged",
    "latched-acknowledged", "shelved", "suppressed", "out-of-service",
}  # fmt: skip


def test_every_line_of_a_replay_keeps_the_contract(capture: Path) -> None:
    done = run("replay", capture, "--json", "--trace")
    assert (done.exit_code, done.stderr) == (Exit.OK, "")
    told = lines_of(done.stdout)
    assert {line["kind"] for line in told} == set(KEYS)
    for line in told:
        assert line["v"] == 1
        assert KEYS[line["kind"]] <= line.keys()
        assert all(math.isfinite(value) for value in line.values() if isinstance(value, float))
    assert {line["state"] for line in told if line["kind"] == "alarm"} <= STATES
    kinds = [line["kind"] for line in told]
    assert kinds.index("fill") == len(kinds) - kinds.count("fill"), "fills come last"
    times = [line["t"] for line in told if "t" in line]
    assert times == sorted(times)


def test_a_replay_traces_at_most_once_a_second_from_start_to_end(capture: Path) -> None:
    told = lines_of(run("replay", capture, "--json", "--trace").stdout)
    (fill,) = (line for line in told if line["kind"] == "fill")
    traced = [line["t"] for line in told if line["kind"] == "projection"]
    assert min(later - earlier for earlier, later in itertools.pairwise(traced)) > 0.4
    assert len(traced) <= fill["ended"] - fill["started"] + 5
    assert fill["started"] <= traced[0] <= fill["started"] + 10.0
    assert fill["ended"] - 5.0 <= traced[-1] <= fill["ended"] + 1.0


def test_a_replay_without_trace_tells_no_projections(capture: Path) -> None:
    assert "projection" not in {line["kind"] for line in lines_of(run("replay", capture, "--json").stdout)}


def test_a_replay_judges_the_overfill(capture: Path) -> None:
    told = lines_of(run("replay", capture, "--json").stdout)
    (fill,) = (line for line in told if line["kind"] == "fill")
    assert (fill["serial"], fill["station"], fill["whip"]) == ("TH-0043", "tern", "1")
    assert "overfill" in fill["alarms"]
    assert fill["settled_bar"] > fill["limit_bar"] == pytest.approx(206.84, abs=0.01)
    raised = next(line for line in told if line.get("alarm") == "overfill")
    assert raised["occurrence"] == f"{fill['fill']}/overfill/1"
    assert raised["text"].startswith("It will settle above the limit of this cylinder.")


def test_a_fill_that_is_open_at_the_last_line_says_so(capture: Path, tmp_path: Path) -> None:
    part = tmp_path / "part.jsonl"
    part.write_text("".join(capture.read_text().splitlines(keepends=True)[:150]))
    (fill,) = (line for line in lines_of(run("replay", part, "--json").stdout) if line["kind"] == "fill")
    assert (fill["ended"], fill["outcome"]) == (None, "open")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        pytest.param("{nonsense", "not JSON", id="no JSON"),
        pytest.param('{"topic": "fill/tern/1/pressure", "payload": "{}"}', "no t", id="no time"),
        pytest.param('{"t": 5.0, "topic": "x", "payload": ""}', "before the line above", id="back in time"),
    ],
)
def test_a_malformed_line_ends_a_replay_with_2_its_number_and_why(
    capture: Path, tmp_path: Path, line: str, why: str
) -> None:
    bad = tmp_path / "bad.jsonl"
    good = capture.read_text().splitlines(keepends=True)[:40]
    bad.write_text("".join([*good, line + "\n", *good]))
    done = run("replay", bad, "--json")
    assert done.exit_code == Exit.BAD_INPUT
    assert "line 41" in done.stderr
    assert why in done.stderr


def test_without_json_a_replay_is_a_table_for_people(capture: Path) -> None:
    done = run("replay", capture)
    assert done.exit_code == Exit.OK
    assert "What the watch said" in done.stdout
    assert "TH-0043" in done.stdout
    assert "2026-11-24 22:10:" in done.stdout


def test_a_replay_takes_the_cylinder_from_a_register(capture: Path, tmp_path: Path) -> None:
    said = json.dumps({"serial": "TH-0043", "operator": "op-1", "gas": "air"})
    lines = [json.loads(line) for line in capture.read_text().splitlines()]
    told = [line | {"payload": said} if '"serial":"TH' in line["payload"].replace(" ", "") else line for line in lines]
    by_serial = tmp_path / "by-serial.jsonl"
    by_serial.write_text("\n".join(map(json.dumps, told)))
    without = lines_of(run("replay", by_serial, "--json").stdout)
    assert "unidentified" in {line.get("alarm") for line in without}
    root = Path(__file__).resolve().parents[2]
    known = lines_of(run("replay", by_serial, "--json", "--register", root / "config" / "cylinders.csv").stdout)
    assert "unidentified" not in {line.get("alarm") for line in known}


# --- fills and export ------------------------------------------------------------------------------------------------


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    path = tmp_path / "ledger.sqlite3"
    change = facts.alarm(30)
    facts.record(
        path,
        facts.step(facts.tick(0), facts.started()),
        *(facts.step(facts.reading(s, 40 + s, seq=s, boot="b"), facts.projected(s, 40 + s)) for s in range(1, 20)),
        facts.step(facts.tick(30), change),
        facts.step(facts.tick(600), facts.ended(600)),
        facts.step(facts.tick(700), facts.started(700, fill_id="tern-2-20261124T222125Z", whip="2", serial=None)),
    )
    return path


def test_fills_lists_the_newest_fills_open_ones_first(ledger: Path) -> None:
    done = run("fills", "--ledger", ledger, "--config", "nowhere")
    assert done.exit_code == Exit.OK
    rows = [line for line in done.stdout.splitlines() if "tern-" in line]
    assert len(rows) == 2
    assert re.search(r"tern-2-.*not identified.*open", rows[0])
    assert re.search(r"2026-11-24 22:09:45 UTC.*TH-0042.*full.*40 bar.*222 bar.*206 bar.*207 bar.*too-fast", rows[1])


def test_fills_of_an_empty_ledger_says_that_there_are_none(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    facts.record(path)
    done = run("fills", "--ledger", path, "--config", "nowhere")
    assert (done.exit_code, done.stdout, done.stderr) == (Exit.OK, "", "no fills on record yet\n")


@pytest.mark.parametrize(("what", "count"), [("fills", 1), ("alarms", 1), ("readings", 19)])
def test_export_writes_what_is_asked_for(ledger: Path, tmp_path: Path, what: str, count: int) -> None:
    out = tmp_path / f"{what}.csv"
    done = run("export", what, out, "--ledger", ledger)
    assert (done.exit_code, done.stderr) == (Exit.OK, "")
    assert done.stdout == f"{out}: {count} {what}\n"
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == count
    assert {row["fill_id"] for row in rows} == {facts.FILL}


def test_export_knows_the_form_by_the_name_or_by_the_word(ledger: Path, tmp_path: Path) -> None:
    assert run("export", "fills", tmp_path / "x.jsonl", "--ledger", ledger).exit_code == Exit.OK
    assert run("export", "fills", tmp_path / "x", "--ledger", ledger, "--format", "jsonl").exit_code == Exit.OK
    assert (tmp_path / "x").read_bytes() == (tmp_path / "x.jsonl").read_bytes()
    (fill,) = lines_of((tmp_path / "x").read_text())
    assert fill["close_bar_gauge"] == 221.5
    assert run("export", "fills", tmp_path / "y", "--ledger", ledger).exit_code == Exit.FAILED
    assert not (tmp_path / "y").exists()


def test_export_takes_days(ledger: Path, tmp_path: Path) -> None:
    out = tmp_path / "x.csv"
    run("export", "fills", out, "--ledger", ledger, "--since", "2026-11-25")
    assert len(out.read_text().splitlines()) == 1, "the heading alone"
    run("export", "fills", out, "--ledger", ledger, "--since", "2026-11-24", "--until", "2026-11-24T23:00")
    assert len(out.read_text().splitlines()) == 2


def test_an_export_that_fails_leaves_the_old_file_and_no_half_one(ledger: Path, tmp_path: Path) -> None:
    out = tmp_path / "fills.csv"
    out.write_text("of last month")
    ledger.write_bytes(ledger.read_bytes()[:5000])
    assert run("export", "fills", out, "--ledger", ledger).exit_code == Exit.FAILED
    assert out.read_text() == "of last month"
    assert [path.name for path in tmp_path.iterdir() if "fills.csv" in path.name] == ["fills.csv"]


# --- simulate --------------------------------------------------------------------------------------------------------


def test_a_simulated_day_is_a_capture_that_replays_and_a_truth_beside_it(tmp_path: Path) -> None:
    scenario = tmp_path / "small.toml"
    scenario.write_text(_toml(small_scenario()))
    out, truth = tmp_path / "day.jsonl", tmp_path / "truth.json"
    done = run("simulate", scenario, "--out", out, "--truth", truth)
    assert (done.exit_code, done.stdout) == (Exit.OK, f"{out}: 1 fill\n")
    assert json.loads(truth.read_text())
    fills = [line for line in lines_of(run("replay", out, "--json").stdout) if line["kind"] == "fill"]
    assert [fill["serial"] for fill in fills] == ["TH-0042"]


def _toml(tables: dict[str, Any]) -> str:
    """A scenario as TOML: JSON values are TOML values once tables have their headings."""
    told = []
    for name, value in tables.items():
        for table in value if isinstance(value, list) else [value]:
            told.append(f"[[{name}]]" if isinstance(value, list) else f"[{name}]")
            told += [f"{key} = {_inline(each)}" for key, each in table.items()]
    return "\n".join(told)


def _inline(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_inline(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_inline, value)) + "]"
    return json.dumps(value)


# --- capture ---------------------------------------------------------------------------------------------------------


@pytest.mark.servers
def test_what_was_captured_replays_to_what_live_said(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board, Peer(broker.port) as sensors:
        config = write_station(tmp_path / "config", broker.port)
        board.subscribe("fillguard/#")
        drill, out = Drill(), tmp_path / "overfill.jsonl"
        with (
            Process(tmp_path / "log", "run", "--config", config, "--drill", **drill.environ) as daemon,
            Process(tmp_path / "captured", "capture", out, "--config", config, **drill.environ) as recorder,
        ):
            board.wait_for(lambda _: bool(said_on(board, "fillguard/tern/status")))
            until(lambda: "broker up" in recorder.said, "the capture is connected")
            drill.play(sensors, overfill())
            board.wait_for(lambda _: any(said["outcome"] for said in said_on(board, "fillguard/tern/1/fill")))
            until(lambda: len(out.read_text().splitlines()) == len(overfill()), "all messages in the capture")
            assert recorder.ask_to_stop() == Exit.OK
            assert f"{out}: {len(overfill())} messages" in recorder.said
            assert daemon.ask_to_stop() == Exit.OK
    told = lines_of(fillguard("replay", out, "--json", "--config", config).stdout)
    alarms = [
        (said["alarm"], said["old_state"], said["state"], said["occurrence"])
        for said in said_on(board, "fillguard/tern/alarm")
        if said["old_state"] != said["state"]
    ]
    replayed = [(line["alarm"], line["state"], line["occurrence"]) for line in told if line["kind"] == "alarm"]
    assert replayed == [(alarm, state, occurrence) for alarm, _, state, occurrence in alarms]
    (fill,) = (line for line in told if line["kind"] == "fill")
    with SqliteLedgerReader(config / "ledger.db") as reader:
        (recorded,) = reader.fills(limit=10)
    assert (fill["fill"], fill["serial"], fill["outcome"]) == (
        recorded["fill_id"],
        recorded["serial"],
        recorded["outcome"],
    )
    assert fill["alarms"] == list(recorded["alarms"])  # type: ignore[call-overload]
    for name in ("start", "close", "settled", "final_settled"):
        # The two clients got each message some milliseconds apart, thirty times as much on the drill's clock.
        assert fill[f"{name}_bar"] == pytest.approx(recorded[f"{name}_gauge_pa"] / 1e5, abs=0.5)  # type: ignore[operator]
