"""The register of sensors: who hangs where since when, what replaced it, whether its calibration still counts."""

from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.app.calibrations import Calibrations
from fillguard.app.sensors import Sensors
from fillguard.cli.commands import app
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import AlarmChanged, AlarmState, ServiceChanged, Tick, ZeroChecked, ZeroVerdict
from fillguard.core.station import StationState, step
from fillguard.ledger.register import add_to_register
from fillguard.ledger.sensors import SensorReader
from fillguard.ports import StepRecord
from fillguard.settings import ConfigurationProblems, load_settings
from tests.fakes import FakeClock
from tests.panel import real_rules, stamp
from tests.shops import STATION

GAUGE = {
    "id": "P-4711",
    "quantity": "pressure",
    "place": "1",
    "low": "0",
    "high": "400",
    "unit": "bar",
    "class_percent": "0.5",
    "certificate": "C-2026-113",
    "calibrated": "2026-10-01",
    "due": "2026-11-23",
}
"""The tests' clock stands at 2026-11-24."""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    return tmp_path


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def sensors(config: Path, clock: FakeClock) -> Sensors:
    return Sensors(load_settings(config, {}), clock.now())


def run(config: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["sensors", *arguments, "--config", str(config)])
    return result.exit_code, result.output


def test_a_replaced_sensor_becomes_a_spare_and_keeps_its_history(config: Path, clock: FakeClock) -> None:
    sensors(config, clock).add(GAUGE, by="op-1", why="new panel")
    clock.advance(86_400.0)
    sensors(config, clock).add({**GAUGE, "id": "P-4712", "due": "2027-10-01"}, by="op-2", why="the old one drifts")

    listed = {each.sensor.id: (each.sensor.place, each.since[:10]) for each in sensors(config, clock).listed()}
    assert listed == {"P-4712": ("1", "2026-11-25"), "P-4711": ("spare", "2026-11-25")}
    old = [(row.act, row.by, row.why, row.columns["place"]) for _, row in sensors(config, clock).history("P-4711")]
    assert old == [("added", "op-1", "new panel", "1"), ("moved", "op-2", "replaced by P-4712", "spare")]


def test_the_record_of_a_fill_names_the_sensors_as_they_were_then(config: Path, clock: FakeClock) -> None:
    sensors(config, clock).add(GAUGE, by="op-1", why="new panel")
    room = {"id": "T-1", "quantity": "ambient", "place": "station", "low": "-20", "high": "60", "unit": "Cel"}
    sensors(config, clock).add(room, by="op-1", why="new panel")
    then = clock.now().utc_s
    clock.advance(3600.0)
    sensors(config, clock).calibrate("P-4711", "C-2026-200", "2026-11-24", "2027-11-24", by="op-2", why="yearly")
    sensors(config, clock).move("P-4711", "2", by="op-2", why="swapped")

    with SensorReader(config / "ledger.sqlite3") as reader:
        before = {row.sensor: row.columns.get("certificate") for row in reader.of_whip("1", then)}
        after = {row.sensor: row.columns.get("certificate") for row in reader.of_whip("2", clock.now().utc_s)}
        assert [row.sensor for row in reader.of_whip("1", clock.now().utc_s)] == ["T-1"]
    assert before == {"P-4711": "C-2026-113", "T-1": None}
    assert after == {"P-4711": "C-2026-200", "T-1": None}


def test_two_sensors_of_the_station_do_not_replace_each_other(config: Path, clock: FakeClock) -> None:
    bank = {"id": "B-1", "quantity": "supply", "place": "station", "low": "0", "high": "400", "unit": "bar"}
    sensors(config, clock).add(bank, by="op-1", why="new")
    sensors(config, clock).add({**bank, "id": "B-2"}, by="op-1", why="new")
    assert {each.sensor.place for each in sensors(config, clock).listed()} == {"station"}


