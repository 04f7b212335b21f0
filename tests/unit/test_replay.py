"""The lines of `fillguard replay --json`: every key that other programs rely on, and the same words as live."""

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import pytest

from fillguard.bench.replay import Account, Line, fill_line, projection_line, replayed, station_in
from fillguard.core.events import AlarmChanged, AlarmState, InEvent, OutEvent, Phase, Projected
from fillguard.core.values import Stamp
from fillguard.engine import Engine, Inbox, Stepper
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import Attempt, RawMessage, StepRecord
from tests.fakes import FakeClock
from tests.panel import STEEL_12, Panel, real_rules, stamp
from tests.recorded import recorded
from tests.simulated import played, small_scenario

PROJECTION = {
    "v", "kind", "t", "sample_t", "whip", "fill", "phase", "whip_bar", "settled_bar", "settled_low_bar",
    "settled_high_bar", "gas_c", "rate_bar_min", "stop_at_bar", "seconds_to_stop", "close_at_bar", "bleed_to_bar",
    "reason",
}  # fmt: skip
ALARM = {"v", "kind", "t", "whip", "fill", "alarm", "state", "occurrence", "cause", "text"}
FINDING = {"v", "kind", "t", "whip", "fill", "finding", "confidence", "text"}
FILL = {
    "v", "kind", "fill", "station", "whip", "serial", "started", "flow_stopped", "ended", "outcome", "start_bar",
    "close_bar", "settled_bar", "settled_low_bar", "settled_high_bar", "final_settled_bar", "reference_c", "limit_bar",
    "peak_rate_bar_min", "gas_c_max", "alarms", "findings",
}  # fmt: skip
"""What is promised; more keys may come."""


def account(stepper: Stepper, *, trace: bool = True) -> Account:
    return Account(stepper, trace=trace, text=lambda change: f"{change.alarm}!")


def lines_of(panel: Panel, *, trace: bool = True) -> list[Line]:
    stepper = Stepper(panel.rules)
    told = account(stepper, trace=trace)
    found = [line for event in panel.events() for h in stepper.feed(event) for line in told.lines(h)]
    return [*found, *told.fills()]


def eventful() -> Panel:
    """Too fast, silent, overfilled, settled, bled; then a second fill that is still open."""
    panel = Panel()
    line = panel.whip().attach().opens(residual_bar=120).fills(to_bar=200, at_bar_min=60).silent(for_s=10)
    line.moves(to_bar=275, in_s=120).closes(for_s=200).bleeds()
    line.attach().opens(residual_bar=50).fills(to_bar=90, at_bar_min=20)
    return panel


@pytest.fixture(scope="module")
def lines() -> list[Line]:
    return lines_of(eventful())


def kinds(lines: list[Line], kind: str) -> list[Line]:
    return [line for line in lines if line["kind"] == kind]


def number(line: Line, key: str) -> float:
    value = line[key]
    assert isinstance(value, float)
    return value


@pytest.mark.parametrize(
    ("kind", "keys"), [("projection", PROJECTION), ("alarm", ALARM), ("finding", FINDING), ("fill", FILL)]
)
def test_every_promised_key_is_in_every_line_of_its_kind(lines: list[Line], kind: str, keys: set[str]) -> None:
    found = kinds(lines, kind)

    assert len(found) >= 2
    for line in found:
        assert keys <= set(line)
        assert line["v"] == 1


def test_every_line_is_json_without_nan(lines: list[Line]) -> None:
    for line in lines:
        assert json.loads(json.dumps(line, allow_nan=False)) == line


def test_at_most_one_projection_a_second_in_every_phase_of_a_fill(lines: list[Line]) -> None:
    for fill in {line["fill"] for line in kinds(lines, "projection")}:
        times = [number(line, "t") for line in kinds(lines, "projection") if line["fill"] == fill]
        assert all(later - earlier >= 1.0 for earlier, later in pairwise(times))
    assert {line["phase"] for line in kinds(lines, "projection")} >= {"filling", "paused", "closed", "settling"}


def test_a_fast_sensor_is_traced_once_a_second_too() -> None:
    panel = Panel()
    panel.whip().samples(0.2).attach().opens(residual_bar=50).fills(to_bar=60, at_bar_min=20)
    times = [line["t"] for line in kinds(lines_of(panel), "projection")]

    assert 20 <= len(times) <= 31


