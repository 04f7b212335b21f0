"""A cylinder between two stages goes over to the whip of its next stage, and its fill with it."""

from dataclasses import replace

from fillguard.core.events import CylinderMoved, OutEvent, Phase
from fillguard.core.lifecycle import Sign
from fillguard.core.rules import Rules
from fillguard.core.stationstate import StationState, Step, done, watch_of
from fillguard.core.values import Stamp
from fillguard.core.watch import Watch
from fillguard.core.whip import WhipState


def moved(state: StationState, rules: Rules, now: Stamp) -> Step:
    """The station once each waiting cylinder is where its next stage is filled, as soon as nothing else hangs there."""
    told: tuple[OutEvent, ...] = ()
    for name, whip in state.whips.items():
        there = _next_whip(whip)
        if there is not None and there != name and whip.attached is not None and _is_free(state, there):
            leaves = watch_of(state, name, rules, now)
            leaves.state = replace(leaves.state, attached=None, blend=None, between=None)
            if leaves.state.phase is Phase.ATTACHED:
                leaves.take(Sign.DETACHED)
            state, out = done(state, leaves)
            arrives = watch_of(state, there, rules, now)
            attached = replace(whip.attached, whip=there)
            arrives.state = replace(
                arrives.state, attached=attached, attach_used=False, blend=whip.blend, between=whip.between
            )
            arrives.take(Sign.ATTACHED)
            arrives.out.append(_told(arrives, name))
            state, more = done(state, arrives)
            told += (*out, *more)
    return state, told


def _next_whip(whip: WhipState) -> str | None:
    """Where the cylinder that waits here is filled next; None where none waits."""
    return whip.blend.stage.whip if whip.between is not None and whip.blend is not None else None


def _is_free(state: StationState, name: str) -> bool:
    whip = state.whips.get(name)
    return whip is None or (whip.phase is Phase.IDLE and whip.attached is None)


def _told(arrives: Watch, left: str) -> CylinderMoved:
    state = arrives.state
    if state.between is None or state.blend is None or state.attached is None:
        raise AssertionError(f"nothing waits for its next stage on whip {left}")
    stage, serial = state.blend.stage, state.attached.serial
    return CylinderMoved(
        stamp=arrives.now,
        whip=state.whip,
        left=left,
        fill_id=state.between.fill.fill_id,
        serial=serial,
        operator=state.attached.operator,
        text=f"{serial or 'The cylinder'} comes from whip {left}: stage {state.blend.index + 1} is {stage.gas}.",
    )
