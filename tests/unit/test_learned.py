"""What a station has learned: lessons add up, within limits, and the estimator starts with them."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.errors import ConfigurationError
from fillguard.core.learned import (
    AS_SHIPPED,
    FILL_SIGMA,
    SCALE_LIMIT,
    SHIPPED,
    SUPPLY_FILL_SIGMA_K,
    SUPPLY_LIMIT_K,
    Doubt,
    Gathered,
    Lesson,
    StationLearned,
    class_of,
)
from fillguard.core.values import Cylinder, Material
from tests.ledger_facts import CYLINDER

CLASSES = ("aluminium 8.5-13.5 L", "steel 8.5-13.5 L", "composite 5-8.5 L")


def lesson(guess: float, sigma: float = 0.4, *, of: str = CLASSES[0], supply: Doubt | None = None) -> Lesson:
    return Lesson(fill_id="tern-1-x", cylinder_class=of, scale=Doubt(guess=guess, sigma=sigma), supply_k=supply)


def after(*lessons: Lesson) -> StationLearned:
    learned = AS_SHIPPED
    for each in lessons:
        learned = learned.taught(each)
    return learned


LESSONS = st.builds(
    lesson,
    st.floats(-5.0, 5.0),
    st.floats(0.15, 2.0),
    of=st.sampled_from(CLASSES),
    supply=st.none() | st.builds(Doubt, guess=st.floats(-60.0, 60.0), sigma=st.floats(1.0, 20.0)),
)


def test_a_station_that_learned_nothing_starts_with_the_shipped_values() -> None:
    assert AS_SHIPPED.learned_for(None) == SHIPPED
    assert AS_SHIPPED.learned_for(CYLINDER) == SHIPPED


def test_lessons_move_both_scales_alike_and_narrow_them() -> None:
    learned = after(*[lesson(-0.8)] * 8).learned_for(CYLINDER)
    natural = learned.ln_natural.guess - SHIPPED.ln_natural.guess
    forced = learned.ln_forced.guess - SHIPPED.ln_forced.guess
    assert natural == pytest.approx(forced) == pytest.approx(-0.7, abs=0.1)
    assert learned.ln_natural.sigma < 0.8 * SHIPPED.ln_natural.sigma
    assert learned.contact == SHIPPED.contact
    assert learned.version == 8


def test_another_class_learns_from_the_station_but_less() -> None:
    learned = after(*[lesson(-0.8)] * 8)
    own, other = learned.shift(CLASSES[0]), learned.shift(CLASSES[1])
    assert own.guess < other.guess < -0.2
    assert own.sigma < other.sigma < AS_SHIPPED.shift().sigma


def test_two_classes_that_differ_keep_their_own_values() -> None:
    learned = after(*[lesson(-0.6), lesson(0.2, of=CLASSES[1])] * 12)
    assert learned.shift(CLASSES[0]).guess == pytest.approx(-0.5, abs=0.12)
    assert learned.shift(CLASSES[1]).guess == pytest.approx(0.1, abs=0.12)
    assert learned.shift(CLASSES[0]).guess < learned.shift().guess < learned.shift(CLASSES[1]).guess


def test_one_wild_lesson_is_cut_back() -> None:
    assert after(lesson(-40.0)).shift(CLASSES[0]).guess > -0.8


def test_a_lesson_about_nothing_changes_the_number_only() -> None:
    empty = Lesson(fill_id="tern-1-x", cylinder_class=CLASSES[0], scale=None, supply_k=None)
    assert replace(after(empty), version=0) == AS_SHIPPED


@pytest.mark.parametrize(
    ("litres", "material", "name"),
    [
        (3.0, Material.STEEL, "steel under 5 L"),
        (6.8, Material.COMPOSITE, "composite 5-8.5 L"),
        (11.1, Material.ALUMINIUM, "aluminium 8.5-13.5 L"),
        (15.0, Material.STEEL, "steel from 13.5 L"),
    ],
)
def test_a_cylinder_belongs_to_a_class_by_material_and_capacity(litres: float, material: Material, name: str) -> None:
    cylinder: Cylinder = replace(CYLINDER, water_capacity_m3=litres / 1e3, material=material)
    assert class_of(cylinder) == name


@pytest.mark.parametrize(("weight", "weighted"), [(-1.0, 0.0), (math.nan, 0.0), (1.0, math.inf)])
def test_sums_that_cannot_be_are_refused(weight: float, weighted: float) -> None:
    with pytest.raises(ConfigurationError, match="not possible"):
        Gathered(name="steel", weight=weight, weighted=weighted)


@given(st.lists(LESSONS, max_size=60))
def test_no_sequence_of_lessons_leaves_the_limits(lessons: list[Lesson]) -> None:
    learned = after(*lessons)
    for name in (*CLASSES, None):
        shift = learned.shift(name)
        assert abs(shift.guess) <= SCALE_LIMIT
        assert FILL_SIGMA <= shift.sigma <= AS_SHIPPED.shift().sigma
    supply = learned.supply_k()
    assert abs(supply.guess) <= SUPPLY_LIMIT_K
    assert SUPPLY_FILL_SIGMA_K <= supply.sigma <= SHIPPED.supply_k.sigma + 1e-9
    assert learned.version == len(lessons)
    assert len(learned.classes) <= len(CLASSES)


BELIEVABLE = st.builds(lesson, st.floats(-0.8, 0.8), st.floats(0.25, 1.0), of=st.sampled_from(CLASSES))


@given(st.lists(BELIEVABLE, max_size=20), st.randoms(use_true_random=False))
def test_the_order_of_lessons_hardly_matters(lessons: list[Lesson], chance: object) -> None:
    shuffled = list(lessons)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = after(*lessons), after(*shuffled)
    for name in CLASSES:
        assert one.shift(name).guess == pytest.approx(other.shift(name).guess, abs=0.1)
        assert one.shift(name).sigma == pytest.approx(other.shift(name).sigma, abs=0.02)


@given(st.lists(LESSONS, min_size=1, max_size=20))
def test_a_reset_restores_the_shipped_values_under_a_new_number(lessons: list[Lesson]) -> None:
    reset = after(*lessons).reset()
    assert reset.version == len(lessons) + 1
    assert replace(reset.learned_for(CYLINDER), version=0) == SHIPPED
