"""When a sample was taken, on the receiver's clock, from the time its device gave and the moment it arrived.

A device's clock is off by an unknown amount, and a message takes an unknown time. The least difference of arrival and
device time over the last ten minutes is taken for the first; what a message exceeds it by is its age. Everything is
computed on the receiver's monotonic clock, so that a step of UTC moves no sample.
"""

from collections import deque
from dataclasses import dataclass

WINDOW_S = 600.0
_BUCKET_S = 60.0
_BUCKETS = round(WINDOW_S / _BUCKET_S)
STEP_S = 2.0
"""A smaller change of the difference is a message's way; a larger one may be a step of the device's clock."""
_AGREE_S = 1.0
_SET_BACK_FOR_S = 10.0
"""A clock that went back must stay back for so long, or old messages would be taken for news."""


@dataclass(frozen=True, slots=True)
class _Suspect:
    """A difference that would mean that the device's clock was set."""

    since_s: float
    delay_s: float
    ahead: bool


class SourceClock:
    """The clock of one device as seen from here. Memory: one number a minute for ten minutes."""

    def __init__(self) -> None:
        self._minutes: deque[tuple[int, float]] = deque()
        """Minute of arrival and its least difference."""
        self._least_s: float | None = None
        """The least of them all."""
        self._newest_device_s = 0.0
        self._suspect: _Suspect | None = None

    def known_age_s(self, device_s: float, arrived_s: float) -> float | None:
        """Age of a sample by what is known already, learning nothing from it; None when nothing is known."""
        return None if self._least_s is None else max(0.0, arrived_s - device_s - self._least_s)

    def age_s(self, device_s: float, arrived_s: float) -> float | None:
        """Age of the sample, never negative; None while its device's clock seems to have been set ahead."""
        delay_s = arrived_s - device_s
        self.watch(device_s, arrived_s)
        if self._is_confirmed(arrived_s):
            self._forget()
        elif self._suspect is not None and self._suspect.ahead:
            return None
        self._newest_device_s = max(self._newest_device_s, device_s)
        return delay_s - self.note(delay_s, arrived_s)

    def watch(self, device_s: float, arrived_s: float) -> None:
        """Look for signs that the device's clock was set; a repeated reading may be one, too."""
        delay_s = arrived_s - device_s
        if self._suspect is not None and abs(delay_s - self._suspect.delay_s) <= _AGREE_S:
            return
        ahead = self._least_s is not None and delay_s < self._least_s - STEP_S
        behind = self._least_s is not None and delay_s > self._least_s + STEP_S and device_s <= self._newest_device_s
        self._suspect = _Suspect(arrived_s, delay_s, ahead) if ahead or behind else None

    def note(self, delay_s: float, arrived_s: float) -> float:
        """Take one difference into account; returns the least one of the window."""
        minute = int(arrived_s // _BUCKET_S)
        oldest = minute - _BUCKETS
        if self._least_s is not None and self._minutes[-1][0] <= oldest:
            # Silent for longer than the window: what was known last is better than taking a backlog for news.
            self._minutes.append((minute, self._least_s))
        while self._minutes and self._minutes[0][0] <= oldest:
            self._minutes.popleft()
            self._least_s = min((least_s for _, least_s in self._minutes), default=None)
        if not self._minutes or self._minutes[-1][0] < minute:
            self._minutes.append((minute, delay_s))
        elif delay_s < self._minutes[-1][1]:
            self._minutes[-1] = (minute, delay_s)
        self._least_s = delay_s if self._least_s is None else min(self._least_s, delay_s)
        return self._least_s

    def _forget(self) -> None:
        self._minutes.clear()
        self._least_s = None
        self._newest_device_s = 0.0
        self._suspect = None

    def _is_confirmed(self, arrived_s: float) -> bool:
        """Ahead: by the second message. Behind: by staying there, which a late message or a backlog does not do."""
        suspect = self._suspect
        if suspect is None:
            return False
        if suspect.ahead:
            return arrived_s > suspect.since_s
        return arrived_s - suspect.since_s >= _SET_BACK_FOR_S
