"""One event at one whip, and what follows from it.

Order within a step: believe the reading or not, read the life cycle from the curve, lead the estimate on, project,
judge the alarms, set prompt and lamp.
"""

from dataclasses import replace

from fillguard.core import estimator
from fillguard.core.conditions import ON_PRESSURE, WHATEVER_QUALITY, WITHOUT_A_FILL
from fillguard.core.course import Course, after_pressure, hose_speed_pa_s, stands_bled
from fillguard.core.diagnosis import LOOP_FAULT, SILENT, STUCK, loop_fault, silent
from fillguard.core.elapsing import after_time
from fillguard.core.estimator import EstimatorState
from fillguard.core.events import (
    AlarmCommanded,
    CommandAnswered,
    CylinderAttached,
    CylinderChecked,
    Doubt,
    Phase,
    Quality,
    Reading,
    ReadingDoubted,
    StageCalled,
    VerdictOverridden,
    WhipClosed,
)
from fillguard.core.fill import LOSS
from fillguard.core.gauge import Gauge, judged
from fillguard.core.lifecycle import AFTER_CLOSE, FILL_OPEN, TRANSITIONS, Sign
from fillguard.core.outlook import Outlook, outlook
from fillguard.core.projecting import Moment, flow_of, projected
from fillguard.core.sensing import Sensing
from fillguard.core.staging import WAITS_FOR_S
from fillguard.core.units import PA_PER_BAR

_FED_DROP_PA = 5.0 * PA_PER_BAR
_FED_RATE_PA_S = 1.0 * PA_PER_BAR / 60.0
_COMES_BACK_PA = 1.0 * PA_PER_BAR
_FLAT_PA_S = 0.4 * PA_PER_BAR / 60.0
_LEAP_NOISE_PA = 0.5 * PA_PER_BAR
_FORGOTTEN_AFTER_S = 900.0


