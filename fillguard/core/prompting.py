"""What the board asks of the operator in a normal fill. Prompts are no alarms: a tone and a word, never a notice."""

from dataclasses import dataclass

from fillguard.core.events import Phase, Projected, Prompt
from fillguard.core.rules import Extents
from fillguard.core.stages import is_near
from fillguard.core.units import PA_PER_BAR

_AGAIN_AFTER_SHARE = 1.5
_SHORT_PA = 5.0 * PA_PER_BAR
_FLOWS_PA_S = 2.0 * PA_PER_BAR / 60.0
_HOLDS_S = 1.0
"""What is asked for so long only is noise."""
_BANK_NEAR_PA = 2.0 * PA_PER_BAR
"""A gauge never quite reaches the bank's pressure."""
_BEFORE_GAS = frozenset({Phase.CONNECTED, Phase.DRAINING})
_STOPPED = frozenset({Phase.PAUSED, Phase.CLOSED, Phase.SETTLING})
_CLOSED_ON_CAP = frozenset({Prompt.CLOSE_NOW, Prompt.LET_IT_COOL})


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A prompt that would be shown, once it has been called for long enough."""

    prompt: Prompt | None
    since_s: float


def prompt_for(
    phase: Phase, seen: Projected | None, before: Prompt | None, asked: Asked | None, extents: Extents
) -> tuple[Prompt | None, Asked | None]:
    """The prompt after the newest projection, and what is being asked for but not shown yet.

    Args:
        phase: Of the whip.
        seen: Newest projection of the open fill.
        before: The prompt shown until now: it holds on a little, so that noise does not make it come and go.
        asked: What was called for by the last projection without being shown.
        extents: How early *get ready* comes.
    """
    wanted = _wanted(phase, seen, before, extents)
    if wanted is before:
        return before, None
    expected = before is Prompt.GET_READY and wanted is Prompt.CLOSE_NOW
    if seen is None or expected or phase is not Phase.FILLING:
        return wanted, None
    if asked is None or asked.prompt is not wanted:
        asked = Asked(prompt=wanted, since_s=seen.sample_s)
    return (wanted, None) if seen.sample_s - asked.since_s >= _HOLDS_S else (before, asked)


def _wanted(phase: Phase, seen: Projected | None, before: Prompt | None, extents: Extents) -> Prompt | None:
    if before is Prompt.OPEN_EMPTIER_FIRST and phase in _BEFORE_GAS:
        return before
    if seen is None or seen.settled_gauge_pa is None:
        return before if phase is Phase.FILLING else None
    if phase is Phase.FILLING:
        return _while_filling(seen, before, extents)
    if phase in _STOPPED and _has_next(seen) and is_near(seen.settled_gauge_pa, seen.target_gauge_pa):
        return Prompt.NEXT_STAGE
    capped_short = seen.close_at_cap is not None and seen.settled_gauge_pa < seen.target_gauge_pa - _SHORT_PA
    return Prompt.LET_IT_COOL if phase in _STOPPED and capped_short and before in _CLOSED_ON_CAP else None


def _has_next(seen: Projected) -> bool:
    return seen.stage is not None and seen.stages is not None and seen.stage < seen.stages


def _while_filling(seen: Projected, before: Prompt | None, extents: Extents) -> Prompt | None:
    if seen.close_at_gauge_pa is None:
        return None
    left_pa = seen.close_at_gauge_pa - seen.gauge_pa
    if seen.close_at_cap == "supply":
        near_pa = _BANK_NEAR_PA * (_AGAIN_AFTER_SHARE if before is Prompt.CHANGE_BANK else 1.0)
        return Prompt.CHANGE_BANK if left_pa <= near_pa else None
    if left_pa <= 0.0 or (before is Prompt.CLOSE_NOW and left_pa < 1.0 * PA_PER_BAR):
        return Prompt.CLOSE_NOW
    if seen.rate_pa_s is None or seen.rate_pa_s < _FLOWS_PA_S:
        return None
    left_s = left_pa / seen.rate_pa_s
    early_s = extents.get_ready_s * (_AGAIN_AFTER_SHARE if before is Prompt.GET_READY else 1.0)
    return Prompt.GET_READY if left_s <= early_s else None
