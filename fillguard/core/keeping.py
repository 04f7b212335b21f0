"""Moves a whip from phase to phase and does what each move asks for: open a fill, connect, identify, write its row."""

from dataclasses import replace

from fillguard.core import estimator
from fillguard.core.alarmdesk import Desk
from fillguard.core.course import at_rest, started, stopped
from fillguard.core.curve import Curve
from fillguard.core.diagnosis import STUCK, bled, findings_of, opened_late
from fillguard.core.events import (
    FillEnded,
    FillIdentified,
    FindingMade,
    FlowStopped,
    Outcome,
    OutEvent,
    Phase,
    PhaseChanged,
    VerdictGiven,
    VerdictOverridden,
)
from fillguard.core.evidence import NOTHING
from fillguard.core.fill import LOSS, UNKNOWN_CAPACITY_M3, Held, OpenFill, assumed_cylinder, fill_id, held_to
from fillguard.core.gathering import gathered
from fillguard.core.hinted import Finding
from fillguard.core.learning import teaching_of
from fillguard.core.lifecycle import FILL_OPEN, WAITING, Sign, next_phase
from fillguard.core.limits import developed_gauge_pa
from fillguard.core.projecting import context_of
from fillguard.core.rules import Rules
from fillguard.core.thresholds import Thresholds
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Stamp
from fillguard.core.view import View
from fillguard.core.whip import WhipState

_SUPPLY_LEAST_PA = 50.0 * PA_PER_BAR
"""Below it a hose that stands and falls may have run ahead of an empty cylinder."""
_HOSE_FALLS_FOR_S, _STOOD_SHARE = 20.0, 0.9
"""A hose is level with its cylinder sooner: what falls for longer is a cylinder that is drained."""
_OVER = frozenset({Phase.ENDED, Phase.INTERRUPTED})


