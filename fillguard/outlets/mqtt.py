"""State, lamps and alarms at the broker, for boards, lamps, sounders and whatever else listens there.

Pressures in bar gauge, temperatures in degrees C, rates in bar a minute, whatever the needles of the shop show: the
unit stands in each key. A number that is not known is null.
"""

import json
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import assert_never

from fillguard.core.conditions import OF_THE_WHIP
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    CommandAnswered,
    CylinderAttached,
    CylinderDetached,
    CylinderMoved,
    FillEnded,
    FillIdentified,
    FillStarted,
    FindingMade,
    FlowStopped,
    GroupChanged,
    InEvent,
    LampChanged,
    LearnedChanged,
    OutEvent,
    Phase,
    PhaseChanged,
    Projected,
    PromptChanged,
    Quality,
    Quantity,
    Reading,
    ReadingDoubted,
    ReadingRejected,
    SettledJudged,
    StageBegan,
    StageEnded,
    ValveNoted,
    VerdictGiven,
    ZeroChecked,
)
from fillguard.core.fitness.needle import Needle
from fillguard.core.values import Stamp
from fillguard.outlets.answers import answer, not_understood
from fillguard.outlets.documents import (
    NO_FILL,
    NO_VERDICT,
    NOTHING_KNOWN,
    Document,
    bar,
    beside_needle,
    figures,
    projection,
    said_of,
)
from fillguard.outlets.findings import found
from fillguard.outlets.status import StationStatus
from fillguard.ports import Publication

LEAST_GAP_S = 0.25
"""Real seconds between two states of one whip that differ in numbers only."""
_FRESH = frozenset({Phase.IDLE, Phase.ATTACHED, Phase.CONNECTED})
"""Phases in which the numbers of an earlier fill would mislead."""

Say = Callable[[AlarmChanged], str]


def same_alarm(change: AlarmChanged) -> str:
    """What stays the same while one occurrence of an alarm takes over from the last.

    An alarm about a cylinder stays with its fill: what the last cylinder left standing is another one.
    """
    if change.whip is None or change.alarm in OF_THE_WHIP:
        return f"{change.whip}/{change.alarm}"
    return change.occurrence.rpartition("/")[0]


@dataclass(slots=True)
class _Whip:
    """What one whip's topic says, and when it last said it."""

    said: Document
    alarms: dict[str, Document] = field(default_factory=dict)
    """By `same_alarm`."""
    lamp: str | None = None
    shown: Projected | None = None
    read: Reading | None = None
    """Later than `shown`. Neither is in `said` yet: most are overtaken before anything is sent."""
    changed: bool = False
    urgent: bool = False
    sent_mono_s: float = -math.inf


