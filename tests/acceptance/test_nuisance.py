"""Fills in which nothing went wrong: what people hear of them. An alarm that cries wolf is switched off in the head."""

import json
from itertools import chain
from pathlib import Path

import pytest

from fillguard.app.nuisance import is_quiet, main, noise_in, simulated
from fillguard.app.scoring import Watch
from fillguard.bench.nuisance import Noise, clean_recordings, is_clean, per_fill, table
from tests.recorded import FILLS

SIMULATED, SEED = 8, 3


@pytest.mark.fills
def test_clean_fills_recorded_and_simulated_raise_nothing_grave_and_hardly_anything_at_all() -> None:
    recordings = chain(clean_recordings(sorted(FILLS.glob("fill_*.json"))), simulated(SIMULATED, SEED))
    fills = list(noise_in(recordings, Watch()))
    assert len(fills) >= SIMULATED, "enough to say something"
    assert is_quiet(fills), "\n".join(table(fills))


def test_a_fill_is_clean_only_when_nothing_that_an_alarm_names_was_so() -> None:
    truth = json.loads((FILLS / "fill_009.json").read_text(encoding="utf-8"))["truth"]
    clean = truth | {
        "overfill": False, "too_fast_segments": [], "overfill_margin_bar": -12.0, "T_gas_close_c": 40.0,
        "p_start_bar_g": 50.0, "valve_partly_open": False, "slow_leak": False, "burst_disc": False,
        "sensor_stuck": [], "sensor_dropout": [],
    }  # fmt: skip
    assert is_clean(clean)
    for change in (
        {"overfill_margin_bar": -2.0},
        {"T_gas_close_c": 66.0},
        {"p_start_bar_g": 0.5},
        {"too_fast_segments": [[10.0, 90.0, 40.0]]},
        {"slow_leak": True},
        {"trouble": "gauge-off"},
    ):
        assert not is_clean(clean | change), change


def test_more_alarms_than_people_bear_are_not_quiet() -> None:
    quiet = Noise(name="001", raised=())
    noisy = Noise(name="002", raised=(("too-fast", 2),))
    assert per_fill([quiet, noisy])[2] == 0.5
    assert not is_quiet([quiet, noisy])
    assert is_quiet([*[quiet] * 19, noisy])
    assert not is_quiet([*[quiet] * 99, Noise(name="003", raised=(("overfill", 1),))])
    assert "  in 002: too-fast" in list(table([quiet, noisy]))


def test_a_folder_without_a_clean_fill_proves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path)]) == 2
    assert "no clean fill" in capsys.readouterr().err
