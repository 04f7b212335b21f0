"""What may be filled, against published rules. READ: in the source; MEMORY: not confirmed; PRACTICE: no source."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from freezegun import freeze_time
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.fitness.asked import Wanted, governing_cylinder
from fillguard.core.fitness.dates import Dated, written_date
from fillguard.core.fitness.judging import judged, set_cylinder
from fillguard.core.fitness.record import (
    CylinderRecord,
    Found,
    Known,
    Outlet,
    Service,
    Stamped,
    Standing,
)
from fillguard.core.fitness.verdict import LOCAL_CODES, Level, Verdict
from fillguard.core.limits import developed_gauge_pa, rating_limit_gauge_pa
from fillguard.core.units import bar_from_pa, k_from_c, psi_from_pa
from fillguard.core.values import AIR, GasMix, Material
from fillguard.settings.profiles import shipped_profiles
from tests import gases

TODAY = date(2026, 11, 25)
US_STEEL = CylinderRecord(
    serial="TH-0047", specification="3AA", approval_marks=("DOT",), water_capacity_l=11.0, material=Material.STEEL,
    rated=Stamped(value=2400, unit="psi"), reference_c=21.1, test=Stamped(value=4000, unit="psi"),
    manufactured=Dated(year=1995, month=5), last_test=Dated(year=2025, month=6), last_visual=Dated(year=2026, month=6),
    gas_service=Service.AIR, outlet=Outlet.YOKE_232,
)  # fmt: skip
US_ALUMINIUM = replace(
    US_STEEL, serial="TH-0042", specification="3AL", material=Material.ALUMINIUM, rated=Stamped(value=3000, unit="psi"),
    test=Stamped(value=5000, unit="psi"), alloy_6351=Known.NO,
)  # fmt: skip
EU_STEEL = replace(
    US_STEEL, serial="TH-0041", specification="EN 1964-1", approval_marks=("pi",), rated=Stamped(value=232, unit="bar"),
    reference_c=15.0, test=Stamped(value=348, unit="bar"), outlet=Outlet.THREADED_232,
)  # fmt: skip
COMPOSITE = replace(
    EU_STEEL, serial="TH-0044", material=Material.COMPOSITE, rated=Stamped(value=300, unit="bar"),
    test=Stamped(value=450, unit="bar"), outlet=Outlet.THREADED_300,
)  # fmt: skip
NITROX = GasMix(o2=0.32)
OXYGEN = GasMix(o2=1.0)


def verdict(record: CylinderRecord, profile: str, today: date = TODAY, **wanted: Any) -> Verdict:  # noqa: ANN401 - fields of Wanted
    return judged(record, shipped_profiles()[profile], today, Wanted(**wanted))


def codes(found: Verdict) -> dict[str, bool]:
    """Each reason's code, and whether a person may override it."""
    return {reason.code: reason.overridable for reason in found.reasons}


# --- Limits ----------------------------------------------------------------------------------------------------------

LIMITS: Mapping[str, tuple[CylinderRecord, str, float]] = {
    "3AL3000: not above the marked pressure at 21 C, 49 CFR 173.301a(c) READ": (US_ALUMINIUM, "us", 3000.0),
    "3AA2400 with a valid plus: 2640, 49 CFR 173.302a(b) READ": (replace(US_STEEL, plus_marked=True), "us", 2640.0),
    "3AA2250 with a valid plus: 2475, 49 CFR 173.302a(b) READ": (
        replace(
            US_STEEL, plus_marked=True, rated=Stamped(value=2250, unit="psi"), test=Stamped(value=3750, unit="psi")
        ),
        "us",
        2475.0,
    ),
    "3AA2400 without a plus after the latest test: 2400, same": (US_STEEL, "us", 2400.0),
    "3AL never takes a plus, same": (replace(US_ALUMINIUM, plus_marked=True), "us", 3000.0),
    "disc rated above the test pressure: no plus, same": (
        replace(US_STEEL, plus_marked=True, disc_burst=Stamped(value=4200, unit="psi")),
        "us",
        2400.0,
    ),
    "disc at the test pressure: the plus counts, same": (
        replace(US_STEEL, plus_marked=True, disc_burst=Stamped(value=4000, unit="psi")),
        "us",
        2640.0,
    ),
    "a plus where nobody recorded the specification does not count: our choice": (
        replace(US_STEEL, plus_marked=True, specification=None),
        "us",
        2400.0,
    ),
    "no plus in Europe (MEMORY)": (replace(US_STEEL, plus_marked=True, approval_marks=("pi",)), "eu", 2400.0),
}


