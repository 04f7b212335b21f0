"""The lanes of a station as lines of text: one a whip, for a terminal."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock

from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    FillEnded,
    InEvent,
    OutEvent,
    Phase,
    PhaseChanged,
    Projected,
    Prompt,
    PromptChanged,
    Quantity,
    Reading,
)
from fillguard.core.figures import UnitChoice, bare_pressure, pressure, pressure_not_above, rate, stamped
from fillguard.core.words import alarm_phrase, prompt_text

_GONE = frozenset({AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})


@dataclass(slots=True)
class _Lane:
    phase: Phase = Phase.IDLE
    gauge_pa: float | None = None
    shown: Projected | None = None
    prompt: Prompt | None = None
    alarms: dict[str, int] = field(default_factory=dict)


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
    alarms: Sequence[str]
    worst: int | None
    """Gravest priority among the alarms."""

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
            if isinstance(cause, Reading) and cause.whip is not None and cause.quantity is Quantity.PRESSURE:
                self._lane(cause.whip).gauge_pa = cause.value
            for fact in facts:
                self._note(fact)

    def texts(self) -> list[LaneText]:
        """The lanes in order of their whips."""
        with self._lock:
            return [self._text(whip, lane) for whip, lane in sorted(self._lanes.items())]

    def _lane(self, whip: str) -> _Lane:
        return self._lanes.setdefault(whip, _Lane())

    def _note(self, fact: OutEvent) -> None:
        match fact:
            case PhaseChanged():
                self._lane(fact.whip).phase = fact.new
            case Projected():
                self._lane(fact.whip).shown = fact
            case PromptChanged():
                self._lane(fact.whip).prompt = fact.prompt
            case FillEnded():
                self._lane(fact.summary.whip).shown = None
            case AlarmChanged() if fact.whip is not None:
                alarms = self._lane(fact.whip).alarms
                alarms.pop(fact.alarm, None)
                if fact.new not in _GONE:
                    alarms[fact.alarm] = fact.priority

    def _text(self, whip: str, lane: _Lane) -> LaneText:
        seen, units = lane.shown, self._units
        return LaneText(
            whip=whip,
            phase=lane.phase.value,
            gauge="" if lane.gauge_pa is None else pressure(lane.gauge_pa, units),
            settled=_settled(seen, units),
            limit="" if seen is None else stamped(seen.limit_gauge_pa, units),
            rate="" if seen is None or seen.rate_pa_s is None else rate(seen.rate_pa_s, units),
            do=_do(lane, units),
            alarms=[alarm_phrase(name) for name in _by_priority(lane.alarms)],
            worst=min(lane.alarms.values(), default=None),
        )


def _settled(seen: Projected | None, units: UnitChoice) -> str:
    if seen is None:
        return ""
    if seen.settled_gauge_pa is None or seen.settled_low_gauge_pa is None or seen.settled_high_gauge_pa is None:
        return f"unknown ({(seen.reason or 'no projection').replace('-', ' ')})"
    low, high = bare_pressure(seen.settled_low_gauge_pa, units), bare_pressure(seen.settled_high_gauge_pa, units)
    return f"{pressure(seen.settled_gauge_pa, units)} ({low} to {high})"


def _do(lane: _Lane, units: UnitChoice) -> str:
    seen = lane.shown
    if seen is not None and seen.bleed_to_gauge_pa is not None:
        return f"bleed slowly to {pressure_not_above(seen.bleed_to_gauge_pa, units)}"
    if lane.phase is Phase.FILLING or lane.prompt is not None:
        return prompt_text(lane.prompt, seen, units)
    return ""


def _by_priority(alarms: Mapping[str, int]) -> list[str]:
    return sorted(alarms, key=lambda name: (alarms[name], name))
