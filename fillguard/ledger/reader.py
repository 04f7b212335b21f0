"""What others read of the ledger, each thread on a connection of its own that cannot write."""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Self, TypeVar

from fillguard.core.errors import LedgerError
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    FillEnded,
    FillStarted,
    LearnedChanged,
    SettledJudged,
    ZeroChecked,
)
from fillguard.ledger import rows
from fillguard.ledger.chain import Anchor, genesis
from fillguard.ledger.codec import Fact, decode_text
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.mirroring import Mirroring
from fillguard.ledger.packing import Row
from fillguard.ledger.snapshots import Past
from fillguard.ledger.store import connect_read_only, identity_text
from fillguard.ledger.stored import Names, Wanted, stored
from fillguard.ports import Attempt, OutboxItem, ProjectionRow, ReadingRow

_OPEN = "fill_id NOT IN (SELECT fill_id FROM fill)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """Which rows are wanted; None: all. Times in Unix seconds: a fill's start, a reading's sample, an event's stamp."""

    whip: str | None = None
    serial: str | None = None
    operator: str | None = None
    outcome: str | None = None
    since_s: float | None = None
    until_s: float | None = None
    """Not including this moment."""

    def conditions(self, columns: Mapping[str, str]) -> tuple[list[str], list[object]]:
        """SQL conditions and their values. `columns` names the column of each field; `time` that of the times, in ms.

        Raises LedgerError when something is asked that the table does not tell.
        """
        conditions: list[str] = []
        values: list[object] = []
        for name, value in self._asked():
            key, comparison = {"since_s": ("time", ">="), "until_s": ("time", "<")}.get(name, (name, "="))
            if key not in columns:
                raise LedgerError(f"these rows cannot be chosen by {name}: choose by {', '.join(columns)}")
            conditions.append(f"{columns[key]} {comparison} ?")
            values.append(stored_ms(value) if isinstance(value, float | int) else value)
        return conditions, values

    def _asked(self) -> Iterator[tuple[str, str | float]]:
        for name in ("whip", "serial", "operator", "outcome", "since_s", "until_s"):
            value = getattr(self, name)
            if value is not None:
                yield name, value


ALL = Filter()
_FILL_COLUMNS = {name: name for name in ("whip", "serial", "operator", "outcome")} | {"time": "started_ms"}
_READING_COLUMNS = {"whip": "source.whip", "time": "reading.sample_ms"}
_EVENT_COLUMNS = {"whip": "whip", "time": "at_ms"}
_AUDIT_COLUMNS = {"time": "at_ms"}
_Fact = TypeVar("_Fact")


