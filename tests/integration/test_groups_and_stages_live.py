"""Stages and a shared gauge through a real broker, a real watch and the command line."""

import json
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Peer
from tests.stations import Process, fillguard, said_on, write_station

pytestmark = pytest.mark.servers

CYLINDER = {
    "operator": "op-1",
    "water_volume_l": 11.1,
    "empty_mass_kg": 14.2,
    "material": "aluminium",
    "rated_pressure_bar": 207,
    "reference_temperature_c": 21.1,
}
GAUGE = '[[gauge]]\nid = "north"\nwhips = ["1", "2"]'


def test_the_board_shows_who_shares_the_gauge_and_a_person_takes_one_out(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        board.subscribe("fillguard/#")
        config = write_station(tmp_path / "config", broker.port, more=GAUGE)
        told = ("--config", str(config), "--operator", "op-1")
        with Process(tmp_path / "daemon.log", "run", "--config", config) as daemon:
            board.wait_for(lambda _: any(said["state"] == "online" for said in said_on(board, "fillguard/tern/status")))
            for whip, serial in (("1", "TH-0901"), ("2", "TH-0902")):
                board.publish(f"fill/tern/{whip}/cylinder", json.dumps({"serial": serial, **CYLINDER}))
            board.wait_for(lambda _: bool(shared_with(board, "1")) and bool(shared_with(board, "2")))
            assert (shared_with(board, "1"), shared_with(board, "2")) == (["2"], ["1"])

            alone = fillguard("closed", "9", *told)
            assert "whip '9' is not configured" in alone.stderr
            done = fillguard("closed", "2", *told)
            assert (done.returncode, done.stderr) == (0, "whip 2: closed, out of the group\n"), done.stderr
            board.wait_for(lambda _: shared_with(board, "1") == [])
            again = fillguard("closed", "2", *told)
            assert (again.returncode, "nothing is attached to whip 2" in again.stderr) == (1, True), again.stderr
            assert daemon.ask_to_stop() == 0


def test_a_recipe_from_the_command_line_hangs_the_cylinder_where_its_first_gas_is(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        board.subscribe("fillguard/#")
        config = write_station(tmp_path / "config", broker.port)
        told = ("--config", str(config), "--operator", "op-1")
        with Process(tmp_path / "daemon.log", "run", "--config", config) as daemon:
            board.wait_for(lambda _: any(said["state"] == "online" for said in said_on(board, "fillguard/tern/status")))
            recipe = ("--stage", "oxygen:29@2", "--stage", "air:200", "--residual-gas", "air")
            done = fillguard("attach", "1", "TH-0042", *recipe, *told)
            assert done.returncode == 0, done.stderr
            board.wait_for(
                lambda _: any(said["serial"] == "TH-0042" for said in said_on(board, "fillguard/tern/2/fill"))
            )
            refused = fillguard("stage", "2", "7", *told)
            assert (refused.returncode, "no stage 7 here" in refused.stderr) == (1, True), refused.stderr
            taken = fillguard("stage", "2", "2", *told)
            assert taken.returncode == 0, taken.stderr
            assert daemon.ask_to_stop() == 0


def shared_with(board: Peer, whip: str) -> list[str]:
    """The others on its gauge, as the state of a whip last said."""
    said = said_on(board, f"fillguard/tern/{whip}/fill")
    found: list[str] = said[-1]["shared_with"] if said else []
    return found
