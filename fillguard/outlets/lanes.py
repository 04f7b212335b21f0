"""The lanes of a station as lines of text: one a whip, for a terminal."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from threading import Lock

from fillguard.core.diagnosis import SILENT
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    FillEnded,
    FillStarted,
    FindingMade,
    InEvent,
    OutEvent,
    Phase,
    PhaseChanged,
    Projected,
    Prompt,
    PromptChanged,
    Quality,
    Quantity,
    Reading,
)
from fillguard.core.figures import UnitChoice, bare_pressure, pressure, rate, stamped
from fillguard.core.stages import prediction_text
from fillguard.core.units import PA_PER_BAR
from fillguard.core.view import HOSE_ONLY
from fillguard.core.words import alarm_phrase, bleed_text, finding_phrase, prompt_text
from fillguard.outlets.mqtt import same_alarm

_SHOWN_AS: Mapping[AlarmState, str] = {
    AlarmState.UNACKNOWLEDGED: "",
    AlarmState.ACKNOWLEDGED: " (acknowledged)",
    AlarmState.LATCHED_UNACKNOWLEDGED: " (ended, not acknowledged)",
    AlarmState.LATCHED_ACKNOWLEDGED: " (ended, not reset)",
    AlarmState.SHELVED: " (shelved)",
    AlarmState.OUT_OF_SERVICE: " (out of service)",
}
"""Alarms that a lane shows, and what it adds to their words."""
_CALLING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})
_AT_REST = frozenset({Phase.IDLE, Phase.ATTACHED})
_TIME_BELIEVED_AFTER_S = 45.0
"""A fill must have run this long before its time to close is shown: before, its flow is hardly known."""
_FELL_TO_SHARE = 0.7
"""A gauge that fell this far since only the hose was at pressure: the cylinder valve is open now."""
_WHY: Mapping[str, str] = {"stale": "no data", "no-start": "start not seen"}
_BLEEDS_PA_S = -10.0 * PA_PER_BAR / 60.0
"""Slower than this a closed cylinder only cools."""


@dataclass(slots=True)
class _Lane:
    phase: Phase = Phase.IDLE
    gauge_pa: float | None = None
    started_s: float | None = None
    shown: Projected | None = None
    prompt: Prompt | None = None
    alarms: dict[str, AlarmChanged] = field(default_factory=dict)
    """By `same_alarm`."""
    found: dict[str, float] = field(default_factory=dict)
    """Findings, and what the gauge read then."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneText:
    """One whip in words; empty where there is nothing to say."""

    whip: str
    phase: str
    gauge: str
    settled: str
    limit: str
    rate: str
    do: str
    stage: str
    """Of a fill in stages: which one, what should be in it."""
    found: str
    """What the curve hints at."""
    alarms: Sequence[str]
    worst: int | None
    """Gravest priority among the alarms that call for somebody."""

    @property
    def line(self) -> str:
        """The lane as one line without cursor codes."""
        parts = (
            f"whip {self.whip}",
            self.phase,
            self.gauge and f"gauge {self.gauge}",
            self.settled and f"settles {self.settled}",
            self.limit and f"limit {self.limit}",
            self.rate,
            self.do,
            self.stage,
            self.found,
            "! " + ", ".join(self.alarms) if self.alarms else "",
        )
        return " | ".join(part for part in parts if part)


