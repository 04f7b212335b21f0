"""Moves a whip from phase to phase and does what each move asks for: open a fill, connect, identify, write its row."""

from dataclasses import replace

from fillguard.core.alarmdesk import Desk
from fillguard.core.course import at_rest, started, stopped
from fillguard.core.curve import Curve
from fillguard.core.diagnosis import STUCK, bled, findings_of, opened_late
from fillguard.core.events import (
    FillEnded,
    FlowStopped,
    Outcome,
    Phase,
    PhaseChanged,
)
from fillguard.core.evidence import NOTHING
from fillguard.core.fill import LOSS, OpenFill, fill_id
from fillguard.core.gathering import gathered
from fillguard.core.identifying import Identifying
from fillguard.core.identity import said_to_be
from fillguard.core.learning import teaching_of
from fillguard.core.lifecycle import FILL_OPEN, WAITING, Sign, next_phase
from fillguard.core.units import PA_PER_BAR
from fillguard.core.warmth import warmth_of
from fillguard.core.whip import WhipState
from fillguard.core.zero import ZERO_OFF

_SUPPLY_LEAST_PA = 50.0 * PA_PER_BAR
"""Below it a hose that stands and falls may have run ahead of an empty cylinder."""
_HOSE_FALLS_FOR_S, _STOOD_SHARE = 20.0, 0.9
"""A hose is level with its cylinder sooner: what falls for longer is a cylinder that is drained."""
_OVER = frozenset({Phase.ENDED, Phase.INTERRUPTED})


