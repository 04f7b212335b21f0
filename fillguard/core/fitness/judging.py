"""From a record, what is wanted and a day to a verdict."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from fillguard.core.fitness.asked import Case, Wanted, governing_cylinder
from fillguard.core.fitness.profiles import JurisdictionProfile
from fillguard.core.fitness.record import PLUS_ALLOWANCE, CylinderRecord
from fillguard.core.fitness.rules import RULES, due_dates
from fillguard.core.fitness.verdict import GRAVITY, Due, Level, Reason, Verdict
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import Cylinder

DUE_WITHIN_DAYS = 60
_REAL_SLOPE = 1.44
"""At 200 bar the pressure of air at constant density rises 1.44 times as fast with temperature as an ideal gas's."""
_ASKED_FOR = (
    ("water_capacity_l", "water capacity"),
    ("material", "material"),
    ("rated", "rated pressure"),
    ("reference_c", "reference temperature of the rating"),
    ("specification", "specification"),
    ("gas_service", "gas service"),
    ("outlet", "valve outlet"),
)


def judged(
    record: CylinderRecord,
    profile: JurisdictionProfile,
    today: date,
    wanted: Wanted,
    *,
    members: Sequence[CylinderRecord] = (),
) -> Verdict:
    """The verdict on `record`, and on the `members` of a set with it: gravest reasons and lowest limit of all.

    `today` is the station's local day.
    """
    cases = [Case(record=each, profile=profile, today=today, wanted=wanted) for each in (record, *members)]
    reasons = [reason for case in cases for reason in _reasons(case, whose=case.record.serial if members else "")]
    absent = [serial for serial in record.members if serial not in {member.serial for member in members}]
    if absent:
        text = f"of this set {', '.join(absent)} is not in the register"
        reasons.append(Reason(code="member-unknown", level=Level.CARE, text=text))
    limit = lowest_limit(cases)
    return Verdict(
        level=max((reason.level for reason in reasons), key=GRAVITY.__getitem__, default=Level.FILL),
        profile=profile.name,
        day=today.isoformat(),
        reasons=tuple(sorted(reasons, key=_gravest_first)),
        limit_gauge_pa=limit.gauge_pa if limit is not None else None,
        reference_k=limit.reference_k if limit is not None else None,
        max_rate_pa_s=wanted.max_rate_pa_s,
        due=tuple(due for due in due_soon(cases, DUE_WITHIN_DAYS) if due.on >= today.isoformat()),
        missing=tuple(words for name, words in _ASKED_FOR if getattr(record, name) is None),
    )


def set_cylinder(
    record: CylinderRecord, members: Iterable[CylinderRecord], profile: JurisdictionProfile
) -> Cylinder | None:
    """What the watch fills: the set's own capacity, under the lowest rating in it. None: not known well enough."""
    own = governing_cylinder(record, profile)
    if own is None:
        return None
    each = [own, *(governing_cylinder(member, profile) for member in members)]
    least = min((cylinder for cylinder in each if cylinder is not None), key=lambda c: _limit_of(c).contents)
    return replace(
        own, rated_gauge_pa=least.rated_gauge_pa, reference_k=least.reference_k, plus_marked=least.plus_marked
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A settled pressure and the temperature at which it holds."""

    gauge_pa: float
    reference_k: float

    @property
    def contents(self) -> float:
        """Grows with the gas that it allows, so that limits at 15 C and at 21 C can be compared."""
        return (self.gauge_pa + STANDARD_ATMOSPHERE_PA) / math.pow(self.reference_k, _REAL_SLOPE)


def lowest_limit(cases: Iterable[Case]) -> Limit | None:
    """The limit of a set: that of the one that may hold least. None: no limit is known."""
    known = (
        Limit(gauge_pa=case.limit_gauge_pa, reference_k=k_from_c(case.record.reference_c))
        for case in cases
        if case.limit_gauge_pa is not None and case.record.reference_c is not None
    )
    return min(known, key=lambda limit: limit.contents, default=None)


def _limit_of(cylinder: Cylinder) -> Limit:
    allowance = PLUS_ALLOWANCE if cylinder.plus_marked else 1.0
    return Limit(gauge_pa=cylinder.rated_gauge_pa * allowance, reference_k=cylinder.reference_k)


def due_soon(cases: Iterable[Case], within_days: int) -> tuple[Due, ...]:
    """What runs out within so many days from today, or has, earliest first."""
    found = [
        (on, Due(what=what, on=on.isoformat()))
        for case in cases
        for what, on in due_dates(case)
        if on <= case.today + timedelta(days=within_days)
    ]
    return tuple(due for _, due in sorted(found, key=lambda pair: pair[0]))


def _reasons(case: Case, *, whose: str) -> Iterable[Reason]:
    for rule in RULES:
        for reason in rule(case):
            yield replace(reason, text=f"{whose}: {reason.text}") if whose else reason


def _gravest_first(reason: Reason) -> tuple[int, bool]:
    return -GRAVITY[reason.level], reason.overridable