class Keeping:
    """One whip during one step. The state it holds is replaced, never changed."""

    def __init__(
        self, state: WhipState, rules: Rules, now: Stamp, *, air_k: float | None = None, bath_k: float | None = None
    ) -> None:
        """Take the whip up as the last step left it, with what the station's own sensors say now."""
        self.state = state
        self.rules = rules
        self.now = now
        self.air_k = air_k
        self.bath_k = bath_k
        self.out: list[OutEvent] = []

    @property
    def view(self) -> View:
        """What conditions and diagnosis may look at."""
        return View(state=self.state, rules=self.rules, now=self.now)

    @property
    def held(self) -> Held:
        """What this whip's cylinder is held to, fill or no fill."""
        fill = self.state.fill
        return fill.held if fill is not None else held_to(self.state.attached, self.rules, self.state.whip)

    @property
    def capacity_m3(self) -> float:
        """Water capacity of what hangs on this whip, as far as somebody said."""
        attached = self.state.attached
        if attached is not None and attached.cylinder is not None:
            return attached.cylinder.total_capacity_m3
        return self.state.fill.held.cylinder.total_capacity_m3 if self.state.fill is not None else UNKNOWN_CAPACITY_M3

    def desk(self) -> Desk:
        """The alarms of this whip as they stand."""
        return Desk(state=self.state, rules=self.rules, now=self.now)

    def close_desk(self, desk: Desk) -> None:
        """Take over what was done at the desk."""
        self.state = desk.state
        self.out.extend(desk.changes)

    def find(self, finding: Finding) -> None:
        """Tell a finding once per stretch."""
        state = self.state
        if finding.name in state.findings:
            return
        fill = state.fill.with_finding(finding.name) if state.fill is not None else None
        self.state = replace(state, findings=state.findings | {finding.name}, fill=fill)
        self.out.append(
            FindingMade(
                stamp=self.now,
                whip=state.whip,
                fill_id=fill.fill_id if fill is not None else None,
                finding=finding.name,
                confidence=finding.confidence,
                text=finding.text,
            )
        )

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
        station = self.rules.station
        start_s = course.start_s if course.start_s is not None else state.gauge.sample_s
        goes_on = state.context if state.estimate is not None and course.plateau_seen else None
        fill = OpenFill(
            fill_id=fill_id(station, state.whip, start_s, taken=state.last_fill_id),
            station=station,
            whip=state.whip,
            held=held_to(state.attached, self.rules, state.whip),
            started_s=start_s,
            start_pa=course.start_pa,
            plateau_seen=course.plateau_seen,
            ambient_k=self.air_k,
            learned_version=goes_on.learned.version if goes_on is not None else self.rules.learned.version,
            peak_pa=course.start_pa,
            last_inside_pa=course.start_pa,
            peak_inside_pa=course.start_pa,
            findings=tuple(sorted(state.findings)),
        )
        self.state = replace(state, fill=fill, last_fill_id=fill.fill_id, attach_used=True, inside=Curve(), shown=None)
        self.out.append(fill.started_event(self.now))
        self.close_desk(self.desk().carried_over())
        if self.state.estimate is None or not course.plateau_seen:
            self.connect(course.start_pa, start_seen=course.plateau_seen, sample_s=start_s)

    def connect(self, level_pa: float, *, start_seen: bool = True, sample_s: float | None = None) -> None:
        """Begin the estimate at a level that stands (or at the best that is known of the start)."""
        state = self.state
        context = context_of(self.held, self.rules, state.whip, start_pa=level_pa, air_k=self.air_k, bath_k=self.bath_k)
        wall_k = state.wall.start_k(self.now) if state.wall is not None else None
        at_s = state.gauge.sample_s if sample_s is None else sample_s
        estimate = estimator.begin(context, level_pa, at_s, wall_k, start_seen=start_seen)
        self.state = replace(state, context=context, estimate=estimate)

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

    def identify(self, fill: OpenFill) -> None:
        """The cylinder of an open fill became known or turned out to be another one."""
        attached = self.state.attached
        held, kept = self._not_looser(fill.held, held_to(attached, self.rules, self.state.whip))
        notes = (attached.note if attached is not None else None, kept)
        self.state = replace(self.state, fill=replace(fill, held=held))
        self.out.append(
            FillIdentified(
                stamp=self.now,
                fill_id=fill.fill_id,
                whip=fill.whip,
                serial=held.serial,
                operator=held.operator,
                cylinder=held.cylinder if held.identified else None,
                limit_gauge_pa=held.limit_gauge_pa,
                reference_k=held.cylinder.reference_k,
                target_gauge_pa=held.target_gauge_pa,
                note=" ".join(note for note in notes if note) or None,
                verdict=held.verdict,
            )
        )
        old, estimate = self.state.context, self.state.estimate
        if old is None or estimate is None:
            return
        new = context_of(
            held, self.rules, self.state.whip, start_pa=fill.start_pa, air_k=self.air_k, bath_k=self.bath_k
        )
        if old.cylinder == new.cylinder:
            # The unknowns began with these values; what they say must be told apart from the same ones.
            new = replace(new, learned=old.learned)
        fill = replace(self.state.fill or fill, learned_version=new.learned.version)
        self.state = replace(self.state, fill=fill, context=new, estimate=estimator.adapted(estimate, old, new))

    def keep_stricter(self, new: Thresholds) -> None:
        """Other thresholds come into force: an open fill is held to the stricter of old and new until it ends."""
        fill = self.state.fill
        if fill is None:
            return
        stricter = new.stricter_than(self.rules.thresholds)
        self.state, self.rules = replace(self.state, held_to=stricter), self.rules.held_to(stricter)
        if not fill.held.identified and fill.held.cylinder != assumed_cylinder(self.rules.whip(self.state.whip)):
            self.identify(fill)

    def override(self, event: VerdictOverridden) -> bool:
        """Have the named person answer for this cylinder, where anybody may; True when an open fill goes on with it."""
        attached = self.state.attached
        if attached is None or attached.verdict is None:
            self.tell_verdict(event.operator, refused="nothing to override: no cylinder with a verdict hangs here")
            return False
        verdict, refused = attached.verdict.overridden(event.operator, event.reason)
        self.state = replace(self.state, attached=replace(attached, verdict=verdict))
        self.tell_verdict(event.operator, refused=refused)
        if self.state.fill is None or refused is not None:
            return False
        self.identify(self.state.fill)
        return True

    def tell_verdict(self, operator: str | None, *, refused: str | None = None) -> None:
        """Say whether the attached cylinder may be filled; `refused`: why it was not overridden."""
        attached, fill = self.state.attached, self.state.fill
        self.out.append(
            VerdictGiven(
                stamp=self.now,
                whip=self.state.whip,
                fill_id=fill.fill_id if fill is not None else None,
                serial=attached.serial if attached is not None else None,
                operator=operator,
                verdict=attached.verdict if attached is not None else None,
                refused=refused,
            )
        )

    def _not_looser(self, old: Held, new: Held) -> tuple[Held, str | None]:
        """What an open fill is held to from now on: a stricter limit at once, a looser one only by somebody's name."""
        if new.operator:
            return new, None
        gas, ambient_pa = self.rules.surface_of(new.gas), self.rules.ambient_abs_pa
        limit = developed_gauge_pa(old.cylinder, gas, old.limit_gauge_pa, new.cylinder.reference_k, ambient_pa)
        if new.limit_gauge_pa <= limit:
            return new, None
        held = replace(
            new,
            limit_gauge_pa=limit,
            target_gauge_pa=min(new.target_gauge_pa, limit),
            ceiling_gauge_pa=min(new.ceiling_gauge_pa, old.ceiling_gauge_pa),
        )
        return held, "The lower limit stays until somebody attaches it by name, with the stamp read."

    def _rest(self, sign: Sign) -> None:
        """Nothing is open any more: write the fill's row, free the whip, keep an attachment that still holds."""
        gone = sign is Sign.GONE
        if self.state.fill is not None:
            self.close_desk(self.desk().closed(blind=gone))
            fill = self.state.fill
            outcome = Outcome.INTERRUPTED if gone else None
            ended_s = self.now.utc_s
            teaching = teaching_of(fill, self.state.estimate, self.state.context, ended_s=ended_s, interrupted=gone)
            self.out.append(
                FillEnded(
                    stamp=self.now,
                    summary=fill.summary(ended_s=ended_s, outcome=outcome),
                    lesson=teaching.lesson,
                    untaught=teaching.untaught,
                    ending=teaching.ending,
                )
            )
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

    @property
    def fill_is_open(self) -> bool:
        """True between the first inflow and the end."""
        return self.state.phase in FILL_OPEN