@pytest.mark.parametrize(("record", "profile", "psi"), LIMITS.values(), ids=LIMITS)
def test_the_limit(record: CylinderRecord, profile: str, psi: float) -> None:
    found = verdict(record, profile)
    assert found.limit_gauge_pa is not None
    assert psi_from_pa(found.limit_gauge_pa) == pytest.approx(psi)
    assert found.reference_k == pytest.approx(k_from_c(21.1))
    cylinder = governing_cylinder(record, shipped_profiles()[profile])
    assert cylinder is not None
    assert rating_limit_gauge_pa(cylinder) == pytest.approx(found.limit_gauge_pa), "the watch holds the fill to it"


def test_the_verdict_in_words_gives_bar_psi_and_where_they_hold() -> None:
    text = verdict(US_ALUMINIUM, "us", max_rate_pa_s=5e4).text
    assert text.startswith("Fill, up to 206 bar (3000 psi) settled at 21.1 C (70 F), at most 30 bar/min (profile us).")
    assert text.endswith(LOCAL_CODES)


@given(st.floats(100, 499), st.sampled_from(["us", "eu"]))
def test_the_limit_in_words_is_never_above_the_limit(bar: float, profile: str) -> None:
    found = verdict(replace(EU_STEEL, rated=Stamped(value=bar, unit="bar"), test=None, outlet=None), profile)
    words = found.headline.partition("up to ")[2]
    if words:
        assert int(words.split(" bar")[0]) <= bar + 1e-6


def test_a_set_takes_the_lowest_in_it() -> None:
    """ADR 4.1.6.6, READ: never above the lowest working pressure of a bundle."""
    profile = shipped_profiles()["eu"]
    whole = replace(EU_STEEL, serial="TWIN", count=2, members=("A", "B"))
    lower = replace(EU_STEEL, serial="A", rated=Stamped(value=200, unit="bar"), test=Stamped(value=300, unit="bar"))
    found = judged(whole, profile, TODAY, Wanted(), members=(lower, replace(EU_STEEL, serial="B")))
    assert found.limit_gauge_pa == pytest.approx(200e5)
    cylinder = set_cylinder(whole, (lower, replace(EU_STEEL, serial="B")), profile)
    assert cylinder is not None
    assert (cylinder.rated_gauge_pa, cylinder.count) == (pytest.approx(200e5), 2)


def test_of_ratings_at_two_temperatures_the_one_that_allows_less_gas_is_the_lower() -> None:
    """210 bar at 21.1 C is less gas than 207 bar at 15 C: about 0.98 bar/K at 200 bar (CALC)."""
    profile = shipped_profiles()["eu"]
    warm = replace(EU_STEEL, serial="A", rated=Stamped(value=210, unit="bar"), reference_c=21.1)
    cold = replace(EU_STEEL, serial="B", rated=Stamped(value=207, unit="bar"))
    assert judged(cold, profile, TODAY, Wanted(), members=(warm,)).limit_gauge_pa == pytest.approx(210e5)


def test_one_condemned_side_condemns_the_set_by_name() -> None:
    side = replace(EU_STEEL, serial="B", state=Standing.CONDEMNED, state_reason="pitted")
    whole = replace(EU_STEEL, serial="TWIN", members=("B", "C"))
    found = judged(whole, shipped_profiles()["eu"], TODAY, Wanted(), members=(side,))
    assert found.level is Level.REFUSE
    assert [reason.text for reason in found.absolute] == ["B: condemned: pitted"]
    assert codes(found)["member-unknown"]


