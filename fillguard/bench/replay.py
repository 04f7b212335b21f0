"""Replay of a capture through the same decoder and step as live: what the watch would have said.

Every line of the answer carries `"v": 1`; pressures are bar gauge, temperatures degrees C, `t` arrival in Unix seconds.
"""

import math
import re
from collections.abc import Callable, Iterable, Iterator

from fillguard.core.events import AlarmChanged, FillEnded, FillStarted, FillSummary, FindingMade, Outcome, Projected
from fillguard.core.stages import Prediction, StageDone
from fillguard.core.units import bar_from_pa, c_from_k
from fillguard.engine import Happening, Stepper
from fillguard.ports import RULES_TOPIC, Decoder, RawMessage

VERSION = 1
OURS = "$fillguard/"
_DEFAULT_TOPIC = re.compile(r"fill/([^/]+)/")
_EVERY_S = 1.0

Line = dict[str, object]


def station_in(topic: str) -> str | None:
    """The station id that a message on a default topic names; None for any other topic."""
    match = _DEFAULT_TOPIC.match(topic)
    return match.group(1) if match else None


def replayed(messages: Iterable[RawMessage], decoder: Decoder, stepper: Stepper) -> Iterator[Happening]:
    """Everything that happens when `messages` arrive at their times; the end of the file is never a silence."""
    for message in messages:
        if message.topic.startswith(OURS) and message.topic != RULES_TOPIC:
            continue
        for event in decoder.decode(message):
            yield from stepper.feed(event)


class Account:
    """Turns what happened into lines, and keeps one summary per fill for the end."""

    def __init__(self, stepper: Stepper, *, trace: bool, text: Callable[[AlarmChanged], str]) -> None:
        """Lines about the station in `stepper`; with `trace` also its projections, at most one a second per whip."""
        self._stepper = stepper
        self._trace = trace
        self._text = text
        self._traced_s: dict[str, float] = {}
        self._ended: list[FillSummary] = []

    def lines(self, happening: Happening) -> Iterator[Line]:
        """The lines that one happening gives, in order."""
        for fact in happening.facts:
            match fact:
                case Projected() if self._trace and self._due(fact):
                    yield projection_line(fact)
                case AlarmChanged() if fact.old is not fact.new:
                    yield alarm_line(fact, self._text(fact))
                case FindingMade():
                    yield finding_line(fact)
                case FillEnded():
                    self._ended.append(fact.summary)
                case FillStarted():
                    self._traced_s.pop(fact.whip, None)

    def fills(self) -> Iterator[Line]:
        """One line per fill, oldest first; those still open at the last line say so."""
        still_open = [
            whip.fill.summary(ended_s=None, outcome=Outcome.OPEN)
            for whip in self._stepper.state.whips.values()
            if whip.fill is not None
        ]
        still_open += [
            whip.between.fill.summary(ended_s=None, outcome=Outcome.OPEN)
            for whip in self._stepper.state.whips.values()
            if whip.between is not None
        ]
        for summary in sorted([*self._ended, *still_open], key=lambda fill: fill.started_s):
            for number, done in enumerate(summary.stages, start=1):
                yield stage_line(summary, number, done)
            yield fill_line(summary)

    def _due(self, seen: Projected) -> bool:
        if seen.stamp.utc_s - self._traced_s.get(seen.whip, -math.inf) < _EVERY_S:
            return False
        self._traced_s[seen.whip] = seen.stamp.utc_s
        return True


def projection_line(seen: Projected) -> Line:
    """`kind: projection`."""
    return {
        "v": VERSION,
        "kind": "projection",
        "t": _time(seen.stamp.utc_s),
        "sample_t": _time(seen.sample_s),
        "whip": seen.whip,
        "fill": seen.fill_id,
        "phase": seen.phase.value,
        "whip_bar": _bar(seen.gauge_pa),
        "settled_bar": _bar(seen.settled_gauge_pa),
        "settled_low_bar": _bar(seen.settled_low_gauge_pa),
        "settled_high_bar": _bar(seen.settled_high_gauge_pa),
        "gas_c": _celsius(seen.gas_k),
        "rate_bar_min": _bar_min(seen.rate_pa_s),
        "rate_error_bar_min": _bar_min(seen.rate_error_pa_s),
        "stop_at_bar": _bar(seen.stop_at_gauge_pa),
        "seconds_to_stop": _finite(seen.seconds_to_stop, 1),
        "close_at_bar": _bar(seen.close_at_gauge_pa),
        "close_at_cap": seen.close_at_cap,
        "bleed_to_bar": _bar(seen.bleed_to_gauge_pa),
        "cylinder_bar": _bar(seen.cylinder_gauge_pa),
        "wall_c": _celsius(seen.wall_k),
        "mass_kg": _finite(seen.mass_kg, 4),
        "developed_bar": _bar(seen.developed_gauge_pa),
        "limit_bar": _bar(seen.limit_gauge_pa),
        "reason": seen.reason,
        **({} if seen.stage is None else {"stage": seen.stage, **_predicted(seen.predicted)}),
    }


