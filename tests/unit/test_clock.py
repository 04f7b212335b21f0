"""The clocks: UTC that never jumps by itself, and a drill's faster one."""

from dataclasses import dataclass

import pytest

from fillguard.clock import DRILL_CLOCK_VARIABLE, ScaledClock, SystemClock, drill_clock
from fillguard.core.errors import ConfigurationError


@dataclass
class World:
    """The machine's two clocks, by hand."""

    wall_s: float = 1_795_558_185.0
    mono_s: float = 500.0

    def passes(self, seconds: float) -> None:
        self.wall_s += seconds
        self.mono_s += seconds

    def clock(self) -> SystemClock:
        return SystemClock(lambda: self.wall_s, lambda: self.mono_s)


def test_utc_goes_on_with_the_monotonic_clock_when_the_wall_clock_is_set() -> None:
    world = World()
    clock = world.clock()
    world.passes(10.0)
    world.wall_s += 3600.0
    now = clock.now()
    assert (now.utc_s, now.mono_s) == (1_795_558_195.0, 510.0)
    assert clock.drift_s() == pytest.approx(3600.0)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 0.6])
def test_reanchoring_follows_the_wall_clock_and_says_by_how_much(step_s: float) -> None:
    world = World()
    clock = world.clock()
    world.wall_s += step_s
    assert clock.reanchor() == pytest.approx(step_s)
    assert clock.drift_s() == pytest.approx(0.0)
    assert clock.now().utc_s == pytest.approx(world.wall_s)
    assert clock.now().mono_s == world.mono_s


def test_stamps_are_on_the_millisecond_grid() -> None:
    world = World(wall_s=1_795_558_185.123456, mono_s=500.98765)
    assert world.clock().now().mono_s == 500.988
    assert world.clock().now().utc_s == 1_795_558_185.124


def test_between_two_anchors_both_clocks_differ_by_the_same() -> None:
    world = World(wall_s=1_795_558_185.123456, mono_s=500.98765)
    clock = world.clock()
    scaled = ScaledClock(1_795_558_185.1234567, 480.0, 7.3, monotonic=lambda: world.mono_s)
    seen: dict[str, set[float]] = {"machine": set(), "drill": set()}
    for _ in range(200):
        world.mono_s += 0.01234567
        for name, each in (("machine", clock), ("drill", scaled)):
            seen[name].add(round(each.now().utc_s - each.now().mono_s, 4))
    assert [len(differences) for differences in seen.values()] == [1, 1]


def test_the_real_clock_agrees_with_itself() -> None:
    clock = SystemClock()
    first, second = clock.now(), clock.now()
    assert second.mono_s >= first.mono_s
    assert abs(clock.drift_s()) < 60.0
    assert clock.real_seconds(20.0) == 20.0


def test_a_drill_runs_faster_and_says_how_long_things_really_take() -> None:
    world = World()
    clock = ScaledClock(1_000_000.0, 500.0, 20.0, lambda: world.mono_s)
    world.passes(3.0)
    assert clock.now().utc_s == 1_000_060.0
    assert clock.now().mono_s == 60.0
    assert clock.real_seconds(60.0) == 3.0
    assert clock.drift_s() == 0.0


def test_a_drill_clock_reads_the_same_in_every_process() -> None:
    ours = ScaledClock(1_795_558_185.0625, 8123.123456789, 7.5)
    theirs = drill_clock({DRILL_CLOCK_VARIABLE: ours.variable})
    assert theirs == ours


def test_without_the_variable_there_is_no_drill() -> None:
    assert drill_clock({}) is None
    assert drill_clock({DRILL_CLOCK_VARIABLE: ""}) is None


def test_a_scenario_can_be_made_to_end_when_the_world_says_so() -> None:
    clock = ScaledClock.ending_now(lasting_s=600.0, speed=20.0)
    system = SystemClock()
    ahead_s = system.now().utc_s - clock.now().utc_s  # shrinks from 570 s to 0 while 30 real seconds pass
    assert 500.0 < ahead_s <= 570.1
    at_the_end = ScaledClock(clock.epoch_utc_s, clock.real_mono_s, 20.0, lambda: clock.real_mono_s + 30.0)
    assert at_the_end.now().utc_s - clock.epoch_utc_s == pytest.approx(600.0, abs=0.01)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("1795558185.0,8123.5", "'1795558185.0,8123.5': write three numbers"),
        ("a,b,c", "'a,b,c': write three numbers"),
        ("1795558185.0,8123.5,0", "speed 0.0: allowed is more than 0"),
        ("1795558185.0,8123.5,-3", "speed -3.0: allowed is more than 0"),
        ("1795558185.0,8123.5,nan", "speed nan: allowed is more than 0"),
        ("1795558185.0,8123.5,2000", "speed 2000.0: allowed is more than 0, up to 1000"),
        ("inf,8123.5,20", "inf s, 8123.5 s: give finite numbers"),
    ],
)
def test_a_bad_drill_clock_is_refused_with_the_value_quoted(text: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as refused:
        ScaledClock.parse(text)
    assert said in str(refused.value)
