"""`fillguard thresholds`: the file keeps its comments, the change its author, and nothing unchecked is written."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import tomlkit
from typer.testing import CliRunner

from fillguard.app import thresholds
from fillguard.app.authors import Author, author_of, digest_of
from fillguard.app.thresholds import Target, set_threshold, target_of
from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.core.errors import ConfigurationError
from fillguard.core.units import PA_PER_BAR
from fillguard.ledger.lock import LedgerLock, holder
from fillguard.settings import ConfigurationProblems, load_settings
from tests.stations import write_station

BY = Author(by="tech-1", why="whip 2 runs hot")
SHIPPED = Path(__file__).resolve().parents[2] / "config" / "alarms.toml"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = write_station(tmp_path / "config", 1883)
    (folder / "alarms.toml").write_text(SHIPPED.read_text())
    return folder


def run(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["thresholds", *map(str, arguments)], env={"COLUMNS": "200"})
    return result.exit_code, result.output


@pytest.mark.parametrize(
    ("written", "target"),
    [
        ("too-fast", Target(alarm="too-fast", key="setpoint")),
        ("too-fast.deadband", Target(alarm="too-fast", key="deadband")),
        ("too-fast.oxygen-rich", Target(alarm="too-fast", key="variants", case="oxygen-rich")),
        ("too-fast.air.steel", Target(alarm="too-fast", key="variants", case="air.steel")),
        ("drops.off_delay_s", Target(alarm="drops", key="off_delay_s")),
    ],
)
def test_a_number_is_named_by_alarm_and_key_or_case(written: str, target: Target) -> None:
    assert target_of(written) == target


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("to-fast", "unknown alarm 'to-fast': did you mean too-fast"),
        ("too-fast.air.steal", "too-fast has no 'air.steal': did you mean air.steel"),
        ("too-fast.action", "too-fast has no 'action'"),
        ("drops", "alarm drops has no setpoint: it happened or it did not"),
    ],
)
def test_a_number_that_is_not_there_is_named(written: str, says: str) -> None:
    with pytest.raises(ConfigurationError) as error:
        target_of(written)
    assert says in str(error.value)


def test_one_number_changes_and_everything_else_stays_comments_and_all(config: Path) -> None:
    done = set_threshold(config, {}, target_of("too-fast"), 25.0, BY)
    before, after = SHIPPED.read_text().splitlines(), (config / "alarms.toml").read_text().splitlines()
    assert len(before) == len(after)
    differ = [(old, new) for old, new in zip(before, after, strict=True) if old != new]
    assert [new for _, new in differ][:2] == ["setpoint = 25", 'owner = "tech-1"']
    assert differ[2][1].startswith('reviewed = "')
    assert len(differ) == 3
    assert "too-fast setpoint: 30 -> 25 bar/min (stricter)" in map(str, done.change)
    assert load_settings(config, {}).alarms["too-fast"].setpoint == pytest.approx(25 * PA_PER_BAR / 60)


def test_a_case_that_was_not_there_is_added(config: Path) -> None:
    set_threshold(config, {}, target_of("too-fast.air.steel"), 35.0, BY, basis="our choice: measured here.")
    rule = load_settings(config, {}).alarms["too-fast"]
    assert rule.variants["air.steel"] == pytest.approx(35 * PA_PER_BAR / 60)
    assert rule.basis == "our choice: measured here."


def test_a_station_without_a_file_of_its_own_gets_the_shipped_one_with_its_comments(config: Path) -> None:
    (config / "alarms.toml").unlink()
    set_threshold(config, {}, target_of("gas-hot"), 60.0, BY)
    text = (config / "alarms.toml").read_text()
    assert text.startswith("# The alarms of a fill station")
    assert set(tomlkit.parse(text)) == set(tomlkit.parse(SHIPPED.read_text()))


def test_an_alarm_that_the_file_leaves_out_moves_in_as_shipped(config: Path) -> None:
    (config / "alarms.toml").write_text("# ours\n")
    set_threshold(config, {}, target_of("gas-hot"), 60.0, BY)
    text = (config / "alarms.toml").read_text()
    assert text.startswith("# ours\n")
    assert set(tomlkit.parse(text)) == {"gas-hot"}
    assert load_settings(config, {}).alarms["gas-hot"].cause


@pytest.mark.parametrize(
    ("what", "value", "says"),
    [
        ("too-fast", 1e9, "[too-fast] setpoint = 1000000000"),
        ("overfill.on_delay_s", 30.0, "allowed with priority 1: at most 10 seconds"),
        ("too-fast.priority", 1.0, "priority 1 must not be shelvable"),
    ],
)
def test_what_the_whole_configuration_does_not_bear_is_not_written(
    config: Path, what: str, value: float, says: str
) -> None:
    with pytest.raises(ConfigurationProblems) as error:
        set_threshold(config, {}, target_of(what), value, BY)
    assert says in str(error.value)
    assert (config / "alarms.toml").read_text() == SHIPPED.read_text()
    assert sorted(path.name for path in config.iterdir()) == ["alarms.toml", "station.toml"], "nothing left lying about"


def test_a_configuration_that_is_broken_elsewhere_is_not_touched(config: Path) -> None:
    station = config / "station.toml"
    station.write_text(station.read_text() + "[nonsense]\n")
    with pytest.raises(ConfigurationProblems, match="nonsense"):
        set_threshold(config, {}, target_of("too-fast"), 25.0, BY)


def test_author_and_change_stand_beside_the_file(config: Path) -> None:
    set_threshold(config, {}, target_of("too-fast"), 25.0, BY)
    (line,) = (config / "thresholds.jsonl").read_text().splitlines()
    said = json.loads(line)
    assert (said["by"], said["why"]) == (BY.by, BY.why)
    assert "too-fast setpoint: 30 -> 25 bar/min (stricter)" in said["change"]
    assert author_of(config, digest_of((config / "alarms.toml").read_text())) == BY


def test_the_file_keeps_its_rights(config: Path) -> None:
    (config / "alarms.toml").chmod(0o640)
    set_threshold(config, {}, target_of("too-fast"), 25.0, BY)
    assert (config / "alarms.toml").stat().st_mode & 0o777 == 0o640


def test_a_disk_that_takes_no_more_leaves_the_old_file(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        thresholds._replace(config / "alarms.toml", "half")
    assert (config / "alarms.toml").read_text() == SHIPPED.read_text()
    assert not list(config.glob(".*"))


def test_the_running_watch_is_signalled_and_only_it(config: Path) -> None:
    came = threading.Event()
    before = signal.signal(signal.SIGHUP, lambda *_: came.set())
    try:
        assert set_threshold(config, {}, target_of("too-fast"), 25.0, BY).running is False
        with LedgerLock(config / "ledger.db", "now"):
            done = set_threshold(config, {}, target_of("too-fast"), 24.0, BY)
            assert (done.running, done.told) == (True, os.getpid())
        assert came.wait(10.0)
        assert holder(config / "ledger.db") is None, "its lock file is left, but nobody holds it"
    finally:
        signal.signal(signal.SIGHUP, before)


def test_what_holds_the_ledger_and_is_no_watch_is_not_ended_by_the_signal() -> None:
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as other:
        assert thresholds._tell(other.pid, socket.gethostname()) is False
        assert other.poll() is None
        assert thresholds._listens(os.getpid()) is (signal.getsignal(signal.SIGHUP) not in {signal.SIG_DFL, None})


@pytest.mark.parametrize(
    ("pid", "host"),
    [(2**22 + 1, socket.gethostname()), (os.getpid(), "another-machine")],
    ids=["gone meanwhile", "on another machine"],
)
def test_a_watch_that_cannot_be_signalled_is_no_failure(pid: int, host: str) -> None:
    assert thresholds._tell(pid, host) is False


# --- The command --------------------------------------------------------------------------------------------------


def test_list_and_show_tell_the_numbers_and_the_whole_record(config: Path) -> None:
    code, text = run("list", "--config", config)
    assert code == Exit.OK
    assert "too-fast.oxygen-rich" in text
    code, text = run("show", "too-fast", "--config", config)
    assert code == Exit.OK
    assert {"setpoint: 30.0", "unit: bar/min", "action: Throttle.", "strict: lower"} <= set(text.splitlines())


def test_set_says_what_changed_and_asks_what_it_rests_on(config: Path) -> None:
    code, text = run("set", "too-fast.air.steel", "35", "--config", config, "--by", "tech-1", "--why", "measured")
    assert code == Exit.OK
    assert "too-fast air.steel: not set -> 35 bar/min" in text
    assert 'it still rests on "practice: air 20 to 40 bar/min' in text
    assert "no watch is running on this ledger: it counts from the next start" in text


@pytest.mark.parametrize(
    "arguments",
    [
        ("set", "nonsense", "3", "--by", "tech-1", "--why", "x"),
        ("set", "too-fast", "3", "--by", " ", "--why", "x"),
        ("set", "too-fast", "3", "--by", "tech-1", "--why", "a\nb"),
        ("set", "too-fast", "3", "--by", "tech-1"),
        ("show", "nonsense"),
    ],
    ids=["an unknown alarm", "nobody", "two lines of why", "no why at all", "an unknown alarm to show"],
)
def test_what_cannot_be_done_is_unusable_input(config: Path, arguments: tuple[str, ...]) -> None:
    code, _ = run(*arguments, "--config", config)
    assert code == Exit.BAD_INPUT
    assert (config / "alarms.toml").read_text() == SHIPPED.read_text()
