"""The register of cylinders in the ledger: the newest row of each serial, its history, and adding to it.

People change the register while the watch runs. Both write one file: SQLite lets one transaction at a time, and each
goes on from the end of the chain that it finds.
"""

import json
import sqlite3
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from fillguard.core.errors import LedgerError
from fillguard.core.fitness.checks import Left
from fillguard.core.fitness.record import CylinderRecord
from fillguard.core.stages import SAME_MIX
from fillguard.core.values import AIR, GasMix, Stamp
from fillguard.ledger import store
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.lock import LedgerLock, LedgerLocked
from fillguard.ledger.recorder import Recorder
from fillguard.ports import AuditEntry, CylinderRecorded, StepRecord
from fillguard.settings.problems import Problem
from fillguard.settings.register import key_of, read_record
from fillguard.settings.schema import Place

Progress = Callable[[int, int], None]
"""Rows written and rows in all."""

VALVE_FINDINGS = frozenset({"valve-not-open", "leak", "flow-restricted"})
"""What a curve shows when a valve needs somebody's eyes."""
FINDINGS_COUNT_S = 90.0 * 86_400.0
"""What fills of the last three months hinted at still says something of a valve (our choice)."""
_FILLS_LOOKED_AT = 20
_PROGRESS_EVERY = 500
_CURRENT = "SELECT body FROM cylinder WHERE key = ? ORDER BY id DESC LIMIT 1"
_HISTORY = "SELECT body FROM cylinder WHERE key = ? ORDER BY id"
_ALL_CURRENT = "SELECT body FROM cylinder WHERE id IN (SELECT max(id) FROM cylinder GROUP BY key) ORDER BY key"
_FINDINGS = """
SELECT findings FROM fill WHERE serial IN (SELECT value FROM json_each(?)) AND started_ms > ?
ORDER BY started_ms DESC LIMIT ?
"""
_HINTING = """
SELECT DISTINCT serial FROM fill WHERE started_ms > ? AND serial IS NOT NULL AND EXISTS (
    SELECT 1 FROM json_each(fill.findings) AS found WHERE found.value IN (SELECT value FROM json_each(?))
) ORDER BY serial
"""
_LAST_FILL = """
SELECT fill_id, outcome, ifnull(final_settled_gauge_pa, settled_gauge_pa), reference_k, o2, he FROM fill
WHERE serial IN (SELECT value FROM json_each(?)) ORDER BY started_ms DESC LIMIT 1
"""
_NOT_KNOWN_HOW = frozenset({"interrupted", "stopped-for-alarm"})
"""Outcomes after which a cylinder may hold something else than was last seen."""


class RegisterReader:
    """For the thread that made it; close it there, or use it in a `with`."""

    def __init__(self, path: Path) -> None:
        """Open for reading. Raises LedgerError."""
        self._path = path
        self._connection = store.connect_read_only(path)

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def current(self, serial: str) -> CylinderRecord | None:
        """A cylinder as it is now; None for one that is not in this register. Raises LedgerError."""
        changes = self._changes(_CURRENT, (key_of(serial),))
        return next((record_of(change) for change in changes), None)

    def history(self, serial: str) -> list[CylinderRecorded]:
        """Every change of a cylinder, oldest first."""
        return list(self._changes(_HISTORY, (key_of(serial),)))

    def everything(self) -> Iterator[CylinderRecorded]:
        """The newest row of each cylinder, in order of its key."""
        return self._changes(_ALL_CURRENT, ())

    def valve_findings(self, serials: Collection[str], since_s: float) -> int:
        """How many of its last fills since then (Unix seconds) hinted at the valve. `serials`: as it was written."""
        rows = self._ask(_FINDINGS, (json.dumps(sorted(serials)), stored_ms(since_s), _FILLS_LOOKED_AT))
        return sum(bool(VALVE_FINDINGS & set(json.loads(str(findings or "[]")))) for (findings,) in rows)

    def hinting_at_valves(self, since_s: float) -> list[str]:
        """Serials, as they were written at the panel, of cylinders with a fill since then that hinted at the valve."""
        values = (stored_ms(since_s), json.dumps(sorted(VALVE_FINDINGS)))
        return [str(serial) for (serial,) in self._ask(_HINTING, values)]

    def left(self, serials: Collection[str]) -> Left | None:
        """How the last recorded fill of a cylinder left it; None where there is none, or nobody knows how it ended."""
        row = self._ask(_LAST_FILL, (json.dumps(sorted(serials)),)).fetchone()
        if row is None or row[1] in _NOT_KNOWN_HOW or row[2] is None or row[3] is None:
            return None
        return Left(fill_id=row[0], gauge_pa=row[2], reference_k=row[3], mix=_mix(row[4], row[5]))

    def _changes(self, sql: str, values: Sequence[object]) -> Iterator[CylinderRecorded]:
        for (body,) in self._ask(sql, values):
            yield _change_of(json.loads(str(body)))

    def _ask(self, sql: str, values: Sequence[object]) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql, values)
        except sqlite3.Error as problem:
            raise LedgerError(f"register in {self._path} cannot be read: {problem}") from problem


