"""The station's log for people: what was tested, changed, compared; what of it falls due; what was never entered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError, LedgerError
from fillguard.core.fitness.dates import Dated, written_date
from fillguard.core.fitness.needle import Needle, read_pairs
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Stamp
from fillguard.ledger.register import add_to_register
from fillguard.ledger.stationlog import ACTION, LogRow, StationLogReader
from fillguard.ports import AuditEntry
from fillguard.settings import did_you_mean, load_settings

KINDS: Mapping[str, int] = {
    "air-test": 3,
    "filter": 6,
    "hose": 12,
    "safety-valve": 12,
    "needle": 12,
    "service": 12,
}
"""Months until it falls due where nobody says when (common practice; the maker's and the code's dates win)."""
_ONE_OF_EACH = ("air-test", "filter")
_OF_EACH_WHIP = ("hose", "safety-valve")
_LONGEST = 200
_NEEDLE_CLASS = (0.1, 10.0)
_NEEDLE_BAR = (60.0, 1000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fallen:
    """Something that is due, overdue, or was never entered."""

    kind: str
    about: str
    on: str | None
    """Last day in date; None: nothing is on record."""
    overdue: bool


class StationLog:
    """One station's log, at one moment. Raises ConfigurationProblems for a configuration that cannot be used."""

    def __init__(self, config: Path, environ: Mapping[str, str], now: Stamp | None = None) -> None:
        """`now`: another moment than this one."""
        self._settings = load_settings(config, environ)
        self._now = now or SystemClock().now()
        self._zone = ZoneInfo(self._settings.station.timezone)

    @property
    def today(self) -> date:
        """The station's day."""
        return datetime.fromtimestamp(self._now.utc_s, self._zone).date()

    def add(
        self,
        kind: str,
        text: str,
        *,
        by: str,
        about: str = "",
        next_on: str | None = None,
        data: Mapping[str, object] | None = None,
    ) -> date:
        """Enter something that was done; returns the last day on which it is in date.

        Raises ConfigurationError for a kind, whip or date that cannot be, LedgerError where it cannot be recorded.
        """
        if kind not in KINDS:
            raise ConfigurationError(f"{kind!r} is not kept in the log: {did_you_mean(kind, KINDS)}")
        if kind in {*_OF_EACH_WHIP, "needle"} and about not in self._settings.whips:
            known = ", ".join(sorted(self._settings.whips))
            raise ConfigurationError(f"{kind} of which whip? {about!r} is none: there are {known}")
        for what, said in (("text", text), ("by", by)):
            if not (0 < len(said.strip()) <= _LONGEST and said.isprintable()):
                raise ConfigurationError(f"{what} {said!r}: 1 to {_LONGEST} printable characters")
        until = self._until(kind, next_on)
        entry = AuditEntry(
            at=self._now,
            who=by,
            action=ACTION,
            detail=text.strip(),
            subject=f"{kind} {about}".strip(),
            data={"kind": kind, "about": about, "next_on": until.isoformat(), **(data or {})},
        )
        add_to_register(self._settings.ledger.path, self._settings.station.id, self._now, [entry])
        return until

    def compare_needle(
        self, whip: str, said: Sequence[str], *, class_percent: float, range_bar: float, by: str, next_on: str | None
    ) -> Needle:
        """Enter a comparison of a whip's needle with its sensor. Raises ConfigurationError, LedgerError."""
        for what, value, (low, high) in (
            ("class", class_percent, _NEEDLE_CLASS),
            ("range", range_bar, _NEEDLE_BAR),
        ):
            if not low <= value <= high:
                raise ConfigurationError(f"{what} {value:g}: {low:g} to {high:g}")
        needle = Needle(
            whip=whip,
            dated=self.today.isoformat(),
            pairs=read_pairs(said),
            class_percent=class_percent,
            range_pa=range_bar * PA_PER_BAR,
        )
        pairs = [[round(bar_from_pa(each), 3) for each in pair] for pair in needle.pairs]
        text = "compared: " + ", ".join(f"sensor {sensor:g} needle {shown:g}" for sensor, shown in pairs) + " bar"
        data = {"pairs_bar": pairs, "class_percent": class_percent, "range_bar": range_bar}
        self.add("needle", text, by=by, about=whip, next_on=next_on, data=data)
        return needle

    def entries(self, kind: str | None = None) -> list[LogRow]:
        """What was entered, newest first."""
        return [row for row in reversed(self._rows()) if kind is None or row.kind == kind]

    def due(self, within_days: int) -> list[Fallen]:
        """What has run out, will within so many days, or was never entered; what is missing first."""
        newest = {row.subject: row for row in self._rows()}
        expected = [*((kind, "") for kind in _ONE_OF_EACH)]
        expected += [(kind, whip) for kind in _OF_EACH_WHIP for whip in sorted(self._settings.whips)]
        known = {kind for kind, _ in newest}
        missing = [
            Fallen(kind=kind, about=about, on=None, overdue=True)
            for kind, about in expected
            if (kind, about) not in newest and not (kind in _ONE_OF_EACH and kind in known)
        ]
        last = (self.today + timedelta(days=within_days)).isoformat()
        found = [
            Fallen(kind=row.kind, about=row.about, on=row.next_on, overdue=row.next_on < self.today.isoformat())
            for row in newest.values()
            if row.next_on is not None and row.next_on <= last
        ]
        return [*missing, *sorted(found, key=lambda each: each.on or "")]

    def when_text(self, utc_s: float) -> str:
        """In the station's time."""
        return f"{datetime.fromtimestamp(utc_s, self._zone):%Y-%m-%d %H:%M}"

    def _rows(self) -> list[LogRow]:
        if not self._settings.ledger.path.exists():
            return []
        with StationLogReader(self._settings.ledger.path) as reader:
            return list(reader.rows())

    def _until(self, kind: str, next_on: str | None) -> date:
        if next_on is not None:
            until = written_date(next_on).last
            if until < self.today:
                raise ConfigurationError(f"next {next_on}: that day is past already")
            return until
        today = self.today
        return Dated(year=today.year, month=today.month, day=today.day).months_later(KINDS[kind])


