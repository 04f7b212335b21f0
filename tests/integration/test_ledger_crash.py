"""The ledger when the machine lets it down: killed in the middle, on a disk that is full."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import BinaryIO

import pytest

from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.writer import SqliteLedgerWriter
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, PATIENCE_S, Token, alarm, reading, step

pytestmark = pytest.mark.servers

WRITES_UNTIL_KILLED = """
import itertools, sys
from pathlib import Path
sys.path.append(sys.argv[3])  # last: the tests from the checkout, fillguard as it is installed
from tests.ledger_facts import alarm, reading, step, writer


class Telling:
    def __init__(self, number):
        self.number = number

    def acknowledge(self):
        print(self.number, flush=True)


ledger = writer(Path(sys.argv[1]))
ledger.start()
for number in itertools.count(int(sys.argv[2])):
    facts = (alarm(number, number),) if number % 10 == 0 else ()
    ledger.put(step(reading(number, 40, seq=number, boot="b"), *facts, ack=Telling(number)))
    if number % 100 == 0:
        sys.stdin.readline()
"""


def test_killed_again_and_again_nothing_acknowledged_is_lost_and_nothing_is_doubled(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    acknowledged: list[int] = []
    first = 1
    for acknowledgements in (1, 37, 205, 64):
        with subprocess.Popen(
            [sys.executable, "-c", WRITES_UNTIL_KILLED, str(path), str(first), str(Path(__file__).parents[2])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write("\n" * (acknowledgements // 100 + 1))
            process.stdin.flush()
            heard = [int(process.stdout.readline()) for _ in range(acknowledgements)]
            process.kill()
            heard += [int(line) for line in process.stdout.read().splitlines()]
        acknowledged += heard
        first = heard[-1] + 1  # what was not acknowledged is sent again
        verdict = verify(path)
        assert verdict.finding is Finding.INTACT, verdict
    assert acknowledged == list(range(1, acknowledged[-1] + 1)), "in order, none twice"
    SqliteLedgerWriter(path, OWNER, FakeClock()).stop(PATIENCE_S)
    with SqliteLedgerReader(path) as reader:
        count = reader.newest_row("reading")
        numbers = [round(row.utc_s - reading(0, 40).stamp.utc_s) for row in reader.readings_after(0, 100_000)]
        alarms = [row.body["raised_utc_s"] - alarm(0).raised_utc_s for row in reader.iter_alarms()]
    assert len(numbers) == count
    assert numbers == list(range(1, len(numbers) + 1)), "every reading once"
    assert set(alarms) == {number for number in numbers if number % 10 == 0}
    assert len(numbers) >= len(acknowledged)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of some megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", folder], check=False, capture_output=True
    )
    if mounted.returncode != 0:
        pytest.skip("mounting a small disk needs root")
    yield folder
    subprocess.run(["umount", "--lazy", folder], check=True)


def fill_up(disk: Path) -> Path:
    """Until not a byte is left; returns the file to delete for room."""
    hog = disk / "hog"
    with hog.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space left"):
        write_for_ever(file)
    return hog


def write_for_ever(file: BinaryIO) -> None:
    while True:
        file.write(b"x" * 4096)


@pytest.mark.parametrize("before", [20, 0], ids=["a disk that fills up in use", "a disk that is full at the start"])
def test_a_full_disk_costs_no_row(small_disk: Path, before: int) -> None:
    path = small_disk / "ledger.sqlite3"
    told: list[tuple[bool, str]] = []
    down, up = Event(), Event()
    acknowledged: list[object] = []

    def on_health(ok: bool, detail: str) -> None:  # noqa: FBT001 - the listener's contract
        told.append((ok, detail))
        (up if ok else down).set()

    writer = SqliteLedgerWriter(path, OWNER, FakeClock(), on_health=on_health)
    writer.start()
    for number in range(1, before + 1):
        assert put_one(writer, number, acknowledged).done.wait(PATIENCE_S)
    hog = fill_up(small_disk)
    last = [put_one(writer, number, acknowledged) for number in range(before + 1, 301)][-1]
    assert down.wait(PATIENCE_S)
    assert not writer.healthy()
    hog.unlink()
    assert last.done.wait(PATIENCE_S)
    assert up.wait(PATIENCE_S)
    assert writer.stop(PATIENCE_S) == 0
    assert told[0][0] is False
    assert "full" in told[0][1]
    assert acknowledged == list(range(1, 301))
    assert verify(path).finding is Finding.INTACT
    with SqliteLedgerReader(path) as reader:
        assert reader.newest_row("reading") == 300
        assert [row.body["action"] for row in reader.iter_record("audit")][-1] == "ledger-recovered"


def put_one(writer: SqliteLedgerWriter, number: int, acknowledged: list[object]) -> Token:
    token = Token(number, acknowledged)
    writer.put(step(reading(number, 40, seq=number, boot="b"), alarm(number, number), ack=token))
    return token