def test_a_check_against_a_certified_gauge_is_recorded_with_pairs_certificate_and_name(
    config: Path, clock: FakeClock
) -> None:
    sensors(config, clock).add(GAUGE, by="op-1", why="new")
    done = sensors(config, clock).check("P-4711", ((0.0, 0.4), (200.0, 201.0)), "G-88", by="op-2", why="monthly")
    assert done.worst_percent == pytest.approx(0.25)
    assert done.within_class is True
    off = sensors(config, clock).check("P-4711", ((200.0, 204.0),), "G-88", by="op-2", why="monthly")
    assert off.within_class is False
    last = sensors(config, clock).history("P-4711")[-1][1]
    assert (last.act, last.by, last.reference, last.pairs) == ("checked", "op-2", "G-88", ((200.0, 204.0),))
    assert sensors(config, clock).listed()[0].sensor.place == "1", "a check changes nothing"


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ({"quantity": "presure"}, 'quantity = "presure": allowed: pressure, wall'),
        ({"place": "9"}, 'place = "9": allowed: the id of a whip (1, 2), or station, spare, retired'),
        ({"low": "500"}, 'high = "400": the range ends (400) where it begins (500) or below'),
        ({"high": "400 bar"}, "allowed: a number with a decimal point"),
        ({"high": "nan"}, "allowed: a number with a decimal point"),
        ({"unit": "Cel"}, 'unit = "Cel": allowed: Pa, Pag'),
        ({"due": "2026-09-01"}, "is due on 2026-09-01 and was calibrated on 2026-10-01"),
        ({"due": "next year"}, "allowed: a day such as 2026-11-25"),
        ({"id": ""}, "allowed: 1 to 64 printable characters"),
        ({"colour": "red"}, "unknown column"),
    ],
)
def test_what_a_column_cannot_hold_is_told_and_nothing_entered(
    config: Path, clock: FakeClock, cells: dict[str, str], told: str
) -> None:
    with pytest.raises(ConfigurationProblems) as refused:
        sensors(config, clock).add({**GAUGE, **cells}, by="op-1", why="new")
    assert told in str(refused.value)
    assert sensors(config, clock).listed() == []


def test_an_unknown_sensor_and_one_entered_twice_are_refused(config: Path, clock: FakeClock) -> None:
    with pytest.raises(ConfigurationError, match="there is no sensor 'P-1'"):
        sensors(config, clock).move("P-1", "2", by="op-1", why="x")
    sensors(config, clock).add(GAUGE, by="op-1", why="new")
    with pytest.raises(ConfigurationError, match="in the register already"):
        sensors(config, clock).add(GAUGE, by="op-1", why="new")
    with pytest.raises(ConfigurationError, match="reads from 0 to 400 bar"):
        sensors(config, clock).check("P-4711", ((2900.0, 2901.0),), "G-88", by="op-1", why="in psi by mistake")


def test_a_file_goes_in_whole_or_not_at_all_and_comes_out_the_same(config: Path, clock: FakeClock) -> None:
    file = config / "in.csv"
    head = "id,quantity,place,low,high,unit\r\n"
    file.write_text(f"{head}P-1,pressure,1,0,400,bar\r\nP-2,pressure,1,0,400,bar\r\n", encoding="utf-8")
    with pytest.raises(ConfigurationProblems, match="P-1 measures pressure there already"):
        sensors(config, clock).import_file(file, by="op-1", why="import")
    file.write_text(f"{head}P-1,pressure,1,0,400,bar\r\nP-2,pressure,2,0,400,bar\r\n", encoding="utf-8")
    assert sensors(config, clock).import_file(file, by="op-1", why="import") == 2
    out = config / "out.csv"
    assert sensors(config, clock).export_file(out) == 2
    assert sensors(config, clock).import_file(out, by="op-1", why="again") == 0
    assert [len(sensors(config, clock).history(name)) for name in ("P-1", "P-2")] == [1, 1]


# Calibration due ------------------------------------------------------------------------------------------------------


def test_an_overdue_calibration_is_told_once_and_its_end_once(config: Path, clock: FakeClock) -> None:
    sensors(config, clock).add(GAUGE, by="op-1", why="new")
    sensors(config, clock).add({**GAUGE, "id": "P-9", "place": "spare"}, by="op-1", why="in a drawer")
    told: list[tuple[str, bool]] = []
    watch = Calibrations(
        load_settings(config, {}), clock=clock, tell=lambda service, _, *, ok: told.append((service, ok))
    )
    watch.look()
    watch.look()
    assert told == [("calibration:P-4711", False)]
    sensors(config, clock).calibrate("P-4711", "C-2", "2026-11-25", "2027-11-25", by="op-2", why="done")
    watch.look()
    watch.look()
    assert told == [("calibration:P-4711", False), ("calibration:P-4711", True)]


