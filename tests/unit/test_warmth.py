"""A cylinder that comes back for its top-up while its wall is still warm."""

from dataclasses import replace

import pytest

from fillguard.core.context import FillContext
from fillguard.core.events import FillEnded
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import Warmth
from fillguard.core.warmth import WARM_KEPT, kept, still_warm
from tests.panel import STEEL_12, Panel, Story

SHOP_K = k_from_c(20.0)
LEFT = Warmth(
    serial="TH-0042",
    ended_s=1000.0,
    kelvin=SHOP_K + 18.0,
    cools_in_s=2500.0,
    settled_gauge_pa=200.0 * PA_PER_BAR,
    reference_k=k_from_c(15.0),
)


def came_back(*, after_s: float, gauge_bar: float = 207.0, serial: str | None = "TH-0042") -> float | None:
    """Degrees above the shop; None when nothing is known."""
    found = still_warm((LEFT,), serial, now_s=1000.0 + after_s, around_k=SHOP_K, start_gauge_pa=gauge_bar * PA_PER_BAR)
    return None if found is None else found.guess - SHOP_K


@pytest.mark.parametrize(("minutes", "above_k"), [(0, 18.0), (10, 14.2), (40, 6.9)])
def test_eighteen_kelvin_are_fourteen_after_ten_minutes_and_seven_after_forty(minutes: float, above_k: float) -> None:
    assert came_back(after_s=60.0 * minutes) == pytest.approx(above_k, abs=0.1)  # 18, 14, 7: common practice


def test_the_longer_it_has_been_away_the_less_is_known_until_it_is_any_cylinder() -> None:
    sigmas = []
    for minutes in (1, 20, 60, 120):
        found = still_warm(
            (LEFT,), "TH-0042", now_s=1000.0 + 60.0 * minutes, around_k=SHOP_K, start_gauge_pa=203.0 * PA_PER_BAR
        )
        assert found is not None
        sigmas.append(found.sigma)
    assert sigmas == sorted(sigmas)
    assert sigmas[-1] == pytest.approx(3.2, abs=0.5)
    assert came_back(after_s=4 * 3600.0) is None
    assert came_back(after_s=-5.0) is None, "the clock was set"


def test_gas_taken_out_or_another_cylinder_is_not_warm_from_its_fill() -> None:
    assert came_back(after_s=600.0, gauge_bar=150.0) is None
    assert came_back(after_s=600.0, serial="TH-0043") is None
    assert came_back(after_s=600.0, serial=None) is None


def test_only_so_many_are_remembered_the_newest_of_each_cylinder() -> None:
    many = [replace(LEFT, serial=f"TH-{n:04d}", ended_s=float(n)) for n in range(WARM_KEPT + 10)]
    warm = kept(kept((), many), [replace(many[-1], ended_s=9999.0)])
    assert len(warm) == WARM_KEPT
    assert warm[-1].ended_s == 9999.0
    assert [each.serial for each in warm].count(many[-1].serial) == 1
    assert many[-1].serial not in {each.serial for each in kept(warm, (), without=frozenset({many[-1].serial}))}


def topped_up(*, after_s: float, residual_bar: float) -> Story:
    """Filled on whip 1 without a wall sensor, taken off, and hung on whip 2 `after_s` later."""
    panel = Panel()
    panel.whip("1").attach(STEEL_12).opens(residual_bar=50).fills(to_bar=210, at_bar_min=25).closes(for_s=90).bleeds()
    panel.at(560 + after_s).whip("2").attach(STEEL_12).opens(residual_bar=residual_bar)
    return panel.play()


def context_of(story: Story) -> FillContext:
    context = story.state("2").context
    assert context is not None
    return context


def test_a_top_up_on_another_whip_begins_with_the_wall_that_the_fill_left() -> None:
    story = topped_up(after_s=600.0, residual_bar=203.0)
    ((_, ended),) = story.all(FillEnded)
    context = context_of(story)
    assert ended.warmth is not None
    assert ended.warmth.kelvin > context.surroundings_k + 8.0, "filled within seven minutes"
    assert context.arrived_k is not None
    assert context.surroundings_k + 4.0 < context.arrived_k < ended.warmth.kelvin
    assert context.arrived_sigma_k < 3.0
    assert not context.start_guessed


def test_one_that_was_used_meanwhile_is_taken_for_any_cylinder() -> None:
    context = context_of(topped_up(after_s=600.0, residual_bar=120.0))
    assert context.arrived_k is None
    assert context.start_guessed


def test_the_top_up_itself_ends_what_was_remembered() -> None:
    panel = Panel()
    panel.whip("1").attach(STEEL_12).opens(residual_bar=50).fills(to_bar=210, at_bar_min=25).closes(for_s=90).bleeds()
    panel.at(900).whip("2").attach(STEEL_12).opens(residual_bar=203).fills(to_bar=220, at_bar_min=20)
    assert panel.play().stepper.state.warm == ()
