"""The stages of a partial-pressure fill, as an attach message gives them. A mistake is refused with the way out."""

from collections.abc import Callable, Sequence
from itertools import pairwise

from fillguard.core.limits import rating_limit_gauge_pa
from fillguard.core.stages import Stage
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Cylinder, GasMix
from fillguard.intake.described import Attach, Gas, StageSaid, target_gauge_pa
from fillguard.intake.formats import UnusableError

MOST_STAGES = 6
"""Helium, oxygen, air and as many again: no recipe needs more."""
_FEWEST = 2
_LONGEST_NAME = 32
_WITHIN_PA = 0.5 * PA_PER_BAR
"""207 bar for 206.84 (3000 psi) is the same rating."""
ReadGas = Callable[[Gas], GasMix]
"""The mix that a message names. Raises UnusableError."""


def stages_said(sent: Attach, whip: str, read_gas: ReadGas) -> tuple[Stage, ...]:
    """The stages in order; empty for a fill of one gas. `whip`: where a stage is filled that names none."""
    if "stages" not in sent:
        return ()
    said = sent["stages"]
    for key in ("gas", "target_bar", "target_psi"):
        if key in sent:
            raise UnusableError("bad-stages", f"{key} and stages: each stage has its own; leave {key} out")
    if not _FEWEST <= len(said) <= MOST_STAGES:
        text = f"{len(said)} stages: {_FEWEST} to {MOST_STAGES}; one gas alone needs gas and target_bar, no stages"
        raise UnusableError("bad-stages", text)
    stages = tuple(_stage(number, stage, whip, read_gas) for number, stage in enumerate(said, start=1))
    _check_order(stages)
    return stages


def check_limit(stages: Sequence[Stage], cylinder: Cylinder | None) -> None:
    """Refuse a recipe that the cylinder cannot hold: filled to its limit only, the mix would be another one."""
    limit_pa = rating_limit_gauge_pa(cylinder) if cylinder is not None else None
    for number, stage in enumerate(stages, start=1):
        if limit_pa is not None and stage.target_gauge_pa > limit_pa + _WITHIN_PA:
            raise UnusableError(
                "bad-stages",
                f"stage {number} ends at {bar_from_pa(stage.target_gauge_pa):.5g} bar, the limit of this cylinder is "
                f"{bar_from_pa(limit_pa):.5g}: have the mix worked out again for it",
            )


def _stage(number: int, said: StageSaid, whip: str, read_gas: ReadGas) -> Stage:
    try:
        gas, target_pa = read_gas(said["gas"]), target_gauge_pa(said)
    except UnusableError as problem:
        raise UnusableError("bad-stages", f"stage {number}: {problem.detail}") from problem
    if target_pa is None:
        text = f"stage {number} has no target: give target_bar, where the WHOLE contents are to settle after it"
        raise UnusableError("bad-stages", text)
    where = said.get("whip", whip).strip()
    if not (0 < len(where) <= _LONGEST_NAME and where.isprintable()):
        raise UnusableError("bad-stages", f"stage {number}: whip {where!r}: give a whip id, or leave it out")
    return Stage(gas=gas, target_gauge_pa=target_pa, whip=where)


def _check_order(stages: Sequence[Stage]) -> None:
    for number, (before, after) in enumerate(pairwise(stages), start=2):
        if after.target_gauge_pa <= before.target_gauge_pa:
            raise UnusableError(
                "bad-stages",
                f"stage {number} ends at {bar_from_pa(after.target_gauge_pa):.5g} bar, the one before it at "
                f"{bar_from_pa(before.target_gauge_pa):.5g}: a target is where the WHOLE contents are to settle, not "
                "what is added",
            )
