"""One event at one whip, and what follows from it.

Order within a step: believe the reading or not, read the life cycle from the curve, lead the estimate on, project,
judge the alarms, set prompt and lamp.
"""

from collections.abc import Iterable
from dataclasses import replace

from fillguard.core import estimator
from fillguard.core.conditions import ON_PRESSURE, WHATEVER_QUALITY
from fillguard.core.diagnosis import STUCK, findings_of, loss, silent
from fillguard.core.estimator import Flow
from fillguard.core.events import (
    AlarmCommanded,
    CylinderAttached,
    Doubt,
    LampChanged,
    Phase,
    PromptChanged,
    Quality,
    Reading,
    ReadingDoubted,
)
from fillguard.core.gauge import judged
from fillguard.core.keeping import Keeping
from fillguard.core.lifecycle import AFTER_CLOSE, TRANSITIONS, Sign, after_pressure, after_time, hose_speed_pa_s
from fillguard.core.outlook import Outlook, outlook
from fillguard.core.projecting import flow_of, projected
from fillguard.core.prompting import prompt_for
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Surroundings
from fillguard.core.whip import Wall

_FED_DROP_PA = 5.0 * PA_PER_BAR
_FED_RATE_PA_S = 1.0 * PA_PER_BAR / 60.0
_FLAT_PA_S = 0.4 * PA_PER_BAR / 60.0
_FELL_TO_SHARE = 0.7
"""A standing gauge that collapses this far and stands again was a hose whose cylinder valve has just been opened."""
_FORGOTTEN_AFTER_S = 900.0
_NOT_USED = frozenset({Doubt.LATE, Doubt.RETAINED, Doubt.DUPLICATE})


