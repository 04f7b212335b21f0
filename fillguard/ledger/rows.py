"""Questions to the ledger, and rows back into facts."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from fillguard.core.errors import LedgerError
from fillguard.ledger import grid
from fillguard.ledger.codec import Json
from fillguard.ports import OutboxItem

Row = tuple[object, ...]

NEWEST = {"reading": "SELECT max(id) FROM reading", "projection": "SELECT max(id) FROM projection"}

WHIPS_OF_FILL = """
SELECT whip FROM opened WHERE fill_id = :fill
UNION SELECT whip FROM event WHERE fill_id = :fill AND kind = 'StageBegan'
"""
"""One, but for a fill in stages that went on elsewhere."""
SOURCES_OF_FILL = f"SELECT id FROM source WHERE whip IS NULL OR whip IN ({WHIPS_OF_FILL})"  # noqa: S608 - all is ours
TRACED = f"""
SELECT opened.started_ms, fill.ended_ms, (SELECT json_group_array(id) FROM ({SOURCES_OF_FILL})),
       (SELECT count(*) FROM ({WHIPS_OF_FILL}))
FROM opened LEFT JOIN fill ON fill.fill_id = opened.fill_id WHERE opened.fill_id = :fill
"""  # noqa: S608 - all is ours

DUE_NOTICES = """
SELECT outbox.notice, outbox.channel, notice.occurrence, notice.kind, outbox.priority,
       notice.body ->> '$.change.raised_utc_s', notice.body ->> 'title', notice.body ->> 'body', outbox.attempts,
       outbox.not_before_ms, outbox.repeat, notice.changed_ms
FROM outbox JOIN notice ON notice.id = outbox.notice
WHERE outbox.channel = ? AND outbox.settled_ms IS NULL AND outbox.not_before_ms <= ?
ORDER BY outbox.priority, outbox.notice LIMIT ?
"""

FILL_COLUMNS = (
    "fill_id",
    "station",
    "whip",
    "serial",
    "operator",
    "outcome",
    "started_ms",
    "flow_stopped_ms",
    "ended_ms",
    "o2",
    "he",
    "start_gauge_pa",
    "plateau_seen",
    "close_gauge_pa",
    "settled_gauge_pa",
    "settled_low_gauge_pa",
    "settled_high_gauge_pa",
    "final_settled_gauge_pa",
    "final_settled_low_gauge_pa",
    "final_settled_high_gauge_pa",
    "reference_k",
    "limit_gauge_pa",
    "target_gauge_pa",
    "peak_rate_pa_s",
    "peak_gauge_pa",
    "gas_k_max",
    "alarms",
    "findings",
    "readings",
    "doubtful_readings",
    "config",
    "entered_by",
)
FILLS = f"SELECT {', '.join(FILL_COLUMNS)} FROM fill"  # noqa: S608 - our own columns

STANDING_ALARMS = """
SELECT alarm.body FROM alarm
WHERE alarm.id = (SELECT max(later.id) FROM alarm AS later WHERE later.occurrence = alarm.occurrence)
  AND alarm.state <> ?
ORDER BY alarm.id
"""
LAST_OCCURRENCES = """
SELECT subject, alarm, max(number) FROM alarm WHERE subject NOT IN (SELECT fill_id FROM fill) GROUP BY subject, alarm
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRow:
    """One row of a RECORD table as it is kept."""

    row: int
    body: Mapping[str, Json]


def record_row(row: Row) -> RecordRow:
    """A row of (id, body)."""
    number, body = row
    return RecordRow(row=_int(number), body=json.loads(str(body)))


def outbox_item(row: Row) -> OutboxItem:
    """A row of `DUE_NOTICES`."""
    number, channel, occurrence, kind, priority, raised_s, title, body, attempts, not_before_ms, repeat, changed = row
    return OutboxItem(
        outbox_id=_int(number),
        channel=str(channel),
        occurrence=str(occurrence),
        kind=str(kind),
        priority=_int(priority),
        raised_utc_s=float(str(raised_s)),
        title=str(title),
        body=str(body),
        attempts=_int(attempts),
        not_before_utc_s=grid.seconds_of(_int(not_before_ms)),
        repeat=_int(repeat),
        changed_utc_s=grid.seconds_of(_int(changed)),
    )


def fill(row: Row) -> Mapping[str, object]:
    """A row of `FILLS`: lists as tuples."""
    told = dict(zip(FILL_COLUMNS, row, strict=True))
    for name in ("alarms", "findings"):
        told[name] = tuple(json.loads(str(told[name] or "[]")))
    told["plateau_seen"] = bool(told["plateau_seen"])
    return told


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """What somebody says a fill's record should have said."""

    fill_id: str
    field: str
    was: object
    """On record, or as corrected before."""
    to: object
    by: str
    why: str
    at_utc_s: float

    def __str__(self) -> str:
        was = "nothing" if self.was is None else self.was
        return f"{self.field}: {was} -> {self.to} by {self.by} ({self.why})"


def correction(body: Mapping[str, object]) -> Correction:
    """The correction in an audit row. Raises LedgerError."""
    at, data = body["at"], body["data"]
    if not (isinstance(at, dict) and isinstance(data, dict)):
        raise LedgerError(f"recorded correction {body!r} cannot be read: verify the ledger")
    return Correction(
        fill_id=str(body["subject"]),
        field=str(data["field"]),
        was=data["was"],
        to=data["to"],
        by=str(body["who"]),
        why=str(body["detail"]),
        at_utc_s=float(at["utc_s"]),
    )


def _int(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(f"{value!r} is not a whole number")
    return value


def _text(value: object) -> str | None:
    return None if value is None else str(value)
