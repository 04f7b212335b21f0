"""A whip's way through a fill: the one table of phases, and the signs that drive it."""

from collections.abc import Mapping
from enum import StrEnum

from fillguard.core.errors import IllegalTransitionError
from fillguard.core.events import Phase


class Sign(StrEnum):
    """What can move a whip from one phase to another."""

    ATTACHED = "attached"
    REPLACED = "another cylinder attached"
    DETACHED = "detached"
    STANDS = "the pressure stands"
    FLOWS = "gas flows in"
    HESITATES = "no inflow for a while"
    STOPPED = "no inflow for two minutes"
    STILL_CONNECTED = "closed, and the gauge still sees the cylinder"
    COOLED = "the pressure has settled"
    FALLS = "the pressure falls steadily"
    BLED = "the whip is bled"
    TIMED_OUT = "nothing more for a quarter of an hour"
    BETWEEN_STAGES = "bled, with another stage to come"
    ENDED = "the fill is over"
    GONE = "not watched for too long"


TRANSITIONS: Mapping[tuple[Phase, Sign], Phase] = {
    (Phase.IDLE, Sign.ATTACHED): Phase.ATTACHED,
    (Phase.IDLE, Sign.STANDS): Phase.CONNECTED,
    (Phase.IDLE, Sign.FLOWS): Phase.FILLING,
    (Phase.ATTACHED, Sign.STANDS): Phase.CONNECTED,
    (Phase.ATTACHED, Sign.FLOWS): Phase.FILLING,
    (Phase.ATTACHED, Sign.REPLACED): Phase.ATTACHED,
    (Phase.ATTACHED, Sign.DETACHED): Phase.IDLE,
    (Phase.ATTACHED, Sign.TIMED_OUT): Phase.IDLE,
    (Phase.CONNECTED, Sign.FLOWS): Phase.FILLING,
    (Phase.CONNECTED, Sign.FALLS): Phase.DRAINING,
    (Phase.CONNECTED, Sign.BLED): Phase.IDLE,
    (Phase.CONNECTED, Sign.DETACHED): Phase.IDLE,
    (Phase.CONNECTED, Sign.GONE): Phase.IDLE,
    (Phase.DRAINING, Sign.STANDS): Phase.CONNECTED,
    (Phase.DRAINING, Sign.FLOWS): Phase.FILLING,
    (Phase.DRAINING, Sign.BLED): Phase.ENDED,
    (Phase.DRAINING, Sign.DETACHED): Phase.ENDED,
    (Phase.FILLING, Sign.HESITATES): Phase.PAUSED,
    (Phase.FILLING, Sign.BLED): Phase.ENDED,
    (Phase.FILLING, Sign.DETACHED): Phase.ENDED,
    (Phase.PAUSED, Sign.FLOWS): Phase.FILLING,
    (Phase.PAUSED, Sign.STOPPED): Phase.CLOSED,
    (Phase.PAUSED, Sign.BLED): Phase.ENDED,
    (Phase.PAUSED, Sign.DETACHED): Phase.ENDED,
    (Phase.CLOSED, Sign.FLOWS): Phase.FILLING,
    (Phase.CLOSED, Sign.STILL_CONNECTED): Phase.SETTLING,
    (Phase.SETTLING, Sign.FLOWS): Phase.FILLING,
    (Phase.SETTLING, Sign.COOLED): Phase.SETTLED,
    (Phase.SETTLED, Sign.FLOWS): Phase.FILLING,
    **{
        (phase, sign): Phase.ENDED
        for phase in (Phase.CLOSED, Phase.SETTLING, Phase.SETTLED)
        for sign in (Sign.BLED, Sign.DETACHED, Sign.REPLACED, Sign.TIMED_OUT)
    },
    **{
        (phase, Sign.BETWEEN_STAGES): Phase.ATTACHED
        for phase in (Phase.FILLING, Phase.PAUSED, Phase.CLOSED, Phase.SETTLING, Phase.SETTLED)
    },
    **{
        (phase, Sign.GONE): Phase.INTERRUPTED
        for phase in (Phase.FILLING, Phase.PAUSED, Phase.CLOSED, Phase.SETTLING, Phase.SETTLED, Phase.DRAINING)
    },
    (Phase.ENDED, Sign.ENDED): Phase.IDLE,
    (Phase.INTERRUPTED, Sign.ENDED): Phase.IDLE,
}

FILL_OPEN = frozenset({Phase.FILLING, Phase.PAUSED, Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})
"""Phases in which a fill is open: it has started and has not ended."""
AFTER_CLOSE = frozenset({Phase.CLOSED, Phase.SETTLING, Phase.SETTLED})
WAITING = frozenset({Phase.IDLE, Phase.ATTACHED, Phase.CONNECTED, Phase.DRAINING})
"""Phases in which a fill may yet start."""


def next_phase(phase: Phase, sign: Sign) -> Phase:
    """The phase after `sign`.

    Raises:
        IllegalTransitionError: The table holds no such change; nothing has changed.
    """
    try:
        return TRANSITIONS[phase, sign]
    except KeyError:
        raise IllegalTransitionError(f"a whip that is {phase} cannot take: {sign.value}") from None