def test_without_trace_there_is_no_projection() -> None:
    assert kinds(lines_of(eventful(), trace=False), "projection") == []


def test_no_projection_says_why(lines: list[Line]) -> None:
    without = [line for line in kinds(lines, "projection") if line["settled_bar"] is None]

    assert without
    for line in without:
        assert line["reason"]
        assert line["settled_low_bar"] is line["settled_high_bar"] is None


def test_alarm_lines_are_changes_of_state_in_the_words_of_the_standard(lines: list[Line]) -> None:
    alarms = kinds(lines, "alarm")

    assert {line["alarm"] for line in alarms} >= {"too-fast", "monitoring-lost", "overfill"}
    assert {line["state"] for line in alarms} <= {state.value for state in AlarmState}
    assert all(str(line["occurrence"]).startswith(str(line["fill"])) for line in alarms if line["fill"])
    assert all(line["text"] == f"{line['alarm']}!" for line in alarms)


def test_an_alarm_that_only_calls_again_is_no_line() -> None:
    panel = Panel()
    panel.whip().attach().opens(residual_bar=120).fills(to_bar=275, at_bar_min=29).closes(for_s=300)

    assert [line["state"] for line in kinds(lines_of(panel), "alarm") if line["alarm"] == "overfill"] == [
        "unacknowledged"
    ]


def test_the_last_lines_are_the_fills_oldest_first_and_open_ones_say_so(lines: list[Line]) -> None:
    first, second = lines[-2:]

    assert [first["kind"], second["kind"]] == ["fill", "fill"]
    assert first["outcome"] == "over"
    assert first["ended"] is not None
    assert (second["outcome"], second["ended"]) == ("open", None)
    assert number(first, "started") < number(second, "started")
    assert "overfill" in str(first["alarms"])


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_json_cannot_say_is_null(bad: float) -> None:
    seen = Projected(
        stamp=stamp(0),
        sample_s=0.0,
        whip="1",
        fill_id="x",
        phase=Phase.FILLING,
        gauge_pa=1e7,
        limit_gauge_pa=2e7,
        target_gauge_pa=2e7,
        reference_k=288.15,
        settled_gauge_pa=bad,
        gas_k=bad,
        mass_kg=bad,
        rate_pa_s=bad,
        seconds_to_stop=bad,
    )
    line = projection_line(seen)

    assert [line[key] for key in ("settled_bar", "gas_c", "mass_kg", "rate_bar_min", "seconds_to_stop")] == [None] * 5
    json.dumps(line, allow_nan=False)


def test_units_are_those_of_the_trade() -> None:
    panel = Panel(noise_bar=0.0)
    panel.whip().attach(target_bar=200).opens(residual_bar=50).fills(to_bar=110, at_bar_min=30).closes(for_s=20)
    projection = kinds(lines_of(panel), "projection")[-1]
    fill = kinds(lines_of(panel), "fill")[-1]

    assert projection["whip_bar"] == pytest.approx(110, abs=1.0)
    assert fill["start_bar"] == pytest.approx(50, abs=0.1)
    assert fill["peak_rate_bar_min"] == pytest.approx(30, rel=0.05)
    assert (fill["limit_bar"], fill["target_bar"], fill["reference_c"]) == (232.0, 200.0, 15.0)
    assert 20.0 < number(fill, "gas_c_max") < 60.0


def test_a_fill_line_says_what_the_row_says() -> None:
    panel = Panel()
    panel.whip().attach(STEEL_12).opens(residual_bar=50).fills(to_bar=110, at_bar_min=30).closes(for_s=20).bleeds()
    (row,) = panel.play().ended()
    line = fill_line(row)

    assert (line["serial"], line["outcome"], line["findings"]) == ("TH-0042", "short", ["bled"])
    assert line["flow_stopped"] == pytest.approx(row.flow_stopped_s)


@pytest.mark.parametrize(
    ("topic", "station"),
    [("fill/tern/1/pressure", "tern"), ("fill/tern/ambient", "tern"), ("shop/gauge", None), ("fill/", None)],
)
def test_a_default_topic_names_its_station(topic: str, station: str | None) -> None:
    assert station_in(topic) == station


def test_what_is_ours_in_a_capture_is_passed_over() -> None:
    ours = RawMessage(arrived=stamp(0), topic="$fillguard/note", payload=b"{}")

    assert list(replayed([ours], DefaultDecoder("tern", register=lambda _: None), Stepper(real_rules()))) == []


