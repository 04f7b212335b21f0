"""A fill's dossier: every question of an inspector has its place, and what nobody recorded is said plainly."""

import json
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.core.events import (
    AlarmState,
    ClockStepped,
    FillAnalysed,
    FillIdentified,
    FindingMade,
    Lamp,
    LampChanged,
    Prompt,
    PromptChanged,
    Quantity,
    ServiceChanged,
    ZeroChecked,
    ZeroVerdict,
)
from fillguard.core.fitness.release import Analysis
from fillguard.core.fitness.verdict import Level, Reason, Verdict
from fillguard.ledger import store
from fillguard.ledger.chain import Anchor, Finding, verify
from fillguard.ledger.chunks import Pruner
from fillguard.ledger.recorder import Recorder
from fillguard.ledger.register import add_to_register
from fillguard.ports import Attempt, AuditEntry, ConfigInForce, CylinderRecorded
from tests.ledger_facts import (
    CYLINDER,
    FILL,
    T0,
    alarm,
    at,
    ended,
    notice,
    pack_all,
    projected,
    reading,
    record,
    started,
    step,
    tick,
    writer,
)

CONFIG = Path(__file__).parents[2] / "config"
VERDICT = Verdict(
    level=Level.CARE,
    profile="eu",
    day="2026-11-24",
    reasons=(Reason(code="test-due", level=Level.CARE, text="Its test is due in 12 days."),),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station at which something of everything was recorded around one fill."""
    folder = tmp_path_factory.mktemp("dossier") / "config"
    shutil.copytree(CONFIG, folder)
    path = folder / "ledger.sqlite3"
    registered = CylinderRecorded(
        at=at(-1000),
        by="tech-1",
        why="bought",
        key="TH-0042",
        serial="TH-0042",
        columns={"serial": "TH-0042", "last_test": "2024-06"},
    )
    checked = AuditEntry(
        at=at(-950),
        who="tech-2",
        action="sensor-checked",
        subject="PT-17",
        detail="monthly",
        data={"columns": {"id": "PT-17", "place": "1"}, "pairs": [[100.0, 100.4]], "reference": "REF-5"},
    )
    add_to_register(path, "tern", at(-1000), (), audit=checked)
    sensor = AuditEntry(
        at=at(-900),
        who="tech-1",
        action="sensor-calibrated",
        subject="PT-17",
        detail="yearly",
        data={"columns": {"id": "PT-17", "place": "1", "certificate": "C-881", "due": "2027-03-01"}},
    )
    add_to_register(path, "tern", at(-1000), [registered], audit=sensor)
    fill_around_which_things_happened(path)
    return folder


@pytest.fixture
def config(made: Path, tmp_path: Path) -> Path:
    """A copy, to do anything to."""
    return Path(shutil.copytree(made, tmp_path / "config"))


@pytest.fixture(scope="module")
def told(made: Path) -> dict[str, object]:
    return document(made)


def fill_around_which_things_happened(path: Path) -> None:
    ledger = writer(path)
    text = json.dumps({"whip": [{"id": "1", "max_working_bar": 350.0, "safety_valve_bar": 330.0}]})
    ledger.put_config(ConfigInForce(at=at(-50), config_hash="c0ffee", text=text, who="tech-1", why="new whip"))
    ledger.put_audit(
        AuditEntry(
            at=at(-50), who="fillguard", action="started", detail="0.1.0", data={"version": "0.1.0", "code": "abc"}
        )
    )
    zero = ZeroChecked(
        stamp=at(-600),
        whip="1",
        fill_id=None,
        zero_gauge_pa=25_000.0,
        range_pa=35e6,
        drift_pa=None,
        judged=ZeroVerdict.GOOD,
        text="The gauge of whip 1 reads +0.25 bar when bled.",
    )
    ledger.put(step(tick(-600), zero))
    change = alarm(30)
    ledger.put(step(reading(0, 40), replace(started(), verdict=VERDICT)))
    for second in (*range(1, 30), *range(45, 60)):
        ledger.put(step(reading(second, 40 + second), projected(second, 40 + second)))
        air = {"whip": None, "quantity": Quantity.AMBIENT, "source": "fill/tern/ambient"}
        ledger.put(step(reading(second + 0.1, 0, value=293.15, **air)))
    ledger.put(step(tick(20), PromptChanged(stamp=at(20), whip="1", fill_id=FILL, prompt=Prompt.GET_READY)))
    identified = FillIdentified(
        stamp=at(25),
        fill_id=FILL,
        whip="1",
        serial="TH-0042",
        operator="op-2",
        cylinder=CYLINDER,
        limit_gauge_pa=200e5,
        reference_k=294.25,
        target_gauge_pa=200e5,
    )
    ledger.put(step(tick(25), identified))
    ledger.put(step(tick(30), change, LampChanged(stamp=at(30), whip="1", lamp=Lamp.STOP), owed=(notice(change),)))
    attempt = Attempt(
        outbox_id=0,
        channel="shop-phone",
        occurrence=change.occurrence,
        kind="raise",
        repeat=0,
        started_utc_s=T0 + 31,
    )
    ledger.put_attempt(attempt)
    ledger.put_attempt(replace(attempt, elapsed_s=0.5, result="delivered"))
    acknowledged = replace(change, stamp=at(33), old=AlarmState.UNACKNOWLEDGED, new=AlarmState.ACKNOWLEDGED, by="op-2")
    ledger.put(step(tick(33), acknowledged))
    ledger.put(step(tick(40), alarm(40, 1, alarm="overfill", priority=1)))
    finding = FindingMade(
        stamp=at(41), whip="1", fill_id=FILL, finding="valve-not-open", confidence=0.8, text="It springs back."
    )
    ledger.put(step(tick(41), finding))
    ledger.put(step(ClockStepped(stamp=at(42), by_s=1.5)))
    ledger.put(step(ServiceChanged(stamp=at(43), service="broker", ok=False, detail="no answer")))
    ledger.put(step(tick(61), ended(61, operator="op-2", verdict=VERDICT)))
    for who, kind, about, text, until, more in (
        ("tech-1", "hose", "2", "of another whip", "2027-01-31", {}),
        ("tech-1", "hose", "1", "new, 400 bar", "2029-03-31", {}),
        ("tech-1", "air-test", "", "passed", "2027-02-28", {"certificate": "A-17"}),
    ):
        data = {"kind": kind, "about": about, "next_on": until, **more}
        ledger.put_audit(AuditEntry(at=at(50), who=who, action="station-log", detail=text, subject=kind, data=data))
    analysis = Analysis(o2=0.21, analyser="A-3", by="op-2", utc_s=T0 + 500)
    ledger.put(step(FillAnalysed(stamp=at(500), fill_id=FILL, analysis=analysis)))
    assert ledger.stop(10.0) == 0


def run(config: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["fills", *words, "--config", str(config)], env={"COLUMNS": "200"})


def document(config: Path) -> dict[str, object]:
    result = run(config, "dossier", FILL, "--json")
    assert result.exit_code == Exit.OK, result.output
    return dict(json.loads(result.stdout))


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        (("fill", "started"), "2026-11-24T22:09:45Z"),
        (("fill", "close bar gauge"), 221.5),
        (("fill", "corrections"), "none"),
        (("software", "version"), "0.1.0"),
        (("software", "configuration"), "c0ffee"),
        (("software", "put in force by"), "tech-1"),
        (("software", "learned values"), "as shipped"),
        (("sensors", "registered", 0, "sensor"), "PT-17"),
        (("sensors", "registered", 0, "certificate"), "C-881"),
        (("sensors", "registered", 0, "low"), None),
        (("sensors", "registered", 0, "last check", "certificate of the reference"), "REF-5"),
        (("sensors", "registered", 0, "last check", "pairs (reference, sensor)", 0), [100.0, 100.4]),
        (("sensors", "last zero check of the whip", "zero bar gauge"), 0.25),
        (("sensors", "last zero check of the whip", "judged"), "good"),
        (("whip and hose", "safety_valve_bar"), 330.0),
        (("whip and hose", "hose", "text"), "new, 400 bar"),
        (("whip and hose", "hose", "in date until"), "2029-03-31"),
        (("whip and hose", "needle"), None),
        (("supply", "air-test", "certificate"), "A-17"),
        (("supply", "filter"), None),
        (("cylinder", "as registered then", "last_test"), "2024-06"),
        (("cylinder", "entered by"), "tech-1 on 2026-11-24T21:53:05Z: bought"),
        (("cylinder", "verdict", "reasons", 0), "fill with care: Its test is due in 12 days."),
        (("cylinder", "verdict", "overridden by"), "nobody"),
        (("people", "operator at start"), "op-1"),
        (("people", "operator at close"), "op-2"),
        (("people", "released by"), None),
        (("surroundings", "ambient"), "20 to 20, median 20 degrees C, 44 readings"),
        (("surroundings", "bath"), None),
        (("limit", "changed", 0, "by"), "op-2"),
        (("limit", "changed", 0, "limit bar gauge"), 200.0),
        (("stages",), "one: it was filled at once"),
        (("prompts", 0, "prompt"), "get-ready"),
        (("alarms", 0, "acted on by"), "op-2 at 2026-11-24T22:10:18Z"),
        (("alarms", 0, "channels", 0), "shop-phone: the raise was delivered at 2026-11-24T22:10:16Z"),
        (("alarms", 1, "channels"), "none was to get it"),
        (("alarms", 1, "seen"), "nobody is on record as having seen it"),
        (("lamp", 0), "2026-11-24T22:10:15Z stop"),
        (("findings", 0, "finding"), "valve-not-open"),
        (("analysis and release", "analyses", 0, "analyser"), "A-3"),
        (("analysis and release", "releases"), None),
        (("quality", "gaps in the pressure", 0), "2026-11-24T22:10:13Z: 16.0 s"),
        (("quality", "services that failed or came back", 0), "2026-11-24T22:10:28Z broker: FAILS, no answer"),
        (("clock", "moved meanwhile", 0), "2026-11-24T22:10:27Z: by +1.5 s"),
        (("raw data", "there", "fill/tern/1/pressure"), "44 readings, rows 2 to 88"),
        (("raw data", "packed in"), "none yet"),
    ],
    ids=lambda value: " / ".join(map(str, value)) if isinstance(value, tuple) else "",
)
def test_every_question_has_its_place(told: dict[str, object], place: tuple[object, ...], expected: object) -> None:
    found: object = told
    for step_ in place:
        found = found[step_]  # type: ignore[index]
    assert found == expected


def test_what_is_not_recorded_is_said_plainly_in_the_text(config: Path) -> None:
    text = run(config, "dossier", FILL).stdout
    assert "filter: not recorded" in text
    assert "released by: not recorded" in text
    assert "seen: nobody is on record as having seen it" in text
    assert "shown on boards: not recorded: no board reported that it was connected" in text


def test_its_proof_is_the_ledger_s_own(config: Path) -> None:
    proof = document(config)["proof"]
    assert isinstance(proof, dict)
    head = Anchor.parse(proof["head after the last of them"])
    assert verify(config / "ledger.sqlite3", head).finding is Finding.INTACT, "the analysis came last"
    assert proof["to verify"] == f"fillguard ledger verify --anchor {head}"
    assert {row["table"] for row in proof["rows"]} == {"opened", "event", "alarm", "fill"}


def test_packed_and_pruned_readings_are_named_with_their_hash(config: Path) -> None:
    path = config / "ledger.sqlite3"
    record(path, step(reading(300_000, 0)), step(reading(300_001, 0, whip="2")))
    with closing(store.connect(path)) as connection:
        pack_all(connection, days=9.0)
    raw = document(config)["raw data"]
    assert isinstance(raw, dict)
    assert raw["of them not packed yet"] == 0
    assert {each["stream"] for each in raw["packed in"]} == {"reading", "projection"}
    assert all(len(each["sha256"]) == 64 and each["content"] == "there" for each in raw["packed in"])
    with closing(store.connect(path)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        pruner, recorder = Pruner(after_s=86_400.0), Recorder(connection)
        while pruner.turn(connection, recorder, at(20 * 86_400.0)):
            pass
        connection.execute("COMMIT")
    raw = document(config)["raw data"]
    assert isinstance(raw, dict)
    assert raw["there"] == "none"
    gone = [each["content"] for each in raw["packed in"] if each["stream"] == "reading"]
    assert set(gone) == {"pruned on 2026-12-14T22:09:45Z by raw_retention_days = 1"}


def test_an_open_fill_has_a_dossier_too_and_an_unknown_one_none(config: Path) -> None:
    record(config / "ledger.sqlite3", step(reading(900, 40), started(900, fill_id="tern-1-open")))
    said = json.loads(run(config, "dossier", "tern-1-open", "--json").stdout)
    assert (said["fill"]["outcome"], said["fill"]["ended"]) == ("open", None)
    unknown = run(config, "dossier", "tern-1-none")
    assert unknown.exit_code == Exit.FAILED
    assert "is not on record" in unknown.stderr
