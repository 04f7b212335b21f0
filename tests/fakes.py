"""Small stand-ins for the world: each behaves like the real thing, without the world."""

import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from fillguard.core.values import Stamp
from fillguard.ledger import store


@dataclass(slots=True)
class FakeClock:
    """A clock that stands still until it is told to go on; `speed` is how much faster than the world it runs."""

    utc_s: float = 1_795_558_185.0
    mono_s: float = 1_000.0
    speed: float = 1.0
    wall_ahead_s: float = 0.0

    def now(self) -> Stamp:
        return Stamp(mono_s=self.mono_s, utc_s=self.utc_s)

    def real_seconds(self, seconds: float) -> float:
        return seconds / self.speed

    def advance(self, seconds: float) -> Stamp:
        """Let `seconds` pass; returns the new moment."""
        self.mono_s += seconds
        self.utc_s += seconds
        return self.now()

    def drift_s(self) -> float:
        return self.wall_ahead_s

    def reanchor(self) -> float:
        by_s, self.wall_ahead_s = self.wall_ahead_s, 0.0
        self.utc_s += by_s
        return by_s


class FakeDisk:
    """Stands between the ledger's writer and its file: commits can hang, fail, or fail after they reached the disk."""

    def __init__(self) -> None:
        self.broken: sqlite3.Error | None = None
        """Raised by every write until it is None again."""
        self.lies = False
        """The next commit reaches the disk and is reported as failed."""
        self.committing = threading.Event()
        self.may_commit = threading.Event()
        self.may_commit.set()
        self.commits = 0

    def connect(self, path: Path) -> "FakeDiskConnection":
        return FakeDiskConnection(self, store.connect(path))

    def breaks(self, code: int = sqlite3.SQLITE_FULL, text: str = "database or disk is full") -> None:
        """From now on the disk is full (or whatever `code` says)."""
        self.broken = sqlite3.OperationalError(text)
        self.broken.sqlite_errorcode = code


class FakeDiskConnection:
    """The part of a connection that the ledger's writer uses."""

    def __init__(self, disk: FakeDisk, connection: sqlite3.Connection) -> None:
        self._disk = disk
        self._connection = connection

    def execute(self, sql: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        if sql == "COMMIT":
            self._disk.committing.set()
            self._disk.may_commit.wait()
            self._disk.commits += 1
        if self._disk.broken and not sql.startswith("SELECT"):
            raise self._disk.broken
        cursor = self._connection.execute(sql, values)
        if sql == "COMMIT" and self._disk.lies:
            self._disk.lies = False
            lie = sqlite3.OperationalError("disk I/O error")
            lie.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise lie
        return cursor

    def executemany(self, sql: str, values: Sequence[Sequence[object]]) -> sqlite3.Cursor:
        return self._connection.executemany(sql, values)

    def close(self) -> None:
        self._connection.close()
