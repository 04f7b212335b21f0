"""What the conditions see of a whip at one moment, above all when something is not known."""

from dataclasses import replace

import pytest

from fillguard.core.alarms import Seen
from fillguard.core.conditions import ON_PRESSURE, suppressed_by, upper_margin_pa
from fillguard.core.course import Course
from fillguard.core.events import CylinderAttached, Doubt, Phase, Projected
from fillguard.core.fill import OpenFill, held_to
from fillguard.core.gauge import Gauge
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import AIR
from fillguard.core.view import View
from fillguard.core.whip import Wall, WhipState
from tests.panel import STEEL_12, T0, real_rules, stamp

BAR = PA_PER_BAR
NOW_S = 100.0
ATTACHED = CylinderAttached(
    stamp=stamp(0), whip="1", serial="TH-0042", cylinder=STEEL_12, operator="op-1", gas=AIR, residual_gas=AIR
)
OF_A_CYLINDER = sorted(set(ON_PRESSURE) - {"whip-over-rating", "monitoring-lost"})


def projected(**known: float | None) -> Projected:
    nothing = Projected(
        stamp=stamp(NOW_S),
        sample_s=T0 + NOW_S,
        whip="1",
        fill_id="x",
        phase=Phase.FILLING,
        gauge_pa=200 * BAR,
        limit_gauge_pa=232 * BAR,
        target_gauge_pa=232 * BAR,
        reference_k=288.15,
    )
    return replace(nothing, **known)  # type: ignore[arg-type]


def filling(
    *, phase: Phase = Phase.FILLING, shown: Projected | None = None, gauge_bar: float | None = 200.0
) -> WhipState:
    held = held_to(ATTACHED, real_rules(), "1")
    fill = OpenFill(
        fill_id="x",
        station="tern",
        whip="1",
        held=held,
        started_s=T0,
        start_pa=50 * BAR,
        plateau_seen=True,
        ambient_k=None,
        peak_pa=200 * BAR,
        last_inside_pa=200 * BAR,
    )
    gauge = Gauge(
        gauge_pa=None if gauge_bar is None else gauge_bar * BAR,
        sample_s=T0 + NOW_S,
        arrived_mono_s=stamp(NOW_S).mono_s,
        intervals_s=(1.0,) * 5,
    )
    return WhipState(
        whip="1", attached=ATTACHED, course=Course(phase=phase), gauge=gauge, fill=fill, shown=shown or projected()
    )


def idle(phase: Phase = Phase.IDLE, **changes: object) -> WhipState:
    return replace(filling(phase=phase), fill=None, shown=None, **changes)  # type: ignore[arg-type]


def see(name: str, state: WhipState, *, at_s: float = NOW_S, leap_pa: float | None = None) -> Seen:
    view = View(state=state, rules=real_rules(), now=stamp(at_s), leap_pa=leap_pa)
    return ON_PRESSURE[name](view, real_rules().alarms[name])


def is_clear(seen: Seen) -> bool:
    return seen.excess is not None and seen.excess < 0.0


# What is not known ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["overfill", "will-overfill", "too-fast", "gas-hot"])
def test_without_a_projection_nothing_is_known_and_nothing_is_clear(name: str) -> None:
    assert see(name, filling()).excess is None


def test_over_target_is_not_known_without_a_projection_either() -> None:
    state = filling()
    assert state.fill is not None
    held = replace(state.fill.held, target_gauge_pa=180 * BAR)

    assert see("over-target", replace(state, fill=replace(state.fill, held=held))).excess is None


@pytest.mark.parametrize("name", OF_A_CYLINDER)
def test_without_a_fill_nothing_is_said_of_a_cylinder(name: str) -> None:
    assert is_clear(see(name, idle(Phase.CONNECTED)))


def test_a_gauge_that_never_spoke_is_not_known_to_be_below_its_rating() -> None:
    assert see("whip-over-rating", filling(gauge_bar=None)).excess is None
    assert see("over-ceiling", filling(gauge_bar=None)).excess is None


# The ceilings ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge", "inside", "over"),
    [(295.0, None, True), (295.0, 295.0, True), (330.0, 200.0, False), (295.0, 320.0, True), (290.0, None, False)],
    ids=["whip's", "both", "whip far ahead of the cylinder", "estimate above the gauge", "below"],
)
def test_the_ceiling_is_the_cylinders_own_pressure_where_it_can_be_told(
    gauge: float, inside: float | None, *, over: bool
) -> None:
    shown = projected(cylinder_gauge_pa=None if inside is None else inside * BAR)
    seen = see("over-ceiling", filling(shown=shown, gauge_bar=gauge))

    # 292.5 bar: 232 bar at 15 C, developed at 65 C (computed with CoolProp 8.0)
    assert seen.excess is not None
    assert (seen.excess > 0) is over


def test_a_doubtful_reading_says_so() -> None:
    seen = see("whip-over-rating", filling(gauge_bar=360), leap_pa=150 * BAR)

    assert seen.cause == "The whip is above its own working pressure. Reading doubtful: it leapt by 150 bar at once."


# Margin and hose ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("high", "margin"), [(200.5, 1.5), (203.0, 3.0), (220.0, 5.0), (None, 5.0)])
def test_the_margin_is_the_upper_half_of_the_interval_from_one_and_a_half_to_five_bar(
    high: float | None, margin: float
) -> None:
    shown = projected(settled_gauge_pa=200 * BAR, settled_high_gauge_pa=None if high is None else high * BAR)

    assert upper_margin_pa(shown) == margin * BAR


