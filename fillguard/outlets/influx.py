"""The mirror: every recorded reading and projection sent to a time series server, from a cursor in the ledger.

The ledger is the record; this thread only follows it, however far it falls behind. Rows are sent in order, and the
cursor moves after the server said that it has them. What the server refuses for what it holds is found by halving,
noted and passed over; anything else (refused connections, 5xx, wrong token, full) is tried again for ever.
"""

import random
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass, replace
from email.utils import parsedate_to_datetime
from functools import partial
from threading import Event, Thread
from typing import Protocol

from fillguard.outlets.lines import projection_line, reading_line
from fillguard.ports import (
    MIRRORED,
    Clock,
    MirrorProgress,
    MirrorSource,
    Quarantined,
    resend_cursor,
    sent_cursor,
)

NAME = "influx"
BATCH_LINES = 1000
_BREATH = 2.0
_LONGEST_BREATH_S = 1.0
"""While it catches up it rests twice as long as it works, so that the watch beside it finds the interpreter free: at
full speed a backlog held up one alarm in a hundred by 160 ms (MEASURED)."""
_STORED = 204
_AT_FAULT = frozenset({400, 413, 422})
"""What the lines themselves are refused for. Any other 4xx is about us (token, bucket): the lines wait."""
_FIRST_PAUSE_S = 1.0
_LONGEST_PAUSE_S = 60.0
_LONGEST_WISH_S = 3600.0
"""Longest `Retry-After` that is honoured."""
_LOOK_EVERY_S = 1.0
_CONNECT_MS, _ANSWER_MS = 3_000, 10_000
_REASON_LENGTH = 300
FAR_BEHIND = 100_000
"""So many rows behind (half an hour of fifty a second) it is told, though the server takes what it gets."""

