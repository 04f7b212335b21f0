"""Whatever arrives, in whatever order: the station does not fall over, says nothing impossible and does not grow."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.core.events import (
    AlarmChanged,
    AlarmCommanded,
    AlarmState,
    ClockStepped,
    CylinderAttached,
    CylinderDetached,
    Doubt,
    FillEnded,
    FillStarted,
    InEvent,
    Lamp,
    PhaseChanged,
    PresenceChanged,
    Projected,
    Quality,
    Quantity,
    Reading,
    ReadingRejected,
    RulesChanged,
    ServiceChanged,
    Tick,
    Verb,
)
from fillguard.core.lifecycle import TRANSITIONS
from fillguard.core.station import StationState, step
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, GasMix, Stamp, Surroundings
from fillguard.engine import Happening, Stepper
from tests.panel import ALUMINIUM_11, STEEL_12, T0, TWIN_12, Panel, real_rules, stamp

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

WHIPS = ("1", "2")
SERVICES = (
    "broker",
    "ledger",
    "channel:mail",
    "mirror",
    "drops",
    "step",
    "intake",
    "zero:1",
    "unit:1",
    "gaps:fill/tern/1/pressure",
    "calibration:P-4711",
)
CYLINDERS = (None, STEEL_12, ALUMINIUM_11, TWIN_12)
LEFT_OVER_KEPT = 64
PERIOD_S = 5
HOSTILE = (math.nan, math.inf, -math.inf, 1e308, -1e308, 1e12, -1e12, 0.0, -0.0, 5e-324)

words = st.sampled_from(["op-1", "", "  ", "x" * 200])
pressures = st.one_of(
    st.floats(min_value=-2.0, max_value=420.0).map(lambda bar: bar * PA_PER_BAR), st.sampled_from(HOSTILE)
)
kelvins = st.one_of(st.floats(min_value=230.0, max_value=420.0), st.sampled_from(HOSTILE))
shares = st.one_of(st.floats(min_value=0.0, max_value=1.0), st.sampled_from(HOSTILE))
ages = st.one_of(st.sampled_from([0.0, 0.2, 3.0, 60.0, -5.0, 1e6, -1e6, math.nan, math.inf]), st.floats(0.0, 10.0))
gaps = st.one_of(st.sampled_from([0.0, 0.2, 1.0, 1.0, 1.0, 30.0, 200.0, 1000.0]), st.floats(0.0, 5.0))


def measures(quantity: Quantity) -> st.SearchStrategy[float]:
    match quantity:
        case Quantity.PRESSURE | Quantity.SUPPLY:
            return pressures
        case Quantity.O2_FRACTION | Quantity.VALVE:
            return shares
        case Quantity.LOOP_CURRENT:
            return st.sampled_from([0.0035, 0.012, *HOSTILE])
        case _:
            return kelvins


@st.composite
def readings(draw: st.DrawFn, at: Stamp) -> Reading:
    quantity = draw(st.sampled_from([*Quantity, *[Quantity.PRESSURE] * 6]))
    doubt = draw(st.sampled_from([None, None, None, *Doubt]))
    return Reading(
        stamp=at,
        source="fill/tern/x",
        whip=draw(st.sampled_from([*WHIPS, None])),
        quantity=quantity,
        value=draw(measures(quantity)),
        sample_s=at.utc_s - draw(ages),
        quality=Quality.GOOD if doubt is None else draw(st.sampled_from(Quality)),
        doubt=doubt,
    )


@st.composite
def words_of_people(draw: st.DrawFn, at: Stamp) -> InEvent:
    whip = draw(st.sampled_from(WHIPS))
    cylinder = draw(st.sampled_from(CYLINDERS))
    match draw(st.integers(0, 3)):
        case 0:
            return CylinderDetached(stamp=at, whip=whip)
        case 1:
            return AlarmCommanded(
                stamp=at,
                verb=draw(st.sampled_from(Verb)),
                operator=draw(words),
                whip=draw(st.sampled_from([*WHIPS, None, "9"])),
                alarm=draw(st.sampled_from([None, "overfill", "too-fast", "monitoring-lost", "clock-wrong", "none"])),
                occurrence=draw(st.sampled_from([None, "", "tern-1/overfill/1"])),
                reason=draw(st.sampled_from([None, "", "bled"])),
                for_s=draw(st.sampled_from([None, 60.0, 1e9, math.nan])),
            )
        case _:
            return CylinderAttached(
                stamp=at,
                whip=whip,
                serial=draw(st.sampled_from([None, "TH-0042", "TH-0011"])),
                cylinder=cylinder,
                operator=draw(st.sampled_from([None, "op-1"])),
                gas=draw(st.sampled_from([AIR, GasMix(o2=0.32), GasMix(o2=1.0), GasMix(o2=0.18, he=0.45)])),
                residual_gas=AIR,
                target_gauge_pa=draw(st.one_of(st.none(), st.sampled_from([150e5, 0.0, -1.0, 1e12]))),
                surroundings=draw(st.sampled_from([None, *Surroundings])),
                arrived_k=draw(st.sampled_from([None, 281.0, 318.0])),
            )


@st.composite
def happenings_of_ours(draw: st.DrawFn, at: Stamp) -> InEvent:
    match draw(st.integers(0, 5)):
        case 0:
            return Tick(stamp=at)
        case 1:
            return ClockStepped(stamp=at, by_s=draw(st.sampled_from([3600.0, -3600.0, 1e9])))
        case 2:
            return RulesChanged(stamp=at, rules_hash="", summary="")
        case 3:
            return ReadingRejected(stamp=at, topic="t", reason="not-json", detail="", sample="")
        case 4:
            return PresenceChanged(stamp=at, whip=draw(st.sampled_from(WHIPS)), online=draw(st.booleans()))
        case _:
            return ServiceChanged(
                stamp=at,
                service=draw(st.sampled_from(SERVICES)),
                ok=draw(st.booleans()),
                detail="",
                whip=draw(st.sampled_from([None, *WHIPS])),
            )


@st.composite
def histories(draw: st.DrawFn) -> list[InEvent]:
    """Anything at all; the receiver's clocks alone go on as they do."""
    at_s, events = 0.0, list[InEvent]()
    for gap_s in draw(st.lists(gaps, min_size=1, max_size=40)):
        at_s += gap_s
        kind = draw(st.sampled_from([readings, readings, readings, readings, words_of_people, happenings_of_ours]))
        events.append(draw(kind(stamp(at_s))))
    return events


