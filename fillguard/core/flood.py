"""More alarms than a person can take in: channels then get one grouped notice. The board hides nothing."""

from dataclasses import dataclass

from fillguard.core.values import Stamp

FLOOD_RAISES = 10
FLOOD_WITHIN_S = 600.0
"""More than ten in ten minutes: the usual reading of IEC 62682 (trade press)."""
FLOOD_OVER_BELOW = 5
"""A flood is over once fewer than this came within ten minutes (same; from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """Whether more comes than a person can take in: a channel then gets one grouped notice. The board hides nothing."""

    raises_mono_s: tuple[float, ...] = ()
    """The last raises of all alarms, only as many as the decision needs."""
    flooding: bool = False

    def groups(self, priority: int) -> bool:
        """True when a notice of `priority` goes into the grouped one. Priority 1 always goes out by itself."""
        return self.flooding and priority != 1


def flood(before: Flood, now: Stamp, *, raised: int = 0) -> Flood:
    """The flood after `raised` more raises at `now` (0: time has passed).

    It begins with more than 10 raises in 10 minutes and is over once fewer than 5 came within 10 minutes.
    """
    times = (*before.raises_mono_s, *(now.mono_s,) * min(raised, FLOOD_RAISES + 1))
    recent = tuple(at for at in times if 0.0 <= now.mono_s - at <= FLOOD_WITHIN_S)[-(FLOOD_RAISES + 1) :]
    return Flood(
        raises_mono_s=recent,
        flooding=len(recent) > FLOOD_RAISES or (before.flooding and len(recent) >= FLOOD_OVER_BELOW),
    )
