"""What one entry puts into the ledger, inside the writer's transaction. No thread, no commit, no clock."""

import json
import math
import sqlite3
from dataclasses import dataclass, replace
from typing import TypeVar

from fillguard.core.events import (
    AlarmChanged,
    CanaryReturned,
    ClockStepped,
    FillEnded,
    FillReleased,
    FillStarted,
    OutEvent,
    Projected,
    Quantity,
    Reading,
    ReadingDoubted,
    ReadingRejected,
    StageBegan,
    Tick,
)
from fillguard.ledger import grid, outbox, snapshots
from fillguard.ledger.chain import Anchor, genesis, leaf, next_head
from fillguard.ledger.codec import Fact, Json, canonical, clean, encode
from fillguard.ledger.schema import RECORD_TABLES, REFUSED_AGAIN
from fillguard.ledger.store import identity_text
from fillguard.ports import (
    Attempt,
    AuditEntry,
    ConfigInForce,
    CylinderRecorded,
    OwedNotice,
    Quarantined,
    StationSnapshot,
    StepRecord,
)

_CACHED_NAMES = 4096
"""Sources and boots kept in memory; more than any station has, and a bound when a sender invents names."""
REJECTIONS_EVERY_S = 60.0
"""Unusable messages of one topic and reason are recorded at most this often; the row says how many came since."""
_INSERT = {table: f"INSERT INTO {table} (id, body) VALUES (?, ?)" for table in RECORD_TABLES}  # noqa: S608 - own names
_JOURNAL = "INSERT INTO journal (seq, kind, leaf, head) VALUES (?, ?, ?, ?)"
_READING = """
INSERT INTO reading (sample_ms, delay_ms, source, value, quality, doubt, doubted_quality, doubted, seq, boot, device_ms,
                     fill)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_PROJECTION = """
INSERT INTO projection (fill, sample_ms, phase, gauge, settled, settled_low, settled_high, cylinder, developed, stop_at,
                        close_at, bleed_to, gas, wall, mass, rate, rate_error, to_stop, cap, reason)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
_QUARANTINE = """
INSERT INTO quarantine (mirror, stream, first_row, last_row, status, reason, at_ms) VALUES (?, ?, ?, ?, ?, ?, ?)
"""
_RECIPIENT = "INSERT INTO recipient (event, fill_id, name, until_ms) VALUES (?, ?, ?, ?)"


@dataclass(frozen=True, slots=True, kw_only=True)
class CursorMoved:
    """A mirror has everything up to `row`."""

    name: str
    row: int


_Key = TypeVar("_Key")
Entry = (
    StepRecord | Attempt | ConfigInForce | AuditEntry | CylinderRecorded | CursorMoved | Quarantined | StationSnapshot
)


@dataclass(frozen=True, slots=True)
class _OpenFill:
    number: int
    fill_id: str
    started_ms: int
    heard_on: tuple[str, ...] = ()
    """Names under which readings of its gauge may come besides its whip's."""


@dataclass(slots=True)
class _Rejections:
    recorded_s: float
    since: int = 0


