"""Two configurations compared: what differs, in words; what comes into force at once, and what needs a restart."""

import hashlib
from pathlib import Path

import pytest

from fillguard.core.units import PA_PER_BAR
from fillguard.settings import Settings, changes, load_settings, taken_over
from tests.stations import write_station

CHANNEL = {"phone": 'url = "json://127.0.0.1:9/geheim-4711"\npriorities = [1]'}


def loaded(folder: Path, *edits: tuple[str, str], alarms: str | None = None) -> Settings:
    """The station of the tests, with texts of station.toml replaced."""
    config = write_station(folder, 1883, channels=CHANNEL)
    text = (config / "station.toml").read_text()
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    (config / "station.toml").write_text(text)
    return load_settings(config, {}, alarms_text=alarms)


def shipped(**setpoints: str) -> str:
    """The shipped alarms.toml with some lines of [too-fast] replaced."""
    text = (Path(__file__).resolve().parents[2] / "config" / "alarms.toml").read_text()
    head, table, rest = text.partition("[too-fast]\n")
    for key, value in setpoints.items():
        old = next(line for line in rest.splitlines() if line.startswith(key.replace("__", "-")))
        rest = rest.replace(old, f"{old.partition(' = ')[0]} = {value}", 1)
    return head + table + rest


@pytest.mark.parametrize(
    ("edits", "alarms", "words"),
    [
        pytest.param((), {}, [], id="nothing"),
        pytest.param((), {"setpoint": "25"}, ["too-fast setpoint: 30 -> 25 bar/min (stricter)"], id="stricter"),
        pytest.param((), {"setpoint": "35"}, ["too-fast setpoint: 30 -> 35 bar/min (looser)"], id="looser"),
        pytest.param(
            (), {"oxygen__rich ": "6"}, ["too-fast oxygen-rich: 5 -> 6 bar/min (looser)"], id="a case of its own"
        ),
        pytest.param((), {"on_delay_s": "5"}, ["too-fast on_delay_s: 10 -> 5 (stricter)"], id="a shorter delay"),
        pytest.param((), {"deadband": "5"}, ["too-fast deadband: 3 -> 5 bar/min"], id="a deadband is neither"),
        pytest.param(
            (), {"action": '"Throttle now."'}, ['too-fast action: "Throttle." -> "Throttle now."'], id="words"
        ),
        pytest.param(
            (('id = "1"\nmax_working_bar = 350', 'id = "1"\nmax_working_bar = 300'),),
            {},
            ['[[whip]] "1" max_working_bar: 350 -> 300 (stricter)'],
            id="a whip's working pressure",
        ),
        pytest.param(
            (("priorities = [1]", "priorities = [1, 2]"),), {}, ['[[channel]] "phone" priorities: [...] -> [...]'],
            id="routing",
        ),
    ],
)  # fmt: skip
def test_what_needs_no_restart_is_told_in_words_and_comes_into_force(
    tmp_path: Path, edits: tuple[tuple[str, str], ...], alarms: dict[str, str], words: list[str]
) -> None:
    old = loaded(tmp_path / "old", alarms=shipped())
    new = loaded(tmp_path / "new", *edits, alarms=shipped(**alarms))
    found = taken_over(old, new)
    assert list(map(str, found.now)) == words
    assert found.later == ()
    assert found.settings.text == new.text, "all of it is in force"
    assert found.settings.hash == new.hash == hashlib.sha256(new.text.encode()).hexdigest()
    assert found.settings.alarms == new.alarms
    assert found.settings.whips == new.whips
    assert found.settings.routes == new.routes


