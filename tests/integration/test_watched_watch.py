"""A real daemon between a real broker and a supervisor's real socket: what feeds it, what it says when nothing does."""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from fillguard.cli.exits import Exit
from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import DEADLINE_S, Mosquitto, Peer
from tests.stations import Process, said_on, until, write_station

pytestmark = pytest.mark.servers
ALARM, STATUS = "fillguard/tern/alarm", "fillguard/tern/status"


@contextmanager
def supervisor(path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        listener.settimeout(DEADLINE_S)
        yield listener


def self_test(board: Peer) -> list[str]:
    return [said["state"] for said in said_on(board, ALARM) if said["alarm"] == "self-test-failing"]


def told_in(ledger: Path) -> list[tuple[str, str]]:
    """State and occurrence of each change of the self-test's alarm, as recorded."""
    with SqliteLedgerReader(ledger) as reader:
        bodies = [record.body for record in reader.iter_alarms()]
    return [(str(b["new"]), str(b["occurrence"])) for b in bodies if b["alarm"] == "self-test-failing"]


def test_only_a_message_that_came_back_through_the_broker_feeds_the_supervisor(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, supervisor(tmp_path / "notify") as listener:
        config = write_station(tmp_path / "config", broker.port)
        with Process(tmp_path / "log", "run", "--config", config, NOTIFY_SOCKET=str(tmp_path / "notify")) as daemon:
            assert listener.recv(1000).decode().startswith("READY=1\nSTATUS=watching tern")
            assert listener.recv(1000) == b"WATCHDOG=1"
            assert listener.recv(1000) == b"WATCHDOG=1"

            broker.pause()  # connections stay open and nothing comes back
            until(lambda: "canary fails: the message that fillguard sends itself" in daemon.said, "it misses it")
            listener.settimeout(0.0)
            while True:  # what was fed before; from here on nothing is
                try:
                    assert listener.recv(1000) == b"WATCHDOG=1"
                except BlockingIOError:
                    break
            broker.resume()
            listener.settimeout(DEADLINE_S)
            assert listener.recv(1000) == b"WATCHDOG=1"
            until(lambda: "canary works again" in daemon.said, "it hears itself again")
            with Peer(broker.port) as board:
                board.subscribe("fillguard/#")
                board.wait_for(lambda _: bool(said_on(board, STATUS)))
                assert said_on(board, STATUS)[-1]["state"] == "online"
            assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
            rest = []
            while rest[-1:] != [b"STOPPING=1"]:
                rest.append(listener.recv(1000))
    assert set(rest[:-1]) <= {b"WATCHDOG=1"}
    assert [state for state, _ in told_in(config / "ledger.db")] == ["unacknowledged", "returned-unacknowledged"]


def test_a_watch_that_vanishes_is_told_by_the_broker(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with Mosquitto(tmp_path / "broker") as broker, Peer(broker.port) as board:
        config = write_station(tmp_path / "config", broker.port)
        board.subscribe("fillguard/#")
        with Process(tmp_path / "log", "run", "--config", config) as daemon:
            board.wait_for(lambda _: [said["state"] for said in said_on(board, STATUS)] == ["online"])
            daemon.kill()
        board.wait_for(lambda _: [said["state"] for said in said_on(board, STATUS)] == ["online", "offline"])