# --- Days ------------------------------------------------------------------------------------------------------------

DAYS: Mapping[str, tuple[str, int, str]] = {
    "five years from a month alone end with that month, 180.209 table 1 READ": ("2021-11", 60, "2026-11-30"),
    "from a day they end on that day": ("2021-11-25", 60, "2026-11-25"),
    "from 29 February a common year ends on the 28th": ("2024-02-29", 12, "2025-02-28"),
    "from 29 February to the next leap year it is the 29th": ("2024-02-29", 48, "2028-02-29"),
    "February alone, to a leap year": ("2023-02", 12, "2024-02-29"),
    "February alone, from a leap year": ("2024-02", 12, "2025-02-28"),
    "two and a half years across a year's end (EN 1968 practice)": ("2024-08", 30, "2027-02-28"),
    "the 31st where there is none": ("2026-08-31", 1, "2026-09-30"),
    "December to January": ("2026-12", 1, "2027-01-31"),
}


@pytest.mark.parametrize(("from_", "months", "until"), DAYS.values(), ids=DAYS)
def test_how_long_a_stamp_is_good(from_: str, months: int, until: str) -> None:
    assert written_date(from_).months_later(months).isoformat() == until


@given(st.dates(date(1950, 1, 1), date(2090, 1, 1)), st.integers(0, 240), st.booleans())
def test_a_period_never_ends_before_it_began_nor_later_than_its_months(day: date, months: int, exact: bool) -> None:  # noqa: FBT001 - given by hypothesis
    dated = Dated(year=day.year, month=day.month, day=day.day if exact else None)
    until = dated.months_later(months)
    assert until >= dated.last or months == 0
    assert (until.year - day.year) * 12 + until.month - day.month == months


@pytest.mark.parametrize(
    ("profile", "column", "stamped", "last_good", "code", "overridable"),
    [
        (
            "us",
            "last_test",
            "2021-11",
            date(2026, 11, 30),
            "test-overdue",
            False,
        ),  # 49 CFR 180.209 READ, 180.205(c) MEMORY
        (
            "eu",
            "last_test",
            "2021-11-25",
            date(2026, 11, 25),
            "test-overdue",
            False,
        ),  # EN 1968 practice, READ second-hand
        ("us", "last_visual", "2025-11", date(2026, 11, 30), "inspection-overdue", True),  # PRACTICE
        ("eu", "last_visual", "2024-05", date(2026, 11, 30), "inspection-overdue", False),  # EN 1968 practice
    ],
)
def test_the_last_day_and_the_day_after(  # noqa: PLR0917 - the columns of a table
    profile: str,
    column: str,
    stamped: str,
    last_good: date,
    code: str,
    overridable: bool,  # noqa: FBT001 - a column
) -> None:
    base = replace(US_STEEL if profile == "us" else EU_STEEL, last_test=Dated(year=2022, month=12))
    if column == "last_visual":
        base = replace(base, last_test=Dated(year=2023, month=1))
    record = replace(base, **{column: written_date(stamped)})
    assert code not in codes(verdict(record, profile, last_good))
    after = verdict(record, profile, date.fromordinal(last_good.toordinal() + 1))
    assert after.level is Level.REFUSE
    assert codes(after)[code] is overridable


def test_the_star_does_not_extend_underwater_use() -> None:
    """49 CFR 180.209(b), MEMORY: ten years by the star, five for underwater breathing."""
    starred = replace(US_STEEL, star=True, last_test=Dated(year=2019, month=6))
    found = verdict(starred, "us")
    assert codes(found)["test-overdue"] is False
    assert "the star does not count under water" in found.text


