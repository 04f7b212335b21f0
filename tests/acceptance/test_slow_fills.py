"""Fills slower than a regression over seconds can see, and what is as slow and no fill."""

import pytest

from fillguard.core.events import Phase
from tests.panel import STEEL_12, Panel, Story, between


def rising(*, at_bar_min: float, from_bar: float, to_bar: float) -> Story:
    """A cylinder stands for two minutes, then its gauge rises at this rate."""
    panel = Panel()
    line = panel.whip("1").attach(STEEL_12).opens(residual_bar=from_bar).stands(for_s=120.0)
    line.moves(to_bar=to_bar, in_s=(to_bar - from_bar) / at_bar_min * 60.0)
    return panel.play()


@pytest.mark.parametrize("at_bar_min", [1.2, 1.6])
def test_a_slow_fill_is_a_fill_within_three_minutes_dated_back_to_its_rise(at_bar_min: float) -> None:
    story = rising(at_bar_min=at_bar_min, from_bar=60.0, to_bar=75.0)
    started = story.started()
    assert len(started) == 1
    assert started[0].plateau_seen
    assert started[0].start_gauge_pa / 1e5 == pytest.approx(60.0, abs=1.5)
    (entered, *_) = story.entered(Phase.FILLING)
    assert entered <= 140.0 + 180.0
    assert [p for _, p in story.projections() if p.settled_gauge_pa is not None]


def test_a_fill_slower_than_warming_is_one_once_it_has_come_further_than_warming_does() -> None:
    story = rising(at_bar_min=0.6, from_bar=100.0, to_bar=116.0)
    assert len(story.started()) == 1


def test_a_slow_overfill_is_raised() -> None:
    story = rising(at_bar_min=1.4, from_bar=225.0, to_bar=246.0)
    (raised,) = story.raised_at("overfill")
    assert raised > 140.0
    story.expects(between(140.0, 140.0 + 18.0 / 1.4 * 60.0), "overfill")


@pytest.mark.parametrize(("at_bar_min", "by_bar"), [(0.5, 8.0), (0.3, 12.0)])
def test_a_cold_cylinder_that_warms_up_is_no_fill(at_bar_min: float, by_bar: float) -> None:
    story = rising(at_bar_min=at_bar_min, from_bar=200.0, to_bar=200.0 + by_bar)
    assert story.started() == []
    story.never()


def test_a_fill_that_goes_on_slowly_after_its_pause_goes_on() -> None:
    panel = Panel()
    line = panel.whip("1").attach(STEEL_12).opens(residual_bar=60.0).fills(to_bar=120.0, at_bar_min=20.0)
    line.stands(for_s=90.0).moves(to_bar=128.0, in_s=8.0 / 1.3 * 60.0)
    story = panel.play()
    assert len(story.started()) == 1
    assert story.phases()[-1] in {Phase.FILLING, Phase.PAUSED}
    assert len(story.entered(Phase.FILLING)) >= 2
