"""How near the projected settled pressure comes on simulated fills from a model that shares nothing with the program.

Both strengths of heat transfer, banks and compressors, steel, aluminium, composite, a twin set; with the wall sensor
and without. The bounds are those the product is held to, in bar; beside them stands what was measured on these fills.
"""

import statistics
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import pytest

from fillguard.app.scoring import Watch
from fillguard.bench.recordings import read_recording
from fillguard.bench.score import FillScore, score_fill

pytestmark = pytest.mark.fills

FILLS = Path(__file__).parent.parent / "data" / "fills"
STRONG = (5, 9, 15, 18, 19, 22, 24)
WEAK = (101, 105, 109, 122)
GAUGE_OFF, VALVE_HARDLY_OPEN = 2, 6
SLOW = (15, 18, 101)
CLOSE, MINUTE, FIVE_MINUTES, MOST = "close +3 s", "close +60 s", "close +300 s", "80 %"


@cache
def scores(*, wall: bool) -> tuple[FillScore, ...]:
    watch = Watch()
    recordings = [read_recording(FILLS / f"fill_{number:03d}.json") for number in STRONG + WEAK]
    return tuple(
        score_fill(recording, watch, wall=wall) for recording in recordings if recording.has_wall_sensor or not wall
    )


def errors(moment: str, *, wall: bool, numbers: Sequence[int] = STRONG + WEAK) -> list[float]:
    return [
        score.hits[moment].error_bar for score in scores(wall=wall) if moment in score.hits and score.number in numbers
    ]


def test_every_fill_is_seen_as_one_fill_and_projected_at_its_close() -> None:
    for wall in (True, False):
        for score in scores(wall=wall):
            assert score.fills == 1, score.number
            assert CLOSE in score.hits, score.number


@pytest.mark.parametrize(
    ("moment", "median_bar", "largest_bar"),
    [
        (MOST, 1.3, 3.5),  # measured 1.2, 2.2; over all 25 such fills 1.1, held to 1.2
        (CLOSE, 1.25, 3.8),  # 1.0, 2.7
        (MINUTE, 0.9, 3.2),  # 0.2, 1.0
        (FIVE_MINUTES, 0.7, 2.5),  # 0.0, 0.7
    ],
)
def test_with_a_wall_sensor_projections_are_as_near_as_promised(
    moment: str, median_bar: float, largest_bar: float
) -> None:
    sizes = [abs(error) for error in errors(moment, wall=True)]
    assert statistics.median(sizes) <= median_bar
    assert max(sizes) <= largest_bar


@pytest.mark.parametrize(
    ("moment", "median_bar", "largest_bar"),
    [
        (MOST, 2.5, 6.0),  # measured 0.7, 4.6: that cylinder came seven kelvin warmer than the shop
        (CLOSE, 2.5, 6.0),  # 1.2, 5.1
        (MINUTE, 3.3, 7.0),  # 1.1, 4.3
        (FIVE_MINUTES, 2.0, 4.0),  # 0.5, 1.1
    ],
)
def test_without_one_projections_are_as_near_as_promised(moment: str, median_bar: float, largest_bar: float) -> None:
    sizes = [abs(error) for error in errors(moment, wall=False)]
    assert statistics.median(sizes) <= median_bar
    assert max(sizes) <= largest_bar


def test_a_whip_far_ahead_of_its_cylinder_is_seen_through() -> None:
    score = score_fill(read_recording(FILLS / f"fill_{VALVE_HARDLY_OPEN:03d}.json"), Watch(), wall=True)
    assert abs(score.hits[MOST].error_bar) <= 6.0, "the gauge alone would say 11 bar more"
    assert abs(score.hits[CLOSE].error_bar) <= 3.8


def test_projections_lean_neither_way_between_the_two_strengths_of_heat_transfer() -> None:
    strong = statistics.fmean(errors(CLOSE, wall=False, numbers=STRONG))
    weak = statistics.fmean(errors(CLOSE, wall=False, numbers=WEAK))
    assert strong < weak, "more heat transfer means colder gas and a higher settled pressure than estimated"
    assert strong > -2.0
    assert weak < 3.0


def test_the_interval_covers_nine_truths_in_ten() -> None:
    for wall in (True, False):
        inside = [hit.inside for score in scores(wall=wall) for hit in score.hits.values()]
        assert sum(inside) >= 0.87 * len(inside)


def test_stop_at_is_known_a_minute_ahead() -> None:
    off = [abs(score.stop_at_bar) for score in scores(wall=True) if score.stop_at_bar is not None]
    late = [abs(score.seconds) for score in scores(wall=True) if score.seconds is not None]
    assert statistics.median(off) <= 1.9
    assert max(off) <= 6.5
    assert statistics.median(late) <= 9.0


def test_no_verdict_is_wrong_three_bar_from_the_limit() -> None:
    verdicts = [score.verdict_right for wall in (True, False) for score in scores(wall=wall)]
    assert verdicts.count(True) >= 10
    assert False not in verdicts


def test_fill_rates_are_within_half_a_bar_a_minute() -> None:
    steady = [score for score in scores(wall=True) if score.number in SLOW]
    rates = sorted(abs(rate) for score in steady for rate in score.rates_bar_min)
    assert statistics.median(rates) <= 0.3
    assert rates[int(0.95 * len(rates))] <= 1.0


def test_a_gauge_that_is_off_is_not_seen_but_stays_within_its_share() -> None:
    score = score_fill(read_recording(FILLS / f"fill_{GAUGE_OFF:03d}.json"), Watch(), wall=True)
    assert abs(score.hits[CLOSE].error_bar) <= 3.0, "the gauge is off by less than a per cent"