class Watch(Keeping):
    """What every kind of event does to one whip."""

    def on_pressure(self, reading: Reading) -> None:
        """A reading of the whip's gauge."""
        before = self.state.gauge
        gauge, doubt, usable = judged(before, reading)
        self.state = replace(self.state, gauge=gauge)
        if doubt is not None or reading.quality is not Quality.GOOD:
            self._doubt(reading, doubt)
        if not usable:
            if doubt is Doubt.IMPLAUSIBLE_JUMP:
                self._judge_raw(reading)
            return
        if before.gauge_pa is not None:
            self._follow_hose(reading.value - before.gauge_pa, reading.sample_s - before.sample_s)
        self._follow_course(reading)
        self._follow_estimate(reading)
        self._find()
        self._project(reading.sample_s)
        if reading.doubt is not Doubt.STALE:
            self._judge(ON_PRESSURE)
        self._signal()

    def on_wall(self, reading: Reading) -> None:
        """A reading of the strap-on sensor."""
        if reading.quality is Quality.BAD or reading.doubt in _NOT_USED:
            return
        wall = Wall(kelvin=reading.value, sample_s=reading.sample_s, arrived_mono_s=reading.stamp.mono_s)
        self.state = replace(self.state, wall=wall)
        state = self.state
        if state.estimate is not None and state.context is not None:
            estimate = estimator.on_wall(state.estimate, state.context, reading.value, reading.sample_s)
            self.state = replace(state, estimate=estimate)
        if state.fill is not None and reading.doubt is not Doubt.STALE:
            self._judge(("wall-hot",))
            self._signal()

    def on_surroundings(self, kelvin: float, medium: Surroundings) -> None:
        """A reading of shop air or bath; only what this cylinder stands in concerns it."""
        state = self.state
        if state.estimate is not None and state.context is not None and state.context.surroundings is medium:
            self.state = replace(state, estimate=estimator.on_surroundings(state.estimate, kelvin))

    def on_attached(self, event: CylinderAttached) -> None:
        """Somebody said what hangs on this whip, before, during or after a fill."""
        other = self.state.attached is not None and self.state.attached.serial != event.serial
        if self.state.phase in AFTER_CLOSE and other:
            self.take(Sign.REPLACED)
        self.state = replace(self.state, attached=event, attach_used=self.state.fill is not None)
        match self.state.phase:
            case Phase.ATTACHED:
                self.take(Sign.REPLACED)
            case Phase.IDLE:
                self.take(Sign.ATTACHED)
            case Phase.CONNECTED | Phase.DRAINING:
                self.connect(self.state.course.level_pa or self.state.gauge.gauge_pa or 0.0)
            case _:
                if self.state.fill is not None:
                    self.identify(self.state.fill)
                    self._project(self.state.gauge.sample_s)
                    self._judge(ON_PRESSURE)
        self._signal()

    def on_detached(self) -> None:
        """Somebody said that the whip is free."""
        if (self.state.phase, Sign.DETACHED) in TRANSITIONS:
            self.take(Sign.DETACHED)
        self.state = replace(self.state, attached=None)
        self._signal()

    def on_presence(self, *, online: bool) -> None:
        """The gateway of this whip came or went."""
        self.state = replace(self.state, online=online)
        self._judge(("monitoring-lost",))
        self._signal()

    def on_outage(self, cause: str | None) -> None:
        """We failed on this whip ourselves (None: it works again)."""
        self.state = replace(self.state, outage=cause)
        self._judge(("monitoring-lost",))
        self._signal()

    def on_tick(self) -> None:
        """A second has passed."""
        sign = after_time(self.state.course, self.rules.extents, self.now.mono_s)
        if sign is not None:
            self.take(sign)
        self._forget_attach()
        self._judge(("monitoring-lost",))
        self.close_desk(self.desk().elapsed())
        self._cool()
        self._signal()

    def on_command(self, event: AlarmCommanded) -> str | None:
        """A person acted on an alarm of this whip; says in words why it was refused, None when it was done."""
        desk, refusal = self.desk().commanded(event)
        self.close_desk(desk)
        self._signal()
        return refusal

    # One part after the other ---------------------------------------------------------------------------------------

    def _doubt(self, reading: Reading, doubt: Doubt | None) -> None:
        if doubt is not None:
            self.out.append(
                ReadingDoubted(
                    stamp=self.now,
                    whip=self.state.whip,
                    source=reading.source,
                    sample_s=reading.sample_s,
                    quality=Quality.UNCERTAIN,
                    doubt=doubt,
                )
            )
        if self.state.fill is not None:
            self.state = replace(self.state, fill=replace(self.state.fill, doubtful=self.state.fill.doubtful + 1))

    def _judge_raw(self, reading: Reading) -> None:
        """The hard ceilings look at every live reading in range, however doubtful."""
        believed = self.state.gauge
        self.state = replace(self.state, gauge=replace(believed, gauge_pa=reading.value))
        self._judge(WHATEVER_QUALITY)
        self.state = replace(self.state, gauge=believed)
        self._signal()

    def _follow_hose(self, step_pa: float, dt_s: float) -> None:
        """Keep count of how far the gauge has run ahead of anything that a cylinder can follow."""
        reach_pa = hose_speed_pa_s(self.held.cylinder.total_capacity_m3) * dt_s if self.fill_is_open else 0.0
        ahead = max(0.0, self.state.ahead_pa + step_pa - reach_pa) if self.fill_is_open else 0.0
        if ahead != self.state.ahead_pa:
            self.state = replace(self.state, ahead_pa=ahead)

    def _follow_course(self, reading: Reading) -> None:
        old = self.state.course
        attached = self.state.attached
        described = attached.cylinder if attached is not None else None
        course, sign = after_pressure(
            old,
            self.rules.extents,
            reading.sample_s,
            reading.value,
            capacity_m3=described.total_capacity_m3 if described is not None else self.held.cylinder.total_capacity_m3,
            fed=self._fed,
        )
        self.state = replace(self.state, course=course)
        stood = old.level_pa
        if old.phase is Phase.CONNECTED and sign is None and course.collapsing and stood is not None:
            if self.rules.extents.bled_below_gauge_pa < reading.value < _FELL_TO_SHARE * stood:
                self.opened_late(stood, reading.value)
        elif sign is not None:
            self.take(sign)

    def _fed(self) -> bool:
        """True when the heat balance says that gas flows in although the gauge does not rise."""
        state, seen = self.state, self.state.shown
        if state.phase is not Phase.FILLING or state.estimate is None or seen is None:
            return False
        if seen.cylinder_gauge_pa is not None and seen.gauge_pa - seen.cylinder_gauge_pa > _FED_DROP_PA:
            return True
        slope = state.course.curve.slope(self.rules.extents.paused_after_s)
        if slope is None or slope.pa_s < -_FLAT_PA_S or state.estimate.suspended is not None:
            return False
        balance = state.estimate.balance
        return balance.mass_kg > 0.0 and balance.steady_flow_kg_s / balance.mass_kg * seen.gauge_pa > _FED_RATE_PA_S

    def _follow_estimate(self, reading: Reading) -> None:
        state = self.state
        if state.estimate is None or state.context is None:
            return
        reason = self._no_projection()
        if reason is not None:
            self.state = replace(state, estimate=estimator.suspend(state.estimate, reason))
            return
        flow: Flow = flow_of(state.course, reading.value)
        estimate = estimator.on_pressure(state.estimate, state.context, reading.value, reading.sample_s, flow)
        self.state = replace(state, estimate=estimate)

    def _no_projection(self) -> str | None:
        """Why the gauge does not speak for the cylinder now; None when it does."""
        state = self.state
        if state.course.collapsing and self.fill_is_open:
            return "sudden-loss" if "sudden-loss" in (state.fill.alarms if state.fill else ()) else "bled"
        if self.view.hose_only:
            return "whip-only"
        return "stuck" if STUCK in state.findings else None

    def _find(self) -> None:
        found = findings_of(self.view)
        names = {finding.name for finding in found}
        if STUCK in self.state.findings and STUCK not in names:
            self.state = replace(self.state, findings=self.state.findings - {STUCK})
        for finding in found:
            self.find(finding)

    def _project(self, sample_s: float) -> None:
        state, fill, gauge_pa = self.state, self.state.fill, self.state.gauge.gauge_pa
        if fill is None or gauge_pa is None:
            return
        if state.estimate is None or state.context is None:
            look = Outlook(reason="no-start")
        else:
            look = outlook(state.estimate, state.context)
        if look.cylinder_gauge_pa is not None:
            state = replace(state, inside=state.inside.after(sample_s, look.cylinder_gauge_pa))
        seen = projected(
            fill,
            state.course,
            look,
            stamp=self.now,
            sample_s=sample_s,
            gauge_pa=gauge_pa,
            inside=state.inside,
            rate_window_s=self.rules.extents.rate_window_s,
        )
        moving = state.gauge.same_count == 0 and seen.rate_pa_s is not None
        self.state = replace(
            state,
            shown=seen,
            fill=fill.with_projection(seen, collapsing=state.course.collapsing),
            rate_before_pa_s=seen.rate_pa_s if moving else state.rate_before_pa_s,
        )
        self.out.append(seen)

    def _judge(self, names: Iterable[str]) -> None:
        before = self.state.fill
        self.close_desk(self.desk().judged(names))
        fill = self.state.fill
        if fill is None or before is None or len(fill.alarms) == len(before.alarms):
            return
        new = set(fill.alarms) - set(before.alarms)
        if "sudden-loss" in new:
            self.find(loss())
        if "monitoring-lost" in new and STUCK not in self.state.findings and self.state.outage is None:
            self.find(silent(self.state.gauge.gauge_pa))
            self._go_blind()

    def _go_blind(self) -> None:
        """Nothing is heard any more: say once that there is no projection, so that nobody trusts the last one."""
        state = self.state
        if state.estimate is not None and state.fill is not None:
            self.state = replace(state, estimate=estimator.suspend(state.estimate, "stale"))
            self._project(state.gauge.sample_s)

    def _forget_attach(self) -> None:
        state = self.state
        if state.phase is not Phase.ATTACHED or state.attached is None:
            return
        if self.now.mono_s - state.attached.stamp.mono_s >= _FORGOTTEN_AFTER_S:
            self.state = replace(state, attached=None)
            self.take(Sign.TIMED_OUT)

    def _cool(self) -> None:
        """Three minutes within half a bar of the projection, and a narrow interval: the cylinder has settled."""
        state, seen, extents = self.state, self.state.shown, self.rules.extents
        if state.phase is not Phase.SETTLING or state.fill is None or seen is None:
            return
        agrees = False
        if seen.reads_at_surroundings_gauge_pa is not None and seen.settled_high_gauge_pa is not None:
            width = seen.settled_high_gauge_pa - (seen.settled_low_gauge_pa or 0.0)
            off = abs(seen.gauge_pa - seen.reads_at_surroundings_gauge_pa)
            agrees = off <= extents.settled_within_pa and width <= extents.settled_interval_pa
        since = state.fill.cooled_since_mono_s if agrees else None
        if agrees and since is None:
            since = self.now.mono_s
        self.state = replace(state, fill=replace(state.fill, cooled_since_mono_s=since))
        if since is not None and self.now.mono_s - since >= extents.settled_for_s:
            self.take(Sign.COOLED)

    def _signal(self) -> None:
        """Prompt and lamp."""
        state = self.state
        prompt = prompt_for(state.phase, state.shown, state.prompt, self.rules.extents)
        if prompt is not state.prompt:
            fill = state.fill.fill_id if state.fill is not None else None
            self.state = replace(state, prompt=prompt)
            self.out.append(PromptChanged(stamp=self.now, whip=state.whip, fill_id=fill, prompt=prompt))
        lamp = self.desk().lamp()
        if lamp is not self.state.lamp:
            self.state = replace(self.state, lamp=lamp)
            self.out.append(LampChanged(stamp=self.now, whip=state.whip, lamp=lamp))
