"""Proof that the record is what was recorded: verification, backups, and drills that a backup can be restored."""

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fillguard.core.errors import ConfigurationError, FillguardError, LedgerError
from fillguard.ledger import store
from fillguard.ledger.chain import Anchor, Contents, Finding, Progress, Verdict, anchor_of_head, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.schema import LIVE_TABLES, RECORD_TABLES
from fillguard.ledger.stored import Wanted, stored

_HEAD_DIGITS = 64
_LONGEST_NOTES = 64 * 1024 * 1024
_TELL_EVERY = 10_000


def checked(ledger: Path, noted: str | None, progress: Progress | None = None) -> Verdict:
    """Verify a ledger against what was noted outside: a file with anchors, `ROW:HEAD`, or a head alone.

    Raises LedgerError when it cannot be read, ConfigurationError when `noted` holds no anchor.
    """
    if noted is None:
        return verify(ledger, progress=progress)
    if len(noted) == _HEAD_DIGITS and not Path(noted).exists():
        return _checked_by_head(ledger, noted, progress)
    anchors = anchors_of(noted)
    return verify(ledger, *anchors, progress=progress)


def anchors_of(noted: str) -> tuple[Anchor, ...]:
    """The anchors in a file, or the one that `noted` itself is. Raises ConfigurationError."""
    path = Path(noted)
    try:
        text = path.read_text(encoding="utf-8", errors="replace") if _is_notes(path) else noted
    except OSError as problem:
        raise ConfigurationError(f"anchors in {noted} cannot be read: {problem.strerror or problem}") from problem
    anchors = Anchor.all_in(text)
    if not anchors:
        raise ConfigurationError(
            f"--anchor {noted!r}: no file with anchors, and no ROW:HEAD as it was noted (1234:9f86d081..., 64 digits)"
        )
    return anchors


def _is_notes(path: Path) -> bool:
    return path.is_file() and path.stat().st_size <= _LONGEST_NOTES


def _checked_by_head(ledger: Path, head: str, progress: Progress | None) -> Verdict:
    try:
        anchor = anchor_of_head(ledger, head)
    except ValueError:
        raise ConfigurationError(f"--anchor {head!r}: a head is 64 hexadecimal digits") from None
    if anchor is not None:
        return verify(ledger, anchor, progress=progress)
    plain = verify(ledger, progress=progress)
    if not plain.ok:
        return plain
    detail = "no row has that head: it was rewritten, cut short, or is another ledger"
    return Verdict(finding=Finding.MISMATCH, rows=plain.rows, end=plain.end, detail=detail, contents=plain.contents)


def verdict_as_data(ledger: Path, verdict: Verdict) -> dict[str, object]:
    """A verdict for machines."""
    contents = verdict.contents or Contents()
    return {
        "v": 1,
        "ledger": str(ledger),
        "finding": verdict.finding.value,
        "ok": verdict.ok,
        "rows": verdict.rows,
        "end": str(verdict.end),
        "row": verdict.row,
        "detail": verdict.detail,
        "chunks": contents.chunks,
        "packed_rows": contents.packed_rows,
        "pruned_chunks": contents.pruned_chunks,
        "pruned_rows": contents.pruned_rows,
        "live_rows": contents.live_rows,
    }


_TOLD: Mapping[Finding, str] = {
    Finding.INTACT: "intact: every row is what was recorded",
    Finding.LONGER: "intact: every row is what was recorded, and the anchor fits",
    Finding.BROKEN: "BROKEN: a row was changed, added or taken away",
    Finding.TRUNCATED: "TRUNCATED: rows are missing at the end",
    Finding.MISMATCH: "ANCHOR MISMATCH: rewritten since the anchor was noted, or another ledger",
}


def verdict_in_words(ledger: Path, verdict: Verdict, *, anchored: bool) -> list[str]:
    """A verdict for people, a line each."""
    where = "" if verdict.row is None else f" at row {verdict.row}"
    lines = [f"{ledger}: {_TOLD[verdict.finding]}{where}"]
    if verdict.detail:
        lines.append(f"  {verdict.detail}")
    lines.append(f"  {verdict.rows} rows fit; the chain ends at {verdict.end}")
    contents = verdict.contents
    if contents is not None:
        lines.append(f"  {contents.packed_rows} packed readings and projections proved, in {contents.chunks} chunks")
        if contents.pruned_chunks:
            lines.append(
                f"  {contents.pruned_rows} raw readings in {contents.pruned_chunks} chunks were pruned by policy: "
                "the audit trail names each"
            )
        lines.append(f"  {contents.live_rows} newest ones are not packed yet: guarded, not proved")
    if verdict.ok and not anchored:
        lines.append("  without --anchor a rewrite by somebody who holds the file does not show")
    if not verdict.ok:
        lines.append("  Keep this file as it is for inspection, and compare it with the last good backup.")
    return lines


# Backups ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupMade:
    """A copy on disk, and what its verification found."""

    size_bytes: int
    verdict: Verdict


def backed_up(ledger: Path, target: Path, progress: Progress | None = None) -> BackupMade:
    """Copy a ledger, in use or not, and verify the copy. Raises LedgerError, and then there is nothing at `target`."""
    size = store.backup(ledger, target, progress)
    return BackupMade(size_bytes=size, verdict=verify(target, progress=progress))


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillStep:
    """One thing that must hold of a backup."""

    what: str
    ok: bool
    detail: str


