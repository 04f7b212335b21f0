"""The alarms of one whip: who judges them, when they go over to a new fill, who acted on them."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from fillguard.core.alarms import Changes, Seen, Standing, Subject, carry_over, command, elapse, judge, stop_judging
from fillguard.core.conditions import OF_THE_GAUGE, OF_THE_WHIP, ON_PRESSURE, suppressed_by
from fillguard.core.events import AlarmChanged, AlarmCommanded, AlarmState, Lamp, Prompt, Verb
from fillguard.core.fill import OpenFill
from fillguard.core.rules import Rules
from fillguard.core.values import Stamp
from fillguard.core.view import View
from fillguard.core.whip import WhipState

NO_SUCH_ALARM = "there is no such alarm here: fillguard alarms list shows what stands"
_DEALT_WITH = frozenset({Verb.ACKNOWLEDGE, Verb.RESET})
_NEW = Standing()
_BY_GRAVITY = (Lamp.NORMAL, Lamp.CHECK, Lamp.STOP)
_LEFT_OVER_KEPT = 64
_CALLS_FOR_CHECK = frozenset({Prompt.GET_READY, Prompt.CLOSE_NOW})


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """One sitting at the alarms of a whip: the state so far and the changes made."""

    state: WhipState
    rules: Rules
    now: Stamp
    changes: Changes = ()

    @property
    def subject(self) -> Subject:
        """Whose alarms these are at this moment."""
        fill, attached = self.state.fill, self.state.attached
        held = fill.held if fill is not None else None
        return Subject(
            station=self.rules.station,
            whip=self.state.whip,
            fill_id=fill.fill_id if fill is not None else None,
            serial=held.serial if held is not None else attached.serial if attached is not None else None,
            operator=held.operator if held is not None else attached.operator if attached is not None else None,
        )

    def judged(self, names: Iterable[str], *, leap_pa: float | None = None) -> "Desk":
        """After looking at the conditions of `names`, graver ones first.

        `leap_pa`: the reading is doubtful, it leapt that far.
        """
        view = View(state=self.state, rules=self.rules, now=self.now, leap_pa=leap_pa)
        desk = self
        for name in names:
            rule = self.rules.alarms.get(name)
            if rule is None or (self.state.follows is not None and name in OF_THE_GAUGE):
                continue
            seen = ON_PRESSURE[name](view, rule)
            if not _nothing_to_do(self.state.standings.get(name, _NEW), seen):
                desk = desk.with_seen(name, seen, hidden=suppressed_by(view, rule))
        return desk

    def with_seen(self, name: str, seen: Seen, *, hidden: str | None = None) -> "Desk":
        """After one condition was seen."""
        standing = self.state.standings.get(name, _NEW)
        if not standing.active and (seen.excess is None or seen.excess <= 0.0):
            hidden = None  # there is nothing to hide: a quiet alarm is not announced as suppressed
        new, changes = judge(
            standing,
            self.rules.alarms[name],
            self.subject,
            seen,
            self.now,
            suppressed_by=hidden,
            first_out=self._first_out(),
        )
        return self._with(name, new, changes)

    def elapsed(self) -> "Desk":
        """After time has passed: delays, shelving, re-alarm."""
        desk = self
        for name, standing in self.state.standings.items():
            rule = desk.rules.alarms.get(name)
            if rule is None or (standing.state is AlarmState.NORMAL and standing.turned_mono_s is None):
                continue
            new, changes = elapse(standing, rule, desk.subject, desk.now, first_out=desk._first_out())
            desk = desk._with(name, new, changes)
        return desk

    def carried_over(self) -> "Desk":
        """At the beginning of a new fill: what the last one left stays on show, the new one starts free."""
        desk = self
        for name, standing in self.state.standings.items():
            rule = desk.rules.alarms.get(name)
            if rule is None or name in OF_THE_WHIP:
                continue
            fresh, left, changes = carry_over(standing, rule, desk.subject, desk.now)
            desk = desk._with(name, fresh, changes)
            if left is not None:
                kept = (*desk.state.left_over, (name, left))[-_LEFT_OVER_KEPT:]
                desk = replace(desk, state=replace(desk.state, left_over=kept))
        return desk

    def closed(self, *, blind: bool = False) -> "Desk":
        """At the end of a fill: nobody looks at its cylinder any more, and no return may say that all is well.

        `blind`: the whip itself is not watched any more either.
        """
        desk = self
        for name, standing in self.state.standings.items():
            rule = desk.rules.alarms.get(name)
            if rule is not None and (blind or name not in OF_THE_WHIP):
                desk = desk._with(name, *stop_judging(standing, rule, desk.subject, desk.now))
                if standing.suppressed_by is not None:
                    desk = desk.with_seen(name, Seen.unknown())
        return desk

    def commanded(self, event: AlarmCommanded) -> tuple["Desk", str | None]:
        """After a person acted; the second part says why it was refused, None when it was done.

        An alarm that is only named is the present one; where there is nothing to do about that, the newest that an
        earlier fill left waiting.
        """
        refused = NO_SUCH_ALARM
        standings = dict(self.state.standings)
        if event.alarm is not None and event.alarm in ON_PRESSURE and event.whip is not None:
            standings.setdefault(event.alarm, _NEW)  # also an alarm that never was there can be set aside
        for name, standing in standings.items():
            rule = self.rules.alarms.get(name)
            if rule is not None and is_meant(event, name, standing):
                new, changes, refusal = command(standing, rule, self.subject, event, first_out=self._first_out())
                if refusal is None:
                    return self._with(name, new, changes), None
                refused = refusal
        for index, (name, left) in reversed(list(enumerate(self.state.left_over))):
            rule = self.rules.alarms.get(name)
            if rule is not None and is_meant(event, name, left) and (event.occurrence or event.verb in _DEALT_WITH):
                new, changes, refusal = command(left, rule, self.subject, event)
                if refusal is None:
                    return self._with_left_over(index, name, new, changes), None
                refused = refusal
        return self, refused

    def _with_left_over(self, index: int, name: str, standing: Standing, changes: Changes) -> "Desk":
        """With one alarm of an earlier fill changed; gone, once nobody has to deal with it any more."""
        others = list(self.state.left_over)
        others[index : index + 1] = [] if standing.state is AlarmState.NORMAL else [(name, standing)]
        return replace(self, state=replace(self.state, left_over=tuple(others)), changes=self.changes + changes)

    def lamp(self) -> Lamp:
        """What the lamp over this whip must show: its own, or that of the whip that leads on its gauge."""
        return max(self._own_lamp(), self.state.lead_lamp, key=_BY_GRAVITY.index)

    def _own_lamp(self) -> Lamp:
        shown = [standing for standing in self.state.standings.values() if not standing.hidden]
        shown += [standing for _, standing in self.state.left_over]
        calling = [s for s in shown if s.active or s.annunciated or (s.latched and not s.acknowledged)]
        if any(s.priority == 1 for s in calling):
            return Lamp.STOP
        if calling and any(s.priority <= 2 for s in calling):  # noqa: PLR2004 - priorities 1 and 2 ask for action
            return Lamp.CHECK
        return Lamp.CHECK if self.state.prompt in _CALLS_FOR_CHECK else Lamp.NORMAL

    def _first_out(self) -> bool:
        return self.state.fill is not None and not self.state.fill.alarms

    def _with(self, name: str, standing: Standing, changes: Changes) -> "Desk":
        state = replace(self.state, standings={**self.state.standings, name: standing})
        raised = [change for change in changes if change.is_raise]
        if raised and state.fill is not None:
            state = replace(state, fill=_told_of(state.fill, raised))
        return replace(self, state=state, changes=self.changes + changes)


def is_meant(event: AlarmCommanded, name: str, standing: Standing) -> bool:
    """True when `event` speaks of the alarm `name`: by its occurrence where one is given, else by its name."""
    return standing.occurrence == event.occurrence if event.occurrence else name == event.alarm


def _told_of(fill: OpenFill, raised: Iterable[AlarmChanged]) -> OpenFill:
    for change in raised:
        fill = fill.with_alarm(change.alarm, priority=change.priority, at_s=change.stamp.utc_s)
    return fill


def _nothing_to_do(standing: Standing, seen: Seen) -> bool:
    """True for the usual case, so that a quiet alarm costs next to nothing: it was not there and it is not there."""
    if standing.active or standing.turned_mono_s is not None or standing.suppressed_by is not None:
        return False
    return not standing.known if seen.excess is None else standing.known and seen.excess <= 0.0
