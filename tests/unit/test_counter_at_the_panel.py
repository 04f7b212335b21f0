"""What the counter asks the person at the panel, and what it does with what the operator notices."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.counter import Counter
from fillguard.app.cylinders import Cylinders
from fillguard.app.valves import ValveNotes
from fillguard.core.events import CylinderAttached, ValveNoted
from fillguard.core.fitness.checks import Check
from fillguard.core.fitness.record import Found
from fillguard.core.fitness.verdict import Level
from fillguard.core.units import bar_from_pa
from fillguard.core.values import Stamp
from fillguard.intake.attach import attach_event
from fillguard.intake.formats import UnusableError
from fillguard.ledger.register import add_to_register
from fillguard.ports import CylinderRecorded
from fillguard.settings import Settings, check_config, load_settings
from fillguard.settings.panel import Scanner
from tests import gases
from tests.ledger_facts import T0, at, ended, step, tick
from tests.shops import STATION

NOW = Stamp(mono_s=2000.0, utc_s=T0 + 1000.0)
PANEL = """
[panel]
[scanner]
prefixes = ["]C1", "]C10"]
check = "mod10"
[[class]]
name = "alu-11-207"
water_capacity_l = 11.1
material = "aluminium"
rated_psi = 3000
reference_f = 70
"""
REGISTER = """serial,water_capacity_l,count,members,material,rated_bar,reference_c,last_test,last_visual,gas_service
TH-0042,12,1,,steel,232,15,2026-01,2026-01,nitrox
TH-0043,12,1,,steel,200,15,2026-01,2026-01,nitrox
TH-0077,12,2,TH-0042 TH-0043,steel,232,15,2026-01,2026-01,nitrox
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text(STATION + PANEL, encoding="utf-8")
    (tmp_path / "cylinders.csv").write_text(REGISTER, encoding="utf-8")
    return tmp_path


@pytest.fixture
def settings(folder: Path) -> Settings:
    return load_settings(folder, {})


def counter(settings: Settings) -> Counter:
    return Counter(settings, settings.rules(gases.shipped), ledger=settings.ledger.path.exists())


def attached(settings: Settings, **said: object) -> CylinderAttached:
    desk = counter(settings)
    payload = json.dumps({"operator": "op-1", **said}).encode()
    event = attach_event(payload, stamp=NOW, whip="1", register=desk.cylinder, panel=settings.panel)
    event = desk.received(event)
    assert isinstance(event, CylinderAttached)
    return event


def codes(event: CylinderAttached) -> list[str]:
    assert event.verdict is not None
    return [reason.code for reason in event.verdict.reasons]


# --- Questions -------------------------------------------------------------------------------------------------------


def test_the_rating_is_asked_for_and_the_lower_one_is_the_limit_told(settings: Settings) -> None:
    event = attached(settings, serial="TH-0042")
    assert codes(event) == ["stamp-unread"]
    assert event.verdict is not None
    assert "232 bar (3364 psi) settled at 15 C (59 F): is that what the shoulder says?" in event.verdict.text
    assert bar_from_pa(event.verdict.limit_gauge_pa or 0.0) == pytest.approx(200.0)


def test_a_stamp_that_is_read_or_written_down_is_not_asked_for(settings: Settings) -> None:
    assert codes(attached(settings, serial="TH-0042", checked=["stamp read"])) == []
    assert codes(attached(settings, serial="TH-0042", rated_pressure_bar=232)) == []


def test_a_station_may_choose_not_to_ask(folder: Path) -> None:
    text = (STATION + PANEL).replace("[panel]", "[panel]\nask_stamp_read = false")
    (folder / "station.toml").write_text(text, encoding="utf-8")
    assert codes(attached(load_settings(folder, {}), serial="TH-0042")) == []


def test_a_set_is_held_to_its_lowest_cylinder_and_asks_for_isolator_and_valves(settings: Settings) -> None:
    event = attached(settings, serial="TH-0077")
    assert event.members == ("TH-0042", "TH-0043")
    assert codes(event) == ["valves-unseen"], "200 bar is what this whip serves at least"
    assert event.cylinder is not None
    assert bar_from_pa(event.cylinder.rated_gauge_pa) == pytest.approx(200.0)


@pytest.mark.parametrize(("arrived", "code"), [("hot", "arrived-warm"), ("cold", "arrived-cold"), (22, None)], ids=str)
def test_a_cylinder_out_of_a_hot_car_or_a_cold_boat_waits(settings: Settings, arrived: object, code: str) -> None:
    event = attached(settings, serial="TH-0043", arrived=arrived)
    assert codes(event) == ([] if code is None else [code])


def test_a_visitor_s_class_counts_with_its_three_ticks(settings: Settings) -> None:
    ticks = ["stamp-read", "test-date-read", "inspection-read"]
    event = attached(settings, **{"class": "alu-11-207", "checked": ticks})
    assert codes(event) == ["class-only"]
    assert event.cylinder is not None
    assert bar_from_pa(event.cylinder.rated_gauge_pa) == pytest.approx(206.84, abs=0.01)

    unread = attached(settings, **{"class": "alu-11-207", "checked": ticks[:1]})
    assert codes(unread) == ["class-unread", "class-only"]
    assert unread.cylinder is None


def test_a_class_nobody_configured_is_refused_with_the_nearest(settings: Settings) -> None:
    with pytest.raises(UnusableError, match="did you mean alu-11-207"):
        attached(settings, **{"class": "alu-11-208"})


def test_a_class_beside_a_description_is_refused(settings: Settings) -> None:
    with pytest.raises(UnusableError, match="give the class or describe the cylinder"):
        attached(settings, **{"class": "alu-11-207", "water_volume_l": 12})


