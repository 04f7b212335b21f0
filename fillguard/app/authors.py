"""Who changed a threshold, and why: kept beside the file, so that whoever loads it can say so."""

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

FILE = "thresholds.jsonl"
"""One change a line, oldest first; added to, never rewritten."""
_LOOKED_AT_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Author:
    """Who answers for a change, and the reason."""

    by: str
    why: str


def digest_of(text: str) -> str:
    """What tells one content of alarms.toml from another."""
    return hashlib.sha256(text.encode()).hexdigest()


def note_author(folder: Path, alarms_text: str, author: Author, *, utc_s: float, change: Sequence[str]) -> None:
    """Add a line for what alarms.toml is about to hold. Raises OSError."""
    line = {
        "t": round(utc_s, 3),
        "by": author.by,
        "why": author.why,
        "change": list(change),
        "alarms_sha256": digest_of(alarms_text),
    }
    with (folder / FILE).open("a", encoding="utf-8") as file:
        file.write(json.dumps(line, ensure_ascii=False) + "\n")
        file.flush()
        os.fsync(file.fileno())


def author_of(folder: Path, alarms_sha256: str) -> Author | None:
    """Who wrote what alarms.toml holds, by its hash; None where nobody said. Never raises."""
    try:
        with (folder / FILE).open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - _LOOKED_AT_BYTES))
            lines = file.read().splitlines()
    except OSError:
        return None
    for line in reversed(lines):
        try:
            said = json.loads(line)
            if said["alarms_sha256"] == alarms_sha256:
                return Author(by=str(said["by"]), why=str(said["why"]))
        except (ValueError, KeyError, TypeError):
            continue  # cut off, or not ours
    return None
