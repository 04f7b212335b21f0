"""More alarms than a person can take in."""

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.flood import Flood, flood
from fillguard.core.values import Stamp


def stamp(at: float) -> Stamp:
    return Stamp(mono_s=at, utc_s=1e9 + at)


def after(times: Sequence[float], state: Flood | None = None) -> Flood:
    state = state or Flood()
    for at in times:
        state = flood(state, stamp(at), raised=1)
    return state


# More than ten alarms in ten minutes, over below five: the trade press on IEC 62682 and ISA-18.2 (five from memory).


@pytest.mark.parametrize(
    ("times", "flooding"),
    [
        ([60.0 * n for n in range(10)], False),
        ([*(60.0 * n for n in range(10)), 600.0], True),
        ([61.0 * n for n in range(11)], False),
        ([0.0] * 11, True),
    ],
    ids=["ten in ten minutes", "eleven in ten minutes", "eleven in a little more", "eleven at once"],
)
def test_a_flood_begins_with_more_than_ten_raises_in_ten_minutes(times: list[float], *, flooding: bool) -> None:
    assert after(times).flooding is flooding


def test_a_thousand_raises_in_one_step_are_a_flood_and_take_little_memory() -> None:
    state = flood(Flood(), stamp(5), raised=1000)
    assert state.flooding
    assert len(state.raises_mono_s) == 11


def test_a_flood_is_over_once_fewer_than_five_came_within_ten_minutes() -> None:
    state = after([0.0] * 7 + [300.0] * 5)
    for at, flooding in ((601, True), (900, True), (901, False)):
        state = flood(state, stamp(at))
        assert state.flooding is flooding


def test_priority_1_is_never_grouped() -> None:
    state = after([0.0] * 11)
    assert [state.groups(priority) for priority in (1, 2, 3)] == [False, True, True]
    assert not Flood().groups(3)


def test_a_clock_that_began_anew_ends_a_flood() -> None:
    assert not flood(after([9000.0] * 11), stamp(3)).flooding


@given(st.lists(st.floats(0, 300), max_size=60).map(lambda gaps: [sum(gaps[: n + 1]) for n in range(len(gaps))]))
def test_it_floods_exactly_as_counting_says(times: list[float]) -> None:
    state, expected = Flood(), False
    for n, at in enumerate(times):
        state = flood(state, stamp(at), raised=1)
        recent = sum(1 for then in times[: n + 1] if at - then <= 600.0)
        expected = recent > 10 or (expected and recent >= 5)
        assert state.flooding is expected
