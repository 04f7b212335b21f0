"""A disk that takes nothing more under a running watch: people hear of it, alarms go on, and the record catches up."""

import contextlib
import json
import resource
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from fillguard.cli.exits import Exit
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import Peer
from tests.stations import Process, fillguard, said_on, until, write_station
from tests.trials import Posts, ShippedBroker, Shower, tally, trial_station, wait_for_record, wait_until_watching

pytestmark = pytest.mark.servers

ALARM = "fillguard/tern/alarm"


class SmallDisk:
    """A file system of some megabytes that can be filled up, and freed."""

    def __init__(self, folder: Path) -> None:
        self.folder, self._hog = folder, folder / "hog"

    def breaks(self, _daemon: Process) -> None:
        with self._hog.open("wb", buffering=0) as file, contextlib.suppress(OSError):  # until nothing is left
            while True:
                file.write(b"x" * 4096)

    def is_mended(self, _daemon: Process) -> None:
        self._hog.unlink()

    def is_read_only(self) -> None:
        subprocess.run(["mount", "-o", "remount,ro", self.folder], check=True, capture_output=True)


class RefusingDisk:
    """A disk that from one moment on refuses every write of one process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def breaks(self, daemon: Process) -> None:
        resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def is_mended(self, daemon: Process) -> None:
        resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[SmallDisk]:
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", folder], check=False, capture_output=True
    )
    if mounted.returncode != 0:
        pytest.skip("mounting a small disk needs root")
    yield SmallDisk(folder)
    subprocess.run(["umount", "--lazy", folder], check=True)


def test_on_a_full_disk_alarms_and_notices_go_out_and_say_so(tmp_path: Path, small_disk: SmallDisk) -> None:
    survives(tmp_path, small_disk)


def test_on_a_disk_that_refuses_every_write_it_is_the_same(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    survives(tmp_path, RefusingDisk(tmp_path / "disk"))


def test_on_a_read_only_disk_it_does_not_start_and_says_why(tmp_path: Path, small_disk: SmallDisk) -> None:
    config = write_station(tmp_path / "config", 1)
    station = config / "station.toml"
    ledger = small_disk.folder / "ledger.db"
    station.write_text(station.read_text(encoding="utf-8").replace('"ledger.db"', f'"{ledger}"'), encoding="utf-8")
    small_disk.is_read_only()
    done = fillguard("run", "--config", config)
    assert done.returncode == Exit.FAILED
    assert str(small_disk.folder) in done.stderr
    assert "ead-only file system" in done.stderr


def survives(tmp_path: Path, disk: SmallDisk | RefusingDisk) -> None:
    """One outage of `disk` under a running watch."""
    ledger = disk.folder / "ledger.db"
    with ShippedBroker(tmp_path / "broker") as broker, Posts() as posts:
        config = trial_station(
            tmp_path / "config", broker, channels={"panel": f'url = "{posts.url}"\npriorities = [1]'}, ledger=ledger
        )
        with (
            Process(tmp_path / "log", "run", "--config", config) as daemon,
            Peer(broker.port, user="tern-board") as board,
        ):
            board.subscribe("fillguard/#")
            wait_until_watching(broker)
            with Shower(broker, 100.0) as shower:
                board.wait_for(lambda _: raised(board, "whip-over-rating"))
                disk.breaks(daemon)
                board.wait_for(lambda _: raised(board, "record-failing"))
                seen = len(said_on(board, ALARM))
                board.wait_for(lambda _: raised(board, "whip-over-rating", after=seen))
                until(lambda: any("not recorded" in title for title, _ in posts.taken), "a notice all the same")
                disk.is_mended(daemon)
                until(lambda: "ledger works again" in daemon.said, "the ledger takes rows again", 60.0)
                sent = shower.finish()
                wait_for_record(ledger, sent)
            assert daemon.ask_to_stop(within_s=20.0) == 0
    unrecorded = [said for said in said_on(board, ALARM) if said["recorded"] is False]
    told = tally(ledger, shower.sent, posts.taken)
    told.more = {"alarms sent unrecorded": len(unrecorded)}
    told.told()
    assert (told.sent, told.lost, told.doubled) == (told.recorded, 0, 0), told
    assert (told.notices_lost, told.notices_doubled) == (0, 0), told
    assert unrecorded
    assert {said["priority"] for said in said_on(board, ALARM) if said["alarm"] == "record-failing"} == {1}
    with SqliteLedgerReader(ledger) as reader:
        (gap,) = [row.body for row in reader.iter_record("audit") if row.body["action"] == "ledger-recovered"]
    assert gap["data"]["alarms_sent_meanwhile"], json.dumps(gap)  # type: ignore[index, call-overload]
    assert gap["data"]["notices_sent_meanwhile"], json.dumps(gap)  # type: ignore[index, call-overload]
    assert gap["data"]["lost"] == 0  # type: ignore[index, call-overload]
    assert verify(ledger).finding is Finding.INTACT


def raised(board: Peer, alarm: str, after: int = 0) -> bool:
    """Whether `alarm` was raised, beyond the first `after` changes that were told."""
    return any(said["alarm"] == alarm and said["state"] == "unacknowledged" for said in said_on(board, ALARM)[after:])
