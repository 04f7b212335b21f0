"""The demonstration, as somebody meets it who has just installed fillguard."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import psutil
import pytest

from fillguard.cli.exits import Exit
from fillguard.clock import monotonic_s
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from tests.stations import fillguard

pytestmark = pytest.mark.servers

PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def shown(folder: Path) -> str:
    """What a whole demonstration prints where there is no terminal."""
    done = fillguard("demo", "--speed", "20", "--folder", folder)
    assert (done.returncode, done.stderr) == (Exit.OK, "")
    return done.stdout


def lanes(shown: str) -> list[str]:
    return [line for line in shown.splitlines() if line.startswith("whip ")]


def test_it_begins_with_what_it_is_and_that_it_is_not_real(shown: str) -> None:
    first = shown[:600]
    assert first.startswith("DRILL: ")
    assert "invented fill station" in first
    assert "fillguard advises; it operates no valve." in first


def test_it_tells_each_whip_again_and_again_without_cursor_codes(shown: str) -> None:
    counts = Counter(line.split(" | ")[0] for line in lanes(shown))
    assert set(counts) == {"whip 1", "whip 2", "whip 3", "whip 4"}
    assert min(counts.values()) >= 5, "every five seconds of a minute"
    assert "\x1b" not in shown
    assert "\r" not in shown


def test_a_lane_says_where_it_settles_and_where_to_close(shown: str) -> None:
    normal = re.compile(
        r"whip 1 \| filling \| gauge \d+ bar \| settles \d+ bar \(\d+ to \d+\) \| limit 207 bar \| \d+ bar/min \| "
        r"close at 2\d\d bar, in \d:\d\d"
    )
    assert any(normal.fullmatch(line) for line in lanes(shown))


def test_no_lane_shows_a_falling_rate_as_a_fill_rate(shown: str) -> None:
    assert not [line for line in lanes(shown) if re.search(r"\| -\d", line)]


@pytest.mark.parametrize(
    "title",
    [
        "DRILL ACT - whip 2: filling too fast",
        "DRILL ACT - whip 3: close-at passed, still filling",
        "DRILL STOP - whip 3: projected overfill",
        "DRILL ACT - whip 1: unknown cylinder",
        "DRILL STOP - whip 2: monitoring lost",
        "DRILL Ended - whip 3: projected overfill",
    ],
)
def test_its_alerts_come_and_say_that_they_are_a_drill(shown: str, title: str) -> None:
    assert f">>> alert to panel: {title}\n    DRILL: practice, nothing of this is real.\n" in shown


def test_only_the_gravest_alerts_go_to_the_manager(shown: str) -> None:
    to_manager = set(re.findall(r">>> alert to manager: (.*)", shown))
    assert to_manager == {
        "DRILL STOP - whip 3: projected overfill",
        "DRILL Ended - whip 3: projected overfill",
        "DRILL STOP - whip 2: monitoring lost",
        "DRILL Ended - whip 2: monitoring lost",
    }


def test_a_notice_that_comes_at_once_is_not_called_late(shown: str) -> None:
    assert "(raised at" not in shown, "nothing was late"


def test_a_hose_at_pressure_before_a_shut_cylinder_valve_is_told_and_no_alarm(shown: str) -> None:
    assert "--- whip 4: " in shown
    assert "the cylinder valve is shut" in shown
    assert not [alert for alert in re.findall(r">>> alert to .*", shown) if "whip 4" in alert]


def test_a_silent_sensor_is_told_with_what_to_do(shown: str) -> None:
    assert re.search(r"--- whip 2: The pressure sensor says nothing any more; .*Stop filling on this whip", shown)


def test_it_ends_with_the_fills_and_where_the_record_lies(shown: str, folder: Path) -> None:
    *_, last = shown.splitlines()
    assert last == (f"The record lies in {folder / 'ledger.db'}. Look again: fillguard fills --config {folder}")
    summaries = [line for line in shown.splitlines() if line.startswith("fill: ")]
    with SqliteLedgerReader(folder / "ledger.db") as reader:
        recorded = reader.fills(limit=50)
    assert len(summaries) == len(recorded) == 6
    (third,) = (line for line in summaries if "TH-0043" in line)
    assert "alarms: " in third
    assert "overfill" in third


def test_its_record_is_whole_and_can_be_looked_at_again(shown: str, folder: Path) -> None:
    assert shown
    assert verify(folder / "ledger.db").finding is Finding.INTACT
    again = fillguard("fills", "--config", folder)
    assert again.returncode == Exit.OK
    assert "TH-0043" in again.stdout


def test_it_does_not_play_over_a_record(shown: str, folder: Path) -> None:
    assert shown
    done = fillguard("demo", "--folder", folder)
    assert done.returncode == Exit.BAD_INPUT
    assert "already holds a record" in done.stderr


class Terminal:
    """A terminal of 140 by 40 with the demonstration in it."""

    def __init__(self, folder: Path) -> None:
        self._ours, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "fillguard", "demo", "--speed", "20", "--folder", str(folder)],
            env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "140", "LINES": "40"},
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)
        self.shown = ""

    def read_until(self, pattern: str) -> None:
        """Read what is drawn until it matches."""
        ends_s = monotonic_s() + PATIENCE_S
        while not re.search(pattern, self.shown, re.DOTALL):
            goes_on = self._read() and monotonic_s() < ends_s
            assert goes_on, f"{pattern} never came:\n{self.shown}"

    def read_to_the_end(self) -> None:
        while self._read():
            pass

    def _read(self) -> bool:
        if not select.select([self._ours], [], [], PATIENCE_S)[0]:
            return False
        try:
            more = os.read(self._ours, 65536)
        except OSError:  # the last one closed its end
            return False
        self.shown += more.decode(errors="replace")
        return bool(more)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        os.close(self._ours)


def test_on_a_terminal_it_draws_a_table_and_ctrl_c_ends_it_with_all_its_children(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path / "demo")
    try:
        terminal.read_until("what to do.*attached")
        family = psutil.Process(terminal.process.pid).children(recursive=True)
        assert family, "the simulated station is a process of its own"
        os.killpg(terminal.process.pid, signal.SIGINT)  # as a terminal does it: to all of them
        terminal.read_to_the_end()
        assert terminal.process.wait(PATIENCE_S) == Exit.INTERRUPTED
    finally:
        terminal.close()
    _, alive = psutil.wait_procs(family, timeout=PATIENCE_S)
    assert alive == []
    assert "\x1b[" in terminal.shown
    assert "Traceback" not in terminal.shown
    assert "The record lies in" in terminal.shown.replace("\r\n", " ")
    assert verify(tmp_path / "demo" / "ledger.db").finding is Finding.INTACT