class Recorder:
    """Turns entries into rows on one connection. After a rollback, `reload` brings it back to what is recorded."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.clock: Json = None
        """How far the machine's clock is to be trusted, as last looked at: stands on fills and alarms."""
        self.reload()

    def reload(self) -> None:
        """Forget what was not committed: read the end of the chain and what is open from the ledger."""
        self._sources: dict[tuple[str, str | None, str], int] = {}
        self._boots: dict[str, int] = {}
        self._rejections: dict[tuple[str, str], _Rejections] = {}
        self._row, self._head = self._end_on_disk()
        ask = self._connection.execute
        self._reading_row: int = ask("SELECT ifnull(max(id), 0) FROM reading").fetchone()[0]
        config = ask("SELECT hash FROM config ORDER BY id DESC LIMIT 1").fetchone()
        self._config: str | None = config and config[0]
        self._open: dict[str, _OpenFill] = {
            whip: _OpenFill(number, fill_id, started_ms, tuple(json.loads(heard_on or "[]")))
            for number, whip, fill_id, started_ms, heard_on in ask(
                "SELECT id, whip, fill_id, started_ms, body ->> '$.heard_on' FROM opened "
                "WHERE fill_id NOT IN (SELECT fill_id FROM fill) ORDER BY id"
            )
        }
        self._projected: dict[int, int] = {
            fill.number: ask(
                "SELECT ifnull(max(sample_ms), -1000) FROM projection WHERE fill = ?", (fill.number,)
            ).fetchone()[0]
            // 1000
            for fill in self._open.values()
        }

    def follow(self) -> None:
        """Go on from the end of the chain on disk: since our last transaction people may have changed the register."""
        self._row, self._head = self._end_on_disk()

    def _end_on_disk(self) -> tuple[int, bytes]:
        end = self._connection.execute("SELECT seq, head FROM journal ORDER BY seq DESC LIMIT 1").fetchone()
        return (end[0], end[1]) if end else (0, genesis(identity_text(self._connection)))

    @property
    def end(self) -> Anchor:
        """End of the chain, with what this transaction added."""
        return Anchor(row=self._row, head=self._head.hex())

    def record(self, entry: Entry) -> None:
        """Add the rows of `entry`. Raises sqlite3.Error, and ValueError or TypeError for what cannot be recorded."""
        match entry:
            case StepRecord():
                self._step(entry)
            case Attempt():
                self._attempt(entry)
            case ConfigInForce():
                self._add("config", encode(entry))
                self._config = entry.config_hash
            case AuditEntry():
                self._add("audit", encode(entry))
            case CylinderRecorded():
                self._add("cylinder", encode(entry))
            case CursorMoved():
                self.move_cursor(entry.name, entry.row)
            case Quarantined():
                self._quarantine(entry)
            case StationSnapshot():
                place = snapshots.Place(reading=self._reading_row, journal=self._row)
                snapshots.keep(self._connection, entry, place, self._config)

    def move_cursor(self, name: str, row: int) -> None:
        """Remember how far somebody has come."""
        self._connection.execute(
            "INSERT INTO cursor (name, value) VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
            (name, row),
        )

    def _step(self, record: StepRecord) -> None:
        cause = record.cause
        if isinstance(cause, ReadingRejected):
            self._rejected(cause)
        elif isinstance(cause, FillReleased):
            self._released(cause)
        elif not isinstance(cause, Reading | Tick | CanaryReturned):
            self._event(cause)
            if isinstance(cause, ClockStepped):
                outbox.all_due(self._connection)
        doubted: ReadingDoubted | None = None
        for fact in record.facts:
            if isinstance(fact, ReadingDoubted) and isinstance(cause, Reading) and _is_about(fact, cause):
                doubted = fact
            else:
                self._fact(fact)
        if isinstance(cause, Reading):
            self._reading(cause, doubted)
        for notice in record.owed:
            self._owe(notice)

    def _fact(self, fact: OutEvent) -> None:
        match fact:
            case Projected():
                self._projection(fact)
            case AlarmChanged():
                self._add("alarm", encode(fact) | {"clock": self.clock})
            case FillStarted():
                self._fill_started(fact)
            case FillEnded():
                self._fill_ended(fact)
            case StageBegan():
                self._goes_on(fact)
                self._event(fact)
            case _:
                self._event(fact)

    def _fill_started(self, fact: FillStarted) -> None:
        """The fill's opening. A second one under the same id (a restart) is kept as an event: nothing is lost."""
        known = self._fill_number(fact.fill_id)
        if known is not None:
            self._event(fact)
            return
        number = self._add("opened", encode(fact) | {"config": self._config, "clock": self.clock})
        self._open[fact.whip] = _OpenFill(number, fact.fill_id, grid.stored_ms(fact.started_s), fact.heard_on)
        self._projected[number] = -1

    def _fill_ended(self, fact: FillEnded) -> None:
        summary = fact.summary
        if self._connection.execute("SELECT 1 FROM fill WHERE fill_id = ?", (summary.fill_id,)).fetchone():
            self._event(fact)
            return
        self._add("fill", encode(fact) | {"config": self._config, "clock": self.clock})
        ended = self._open.get(summary.whip)
        if ended and ended.fill_id == summary.fill_id:
            del self._open[summary.whip]
            self._projected.pop(ended.number, None)

    def _goes_on(self, fact: StageBegan) -> None:
        """The readings of this whip belong to the fill from here on, wherever it began."""
        for whip, fill in self._open.items():
            if fill.fill_id == fact.fill_id and whip != fact.whip:
                self._open[fact.whip] = self._open.pop(whip)
                return

    def _projection(self, fact: Projected) -> None:
        """At most one a second of a fill: charts need no more, and readings are kept whole."""
        number = self._fill_number(fact.fill_id)
        if number is None:
            self._event(fact)
            return
        second = math.floor(fact.sample_s)
        if second <= self._projected.get(number, second):
            return
        self._projected[number] = second
        self._connection.execute(_PROJECTION, grid.projection_row(number, fact))

    def _reading(self, reading: Reading, doubted: ReadingDoubted | None) -> None:
        """One row; a message that came twice finds its row there and adds none."""
        sample_ms = grid.stored_ms(reading.sample_s)
        fill = self._fill_of(reading)
        row = (
            sample_ms,
            grid.stored_ms(reading.stamp.utc_s) - sample_ms,
            self._source(reading),
            grid.stored_value(reading.quantity, reading.value),
            grid.QUALITIES[reading.quality],
            reading.doubt and grid.DOUBTS[reading.doubt],
            doubted and grid.QUALITIES[doubted.quality],
            doubted and grid.DOUBTS[doubted.doubt],
            grid.stored_integer(reading.seq),
            None if reading.boot is None else self._boot(reading.boot),
            None if reading.device_s is None else grid.stored_ms(reading.device_s),
            fill.number if fill and sample_ms >= fill.started_ms else None,
        )
        try:
            self._reading_row = self._connection.execute(_READING, row).lastrowid or self._reading_row
        except sqlite3.IntegrityError as refused:
            if REFUSED_AGAIN not in str(refused):
                raise

    def _fill_of(self, reading: Reading) -> _OpenFill | None:
        """The open fill that a reading belongs to: its whip's; of a gauge that several share, the first one's."""
        fill = self._open.get(reading.whip) if reading.whip is not None else None
        if fill is not None or reading.quantity is not Quantity.PRESSURE:
            return fill
        return next((each for each in self._open.values() if reading.whip in each.heard_on), None)

    def _rejected(self, cause: ReadingRejected) -> None:
        """A sender of rubbish must not fill the disk with rows that can never be pruned."""
        key = (cause.topic, cause.reason)
        before = self._rejections.get(key)
        if before and 0.0 <= cause.stamp.mono_s - before.recorded_s < REJECTIONS_EVERY_S:
            before.since += 1
            return
        if len(self._rejections) >= _CACHED_NAMES:
            self._rejections.clear()
        self._rejections[key] = _Rejections(cause.stamp.mono_s)
        self._add("event", encode(cause) | {"unrecorded_before": before.since if before else 0})

    def _released(self, cause: FillReleased) -> None:
        """The name of whoever got it stands beside the record, which nobody can take a name out of."""
        number = self._add("event", encode(replace(cause, to=None)))
        self._connection.execute("DELETE FROM recipient WHERE until_ms < ?", (grid.stored_ms(cause.stamp.utc_s),))
        if cause.to is not None and cause.to_until_utc_s is not None and cause.refused is None:
            row = (number, cause.fill_id, clean(cause.to), grid.stored_ms(cause.to_until_utc_s))
            self._connection.execute(_RECIPIENT, row)

    def _owe(self, notice: OwedNotice) -> None:
        if outbox.known_notice(self._connection, notice) is None:
            outbox.owe(self._connection, self._add("notice", outbox.notice_body(notice)), notice)

    def _attempt(self, attempt: Attempt) -> None:
        notice_id = outbox.notice_of(self._connection, attempt)
        self._add("attempt", outbox.attempt_body(attempt, notice_id))
        if notice_id is not None:
            outbox.settle(self._connection, notice_id)

    def _quarantine(self, rows: Quarantined) -> None:
        self._connection.execute(
            _QUARANTINE,
            (
                rows.mirror,
                rows.stream,
                rows.first_row,
                rows.last_row,
                rows.status,
                rows.reason,
                grid.stored_ms(rows.at.utc_s),
            ),
        )

    def _event(self, fact: Fact) -> None:
        self._add("event", encode(fact) | {snapshots.AFTER: self._reading_row})

    @property
    def oldest_open_ms(self) -> int | None:
        """When the oldest fill began that has no end on record; None when no fill is open."""
        return min((fill.started_ms for fill in self._open.values()), default=None)

    def add_chunk(self, body: dict[str, Json], content: bytes) -> None:
        """Packed rows: their record and their content. The live rows may go then."""
        number = self._add("chunk", body)
        self._connection.execute("INSERT INTO chunk_data (chunk, data) VALUES (?, ?)", (number, content))

    def _add(self, table: str, body: dict[str, Json]) -> int:
        """One row of the record and its link in the chain."""
        number = self._row + 1
        text = canonical(body)
        row_leaf = leaf(table, number, text)
        head = next_head(self._head, row_leaf)
        self._connection.execute(_INSERT[table], (number, text))
        self._connection.execute(_JOURNAL, (number, table, row_leaf, head))
        self._row, self._head = number, head
        return number

    def _source(self, reading: Reading) -> int:
        key = (reading.source, reading.whip, reading.quantity.value)
        number = self._sources.get(key)
        if number is None:
            topic, whip, quantity = key
            body: dict[str, Json] = {
                "topic": clean(topic),
                "whip": None if whip is None else clean(whip),
                "quantity": quantity,
            }
            row = self._connection.execute(
                "SELECT id FROM source WHERE topic = ? AND ifnull(whip, '') = ifnull(?, '') AND quantity = ?",
                (body["topic"], body["whip"], body["quantity"]),
            ).fetchone()
            number = int(row[0]) if row else self._add("source", body)
            _remember(self._sources, key, number)
        return number

    def _boot(self, name: str) -> int:
        number = self._boots.get(name)
        if number is None:
            body: dict[str, Json] = {"name": clean(name)}
            row = self._connection.execute("SELECT id FROM boot WHERE name = ?", (body["name"],)).fetchone()
            number = int(row[0]) if row else self._add("boot", body)
            _remember(self._boots, name, number)
        return number

    def _fill_number(self, fill_id: str) -> int | None:
        for fill in self._open.values():
            if fill.fill_id == fill_id:
                return fill.number
        row = self._connection.execute("SELECT id FROM opened WHERE fill_id = ?", (fill_id,)).fetchone()
        return None if row is None else int(row[0])


def _remember(names: dict[_Key, int], key: _Key, number: int) -> None:
    if len(names) >= _CACHED_NAMES:
        names.clear()
    names[key] = number


def _is_about(doubted: ReadingDoubted, reading: Reading) -> bool:
    return doubted.source == reading.source and doubted.sample_s == reading.sample_s and doubted.whip == reading.whip