@st.composite
def courses(draw: st.DrawFn) -> Panel:
    """A fill of any shape: stretches in which the gauge rises, stands, falls, leaps or says nothing."""
    panel = Panel(noise_bar=draw(st.sampled_from([0.0, 0.1, 0.5])), seed=draw(st.integers(0, 99)))
    line = panel.whip().samples(draw(st.sampled_from([0.5, 1.0, 3.0])))
    if draw(st.booleans()):
        line.attach(draw(st.sampled_from(CYLINDERS)))
    for _ in range(draw(st.integers(1, 8))):
        seconds = draw(st.sampled_from([3.0, 10.0, 30.0, 60.0]))
        match draw(st.integers(0, 6)):
            case 0 | 1:
                line.moves(to_bar=min(400.0, line.bar + draw(st.floats(0.0, 2.0)) * seconds), in_s=seconds)
            case 2:
                line.stands(for_s=seconds)
            case 3:
                line.moves(to_bar=max(0.0, line.bar - draw(st.floats(0.0, 2.0)) * seconds), in_s=seconds)
            case 4:
                line.jumps(draw(st.floats(0.0, 340.0)))
            case 5:
                line.silent(for_s=seconds)
            case _:
                line.bleeds()
    return panel


def stepped(events: Sequence[InEvent]) -> tuple[Stepper, list[Happening]]:
    """Through the stepper, and a fault of ours is a failure here: live it would become an alarm."""
    stepper = Stepper(real_rules())
    found = [happening for event in events for happening in stepper.feed(event)]
    ours = [happening.cause for happening in found if isinstance(happening.cause, ServiceChanged)]
    assert not [fault.detail for fault in ours if "failed on this" in fault.detail]
    return stepper, found


def numbers(fact: "DataclassInstance") -> Iterator[tuple[str, float]]:
    """Every number in a fact, with its name."""
    for field in fields(fact):
        value = getattr(fact, field.name)
        if isinstance(value, float):
            yield field.name, value
        elif is_dataclass(value) and not isinstance(value, type):
            yield from numbers(value)


