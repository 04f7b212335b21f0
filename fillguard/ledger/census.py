"""How much of what stands in the ledger: what is owed, what was tried, what a mirror lacks. A few counts a look."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from fillguard.core.errors import LedgerError
from fillguard.ledger.store import connect_read_only


@dataclass(frozen=True, slots=True, kw_only=True)
class Census:
    """Counts at one moment."""

    owed: dict[str, int]
    """Notices not settled yet, by channel."""
    tried: dict[tuple[str, str], int]
    """Results of tries since the row that was asked for, by channel and result."""
    last_attempt: int
    quarantined_rows: int


class CensusTaker:
    """Counts on a connection of its own. For the thread that made it."""

    def __init__(self, path: Path) -> None:
        """Open for reading. Raises LedgerError."""
        self._connection = connect_read_only(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._connection.close()

    def newest_attempt(self) -> int:
        """The row of the newest try; 0 before the first. Raises LedgerError."""
        return self._number("SELECT ifnull(max(id), 0) FROM attempt", ())

    def take(self, attempts_after: int) -> Census:
        """Count. Raises LedgerError."""
        tried = "SELECT channel, result, count(*) FROM attempt WHERE id > ? AND phase = 'ended' GROUP BY 1, 2"
        return Census(
            owed={
                str(channel): int(count)
                for channel, count in self._ask(
                    "SELECT channel, count(*) FROM outbox WHERE settled_ms IS NULL GROUP BY channel", ()
                )
            },
            tried={(str(channel), str(result)): int(n) for channel, result, n in self._ask(tried, (attempts_after,))},
            last_attempt=self.newest_attempt(),
            quarantined_rows=self._number("SELECT ifnull(sum(last_row - first_row + 1), 0) FROM quarantine", ()),
        )

    def _number(self, sql: str, values: tuple[int, ...]) -> int:
        ((number,),) = self._ask(sql, values)
        return int(number)

    def _ask(self, sql: str, values: tuple[int, ...]) -> list[tuple[str | int, ...]]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as problem:
            raise LedgerError(f"the ledger cannot be counted: {problem}") from problem
