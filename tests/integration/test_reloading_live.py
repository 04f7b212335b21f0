"""A running watch and its configuration: changed by a name, by hand, by a broken file; all of it on record."""

import json
import os
import signal
from pathlib import Path

import pytest

from fillguard.cli.exits import Exit
from fillguard.core.units import PA_PER_BAR
from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import Mosquitto, Peer
from tests.stations import Process, fillguard, said_on, until, write_station

pytestmark = pytest.mark.servers
SHIPPED = (Path(__file__).resolve().parents[2] / "config" / "alarms.toml").read_text()


def configs(ledger: Path) -> list[tuple[str, str, list[str]]]:
    """Who, why and what changed of every configuration that was in force, oldest first."""
    with SqliteLedgerReader(ledger) as reader:
        return [(str(c.body["who"]), str(c.body["why"]), c.body["change"]) for c in reversed(reader.configs(100))]  # type: ignore[misc]


def audits(ledger: Path) -> list[str]:
    with SqliteLedgerReader(ledger) as reader:
        return [str(record.body["action"]) for record in reader.iter_record("audit")]


def test_thresholds_change_under_a_running_watch_and_a_broken_file_does_not(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        config = write_station(tmp_path / "config", broker.port)
        ledger = config / "ledger.db"
        (config / "alarms.toml").write_text(SHIPPED)
        board.subscribe("fillguard/#")
        capture = Process(tmp_path / "capture.log", "capture", tmp_path / "day.jsonl", "--config", config)
        with Process(tmp_path / "log", "run", "--config", config) as daemon, capture:
            board.wait_for(lambda _: bool(said_on(board, "fillguard/tern/status")))
            until(lambda: "broker up" in capture.said, "the capture listens")

            done = fillguard(
                "thresholds", "set", "too-fast", "25", "--config", config, "--by", "tech-1", "--why", "runs hot"
            )
            assert done.returncode == Exit.OK, done.stderr
            assert f"the running watch (process {daemon.pid}) was told" in done.stderr
            board.wait_for(lambda _: bool(said_on(board, "fillguard/tern/rules")))
            (told,) = said_on(board, "fillguard/tern/rules")
            assert (told["by"], told["why"]) == ("tech-1", "runs hot")
            assert told["thresholds"]["alarms"]["too-fast"]["setpoint"] == pytest.approx(25 * PA_PER_BAR / 60)

            (config / "alarms.toml").write_text(SHIPPED.replace("[drops]", "[drips]"))
            os.kill(daemon.pid, signal.SIGHUP)
            board.wait_for(lambda _: broken(board) == ["unacknowledged"])
            assert "alarms.toml: [drips]: unknown alarm; did you mean drops?" in said_on(board, ALARM)[-1]["cause"]

            (config / "alarms.toml").write_text(SHIPPED)  # nobody gives a signal: it looks by itself
            board.wait_for(lambda _: len(said_on(board, "fillguard/tern/rules")) > 1)
            board.wait_for(lambda _: broken(board)[-1] == "returned-unacknowledged")
            until(lambda: "$fillguard/rules" in (tmp_path / "day.jsonl").read_text(), "the change is captured")

            station = config / "station.toml"
            station.write_text(station.read_text().replace("Tern Harbour", "Tern Pier"))
            os.kill(daemon.pid, signal.SIGHUP)
            until(lambda: "comes into force at the next restart" in daemon.said, "it says what waits")
            assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
            assert capture.ask_to_stop(within_s=10.0) == Exit.OK
    history = configs(ledger)
    assert [(who, why) for who, why, _ in history] == [
        ("fillguard", "start"), ("tech-1", "runs hot"), ("not said", "the files were changed"),
    ]  # fmt: skip
    assert "too-fast setpoint: 30 -> 25 bar/min (stricter)" in history[1][2]
    assert "too-fast setpoint: 25 -> 30 bar/min (looser)" in history[2][2]
    assert {"configuration-refused", "configuration-loaded"} <= set(audits(ledger))
    shown = fillguard("thresholds", "history", "--config", config)
    assert "runs hot" in shown.stdout
    replayed = fillguard("replay", tmp_path / "day.jsonl", "--config", config, "--json")
    assert (replayed.returncode, replayed.stderr) == (Exit.OK, "")


ALARM = "fillguard/tern/alarm"


def broken(board: Peer) -> list[str]:
    return [said["state"] for said in said_on(board, ALARM) if said["alarm"] == "configuration-broken"]


def test_the_next_run_says_what_changed_meanwhile_and_by_whom(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1)  # nobody listens there: it goes on trying
    with Process(tmp_path / "log", "run", "--config", config) as daemon:
        until(lambda: "broker down" in daemon.said, "it runs")
        assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
    fillguard("thresholds", "set", "gas-hot", "60", "--config", config, "--by", "tech-1", "--why", "summer")
    with Process(tmp_path / "log2", "run", "--config", config) as daemon:
        until(lambda: "broker down" in daemon.said, "it runs")
        assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
    assert [who for who, _, _ in configs(config / "ledger.db")] == ["fillguard", "tech-1"]
    assert json.loads((config / "thresholds.jsonl").read_text())["why"] == "summer"
