"""Acting on alarms from a command line, through a real broker to a real watch, and its answer back."""

import json
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Peer
from tests.stations import Process, fillguard, said_on, write_station

pytestmark = pytest.mark.servers

ALARM = "fillguard/tern/alarm"
OVER = "whip-over-rating"


def test_the_person_at_a_command_line_hears_whether_it_was_done(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        board.subscribe("fillguard/#")
        config = write_station(tmp_path / "config", broker.port)
        told = ("--config", str(config), "--operator", "op-1")
        with Process(tmp_path / "daemon.log", "run", "--config", config) as daemon:
            board.wait_for(lambda _: any(said["state"] == "online" for said in said_on(board, "fillguard/tern/status")))
            nothing = fillguard("acknowledge", OVER, "--whip", "2", *told)
            assert (nothing.returncode, "nothing to acknowledge" in nothing.stderr) == (1, True), nothing.stderr

            board.publish("fill/tern/2/pressure", json.dumps({"value": 360.0, "unit": "bar"}))
            board.wait_for(lambda _: bool(said_on(board, ALARM)))
            shelved = fillguard("shelve", OVER, "--whip", "2", "--minutes", "5", "--reason", "noisy", *told)
            assert (shelved.returncode, "priority 1" in shelved.stderr) == (1, True), shelved.stderr
            occurrence = said_on(board, ALARM)[0]["occurrence"]
            done = fillguard("acknowledge", occurrence, *told)
            assert (done.returncode, done.stderr) == (0, f"{occurrence}: acknowledged\n")
            assert said_on(board, ALARM)[-1]["state"] == "acknowledged"

            board.publish("fillguard/tern/command", json.dumps({"id": "c-7", "verb": "silence", "operator": "op-1"}))
            board.wait_for(lambda _: said_on(board, "fillguard/tern/answer")[-1]["id"] == "c-7")
            answer = said_on(board, "fillguard/tern/answer")[-1]
            assert (answer["done"], answer["refused"].split(":")[0]) == (False, 'verb "silence"')
            assert daemon.ask_to_stop() == 0


def test_a_command_that_nobody_can_hear_or_that_names_nothing_is_said(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1)
    told = ("--config", str(config), "--operator", "op-1")
    wrong = fillguard("acknowledge", "overfil", "--whip", "2", *told)
    assert (wrong.returncode, "did you mean overfill" in wrong.stderr) == (2, True), wrong.stderr
    assert "whip '9' is not configured" in fillguard("acknowledge", "overfill", "--whip", "9", *told).stderr
    away = fillguard("acknowledge", "overfill", "--whip", "2", *told)
    assert (away.returncode, "bring the broker back" in away.stderr) == (2, True), away.stderr
