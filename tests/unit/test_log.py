"""The daemon's log: who reads it gets lines, and nobody waits for whoever reads it."""

import io
import re
import threading

import pytest

from fillguard.app.log import LogOutlet, daemon_log
from fillguard.core.events import AlarmState, OutEvent, ReadingRejected
from fillguard.core.values import Stamp
from tests import ledger_facts as facts


def logged(*facts_told: OutEvent, **environ: str) -> list[str]:
    file = io.StringIO()
    with daemon_log(environ, file) as log:
        LogOutlet(log).tell(facts.tick(0), facts_told)
    return file.getvalue().splitlines()


def test_a_line_is_key_and_value_with_time_and_level_first() -> None:
    (line,) = logged(facts.started())
    assert re.match(
        r"timestamp=\d{4}-\d\d-\d\dT[\d:.]+Z level=info event=\"fill started\" whip=1 fill=tern-1-\S+ serial=TH-0042 ",
        line,
    )


@pytest.mark.parametrize(("priority", "level", "syslog"), [(1, "critical", 2), (2, "warning", 4), (3, "warning", 4)])
def test_a_raised_alarm_is_as_loud_as_its_priority(priority: int, level: str, syslog: int) -> None:
    change = facts.alarm(0, priority=priority)
    (line,) = logged(change)
    assert f"level={level} event=alarm alarm=too-fast state=unacknowledged priority={priority}" in line
    (in_journal,) = logged(change, JOURNAL_STREAM="8:1234")
    assert in_journal.startswith(f"<{syslog}>level={level} event=alarm"), "the journal has the time itself"


def test_an_alarm_that_ended_is_news_and_no_warning() -> None:
    (line,) = logged(facts.alarm(0, old=AlarmState.UNACKNOWLEDGED, new=AlarmState.RETURNED_UNACKNOWLEDGED))
    assert " level=info " in line


def test_projections_and_readings_are_no_news() -> None:
    assert logged(facts.projected(1, 50)) == []


def test_rubbish_is_told_once_a_minute_for_each_reason() -> None:
    file = io.StringIO()
    with daemon_log({}, file) as log:
        outlet = LogOutlet(log)
        for second, reason in [(0, "not-json"), (1, "not-json"), (2, "too-large"), (59, "not-json"), (61, "not-json")]:
            stamp = Stamp(mono_s=float(second), utc_s=facts.T0 + second)
            outlet.tell(ReadingRejected(stamp=stamp, topic="x", reason=reason, detail="...", sample=""), ())
    assert re.findall(r"reason=(\S+)", file.getvalue()) == ["not-json", "too-large", "not-json"]


class Stuck(io.StringIO):
    """A terminal that takes the first line and then stands still until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.stands = threading.Event()
        self.goes_on = threading.Event()

    def write(self, text: str) -> int:
        self.stands.set()
        assert self.goes_on.wait(facts.PATIENCE_S)
        return super().write(text)


def test_a_terminal_that_stands_still_holds_nobody_up() -> None:
    terminal = Stuck()
    with daemon_log({}, terminal) as log:
        log.info("first")
        assert terminal.stands.wait(facts.PATIENCE_S)
        for number in range(3000):
            log.info("more than it has room for", number=number)
        terminal.goes_on.set()
    lines = terminal.getvalue().splitlines()
    assert "event=first" in lines[0]
    assert lines[1] == "2000 lines dropped: nobody read them in time"
    assert len(lines) == 1 + 1 + 1000


class Gone(io.StringIO):
    """A pipe that nobody reads any more."""

    def write(self, _text: str) -> int:
        raise BrokenPipeError


def test_a_reader_that_has_gone_is_no_failure() -> None:
    with daemon_log({}, Gone()) as log:
        log.warning("nobody hears this")
    assert "log" not in {thread.name for thread in threading.enumerate()}
