"""The daemon's log: a line for each event worth one, written by a thread of its own.

A terminal that is stopped, or a journal that is stuck, must not hold up an alarm: lines wait in a bounded queue, and
what finds no room is dropped and counted. Terminals get coloured lines, everything else `key=value` (logfmt); under
systemd each line carries its priority, so that `journalctl -p warning` works.
"""

import contextlib
import sys
import threading
from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from queue import Full, Queue
from typing import Any, Final, TextIO

import structlog

from fillguard.core.events import (
    AlarmChanged,
    ClockStepped,
    CommandAnswered,
    CylinderAttached,
    CylinderMoved,
    FillEnded,
    FillStarted,
    FindingMade,
    GroupChanged,
    InEvent,
    OutEvent,
    ReadingRejected,
    StageEnded,
    VerdictGiven,
)
from fillguard.core.figures import BAR_AND_CELSIUS, pressure, stamped

_WAITING_AT_MOST = 1000
_STOP_WITHIN_S = 1.0
_REJECTED_EVERY_S = 60.0
_SYSLOG: Final[Mapping[str, int]] = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
_LEVELS: Final[Mapping[int, str]] = {1: "critical", 2: "warning", 3: "warning"}
"""Of an alarm that is raised, by its priority."""
_GOES_ON: Final[Mapping[type, str]] = {
    StageEnded: "stage ended",
    CylinderMoved: "cylinder moved",
    GroupChanged: "gauge shared",
}

Logger = structlog.typing.FilteringBoundLogger


class _Lines:
    """What structlog writes to: queues lines, writes them on a thread of its own."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._queue: Queue[str | None] = Queue(_WAITING_AT_MOST)
        self._dropped = 0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Write what waits; give up when nobody reads."""
        with contextlib.suppress(Full):
            self._queue.put(None, timeout=_STOP_WITHIN_S)
        self._thread.join(_STOP_WITHIN_S)

    def msg(self, line: str) -> None:
        try:
            self._queue.put_nowait(line)
        except Full:
            self._dropped += 1

    debug = info = warning = error = critical = msg

    def _run(self) -> None:
        while (line := self._queue.get()) is not None:
            dropped, self._dropped = self._dropped, 0
            if dropped:
                line = f"{dropped} lines dropped: nobody read them in time\n{line}"
            with contextlib.suppress(OSError):  # whoever read us is gone; the record does not depend on it
                self._file.write(line + "\n")
                if self._queue.empty():
                    self._file.flush()


@contextlib.contextmanager
def daemon_log(environ: Mapping[str, str], file: TextIO = sys.stderr) -> Iterator[Logger]:
    """A logger to `file`; what waits is written at the end."""
    lines = _Lines(file)
    logger: Logger = structlog.wrap_logger(
        lines, processors=_processors(environ, terminal=file.isatty()), wrapper_class=structlog.BoundLogger
    )
    lines.start()
    try:
        yield logger
    finally:
        lines.stop()


def _processors(environ: Mapping[str, str], *, terminal: bool) -> list[structlog.typing.Processor]:
    if terminal:
        return [
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="%H:%M:%S", utc=False),
            structlog.dev.ConsoleRenderer(pad_event_to=0),
        ]
    first = ["timestamp", "level", "event"]
    logfmt = structlog.processors.LogfmtRenderer(key_order=first, drop_missing=True, sort_keys=False)
    if "JOURNAL_STREAM" in environ:  # systemd: the journal has the time, and takes the priority from `<4>`
        return [structlog.processors.add_log_level, _Journal(logfmt)]
    return [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        logfmt,
    ]


class _Journal:
    """`<4>event=...`, as sd-daemon(3) has it."""

    def __init__(self, renderer: structlog.processors.LogfmtRenderer) -> None:
        self._renderer = renderer

    def __call__(self, logger: Any, name: str, event: MutableMapping[str, Any]) -> str:  # noqa: ANN401 - structlog's signature
        return f"<{_SYSLOG[event['level']]}>{self._renderer(logger, name, event)}"


class LogOutlet:
    """Fills, alarms and findings as lines of the log."""

    def __init__(self, log: Logger) -> None:
        """`log` must not block."""
        self._log = log
        self._rejected_s: dict[str, float] = {}

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Take note of what just happened."""
        match cause:
            case CylinderAttached():
                self._log.info("cylinder attached", whip=cause.whip, serial=cause.serial, operator=cause.operator)
            case ReadingRejected():
                self._rejected(cause)
            case ClockStepped():
                self._log.warning("clock stepped", by_s=cause.by_s)
        for fact in facts:
            self._note(fact)

    def _rejected(self, cause: ReadingRejected) -> None:
        """Each reason once a minute: there are few, and a sender of rubbish must not fill the disk."""
        before_s = self._rejected_s.get(cause.reason)
        if before_s is None or cause.stamp.mono_s - before_s >= _REJECTED_EVERY_S:
            self._rejected_s[cause.reason] = cause.stamp.mono_s
            self._log.warning("message not usable", topic=cause.topic, reason=cause.reason, detail=cause.detail)

    def _note(self, fact: OutEvent) -> None:
        match fact:
            case FillStarted():
                self._log.info(
                    "fill started",
                    whip=fact.whip,
                    fill=fact.fill_id,
                    serial=fact.serial,
                    operator=fact.operator,
                    at=pressure(fact.start_gauge_pa, BAR_AND_CELSIUS),
                    limit=stamped(fact.limit_gauge_pa, BAR_AND_CELSIUS),
                )
            case FillEnded(summary=done):
                settled = done.final_settled_gauge_pa
                self._log.info(
                    "fill ended",
                    whip=done.whip,
                    fill=done.fill_id,
                    outcome=done.outcome.value,
                    settles=None if settled is None else pressure(settled, BAR_AND_CELSIUS),
                    alarms=",".join(done.alarms) or None,
                )
            case VerdictGiven(verdict=verdict):
                self._log.info(
                    "verdict",
                    whip=fact.whip,
                    serial=fact.serial,
                    verdict=verdict.level.value if verdict is not None else None,
                    reasons=",".join(reason.code for reason in verdict.reasons) or None if verdict else None,
                    overridden_by=verdict.overridden_by if verdict is not None else None,
                    override_refused=fact.refused,
                )
            case StageEnded() | CylinderMoved() | GroupChanged():
                self._log.info(_GOES_ON[type(fact)], whip=fact.whip, fill=fact.fill_id, text=fact.text)
            case FindingMade():
                self._log.info("finding", whip=fact.whip, fill=fact.fill_id, finding=fact.finding, text=fact.text)
            case AlarmChanged():
                self._alarm(fact)
            case CommandAnswered(refused=str(refused)):
                self._log.warning("command refused", verb=fact.verb, by=fact.operator, whip=fact.whip, reason=refused)

    def _alarm(self, change: AlarmChanged) -> None:
        level = _LEVELS[change.priority] if change.is_raise else "info"
        getattr(self._log, level)(
            "alarm",
            alarm=change.alarm,
            state=change.new.value,
            priority=change.priority,
            whip=change.whip,
            occurrence=change.occurrence,
            cause=change.cause,
            by=change.by,
            reason=change.reason,
        )
