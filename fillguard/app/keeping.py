"""When a whip's state is kept in the ledger, so that a restart goes on from there."""

from collections.abc import Sequence
from dataclasses import dataclass

from fillguard.core.events import PhaseChanged, RulesChanged
from fillguard.core.station import StationState
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.engine import Happening
from fillguard.ports import StateKeeper, WhipSnapshot

KEPT_EVERY_S = 60.0
KEPT_EVERY_STEPS = 600
"""... or after so many steps of one whip: a restart folds what came since, however fast a sensor speaks."""


@dataclass(slots=True)
class _Last:
    """A whip as it was kept last."""

    state: WhipState | None = None
    mono_s: float = float("-inf")
    steps: int = 0


class Snapshots:
    """Watches each step for a whip whose state is due. Called on the engine's thread; costs next to nothing."""

    def __init__(self, keeper: StateKeeper) -> None:
        self._keeper = keeper
        self._last: dict[str, _Last] = {}
        self._now: Stamp | None = None

    def after(self, state: StationState, happenings: Sequence[Happening]) -> None:
        """Keep what is due after these steps: at a change of phase at once, else once a minute."""
        if not happenings:
            return
        now = self._latest(happenings[-1].cause.stamp)
        if any(isinstance(happening.cause, RulesChanged) for happening in happenings):
            self.all(state, now)
            return
        moved = {fact.whip for happening in happenings for fact in happening.facts if isinstance(fact, PhaseChanged)}
        for name, whip in state.whips.items():
            last = self._last.setdefault(name, _Last())
            if whip is last.state:
                continue
            last.steps += 1
            since_s = now.mono_s - last.mono_s
            if name in moved or not 0.0 <= since_s < KEPT_EVERY_S or last.steps >= KEPT_EVERY_STEPS:
                self._keep(name, state, now)

    def all(self, state: StationState, now: Stamp) -> None:
        """Keep every whip: at the start, before anything else is recorded, and at the end."""
        for name in state.whips:
            self._keep(name, state, now)

    def _latest(self, stamp: Stamp) -> Stamp:
        """`stamp`, or a later one that was seen before: an event may be stamped a moment earlier on another thread."""
        if self._now is None or stamp.mono_s > self._now.mono_s:
            self._now = stamp
        return self._now

    def _keep(self, name: str, state: StationState, now: Stamp) -> None:
        whip = state.whips[name]
        self._last[name] = _Last(state=whip, mono_s=now.mono_s)
        self._keeper.put_snapshot(
            WhipSnapshot(at=now, state=whip, air_k=state.air_k, bath_k=state.bath_k, sensed=state.sensed)
        )