class Keeping(Identifying):
    """The phases of one whip, and what each move asks for."""

    def desk(self) -> Desk:
        """The alarms of this whip as they stand."""
        return Desk(state=self.state, rules=self.rules, now=self.now)

    def close_desk(self, desk: Desk) -> None:
        """Take over what was done at the desk."""
        self.state = desk.state
        self.out.extend(desk.changes)

    def diagnose(self, before: WhipState) -> None:
        """Lead the evidence on after a reading (`before`: the whip as it found it), and tell what it hints at."""
        evidence = gathered(self.state, before, self.capacity_m3, self.rules.ambient_abs_pa)
        self.state = replace(self.state, evidence=evidence)
        found = findings_of(self.view)
        if STUCK in self.state.findings and all(finding.name != STUCK for finding in found):
            self.state = replace(self.state, findings=self.state.findings - {STUCK})
        for finding in found:
            self.find(finding)

    def take(self, sign: Sign) -> None:
        """Go over to the phase that `sign` leads to and do what that asks for."""
        old = self.state.phase
        new = next_phase(old, sign)
        course = replace(self.state.course, phase=new)
        if sign is Sign.HESITATES or (old is Phase.FILLING and new in _OVER and course.curve.samples):
            course = stopped(course, self.now)
        elif sign is Sign.FLOWS:
            course = started(course)
        waits = self.now.mono_s if new is Phase.ATTACHED else self.state.waits_since_mono_s
        self.state = replace(self.state, course=course, waits_since_mono_s=waits)
        if sign is Sign.FLOWS and old in WAITING:
            self._open_fill()
        elif self.state.fill is not None:
            self._follow_fill(self.state.fill, sign)
        self._tell_phase(old, new, sign)
        if new is Phase.CONNECTED and course.level_pa is not None:
            self.connect(course.level_pa)
            self.doubt_cylinder(course.level_pa)
        if new in _OVER or (new is Phase.IDLE and old in WAITING):
            self._rest(sign)

    def _tell_phase(self, old: Phase, new: Phase, sign: Sign) -> None:
        fill, samples = self.state.fill, self.state.course.curve.samples
        self.out.append(
            PhaseChanged(
                stamp=self.now,
                sample_s=samples[-1][0] if samples else self.now.utc_s,
                whip=self.state.whip,
                fill_id=fill.fill_id if fill is not None else None,
                old=old,
                new=new,
                reason=sign.value,
            )
        )

    def _follow_fill(self, fill: OpenFill, sign: Sign) -> None:
        course = self.state.course
        if sign is Sign.FLOWS:
            fill = fill.resumed()
        elif fill.flow_stopped_s is None and course.flow_stopped_s is not None and course.close_pa is not None:
            fill = fill.flow_stopped(course.flow_stopped_s, course.close_pa)
        self.state = replace(self.state, fill=fill)
        if sign is Sign.BLED and LOSS not in fill.alarms:
            self.find(bled())
            fill = self.state.fill or fill
        over = course.phase in _OVER or course.phase is Phase.CLOSED
        if over and not fill.stop_told and fill.flow_stopped_s is not None and fill.close_pa is not None:
            self.out.append(
                FlowStopped(
                    stamp=self.now,
                    fill_id=fill.fill_id,
                    whip=fill.whip,
                    flow_stopped_s=fill.flow_stopped_s,
                    close_gauge_pa=fill.close_pa,
                )
            )
            self.state = replace(self.state, fill=replace(fill, stop_told=True))

    def _open_fill(self) -> None:
        state, course = self.state, self.state.course
        station, held = self.rules.station, self.held_anew()
        said = said_to_be(state.attached, held, self.now)
        start_s = course.start_s if course.start_s is not None else state.gauge.sample_s
        goes_on = state.context if state.estimate is not None and course.plateau_seen else None
        fill = OpenFill(
            fill_id=fill_id(station, state.whip, start_s, taken=state.last_fill_id),
            station=station,
            whip=state.whip,
            held=held,
            identified=() if said is None else (said,),
            started_s=start_s,
            start_pa=course.start_pa,
            plateau_seen=course.plateau_seen,
            ambient_k=self.air_k,
            learned_version=goes_on.learned.version if goes_on is not None else self.rules.learned.version,
            peak_pa=course.start_pa,
            last_inside_pa=course.start_pa,
            peak_inside_pa=course.start_pa,
            findings=tuple(sorted(state.findings | ({ZERO_OFF} if state.zero.uncertain else set()))),
        )
        self.state = replace(
            state,
            fill=fill,
            last_serial=held.serial,
            last_fill_id=fill.fill_id,
            attach_used=True,
            inside=Curve(),
            shown=None,
        )
        shared = self.rules.gauge_of(state.whip)
        heard_on = () if shared is None else (shared[0], *shared[1])
        stages = state.attached.stages if state.attached is not None else ()
        self.out.append(fill.started_event(self.now, stages, heard_on))
        self.close_desk(self.desk().carried_over())
        if self.state.estimate is None or not course.plateau_seen:
            self.connect(course.start_pa, start_seen=course.plateau_seen, sample_s=start_s)

    def opened_late(self, stood_at_pa: float, fell_to_pa: float) -> None:
        """The cylinder valve was opened onto a hose at supply pressure: what was taken for a cylinder was none."""
        passage = self.state.evidence.passage
        if passage is not None and passage.may_be_at(fell_to_pa + self.rules.ambient_abs_pa):
            return  # it had been seen before the whip leapt: its valve was open, if only a little
        since_s = self.state.gauge.sample_s - _HOSE_FALLS_FOR_S
        stood_lately_pa = max(pa for sample_s, pa in self.state.course.curve.samples if sample_s >= since_s)
        if stood_at_pa > _SUPPLY_LEAST_PA and stood_lately_pa > _STOOD_SHARE * stood_at_pa:
            self.find(opened_late(stood_at_pa, fell_to_pa))
        self.state = replace(self.state, estimate=None, context=None)

    def _rest(self, sign: Sign) -> None:
        """Nothing is open any more: write the fill's row, free the whip, keep an attachment that still holds."""
        gone = sign is Sign.GONE
        if self.state.fill is not None:
            self.close_desk(self.desk().closed(blind=gone))
            self._tell_end(self.state.fill, interrupted=gone)
        state = self.state
        freed = gone or sign is Sign.DETACHED or (sign is Sign.BLED and state.attach_used)
        self.state = replace(
            state,
            course=at_rest(state.course),
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
            attached=None if freed else state.attached,
            held_to=None,
        )
        if state.phase in _OVER:
            self.take(Sign.ENDED)
        if self.state.attached is not None and sign is Sign.BLED:
            self.take(Sign.ATTACHED)

    def _tell_end(self, fill: OpenFill, *, interrupted: bool) -> None:
        """The fill's one row, and what it teaches."""
        state, ended_s = self.state, self.now.utc_s
        teaching = teaching_of(fill, state.estimate, state.context, ended_s=ended_s, interrupted=interrupted)
        warmth = None if interrupted else warmth_of(fill.held.serial, state.estimate, state.context, ended_s)
        self.out.append(
            FillEnded(
                stamp=self.now,
                summary=fill.summary(ended_s=ended_s, outcome=Outcome.INTERRUPTED if interrupted else None),
                lesson=teaching.lesson,
                untaught=teaching.untaught,
                ending=teaching.ending,
                warmth=warmth,
                drop=state.evidence.drop,
            )
        )

    @property
    def fill_is_open(self) -> bool:
        """True between the first inflow and the end."""
        return self.state.phase in FILL_OPEN
