"""The stepper's ticks and faults, the inbox's bounds, the engine's order: outlets first, then the ledger."""

import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import pytest

from fillguard import engine as engine_module
from fillguard.core.events import (
    AlarmChanged,
    ClockStepped,
    InEvent,
    OutEvent,
    PhaseChanged,
    Quantity,
    Reading,
    ReadingRejected,
    ServiceChanged,
    Tick,
)
from fillguard.core.rules import Rules
from fillguard.core.station import StationState, step
from fillguard.core.values import Stamp
from fillguard.engine import Engine, Happening, Inbox, Stepper
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import Attempt, OwedNotice, RawMessage, StepRecord
from tests.fakes import FakeClock
from tests.panel import Panel, real_rules, stamp

# Ticks ----------------------------------------------------------------------------------------------------------------


def ticks(happenings: Iterable[Happening]) -> list[float]:
    return [happening.cause.stamp.utc_s for happening in happenings if isinstance(happening.cause, Tick)]


def awake() -> Stepper:
    """A stepper with a whip that is being watched."""
    panel = Panel(noise_bar=0.0)
    panel.whip().attach().opens(residual_bar=50)
    stepper = Stepper(real_rules())
    for event in panel.events():
        for _ in stepper.feed(event):
            pass
    return stepper


def test_every_whole_second_that_passed_is_a_tick() -> None:
    stepper = awake()
    until = stepper._until
    assert until is not None
    now = Stamp(mono_s=until.mono_s + 3.5, utc_s=until.utc_s + 3.5)

    assert ticks(stepper.advance(now)) == [until.utc_s + 1, until.utc_s + 2, until.utc_s + 3]
    assert ticks(stepper.advance(now)) == [], "and only once"


def test_a_tick_carries_both_clocks() -> None:
    stepper = awake()
    until = stepper._until
    assert until is not None
    (happening, *_) = stepper.advance(Stamp(mono_s=until.mono_s + 1.25, utc_s=until.utc_s + 1.25))

    assert happening.cause.stamp.mono_s == pytest.approx(until.mono_s + 1.0)


def test_nothing_ticks_while_everything_is_at_rest() -> None:
    stepper = Stepper(real_rules())

    assert list(stepper.advance(stamp(0))) == list(stepper.advance(stamp(5000))) == []


def test_a_night_without_messages_ticks_until_everything_is_at_rest() -> None:
    stepper = awake()
    until = stepper._until
    assert until is not None
    night = ticks(stepper.advance(Stamp(mono_s=until.mono_s + 3000, utc_s=until.utc_s + 3000)))

    assert stepper.state.whips["1"].phase.value == "idle"
    assert len(night) == 3000, "an alarm still waits for a person: monitoring was lost"


def test_time_does_not_go_back_for_an_event_stamped_a_moment_earlier() -> None:
    stepper = awake()
    until = stepper._until
    assert until is not None
    late = replace(until, mono_s=until.mono_s - 0.2, utc_s=until.utc_s - 0.2)
    assert list(stepper.advance(late)) == []

    assert ticks(stepper.advance(Stamp(mono_s=until.mono_s + 1.5, utc_s=until.utc_s + 1.5))) == [until.utc_s + 1]


@pytest.mark.parametrize("by_s", [3600.0, -3600.0])
def test_a_clock_that_was_set_makes_no_ticks_and_skips_none(by_s: float) -> None:
    stepper = awake()
    until = stepper._until
    assert until is not None
    after = Stamp(mono_s=until.mono_s + 2.0, utc_s=until.utc_s + by_s + 2.0)
    found = list(stepper.advance(after))

    assert len(ticks(found)) == 2
    assert all(until.mono_s < happening.cause.stamp.mono_s <= after.mono_s for happening in found)


