"""The station's log with its due dates, and the needle beside the sensor."""

from pathlib import Path

import pytest

from fillguard.app.stationlog import Needles, StationLog
from fillguard.core.errors import ConfigurationError
from fillguard.core.figures import UnitChoice, close_at_text
from fillguard.core.fitness.needle import Needle, read_pairs
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Stamp
from fillguard.ledger.chain import Finding, verify
from fillguard.outlets.documents import beside_needle
from tests.ledger_facts import T0
from tests.shops import STATION

NOW = Stamp(mono_s=1000.0, utc_s=T0)
"""2026-11-24, 22:09 UTC."""
NEEDLE = Needle(
    whip="2",
    dated="2026-11-24",
    pairs=read_pairs(["50=51", "150=153", "230=234"]),
    class_percent=1.6,
    range_pa=400 * PA_PER_BAR,
)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    return tmp_path


def log(config: Path, days: float = 0.0) -> StationLog:
    return StationLog(config, {}, Stamp(mono_s=NOW.mono_s, utc_s=NOW.utc_s + days * 86_400.0))


# --- Due dates -------------------------------------------------------------------------------------------------------


def test_what_was_never_entered_is_missing_first(config: Path) -> None:
    missing = [(each.kind, each.about, each.on) for each in log(config).due(60)]
    assert missing == [
        ("air-test", "", None),
        ("filter", "", None),
        ("hose", "1", None),
        ("hose", "2", None),
        ("safety-valve", "1", None),
        ("safety-valve", "2", None),
    ]


def test_an_entry_falls_due_when_practice_says_or_the_paper(config: Path) -> None:
    """Three months between air tests, six between filters: common practice."""
    station = log(config)
    assert station.add("air-test", "CO 1 ppm", by="tech-1").isoformat() == "2027-02-24"
    assert station.add("filter", "new cartridge", by="tech-1", next_on="2027-01").isoformat() == "2027-01-31"
    assert verify(config / "ledger.sqlite3").finding is Finding.INTACT

    due = {each.kind: each for each in log(config, 90.0).due(10) if each.on}
    assert due["filter"].overdue
    assert not due["air-test"].overdue
    assert "air-test" not in {each.kind for each in log(config).due(60)}


def test_the_newest_entry_of_a_thing_counts(config: Path) -> None:
    log(config).add("hose", "old one", by="tech-1", about="1", next_on="2026-12")
    log(config, 1.0).add("hose", "renewed", by="tech-1", about="1", data={"rating_bar": 400.0, "made": "2026-06"})
    assert [each.about for each in log(config, 1.0).due(60) if each.kind == "hose"] == ["2"]
    newest, old = log(config).entries("hose")
    assert (newest.text, newest.data["rating_bar"], old.text) == ("renewed", 400.0, "old one")


@pytest.mark.parametrize(
    ("kind", "about", "next_on", "why"),
    [
        ("airtest", "", None, "did you mean air-test"),
        ("hose", "9", None, "hose of which whip"),
        ("filter", "", "2026-10", "that day is past"),
    ],
    ids=["a slip", "no such whip", "a day gone by"],
)
def test_an_entry_that_cannot_be_says_why(config: Path, kind: str, about: str, next_on: str | None, why: str) -> None:
    with pytest.raises(ConfigurationError, match=why):
        log(config).add(kind, "done", by="tech-1", about=about, next_on=next_on)


# --- The needle ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sensor", "shows"),
    [(0.0, 1.0), (50.0, 51.0), (100.0, 102.0), (221.0, 224.9), (230.0, 234.0), (300.0, 304.0)],
    ids=str,
)
def test_between_two_pairs_the_difference_goes_in_a_line(sensor: float, shows: float) -> None:
    assert bar_from_pa(NEEDLE.shows_pa(sensor * PA_PER_BAR)) == pytest.approx(shows, abs=0.05)


def test_the_class_of_a_dial_says_how_far_it_may_be_off() -> None:
    """Class 1.6 of 400 bar is +/- 6.4 bar."""
    assert bar_from_pa(NEEDLE.error_pa) == pytest.approx(6.4)


def test_close_at_names_the_needle_beside_the_sensor() -> None:
    assert close_at_text(221.4e5, UnitChoice(), NEEDLE) == "221 bar (needle about 225)"
    assert close_at_text(221.4e5, UnitChoice(), None) == "221 bar"


def test_the_state_of_a_whip_carries_the_needle() -> None:
    assert beside_needle({"close_at_bar": 221.0}, NEEDLE) == {
        "close_at_needle_bar": 225.0,
        "needle_error_bar": 6.4,
        "needle_compared": "2026-11-24",
    }
    assert beside_needle({"close_at_bar": None}, NEEDLE)["close_at_needle_bar"] is None
    assert set(beside_needle({"close_at_bar": 221.0}, None).values()) == {None}


@pytest.mark.parametrize(
    ("pairs", "why"),
    [
        (["50=51", "150=153"], "at three pressures"),
        (["50=51", "50=52", "230=234"], "none of them twice"),
        (["50=51", "150=193", "230=234"], "use neither"),
        (["50", "150=153", "230=234"], "write sensor=needle"),
    ],
    ids=["too few", "twice", "broken", "no pair"],
)
def test_a_comparison_that_cannot_be_used_says_why(config: Path, pairs: list[str], why: str) -> None:
    with pytest.raises(ConfigurationError, match=why):
        log(config).compare_needle("2", pairs, class_percent=1.6, range_bar=400.0, by="tech-1", next_on=None)


def test_the_watch_finds_a_comparison_within_a_minute_and_no_sooner_asks_again(config: Path) -> None:
    needles = Needles(config / "ledger.sqlite3")
    assert needles.of("2", NOW) is None, "there is no ledger yet"
    log(config).compare_needle(
        "2", ["50=51", "150=153", "230=234"], class_percent=1.6, range_bar=400.0, by="tech-1", next_on=None
    )
    assert needles.of("2", NOW) is None
    later = Stamp(mono_s=NOW.mono_s + 60.0, utc_s=NOW.utc_s + 60.0)
    assert needles.of("2", later) == NEEDLE
    assert needles.of("1", later) is None
