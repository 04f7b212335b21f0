"""The mirror against real servers: every row arrives, once, with its value, whatever happens on the way."""

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.core.events import Quality, Quantity, Reading
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.outlets import influx
from fillguard.outlets.lines import reading_line
from fillguard.ports import StepRecord
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, T0, Token, projected, reading, started, step, tick
from tests.mirror_fakes import PATIENCE_S, TOKEN, Bench, FakeRows, Progress, reading_row, target
from tests.servers import Influxd, InfluxShim, Said, StubHttp, VictoriaMetrics

pytestmark = pytest.mark.servers

PAST_S = 1_700_000_000.0 - T0
"""Servers drop what lies in their future: the tests' day is moved there from wherever the calendar is."""


def past(reading: Reading) -> Reading:
    return replace(reading, sample_s=round(reading.sample_s + PAST_S, 3))


SERIALS = ("TH-0042", "TH 0042", "a,b=c", 'quo"ted', "back\\slash\\", "Flasche-Ä", "new\nline", "'apostrophe'")


def season() -> list[StepRecord]:
    """Some hundred readings of every kind and quality under serials that nobody should give, and their projections."""
    records = []
    for number, serial in enumerate(SERIALS):
        begin, name = number * 100.0, f"fill {number}"
        began = started(begin, fill_id=name, serial=serial)
        records.append(step(tick(begin), replace(began, started_s=began.started_s + PAST_S)))
        for second in range(1, 31):
            at = begin + second
            told = projected(at, 40 + second, fill_id=name)
            told = replace(told, sample_s=round(told.sample_s + PAST_S, 3))
            records.append(step(past(reading(at, 40 + second / 10, seq=second, boot=serial)), told))
        wall = reading(begin + 40, 0, quantity=Quantity.WALL, value=301.27, source="fill/tern/1/wall")
        ambient = reading(begin + 41, 0, quantity=Quantity.AMBIENT, value=293.15, whip=None, source="fill/tern/ambient")
        bad = reading(begin + 42, 0, quality=Quality.BAD)
        records += [step(past(each)) for each in (wall, ambient, bad)]
    return records


Ledger = tuple[Path, SqliteLedgerWriter]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    path = tmp_path / "ledger.sqlite3"
    writer = SqliteLedgerWriter(path, OWNER, FakeClock())
    writer.start()
    yield path, writer
    assert writer.stop(PATIENCE_S) == 0


def follow(url: str, ledger: Ledger) -> Bench:
    path, writer = ledger
    return Bench(url, lambda: SqliteLedgerReader(path), progress=Progress(writer))


def recorded(path: Path) -> dict[tuple[str, int], list[float]]:
    """What must arrive: values by field and millisecond, from the ledger and by arithmetic of the test's own."""
    names = {"pressure": "pressure_bar", "wall": "wall_c", "ambient": "ambient_c"}
    told: dict[tuple[str, int], list[float]] = {}
    with SqliteLedgerReader(path) as reader:
        for row in reader.readings_after(0, 100_000):
            value = row.value / 1e5 if row.quantity == "pressure" else row.value - 273.15
            name = ("bad_" if row.quality == "bad" else "") + names[row.quantity]
            told.setdefault((name, round(row.sample_s * 1000)), []).append(value)
        for each in reader.projections_after(0, 100_000):
            at = round(each.sample_s * 1000)
            for name, value in (
                ("settled_bar", each.settled_gauge_pa / 1e5),
                ("settled_low_bar", each.settled_low_gauge_pa / 1e5),
                ("settled_high_bar", each.settled_high_gauge_pa / 1e5),
                ("rate_bar_min", each.rate_pa_s * 60 / 1e5),
                ("rate_error_bar_min", each.rate_error_pa_s * 60 / 1e5),
                ("gas_c", each.gas_k - 273.15),
                ("to_stop_s", each.seconds_to_stop),
            ):
                told.setdefault((name, at), []).append(value)
    return told


