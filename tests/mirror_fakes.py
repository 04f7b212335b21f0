"""What a mirror needs around it in tests: rows to send, a ledger that remembers how far it is, and a listener."""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from threading import Condition, Event
from typing import Self

from fillguard.outlets.influx import InfluxLines, InfluxMirror, LineWriter, Target
from fillguard.ports import Clock, MirrorProgress, MirrorSource, ProjectionRow, Quarantined, ReadingRow
from tests.fakes import FakeClock

PATIENCE_S = 60.0
TOKEN = "not-a-secret"  # noqa: S105 - of a test server


def target(url: str) -> Target:
    return Target(url=url, org="harbour", bucket="fills", token=TOKEN, station="tern")


def reading_row(row: int, **changes: object) -> ReadingRow:
    told: dict[str, object] = {
        "row": row,
        "utc_s": 1_700_000_000.5 + row,
        "sample_s": 1_700_000_000.25 + row,
        "source": "fill/tern/1/pressure",
        "whip": "1",
        "quantity": "pressure",
        "value": 40e5 + row * 100.0,
        "quality": "good",
        "doubt": None,
        "fill_id": "tern-1-20231114T221320Z",
        "serial": "TH-0042",
    }
    return ReadingRow(**(told | changes))


@dataclass
class FakeRows:
    """A `MirrorSource` over a list."""

    rows: Sequence[ReadingRow]
    cursors: dict[str, int] = field(default_factory=dict)

    def readings_after(self, row: int, limit: int) -> list[ReadingRow]:
        return [each for each in self.rows if each.row > row][:limit]

    def projections_after(self, row: int, limit: int) -> list[ProjectionRow]:  # noqa: ARG002 - there are none
        return []

    def cursor(self, name: str) -> int:
        return self.cursors.get(name, 0)

    def newest_row(self, stream: str) -> int:
        return max((each.row for each in self.rows), default=0) if stream == "reading" else 0


class Progress:
    """A `MirrorProgress` that can be waited for; hands on to `behind`, where there is one."""

    def __init__(self, behind: MirrorProgress | None = None) -> None:
        self.cursors: dict[str, int] = {}
        self.order: list[tuple[str, int]] = []
        self.quarantined: list[Quarantined] = []
        self._behind = behind
        self._news = Condition()

    def put_cursor(self, name: str, row: int) -> None:
        if self._behind:
            self._behind.put_cursor(name, row)
        with self._news:
            self.cursors[name] = row
            self.order.append((name, row))
            self._news.notify_all()

    def put_quarantined(self, rows: Quarantined) -> None:
        if self._behind:
            self._behind.put_quarantined(rows)
        with self._news:
            self.quarantined.append(rows)

    def wait_for(self, name: str, row: int) -> None:
        with self._news:
            if not self._news.wait_for(lambda: self.cursors.get(name, 0) >= row, PATIENCE_S):
                raise TimeoutError(f"{name} came to {self.cursors.get(name, 0)} of {row}")


class Health:
    """Hears how the mirror fares."""

    def __init__(self) -> None:
        self.told: list[tuple[bool, str]] = []
        self.down = Event()
        self.up = Event()

    def __call__(self, ok: bool, detail: str) -> None:  # noqa: FBT001 - the listener's contract
        self.told.append((ok, detail))
        (self.up if ok else self.down).set()


class Bench:
    """A mirror that waits for nothing: what it would have waited is in `pauses`."""

    def __init__(
        self,
        url: str,
        open_source: Callable[[], AbstractContextManager[MirrorSource]] | FakeRows,
        *,
        progress: Progress | None = None,
        open_lines: Callable[[Target, Clock], LineWriter] = InfluxLines,
    ) -> None:
        self.clock = FakeClock()
        self.health = Health()
        self.progress = progress or Progress()
        self.pauses: list[float] = []
        self.paused = Condition()
        self.mirror = InfluxMirror(
            target(url),
            open_source=(lambda: nullcontext(open_source)) if isinstance(open_source, FakeRows) else open_source,
            progress=self.progress,
            clock=self.clock,
            on_health=self.health,
            open_lines=open_lines,
            jitter=lambda: 1.0,
            pause=self._pause,
        )

    def __enter__(self) -> Self:
        self.mirror.start()
        return self

    def __exit__(self, *_: object) -> None:
        assert self.mirror.stop(PATIENCE_S)

    def wait_for_pauses(self, count: int) -> None:
        with self.paused:
            assert self.paused.wait_for(lambda: len(self.pauses) >= count, PATIENCE_S)

    def _pause(self, stopping: Event, seconds: float) -> None:
        with self.paused:
            self.pauses.append(seconds)
            self.paused.notify_all()
        stopping.wait(0.001)  # real time passes all the same, or a dead server would be asked a million times