# --- Air onto oxygen -------------------------------------------------------------------------------------------------


def test_air_onto_oxygen_needs_a_source_marked_for_it(folder: Path, settings: Settings) -> None:
    event = attached(settings, serial="TH-0043", residual_gas={"o2": 0.8})
    assert codes(event) == ["air-not-compatible"]
    assert event.verdict is not None
    assert event.verdict.absolute, "nobody may override it"
    assert codes(attached(settings, serial="TH-0043", residual_gas={"o2": 0.22})) == [], "at the profile's threshold"

    text = (STATION + PANEL).replace('id = "1"', 'id = "1"\noxygen_compatible_air = true')
    (folder / "station.toml").write_text(text, encoding="utf-8")
    assert codes(attached(load_settings(folder, {}), serial="TH-0043", residual_gas={"o2": 0.8})) == []


# --- What is on record -----------------------------------------------------------------------------------------------


def test_how_the_last_fill_left_it_comes_with_the_attachment(settings: Settings) -> None:
    add_to_register(settings.ledger.path, "tern", at(0), [step(tick(500), ended(500))])
    left = attached(settings, serial="TH-0042").left
    assert left is not None
    assert left.gauge_pa == ended(500).summary.final_settled_gauge_pa
    assert attached(settings, serial="TH-0043").left is None


def test_a_cylinder_that_was_left_in_mid_fill_holds_nobody_knows_what(settings: Settings) -> None:
    cut = ended(500)
    cut = replace(cut, summary=replace(cut.summary, outcome="interrupted"))
    add_to_register(settings.ledger.path, "tern", at(0), [step(tick(500), cut)])
    assert attached(settings, serial="TH-0042").left is None


class Trail:
    """Takes changed cylinders."""

    def __init__(self) -> None:
        self.changes: list[CylinderRecorded] = []

    def put_cylinder(self, change: CylinderRecorded) -> None:
        self.changes.append(change)


def test_what_was_noticed_at_a_valve_stands_in_the_register_with_what_stood_there(settings: Settings) -> None:
    trail = Trail()
    notes = ValveNotes(counter(settings).record, trail)
    noted = ValveNoted(
        stamp=NOW, whip="1", fill_id=None, serial="th-0042", operator="op-2", found=(Found.STIFF,), note="two hands"
    )
    notes.tell(noted, (noted, replace(noted, serial="TH-0907"), replace(noted, serial=None)))

    (change,) = trail.changes
    assert (change.by, change.why, change.columns["valve_found"]) == ("op-2", "valve found stiff: two hands", "stiff")
    assert change.columns["water_capacity_l"] == "12", "nothing else is lost"


def test_valves_that_need_eyes_are_a_list(folder: Path, settings: Settings) -> None:
    hints = [
        replace(ended(900.0 + n), summary=replace(ended(900.0 + n, f"fill-{n}").summary, findings=("leak",)))
        for n in range(3)
    ]
    cylinders = Cylinders(folder, {}, NOW)
    cylinders.import_file(folder / "cylinders.csv", by="op-1", why="first", progress=lambda *_: None)
    add_to_register(settings.ledger.path, "tern", NOW, [step(tick(900), hint) for hint in hints])
    cylinders.note_valve("TH-0043", "bubbles-at-neck", by="op-1", why="seen at attach")

    assert [(record.serial, count) for record, count in cylinders.valves()] == [("TH-0043", 0), ("TH-0042", 3)]
    verdict = attached(settings, serial="TH-0043").verdict
    assert verdict is not None
    assert verdict.level is Level.REFUSE, "bubbles at the neck: service first"
    assert "inspect-valve" in codes(attached(settings, serial="TH-0042"))


# --- The scanner -----------------------------------------------------------------------------------------------------


def test_a_scanned_serial_loses_its_prefix_and_its_check_character(settings: Settings) -> None:
    """18 with the Luhn digit 2 (ISO/IEC 7812-1 annex B, worked by hand: 8 -> 16 -> 7, 7 + 1 = 8, 10 - 8 = 2)."""
    assert settings.panel.scanner.serial("]C1TH-00182") == "TH-0018"
    assert settings.panel.scanner.serial(" TH-0018 ") == "TH-0018", "typed by hand"
    with pytest.raises(UnusableError, match="check character"):
        attached(settings, serial="]C1TH-00183")


def test_the_longest_prefix_that_fits_is_the_scanner_s(settings: Settings) -> None:
    assert settings.panel.scanner.serial("]C100182") == "018"


@pytest.mark.parametrize(("scanned", "serial"), [("*CODE39W", "CODE39"), ("*TH-00422", "TH-0042")], ids=str)
def test_code_39_checks_by_the_sum_modulo_43(scanned: str, serial: str) -> None:
    """CODE39 has the check character W: a worked example of Code 39 (from memory)."""
    scanner = Scanner(prefixes=("*",), check="mod43")
    assert scanner.serial(scanned) == serial


def test_a_check_without_a_prefix_is_a_mistake_that_is_told(folder: Path) -> None:
    text = (STATION + PANEL).replace('prefixes = ["]C1", "]C10"]\n', "")
    (folder / "station.toml").write_text(text, encoding="utf-8")
    (problem,) = check_config(folder, {})
    assert "check is given without prefixes" in str(problem)


def test_a_tick_without_a_name_counts_for_nobody(settings: Settings) -> None:
    event = attached(settings, serial="TH-0042", operator=None, checked=["stamp-read"])
    assert [each.check for each in event.checked] == [Check.STAMP_READ]
    assert codes(event) == ["stamp-unread"]
