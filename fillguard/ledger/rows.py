"""Questions to the ledger, and rows back into facts."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from fillguard.core.events import Quantity
from fillguard.ledger import grid
from fillguard.ledger.codec import Json
from fillguard.ledger.recorder import MASS_STEPS_PER_KG, TO_STOP_STEPS_PER_S
from fillguard.ports import OutboxItem, ProjectionRow, ReadingRow

Row = tuple[object, ...]

NEWEST = {"reading": "SELECT max(id) FROM reading", "projection": "SELECT max(id) FROM projection"}

_SERIAL_WHEN = """
coalesce((SELECT body ->> 'serial' FROM event WHERE event.fill_id = opened.fill_id AND event.kind = 'FillIdentified'
          AND event.at_ms <= {moment} ORDER BY event.id DESC LIMIT 1), opened.serial)
"""
READINGS = f"""
SELECT reading.id, reading.sample_ms, reading.sample_ms + reading.delay_ms, source.topic, source.whip, source.quantity,
       reading.value, ifnull(reading.doubted_quality, reading.quality), ifnull(reading.doubted, reading.doubt),
       opened.fill_id, {_SERIAL_WHEN.format(moment="reading.sample_ms + reading.delay_ms")}
FROM reading JOIN source ON source.id = reading.source LEFT JOIN opened ON opened.id = reading.fill
"""  # noqa: S608 - all parts are ours
READINGS_AFTER = f"{READINGS} WHERE reading.id > ? ORDER BY reading.id LIMIT ?"
TRACE = f"""
WITH wanted AS (
    SELECT opened.fill_id, opened.whip, opened.started_ms, fill.ended_ms
    FROM opened LEFT JOIN fill ON fill.fill_id = opened.fill_id WHERE opened.fill_id = :fill
)
{READINGS} JOIN wanted ON source.whip IS wanted.whip OR source.whip IS NULL
WHERE reading.sample_ms >= wanted.started_ms AND reading.sample_ms <= ifnull(wanted.ended_ms, 9e15)
ORDER BY reading.sample_ms, reading.id
"""  # noqa: S608 - all parts are ours

_PROJECTIONS = f"""
SELECT projection.id, opened.fill_id, opened.whip, {_SERIAL_WHEN.format(moment="projection.sample_ms")},
       projection.sample_ms, projection.phase, gauge, settled, settled_low, settled_high, cylinder, developed, stop_at,
       close_at, bleed_to, gas, wall, mass, rate, rate_error, to_stop, cap, reason
FROM projection JOIN opened ON opened.id = projection.fill
"""  # noqa: S608 - all parts are ours
PROJECTIONS_AFTER = f"{_PROJECTIONS} WHERE projection.id > ? ORDER BY projection.id LIMIT ?"
PROJECTIONS_OF_FILL = f"{_PROJECTIONS} WHERE opened.fill_id = ? ORDER BY projection.sample_ms"

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


def reading(row: Row) -> ReadingRow:
    """A row of `READINGS`."""
    number, sample_ms, arrived_ms, topic, whip, quantity, value, quality, doubt, fill_id, serial = row
    return ReadingRow(
        row=_int(number),
        utc_s=grid.seconds_of(_int(arrived_ms)),
        sample_s=grid.seconds_of(_int(sample_ms)),
        source=str(topic),
        whip=_text(whip),
        quantity=str(quantity),
        value=grid.value_of(Quantity(str(quantity)), value),
        quality=grid.QUALITY_OF[_int(quality)],
        doubt=None if doubt is None else grid.DOUBT_OF[_int(doubt)],
        fill_id=_text(fill_id),
        serial=_text(serial),
    )


def projection(row: Row) -> ProjectionRow:
    """A row of a question for projections."""
    number, fill_id, whip, serial, sample_ms, phase, *numbers, cap, reason = row
    steps = [None if each is None else _int(each) for each in numbers]
    gauge, settled, low, high, cylinder, developed, stop_at, close_at, bleed_to = map(grid.pressure_of, steps[:9])
    gas_k, wall_k = map(grid.temperature_of, steps[9:11])
    return ProjectionRow(
        row=_int(number),
        fill_id=str(fill_id),
        whip=str(whip),
        serial=_text(serial),
        sample_s=grid.seconds_of(_int(sample_ms)),
        phase=grid.PHASE_OF[_int(phase)],
        gauge_pa=gauge,
        settled_gauge_pa=settled,
        settled_low_gauge_pa=low,
        settled_high_gauge_pa=high,
        cylinder_gauge_pa=cylinder,
        developed_gauge_pa=developed,
        stop_at_gauge_pa=stop_at,
        close_at_gauge_pa=close_at,
        bleed_to_gauge_pa=bleed_to,
        gas_k=gas_k,
        wall_k=wall_k,
        mass_kg=grid.scaled_of(steps[11], MASS_STEPS_PER_KG),
        rate_pa_s=grid.scaled_of(steps[12], 1.0),
        rate_error_pa_s=grid.scaled_of(steps[13], 1.0),
        seconds_to_stop=grid.scaled_of(steps[14], TO_STOP_STEPS_PER_S),
        close_at_cap=_text(cap),
        reason=_text(reason),
    )


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


def _int(value: object) -> int:
    if not isinstance(value, int):
        raise TypeError(f"{value!r} is not a whole number")
    return value


def _text(value: object) -> str | None:
    return None if value is None else str(value)
