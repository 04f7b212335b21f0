"""Which readings of a gauge are believed, how it is known to be silent, stuck or noisy."""

import math
import random

import pytest

from fillguard.core.events import Doubt, Quality, Quantity, Reading
from fillguard.core.gauge import Gauge, judged
from fillguard.core.units import PA_PER_BAR
from tests.panel import stamp

BAR = PA_PER_BAR


def reading(
    at_s: float,
    bar: float,
    *,
    age_s: float = 0.0,
    quality: Quality = Quality.GOOD,
    doubt: Doubt | None = None,
) -> Reading:
    return Reading(
        stamp=stamp(at_s),
        source="fill/tern/1/pressure",
        whip="1",
        quantity=Quantity.PRESSURE,
        value=bar * BAR,
        sample_s=stamp(at_s).utc_s - age_s,
        quality=quality,
        doubt=doubt,
    )


def fed(*rows: tuple[float, float], gauge: Gauge | None = None) -> Gauge:
    gauge = gauge or Gauge()
    for at_s, bar in rows:
        gauge, _, _ = judged(gauge, reading(at_s, bar))
    return gauge


@pytest.mark.parametrize(
    "doubtful",
    [
        reading(2, 51, doubt=Doubt.LATE, quality=Quality.UNCERTAIN),
        reading(2, 51, doubt=Doubt.RETAINED, quality=Quality.UNCERTAIN),
        reading(2, 51, doubt=Doubt.DUPLICATE, quality=Quality.BAD),
        reading(2, 51, doubt=Doubt.SKEWED, quality=Quality.UNCERTAIN),
        reading(2, 51, quality=Quality.BAD),
        reading(2, 51, age_s=2.0),
    ],
    ids=["late", "retained", "duplicate", "skewed", "bad", "not later than the last"],
)
def test_what_is_no_news_is_not_used(doubtful: Reading) -> None:
    before = fed((0, 50), (1, 50.1))
    gauge, _, usable = judged(before, doubtful)

    assert not usable
    assert (gauge.gauge_pa, gauge.sample_s, gauge.arrived_mono_s) == (
        before.gauge_pa,
        before.sample_s,
        before.arrived_mono_s,
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e12, -1e12])
def test_what_is_no_pressure_is_out_of_range(value: float) -> None:
    gauge, doubt, usable = judged(fed((0, 50)), reading(1, value))

    assert (doubt, usable) == (Doubt.OUT_OF_RANGE, False)
    assert gauge.refused is Doubt.OUT_OF_RANGE


@pytest.mark.parametrize("age_s", [-5.0, 1e6, math.nan])
def test_a_time_that_means_nothing_is_refused(age_s: float) -> None:
    assert judged(Gauge(), reading(1, 50, age_s=age_s))[1:] == (Doubt.SKEWED, False)


def test_a_stale_reading_is_used_and_does_not_count_as_watching() -> None:
    before = fed((0, 50), (1, 50.3))
    gauge, doubt, usable = judged(before, reading(20, 51, age_s=8, doubt=Doubt.STALE, quality=Quality.UNCERTAIN))

    assert (doubt, usable) == (None, True)
    assert gauge.gauge_pa == 51 * BAR
    assert gauge.arrived_mono_s == before.arrived_mono_s
    assert gauge.refused is Doubt.STALE
    assert judged(gauge, reading(21, 51.1))[0].refused is None


# Leaps ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "used"),
    [
        ([160.0], [False]),
        ([160.0, 161.0, 160.5], [False, False, True]),
        ([160.0, 50.2], [False, True]),
        ([160.0, 5.0, 300.0, 180.0], [False, False, False, False]),
        ([70.0], [True]),
    ],
    ids=["one leap", "three that agree", "a leap and back", "four that do not agree", "a step that may be"],
)
def test_a_leap_is_believed_when_three_in_a_row_agree(rows: list[float], used: list[bool]) -> None:
    gauge, found = fed((0, 50)), []
    for number, bar in enumerate(rows, start=1):
        gauge, doubt, usable = judged(gauge, reading(0.2 * number, bar))
        assert (doubt is Doubt.IMPLAUSIBLE_JUMP) is not usable
        found.append(usable)

    assert found == used


