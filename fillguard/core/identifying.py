"""What hangs on a whip, as people say and the record knows: what a fill is held to, its verdict, doubts about it."""

from collections.abc import Sequence
from dataclasses import replace

from fillguard.core import estimator
from fillguard.core.context import FillContext
from fillguard.core.events import (
    CylinderAttached,
    CylinderChecked,
    CylinderDetached,
    FillIdentified,
    FindingMade,
    OutEvent,
    Phase,
    ValveNoted,
    VerdictGiven,
    VerdictOverridden,
)
from fillguard.core.fill import UNKNOWN_CAPACITY_M3, Held, OpenFill, assumed_cylinder, held_to
from fillguard.core.fitness.checks import SETTLES, Check, Checked, merged, named, unread
from fillguard.core.fitness.verdict import Level, Reason
from fillguard.core.gas import GasSurface
from fillguard.core.hinted import Finding
from fillguard.core.identity import said_to_be, stranger, with_identity
from fillguard.core.learned import Doubt
from fillguard.core.limits import developed_gauge_pa
from fillguard.core.projecting import context_of
from fillguard.core.rules import Rules
from fillguard.core.thresholds import Thresholds
from fillguard.core.values import Stamp, Warmth
from fillguard.core.view import View
from fillguard.core.warmth import still_warm
from fillguard.core.whip import Mate, WhipState


def capacity_of(attached: CylinderAttached | None) -> float:
    """Water capacity of what somebody attached; of the usual cylinder where nobody described it."""
    if attached is None or attached.cylinder is None:
        return UNKNOWN_CAPACITY_M3
    return attached.cylinder.total_capacity_m3


def held_together(held: Held, mates: Sequence[Mate], rules: Rules) -> Held:
    """What a cylinder is held to that fills from one gauge with others: the lowest of all, in everything."""
    ambient_pa, own = rules.ambient_abs_pa, held.cylinder
    limit_pa, target_pa, ceiling_pa = held.limit_gauge_pa, held.target_gauge_pa, held.ceiling_gauge_pa
    others = [held_to(mate.attached, rules, mate.whip) for mate in mates]
    for other in others:
        gas = rules.surface_of(other.gas)

        def here(pa: float, of: Held = other, gas: GasSurface = gas) -> float:
            return developed_gauge_pa(of.cylinder, gas, pa, own.reference_k, ambient_pa)

        limit_pa = min(limit_pa, here(other.limit_gauge_pa))
        target_pa = min(target_pa, here(other.target_gauge_pa))
        ceiling_pa = min(ceiling_pa, other.ceiling_gauge_pa)
    return replace(
        held,
        limit_gauge_pa=limit_pa,
        target_gauge_pa=min(target_pa, limit_pa),
        ceiling_gauge_pa=ceiling_pa,
        mates=tuple(other.cylinder for other in others),
        mate_whips=tuple(mate.whip for mate in mates),
    )