@pytest.mark.parametrize(
    ("zone", "level"), [("Pacific/Kiritimati", Level.REFUSE), ("UTC", Level.FILL), ("America/Los_Angeles", Level.FILL)]
)
def test_the_station_s_own_midnight_counts(zone: str, level: Level) -> None:
    """On the last evening of November in UTC it is December already in Kiritimati (UTC+14)."""
    with freeze_time("2026-11-30 20:00:00"):
        today = datetime.now(UTC).astimezone(ZoneInfo(zone)).date()  # noqa: TID251 - frozen
    assert verdict(replace(US_STEEL, last_test=Dated(year=2021, month=11)), "us", today).level is level


def test_what_falls_due_within_sixty_days_is_told_with_its_last_day() -> None:
    record = replace(US_STEEL, last_test=Dated(year=2022, month=1), last_visual=Dated(year=2026, month=1))
    found = verdict(record, "us")
    assert found.level is Level.FILL
    assert [(due.what, due.on) for due in found.due] == []
    soon = verdict(record, "us", date(2026, 12, 2))
    assert [(due.what, due.on) for due in soon.due] == [
        ("pressure test", "2027-01-31"),
        ("visual inspection", "2027-01-31"),
    ]


# --- Reasons ---------------------------------------------------------------------------------------------------------

