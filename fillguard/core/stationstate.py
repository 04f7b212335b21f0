"""What the station knows between two events, and how a step reaches one of its whips or alarms."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from fillguard.core.alarms import Seen, Standing, Subject, judge
from fillguard.core.events import AlarmChanged, AlarmState, OutEvent, Phase, Quantity
from fillguard.core.learned import Ending
from fillguard.core.rules import Rules
from fillguard.core.sensed import Sensors
from fillguard.core.values import Stamp, Warmth
from fillguard.core.visiting import Visited
from fillguard.core.watch import Watch
from fillguard.core.whip import WhipState


@dataclass(frozen=True, slots=True, kw_only=True)
class StationState:
    """Every whip, what the station's own sensors say, and the alarms about the station itself."""

    whips: Mapping[str, WhipState] = field(default_factory=dict)
    air_k: float | None = None
    bath_k: float | None = None
    sensed: Sensors = field(default_factory=dict)
    """What the sensors say that no whip has to itself: room, bath, bank, compressor intake."""
    standings: Mapping[str, Standing] = field(default_factory=dict)
    failing: Mapping[str, str] = field(default_factory=dict)
    """Services that do not work, with what is known of why."""
    endings: tuple[Ending, ...] = ()
    """Fills that a settled reading can still teach something about, oldest first."""
    warm: tuple[Warmth, ...] = ()
    """How warm the last cylinders were left behind, oldest first."""
    visited: tuple[Visited, ...] = ()
    """What the last fills of each cylinder say of the way into it."""

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


def watch_of(state: StationState, whip: str, rules: Rules, now: Stamp) -> Watch:
    """One whip, held to what its open fill is held to."""
    bank = state.sensed.get(Quantity.SUPPLY)
    known = state.whips.get(whip) or WhipState(whip=whip, sensed={} if bank is None else {Quantity.SUPPLY: bank})
    if known.held_to is not None:
        rules = rules.held_to(known.held_to)
    return Watch(known, rules, now, air_k=state.air_k, bath_k=state.bath_k, warm=state.warm)


def done(state: StationState, watch: Watch) -> Step:
    """The station with what was done at one whip."""
    whip = watch.state
    return replace(state, whips={**state.whips, whip.whip: whip}), tuple(watch.out)


def station_alarm(state: StationState, rules: Rules, name: str, seen: Seen, now: Stamp) -> Step:
    """The station after one of its own conditions was seen."""
    rule = rules.alarms.get(name)
    if rule is None:
        return state, ()
    changes: tuple[AlarmChanged, ...]
    standing, changes = judge(state.standings.get(name) or Standing(), rule, Subject(station=rules.station), seen, now)
    return replace(state, standings={**state.standings, name: standing}), changes


def _quiet(standings: Mapping[str, Standing]) -> bool:
    return all(s.state is AlarmState.NORMAL and s.turned_mono_s is None for s in standings.values())