# Live and replayed ----------------------------------------------------------------------------------------------------


class Listening:
    """An outlet and a ledger that keep what they hear."""

    def __init__(self) -> None:
        self.heard: list[OutEvent] = []

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:  # noqa: ARG002 - as every outlet is told
        self.heard.extend(facts)

    def put(self, record: StepRecord) -> None:
        """Take no note."""

    def put_attempt(self, attempt: Attempt, on_settled: object = None) -> None:
        """Nothing is delivered."""

    def healthy(self) -> bool:
        return True


def simulated() -> list[RawMessage]:
    """A minute and a half of a simulated station, as it comes over the wire."""
    messages, _ = played(small_scenario(), seed=4)
    return [
        RawMessage(
            arrived=Stamp(mono_s=round(one.t_s, 3), utc_s=round(one.t_s, 3)),
            topic=one.topic,
            payload=one.payload if isinstance(one.payload, bytes) else one.payload.encode(),
        )
        for one in messages
    ]


def from_recorded(number: int) -> list[RawMessage]:
    """A recorded fill as messages without a device's time."""
    fill = recorded(number)
    said = {
        "serial": "TH-0042", "operator": "op-1", "water_volume_l": 12.0, "material": "steel",
        "rated_pressure_bar": 232, "reference_temperature_c": 15,
    }  # fmt: skip
    at = Stamp(mono_s=1_795_558_000.0, utc_s=1_795_558_000.0)
    messages = [RawMessage(arrived=at, topic="fill/tern/1/cylinder", payload=json.dumps(said).encode())]
    newest_s = 0.0
    for at_s, channel, value in fill.rows:
        newest_s = max(newest_s, at_s)
        now_s = round(1_795_558_000.0 + newest_s, 3)
        topic = {"P": "fill/tern/1/pressure", "W": "fill/tern/1/wall"}.get(channel, "fill/tern/ambient")
        payload = json.dumps({"value": value, "unit": "bar" if channel == "P" else "Cel"}).encode()
        messages.append(RawMessage(arrived=Stamp(mono_s=now_s, utc_s=now_s), topic=topic, payload=payload))
    return messages


def lived(messages: list[RawMessage]) -> list[OutEvent]:
    """What the engine tells when it wakes at each whole second and with each message, as it does live."""
    first = messages[0].arrived
    listening, clock = Listening(), FakeClock(utc_s=first.utc_s, mono_s=first.mono_s)
    engine = Engine(
        stepper=Stepper(real_rules()),
        clock=clock,
        decoder=DefaultDecoder("tern", register=lambda _: None),
        outlets=(listening,),
        ledger=listening,
        notices=lambda *_: (),
        inbox=Inbox(),
    )
    for message in messages:
        for second in range(math.floor(clock.utc_s) + 1, math.floor(message.arrived.utc_s) + 1):
            clock.utc_s = clock.mono_s = float(second)
            engine._on_idle()
        clock.utc_s = clock.mono_s = message.arrived.utc_s
        engine._on_message(message)
    return listening.heard


def replayed_facts(messages: list[RawMessage]) -> Iterator[OutEvent]:
    decoder, stepper = DefaultDecoder("tern", register=lambda _: None), Stepper(real_rules())
    for happening in replayed(messages, decoder, stepper):
        yield from happening.facts


@pytest.mark.parametrize("source", ["simulated", "recorded"])
def test_a_replay_says_what_was_said_live(source: str) -> None:
    messages = simulated() if source == "simulated" else from_recorded(19)
    live = lived(messages)

    assert live == list(replayed_facts(messages))
    assert any(isinstance(fact, Projected) for fact in live)


def test_the_end_of_a_capture_is_never_a_silence() -> None:
    messages = [message for message in from_recorded(19) if message.arrived.utc_s < 1_795_558_150.0]
    raised = [fact.alarm for fact in replayed_facts(messages) if isinstance(fact, AlarmChanged) and fact.is_raise]

    assert "monitoring-lost" not in raised


def test_messages_of_a_station_that_sends_twice_say_the_same_as_sent_once() -> None:
    once = from_recorded(9)
    twice = [copy for message in once for copy in (message, replace(message, duplicate=True))]

    settled = [
        [fact.settled_gauge_pa for fact in replayed_facts(sent) if isinstance(fact, Projected)]
        for sent in (once, twice)
    ]
    assert settled[0] == settled[1]
