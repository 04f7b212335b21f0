"""A leak after the close: when it is told, and what keeps it from being told."""

import math

import pytest

from fillguard.core.seeping import Lost, Seep, seeping, stopped
from fillguard.core.units import PA_PER_BAR

PER_HOUR = PA_PER_BAR / 3600.0
START_K = 293.15


def lost(low_bar_h: float, *, half_bar_h: float = 8.0) -> Lost:
    """What the estimator holds against a leak."""
    middle = low_bar_h + half_bar_h
    return Lost(middle * PER_HOUR, low_bar_h * PER_HOUR, (middle + half_bar_h) * PER_HOUR)


def after(
    for_s: float,
    *,
    seems: Lost | None,
    fall_bar_h: float = 60.0,
    slackens_s: float = math.inf,
    warmer_k: float = 0.0,
    over: bool = False,
    start_seen: bool = True,
    seep: Seep | None = None,
) -> Seep:
    """The stop after `for_s` in which the gauge falls, slackening with `slackens_s`."""
    seep = seep or stopped(0.0, START_K, start_seen=start_seen)
    begun_s = max(seep.judged_s, 0.0)
    for k in range(1, round(for_s / 5.0) + 1):
        at_s = begun_s + 5.0 * k
        fallen = (
            fall_bar_h / 3600.0 * (at_s if slackens_s == math.inf else slackens_s * (1 - math.exp(-at_s / slackens_s)))
        )
        seep = seeping(
            seep,
            at_s,
            seems,
            surroundings_k=START_K + warmer_k,
            level_pa=(200.0 - fallen) * PA_PER_BAR,
            over=over,
            bled=False,
        )
    return seep


def test_a_steady_loss_is_sure_some_time_after_the_first_two_minutes() -> None:
    low = after(200.0, seems=lost(5.0)).low_pa_s

    assert low is not None
    assert low / PER_HOUR == pytest.approx(5.0)


@pytest.mark.parametrize("for_s", [30.0, 100.0, 140.0])
def test_nothing_is_told_before_two_minutes_and_what_it_takes_to_be_sure(for_s: float) -> None:
    assert after(for_s, seems=lost(50.0)).low_pa_s is None


def test_what_was_sure_only_for_a_moment_counts_with_its_lowest() -> None:
    seep = after(200.0, seems=lost(-4.0))
    low = after(20.0, seems=lost(30.0), seep=seep).low_pa_s

    assert low is not None
    assert low < 0.0


@pytest.mark.parametrize("slackens_s", [60.0, 120.0, 170.0])
def test_a_fall_that_slackens_as_cooling_does_is_no_leak_whatever_the_estimate_says(slackens_s: float) -> None:
    low = after(200.0, seems=lost(5.0), slackens_s=slackens_s).low_pa_s

    assert low is not None
    assert low <= 0.0


def test_a_leak_under_cooling_that_slackens_is_told() -> None:
    """30 bar/h lost under a cooling of 60 bar/h that fades within four minutes."""
    seep = stopped(0.0, START_K, start_seen=True)
    for k in range(1, 61):
        t = 5.0 * k
        fallen = 30.0 / 3600.0 * t + 60.0 / 3600.0 * 240.0 * (1.0 - math.exp(-t / 240.0))
        level = (200.0 - fallen) * PA_PER_BAR
        seep = seeping(seep, t, lost(9.0), surroundings_k=START_K, level_pa=level, over=False, bled=False)

    assert seep.low_pa_s is not None
    assert seep.low_pa_s > 0.0


@pytest.mark.parametrize("warmer_k", [5.5, -5.5])
def test_nothing_is_told_across_five_kelvin_of_the_surroundings(warmer_k: float) -> None:
    assert after(400.0, seems=lost(30.0), warmer_k=warmer_k).low_pa_s is None


def test_a_whip_that_was_bled_is_never_a_leak_in_this_stop() -> None:
    seep = after(200.0, seems=lost(30.0))
    seep = seeping(seep, 201.0, lost(30.0), surroundings_k=START_K, level_pa=1e5, over=False, bled=True)

    assert after(400.0, seems=lost(30.0), seep=seep).low_pa_s is None


@pytest.mark.parametrize(("bar_min", "over"), [(20.0, False), (8.0, True)], ids=["slow bleed", "bled as asked"])
def test_a_gauge_that_falls_as_only_a_bleed_lets_it_is_never_a_leak(bar_min: float, *, over: bool) -> None:
    seep = after(400.0, seems=lost(100.0), fall_bar_h=bar_min * 60.0, over=over)

    assert seep.spoiled
    assert seep.low_pa_s is None


def test_nothing_is_told_while_it_is_above_its_limit_and_may_be_bled() -> None:
    assert after(400.0, seems=lost(30.0), over=True).low_pa_s is None


def test_once_it_is_below_its_limit_a_leak_is_told() -> None:
    seep = after(300.0, seems=lost(30.0), over=True)

    assert after(60.0, seems=lost(30.0), seep=seep).low_pa_s == pytest.approx(30.0 * PER_HOUR)


def test_a_gauge_that_falls_less_than_cooling_makes_it_does_not_see_the_cylinder_any_more() -> None:
    seep = after(200.0, seems=lost(-40.0), fall_bar_h=0.0)

    assert seep.spoiled


def test_where_the_start_was_not_seen_the_judgement_waits_ten_minutes() -> None:
    assert after(590.0, seems=lost(30.0), start_seen=False).low_pa_s is None
    assert after(660.0, seems=lost(30.0), start_seen=False).low_pa_s is not None


def test_nothing_is_told_while_the_estimator_cannot_say() -> None:
    assert after(400.0, seems=None).low_pa_s is None
