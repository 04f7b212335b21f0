"""One whip of a gauge that several share: how it joins the others, what changes with them, what valves have shown."""

from dataclasses import replace

from fillguard.core.events import (
    AlarmChanged,
    CommandAnswered,
    GroupChanged,
    Lamp,
    LampChanged,
    Phase,
    PhaseChanged,
    Prompt,
    PromptChanged,
    WhipClosed,
)
from fillguard.core.figures import BAR_AND_CELSIUS, pressure, stamped
from fillguard.core.fill import OpenFill
from fillguard.core.hinted import Finding
from fillguard.core.identifying import capacity_of
from fillguard.core.lifecycle import FILL_OPEN, Sign
from fillguard.core.staging import Staging
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Companion
from fillguard.core.whip import Mate, WhipState

UNEQUAL_STARTS = "unequal-starts"
_APART_PA = 10.0 * PA_PER_BAR
_MOVED_PA = 1.5 * PA_PER_BAR
_WAITING = frozenset({Phase.CONNECTED, Phase.DRAINING})


class Sharing(Staging):
    """One whip, with what it has to do with others on its gauge."""

    def enter(self, was: Phase) -> None:
        """The whip goes where the others are already: `was` its own phase before."""
        state, course = self.state, self.state.course
        if was is not state.phase:
            self.out.append(
                PhaseChanged(
                    stamp=self.now,
                    sample_s=state.gauge.sample_s,
                    whip=state.whip,
                    fill_id=None,
                    old=was,
                    new=state.phase,
                    reason="joins what fills from its gauge",
                )
            )
        if state.phase not in FILL_OPEN:
            return
        self._open_fill()
        fill = self.state.fill
        if fill is not None and course.flow_stopped_s is not None and course.close_pa is not None:
            self.state = replace(self.state, fill=fill.flow_stopped(course.flow_stopped_s, course.close_pa))

    def regroup(self, gauge: str, mates: tuple[Mate, ...], *, anew: bool) -> None:
        """Others came to this whip's gauge or left it; `anew`: this whip has only now joined them."""
        state = self.state
        changed = anew or _cylinders(mates) != _cylinders(state.mates)
        self.state = replace(state, mates=mates)
        if self.state.fill is not None:
            self.state = replace(self.state, fill=_with_companions(self.state.fill, gauge, mates))
        if not changed:
            return
        if self.state.fill is not None:
            self.hold_anew(self.state.fill)
        elif self.state.phase is Phase.CONNECTED and self.state.course.level_pa is not None:
            self.connect(self.state.course.level_pa)
        self._tell_group(gauge)

    def close_off(self, event: WhipClosed, gauge: str | None) -> None:
        """A named person closed this whip alone: its cylinder is as full as it gets, the others go on."""
        refused = None
        if gauge is None:
            refused = f"whip {self.state.whip} has a gauge of its own: its readings say when it is closed"
        elif self.state.attached is None and self.state.fill is None:
            refused = f"nothing is attached to whip {self.state.whip}"
        else:
            self.give_up()
            if self.state.phase not in {Phase.IDLE, Phase.ENDED, Phase.INTERRUPTED}:
                self.take(Sign.DETACHED)
            self.state = replace(self.state, attached=None, mates=(), follows=None, lead_lamp=Lamp.NORMAL)
        self.out.append(
            CommandAnswered(
                stamp=self.now,
                command_id=event.command_id,
                verb="closed",
                operator=event.operator,
                whip=event.whip,
                alarm=None,
                occurrence=None,
                refused=refused,
            )
        )

    def follow_lead(self, lamp: Lamp, raised: tuple[AlarmChanged, ...]) -> None:
        """Take over what the first whip of the gauge was told: its lamp, and alarms that are about the gauge."""
        fill = self.state.fill
        for change in raised if fill is not None else ():
            fill = fill.with_alarm(change.alarm, priority=change.priority, at_s=change.stamp.utc_s) if fill else None
        self.state = replace(self.state, fill=fill, lead_lamp=lamp)
        shown = self.desk().lamp()
        if shown is not self.state.lamp:
            self.state = replace(self.state, lamp=shown)
            self.out.append(LampChanged(stamp=self.now, whip=self.state.whip, lamp=shown))

    def opened_late(self, stood_at_pa: float, fell_to_pa: float) -> None:
        """The gauge fell from where it stood: where several share it, the valve of another cylinder was opened."""
        if not self.state.mates:
            super().opened_late(stood_at_pa, fell_to_pa)
            return
        self.state = replace(self.state, course=replace(self.state.course, stood_at_pa=None))

    def follow_level(self) -> None:
        """Before gas is let in: the gauge stands somewhere else once the next cylinder has been opened."""
        state, level_pa = self.state, self.state.course.level_pa
        if not state.mates or level_pa is None or state.phase not in _WAITING:
            return
        stood = state.stood_pa
        if stood and abs(level_pa - stood[-1]) < _MOVED_PA:
            return
        self.state = replace(state, stood_pa=(*stood, level_pa)[-len(state.mates) - 1 :])
        if not stood:
            return
        self.connect(level_pa)
        other_pa = self._other_pa(stood, level_pa)
        if abs(other_pa - stood[-1]) > _APART_PA and state.follows is None:
            self.find(unequal_starts(stood[-1], level_pa, other_pa))
            if self.state.prompt is None:
                self.state = replace(self.state, prompt=Prompt.OPEN_EMPTIER_FIRST)
                asked = PromptChanged(stamp=self.now, whip=state.whip, fill_id=None, prompt=Prompt.OPEN_EMPTIER_FIRST)
                self.out.append(asked)

    def _rest(self, sign: Sign) -> None:
        super()._rest(sign)
        self.state = replace(self.state, stood_pa=())

    def _other_pa(self, stood: tuple[float, ...], level_pa: float) -> float:
        """What was in the cylinder that was opened last, if one was: by the amounts, as if pressures were.

        Of two it is not known which was opened first: the milder answer counts. Of more, all count as of one size.
        """
        own = capacity_of(self.state.attached)
        others = [capacity_of(mate.attached) for mate in self.state.mates]
        if len(others) > 1:
            count = len(stood)
            return level_pa * (count + 1) - stood[-1] * count
        answers = [
            (level_pa * (own + others[0]) - stood[-1] * first) / second
            for first, second in ((own, others[0]), (others[0], own))
        ]
        return min(answers, key=lambda pa: abs(pa - stood[-1]))

    def _tell_group(self, gauge: str) -> None:
        state, held = self.state, self.held
        names = [f"whip {mate.whip}" for mate in state.mates]
        limit = stamped(held.limit_gauge_pa, BAR_AND_CELSIUS)
        text = (
            f"Whip {state.whip} fills from gauge {gauge} together with {', '.join(names)}: one fill, held to the "
            f"lowest limit of all, {limit}."
            if names
            else f"Whip {state.whip} is alone on gauge {gauge}: limit {limit}."
        )
        self.out.append(
            GroupChanged(
                stamp=self.now,
                whip=state.whip,
                fill_id=state.fill.fill_id if state.fill is not None else None,
                gauge=gauge,
                companions=tuple(_companion(mate) for mate in state.mates),
                limit_gauge_pa=held.limit_gauge_pa,
                text=text,
            )
        )


