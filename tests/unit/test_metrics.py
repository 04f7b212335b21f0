"""Numbers about the watch: the text format, what is counted, and that looking disturbs nobody."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from pathlib import Path

import pytest

from fillguard.app.canary import Canary
from fillguard.app.metering import STEP_BOUNDS_S, Meter, Parts, StepTimes, Tally
from fillguard.app.serving import looks
from fillguard.core.events import CanaryReturned, Quality, Quantity, Reading, ServiceChanged
from fillguard.core.station import StationState
from fillguard.ledger.census import CensusTaker
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.outlets.exposition import Sample, counter, exposition, gauge, histogram
from fillguard.outlets.web import Request
from fillguard.ports import Attempt, Quarantined
from tests import ledger_facts as facts
from tests.fakes import FakeClock
from tests.panel import Panel

# Prometheus, "Exposition formats", text format 0.0.4: a line is a comment, empty, or name{labels} value. The grammar is
# from memory; the output was read with the parser of the prometheus_client package as well.
LINE = re.compile(
    r'^[a-zA-Z_:][a-zA-Z0-9_:]*(\{[a-zA-Z_]\w*="(\\.|[^"\\\n])*"(,[a-zA-Z_]\w*="(\\.|[^"\\\n])*")*\})? '
    r"(NaN|[+-]Inf|-?\d+(\.\d+)?(e[+-]?\d+)?)$"
)


def parsed(text: bytes) -> dict[str, float]:
    """`name{labels}` -> value, each line checked."""
    found = {}
    for line in text.decode().splitlines():
        if not line.startswith("# "):
            assert LINE.match(line), line
            name, _, value = line.rpartition(" ")
            assert name not in found, f"{name} stands there twice"
            found[name] = float(value)
    return found


def test_the_text_is_as_the_format_asks() -> None:
    text = exposition(
        [
            counter("a_total", "Things\nwith \\.", Sample(3, {"x": 'say "no"\n\\'})),
            gauge("b", "One.", Sample(0.25), Sample(float("inf"), {"y": "1"}), Sample(float("nan"), {"y": "2"})),
            gauge("left_out", "Nothing is known of it."),
            histogram("h_seconds", "Times.", (0.1, 1.0), (2, 1, 1), 3.5),
        ]
    )
    assert text.decode().splitlines() == [
        "# HELP a_total Things with \\\\.",
        "# TYPE a_total counter",
        'a_total{x="say \\"no\\"\\n\\\\"} 3',
        "# HELP b One.",
        "# TYPE b gauge",
        "b 0.25",
        'b{y="1"} +Inf',
        'b{y="2"} NaN',
        "# HELP h_seconds Times.",
        "# TYPE h_seconds histogram",
        'h_seconds_bucket{le="0.1"} 2',
        'h_seconds_bucket{le="1"} 3',
        'h_seconds_bucket{le="+Inf"} 4',
        "h_seconds_sum 3.5",
        "h_seconds_count 4",
    ]
    assert len(parsed(text)) == 9


# --- A watch, as far as it is looked at --------------------------------------------------------------------------


@dataclass
class Station:
    """The parts that are asked, by hand."""

    ledger: Path
    clock: FakeClock = field(default_factory=FakeClock)
    state: StationState = field(default_factory=StationState)
    link_up: bool = True
    ledger_ok: bool = True
    lag: int | None = None
    now_s: float = 100.0

    def __post_init__(self) -> None:
        self.tally = Tally()
        self.steps = StepTimes(lambda: self.now_s)
        self.canary = Canary(
            station="tern",
            instance="me",
            publish=lambda _: None,
            monotonic=lambda: self.now_s,
            on_health=lambda *_: None,
        )
        self.parts = Parts(
            station="tern",
            drill=False,
            clock=self.clock,
            state=lambda: self.state,
            rules_hash=lambda: "abc",
            findings=lambda: {"leak": 1},
            rejected=lambda: [("pressure", "no-unit", 2)],
            missed=lambda: 4,
            dropped=lambda: 5,
            unsent=lambda: 6,
            queued=lambda: 7,
            unwritten=lambda: 8,
            link_up=lambda: self.link_up,
            ledger_ok=lambda: self.ledger_ok,
            mirror_lag=lambda: self.lag,
            open_census=lambda: CensusTaker(self.ledger),
            canary=self.canary,
        )
        self.meter = Meter(self.parts, self.tally, self.steps)

    def numbers(self) -> dict[str, float]:
        return parsed(exposition(self.meter.families()))

    def page(self, path: str) -> tuple[HTTPStatus, str]:
        said = looks(self.parts, self.meter, self.steps)["GET", path](Request("GET", path))
        return said.status, said.body.decode()


@pytest.fixture
def station(tmp_path: Path) -> Station:
    path = tmp_path / "ledger.sqlite3"
    change = facts.alarm(20)
    ledger = facts.writer(path)
    ledger.put(facts.step(facts.tick(20), change, owed=(facts.notice(change), facts.notice(change, "mail"))))
    ledger.put_quarantined(
        Quarantined(at=facts.at(1), mirror="influx", stream="reading", first_row=3, last_row=7, status=400, reason="")
    )
    assert ledger.stop(facts.PATIENCE_S) == 0
    return Station(path)


def test_each_part_is_asked_for_its_numbers(station: Station) -> None:
    station.lag = 12
    numbers = station.numbers()
    expected: Mapping[str, float] = {
        'fillguard_rejected_total{kind="pressure",reason="no-unit"}': 2,
        "fillguard_missed_total": 4,
        "fillguard_dropped_total": 5,
        "fillguard_unsent_total": 6,
        "fillguard_intake_queue_depth": 7,
        "fillguard_ledger_queue_depth": 8,
        "fillguard_broker_connected": 1,
        "fillguard_ledger_healthy": 1,
        "fillguard_mirror_lag_rows": 12,
        "fillguard_mirror_quarantined_rows": 5,
        'fillguard_outbox_depth{channel="shop-phone"}': 1,
        'fillguard_outbox_depth{channel="mail"}': 1,
        'fillguard_configuration_info{hash="abc"}': 1,
        "fillguard_census_ok": 1,
    }
    assert {name: numbers.get(name) for name in expected} == expected


def test_the_page_tells_every_metric_with_kind_and_labels(station: Station) -> None:
    station.lag = 1
    station.tally.tell(
        Reading(stamp=facts.at(1), source="x", whip="1", quantity=Quantity.PRESSURE, value=1e5, sample_s=1.0), ()
    )
    station.tally.tell(ServiceChanged(stamp=facts.at(1), service="broker", ok=False, detail=""), (facts.alarm(1),))
    panel = Panel()
    panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29)
    station.state = panel.play().stepper.state
    station.canary.look()
    station.canary.tell(CanaryReturned(stamp=facts.at(1), instance="me", number=1), ())
    station.meter._tried["mail", "delivered"] += 1
    families = list(station.meter.families())
    made = {
        (family.name, family.kind, frozenset(label for sample in family.samples for label in sample.labels))
        for family in families
    }
    page = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "http.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(fillguard_\w+)` \| (\w+) \|([^|]*)\|", page, re.MULTILINE)
    assert {(name, kind, frozenset(re.findall(r"`(\w+)`", labels))) for name, kind, labels in rows} == made
    assert [name for name, *_ in rows] == [family.name for family in families], "in the order of the page"
    assert all(family.samples for family in families)


def test_what_happens_is_counted_by_what_it_is(station: Station) -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29).closes(for_s=30)
    story = panel.play()
    for happening in story.happenings:
        station.tally.tell(happening.cause, happening.facts)
    reading = Reading(
        stamp=facts.at(1), source="x", whip=None, quantity=Quantity.AMBIENT, value=293.0, sample_s=1.0,
        quality=Quality.UNCERTAIN,
    )  # fmt: skip
    station.tally.tell(reading, ())
    station.tally.tell(ServiceChanged(stamp=facts.at(1), service="unit:2", ok=False, detail=""), ())
    station.tally.tell(ServiceChanged(stamp=facts.at(1), service="unit:2", ok=True, detail=""), ())
    numbers = station.numbers()
    readings = sum(isinstance(happening.cause, Reading) for happening in story.happenings)
    assert numbers['fillguard_readings_total{whip="1",quantity="pressure",quality="good"}'] == readings
    assert numbers['fillguard_readings_total{whip="",quantity="ambient",quality="uncertain"}'] == 1
    assert numbers['fillguard_alarms_raised_total{alarm="overfill",priority="1"}'] == 1
    assert numbers['fillguard_findings_total{finding="leak"}'] == 1
    assert numbers['fillguard_failures_total{service="unit"}'] == 1


def test_alarms_and_ages_are_read_from_the_newest_snapshot(station: Station) -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29)
    station.state = panel.play().stepper.state
    heard_s = station.state.whips["1"].gauge.arrived_mono_s
    assert heard_s is not None
    station.clock.mono_s = heard_s + 2.5
    numbers = station.numbers()
    assert numbers['fillguard_sample_age_seconds{whip="1"}'] == pytest.approx(2.5)
    assert numbers["fillguard_open_fills"] == 1
    key = 'fillguard_alarms{whip="1",alarm="overfill",state="unacknowledged",priority="1"}'
    assert numbers[key] == 1
    assert not [name for name in numbers if 'state="normal"' in name]


def test_step_times_fall_into_their_buckets(station: Station) -> None:
    for took_s in (0.00005, STEP_BOUNDS_S[3], 0.3, 7.0):
        finished = station.steps.begin()
        station.now_s += took_s
        finished()
    numbers = station.numbers()
    assert numbers['fillguard_step_seconds_bucket{le="0.0001"}'] == 1
    assert numbers['fillguard_step_seconds_bucket{le="2.5"}'] == 3
    assert numbers['fillguard_step_seconds_bucket{le="+Inf"}'] == numbers["fillguard_step_seconds_count"] == 4
    assert numbers["fillguard_step_seconds_sum"] == pytest.approx(7.3, abs=0.01)


def test_results_of_tries_count_from_the_start_and_once(station: Station, tmp_path: Path) -> None:
    station.meter.begin()
    assert not [name for name in station.numbers() if name.startswith("fillguard_notices_total")]
    path = tmp_path / "ledger.sqlite3"
    with SqliteLedgerReader(path) as reader:
        (owed,) = reader.due_notices("shop-phone", facts.T0 + 1e6, 1)
    started = Attempt(
        outbox_id=owed.outbox_id,
        channel=owed.channel,
        occurrence=owed.occurrence,
        kind=owed.kind,
        repeat=0,
        started_utc_s=facts.T0 + 30.0,
    )
    ledger = facts.writer(path)
    ledger.put_attempt(started)
    ledger.put_attempt(replace(started, elapsed_s=0.2, result="delivered"))
    assert ledger.stop(facts.PATIENCE_S) == 0
    key = 'fillguard_notices_total{channel="shop-phone",result="delivered"}'
    assert station.numbers()[key] == 1
    assert station.numbers()[key] == 1, "looking again counts nothing twice"


def test_a_ledger_that_cannot_be_read_hides_no_other_number(station: Station, tmp_path: Path) -> None:
    station.ledger = tmp_path / "gone.sqlite3"
    numbers = station.numbers()
    assert numbers["fillguard_census_ok"] == 0
    assert numbers["fillguard_intake_queue_depth"] == 7


# --- Alive, ready ----------------------------------------------------------------------------------------------------


def test_alive_is_an_engine_that_finishes_something(station: Station) -> None:
    assert station.page("/healthz") == (HTTPStatus.OK, "alive\n")
    station.now_s += 11.0
    status, text = station.page("/healthz")
    assert (status, text) == (HTTPStatus.SERVICE_UNAVAILABLE, "the engine has done nothing for 11 s\n")
    station.steps.begin()()
    assert station.page("/healthz")[0] is HTTPStatus.OK


def heard(station: Station, age_s: float = 1.0) -> None:
    """A gauge has spoken, and the watch has heard itself."""
    panel = Panel()
    panel.whip().reads(0.1)
    station.state = panel.play().stepper.state
    arrived = station.state.whips["1"].gauge.arrived_mono_s
    assert arrived is not None
    station.clock.mono_s = arrived + age_s
    station.canary._well = True


def test_ready_is_a_watch_that_would_see_and_record_a_fill(station: Station) -> None:
    heard(station)
    status, text = station.page("/readyz")
    assert status is HTTPStatus.OK
    assert text.splitlines() == [
        "ok: broker connected and subscribed",
        "ok: the watch hears itself",
        "ok: the ledger takes rows",
        "ok: the newest reading is 1.0 s old",
    ]


@pytest.mark.parametrize("missing", ["broker", "hears", "ledger", "newest", "nothing yet"])
def test_whatever_is_missing_is_named(station: Station, missing: str) -> None:
    if missing != "nothing yet":
        heard(station, age_s=61.0 if missing == "newest" else 1.0)
    station.link_up = missing != "broker"
    station.ledger_ok = missing != "ledger"
    station.canary._well = missing != "hears"
    status, text = station.page("/readyz")
    assert status is HTTPStatus.SERVICE_UNAVAILABLE
    (line,) = [line for line in text.splitlines() if line.startswith("NOT: ")]
    assert ("no reading has come yet" if missing == "nothing yet" else missing) in line


def test_the_metrics_page_says_its_format(station: Station) -> None:
    said = looks(station.parts, station.meter, station.steps)["GET", "/metrics"](Request("GET", "/metrics"))
    assert said.content_type == "text/plain; version=0.0.4; charset=utf-8"
    assert parsed(said.body)