class Needles:
    """What each whip's needle shows beside its sensor, as last compared. For one thread; looks anew once a minute."""

    def __init__(self, path: Path) -> None:
        """`path`: the ledger, which need not be there yet."""
        self._path = path
        self._seen = -1
        self._looked_mono_s = float("-inf")
        self._needles: Mapping[str, Needle] = {}

    def of(self, whip: str, now: Stamp) -> Needle | None:
        """The needle of a whip; None where nobody compared it, or the log cannot be read. Never raises."""
        if now.mono_s - self._looked_mono_s >= _LOOK_EVERY_S:
            self._looked_mono_s = now.mono_s
            try:
                self._look()
            except (LedgerError, ConfigurationError):
                self._needles = {}  # a figure that cannot be vouched for is not shown; the ledger's own alarm speaks
        return self._needles.get(whip)

    def _look(self) -> None:
        if not self._path.exists():
            return
        with StationLogReader(self._path) as reader:
            newest = reader.newest()
            if newest == self._seen:
                return
            self._needles = {row.about: _needle(row) for row in reader.rows() if row.kind == "needle"}
            self._seen = newest


_LOOK_EVERY_S = 60.0


def _needle(row: LogRow) -> Needle:
    pairs, class_percent, range_bar = (row.data.get(key) for key in ("pairs_bar", "class_percent", "range_bar"))
    if not isinstance(pairs, list) or not isinstance(class_percent, int | float):
        raise LedgerError(f"comparison of a needle {row!r} cannot be read: verify the ledger")
    if not isinstance(range_bar, int | float):
        raise LedgerError(f"comparison of a needle {row!r} cannot be read: verify the ledger")
    return Needle(
        whip=row.about,
        dated=datetime.fromtimestamp(row.utc_s, ZoneInfo("UTC")).date().isoformat(),
        pairs=tuple((float(sensor) * PA_PER_BAR, float(shown) * PA_PER_BAR) for sensor, shown in pairs),
        class_percent=float(class_percent),
        range_pa=float(range_bar) * PA_PER_BAR,
    )
