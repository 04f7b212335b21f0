"""A partial-pressure fill on its way from stage to stage, and from whip to whip. Pressures gauge pascal.

Every stage is a fill of its own gas towards a target of the whole contents; the fill's row, its number and what is
known of the contents go on. A stage ends when the next gas begins to flow, or when the cylinder is taken off the whip.
"""

from dataclasses import replace
from math import exp

from fillguard.core.blend import Blend, Contents, after_stage, amount_of, contents_at_start, expected_mix, predicted
from fillguard.core.blending import (
    amount_in,
    assumed_text,
    done_text,
    in_stage,
    other_contents,
    restaged,
    settled_of,
    warmth,
)
from fillguard.core.course import at_rest, stopped
from fillguard.core.curve import Curve
from fillguard.core.events import CylinderAttached, FillEnded, Phase, Projected, StageBegan, StageCalled, StageEnded
from fillguard.core.evidence import NOTHING
from fillguard.core.fill import Held, OpenFill
from fillguard.core.keeping import Keeping
from fillguard.core.learned import Unfit
from fillguard.core.lifecycle import AFTER_CLOSE, FILL_OPEN, Sign
from fillguard.core.stages import Settled, StageDone, is_near
from fillguard.core.units import PA_PER_BAR
from fillguard.core.whip import Between

_BEFORE_IT_ENDS_S = 3.0
"""A hose that is being bled shows in the gauge before it is known for a bleed."""
WAITS_FOR_S = 4 * 3600.0
"""So long a fill waits for its next stage, on the whip or off it (our choice: cooling takes an hour)."""
_START_SHARE = 0.015
"""How far the amount that was left in it may be off for its temperature: five kelvin."""
_START_NOISE_PA = 0.5 * PA_PER_BAR
_UNSEEN_PA = 5.0 * PA_PER_BAR
"""... and where nobody saw the residual pressure stand (our choice)."""


_SAME_CONTENTS_PA, _SAME_CONTENTS_SHARE = 3.0 * PA_PER_BAR, 0.08
"""Two gauges and a guess at its temperature are no further apart than this (our choice)."""


