"""The machine's clock is set by an hour, either way, in the middle of a fill: the fill does not notice."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from fillguard.core.events import AlarmChanged, ClockStepped, FillEnded, InEvent, OutEvent, Reading
from fillguard.engine import Engine, Inbox, Stepper
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import Attempt, StepRecord
from tests.fakes import FakeClock
from tests.panel import real_rules
from tests.recorded import recorded

FILL = 9
SET_AFTER = 300
"""Events; the fill is open then."""


@dataclass(slots=True)
class Record:
    """A ledger in memory."""

    steps: list[StepRecord] = field(default_factory=list)

    def put(self, record: StepRecord) -> None:
        self.steps.append(record)

    def put_attempt(self, attempt: Attempt, on_settled: object = None) -> None:
        raise AssertionError(f"nothing is delivered here: {attempt}, {on_settled}")

    def healthy(self) -> bool:
        return True


def watched(set_by_s: float) -> list[StepRecord]:
    """A recorded fill through the engine, its clock set by so much in the middle of it."""
    clock, record = FakeClock(), Record()
    engine = Engine(
        stepper=Stepper(real_rules()),
        clock=clock,
        decoder=DefaultDecoder("tern", register=lambda _: None),
        outlets=(),
        ledger=record,
        notices=lambda _cause, _facts: (),
        inbox=Inbox(),
    )
    events = list(recorded(FILL).events())
    for place, event in enumerate(events):
        clock.mono_s, clock.utc_s = event.stamp.mono_s, event.stamp.utc_s
        if place == SET_AFTER:
            assert engine.stepper.state.fill_is_open
            clock.wall_ahead_s = set_by_s
        engine._hand_on(engine.stepper.feed(event), None)
        engine._on_idle()
        if place > SET_AFTER and not engine.stepper.state.fill_is_open:
            break
    return record.steps


def told(steps: Sequence[StepRecord]) -> list[tuple[InEvent, tuple[OutEvent, ...]]]:
    return [(step.cause, step.facts) for step in steps]


@pytest.mark.parametrize("by_s", [3600.0, -3600.0], ids=["an hour ahead", "an hour back"])
def test_an_hour_either_way_changes_nothing_in_an_open_fill_and_is_told_after_it(by_s: float) -> None:
    calm, stepped = watched(0.0), watched(by_s)
    (place,) = [place for place, step in enumerate(stepped) if isinstance(step.cause, ClockStepped)]
    assert told(stepped[:place]) == told(calm)[:place], "not a number differs"
    ended = [fact for step in stepped[:place] for fact in step.facts if isinstance(fact, FillEnded)]
    assert len(ended) == 1, "the fill ended first"
    assert stepped[place].cause.by_s == by_s  # type: ignore[union-attr]  # found by its type
    alarms = [fact.alarm for fact in stepped[place].facts if isinstance(fact, AlarmChanged)]
    assert "clock-wrong" in alarms
    readings = sum(isinstance(step.cause, Reading) for step in stepped[:place])
    assert readings == sum(isinstance(step.cause, Reading) for step in calm[:place])
