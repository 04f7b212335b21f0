"""A whip taken up where the last run left it: its kept state, and the record after it through the same step.

Nothing is told while the record is folded. Afterwards what the fold believes of the alarms is held against what the
record says was told, and only the difference is announced.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from fillguard.core.alarms import Standing
from fillguard.core.errors import LedgerError
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    ClockStepped,
    FillStarted,
    InEvent,
    LampChanged,
    OutEvent,
    PhaseChanged,
    PromptChanged,
    Tick,
    VerdictGiven,
)
from fillguard.core.rules import Rules
from fillguard.core.sensed import Sensors
from fillguard.core.standing import RESTARTED
from fillguard.core.station import StationState
from fillguard.core.units import quantised_time_s
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.engine import Stepper
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.snapshots import Kept, Place
from fillguard.ledger.states import plain_state, sensors_of, state_of

LOOKED_BACK_S = 900.0
"""How long before a fill its whip is followed where no state was kept: enough to see the level it started from."""
_SET_BACK_S = 1.0
"""A wall clock that reads so much less than the record has been set back: nothing can be compared any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenUp:
    """The whips that go on, as the last run would have them now, and what the station's own sensors said."""

    whips: Mapping[str, WhipState] = field(default_factory=dict)
    """On the present monotonic clock, listening anew."""
    air_k: float | None = None
    bath_k: float | None = None
    sensed: Sensors = field(default_factory=dict)
    away_s: float = 0.0
    """Since the last thing on record."""
    folded: int = 0
    """Readings and events that were folded."""
    from_start: bool = False
    """No state had been kept that could be used: folded from before the fills."""

    @property
    def fills(self) -> frozenset[str]:
        """The fills that go on."""
        return frozenset(state.fill.fill_id for state in self.whips.values() if state.fill is not None)

    def said(self, fill_id: str) -> str:
        """For log and record."""
        since = "from before it began" if self.from_start else "from its kept state"
        return f"fill {fill_id} goes on after {self.away_s:.1f} s: {since}, {self.folded} readings and events folded"


NOTHING = TakenUp()


class _Fold:
    """The station on its way from a place in the record to its end."""

    def __init__(self, rules: Rules, state: StationState, place: Place, at: Stamp | None) -> None:
        self.place, self.folded = place, 0
        self._stepper = Stepper(rules, state)
        self._ahead_s: float | None = None
        """UTC less the monotonic clock of the run that is folded."""
        if at is not None:
            self._ahead_s = at.utc_s - at.mono_s
            for _ in self._stepper.advance(at):
                pass

    @property
    def state(self) -> StationState:
        return self._stepper.state

    def take(self, event: InEvent) -> None:
        """Step over one event."""
        for _ in self._stepper.feed(replace(event, stamp=self._stamp(event))):
            pass
        self.folded += 1

    def pass_time(self, utc_s: float) -> Stamp:
        """Tick on to the last thing on record; returns that moment on the clock of the fold."""
        until = Stamp(mono_s=quantised_time_s(utc_s - (self._ahead_s or 0.0)), utc_s=utc_s)
        for _ in self._stepper.advance(until):
            pass
        return until

    def _stamp(self, event: InEvent) -> Stamp:
        """Of a reading only UTC is on record. Within one run the two clocks differ by a constant, until one is set."""
        stamp = event.stamp
        if isinstance(event, ClockStepped) or self._ahead_s is None:
            self._ahead_s = stamp.utc_s - stamp.mono_s
        return Stamp(mono_s=quantised_time_s(stamp.utc_s - self._ahead_s), utc_s=stamp.utc_s)


def taken_up(
    reader: SqliteLedgerReader, rules: Rules, now: Stamp, fresh: Mapping[str, WhipState], within_s: float
) -> TakenUp:
    """The whips that go on; those whose fill does not end up as the record has it are left out.

    Args:
        reader: of the ledger.
        rules: in force from now on.
        now: the moment of the restart.
        fresh: each whip with nothing known but its alarms: where a fold without a kept state begins.
        within_s: a run that ended longer ago is not gone on with.

    Raises:
        LedgerError: the record cannot be read.
    """
    last_utc_s = reader.past.newest_s()
    away_s = now.utc_s - last_utc_s
    if not -_SET_BACK_S <= away_s <= within_s:
        return NOTHING
    open_fills = reader.open_fills()
    kept = reader.past.kept(rules.rules_hash, rules.surface_of)
    fold = _from_kept(kept, rules, fresh) if kept is not None else _from_start(reader, rules, fresh, open_fills)
    if fold is None:
        return NOTHING
    for event in reader.past.since(fold.place):
        fold.take(event)
    until = fold.pass_time(last_utc_s)
    whips = {
        whip: _listening(state, until, now, rules)
        for whip, state in _believed(fold.state.whips, open_fills).items()
        if whip in fresh and (kept is not None or state.fill is not None)
    }
    sensed = sensors_of(plain_state(fold.state.sensed), by_s=now.mono_s - until.mono_s)
    surroundings = TakenUp(air_k=fold.state.air_k, bath_k=fold.state.bath_k, sensed=sensed)
    return replace(surroundings, whips=whips, away_s=away_s, folded=fold.folded, from_start=kept is None)


