"""What the register of sensors holds of one sensor, and what each column may say."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from fillguard.core.events import Quantity
from fillguard.settings.problems import Problem
from fillguard.settings.schema import Place
from fillguard.settings.units import UNITS

COLUMNS = (
    "id",
    "quantity",
    "place",
    "source",
    "low",
    "high",
    "unit",
    "class_percent",
    "certificate",
    "calibrated",
    "due",
    "note",
)
SPARE, RETIRED, STATION = "spare", "retired", "station"
PLACES = (STATION, SPARE, RETIRED)
"""Where a sensor is when it is on no whip."""
_LONGEST = 64
_LONGEST_NOTE = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRecord:
    """One sensor. Its range is in its own unit."""

    id: str
    quantity: Quantity
    place: str
    """The id of a whip, `station`, `spare` or `retired`."""
    source: str
    """Topic or source of its readings; empty where nobody said."""
    low: float
    high: float
    unit: str
    class_percent: float | None
    """Largest error by its data sheet, in per cent of its range."""
    certificate: str
    calibrated: date | None
    due: date | None
    note: str

    @property
    def span(self) -> float:
        """Its range, in its unit."""
        return self.high - self.low

    @property
    def in_use(self) -> bool:
        """True while readings of it count."""
        return self.place not in (SPARE, RETIRED)

    def worst_percent(self, pairs: tuple[tuple[float, float], ...]) -> float:
        """Largest difference of (certified gauge, sensor), in per cent of its range."""
        return max(abs(read - reference) for reference, read in pairs) / self.span * 100.0


def read_sensor(
    cells: Mapping[str, str], whips: Mapping[str, object], place: Place, problems: list[Problem]
) -> SensorRecord | None:
    """The sensor that `cells` describe; everything wrong is appended to `problems`."""
    before = len(problems)
    row = _Row({name: cell.strip() for name, cell in cells.items()}, place, problems)
    for name in cells.keys() - set(COLUMNS):
        row.tell(name, f"unknown column; allowed: {', '.join(COLUMNS)}")
    quantity = row.quantity()
    low, high = row.number("low"), row.number("high")
    if low is not None and high is not None and low >= high:
        row.tell("high", f"the range ends ({high:g}) where it begins ({low:g}) or below")
    calibrated, due = row.day("calibrated"), row.day("due")
    if calibrated is not None and due is not None and due <= calibrated:
        row.tell("due", f"is due on {due} and was calibrated on {calibrated}: which date is wrong?")
    if row.cells.get("place") not in {*whips, *PLACES}:
        row.tell("place", f"allowed: the id of a whip ({', '.join(whips)}), or {', '.join(PLACES)}")
    unit = row.cells.get("unit", "")
    if quantity is not None and unit not in UNITS[quantity]:
        row.tell("unit", f"allowed: {', '.join(UNITS[quantity])}")
    found = {
        "id": row.text("id", needed=True),
        "source": row.text("source"),
        "certificate": row.text("certificate"),
        "note": row.text("note", longest=_LONGEST_NOTE),
    }
    class_percent = row.number("class_percent", needed=False)
    if len(problems) > before or quantity is None or low is None or high is None:
        return None
    return SensorRecord(
        quantity=quantity,
        place=row.cells["place"],
        low=low,
        high=high,
        unit=unit,
        class_percent=class_percent,
        calibrated=calibrated,
        due=due,
        **found,
    )


def cells_of(sensor: SensorRecord) -> dict[str, str]:
    """The columns of `sensor`, without the empty ones."""
    written = {name: getattr(sensor, name) for name in COLUMNS}
    return {
        name: f"{value:g}" if isinstance(value, float) else str(value)
        for name, value in written.items()
        if value is not None and value != ""
    }


@dataclass(slots=True)
class _Row:
    """One row while it is read."""

    cells: Mapping[str, str]
    place: Place
    problems: list[Problem]

    def tell(self, column: str, message: str) -> None:
        self.problems.append(self.place.problem(column, message, self.cells.get(column) or None))

    def text(self, column: str, *, needed: bool = False, longest: int = _LONGEST) -> str:
        cell = self.cells.get(column, "")
        if (needed and not cell) or len(cell) > longest or not cell.isprintable():
            self.tell(column, f"allowed: {'1' if needed else '0'} to {longest} printable characters")
        return cell

    def number(self, column: str, *, needed: bool = True) -> float | None:
        cell = self.cells.get(column, "")
        if not cell and not needed:
            return None
        try:
            value = float(cell)
        except ValueError:
            self.tell(column, "allowed: a number with a decimal point, without unit")
            return None
        if not abs(value) < 1e9:  # noqa: PLR2004 - no range of any sensor; also not a number
            self.tell(column, "allowed: a number with a decimal point, without unit")
            return None
        return value

    def day(self, column: str) -> date | None:
        cell = self.cells.get(column, "")
        if not cell:
            return None
        try:
            return date.fromisoformat(cell)
        except ValueError:
            self.tell(column, "allowed: a day such as 2026-11-25")
            return None

    def quantity(self) -> Quantity | None:
        try:
            return Quantity(self.cells.get("quantity", ""))
        except ValueError:
            self.tell("quantity", f"allowed: {', '.join(Quantity)}")
            return None