@settings(max_examples=80)
@given(histories())
def test_nothing_that_arrives_makes_a_step_fail(events: list[InEvent]) -> None:
    state = StationState()
    for event in events:
        state, _ = step(state, event, real_rules())
    stepped(events)


@settings(max_examples=40)
@given(st.one_of(histories(), courses().map(lambda panel: list(panel.events()))))
def test_no_number_that_is_told_is_impossible(events: list[InEvent]) -> None:
    _, found = stepped(events)

    for happening in found:
        for fact in happening.facts:
            if isinstance(fact, Projected | AlarmChanged | FillStarted):
                for name, value in numbers(fact):
                    assert math.isfinite(value), f"{name} = {value} in {fact}"
                    if name.endswith("_gauge_pa"):
                        assert -1.5 * PA_PER_BAR < value < 1000 * PA_PER_BAR, f"{name} = {value} in {fact}"


@settings(max_examples=40)
@given(st.one_of(histories(), courses().map(lambda panel: list(panel.events()))))
def test_alarms_go_from_state_to_state_and_are_numbered(events: list[InEvent]) -> None:
    _, found = stepped(events)
    states: dict[tuple[str | None, str, str], AlarmState] = {}
    raised: set[str] = set()

    for change in (fact for happening in found for fact in happening.facts if isinstance(fact, AlarmChanged)):
        if change.is_raise:
            assert change.occurrence not in raised, f"{change.occurrence} was raised before"
            raised.add(change.occurrence)
        before = states.get((change.whip, change.alarm, change.occurrence))
        if before is not None and not change.is_raise:
            assert change.old is before or AlarmState.SUPPRESSED in (change.old, before), change
        states[change.whip, change.alarm, change.occurrence] = change.new


@settings(max_examples=40)
@given(st.one_of(histories(), courses().map(lambda panel: list(panel.events()))))
def test_a_grave_alarm_that_nobody_acknowledged_stands_on_the_lamp_and_was_raised(events: list[InEvent]) -> None:
    stepper, raised = Stepper(real_rules()), set[str]()
    for event in events:
        for happening in stepper.feed(event):
            raised |= {f.occurrence for f in happening.facts if isinstance(f, AlarmChanged) and f.is_raise}
        for whip in stepper.state.whips.values():
            calls = [s for s in whip.standings.values() if s.active and not s.acknowledged and not s.hidden]
            assert all(standing.occurrence in raised for standing in calls)
            if any(standing.priority == 1 for standing in calls):
                assert whip.lamp is Lamp.STOP


@settings(max_examples=40)
@given(st.one_of(histories(), courses().map(lambda panel: list(panel.events()))))
def test_a_whip_only_goes_where_the_table_leads(events: list[InEvent]) -> None:
    _, found = stepped(events)
    signs = {sign.value: sign for _, sign in TRANSITIONS}

    for change in (fact for happening in found for fact in happening.facts if isinstance(fact, PhaseChanged)):
        assert TRANSITIONS[change.old, signs[change.reason]] is change.new


@settings(max_examples=40)
@given(courses())
def test_a_fill_of_any_shape_starts_before_it_stops_and_stops_before_it_ends(panel: Panel) -> None:
    story = panel.play()

    for row in story.ended():
        assert row.ended_s is not None
        assert row.started_s <= (row.flow_stopped_s or row.ended_s) <= row.ended_s
        assert row.peak_gauge_pa >= row.start_gauge_pa - PA_PER_BAR
        assert row.doubtful_readings >= 0
    assert len({row.fill_id for row in story.ended()}) == len(story.ended())


@settings(max_examples=40)
@given(courses())
def test_every_fill_that_started_ends_or_is_open(panel: Panel) -> None:
    story = panel.play()
    started = [fact.fill_id for fact in story.started()]
    ended = [fact.summary.fill_id for _, fact in story.all(FillEnded)]
    fill = story.state().fill

    assert started == ended + ([fill.fill_id] if fill is not None else [])


@settings(max_examples=20)
@given(courses())
def test_stepping_twice_says_the_same_twice(panel: Panel) -> None:
    first = [happening.facts for happening in panel.play().happenings]
    second = [happening.facts for happening in panel.play().happenings]

    assert first == second


