"""A fill's dossier: everything on record about one fill in one document, with its raw data and the proof of both.

Whatever an inspector may ask for has its place; what nobody recorded stands there as None, told as "not recorded".
"""

import json
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path
from statistics import median

from fillguard import __version__
from fillguard.app.equipment import entries_until, of_supply, of_whip
from fillguard.app.shown import Told, of_alarms, of_lamp, of_prompts, said, utc
from fillguard.clock import SystemClock
from fillguard.core.events import Quantity
from fillguard.core.units import bar_from_pa, c_from_k
from fillguard.ledger.account import Body, FillAccount, Span
from fillguard.ledger.grid import stored_ms
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.sensors import SensorReader, SensorRow
from fillguard.ports import ReadingRow
from fillguard.settings.register import key_of

_GAP_PERIODS = 3.0
_SHORTEST_GAP_S = 5.0
_GAPS_LISTED = 100


def dossier(ledger: Path, fill_id: str) -> dict[str, Told]:
    """The document, section by section. Raises LedgerError when there is no such fill or the ledger cannot be read."""
    with FillAccount(ledger, fill_id) as account, SqliteLedgerReader(ledger) as reader, SensorReader(ledger) as sensors:
        span = account.span(stored_ms(SystemClock().now().utc_s))
        opened, ended = account.opened or {}, account.ended or {}
        summary: Body = ended.get("summary") or opened
        trace = list(reader.fill_trace(fill_id))
        relied_on = sensors.of_whip(span.whip, span.from_ms / 1000.0)
        entered = entries_until(ledger, span.to_ms / 1000.0)
        config = account.config(ended.get("config") or opened.get("config"))
        return {
            "fill": _fill(fill_id, summary, [str(each) for each in reader.corrections(fill_id)]),
            "software": _software(account, span, opened, summary, config),
            "sensors": _sensors(account, span, sensors, relied_on),
            "whip and hose": {**_whip(config, span.whip), **of_whip(entered, span.whip)},
            "supply": {**_supply(trace), **of_supply(entered)},
            "cylinder": _cylinder(account, span, opened, summary),
            "people": _people(account, opened, summary),
            "surroundings": _surroundings(opened, trace),
            "limit": _limit(account, span, opened),
            "stages": _stages(account),
            "prompts": of_prompts(account),
            "alarms": of_alarms(account),
            "lamp": of_lamp(account, span),
            "findings": [said(each, "finding", "confidence", "text") for each in account.events("FindingMade")],
            "analysis and release": _after(account),
            "quality": _quality(account, span, summary, trace),
            "clock": _clock(account, span, opened, ended),
            "raw data": _raw(account, span, trace),
            "proof": _proof(account),
        }


def _fill(fill_id: str, summary: Body, corrections: list[str]) -> Told:
    gas = summary.get("gas") or {}
    return {
        "id": fill_id,
        "station": summary.get("station"),
        "whip": summary.get("whip"),
        "started": utc(summary.get("started_s")),
        "flow stopped": utc(summary.get("flow_stopped_s")),
        "ended": utc(summary.get("ended_s")),
        "outcome": summary.get("outcome", "open"),
        "entered by hand by": summary.get("entered_by") or "nobody: the watch saw it",
        "gas": "air" if gas.get("air") else {"o2": gas.get("o2"), "he": gas.get("he")},
        **said(
            summary,
            "start_gauge_pa",
            "close_gauge_pa",
            "peak_gauge_pa",
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
            "gas_k_max",
        ),
        "corrections": corrections or "none",
    }


def _software(account: FillAccount, span: Span, opened: Body, summary: Body, config: Body | None) -> Told:
    started = account.last_audit("started", span.opened)
    version = opened.get("learned_version", summary.get("learned_version"))
    learned = account.learned(version) if version else None
    return {
        "version": (started or {}).get("data", {}).get("version"),
        "code": (started or {}).get("data", {}).get("code"),
        "configuration": (config or {}).get("config_hash"),
        "in force since": utc((config or {}).get("at", {}).get("utc_s")),
        "put in force by": (config or {}).get("who"),
        "why": (config or {}).get("why"),
        "learned values, version": version,
        "learned values": "as shipped" if version == 0 else (learned or {}).get("learned"),
        "this document by": f"fillguard {__version__}",
    }


def _sensors(account: FillAccount, span: Span, sensors: SensorReader, relied_on: list[SensorRow]) -> Told:
    zero = account.last_of_whip("ZeroChecked", span)
    return {
        "registered": [
            {
                "sensor": row.sensor,
                **{name: row.columns.get(name) for name in sorted({*row.columns, *_OF_A_SENSOR})},
                "last entry": f"{row.act} by {row.by} on {utc(row.utc_s)}",
                "last check": _last_check(sensors.history(row.sensor), span.from_ms / 1000.0),
            }
            for row in relied_on
        ]
        or None,
        "last zero check of the whip": None if zero is None else _zero(zero),
    }


