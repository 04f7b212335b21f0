"""Sensors beside the gauge: bank, oxygen in the line, loop current, panel valve; and what happens when they stop."""

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest

from fillguard.core.events import (
    AlarmChanged,
    Doubt,
    FindingMade,
    Prompt,
    PromptChanged,
    Quality,
    Quantity,
    Reading,
    ReadingDoubted,
    ServiceChanged,
)
from fillguard.core.units import PA_PER_BAR, k_from_c, quantised_time_s
from fillguard.core.values import AIR, GasMix
from tests.panel import STEEL_12, T0, Line, Panel, Story, between, stamp

EAN32 = GasMix(o2=0.32)


def says(
    panel: Panel,
    at_s: float,
    quantity: Quantity,
    value: float,
    *,
    whip: str | None = "1",
    quality: Quality = Quality.GOOD,
    doubt: Doubt | None = None,
) -> None:
    """A sensor beside the gauge speaks."""
    panel.send(
        at_s,
        Reading(
            stamp=stamp(at_s),
            source=f"shop/{whip or 'station'}/{quantity}",
            whip=whip,
            quantity=quantity,
            value=value,
            sample_s=quantised_time_s(T0 + at_s),
            quality=quality,
            doubt=doubt,
        ),
    )


def every_second(first_s: float, last_s: float) -> Iterator[float]:
    """Seconds, both counted in."""
    return (float(second) for second in range(round(first_s), round(last_s) + 1))


def filled(panel: Panel, *, gas: GasMix = AIR, to_bar: float = 150.0, at_bar_min: float = 20.0) -> Line:
    """An ordinary fill: the gas flows from about second 20."""
    line = panel.whip().attach(STEEL_12, gas=gas)
    return line.opens(residual_bar=50).fills(to_bar=to_bar, at_bar_min=at_bar_min)


def texts(story: Story, finding: str) -> list[str]:
    return [fact.text for _, fact in story.all(FindingMade) if fact.finding == finding]


# Oxygen --------------------------------------------------------------------------------------------------------------


def test_the_right_gas_in_the_line_is_no_matter() -> None:
    panel = Panel()
    filled(panel, gas=EAN32)
    for at_s in every_second(0, 300):
        says(panel, at_s, Quantity.O2_FRACTION, 0.323)
    panel.play().never("wrong-gas")


def test_another_gas_than_attached_stops_the_fill_within_seconds() -> None:
    panel = Panel()
    filled(panel, gas=EAN32)
    for at_s in every_second(0, 300):
        says(panel, at_s, Quantity.O2_FRACTION, 0.32 if at_s < 120 else 0.21)
    story = panel.play().expects(between(129, 132), "wrong-gas")
    (change,) = (c for _, c in story.all(AlarmChanged) if c.alarm == "wrong-gas" and c.is_raise)
    assert change.cause == "The analyser in the line reads 21.0 % O2, and the gas that was attached has 32.0 %."
    assert change.whip == "1"


def test_what_the_hose_still_holds_of_the_last_gas_is_no_wrong_gas() -> None:
    panel = Panel()
    filled(panel, gas=EAN32)
    for at_s in every_second(0, 300):
        says(panel, at_s, Quantity.O2_FRACTION, 0.21 if at_s < 40 else 0.32)
    panel.play().never("wrong-gas")


def test_an_analyser_that_fell_silent_clears_no_wrong_gas() -> None:
    panel = Panel()
    filled(panel, gas=EAN32, to_bar=200)
    for at_s in every_second(0, 100):
        says(panel, at_s, Quantity.O2_FRACTION, 0.40)
    story = panel.play()
    assert story.states("wrong-gas") == ["unacknowledged"]
    assert "oxygen-silent" in story.findings()


def test_where_nobody_said_which_gas_no_gas_is_the_wrong_one() -> None:
    panel = Panel()
    panel.whip().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20)
    for at_s in every_second(0, 300):
        says(panel, at_s, Quantity.O2_FRACTION, 0.32)
    panel.play().never("wrong-gas").expects(between(0, 300), "unidentified")


def test_over_forty_per_cent_at_the_compressor_intake_is_wrong_whoever_fills() -> None:
    panel = Panel()
    for at_s in every_second(0, 30):
        says(panel, at_s, Quantity.O2_FRACTION, 0.21 if at_s < 10 else 0.41, whip=None)
    story = panel.play(until_s=40).expects(between(20, 22), "wrong-gas")
    assert story.raises(whip=None) == ["wrong-gas"]


# Bank ----------------------------------------------------------------------------------------------------------------


def test_a_bank_that_ends_below_the_target_is_told_and_its_change_asked_for() -> None:
    panel = Panel()
    filled(panel, to_bar=204.5).stands(for_s=5)
    for at_s in every_second(0, 480):
        says(panel, at_s, Quantity.SUPPLY, 205 * PA_PER_BAR, whip=None)
    story = panel.play()
    (text,) = texts(story, "bank-ends")
    assert text.startswith("The bank (shop/station/supply) ends at 205 bar: this fill would settle at ")
    assert text.endswith("Change bank.")
    prompts = [(at_s, fact.prompt) for at_s, fact in story.all(PromptChanged)]
    assert prompts[0][1] is Prompt.CHANGE_BANK
    assert prompts[0][0] > 450, "at its end, not before"


