"""Whatever hangs on a shared gauge or is filled in stages, in whatever order people come and go: nothing is lost."""

import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.core.events import (
    AlarmChanged,
    FillEnded,
    FillStarted,
    FillSummary,
    Projected,
    ServiceChanged,
    StageBegan,
    StageCalled,
    StageEnded,
    WhipClosed,
)
from fillguard.core.limits import rating_limit_gauge_pa
from fillguard.core.stages import Stage
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, GasMix
from tests.panel import ALUMINIUM_11, STEEL_12, TWIN_12, Line, Panel, Story, real_rules, stamp

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

WHIPS = ("1", "2", "3")
SHARED = replace(real_rules(), gauges={"north": ("1", "2", "3")})
CYLINDERS = (None, STEEL_12, ALUMINIUM_11, TWIN_12)
OXYGEN, HELIUM = GasMix(o2=1.0), GasMix(o2=0.0, he=1.0)


@st.composite
def recipes(draw: st.DrawFn) -> tuple[Stage, ...]:
    gases = draw(st.lists(st.sampled_from([OXYGEN, HELIUM, AIR]), min_size=2, max_size=3))
    targets = sorted(draw(st.lists(st.integers(5, 200), min_size=len(gases), max_size=len(gases), unique=True)))
    whips = draw(st.lists(st.sampled_from(WHIPS), min_size=len(gases), max_size=len(gases)))
    return tuple(
        Stage(gas=gas, target_gauge_pa=bar * PA_PER_BAR, whip=whip)
        for gas, bar, whip in zip(gases, targets, whips, strict=True)
    )


def moves(draw: st.DrawFn, line: Line) -> None:
    """One thing that a gauge does."""
    seconds = draw(st.sampled_from([10.0, 30.0, 60.0]))
    match draw(st.integers(0, 5)):
        case 0 | 1:
            line.moves(to_bar=min(300.0, line.bar + draw(st.floats(0.05, 0.5)) * seconds), in_s=seconds)
        case 2:
            line.stands(for_s=seconds)
        case 3:
            line.moves(to_bar=max(0.0, line.bar - draw(st.floats(0.0, 1.0)) * seconds), in_s=seconds)
        case 4:
            line.jumps(draw(st.floats(0.0, 250.0))).stands(for_s=10.0)
        case _:
            line.bleeds()


def says(draw: st.DrawFn, panel: Panel, at_s: float) -> None:
    """One thing that a person says of any whip."""
    whip = draw(st.sampled_from(WHIPS))
    cylinder = draw(st.sampled_from(CYLINDERS))
    serial = draw(st.sampled_from(["TH-0042", "TH-0011", "TH-0300"]))
    match draw(st.integers(0, 6)):
        case 0 | 1:
            panel.at(at_s).whip(whip).attach(cylinder, serial=serial)
        case 2 | 3:
            recipe = draw(recipes())
            there = panel.at(at_s).whip(recipe[0].whip)
            there.attach(cylinder, serial=serial, stages=recipe, gas=OXYGEN, residual_told=draw(st.booleans()))
        case 4:
            panel.at(at_s).whip(whip).detach()
        case 5:
            panel.send(at_s, WhipClosed(stamp=stamp(at_s), whip=whip, operator="op-1"))
        case _:
            called = StageCalled(stamp=stamp(at_s), whip=whip, operator="op-1", number=draw(st.integers(-1, 4)))
            panel.send(at_s, called)


@st.composite
def scenes(draw: st.DrawFn) -> Panel:
    """People and gauges on three whips; half of the time the three hang on one gauge."""
    panel = Panel(seed=draw(st.integers(0, 99)))
    if draw(st.booleans()):
        panel.rules = SHARED
    names = ("1",) if panel.rules is SHARED else WHIPS
    now_s = 0.0
    for _ in range(draw(st.integers(2, 9))):
        if draw(st.booleans()):
            says(draw, panel, now_s)
        line = panel.at(now_s).whip(draw(st.sampled_from(names)))
        moves(draw, line)
        now_s = max(now_s, line.now_s)
    return panel


def played(panel: Panel) -> Story:
    """A fault of ours is a failure here: live it would become an alarm."""
    story = panel.play()
    ours = [h.cause for h in story.happenings if isinstance(h.cause, ServiceChanged)]
    assert not [fault.detail for fault in ours if "failed on this" in fault.detail]
    return story


def numbers(fact: "DataclassInstance") -> Iterator[tuple[str, float]]:
    for field in fields(fact):
        value = getattr(fact, field.name)
        if isinstance(value, float):
            yield field.name, value
        elif is_dataclass(value) and not isinstance(value, type):
            yield from numbers(value)


def open_fills(story: Story) -> list[str]:
    whips = story.stepper.state.whips.values()
    filling = [whip.fill.fill_id for whip in whips if whip.fill is not None]
    return filling + [whip.between.fill.fill_id for whip in whips if whip.between is not None]


def rows(story: Story) -> list[FillSummary]:
    return [fact.summary for _, fact in story.all(FillEnded)]


@settings(max_examples=30, deadline=None)
@given(scenes())
def test_every_fill_that_started_has_one_row_or_is_open(panel: Panel) -> None:
    story = played(panel)
    started = [fact.fill_id for _, fact in story.all(FillStarted)]
    assert sorted(started) == sorted([row.fill_id for row in rows(story)] + open_fills(story))
    assert len(set(started)) == len(started)


@settings(max_examples=15, deadline=None)
@given(scenes())
def test_no_number_that_is_told_is_impossible(panel: Panel) -> None:
    for happening in played(panel).happenings:
        for fact in happening.facts:
            if isinstance(fact, Projected | AlarmChanged | FillStarted | StageBegan | StageEnded):
                assert all(math.isfinite(value) for _, value in numbers(fact)), fact


@settings(max_examples=15, deadline=None)
@given(scenes())
def test_what_is_predicted_lies_within_its_interval_and_between_nothing_and_everything(panel: Panel) -> None:
    story = played(panel)
    seen = [fact.predicted for _, fact in story.all(Projected)] + [
        fact.done.predicted for _, fact in story.all(StageEnded)
    ]
    for part in (part for each in seen if each is not None for part in (each.o2, each.he)):
        assert 0.0 <= part.low <= part.best + 1e-9
        assert part.best <= part.high + 1e-9
        assert part.high <= 1.0


@settings(max_examples=15, deadline=None)
@given(scenes())
def test_nobody_is_held_to_more_than_the_own_limit(panel: Panel) -> None:
    for _, seen in played(panel).all(Projected):
        assert seen.limit_gauge_pa <= max(rating_limit_gauge_pa(c) for c in CYLINDERS if c is not None) + 1.0
        assert seen.target_gauge_pa <= seen.limit_gauge_pa + 1e-3


@settings(max_examples=8, deadline=None)
@given(scenes())
def test_said_twice_it_comes_out_the_same_twice(panel: Panel) -> None:
    first = [happening.facts for happening in panel.play().happenings]
    assert first == [happening.facts for happening in panel.play().happenings]
