"""Several whips on one gauge: its readings go to each that takes part, the first of them leads.

Each whip keeps a course, an estimate and a fill of its own. All are led on by the same readings and balance the same
sum of cylinders, so that they show one curve; each gives its cylinder its own row. What concerns the gauge and the flow
is judged and told for the leading whip only.
"""

from dataclasses import replace

from fillguard.core.conditions import OF_THE_GAUGE
from fillguard.core.events import AlarmChanged, Lamp, OutEvent, Phase, PresenceChanged, Reading, ReadingDoubted
from fillguard.core.lifecycle import Sign
from fillguard.core.rules import Rules
from fillguard.core.sharing import joined
from fillguard.core.stationstate import StationState, Step, done, watch_of
from fillguard.core.values import Stamp
from fillguard.core.watch import Watch
from fillguard.core.whip import Mate, WhipState

_UNCLAIMED = frozenset({Phase.CONNECTED, Phase.DRAINING})


def on_shared_gauge(state: StationState, reading: Reading, whips: tuple[str, ...], rules: Rules) -> Step:
    """A reading of a gauge that several whips share, to each that takes part; to the first where none does."""
    told: list[OutEvent] = []
    for index, name in enumerate(_taking_part(state, whips) or whips[:1]):
        watch = watch_of(state, name, rules, reading.stamp)
        watch.on_pressure(replace(reading, whip=name))
        state, out = done(state, watch)
        # A reading is doubted once, under the name that it came by.
        facts = (replace(fact, whip=reading.whip or name) if isinstance(fact, ReadingDoubted) else fact for fact in out)
        told.extend(fact for fact in facts if index == 0 or not isinstance(fact, ReadingDoubted))
    return state, tuple(told)


def on_shared_sensor(state: StationState, reading: Reading, whips: tuple[str, ...], rules: Rules) -> Step:
    """The loop of a gauge that several whips share, or what feeds them all: that is so for every whip on it."""
    told: list[OutEvent] = []
    for name in whips:
        watch = watch_of(state, name, rules, reading.stamp)
        watch.on_sensed(replace(reading, whip=name))
        state, out = done(state, watch)
        told.extend(out)
    return state, tuple(told)


def on_shared_presence(state: StationState, event: PresenceChanged, whips: tuple[str, ...], rules: Rules) -> Step:
    """The gateway of a shared gauge came or went: that is so for every whip on it."""
    told: list[OutEvent] = []
    for name in whips:
        watch = watch_of(state, name, rules, event.stamp)
        watch.on_presence(online=event.online)
        state, out = done(state, watch)
        told.extend(out)
    return state, tuple(told)


def regrouped(state: StationState, facts: tuple[OutEvent, ...], rules: Rules, now: Stamp) -> Step:
    """The station once each shared gauge knows who takes part, after what `facts` tell of the step."""
    told: list[OutEvent] = []
    for gauge, whips in rules.gauges.items():
        state, out = _regrouped(state, facts, (gauge, whips), rules, now)
        told.extend(out)
    return state, tuple(told)


def _regrouped(
    state: StationState, facts: tuple[OutEvent, ...], shared: tuple[str, tuple[str, ...]], rules: Rules, now: Stamp
) -> Step:
    gauge, whips = shared
    names = _taking_part(state, whips)
    told: list[OutEvent] = []
    for name in whips:
        if name not in names and name in state.whips:
            state, out = _left(state, name, rules, now, claimed=bool(names))
            told.extend(out)
    new = tuple(name for name in names[1:] if state.whips[name].follows is None)
    for name in new:
        state, out = _joins(state, name, names, rules, now)
        told.extend(out)
    for name in names:
        watch = watch_of(state, name, rules, now)
        state, out = _led(state, watch, names, gauge, anew=name in new)
        told.extend(out)
    raised = tuple(
        fact
        for fact in facts
        if isinstance(fact, AlarmChanged) and fact.is_raise and fact.alarm in OF_THE_GAUGE and fact.whip in names[:1]
    )
    for name in names[1:]:
        lamp = state.whips[names[0]].lamp
        if raised or lamp is not state.whips[name].lead_lamp:
            watch = watch_of(state, name, rules, now)
            watch.follow_lead(lamp, raised)
            state, out = done(state, watch)
            told.extend(out)
    return state, tuple(told)


def _taking_part(state: StationState, whips: tuple[str, ...]) -> tuple[str, ...]:
    """The whips on which something hangs or fills, the leading one first: it leads for as long as it takes part."""
    there = [state.whips[name] for name in whips if name in state.whips and takes_part(state.whips[name])]
    return tuple(whip.whip for whip in sorted(there, key=_rank))


def takes_part(whip: WhipState) -> bool:
    """True when something hangs on this whip, or fills from it."""
    return whip.attached is not None or whip.fill is not None


def _rank(whip: WhipState) -> tuple[bool, bool, float]:
    since_s = whip.attached.stamp.mono_s if whip.attached is not None else 0.0
    return whip.follows is not None, not whip.mates and whip.fill is None, since_s


def _left(state: StationState, name: str, rules: Rules, now: Stamp, *, claimed: bool) -> Step:
    """A whip that takes no part (any more): `claimed`, the gauge speaks for others."""
    whip = state.whips[name]
    watch = watch_of(state, name, rules, now)
    if claimed and whip.phase in _UNCLAIMED:
        watch.take(Sign.DETACHED)
    if whip.mates or whip.follows is not None or whip.lead_lamp is not Lamp.NORMAL:
        watch.state = replace(watch.state, mates=(), follows=None)
        watch.follow_lead(Lamp.NORMAL, ())
    return done(state, watch) if watch.state is not whip else (state, ())


def _joins(state: StationState, name: str, names: tuple[str, ...], rules: Rules, now: Stamp) -> Step:
    own, lead = state.whips[name], state.whips[names[0]]
    watch = watch_of(state, name, rules, now)
    watch.state = replace(joined(lead, own), mates=_mates(state, name, names))
    watch.enter(own.phase)
    return done(state, watch)


def _led(state: StationState, watch: Watch, names: tuple[str, ...], gauge: str, *, anew: bool) -> Step:
    whip, name = watch.state, watch.state.whip
    mates = _mates(state, name, names)
    follows = names[0] if name != names[0] else None
    if whip.mates == mates and whip.follows == follows and not anew:
        return state, ()
    watch.state = replace(whip, follows=follows)
    if follows is None and whip.lead_lamp is not Lamp.NORMAL:
        watch.follow_lead(Lamp.NORMAL, ())
    watch.regroup(gauge, mates, anew=anew)
    return done(state, watch)


def _mates(state: StationState, name: str, names: tuple[str, ...]) -> tuple[Mate, ...]:
    return tuple(
        Mate(whip=other, attached=whip.attached, fill_id=whip.fill.fill_id if whip.fill is not None else None)
        for other in sorted(names)
        if other != name
        for whip in (state.whips[other],)
    )