def test_a_full_bank_ends_no_fill() -> None:
    panel = Panel()
    filled(panel, to_bar=200)
    for at_s in every_second(0, 460):
        says(panel, at_s, Quantity.SUPPLY, 290 * PA_PER_BAR, whip=None)
    story = panel.play().never("bank-low")
    assert story.findings() == []
    assert Prompt.CHANGE_BANK not in [fact.prompt for _, fact in story.all(PromptChanged)]


def test_a_whips_own_bank_is_not_covered_by_the_stations() -> None:
    panel = Panel()
    filled(panel, to_bar=180)
    for at_s in every_second(0, 400):
        says(panel, at_s, Quantity.SUPPLY, 290 * PA_PER_BAR)
        says(panel, at_s, Quantity.SUPPLY, 205 * PA_PER_BAR, whip=None)
    story = panel.play()
    assert story.findings() == []


def test_a_low_bank_is_an_alarm_and_its_change_ends_it() -> None:
    panel = Panel()
    for at_s in every_second(0, 200):
        says(panel, at_s, Quantity.SUPPLY, (143 if at_s < 100 else 250) * PA_PER_BAR, whip=None)
    story = panel.play(until_s=240).expects(between(30, 32), "bank-low").returns(between(130, 132), "bank-low")
    (change,) = (c for _, c in story.all(AlarmChanged) if c.is_raise)
    assert change.cause == "The bank (shop/station/supply) stands at 143 bar: too low to finish a usual fill."


def ran_back(*, bank_bar: float | None, whip: str | None = "1") -> Story:
    """A cylinder that stands at 150 bar runs back into a lower bank, ever more slowly."""
    panel = Panel()
    line = panel.whip().attach(STEEL_12).opens(residual_bar=150)
    line.follows(lambda t: 90.0 + 60.0 * math.exp(-t / 40.0), for_s=180)
    if bank_bar is not None:
        for at_s in every_second(0, line.now_s):
            says(panel, at_s, Quantity.SUPPLY, bank_bar * PA_PER_BAR, whip=whip)
    return panel.play()


def test_gas_that_runs_back_into_a_bank_is_told_with_what_the_bank_says() -> None:
    assert "into the bank, which is below this cylinder" in texts(ran_back(bank_bar=None), "back-flow")[0]
    (text,) = texts(ran_back(bank_bar=92), "back-flow")
    assert text.startswith("The bank (shop/1/supply) stands at 92 bar, below the 150 bar of this cylinder")


def test_nothing_runs_back_into_a_bank_that_stands_higher() -> None:
    assert texts(ran_back(bank_bar=280), "back-flow") == []
    assert texts(ran_back(bank_bar=280, whip=None), "back-flow") != [], "the station may have a second, lower bank"


# Loop current --------------------------------------------------------------------------------------------------------


def test_a_loop_at_fault_makes_the_gauge_unheard_whatever_it_says() -> None:
    panel = Panel()
    filled(panel, to_bar=200)
    for at_s in every_second(0, 400):
        fault = 100 <= at_s < 160
        says(
            panel,
            at_s,
            Quantity.LOOP_CURRENT,
            0.0035 if fault else 0.012,
            quality=Quality.BAD if fault else Quality.GOOD,
            doubt=Doubt.LOOP_FAULT if fault else None,
        )
    story = panel.play().expects(between(100, 101), "monitoring-lost").returns(between(160, 165), "monitoring-lost")
    (change,) = (c for _, c in story.all(AlarmChanged) if c.is_raise)
    assert change.cause == "The pressure sensor reports a fault in its loop."
    assert story.findings()[0] == "loop-fault"
    doubts = {fact.doubt for at_s, fact in story.all(ReadingDoubted) if 101 < at_s < 160}
    assert doubts == {Doubt.LOOP_FAULT}


# Panel valve ---------------------------------------------------------------------------------------------------------


def test_a_valve_reported_shut_behind_which_the_gauge_rises_is_told() -> None:
    panel = Panel()
    filled(panel)
    for at_s in every_second(0, 300):
        says(panel, at_s, Quantity.VALVE, 1.0 if at_s < 120 else 0.0)
    story = panel.play()
    (at_s,) = (at_s for at_s, fact in story.all(FindingMade) if fact.finding == "valve-passes")
    assert 130 <= at_s <= 134
    assert "the gauge still rises by 20 bar/min" in texts(story, "valve-passes")[0]


def test_a_valve_that_has_let_gas_through_excuses_no_stuck_gauge() -> None:
    panel = Panel(noise_bar=0.05)
    line = filled(panel, to_bar=150)
    for at_s in every_second(0, 400):
        says(panel, at_s, Quantity.VALVE, 0.0)
    start_s = line.now_s
    for step in range(30):
        line.now_s = start_s + 1 + step
        line.reads(150.0)
    found = panel.play().findings()
    assert found.index("valve-passes") < found.index("sensor-stuck")