class MqttOutlet:
    """Tells the broker of each step. `publish` must only queue; it is called with this outlet's lock held.

    Args:
        publish: takes what is to be sent.
        station: id in the topics.
        status: our birth.
        text: one paragraph on an alarm's change, for people.
        action: what they are to do.
        real_seconds: how long seconds of the stamps' clock take in real time.
        recorded: None while nothing is known of an alarm's record yet; False while the ledger fails.
        needle: what was compared of a whip's own needle; None where nobody compared it.
    """

    def __init__(
        self,
        publish: Callable[[Publication], None],
        *,
        station: str,
        status: StationStatus,
        text: Say,
        action: Say,
        real_seconds: Callable[[float], float],
        recorded: Callable[[], bool | None] = lambda: None,
        needle: Callable[[str], Needle | None] = lambda _: None,
    ) -> None:
        self._publish = publish
        self._station = station
        self._status = status
        self._text, self._action = text, action
        self._real_seconds = real_seconds
        self._recorded = recorded
        self._needle = needle
        self._whips: dict[str, _Whip] = {}
        self._lock = threading.Lock()

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Publish alarms and lamps at once, states as often as is useful."""
        with self._lock:
            self._note_cause(cause)
            for fact in facts:
                self._note(fact)
            self._send_states(cause.stamp)

    def remember(self, change: AlarmChanged) -> None:
        """Show in the state what an earlier run told already."""
        with self._lock:
            self._note_alarm(change)

    def greet(self) -> None:
        """Publish everything that is state anew: a new connection may be to a broker that forgot it."""
        with self._lock:
            self._publish(self._status.birth())
            for name, whip in self._whips.items():
                if whip.lamp is not None:
                    self._publish_lamp(name, whip.lamp)
                self._publish_state(name, whip)

    def _whip(self, name: str) -> _Whip:
        whip = self._whips.get(name)
        if whip is None:
            whip = self._whips[name] = _Whip(said={"v": 1, "whip": name, **NOTHING_KNOWN, **NO_FILL})
        return whip

    def _change(self, name: str, stamp: Stamp, changes: Document) -> None:
        whip = self._whip(name)
        _take_in(whip)
        whip.said |= {"t": stamp.utc_s, **changes}
        whip.changed = whip.urgent = True

    def _note_cause(self, cause: InEvent) -> None:
        match cause:
            case Reading(quantity=Quantity.PRESSURE, quality=Quality.GOOD, whip=str(whip)):
                # Between fills nothing is projected, and the gauge still moves.
                self._whip(whip).read = cause
                self._whip(whip).changed = True
            case CylinderAttached():
                said: Document = {**NO_VERDICT, "serial": cause.serial, "operator": cause.operator}
                self._change(cause.whip, cause.stamp, said)
            case ReadingRejected() if cause.topic == f"fillguard/{self._station}/command":
                self._publish(not_understood(cause, self._station, drill=self._status.drill))
            case CylinderDetached():
                said = {**NO_VERDICT, "serial": None, "operator": None}
                self._change(cause.whip, cause.stamp, said)
            case _:
                pass

    def _note(self, fact: OutEvent) -> None:
        match fact:
            case AlarmChanged():
                self._publish(self._alarm(fact))
                self._note_alarm(fact)
            case CommandAnswered() | FindingMade():
                self._publish(self._once(fact))
            case LampChanged():
                self._publish_lamp(fact.whip, fact.lamp.value)
                self._whip(fact.whip).lamp = fact.lamp.value
                self._change(fact.whip, fact.stamp, {"lamp": fact.lamp.value})
            case Projected():
                whip = self._whip(fact.whip)
                whip.shown, whip.read, whip.changed = fact, None, True
            case PromptChanged():
                prompt = fact.prompt.value if fact.prompt else None
                self._change(fact.whip, fact.stamp, {"prompt": prompt})
            case PhaseChanged():
                fresh = NO_FILL if fact.new in _FRESH else {}
                changes: Document = {**fresh, "phase": fact.new.value, "fill": fact.fill_id}
                self._change(fact.whip, fact.stamp, changes)
            case (
                FillStarted()
                | FillIdentified()
                | VerdictGiven()
                | GroupChanged()
                | StageBegan()
                | StageEnded()
                | CylinderMoved()
            ):
                self._change(fact.whip, fact.stamp, said_of(fact))
            case FillEnded():
                outcome: Document = {"outcome": fact.summary.outcome.value}
                self._change(fact.summary.whip, fact.stamp, outcome)
            case FlowStopped() | ReadingDoubted() | SettledJudged() | LearnedChanged() | ValveNoted() | ZeroChecked():
                pass
            case _:
                assert_never(fact)

    def _once(self, fact: CommandAnswered | FindingMade) -> Publication:
        """What is said once and is no state."""
        drill = self._status.drill
        if isinstance(fact, CommandAnswered):
            return answer(fact, self._station, drill=drill)
        return found(fact, self._station, drill=drill)

    def _note_alarm(self, change: AlarmChanged) -> None:
        if change.whip is None:
            return
        alarms = self._whip(change.whip).alarms
        if change.new is AlarmState.NORMAL:
            alarms.pop(same_alarm(change), None)
        else:
            alarms[same_alarm(change)] = {
                "alarm": change.alarm,
                "state": change.new.value,
                "priority": change.priority,
                "occurrence": change.occurrence,
            }
        self._change(change.whip, change.stamp, {"alarms": list(alarms.values())})

    def _send_states(self, now: Stamp) -> None:
        for name, whip in self._whips.items():
            if not whip.changed:
                continue
            if whip.urgent or self._real_seconds(now.mono_s - whip.sent_mono_s) >= LEAST_GAP_S:
                self._publish_state(name, whip)
                whip.changed = whip.urgent = False
                whip.sent_mono_s = now.mono_s

    def _publish_state(self, name: str, whip: _Whip) -> None:
        _take_in(whip)
        said = whip.said | beside_needle(whip.said, self._needle(name)) | {"drill": self._status.drill}
        self._publish(Publication(topic=f"fillguard/{self._station}/{name}/fill", payload=_json(said), retain=True))

    def _publish_lamp(self, name: str, lamp: str) -> None:
        topic = f"fillguard/{self._station}/{name}/lamp"
        self._publish(Publication(topic=topic, payload=lamp.encode(), retain=True))

    def _alarm(self, change: AlarmChanged) -> Publication:
        said: Document = {
            "v": 1,
            "t": change.stamp.utc_s,
            "alarm": change.alarm,
            "priority": change.priority,
            "old_state": change.old.value,
            "state": change.new.value,
            "occurrence": change.occurrence,
            "whip": change.whip,
            "fill": change.fill_id,
            "serial": change.serial,
            "operator": change.operator,
            "cause": change.cause,
            "text": self._text(change),
            "action": self._action(change),
            "first_out": change.first_out,
            "raised_t": change.raised_utc_s,
            "by": change.by,
            "reason": change.reason,
            "recorded": self._recorded(),
            "drill": self._status.drill,
            **figures(change.facts),
        }
        return Publication(topic=f"fillguard/{self._station}/alarm", payload=_json(said), qos=1)


def _take_in(whip: _Whip) -> None:
    """Bring what the whip says up to the newest numbers."""
    if whip.shown is not None:
        whip.said |= projection(whip.shown)
    if whip.read is not None:
        gauge = bar(whip.read.value)
        whip.said |= {"t": whip.read.stamp.utc_s, "gauge_bar": gauge, "sample_t": whip.read.sample_s}
    whip.shown = whip.read = None


def _json(said: Document) -> bytes:
    return json.dumps(said, ensure_ascii=False, allow_nan=False).encode()
