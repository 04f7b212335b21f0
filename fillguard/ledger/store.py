"""The ledger's file: opening it, refusing what is not a sound ledger, backing it up."""

import json
import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fillguard.core.errors import LedgerError
from fillguard.ledger.codec import canonical
from fillguard.ledger.schema import MIGRATIONS, Migration, migrate, version_of

APPLICATION_ID = 0x46474C31
"""`FGL1` in the file's header."""
_MINIMUM_SQLITE = (3, 38, 0)
"""STRICT tables and the `->>` operator."""
_BUSY_MS = 5000
_WAL_BYTES = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """Whose ledger a file is. A drill's ledger never becomes a station's, nor the other way round."""

    station: str
    drill: bool = False

    def __str__(self) -> str:
        return f"a drill of station {self.station!r}" if self.drill else f"station {self.station!r}"


def connect(path: Path) -> sqlite3.Connection:
    """A writing connection in autocommit: every commit is on disk when it returns."""
    connection = sqlite3.connect(_uri(path, "rw"), uri=True, isolation_level=None, check_same_thread=False)
    try:
        connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA journal_size_limit = {_WAL_BYTES}")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA recursive_triggers = ON")
        connection.execute("PRAGMA cell_size_check = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def connect_read_only(path: Path) -> sqlite3.Connection:
    """A connection that cannot write, for the thread that makes it. Raises LedgerError when there is no ledger."""
    _refuse_no_file(path)
    try:
        connection = sqlite3.connect(_uri(path, "ro"), uri=True, isolation_level=None)
    except sqlite3.Error as problem:
        raise LedgerError(f"ledger {path} cannot be read ({problem})") from problem
    try:
        connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        _refuse_strange_file(path, connection)
        connection.execute("PRAGMA query_only = ON")
        connection.execute("PRAGMA recursive_triggers = ON")
        _refuse_other_schema(path, connection, MIGRATIONS[-1].version)
    except sqlite3.Error as problem:
        connection.close()
        raise LedgerError(f"ledger {path} cannot be read ({problem}): restore the last good backup") from problem
    except LedgerError:
        connection.close()
        raise
    return connection


def prepare(path: Path, owner: Owner, at_ms: int, migrations: tuple[Migration, ...] = MIGRATIONS) -> list[Migration]:
    """Make sure that a sound ledger of the present schema, belonging to `owner`, lies at `path`.

    A new one is made only where there is nothing at all; returns the schema steps that were taken. The caller holds the
    lock. Raises LedgerError, and then nothing was changed.
    """
    _refuse_old_sqlite()
    made: list[Migration] = []
    if not path.exists():
        _refuse_leftovers(path)
        made = _create(path, owner, at_ms, migrations[:1])
    _refuse_no_file(path)
    try:
        _look_at(path)
        with closing(connect(path)) as connection:
            _refuse_damage(path, connection)
            _refuse_newer_schema(path, version_of(connection), migrations[-1].version)
            _refuse_other_owner(path, connection, owner)
            return made + migrate(connection, at_ms, migrations)
    except sqlite3.Error as problem:
        raise LedgerError(f"ledger {path} cannot be opened: {problem}. {_RESTORE}") from problem


def is_drill(path: Path) -> bool:
    """True when there is a ledger at `path` and it is a drill's. Raises LedgerError for a file that is no ledger."""
    return path.exists() and _owner(path).drill


def refuse_other_owner(path: Path, owner: Owner) -> None:
    """Raise LedgerError when the ledger at `path` has another owner or another schema."""
    connect_read_only(path).close()
    if (found := _owner(path)) != owner:
        raise LedgerError(f"ledger {path} is that of {found}, asked for is {owner}: give another path")


def identity_text(connection: sqlite3.Connection) -> str:
    """The canonical text that names this ledger; the chain starts from it."""
    row = connection.execute("SELECT body FROM identity").fetchone()
    if row is None:
        raise LedgerError("the ledger has lost its identity row: restore the last good backup")
    return str(row[0])


def backup(path: Path, target: Path, progress: Callable[[int, int], None] | None = None) -> int:
    """Copy a ledger that may be in use to `target`, checked and on disk when this returns; returns its size in bytes.

    `progress` is told bytes written and bytes at most. Raises LedgerError, and then there is nothing at `target`.
    """
    if target.exists():
        raise LedgerError(f"backup target {target} exists already: name a new file, a backup is never overwritten")
    partial = target.with_name(target.name + ".partial")
    partial.unlink(missing_ok=True)
    try:
        with closing(connect_read_only(path)) as connection:
            connection.execute("PRAGMA query_only = OFF")  # it keeps VACUUM from writing the copy, too
            if progress is not None:
                _watch_copy(connection, partial, progress)
            connection.execute("VACUUM INTO ?", (str(partial),))
        with closing(sqlite3.connect(_uri(partial, "ro"), uri=True)) as copy:
            _refuse_damage(partial, copy, "integrity_check")
        _to_disk(partial)
        partial.rename(target)
        _to_disk(target.parent)
    except (sqlite3.Error, OSError) as problem:
        partial.unlink(missing_ok=True)
        raise LedgerError(f"backup of {path} to {target} failed: {problem}. Check room and rights") from problem
    except LedgerError:
        partial.unlink(missing_ok=True)
        raise
    return target.stat().st_size


def _watch_copy(connection: sqlite3.Connection, partial: Path, progress: Callable[[int, int], None]) -> None:
    """Tell how large the copy has become, now and then."""
    pages, page = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))

    def tell() -> int:
        if partial.exists():
            progress(min(partial.stat().st_size, pages * page), pages * page)
        return 0

    connection.set_progress_handler(tell, _INSTRUCTIONS_BETWEEN_LOOKS)


