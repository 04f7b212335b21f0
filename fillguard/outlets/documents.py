"""What a whip's state and an alarm say at the broker: bar gauge, degrees C, bar a minute, per cent; null: not known."""

import math

from fillguard.core.events import (
    AlarmFacts,
    CylinderMoved,
    FillIdentified,
    FillStarted,
    GroupChanged,
    Projected,
    StageBegan,
    StageEnded,
    VerdictGiven,
)
from fillguard.core.fitness.needle import Needle
from fillguard.core.stages import prediction_text
from fillguard.core.units import PA_PER_BAR, bar_from_pa, c_from_k

Document = dict[str, object]


def projection(p: Projected) -> Document:
    """The numbers of a moment."""
    return {
        "t": p.stamp.utc_s,
        "sample_t": p.sample_s,
        "phase": p.phase.value,
        "fill": p.fill_id,
        "gauge_bar": bar(p.gauge_pa),
        "settled_bar": bar(p.settled_gauge_pa),
        "settled_low_bar": bar(p.settled_low_gauge_pa),
        "settled_high_bar": bar(p.settled_high_gauge_pa),
        "limit_bar": bar(p.limit_gauge_pa),
        "target_bar": bar(p.target_gauge_pa),
        "reference_c": _celsius(p.reference_k),
        "rate_bar_min": _rate(p.rate_pa_s),
        "stop_at_bar": bar(p.stop_at_gauge_pa),
        "close_at_bar": bar(p.close_at_gauge_pa),
        "close_at_cap": p.close_at_cap,
        "close_at_settles_bar": bar(p.close_at_settles_gauge_pa),
        "seconds_to_stop": _finite(p.seconds_to_stop, 0),
        "bleed_to_bar": bar(p.bleed_to_gauge_pa),
        "gas_c": _celsius(p.gas_k),
        "wall_c": _celsius(p.wall_k),
        **_predicted(p),
        "reason": p.reason,
    }


def beside_needle(said: Document, needle: Needle | None) -> Document:
    """Where the panel's own needle will stand at the close-at gauge, as last compared; whole bar, or nothing."""
    if needle is None:
        return {"close_at_needle_bar": None, "needle_error_bar": None, "needle_compared": None}
    close_at = said.get("close_at_bar")
    shows = needle.shows_pa(close_at * PA_PER_BAR) if isinstance(close_at, int | float) else None
    return {
        "close_at_needle_bar": None if shows is None else _finite(bar_from_pa(shows), 0),
        "needle_error_bar": _finite(bar_from_pa(needle.error_pa), 1),
        "needle_compared": needle.dated,
    }


def _predicted(p: Projected) -> Document:
    """What should be in it, per cent; only a fill in stages has it."""
    if p.stage is None:
        return {}
    seen = p.predicted
    return {
        "stage": p.stage,
        "stages": p.stages,
        "o2_percent": None if seen is None else _percent(seen.o2.best),
        "o2_low_percent": None if seen is None else _percent(seen.o2.low),
        "o2_high_percent": None if seen is None else _percent(seen.o2.high),
        "he_percent": None if seen is None else _percent(seen.he.best),
        "prediction": None if seen is None else prediction_text(seen),
    }


def said_of(
    fact: FillStarted | FillIdentified | VerdictGiven | GroupChanged | StageBegan | StageEnded | CylinderMoved,
) -> Document:
    """What changes in the state with one fact."""
    match fact:
        case FillStarted() | FillIdentified():
            return _filled(fact)
        case GroupChanged():
            return {
                "gauge": fact.gauge if fact.companions else None,
                "shared_with": [companion.whip for companion in fact.companions],
                "limit_bar": bar(fact.limit_gauge_pa),
            }
        case StageBegan():
            return _stage(fact)
        case StageEnded():
            return {"stage_text": fact.text}
        case CylinderMoved():
            return {"serial": fact.serial, "operator": fact.operator, "stage_text": fact.text}
        case VerdictGiven():
            return _verdict(fact)


