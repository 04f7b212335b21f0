"""The whole station as one pure function: `step(state, event, rules) -> (state, events)`."""

from collections.abc import Mapping
from dataclasses import replace

from fillguard.core.alarmdesk import NO_SUCH_ALARM, is_meant
from fillguard.core.alarms import Seen, Standing, Subject, command, elapse
from fillguard.core.conditions import ON_PRESSURE
from fillguard.core.events import (
    AlarmChanged,
    AlarmCommanded,
    CanaryReturned,
    ClockStepped,
    CommandAnswered,
    CylinderAttached,
    CylinderChecked,
    CylinderDetached,
    Doubt,
    FillAnalysed,
    FillReleased,
    InEvent,
    LearningReset,
    OutEvent,
    PresenceChanged,
    Quality,
    Quantity,
    Reading,
    ReadingRejected,
    RulesChanged,
    ServiceChanged,
    SettledRead,
    StageCalled,
    Tick,
    VerdictOverridden,
    WhipClosed,
    ZeroChecked,
    ZeroVerdict,
)
from fillguard.core.moving import moved
from fillguard.core.rules import Rules
from fillguard.core.saying import deed_answered, on_call, on_word
from fillguard.core.sensed import is_usable
from fillguard.core.sensing import with_sensed
from fillguard.core.sources import on_question, on_source, with_bank
from fillguard.core.stationstate import StationState, Step, done, station_alarm, watch_of
from fillguard.core.teaching import Around, taught_by
from fillguard.core.together import on_shared_gauge, on_shared_sensor, regrouped
from fillguard.core.values import Surroundings
from fillguard.core.visiting import visited
from fillguard.core.warmth import warmed
from fillguard.core.whip import COLDEST_K, HOTTEST_K
from fillguard.core.zero import ZERO_OFF, off_since_bled

__all__ = ["ALARM_OF_SERVICE", "CLOCK_WRONG", "StationState", "Step", "step"]
CLOCK_WRONG = "clock-wrong"
ALARM_OF_SERVICE = {
    "ledger": "record-failing",
    "mirror": "store-failing",
    "channel": "channel-failing",
    "configuration": "configuration-broken",
    "canary": "self-test-failing",
    "drops": "drops",
    "zero": ZERO_OFF,
    "shared": "shared-gauge",
    "calibration": "calibration-due",
}
"""What a part of fillguard, or of a sensor, says of itself, by the first word of its name."""
_ONE_BY_ONE = frozenset({"channel"})
"""Services of which each one that fails is told, although others fail already."""
_BLINDING = frozenset({"step", "intake"})
"""Services without which nobody sees a whip."""
_NOT_NOW = frozenset({Doubt.RETAINED, Doubt.LATE, Doubt.DUPLICATE})
"""Says nothing about how warm it is now: a stored message may be days old."""
_MEDIA = {Quantity.AMBIENT: Surroundings.AIR, Quantity.BATH: Surroundings.BATH}


def step(state: StationState, event: InEvent, rules: Rules) -> Step:
    """The station after `event`, and everything the world must be told, in order.

    Pure: the same state, event and rules always give the same answer. Never raises for anything a sensor can send.
    Whoever calls it takes over the learned values that a `LearnedChanged` brings, and the thresholds of `RulesChanged`.
    """
    state, facts = _stepped(state, event, rules)
    if rules.gauges:
        state, more = regrouped(state, facts, rules, event.stamp)
        facts += more
    if any(whip.between is not None for whip in state.whips.values()):
        state, moves = moved(state, rules, event.stamp)
        facts += moves
    around = Around(whips=state.whips, air_k=state.air_k, rules=rules, now=event.stamp)
    endings, learned = taught_by(event, facts, state.endings, around)
    warm, known = warmed(state.warm, facts), visited(state.visited, facts)
    if endings is not state.endings or warm is not state.warm or known is not state.visited:
        state = replace(state, endings=endings, warm=warm, visited=known)
    return state, (*facts, *learned)


def _stepped(state: StationState, event: InEvent, rules: Rules) -> Step:  # noqa: PLR0911, C901 - one for each kind of event
    match event:
        case Reading():
            return _on_reading(state, event, rules)
        case CylinderAttached() | CylinderDetached() | CylinderChecked() | PresenceChanged() | VerdictOverridden():
            return on_word(state, event, rules)
        case StageCalled() | WhipClosed():
            return on_call(state, event, rules)
        case Tick():
            return _on_tick(state, event, rules)
        case FillAnalysed() | FillReleased():
            return state, (deed_answered(event),)
        case AlarmCommanded():
            return _on_command(state, event, rules)
        case ServiceChanged():
            return _on_service(state, event, rules)
        case ClockStepped():
            return _on_clock(state, event, rules)
        case RulesChanged():
            return _on_rules(state, event, rules)
        case ReadingRejected() | CanaryReturned() | SettledRead() | LearningReset():
            return state, ()


