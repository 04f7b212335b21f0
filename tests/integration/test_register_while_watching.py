"""The commands of the register beside a running watch: attach, override, a change that the next attach sees."""

import shutil
from pathlib import Path
from typing import Any

import pytest

from fillguard.ledger.chain import Finding, verify
from tests.servers import Mosquitto, Peer
from tests.stations import Process, fillguard, said_on, write_station

pytestmark = pytest.mark.servers

ROOT = Path(__file__).resolve().parents[2]
STATE = "fillguard/tern/2/fill"


def wait_for_state(peer: Peer, **wanted: object) -> dict[str, Any]:
    """The newest state of whip 2, once it says what is wanted."""

    def found(_: object = None) -> bool:
        states = said_on(peer, STATE)
        return bool(states) and all(states[-1].get(key) == value for key, value in wanted.items())

    peer.wait_for(found)
    return said_on(peer, STATE)[-1]


def test_the_register_and_the_watch_work_side_by_side(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        board.subscribe("fillguard/#")
        config = write_station(tmp_path / "config", broker.port)
        shutil.copy(ROOT / "config" / "cylinders.csv", config)
        with Process(tmp_path / "daemon.log", "run", "--config", config) as daemon:
            board.wait_for(lambda _: any(said["state"] == "online" for said in said_on(board, "fillguard/tern/status")))
            imported = fillguard("cylinders", "import", config / "cylinders.csv", "--config", config, "--by", "op-1")
            assert (imported.returncode, "10 added" in imported.stderr) == (0, True), imported.stderr

            attached = fillguard("attach", "2", "th-0044", "--config", config, "--operator", "op-1")
            assert attached.returncode == 0, attached.stderr
            assert attached.stdout.startswith("Fill with care, up to 200 bar"), "nobody read the stamp yet"
            assert wait_for_state(board, serial="th-0044", verdict="fill with care")
            ticked = fillguard("checked", "2", "stamp-read", "--config", config, "--operator", "op-1")
            assert ticked.returncode == 0, ticked.stderr
            assert "Fill, up to 300 bar" in wait_for_state(board, serial="th-0044", verdict="fill")["verdict_text"]

            aside = (
                "cylinders",
                "set-aside",
                "TH-0044",
                "--config",
                config,
                "--reason",
                "owner to call",
                "--by",
                "op-1",
            )
            assert fillguard(*aside).returncode == 0
            again = fillguard("attach", "2", "TH-0044", "--stamp-read", "--config", config, "--operator", "op-1")
            assert "Set aside: owner to call" in again.stdout
            state = wait_for_state(board, serial="TH-0044", verdict="do not fill")
            assert [reason["code"] for reason in state["verdict_reasons"]] == ["set-aside"]

            answer = ("override", "2", "--config", config, "--operator", "op-2", "--reason", "owner called")
            assert fillguard(*answer).returncode == 0
            assert wait_for_state(board, overridden_by="op-2")["override_refused"] is None

            noticed = ("detach", "2", "--config", config, "--operator", "op-1", "--valve-found", "stiff")
            assert fillguard(*noticed).returncode == 0
            assert wait_for_state(board, serial=None)["verdict"] is None
            nothing = fillguard("checked", "2", "valves-open", "--config", config, "--operator", "op-1")
            assert (nothing.returncode, "no cylinder hangs here" in nothing.stderr) == (1, True)
            assert daemon.ask_to_stop() == 0
        valves = fillguard("cylinders", "valves", "--csv", "--config", config)
        assert "TH-0044,stiff," in valves.stdout, "what was noticed at the panel"
        assert verify(config / "ledger.db").finding is Finding.INTACT


def test_a_whip_that_is_not_configured_and_a_broker_that_is_away_are_said(tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1)
    wrong = fillguard("attach", "9", "TH-0044", "--config", config, "--operator", "op-1")
    assert (wrong.returncode, "whip '9' is not configured" in wrong.stderr) == (2, True)
    away = fillguard("attach", "2", "TH-0907", "--config", config, "--operator", "op-1")
    assert "TH-0907 is not in the register" in away.stdout, "the verdict comes first"
    assert (away.returncode, "bring the broker back" in away.stderr) == (2, True)
