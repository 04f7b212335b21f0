"""Alarms for people who look back: what stands now, and how well the alarms of a stretch of time served."""

import re
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.app.records import ledger_path
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import AlarmChanged, FillStarted
from fillguard.core.figures import duration
from fillguard.core.measures import TARGET_PER_TEN_MINUTES, TARGET_SHARES, FillSpan, Measures, measured
from fillguard.core.words import alarm_phrase
from fillguard.ledger.codec import decode
from fillguard.ledger.reader import Filter, SqliteLedgerReader
from fillguard.settings import load_settings

_SPANS = {"m": 60.0, "h": 3600.0, "d": 86_400.0, "w": 604_800.0}
_SPAN = re.compile(r"(\d{1,5})([mhdw])")
_BEFORE_S = 7.0 * 86_400.0
"""A raise may be older than the stretch that is asked for, and its acknowledgement within it."""

Rows = list[tuple[str, ...]]


def since_s(text: str, now_s: float) -> float:
    """`30d`, `12h`, or a day or instant (ISO 8601, UTC) as Unix seconds. Raises ConfigurationError."""
    span = _SPAN.fullmatch(text.strip())
    if span is not None:
        return now_s - int(span[1]) * _SPANS[span[2]]
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(
            f"--since {text!r}: write a span like 30d, 12h or 2w, or a day like 2026-11-01"
        ) from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def standing(config: Path, ledger: Path | None, environ: Mapping[str, str]) -> list[AlarmChanged]:
    """The newest change of each alarm that a person still has to deal with, gravest first. Raises LedgerError."""
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        found = reader.standing_alarms()
    return sorted(found, key=lambda change: (change.priority, change.raised_utc_s))


def zone_of(config: Path, environ: Mapping[str, str]) -> ZoneInfo:
    """The station's time zone; UTC where there is no configuration."""
    return ZoneInfo(load_settings(config, environ).station.timezone if config.is_dir() else "UTC")


def report(config: Path, ledger: Path | None, environ: Mapping[str, str], since: str) -> Measures:
    """The measures since a moment. Raises ConfigurationError, LedgerError."""
    now_s = SystemClock().now().utc_s
    start_s = since_s(since, now_s)
    with SqliteLedgerReader(ledger_path(config, ledger, environ)) as reader:
        rows = reader.iter_alarms(Filter(since_s=start_s - _BEFORE_S))
        changes = [fact for row in rows if isinstance(fact := decode(row.body), AlarmChanged)]
        ended = [_span(fill) for fill in reader.iter_fills(Filter(since_s=start_s))]
        still_open = [_open_span(fill, now_s) for fill in reader.open_fills() if fill.started_s >= start_s]
    return measured(changes, [*ended, *still_open], since_s=start_s, until_s=now_s)


def _span(fill: Mapping[str, object]) -> FillSpan:
    started_ms, ended_ms, operator = fill["started_ms"], fill["ended_ms"], fill["operator"]
    if not isinstance(started_ms, int) or not isinstance(ended_ms, int):
        raise TypeError(f"fill {fill['fill_id']!r} has no times")
    return FillSpan(
        fill_id=str(fill["fill_id"]),
        operator=None if operator is None else str(operator),
        started_s=started_ms / 1000.0,
        ended_s=ended_ms / 1000.0,
    )


def _open_span(fill: FillStarted, now_s: float) -> FillSpan:
    return FillSpan(fill_id=fill.fill_id, operator=fill.operator, started_s=fill.started_s, ended_s=now_s)


# As tables and as JSON ------------------------------------------------------------------------------------------------


def standing_rows(changes: list[AlarmChanged], zone: ZoneInfo) -> Rows:
    """One row an alarm: occurrence, what, whip, priority, state, since when, what was seen."""
    return [
        (
            change.occurrence,
            alarm_phrase(change.alarm),
            change.whip or "station",
            str(change.priority),
            change.new.value,
            f"{datetime.fromtimestamp(change.raised_utc_s, zone):%Y-%m-%d %H:%M:%S}",
            change.cause,
        )
        for change in changes
    ]


