"""The rules of a jurisdiction as data: each a value with its source and the day it was looked up."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from fillguard.core.fitness.verdict import Level


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a rule was found."""

    text: str
    as_of: str
    """ISO 8601; the day it was looked up."""

    def __str__(self) -> str:
        return f"{self.text} (as of {self.as_of})"


@dataclass(frozen=True, slots=True, kw_only=True)
class JurisdictionProfile:
    """Whose rules hold at this station. Months; fractions of oxygen; factors of the rated or service pressure."""

    name: str
    test_interval_months: int
    inspection_interval_months: int
    """Visual inspection."""
    inspection_overridable: bool
    valve_service_months: int
    star_extends_test: bool
    """False: the ten-year star does not count for a cylinder that is used under water."""
    plus_specifications: frozenset[str]
    """Those that may carry a plus that counts, in capitals; none: no plus counts here."""
    eddy_current_months: int
    """For aluminium 6351-T6; 0: not asked for."""
    alloy_doubtful_before_year: int
    """Aluminium made before may be 6351-T6; 0: not asked for."""
    reference_c: float
    hot_c: float
    """The contents' pressure when uniformly so warm is held against `hot_factor`."""
    hot_factor: float
    """Times the limit; 0: the test pressure."""
    test_factor: float
    """Test pressure over rating, where no test pressure is on record."""
    oxygen_threshold: float
    """Above this fraction only what is oxygen-clean may be filled."""
    accepted_marks: frozenset[str]
    """Approval marks under which a cylinder may be filled here, in capitals."""
    outlet_bar: Mapping[str, float]
    """Highest pressure of each outlet, bar gauge."""
    unknown_date: Level
    """What follows from a test or inspection date that is not on record."""
    sources: Mapping[str, Source] = field(default_factory=dict)
    """By the name of the rule."""

    def source(self, rule: str) -> str:
        """Where `rule` comes from; empty for one without."""
        return str(self.sources[rule]) if rule in self.sources else ""
