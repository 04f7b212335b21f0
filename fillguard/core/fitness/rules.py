"""The rules, one small function each: what a record, a gas and a day give reason to say."""

from collections.abc import Callable, Iterator
from datetime import date

from fillguard.core.fitness.asked import Case, plus_refusal
from fillguard.core.fitness.dates import Dated
from fillguard.core.fitness.record import PLUS_ALLOWANCE, Found, Known, Service, Standing
from fillguard.core.fitness.verdict import Level, Reason
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Material

Rule = Callable[[Case], Iterator[Reason]]
_ROUNDING_PA = 1000.0
"""Ratings in psi and bar that mean the same differ in the third digit."""
MANY_FINDINGS = 3
AIR_AT_MOST = 0.22
"""EN 12021: air has 21 +/- 1 % oxygen."""
_MINOR = frozenset({Found.STIFF, Found.KNOCKED})
_BAD_VALVE = frozenset(Found) - _MINOR


def standing(case: Case) -> Iterator[Reason]:
    """In service, set aside, condemned; heat-exposed."""
    record, why = case.record, f": {case.record.state_reason}" if case.record.state_reason else ""
    if record.state is Standing.CONDEMNED:
        yield _never("condemned", f"condemned{why}")
    if record.state is Standing.SET_ASIDE:
        yield _refused("set-aside", f"set aside{why}")
    if record.heat_exposed:
        yield _never(
            "heat-exposed", "it was exposed to heat: an inspector decides", case.profile.source("heat_exposed")
        )


def rating(case: Case) -> Iterator[Reason]:
    """What is stamped, and what the outlet and the whip can carry of it."""
    record, limit_pa = case.record, case.limit_gauge_pa
    if limit_pa is None or record.reference_c is None:
        yield _never("rating-unknown", "its rated pressure or the temperature at which that holds is not on record")
        return
    asked = case.wanted.target_gauge_pa
    aim_pa = limit_pa if asked is None else min(asked, limit_pa)
    if asked is not None and asked > limit_pa + _ROUNDING_PA:
        yield _care(
            "target-above-limit", f"asked for {_bar(asked)}, but its limit is {_bar(limit_pa)}: the limit governs"
        )
    outlet_bar = case.profile.outlet_bar.get(record.outlet.value) if record.outlet else None
    if outlet_bar is not None and outlet_bar * PA_PER_BAR < limit_pa - _ROUNDING_PA:
        text = f"its outlet {record.outlet} is rated {outlet_bar:g} bar, below its limit of {_bar(limit_pa)}"
        yield _never("outlet-below-limit", text, case.profile.source("outlet_bar"))
    whip_pa = case.wanted.whip_max_gauge_pa
    if whip_pa is not None and whip_pa < aim_pa - _ROUNDING_PA:
        yield _never("whip-below-limit", f"this whip may carry {_bar(whip_pa)}, asked for are {_bar(aim_pa)}")


def heated(case: Case) -> Iterator[Reason]:
    """The pressure of a full cylinder at the temperature it must stand in the sun."""
    profile, hot_pa, limit_pa = case.profile, case.wanted.hot_gauge_pa, case.limit_gauge_pa
    if hot_pa is None or limit_pa is None or case.record.rated is None:
        return
    test = case.record.test
    test_pa = test.gauge_pa if test is not None else case.record.rated.gauge_pa * profile.test_factor
    most_pa = limit_pa * profile.hot_factor if profile.hot_factor else test_pa
    if hot_pa > most_pa:
        text = (
            f"filled to its limit it would stand at {_bar(hot_pa)} when as warm as {profile.hot_c:g} C, "
            f"allowed are {_bar(most_pa)}: read the stamps again"
        )
        yield _refused("hot-pressure", text, profile.source("hot_factor"))


def plus_mark(case: Case) -> Iterator[Reason]:
    """A plus that counts raises the limit and is said; one that does not is explained."""
    if not case.record.plus_marked:
        return
    why, source = plus_refusal(case.record, case.profile), case.profile.source("plus_specifications")
    if why is None:
        percent = (PLUS_ALLOWANCE - 1.0) * 100.0
        yield _care("plus-marked", f"plus-marked: its limit is {percent:.0f} % over the stamp", source)
    else:
        yield _care("plus-not-valid", f"the plus mark does not count, {why}: the stamped pressure governs", source)