def drilled(backup: Path, original: Path | None, progress: Progress | None = None) -> list[DrillStep]:
    """Try a backup as if it had to be restored now; reads only. `original`: what it was taken from, if it is there.

    Never raises for what is wrong with either: each step says it.
    """
    trials: list[tuple[str, Callable[[], tuple[bool, str]]]] = [
        ("the file is a whole SQLite database", lambda: _is_whole(backup)),
        ("every row is what was recorded", lambda: _is_proved(backup, progress)),
        ("no reading is missing", lambda: _is_complete(backup, progress)),
        ("the newest fill can be read with its trace", lambda: _newest_fill(backup)),
    ]
    if original is not None:
        trials += [
            ("it lies on the original's chain", lambda: _same_chain(backup, original)),
            ("it holds as many rows as the original held then", lambda: _same_counts(backup, original)),
        ]
    return [_tried(what, trial) for what, trial in trials]


def _tried(what: str, trial: Callable[[], tuple[bool, str]]) -> DrillStep:
    try:
        ok, detail = trial()
    except (FillguardError, sqlite3.Error) as problem:
        return DrillStep(what=what, ok=False, detail=str(problem))
    return DrillStep(what=what, ok=ok, detail=detail)


def _is_whole(path: Path) -> tuple[bool, str]:
    with closing(store.connect_read_only(path)) as connection:
        answers = [str(answer) for (answer,) in connection.execute("PRAGMA integrity_check(5)")]
    return answers == ["ok"], "; ".join(answers)


def _is_proved(path: Path, progress: Progress | None) -> tuple[bool, str]:
    verdict = verify(path, progress=progress)
    return verdict.ok, verdict.detail or f"{verdict.rows} rows, chain ends at {verdict.end}"


def _is_complete(path: Path, progress: Progress | None) -> tuple[bool, str]:
    """Rows of measurements are numbered without a gap: what is not there must be recorded as pruned."""
    found: list[str] = []
    with closing(store.connect_read_only(path)) as connection:
        connection.execute("BEGIN")
        for stream in LIVE_TABLES:
            (newest,) = connection.execute(f"SELECT ifnull(max(id), 0) FROM {stream}").fetchone()  # noqa: S608 - ours
            (pruned,) = connection.execute(_PRUNED, (stream,)).fetchone()
            there = 0
            for _ in stored(connection, stream, Wanted()):
                there += 1
                if progress is not None and there % _TELL_EVERY == 0:
                    progress(there, newest)
            found.append(f"{stream}: {there} there, {pruned} pruned, {newest} recorded")
            if there + pruned != newest:
                return False, found[-1]
    return True, "; ".join(found)


_PRUNED = """
SELECT ifnull(sum(body ->> 'rows'), 0) FROM chunk
WHERE stream = ? AND id NOT IN (SELECT chunk FROM chunk_data)
"""


def _newest_fill(path: Path) -> tuple[bool, str]:
    with SqliteLedgerReader(path) as reader:
        fills = reader.fills(limit=1)
        if not fills:
            return True, "there is no fill in it yet"
        fill_id = str(fills[0]["fill_id"])
        readings = sum(1 for _ in reader.fill_trace(fill_id))
    return True, f"{fill_id}: {readings} readings"


def _same_chain(backup: Path, original: Path) -> tuple[bool, str]:
    with SqliteLedgerReader(backup) as copy, closing(store.connect_read_only(original)) as first:
        end = copy.anchor()
        found = first.execute("SELECT head FROM journal WHERE seq = ?", (end.row,)).fetchone()
        (newest,) = first.execute("SELECT ifnull(max(seq), 0) FROM journal").fetchone()
    if end.row == 0:
        return True, "it holds no row yet"
    if found is None or found[0].hex() != end.head:
        return False, f"the original has another head at row {end.row}: another ledger, or one of the two was rewritten"
    return True, f"the original went on by {newest - end.row} rows since"


def _same_counts(backup: Path, original: Path) -> tuple[bool, str]:
    with SqliteLedgerReader(backup) as copy:
        end = copy.anchor().row
    ours, theirs = _counts(backup, end), _counts(original, end)
    different = [f"{table}: {ours[table]}, original {theirs[table]}" for table in ours if ours[table] != theirs[table]]
    return not different, "; ".join(different) or f"{sum(ours.values())} rows in {len(ours)} tables"


def _counts(path: Path, up_to: int) -> dict[str, int]:
    with closing(store.connect_read_only(path)) as connection:
        return {
            table: connection.execute(f"SELECT count(*) FROM {table} WHERE id <= ?", (up_to,)).fetchone()[0]  # noqa: S608
            for table in RECORD_TABLES
        }


def passed(steps: Sequence[DrillStep]) -> bool:
    """True when the backup could be put to use now."""
    return all(step.ok for step in steps)


def refuse_same_file(backup: Path, original: Path) -> None:
    """A drill of the ledger against itself proves nothing. Raises LedgerError."""
    if original.exists() and backup.exists() and original.samefile(backup):
        raise LedgerError(f"{backup} is the ledger itself: name a backup that was made with `fillguard ledger backup`")
