"""The whole station as one pure function: `step(state, event, rules) -> (state, events)`."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from fillguard.core.alarmdesk import NO_SUCH_ALARM, is_meant
from fillguard.core.alarms import Seen, Standing, Subject, command, elapse, judge
from fillguard.core.conditions import ON_PRESSURE
from fillguard.core.events import (
    AlarmChanged,
    AlarmCommanded,
    AlarmState,
    CanaryReturned,
    ClockStepped,
    CommandAnswered,
    CylinderAttached,
    CylinderDetached,
    Doubt,
    InEvent,
    LearningReset,
    OutEvent,
    Phase,
    PresenceChanged,
    Quality,
    Quantity,
    Reading,
    ReadingRejected,
    RulesChanged,
    ServiceChanged,
    SettledRead,
    Tick,
    VerdictGiven,
    VerdictOverridden,
)
from fillguard.core.learned import Ending
from fillguard.core.rules import Rules
from fillguard.core.teaching import Around, taught_by
from fillguard.core.values import Stamp, Surroundings
from fillguard.core.watch import Watch
from fillguard.core.whip import COLDEST_K, HOTTEST_K, WhipState

CLOCK_WRONG = "clock-wrong"
_ALARM_OF_SERVICE = {
    "ledger": "store-failing",
    "mirror": "store-failing",
    "channel": "channel-failing",
    "configuration": "configuration-broken",
    "canary": "self-test-failing",
    "drops": "drops",
    "zero": "zero-off",
    "shared": "shared-gauge",
}
_BLINDING = frozenset({"step", "intake"})
"""Services without which nobody sees a whip."""
_NOT_NOW = frozenset({Doubt.RETAINED, Doubt.LATE, Doubt.DUPLICATE})
"""Says nothing about how warm it is now: a stored message may be days old."""
_MEDIA = {Quantity.AMBIENT: Surroundings.AIR, Quantity.BATH: Surroundings.BATH}


@dataclass(frozen=True, slots=True, kw_only=True)
class StationState:
    """Every whip, what the station's own sensors say, and the alarms about the station itself."""

    whips: Mapping[str, WhipState] = field(default_factory=dict)
    air_k: float | None = None
    bath_k: float | None = None
    standings: Mapping[str, Standing] = field(default_factory=dict)
    failing: Mapping[str, str] = field(default_factory=dict)
    """Services that do not work, with what is known of why."""
    endings: tuple[Ending, ...] = ()
    """Fills that a settled reading can still teach something about, oldest first."""

    @property
    def at_rest(self) -> bool:
        """True while no whip is open or watched and no alarm waits: ticks may then be skipped."""
        return _quiet(self.standings) and all(
            w.phase is Phase.IDLE and w.attached is None and not w.left_over and _quiet(w.standings)
            for w in self.whips.values()
        )

    @property
    def fill_is_open(self) -> bool:
        """True while a fill is open on any whip."""
        return any(whip.fill is not None for whip in self.whips.values())


Step = tuple[StationState, tuple[OutEvent, ...]]


def step(state: StationState, event: InEvent, rules: Rules) -> Step:
    """The station after `event`, and everything the world must be told, in order.

    Pure: the same state, event and rules always give the same answer. Never raises for anything a sensor can send.
    Whoever calls it takes over the learned values that a `LearnedChanged` brings, and the thresholds of `RulesChanged`.
    """
    state, facts = _stepped(state, event, rules)
    around = Around(whips=state.whips, air_k=state.air_k, rules=rules, now=event.stamp)
    endings, learned = taught_by(event, facts, state.endings, around)
    if endings is not state.endings:
        state = replace(state, endings=endings)
    return state, (*facts, *learned)


def _stepped(state: StationState, event: InEvent, rules: Rules) -> Step:  # noqa: PLR0911 - one for each kind of event
    match event:
        case Reading():
            return _on_reading(state, event, rules)
        case CylinderAttached() | CylinderDetached() | PresenceChanged() | VerdictOverridden():
            return _on_word(state, event, rules)
        case Tick():
            return _on_tick(state, event, rules)
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


def _watch(state: StationState, whip: str, rules: Rules, now: Stamp) -> Watch:
    known = state.whips.get(whip) or WhipState(whip=whip)
    if known.held_to is not None:
        rules = rules.held_to(known.held_to)
    return Watch(known, rules, now, air_k=state.air_k, bath_k=state.bath_k)


def _done(state: StationState, watch: Watch) -> Step:
    whip = watch.state
    return replace(state, whips={**state.whips, whip.whip: whip}), tuple(watch.out)


def _on_reading(state: StationState, reading: Reading, rules: Rules) -> Step:
    medium = _MEDIA.get(reading.quantity)
    if medium is not None:
        return _on_surroundings(state, reading, medium, rules)
    if reading.whip is None or reading.quantity not in {Quantity.PRESSURE, Quantity.WALL}:
        return state, ()
    watch = _watch(state, reading.whip, rules, reading.stamp)
    if reading.quantity is Quantity.PRESSURE:
        watch.on_pressure(reading)
    else:
        watch.on_wall(reading)
    return _done(state, watch)


