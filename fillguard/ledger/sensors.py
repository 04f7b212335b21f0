"""The register of sensors, read from the ledger: which one hung where and when, its calibrations, its checks.

Every change is an audit row that holds the whole sensor as it was from then on: replaced sensors keep their history.
"""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from fillguard.core.errors import LedgerError
from fillguard.ledger import store

ACTS = ("added", "changed", "moved", "calibrated", "checked")
_PREFIX = "sensor-"
_ZEROS = """
SELECT body FROM event WHERE kind = 'ZeroChecked' AND whip = ? AND at_ms BETWEEN ? AND ? ORDER BY id DESC LIMIT ?
"""
_ROWS = """
SELECT body FROM audit WHERE action IN ('sensor-added', 'sensor-changed', 'sensor-moved', 'sensor-calibrated',
                                        'sensor-checked')
ORDER BY id
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRow:
    """One change of a sensor."""

    sensor: str
    act: str
    """`added`, `changed`, `moved`, `calibrated`, `checked`."""
    utc_s: float
    by: str
    why: str
    columns: Mapping[str, str]
    """The sensor from here on."""
    pairs: tuple[tuple[float, float], ...] = ()
    """Of a check: what the certified gauge said, what the sensor said, in the sensor's unit."""
    reference: str = ""
    """Of a check: the certificate of the gauge it was held against."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRow:
    """What a gauge read when its whip was bled."""

    utc_s: float
    zero_gauge_pa: float
    judged: str
    text: str


def action_of(act: str) -> str:
    """The action of its audit row."""
    return f"{_PREFIX}{act}"


class SensorReader:
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

    def rows(self) -> Iterator[SensorRow]:
        """Every change of every sensor, oldest first. Raises LedgerError."""
        try:
            for (body,) in self._connection.execute(_ROWS):
                yield _row(json.loads(body))
        except (sqlite3.Error, KeyError, TypeError, ValueError) as problem:
            raise LedgerError(f"sensors in {self._path} cannot be read: {problem}") from problem

    def history(self, sensor: str) -> list[SensorRow]:
        """Every change of one sensor, oldest first."""
        return [row for row in self.rows() if row.sensor == sensor]

    def at(self, utc_s: float) -> dict[str, SensorRow]:
        """Each sensor as it was at a moment: its newest row until then."""
        return {row.sensor: row for row in self.rows() if row.utc_s <= utc_s}

    def of_whip(self, whip: str, utc_s: float) -> list[SensorRow]:
        """The sensors that a fill on `whip` at that moment relied on: those of the whip and of the whole station.

        For the record of a fill: each with its range, class, calibration and due date as registered THEN.
        """
        places = {whip, STATION}
        return [row for row in self.at(utc_s).values() if row.columns.get("place") in places]

    def zeros(self, whip: str, *, since_s: float, until_s: float, limit: int) -> list[ZeroRow]:
        """The newest zero checks of a whip within a time, oldest first. Raises LedgerError."""
        try:
            rows = self._connection.execute(_ZEROS, (whip, since_s * 1000.0, until_s * 1000.0, limit)).fetchall()
            return [_zero(json.loads(body)) for (body,) in reversed(rows)]
        except (sqlite3.Error, KeyError, TypeError, ValueError) as problem:
            raise LedgerError(f"zero checks in {self._path} cannot be read: {problem}") from problem


STATION = "station"
"""The place of a sensor that all whips share: room, bath, bank."""


def _row(body: dict[str, object]) -> SensorRow:
    data, at = body["data"], body["at"]
    if not (isinstance(data, dict) and isinstance(at, dict)):
        raise TypeError(f"row {body!r} is no change of a sensor")
    return SensorRow(
        sensor=str(body["subject"]),
        act=str(body["action"]).removeprefix(_PREFIX),
        utc_s=float(at["utc_s"]),
        by=str(body["who"]),
        why=str(body["detail"]),
        columns={str(name): str(cell) for name, cell in data["columns"].items()},
        pairs=tuple((float(reference), float(read)) for reference, read in data.get("pairs", ())),
        reference=str(data.get("reference", "")),
    )


def _zero(body: dict[str, object]) -> ZeroRow:
    stamp, zero_gauge_pa = body["stamp"], body["zero_gauge_pa"]
    if not (isinstance(stamp, dict) and isinstance(zero_gauge_pa, int | float)):
        raise TypeError(f"row {body!r} is no zero check")
    return ZeroRow(
        utc_s=float(stamp["utc_s"]),
        zero_gauge_pa=float(zero_gauge_pa),
        judged=str(body["judged"]),
        text=str(body["text"]),
    )
