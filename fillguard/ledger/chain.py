"""The hash chain: which rows were recorded, in which order, and that nobody changed them since.

Every row of a RECORD table has one row in `journal` under the same number. Its leaf is the SHA-256 of the row; its head
that of the head before and the leaf. Each kind of hash begins with a word of its own, so that none can be passed off
as another. A bare chain does not show a rewrite by somebody who holds the file and computes it anew: for that its head
is kept elsewhere as an anchor (day report, a channel, the broker).
"""

import hashlib
import heapq
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from enum import StrEnum
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

from fillguard.core.errors import LedgerError
from fillguard.ledger.schema import RECORD_TABLES
from fillguard.ledger.store import connect_read_only, identity_text

_LEAF = b"fillguard/leaf/1\0"
_HEAD = b"fillguard/head/1\0"
_GENESIS = b"fillguard/genesis/1\0"


def genesis(identity: str) -> bytes:
    """Head before the first row: binds the chain to one ledger."""
    return hashlib.sha256(_GENESIS + identity.encode()).digest()


def leaf(kind: str, number: int, body: str) -> bytes:
    """Hash of one recorded row: which table, which number, what it says."""
    return hashlib.sha256(b"%s%s\0%d\0%s" % (_LEAF, kind.encode(), number, body.encode())).digest()


def next_head(head: bytes, row_leaf: bytes) -> bytes:
    """Head after one more row."""
    return hashlib.sha256(_HEAD + head + row_leaf).digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """The end of the chain as it was noted outside: row number and head in hexadecimal."""

    row: int
    head: str

    def __str__(self) -> str:
        return f"{self.row}:{self.head}"

    @classmethod
    def parse(cls, text: str) -> "Anchor":
        """The anchor that was noted as `ROW:HEAD`. Raises LedgerError."""
        row, _, head = text.strip().partition(":")
        if not (row.isdecimal() and len(head) == hashlib.sha256().digest_size * 2 and _is_hex(head)):
            raise LedgerError(f"anchor {text!r}: write ROW:HEAD as it was noted, such as 1234:9f86d081... (64 digits)")
        return cls(row=int(row), head=head.lower())


class Finding(StrEnum):
    """What `verify` can find."""

    INTACT = "intact"
    """Every row fits the chain, and the chain ends at the anchor (if one was given)."""
    LONGER = "longer-than-anchor"
    """Intact, the anchor is in it, and rows were recorded since: normal for a ledger in use."""
    BROKEN = "broken"
    """A row was changed, added or taken away in the middle."""
    TRUNCATED = "truncated"
    """Intact as far as it goes, but it ends before the anchor: rows are missing at the end."""
    MISMATCH = "anchor-mismatch"
    """Fits in itself, but is not the chain the anchor was taken from: rewritten, or another ledger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Result of a verification."""

    finding: Finding
    rows: int
    """Rows that fit, counted from the start."""
    end: Anchor
    """Last row that fits: the anchor to note when the finding is good."""
    row: int | None = None
    """Where it breaks."""
    detail: str = ""

    @property
    def ok(self) -> bool:
        """True when nothing was found wrong."""
        return self.finding in {Finding.INTACT, Finding.LONGER}


def verify(path: Path, anchor: Anchor | None = None) -> Verdict:
    """Compute the whole chain anew over what is recorded now and compare. Reads only; memory does not grow with size.

    Raises LedgerError when the file cannot be read as a ledger.
    """
    try:
        with closing(connect_read_only(path)) as connection:
            connection.execute("BEGIN")
            return _Walk(genesis(identity_text(connection)), anchor).judge(_journal(connection), _records(connection))
    except sqlite3.DatabaseError as problem:
        raise LedgerError(f"ledger {path} cannot be read ({problem}): restore the last good backup") from problem


class _Link(NamedTuple):
    """One row of the journal."""

    number: int
    kind: str
    leaf: bytes
    head: bytes


class _Row(NamedTuple):
    """One row of a RECORD table."""

    number: int
    table: str
    body: str


class _Walk:
    """Journal and recorded rows, side by side in order of their numbers."""

    def __init__(self, head: bytes, anchor: Anchor | None) -> None:
        self._row = 0
        self._head = head
        self._anchor = anchor
        self._met_anchor = anchor is None or anchor == self._end()

    def judge(self, journal: Iterator[_Link], records: Iterator[_Row]) -> Verdict:
        for link, row in zip_longest(journal, records):
            problem = self._gap(link) or _difference(link, row)
            if problem:
                first = min(each.number for each in (link, row) if each is not None)
                return self._verdict(Finding.BROKEN, row=min(first, self._row + 1), detail=problem)
            self._row, self._head = link.number, link.head
            if self._anchor and self._anchor.row == self._row:
                if self._anchor != self._end():
                    return self._verdict(Finding.MISMATCH, row=self._row, detail="another head than the anchor's")
                self._met_anchor = True
        return self._compare_with_anchor()

    def _gap(self, link: _Link | None) -> str:
        """How the journal itself fails to go on."""
        if link is None:
            return ""
        if link.number != self._row + 1:
            return f"journal row {self._row + 1} is missing"
        if link.head != next_head(self._head, link.leaf):
            return f"journal row {link.number} does not follow from the one before"
        return ""

    def _compare_with_anchor(self) -> Verdict:
        if self._anchor is None or self._anchor == self._end():
            return self._verdict(Finding.INTACT)
        if self._met_anchor:
            return self._verdict(Finding.LONGER, detail=f"{self._row - self._anchor.row} rows since the anchor")
        if self._anchor.row > self._row:
            return self._verdict(Finding.TRUNCATED, row=self._row + 1, detail=f"the anchor is row {self._anchor.row}")
        return self._verdict(Finding.MISMATCH, row=self._anchor.row, detail="another head than the anchor's")

    def _verdict(self, finding: Finding, *, row: int | None = None, detail: str = "") -> Verdict:
        return Verdict(finding=finding, rows=self._row, end=self._end(), row=row, detail=detail)

    def _end(self) -> Anchor:
        return Anchor(row=self._row, head=self._head.hex())


def _difference(link: _Link | None, row: _Row | None) -> str:
    """How a recorded row differs from what the journal says of it."""
    if row is not None and (link is None or row.number < link.number):
        return f"{row.table} {row.number} is recorded but not in the journal"
    if link is not None and (row is None or row.number > link.number):
        return f"{link.kind} {link.number} was taken away"
    if link is None or row is None:
        return ""
    if row.table != link.kind or leaf(row.table, row.number, row.body) != link.leaf:
        return f"{row.table} {row.number} is not what was recorded"
    return ""


def _journal(connection: sqlite3.Connection) -> Iterator[_Link]:
    return map(_Link._make, connection.execute("SELECT seq, kind, leaf, head FROM journal ORDER BY seq"))


def _records(connection: sqlite3.Connection) -> Iterator[_Row]:
    """Every row of every RECORD table, in order of number: the tables are walked side by side."""
    return heapq.merge(*(_rows(connection, table) for table in RECORD_TABLES))


def _rows(connection: sqlite3.Connection, table: str) -> Iterator[_Row]:
    for number, body in connection.execute(f"SELECT id, body FROM {table} ORDER BY id"):  # noqa: S608 - our own name
        yield _Row(number, table, body)


def _is_hex(text: str) -> bool:
    return all(digit in "0123456789abcdefABCDEF" for digit in text)
