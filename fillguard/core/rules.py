"""What the station is told to hold people to: thresholds, extents, ratings of whips. A reload makes a new one."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from fillguard.core.events.kinds import Quantity
from fillguard.core.gas import GasSurface
from fillguard.core.learned import AS_SHIPPED, Learned, StationLearned
from fillguard.core.thresholds import AlarmRule, Thresholds, WhipRules
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import Cylinder, GasMix, Material

__all__ = ["NOT_RICH", "OXYGEN_RICH", "AlarmRule", "Extents", "Rules", "WhipRules"]

OXYGEN_RICH, NOT_RICH = "oxygen-rich", "air"
"""What is supplied, as the cases of `too-fast` call it: `oxygen-rich`, `air.steel`, ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extents:
    """When a fill starts, pauses, closes and ends (seconds, pascal). Defaults are common practice and our choice."""

    rate_window_s: float = 20.0
    start_rate_pa_s: float = 2.0 * PA_PER_BAR / 60.0
    start_rise_pa: float = 1.0 * PA_PER_BAR
    paused_after_s: float = 10.0
    closed_after_s: float = 120.0
    same_fill_within_s: float = 900.0
    ended_after_s: float = 900.0
    bled_below_gauge_pa: float = 3.0 * PA_PER_BAR
    settled_for_s: float = 180.0
    settled_within_pa: float = 0.5 * PA_PER_BAR
    settled_interval_pa: float = 3.0 * PA_PER_BAR
    get_ready_s: float = 45.0
    reaction_s: float = 3.0
    live_for_s: float = 5.0
    silent_after_s: float = 5.0
    silent_periods: float = 3.0
    silent_settling_s: float = 60.0
    whip_only_doubt_s: float = 5.0
    resume_within_s: float = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Everything `station.step` is told from outside."""

    station: str
    alarms: Mapping[str, AlarmRule]
    surface_of: Callable[[GasMix], GasSurface]
    """The surface of a mix: the exact one, or an approximate one (marked so) until the exact one has been fitted."""
    whips: Mapping[str, WhipRules] = field(default_factory=dict)
    gauges: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Gauges that several whips share: those whips, in order."""
    extents: Extents = field(default_factory=Extents)
    ambient_abs_pa: float = STANDARD_ATMOSPHERE_PA
    ambient_k: float = k_from_c(20.0)
    """Assumed where no ambient sensor reports."""
    hot_allowance_pa: float | None = None
    """How far the gauge may stand over the rating while hot; None: only the other caps count."""
    oxygen_threshold: float = 0.40
    """Above this oxygen fraction the supply counts as oxygen-rich (46 CFR 197.326: 40 %; some codes say 23.5 or 22)."""
    asks_stamp: bool = False
    """A rating above a whip's lowest one counts only once a named person has read it from the shoulder."""
    rules_hash: str = ""
    silent_after_s: Mapping[tuple[str | None, Quantity], float] = field(default_factory=dict)
    """How long a sensor beside the gauge may say nothing, by whip (None: the station's) and quantity."""
    learned: StationLearned = AS_SHIPPED
    """What the station's own fills have taught."""

    @property
    def thresholds(self) -> Thresholds:
        """What of it a new configuration may change while the watch runs."""
        return Thresholds(alarms=self.alarms, whips=self.whips, oxygen_threshold=self.oxygen_threshold)

    def held_to(self, thresholds: Thresholds, *, rules_hash: str | None = None) -> "Rules":
        """The same with other thresholds."""
        return replace(
            self,
            alarms=thresholds.alarms,
            whips=thresholds.whips,
            oxygen_threshold=thresholds.oxygen_threshold,
            rules_hash=self.rules_hash if rules_hash is None else rules_hash,
        )

    def whip(self, whip: str) -> WhipRules:
        """The rules of `whip`; the cautious defaults for one the configuration does not name."""
        return self.whips.get(whip) or WhipRules(whip=whip)

    def gauge_of(self, name: str) -> tuple[str, tuple[str, ...]] | None:
        """The gauge that several whips share, by its own name or that of one of them, and those whips."""
        for gauge, whips in self.gauges.items():
            if name == gauge or name in whips:
                return gauge, whips
        return None

    def max_working_gauge_pa(self, *whips: str) -> float:
        """What the weakest of these whips may carry."""
        return min(self.whip(whip).max_working_gauge_pa for whip in whips)

    def rate_limit_pa_s(self, gas: GasMix, material: Material) -> float | None:
        """How fast a cylinder of `material` may be filled with `gas`; None where no alarm says so."""
        rule = self.alarms.get("too-fast")
        supply = OXYGEN_RICH if gas.o2 > self.oxygen_threshold else NOT_RICH
        return None if rule is None else rule.setpoint_for(f"{supply}.{material.value}")

    def learned_for(self, cylinder: Cylinder | None) -> Learned:
        """What a fill of `cylinder` starts with; None: nobody described it."""
        return self.learned.learned_for(cylinder)