class Identifying:
    """One whip during one step. The state it holds is replaced, never changed."""

    def __init__(
        self,
        state: WhipState,
        rules: Rules,
        now: Stamp,
        *,
        air_k: float | None = None,
        bath_k: float | None = None,
        warm: Sequence[Warmth] = (),
    ) -> None:
        """Take the whip up as the last step left it, with what the station's own sensors say now."""
        self.state = state
        self.rules = rules
        self.now = now
        self.air_k = air_k
        self.bath_k = bath_k
        self.warm = warm
        self.out: list[OutEvent] = []

    @property
    def view(self) -> View:
        """What conditions and diagnosis may look at."""
        return View(state=self.state, rules=self.rules, now=self.now)

    @property
    def held(self) -> Held:
        """What this whip's cylinder is held to, fill or no fill."""
        fill = self.state.fill
        return fill.held if fill is not None else self.held_anew()

    def held_anew(self) -> Held:
        """What the cylinder here is held to by what is known now."""
        held = held_to(self.state.attached, self.rules, self.state.whip)
        return held_together(held, self.state.mates, self.rules) if self.state.mates else held

    @property
    def capacity_m3(self) -> float:
        """Water capacity of all that hangs on this whip's gauge, as far as somebody said."""
        attached, others = self.state.attached, sum(capacity_of(mate.attached) for mate in self.state.mates)
        if attached is None and self.state.fill is not None:
            return self.state.fill.held.cylinder.total_capacity_m3 + others
        return capacity_of(attached) + others

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

    def connect(self, level_pa: float, *, start_seen: bool = True, sample_s: float | None = None) -> None:
        """Begin the estimate at a level that stands (or at the best that is known of the start)."""
        state = self.state
        context = self._context_of(self.held, level_pa)
        wall_k = state.wall.start_k(self.now) if state.wall is not None else None
        at_s = state.gauge.sample_s if sample_s is None else sample_s
        estimate = estimator.begin(context, level_pa, at_s, wall_k, start_seen=start_seen)
        self.state = replace(state, context=context, estimate=estimate)

    def _still_warm(self, held: Held, start_pa: float) -> Doubt | None:
        """How warm this very cylinder comes back from its last fill."""
        around_k = self.rules.ambient_k if self.air_k is None else self.air_k
        return still_warm(self.warm, held.serial, now_s=self.now.utc_s, around_k=around_k, start_gauge_pa=start_pa)

    def _context_of(self, held: Held, start_pa: float) -> FillContext:
        return context_of(
            held,
            self.rules,
            self.state.whip,
            start_pa=start_pa,
            came=self._still_warm(held, start_pa),
            air_k=self.air_k,
            bath_k=self.bath_k,
            supply_end_gauge_pa=self.view.supply_gauge_pa,
        )

    def identify(self, fill: OpenFill) -> None:
        """The cylinder of an open fill became known or turned out to be another one."""
        attached = self.state.attached
        held, kept = self._not_looser(fill.held, self.held_anew())
        notes = (attached.note if attached is not None else None, kept)
        said = said_to_be(attached, held, self.now)
        fill = replace(fill, held=held, identified=with_identity(fill.identified, said))
        self.state = replace(self.state, fill=fill)
        self.out.append(
            FillIdentified(
                stamp=self.now,
                fill_id=fill.fill_id,
                whip=fill.whip,
                serial=held.serial,
                operator=held.operator,
                cylinder=held.described,
                limit_gauge_pa=held.limit_gauge_pa,
                reference_k=held.cylinder.reference_k,
                target_gauge_pa=held.target_gauge_pa,
                note=" ".join(note for note in notes if note) or None,
                verdict=held.verdict,
                checked=attached.checked if attached is not None else (),
                class_name=attached.class_name if attached is not None else None,
            )
        )
        self._adapt(fill, held)

    def hold_anew(self, fill: OpenFill) -> None:
        """What else fills from the gauge of an open fill has changed, and what it is held to with it."""
        held, _ = self._not_looser(fill.held, self.held_anew())
        fill = replace(fill, held=held)
        self.state = replace(self.state, fill=fill)
        self._adapt(fill, held)

    def _adapt(self, fill: OpenFill, held: Held) -> None:
        """Lead the estimate over to what the fill is held to now."""
        old, estimate = self.state.context, self.state.estimate
        if old is None or estimate is None:
            return
        new = self._context_of(held, fill.start_pa)
        if (old.cylinder, old.mates) == (new.cylinder, new.mates):
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

    def check(self, event: CylinderChecked) -> str | None:
        """Take down what a named person looked at; in words why it could not be, None when it was."""
        attached, fill = self.state.attached, self.state.fill
        if attached is None:
            return "nothing to tick: no cylinder hangs here"
        new = tuple(Checked(check=check, by=event.operator, utc_s=event.stamp.utc_s) for check in event.checks)
        attached = self._ticked(replace(attached, operator=attached.operator or event.operator), new)
        self.state = replace(self.state, attached=attached)
        self.tell_verdict(event.operator)
        if fill is not None:
            self.identify(fill)
        elif self.state.phase in {Phase.CONNECTED, Phase.DRAINING}:
            self.connect(self.state.course.level_pa or self.state.gauge.gauge_pa or 0.0)
        return None

    def said_again(self, event: CylinderAttached) -> CylinderAttached:
        """What was looked at still holds when the same cylinder is said again on this whip."""
        before = self.state.attached
        same = before is not None and before.serial is not None and before.serial == event.serial
        return self._ticked(event, before.checked if before is not None and same else ())

    def _ticked(self, attached: CylinderAttached, new: tuple[Checked, ...]) -> CylinderAttached:
        """With more ticks, and without what they answer of its verdict."""
        attached = replace(attached, checked=merged(attached.checked, new))
        if named(attached.checked, Check.VALVES_OPEN) is not None:
            attached = replace(attached, visits=replace(attached.visits, valve_confirmed_open=True))
        answered = {reason for check, reason in SETTLES.items() if named(attached.checked, check) is not None}
        if attached.cylinder is None and attached.of_class is not None and not unread(attached.checked):
            attached = replace(attached, cylinder=attached.of_class)
            answered.add("class-unread")
        if attached.verdict is None or not new:
            return attached
        held = held_to(attached, self.rules, self.state.whip)
        verdict = attached.verdict.answered(answered)
        verdict = replace(verdict, limit_gauge_pa=held.limit_gauge_pa, reference_k=held.cylinder.reference_k)
        return replace(attached, verdict=verdict)

    def note_valve(self, event: CylinderAttached | CylinderDetached) -> None:
        """Tell what the operator noticed at the valve of the cylinder that hangs, or hung, here."""
        fill, attached = self.state.fill, self.state.attached
        if isinstance(event, CylinderAttached):
            serial = event.serial
        else:
            serial = attached.serial if attached is not None else self.state.last_serial
        self.state = replace(self.state, last_serial=event.serial if isinstance(event, CylinderAttached) else None)
        if event.valve_found or event.valve_note:
            self.out.append(
                ValveNoted(
                    stamp=self.now,
                    whip=self.state.whip,
                    fill_id=fill.fill_id if fill is not None else None,
                    serial=serial,
                    operator=event.operator,
                    found=event.valve_found,
                    note=event.valve_note,
                )
            )

    def doubt_cylinder(self, level_pa: float) -> None:
        """Ask whether it is the right cylinder, where more stands in it than its last recorded fill left."""
        at_k = self.state.wall.start_k(self.now) if self.state.wall is not None else None
        question = stranger(self.state.attached, self.rules, level_pa, at_k or self.air_k)
        attached = self.state.attached
        if question is None or attached is None or question.name in self.state.findings:
            return
        self.find(question)
        if attached.verdict is not None:
            asked = Reason(code=question.name, level=Level.CARE, text=question.text.rstrip("."))
            self.state = replace(self.state, attached=replace(attached, verdict=attached.verdict.with_reasons([asked])))
            self.tell_verdict(None)

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
        """What an open fill is held to from now on: a stricter limit at once, a looser one by who read the stamp."""
        attached = self.state.attached
        if attached is not None and attached.stamp_read is not None:
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
        return held, "The lower limit stays until somebody reads the stamp and says so by name."