def _on_reading(state: StationState, reading: Reading, rules: Rules) -> Step:
    medium = _MEDIA.get(reading.quantity)
    if reading.whip is None and is_usable(reading):
        state = replace(state, sensed=with_sensed(state.sensed, reading))
    if medium is not None:
        return _on_surroundings(state, reading, medium, rules)
    if reading.whip is None:
        return on_source(state, reading, rules)
    shared = rules.gauge_of(reading.whip)
    if shared is not None and reading.quantity is Quantity.PRESSURE:
        state, told = on_shared_gauge(state, reading, shared[1], rules)
    elif shared is not None and _concerns_all(reading, shared[1]):
        state, told = on_shared_sensor(state, reading, shared[1], rules)
    else:
        state, told = _on_own(state, reading, reading.whip, rules)
    for fact in told:
        if isinstance(fact, ZeroChecked):
            state, changes = _on_zero(state, fact, rules)
            told += changes
    return with_bank(state, told, reading, rules) if reading.quantity is Quantity.SUPPLY else (state, told)


def _concerns_all(reading: Reading, whips: tuple[str, ...]) -> bool:
    """True for what is said of a shared gauge itself: its loop, or what came under its own name."""
    return reading.quantity is Quantity.LOOP_CURRENT or reading.whip not in whips


def _on_own(state: StationState, reading: Reading, whip: str, rules: Rules) -> Step:
    """A reading of a sensor that one whip has to itself."""
    watch = watch_of(state, whip, rules, reading.stamp)
    match reading.quantity:
        case Quantity.PRESSURE:
            watch.on_pressure(reading)
        case Quantity.WALL:
            watch.on_wall(reading)
        case _:
            watch.on_sensed(reading)
    return done(state, watch)


def _on_zero(state: StationState, fact: ZeroChecked, rules: Rules) -> Step:
    """What a bleed showed of a gauge stands until a later bleed shows better."""
    name = off_since_bled(fact.whip)
    failing = {key: why for key, why in state.failing.items() if key != name}
    if fact.judged is not ZeroVerdict.GOOD:
        failing[name] = fact.text.rstrip(".")
    state = replace(state, failing=failing)
    return station_alarm(state, rules, ZERO_OFF, _failing_of(failing, ZERO_OFF), fact.stamp)


def _on_surroundings(state: StationState, reading: Reading, medium: Surroundings, rules: Rules) -> Step:
    if reading.quality is Quality.BAD or reading.doubt in _NOT_NOW or not COLDEST_K < reading.value < HOTTEST_K:
        return state, ()
    air = medium is Surroundings.AIR
    state = replace(state, air_k=reading.value) if air else replace(state, bath_k=reading.value)
    whips = dict(state.whips)
    for name in whips:
        watch = watch_of(state, name, rules, reading.stamp)
        watch.on_surroundings(reading.value, medium)
        whips[name] = watch.state
    return replace(state, whips=whips), ()


def _on_rules(state: StationState, event: RulesChanged, rules: Rules) -> Step:
    """`rules` are still the old ones: an open fill keeps what is stricter in them."""
    if event.thresholds is None:
        return state, ()
    told: list[OutEvent] = []
    for name in state.whips:
        watch = watch_of(state, name, rules, event.stamp)
        watch.keep_stricter(event.thresholds)
        state, out = done(state, watch)
        told.extend(out)
    return state, tuple(told)


def _on_tick(state: StationState, tick: Tick, rules: Rules) -> Step:
    told: list[OutEvent] = []
    for name in state.whips:
        watch = watch_of(state, name, rules, tick.stamp)
        watch.on_tick()
        watch.tell_silent(state.sensed)
        state, out = done(state, watch)
        told.extend(out)
    for name, standing in state.standings.items():
        rule = rules.alarms.get(name)
        if rule is not None:
            new, changes = elapse(standing, rule, Subject(station=rules.station), tick.stamp)
            state = replace(state, standings={**state.standings, name: new})
            told.extend(changes)
    return state, tuple(told)


