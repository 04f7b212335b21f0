"""When the station's state is kept in the ledger, so that a restart goes on from there."""

from collections.abc import Sequence

from fillguard.core.events import PhaseChanged, RulesChanged
from fillguard.core.station import StationState
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.engine import Happening
from fillguard.ports import StateKeeper, StationSnapshot

KEPT_EVERY_S = 60.0
KEPT_EVERY_STEPS = 5_000
"""... or after so many steps: a restart folds what came since, however fast the sensors speak (0.3 ms each)."""
_NOT_AGAIN_WITHIN_S = 5.0
"""A change of phase is kept at once, but for changes that follow each other closely on a large panel."""


class Snapshots:
    """Watches the steps, and keeps what changed when it is due. On the engine's thread; costs next to nothing."""

    def __init__(self, keeper: StateKeeper) -> None:
        self._keeper = keeper
        self._kept: dict[str, WhipState] = {}
        self._now: Stamp | None = None
        self._kept_mono_s = float("-inf")
        self._steps = 0

    def after(self, state: StationState, happenings: Sequence[Happening]) -> None:
        """Keep the station when it is due: at a change of phase, else once a minute."""
        if not happenings:
            return
        now = self._latest(happenings[-1].cause.stamp)
        self._steps += len(happenings)
        if any(isinstance(happening.cause, RulesChanged) for happening in happenings):
            self.all(state, now)
            return
        since_s = now.mono_s - self._kept_mono_s
        moved = any(isinstance(fact, PhaseChanged) for happening in happenings for fact in happening.facts)
        due = not 0.0 <= since_s < KEPT_EVERY_S or self._steps >= KEPT_EVERY_STEPS
        if due or (moved and since_s >= _NOT_AGAIN_WITHIN_S):
            self._keep(state, now)

    def all(self, state: StationState, now: Stamp) -> None:
        """Keep every whip: at the start, before anything else is recorded, under new rules, and at the end."""
        self._kept.clear()
        self._keep(state, now)

    def _latest(self, stamp: Stamp) -> Stamp:
        """`stamp`, or a later one that was seen before: an event may be stamped a moment earlier on another thread."""
        if self._now is None or stamp.mono_s > self._now.mono_s:
            self._now = stamp
        return self._now

    def _keep(self, state: StationState, now: Stamp) -> None:
        changed = tuple(whip for name, whip in state.whips.items() if whip is not self._kept.get(name))
        snapshot = StationSnapshot(at=now, changed=changed, air_k=state.air_k, bath_k=state.bath_k, sensed=state.sensed)
        self._kept = dict(state.whips) if self._keeper.put_snapshot(snapshot) else {}
        self._kept_mono_s, self._steps = now.mono_s, 0