def joined(lead: WhipState, own: WhipState) -> WhipState:
    """`own` with all that the gauge has shown to `lead`: it is the same gauge."""
    return replace(
        own,
        course=lead.course,
        gauge=lead.gauge,
        context=lead.context,
        estimate=lead.estimate,
        inside=lead.inside,
        rate_before_pa_s=lead.rate_before_pa_s,
        ahead_pa=lead.ahead_pa,
        leapt_s=lead.leapt_s,
        evidence=lead.evidence,
        stood_pa=lead.stood_pa,
        waits_since_mono_s=lead.waits_since_mono_s,
        online=lead.online,
        follows=lead.whip,
    )


def unequal_starts(stood_pa: float, level_pa: float, other_pa: float) -> Finding:
    """Two cylinders with different residual pressures were opened to each other."""
    was, now, other = (pressure(max(pa, 0.0), BAR_AND_CELSIUS) for pa in (stood_pa, level_pa, other_pa))
    text = (
        f"The gauge stood at {was} and went to {now} when the next cylinder was opened: if it was one, about {other} "
        f"was in it, {abs(bar_from_pa(other_pa - stood_pa)):.0f} bar apart. Gas rushes from the fuller into the "
        "emptier one, heats it and strains hose and valve. Open the emptier one first, the fuller one slowly."
    )
    return Finding(name=UNEQUAL_STARTS, confidence=0.7, text=text)


def _cylinders(mates: tuple[Mate, ...]) -> tuple[tuple[str, object], ...]:
    return tuple((mate.whip, mate.attached) for mate in mates)


def _companion(mate: Mate) -> Companion:
    serial = mate.attached.serial if mate.attached is not None else None
    return Companion(whip=mate.whip, serial=serial, fill_id=mate.fill_id)


def _with_companions(fill: OpenFill, gauge: str, mates: tuple[Mate, ...]) -> OpenFill:
    """The fill with everything that was ever filled beside it."""
    if not mates:
        return fill
    known = {companion.whip: companion for companion in fill.companions}
    known |= {mate.whip: _companion(mate) for mate in mates}
    return replace(fill, gauge=gauge, companions=tuple(known.values()))
