"""The watch is watched: a message to itself must come back through broker, intake and step, or people hear of it."""

import threading
from collections.abc import Callable, Sequence

from fillguard.core.events import CanaryReturned, InEvent, OutEvent
from fillguard.intake.canary import canary_publication
from fillguard.ports import Publication

SERVICE = "canary"
EVERY_S = 2.0
LOST_AFTER_S = 10.0
"""Real seconds, in a drill, too: what is tested here does not run faster."""
_STOP_WITHIN_S = 1.0

OnHealth = Callable[[bool, str], None]


class Canary:
    """Sends canaries on a thread of its own; hears of those that returned as an outlet, on the engine's thread.

    Whoever restarts a watch that is stuck (`feed`) is fed for each canary that returned and for nothing else: a thread
    that merely runs proves nothing.
    """

    def __init__(
        self,
        *,
        station: str,
        instance: str,
        publish: Callable[[Publication], None],
        monotonic: Callable[[], float],
        on_health: OnHealth,
        feed: Callable[[], None] = lambda: None,
    ) -> None:
        """`monotonic` gives real seconds; `on_health` hears when canaries stop coming back, and when they do again."""
        self._station, self._instance = station, instance
        self._publish, self._monotonic = publish, monotonic
        self._on_health, self._feed = on_health, feed
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="canary", daemon=True)
        self._sent: dict[int, float] = {}
        self._number = 0
        self._heard_s: float | None = None
        self._heard = 0
        self._fed = 0
        self._since_s = 0.0
        self._well: bool | None = None
        self.flight_s: float | None = None
        """How long the newest one was under way."""

    @property
    def age_s(self) -> float | None:
        """Since the newest return; None before the first."""
        heard_s = self._heard_s
        return None if heard_s is None else self._monotonic() - heard_s

    @property
    def returned(self) -> int:
        """How many came back."""
        return self._heard

    @property
    def well(self) -> bool:
        """True while canaries come back."""
        return self._well is True

    def start(self) -> None:
        """Send the first one, and go on."""
        self._since_s = self._monotonic()
        self._thread.start()

    def stop(self) -> None:
        """Send no more; what does not come back from now on is no failure."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(_STOP_WITHIN_S)

    def tell(self, cause: InEvent, _facts: Sequence[OutEvent]) -> None:
        """One of ours came back. Only notes it: the engine waits for nobody."""
        if isinstance(cause, CanaryReturned) and cause.instance == self._instance:
            sent_s = self._sent.pop(cause.number, None)
            if sent_s is not None:
                self._heard_s = self._monotonic()
                self.flight_s = self._heard_s - sent_s
                self._heard += 1

    def look(self) -> None:
        """One round: feed for what came back, tell what does not, send the next one."""
        now_s = self._monotonic()
        if self._heard > self._fed:
            self._fed = self._heard
            self._feed()
            self._say(well=True, detail=f"it came back after {self.flight_s or 0.0:.3f} s")
        silent_s = now_s - (self._since_s if self._heard_s is None else self._heard_s)
        if silent_s > LOST_AFTER_S:
            self._say(
                well=False, detail=f"the message that fillguard sends itself has not come back for {silent_s:.0f} s"
            )
        for number in [number for number, sent_s in self._sent.copy().items() if now_s - sent_s > LOST_AFTER_S]:
            self._sent.pop(number, None)
        self._number += 1
        self._sent[self._number] = now_s
        self._publish(canary_publication(self._station, self._instance, self._number))

    def _run(self) -> None:
        self.look()
        while not self._stopping.wait(EVERY_S):
            self.look()

    def _say(self, *, well: bool, detail: str) -> None:
        if self._well is not well:
            self._well = well
            self._on_health(well, detail)