# Faults of ours -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Faulty:
    """The real step, but for events that it is told to fall over."""

    on: tuple[object, ...] = ()
    even_to_say_so: bool = False

    def __call__(self, state: StationState, event: InEvent, rules: Rules) -> tuple[StationState, tuple[OutEvent, ...]]:
        kind = event.quantity if isinstance(event, Reading) else type(event)
        if kind in self.on or (self.even_to_say_so and isinstance(event, ServiceChanged)):
            raise ZeroDivisionError("nothing to divide by")
        return step(state, event, rules)


@pytest.fixture
def faulty(monkeypatch: pytest.MonkeyPatch) -> Faulty:
    one = Faulty()
    monkeypatch.setattr(engine_module, "step", one)
    return one


def fed(stepper: Stepper, *events: InEvent) -> list[tuple[float, AlarmChanged]]:
    """The changes of monitoring-lost, with the second of the scene."""
    return [
        (happening.cause.stamp.mono_s - 1000.0, fact)
        for event in events
        for happening in stepper.feed(event)
        for fact in happening.facts
        if isinstance(fact, AlarmChanged) and fact.alarm == "monitoring-lost"
    ]


def readings(from_s: int, to_s: int, whip: str = "1") -> list[Reading]:
    panel = Panel(noise_bar=0.0)
    line = panel.whip(whip)
    for at_s in range(from_s, to_s):
        line.now_s = float(at_s)
        line.reads(0.1)
    return [event for event in panel.events() if isinstance(event, Reading)]


def test_a_step_that_fails_is_monitoring_lost_on_that_whip_and_says_why(faulty: Faulty) -> None:
    stepper = Stepper(real_rules())
    fed(stepper, *readings(0, 3, "1"), *readings(3, 4, "2"))
    faulty.on = (Quantity.PRESSURE,)
    (_, change), *more = fed(stepper, *readings(4, 5, "1"))

    assert more == []
    assert (change.whip, change.priority, change.is_raise) == ("1", 1, True)
    assert change.cause == "fillguard itself failed on this whip (ZeroDivisionError: nothing to divide by)."
    assert stepper.state.whips["2"].outage is None


def test_a_failed_step_changes_nothing_else(faulty: Faulty) -> None:
    stepper = Stepper(real_rules())
    fed(stepper, *readings(0, 3))
    before = stepper.state.whips["1"]
    faulty.on = (Quantity.PRESSURE,)
    fed(stepper, *readings(3, 6))

    assert stepper.state.whips["1"].gauge == before.gauge


def test_it_is_over_once_the_same_kind_of_event_has_gone_well_for_ten_seconds(faulty: Faulty) -> None:
    stepper = Stepper(real_rules())
    fed(stepper, *readings(0, 3))
    faulty.on = (Quantity.PRESSURE,)
    fed(stepper, *readings(3, 5))
    faulty.on = ()
    (at_s, change), *_ = fed(stepper, *readings(5, 30))

    assert at_s == 14.0, "the last failure was at 4 s"
    assert change.is_return


def test_a_sensor_that_works_does_not_end_the_fault_of_another(faulty: Faulty) -> None:
    panel = Panel(noise_bar=0.0)
    panel.whip().wall(20.0).stands(for_s=40)
    stepper = Stepper(real_rules())
    faulty.on = (Quantity.WALL,)

    assert [change.is_raise for _, change in fed(stepper, *panel.events())] == [True]


def test_a_tick_that_fails_concerns_every_whip(faulty: Faulty) -> None:
    panel = Panel(noise_bar=0.0)
    panel.whip("1").attach().stands(for_s=3)
    panel.whip("2").attach().stands(for_s=3)
    stepper = Stepper(real_rules())
    faulty.on = (Tick,)

    assert {change.whip for _, change in fed(stepper, *panel.events())} == {"1", "2"}


def test_a_failure_before_any_whip_is_known_is_not_swallowed(faulty: Faulty) -> None:
    faulty.on = (Quantity.AMBIENT,)
    ambient = replace(readings(0, 1)[0], whip=None, quantity=Quantity.AMBIENT, value=293.0)
    (happening,) = Stepper(real_rules()).feed(ambient)

    assert isinstance(happening.cause, ServiceChanged)
    assert not happening.cause.ok