@pytest.mark.parametrize(
    ("old_line", "new_line", "words"),
    [
        ("port = 1883", "port = 1884", "[broker] port: 1883 -> 1884"),
        ('path = "ledger.db"', 'path = "other.db"', '[ledger] path: "ledger.db" -> "other.db"'),
        ('name = "Tern Harbour"', 'name = "Tern Pier"', '[station] name: "Tern Harbour" -> "Tern Pier"'),
        ("live_for_s = 60", "live_for_s = 30", "[extents] live_for_s: 60 -> 30"),
        ('url = "json://127.0.0.1:9/geheim-4711"', 'url_env = "PATH"', '[[channel]] "phone" url: "(not shown)" -> not'),
        ('[[whip]]\nid = "2"', '[[whip]]\nid = "3"', '[[whip]] "2": {...} -> not set'),
        ('[[whip]]\nid = "2"', '[[whip]]\nid = "3"', '[[whip]] "3": not set -> {...}'),
    ],
)
def test_what_needs_a_restart_says_so_and_stays_as_it_was(
    tmp_path: Path, old_line: str, new_line: str, words: str
) -> None:
    old = loaded(tmp_path / "old")
    config = write_station(tmp_path / "new", 1883, channels=CHANNEL)
    text = (config / "station.toml").read_text().replace(old_line, new_line)
    (config / "station.toml").write_text(text)
    found = taken_over(old, load_settings(config, {"PATH": "json://127.0.0.1:9/geheim-4711"}))
    assert any(str(change).startswith(words) for change in found.later), list(map(str, found.later))
    assert not any("geheim" in str(change) for change in found.later)
    assert (found.settings.text, found.settings.broker, found.settings.ledger) == (old.text, old.broker, old.ledger)


def test_of_both_kinds_each_goes_its_own_way_and_the_hash_is_of_what_is_in_force(tmp_path: Path) -> None:
    old = loaded(tmp_path / "old", alarms=shipped())
    new = loaded(tmp_path / "new", ("port = 1883", "port = 1884"), alarms=shipped(setpoint="25"))
    found = taken_over(old, new)
    assert (len(found.now), len(found.later)) == (1, 1)
    assert found.settings.alarms["too-fast"].setpoint == pytest.approx(25 * PA_PER_BAR / 60)
    assert found.settings.broker.port == 1883
    assert found.settings.hash not in {old.hash, new.hash}
    assert found.settings.hash == hashlib.sha256(found.settings.text.encode()).hexdigest()
    again = taken_over(found.settings, new)
    assert again.now == ()
    assert list(map(str, again.later)) == ["[broker] port: 1883 -> 1884"], "still waits, still says so"


def test_a_default_that_moves_with_what_needs_a_restart_waits_with_it(tmp_path: Path) -> None:
    old = loaded(tmp_path / "old")
    new = loaded(tmp_path / "new", ('timezone = "UTC"', 'timezone = "UTC"\nprofile = "us"'))
    assert new.whips["1"].lowest_rating_reference_k != old.whips["1"].lowest_rating_reference_k
    found = taken_over(old, new)
    assert found.now == ()
    assert found.settings.whips == old.whips


def test_a_new_case_and_one_that_is_gone_are_told(tmp_path: Path) -> None:
    def with_case(case: str) -> str:
        return shipped().replace("oxygen-rich = 5\n", f"oxygen-rich = 5\n{case}\n")

    old = loaded(tmp_path / "old", alarms=with_case('"air.composite" = 20'))
    found = taken_over(old, loaded(tmp_path / "new", alarms=with_case('"air.steel" = 35')))
    assert list(map(str, found.now)) == [
        "too-fast air.composite: 20 -> not set",
        "too-fast air.steel: not set -> 35 bar/min",
    ]


def test_a_shipped_case_that_is_left_out_is_no_change(tmp_path: Path) -> None:
    old = loaded(tmp_path / "old", alarms=shipped())
    found = taken_over(old, loaded(tmp_path / "new", alarms=shipped().replace("oxygen-rich = 5\n", "")))
    assert found.now == ()


def test_the_same_text_has_no_changes(tmp_path: Path) -> None:
    settings = loaded(tmp_path / "one")
    assert changes(settings.text, settings.text) == ()