def _stage(fact: StageBegan) -> Document:
    return {
        "fill": fact.fill_id,
        "stage": fact.number,
        "stage_gas": str(fact.stage.gas),
        "stage_text": fact.assumed,
        "target_bar": bar(fact.stage.target_gauge_pa),
        "limit_bar": bar(fact.limit_gauge_pa),
        "reference_c": _celsius(fact.reference_k),
    }


def _verdict(fact: VerdictGiven) -> Document:
    verdict = fact.verdict
    if verdict is None:
        return {**NO_VERDICT, "override_refused": fact.refused}
    return {
        "verdict": verdict.level.value,
        "verdict_text": verdict.text,
        "verdict_reasons": [
            {"code": r.code, "level": r.level.value, "text": r.text, "overridable": r.overridable}
            for r in verdict.reasons
        ],
        "profile": verdict.profile,
        "overridden_by": verdict.overridden_by,
        "override_refused": fact.refused,
    }


def _filled(fact: FillStarted | FillIdentified) -> Document:
    return {
        "fill": fact.fill_id,
        "serial": fact.serial,
        "operator": fact.operator,
        "limit_bar": bar(fact.limit_gauge_pa),
        "target_bar": bar(fact.target_gauge_pa),
        "reference_c": _celsius(fact.reference_k),
        "outcome": None,
    }


def figures(facts: AlarmFacts) -> Document:
    """The numbers beside an alarm."""
    return {
        "gauge_bar": bar(facts.gauge_pa),
        "settled_bar": bar(facts.settled_gauge_pa),
        "settled_low_bar": bar(facts.settled_low_gauge_pa),
        "settled_high_bar": bar(facts.settled_high_gauge_pa),
        "limit_bar": bar(facts.limit_gauge_pa),
        "reference_c": _celsius(facts.reference_k),
        "ceiling_bar": bar(facts.ceiling_gauge_pa),
        "rate_bar_min": _rate(facts.rate_pa_s),
        "rate_limit_bar_min": _rate(facts.rate_limit_pa_s),
        "gas_c": _celsius(facts.gas_k),
        "wall_c": _celsius(facts.wall_k),
        "bleed_to_bar": bar(facts.bleed_to_gauge_pa),
        "close_at_bar": bar(facts.close_at_gauge_pa),
        "silent_s": _finite(facts.silent_s, 0),
    }


NO_VERDICT: Document = {
    **dict.fromkeys(("verdict", "verdict_text", "profile", "overridden_by", "override_refused")),
    "verdict_reasons": [],
}
NOTHING_KNOWN: Document = {
    **NO_VERDICT,
    **dict.fromkeys(("t", "sample_t", "phase", "serial", "operator", "gauge_bar", "prompt", "lamp", "outcome")),
    "alarms": [],
    "gauge": None,
    "shared_with": [],
}
NO_FILL: Document = dict.fromkeys(
    (
        "fill", "settled_bar", "settled_low_bar", "settled_high_bar", "limit_bar", "target_bar", "reference_c",
        "rate_bar_min", "stop_at_bar", "close_at_bar", "close_at_cap", "close_at_settles_bar", "seconds_to_stop",
        "bleed_to_bar", "gas_c", "wall_c", "reason", "stage", "stages", "stage_gas", "stage_text", "o2_percent",
        "o2_low_percent", "o2_high_percent", "he_percent", "prediction",
    )
)  # fmt: skip


def bar(gauge_pa: float | None) -> float | None:
    """To a hundredth."""
    return None if gauge_pa is None else _finite(bar_from_pa(gauge_pa), 2)


def _rate(pa_s: float | None) -> float | None:
    return None if pa_s is None else _finite(bar_from_pa(pa_s) * 60.0, 2)


def _percent(fraction: float) -> float | None:
    return _finite(fraction * 100.0, 2)


def _celsius(kelvin: float | None) -> float | None:
    return None if kelvin is None else _finite(c_from_k(kelvin), 2)


def _finite(value: float | None, digits: int) -> float | None:
    return round(value, digits) if value is not None and math.isfinite(value) else None
