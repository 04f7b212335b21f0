"""What the board asks of the operator in a normal fill. Prompts are no alarms: a tone and a word, never a notice."""

from fillguard.core.events import Phase, Projected, Prompt
from fillguard.core.rules import Extents
from fillguard.core.units import PA_PER_BAR

_AGAIN_AFTER_SHARE = 1.5
_SHORT_PA = 5.0 * PA_PER_BAR
_FLOWS_PA_S = 2.0 * PA_PER_BAR / 60.0


def prompt_for(phase: Phase, seen: Projected | None, before: Prompt | None, extents: Extents) -> Prompt | None:
    """The prompt after the newest projection.

    Args:
        phase: Of the whip.
        seen: Newest projection of the open fill.
        before: The prompt shown until now: it holds on a little, so that noise does not make it come and go.
        extents: How early *get ready* comes.
    """
    if seen is None or seen.settled_gauge_pa is None:
        return before if phase is Phase.FILLING else None
    if phase is Phase.FILLING:
        return _while_filling(seen, before, extents)
    capped_short = seen.close_at_cap is not None and seen.settled_gauge_pa < seen.target_gauge_pa - _SHORT_PA
    stopped = phase in {Phase.PAUSED, Phase.CLOSED, Phase.SETTLING}
    return Prompt.LET_IT_COOL if stopped and capped_short and before in _CLOSED_ON_CAP else None


_CLOSED_ON_CAP = frozenset({Prompt.CLOSE_NOW, Prompt.LET_IT_COOL})


def _while_filling(seen: Projected, before: Prompt | None, extents: Extents) -> Prompt | None:
    if seen.close_at_gauge_pa is None:
        return None
    left_pa = seen.close_at_gauge_pa - seen.gauge_pa
    if left_pa <= 0.0 or (before is Prompt.CLOSE_NOW and left_pa < 1.0 * PA_PER_BAR):
        return Prompt.CLOSE_NOW
    if seen.rate_pa_s is None or seen.rate_pa_s < _FLOWS_PA_S:
        return None
    left_s = left_pa / seen.rate_pa_s
    early_s = extents.get_ready_s * (_AGAIN_AFTER_SHARE if before is Prompt.GET_READY else 1.0)
    return Prompt.GET_READY if left_s <= early_s else None
