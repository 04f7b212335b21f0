"""Stamp marks of a shoulder: fields where they are plain, words that were not understood where they are not."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.fitness.marks import Marks, read_marks
from fillguard.core.fitness.record import Stamped

TODAY = date(2026, 11, 25)

# US forms: 49 CFR 178.35(f), 180.213 (READ); European ones: EN ISO 13769 in outline (MEMORY).
SHOULDERS = {
    "a US aluminium cylinder": (
        "DOT-3AL3000 TH0042 5-95",
        {
            "specification": "3AL",
            "approval_marks": "DOT",
            "rated_pressure": "3000",
            "rated_unit": "psi",
            "manufactured": "1995-05",
        },
        ("TH0042",),
    ),
    "a plus after the latest test date counts": (
        "3AA2400 TH0047 5-95+ 6-24+",
        {
            "specification": "3AA",
            "rated_pressure": "2400",
            "rated_unit": "psi",
            "manufactured": "1995-05",
            "last_test": "2024-06",
            "plus_marked": "yes",
        },
        ("TH0047",),
    ),
    "a plus after an older date does not": (
        "3AA2400 5-95+ 6-24",
        {
            "specification": "3AA",
            "rated_pressure": "2400",
            "rated_unit": "psi",
            "manufactured": "1995-05",
            "last_test": "2024-06",
        },
        (),
    ),
    "a star, and a tester's number between month and year": (
        "DOT-3AA2250 8 A123 12 9-19*",
        {
            "specification": "3AA",
            "approval_marks": "DOT",
            "rated_pressure": "2250",
            "rated_unit": "psi",
            "manufactured": "2012-08",
            "last_test": "2019-09",
            "star": "yes",
        },
        (),
    ),
    "a European steel cylinder, year and month in either plain order": (
        "EN 1964-1 TH-0041 12,0 L 14,5 KG PW232 BAR PT348BAR M25x2 2019/05 05/2024 \N{GREEK SMALL LETTER PI}",
        {
            "specification": "EN 1964-1",
            "approval_marks": "pi",
            "water_capacity_l": "12.0",
            "empty_mass_kg": "14.5",
            "rated_pressure": "232",
            "rated_unit": "bar",
            "test_pressure": "348",
            "test_unit": "bar",
            "neck_thread": "M25x2",
            "manufactured": "2019-05",
            "last_test": "2024-05",
        },
        ("TH-0041",),
    ),
    "a pressure that does not say whether working or test is left to a person": (
        "232 BAR",
        {},
        ("232", "BAR"),
    ),
    "two digits and two digits could be either, and are left to a person": ("05/12", {}, ("05/12",)),
    "two digits that cannot be a month are a year": ("98/05", {"manufactured": "1998-05"}, ()),
    "a month-year date without a US specification is not taken for one": ("5-07", {}, ("5-07",)),
    "a date that lies ahead is none": ("2027/05", {}, ("2027/05",)),
    "there is no thirteenth month": (
        "3AL3000 13-95",
        {"specification": "3AL", "rated_pressure": "3000", "rated_unit": "psi"},
        ("13-95",),
    ),
    "a second capacity is not believed over the first": ("12 L 15 L", {"water_capacity_l": "12.0"}, ("15", "L")),
}  # fmt: skip


@pytest.mark.parametrize(("text", "columns", "left"), SHOULDERS.values(), ids=SHOULDERS)
def test_a_shoulder_is_read(text: str, columns: dict[str, str], left: tuple[str, ...]) -> None:
    marks = read_marks(text, TODAY)
    assert dict(marks.columns()) == columns
    assert marks.not_understood == left


def test_psi_and_bar_are_both_kept_as_stamped() -> None:
    marks = read_marks("TC-3ALM207/DOT-3AL3000", TODAY)
    assert marks.rated == (Stamped(value=207, unit="bar"), Stamped(value=3000, unit="psi"))
    assert marks.approval_marks == ("TC", "DOT")
    assert marks.columns()["rated_unit"] == "psi", "206.84 bar is the lower one"


@given(st.text(max_size=60))
def test_anything_at_all_is_read_without_an_error(text: str) -> None:
    assert isinstance(read_marks(text, TODAY), Marks)


@given(st.integers(0, 99), st.integers(1, 12))
def test_a_two_digit_year_never_lies_ahead(year: int, month: int) -> None:
    for stamp in read_marks(f"3AL3000 {month}-{year:02d}", TODAY).dates:
        assert stamp.on.first <= TODAY
        assert stamp.on.year % 100 == year
