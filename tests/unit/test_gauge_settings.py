"""`[[gauge]]` in station.toml: which whips share one gauge."""

from pathlib import Path
from typing import Never

import pytest

from fillguard.core.events import Quantity, Reading
from fillguard.core.rules import WhipRules
from fillguard.core.values import GasMix, Stamp
from fillguard.intake.sanity import Sanity
from fillguard.settings import check_config, load_settings

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = "full"
"""
WHIPS = "".join(f'\n[[whip]]\nid = "{n}"\nmax_working_bar = 350\nlowest_rating_bar = 200\n' for n in "1234")


def written(folder: Path, gauges: str) -> Path:
    (folder / "station.toml").write_text(STATION + WHIPS + gauges, encoding="utf-8")
    return folder


def gauge(name: str, *whips: str) -> str:
    return f'\n[[gauge]]\nid = "{name}"\nwhips = {list(whips)!r}\n'


def no_surface(mix: GasMix) -> Never:
    raise AssertionError(f"nobody asked for {mix}")


def test_the_whips_of_a_gauge_reach_the_rules(tmp_path: Path) -> None:
    settings = load_settings(written(tmp_path, gauge("north", "1", "2") + gauge("south", "4", "3")), {})
    rules = settings.rules(no_surface)
    assert rules.gauge_of("2") == rules.gauge_of("north") == ("north", ("1", "2"))
    assert rules.gauge_of("3") == ("south", ("4", "3"))
    assert rules.max_working_gauge_pa("1", "2") == pytest.approx(350e5)


def test_a_whip_that_stands_in_no_gauge_has_its_own(tmp_path: Path) -> None:
    rules = load_settings(written(tmp_path, gauge("north", "1", "2")), {}).rules(no_surface)
    assert rules.gauge_of("3") is None


def test_the_gauges_are_part_of_what_is_recorded_as_in_force(tmp_path: Path) -> None:
    before = load_settings(written(tmp_path, ""), {})
    after = load_settings(written(tmp_path, gauge("north", "1", "2")), {})
    assert before.hash != after.hash
    assert "north" in after.text


@pytest.mark.parametrize(
    ("gauges", "message"),
    [
        (gauge("north", "1"), "a list of at least two whip ids in quotes"),
        (gauge("north", "1", "1"), "whip 1 stands there twice"),
        (gauge("north", "1", "9"), "known are 1, 2, 3, 4"),
        (gauge("2", "1", "3"), "there is a [[whip]] of that id"),
        (gauge("north", "1", "2") + gauge("south", "2", "3"), 'it hangs on [[gauge]] "north" already'),
        (gauge("north", "1", "2") + gauge("north", "3", "4"), "another [[gauge]] has it already"),
        ('\n[[gauge]]\nid = "north"\nwhip = ["1", "2"]\n', "did you mean whips?"),
    ],
    ids=[
        "one whip alone",
        "the same whip twice",
        "a whip that is not there",
        "the name of a whip",
        "a whip on two gauges",
        "two gauges of one name",
        "a key mistyped",
    ],
)
def test_a_mistake_gives_the_message_that_helps(tmp_path: Path, gauges: str, message: str) -> None:
    problems = [str(problem) for problem in check_config(written(tmp_path, gauges), {})]
    assert any(message in problem for problem in problems), problems


def asked(gauges: dict[str, tuple[str, ...]]) -> list[str]:
    """What is asked when two whips read the same for two minutes while the pressure rises."""
    rules = {name: WhipRules(whip=name) for name in ("1", "2")}
    sanity = Sanity(rules, gauges)
    return [
        question.service
        for second in range(120)
        for whip in ("1", "2")
        for question in sanity.look(reading(whip, second))
    ]


def reading(whip: str, second: int) -> Reading:
    stamp = Stamp(mono_s=1000.0 + second, utc_s=1_795_558_000.0 + second)
    return Reading(
        stamp=stamp,
        source=f"fill/tern/{whip}/pressure",
        whip=whip,
        quantity=Quantity.PRESSURE,
        value=(50.0 + 0.3137 * second) * 1e5,
        sample_s=stamp.utc_s,
    )


def test_whips_that_are_known_to_share_a_gauge_are_not_asked_about() -> None:
    assert "shared:1+2" in asked({})
    assert "shared:1+2" not in asked({"north": ("1", "2")})