def test_a_gauge_that_stands_behind_a_shut_valve_is_not_stuck() -> None:
    found = {}
    for shut in (False, True):
        panel = Panel(noise_bar=0.05)
        line = filled(panel, to_bar=150)
        for at_s in every_second(0, 350):
            says(panel, at_s, Quantity.VALVE, 0.0 if shut and at_s >= line.now_s - 1 else 1.0)
        start_s = line.now_s
        for step in range(30):
            line.now_s = start_s + 1 + step
            line.reads(150.0)
        found[shut] = "sensor-stuck" in panel.play().findings()
    assert found == {False: True, True: False}


# Silence and questions -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("quantity", "whip", "value", "finding", "said"),
    [
        (Quantity.SUPPLY, None, 290 * PA_PER_BAR, "supply-silent", "290 bar"),
        (Quantity.SUPPLY, "1", 290 * PA_PER_BAR, "supply-silent", "290 bar"),
        (Quantity.AMBIENT, None, k_from_c(18.2), "ambient-silent", "18.2 C"),
        (Quantity.WALL, "1", k_from_c(24.0), "wall-silent", "24.0 C"),
        (Quantity.VALVE, "1", 1.0, "valve-silent", "100 % open"),
        (Quantity.LOOP_CURRENT, "1", 0.012, "loop-silent", "12.00 mA"),
    ],
)
def test_a_sensor_that_falls_silent_in_a_fill_is_told_once(
    quantity: Quantity, whip: str | None, value: float, finding: str, said: str
) -> None:
    panel = Panel()
    filled(panel, to_bar=200)
    for at_s in every_second(0, 100):
        says(panel, at_s, quantity, value, whip=whip)
    story = panel.play()
    (at_s,) = (at_s for at_s, fact in story.all(FindingMade) if fact.finding == finding)
    assert 160 <= at_s <= 162
    assert f"its last word was {said}" in texts(story, finding)[0]


def test_a_bath_that_nothing_stands_in_may_be_silent() -> None:
    panel = Panel()
    filled(panel, to_bar=200)
    says(panel, 5, Quantity.BATH, k_from_c(15.0), whip=None)
    assert panel.play().findings() == []


def test_a_sensor_that_speaks_again_may_fall_silent_again() -> None:
    panel = Panel()
    filled(panel, to_bar=200)
    for at_s in (*every_second(0, 50), *every_second(200, 210)):
        says(panel, at_s, Quantity.SUPPLY, 290 * PA_PER_BAR)
    assert panel.play(until_s=400).findings() == ["supply-silent", "supply-silent"]


def test_a_slow_sensor_is_given_three_of_its_own_periods() -> None:
    panel = Panel()
    filled(panel, to_bar=150)
    for at_s in range(0, 300, 50):
        says(panel, float(at_s), Quantity.SUPPLY, 290 * PA_PER_BAR)
    assert "supply-silent" not in panel.play(until_s=390).findings()


def test_a_question_about_a_sensor_is_a_finding_in_the_fills_record() -> None:
    panel = Panel()
    line = filled(panel)
    asked = ServiceChanged(stamp=stamp(60), service="gaps:fill/tern/1/pressure", ok=False, detail="3 gone", whip="1")
    panel.send(60, asked)
    line.closes(for_s=30).bleeds()
    story = panel.play(until_s=2000)
    (row,) = story.ended()
    assert "messages-missing" in row.findings
    assert texts(story, "messages-missing") == ["3 gone."]


def test_a_question_about_a_sensor_of_the_station_names_no_whip() -> None:
    panel = Panel()
    for ok in (False, True):
        panel.send(
            1, ServiceChanged(stamp=stamp(1), service="device-clock:shop/room", ok=ok, detail="an hour off", whip=None)
        )
    ((_, found),) = panel.play().all(FindingMade)
    assert (found.finding, found.whip, found.text) == ("device-clock-off", None, "an hour off.")


# One gauge, several whips ---------------------------------------------------------------------------------------------


def test_the_loop_of_a_shared_gauge_is_the_loop_of_every_whip_on_it() -> None:
    panel = Panel()
    panel.rules = replace(panel.rules, gauges={"north": ("1", "2")})
    panel.whip("1").attach(STEEL_12)
    panel.whip("2").attach(replace(STEEL_12, serial="TH-0043"))
    filled_at = panel.whip().opens(residual_bar=50).fills(to_bar=150, at_bar_min=20).now_s
    for at_s in every_second(100, filled_at):
        says(
            panel,
            at_s,
            Quantity.LOOP_CURRENT,
            0.0035,
            whip="north",
            quality=Quality.BAD,
            doubt=Doubt.LOOP_FAULT,
        )
    story = panel.play()
    assert [story.state(whip).loop_fault for whip in ("1", "2")] == [True, True]
    story.expects(between(100, 100), "monitoring-lost")
    assert "north" not in story.stepper.state.whips