class SqliteLedgerReader:
    """A `LedgerReader` and `MirrorSource`. For the thread that made it; close it there, or use it in a `with`."""

    def __init__(self, path: Path) -> None:
        """Open for reading. Raises LedgerError."""
        self._path = path
        self._connection = connect_read_only(path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # deliveries and mirrors -------------------------------------------------------------------------------------

    def due_notices(self, channel: str, utc_s: float, limit: int) -> list[OutboxItem]:
        """Unsettled notices of `channel` that may be tried now: priority 1 first, then oldest."""
        found = self._ask(rows.DUE_NOTICES, (channel, stored_ms(utc_s), limit))
        return [rows.outbox_item(row) for row in found]

    def last_try(self, channel: str) -> Attempt | None:
        """The newest try of a channel that has a result."""
        sql = "SELECT body FROM attempt WHERE channel = ? AND phase = 'ended' ORDER BY id DESC LIMIT 1"
        found = self._ask(sql, (channel,)).fetchone()
        fact = None if found is None else decode_text(found[0])
        return fact if isinstance(fact, Attempt) else None

    def count_owed(self, channel: str) -> int:
        """How many notices still have to reach a channel."""
        return self._number("SELECT count(*) FROM outbox WHERE channel = ? AND settled_ms IS NULL", (channel,))

    def readings_after(self, row: int, limit: int) -> list[ReadingRow]:
        """Readings with a row number above `row`, in order, with the serial known when they came."""
        return list(islice(self._readings(Wanted(after_row=row)), limit))

    def projections_after(self, row: int, limit: int) -> list[ProjectionRow]:
        """Projections with a row number above `row`, in order."""
        return list(islice(self._projections(Wanted(after_row=row)), limit))

    def cursor(self, name: str) -> int:
        """How far `name` has come; 0 before it began."""
        return self._number("SELECT value FROM cursor WHERE name = ?", (name,))

    def newest_row(self, stream: str) -> int:
        """Number of the newest row of `reading` or `projection`. Raises KeyError for another stream."""
        return self._number(rows.NEWEST[stream], ())

    # fills ------------------------------------------------------------------------------------------------------

    def fills(
        self,
        *,
        limit: int,
        before_s: float | None = None,
        after_fill: str | None = None,
        where: Filter = ALL,
    ) -> list[Mapping[str, object]]:
        """Newest fills first. The next page: `after_fill` is the last fill of this one.

        One mapping a fill: ids and words as in `FillSummary`, times in Unix milliseconds, gauge pascal, kelvin.
        """
        conditions, values = where.conditions(_FILL_COLUMNS)
        if before_s is not None:
            conditions.append("started_ms < ?")
            values.append(stored_ms(before_s))
        if after_fill is not None:
            conditions.append("(started_ms, id) < (SELECT started_ms, id FROM fill WHERE fill_id = ?)")
            values.append(after_fill)
        sql = f"{rows.FILLS} {_where(conditions)} ORDER BY started_ms DESC, id DESC LIMIT ?"
        return [rows.fill(each) for each in self._ask(sql, (*values, limit))]

    def iter_fills(self, where: Filter = ALL) -> Iterator[Mapping[str, object]]:
        """Fills in order of their start, one by one."""
        conditions, values = where.conditions(_FILL_COLUMNS)
        return map(rows.fill, self._ask(f"{rows.FILLS} {_where(conditions)} ORDER BY started_ms, id", values))

    def fill(self, fill_id: str) -> Mapping[str, object] | None:
        """One ended fill."""
        found = self._ask(f"{rows.FILLS} WHERE fill_id = ?", (fill_id,)).fetchone()
        return found and rows.fill(found)

    def corrections(self, fill_id: str | None = None) -> list[rows.Correction]:
        """What was corrected of one fill, or of all, oldest first."""
        sql = "SELECT body FROM audit WHERE action = 'correction' AND subject = ifnull(?, subject) ORDER BY id"
        return [rows.correction(json.loads(body)) for (body,) in self._ask(sql, (fill_id,))]

    def open_fills(self) -> list[FillStarted]:
        """Fills that began and have no end on record, oldest first."""
        found = self._ask(f"SELECT body FROM opened WHERE {_OPEN} ORDER BY id", ())  # noqa: S608 - our own condition
        return [fact for (body,) in found if isinstance(fact := decode_text(body), FillStarted)]

    def fill_trace(self, fill_id: str) -> Iterator[ReadingRow]:
        """Every recorded reading of one fill in sample order: its whip's and those the whole station shares.

        By time, from the start to the end: also what came late, and the first seconds before the start was noticed. Of
        a fill that went on on another whip only what belongs to it.
        """
        found = self._ask(rows.TRACED, {"fill": fill_id}).fetchone()
        if found is None:
            return iter(())
        started_ms, ended_ms, sources, whips = found
        before_ms = None if ended_ms is None else ended_ms + 1
        wanted = Wanted(owners=json.loads(sources), since_ms=started_ms, before_ms=before_ms)
        readings = self._readings(wanted)
        if whips > 1:
            readings = (row for row in readings if row.whip is None or row.fill_id == fill_id)
        return iter(sorted(readings, key=lambda row: (row.sample_s, row.row)))

    def fill_projections(self, fill_id: str) -> Iterator[ProjectionRow]:
        """The recorded projections of one fill, at most one a second."""
        numbers = [number for (number,) in self._ask("SELECT id FROM opened WHERE fill_id = ?", (fill_id,))]
        return iter(sorted(self._projections(Wanted(owners=numbers)), key=lambda row: (row.sample_s, row.row)))

    def fill_events(self, fill_id: str) -> Iterator[Fact]:
        """What else happened in one fill, in the order of the record: phases, findings, prompts, identifications."""
        found = self._ask("SELECT body FROM event WHERE fill_id = ? ORDER BY id", (fill_id,))
        return (decode_text(body) for (body,) in found)

    def fill_alarms(self, fill_id: str) -> list[AlarmChanged]:
        """Every change of an alarm of one fill, in the order of the record."""
        return self._alarms("SELECT body FROM alarm WHERE fill_id = ? ORDER BY id", (fill_id,))

    def mirroring(self, mirror: str) -> Mirroring:
        """How far a mirror has come."""
        return Mirroring(self._ask, mirror)

    # restarts ---------------------------------------------------------------------------------------------------

    @property
    def past(self) -> Past:
        """What a restart goes on from."""
        return Past(self._ask)

    # what was learned -------------------------------------------------------------------------------------------

    def learned_changes(self, limit: int) -> list[LearnedChanged]:
        """The newest changes of the learned values, newest first: the first is in force. Raises LedgerError."""
        found = self._ask("SELECT body FROM event WHERE kind = 'LearnedChanged' ORDER BY id DESC LIMIT ?", (limit,))
        return [fact for (body,) in found if isinstance(fact := decode_text(body), LearnedChanged)]

    def count_learned_changes(self) -> int:
        """How often the learned values have changed."""
        return self._number("SELECT count(*) FROM event WHERE kind = 'LearnedChanged'", ())

    def newest_ends(self, limit: int) -> list[FillEnded]:
        """How the newest fills ended, oldest of them first. Raises LedgerError."""
        found = self._ask("SELECT body FROM fill ORDER BY id DESC LIMIT ?", (limit,)).fetchall()
        return [fact for (body,) in reversed(found) if isinstance(fact := decode_text(body), FillEnded)]

    def newest_event(self) -> int:
        """Row number of the newest event; 0 when there is none."""
        return self._number("SELECT max(id) FROM event", ())

    def events_after(self, row: int) -> Iterator[Fact]:
        """Events recorded after a row, in the order of the record."""
        found = self._ask("SELECT body FROM event WHERE id > ? ORDER BY id", (row,))
        return (decode_text(body) for (body,) in found)

    def zero_checks(self, since_s: float) -> list[ZeroChecked]:
        """Zero checks of all whips since then (Unix seconds), oldest first."""
        sql = "SELECT body FROM event WHERE kind = 'ZeroChecked' AND at_ms >= ? ORDER BY id"
        found = self._ask(sql, (stored_ms(since_s),))
        return [fact for (body,) in found if isinstance(fact := decode_text(body), ZeroChecked)]

    def settled_readings(self, fill_id: str) -> list[SettledJudged]:
        """Settled readings of one fill, oldest first."""
        return [fact for fact in self.fill_events(fill_id) if isinstance(fact, SettledJudged)]

    # alarms -----------------------------------------------------------------------------------------------------

    def standing_alarms(self) -> list[AlarmChanged]:
        """The last change of each occurrence that is not normal again, oldest first."""
        return self._alarms(rows.STANDING_ALARMS, (AlarmState.NORMAL.value,))

    def raise_of(self, occurrence: str) -> AlarmChanged | None:
        """How an occurrence began; None when nobody was ever told of it."""
        changes = self._alarms("SELECT body FROM alarm WHERE occurrence = ? ORDER BY id", (occurrence,))
        return next((change for change in changes if change.is_raise), None)

    def raises_since(self, utc_s: float, limit: int) -> list[AlarmChanged]:
        """The newest raises, of those not before a moment; oldest of them first."""
        sql = "SELECT body FROM alarm WHERE at_ms >= ? AND state = ? ORDER BY at_ms DESC, id DESC LIMIT ?"
        changes = self._alarms(sql, (stored_ms(utc_s), AlarmState.UNACKNOWLEDGED.value, limit))
        return [change for change in reversed(changes) if change.is_raise]

    def told_of(self, occurrence: str, channels: Iterable[str]) -> list[str]:
        """Those of `channels` that are owed the raise of an occurrence."""
        sql = "SELECT count(*) FROM notice WHERE channel = ? AND occurrence = ? AND kind = 'raise'"
        return [channel for channel in channels if self._number(sql, (channel, occurrence))]

    def last_occurrences(self) -> dict[str, int]:
        """The highest number on record for each `{prefix}/{alarm}` that may go on: of the station, of open fills."""
        return {f"{subject}/{alarm}": number for subject, alarm, number in self._ask(rows.LAST_OCCURRENCES, ())}

    # everything, one by one -------------------------------------------------------------------------------------

    def iter_readings(self, where: Filter = ALL) -> Iterator[ReadingRow]:
        """Readings in the order they were recorded; those that were pruned are not among them."""
        return self._readings(self._wanted(where))

    def iter_events(self, where: Filter = ALL) -> Iterator[rows.RecordRow]:
        """Events in the order of the record."""
        return self._records("event", where)

    def iter_alarms(self, where: Filter = ALL) -> Iterator[rows.RecordRow]:
        """Alarm changes in the order of the record."""
        return self._records("alarm", where)

    def iter_audit(self, where: Filter = ALL) -> Iterator[rows.RecordRow]:
        """Audit rows in the order of the record; they are chosen by time alone."""
        return self._records("audit", where, _AUDIT_COLUMNS)

    def iter_record(self, table: str) -> Iterator[rows.RecordRow]:
        """Audit rows, configurations, attempts or notices in the order of the record. Raises LedgerError."""
        if table not in {"audit", "config", "attempt", "notice", "source"}:
            raise LedgerError(f"no such record {table!r}: there are audit, config, attempt, notice and source")
        return map(rows.record_row, self._ask(f"SELECT id, body FROM {table} ORDER BY id", ()))  # noqa: S608 - checked

    def last_config(self) -> str | None:
        """The text of the configuration that was last in force; None before the first."""
        row = self._ask("SELECT body ->> 'text' FROM config ORDER BY id DESC LIMIT 1", ()).fetchone()
        return None if row is None else str(row[0])

    def configs(self, limit: int) -> list[rows.RecordRow]:
        """The newest configurations that were in force, newest first, without their text."""
        sql = "SELECT id, json_remove(body, '$.text') FROM config ORDER BY id DESC LIMIT ?"
        return list(map(rows.record_row, self._ask(sql, (limit,))))

    def count(self, table: str, where: Filter = ALL) -> int:
        """How many rows of `fill`, `alarm`, `event`, `audit` or `reading` there are. Raises KeyError for another table.

        Of packed readings whole chunks are counted: with a limit in time it is a little more than there are.
        """
        if table == "reading":
            return self._count_readings(self._wanted(where))
        columns = {"fill": _FILL_COLUMNS, "alarm": _EVENT_COLUMNS, "event": _EVENT_COLUMNS, "audit": _AUDIT_COLUMNS}
        conditions, values = where.conditions(columns[table])
        return self._number(f"SELECT count(*) FROM {table} {_where(conditions)}", values)  # noqa: S608 - our own names

    def anchor(self) -> Anchor:
        """End of the chain: to be noted outside."""
        end = self._ask("SELECT seq, head FROM journal ORDER BY seq DESC LIMIT 1", ()).fetchone()
        if end is None:
            return Anchor(row=0, head=genesis(identity_text(self._connection)).hex())
        return Anchor(row=end[0], head=end[1].hex())

    def _readings(self, wanted: Wanted) -> Iterator[ReadingRow]:
        return self._stored("reading", wanted, Names(self._connection).reading)

    def _projections(self, wanted: Wanted) -> Iterator[ProjectionRow]:
        return self._stored("projection", wanted, Names(self._connection).projection)

    def _stored(self, stream: str, wanted: Wanted, fact: Callable[[Row], _Fact]) -> Iterator[_Fact]:
        try:
            for row in stored(self._connection, stream, wanted):
                yield fact(row)
        except sqlite3.Error as problem:
            raise LedgerError(f"ledger {self._path} cannot be read: {problem}") from problem

    def _wanted(self, where: Filter) -> Wanted:
        where.conditions(_READING_COLUMNS)  # refuses what readings do not tell
        owners = None
        if where.whip is not None:
            owners = [number for (number,) in self._ask("SELECT id FROM source WHERE whip = ?", (where.whip,))]
        since_ms, before_ms = (None if at is None else stored_ms(at) for at in (where.since_s, where.until_s))
        return Wanted(owners=owners, since_ms=since_ms, before_ms=before_ms)

    def _count_readings(self, wanted: Wanted) -> int:
        asked, values = wanted.conditions(owner="source", row="id", oldest="sample_ms", newest="sample_ms")
        live = self._number(f"SELECT count(*) FROM reading WHERE {asked}", values)  # noqa: S608 - our own names
        asked, values = wanted.conditions(owner="owner", row="last_row", oldest="first_ms", newest="last_ms")
        packed = (
            "SELECT sum(body ->> 'rows') FROM chunk JOIN chunk_data ON chunk_data.chunk = chunk.id "  # noqa: S608
            f"WHERE stream = 'reading' AND {asked}"
        )
        return live + self._number(packed, values)

    def _records(
        self, table: str, where: Filter, columns: Mapping[str, str] = _EVENT_COLUMNS
    ) -> Iterator[rows.RecordRow]:
        conditions, values = where.conditions(columns)
        sql = f"SELECT id, body FROM {table} {_where(conditions)} ORDER BY id"  # noqa: S608 - our own names
        return map(rows.record_row, self._ask(sql, values))

    def _alarms(self, sql: str, values: Sequence[object]) -> list[AlarmChanged]:
        return [fact for (body,) in self._ask(sql, values) if isinstance(fact := decode_text(body), AlarmChanged)]

    def _number(self, sql: str, values: Sequence[object]) -> int:
        row = self._ask(sql, values).fetchone()
        return 0 if row is None or row[0] is None else int(row[0])

    def _ask(self, sql: str, values: Sequence[object] | Mapping[str, object]) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql, values)
        except sqlite3.Error as problem:
            raise LedgerError(f"ledger {self._path} cannot be read: {problem}") from problem


def _where(conditions: Sequence[str]) -> str:
    return f"WHERE {' AND '.join(conditions)}" if conditions else ""