def test_when_not_even_that_can_be_said_the_watch_ends(faulty: Faulty) -> None:
    faulty.on, faulty.even_to_say_so = (Quantity.PRESSURE,), True

    with pytest.raises(RuntimeError, match="cannot even raise monitoring-lost"):
        fed(Stepper(real_rules()), *readings(0, 1))


# The inbox ------------------------------------------------------------------------------------------------------------


def message(topic: str = "fill/tern/1/pressure", payload: bytes = b'{"value": 1.0, "unit": "bar"}') -> RawMessage:
    return RawMessage(arrived=stamp(0), topic=topic, payload=payload)


def test_a_full_inbox_refuses_messages_but_not_what_is_ours() -> None:
    inbox = Inbox(most_messages=2)
    assert [inbox.offer(message()) for _ in range(3)] == [True, True, False]
    inbox.put(Tick(stamp=stamp(1)))

    assert len(inbox) == 3


def test_an_inbox_gives_back_in_order_and_none_when_woken() -> None:
    inbox = Inbox()
    first, second = message(), Tick(stamp=stamp(1))
    inbox.offer(first)
    inbox.put(second)
    inbox.wake()

    assert [inbox.take(1.0) for _ in range(3)] == [first, second, None]
    assert inbox.take(0.001) is None


# The engine -----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Ears:
    """An outlet, a ledger and a channel that only listen."""

    heard: list[tuple[str, object]] = field(default_factory=list)
    takes_rows: bool = True

    def tell(self, cause: InEvent, facts: Sequence[OutEvent]) -> None:  # noqa: ARG002 - as every outlet is told
        self.heard.append(("outlet", cause))

    def put(self, record: StepRecord) -> None:
        self.heard.append(("ledger", record))

    def put_attempt(self, attempt: Attempt, on_settled: object = None) -> None:  # noqa: ARG002 - as every ledger
        raise AssertionError("the engine delivers nothing")

    def healthy(self) -> bool:
        return self.takes_rows

    def unrecorded(self, notice: OwedNotice) -> None:
        self.heard.append(("unrecorded", notice))

    @property
    def records(self) -> list[StepRecord]:
        return [record for _, record in self.heard if isinstance(record, StepRecord)]


@dataclass(slots=True)
class Token:
    """A message waiting to be acknowledged."""

    acknowledged: int = 0

    def acknowledge(self) -> None:
        self.acknowledged += 1


@dataclass(slots=True)
class Silent:
    """A decoder that makes nothing of anything."""

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:  # noqa: ARG002 - as every decoder
        return ()


def notices(_cause: InEvent, facts: Sequence[OutEvent]) -> tuple[OwedNotice, ...]:
    raised = (fact for fact in facts if isinstance(fact, AlarmChanged) and fact.is_raise)
    return tuple(OwedNotice(channel="mail", change=change, title="t", body="b") for change in raised)


def wired(ears: Ears, clock: FakeClock, **other: object) -> Engine:
    parts = {
        "stepper": Stepper(real_rules()),
        "clock": clock,
        "decoder": DefaultDecoder("tern", register=lambda _: None),
        "outlets": (ears,),
        "ledger": ears,
        "notices": notices,
        "inbox": Inbox(),
        "unrecorded": ears.unrecorded,
    }
    return Engine(**{**parts, **other})  # type: ignore[arg-type]


def arrived(clock: FakeClock, topic: str, payload: bytes, token: Token | None = None) -> RawMessage:
    return RawMessage(arrived=clock.now(), topic=topic, payload=payload, ack=token)


def test_outlets_hear_before_the_ledger_and_the_message_rides_on_its_last_record() -> None:
    ears, clock = Ears(), FakeClock()
    engine = wired(ears, clock)
    engine._on_message(arrived(clock, "fill/tern/1/cylinder", b'{"serial": "TH-0042", "operator": "op-1"}'))
    clock.advance(2.0)
    sent = arrived(clock, "fill/tern/1/pressure", b'{"value": 0.1, "unit": "bar"}', Token())
    ears.heard.clear()
    engine._on_message(sent)

    assert [who for who, _ in ears.heard] == ["outlet", "ledger"] * 3, "two ticks, then the reading"
    assert [record.raw for record in ears.records] == [None, None, sent]


