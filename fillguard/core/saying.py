"""What people say of cylinders, at the station: hung on, looked at, taken off, closed, analysed, answered for."""

from dataclasses import replace

from fillguard.core.events import (
    CommandAnswered,
    CylinderAttached,
    CylinderChecked,
    CylinderDetached,
    FillAnalysed,
    FillReleased,
    OutEvent,
    Phase,
    PresenceChanged,
    StageCalled,
    VerdictGiven,
    VerdictOverridden,
    WhipClosed,
)
from fillguard.core.rules import Rules
from fillguard.core.stationstate import StationState, Step, done, watch_of
from fillguard.core.together import on_shared_presence
from fillguard.core.values import Visits
from fillguard.core.visiting import visits_of

_FLOWS = frozenset({Phase.FILLING, Phase.PAUSED})


def on_call(state: StationState, event: StageCalled | WhipClosed, rules: Rules) -> Step:
    """What a person says of a fill that goes on."""
    watch = watch_of(state, event.whip, rules, event.stamp)
    if isinstance(event, StageCalled):
        watch.on_stage_called(event)
    else:
        watch.on_closed(event)
    return done(state, watch)


def on_word(
    state: StationState,
    event: CylinderAttached | CylinderDetached | CylinderChecked | PresenceChanged | VerdictOverridden,
    rules: Rules,
) -> Step:
    """What a person, or a gateway, says of a whip and what hangs on it."""
    before: tuple[OutEvent, ...] = ()
    shared = rules.gauge_of(event.whip)
    if shared is not None and isinstance(event, PresenceChanged):
        return on_shared_presence(state, event, shared[1], rules)
    if isinstance(event, CylinderAttached):
        goes_on = _next_stage(state, event)
        if goes_on is not None:
            return goes_on, ()
        state, before, event = _taken_off(state, event, rules)
        if event.visits == Visits():
            event = replace(event, visits=visits_of(state.visited, event.serial))
    state, facts, refused = _said(state, event, rules)
    if isinstance(event, VerdictOverridden | CylinderChecked):
        facts += (_word_answered(event, refused),)
    return state, (*before, *facts)


def _said(
    state: StationState,
    event: CylinderAttached | CylinderDetached | CylinderChecked | PresenceChanged | VerdictOverridden,
    rules: Rules,
) -> tuple[StationState, tuple[OutEvent, ...], str | None]:
    """The third part says in words why it was refused, where it can be."""
    watch = watch_of(state, event.whip, rules, event.stamp)
    refused: str | None = None
    match event:
        case CylinderAttached():
            watch.note_valve(event)
            watch.on_attached(event)
        case CylinderDetached():
            watch.note_valve(event)
            watch.on_detached()
        case CylinderChecked():
            refused = watch.on_checked(event)
        case VerdictOverridden():
            watch.on_overridden(event)
        case PresenceChanged():
            watch.on_presence(online=event.online)
    state, facts = done(state, watch)
    if isinstance(event, VerdictOverridden):
        refused = next((fact.refused for fact in facts if isinstance(fact, VerdictGiven)), None)
    return state, facts, refused


def deed_answered(event: FillAnalysed | FillReleased) -> CommandAnswered:
    """What became of an analysis or a release: the record has judged it already."""
    return CommandAnswered(
        stamp=event.stamp,
        command_id=event.command_id,
        verb="analysed" if isinstance(event, FillAnalysed) else "released",
        operator=event.analysis.by if isinstance(event, FillAnalysed) else event.by,
        whip=None,
        alarm=None,
        occurrence=None,
        refused=event.refused,
    )


def _word_answered(event: VerdictOverridden | CylinderChecked, refused: str | None) -> CommandAnswered:
    return CommandAnswered(
        stamp=event.stamp,
        command_id=event.command_id,
        verb="override" if isinstance(event, VerdictOverridden) else "checked",
        operator=event.operator,
        whip=event.whip,
        alarm=None,
        occurrence=None,
        refused=refused,
    )


def _taken_off(
    state: StationState, event: CylinderAttached, rules: Rules
) -> tuple[StationState, tuple[OutEvent, ...], CylinderAttached]:
    """A cylinder hangs on one whip only: whoever attaches it elsewhere took it off here, but for one that fills.

    What is in it goes with it, unless somebody said better.
    """
    told: tuple[OutEvent, ...] = ()
    for name, whip in state.whips.items():
        if name == event.whip or whip.phase in _FLOWS or not _same_serial(whip.attached, event):
            continue
        if whip.context is not None and not event.residual_told:
            event = replace(event, residual_gas=whip.context.mix)
        watch = watch_of(state, name, rules, event.stamp)
        watch.on_detached()
        state, out = done(state, watch)
        told += out
    return state, told, event


def _next_stage(state: StationState, event: CylinderAttached) -> StationState | None:
    """The station when a cylinder that waits for its next stage is attached just where that is filled; else None.

    It goes over there by itself once the stage before has reached its target; here a person says that it does.
    """
    for name, whip in state.whips.items():
        blend = whip.blend
        if whip.between is None or blend is None or event.stages or not _same_serial(whip.attached, event):
            continue
        following = blend.following
        if name != event.whip and following is not None and following.whip == event.whip:
            gone_on = replace(whip, blend=replace(blend, index=blend.index + 1))
            return replace(state, whips={**state.whips, name: gone_on})
    return None


def _same_serial(one: CylinderAttached | None, other: CylinderAttached) -> bool:
    if one is None or one.serial is None or other.serial is None:
        return False
    return one.serial.strip().upper() == other.serial.strip().upper()