def record_of(change: CylinderRecorded) -> CylinderRecord:
    """The cylinder as a change left it. Raises LedgerError when its columns mean nothing to this version."""
    problems: list[Problem] = []
    record = read_record(change.columns, Place(file="register", label=f"{change.serial},"), problems)
    if record is None:
        raise LedgerError(f"the register cannot be read: {'; '.join(map(str, problems))}")
    return record


def add_to_register(
    path: Path,
    station: str,
    now: Stamp,
    changes: Sequence[CylinderRecorded | StepRecord | AuditEntry],
    *,
    audit: AuditEntry | None = None,
    progress: Progress | None = None,
) -> None:
    """Add all `changes`, of the register or by people after a fill, to the ledger at `path`, or none.

    A new ledger is made where there is none.

    Raises LedgerError: it cannot be written, or is another station's.
    """
    since = datetime.fromtimestamp(now.utc_s, UTC).isoformat(timespec="seconds")
    owner = store.Owner(station=station, drill=store.is_drill(path))
    try:
        lock = LedgerLock(path, since)
    except LedgerLocked:
        store.refuse_other_owner(path, owner)  # the watch runs: it has looked at the file and brought it forward
        _add(path, changes, audit, progress)
        return
    with lock:
        steps = store.prepare(path, owner, stored_ms(now.utc_s))
        told = [
            AuditEntry(at=now, who="fillguard", action="ledger-schema", detail=f"schema {step.version}: {step.name}")
            for step in steps
        ]
        _add(path, [*told, *changes], audit, progress)


def _add(
    path: Path,
    entries: Sequence[CylinderRecorded | StepRecord | AuditEntry],
    audit: AuditEntry | None,
    progress: Progress | None,
) -> None:
    try:
        with closing(store.connect(path)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            recorder = Recorder(connection)
            for done, entry in enumerate(entries, start=1):
                recorder.record(entry)
                if progress is not None and done % _PROGRESS_EVERY == 0:
                    progress(done, len(entries))
            if audit is not None:
                recorder.record(audit)
            connection.execute("COMMIT")
    except sqlite3.Error as problem:
        raise LedgerError(f"ledger {path} was not changed: {problem}. Check room and rights") from problem


def _mix(o2: float | None, he: float | None) -> GasMix | None:
    if o2 is None:
        return None
    return AIR if not he and abs(o2 - AIR.o2) < SAME_MIX else GasMix(o2=o2, he=he or 0.0)


def _change_of(body: dict[str, object]) -> CylinderRecorded:
    at, columns = body["at"], body["columns"]
    if not isinstance(at, dict) or not isinstance(columns, dict):
        raise LedgerError(f"recorded change of a cylinder {body!r} cannot be read: verify the ledger")
    return CylinderRecorded(
        at=Stamp(mono_s=at["mono_s"], utc_s=at["utc_s"]),
        by=str(body["by"]),
        why=str(body["why"]),
        key=str(body["key"]),
        serial=str(body["serial"]),
        columns={str(name): str(cell) for name, cell in columns.items()},
    )
