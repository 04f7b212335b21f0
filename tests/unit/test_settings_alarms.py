"""alarms.toml: shipped records, the station's own in their place, and what may not be said in them."""

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest

from fillguard.core.rules import AlarmRule
from fillguard.settings import check_config, load_settings

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = "full"
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
"""
SHIPPED = files("fillguard").joinpath("data", "alarms.toml").read_text(encoding="utf-8")
TOO_FAST = """
[too-fast]
priority = 2
cause = "It fills faster than its limit."
consequence = "The gas gets hot."
action = "Throttle."
respond_within_s = 60
basis = "practice: 20 to 40 bar/min"
setpoint = 25
deadband = 3
unit = "bar/min"
strict = "lower"
on_delay_s = 10
shelvable = true
owner = "technician"
reviewed = "2026-10-01"
"""


def loaded(folder: Path, alarms: str | None = None) -> dict[str, AlarmRule]:
    (folder / "station.toml").write_text(STATION, encoding="utf-8")
    if alarms is not None:
        (folder / "alarms.toml").write_text(alarms, encoding="utf-8")
    return dict(load_settings(folder, {}).alarms)


def messages(folder: Path, alarms: str) -> list[str]:
    (folder / "station.toml").write_text(STATION, encoding="utf-8")
    (folder / "alarms.toml").write_text(alarms, encoding="utf-8")
    return [str(problem) for problem in check_config(folder, {})]


def test_every_shipped_alarm_is_a_rule_with_its_words(tmp_path: Path) -> None:
    alarms = loaded(tmp_path)
    assert list(alarms) == list(tomllib.loads(SHIPPED))
    assert [rule.name for rule in alarms.values() if not (rule.consequence and rule.basis and rule.owner)] == []


@dataclass(frozen=True)
class InSi:
    alarm: str
    setpoint: float
    deadband: float


@pytest.mark.parametrize(
    "case",
    [
        InSi("too-fast", 50_000.0, 5_000.0),
        InSi("opened-too-fast", 10e5, 5e5),
        InSi("leak", 3e5 / 3600, 1e5 / 3600),
        InSi("over-ceiling", 0.0, 2e5),
        InSi("gas-hot", 338.15, 3.0),
        InSi("wrong-gas", 0.01, 0.003),
        InSi("record-failing", 5.0, 0.0),
        InSi("unidentified", 0.0, 0.0),
    ],
    ids=lambda case: f"{case.alarm} reaches the core in SI",
)
def test_setpoint_and_deadband_reach_the_core_in_si(tmp_path: Path, case: InSi) -> None:
    rule = loaded(tmp_path)[case.alarm]
    assert rule.setpoint == pytest.approx(case.setpoint)
    assert rule.deadband == pytest.approx(case.deadband)


def test_other_setpoints_and_priorities_for_what_is_filled_are_kept(tmp_path: Path) -> None:
    alarms = loaded(tmp_path)
    assert alarms["wall-hot"].variants["composite"] == pytest.approx(328.15)
    assert alarms["too-fast"].variants["oxygen-rich"] == pytest.approx(5e5 / 60)
    assert alarms["over-target"].priorities == {"blending-stage": 2}
    assert alarms["bank-low"].strict == "higher"
    assert alarms["overfill"].suppressed_by == ("whip-only",)


def test_a_station_file_replaces_its_alarms_and_leaves_the_others_as_shipped(tmp_path: Path) -> None:
    shipped = loaded(tmp_path)
    alarms = loaded(tmp_path, TOO_FAST)
    assert alarms["too-fast"].setpoint == pytest.approx(25e5 / 60)
    assert {name: rule for name, rule in alarms.items() if name != "too-fast"} == {
        name: rule for name, rule in shipped.items() if name != "too-fast"
    }


def test_a_case_that_a_table_leaves_out_stays_as_shipped(tmp_path: Path) -> None:
    rule = loaded(tmp_path, TOO_FAST)["too-fast"]
    assert rule.setpoint_for("air.steel") == pytest.approx(25e5 / 60)
    assert rule.setpoint_for("oxygen-rich.steel") == pytest.approx(5e5 / 60), "nobody spoke of oxygen"
    named = loaded(tmp_path, TOO_FAST + "[too-fast.variants]\noxygen-rich = 3\n")["too-fast"]
    assert named.setpoint_for("oxygen-rich.steel") == pytest.approx(3e5 / 60)


@pytest.mark.parametrize(
    ("lines", "refused"),
    [
        ("oxygen-rich = 13.8", None),
        ("oxygen-rich = 30", "oxygen-rich: at most 13.8 bar/min"),
        ('"oxygen-rich.steel" = 20', "oxygen-rich.steel: at most 13.8 bar/min"),
        ("oxygen-rich = 30\noxygen-rich-ceiling = 40", "oxygen-rich: at most 13.8 bar/min"),
        ("oxygen-rich = 6\noxygen-rich-ceiling = 5", "oxygen-rich: at most 5 bar/min"),
    ],
)
def test_oxygen_is_not_filled_faster_than_its_published_ceiling(
    tmp_path: Path, lines: str, refused: str | None
) -> None:
    # U.S. Navy Diving Manual vol. 2: at most 200 psi/min (13.8 bar/min).
    found = messages(tmp_path, TOO_FAST + f"[too-fast.variants]\n{lines}\n")
    assert [refused] * (refused is not None) == [
        each.partition(": ")[2].partition(" (")[0].partition(": ")[2] for each in found
    ]


MISTAKES = {
    "an alarm without an action is refused": (
        TOO_FAST.replace('"Throttle."', '" "'),
        'alarms.toml: [too-fast] action = " ": allowed: text that a person can act on; never empty',
    ),
    "an alarm without a cause is refused": (
        TOO_FAST.replace('cause = "It fills faster than its limit."\n', ""),
        "alarms.toml: [too-fast] cause: is missing; allowed: text that a person can act on; never empty",
    ),
    "a setpoint without its source is refused": (
        TOO_FAST.replace("practice: 20 to 40 bar/min", "because"),
        (
            'alarms.toml: [too-fast] basis = "because": allowed: where the setpoint comes from, beginning '
            'with "published:", '
            '"practice:" or "our choice:"'
        ),
    ),
    "an unknown priority is refused": (
        TOO_FAST.replace("priority = 2", "priority = 4"),
        (
            "alarms.toml: [too-fast] priority = 4: allowed: a number from 1 to 3 (1 stop now, 2 act soon, 3 "
            "look after it)"
        ),
    ),
    "a priority 1 alarm is never shelvable": (
        TOO_FAST.replace("priority = 2", "priority = 1"),
        "alarms.toml: [too-fast] shelvable = true: priority 1 must not be shelvable: set it to false",
    ),
    "a priority 1 alarm does not wait": (
        TOO_FAST.replace("priority = 2", "priority = 1").replace("= true", "= false").replace("y_s = 10", "y_s = 15"),
        "alarms.toml: [too-fast] on_delay_s = 15.0: allowed with priority 1: at most 10 seconds",
    ),
    "an alarm keeps its kind of quantity": (
        TOO_FAST.replace('"bar/min"', '"bar/h"'),
        'alarms.toml: [too-fast] unit = "bar/h": allowed for this alarm: "bar/min"',
    ),
    "an unknown unit is refused": (
        TOO_FAST.replace('"bar/min"', '"psi/min"'),
        (
            'alarms.toml: [too-fast] unit = "psi/min": allowed: "bar", "bar/min", "bar/s", "bar/h", "Cel", '
            '"s", "%", "yes/no"'
        ),
    ),
    "which way is stricter is not the station's to say": (
        TOO_FAST.replace('strict = "lower"', 'strict = "higher"'),
        'alarms.toml: [too-fast] strict = "higher": allowed for this alarm: "lower"',
    ),
    "a missing setpoint is refused": (
        TOO_FAST.replace("setpoint = 25\n", ""),
        "alarms.toml: [too-fast] setpoint: is missing; allowed: a number in bar/min",
    ),
    "an endless setpoint is refused": (
        TOO_FAST.replace("setpoint = 25", "setpoint = inf"),
        "alarms.toml: [too-fast] setpoint = inf: allowed: a number from -1000 to 1e+05 in the alarm's unit",
    ),
    "an alarm that only happens or not has no setpoint": (
        TOO_FAST.replace("too-fast", "unidentified").replace('"bar/min"', '"yes/no"'),
        'alarms.toml: [unidentified] setpoint = 25.0: unit "yes/no" has no setpoint: take it out',
    ),
    "an alarm that is no table is explained": (
        "overfill = 1\n",
        "alarms.toml: [overfill] = 1: must be a table: write [overfill] above its keys",
    ),
    "an unknown key gets the nearest known one": (
        TOO_FAST.replace("on_delay_s", "ondelay_s"),
        "alarms.toml: [too-fast] ondelay_s: unknown key; did you mean on_delay_s?",
    ),
    "an unknown alarm gets the nearest known one": (
        TOO_FAST.replace("[too-fast]", "[to-fast]"),
        "alarms.toml: [to-fast]: unknown alarm; did you mean too-fast?",
    ),
    "a key above the first table is explained": (
        "priority = 1\n[overfill]\n",
        "alarms.toml: [priority]: unknown alarm; known are",
    ),
    "a case that the core does not know is refused": (
        TOO_FAST + "[too-fast.variants]\noxygenrich = 5\n",
        'alarms.toml: [too-fast] variants = "oxygenrich": did you mean oxygen-rich?',
    ),
    "a graver case where there is none is refused": (
        TOO_FAST + "[too-fast.priorities]\noxygen-rich = 1\n",
        'alarms.toml: [too-fast] priorities = "oxygen-rich": this alarm has none',
    ),
    "a reason to fall silent that the shipped record does not know is refused": (
        TOO_FAST + 'suppressed_by = ["leak"]\n',
        'alarms.toml: [too-fast] suppressed_by = "leak": known are whip-only',
    ),
    "a review without a date is refused": (
        TOO_FAST.replace('"2026-10-01"', '"last year"'),
        'alarms.toml: [too-fast] reviewed = "last year": allowed: a date in quotes, like "2026-10-01"',
    ),
    "a bare date is offered in quotes": (
        TOO_FAST.replace('"2026-10-01"', "2026-10-01"),
        (
            'alarms.toml: [too-fast] reviewed = 2026-10-01: allowed: a date in quotes, like "2026-10-01"; '
            "write it in quotes: "
            '"2026-10-01"'
        ),
    ),
}


@pytest.mark.parametrize(("alarms", "message"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_gives_the_message_that_helps(tmp_path: Path, alarms: str, message: str) -> None:
    found = messages(tmp_path, alarms)
    assert found[0].startswith(message)
    assert message.endswith("known are") or found == [message]


def test_every_mistake_of_every_alarm_comes_at_once(tmp_path: Path) -> None:
    bad = SHIPPED.replace("shelvable = false", "shelvable = true").replace('owner = "manager"', 'owner = ""')
    found = messages(tmp_path, bad)
    wrong_owner = bad.count('owner = ""')
    priority_1 = len([1 for table in tomllib.loads(bad).values() if table["priority"] == 1 and table["owner"]])
    assert len(found) == wrong_owner + priority_1
