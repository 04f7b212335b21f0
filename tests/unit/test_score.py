"""Scoring itself: what counts as a hit, as a right verdict, and what the table says."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app import scoring
from fillguard.bench.recordings import BEGAN_UTC_S, Recording, Trace, read_recording
from fillguard.bench.score import FillScore, Hit, rows_of, score_fill, table
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import Phase, Projected, Tick
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import Stamp
from fillguard.engine import Happening

FILLS = Path(__file__).parent.parent / "data" / "fills"


def made_up(settled_bar: float = 200.0) -> Recording:
    """A fill that rises by 20 bar a minute from second 10 to 310, and settles on 90 % of the gauge."""
    times = [float(t) for t in range(0, 700, 10)]
    gauge = [100.0 + min(max(t - 10.0, 0.0), 300.0) / 3.0 for t in times]
    return Recording(
        number=1,
        given={
            "cylinder": {
                "count": 1, "water_volume_l": 12.0, "empty_mass_kg_each": 14.0, "material": "steel",
                "rated_pressure_bar": 232.0, "reference_temperature_c": 15.0,
            },
            "gas": "ean32", "residual_gas": "air", "medium": "air",
        },
        start_s=10.0,
        close_s=310.0,
        close_bar=200.0,
        settled_bar=settled_bar,
        burst=False,
        trace=Trace(t_s=times, cylinder_bar=gauge, settled_bar=[0.9 * bar for bar in gauge]),
        rows=((0.0, "A", 20.0), (1.0, "P", 100.0), (1.5, "W", 20.0), (400.0, "P", 200.0)),
    )  # fmt: skip


class Says:
    """A watch that always projects the truth plus an error."""

    def __init__(self, error_bar: float, *, rate_bar_min: float = 20.0) -> None:
        self.error_bar = error_bar
        self.rate_bar_min = rate_bar_min
        self.lines: list[bytes] = []

    def __call__(self, lines: Iterable[bytes]) -> Iterator[Happening]:
        self.lines = list(lines)
        fill = made_up()
        for second in range(20, 650):
            settled = fill.trace.at(fill.trace.settled_bar, float(second)) + self.error_bar
            stamp = Stamp(mono_s=float(second), utc_s=BEGAN_UTC_S + second)
            seen = Projected(
                stamp=stamp,
                sample_s=BEGAN_UTC_S + second,
                whip="1",
                fill_id="made-up",
                phase=Phase.FILLING if second < 310 else Phase.SETTLING,
                gauge_pa=pa_from_bar(fill.trace.at(fill.trace.cylinder_bar, float(second))),
                limit_gauge_pa=pa_from_bar(232.0),
                target_gauge_pa=pa_from_bar(232.0),
                reference_k=k_from_c(15.0),
                settled_gauge_pa=pa_from_bar(settled),
                settled_low_gauge_pa=pa_from_bar(settled - 2.0),
                settled_high_gauge_pa=pa_from_bar(settled + 2.0),
                rate_pa_s=pa_from_bar(self.rate_bar_min) / 60.0,
                stop_at_gauge_pa=pa_from_bar(203.0),
                seconds_to_stop=70.0,
            )
            yield Happening(Tick(stamp=stamp), (seen,))


def test_errors_are_those_against_the_truth_at_the_projections_own_time() -> None:
    score = score_fill(made_up(), Says(1.5), wall=True)
    assert set(score.hits) == {"80 %", "close +3 s", "close +60 s", "close +300 s"}
    assert all(hit.error_bar == pytest.approx(1.5) for hit in score.hits.values())
    assert all(hit.inside for hit in score.hits.values())
    assert score.stop_at_bar == pytest.approx(3.0)
    assert score.seconds == pytest.approx(10.0)
    assert score.rates_bar_min
    assert all(abs(rate) < 0.01 for rate in score.rates_bar_min)


def test_a_truth_outside_the_interval_is_counted() -> None:
    score = score_fill(made_up(), Says(-2.5), wall=False)
    assert not any(hit.inside for hit in score.hits.values())


def test_a_wrong_rate_is_seen() -> None:
    score = score_fill(made_up(), Says(0.0, rate_bar_min=21.0), wall=True)
    assert all(rate == pytest.approx(1.0, abs=0.01) for rate in score.rates_bar_min)


def test_rates_are_told_apart_where_the_truth_between_its_samples_is_not_known() -> None:
    fill = made_up()
    assert score_fill(fill, Says(0.0), wall=True).even_rates_bar_min == pytest.approx([0.0] * 26, abs=0.01)
    paused = [bar if t < 150.0 else bar - 6.0 for t, bar in zip(fill.trace.t_s, fill.trace.cylinder_bar, strict=True)]
    score = score_fill(replace(fill, trace=replace(fill.trace, cylinder_bar=paused)), Says(0.0), wall=True)
    assert len(score.even_rates_bar_min) < len(score.rates_bar_min) == 26
    assert max(map(abs, score.rates_bar_min)) > 1.0
    assert score.even_rates_bar_min == pytest.approx([0.0] * len(score.even_rates_bar_min), abs=0.01)


@pytest.mark.parametrize(
    ("settled_bar", "error_bar", "right"),
    [(200.0, 5.0, True), (200.0, 33.0, False), (240.0, -5.0, True), (240.0, -9.0, False), (231.0, 9.0, None)],
    ids=["short, said short", "short, said over", "over, said over", "over, said short", "too near to tell"],
)
def test_verdicts_count_only_away_from_the_limit(settled_bar: float, error_bar: float, *, right: bool | None) -> None:
    assert score_fill(made_up(settled_bar), Says(error_bar), wall=True).verdict_right is right


def test_the_capture_speaks_the_default_topics_and_leaves_the_wall_out_when_asked() -> None:
    lines = [json.loads(line) for line in made_up().capture(wall=False, target_bar=150.0)]
    assert [line["topic"] for line in lines] == [
        "fill/tern/1/cylinder", "fill/tern/ambient", "fill/tern/1/pressure", "fill/tern/1/pressure",
    ]  # fmt: skip
    attach = json.loads(lines[0]["payload"])
    assert attach["target_bar"] == 150.0
    assert attach["gas"] == {"o2": 0.32}
    assert attach["water_volume_l"] == 12.0
    times = [line["t"] for line in lines]
    assert times == sorted(times)
    assert any("wall" in json.loads(line)["topic"] for line in made_up().capture(wall=True))


def test_the_table_has_median_tail_bias_and_coverage() -> None:
    scores = [
        FillScore(
            number=number, wall=True, hits={"close +3 s": Hit(error_bar=float(number - 2), inside=number != 1)},
            stop_at_bar=None, seconds=None, rates_bar_min=(), even_rates_bar_min=(), verdict_right=None, fills=1,
        )
        for number in range(1, 6)
    ]  # fmt: skip
    row = next(row for row in rows_of("all", scores) if row.what.startswith("settled, close +3"))
    assert (row.count, row.median, row.largest, row.covered) == (5, 1.0, 3.0, 0.8)
    assert row.bias == pytest.approx(1.0)
    lines = list(table(rows_of("all", scores)))
    assert "80%" in next(line for line in lines if "close +3" in line)
    assert any(line.rstrip().endswith("-") for line in lines), "an empty sample has no figures"


def test_a_folder_without_fills_or_a_broken_one_is_said_in_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert scoring.main([str(tmp_path)]) == 2
    assert "name the folder" in capsys.readouterr().err
    (tmp_path / "fill_001.json").write_text("{}", encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"csv\.gz"):
        read_recording(tmp_path / "fill_001.json")


def test_a_folder_is_scored_as_table_and_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("fill_109.json", "fill_109.csv.gz"):
        (tmp_path / name).write_bytes((FILLS / name).read_bytes())
    assert scoring.main([str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "109 without" in told
    assert "without, weak heat transfer" in told
    assert scoring.main([str(tmp_path), "--json"]) == 0
    content = json.loads(capsys.readouterr().out)
    assert content["fills"][0]["number"] == 109
    assert {"group", "what", "median", "covered"} <= set(content["rows"][0])