class Watch(Sensing):
    """What every kind of event does to one whip."""

    def on_pressure(self, reading: Reading) -> None:
        """A reading of the whip's gauge."""
        before, reading = self.state.gauge, self.believed(reading)
        gauge, doubt, usable = judged(before, reading)
        if doubt is not None or reading.quality is not Quality.GOOD:
            self._doubt(reading, doubt)
        if not usable:
            if gauge is not before:
                self.state = replace(self.state, gauge=gauge)
            if doubt is Doubt.IMPLAUSIBLE_JUMP and reading.doubt is not Doubt.STALE:
                self._judge_raw(reading)
            return
        live = reading.doubt is not Doubt.STALE
        self._follow_course(reading, gauge, live=live)
        if live:
            self.look_at_zero(reading)
        self.diagnose(self._before)
        self._project(self._led_on(reading), counts=True)
        if live:
            self._judge(ON_PRESSURE if self.state.fill is not None else WITHOUT_A_FILL)
        self._signal()

    def on_attached(self, event: CylinderAttached) -> None:
        """Somebody said what hangs on this whip, before, during or after a fill."""
        if self.state.phase in AFTER_CLOSE and _is_another(self.state.attached, event):
            self.take(Sign.REPLACED)
        event = self.said_again(event)
        self.attach_stages(event)
        self.state = replace(self.state, attached=event, attach_used=self.state.fill is not None)
        if event.verdict is not None:
            self.tell_verdict(event.operator)
        match self.state.phase:
            case Phase.ATTACHED:
                self.take(Sign.REPLACED)
            case Phase.IDLE:
                self.take(Sign.ATTACHED)
            case Phase.CONNECTED | Phase.DRAINING:
                level_pa = self.state.course.level_pa or self.state.gauge.gauge_pa or 0.0
                self.connect(level_pa)
                self.doubt_cylinder(level_pa)
            case _:
                if self.state.fill is not None:
                    self.identify(self.state.fill)
                    self._project(self.state.estimate)
                    self._judge(ON_PRESSURE)
        self._signal()

    def on_overridden(self, event: VerdictOverridden) -> None:
        """A named person takes it on themselves to fill this cylinder all the same."""
        if self.override(event):
            self._judge(("not-fit",))
        self._signal()

    def on_checked(self, event: CylinderChecked) -> str | None:
        """A named person looked at this cylinder; in words why that could not be taken down, None when it was."""
        refused = self.check(event)
        if refused is None and self.state.fill is not None:
            self._project(self.state.estimate)
            self._judge(ON_PRESSURE)
        self._signal()
        return refused

    def on_stage_called(self, event: StageCalled) -> None:
        """Somebody says which stage comes now."""
        refused = self.call_stage(event)
        if self.state.fill is not None:
            self._project(self.state.estimate)
        self.out.append(
            CommandAnswered(
                stamp=self.now,
                command_id=event.command_id,
                verb="stage",
                operator=event.operator,
                whip=event.whip,
                alarm=None,
                occurrence=None,
                refused=refused,
            )
        )
        self._signal()

    def on_closed(self, event: WhipClosed) -> None:
        """Somebody closed this whip, while others go on filling from its gauge."""
        shared = self.rules.gauge_of(self.state.whip)
        self.close_off(event, None if shared is None else shared[0])
        self._signal()

    def on_detached(self) -> None:
        """Somebody said that the whip is free."""
        self.give_up()
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

    def on_clock_stepped(self) -> None:
        """Times seen before and after cannot be compared: what was open is over, what is known of curves is void."""
        if self.state.phase in FILL_OPEN:
            self.take(Sign.GONE)
        self.state = replace(
            self.state, gauge=Gauge(), wall=None, course=Course(phase=self.state.phase), estimate=None, context=None
        )
        self._signal()

    def on_tick(self) -> None:
        """A second has passed."""
        silent_s = self.view.silent_s
        heard = silent_s <= self.view.silent_after_s
        sign = after_time(self.state.course, self.rules.extents, self.now.mono_s, silent_s=silent_s, heard=heard)
        if sign is not None:
            self.take(sign)
        self._forget_attach(silent_s)
        self._judge(("monitoring-lost",))
        if not heard:
            self._go_blind()
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
        if reading.doubt is Doubt.LOOP_FAULT:
            self.find(loop_fault())

    def _judge_raw(self, reading: Reading) -> None:
        """The hard ceilings look at every live reading in range, however doubtful."""
        believed = self.state.gauge
        leap_pa = reading.value - (believed.gauge_pa or 0.0)
        self.state = replace(self.state, gauge=replace(believed, gauge_pa=reading.value))
        self.close_desk(self.desk().judged(WHATEVER_QUALITY, leap_pa=leap_pa))
        self.state = replace(self.state, gauge=believed)
        self._signal()

    def _follow_course(self, reading: Reading, gauge: Gauge, *, live: bool) -> None:
        """Take the reading into the curve, and go where its sign leads."""
        state, old = self.state, self.state.course
        ahead_pa, leapt_s = self._hose_ahead(gauge)
        course, sign = after_pressure(
            old,
            self.rules.extents,
            reading.sample_s,
            reading.value,
            capacity_m3=self.capacity_m3,
            fed=self._fed,
        )
        self.state = replace(
            state,
            gauge=gauge,
            course=course,
            ahead_pa=ahead_pa,
            leapt_s=leapt_s,
            # A reading that arrives now proves that its gateway is there, whatever a last will said before.
            online=state.online or live,
        )
        if course.stood_at_pa is not None and old.stood_at_pa is None:
            self.opened_late(course.stood_at_pa, reading.value)
        self.follow_level()
        if sign is Sign.BLED and live:
            self._judge((LOSS,))  # before it ends the fill: a hose that let go is empty, too
        if sign is not None:
            self.take(sign)
        if self.state.phase is Phase.IDLE and self.state.attach_used and stands_bled(course):
            # The fill under this attachment is over, and the whip was bled without anybody seeing it.
            self.state = replace(self.state, attached=None, attach_used=False)

    def _hose_ahead(self, gauge: Gauge) -> tuple[float, float | None]:
        """How far the gauge has run ahead of anything that a cylinder can follow, and when it last did."""
        state, before = self.state, self.state.gauge
        if state.phase not in FILL_OPEN or before.gauge_pa is None or gauge.gauge_pa is None:
            return 0.0, None
        step_pa = gauge.gauge_pa - before.gauge_pa
        reach_pa = hose_speed_pa_s(self.capacity_m3) * (gauge.sample_s - before.sample_s)
        ahead_pa = max(0.0, state.ahead_pa + step_pa - reach_pa)
        leapt_s = gauge.sample_s if step_pa > reach_pa + _LEAP_NOISE_PA else state.leapt_s
        if leapt_s is None or gauge.sample_s - leapt_s > self.rules.extents.whip_only_doubt_s:
            return 0.0, None
        return ahead_pa, leapt_s

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

    def _led_on(self, reading: Reading) -> EstimatorState | None:
        """The estimate after the reading; frozen while the gauge does not speak for the cylinder."""
        state = self.state
        if state.estimate is None or state.context is None:
            return None
        reason = self._no_projection()
        if reason is not None:
            return estimator.suspend(state.estimate, reason)
        flow = flow_of(state.course, reading.value)
        return estimator.on_pressure(state.estimate, state.context, reading.value, reading.sample_s, flow)

    def _no_projection(self) -> str | None:
        """Why the gauge does not speak for the cylinder now; None when it does."""
        state = self.state
        if state.fill is not None and state.fill.lost:
            return LOSS  # for good: what is left, and where, only an inspection can tell
        if state.fill is not None and state.course.collapsing and not self._comes_back():
            return "bled"
        if self.view.hose_only:
            return "whip-only"
        return "stuck" if STUCK in state.findings else None

    def _comes_back(self) -> bool:
        """True for a gauge that falls, but not below the cylinder: a fast flow has stopped, nothing is bled."""
        gauge_pa, estimate = self.state.gauge.gauge_pa, self.state.estimate
        if gauge_pa is None or estimate is None:
            return False
        inside_pa = estimate.balance.pressure_abs_pa - self.rules.ambient_abs_pa
        return gauge_pa > inside_pa - _COMES_BACK_PA

    def _project(self, estimate: EstimatorState | None, *, counts: bool = False) -> None:
        """Take over the estimate and say where an open fill stands; `counts`: because of a reading."""
        state, fill, gauge_pa = self.state, self.state.fill, self.state.gauge.gauge_pa
        if fill is None or gauge_pa is None:
            self.state = state if estimate is state.estimate else replace(state, estimate=estimate)
            return
        if estimate is None or state.context is None:
            look = Outlook(reason="no-start")
        else:
            look = outlook(estimate, state.context)
        inside, sample_s = state.inside, state.gauge.sample_s
        if look.cylinder_gauge_pa is not None:
            inside = inside.after(sample_s, look.cylinder_gauge_pa)
        seen = projected(
            fill,
            state.course,
            look,
            Moment(stamp=self.now, sample_s=sample_s, gauge_pa=gauge_pa),
            inside=inside,
            rate_window_s=self.rules.extents.rate_window_s,
        )
        seen = self.told_in_stage(seen)
        moving = state.gauge.same_count == 0 and seen.rate_pa_s is not None
        self.state = replace(
            state,
            estimate=estimate,
            inside=inside,
            shown=seen,
            fill=fill.with_projection(seen, collapsing=state.course.collapsing, counts=counts),
            rate_before_pa_s=seen.rate_pa_s if moving else state.rate_before_pa_s,
        )
        self.out.append(seen)

    def _go_blind(self) -> None:
        """Nothing is heard any more: say once that there is no projection, so that nobody trusts the last one."""
        state = self.state
        if state.fill is None or state.estimate is None or state.estimate.suspended == "stale":
            return
        if LOOP_FAULT not in state.findings:
            self.find(silent(state.gauge.gauge_pa))
        self.state = replace(self.state, findings=self.state.findings - {SILENT})
        self._project(estimator.suspend(state.estimate, "stale"))

    def _forget_attach(self, silent_s: float) -> None:
        """What was said a quarter of an hour ago, and nothing came of it, may not be said of the next cylinder."""
        state = self.state
        if state.attached is None:
            return
        waits_s = _FORGOTTEN_AFTER_S if state.between is None else WAITS_FOR_S
        if state.phase is Phase.ATTACHED and self.now.mono_s - state.waits_since_mono_s >= waits_s:
            self.give_up()
            self.state = replace(self.state, attached=None)
            self.take(Sign.TIMED_OUT)
        elif state.phase is Phase.IDLE and silent_s >= _FORGOTTEN_AFTER_S:
            self.state = replace(state, attached=None, attach_used=False)

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
        if since != state.fill.cooled_since_mono_s:
            self.state = replace(state, fill=replace(state.fill, cooled_since_mono_s=since))
        if since is not None and self.now.mono_s - since >= extents.settled_for_s:
            self.take(Sign.COOLED)


def _is_another(attached: CylinderAttached | None, event: CylinderAttached) -> bool:
    """True when `event` speaks of another cylinder than what was attached before; two visitors' may have no serial."""
    if attached is None:
        return False
    if event.serial is None:
        return attached.serial is not None or attached.cylinder != event.cylinder
    return attached.serial != event.serial