def test_an_overdue_calibration_is_an_alarm_of_priority_3() -> None:
    detail = "the calibration of pressure sensor P-4711 (1) was due on 2026-11-24"
    overdue = ServiceChanged(stamp=stamp(0), service="calibration:P-4711", ok=False, detail=detail)
    state, facts = step(StationState(), overdue, real_rules())
    (raised,) = facts
    assert isinstance(raised, AlarmChanged)
    assert (raised.alarm, raised.priority, raised.new) == ("calibration-due", 3, AlarmState.UNACKNOWLEDGED)
    assert "was due on 2026-11-24" in raised.cause
    done = ServiceChanged(stamp=stamp(60), service="calibration:P-4711", ok=True, detail="calibrated")
    _, facts = step(state, done, real_rules())
    (returned,) = facts
    assert isinstance(returned, AlarmChanged)
    assert returned.is_return


# From the command line ----------------------------------------------------------------------------------------------


def test_the_commands_enter_check_move_and_look_back(config: Path) -> None:
    enter = ("--quantity", "pressure", "--to", "1", "--range", "0..400", "--unit", "bar", "--class", "0.5")
    assert run(config, "add", "P-4711", *enter, "--due", "2020-01-01", "--by", "op-1") == (
        0,
        "P-4711 is entered: pressure at 1\n",
    )
    assert "OVERDUE" in run(config, "list", "--due")[1]
    code, said = run(config, "check", "P-4711", "--pair", "200=204", "--certificate", "G-88", "--by", "op-2")
    assert (code, "1.00 % of its range off, FURTHER OFF" in said) == (1, True)
    assert run(config, "move", "P-4711", "spare", "--by", "op-2", "--why", "off")[0] == 0
    assert run(config, "calibrate", "P-4711", "--certificate", "C-9", "--on", "2026-11-25", "--due", "2027-11-25",
               "--by", "op-2")[0] == 0  # fmt: skip
    assert run(config, "set", "P-4711", "note=shelf 2", "--by", "op-2", "--why", "tidied")[0] == 0
    told = run(config, "history", "P-4711")[1]
    for part in (
        "added",
        "checked",
        "against G-88: 200 = 204",
        "place: 1 -> spare",
        "certificate: - -> C-9",
        "shelf 2",
    ):
        assert part in told
    assert run(config, "list", "--due")[1] == "none\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ("add", "P-1", "--quantity", "pressure", "--to", "1", "--range", "400", "--unit", "bar", "--by", "op-1"),
        ("check", "P-1", "--pair", "200:204", "--certificate", "G", "--by", "op-1"),
        ("check", "P-1", "--pair", "2.0.0=204", "--certificate", "G", "--by", "op-1"),
        ("set", "P-1", "note", "--by", "op-1", "--why", "x"),
        ("move", "P-1", "2", "--by", "op-1", "--why", "x"),
        ("history", "P-1"),
    ],
)
def test_what_cannot_be_meant_ends_with_2_and_says_why(config: Path, arguments: tuple[str, ...]) -> None:
    code, said = run(config, *arguments)
    assert code == 2
    assert said.strip()


def test_the_history_of_a_gauge_holds_the_zero_checks_of_its_time_on_a_whip(config: Path, clock: FakeClock) -> None:
    def bled(zero_bar: float, whip: str = "1") -> None:
        clock.advance(60.0)
        checked = ZeroChecked(
            stamp=clock.now(),
            whip=whip,
            fill_id=None,
            zero_gauge_pa=zero_bar * 1e5,
            range_pa=350e5,
            drift_pa=None,
            judged=ZeroVerdict.GOOD,
            text=f"reads {zero_bar} bar",
        )
        record = StepRecord(cause=Tick(stamp=clock.now()), facts=(checked,))
        add_to_register(config / "ledger.sqlite3", "tern", clock.now(), [record])

    bled(0.1)
    clock.advance(60.0)
    sensors(config, clock).add(GAUGE, by="op-1", why="new")
    bled(0.2)
    bled(0.3, whip="2")
    clock.advance(60.0)
    sensors(config, clock).move("P-4711", "2", by="op-1", why="swapped")
    bled(0.4)
    bled(0.5, whip="2")
    assert [zero.zero_gauge_pa for _, zero in sensors(config, clock).zeros("P-4711")] == [20_000.0, 50_000.0]
    told = run(config, "history", "P-4711")[1]
    assert "+0.20 bar: reads 0.2 bar" in told
    assert "reads 0.4 bar" not in told