def _from_kept(kept: Kept, rules: Rules, fresh: Mapping[str, WhipState]) -> _Fold:
    state = StationState(whips={**fresh, **kept.whips}, air_k=kept.air_k, bath_k=kept.bath_k, sensed=kept.sensed)
    return _Fold(rules, state, kept.place, kept.at)


def _from_start(
    reader: SqliteLedgerReader, rules: Rules, fresh: Mapping[str, WhipState], open_fills: Sequence[FillStarted]
) -> _Fold | None:
    """From before the first of the open fills; None when there is none."""
    places = [reader.past.before_fill(fill.fill_id, fill.whip, fill.started_s - LOOKED_BACK_S) for fill in open_fills]
    if not places:
        return None
    place = Place(reading=min(p.reading for p in places), journal=min(p.journal for p in places))
    return _Fold(rules, StationState(whips=fresh), place, None)


def _believed(whips: Mapping[str, WhipState], open_fills: Sequence[FillStarted]) -> dict[str, WhipState]:
    """The whips whose open fill is one that is open on record; a fill may have gone over to another whip since."""
    on_record = {fill.fill_id for fill in open_fills}
    held = {state.fill.fill_id for state in whips.values() if state.fill is not None}
    dropped = {fill.whip for fill in open_fills if fill.fill_id not in held}
    return {
        whip: state
        for whip, state in whips.items()
        if (whip not in dropped if state.fill is None else state.fill.fill_id in on_record)
    }


def _listening(state: WhipState, then: Stamp, now: Stamp, rules: Rules) -> WhipState:
    """The whip on the present clock. Nobody listened meanwhile, so no silence and no delay went on.

    Shelving alone has gone on: it ends when the person was told that it would.
    """
    by_s, passed_s = now.mono_s - then.mono_s, now.utc_s - then.utc_s
    moved = state_of(plain_state(state), rules.surface_of, by_s=by_s, shelved_by_s=by_s - passed_s)
    return replace(moved, outage=None)


def shown_anew(state: WhipState, now: Stamp) -> tuple[InEvent, tuple[OutEvent, ...]]:
    """What a board must hear to show this whip as it was: a cause and its facts. None of it is news."""
    fill, attached = state.fill, state.attached
    fill_id = fill.fill_id if fill is not None else None
    facts: list[OutEvent] = [
        PhaseChanged(
            stamp=now,
            sample_s=state.gauge.sample_s,
            whip=state.whip,
            fill_id=fill_id,
            old=state.phase,
            new=state.phase,
            reason=RESTARTED,
        )
    ]
    if fill is not None:
        facts.append(fill.started_event(now))
    if attached is not None and attached.verdict is not None:
        facts.append(
            VerdictGiven(
                stamp=now,
                whip=state.whip,
                fill_id=fill_id,
                serial=attached.serial,
                operator=attached.operator,
                verdict=attached.verdict,
            )
        )
    facts.append(PromptChanged(stamp=now, whip=state.whip, fill_id=fill_id, prompt=state.prompt))
    facts.append(LampChanged(stamp=now, whip=state.whip, lamp=state.lamp))
    if state.shown is not None:
        facts.append(replace(state.shown, stamp=now))
    return replace(attached, stamp=now) if attached is not None else Tick(stamp=now), tuple(facts)


# Alarms ---------------------------------------------------------------------------------------------------------------


def differences(state: WhipState, told: Iterable[AlarmChanged], rules: Rules, now: Stamp) -> list[AlarmChanged]:
    """What must be announced so that what was told of this whip's alarms and what is believed agree.

    `told`: the last change of each occurrence on record that is not normal again.
    """
    on_record = {change.occurrence: change for change in told}
    believed = {
        standing.occurrence: (name, standing)
        for name, standing in (*state.left_over, *state.standings.items())
        if standing.occurrence and standing.state is not AlarmState.NORMAL and name in rules.alarms
    }
    changes = [
        replace(change, stamp=now, old=change.new, new=AlarmState.NORMAL, by=None, reason=RESTARTED)
        for occurrence, change in on_record.items()
        if occurrence not in believed
    ]
    for occurrence, (name, standing) in believed.items():
        before = on_record.get(occurrence)
        if before is None:
            if not standing.covered and not standing.hidden:
                changes.append(_announced(name, standing, AlarmState.NORMAL, now))
        elif before.new is not standing.state:
            changes.append(_announced(name, standing, before.new, now))
    return changes


def _announced(alarm: str, standing: Standing, old: AlarmState, now: Stamp) -> AlarmChanged:
    subject = standing.subject
    if subject is None:
        raise LedgerError(f"alarm {alarm} stands as {standing.occurrence!r}, and nobody knows for whom")
    return AlarmChanged(
        stamp=now,
        whip=subject.whip,
        fill_id=subject.fill_id,
        serial=subject.serial,
        operator=subject.operator,
        alarm=alarm,
        occurrence=standing.occurrence,
        priority=standing.priority,
        old=old,
        new=standing.state,
        cause=standing.cause,
        facts=standing.facts,
        first_out=standing.first_out,
        raised_utc_s=standing.raised_utc_s,
        reason=RESTARTED,
    )