class Lanes:
    """An outlet that remembers just what the lanes show. Told by the engine, read by whoever draws."""

    def __init__(self, units: UnitChoice) -> None:
        """`units` are those of the shop's needles."""
        self._units = units
        self._lanes: dict[str, _Lane] = {}
        self._lock = Lock()

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Take note of what just happened."""
        with self._lock:
            if isinstance(cause, Reading) and cause.quantity is Quantity.PRESSURE and cause.quality is Quality.GOOD:
                self._read(cause)
            for fact in facts:
                self._note(fact)

    def texts(self) -> list[LaneText]:
        """The lanes in order of their whips."""
        with self._lock:
            return [_text(whip, lane, self._units) for whip, lane in sorted(self._lanes.items())]

    def _lane(self, whip: str) -> _Lane:
        return self._lanes.setdefault(whip, _Lane())

    def _read(self, reading: Reading) -> None:
        if reading.whip is None:
            return
        lane = self._lane(reading.whip)
        lane.gauge_pa = reading.value
        lane.found.pop(SILENT, None)
        if reading.value < _FELL_TO_SHARE * lane.found.get(HOSE_ONLY, 0.0):
            lane.found.pop(HOSE_ONLY, None)

    def _note(self, fact: OutEvent) -> None:
        match fact:
            case PhaseChanged():
                lane = self._lane(fact.whip)
                lane.phase = fact.new
                if fact.new in _AT_REST:
                    lane.found.clear()
            case FillStarted():
                self._lane(fact.whip).started_s = fact.started_s
            case Projected():
                lane = self._lane(fact.whip)
                lane.shown = fact
                if fact.settled_gauge_pa is not None:
                    lane.found.pop(HOSE_ONLY, None)  # the gauge speaks for the cylinder again
            case PromptChanged():
                self._lane(fact.whip).prompt = fact.prompt
            case FindingMade(whip=str(whip)):
                lane = self._lane(whip)
                lane.found[fact.finding] = lane.gauge_pa or 0.0
            case FillEnded():
                self._lane(fact.summary.whip).shown = None
            case AlarmChanged(whip=str(whip)):
                self._lane(whip).alarms[same_alarm(fact)] = fact


def _text(whip: str, lane: _Lane, units: UnitChoice) -> LaneText:
    seen = lane.shown
    shown = [alarm for alarm in lane.alarms.values() if alarm.new in _SHOWN_AS]
    alarms = sorted(shown, key=lambda alarm: (alarm.priority, alarm.alarm))
    return LaneText(
        whip=whip,
        phase=lane.phase.value,
        gauge="" if lane.gauge_pa is None else pressure(lane.gauge_pa, units),
        settled=_settled(seen, units),
        limit="" if seen is None else stamped(seen.limit_gauge_pa, units),
        rate=_rate(lane, units),
        do=_do(lane, units),
        stage=_stage(seen),
        found=", ".join(map(finding_phrase, lane.found)),
        alarms=[alarm_phrase(alarm.alarm) + _SHOWN_AS[alarm.new] for alarm in alarms],
        worst=min((alarm.priority for alarm in alarms if alarm.new in _CALLING), default=None),
    )


def _settled(seen: Projected | None, units: UnitChoice) -> str:
    if seen is None:
        return ""
    if seen.settled_gauge_pa is None or seen.settled_low_gauge_pa is None or seen.settled_high_gauge_pa is None:
        reason = seen.reason or "no projection"
        return f"unknown ({_WHY.get(reason) or finding_phrase(reason)})"
    low, high = bare_pressure(seen.settled_low_gauge_pa, units), bare_pressure(seen.settled_high_gauge_pa, units)
    return f"{pressure(seen.settled_gauge_pa, units)} ({low} to {high})"


def _stage(seen: Projected | None) -> str:
    if seen is None or seen.stage is None:
        return ""
    which = f"stage {seen.stage} of {seen.stages}"
    return which if seen.predicted is None else f"{which}, {prediction_text(seen.predicted)}"


def _rate(lane: _Lane, units: UnitChoice) -> str:
    """How fast it fills, or how fast it is bled where it must be; between fills the slope is only cooling and noise."""
    seen = lane.shown
    if seen is None or seen.rate_pa_s is None:
        return ""
    if lane.phase is Phase.FILLING:
        return rate(max(seen.rate_pa_s, 0.0), units)
    bleeds = seen.bleed_to_gauge_pa is not None and seen.rate_pa_s < _BLEEDS_PA_S
    return f"bleeding {rate(-seen.rate_pa_s, units)}" if bleeds else ""


def _do(lane: _Lane, units: UnitChoice) -> str:
    seen = lane.shown
    if seen is not None and seen.bleed_to_gauge_pa is not None:
        return bleed_text(seen, units)
    if lane.phase is not Phase.FILLING and lane.prompt is None:
        return ""
    if seen is not None and seen.sample_s - (lane.started_s or 0.0) < _TIME_BELIEVED_AFTER_S:
        seen = replace(seen, seconds_to_stop=None)
    return prompt_text(lane.prompt, seen, units)