def _last_check(history: list[SensorRow], before_s: float) -> Told:
    """Against a certified gauge."""
    checks = [row for row in history if row.act == "checked" and row.utc_s <= before_s]
    if not checks:
        return None
    return {
        "on": utc(checks[-1].utc_s),
        "by": checks[-1].by,
        "certificate of the reference": checks[-1].reference or None,
        "pairs (reference, sensor)": [list(pair) for pair in checks[-1].pairs],
    }


_OF_A_SENSOR = ("low", "high", "unit", "certificate", "calibrated", "due")


def _zero(zero: Body) -> Told:
    drift_pa = zero.get("drift_pa")
    drift = None if drift_pa is None else round(bar_from_pa(drift_pa), 3)
    told = said(zero, "zero_gauge_pa", "judged", "text")
    return {"at": utc(zero["stamp"]["utc_s"]), **told, "moved within a week, bar": drift}


def _whip(config: Body | None, whip: str) -> dict[str, Told]:
    known: Mapping[str, Told] = {}
    if config is not None:
        whips = json.loads(config["text"]).get("whip", ())
        known = next((each for each in whips if each.get("id") == whip), {})
    told = {str(key): value for key, value in known.items() if value is not None and key != "id"}
    return {"id": whip, **told}


def _supply(trace: list[ReadingRow]) -> dict[str, Told]:
    """Which compressor or bank fed the whip nobody says; its pressure is known where it is measured."""
    return {
        "fed by": None,
        "bank pressure": _range(trace, Quantity.SUPPLY, lambda pascal: round(pascal / 1e5, 2), "bar gauge"),
    }


def _cylinder(account: FillAccount, span: Span, opened: Body, summary: Body) -> Told:
    identified = account.events("FillIdentified")
    last: Body = identified[-1] if identified else opened
    serial = summary.get("serial")
    row = account.register_row(key_of(str(serial)), span.opened) if serial else None
    return {
        "serial": serial or "not identified",
        "as the watch took it": None if not last.get("cylinder") else said(last["cylinder"], *last["cylinder"]),
        "as registered then": None if row is None else row["columns"],
        "entered by": None if row is None else f"{row['by']} on {utc(row['at']['utc_s'])}: {row['why']}",
        "verdict": _verdict(last.get("verdict") or summary.get("verdict")),
        "looked at by people": [_tick(each) for each in last.get("checked") or ()] or None,
        "was said to be": [
            {"serial": each.get("serial"), "by": each.get("operator"), "at": utc(each.get("utc_s"))}
            for each in summary.get("identified") or ()
        ]
        or None,
    }


def _verdict(verdict: Body | None) -> Told:
    if verdict is None:
        return None
    reasons = [f"{each['level']}: {each['text']}" for each in verdict.get("reasons") or ()]
    return {
        "verdict": verdict.get("level"),
        "by the rules of": verdict.get("profile"),
        "on": verdict.get("day"),
        "reasons": reasons or "none",
        "overridden by": verdict.get("overridden_by") or "nobody",
        "because": verdict.get("override_reason"),
    }


def _tick(tick: Body) -> Told:
    return f"{tick.get('check')} by {tick.get('by') or 'nobody named'} at {utc(tick.get('utc_s'))}"


def _people(account: FillAccount, opened: Body, summary: Body) -> Told:
    released = [each for each in account.events("FillReleased") if not each.get("refused")]
    return {
        "operator at start": opened.get("operator"),
        "operator at close": summary.get("operator"),
        "released by": released[-1]["by"] if released else None,
    }


def _surroundings(opened: Body, trace: list[ReadingRow]) -> Told:
    return {
        "stood in": opened.get("surroundings"),
        **said(opened, "ambient_k"),
        "ambient": _range(trace, Quantity.AMBIENT, _celsius, "degrees C"),
        "bath": _range(trace, Quantity.BATH, _celsius, "degrees C"),
    }


def _limit(account: FillAccount, span: Span, opened: Body) -> Told:
    changes: list[Told] = [
        {
            "at": utc(each["stamp"]["utc_s"]),
            "by": each.get("operator") or "fillguard",
            **said(each, "limit_gauge_pa", "target_gauge_pa", "reference_k", "note"),
        }
        for each in account.events("FillIdentified")
    ]
    thresholds = [
        {"at": utc(each["stamp"]["utc_s"]), **said(each, "summary", "by", "why")}
        for each in account.of_whip("RulesChanged", span)
    ]
    return {
        "at start": said(opened, "limit_gauge_pa", "target_gauge_pa", "ceiling_gauge_pa", "reference_k") or None,
        "changed": changes or "never",
        "thresholds changed meanwhile": thresholds or "never",
    }


def _stages(account: FillAccount) -> Told:
    return [
        {
            "at": utc(each["stamp"]["utc_s"]),
            "stage": each.get("number"),
            "whip": each.get("whip"),
            "gas": each["stage"].get("gas"),
            **said(each["stage"], "target_gauge_pa"),
            **said(each, "assumed", "limit_gauge_pa"),
        }
        for each in account.events("StageBegan")
    ] or "one: it was filled at once"


