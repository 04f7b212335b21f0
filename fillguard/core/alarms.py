"""The life cycle of an alarm: what was seen becomes what people must be told.

The states are those of IEC 62682. They are kept as flags that do not depend on each other (active, acknowledged,
latched, and three ways of being hidden); the name of the state follows from them. A latched alarm stays on show after
its condition ended until a person resets it. Hidden alarms are judged all the same and announced when they are shown
again. Delays, shelving and re-alarm run on the monotonic clock only.

One `Standing` belongs to one alarm of one whip (or of the station). An **occurrence** begins when the alarm is
announced and ends when its condition ends or it is hidden: at most one raise and one return each.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from fillguard.core.events import AlarmChanged, AlarmCommanded, AlarmState, Chatter, Verb
from fillguard.core.rules import AlarmRule
from fillguard.core.standing import ALLOWED, FILL_ENDED, NEW_FILL, Move, Seen, Standing, Subject, move
from fillguard.core.values import Stamp

__all__ = ["Seen", "Standing", "Subject", "carry_over", "command", "elapse", "judge", "stop_judging"]

SHELVED_AT_MOST_S = 1800.0
"""IEC 62682 asks for a limit; half an hour is our choice."""
CHATTER_RAISES = 3
CHATTER_WITHIN_S = 60.0
"""Three raises in a minute: the usual reading of IEC 62682 (trade press)."""


Changes = tuple[AlarmChanged, ...]


def judge(
    standing: Standing,
    rule: AlarmRule,
    subject: Subject,
    seen: Seen,
    now: Stamp,
    *,
    suppressed_by: str | None = None,
    first_out: bool = False,
) -> tuple[Standing, Changes]:
    """The alarm after something was seen, and what the world must be told.

    Args:
        standing: where it stood.
        rule: its delays, deadband, latch and priority.
        subject: whip, fill and people at this moment.
        seen: the condition, with its words and numbers.
        now: the step's stamp.
        suppressed_by: the finding under which this alarm has no meaning now; judged, not announced.
        first_out: no alarm was raised in this fill so far.
    """
    told = _Told(rule=rule, subject=subject, now=now, first_out=first_out)
    # Hidden first, shown last: what begins under suppression is not announced, what ended under it is not either.
    hidden = replace(
        standing, suppressed_by=suppressed_by or standing.suppressed_by, subject=_whose(standing.subject, subject)
    )
    changes = told.change(standing, hidden)
    noted = _noted(hidden, rule, seen, now)
    flipped, more = _flipped(noted, told)
    shown, last = _shown(flipped, told, suppressed_by=suppressed_by)
    return shown, changes + more + last


def elapse(
    standing: Standing, rule: AlarmRule, subject: Subject, now: Stamp, *, first_out: bool = False
) -> tuple[Standing, Changes]:
    """The alarm after time has passed: a delay is over, shelving ends, nobody has acknowledged for too long."""
    told = _Told(rule=rule, subject=subject, now=now, first_out=first_out)
    flipped, changes = _flipped(standing, told)
    shown, more = _shown(flipped, told, suppressed_by=standing.suppressed_by)
    if (
        shown.annunciated
        and rule.realarm_s is not None
        and not 0.0 <= now.mono_s - shown.called_mono_s < rule.realarm_s
    ):
        shown = replace(shown, called_mono_s=now.mono_s)
        more += (told.event(shown, AlarmState.UNACKNOWLEDGED),)
    return shown, changes + more


def command(
    standing: Standing, rule: AlarmRule, subject: Subject, event: AlarmCommanded, *, first_out: bool = False
) -> tuple[Standing, Changes, str | None]:
    """The alarm after a named person acted on it; the third part says in words why it was refused (then no change)."""
    refusal = _refusal(standing, rule, event)
    if refusal is not None:
        return standing, (), refusal
    told = _Told(rule=rule, subject=subject, now=event.stamp, first_out=first_out, by=event.operator, why=event.reason)
    match event.verb:
        case Verb.ACKNOWLEDGE:
            new = move(standing, Move.ACKNOWLEDGE, latching=rule.latched)
        case Verb.RESET:
            new = move(standing, Move.RESET, latching=rule.latched)
        case Verb.SHELVE:
            at = event.stamp.mono_s
            new = replace(standing, shelved_at_mono_s=at, shelved_until_mono_s=at + (event.for_s or 0.0))
        case Verb.OUT_OF_SERVICE:
            new = replace(standing, out_of_service_by=event.operator)
        case Verb.UNSHELVE | Verb.IN_SERVICE:
            return *_uncovered(standing, _released(standing, event.verb), told), None
    return new, told.change(standing, new), None


def stop_judging(
    standing: Standing, rule: AlarmRule, subject: Subject, now: Stamp, *, why: str = FILL_ENDED
) -> tuple[Standing, Changes]:
    """An alarm about the cylinder once its fill has ended: it returns, saying that nobody looks any more."""
    told = _Told(rule=rule, subject=subject, now=now, why=why)
    ended = _returned(standing) if standing.active else standing
    return replace(ended, known=False, turned_mono_s=None), told.change(standing, ended)


def carry_over(
    standing: Standing, rule: AlarmRule, subject: Subject, now: Stamp
) -> tuple[Standing, Standing | None, Changes]:
    """What becomes of an alarm about the cylinder when a new fill begins on its whip.

    Returns the standing for the new fill; the one left over from the old fill, or None; and what the world must be
    told. What is left over is not judged any more, but stays on show under its old occurrence until it is acknowledged
    and, where latched, reset: hand it to `command`. The new fill starts with a free standing, so a latched alarm of the
    last cylinder never hides the first alarm of this one. Shelving and out of service go over to the new fill. Not
    for alarms about whip or station (`monitoring-lost`): their condition does not end with a fill.
    """
    told = _Told(rule=rule, subject=subject, now=now, why=NEW_FILL)
    ended, _ = stop_judging(standing, rule, subject, now)
    left = replace(
        ended,
        shelved_at_mono_s=None,
        shelved_until_mono_s=None,
        suppressed_by=None,
        out_of_service_by=None,
        covered=False,
    )
    fresh = Standing(
        shelved_at_mono_s=standing.shelved_at_mono_s,
        shelved_until_mono_s=standing.shelved_until_mono_s,
        out_of_service_by=standing.out_of_service_by,
        occurrence_n=standing.occurrence_n,
        fill_id=standing.fill_id,
        fill_n=standing.fill_n,
        raises_mono_s=standing.raises_mono_s,
        chatter=standing.chatter,
    )
    if left.state is not AlarmState.NORMAL:
        return fresh, left, told.change(standing, left)
    return fresh, None, () if standing.state is fresh.state else (told.event(left, standing.state),)


# How it works ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """What every change of one call has in common."""

    rule: AlarmRule
    subject: Subject
    now: Stamp
    first_out: bool = False
    by: str | None = None
    why: str | None = None

    def change(self, old: Standing, new: Standing) -> Changes:
        """The change from `old` to `new`, if the state has another name now."""
        return () if old.state is new.state else (self.event(new, old.state),)

    def event(self, standing: Standing, old: AlarmState) -> AlarmChanged:
        whose = standing.subject or self.subject
        realarm = old is AlarmState.UNACKNOWLEDGED
        by_design = standing.state is AlarmState.SUPPRESSED and self.by is None
        return AlarmChanged(
            stamp=self.now,
            whip=whose.whip,
            fill_id=whose.fill_id,
            serial=whose.serial,
            operator=whose.operator,
            alarm=self.rule.name,
            occurrence=standing.occurrence or f"{self.subject.fill_id or self.subject.place}/{self.rule.name}/0",
            priority=standing.priority or self.rule.priority,
            old=old,
            new=standing.state,
            cause=standing.cause,
            facts=standing.facts,
            first_out=standing.first_out,
            raised_utc_s=standing.raised_utc_s if standing.occurrence else self.now.utc_s,
            by=self.by,
            reason=standing.suppressed_by if by_design else self.why,
            chatter=standing.chatter if standing.annunciated and not realarm else Chatter.NONE,
        )


def _whose(then: Subject | None, now: Subject) -> Subject | None:
    """Whose the present occurrence is: within its fill the newest word on serial and operator counts."""
    same_fill = then is not None and then.fill_id is not None and then.fill_id == now.fill_id
    return now if same_fill else then


def _noted(standing: Standing, rule: AlarmRule, seen: Seen, now: Stamp) -> Standing:
    """`seen` written down: what is known, and since when it differs from `active`."""
    excess = seen.excess
    if excess is None or math.isnan(excess):
        # A raise may ripen over a gap in the data, a return may not: missing data hides nothing and clears nothing.
        return replace(standing, known=False, turned_mono_s=None if standing.active else standing.turned_mono_s)
    beyond = excess > 0.0
    differs = excess < -rule.deadband if standing.active else beyond
    turned = standing.turned_mono_s if standing.turned_mono_s is not None else now.mono_s
    noted = replace(
        standing,
        known=True,
        turned_mono_s=turned if differs else None,
        seen_cause=seen.cause if beyond else standing.seen_cause,
        seen_facts=seen.facts,
        seen_priority=seen.priority if beyond else standing.seen_priority if standing.active and not differs else None,
    )
    if standing.active and beyond:
        return replace(noted, cause=seen.cause, facts=seen.facts)
    return noted


def _flipped(standing: Standing, told: _Told) -> tuple[Standing, Changes]:
    """`active` brought in line with what has been seen for as long as the delay asks."""
    if standing.turned_mono_s is None or not standing.known:
        return standing, ()
    waited_s = told.now.mono_s - standing.turned_mono_s
    if waited_s < 0.0:  # the machine was started again: its clock begins anew, and so does the delay
        return replace(standing, turned_mono_s=told.now.mono_s), ()
    if waited_s < (told.rule.off_delay_s if standing.active else told.rule.on_delay_s):
        return standing, ()
    turned = replace(standing, turned_mono_s=None)
    if standing.active:
        new = replace(_returned(turned), facts=turned.seen_facts)
    elif standing.hidden_by_person:
        new = replace(_begun(turned, told), covered=True)
    elif standing.hidden:
        new = replace(turned, active=True)
    else:
        new = _announced(_begun(turned, told), told)
    return new, told.change(standing, new)


def _returned(standing: Standing) -> Standing:
    """The condition is gone. What nobody was told of needs no acknowledgement, unless it latches."""
    new = move(standing, Move.RETURN, latching=False)
    return replace(new, acknowledged=True) if standing.covered and not standing.latched else new


def _begun(standing: Standing, told: _Told) -> Standing:
    """A new occurrence, numbered within its fill or its place."""
    subject = told.subject
    if subject.fill_id is None:
        numbered = replace(standing, occurrence_n=standing.occurrence_n + 1)
        n = numbered.occurrence_n
    else:
        n = standing.fill_n + 1 if standing.fill_id == subject.fill_id else 1
        numbered = replace(standing, fill_id=subject.fill_id, fill_n=n)
    # It may have been active already, but suppressed: nobody was told, so it begins now.
    return replace(
        move(replace(numbered, active=False), Move.RAISE, latching=told.rule.latched),
        occurrence=f"{subject.fill_id or subject.place}/{told.rule.name}/{n}",
        subject=subject,
        priority=min(standing.seen_priority or told.rule.priority, told.rule.priority),
        raised_utc_s=told.now.utc_s,
        first_out=False,
        cause=standing.seen_cause,
        facts=standing.seen_facts,
        covered=False,
    )


def _announced(standing: Standing, told: _Told) -> Standing:
    """People are called; three calls within a minute are chattering."""
    now_s = told.now.mono_s
    raises = (*standing.raises_mono_s, now_s)[-CHATTER_RAISES:]
    chatters = len(raises) == CHATTER_RAISES and 0.0 <= now_s - raises[0] <= CHATTER_WITHIN_S
    chatter = Chatter.NONE
    if chatters:
        chatter = Chatter.BEGAN if standing.chatter is Chatter.NONE else Chatter.GOES_ON
    return replace(
        standing,
        called_mono_s=now_s,
        first_out=told.first_out,
        raises_mono_s=raises,
        chatter=chatter,
        covered=False,
    )


def _shown(standing: Standing, told: _Told, *, suppressed_by: str | None) -> tuple[Standing, Changes]:
    """What no longer hides the alarm taken away: suppression, shelving that ended or is not allowed any more."""
    new = replace(standing, suppressed_by=suppressed_by)
    at, until = standing.shelved_at_mono_s, standing.shelved_until_mono_s
    grave = _is_grave(standing, told.rule)
    ended = at is not None and until is not None and not at <= told.now.mono_s < until
    if ended or grave or not told.rule.shelvable:
        new = replace(new, shelved_at_mono_s=None, shelved_until_mono_s=None)
    if grave:
        new = replace(new, out_of_service_by=None)
    return _uncovered(standing, new, told)


def _uncovered(old: Standing, new: Standing, told: _Told) -> tuple[Standing, Changes]:
    """`new` hides less than `old`: a condition that is still there is announced now."""
    if old.hidden and not new.hidden:
        begun = new if new.covered or not new.active else _begun(new, told)
        new = _announced(begun, told) if begun.active else replace(begun, covered=False)
    return new, told.change(old, new)


def _released(standing: Standing, verb: Verb) -> Standing:
    """What a person took away again."""
    if verb is Verb.UNSHELVE:
        return replace(standing, shelved_at_mono_s=None, shelved_until_mono_s=None)
    return replace(standing, out_of_service_by=None)


def _refusal(standing: Standing, rule: AlarmRule, event: AlarmCommanded) -> str | None:
    """Why the command cannot be done, in words; None when it can."""
    if not event.operator.strip():
        return "say who you are: an alarm is acted on by a named person"
    given = bool(event.reason and event.reason.strip())
    match event.verb:
        case Verb.ACKNOWLEDGE:
            objections = {**_against_late_words(standing, event), **_against_acknowledging(standing, rule)}
        case Verb.RESET:
            objections = {**_against_late_words(standing, event), **_against_resetting(standing, rule, given=given)}
        case Verb.SHELVE:
            objections = {
                **_against_hiding(standing, rule, "shelved", given=given),
                f"{rule.name} cannot be shelved: its record does not allow it": not rule.shelvable,
                f"{rule.name} is shelved already; show it again first": standing.shelved_until_mono_s is not None,
                f"shelving asks for a time of at most {SHELVED_AT_MOST_S / 60:g} min; "
                f"{'none' if event.for_s is None else f'{event.for_s:g} s'} was given": (
                    event.for_s is None or not 0.0 < event.for_s <= SHELVED_AT_MOST_S
                ),
            }
        case Verb.OUT_OF_SERVICE:
            objections = {
                **_against_hiding(standing, rule, "taken out of service", given=given),
                f"{rule.name} is out of service already, by {standing.out_of_service_by}": (
                    standing.out_of_service_by is not None
                ),
            }
        case Verb.UNSHELVE:
            objections = {f"{rule.name} is not shelved": standing.shelved_until_mono_s is None}
        case Verb.IN_SERVICE:
            objections = {f"{rule.name} is in service": standing.out_of_service_by is None}
    return next((words for words, holds in objections.items() if holds), None)


def _against_late_words(standing: Standing, event: AlarmCommanded) -> Mapping[str, bool]:
    """What was meant for an earlier occurrence must not silence the present one."""
    return {
        f"{event.occurrence} is past; {standing.occurrence or 'none'} is the present occurrence": (
            event.occurrence is not None and event.occurrence != standing.occurrence
        )
    }


def _against_acknowledging(standing: Standing, rule: AlarmRule) -> Mapping[str, bool]:
    return {
        f"{rule.name} is {standing.state.value}: it can be acknowledged once it is shown again": standing.hidden,
        f"{rule.name} is {standing.state.value}: there is nothing to acknowledge": (
            standing.beneath not in ALLOWED[Move.ACKNOWLEDGE]
        ),
    }


def _against_resetting(standing: Standing, rule: AlarmRule, *, given: bool) -> Mapping[str, bool]:
    return {
        f"{rule.name} is {standing.state.value}: it can be reset once it is shown again": standing.hidden,
        f"{rule.name} is still there: {standing.cause or rule.cause}": standing.active,
        f"acknowledge {rule.name} first, then reset it": standing.beneath is AlarmState.LATCHED_UNACKNOWLEDGED,
        f"{rule.name} is not latched: there is nothing to reset": not standing.latched,
        f"say what was done about {rule.name}, then reset it": not given,
    }


def _against_hiding(standing: Standing, rule: AlarmRule, hidden: str, *, given: bool) -> Mapping[str, bool]:
    return {
        f"{rule.name} has priority 1: it cannot be {hidden} by a person; remove its cause": _is_grave(standing, rule),
        f"say why {rule.name} is to be {hidden}": not given,
    }


def _is_grave(standing: Standing, rule: AlarmRule) -> bool:
    """Priority 1 by its rule, or in the case that stands or is about to: no person may hide it."""
    return 1 in (rule.priority, standing.priority if standing.active else None, standing.seen_priority)
