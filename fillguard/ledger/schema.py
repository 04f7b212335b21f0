"""The tables, their guards, and the way from one schema to the next."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files

from fillguard.core.errors import LedgerError

_FIRST_RECORD_TABLES = ("source", "boot", "opened", "fill", "event", "alarm", "notice", "attempt", "config", "audit")
RECORD_TABLES = (*_FIRST_RECORD_TABLES, "cylinder", "chunk")
"""In the chain, never changed: each has `id` (its journal number) and `body`."""
WORK_TABLES = ("outbox", "cursor", "quarantine", "snapshot", "recipient")
LIVE_TABLES = ("reading", "projection")
PACKED_TABLES = ("chunk_data",)
OWNERS: Mapping[str, str] = {"reading": "source", "projection": "fill"}
"""Column of each live table by which its rows are packed."""
_KEYS: Mapping[str, str] = {
    "schema_version": "version = NEW.version",
    "identity": "one = NEW.one",
    "journal": "seq = NEW.seq",
    "source": "topic = NEW.topic AND ifnull(whip, '') = ifnull(NEW.whip, '') AND quantity = NEW.quantity",
    "boot": "name = NEW.name",
    "opened": "fill_id = NEW.fill_id",
    "fill": "fill_id = NEW.fill_id",
    "chunk": "stream = NEW.stream AND owner = NEW.owner AND first_row = NEW.first_row",
    "notice": "channel = NEW.channel AND occurrence = NEW.occurrence AND kind = NEW.kind "
    "AND changed_ms = NEW.changed_ms",
}
"""Natural keys, beside `id`."""
_SAME_DEVICE_TIME = (
    "device_ms IS NOT NULL AND source = NEW.source AND device_ms = NEW.device_ms AND value = NEW.value "
    "AND ifnull(seq, -1) = ifnull(NEW.seq, -1)"
)
_SAME_NUMBER = (
    "device_ms IS NULL AND boot IS NOT NULL AND seq IS NOT NULL AND NEW.device_ms IS NULL "
    "AND source = NEW.source AND boot = NEW.boot AND seq = NEW.seq AND value = NEW.value"
)
"""One reading that comes twice; a comparison with what was not given is never true."""

REFUSED_CHANGE = "is a record: add a row that corrects it, with who and why"
REFUSED_AGAIN = "is recorded already"


@dataclass(frozen=True, slots=True, kw_only=True)
class Migration:
    """One step forward. Its statements run in one transaction; there is no way back but a backup."""

    version: int
    name: str
    statements: tuple[str, ...]


def statements_of(script: str) -> Iterator[str]:
    """The single statements of a script, triggers with their inner semicolons kept whole."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
    if statement.strip():
        raise LedgerError(f"the schema script ends within a statement: {statement.strip()[:80]!r}")


def record_guards(table: str) -> tuple[str, ...]:
    """Triggers that let rows of `table` be added and nothing else.

    The last one refuses a key that exists before SQLite looks at it: otherwise INSERT OR REPLACE would take the old row
    away without a DELETE that the second one sees, unless the connection has recursive_triggers on.
    """
    own = () if table in {"schema_version", "identity", "journal"} else ("id = NEW.id",)
    natural = (_KEYS[table],) if table in _KEYS else ()
    return _guards(table, (*own, *natural))


def live_guards(table: str) -> tuple[str, ...]:
    """Triggers that let measurements be added once and nothing else, as it was before there were chunks."""
    keys = ("id = NEW.id", _SAME_DEVICE_TIME, _SAME_NUMBER) if table == "reading" else ("id = NEW.id",)
    return _guards(table, keys)


