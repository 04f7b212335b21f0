"""The mirror for people: how far it is, what it refused, and sending again. A running watch is not disturbed."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from fillguard.app.records import ledger_path
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.ledger.mirroring import LastWord, Refused, Stream, ask_to_resend
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ports import MIRRORED, AuditEntry

NAME = "influx"


@dataclass(frozen=True, slots=True, kw_only=True)
class MirrorStatus:
    """Where the mirror stands."""

    streams: tuple[Stream, ...]
    waiting_since_utc_s: float | None
    """When the oldest reading that has not arrived came; None when all have."""
    refused: tuple[Refused, ...]
    last_word: LastWord | None

    @property
    def behind(self) -> int:
        """Rows that it does not have, of all kinds."""
        return sum(stream.behind for stream in self.streams)


def mirror_status(config: Path, ledger: Path | None, environ: Mapping[str, str]) -> MirrorStatus:
    """Where the mirror stands. Raises LedgerError."""
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        look = reader.mirroring(NAME)
        streams = tuple(look.streams())
        waiting = reader.readings_after(streams[0].sent_row, 1)
        return MirrorStatus(
            streams=streams,
            waiting_since_utc_s=waiting[0].utc_s if waiting else None,
            refused=tuple(look.refused()),
            last_word=look.last_word(),
        )


def resend(
    config: Path, ledger: Path | None, environ: Mapping[str, str], *, row: int | None, since_s: float | None, by: str
) -> dict[str, int]:
    """Have everything from `row` of the readings, or from a time on, sent again; returns the first row of each kind.

    Raises:
        ConfigurationError: there is nothing from there on.
        LedgerError: the ledger cannot be read or written.
    """
    path = ledger_path(config, ledger, environ)
    with SqliteLedgerReader(path) as reader:
        look = reader.mirroring(NAME)
        if row is not None:
            found = {"reading": row if row <= reader.newest_row("reading") else None}
        else:
            found = {stream: look.first_row_since(stream, since_s or 0.0) for stream in MIRRORED}
    rows = {stream: first for stream, first in found.items() if first is not None}
    if not rows:
        raise ConfigurationError("nothing is on record from there on: give an earlier row or time")
    told = ", ".join(f"{stream} {first}" for stream, first in rows.items())
    now = SystemClock().now()
    ask_to_resend(path, NAME, rows, AuditEntry(at=now, who=by, action="mirror-resend", detail=f"from {told} on"))
    return rows