def _after(account: FillAccount) -> Told:
    return {
        "analyses": [
            {**(each.get("analysis") or {}), "refused": each.get("refused")} for each in account.events("FillAnalysed")
        ]
        or None,
        "releases": [
            {
                "at": utc(each["stamp"]["utc_s"]),
                **said(each, "by", "gauge_pa", "settled_gauge_pa", "basis", "valve_seen", "o_ring_seen", "refused"),
            }
            for each in account.events("FillReleased")
        ]
        or None,
        "settled readings": [
            {"at": utc(each["stamp"]["utc_s"]), **said(each, "gauge_pa", "temperature_k", "by", "projected_gauge_pa")}
            for each in account.events("SettledJudged")
        ]
        or None,
        "valve": [said(each, "operator", "found", "note") for each in account.events("ValveNoted")] or None,
    }


def _quality(account: FillAccount, span: Span, summary: Body, trace: list[ReadingRow]) -> Told:
    doubts: dict[str, int] = {}
    for row in trace:
        if row.quality != "good":
            doubts[row.doubt or row.quality] = doubts.get(row.doubt or row.quality, 0) + 1
    outages = account.audit(span, "ledger-recovered", "resumed", "tending-failed")
    return {
        "readings": len(trace),
        "pressure readings counted by the watch": summary.get("readings"),
        "doubtful": doubts or "none",
        "gaps in the pressure": _gaps(trace) or "none",
        "services that failed or came back": [
            f"{utc(each['stamp']['utc_s'])} {each['service']}: {'works' if each['ok'] else 'FAILS'}, {each['detail']}"
            for each in account.of_whip("ServiceChanged", span)
        ]
        or "none",
        "the record itself": [f"{utc(each['at']['utc_s'])} {each['action']}: {each['detail']}" for each in outages]
        or "without interruption",
    }


def _gaps(trace: list[ReadingRow]) -> list[Told]:
    times = [row.sample_s for row in trace if row.quantity == Quantity.PRESSURE]
    steps = [after - before for before, after in pairwise(times)]
    if not steps:
        return []
    long_s = max(_SHORTEST_GAP_S, _GAP_PERIODS * median(steps))
    gaps = [(begin, step) for begin, step in zip(times, steps, strict=False) if step > long_s]
    return [f"{utc(begin)}: {step:.1f} s" for begin, step in gaps[:_GAPS_LISTED]]


def _clock(account: FillAccount, span: Span, opened: Body, ended: Body) -> Told:
    return {
        "at start": opened.get("clock"),
        "at the end": ended.get("clock"),
        "moved meanwhile": [
            f"{utc(each['stamp']['utc_s'])}: by {each['by_s']:+.1f} s" for each in account.of_whip("ClockStepped", span)
        ]
        or "never",
    }


def _raw(account: FillAccount, span: Span, trace: list[ReadingRow]) -> Told:
    sources: dict[str, list[ReadingRow]] = {}
    for row in trace:
        sources.setdefault(row.source, []).append(row)
    chunks = account.chunks(span)
    packed = {number for each in chunks if each["stream"] == "reading" for number in _numbers(each)}
    return {
        "there": {
            source: f"{len(rows)} readings, rows {min(r.row for r in rows)} to {max(r.row for r in rows)}"
            for source, rows in sources.items()
        }
        or "none",
        "of them not packed yet": sum(row.row not in packed for row in trace),
        "packed in": [
            {
                **{name: each[name] for name in ("chunk", "stream", "first_row", "last_row", "rows", "sha256")},
                "content": "there" if each["there"] else _went(each["pruned"]),
            }
            for each in chunks
        ]
        or "none yet",
        "to get them": f"fillguard export readings FILE --since {utc(span.from_ms / 1000.0)} "
        f"--until {utc(span.to_ms / 1000.0)}",
    }


def _numbers(chunk: Body) -> range:
    return range(chunk["first_row"], chunk["last_row"] + 1)


def _went(pruned: Body | None) -> Told:
    return None if pruned is None else f"pruned on {utc(pruned['at']['utc_s'])} by {pruned['data']['policy']}"


def _proof(account: FillAccount) -> Told:
    rows, end = account.rows(), account.end()
    return {
        "rows": [{"row": row, "table": table, "leaf": leaf} for row, table, leaf, _ in rows],
        "head after the last of them": f"{rows[-1][0]}:{rows[-1][3]}" if rows else None,
        "end of the chain now": str(end),
        "to verify": f"fillguard ledger verify --anchor {rows[-1][0]}:{rows[-1][3]}" if rows else None,
        "what that proves": "that these rows are what was recorded; compare with an anchor that was noted outside, too",
    }


def _range(trace: list[ReadingRow], quantity: Quantity, convert: Callable[[float], float], unit: str) -> Told:
    values = sorted(row.value for row in trace if row.quantity == quantity and row.quality == "good")
    if not values:
        return None
    low, middle, high = (convert(value) for value in (values[0], values[len(values) // 2], values[-1]))
    return f"{low:g} to {high:g}, median {middle:g} {unit}, {len(values)} readings"


def _celsius(kelvin: float) -> float:
    return round(c_from_k(kelvin), 1)
