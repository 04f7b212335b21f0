"""Simulated fills with a known fault: found in time, by its name, and nothing found where nothing is wrong."""

from functools import cache
from pathlib import Path

import pytest

from fillguard.app.diagnosing import main
from fillguard.app.scoring import Watch
from fillguard.bench.diagnosing import FINDINGS, Diagnosed, diagnosed, read_labelled, rows_of, table

DATA = Path(__file__).parents[1] / "data"
FAULTS = {
    201: ("slow leak", 300.0),
    202: ("valve partly open", 60.0),
    203: ("valve partly open", 60.0),
    204: ("valve partly open", 60.0),
    205: ("slow leak", 300.0),
    206: ("slow leak", 300.0),
    207: ("disc burst", 5.0),
    208: ("disc burst", 5.0),
    209: ("sensor stuck", 12.0),
    210: ("sensor silent", 7.0),
    211: ("valve opened late", 60.0),
    6: ("valve partly open", 60.0),
    7: ("disc burst", 5.0),
    14: ("sensor stuck", 12.0),
    19: ("sensor silent", 7.0),
}
"""What is wrong with a fill, and within how many seconds it must be told where a sensor feels the wall."""
UNFELT = 2.0
"""Without that sensor it may take so much longer."""
BOTH = {201, 205, 206, 6}
"""Fills with a wall sensor that are also played without it."""
CLEAN = [212, 213, 2, 5, 9, 15, 18, 22, 24, 101, 105, 109, 122]


@cache
def _watch() -> Watch:
    return Watch()


@cache
def played(number: int, *, wall: bool = True) -> Diagnosed:
    """What the watch found in a fill of `tests/data`."""
    folder = DATA / ("faults" if number > 200 else "fills")
    recording, faults = read_labelled(folder / f"fill_{number:03d}.json")
    return diagnosed(recording, faults, _watch(), wall=wall)


@pytest.mark.parametrize(
    ("number", "wall"),
    [(number, True) for number in FAULTS] + [(number, False) for number in FAULTS if number in BOTH],
    ids=lambda value: f"fill {value}" if isinstance(value, int) and value > 1 else None,
)
def test_a_fault_is_found_in_time_by_its_name(number: int, *, wall: bool) -> None:
    fault, within_s = FAULTS[number]
    delay_s = played(number, wall=wall).delays_s[fault]

    assert delay_s is not None, f"{fault}: never one of {sorted(FINDINGS[fault])}"
    assert delay_s <= within_s * (1.0 if wall else UNFELT)


@pytest.mark.parametrize("number", FAULTS)
def test_nothing_else_is_found_beside_the_fault(number: int) -> None:
    assert played(number).false == ()


@pytest.mark.parametrize("wall", [True, False], ids=["with wall sensor", "without"])
@pytest.mark.parametrize("number", CLEAN)
def test_nothing_is_found_where_nothing_is_wrong(number: int, *, wall: bool) -> None:
    seen = played(number, wall=wall)

    assert seen.clean
    assert seen.false == ()


def test_the_table_says_how_many_were_found_how_late_and_what_was_missed() -> None:
    fills = [
        Diagnosed(name="001", clean=False, delays_s={"slow leak": 120.0}, false=()),
        Diagnosed(name="002", clean=False, delays_s={"slow leak": None}, false=()),
        Diagnosed(name="003", clean=True, delays_s={}, false=("leak at 900 s",)),
    ]
    (row,) = rows_of(fills)
    lines = list(table(fills))

    assert (row.fills, row.found, row.median_s, row.missed) == (2, 1, 120.0, ("002",))
    assert lines[1].split() == ["slow", "leak", "2", "1", "120.0", "120.0", "002"]
    assert lines[2] == "clean fills 1, with something found in them 1"
    assert lines[3] == "false in 003 (clean): leak at 900 s"


def test_a_folder_without_fills_is_told_and_ends_with_two(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path)]) == 2
    assert "name the folder with the fills" in capsys.readouterr().err


def test_a_leak_too_short_to_be_seen_is_not_asked_for() -> None:
    _, faults = read_labelled(DATA / "faults" / "fill_201.json")

    assert [fault.shows for fault in faults] == [True]