def test_a_collapse_step_by_step_is_believed_at_its_third_step() -> None:
    gauge, found = fed((0, 200)), []
    for number, bar in enumerate([120.0, 60.0, 20.0], start=1):
        gauge, _, usable = judged(gauge, reading(0.2 * number, bar))
        found.append(usable)

    assert found == [False, False, True]


# How often ------------------------------------------------------------------------------------------------------------


def test_the_period_is_the_usual_one_whatever_one_gap_was() -> None:
    gauge = fed((0, 50), (1, 50.1), (2, 50.2), (3, 50.1), (4, 50.2), (3604, 50.0))

    assert gauge.period_s == 1.0


def test_a_sensor_that_slows_down_is_known_after_three_readings() -> None:
    gauge = fed(*[(i, 50 + 0.1 * (i % 3)) for i in range(10)], (19, 50), (29, 50.1), (39, 50.2))

    assert gauge.period_s == 10.0


def test_nothing_is_known_of_the_period_at_first() -> None:
    assert Gauge().period_s == fed((0, 50)).period_s == 0.0


# Stuck, noisy ---------------------------------------------------------------------------------------------------------

FLOWED_PA_S = 20 * BAR / 60


def repeating(gauge: Gauge, *, from_s: float, seconds: int) -> Gauge:
    bar = (gauge.gauge_pa or 0.0) / BAR
    return fed(*[(from_s + i, bar) for i in range(1, seconds + 1)], gauge=gauge)


def trembling() -> Gauge:
    """A sensor that resolves 0.1 bar and trembles by as much."""
    return fed(*[(i, round(100 + i / 3 + (0.1 if i % 2 else 0.0), 1)) for i in range(30)])


def test_one_value_for_ten_seconds_while_gas_flowed_is_stuck() -> None:
    before = trembling()

    assert not repeating(before, from_s=29, seconds=9).stuck(FLOWED_PA_S)
    assert repeating(before, from_s=29, seconds=10).stuck(FLOWED_PA_S)


@pytest.mark.parametrize("rate", [None, 0.0, 2 * BAR / 60])
def test_one_value_without_flow_before_is_not_stuck(rate: float | None) -> None:
    assert not repeating(trembling(), from_s=29, seconds=30).stuck(rate)


def test_a_sensor_of_coarse_resolution_cannot_be_told_to_be_stuck() -> None:
    coarse = fed(*[(i, 100.0 + i // 2) for i in range(30)])

    assert not repeating(coarse, from_s=29, seconds=60).stuck(FLOWED_PA_S)


def test_a_quiet_sensor_that_often_repeats_itself_must_do_so_three_times_as_long() -> None:
    quiet = fed(*[(i, 100.0 + 0.2 * (i // 8)) for i in range(64)])

    assert not repeating(quiet, from_s=63, seconds=12).stuck(FLOWED_PA_S)
    assert repeating(quiet, from_s=63, seconds=30).stuck(FLOWED_PA_S)


def test_hours_of_a_bled_whip_do_not_hide_a_stuck_sensor() -> None:
    bled = fed(*[(i * 10, 0.0) for i in range(200)], (2001, 0.1))
    rising = fed(*[(2002 + i, round(100 + i / 3 + (0.1 if i % 2 else 0.0), 1)) for i in range(30)], gauge=bled)

    assert repeating(rising, from_s=2031, seconds=12).stuck(FLOWED_PA_S)


@pytest.mark.parametrize("noise_bar", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("rate_bar_s", [0.0, 1.0])
def test_the_noise_is_known_whatever_the_rate(noise_bar: float, rate_bar_s: float) -> None:
    chance = random.Random(5)  # noqa: S311 - noise, not a secret
    gauge = fed(*[(i * 0.2, 100 + rate_bar_s * i * 0.2 + chance.gauss(0, noise_bar)) for i in range(300)])

    assert gauge.noise_pa / BAR == pytest.approx(noise_bar, rel=0.5)


def test_a_leap_hardly_counts_as_noise() -> None:
    gauge = fed(*[(i, 100 + 0.1 * (i % 2)) for i in range(60)])

    assert fed((60, 122.0), gauge=gauge).noise_pa < 2.0 * gauge.noise_pa
