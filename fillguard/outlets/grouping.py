"""Many alarms as one notice: a channel that would get more than a person can take in is told so once, with counts."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from fillguard.core.events import AlarmChanged
from fillguard.core.flood import Flood, flood
from fillguard.core.values import Stamp

GATHERED_FOR_S = 5.0
"""So long after a flood began the grouped notice leaves: by then a burst is counted (our choice)."""
_NAMED_AT_MOST = 200


@dataclass(slots=True)
class ChannelFlood:
    """What one channel was spared, and what it must be told of that."""

    state: Flood = field(default_factory=Flood)
    began: Stamp | None = None
    told: bool = False
    counts: Counter[str] = field(default_factory=Counter)
    """Alarms that were not told one by one, by name."""
    stands_for: list[str] = field(default_factory=list)
    """Their occurrences, the first of them."""

    def takes(self, change: AlarmChanged, at: Stamp) -> bool:
        """Count a raise that the channel would get at `at`; True when it is told with the others, not by itself."""
        self.state = flood(self.state, at, raised=1)
        if self.state.flooding and self.began is None:
            self.began = at
        if not self.state.groups(change.priority):
            return False
        self.counts[change.alarm] += 1
        if len(self.stands_for) < _NAMED_AT_MOST:
            self.stands_for.append(change.occurrence)
        return True

    def is_to_be_told(self, now: Stamp) -> bool:
        """True once when the grouped notice is to leave."""
        if self.told or self.began is None or now.mono_s - self.began.mono_s < GATHERED_FOR_S:
            return False
        self.told = True
        return True

    def ended(self, now: Stamp) -> "Ended | None":
        """What came to an end by `now`; then the next flood begins from nothing."""
        self.state = flood(self.state, now)
        if self.began is None or self.state.flooding:
            return None
        over = Ended(began=self.began, told=self.told, counts=self.counts, stands_for=tuple(self.stands_for))
        self.began, self.told, self.counts, self.stands_for = None, False, Counter(), []
        return over

    def stepped(self, by_s: float) -> None:
        """UTC was set by so much: the beginning is told on the new clock."""
        if self.began is not None:
            self.began = replace(self.began, utc_s=self.began.utc_s + by_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """A flood that is over."""

    began: Stamp
    told: bool
    counts: Mapping[str, int]
    stands_for: tuple[str, ...]