@pytest.mark.parametrize(
    ("ahead_bar", "since_s", "only_hose"), [(50.0, 4.0, True), (50.0, 6.0, False), (30.0, 1.0, False)]
)
def test_only_the_hose_can_have_leapt_for_the_first_seconds(
    ahead_bar: float, since_s: float, *, only_hose: bool
) -> None:
    state = replace(filling(), ahead_pa=ahead_bar * BAR, leapt_s=T0 + NOW_S - since_s)
    view = View(state=state, rules=real_rules(), now=stamp(NOW_S))

    assert view.hose_only is only_hose
    for name, hidden in (("overfill", only_hose), ("too-fast", only_hose), ("whip-over-rating", False)):
        assert suppressed_by(view, real_rules().alarms[name]) == ("whip-only" if hidden else None)


# The wall ------------------------------------------------------------------------------------------


def wall(celsius: float, *, arrived_s: float = NOW_S) -> Wall:
    return Wall(kelvin=k_from_c(celsius), sample_s=T0 + arrived_s, arrived_mono_s=stamp(arrived_s).mono_s)


def test_a_wall_sensor_that_was_never_there_says_nothing_is_wrong() -> None:
    assert is_clear(see("wall-hot", filling()))


@pytest.mark.parametrize(("after_s", "known"), [(59.0, True), (61.0, False)])
def test_a_wall_sensor_is_believed_for_a_minute(after_s: float, *, known: bool) -> None:
    seen = see("wall-hot", replace(filling(), wall=wall(70.0)), at_s=NOW_S + after_s)

    assert (seen.excess is not None) is known


def test_a_leap_above_the_trend_counts_before_the_wall_is_hot() -> None:
    hot = replace(wall(40.0), above_trend_k=7.0)
    seen = see("wall-hot", replace(filling(), wall=hot))

    assert seen.excess == pytest.approx(2.0)
    assert "far faster" in seen.cause


# Watching ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("phase", "after_s", "lost"),
    [
        (Phase.IDLE, 500.0, False),
        (Phase.ATTACHED, 6.0, True),
        (Phase.CONNECTED, 6.0, True),
        (Phase.FILLING, 4.0, False),
        (Phase.FILLING, 6.0, True),
        (Phase.PAUSED, 6.0, True),
        (Phase.CLOSED, 50.0, False),
        (Phase.SETTLING, 59.0, False),
        (Phase.SETTLING, 61.0, True),
        (Phase.SETTLED, 61.0, True),
    ],
)
def test_silence_counts_where_somebody_is_at_the_panel(phase: Phase, after_s: float, *, lost: bool) -> None:
    seen = see("monitoring-lost", filling(phase=phase), at_s=NOW_S + after_s)

    assert is_clear(seen) is not lost


def test_a_slow_sensor_may_be_silent_for_three_of_its_periods_in_every_phase() -> None:
    for phase, limit_s in ((Phase.FILLING, 90.0), (Phase.SETTLING, 90.0)):
        state = filling(phase=phase)
        state = replace(state, gauge=replace(state.gauge, intervals_s=(30.0,) * 5))

        assert is_clear(see("monitoring-lost", state, at_s=NOW_S + limit_s - 1))
        assert not is_clear(see("monitoring-lost", state, at_s=NOW_S + limit_s + 1))


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({"outage": "fillguard itself failed."}, "fillguard itself failed."),
        ({"online": False}, "The gateway of this whip has gone off line."),
        (
            {"findings": frozenset({"sensor-stuck"})},
            "The pressure sensor is stuck: it repeats one value while gas flows.",
        ),
    ],
    ids=["ourselves", "the gateway", "a stuck sensor"],
)
def test_the_cause_names_what_is_lost(changes: dict[str, object], cause: str) -> None:
    assert see("monitoring-lost", replace(filling(), **changes)).cause == cause  # type: ignore[arg-type]


def test_what_came_instead_of_a_pressure_is_the_cause() -> None:
    state = filling()
    state = replace(state, gauge=replace(state.gauge, refused=Doubt.LOOP_FAULT))

    assert see("monitoring-lost", state, at_s=NOW_S + 10).cause == "The pressure sensor reports a fault in its loop."


def test_our_own_failure_counts_in_every_phase() -> None:
    for phase in Phase:
        assert not is_clear(see("monitoring-lost", idle(phase, outage="failed")))


# From empty ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start_bar", "peak_bar", "seen", "empty"),
    [(1.0, 10.0, True, True), (2.5, 10.0, True, False), (1.0, 21.0, True, False), (1.0, 10.0, False, False)],
    ids=["empty", "a residue", "too late to say", "its plateau was not seen"],
)
def test_an_empty_cylinder_is_told_of_in_time_or_not_at_all(
    start_bar: float, peak_bar: float, *, seen: bool, empty: bool
) -> None:
    state = filling()
    assert state.fill is not None
    fill = replace(state.fill, start_pa=start_bar * BAR, peak_pa=peak_bar * BAR, plateau_seen=seen)

    assert is_clear(see("arrived-empty", replace(state, fill=fill))) is not empty