def packed_guards() -> tuple[str, ...]:
    """Triggers that let live rows go once a chunk holds them, and a chunk's content once it is recorded as pruned.

    The newest live row always stays: SQLite numbers the next one after it, and a number must never come twice.
    """
    live = tuple(
        _guard(
            table,
            "delete",
            "DELETE",
            f"OLD.id = (SELECT max(id) FROM {table}) OR OLD.id > ifnull((SELECT chunk.last_row FROM chunk "  # noqa: S608
            f"WHERE chunk.stream = '{table}' AND chunk.owner = OLD.{owner} AND chunk.first_row <= OLD.id "
            "AND EXISTS (SELECT 1 FROM chunk_data WHERE chunk_data.chunk = chunk.id) "
            "ORDER BY chunk.first_row DESC LIMIT 1), -1)",
            REFUSED_CHANGE,
        )
        for table, owner in OWNERS.items()
    )
    pruned = (
        "NOT EXISTS (SELECT 1 FROM audit JOIN chunk ON chunk.id = OLD.chunk WHERE audit.action = 'pruned' "
        "AND audit.subject = 'chunk ' || OLD.chunk AND audit.body ->> '$.data.sha256' = chunk.body ->> 'sha256')"
    )
    known = "EXISTS (SELECT 1 FROM chunk_data WHERE chunk = NEW.chunk)"
    return (
        *live,
        _guard("chunk_data", "update", "UPDATE", "1", REFUSED_CHANGE),
        _guard("chunk_data", "delete", "DELETE", pruned, REFUSED_CHANGE),
        _guard("chunk_data", "again", "INSERT", known, REFUSED_AGAIN),
    )


def _guard(table: str, name: str, verb: str, condition: str, why: str) -> str:
    return (
        f"CREATE TRIGGER {table}_{name} BEFORE {verb} ON {table} WHEN {condition} "
        f"BEGIN SELECT RAISE(ABORT, '{table} {why}'); END;"
    )


def _guards(table: str, keys: Sequence[str]) -> tuple[str, ...]:
    known = " OR ".join(f"EXISTS (SELECT 1 FROM {table} WHERE {key})" for key in keys)  # noqa: S608 - our own names
    guards = (
        ("update", "UPDATE", "1", REFUSED_CHANGE),
        ("delete", "DELETE", "1", REFUSED_CHANGE),
        ("again", "INSERT", known, REFUSED_AGAIN),
    )
    return tuple(_guard(table, name, verb, condition, why) for name, verb, condition, why in guards)


def _script(name: str) -> Iterator[str]:
    return statements_of((files("fillguard.ledger") / "migrations" / name).read_text(encoding="utf-8"))


def _first() -> Migration:
    guarded = ("schema_version", "identity", "journal", *_FIRST_RECORD_TABLES)
    return Migration(
        version=1,
        name="ledger",
        statements=(
            *_script("0001-ledger.sql"),
            *(guard for table in guarded for guard in record_guards(table)),
            *(guard for table in LIVE_TABLES for guard in live_guards(table)),
        ),
    )


def _register() -> Migration:
    return Migration(version=3, name="register", statements=(*_script("0003-register.sql"), *record_guards("cylinder")))


def _learned() -> Migration:
    return Migration(version=2, name="learned", statements=tuple(_script("0002-learned.sql")))


def _chunks() -> Migration:
    guards = (*record_guards("chunk"), *packed_guards())
    return Migration(version=4, name="chunks", statements=(*_script("0004-chunks.sql"), *guards))


def _recipients() -> Migration:
    return Migration(version=5, name="recipients", statements=tuple(_script("0005-recipients.sql")))


def _entered() -> Migration:
    return Migration(version=6, name="entered", statements=tuple(_script("0006-entered.sql")))


MIGRATIONS: tuple[Migration, ...] = (_first(), _learned(), _register(), _chunks(), _recipients(), _entered())


def version_of(connection: sqlite3.Connection) -> int:
    """Schema of an open ledger; 0 for a file without tables."""
    known = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'schema_version'").fetchone()
    if known is None:
        return 0
    (version,) = connection.execute("SELECT max(version) FROM schema_version").fetchone()
    return int(version or 0)


def migrate(
    connection: sqlite3.Connection, at_ms: int, migrations: Sequence[Migration] = MIGRATIONS
) -> list[Migration]:
    """Bring an open ledger forward, one transaction a step; returns the steps that were taken.

    `connection` is in autocommit. Raises sqlite3.Error; the step that failed left nothing behind.
    """
    present = version_of(connection)
    taken = [migration for migration in migrations if migration.version > present]
    for migration in taken:
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute(
                "INSERT INTO schema_version (version, name, at_ms) VALUES (?, ?, ?)",
                (migration.version, migration.name, at_ms),
            )
            connection.execute("COMMIT")
        except sqlite3.Error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return taken