def _on_command(state: StationState, event: AlarmCommanded, rules: Rules) -> Step:
    """A person acts on an alarm, and hears what became of it."""
    state, changes, refused = _commanded(state, event, rules)
    if refused is not None:
        return state, (_answer(event, refused),)
    done = next((change for change in changes if isinstance(change, AlarmChanged)), None)
    named = event if done is None else replace(event, whip=done.whip, alarm=done.alarm, occurrence=done.occurrence)
    return state, (*changes, _answer(named, None))


def _answer(event: AlarmCommanded, refused: str | None) -> CommandAnswered:
    return CommandAnswered(
        stamp=event.stamp,
        command_id=event.command_id,
        verb=event.verb.value,
        operator=event.operator,
        whip=event.whip,
        alarm=event.alarm,
        occurrence=event.occurrence,
        refused=refused,
    )


def _commanded(
    state: StationState, event: AlarmCommanded, rules: Rules
) -> tuple[StationState, tuple[OutEvent, ...], str | None]:
    """The station after `event`; the third part says in words why nothing was done."""
    refused = NO_SUCH_ALARM
    if event.whip is None:
        standings = dict(state.standings)
        if event.alarm is not None and event.alarm not in ON_PRESSURE:
            standings.setdefault(event.alarm, Standing())  # also an alarm that never was there can be set aside
        for name, standing in standings.items():
            rule = rules.alarms.get(name)
            if rule is not None and is_meant(event, name, standing):
                new, changes, refusal = command(standing, rule, Subject(station=rules.station), event)
                if refusal is None:
                    return replace(state, standings={**state.standings, name: new}), changes, None
                refused = refusal
    taken = []
    for name in state.whips if event.whip is None else (event.whip,):
        watch = watch_of(state, name, rules, event.stamp)
        refusal = watch.on_command(event)
        if refusal is None:
            taken.append(watch)
        elif refusal != NO_SUCH_ALARM:
            refused = refusal
    if len(taken) > 1:
        whips = ", ".join(watch.state.whip for watch in taken)
        return state, (), f"{event.alarm} stands on whips {whips}: say which one"
    return (*done(state, taken[0]), None) if taken else (state, (), refused)


def _on_clock(state: StationState, event: ClockStepped, rules: Rules) -> Step:
    """Sample times from before and after a step cannot be compared, so every whip begins anew."""
    cause = f"The computer's clock was moved by {event.by_s:+.1f} s while the watch was running."
    state, told = station_alarm(state, rules, CLOCK_WRONG, Seen.yes(cause), event.stamp)
    # From here on it is right again: whoever reads times across the step must know, nobody need do anything else.
    state, ended = station_alarm(state, rules, CLOCK_WRONG, Seen.no(), event.stamp)
    told += ended
    for name in state.whips:
        watch = watch_of(state, name, rules, event.stamp)
        watch.on_clock_stepped()
        state, out = done(state, watch)
        told += out
    return state, told


def _on_service(state: StationState, event: ServiceChanged, rules: Rules) -> Step:
    known = state.failing
    failing = {name: why for name, why in known.items() if name != event.service}
    if not event.ok:
        failing[event.service] = event.detail
    state = replace(state, failing=failing)
    if event.service in _BLINDING:
        return _on_blindness(state, event, rules)
    kind = event.service.split(":", 1)[0]
    state, found = on_question(state, event, kind, rules)
    alarm = ALARM_OF_SERVICE.get(kind)
    if alarm is None:
        return state, found
    ended: tuple[OutEvent, ...] = ()
    if not event.ok and kind in _ONE_BY_ONE and event.service not in known:
        # One more: whoever was told of the first must hear of this one, so that it is an occurrence of its own.
        state, ended = station_alarm(state, rules, alarm, Seen.no(), event.stamp)
    state, changes = station_alarm(state, rules, alarm, _failing_of(failing, alarm), event.stamp)
    return state, (*found, *ended, *changes)


def _failing_of(failing: Mapping[str, str], alarm: str) -> Seen:
    """What an alarm sees of the services that it speaks for."""
    why = [f"{name}: {text}" for name, text in failing.items() if ALARM_OF_SERVICE.get(name.split(":", 1)[0]) == alarm]
    return Seen.yes("; ".join(why)) if why else Seen.no()


def _on_blindness(state: StationState, event: ServiceChanged, rules: Rules) -> Step:
    told: list[OutEvent] = []
    for name in state.whips if event.whip is None else (event.whip,):
        watch = watch_of(state, name, rules, event.stamp)
        watch.on_outage(None if event.ok else event.detail)
        state, out = done(state, watch)
        told.extend(out)
    return state, tuple(told)
