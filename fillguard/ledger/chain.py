"""The hash chain: which rows were recorded, in which order, and that nobody changed them since.

Every row of a RECORD table has one row in `journal` under the same number. Its leaf is the SHA-256 of the row; its head
that of the head before and the leaf. Each kind of hash begins with a word of its own, so that none can be passed off
as another. A bare chain does not show a rewrite by somebody who holds the file and computes it anew: for that its head
is kept elsewhere as an anchor (day report, a channel, the broker).
"""

import hashlib
import heapq
import re
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

from fillguard.core.errors import LedgerError
from fillguard.ledger.packing import content_hash
from fillguard.ledger.schema import RECORD_TABLES
from fillguard.ledger.store import connect_read_only, identity_text

_LEAF = b"fillguard/leaf/1\0"
_HEAD = b"fillguard/head/1\0"
_GENESIS = b"fillguard/genesis/1\0"
_NOTED = re.compile(r"(?<![\w.])(\d{1,18}):([0-9a-fA-F]{64})(?!\w)")
_TOLD_EVERY = 5000

Progress = Callable[[int, int], None]
"""Rows looked at and rows in all."""


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

    @classmethod
    def all_in(cls, text: str) -> "tuple[Anchor, ...]":
        """Every anchor that was noted anywhere in `text`: a log, a message, a list."""
        return tuple(cls(row=int(row), head=head.lower()) for row, head in _NOTED.findall(text))


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
    contents: "Contents | None" = None
    """Of the packed measurements; None where the chain itself does not hold."""

    @property
    def ok(self) -> bool:
        """True when nothing was found wrong."""
        return self.finding in {Finding.INTACT, Finding.LONGER}


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """The measurements beside the chain: packed ones, each proved by the hash in its record, and live ones."""

    chunks: int = 0
    packed_rows: int = 0
    pruned_chunks: int = 0
    pruned_rows: int = 0
    live_rows: int = 0
    """Readings and projections that no chunk holds yet: triggers guard them, no hash proves them."""


def verify(path: Path, *anchors: Anchor, progress: Progress | None = None) -> Verdict:
    """Compute the whole chain anew over what is recorded now and compare. Reads only; memory does not grow with size.

    `progress` is told now and then. Raises LedgerError when the file cannot be read as a ledger.
    """
    try:
        with closing(connect_read_only(path)) as connection:
            connection.execute("BEGIN")
            (total,) = connection.execute("SELECT ifnull(max(seq), 0) FROM journal").fetchone()
            walk = _Walk(genesis(identity_text(connection)), anchors)
            verdict = walk.judge(_told(_journal(connection), total, progress), _records(connection))
            return _with_contents(verdict, connection) if verdict.ok else verdict
    except sqlite3.DatabaseError as problem:
        raise LedgerError(f"ledger {path} cannot be read ({problem}): restore the last good backup") from problem


def anchor_of_head(path: Path, head: str) -> Anchor | None:
    """The anchor of which only the head was noted (64 hexadecimal digits); None when no row has it."""
    with closing(connect_read_only(path)) as connection:
        row = connection.execute("SELECT seq FROM journal WHERE head = ?", (bytes.fromhex(head),)).fetchone()
    return None if row is None else Anchor(row=row[0], head=head.lower())


def _told(links: Iterator["_Link"], total: int, progress: Progress | None) -> Iterator["_Link"]:
    for link in links:
        if progress is not None and link.number % _TOLD_EVERY == 0:
            progress(link.number, total)
        yield link


_CHUNKS = """
SELECT chunk.id, chunk.body ->> 'sha256', chunk.body ->> 'rows', chunk_data.data, EXISTS (
    SELECT 1 FROM audit WHERE audit.action = 'pruned' AND audit.subject = 'chunk ' || chunk.id
    AND audit.body ->> '$.data.sha256' = chunk.body ->> 'sha256'
)
FROM chunk LEFT JOIN chunk_data ON chunk_data.chunk = chunk.id ORDER BY chunk.id
"""
_STRAY = "SELECT min(chunk) FROM chunk_data WHERE chunk NOT IN (SELECT id FROM chunk)"
_LIVE = "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM projection)"


def _with_contents(verdict: Verdict, connection: sqlite3.Connection) -> Verdict:
    """The verdict, after a look at what the chunks hold: the chain has only their hashes."""
    chunks = packed_rows = pruned_chunks = pruned_rows = 0
    for number, sha256, rows, content, pruned in connection.execute(_CHUNKS):
        if content is None and not pruned:
            return _spoiled(verdict, number, "its packed readings were taken away, and no row says by which policy")
        if content is not None and content_hash(content) != sha256:
            return _spoiled(verdict, number, "its packed readings are not what was recorded")
        gone = content is None
        chunks, packed_rows = chunks + 1, packed_rows + rows
        pruned_chunks, pruned_rows = pruned_chunks + gone, pruned_rows + rows * gone
    (stray,) = connection.execute(_STRAY).fetchone()
    if stray is not None:
        return _spoiled(verdict, stray, "it has content and no record")
    (live,) = connection.execute(_LIVE).fetchone()
    contents = Contents(
        chunks=chunks,
        packed_rows=packed_rows - pruned_rows,
        pruned_chunks=pruned_chunks,
        pruned_rows=pruned_rows,
        live_rows=live,
    )
    return replace(verdict, contents=contents)


def _spoiled(verdict: Verdict, number: int, how: str) -> Verdict:
    return replace(verdict, finding=Finding.BROKEN, row=number, detail=f"chunk {number}: {how}")


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

    def __init__(self, head: bytes, anchors: Sequence[Anchor]) -> None:
        self._row = 0
        self._head = head
        self._anchors = anchors
        self._noted: dict[int, set[str]] = {}
        for anchor in anchors:
            self._noted.setdefault(anchor.row, set()).add(anchor.head)

    def judge(self, journal: Iterator[_Link], records: Iterator[_Row]) -> Verdict:
        if not self._fits_anchors():
            return self._mismatch()
        for link, row in zip_longest(journal, records):
            problem = self._gap(link) or _difference(link, row)
            if problem:
                first = min(each.number for each in (link, row) if each is not None)
                return self._verdict(Finding.BROKEN, row=min(first, self._row + 1), detail=problem)
            if link is not None:
                self._row, self._head = link.number, link.head
            if not self._fits_anchors():
                return self._mismatch()
        return self._compare_with_anchors()

    def _fits_anchors(self) -> bool:
        """False when an anchor was noted at the present row and had another head."""
        noted = self._noted.get(self._row)
        return noted is None or noted == {self._head.hex()}

    def _mismatch(self) -> Verdict:
        return self._verdict(Finding.MISMATCH, row=self._row, detail="another head than the anchor's")

    def _gap(self, link: _Link | None) -> str:
        """How the journal itself fails to go on."""
        if link is None:
            return ""
        if link.number != self._row + 1:
            return f"journal row {self._row + 1} is missing"
        if link.head != next_head(self._head, link.leaf):
            return f"journal row {link.number} does not follow from the one before"
        return ""

    def _compare_with_anchors(self) -> Verdict:
        last = max((anchor.row for anchor in self._anchors), default=self._row)
        if last == self._row:
            return self._verdict(Finding.INTACT)
        if last < self._row:
            return self._verdict(Finding.LONGER, detail=f"{self._row - last} rows since the anchor")
        return self._verdict(Finding.TRUNCATED, row=self._row + 1, detail=f"the anchor is row {last}")

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
