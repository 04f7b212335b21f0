"""Regressions over the recent past, held against numpy; levels and knees held against curves whose answer is known."""

import math
import random
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.curve import KEPT_S, Curve, Sample, end_of_rise, goes_on_rising, slope_of, standing_level_pa
from fillguard.core.units import PA_PER_BAR

BAR = PA_PER_BAR
T0 = 1_795_558_000.0


def curve_of(samples: list[Sample]) -> Curve:
    curve = Curve()
    for sample_s, gauge_pa in samples:
        curve = curve.after(sample_s, gauge_pa)
    return curve


def noisy(shape: Callable[[float], float], *, seconds: float, every_s: float = 0.2, noise_bar: float = 0.1) -> Curve:
    """`shape` gives bar at a second."""
    chance = random.Random(3)  # noqa: S311 - noise, not a secret
    count = round(seconds / every_s)
    return curve_of([(T0 + i * every_s, (shape(i * every_s) + chance.gauss(0, noise_bar)) * BAR) for i in range(count)])


def by_numpy(samples: tuple[Sample, ...]) -> tuple[float, float]:
    """Gradient and its standard error by an independent routine."""
    t = np.array([s for s, _ in samples]) - samples[0][0]
    p = np.array([p for _, p in samples])
    (gradient, _), covariance = np.polyfit(t, p, 1, cov=True)
    return float(gradient), float(math.sqrt(covariance[0, 0]))


@pytest.mark.parametrize("every_s", [0.2, 1.0, 3.0])
@pytest.mark.parametrize("span_s", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("seconds", [40, 290, 1200], ids=lambda s: f"after {s} s")
def test_the_regression_and_its_error_are_those_of_numpy(every_s: float, span_s: float, seconds: float) -> None:
    curve = noisy(lambda t: 20.0 + 0.3 * t, seconds=seconds, every_s=every_s)
    slope = curve.slope(span_s)
    gradient, error = by_numpy(curve.since(curve.samples[-1][0] - span_s))

    assert slope is not None
    assert slope.pa_s == pytest.approx(gradient, rel=1e-6)
    assert slope.error_pa_s == pytest.approx(error, rel=1e-4)
    assert slope.points == len(curve.since(curve.samples[-1][0] - span_s))


@given(st.lists(st.tuples(st.floats(0.05, 20.0), st.floats(-1.0, 400.0)), min_size=3, max_size=60))
def test_running_sums_say_what_a_regression_of_the_kept_samples_says(steps: list[tuple[float, float]]) -> None:
    at_s, samples = T0, list[Sample]()
    for gap_s, bar in steps:
        at_s += gap_s
        samples.append((at_s, bar * BAR))
    curve = curve_of(samples)
    for start_s, _ in curve.samples:
        kept, fast = slope_of(curve.since(start_s)), curve.slope_since(start_s)
        if kept is None or fast is None:
            assert kept is fast
            continue
        assert fast.pa_s == pytest.approx(kept.pa_s, rel=1e-6, abs=1.0)
        assert fast.error_pa_s == pytest.approx(kept.error_pa_s, rel=1e-3, abs=10.0)


def test_a_straight_line_has_no_error_to_speak_of() -> None:
    slope = noisy(lambda t: 50 + t / 3, seconds=300, noise_bar=0.0).slope(20.0)

    assert slope is not None
    assert slope.pa_s == pytest.approx(BAR / 3)
    assert slope.error_pa_s < 1e-4 * BAR


@pytest.mark.parametrize("count", [0, 1, 2])
def test_two_samples_are_no_line(count: int) -> None:
    curve = curve_of([(T0 + i, 1e6) for i in range(count)])

    assert curve.slope(20.0) is None
    assert slope_of(curve.samples) is None


def test_a_sample_that_is_not_later_changes_nothing() -> None:
    curve = curve_of([(T0, 1e6), (T0 + 1, 2e6)])

    assert curve.after(T0 + 1, 9e6) is curve
    assert curve.after(T0, 9e6) is curve


def test_half_a_minute_is_kept_and_no_more() -> None:
    curve = noisy(lambda t: t, seconds=500)

    assert curve.samples[-1][0] - curve.samples[0][0] <= KEPT_S
    assert len(curve.samples) == len(curve.sums) <= KEPT_S / 0.2 + 1


def test_a_fast_sensor_is_thinned_to_five_samples_a_second() -> None:
    curve = noisy(lambda t: t, seconds=20, every_s=0.01)

    assert 100 <= len(curve.samples) <= 125
    assert curve.samples[-1][0] == T0 + 1999 * 0.01, "the newest is always there"


def test_the_newest_speed_looks_half_a_second_back() -> None:
    curve = curve_of([(T0, 0.0), (T0 + 0.2, 1e5), (T0 + 0.4, 2e5), (T0 + 0.6, 3e5)])

    assert curve.newest_speed() == pytest.approx((5e5, 3e5), rel=1e-3)
    assert curve_of([(T0, 1.0)]).newest_speed() == (0.0, 0.0)


@pytest.mark.parametrize(
    ("shape", "level"),
    [
        (lambda _: 50.0, 50.0),
        (lambda t: 50.0 + 0.5 * t, None),
        (lambda t: 50.0 if t < 2 else 52.0, None),
    ],
    ids=["standing", "rising", "leaping"],
)
def test_a_level_is_where_the_gauge_stands(shape: Callable[[float], float], level: float | None) -> None:
    found = standing_level_pa(noisy(shape, seconds=4).samples, span_s=3.0, within_pa=BAR)

    assert found == (None if level is None else pytest.approx(level * BAR, abs=0.1 * BAR))


def test_a_second_is_too_short_for_a_level() -> None:
    assert standing_level_pa(noisy(lambda _: 50.0, seconds=1).samples, span_s=3.0, within_pa=BAR) is None


@pytest.mark.parametrize("every_s", [0.2, 1.0])
@pytest.mark.parametrize("rate_bar_min", [10.0, 30.0, 80.0])
def test_the_end_of_a_rise_is_its_knee(every_s: float, rate_bar_min: float) -> None:
    def closed_after_15_s(t: float) -> float:
        return 150.0 + rate_bar_min / 60 * t if t <= 15 else 150.0 + rate_bar_min / 4 - 0.01 * (t - 15)

    stop_s, level_pa = end_of_rise(noisy(closed_after_15_s, seconds=28, every_s=every_s, noise_bar=0.05).samples)

    assert stop_s - T0 == pytest.approx(15.0, abs=1.0 + every_s)
    assert level_pa / BAR == pytest.approx(150 + rate_bar_min / 4, abs=0.3)


def test_a_gauge_that_only_falls_stopped_before() -> None:
    samples = noisy(lambda t: 150 - 0.2 * t, seconds=20, noise_bar=0.0).samples

    assert end_of_rise(samples)[0] - T0 < 1.5


@pytest.mark.parametrize(
    ("shape", "rises"),
    [
        (lambda t: t / 3, True),
        (lambda _: 0.0, False),
        (lambda t: min(t, 6.0), False),
        (lambda t: 0.01 * t, False),
        (lambda t: 0.0 if t < 8 else (t - 8) / 3, True),
    ],
    ids=["steady", "standing", "slackened", "too slow", "just begun"],
)
def test_a_rise_goes_on_when_it_lasts_is_steep_and_has_not_slackened(
    shape: Callable[[float], float], *, rises: bool
) -> None:
    curve = noisy(shape, seconds=15)
    found = goes_on_rising(curve, T0, least_pa_s=2 * BAR / 60, least_pa=BAR, for_s=4.0)

    assert found is rises
