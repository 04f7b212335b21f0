"""The register for people: import, export, look up, change, lists of what is due. A running watch is not disturbed."""

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.fitness.asked import Case, Wanted
from fillguard.core.fitness.judging import due_soon, judged
from fillguard.core.fitness.record import CylinderRecord
from fillguard.core.fitness.rules import MANY_FINDINGS
from fillguard.core.fitness.valves import wear_parts
from fillguard.core.fitness.verdict import Due, Verdict
from fillguard.core.values import AIR, GasMix, Stamp
from fillguard.ledger.register import FINDINGS_COUNT_S, RegisterReader, add_to_register, record_of
from fillguard.ports import AuditEntry, CylinderRecorded
from fillguard.settings import ConfigurationProblems, Problem, Settings, load_settings
from fillguard.settings.columns import WRITTEN, columns_of
from fillguard.settings.register import key_of, read_record, read_register
from fillguard.settings.schema import Place

Progress = Callable[[str, int, int], None]
"""What is being done, rows done, rows in all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did."""

    added: int
    changed: int
    unchanged: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One change of a cylinder, for its history."""

    when: str
    by: str
    why: str
    changes: Mapping[str, tuple[str, str]]
    """Column -> what stood there, what stands there now."""


def cylinders_due(settings: Settings, today: date, within_days: int) -> list[tuple[CylinderRecord, Due]]:
    """What has run out or will within so many days of `today`, earliest first; condemned ones are left out."""
    if not settings.ledger.path.exists():
        return []
    with RegisterReader(settings.ledger.path) as reader:
        records = [record_of(each) for each in reader.everything()]
    found = [
        (record, due)
        for record in records
        if record.state != "condemned"
        for due in due_soon([Case(record=record, profile=settings.fitness, today=today, wanted=Wanted())], within_days)
    ]
    return sorted(found, key=lambda pair: pair[1].on)


class Cylinders:
    """One station's register, at one moment. Raises ConfigurationProblems for a configuration that cannot be used."""

    def __init__(self, config: Path, environ: Mapping[str, str], now: Stamp | None = None) -> None:
        """`now`: another moment than this one."""
        self._settings: Settings = load_settings(config, environ)
        self._now = now or SystemClock().now()
        self._zone = ZoneInfo(self._settings.station.timezone)

    @property
    def today(self) -> date:
        """The station's day."""
        return datetime.fromtimestamp(self._now.utc_s, self._zone).date()

    # one cylinder -------------------------------------------------------------------------------------------------

    def record(self, serial: str) -> CylinderRecord:
        """The cylinder as it is now. Raises ConfigurationError for one that is not in the register."""
        record = self._find(serial)
        if record is None:
            raise ConfigurationError(f"{serial} is not in the register: enter it, or import the file that holds it")
        return record

    def verdict(self, record: CylinderRecord, gas: GasMix = AIR) -> Verdict:
        """Whether it may be filled today with `gas`, whips apart."""
        members = [member for member in map(self._find, record.members) if member is not None]
        wanted = Wanted(gas=gas, oxygen_threshold=self._settings.station.oxygen_threshold)
        return judged(record, self._settings.fitness, self.today, wanted, members=members)

    def history(self, serial: str) -> list[Entry]:
        """Every change, oldest first. Raises ConfigurationError for a cylinder that is not in the ledger's register."""
        with self._reader() as reader:
            changes = reader.history(serial)
        if not changes:
            raise ConfigurationError(f"{serial} has no history: it is not in the ledger's register")
        befores: list[Mapping[str, str]] = [{}, *(change.columns for change in changes)]
        return [self._entry(before, change) for before, change in zip(befores, changes, strict=False)]

    def change(self, serial: str, cells: Mapping[str, str], *, by: str, why: str, new: bool = False) -> CylinderRecord:
        """Write `cells` over the columns of a cylinder; an empty one takes the entry away.

        Raises ConfigurationProblems for what a column cannot hold, ConfigurationError for an unknown cylinder.
        """
        known = self._find(serial)
        if known is None and not new:
            raise ConfigurationError(f"{serial} is not in the register: a new one is entered with --new")
        columns = {**(columns_of(known) if known is not None else {"serial": serial}), **cells}
        problems: list[Problem] = []
        record = read_record(columns, Place(file="register", label=f"{serial},"), problems)
        if record is None:
            raise ConfigurationProblems(problems)
        self._add([self._recorded(record, by=by, why=why)])
        return record

    def service_valve(self, serial: str, *, parts: Sequence[str], by: str) -> CylinderRecord:
        """The valve was serviced today: `parts` were replaced, what had been found is dealt with."""
        cells = {
            "valve_serviced": self.today.isoformat(),
            "valve_serviced_by": by,
            "valve_parts": " ".join(parts),
            "valve_found": "",
        }
        return self.change(serial, cells, by=by, why="valve serviced")

    def note_valve(self, serial: str, found: str, *, by: str, why: str) -> CylinderRecord:
        """Somebody found something at the valve."""
        have = [each.value for each in self.record(serial).valve_found]
        cells = {"valve_found": " ".join(dict.fromkeys([*have, found]))}
        return self.change(serial, cells, by=by, why=why)

    def checklist(self, record: CylinderRecord) -> tuple[str, ...]:
        """Wear parts of its valve."""
        return wear_parts(record.valve_type)

    # all of them --------------------------------------------------------------------------------------------------

    def records(self) -> Iterator[CylinderRecord]:
        """Every cylinder of the ledger's register as it is now, in order of its serial."""
        if self._settings.ledger.path.exists():
            with self._reader() as reader:
                yield from map(record_of, reader.everything())

    def due(self, within_days: int) -> list[tuple[CylinderRecord, Due]]:
        """What has run out or will within so many days, earliest first; condemned ones are left out."""
        return cylinders_due(self._settings, self.today, within_days)

    def valves(self) -> list[tuple[CylinderRecord, int]]:
        """Cylinders whose valve needs somebody's eyes: something was found at it, or its fills hint at it."""
        if not self._settings.ledger.path.exists():
            return []
        since_s = self._now.utc_s - FINDINGS_COUNT_S
        with self._reader() as reader:
            hinting = {
                key_of(serial): reader.valve_findings({serial}, since_s) for serial in reader.hinting_at_valves(since_s)
            }
            records = [record_of(change) for change in reader.everything()]
        counted = [(record, hinting.get(key_of(record.serial), 0)) for record in records]
        found = [(record, count) for record, count in counted if record.valve_found or count >= MANY_FINDINGS]
        return sorted(found, key=lambda pair: (-len(pair[0].valve_found), -pair[1], pair[0].serial))

    def import_file(self, path: Path, *, by: str, why: str, progress: Progress) -> Imported:
        """Take over every row of a file, or none. Raises ConfigurationProblems with everything wrong in any row."""
        problems: list[Problem] = []
        register = read_register(path, problems, lambda done, of: progress("reading", done, of))
        if problems:
            raise ConfigurationProblems(problems)
        before = self._current_columns()
        changes = [self._recorded(record, by=by, why=why) for record in register.records.values()]
        new = [change for change in changes if before.get(change.key) != change.columns]
        added = sum(change.key not in before for change in new)
        done = Imported(added=added, changed=len(new) - added, unchanged=len(changes) - len(new))
        detail = f"{path.name}: {done.added} added, {done.changed} changed, {done.unchanged} as they were"
        audit = AuditEntry(at=self._now, who=by, action="register-import", detail=detail, subject=path.name)
        self._add(new, audit, lambda count, of: progress("writing", count, of))
        return done

    def export_file(self, out: Path) -> int:
        """Write the register as a file that can be imported, whole or not at all; returns how many rows."""
        beside, count = out.with_name(f".{out.name}.part"), 0
        try:
            with beside.open("w", encoding="utf-8", newline="") as file:
                writer = csv.DictWriter(file, WRITTEN, restval="")
                writer.writeheader()
                for record in self.records():
                    writer.writerow(columns_of(record))
                    count += 1
            beside.replace(out)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
        return count

    # parts --------------------------------------------------------------------------------------------------------

    def _reader(self) -> RegisterReader:
        return RegisterReader(self._settings.ledger.path)

    def _find(self, serial: str) -> CylinderRecord | None:
        """In the ledger's register, else in cylinders.csv."""
        found = None
        if self._settings.ledger.path.exists():
            with self._reader() as reader:
                found = reader.current(serial)
        return found or self._settings.register.record(serial)

    def _current_columns(self) -> dict[str, Mapping[str, str]]:
        if not self._settings.ledger.path.exists():
            return {}
        with self._reader() as reader:
            return {change.key: change.columns for change in reader.everything()}

    def _recorded(self, record: CylinderRecord, *, by: str, why: str) -> CylinderRecorded:
        return CylinderRecorded(
            at=self._now,
            by=by,
            why=why,
            key=key_of(record.serial),
            serial=record.serial,
            columns=columns_of(record),
        )

    def _add(
        self,
        changes: Sequence[CylinderRecorded],
        audit: AuditEntry | None = None,
        progress: Callable[[int, int], None] | None = None,
    ) -> None:
        settings = self._settings
        add_to_register(settings.ledger.path, settings.station.id, self._now, changes, audit=audit, progress=progress)

    def _entry(self, before: Mapping[str, str], change: CylinderRecorded) -> Entry:
        moment = datetime.fromtimestamp(change.at.utc_s, self._zone)
        names = [name for name in (*before, *change.columns) if before.get(name) != change.columns.get(name)]
        return Entry(
            when=f"{moment:%Y-%m-%d %H:%M:%S %Z}",
            by=change.by,
            why=change.why,
            changes={name: (before.get(name, ""), change.columns.get(name, "")) for name in names},
        )
