"""Questions about sensors that go on working: told once, settled once, and never about what is normal."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from fillguard.core.events import AlarmChanged, Doubt, FindingMade, Quality, Quantity, Reading
from fillguard.core.rules import WhipRules
from fillguard.core.station import StationState, step
from fillguard.intake.sanity import Sanity
from tests.fakes import FakeClock
from tests.shops import shop


@dataclass
class Panel:
    """Gauges that are looked at."""

    sanity: Sanity = field(
        default_factory=lambda: Sanity(
            {"4": WhipRules(whip="4", max_working_gauge_pa=250e5, supply_end_gauge_pa=235e5)}
        )
    )
    clock: FakeClock = field(default_factory=FakeClock)
    told: list[tuple[str, bool]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)

    def reads(self, bar: float, whip: str = "1", *, after_s: float = 1.0, **more: object) -> None:
        self.clock.advance(after_s)
        given: dict[str, object] = {
            "stamp": self.clock.now(),
            "source": f"fill/tern/{whip}/pressure",
            "whip": whip,
            "quantity": Quantity.PRESSURE,
            "value": round(bar * 1e3) * 100.0,
            "sample_s": self.clock.utc_s,
            **more,
        }
        for question in self.sanity.look(Reading(**given)):  # type: ignore[arg-type]
            self.told.append((question.service, question.ok))
            self.texts.append(question.detail)


@pytest.fixture
def panel() -> Panel:
    return Panel()


def test_a_whip_that_rests_at_the_pressure_of_the_air_may_be_absolute(panel: Panel) -> None:
    for _ in range(58):
        panel.reads(1.01)
    assert panel.told == []
    for _ in range(60):
        panel.reads(1.02)
    assert panel.told == [("zero:1", False)]
    assert 'basis = "absolute"' in panel.texts[0]
    panel.reads(120.0)
    panel.reads(0.02)
    assert panel.told == [("zero:1", False), ("zero:1", True)]


@pytest.mark.parametrize(
    "gauge",
    [lambda _: 0.0, lambda _: 1.5, lambda second: 0.7 + 0.004 * second, lambda second: second % 2 + 0.05],
    ids=["at zero", "above the air", "creeping through", "jumping"],
)
def test_a_whip_that_does_not_rest_at_the_pressure_of_the_air_is_no_question(
    panel: Panel, gauge: Callable[[int], float]
) -> None:
    for second in range(120):
        panel.reads(gauge(second))
    assert panel.told == []


def test_more_than_the_source_can_give_is_a_wrong_unit(panel: Panel) -> None:
    for bar in (306.0, 306.0, 100.0, 306.0, 306.0, 306.0, 306.0):  # 1.3 times 235 bar is 305.5
        panel.reads(bar, "4")
    assert panel.told == [("unit:4", False)]
    panel.reads(200.0, "4")
    assert panel.told == [("unit:4", False), ("unit:4", True)]
    for _ in range(5):
        panel.reads(3000.0, quality=Quality.BAD, doubt=Doubt.OUT_OF_RANGE)
    assert panel.told[-1] == ("unit:1", False)


def test_ratings_that_changed_while_it_runs_count_from_then_on(panel: Panel) -> None:
    panel.sanity.take_over({"4": WhipRules(whip="4", max_working_gauge_pa=350e5, supply_end_gauge_pa=330e5)})
    for _ in range(5):
        panel.reads(320.0, "4")
    assert panel.told == [], "above 1.3 times 235 bar, and below 1.3 times 330"


def test_a_loop_fault_and_old_messages_are_no_wrong_unit(panel: Panel) -> None:
    for doubt in (Doubt.LOOP_FAULT, Doubt.RETAINED, Doubt.DUPLICATE, Doubt.LATE):
        for _ in range(5):
            panel.reads(500.0, "4", quality=Quality.BAD, doubt=doubt)
    assert panel.told == []


def test_two_whips_that_move_together_to_the_last_digit_may_be_on_one_gauge(panel: Panel) -> None:
    for second in range(70):
        panel.reads(50.0 + second * 0.3, "1", after_s=0.5)
        panel.reads(50.0 + second * 0.3, "2", after_s=0.5)
    assert panel.told == [("shared:1+2", False)]
    panel.reads(80.0, "2")
    panel.reads(81.0, "2")
    assert panel.told == [("shared:1+2", False), ("shared:1+2", True)]


def test_whole_bars_that_agree_for_a_minute_are_no_question_but_for_minutes_they_are(panel: Panel) -> None:
    for second in range(320):
        for whip in ("1", "2"):
            panel.reads(float(round(50.0 + second * 0.3)), whip, after_s=0.5)
        assert panel.told == [] or second >= 300
    assert panel.told == [("shared:1+2", False)]
    assert panel.texts[0] == "whips 1 and 2 have read the same for 300 s while moving: are they on one gauge?"


def test_two_whips_at_rest_or_apart_by_a_digit_are_two_gauges(panel: Panel) -> None:
    for second in range(200):
        panel.reads(0.0, "1", after_s=0.5)
        panel.reads(0.0, "2", after_s=0.5)
        panel.reads(50.0 + second * 0.3, "3", after_s=0.0)
        panel.reads(50.0 + second * 0.3 + 0.001, "4", after_s=0.0)
    assert panel.told == []


def test_a_device_clock_that_is_a_minute_off_is_told_until_it_is_set(panel: Panel) -> None:
    for _ in range(20):
        panel.reads(0.0, device_s=panel.clock.utc_s - 3600.0)
    assert panel.told == [("device-clock:fill/tern/1/pressure", False)]
    assert "+3601 s off" in panel.texts[0]
    panel.reads(0.0, device_s=panel.clock.utc_s)
    assert panel.told[-1] == ("device-clock:fill/tern/1/pressure", True)
    for _ in range(20):
        panel.reads(0.0, device_s=panel.clock.utc_s - 40.0)
    assert len(panel.told) == 2


def test_a_backlog_says_nothing_of_a_clock(panel: Panel) -> None:
    for _ in range(20):
        panel.reads(0.0, device_s=panel.clock.utc_s - 600.0, after_s=0.01, doubt=Doubt.STALE, quality=Quality.UNCERTAIN)
    assert panel.told == []


def test_questions_come_with_the_readings_that_raise_them_and_become_alarms(tmp_path: Path) -> None:
    here = shop(tmp_path, "number", 'quantity = "pressure"\nunit = "bar"')
    rules = here.settings.rules(lambda _: pytest.fail("no gas is asked for"))
    state, raised = StationState(), []
    for _ in range(70):
        here.clock.advance(1.0)
        for event in here.brings("shop/tern/1/gauge", "1.013"):
            state, facts = step(state, event, rules)
            raised += [fact for fact in facts if isinstance(fact, AlarmChanged | FindingMade)]
    alarm, found = raised
    assert (found.finding, found.whip) == ("absolute-as-gauge", "1")
    assert (alarm.alarm, alarm.priority) == ("zero-off", 3)
    assert "whip 1 reads +1.01 bar when bled" in alarm.cause, "the look after a bleed was first"
    assert "whip 1 rests at 1.01 bar" in found.text


def test_a_gap_in_the_numbers_is_told_and_settled_when_nothing_is_missing_any_more(panel: Panel) -> None:
    for seq in (1, 2, 3, 7, 8, *range(9, 18)):
        panel.reads(0.0, seq=seq, boot="a")
    assert panel.told == [("gaps:fill/tern/1/pressure", False)]
    assert panel.texts[0].startswith("3 messages of fill/tern/1/pressure never came (it went from 3 to 7)")
    for seq in range(18, 312):
        panel.reads(0.0, seq=seq, boot="a")
    assert panel.told[1:] == [("gaps:fill/tern/1/pressure", True)]


def test_messages_that_overtake_each_other_are_not_lost_but_for_those_that_never_come(panel: Panel) -> None:
    for seq in (1, 2, 6):
        panel.reads(0.0, seq=seq, boot="a")
    for seq in (3, 5):
        panel.reads(0.0, seq=seq, boot="a", doubt=Doubt.LATE, quality=Quality.UNCERTAIN)
    panel.reads(0.0, seq=2, boot="a", doubt=Doubt.DUPLICATE, quality=Quality.BAD)
    for seq in range(7, 20):
        panel.reads(0.0, seq=seq, boot="a")
    assert panel.told == [("gaps:fill/tern/1/pressure", False)]
    assert panel.texts[0].startswith("1 messages of fill/tern/1/pressure never came (it went from 2 to 6)")


def test_a_device_that_starts_over_has_lost_nothing(panel: Panel) -> None:
    for boot, seq in (("a", 900), ("a", 901), ("b", 950), ("b", 951), ("b", 1), ("b", 2_000_000), (None, 3_000)):
        panel.reads(0.0, seq=seq, boot=boot)
    assert panel.told == []
