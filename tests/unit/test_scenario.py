"""Scenario files of the simulator: what is refused, and in which words."""

from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from fillguard.bench.simulator import load_scenario, shipped_scenario
from fillguard.bench.simulator.scenario import parse_scenario
from fillguard.core.errors import ConfigurationError
from tests.simulated import act, played, small_scenario

Change = Callable[[dict[str, Any]], object]

REFUSALS: list[tuple[str, Change, str]] = [
    (
        "an unknown key, with the one that was meant",
        lambda d: d["station"].update(duratoin_s=3),
        "station, duratoin_s: unknown key; did you mean 'duration_s'?",
    ),
    (
        "a gauge beyond any gauge, with its value and place",
        lambda d: act(d, 3).update(close_at_bar=9000),
        "whip 1, act 3, close_at_bar = 9000: Input should be less than or equal to 450",
    ),
    (
        "an act that nobody knows, with those that exist",
        lambda d: act(d, 3).update(do="explode"),
        "Input tag 'explode' found using 'do' does not match any of the expected tags: 'attach', 'announce', 'detach'",
    ),
    (
        "an act with two times",
        lambda d: act(d, 2).update(at_s=5),
        "whip 1, act 2: give at_s (scenario time) or after_s (after the act before), one of the two",
    ),
    (
        "a gas of more than everything",
        lambda d: d["source"][0].update(gas={"o2": 0.7, "he": 0.7}),
        "o2 0.7 + he 0.7 is more than 1",
    ),
    (
        "a gas in words",
        lambda d: d["source"][0].update(gas="nitrox"),
        "source 1, gas = 'nitrox'",
    ),
    (
        "a source that is not described, with those that are",
        lambda d: act(d, 3).update(source="bank-9"),
        "whip 1, act 3 (fill): source = 'bank-9' is not described; known are cascade, compressor",
    ),
    (
        "a cylinder that is not described",
        lambda d: act(d, 1).update(cylinder="TH-9999"),
        "whip 1, act 1 (attach): cylinder = 'TH-9999' is not described; known are TH-0042",
    ),
    (
        "a throttled compressor",
        lambda d: act(d, 3).update(rate_bar_min=20),
        "whip 1, act 3 (fill): rate_bar_min needs a cascade; a compressor gives what it gives",
    ),
    (
        "filling what was never attached",
        lambda d: d["whip"][0]["act"].pop(0),
        "whip 1, act 2 (fill): there is no cylinder on this whip",
    ),
    (
        "unscrewing a whip under pressure",
        lambda d: d["whip"][0]["act"].pop(4),
        "whip 1, act 5 (detach): the whip is under pressure; shut the cylinder valve and bleed the whip first",
    ),
    (
        "a second cylinder on the same whip",
        lambda d: d["whip"][0]["act"].insert(1, {"do": "attach", "after_s": 1, "cylinder": "TH-0042"}),
        "whip 1, act 2 (attach): there is a cylinder on this whip; detach it first",
    ),
    (
        "bleeding with the panel open",
        lambda d: (act(d, 3).pop("close_at_bar"), act(d, 3).update(do="open-panel")),
        "whip 1, act 5 (bleed): the panel valve is open; close it before bleeding",
    ),
    (
        "an act before the one ahead of it",
        lambda d: d["whip"][0]["act"].append({"do": "close-panel", "at_s": 1}),
        "whip 1, act 7 (close-panel): at_s = 1 is before the act ahead of it (at_s = 2)",
    ),
    (
        "an act after the end",
        lambda d: d["whip"][0]["act"].append({"do": "close-panel", "at_s": 500}),
        "whip 1, act 7 (close-panel): at_s = 500 is after the end, station.duration_s = 90",
    ),
    (
        "a bath where there is no water",
        lambda d: d["station"].pop("bath_c") and act(d, 1).update(surroundings="bath"),
        "whip 1, act 1 (attach): surroundings = 'bath' needs station.bath_c",
    ),
    (
        "two whips of one name",
        lambda d: d["whip"].append(deepcopy(d["whip"][0])),
        "whip '1' is described 2 times; give each its own name",
    ),
    (
        "a fault of a wall sensor that is not there",
        lambda d: d["whip"][0].pop("wall") or d["whip"][0].update(
            fault=[{"kind": "stuck", "channel": "wall", "at_s": 5, "for_s": 5}]
        ),
        "whip 1, fault 1 (stuck): channel = 'wall' but this whip has no wall sensor",
    ),
    (
        "a fault with two triggers",
        lambda d: d["whip"][0].update(fault=[{"kind": "burst", "at_s": 5, "at_bar": 100}]),
        "whip 1, fault 1: give exactly one of at_s, at_bar (pressure in the cylinder) and after_close_s",
    ),
    (
        "more cylinders open to each other than there are",
        lambda d: d["cylinder"][0].update(joined=2),
        "cylinder 1: joined = 2 is more than count = 1",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("change", "said"), [one[1:] for one in REFUSALS], ids=[one[0] for one in REFUSALS])
def test_scenario_refuses(change: Change, said: str) -> None:
    data = small_scenario()
    change(data)
    with pytest.raises(ConfigurationError) as refused:
        parse_scenario(data, "tern.toml")
    assert said in str(refused.value)
    assert all(line.startswith("scenario tern.toml: ") for line in str(refused.value).splitlines())


def test_all_problems_of_a_file_are_told_at_once() -> None:
    data = small_scenario()
    act(data, 1)["cylinder"] = "TH-9999"
    act(data, 3)["source"] = "bank-9"
    with pytest.raises(ConfigurationError) as refused:
        parse_scenario(data, "tern.toml")
    assert len(str(refused.value).splitlines()) == 2


def test_file_that_is_missing_or_no_toml_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"nowhere\.toml: cannot be read"):
        load_scenario(tmp_path / "nowhere.toml")
    (tmp_path / "broken.toml").write_text("[station\n", encoding="utf-8")
    with pytest.raises(ConfigurationError, match=r"broken\.toml: not TOML"):
        load_scenario(tmp_path / "broken.toml")


def test_unknown_shipped_scenario_is_answered_with_those_there_are() -> None:
    with pytest.raises(ConfigurationError, match="tern-harbour"):
        shipped_scenario("atlantis")


def test_cylinder_cannot_hang_on_two_whips_at_once() -> None:
    data = small_scenario()
    second = deepcopy(data["whip"][0]) | {"id": "2"}
    data["whip"].append(second)
    with pytest.raises(
        ConfigurationError, match=r"TH-0042 is to be attached at 2\.0 s but still hangs on another whip"
    ):
        played(data)
