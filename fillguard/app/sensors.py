"""The register of sensors for people: enter, move, calibrate, check against a certified gauge; history, what is due."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import Quantity
from fillguard.core.values import Stamp
from fillguard.ledger.register import add_to_register
from fillguard.ledger.sensors import SensorReader, SensorRow, ZeroRow, action_of
from fillguard.ports import AuditEntry
from fillguard.settings import ConfigurationProblems, Problem, Settings, load_settings
from fillguard.settings.schema import Place
from fillguard.settings.sensors import COLUMNS, RETIRED, SPARE, SensorRecord, cells_of, read_sensor

MOST_ZEROS = 200
Pairs = tuple[tuple[float, float], ...]
"""(certified gauge, sensor), in the sensor's unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One sensor, and since when it is where it is."""

    sensor: SensorRecord
    since: str
    by: str
    days_left: int | None
    """Until its calibration is due; negative: overdue."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """How a check against a certified gauge came out."""

    worst_percent: float
    """Of range."""
    within_class: bool | None
    """None: nobody entered its class."""


def sensors_here(config: Path, environ: Mapping[str, str]) -> "Sensors":
    """The sensors of a configuration, now. Raises ConfigurationProblems for one that cannot be used."""
    return Sensors(load_settings(config, environ), SystemClock().now())


class Sensors:
    """One station's sensors, at one moment."""

    def __init__(self, settings: Settings, now: Stamp) -> None:
        """The sensors of the ledger that `settings` name."""
        self._settings, self._now = settings, now
        self._zone = ZoneInfo(self._settings.station.timezone)

    @property
    def today(self) -> date:
        """The station's day."""
        return datetime.fromtimestamp(self._now.utc_s, self._zone).date()

    def listed(self) -> list[Listed]:
        """Every sensor as it is now: those in use first, by place."""
        found = [
            Listed(
                sensor=sensor,
                since=self._when(_placed(rows)),
                by=rows[-1].by,
                days_left=None if sensor.due is None else (sensor.due - self.today).days,
            )
            for rows in self._histories().values()
            if (sensor := self._record(rows[-1])) is not None
        ]
        return sorted(found, key=lambda each: (not each.sensor.in_use, each.sensor.place, each.sensor.id))

    def overdue(self) -> list[SensorRecord]:
        """Sensors in use whose calibration was due before today."""
        return [each.sensor for each in self.listed() if each.sensor.in_use and (each.days_left or 0) < 0]

    def history(self, sensor: str) -> list[tuple[str, SensorRow]]:
        """Every change of a sensor with its time, oldest first. Raises ConfigurationError for an unknown one."""
        rows = self._histories().get(sensor)
        if rows is None:
            raise ConfigurationError(self._unknown(sensor))
        return [(self._when(row), row) for row in rows]

    def zeros(self, sensor: str) -> list[tuple[str, ZeroRow]]:
        """What a gauge read whenever its whip was bled while it hung there; the newest, oldest first."""
        rows = [row for _, row in self.history(sensor)]
        ends_s = [*(row.utc_s for row in rows[1:]), self._now.utc_s]
        found: list[ZeroRow] = []
        with SensorReader(self._settings.ledger.path) as reader:
            for row, until_s in zip(rows, ends_s, strict=True):
                if row.columns.get("quantity") == Quantity.PRESSURE:
                    place = row.columns.get("place", "")
                    found += reader.zeros(place, since_s=row.utc_s, until_s=until_s, limit=MOST_ZEROS)
        return [(self._when(zero), zero) for zero in found[-MOST_ZEROS:]]

    # changes ------------------------------------------------------------------------------------------------------

    def add(self, cells: Mapping[str, str], *, by: str, why: str) -> SensorRecord:
        """Enter a new sensor; one that was in its place becomes a spare.

        Raises ConfigurationProblems for what a column cannot hold, ConfigurationError for one that is known already.
        """
        sensor = self._read(cells, f"sensor {cells.get('id', '')}")
        if sensor.id in self._histories():
            raise ConfigurationError(f"sensor {sensor.id} is in the register already: move it, or change it")
        self._write([*self._displaced(sensor, by), self._row("added", sensor, by=by, why=why)])
        return sensor

    def change(self, sensor: str, cells: Mapping[str, str], *, by: str, why: str) -> SensorRecord:
        """Write `cells` over the columns of a sensor; an empty one takes the entry away."""
        return self._changed("changed", sensor, cells, by=by, why=why)

    def move(self, sensor: str, place: str, *, by: str, why: str) -> SensorRecord:
        """Put a sensor on a whip, to the station, away as a spare, or out of use; what was there becomes a spare."""
        return self._changed("moved", sensor, {"place": place}, by=by, why=why)

    def calibrate(self, sensor: str, certificate: str, on: str, due: str, *, by: str, why: str) -> SensorRecord:
        """A laboratory calibrated it."""
        cells = {"certificate": certificate, "calibrated": on, "due": due}
        return self._changed("calibrated", sensor, cells, by=by, why=why)

    def check(self, sensor: str, pairs: Pairs, reference: str, *, by: str, why: str) -> Checked:
        """It was held against a certified gauge, whose certificate is `reference`. Raises ConfigurationError."""
        known = self._known(sensor)
        if not pairs:
            raise ConfigurationError("a check needs at least one pair: certified gauge and sensor, such as 200=199.6")
        beyond = next((pair for pair in pairs if not all(known.low <= value <= known.high for value in pair)), None)
        if beyond is not None:
            text = f"pair {beyond[0]:g}={beyond[1]:g}: {sensor} reads from {known.low:g} to {known.high:g} {known.unit}"
            raise ConfigurationError(text)
        self._write([self._row("checked", known, by=by, why=why, pairs=pairs, reference=reference)])
        worst = known.worst_percent(pairs)
        within = None if known.class_percent is None else worst <= known.class_percent
        return Checked(worst_percent=worst, within_class=within)

    # files --------------------------------------------------------------------------------------------------------

    def export_file(self, out: Path) -> int:
        """Write every sensor as it is now as CSV that can be imported again; returns how many."""
        sensors = [each.sensor for each in self.listed()]
        beside = out.with_name(f".{out.name}.part")
        with beside.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS, lineterminator="\r\n")
            writer.writeheader()
            writer.writerows({**dict.fromkeys(COLUMNS, ""), **cells_of(sensor)} for sensor in sensors)
        beside.replace(out)
        return len(sensors)

    def import_file(self, file: Path, *, by: str, why: str) -> int:
        """Take over every row of a CSV file, or none; returns how many were new or changed.

        Raises ConfigurationProblems with every row's problems, OSError.
        """
        problems: list[Problem] = []
        with file.open(encoding="utf-8-sig", newline="") as lines:
            rows = [
                (number, {name: cell or "" for name, cell in row.items() if name is not None})
                for number, row in enumerate(csv.DictReader(lines), start=2)
            ]
        read = [
            read_sensor(cells, self._settings.whips, Place(file=file.name, label=f"row {number}"), problems)
            for number, cells in rows
        ]
        sensors = [sensor for sensor in read if sensor is not None]
        if not rows:
            problems.append(Place(file=file.name, label="").problem("", f"no sensors; columns: {', '.join(COLUMNS)}"))
        problems += _taken_twice(sensors, file.name)
        if problems:
            raise ConfigurationProblems(problems)
        known = {name: self._record(rows[-1]) for name, rows in self._histories().items()}
        new = [
            self._row("changed" if sensor.id in known else "added", sensor, by=by, why=why)
            for sensor in sensors
            if known.get(sensor.id) != sensor
        ]
        named = {sensor.id for sensor in sensors}
        displaced = [row for sensor in sensors for row in self._displaced(sensor, by) if row.subject not in named]
        self._write(displaced + new)
        return len(new)

    # parts --------------------------------------------------------------------------------------------------------

    def _changed(self, act: str, sensor: str, cells: Mapping[str, str], *, by: str, why: str) -> SensorRecord:
        changed = self._read({**cells_of(self._known(sensor)), **cells, "id": sensor}, f"sensor {sensor}")
        self._write([*self._displaced(changed, by), self._row(act, changed, by=by, why=why)])
        return changed

    def _displaced(self, sensor: SensorRecord, by: str) -> list[AuditEntry]:
        """What was in its place becomes a spare. Several may share the station."""
        others = (self._record(rows[-1]) for name, rows in self._histories().items() if name != sensor.id)
        return [
            self._row("moved", replace(other, place=SPARE), by=by, why=f"replaced by {sensor.id}")
            for other in others
            if other is not None
            and sensor.place in self._settings.whips
            and (other.place, other.quantity) == (sensor.place, sensor.quantity)
        ]

    def _row(
        self, act: str, sensor: SensorRecord, *, by: str, why: str, pairs: Pairs = (), reference: str = ""
    ) -> AuditEntry:
        data: dict[str, object] = {"columns": cells_of(sensor)}
        if pairs:
            data |= {"pairs": [list(pair) for pair in pairs], "reference": reference}
        return AuditEntry(at=self._now, who=by, action=action_of(act), detail=why, subject=sensor.id, data=data)

    def _write(self, rows: Sequence[AuditEntry]) -> None:
        add_to_register(self._settings.ledger.path, self._settings.station.id, self._now, rows)

    def _histories(self) -> dict[str, list[SensorRow]]:
        found: dict[str, list[SensorRow]] = {}
        if self._settings.ledger.path.exists():
            with SensorReader(self._settings.ledger.path) as reader:
                for row in reader.rows():
                    found.setdefault(row.sensor, []).append(row)
        return found

    def _known(self, sensor: str) -> SensorRecord:
        rows = self._histories().get(sensor)
        record = self._record(rows[-1]) if rows else None
        if record is None:
            raise ConfigurationError(self._unknown(sensor))
        return record

    def _record(self, row: SensorRow) -> SensorRecord | None:
        """As recorded, whatever whips there are today."""
        here = {**self._settings.whips, row.columns.get("place", ""): None}
        return read_sensor(row.columns, here, Place(file="register", label=row.sensor), [])

    def _read(self, cells: Mapping[str, str], label: str) -> SensorRecord:
        problems: list[Problem] = []
        sensor = read_sensor(cells, self._settings.whips, Place(file="register", label=label), problems)
        if sensor is None:
            raise ConfigurationProblems(problems)
        return sensor

    def _unknown(self, sensor: str) -> str:
        return f"there is no sensor {sensor!r} in the register: `fillguard sensors list` names them, `add` enters one"

    def _when(self, row: SensorRow | ZeroRow) -> str:
        return f"{datetime.fromtimestamp(row.utc_s, self._zone):%Y-%m-%d %H:%M}"


def _placed(rows: Sequence[SensorRow]) -> SensorRow:
    """Since when it is where it is."""
    place, first = rows[-1].columns.get("place"), rows[-1]
    for row in reversed(rows):
        if row.columns.get("place") != place:
            break
        first = row
    return first


def _taken_twice(sensors: Iterable[SensorRecord], file: str) -> list[Problem]:
    """Two rows of one id, or two sensors of one kind on one whip."""
    told: list[Problem] = []
    ids: set[str] = set()
    places: dict[tuple[str, str], str] = {}
    for sensor in sensors:
        place = Place(file=file, label=f"sensor {sensor.id}")
        if sensor.id in ids:
            told.append(place.problem("id", "stands in the file twice", sensor.id))
        ids.add(sensor.id)
        where = (sensor.place, sensor.quantity.value)
        if sensor.place not in (SPARE, RETIRED, "station") and where in places:
            text = f"{places[where]} measures {sensor.quantity} there already"
            told.append(place.problem("place", text, sensor.place))
        places.setdefault(where, sensor.id)
    return told