def pressure_test(case: Case) -> Iterator[Reason]:
    """Requalification (US), periodic inspection with pressure test (EU). The star is no excuse."""
    examined, profile = case.record.last_examined, case.profile
    source = profile.source("test_interval_months")
    if examined is None:
        yield _unknown(case, "test-date-unknown", "the date of its last pressure test is not on record")
        return
    if examined.first > case.today:
        yield _unknown(case, "test-date-future", f"its last pressure test, {examined}, lies in the future")
        return
    until = examined.months_later(profile.test_interval_months)
    if until < case.today:
        star = "; the star does not count under water" if case.record.star and not profile.star_extends_test else ""
        yield _never("test-overdue", f"pressure test {examined} was good until {until.isoformat()}{star}", source)


def visual(case: Case) -> Iterator[Reason]:
    """Visual inspection; a pressure test includes one."""
    record, profile = case.record, case.profile
    seen = _latest(record.last_visual, record.last_test, record.manufactured)
    source = profile.source("inspection_interval_months")
    if seen is None:
        yield _unknown(case, "inspection-date-unknown", "the date of its last visual inspection is not on record")
        return
    until = seen.months_later(profile.inspection_interval_months)
    if until < case.today:
        text = f"visual inspection {seen} was good until {until.isoformat()}"
        refuse = _refused if profile.inspection_overridable else _never
        yield refuse("inspection-overdue", text, source)


def alloy(case: Case) -> Iterator[Reason]:
    """Aluminium 6351-T6 cracks slowly at the neck under load."""
    record, profile = case.record, case.profile
    if not profile.eddy_current_months or not case.is_aluminium:
        return
    source = profile.source("eddy_current_months")
    if record.alloy_6351 is Known.YES:
        if record.eddy_current is None:
            yield _never("no-eddy-current", "alloy 6351-T6 without a record of an eddy-current examination", source)
        elif record.eddy_current.months_later(profile.eddy_current_months) < case.today:
            text = f"alloy 6351-T6, and its eddy-current examination {record.eddy_current} is out of date"
            yield _never("no-eddy-current", text, source)
        return
    made = record.manufactured
    doubtful = made is not None and made.year < profile.alloy_doubtful_before_year
    if record.alloy_6351 is Known.UNKNOWN and doubtful:
        text = f"made {made}, it may be of alloy 6351-T6: look up maker and date before filling"
        yield _care("alloy-unknown", text, profile.source("alloy_doubtful_before_year"))


def service_life(case: Case) -> Iterator[Reason]:
    """The end of a service life that the maker set."""
    ends = case.record.service_life_ends
    if ends is not None and ends.last < case.today:
        refuse = _never if case.record.material is Material.COMPOSITE else _refused
        yield refuse("service-life-over", f"its service life ended {ends}")


def approval(case: Case) -> Iterator[Reason]:
    """Approval marks this jurisdiction accepts."""
    marks = case.record.approval_marks
    if marks and not case.profile.accepted_marks & {mark.upper() for mark in marks}:
        text = f"its approval marks ({', '.join(marks)}) are not accepted under profile {case.profile.name}"
        yield _never("approval-not-accepted", text, case.profile.source("accepted_marks"))


def threads(case: Case) -> Iterator[Reason]:
    """Neck and valve: a valve that almost fits is a projectile."""
    record = case.record
    neck, valve = record.neck_thread, record.valve_thread
    if neck and valve and _thread(neck) != _thread(valve):
        yield _never("threads-differ", f"neck thread {neck} and valve thread {valve} differ")
    fitted, compared = record.valve_fitted, record.threads_compared
    if fitted is not None and (compared is None or compared.last < fitted.first):
        yield _never("threads-not-compared", f"valve changed {fitted}, and nobody compared neck and valve thread since")


def oxygen(case: Case) -> Iterator[Reason]:
    """Oxygen-rich gas needs a cylinder, a valve and a whip that are clean for it."""
    record, gas, source = case.record, case.wanted.gas, case.profile.source("oxygen_threshold")
    if not case.oxygen_rich:
        if gas.o2 > AIR_AT_MOST and record.gas_service is Service.AIR:
            yield _care("air-only", f"it is kept for air; the gas is {gas}: mark it, and let its user know")
        return
    over = f"{gas} is above {case.oxygen_threshold * 100:.3g} % oxygen"
    until = record.oxygen_clean_until
    if record.gas_service is not Service.OXYGEN:
        kept = f"it is kept for {record.gas_service}" if record.gas_service else "nobody recorded it as oxygen-clean"
        yield _never("not-oxygen-clean", f"{over}, and {kept}", source)
    elif until is None:
        yield _never("not-oxygen-clean", f"{over}, and the day until which it is oxygen-clean is not on record", source)
    elif until.last < case.today:
        yield _never("not-oxygen-clean", f"{over}, and it was oxygen-clean until {until}", source)
    if case.wanted.whip_oxygen_clean is False:
        yield _never("whip-not-oxygen-clean", f"{over}, and this whip is not oxygen-clean", source)
    elif case.wanted.whip_oxygen_clean is None:
        yield _care("whip-oxygen-unknown", f"{over}: is this whip oxygen-clean? station.toml does not say", source)