def _predicted(seen: Prediction | None) -> Line:
    """Per cent; null where nothing can be said."""
    if seen is None:
        return dict.fromkeys(("o2_percent", "o2_low_percent", "o2_high_percent", "he_percent"))
    return {
        "o2_percent": _percent(seen.o2.best),
        "o2_low_percent": _percent(seen.o2.low),
        "o2_high_percent": _percent(seen.o2.high),
        "he_percent": _percent(seen.he.best),
    }


def stage_line(fill: FillSummary, number: int, done: StageDone) -> Line:
    """`kind: stage`: what came of one stage of a partial-pressure fill."""
    settled = done.settled
    return {
        "v": VERSION,
        "kind": "stage",
        "fill": fill.fill_id,
        "number": number,
        "gas": str(done.stage.gas),
        "whip": done.stage.whip,
        "target_bar": _bar(done.stage.target_gauge_pa),
        "settled_bar": _bar(None if settled is None else settled.gauge_pa),
        "settled_low_bar": _bar(None if settled is None else settled.low_gauge_pa),
        "settled_high_bar": _bar(None if settled is None else settled.high_gauge_pa),
        "reached": done.reached,
        **_predicted(done.predicted),
    }


def alarm_line(change: AlarmChanged, text: str) -> Line:
    """`kind: alarm`."""
    return {
        "v": VERSION,
        "kind": "alarm",
        "t": _time(change.stamp.utc_s),
        "whip": change.whip,
        "fill": change.fill_id,
        "alarm": change.alarm,
        "state": change.new.value,
        "occurrence": change.occurrence,
        "priority": change.priority,
        "first_out": change.first_out,
        "cause": change.cause,
        "text": text,
    }


def finding_line(finding: FindingMade) -> Line:
    """`kind: finding`."""
    return {
        "v": VERSION,
        "kind": "finding",
        "t": _time(finding.stamp.utc_s),
        "whip": finding.whip,
        "fill": finding.fill_id,
        "finding": finding.finding,
        "confidence": round(finding.confidence, 3),
        "text": finding.text,
    }


def fill_line(fill: FillSummary) -> Line:
    """`kind: fill`."""
    return {
        "v": VERSION,
        "kind": "fill",
        "fill": fill.fill_id,
        "station": fill.station,
        "whip": fill.whip,
        "serial": fill.serial,
        "operator": fill.operator,
        "gas": str(fill.gas),
        "started": _time(fill.started_s),
        "flow_stopped": _time(fill.flow_stopped_s),
        "ended": _time(fill.ended_s),
        "outcome": fill.outcome.value,
        "start_bar": _bar(fill.start_gauge_pa),
        "start_seen": fill.plateau_seen,
        "close_bar": _bar(fill.close_gauge_pa),
        "settled_bar": _bar(fill.settled_gauge_pa),
        "settled_low_bar": _bar(fill.settled_low_gauge_pa),
        "settled_high_bar": _bar(fill.settled_high_gauge_pa),
        "final_settled_bar": _bar(fill.final_settled_gauge_pa),
        "final_settled_low_bar": _bar(fill.final_settled_low_gauge_pa),
        "final_settled_high_bar": _bar(fill.final_settled_high_gauge_pa),
        "reference_c": _celsius(fill.reference_k),
        "limit_bar": _bar(fill.limit_gauge_pa),
        "target_bar": _bar(fill.target_gauge_pa),
        "peak_rate_bar_min": _bar_min(fill.peak_rate_pa_s),
        "peak_bar": _bar(fill.peak_gauge_pa),
        "gas_c_max": _celsius(fill.gas_k_max),
        "alarms": list(fill.alarms),
        "findings": list(fill.findings),
        "readings": fill.readings,
        "doubtful_readings": fill.doubtful_readings,
        **({} if not fill.stages else _predicted(fill.predicted)),
        **({} if not fill.companions else _companions(fill)),
    }


def _companions(fill: FillSummary) -> Line:
    """What was filled from the same gauge together with it."""
    mates = [{"whip": mate.whip, "serial": mate.serial, "fill": mate.fill_id} for mate in fill.companions]
    return {"gauge": fill.gauge, "with": mates}


def _time(seconds: float | None) -> float | None:
    return _finite(seconds, 3)


def _bar(pascal: float | None) -> float | None:
    return _finite(None if pascal is None else bar_from_pa(pascal), 3)


def _bar_min(pascal_s: float | None) -> float | None:
    return _finite(None if pascal_s is None else bar_from_pa(pascal_s) * 60.0, 3)


def _percent(fraction: float) -> float | None:
    return _finite(100.0 * fraction, 2)


def _celsius(kelvin: float | None) -> float | None:
    return _finite(None if kelvin is None else c_from_k(kelvin), 2)


def _finite(value: float | None, digits: int) -> float | None:
    """`value` rounded; None instead of what JSON cannot say."""
    return round(value, digits) if value is not None and math.isfinite(value) else None
