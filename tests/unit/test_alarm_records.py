"""The shipped alarms: complete, the same in both places, as the pages show them."""

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from fillguard.core.conditions import ON_PRESSURE
from fillguard.core.events import AlarmChanged, AlarmFacts, AlarmState
from fillguard.core.rules import AlarmRule
from fillguard.core.sources import BANK_LOW
from fillguard.core.station import ALARM_OF_SERVICE, CLOCK_WRONG
from fillguard.core.units import PA_PER_BAR, ZERO_CELSIUS_K
from fillguard.core.values import Stamp
from fillguard.core.words import CALLS, PHRASES, TITLE_AT_MOST, UnitChoice, alarm_text, notice
from fillguard.settings.alarms import shipped_alarms

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "fillguard" / "data" / "alarms.toml"
RULES = {name: section.rule(name) for name, section in shipped_alarms().items()}


def pages() -> ModuleType:
    path = ROOT / "deploy" / "alarm_pages.py"
    spec = importlib.util.spec_from_file_location("alarm_pages", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_example_configuration_holds_the_shipped_alarms() -> None:
    assert (ROOT / "config" / "alarms.toml").read_bytes() == SHIPPED.read_bytes()


def test_the_pages_show_the_alarms_and_their_life_cycle_as_they_are() -> None:
    for path, fresh in pages().fresh_pages().items():
        assert path.read_text(encoding="utf-8") == fresh, "run: python deploy/alarm_pages.py"


def test_the_starter_set_is_complete() -> None:
    by_priority: dict[int, set[str]] = {1: set(), 2: set(), 3: set()}
    for name, rule in RULES.items():
        by_priority[rule.priority].add(name)
    assert by_priority == {
        1: {
            "overfill", "over-ceiling", "whip-over-rating", "sudden-loss", "wall-hot", "monitoring-lost", "not-fit",
            "wrong-gas", "record-failing",
        },
        2: {
            "opened-too-fast", "will-overfill", "too-fast", "gas-hot", "unidentified", "arrived-empty",
            "valve-not-open", "leak", "self-test-failing",
        },
        3: {
            "over-target", "store-failing", "channel-failing", "clock-wrong", "bank-low", "zero-off",
            "sensor-disagrees", "shared-gauge", "calibration-due", "drops", "configuration-broken",
        },
    }  # fmt: skip


def test_every_alarm_of_the_file_is_judged_somewhere_and_nothing_is_judged_without_a_record() -> None:
    assert {*ON_PRESSURE, *ALARM_OF_SERVICE.values(), CLOCK_WRONG, BANK_LOW} == set(RULES)


def test_what_must_be_looked_at_afterwards_latches() -> None:
    latching = {name for name, rule in RULES.items() if rule.latched}
    assert latching == {"overfill", "over-ceiling", "sudden-loss", "wall-hot", "wrong-gas", "opened-too-fast"}


def test_a_shut_cylinder_valve_suppresses_what_is_judged_of_the_contents_and_nothing_else() -> None:
    suppressed = {name for name, rule in RULES.items() if rule.suppressed_by == ("whip-only",)}
    assert suppressed == {
        "overfill", "over-ceiling", "will-overfill", "too-fast", "gas-hot", "valve-not-open", "leak", "over-target",
    }  # fmt: skip
    assert all(rule.suppressed_by in {(), ("whip-only",)} for rule in RULES.values())


@pytest.mark.parametrize("name", RULES)
def test_a_record_is_complete_and_says_where_its_setpoint_comes_from(name: str) -> None:
    rule = RULES[name]
    for text in (rule.cause, rule.consequence, rule.action, rule.basis):
        assert text.endswith(".")
    assert rule.basis.startswith(("published: ", "practice: ", "our choice: "))
    assert rule.respond_within_s > rule.on_delay_s or rule.priority == 1
    assert rule.owner in {"technician", "manager"}
    assert rule.strict in {"lower", "higher"}


@pytest.mark.parametrize(
    ("name", "setpoint", "deadband"),
    [
        # Common practice: air 20 to 40 bar/min.
        ("too-fast", 30 * PA_PER_BAR / 60, 3 * PA_PER_BAR / 60),
        # ADR P200 (from memory): developed pressure is judged at 65 C.
        ("gas-hot", 65 + ZERO_CELSIUS_K, 3.0),
        ("wrong-gas", 0.01, 0.003),
        ("leak", 3 * PA_PER_BAR / 3600, PA_PER_BAR / 3600),
        ("sudden-loss", 2 * PA_PER_BAR, PA_PER_BAR),
        ("overfill", 0.0, PA_PER_BAR),
    ],
)
def test_a_setpoint_comes_out_in_si(name: str, setpoint: float, deadband: float) -> None:
    assert (RULES[name].setpoint, RULES[name].deadband) == pytest.approx((setpoint, deadband))


def test_oxygen_is_filled_more_slowly_and_hot_composite_is_cooler() -> None:
    # Oxygen about 5 bar/min: common practice (from memory). At most 200 psi/min: U.S. Navy Diving Manual vol. 2.
    fast = {case: value * 60 / PA_PER_BAR for case, value in RULES["too-fast"].variants.items()}
    assert fast == pytest.approx({"oxygen-rich": 5.0, "oxygen-rich-ceiling": 13.8})
    assert RULES["wall-hot"].variants["composite"] == pytest.approx(55 + ZERO_CELSIUS_K)
    # 49 CFR 180.203: aluminium exposed to 176 C is condemned; steel 343 C (from memory).
    assert RULES["wall-hot"].variants["heat-exposed-aluminium"] == pytest.approx(176 + ZERO_CELSIUS_K)
    assert RULES["wall-hot"].variants["heat-exposed-steel"] == pytest.approx(343 + ZERO_CELSIUS_K)


def test_the_graver_cases_are_graver() -> None:
    assert RULES["opened-too-fast"].priorities == {"over-40-percent-oxygen": 1}
    assert RULES["over-target"].priorities == {"blending-stage": 2}
    assert not RULES["opened-too-fast"].shelvable


def test_an_overfill_is_never_bled_simply_to_the_stamped_number() -> None:
    assert "never simply to the number stamped on the cylinder" in RULES["overfill"].action
    assert "Bleed only with a valve reached from behind the barrier" in RULES["over-ceiling"].action


@pytest.mark.parametrize("name", RULES)
@pytest.mark.parametrize("units", [UnitChoice(), UnitChoice(pressure="psi", temperature="F")], ids=["bar", "psi"])
def test_every_shipped_alarm_makes_a_notice_that_can_be_acted_on(name: str, units: UnitChoice) -> None:
    rule: AlarmRule = RULES[name]
    raised = AlarmChanged(
        stamp=Stamp(mono_s=1, utc_s=1e9), whip="2", fill_id=None, serial=None, operator=None, alarm=name,
        occurrence=f"tern-2/{name}/1", priority=rule.priority, old=AlarmState.NORMAL, new=AlarmState.UNACKNOWLEDGED,
        cause="", facts=AlarmFacts(gauge_pa=2e7), raised_utc_s=1e9,
    )  # fmt: skip
    said = notice(raised, rule, units, station_name="Tern Harbour", time_text="10:12")
    assert said.title == f"{CALLS[rule.priority]} - whip 2: {PHRASES[name]}"
    assert len(said.title) < TITLE_AT_MOST
    assert f"What to do: {rule.action}" in said.body.splitlines()
    assert rule.cause in alarm_text(replace(raised, whip=None), rule, units)


def test_no_phrase_is_left_without_an_alarm() -> None:
    assert set(PHRASES) == set(RULES)