NEVER: Mapping[str, tuple[CylinderRecord, str, dict[str, Any], str]] = {
    "condemned": (replace(EU_STEEL, state=Standing.CONDEMNED, state_reason="x"), "eu", {}, "condemned"),
    "heat-exposed, 49 CFR 180.203 READ": (replace(EU_STEEL, heat_exposed=True), "eu", {}, "heat-exposed"),
    "rating unknown": (replace(EU_STEEL, rated=None), "eu", {}, "rating-unknown"),
    "where the rating holds unknown": (replace(EU_STEEL, reference_c=None), "eu", {}, "rating-unknown"),
    "approval mark not accepted": (replace(EU_STEEL, approval_marks=("DOT",)), "eu", {}, "approval-not-accepted"),
    "composite past its service life": (
        replace(COMPOSITE, service_life_ends=Dated(year=2026, month=10)), "eu", {}, "service-life-over",
    ),
    "6351-T6 without eddy current, 71 FR 51122 READ": (
        replace(US_ALUMINIUM, alloy_6351=Known.YES), "us", {}, "no-eddy-current",
    ),
    "6351-T6 with an old eddy-current record": (
        replace(US_ALUMINIUM, alloy_6351=Known.YES, eddy_current=Dated(year=2020, month=5)), "us", {},
        "no-eddy-current",
    ),
    "threads that differ": (
        replace(EU_STEEL, neck_thread="M25x2", valve_thread="M25 x 1.5"), "eu", {}, "threads-differ",
    ),
    "valve changed and threads never compared": (
        replace(EU_STEEL, valve_fitted=Dated(year=2026, month=5)), "eu", {}, "threads-not-compared",
    ),
    "outlet rated below the limit, ISO 12209 READ": (
        replace(COMPOSITE, outlet=Outlet.THREADED_232), "eu", {}, "outlet-below-limit",
    ),
    "whip below what is asked of it": (COMPOSITE, "eu", {"whip_max_gauge_pa": 250e5}, "whip-below-limit"),
    "nitrox above 22 % in Europe, kept for air, EN 144-3 READ": (EU_STEEL, "eu", {"gas": NITROX}, "not-oxygen-clean"),
    "above 40 % in the US, nobody said clean, 46 CFR 197.326 READ": (
        replace(US_STEEL, gas_service=None), "us", {"gas": GasMix(o2=0.41)}, "not-oxygen-clean",
    ),
    "oxygen-clean once": (
        replace(US_STEEL, gas_service=Service.OXYGEN, oxygen_clean_until=Dated(year=2026, month=10)), "us",
        {"gas": OXYGEN, "whip_oxygen_clean": True}, "not-oxygen-clean",
    ),
    "a whip that is not oxygen-clean": (
        replace(US_STEEL, gas_service=Service.OXYGEN, oxygen_clean_until=Dated(year=2027, month=10)), "us",
        {"gas": OXYGEN, "whip_oxygen_clean": False}, "whip-not-oxygen-clean",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("record", "profile", "wanted", "code"), NEVER.values(), ids=NEVER)
def test_what_nobody_may_override(record: CylinderRecord, profile: str, wanted: dict[str, Any], code: str) -> None:
    found = verdict(record, profile, **wanted)
    assert found.level is Level.REFUSE
    assert codes(found)[code] is False
    after, refused = found.overridden("op-1", "he asked nicely")
    assert after is found
    assert refused is not None
    assert refused.startswith("nobody may override this: ")
    assert after.forbids


REFUSED: Mapping[str, tuple[CylinderRecord, str, str]] = {
    "set aside": (replace(EU_STEEL, state=Standing.SET_ASIDE, state_reason="x"), "eu", "set-aside"),
    "a weeping valve": (replace(EU_STEEL, valve_found=(Found.WEEPING,)), "eu", "valve-bad"),
    "steel past a service life": (
        replace(EU_STEEL, service_life_ends=Dated(year=2026, month=10)), "eu", "service-life-over",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("record", "profile", "code"), REFUSED.values(), ids=REFUSED)
def test_what_a_named_person_may_override(record: CylinderRecord, profile: str, code: str) -> None:
    found = verdict(record, profile)
    assert found.level is Level.REFUSE
    assert found.forbids
    assert codes(found)[code] is True
    after, refused = found.overridden("op-1", "looked at it, it holds")
    assert refused is None
    assert not after.forbids
    assert after.level is Level.REFUSE, "what was said stays said"
    assert "Overridden by op-1: looked at it, it holds." in after.text


CARE: Mapping[str, tuple[CylinderRecord, str, dict[str, Any], str]] = {
    "a plus that counts is said": (replace(US_STEEL, plus_marked=True), "us", {}, "plus-marked"),
    "one that does not, too": (replace(US_ALUMINIUM, plus_marked=True), "us", {}, "plus-not-valid"),
    "a date nobody entered": (replace(EU_STEEL, last_test=None, manufactured=None), "eu", {}, "test-date-unknown"),
    "a test in the future": (replace(EU_STEEL, last_test=Dated(year=2030, month=1)), "eu", {}, "test-date-future"),
    "a stiff valve": (replace(EU_STEEL, valve_found=(Found.STIFF,)), "eu", {}, "valve-watch"),
    "valve service due": (replace(EU_STEEL, valve_serviced=Dated(year=2025, month=10)), "eu", {}, "valve-service-due"),
    "three fills that hint at the valve": (EU_STEEL, "eu", {"valve_findings": 3}, "inspect-valve"),
    "a target above the limit": (EU_STEEL, "eu", {"target_gauge_pa": 240e5}, "target-above-limit"),
    "old aluminium of unknown alloy": (
        replace(US_ALUMINIUM, alloy_6351=Known.UNKNOWN, manufactured=Dated(year=1988, month=1)), "us", {},
        "alloy-unknown",
    ),
    "nitrox into one kept for air, US": (US_STEEL, "us", {"gas": NITROX}, "air-only"),
    "is the whip oxygen-clean?": (
        replace(US_STEEL, gas_service=Service.OXYGEN, oxygen_clean_until=Dated(year=2027, month=10)), "us",
        {"gas": OXYGEN}, "whip-oxygen-unknown",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("record", "profile", "wanted", "code"), CARE.values(), ids=CARE)
def test_what_asks_for_care(record: CylinderRecord, profile: str, wanted: dict[str, Any], code: str) -> None:
    found = verdict(record, profile, **wanted)
    assert found.level is Level.CARE
    assert code in codes(found)
    assert not found.forbids


@pytest.mark.parametrize(
    ("record", "profile", "wanted"),
    [
        (US_STEEL, "us", {}),
        (US_ALUMINIUM, "us", {"whip_max_gauge_pa": 206.85e5}),
        (EU_STEEL, "eu", {"whip_max_gauge_pa": 232e5, "valve_findings": 2}),
        (replace(US_STEEL, gas_service=Service.NITROX), "us", {"gas": NITROX}),
        (COMPOSITE, "eu", {"whip_max_gauge_pa": 250e5, "target_gauge_pa": 250e5}),
        (replace(EU_STEEL, neck_thread="M25x2", valve_thread="m25 x 2,0"), "eu", {}),
    ],
    ids=[
        "steel",
        "aluminium on a whip of 207 bar",
        "steel on a 232 bar whip",
        "nitrox",
        "less asked for",
        "one thread",
    ],
)
def test_a_sound_cylinder_gives_no_reason_at_all(record: CylinderRecord, profile: str, wanted: dict[str, Any]) -> None:
    found = verdict(record, profile, **wanted)
    assert (found.level, found.reasons) == (Level.FILL, ())


def test_the_shop_may_lower_the_oxygen_threshold_and_never_raise_it() -> None:
    assert verdict(US_STEEL, "us", gas=NITROX, oxygen_threshold=0.235).level is Level.REFUSE
    assert verdict(EU_STEEL, "eu", gas=NITROX, oxygen_threshold=0.40).level is Level.REFUSE


def test_reasons_come_gravest_first_and_those_nobody_may_override_before_all() -> None:
    record = replace(
        US_STEEL, plus_marked=True, valve_found=(Found.BENT, Found.STIFF), state=Standing.SET_ASIDE, state_reason="x",
        last_test=Dated(year=2019, month=1), star=True,
    )  # fmt: skip
    ranks = [(reason.level, reason.overridable) for reason in verdict(record, "us").reasons]
    order = [(Level.REFUSE, False), (Level.REFUSE, True), (Level.CARE, True)]
    assert ranks == sorted(ranks, key=order.index)
    assert set(ranks) == set(order)


# --- Hot -------------------------------------------------------------------------------------------------------------

HOT: Mapping[str, tuple[CylinderRecord, str, float]] = {
    # at 65 C from 200/232/300 bar at 15 C: 250.5 / 292.5 / 382.0, below test 300 / 348 / 450 (CALC; ADR P200 MEMORY)
    "200 bar": (
        replace(EU_STEEL, rated=Stamped(value=200, unit="bar"), test=Stamped(value=300, unit="bar")), "eu", 250.5,
    ),
    "232 bar": (EU_STEEL, "eu", 292.5),
    "300 bar": (COMPOSITE, "eu", 382.0),
    # 70 F -> 131 F: 1.166 times for air (CALC), below 5/4, 49 CFR 173.301a(d) READ
    "3AL3000": (US_ALUMINIUM, "us", 1.166 * 206.84),
}  # fmt: skip


@pytest.mark.parametrize(("record", "profile", "bar"), HOT.values(), ids=HOT)
def test_a_full_cylinder_in_the_sun_stays_below_what_is_allowed(
    record: CylinderRecord, profile: str, bar: float
) -> None:
    rules = shipped_profiles()[profile]
    cylinder = governing_cylinder(record, rules)
    assert cylinder is not None
    gas = gases.shipped(AIR)
    hot_pa = developed_gauge_pa(cylinder, gas, rating_limit_gauge_pa(cylinder), k_from_c(rules.hot_c), 101_325.0)
    assert bar_from_pa(hot_pa) == pytest.approx(bar, rel=0.004)
    assert verdict(record, profile, hot_gauge_pa=hot_pa).level is Level.FILL


def test_a_test_pressure_too_low_for_the_rating_is_found_by_the_pressure_in_the_sun() -> None:
    record = replace(EU_STEEL, test=Stamped(value=280, unit="bar"))
    found = verdict(record, "eu", hot_gauge_pa=292.5e5)
    assert codes(found)["hot-pressure"] is True
    assert "292.5 bar when as warm as 65 C, allowed are 280 bar" in found.text
