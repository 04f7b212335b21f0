"""The station's log: air tests, filters, hoses, safety valves, needles. Every entry is an audit row that stays."""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from fillguard.core.errors import LedgerError
from fillguard.ledger import store

ACTION = "station-log"
NEWEST = "SELECT ifnull(max(id), 0) FROM audit WHERE action = 'station-log'"
_ROWS = "SELECT body FROM audit WHERE action = 'station-log' ORDER BY id"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRow:
    """One entry."""

    kind: str
    about: str
    """The whip, or what the shop calls the thing; empty: the station has one of it."""
    utc_s: float
    by: str
    text: str
    next_on: str | None
    """Last day on which it is still in date, ISO 8601."""
    data: Mapping[str, object]
    """What else was told: certificate, hours, rating, pairs, ..."""

    @property
    def subject(self) -> tuple[str, str]:
        """What falls due: the newest entry of it counts."""
        return self.kind, self.about


class StationLogReader:
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

    def rows(self) -> Iterator[LogRow]:
        """Every entry, oldest first. Raises LedgerError."""
        for (body,) in self._ask(_ROWS):
            yield _row(json.loads(str(body)))

    def newest(self) -> int:
        """Number of the newest entry: changes with every one."""
        return int(self._ask(NEWEST).fetchone()[0])

    def _ask(self, sql: str) -> sqlite3.Cursor:
        try:
            return self._connection.execute(sql)
        except sqlite3.Error as problem:
            raise LedgerError(f"station log in {self._path} cannot be read: {problem}") from problem


def _row(body: Mapping[str, object]) -> LogRow:
    data, at = body["data"], body["at"]
    if not isinstance(data, dict) or not isinstance(at, dict):
        raise LedgerError(f"entry of the station log {body!r} cannot be read: verify the ledger")
    return LogRow(
        kind=str(data["kind"]),
        about=str(data["about"]),
        utc_s=float(at["utc_s"]),
        by=str(body["who"]),
        text=str(body["detail"]),
        next_on=None if data.get("next_on") is None else str(data["next_on"]),
        data={key: value for key, value in data.items() if key not in {"kind", "about", "next_on"}},
    )