def blending_air(case: Case) -> Iterator[Reason]:
    """Oil from a compressor burns in oxygen: only air that is free of it may follow."""
    if case.wanted.air_onto_oxygen and not case.wanted.air_compatible:
        text = "air onto oxygen-rich gas, from a source that station.toml does not mark oxygen-compatible"
        yield _never("air-not-compatible", text, case.profile.source("blending_air"))


def valve(case: Case) -> Iterator[Reason]:
    """What was found at the valve, its service, and what its last fills hint at."""
    record, profile = case.record, case.profile
    bad = [found.value for found in record.valve_found if found in _BAD_VALVE]
    if bad:
        yield _refused("valve-bad", f"its valve was found {', '.join(bad)}: service it first")
    minor = [found.value for found in record.valve_found if found not in _BAD_VALVE]
    if minor:
        yield _care(
            "valve-watch", f"its valve was found {', '.join(minor)}: three fingers must do, or it needs service"
        )
    serviced = record.valve_serviced
    if serviced is not None and serviced.months_later(profile.valve_service_months) < case.today:
        source = profile.source("valve_service_months")
        yield _care("valve-service-due", f"valve serviced {serviced}: service is due", source)
    if case.wanted.valve_findings >= MANY_FINDINGS:
        text = f"{case.wanted.valve_findings} of its last fills hint at the valve: inspect it"
        yield _care("inspect-valve", text)


RULES: tuple[Rule, ...] = (
    standing,
    rating,
    heated,
    pressure_test,
    visual,
    alloy,
    service_life,
    approval,
    threads,
    oxygen,
    blending_air,
    valve,
    plus_mark,
)
"""In the order in which reasons of one gravity are told."""


def _never(code: str, text: str, source: str = "") -> Reason:
    return Reason(code=code, level=Level.REFUSE, text=text, overridable=False, source=source)


def _refused(code: str, text: str, source: str = "") -> Reason:
    return Reason(code=code, level=Level.REFUSE, text=text, source=source)


def _care(code: str, text: str, source: str = "") -> Reason:
    return Reason(code=code, level=Level.CARE, text=text, source=source)


def _unknown(case: Case, code: str, text: str) -> Reason:
    """A date nobody entered: the shoulder has it."""
    return Reason(code=code, level=case.profile.unknown_date, text=f"{text}: read the shoulder before you fill")


def _latest(*dates: Dated | None) -> Dated | None:
    return max((dated for dated in dates if dated is not None), key=lambda dated: dated.last, default=None)


def _thread(text: str) -> str:
    """`M25 x 2,0` and `m25x2` are one thread; a pitch that is written is compared, M25x1.5 is another one."""
    plain = text.lower().replace(" ", "").replace(",", ".")
    return plain.removesuffix(".0")


def _bar(gauge_pa: float) -> str:
    return f"{bar_from_pa(gauge_pa):.5g} bar"


def due_dates(case: Case) -> Iterator[tuple[str, date]]:
    """What runs out, and its last day in date. What is not on record is not told here."""
    record, profile = case.record, case.profile
    if record.last_examined is not None:
        yield "pressure test", record.last_examined.months_later(profile.test_interval_months)
    seen = _latest(record.last_visual, record.last_test, record.manufactured)
    if seen is not None:
        yield "visual inspection", seen.months_later(profile.inspection_interval_months)
    if record.valve_serviced is not None:
        yield "valve service", record.valve_serviced.months_later(profile.valve_service_months)
    if record.gas_service is Service.OXYGEN and record.oxygen_clean_until is not None:
        yield "oxygen cleaning", record.oxygen_clean_until.last
    if record.service_life_ends is not None:
        yield "end of service life", record.service_life_ends.last
    examined = record.eddy_current
    if profile.eddy_current_months and record.alloy_6351 is Known.YES and examined is not None:
        yield "eddy-current examination", examined.months_later(profile.eddy_current_months)