def stored_by_influxd(server: Influxd) -> dict[tuple[str, int], list[float]]:
    told: dict[tuple[str, int], list[float]] = {}
    for row in server.query("fills", "SELECT * FROM fill_sample"):
        for name, value in row.items():
            if isinstance(value, float | int) and name != "time":
                told.setdefault((name, row["time"]), []).append(float(value))
    return told


def stored_by_victoria(server: VictoriaMetrics) -> dict[tuple[str, int], list[float]]:
    told: dict[tuple[str, int], list[float]] = {}
    for series in server.exported():
        name = str(series["metric"]["__name__"]).removeprefix("fill_sample_")
        for at, value in zip(series["timestamps"], series["values"], strict=True):
            told.setdefault((name, at), []).append(float(value))
    return told


def same(arrived: dict[tuple[str, int], list[float]], expected: dict[tuple[str, int], list[float]]) -> bool:
    assert arrived.keys() == expected.keys()
    assert {key: sorted(values) for key, values in arrived.items()} == {
        key: pytest.approx(sorted(values)) for key, values in expected.items()
    }
    return True


def wait_until_sent(bench: Bench, path: Path) -> None:
    with SqliteLedgerReader(path) as reader:
        newest = {stream: reader.newest_row(stream) for stream in ("reading", "projection")}
    for stream, row in newest.items():
        bench.progress.wait_for(f"influx/{stream}", row)


def put(ledger: Ledger, records: list[StepRecord]) -> None:
    """Hand over, and wait until everything is on disk."""
    _, writer = ledger
    last = Token("last", [])
    for record in records:
        writer.put(record)
    writer.put(step(tick(0), ack=last))
    assert last.done.wait(PATIENCE_S)


@pytest.fixture
def influxd(tmp_path: Path) -> Iterator[Influxd]:
    folder = tmp_path / "influxd"
    folder.mkdir()
    with Influxd(folder) as server:
        server.create("fills")
        yield server


@pytest.mark.parametrize("batch", [5000, 37])
def test_influxd_has_every_row_with_its_value_and_tags(
    influxd: Influxd, ledger: Ledger, monkeypatch: pytest.MonkeyPatch, batch: int
) -> None:
    monkeypatch.setattr(influx, "BATCH_LINES", batch)
    put(ledger, season())
    with InfluxShim(influxd, TOKEN) as shim, follow(shim.url, ledger) as bench:
        wait_until_sent(bench, ledger[0])
    assert bench.mirror.lag == 0
    expected = recorded(ledger[0])
    assert same(stored_by_influxd(influxd), expected)
    assert sum(map(len, expected.values())) == len(SERIALS) * (30 * 8 + 3), "every point was counted"
    by_serial = influxd.query("fills", "SELECT count(settled_bar) FROM fill_sample GROUP BY serial")
    assert {row["serial"] for row in by_serial} == {
        "TH-0042",
        "TH 0042",
        "a,b=c",
        'quo"ted',
        "back/slash/",
        "Flasche-Ä",
        "new line",
        "'apostrophe'",
    }
    assert bench.health.told == []
    assert bench.pauses == []


def test_sending_everything_again_changes_nothing(influxd: Influxd, ledger: Ledger) -> None:
    put(ledger, season())
    with InfluxShim(influxd, TOKEN) as shim:
        for _ in range(2):
            with Bench(shim.url, lambda: ForgetfulReader(ledger[0])) as bench:  # as after a crash before the cursor
                wait_until_sent(bench, ledger[0])
    assert same(stored_by_influxd(influxd), recorded(ledger[0]))


class ForgetfulReader(SqliteLedgerReader):
    """A ledger whose cursors were never written."""

    def cursor(self, name: str) -> int:  # noqa: ARG002 - it has forgotten
        return 0