@settings(max_examples=20)
@given(courses(), st.floats(0.0, 1.0))
def test_a_state_taken_in_the_middle_goes_on_as_if_nothing_had_been(panel: Panel, share: float) -> None:
    events = list(panel.events())
    cut = int(share * len(events))
    whole, first = Stepper(panel.rules), Stepper(panel.rules)
    told = [happening.facts for event in events for happening in whole.feed(event)]
    begun = [happening.facts for event in events[:cut] for happening in first.feed(event)]
    second = Stepper(panel.rules, first.state)
    if events[:cut]:
        second._until = first._until
    rest = [happening.facts for event in events[cut:] for happening in second.feed(event)]

    assert begun + rest == told


@settings(max_examples=40)
@given(histories())
def test_ticks_come_in_order_and_once(events: list[InEvent]) -> None:
    straight = [event for event in events if not isinstance(event, ClockStepped)]
    _, found = stepped(straight)
    sent = {id(event) for event in straight}
    ticks = [h.cause.stamp.utc_s for h in found if isinstance(h.cause, Tick) and id(h.cause) not in sent]

    assert ticks == sorted(set(ticks))
    assert all(tick == math.floor(tick) for tick in ticks)


def size_of(value: object) -> int:
    """How many things hang together under `value`."""
    if is_dataclass(value) and not isinstance(value, type):
        return 1 + sum(size_of(getattr(value, field.name)) for field in fields(value))
    if isinstance(value, tuple | list | frozenset | set):
        return 1 + sum(size_of(item) for item in value)
    if isinstance(value, dict):
        return 1 + sum(size_of(item) for item in value.values())
    assert value is None or isinstance(value, int | float | str | Enum) or callable(value), type(value)
    return 1


def ten_hours() -> Iterator[Reading]:
    """Ten hours of one whip: filled, left, bled, over and over."""
    at_s = 0.0
    while at_s < 36_000.0:
        for seconds, bar_a, bar_b in (
            (30, 0.0, 0.0),
            (30, 60.0, 60.0),
            (400, 60.0, 250.0),
            (300, 250.0, 240.0),
            (5, 240.0, 0.0),
            (600, 0.0, 0.0),
        ):
            for step_s in range(PERIOD_S, seconds + 1, PERIOD_S):
                bar = bar_a + (bar_b - bar_a) * step_s / seconds
                at = stamp(at_s + step_s)
                yield Reading(
                    stamp=at,
                    source="fill/tern/1/pressure",
                    whip="1",
                    quantity=Quantity.PRESSURE,
                    value=bar * PA_PER_BAR + (step_s % 7) * 1000.0,
                    sample_s=at.utc_s,
                )
            at_s += seconds


@pytest.mark.fills
def test_ten_hours_at_a_whip_leave_no_more_behind_than_one() -> None:
    stepper = Stepper(replace(real_rules()))
    sizes: dict[int, int] = {}
    fills = 0
    for reading in ten_hours():
        fills += sum(isinstance(fact, FillEnded) for happening in stepper.feed(reading) for fact in happening.facts)
        minute = int(reading.stamp.utc_s - T0) // 60
        if minute % 7 == 0 and minute not in sizes:
            sizes[minute] = size_of(stepper.state.whips)
    most_in_two_hours = max(size for minute, size in sizes.items() if minute < 120)

    assert fills > 20
    assert len(sizes) > 80
    assert len(stepper.state.whips["1"].left_over) <= LEFT_OVER_KEPT
    assert max(sizes.values()) < most_in_two_hours + LEFT_OVER_KEPT * 60, "alarms nobody looked at are kept, so many"


@pytest.mark.parametrize("whip", WHIPS)
def test_hostile_values_in_a_row_leave_the_last_good_one(whip: str) -> None:
    panel = Panel(noise_bar=0.0)
    line = panel.whip(whip).attach().opens(residual_bar=50).fills(to_bar=80, at_bar_min=20)
    for value in (value for value in HOSTILE if not math.isfinite(value) or abs(value) > 1.0):
        line.now_s += 1.0
        line._send(
            Reading(
                stamp=stamp(line.now_s),
                source="x",
                whip=whip,
                quantity=Quantity.PRESSURE,
                value=value,
                sample_s=stamp(line.now_s).utc_s,
            )
        )
    story = panel.play()

    assert story.state(whip).gauge.gauge_pa == pytest.approx(80 * PA_PER_BAR, abs=1000.0)
    story.never("overfill", "whip-over-rating", "sudden-loss")
