"""What the station's fillguard says of itself at the broker: here I am, since when; or, by last will, gone."""

import json
from dataclasses import dataclass

from fillguard.ports import Publication

_AHEAD_AT_MOST_S = 60.0
"""A rival that claims to have started later than this is a leftover of a clock that was wrong, not a rival."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationStatus:
    """Birth, farewell and last will of one running fillguard. `instance` is its own and no other's."""

    station: str
    instance: str
    version: str
    started_utc_s: float
    drill: bool

    @property
    def topic(self) -> str:
        """Where it stands, retained."""
        return f"fillguard/{self.station}/status"

    def birth(self) -> Publication:
        """Said on every new connection."""
        return self._publication("online")

    def farewell(self) -> Publication:
        """Said when leaving in good order, and by the broker (last will) when we vanish."""
        return self._publication("offline")

    def rival(self, payload: bytes, utc_s: float) -> str | None:
        """In words, another fillguard that took this station over: online, and started after us. None for anyone else.

        Of two that watch one station exactly one must go on telling; the one that was started later is the one that
        somebody wanted. Both decide by the same two numbers. A drill gives way to the real one, whenever it began.
        """
        try:
            said = json.loads(payload)
            state, instance, started_s = said["state"], str(said["instance"]), float(said["started"])
            drill = said["drill"] is True
        except (ValueError, TypeError, KeyError, RecursionError):
            return None  # nothing of ours
        if state != "online" or instance == self.instance or (drill and not self.drill):
            return None
        later = (self.started_utc_s, self.instance) < (started_s, instance) and started_s <= utc_s + _AHEAD_AT_MOST_S
        if not later and drill == self.drill:
            return None
        return f"another fillguard (instance {instance[:64]}) watches station {self.station!r}"

    def _publication(self, state: str) -> Publication:
        body = {
            "v": 1,
            "state": state,
            "station": self.station,
            "instance": self.instance,
            "version": self.version,
            "started": self.started_utc_s,
            "drill": self.drill,
        }
        return Publication(topic=self.topic, payload=json.dumps(body).encode(), qos=1, retain=True)