def test_bad_bytes_are_recorded_and_acknowledged_like_all_others() -> None:
    ears, clock, token = Ears(), FakeClock(), Token()
    sent = arrived(clock, "fill/tern/1/pressure", b"\xff\xfe", token)
    wired(ears, clock)._on_message(sent)

    (record,) = ears.records
    assert isinstance(record.cause, ReadingRejected)
    assert record.raw is sent
    assert token.acknowledged == 0, "the ledger acknowledges after its commit"


def test_what_gives_no_event_is_acknowledged_at_once() -> None:
    ears, clock, token = Ears(), FakeClock(), Token()
    wired(ears, clock, decoder=Silent())._on_message(arrived(clock, "x", b"", token))

    assert token.acknowledged == 1
    assert ears.heard == []


@pytest.mark.parametrize("takes_rows", [True, False])
def test_a_notice_is_owed_through_the_ledger_or_sent_unrecorded_while_it_takes_no_rows(*, takes_rows: bool) -> None:
    ears, clock = Ears(takes_rows=takes_rows), FakeClock()
    engine = wired(ears, clock)
    over = b'{"value": 380.0, "unit": "bar"}'
    engine._on_message(arrived(clock, "fill/tern/1/pressure", over))

    owed = [notice.change.alarm for record in ears.records for notice in record.owed]
    sent = [notice.change.alarm for _, notice in ears.heard if isinstance(notice, OwedNotice)]
    assert (owed, sent) == ((["whip-over-rating"], []) if takes_rows else ([], ["whip-over-rating"]))


def test_a_clock_that_was_set_is_followed_between_fills_only() -> None:
    ears, clock = Ears(), FakeClock()
    engine = wired(ears, clock)
    clock.wall_ahead_s = 120.0
    engine._on_idle()
    (cause,) = [cause for who, cause in ears.heard if who == "outlet"]

    assert isinstance(cause, ClockStepped)
    assert cause.by_s == 120.0
    assert clock.drift_s() == 0.0


def test_a_clock_that_was_set_in_a_fill_is_followed_after_it() -> None:
    panel = Panel(noise_bar=0.0)
    panel.whip().attach().opens(residual_bar=50).fills(to_bar=80, at_bar_min=20)
    stepper = Stepper(real_rules())
    for event in panel.events():
        for _ in stepper.feed(event):
            pass
    until = stepper._until
    assert until is not None
    ears, clock = Ears(), FakeClock(utc_s=until.utc_s + 1.0, mono_s=until.mono_s + 1.0, wall_ahead_s=120.0)
    wired(ears, clock, stepper=stepper)._on_idle()

    assert clock.drift_s() == 120.0
    assert not [cause for _, cause in ears.heard if isinstance(cause, ClockStepped)]


def test_what_was_queued_before_the_stop_is_still_done() -> None:
    ears, clock = Ears(), FakeClock()
    inbox = Inbox()
    engine = wired(ears, clock, inbox=inbox)
    inbox.offer(arrived(clock, "fill/tern/1/pressure", b'{"value": 0.1, "unit": "bar"}'))
    thread = threading.Thread(target=engine.run)
    engine.stop()
    thread.start()
    thread.join(20.0)

    assert not thread.is_alive()
    assert [type(record.cause) for record in ears.records] == [Reading]
    assert engine.published.whips["1"].gauge.gauge_pa == 10_000.0


def test_phases_are_told_to_the_outlets() -> None:
    ears, clock = Ears(), FakeClock()
    engine = wired(ears, clock)
    engine._on_message(arrived(clock, "fill/tern/1/cylinder", b'{"serial": "TH-0042"}'))

    (record,) = ears.records
    assert any(isinstance(fact, PhaseChanged) for fact in record.facts)
