"""Messages that wait to be acknowledged: in the order they came, once they are on disk."""

from collections import deque
from threading import Lock

from fillguard.ports import AckToken


class Acknowledger:
    """Tokens by ticket number, oldest first. Any thread may call; tokens are told one at a time and in order."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._waiting: deque[tuple[int, AckToken]] = deque()
        self._last = 0

    def expect(self, token: AckToken) -> int:
        """Take `token` in; returns its ticket."""
        with self._lock:
            self._last += 1
            self._waiting.append((self._last, token))
            return self._last

    def safe_up_to(self, ticket: int) -> None:
        """Acknowledge everything up to `ticket`."""
        with self._lock:
            while self._waiting and self._waiting[0][0] <= ticket:
                self._waiting.popleft()[1].acknowledge()

    def leave_only(self, count: int) -> int:
        """Acknowledge the oldest until at most `count` wait; returns how many were.

        A sender that may have only so many unacknowledged messages under way falls silent, and we would be blind.
        """
        told = 0
        with self._lock:
            while len(self._waiting) > count:
                self._waiting.popleft()[1].acknowledge()
                told += 1
        return told
