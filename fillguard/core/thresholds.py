"""What people are held to, and which of two such sets is stricter: an open fill keeps the stricter of old and new."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from fillguard.core.errors import ConfigurationError
from fillguard.core.units import PA_PER_BAR, k_from_c

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

    def setpoint_for(self, case: str) -> float:
        """The setpoint of `oxygen-rich.steel`: its own, else that of `oxygen-rich`, else the plain one."""
        return self.variants.get(case, self.variants.get(case.partition(".")[0], self.setpoint))

    def stricter_than(self, old: "AlarmRule") -> "AlarmRule":
        """This rule where it is stricter, `old` where that one is: what alarms sooner, graver, longer or more often.

        Deadband, off-delay, re-alarm and words are this rule's: they say how an alarm behaves, not when it comes.
        """
        return replace(
            self,
            setpoint=self._stricter(old.setpoint, self.setpoint),
            variants={
                case: self._stricter(old.setpoint_for(case), self.setpoint_for(case))
                for case in {**old.variants, **self.variants}
            },
            on_delay_s=min(old.on_delay_s, self.on_delay_s),
            priority=min(old.priority, self.priority),
            priorities={
                case: min(old.priorities.get(case, old.priority), self.priorities.get(case, self.priority))
                for case in {**old.priorities, **self.priorities}
            },
            latched=old.latched or self.latched,
            shelvable=old.shelvable and self.shelvable,
            suppressed_by=tuple(name for name in self.suppressed_by if name in old.suppressed_by),
        )

    def _stricter(self, one: float, other: float) -> float:
        return min(one, other) if self.strict == "lower" else max(one, other)


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

    def stricter_than(self, old: "WhipRules") -> "WhipRules":
        """This whip with the lower of both working pressures, and with the rating that stands for less gas."""
        holds_less = self if self.density_pa_k <= old.density_pa_k else old
        return replace(
            self,
            max_working_gauge_pa=min(old.max_working_gauge_pa, self.max_working_gauge_pa),
            lowest_rating_gauge_pa=holds_less.lowest_rating_gauge_pa,
            lowest_rating_reference_k=holds_less.lowest_rating_reference_k,
        )

    @property
    def density_pa_k(self) -> float:
        """What an ideal gas at the assumed rating has in place of a density: tells which of two ratings is lower."""
        return self.lowest_rating_gauge_pa / self.lowest_rating_reference_k


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Everything that a new configuration may change while the watch runs."""

    alarms: Mapping[str, AlarmRule]
    whips: Mapping[str, WhipRules] = field(default_factory=dict)
    oxygen_threshold: float = 0.40

    def whip(self, whip: str) -> WhipRules:
        """The rules of `whip`; the cautious defaults for one that is not named."""
        return self.whips.get(whip) or WhipRules(whip=whip)

    def stricter_than(self, old: "Thresholds") -> "Thresholds":
        """The stricter of both, number by number; what only one of them names is kept."""
        return Thresholds(
            alarms={
                **old.alarms,
                **{
                    name: rule.stricter_than(old.alarms[name]) if name in old.alarms else rule
                    for name, rule in self.alarms.items()
                },
            },
            whips={name: self.whip(name).stricter_than(old.whip(name)) for name in {**old.whips, **self.whips}},
            oxygen_threshold=min(old.oxygen_threshold, self.oxygen_threshold),
        )
