"""One writer at a time: an exclusive lock beside the ledger, with the name of whoever holds it."""

import fcntl
import json
import os
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Self

from fillguard.core.errors import LedgerError


class LedgerLocked(LedgerError):  # noqa: N818 - reads as what it is: the ledger is locked
    """Another process writes this ledger. The text names it."""


@dataclass(frozen=True, slots=True)
class Holder:
    """The process that writes a ledger."""

    pid: int
    host: str
    since: str


def holder(ledger: Path) -> Holder | None:
    """Who writes `ledger` now; None when nobody does, or whoever does has not said so (yet). Never raises."""
    try:
        with ledger.with_suffix(".lock").open("r", encoding="utf-8") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except OSError:
                signed = json.loads(file.read(1000))
                return Holder(int(signed["pid"]), str(signed["host"]), str(signed["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return None


class LedgerLock:
    """Held from construction to `release`, or to the end of the process however it ends."""

    def __init__(self, ledger: Path, since_utc: str) -> None:
        """Take the lock for `ledger`; others read `since_utc` as its start. Raises LedgerLocked or LedgerError."""
        self.path = ledger.with_suffix(".lock")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._file: IO[str] = self.path.open("a+", encoding="utf-8")
        except OSError as problem:
            raise LedgerError(f"lock {self.path} cannot be made: {problem.strerror or problem}") from problem
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as problem:
            holder = self._holder()
            self._file.close()
            raise LedgerLocked(
                f"ledger {ledger} is written by {holder}: stop that one first, or give this one another ledger"
            ) from problem
        self._sign(since_utc)

    def release(self) -> None:
        """Let others in. The file stays: taking it away would let two hold a lock on two files of one name."""
        if not self._file.closed:
            self._file.truncate(0)
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def _sign(self, since_utc: str) -> None:
        try:
            self._file.seek(0)
            self._file.truncate()
            json.dump({"pid": os.getpid(), "host": socket.gethostname(), "since": since_utc}, self._file)
            self._file.flush()
        except OSError as problem:
            self._file.close()
            raise LedgerError(f"lock {self.path} cannot be written: {problem.strerror or problem}") from problem

    def _holder(self) -> str:
        """Whoever signed; somebody may hold the lock and not have signed yet."""
        self._file.seek(0)
        try:
            signed = json.loads(self._file.read(1000))
            return f"process {signed['pid']} on {signed['host']} since {signed['since']}"
        except (ValueError, KeyError, TypeError):
            return "another process that has not said who it is"