def _on_surroundings(state: StationState, reading: Reading, medium: Surroundings, rules: Rules) -> Step:
    if reading.quality is Quality.BAD or reading.doubt in _NOT_NOW or not COLDEST_K < reading.value < HOTTEST_K:
        return state, ()
    air = medium is Surroundings.AIR
    state = replace(state, air_k=reading.value) if air else replace(state, bath_k=reading.value)
    whips = dict(state.whips)
    for name in whips:
        watch = _watch(state, name, rules, reading.stamp)
        watch.on_surroundings(reading.value, medium)
        whips[name] = watch.state
    return replace(state, whips=whips), ()


def _on_word(
    state: StationState,
    event: CylinderAttached | CylinderDetached | PresenceChanged | VerdictOverridden,
    rules: Rules,
) -> Step:
    watch = _watch(state, event.whip, rules, event.stamp)
    match event:
        case CylinderAttached():
            watch.on_attached(event)
        case CylinderDetached():
            watch.on_detached()
        case VerdictOverridden():
            watch.on_overridden(event)
        case PresenceChanged():
            watch.on_presence(online=event.online)
    state, facts = _done(state, watch)
    if isinstance(event, VerdictOverridden):
        facts += (_override_answered(event, facts),)
    return state, facts


def _override_answered(event: VerdictOverridden, facts: Iterable[OutEvent]) -> CommandAnswered:
    refused = next((fact.refused for fact in facts if isinstance(fact, VerdictGiven)), None)
    return CommandAnswered(
        stamp=event.stamp,
        command_id=event.command_id,
        verb="override",
        operator=event.operator,
        whip=event.whip,
        alarm=None,
        occurrence=None,
        refused=refused,
    )


def _on_rules(state: StationState, event: RulesChanged, rules: Rules) -> Step:
    """`rules` are still the old ones: an open fill keeps what is stricter in them."""
    if event.thresholds is None:
        return state, ()
    told: list[OutEvent] = []
    for name in state.whips:
        watch = _watch(state, name, rules, event.stamp)
        watch.keep_stricter(event.thresholds)
        state, out = _done(state, watch)
        told.extend(out)
    return state, tuple(told)


def _on_tick(state: StationState, tick: Tick, rules: Rules) -> Step:
    told: list[OutEvent] = []
    for name in state.whips:
        watch = _watch(state, name, rules, tick.stamp)
        watch.on_tick()
        state, out = _done(state, watch)
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
        watch = _watch(state, name, rules, event.stamp)
        refusal = watch.on_command(event)
        if refusal is None:
            taken.append(watch)
        elif refusal != NO_SUCH_ALARM:
            refused = refusal
    if len(taken) > 1:
        whips = ", ".join(watch.state.whip for watch in taken)
        return state, (), f"{event.alarm} stands on whips {whips}: say which one"
    return (*_done(state, taken[0]), None) if taken else (state, (), refused)


def _on_clock(state: StationState, event: ClockStepped, rules: Rules) -> Step:
    """Sample times from before and after a step cannot be compared, so every whip begins anew."""
    cause = f"The computer's clock was moved by {event.by_s:+.1f} s while the watch was running."
    state, told = _station_alarm(state, rules, CLOCK_WRONG, Seen.yes(cause), event.stamp)
    # From here on it is right again: whoever reads times across the step must know, nobody need do anything else.
    state, ended = _station_alarm(state, rules, CLOCK_WRONG, Seen.no(), event.stamp)
    told += ended
    for name in state.whips:
        watch = _watch(state, name, rules, event.stamp)
        watch.on_clock_stepped()
        state, out = _done(state, watch)
        told += out
    return state, told


def _on_service(state: StationState, event: ServiceChanged, rules: Rules) -> Step:
    failing = {name: why for name, why in state.failing.items() if name != event.service}
    if not event.ok:
        failing[event.service] = event.detail
    state = replace(state, failing=failing)
    if event.service in _BLINDING:
        return _on_blindness(state, event, rules)
    kind = event.service.split(":", 1)[0]
    alarm = _ALARM_OF_SERVICE.get(kind)
    if alarm is None:
        return state, ()
    why = [f"{name}: {text}" for name, text in failing.items() if _ALARM_OF_SERVICE.get(name.split(":", 1)[0]) == alarm]
    return _station_alarm(state, rules, alarm, Seen.yes("; ".join(why)) if why else Seen.no(), event.stamp)


def _on_blindness(state: StationState, event: ServiceChanged, rules: Rules) -> Step:
    told: list[OutEvent] = []
    for name in state.whips if event.whip is None else (event.whip,):
        watch = _watch(state, name, rules, event.stamp)
        watch.on_outage(None if event.ok else event.detail)
        state, out = _done(state, watch)
        told.extend(out)
    return state, tuple(told)


def _station_alarm(state: StationState, rules: Rules, name: str, seen: Seen, now: Stamp) -> Step:
    rule = rules.alarms.get(name)
    if rule is None:
        return state, ()
    changes: tuple[AlarmChanged, ...]
    standing, changes = judge(state.standings.get(name) or Standing(), rule, Subject(station=rules.station), seen, now)
    return replace(state, standings={**state.standings, name: standing}), changes


def _quiet(standings: Mapping[str, Standing]) -> bool:
    return all(s.state is AlarmState.NORMAL and s.turned_mono_s is None for s in standings.values())