def standing_document(changes: list[AlarmChanged]) -> list[dict[str, object]]:
    """The same for a program."""
    return [
        {
            "occurrence": change.occurrence,
            "alarm": change.alarm,
            "whip": change.whip,
            "fill": change.fill_id,
            "serial": change.serial,
            "priority": change.priority,
            "state": change.new.value,
            "raised_t": change.raised_utc_s,
            "changed_t": change.stamp.utc_s,
            "cause": change.cause,
            "by": change.by,
            "reason": change.reason,
        }
        for change in changes
    ]


def report_document(measures: Measures) -> dict[str, object]:
    """The measures for a program."""
    return asdict(measures) | {"per_fill": measures.per_fill, "share_with_alarm": measures.share_with_alarm}


def report_tables(measures: Measures) -> list[tuple[str, tuple[str, ...], Rows]]:
    """The measures for a person: title, columns and rows of each table; empty ones are left out."""
    tables: list[tuple[str, tuple[str, ...], Rows]] = [
        ("Alarms", ("measure", "value", "to compare with"), _overview(measures)),
        ("Most frequent", ("alarm", "times", "share"), _frequent(measures)),
        (
            "Operators, at the panel while a fill of theirs was open",
            ("operator", "fills", "alarms", "per 10 min", "most in 10 min"),
            _loads(measures),
        ),
        (
            "Acknowledged",
            ("priority", "acknowledged", "never", "half within", "nine of ten within"),
            [
                (str(a.priority), str(a.acknowledged), str(a.never), _time(a.median_s), _time(a.slow_s))
                for a in measures.answered
                if a.acknowledged or a.never
            ],
        ),
        (
            "Chattering: raised three times within a minute",
            ("alarm", "whip", "raises"),
            [(alarm, whip or "station", str(times)) for alarm, whip, times in measures.chattering],
        ),
        (
            "Stale: there for longer than a day",
            ("occurrence", "raised (UTC)", "lasted"),
            [
                (
                    each.occurrence,
                    f"{datetime.fromtimestamp(each.raised_s, UTC):%Y-%m-%d %H:%M}",
                    duration((each.ended_s or measures.until_s) - each.raised_s),
                )
                for each in measures.stale
            ],
        ),
    ]
    return [table for table in tables if table[2]]


def _overview(measures: Measures) -> Rows:
    split = [
        (
            f"priority {priority}",
            f"{count} ({100.0 * count / measures.alarms:.0f} %)" if measures.alarms else str(count),
            f"about {100.0 * TARGET_SHARES[priority]:.0f} %",
        )
        for priority, count in measures.by_priority.items()
    ]
    per_fill, share = measures.per_fill, measures.share_with_alarm
    return [
        ("fills", str(measures.fills), ""),
        ("alarms", str(measures.alarms), ""),
        ("alarms a fill", "-" if per_fill is None else f"{per_fill:.2f}", "clean fills: under 0.1"),
        ("fills with an alarm", "-" if share is None else f"{measures.fills_with_alarm} ({100.0 * share:.0f} %)", ""),
        *split,
        ("floods (over 10 in 10 min)", str(measures.floods), "0"),
    ]


def _frequent(measures: Measures) -> Rows:
    return [(alarm, str(times), f"{100.0 * times / measures.alarms:.0f} %") for alarm, times in measures.top]


def _loads(measures: Measures) -> Rows:
    return [
        (
            each.operator,
            str(each.fills),
            str(each.alarms),
            f"{each.per_ten_minutes:.2f} (about {TARGET_PER_TEN_MINUTES:g} at most)",
            str(each.most_in_ten_minutes),
        )
        for each in measures.operators
    ]


def _time(seconds: float | None) -> str:
    return "-" if seconds is None else duration(seconds)