_INSTRUCTIONS_BETWEEN_LOOKS = 200_000
_RESTORE = (
    "Nothing was changed. Move the file (with its -wal and -shm files) aside, copy the last good backup to its place, "
    "and keep the damaged one for inspection"
)


def _owner(path: Path) -> Owner:
    _refuse_no_file(path)
    try:
        with closing(sqlite3.connect(_uri(path, "ro"), uri=True)) as connection:
            _refuse_strange_file(path, connection)
            return _owner_in(connection)
    except sqlite3.Error as problem:
        raise LedgerError(f"ledger {path} cannot be read ({problem}): restore the last good backup") from problem


def _owner_in(connection: sqlite3.Connection) -> Owner:
    identity = json.loads(identity_text(connection))
    return Owner(station=str(identity.get("station")), drill=bool(identity.get("drill")))


def _uri(path: Path, mode: str) -> str:
    return f"{path.absolute().as_uri()}?mode={mode}"


def _create(path: Path, owner: Owner, at_ms: int, first: tuple[Migration, ...]) -> list[Migration]:
    """Build the new file beside its place and move it there whole: a crash leaves no half ledger."""
    partial = path.with_name(path.name + ".new")
    partial.unlink(missing_ok=True)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(partial, isolation_level=None)) as connection:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            made = migrate(connection, at_ms, first)
            connection.execute("INSERT INTO identity (one, body) VALUES (1, ?)", (_identity(owner, at_ms),))
        _to_disk(partial)
        partial.rename(path)
        _to_disk(path.parent)
    except (sqlite3.Error, OSError) as problem:
        raise LedgerError(f"no ledger can be made at {path}: {problem}. Check the folder and its rights") from problem
    return made


def _identity(owner: Owner, at_ms: int) -> str:
    """Two ledgers of one station are told apart by 128 random bits."""
    return canonical({"created_ms": at_ms, "drill": owner.drill, "id": os.urandom(16).hex(), "station": owner.station})


def _to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _refuse_old_sqlite() -> None:
    if sqlite3.sqlite_version_info < _MINIMUM_SQLITE:
        needed = ".".join(map(str, _MINIMUM_SQLITE))
        raise LedgerError(f"SQLite {sqlite3.sqlite_version} is too old for the ledger: {needed} or later is needed")


def _refuse_leftovers(path: Path) -> None:
    wal = path.with_name(path.name + "-wal")
    if wal.exists():
        raise LedgerError(
            f"{wal} is there but {path} is not: rows of a lost ledger may be in it. Put the ledger back beside it, "
            "or move the -wal file aside; a new ledger is not started over it"
        )


def _look_at(path: Path) -> None:
    """Before anything is set on it: a strange file must stay as it is."""
    with closing(sqlite3.connect(_uri(path, "ro"), uri=True)) as connection:
        _refuse_strange_file(path, connection)


def _refuse_no_file(path: Path) -> None:
    """Looked at, never opened: to close a file of one's own takes SQLite's locks on it away from the whole process.

    Another process would then take itself for the last one, and delete the write-ahead file under the writer.
    """
    try:
        size = path.stat().st_size
    except OSError as problem:
        raise LedgerError(f"ledger {path} cannot be read: {problem.strerror or problem}") from problem
    if size == 0:
        raise LedgerError(f"ledger {path} is empty. {_RESTORE}")


def _refuse_strange_file(path: Path, connection: sqlite3.Connection) -> None:
    try:
        (application,) = connection.execute("PRAGMA application_id").fetchone()
    except sqlite3.DatabaseError as problem:
        if problem.sqlite_errorcode != sqlite3.SQLITE_NOTADB:
            raise
        raise LedgerError(f"ledger {path} does not begin as an SQLite file does. {_RESTORE}") from problem
    if application != APPLICATION_ID:
        raise LedgerError(f"{path} is an SQLite file, but no ledger of fillguard: give another path for the ledger")


def _refuse_damage(path: Path, connection: sqlite3.Connection, check: str = "quick_check") -> None:
    (answer,) = connection.execute(f"PRAGMA {check}(1)").fetchone()
    if answer != "ok":
        raise LedgerError(f"ledger {path} is damaged ({answer}). {_RESTORE}")


def _refuse_newer_schema(path: Path, present: int, known: int) -> None:
    if present > known:
        raise LedgerError(
            f"ledger {path} has schema {present}, this version knows {known}: it was written by a newer fillguard. "
            "Install that version again, or restore the backup made before the change. Nothing was changed"
        )


def _refuse_other_schema(path: Path, connection: sqlite3.Connection, known: int) -> None:
    present = version_of(connection)
    _refuse_newer_schema(path, present, known)
    if present < known:
        raise LedgerError(
            f"ledger {path} has schema {present}, this version reads {known}: start fillguard once, it brings the "
            "ledger forward"
        )


def _refuse_other_owner(path: Path, connection: sqlite3.Connection, owner: Owner) -> None:
    found = _owner_in(connection)
    if found != owner:
        raise LedgerError(
            f"ledger {path} is that of {found}, asked for is {owner}: "
            "a drill and each station have ledgers of their own; give another path"
        )