def test_a_server_that_is_killed_and_comes_back_ends_up_with_everything(influxd: Influxd, ledger: Ledger) -> None:
    first, second = season()[:120], season()[120:]
    put(ledger, first)
    with InfluxShim(influxd, TOKEN) as shim, follow(shim.url, ledger) as bench:
        wait_until_sent(bench, ledger[0])
        influxd.kill()
        put(ledger, second)
        assert bench.health.down.wait(PATIENCE_S)
        bench.wait_for_pauses(3)
        influxd.start()
        wait_until_sent(bench, ledger[0])
        assert bench.health.up.wait(PATIENCE_S)
    assert same(stored_by_influxd(influxd), recorded(ledger[0]))
    with SqliteLedgerReader(ledger[0]) as reader:
        assert bench.progress.cursors["influx/reading"] == reader.newest_row("reading")


def test_rows_that_the_real_server_refuses_are_set_aside_and_all_others_arrive(
    influxd: Influxd, ledger: Ledger
) -> None:
    """Somebody stored `wall_c` as text before: from then on the server refuses numbers under that name."""
    put(ledger, season())
    with InfluxShim(influxd, TOKEN) as shim:
        with closing(influx.InfluxLines(target(shim.url), FakeClock())) as lines:
            assert lines.write(['fill_sample,station=x wall_c="hot" 1700000000000']).stored
        with follow(shim.url, ledger) as bench:
            wait_until_sent(bench, ledger[0])
    expected = recorded(ledger[0])
    walls = {key for key in expected if key[0] == "wall_c"}
    assert same(stored_by_influxd(influxd), {key: values for key, values in expected.items() if key not in walls})
    with SqliteLedgerReader(ledger[0]) as reader:
        refused = {row.row for row in reader.readings_after(0, 100_000) if row.quantity == "wall"}
    aside = {row for each in bench.progress.quarantined for row in range(each.first_row, each.last_row + 1)}
    assert aside == refused
    assert all("field type conflict" in each.reason for each in bench.progress.quarantined)
    assert not bench.health.told[0][0]


def test_victoria_metrics_has_every_row_with_its_value(tmp_path: Path, ledger: Ledger) -> None:
    folder = tmp_path / "victoria"
    folder.mkdir()
    put(ledger, season())
    with VictoriaMetrics(folder) as server, follow(server.url, ledger) as bench:
        wait_until_sent(bench, ledger[0])
        assert same(stored_by_victoria(server), recorded(ledger[0]))
        server.stop()
        put(ledger, [step(past(reading(9000 + second, 44))) for second in range(20)])
        assert bench.health.down.wait(PATIENCE_S)
        server.start()
        wait_until_sent(bench, ledger[0])
        assert same(stored_by_victoria(server), recorded(ledger[0]))


# --- a server that misbehaves on purpose -----------------------------------------------------------------------------

OK = Said(204)
INVALID = b'{"code":"invalid","message":"unable to parse: poison"}'


def one_after_another(*answers: Said | None) -> Callable[..., Said | None]:
    """These answers, and 204 from then on."""
    left = list(answers)
    return lambda *_: left.pop(0) if left else OK


@pytest.mark.parametrize(
    ("answer", "pause_s", "says"),
    [
        (Said(429, headers=(("Retry-After", "17"),)), 17.0, "429"),
        (Said(503, headers=(("Retry-After", "90"),)), 90.0, "503"),
        (Said(503, headers=(("Retry-After", "Tue, 24 Nov 2026 22:10:30 GMT"),)), 45.0, "503"),
        (Said(503, headers=(("Retry-After", "whenever"),)), 1.0, "503"),
        (Said(429, headers=(("Retry-After", "999999"),)), 3600.0, "429"),
        (Said(500), 1.0, "500"),
        (Said(401, b'{"code":"unauthorized","message":"unauthorized access"}'), 1.0, "401 unauthorized access"),
        (
            Said(404, b'{"code":"not found","message":"bucket \\"fills\\" not found"}'),
            1.0,
            '404 bucket "fills" not found',
        ),
        (Said(302, headers=(("Location", "http://127.0.0.1:9/"),)), 1.0, "302"),
        (Said(200, b"<html>log in first</html>"), 1.0, "no write server"),
    ],
    ids=lambda value: f"{value.status} {dict(value.headers)}" if isinstance(value, Said) else "",
)
def test_what_is_not_the_lines_fault_is_tried_again_with_the_same_lines(
    answer: Said, pause_s: float, says: str
) -> None:
    rows = FakeRows([reading_row(number) for number in range(1, 4)])
    with StubHttp(one_after_another(answer, answer)) as server, Bench(server.url, rows) as bench:
        bench.progress.wait_for("influx/reading", 3)
        assert bench.health.up.wait(PATIENCE_S)
    assert len(server.bodies) == 3
    assert server.bodies[0] == server.bodies[1] == server.bodies[2]
    assert bench.pauses == [pause_s, max(2.0, pause_s)]
    assert bench.progress.quarantined == []
    assert [ok for ok, _ in bench.health.told] == [False, True]
    assert says in bench.health.told[0][1]
    assert TOKEN not in str(bench.health.told)


