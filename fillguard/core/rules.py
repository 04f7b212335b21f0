"""What the station is told to hold people to: thresholds, extents, ratings of whips. A reload makes a new one."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from fillguard.core.errors import ConfigurationError
from fillguard.core.gas import GasSurface
from fillguard.core.learned import AS_SHIPPED, Learned, StationLearned
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import Cylinder, GasMix

PRIORITIES = (1, 2, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRule:
    """One alarm with its rationalisation record. Refused without cause or action: nobody could answer such an alarm.

    `setpoint` and `deadband` are SI in the alarm's own quantity: gauge pascal, pascal a second, kelvin, seconds.
    """

    name: str
    priority: int
    cause: str
    consequence: str
    action: str
    basis: str
    setpoint: float = 0.0
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    latched: bool = False
    shelvable: bool = True
    realarm_s: float | None = None
    respond_within_s: float = 60.0
    variants: Mapping[str, float] = field(default_factory=dict)
    """Other setpoints for what is filled: `oxygen-rich`, ..."""
    priorities: Mapping[str, int] = field(default_factory=dict)
    """Other priorities for what is filled: `blending-stage`, ..."""
    strict: str = "lower"
    """Which way `setpoint` gets stricter, `lower` or `higher`: an open fill keeps the stricter of old and new."""
    suppressed_by: tuple[str, ...] = ()
    owner: str = ""
    reviewed: str = ""

    def __post_init__(self) -> None:
        for name, text in (("cause", self.cause), ("action", self.action)):
            if not text.strip():
                raise ConfigurationError(f"alarm {self.name}: {name} is empty; write what a person needs to act on it")
        if self.priority not in PRIORITIES:
            raise ConfigurationError(f"alarm {self.name}: priority {self.priority!r}; allowed are 1, 2 and 3")
        if self.priority == 1 and self.shelvable:
            raise ConfigurationError(f"alarm {self.name}: priority 1 cannot be shelvable")


@dataclass(frozen=True, slots=True, kw_only=True)
class WhipRules:
    """One fill whip: what it may carry, and what is assumed of a cylinder nobody named."""

    whip: str
    max_working_gauge_pa: float = 350.0 * PA_PER_BAR
    lowest_rating_gauge_pa: float = 200.0 * PA_PER_BAR
    lowest_rating_reference_k: float = k_from_c(15.0)
    safety_valve_gauge_pa: float | None = None
    supply_end_gauge_pa: float | None = None
    """Where the compressor stops by itself, or the bank's pressure; None when unknown."""
    silent_after_s: float | None = None
    """How long this whip's gauge may say nothing while somebody may be filling; None: what the extents say."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """Everything `station.step` is told from outside."""

    station: str
    alarms: Mapping[str, AlarmRule]
    surface_of: Callable[[GasMix], GasSurface]
    """The surface of a mix: the exact one, or an approximate one (marked so) until the exact one has been fitted."""
    whips: Mapping[str, WhipRules] = field(default_factory=dict)
    extents: Extents = field(default_factory=Extents)
    ambient_abs_pa: float = STANDARD_ATMOSPHERE_PA
    ambient_k: float = k_from_c(20.0)
    """Assumed where no ambient sensor reports."""
    hot_allowance_pa: float | None = None
    """How far the gauge may stand over the rating while hot; None: only the other caps count."""
    oxygen_threshold: float = 0.40
    """Above this oxygen fraction the supply counts as oxygen-rich (46 CFR 197.326: 40 %; some codes say 23.5 or 22)."""
    rules_hash: str = ""
    learned: StationLearned = AS_SHIPPED
    """What the station's own fills have taught."""

    def whip(self, whip: str) -> WhipRules:
        """The rules of `whip`; the cautious defaults for one the configuration does not name."""
        return self.whips.get(whip) or WhipRules(whip=whip)

    def rate_limit_pa_s(self, gas: GasMix) -> float | None:
        """How fast a cylinder may be filled with `gas`; None where no alarm says so."""
        rule = self.alarms.get("too-fast")
        if rule is None:
            return None
        rich = gas.o2 > self.oxygen_threshold
        return rule.variants.get("oxygen-rich", rule.setpoint) if rich else rule.setpoint

    def learned_for(self, cylinder: Cylinder | None) -> Learned:
        """What a fill of `cylinder` starts with; None: nobody described it."""
        return self.learned.learned_for(cylinder)
