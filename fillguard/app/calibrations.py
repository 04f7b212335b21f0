"""Looks once an hour whether the calibration of a sensor in use has become overdue, and says so once."""

import threading
from typing import Protocol

from fillguard.app.sensors import Sensors
from fillguard.core.errors import LedgerError
from fillguard.ports import Clock
from fillguard.settings import Settings

SERVICE = "calibration"
_EVERY_S = 3600.0
_STOP_WITHIN_S = 1.0


class Tell(Protocol):
    """How a change is told; from any thread, returns at once."""

    def __call__(self, service: str, detail: str, *, ok: bool) -> None:
        """Part of the station is well, or is not, and what is known of why."""


class Calibrations:
    """A thread of its own: reading the ledger must hold nobody up."""

    def __init__(self, settings: Settings, *, clock: Clock, tell: Tell) -> None:
        """Nothing runs before `start`."""
        self._settings, self._clock, self._tell = settings, clock, tell
        self._told: dict[str, str] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="calibrations", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(_STOP_WITHIN_S)

    def look(self) -> None:
        """Tell what is overdue since the last look, and what is no longer."""
        try:
            sensors = Sensors(self._settings, self._clock.now()).overdue()
        except LedgerError:
            return  # the ledger's own alarm speaks of it; the next look comes in an hour
        overdue = {
            each.id: f"the calibration of {each.quantity} sensor {each.id} ({each.place}) was due on {each.due}"
            for each in sensors
        }
        for sensor, detail in overdue.items():
            if self._told.get(sensor) != detail:
                self._tell(f"{SERVICE}:{sensor}", detail, ok=False)
        for sensor in self._told.keys() - overdue.keys():
            self._tell(f"{SERVICE}:{sensor}", f"sensor {sensor} is calibrated, or not in use any more", ok=True)
        self._told = overdue

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.look()
            self._stopping.wait(_EVERY_S)