def test_a_server_that_takes_only_small_bodies_gets_small_ones() -> None:
    def answer(_path: str, _headers: object, body: bytes) -> Said:
        return Said(413) if body.count(b"\n") >= 100 else OK

    rows = FakeRows([reading_row(number) for number in range(1, 1001)])
    with StubHttp(answer) as server, Bench(server.url, rows) as bench:
        bench.progress.wait_for("influx/reading", 1000)
    stored = [line for body in server.bodies if body.count(b"\n") < 100 for line in body.splitlines()]
    assert len(stored) == len(set(stored)) == 1000
    assert bench.progress.quarantined == []


def test_one_poisoned_line_is_found_among_thousands() -> None:
    def answer(_path: str, _headers: object, body: bytes) -> Said:
        return Said(400, INVALID, (("Content-Type", "application/json"),)) if b"poison" in body else OK

    rows = [reading_row(number, serial="poison" if number == 1234 else "TH-0042") for number in range(1, 5001)]
    with StubHttp(answer) as server, Bench(server.url, FakeRows(rows)) as bench:
        bench.progress.wait_for("influx/reading", 5000)
    (aside,) = bench.progress.quarantined
    assert (aside.first_row, aside.last_row, aside.status) == (1234, 1234, 400)
    assert aside.reason == "400 unable to parse: poison"
    stored = [line for body in server.bodies if b"poison" not in body for line in body.splitlines()]
    assert len(stored) == len(set(stored)) == 4999


def test_a_server_that_never_answers_is_left_after_its_deadline() -> None:
    rows = FakeRows([reading_row(1)])
    with StubHttp(one_after_another(None)) as server:

        def impatient(target: influx.Target, clock: object) -> influx.InfluxLines:
            return influx.InfluxLines(target, clock, answer_ms=200)

        with Bench(server.url, rows, open_lines=impatient) as bench:
            bench.progress.wait_for("influx/reading", 1)
            assert bench.health.up.wait(PATIENCE_S)
    assert "ReadTimeoutError" in bench.health.told[0][1]
    assert len(server.bodies) == 2


def test_nobody_there_is_no_end() -> None:
    with StubHttp(one_after_another()) as server:
        url = server.url
    with Bench(url, FakeRows([reading_row(1)])) as bench:
        bench.wait_for_pauses(3)
        assert not bench.health.told[0][0]
        assert bench.mirror.lag == 1


def test_the_request_is_the_documented_one() -> None:
    asked: list[tuple[str, object]] = []

    def answer(path: str, headers: object, _body: bytes) -> Said:
        asked.append((path, headers))
        return OK

    with StubHttp(answer) as server, Bench(server.url, FakeRows([reading_row(1)])) as bench:
        bench.progress.wait_for("influx/reading", 1)
    ((path, headers),) = asked
    assert path == "/api/v2/write?org=harbour&bucket=fills&precision=ms"
    assert (headers["Authorization"], headers["Content-Type"]) == (f"Token {TOKEN}", "text/plain")
    assert server.bodies == [reading_line("tern", reading_row(1)).encode()]