HealthListener = Callable[[bool, str], None]
"""Whether the mirror follows, and what is the matter. Returns at once, never raises."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Where to, and as whom. The token is in no text of ours."""

    url: str
    org: str
    bucket: str
    token: str
    station: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What the server, or the way to it, said to one write."""

    stored: bool = False
    at_fault: bool = False
    status: int = 0
    reason: str = ""
    retry_after_s: float = 0.0


class LineWriter(Protocol):
    """Sends lines and says what became of them. Never raises."""

    def write(self, lines: Sequence[str]) -> Answer:
        """One request."""

    def close(self) -> None:
        """Let go of connections."""


class InfluxLines:
    """Lines to `/api/v2/write` of InfluxDB 2, or of another server that takes its writes; one request at a time."""

    def __init__(self, target: Target, clock: Clock, answer_ms: int = _ANSWER_MS) -> None:
        """The client library is loaded here and not before: it needs 40 MB. Raises ValueError for an impossible URL."""
        from influxdb_client.client.influxdb_client import InfluxDBClient  # noqa: PLC0415 - see above
        from influxdb_client.service.write_service import WriteService  # noqa: PLC0415 - see above

        self._target, self._clock = target, clock
        self._client = InfluxDBClient(
            url=target.url, token=target.token, org=target.org, timeout=(_CONNECT_MS, answer_ms), retries=False
        )
        self._service = WriteService(self._client.api_client)  # type: ignore[no-untyped-call]  # its own lack

    def write(self, lines: Sequence[str]) -> Answer:
        """One request with all `lines`. Only a 204 says that they are stored: anybody can answer 200."""
        body = "\n".join(lines).encode()
        try:
            _, status, _ = self._service.post_write_with_http_info(  # type: ignore[no-untyped-call]
                self._target.org,
                self._target.bucket,
                body,
                precision="ms",
                content_encoding="identity",
                content_type="text/plain; charset=utf-8",
                _return_http_data_only=False,
            )
        except Exception as problem:  # noqa: BLE001 - whatever it is, the rows wait in the ledger: told, tried again
            return self._failure(problem)
        return Answer(stored=status == _STORED, status=status, reason="" if status == _STORED else "no write server")

    def close(self) -> None:
        """Let go of connections."""
        self._client.close()  # type: ignore[no-untyped-call]

    def _failure(self, problem: Exception) -> Answer:
        status = getattr(problem, "status", None)
        if not isinstance(status, int):
            return Answer(reason=f"{type(problem).__name__}: {problem}"[:_REASON_LENGTH])
        said = getattr(problem, "message", None) or getattr(problem, "reason", None) or ""
        headers = getattr(problem, "headers", None) or {}
        return Answer(
            at_fault=status in _AT_FAULT,
            status=status,
            reason=f"{status} {said}"[:_REASON_LENGTH],
            retry_after_s=self._wish(headers.get("Retry-After")),
        )

    def _wish(self, retry_after: str | None) -> float:
        """Seconds that the server asks us to wait: given as such, or as a date."""
        try:
            return min(max(float(retry_after or 0.0), 0.0), _LONGEST_WISH_S)
        except ValueError:
            pass
        try:
            wish_s = parsedate_to_datetime(retry_after or "").timestamp() - self._clock.now().utc_s
        except ValueError:
            return 0.0
        return min(max(wish_s, 0.0), _LONGEST_WISH_S)


class _Stopped(Exception):  # noqa: N818 - no error: somebody asked for it
    """Leave what is not sent for the next start."""


_Insist = Callable[[Sequence[str]], Answer]


class InfluxMirror:
    """Follows the ledger on a thread of its own, with a read connection of its own."""

    def __init__(
        self,
        target: Target,
        *,
        open_source: Callable[[], AbstractContextManager[MirrorSource]],
        progress: MirrorProgress,
        clock: Clock,
        on_health: HealthListener,
        open_lines: Callable[[Target, Clock], LineWriter] = InfluxLines,
        jitter: Callable[[], float] = random.random,
        pause: Callable[[Event, float], object] = Event.wait,
    ) -> None:
        """`jitter` gives 0 to 1; `pause` waits so many real seconds, or less when its event is set."""
        self._target, self._open_source, self._progress = target, open_source, progress
        self._clock, self._on_health, self._open_lines = clock, on_health, open_lines
        self._jitter, self._pause = jitter, pause
        self._stopping = Event()
        self._ok = True
        self._failures = 0
        self._refused: Quarantined | None = None
        self._refusals = 0
        self._cursors: dict[str, int] = {}
        self._asked: dict[str, int] = {}
        self._lag = 0
        self._thread = Thread(target=self._run, name="mirror", daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    def stop(self, deadline_s: float) -> bool:
        """Stop after the request in hand, for at most `deadline_s` real seconds; False when that still hangs."""
        self._stopping.set()
        self._thread.join(deadline_s)
        return not self._thread.is_alive()

    @property
    def lag(self) -> int:
        """Rows that the server does not have yet, as last counted."""
        return self._lag

    # the thread -------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with closing(self._open_lines(self._target, self._clock)) as lines, self._open_source() as source:
                    self._follow(source, lines)
            except _Stopped:
                return
            except Exception as problem:  # noqa: BLE001 - a mirror that died silently would be believed: tell, begin anew
                self._rest(f"{type(problem).__name__}: {problem}"[:_REASON_LENGTH])

    def _follow(self, source: MirrorSource, lines: LineWriter) -> None:
        self._refused = None
        for stream in MIRRORED:
            # what was put and is not committed yet is newer than what the ledger says
            self._cursors.setdefault(stream, source.cursor(sent_cursor(NAME, stream)))
        insist = partial(self._insist, source, lines)
        station = self._target.station
        while not self._stopping.is_set():
            began_s = self._clock.now().mono_s
            self._go_back(source)
            readings = source.readings_after(self._cursors["reading"], BATCH_LINES)
            self._send("reading", [(row.row, reading_line(station, row)) for row in readings], insist)
            told = source.projections_after(self._cursors["projection"], BATCH_LINES)
            self._send("projection", [(row.row, projection_line(station, row)) for row in told], insist)
            self._count(source)
            if max(len(readings), len(told)) < BATCH_LINES:
                self._stopping.wait(_LOOK_EVERY_S)
            else:
                worked_s = self._clock.real_seconds(self._clock.now().mono_s - began_s)
                self._stopping.wait(min(_BREATH * worked_s, _LONGEST_BREATH_S))

    def _go_back(self, source: MirrorSource) -> None:
        """Send again from where somebody asked for; the server keeps one of each row."""
        for stream in MIRRORED:
            row = source.cursor(resend_cursor(NAME, stream))
            if row > 0 and row != self._asked.get(stream):
                self._cursors[stream] = min(self._cursors[stream], row - 1)
                self._progress.put_cursor(sent_cursor(NAME, stream), self._cursors[stream])
                self._progress.put_cursor(resend_cursor(NAME, stream), 0)
            self._asked[stream] = row

    def _count(self, source: MirrorSource) -> None:
        self._lag = sum(source.newest_row(stream) - self._cursors[stream] for stream in MIRRORED)
        if self._lag > FAR_BEHIND:
            self._tell(ok=False, detail=f"{self._lag} rows behind; it catches up from the ledger")

    def _send(self, stream: str, rows: Sequence[tuple[int, str | None]], insist: _Insist) -> None:
        """Send one batch, whatever it takes; a row that gives no line is passed over. Raises _Stopped."""
        if not rows:
            return
        refusals = self._refusals
        self._halve(stream, [(row, line) for row, line in rows if line is not None], insist)
        self._advance(stream, rows[-1][0])
        if refusals == self._refusals and self._lag <= FAR_BEHIND:
            self._tell(ok=True, detail="it follows again")

    def _halve(self, stream: str, batch: Sequence[tuple[int, str]], insist: _Insist) -> None:
        """Send `batch`; where lines are refused for what they hold, narrow down to those."""
        if not batch:
            return
        last_row = batch[-1][0]
        answer = insist([line for _, line in batch])
        if answer.stored:
            self._advance(stream, last_row)
        elif len(batch) == 1:
            self._set_aside(stream, last_row, answer)
        else:
            middle = len(batch) // 2
            self._halve(stream, batch[:middle], insist)
            self._halve(stream, batch[middle:], insist)

    def _insist(self, source: MirrorSource, lines: LineWriter, batch: Sequence[str]) -> Answer:
        """Ask until the server stores the lines or refuses them for what they hold. Raises _Stopped."""
        while not self._stopping.is_set():
            answer = lines.write(batch)
            if answer.stored or answer.at_fault:
                self._failures = 0
                return answer
            self._count(source)
            self._rest(answer.reason, answer.retry_after_s)
        raise _Stopped

    def _rest(self, reason: str, at_least_s: float = 0.0) -> None:
        """Tell what failed and wait: longer each time, up to a minute, or as long as the server asks."""
        self._tell(ok=False, detail=reason)
        pause_s = min(_FIRST_PAUSE_S * 2.0 ** min(self._failures, 16), _LONGEST_PAUSE_S)
        self._failures += 1
        self._pause(self._stopping, max(pause_s * (0.5 + self._jitter() / 2.0), at_least_s))

    def _set_aside(self, stream: str, row: int, answer: Answer) -> None:
        """Note a refused row; refused neighbours are one entry."""
        self._refusals += 1
        if self._refused is not None:
            self._refused = replace(self._refused, last_row=row)
            return
        self._refused = Quarantined(
            at=self._clock.now(),
            mirror=NAME,
            stream=stream,
            first_row=row,
            last_row=row,
            status=answer.status,
            reason=answer.reason,
        )

    def _advance(self, stream: str, row: int) -> None:
        """The server has everything of `stream` up to `row`, but for what it refused."""
        if self._refused is not None:
            refused, self._refused = self._refused, None
            self._progress.put_quarantined(refused)
            self._tell(
                ok=False,
                detail=f"rows {refused.first_row} to {refused.last_row} of {stream} were refused and passed over "
                f"({refused.reason}); the ledger keeps them",
            )
        self._cursors[stream] = row
        self._progress.put_cursor(sent_cursor(NAME, stream), row)

    def _tell(self, *, ok: bool, detail: str) -> None:
        """Each change once."""
        if ok != self._ok:
            self._ok = ok
            self._on_health(ok, detail)
