"""What a stage of several asks of limits, estimate and words. Pressures gauge pascal, amounts mol a cubic metre."""

from dataclasses import replace

from fillguard.core.balance import recast
from fillguard.core.blend import Amount, Blend, amount_of, expected_mix
from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState
from fillguard.core.figures import BAR_AND_CELSIUS, pressure
from fillguard.core.fill import Held
from fillguard.core.hinted import Finding
from fillguard.core.identity import OTHER_CYLINDER
from fillguard.core.rules import Rules
from fillguard.core.stages import Settled, StageDone, prediction_text
from fillguard.core.steadiness import NOTHING_SEEN

_CV_J_KG_K = 750.0
"""Heat capacity of air at constant volume, near enough for how warm a cylinder stays."""


def settled_of(gauge_pa: float | None, low_pa: float | None, high_pa: float | None) -> Settled | None:
    """The three figures as one; None where any is missing."""
    if gauge_pa is None or low_pa is None or high_pa is None:
        return None
    return Settled(gauge_pa=gauge_pa, low_gauge_pa=low_pa, high_gauge_pa=high_pa)


def amount_in(context: FillContext, settled: Settled) -> Amount:
    """Contents that settle like this."""
    return amount_of(
        context.gas, settled.gauge_pa, context.cylinder.reference_k, context.ambient_abs_pa, half_pa=settled.half_pa
    )


def in_stage(held: Held, blend: Blend, rules: Rules) -> Held:
    """What the stage under way is held to: its own gas, rate and target, the cylinder's limit."""
    stage = blend.stage
    target_pa = min(stage.target_gauge_pa, held.limit_gauge_pa)
    contents = stage.gas
    if blend.contents is not None:
        end = amount_of(rules.surface_of(stage.gas), target_pa, held.cylinder.reference_k, rules.ambient_abs_pa)
        contents = expected_mix(blend.contents, stage.gas, end)
    return replace(
        held,
        gas=stage.gas,
        target_gauge_pa=target_pa,
        staged=True,
        has_next=blend.following is not None,
        contents=contents,
    )


def restaged(state: EstimatorState, context: FillContext) -> EstimatorState:
    """The estimate as the next gas begins: same pressure, same temperatures, no memory of the last gas's flow."""
    return state._replace(
        balance=recast(state.balance, context.setting, state.unknowns.mean),
        hold=None,
        checks=(),
        steadiness=NOTHING_SEEN,
    )


def done_text(done: StageDone, blend: Blend) -> str:
    """For people: where the contents stand after a stage, and what should be in them."""
    number = f"Stage {blend.index + 1} of {len(blend.stages)} ({done.stage.gas})"
    if done.settled is None:
        return f"{number} was not seen: what is in it is not known. Analyse it before anything is added."
    stands = f"{number} settles at {pressure(done.settled.gauge_pa, BAR_AND_CELSIUS, fine=True)}"
    if not done.reached:
        stands += f", short of {pressure(done.stage.target_gauge_pa, BAR_AND_CELSIUS, fine=True)}"
    return f"{stands}; {prediction_text(done.predicted)}." if done.predicted is not None else f"{stands}."


def assumed_text(blend: Blend) -> str:
    """What the prediction takes for granted."""
    contents = blend.contents
    if contents is None:
        return "What was in it is not known: no oxygen content is predicted."
    gas = f"The gas that flows is {blend.stage.gas}, as it was said to be."
    if not contents.candidates:
        return f"{gas} What was left in it was {contents.residual}, as told."
    first, last = contents.candidates
    return f"{gas} Nobody said what was left in it: anything from {first} to {last}."


def warmth(estimate: EstimatorState | None, context: FillContext | None) -> tuple[float | None, float]:
    """Temperature that gas and wall will share, and how fast both then come to that of the shop."""
    if estimate is None or context is None:
        return None, 1.0
    vessel, balance = context.setting.vessel, estimate.balance
    gas_j_k = balance.mass_kg * _CV_J_KG_K
    heat_j_k = gas_j_k + vessel.inner_heat_j_k + vessel.outer_heat_j_k
    joules = gas_j_k * balance.gas_k + vessel.inner_heat_j_k * balance.inner_k + vessel.outer_heat_j_k * balance.outer_k
    return joules / heat_j_k, heat_j_k / context.setting.outside_w_k


def other_contents(stands_pa: float, there_pa: float) -> Finding:
    """A cylinder that comes back for its next stage holds more or less than it was left with."""
    stands, there = (pressure(max(pa, 0.0), BAR_AND_CELSIUS) for pa in (stands_pa, there_pa))
    less = "gas was let out: have the mix worked out again before anything is added"
    more = "something was let in that nobody saw: analyse it before anything is added"
    text = (
        f"It stands at {stands}, and after its last stage it should stand at {there}: is this the right cylinder? "
        f"Read the serial on its shoulder. If it is, {less if stands_pa < there_pa else more}."
    )
    return Finding(name=OTHER_CYLINDER, confidence=0.8, text=text)
