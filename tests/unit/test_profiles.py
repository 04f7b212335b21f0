"""The shipped rules: each with source and day, the page shows them, and a shop's own may only be stricter."""

import re
import tomllib
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest

import fillguard
from fillguard.core.fitness.profiles import JurisdictionProfile
from fillguard.core.fitness.verdict import Level
from fillguard.settings.problems import Problem
from fillguard.settings.profiles import ProfileSection, profile_in_force, shipped_profiles
from fillguard.settings.schema import Place

PLACE = Place(file="station.toml", label="[profile]")
WRITTEN = tomllib.loads((Path(fillguard.__file__).parent / "data" / "profiles.toml").read_text(encoding="utf-8"))
PAGE = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "profiles.md").read_text(encoding="utf-8")
RULES = {field.name for field in fields(JurisdictionProfile)} - {"name", "sources"}


def own(base: str, **rules: object) -> tuple[JurisdictionProfile, list[str]]:
    problems: list[Problem] = []
    section = ProfileSection.model_validate({"name": "shop", "reviewed": "2026-10-01", **rules})
    return profile_in_force(base, section, PLACE, problems), [str(problem) for problem in problems]


@pytest.mark.parametrize("name", WRITTEN)
def test_every_rule_has_a_value_a_source_and_a_day(name: str) -> None:
    assert set(WRITTEN[name]) == RULES | {"heat_exposed"}
    for rule, entry in WRITTEN[name].items():
        assert set(entry) == {"value", "source", "as_of"}, rule
        assert len(entry["source"]) > 10
        assert date.fromisoformat(entry["as_of"])
        assert entry["source"] in shipped_profiles()[name].source(rule)


def rows(name: str) -> list[str]:
    """The table of one profile as the page must have it."""

    def shown(value: object) -> str:
        if isinstance(value, dict):
            return ", ".join(f"{key} {number:g}" for key, number in value.items())
        if isinstance(value, list):
            return ", ".join(value) or "none"
        return str(value).lower() if isinstance(value, bool) else str(value)

    return [
        f"| `{rule}` | {shown(entry['value'])} | {entry['source']} | {entry['as_of']} |"
        for rule, entry in WRITTEN[name].items()
    ]


@pytest.mark.parametrize("name", WRITTEN)
def test_the_page_shows_every_rule_with_its_source(name: str) -> None:
    part = PAGE.partition(f"## `{name}`\n")[2].partition("\n## ")[0]
    assert re.findall(r"^\| `.*$", part, re.MULTILINE) == rows(name)


def test_without_rules_of_its_own_the_shop_follows_the_jurisdiction() -> None:
    assert profile_in_force("us", None, PLACE, []) is shipped_profiles()["us"]


def test_a_stricter_rule_of_the_shop_holds_and_names_itself_as_the_source() -> None:
    profile, problems = own(
        "us", inspection_interval_months=6, oxygen_threshold=0.235, plus_specifications=[], unknown_date="do not fill"
    )
    assert problems == []
    assert (profile.name, profile.inspection_interval_months, profile.oxygen_threshold) == ("shop", 6, 0.235)
    assert (profile.plus_specifications, profile.unknown_date) == (frozenset(), Level.REFUSE)
    assert profile.source("oxygen_threshold") == "the shop's own rule, station.toml [profile] (as of 2026-10-01)"
    assert profile.test_interval_months == 60, "what it does not say is the jurisdiction's"


LOOSER = {
    "a longer interval": ("eu", {"test_interval_months": 72}),
    "more oxygen": ("eu", {"oxygen_threshold": 0.4}),
    "a plus where none is known": ("eu", {"plus_specifications": ["3AA"]}),
    "a mark that is not accepted": ("us", {"accepted_marks": ["DOT", "pi"]}),
    "fewer years in doubt": ("us", {"alloy_doubtful_before_year": 1980}),
}


@pytest.mark.parametrize(("base", "rule"), LOOSER.values(), ids=LOOSER)
def test_a_looser_rule_of_the_shop_is_refused(base: str, rule: dict[str, object]) -> None:
    _, problems = own(base, **rule)
    (name,) = rule
    assert len(problems) == 1
    assert problems[0].startswith(f"station.toml: [profile] {name} = ")
    assert f"is looser than profile {base}" in problems[0]


def test_a_shop_in_europe_may_ask_for_eddy_current() -> None:
    profile, problems = own("eu", eddy_current_months=30, alloy_doubtful_before_year=1995)
    assert problems == []
    assert (profile.eddy_current_months, profile.alloy_doubtful_before_year) == (30, 1995)