class Staging(Keeping):
    """One whip, with what a fill in stages asks for beyond any other."""

    @property
    def has_another_stage(self) -> bool:
        """True while the open fill has a stage to come, and its gas is still in it."""
        fill, blend = self.state.fill, self.state.blend
        return fill is not None and not fill.lost and blend is not None and blend.following is not None

    def take(self, sign: Sign) -> None:
        """Go over to the phase that `sign` leads to; a bled whip does not end a fill that has another stage."""
        phase, course = self.state.phase, self.state.course
        if self.has_another_stage:
            if sign is Sign.TIMED_OUT and phase in AFTER_CLOSE and self._waited_s() < WAITS_FOR_S:
                return
            if sign is Sign.BLED and phase in FILL_OPEN:
                sign = Sign.BETWEEN_STAGES
                if phase is Phase.FILLING and course.curve.samples:
                    self.state = replace(self.state, course=stopped(course, self.now))
        if sign is Sign.FLOWS and phase in FILL_OPEN and self._next_gas_flows():
            self._go_on(self.state.fill)
        super().take(sign)
        if sign is Sign.BETWEEN_STAGES:
            self._set_aside()

    def connect(self, level_pa: float, *, start_seen: bool = True, sample_s: float | None = None) -> None:
        """Begin the estimate; before the first stage also what is known of the residual, later how warm it still is."""
        state, blend = self.state, self.state.blend
        if blend is not None and blend.contents is None and not (state.fill or state.between):
            self.state = replace(state, blend=self._with_residual(blend, level_pa))
        if state.between is not None and state.attached is not None:
            warm = replace(state.attached, arrived_k=self._still_warm_k(state.between))
            self.state = replace(self.state, attached=warm)
            self._meet_again(level_pa, warm.arrived_k)
        super().connect(level_pa, start_seen=start_seen, sample_s=sample_s)

    def call_stage(self, event: StageCalled) -> str | None:
        """A person says which stage comes now; says in words why not, None when it is done."""
        blend, fill, between = self.state.blend, self.state.fill, self.state.between
        if blend is None or not 1 <= event.number <= len(blend.stages):
            return f"no stage {event.number} here: no fill in so many stages is attached to whip {self.state.whip}"
        if self.state.phase is Phase.FILLING:
            return "gas flows: close the panel valve first, then say which stage comes"
        index = event.number - 1
        if fill is None:
            self.state = replace(self.state, blend=replace(blend, index=index))
            if between is None and self.state.phase is Phase.CONNECTED:
                self.connect(self.state.course.level_pa or self.state.gauge.gauge_pa or 0.0)
            return None
        if blend.stages[index].whip != self.state.whip:
            return f"stage {event.number} is filled on whip {blend.stages[index].whip}: bleed this whip first"
        self._go_on(fill, index)
        return None

    def attach_stages(self, event: CylinderAttached) -> None:
        """Take over the stages of what is being attached. The same cylinder again leaves a fill under way as it is."""
        attached, blend = self.state.attached, self.state.blend
        same = attached is not None and attached.serial == event.serial and attached.cylinder == event.cylinder
        if same and blend is not None and event.stages in {(), blend.stages}:
            return
        self.give_up()
        new, fill = Blend(stages=event.stages) if event.stages else None, self.state.fill
        self.state = replace(self.state, attached=event, blend=new)
        if new is not None and fill is not None:
            self.state = replace(self.state, blend=self._with_residual(new, fill.start_pa))
            self._tell_began()

    def give_up(self) -> None:
        """The next stage did not come: the fill that waited for it ends with what is in it."""
        between = self.state.between
        if between is not None:
            self.out.append(
                FillEnded(
                    stamp=self.now, summary=between.fill.summary(ended_s=self.now.utc_s), untaught=Unfit.IN_STAGES
                )
            )
        self.state = replace(self.state, between=None, blend=None)

    def told_in_stage(self, seen: Projected) -> Projected:
        """The projection with what should be in the cylinder."""
        blend, context = self.state.blend, self.state.context
        if blend is None:
            return seen
        seen = replace(seen, stage=blend.index + 1, stages=len(blend.stages))
        settled = settled_of(seen.settled_gauge_pa, seen.settled_low_gauge_pa, seen.settled_high_gauge_pa)
        if settled is None or context is None or blend.contents is None:
            return seen
        now = amount_in(context, settled)
        return replace(seen, predicted=predicted(blend.contents, blend.stage.gas, now))

    # What Keeping asks ------------------------------------------------------------------------------------------------

    def held_anew(self) -> Held:
        """What the cylinder here is held to by what is known now: that of the stage, where it is filled in stages."""
        held, blend = super().held_anew(), self.state.blend
        return held if blend is None else in_stage(held, blend, self.rules)

    def _open_fill(self) -> None:
        between, blend = self.state.between, self.state.blend
        if between is not None and blend is not None:
            self._take_up_again(between.fill)
        else:
            super()._open_fill()
            if blend is not None and blend.contents is None:
                self.state = replace(self.state, blend=self._with_residual(blend, self.state.course.start_pa))
        if blend is not None:
            self._tell_began()

    def _rest(self, sign: Sign) -> None:
        if self.state.fill is not None:
            self._over()
        super()._rest(sign)
        if self.state.attached is None:
            self.give_up()

    # From stage to stage ----------------------------------------------------------------------------------------------

    def _waited_s(self) -> float:
        stopped_s = self.state.course.stopped_mono_s
        return 0.0 if stopped_s is None else self.now.mono_s - stopped_s

    def _next_gas_flows(self) -> bool:
        """True when the stage stood at its target and the next one is filled from the same whip."""
        fill, blend = self.state.fill, self.state.blend
        following = blend.following if blend is not None else None
        stood = self._stood_at(fill) if fill is not None else None
        return (
            fill is not None
            and blend is not None
            and following is not None
            and following.whip == self.state.whip
            and stood is not None
            and is_near(stood.gauge_pa, fill.held.target_gauge_pa)
        )

    def _stood_at(self, fill: OpenFill) -> Settled | None:
        """Where the contents stood before what ends the stage began to show: the next gas, or the bleed."""
        last, course = fill.last_sure, self.state.course
        if last is None:
            return None
        until_s = last.sample_s - _BEFORE_IT_ENDS_S
        if self.state.phase is not Phase.FILLING and course.flow_stopped_s is not None:
            lowest_s, _ = min(course.curve.since(course.flow_stopped_s) or ((until_s, 0.0),), key=lambda s: s[1])
            until_s = min(until_s, lowest_s)
        before = [mark for mark in fill.recent if mark.sample_s <= until_s and mark.settled_pa is not None]
        mark = before[-1] if before else last
        return settled_of(mark.settled_pa, mark.low_pa, mark.high_pa)

    def _go_on(self, fill: OpenFill | None, index: int | None = None) -> None:
        """The same cylinder on the same whip, with the next gas."""
        self._over()
        state, blend = self.state, self.state.blend
        fill = state.fill or fill
        if blend is None or fill is None:
            return
        blend = replace(blend, index=blend.index + 1 if index is None else index)
        self.state = replace(state, blend=blend)
        held = self.held_anew()
        self.state = replace(self.state, fill=replace(fill, held=held))
        if state.estimate is not None and state.context is not None:
            context = replace(self._context_of(held, fill.start_pa), learned=state.context.learned)
            self.state = replace(self.state, context=context, estimate=restaged(state.estimate, context))
        self._tell_began()

    def _over(self) -> None:
        """Write down what came of the stage under way."""
        fill, blend, context = self.state.fill, self.state.blend, self.state.context
        if fill is None or blend is None:
            return
        settled = self._stood_at(fill)
        contents, seen = blend.contents, None
        if contents is not None and settled is not None and context is not None:
            now = amount_in(context, settled)
            seen = predicted(contents, blend.stage.gas, now)
            contents = after_stage(contents, blend.stage.gas, now)
        else:
            contents = None  # nobody saw what came in: from here on nothing can be predicted
        done = StageDone(
            stage=blend.stage,
            settled=settled,
            reached=settled is not None and is_near(settled.gauge_pa, fill.held.target_gauge_pa),
            predicted=seen,
        )
        self.state = replace(
            self.state,
            blend=replace(blend, contents=contents),
            fill=replace(fill, stages=(*fill.stages, done), predicted=seen),
        )
        self.out.append(
            StageEnded(
                stamp=self.now,
                whip=self.state.whip,
                fill_id=fill.fill_id,
                number=blend.index + 1,
                done=done,
                text=done_text(done, blend),
            )
        )

    def _tell_began(self) -> None:
        fill, blend = self.state.fill, self.state.blend
        if fill is not None and blend is not None:
            self.out.append(
                StageBegan(
                    stamp=self.now,
                    whip=self.state.whip,
                    fill_id=fill.fill_id,
                    number=blend.index + 1,
                    stage=blend.stage,
                    assumed=assumed_text(blend),
                    limit_gauge_pa=fill.held.limit_gauge_pa,
                    reference_k=fill.held.cylinder.reference_k,
                )
            )

    def _set_aside(self) -> None:
        """The cylinder is off the whip and its fill is not complete: keep it until the next stage."""
        self._over()
        fill, blend, state = self.state.fill, self.state.blend, self.state
        if fill is None or blend is None:
            return
        if fill.stages[-1].reached and blend.following is not None:
            blend = replace(blend, index=blend.index + 1)
        self.close_desk(self.desk().closed())
        warm_k, cools_in_s = warmth(state.estimate, state.context)
        between = Between(fill=fill, since_mono_s=self.now.mono_s, warm_k=warm_k, cools_in_s=cools_in_s)
        self.state = replace(
            self.state,
            between=between,
            blend=blend,
            course=at_rest(self.state.course),
            fill=None,
            context=None,
            estimate=None,
            shown=None,
            inside=Curve(),
            ahead_pa=0.0,
            leapt_s=None,
            rate_before_pa_s=None,
            evidence=replace(NOTHING, noise=state.evidence.noise),
            findings=frozenset(),
            attach_used=False,
        )

    def _take_up_again(self, fill: OpenFill) -> None:
        state, course = self.state, self.state.course
        fill = replace(
            fill.resumed(), whip=state.whip, held=self.held_anew(), recent=(), last_inside_pa=course.start_pa
        )
        self.state = replace(
            state, fill=fill, between=None, last_fill_id=fill.fill_id, attach_used=True, inside=Curve(), shown=None
        )
        self.close_desk(self.desk().carried_over())
        if state.estimate is None or not course.plateau_seen:
            self.connect(course.start_pa, start_seen=course.plateau_seen, sample_s=course.start_s)

    def _with_residual(self, blend: Blend, level_pa: float) -> Blend:
        attached, rules = self.state.attached, self.rules
        if attached is None:
            return blend
        told = attached.residual_gas if attached.residual_told else None
        last_mix = attached.left.mix if attached.left is not None else None
        gas = rules.surface_of(told or last_mix or attached.residual_gas)
        at_k = attached.arrived_k or (rules.ambient_k if self.air_k is None else self.air_k)
        seen = self.state.fill is None or self.state.fill.plateau_seen
        half_pa = (_START_NOISE_PA if seen else _UNSEEN_PA) + _START_SHARE * (level_pa + rules.ambient_abs_pa)
        start = amount_of(gas, max(level_pa, 0.0), at_k, rules.ambient_abs_pa, half_pa=half_pa)
        return replace(blend, contents=contents_at_start(told, last_mix, start))

    def _meet_again(self, level_pa: float, at_k: float | None) -> None:
        """The cylinder is on a whip again: does it hold what it held when it was taken off?"""
        blend, rules = self.state.blend, self.rules
        if blend is None or blend.contents is None:
            return
        contents, gas_k = blend.contents, at_k or rules.ambient_k
        gas = rules.surface_of(expected_mix(contents, blend.stage.gas, contents.before))
        there_pa = gas.state(contents.before.mol_m3 * gas.molar_mass_kg_mol, gas_k)[0] - rules.ambient_abs_pa
        if abs(level_pa - there_pa) <= max(_SAME_CONTENTS_PA, _SAME_CONTENTS_SHARE * there_pa):
            return
        self.find(other_contents(level_pa, there_pa))
        left: Contents | None = None  # something came in that nobody saw: nothing can be predicted from here on
        if level_pa < there_pa:
            half_pa = _START_NOISE_PA + _START_SHARE * (level_pa + rules.ambient_abs_pa)
            now = amount_of(gas, level_pa, gas_k, rules.ambient_abs_pa, half_pa=half_pa)
            left = after_stage(contents, blend.stage.gas, now)
        self.state = replace(self.state, blend=replace(blend, contents=left))

    def _still_warm_k(self, between: Between) -> float | None:
        """Temperature the cylinder has kept since it was taken off."""
        if between.warm_k is None:
            return None
        around_k = self.rules.ambient_k if self.air_k is None else self.air_k
        left = exp(-(self.now.mono_s - between.since_mono_s) / between.cools_in_s)
        return around_k + (between.warm_k - around_k) * left
