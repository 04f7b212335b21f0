"""The counter: what is said of a cylinder when it is attached, and what follows when it is filled all the same."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.counter import Counter
from fillguard.app.cylinders import Cylinders
from fillguard.core.events import (
    AlarmChanged,
    CylinderAttached,
    FillEnded,
    FillStarted,
    OutEvent,
    Quantity,
    Reading,
    Tick,
    VerdictGiven,
    VerdictOverridden,
)
from fillguard.core.fitness.verdict import Level
from fillguard.core.rules import Rules
from fillguard.core.station import StationState, step
from fillguard.core.units import bar_from_pa
from fillguard.core.values import GasMix, Stamp
from fillguard.intake.attach import attach_event
from fillguard.intake.commands import command_event
from fillguard.intake.formats import UnusableError
from fillguard.ledger.codec import decode, encode
from fillguard.ports import RawMessage
from fillguard.settings import ConfigurationProblems, Settings, load_settings
from tests import gases

ROOT = Path(__file__).resolve().parents[2]
T0 = 1_795_558_185.0
NOW = Stamp(mono_s=1000.0, utc_s=T0)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return Path(shutil.copytree(ROOT / "config", tmp_path / "config"))


@pytest.fixture
def settings(config: Path) -> Settings:
    return load_settings(config, {})


@pytest.fixture
def rules(settings: Settings) -> Rules:
    return settings.rules(gases.shipped)


def attached(counter: Counter, serial: str | None, whip: str = "1", **said: object) -> CylinderAttached:
    said = {"operator": "op-1", "checked": ["stamp-read"], **({"serial": serial} if serial else {}), **said}
    event = attach_event(json.dumps(said).encode(), stamp=NOW, whip=whip, register=counter.cylinder)
    event = counter.received(event)
    assert isinstance(event, CylinderAttached)
    return event


def codes(event: CylinderAttached) -> list[str]:
    assert event.verdict is not None
    return [reason.code for reason in event.verdict.reasons]


# --- At attach -------------------------------------------------------------------------------------------------------


def test_a_cylinder_of_the_file_is_judged_by_its_row(settings: Settings, rules: Rules) -> None:
    event = attached(Counter(settings, rules, ledger=False), "th-0042", gas={"o2": 0.32})
    assert event.verdict is not None
    assert (event.verdict.level, event.verdict.profile) == (Level.FILL, "eu")
    assert event.verdict.max_rate_pa_s == pytest.approx(30e5 / 60.0), "what the alarm on the rate goes by"


def test_the_ledger_s_register_governs_over_the_file(config: Path, settings: Settings, rules: Rules) -> None:
    Cylinders(config, {}, NOW).change(
        "TH-0042", {"state": "condemned", "state_reason": "neck cracked"}, by="tech-1", why="inspection"
    )
    event = attached(Counter(settings, rules), "TH-0042")
    assert codes(event) == ["condemned"]


def test_the_limit_told_is_the_one_the_watch_holds_the_fill_to(settings: Settings, rules: Rules) -> None:
    event = attached(Counter(settings, rules, ledger=False), "TH-0041", rated_pressure_bar=200)
    assert event.verdict is not None
    assert bar_from_pa(event.verdict.limit_gauge_pa or 0.0) == pytest.approx(200.0), "the message says less"


def test_an_unknown_serial_is_asked_for_and_held_to_the_lowest_rating_of_the_whip(
    settings: Settings, rules: Rules
) -> None:
    event = attached(Counter(settings, rules, ledger=False), "TH-0907")
    assert event.cylinder is None
    assert event.verdict is not None
    assert event.verdict.level is Level.CARE
    assert "TH-0907 is not in the register" in event.verdict.text
    assert "rated pressure" in event.verdict.missing
    assert bar_from_pa(event.verdict.limit_gauge_pa or 0.0) == pytest.approx(200.0)


def test_a_cylinder_only_described_asks_for_care_and_never_raises_an_alarm(settings: Settings, rules: Rules) -> None:
    said = {"water_volume_l": 12, "material": "steel", "rated_pressure_bar": 232, "reference_temperature_c": 15}
    event = attached(Counter(settings, rules, ledger=False), None, gas={"o2": 0.5}, **said)
    assert event.verdict is not None
    assert event.verdict.level is Level.CARE
    assert codes(event) == ["not-registered", "oxygen-clean-unknown"]


def test_a_register_that_cannot_be_read_is_said_and_stops_nothing(settings: Settings, rules: Rules) -> None:
    settings.ledger.path.write_bytes(b"no ledger")
    event = attached(Counter(settings, rules), "TH-0042")
    assert event.cylinder is None
    assert event.verdict is not None
    assert "The register cannot be read" in event.verdict.text


def test_a_verdict_is_recorded_and_read_back_as_it_was(settings: Settings, rules: Rules) -> None:
    event = attached(Counter(settings, rules, ledger=False), "TH-0049")
    assert decode(encode(event)) == event


# --- Filled all the same ---------------------------------------------------------------------------------------------


class Panel:
    """One whip in virtual time."""

    def __init__(self, rules: Rules) -> None:
        self.rules, self.state = rules, StationState()
        self.now_s = 0.0
        self.told: list[OutEvent] = []

    def does(self, event: object) -> list[OutEvent]:
        self.state, facts = step(self.state, replace(event, stamp=self.stamp), self.rules)  # type: ignore[type-var, arg-type] # any event
        self.told.extend(facts)
        return list(facts)

    @property
    def stamp(self) -> Stamp:
        return Stamp(mono_s=1000.0 + self.now_s, utc_s=T0 + self.now_s)

    def fills(self, *, seconds: float, from_bar: float, bar_s: float) -> None:
        """The residual pressure stands, then gas flows."""
        begin_s = self.now_s
        while self.now_s - begin_s < seconds:
            flowing_s = max(0.0, self.now_s - begin_s - 20.0)
            value = round((from_bar + bar_s * flowing_s) * 1e3) * 100.0
            self.does(
                Reading(
                    stamp=self.stamp, source="g", whip="1", quantity=Quantity.PRESSURE, value=value,
                    sample_s=self.stamp.utc_s,
                )
            )  # fmt: skip
            if self.now_s == int(self.now_s):
                self.does(Tick(stamp=self.stamp))
            self.now_s += 0.5

    def raised(self, alarm: str) -> list[AlarmChanged]:
        return [fact for fact in self.told if isinstance(fact, AlarmChanged) and fact.alarm == alarm and fact.is_raise]


def test_a_fill_of_what_must_not_be_filled_raises_not_fit_and_its_record_says_why(
    settings: Settings, rules: Rules
) -> None:
    panel = Panel(rules)
    panel.does(attached(Counter(settings, rules, ledger=False), "TH-0049"))
    assert panel.raised("not-fit") == [], "nothing flows yet"
    panel.fills(seconds=60.0, from_bar=50.0, bar_s=0.4)
    (alarm,) = panel.raised("not-fit")
    assert alarm.priority == 1
    assert "valve wants looking at" in alarm.cause
    (started,) = [fact for fact in panel.told if isinstance(fact, FillStarted)]
    assert started.verdict is not None
    assert started.verdict.level is Level.REFUSE
    panel.does(VerdictOverridden(stamp=NOW, whip="1", operator="op-2", reason="he is in a hurry"))
    last = [fact for fact in panel.told if isinstance(fact, VerdictGiven)][-1]
    assert last.refused is not None, "the inspection is overdue, in Europe nobody may"
    assert last.refused.startswith("nobody may override this: visual inspection")


def test_a_named_person_may_answer_for_a_cylinder_set_aside_and_stands_on_the_record(
    config: Path, settings: Settings, rules: Rules
) -> None:
    Cylinders(config, {}, NOW).change(
        "TH-0041", {"state": "set-aside", "state_reason": "owner to call"}, by="op-1", why="owner to call"
    )
    panel = Panel(rules)
    panel.does(attached(Counter(settings, rules), "TH-0041"))
    panel.fills(seconds=40.0, from_bar=50.0, bar_s=0.4)
    assert len(panel.raised("not-fit")) == 1
    facts = panel.does(VerdictOverridden(stamp=NOW, whip="1", operator="op-2", reason="owner called"))
    (given,) = [fact for fact in facts if isinstance(fact, VerdictGiven)]
    assert given.refused is None
    assert given.verdict is not None
    assert given.verdict.overridden_by == "op-2"
    (back,) = [fact for fact in facts if isinstance(fact, AlarmChanged) and fact.alarm == "not-fit"]
    assert back.is_return
    panel.now_s += 2000.0
    panel.does(Tick(stamp=NOW))
    summaries = [fact.summary for fact in panel.told if isinstance(fact, FillEnded)]
    assert [s.verdict and (s.verdict.overridden_by, s.verdict.override_reason) for s in summaries] == [
        ("op-2", "owner called")
    ]


def test_there_must_be_something_to_override(settings: Settings, rules: Rules) -> None:
    panel = Panel(rules)
    event = VerdictOverridden(stamp=NOW, whip="1", operator="op-2", reason="x")
    (given,) = (fact for fact in panel.does(event) if isinstance(fact, VerdictGiven))
    assert given.refused == "nothing to override: no cylinder with a verdict hangs here"
    panel.does(attached(Counter(settings, rules, ledger=False), "TH-0042"))
    (given,) = (fact for fact in panel.does(event) if isinstance(fact, VerdictGiven))
    assert given.refused == "nothing to override: the verdict is fill"


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"verb": "override", "operator": "op-1", "whip": "1"}, "override needs whip and reason"),
        ({"verb": "override", "operator": "op-1", "reason": "x"}, "override needs whip and reason"),
        (
            {"verb": "override", "operator": "op-1", "whip": "1", "reason": "x", "alarm": "not-fit"},
            "about a cylinder, not about an alarm",
        ),
        ({"verb": "override", "whip": "1", "reason": "x"}, "no operator"),
        ({"verb": "overide", "operator": "op-1", "whip": "1", "reason": "x"}, "allowed are"),
    ],
)
def test_an_override_without_whip_person_or_reason_is_refused(said: dict[str, str], why: str) -> None:
    message = RawMessage(arrived=NOW, topic="fillguard/tern/command", payload=json.dumps(said).encode())
    with pytest.raises(UnusableError, match=why):
        command_event(message)


def test_an_override_names_whip_person_and_reason() -> None:
    said = {"verb": "override", "operator": "op-1", "whip": "1", "reason": "looked at it"}
    message = RawMessage(arrived=NOW, topic="fillguard/tern/command", payload=json.dumps(said).encode())
    assert command_event(message) == VerdictOverridden(stamp=NOW, whip="1", operator="op-1", reason="looked at it")


# --- The register for people -----------------------------------------------------------------------------------------


@pytest.fixture
def cylinders(config: Path) -> Cylinders:
    made = Cylinders(config, {}, NOW)
    made.import_file(config / "cylinders.csv", by="op-1", why="first", progress=lambda *_: None)
    return made


def test_the_example_can_be_imported_once_and_again_changes_nothing(cylinders: Cylinders, config: Path) -> None:
    again = cylinders.import_file(config / "cylinders.csv", by="op-1", why="again", progress=lambda *_: None)
    assert (again.added, again.changed, again.unchanged) == (0, 0, 10)
    assert len(cylinders.history("TH-0042")) == 1


def test_an_export_can_be_imported_and_is_the_same(cylinders: Cylinders, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert cylinders.export_file(out) == 10
    again = cylinders.import_file(out, by="op-1", why="again", progress=lambda *_: None)
    assert again.unchanged == 10


def test_a_file_with_one_wrong_cell_imports_nothing(cylinders: Cylinders, tmp_path: Path) -> None:
    path = tmp_path / "new.csv"
    path.write_text(
        "serial,water_capacity_l,material,rated_bar,reference_c\nNEW-1,12,steel,232,15\nNEW-2,12,steel,3000,15\n",
        encoding="utf-8",
    )
    with pytest.raises(ConfigurationProblems, match=r"row 3, rated_bar = 3000\.0"):
        cylinders.import_file(path, by="op-1", why="x", progress=lambda *_: None)
    assert len(list(cylinders.records())) == 10


def test_history_tells_who_changed_what_and_why(cylinders: Cylinders) -> None:
    cylinders.note_valve("TH-0042", "stiff", by="op-2", why="stiff handle")
    cylinders.note_valve("TH-0042", "stiff", by="op-2", why="still stiff")
    cylinders.service_valve("TH-0042", parts=["seat"], by="tech-1")
    entries = cylinders.history("TH-0042")
    assert [(entry.by, entry.why) for entry in entries] == [
        ("op-1", "first"),
        ("op-2", "stiff handle"),
        ("op-2", "still stiff"),
        ("tech-1", "valve serviced"),
    ]
    assert entries[1].changes == {"valve_found": ("", "stiff")}
    assert entries[3].changes["valve_found"] == ("stiff", "")
    assert entries[3].changes["valve_serviced"] == ("2026-02", "2026-11-24")


def test_what_is_due_comes_earliest_first(cylinders: Cylinders) -> None:
    found = [(record.serial, due.what, due.on) for record, due in cylinders.due(60)]
    assert found == [
        ("TH-0049", "visual inspection", "2024-08-31"),
        ("TH-0048", "valve service", "2026-09-30"),
    ]


def test_the_checklist_follows_the_valve(cylinders: Cylinders) -> None:
    assert "spindle-packing" in cylinders.checklist(cylinders.record("TH-0047"))
    assert "seat" in cylinders.checklist(cylinders.record("TH-0042"))


def test_oxygen_needs_a_clean_cylinder_at_the_counter_too(cylinders: Cylinders) -> None:
    record = cylinders.record("TH-0041")
    assert cylinders.verdict(record).level is Level.FILL
    assert cylinders.verdict(record, GasMix(o2=0.32)).level is Level.REFUSE
