"""What a `[[channel]]` may say of whom it tells when."""

from pathlib import Path

import pytest

from fillguard.core.hours import Hours, WeekTime
from fillguard.settings import ConfigurationProblems, load_settings
from fillguard.settings.model import ChannelSettings

STATION = """
[station]
id = "tern"
name = "Tern Harbour"
hot_allowance_bar = 0
[[whip]]
id = "1"
max_working_bar = 350
lowest_rating_bar = 200
[[channel]]
name = "phone"
url = "json://127.0.0.1/"
"""


def channel(folder: Path, *lines: str) -> ChannelSettings:
    (folder / "station.toml").write_text(STATION + "\n".join(lines), encoding="utf-8")
    (made,) = load_settings(folder, {}).channels
    return made


def test_left_out_it_is_told_of_priorities_1_and_2_at_once_and_sends_nothing_by_the_clock(tmp_path: Path) -> None:
    made = channel(tmp_path)
    route = made.route
    assert route.priorities == {1, 2}
    assert (route.alarms, route.hours, route.unacknowledged_after_s) == (None, None, None)
    assert (made.test_at, made.due_list_at) == (None, None)


def test_every_key_says_what_it_means(tmp_path: Path) -> None:
    made = channel(
        tmp_path,
        'hours = "22:00-06:00"',
        'days = ["fri", "sat"]',
        "unacknowledged_after_s = 180",
        'test_at = "08:15"',
        'due_list_at = "mon 08:00"',
        "due_within_days = 60",
    )
    assert made.route.hours == Hours(from_min=1320, to_min=360, days=frozenset({4, 5}))
    assert made.route.unacknowledged_after_s == 180.0
    assert made.test_at == WeekTime(minute=495)
    assert made.due_list_at == WeekTime(minute=480, days=frozenset({0}))
    assert made.due_within_days == 60


def test_who_asks_for_an_alarm_gets_it_whatever_its_priority(tmp_path: Path) -> None:
    assert channel(tmp_path, 'alarms = ["bank-low"]').route.priorities == {1, 2, 3}
    assert channel(tmp_path, 'alarms = ["bank-low"]', "priorities = [1]").route.priorities == {1}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('hours = "7-22"', 'allowed: hours of the day like "07:00-22:00"'),
        ('hours = "07:00-25:00"', 'allowed: hours of the day like "07:00-22:00"'),
        ('days = ["mon"]', "days belong to hours"),
        ('test_at = "24:00"', 'allowed: a time of day like "08:15"'),
        ('due_list_at = "08:00"', 'allowed: a day and a time like "mon 08:00"'),
        ("unacknowledged_after_s = 1", "10 to 86400"),
        ('alarms = ["overfil"]', "did you mean overfill"),
        ('whips = ["9"]', '"9"'),
    ],
)
def test_a_mistake_is_said_with_what_is_allowed(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(ConfigurationProblems) as raised:
        channel(tmp_path, line)
    (problem,) = raised.value.errors
    assert said in str(problem)
    assert str(problem).startswith('station.toml: [[channel]] "phone"')
