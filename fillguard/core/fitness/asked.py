"""What somebody wants to do with a cylinder, and what is known around it: the one thing every rule looks at."""

from dataclasses import dataclass
from datetime import date

from fillguard.core.fitness.profiles import JurisdictionProfile
from fillguard.core.fitness.record import PLUS_ALLOWANCE, CylinderRecord
from fillguard.core.units import bar_from_pa
from fillguard.core.values import AIR, Cylinder, GasMix, Material


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Gas and pressure that somebody asks for, and the whip it is to come from."""

    gas: GasMix = AIR
    target_gauge_pa: float | None = None
    """Settled, at the cylinder's reference temperature; None: the limit."""
    whip_max_gauge_pa: float | None = None
    whip_oxygen_clean: bool | None = None
    """None: nobody said."""
    air_onto_oxygen: bool = False
    """Air is let onto oxygen-rich gas: into a cylinder that holds some, or as a stage of a blend."""
    air_compatible: bool = False
    """Where it comes from is marked oxygen-compatible."""
    oxygen_threshold: float = 1.0
    """The station's own; the stricter of it and the profile's holds."""
    max_rate_pa_s: float | None = None
    """Of this gas at this station."""
    hot_gauge_pa: float | None = None
    """What the limit becomes at the profile's hot temperature; None: not worked out."""
    valve_findings: int = 0
    """How often its last fills hinted at the valve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One cylinder of the register before the rules of a profile, on one day of the station."""

    record: CylinderRecord
    profile: JurisdictionProfile
    today: date
    wanted: Wanted

    @property
    def plus_holds(self) -> bool:
        """True when its plus mark allows what the profile grants for one."""
        return plus_refusal(self.record, self.profile) is None

    @property
    def limit_gauge_pa(self) -> float | None:
        """Highest settled pressure, at the record's reference temperature."""
        rated = self.record.rated
        if rated is None:
            return None
        return rated.gauge_pa * (PLUS_ALLOWANCE if self.plus_holds else 1.0)

    @property
    def oxygen_threshold(self) -> float:
        """Above this fraction only what is oxygen-clean may be filled."""
        return min(self.profile.oxygen_threshold, self.wanted.oxygen_threshold)

    @property
    def oxygen_rich(self) -> bool:
        """True for a gas above the threshold."""
        return self.wanted.gas.o2 > self.oxygen_threshold

    @property
    def is_aluminium(self) -> bool:
        """Aluminium without a wrapping."""
        return self.record.material is Material.ALUMINIUM


def plus_refusal(record: CylinderRecord, profile: JurisdictionProfile) -> str | None:
    """Why a plus mark does not count, in words; None when it does. 49 CFR 173.302a(b) for the US profile."""
    if not record.plus_marked:
        return "no plus after the latest test date"
    if not profile.plus_specifications:
        return f"profile {profile.name} knows no plus mark"
    if record.specification is None:
        return "its specification is not on record"
    if record.specification.upper() not in profile.plus_specifications:
        return f"specification {record.specification} takes none"
    test, burst, rated = record.test, record.disc_burst, record.rated
    if burst is not None and rated is not None:
        most_pa = test.gauge_pa if test is not None else rated.gauge_pa * profile.test_factor
        if burst.gauge_pa > most_pa:
            return f"its relief disc ({burst}) is rated above the test pressure ({bar_from_pa(most_pa):.0f} bar)"
    return None


def governing_cylinder(record: CylinderRecord, profile: JurisdictionProfile) -> Cylinder | None:
    """What the watch is told of a cylinder under `profile`; None where what it needs is not on record."""
    return record.cylinder(plus=plus_refusal(record, profile) is None)
