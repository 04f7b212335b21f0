"""One writing connection, and groups of entries committed on it whole or not at all."""

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path

from fillguard.core.errors import LedgerError
from fillguard.core.values import Stamp
from fillguard.ledger import outbox, store
from fillguard.ledger.chain import Anchor
from fillguard.ledger.recorder import Entry, Recorder
from fillguard.ports import AuditEntry

_GROUP = "commit"
"""Cursor that counts committed groups."""
_PRIMARY = 0xFF
_STORAGE_FAULTS = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_NOTADB,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_PROTOCOL,
        sqlite3.SQLITE_READONLY,
    }
)

Chore = Callable[[sqlite3.Connection, Recorder, Stamp], Callable[[], None]]
"""Housekeeping inside a transaction; what it returns is called once that is committed."""


def is_storage_fault(problem: BaseException) -> bool:
    """True for what another try may mend (disk, lock), False for an entry that can never be recorded."""
    if isinstance(problem, sqlite3.Error):
        return (getattr(problem, "sqlite_errorcode", 0) & _PRIMARY) in _STORAGE_FAULTS
    return isinstance(problem, OSError | MemoryError)


class Session:
    """Opens when first needed and anew after every failure."""

    def __init__(self, path: Path, connect: Callable[[Path], sqlite3.Connection] = store.connect) -> None:
        self._path = path
        self._connect = connect
        self._connection: sqlite3.Connection | None = None
        self._recorder: Recorder | None = None
        self._inode: int | None = None
        self._group = 0

    def open(self) -> None:
        """Open now, and make due again what the last process left under way. Raises sqlite3.Error, LedgerError."""
        connection, _ = self._ready()
        connection.execute("BEGIN IMMEDIATE")
        outbox.restore_worklist(connection)
        outbox.all_due(connection)
        connection.execute("COMMIT")
        self._group = self._committed_group(connection)

    @property
    def end(self) -> Anchor:
        """End of the chain as last committed."""
        return self._ready()[1].end

    def commit(self, entries: Sequence[Entry], now: Stamp) -> set[int]:
        """Record all entries in one transaction; returns the places of those that can never be recorded.

        Such an entry is told of in an audit row instead. Raises sqlite3.Error or OSError when the storage failed: then
        nothing was recorded, and the same entries may be given again.
        """
        group = self._group + 1
        connection, recorder = self._ready()
        self._refuse_moved()
        if self._committed_group(connection) == group:
            # the last try reported a failure, but its commit had reached the disk
            self._group = group
            return set()
        try:
            refused = self._transaction(connection, recorder, group, entries, now)
        except BaseException:
            self.close()
            raise
        self._group = group
        return refused

    def tend(self, chore: Chore, now: Stamp) -> Callable[[], None]:
        """Do a piece of housekeeping in a transaction of its own; returns what it wants done now that it is on disk.

        Raises sqlite3.Error, OSError or LedgerError, and then nothing was changed.
        """
        connection, recorder = self._ready()
        self._refuse_moved()
        try:
            connection.execute("BEGIN IMMEDIATE")
            recorder.follow()
            after = chore(connection, recorder, now)
            connection.execute("COMMIT")
        except BaseException:
            self.close()
            raise
        return after

    def close(self) -> None:
        """Let go of the connection; what was not committed is gone."""
        if self._connection is not None:
            self._connection.close()
        self._connection = self._recorder = None

    def _ready(self) -> tuple[sqlite3.Connection, Recorder]:
        if self._connection is None or self._recorder is None:
            self._refuse_moved()
            connection = self._connect(self._path)
            try:
                self._recorder = Recorder(connection)
            except BaseException:
                connection.close()
                raise
            self._connection = connection
            self._inode = self._path.stat().st_ino
        return self._connection, self._recorder

    def _refuse_moved(self) -> None:
        """A file that was deleted or replaced goes on taking rows that nobody will ever find."""
        try:
            inode = self._path.stat().st_ino
        except FileNotFoundError:
            raise LedgerError(f"ledger {self._path} was taken away: put the same file back") from None
        if self._inode not in {None, inode}:
            raise LedgerError(f"ledger {self._path} was replaced while in use: put the first file back, or restart")

    def _transaction(
        self, connection: sqlite3.Connection, recorder: Recorder, group: int, entries: Sequence[Entry], now: Stamp
    ) -> set[int]:
        refused: set[int] = set()
        connection.execute("BEGIN IMMEDIATE")
        recorder.follow()
        try:
            for entry in entries:
                recorder.record(entry)
        except Exception as problem:
            if is_storage_fault(problem):
                raise
            # One entry is at fault and must not keep the others from the record: find it, keep the rest.
            connection.execute("ROLLBACK")
            connection.execute("BEGIN IMMEDIATE")
            recorder.reload()
            refused = {
                place
                for place, entry in enumerate(entries)
                if not self._recorded_alone(connection, recorder, entry, now)
            }
        recorder.move_cursor(_GROUP, group)
        connection.execute("COMMIT")
        return refused

    @staticmethod
    def _recorded_alone(connection: sqlite3.Connection, recorder: Recorder, entry: Entry, now: Stamp) -> bool:
        connection.execute("SAVEPOINT entry")
        try:
            recorder.record(entry)
        except Exception as problem:
            if is_storage_fault(problem):
                raise
            connection.execute("ROLLBACK TO entry")
            recorder.reload()
            recorder.record(
                AuditEntry(
                    at=now,
                    who="fillguard",
                    action="unrecordable",
                    detail=f"{type(problem).__name__}: {problem}"[:1000],
                    data={"entry": repr(entry)[:4000]},
                )
            )
            return False
        finally:
            connection.execute("RELEASE entry")
        return True

    @staticmethod
    def _committed_group(connection: sqlite3.Connection) -> int:
        row = connection.execute("SELECT value FROM cursor WHERE name = ?", (_GROUP,)).fetchone()
        return 0 if row is None else int(row[0])
