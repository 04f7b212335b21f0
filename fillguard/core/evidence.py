"""What the curve of one whip has shown so far, kept for the diagnosis: small, bounded, led on reading by reading."""

from dataclasses import dataclass, field
from typing import NamedTuple

from fillguard.core.ebbing import Ebb
from fillguard.core.passage import Passage
from fillguard.core.seeping import Seep
from fillguard.core.skin import Skin
from fillguard.core.values import Drop

_ENOUGH_READINGS = 40
_RESTLESS_SHARE = 0.15
"""A sensor that turns back at every seventh reading while nothing flows shows its own noise."""


class Noise(NamedTuple):
    """Does the gauge's noise show while it stands? Then it shows as long as the sensor measures."""

    readings: int = 0
    turns: int = 0
    """How often it went down after it had gone up, or up after down."""
    direction: int = 0

    @property
    def shows(self) -> bool:
        """True once the gauge has been seen to tremble while nothing flowed."""
        return self.readings >= _ENOUGH_READINGS and self.turns > _RESTLESS_SHARE * self.readings


def trembling(old: Noise, step_pa: float) -> Noise:
    """The noise after one more reading that differs by `step_pa` from the one before, while nothing flows."""
    if step_pa == 0.0:
        return old._replace(readings=old.readings + 1)
    direction = 1 if step_pa > 0.0 else -1
    turned = old.direction == -direction
    return Noise(old.readings + 1, old.turns + turned, direction)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Per whip; begins anew when nothing is open any more. None: nothing to tell yet."""

    passage: Passage | None = None
    """The way from whip to cylinder."""
    ebb: Ebb | None = None
    """A fall from a standing level."""
    seep: Seep | None = None
    """What is lost after the flow has stopped."""
    skin: Skin | None = None
    """The wall sensor."""
    noise: Noise = field(default_factory=Noise)
    drop: Drop | None = None
    """How far the whip came back when the flow last stopped."""


NOTHING = Evidence()
