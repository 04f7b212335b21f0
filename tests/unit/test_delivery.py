"""Notices reach their channel at least once, never twice unmarked, and no channel waits for another."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from queue import Queue
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.outlets.delivery import DELIVERED, FAILED, UNKNOWN, ChannelWorker, Delivery, Message, local_time
from fillguard.ports import Attempt
from tests.delivery_fakes import GENEROUS_S, FakeLedger, FakeService, notice
from tests.fakes import FakeClock

OVERFILL, TOO_FAST = "tern-1/overfill/1", "tern-1/too-fast/1"


@dataclass
class Bench:
    """One channel, its ledger, its service and its clock; deliveries are made by hand, without a thread."""

    service: FakeService = field(default_factory=FakeService)
    ledger: FakeLedger = field(default_factory=FakeLedger)
    clock: FakeClock = field(default_factory=lambda: FakeClock(utc_s=0.0, mono_s=0.0))
    health: list[tuple[str, bool, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        Bench.restart(self)

    def restart(self) -> None:
        """A new process: what the worker remembered is gone."""
        self.worker = ChannelWorker(
            "phone",
            self.service,
            open_source=lambda: self.ledger,
            writer=self.ledger,
            clock=self.clock,
            on_health=lambda channel, ok, detail: self.health.append((channel, ok, detail)),
            jitter=lambda: 1.0,
            commit_wait_s=0.01,
        )

    def deliver(self) -> int:
        """Everything that is due now; returns how many tries were made."""
        tries = 0
        while self.worker.deliver_next(self.ledger):
            tries += 1
            self.clock.advance(0.001)  # the ledger tells tries apart by their start
        return tries

    @property
    def titles(self) -> list[str]:
        return [message.title for message in self.service.messages]


def bench(results: Iterable[str] = ()) -> Bench:
    return Bench(service=FakeService(results))


# At least once ------------------------------------------------------------------------------------------------------


def test_a_try_is_on_disk_before_it_is_made() -> None:
    it = bench()
    at_send: list[list[Attempt]] = []
    it.service.before_each = lambda message: at_send.append(list(it.ledger.attempts))  # noqa: ARG005 - any message
    it.ledger.owe(notice())
    assert it.deliver() == 1
    ((start,),) = at_send
    assert (start.result, start.elapsed_s, start.repeat, start.occurrence) == (UNKNOWN, None, 0, OVERFILL)
    assert it.ledger.attempts[1:] == [replace(start, result=DELIVERED, elapsed_s=0.0)]


def test_a_delivered_notice_is_not_sent_again() -> None:
    it = bench()
    it.ledger.owe(notice())
    assert (it.deliver(), it.deliver()) == (1, 0)
    assert it.titles == ["STOP - tern-1/overfill/1"]
    assert it.ledger.unsettled() == []


@pytest.mark.parametrize("result", [FAILED, UNKNOWN])
def test_what_did_not_arrive_for_certain_is_sent_again_and_marked(result: str) -> None:
    it = bench([result])
    it.ledger.owe(notice())
    assert it.deliver() == 1
    it.clock.advance(2.0)
    assert it.deliver() == 1
    assert it.titles == ["STOP - tern-1/overfill/1", "STOP - tern-1/overfill/1 (repeat 1)"]
    assert it.service.messages[1].body == "Close the panel valve.\nRepeat 1: an earlier copy may have arrived."
    assert [(each.result, each.repeat) for each in it.ledger.attempts if each.elapsed_s is not None] == [
        (result, 0),
        (DELIVERED, 1),
    ]
    assert {each.occurrence for each in it.ledger.attempts} == {OVERFILL}


def test_after_a_restart_a_try_without_a_result_is_sent_once_more_as_a_repeat() -> None:
    it = bench()
    it.ledger.owe(notice())
    begun = Attempt(outbox_id=1, channel="phone", occurrence=OVERFILL, kind="raise", repeat=0, started_utc_s=-1.0)
    it.ledger.put_attempt(begun)
    assert it.deliver() == 1
    assert it.titles == ["STOP - tern-1/overfill/1 (repeat 1)"]
    assert it.deliver() == 0


def test_priority_1_goes_first_then_the_oldest() -> None:
    it = bench()
    for priority, occurrence in ((3, "a/drops/1"), (2, TOO_FAST), (1, OVERFILL), (2, "tern-2/too-fast/1")):
        it.ledger.owe(notice(occurrence, priority=priority))
    it.deliver()
    assert [title.removeprefix("STOP - ") for title in it.titles] == [
        OVERFILL,
        TOO_FAST,
        "tern-2/too-fast/1",
        "a/drops/1",
    ]


def test_one_notice_that_never_goes_through_does_not_hold_up_the_others() -> None:
    it = bench([FAILED])
    it.ledger.owe(notice(OVERFILL, priority=1))
    it.ledger.owe(notice(TOO_FAST, priority=2))
    assert it.deliver() == 2
    assert it.ledger.unsettled() == [OVERFILL]


def test_pauses_double_up_to_a_cap_that_is_shorter_for_priority_1() -> None:
    for priority, longest_s in ((1, 60.0), (2, 300.0)):
        it = bench([FAILED] * 20)
        it.ledger.owe(notice(priority=priority))
        pauses = []
        for _ in range(12):
            assert it.deliver() == 1
            result = it.ledger.attempts[-1]
            assert result.not_before_utc_s is not None
            pauses.append(result.not_before_utc_s - result.started_utc_s)
            it.clock.utc_s = result.not_before_utc_s - 0.01
            assert it.deliver() == 0
            it.clock.utc_s = result.not_before_utc_s
        assert pauses[:3] == pytest.approx([2.0, 4.0, 8.0])
        assert max(pauses) == pytest.approx(longest_s)


def test_pauses_are_real_time_also_in_a_drill() -> None:
    it = bench([FAILED])
    it.clock.speed = 20.0
    it.ledger.owe(notice())
    it.deliver()
    assert it.ledger.attempts[-1].not_before_utc_s == pytest.approx(40.0)


def test_a_late_copy_says_when_it_happened_on_the_clock_of_the_station() -> None:
    it = bench([FAILED])
    it.ledger.owe(notice())
    it.deliver()
    it.clock.advance(3_720.0)
    it.deliver()
    assert it.titles[1] == "STOP - tern-1/overfill/1 (repeat 1, raised at 00:00)"
    assert it.service.messages[1].body.endswith("Late: raised at 00:00, sent 62 min after it.")


def test_of_another_day_the_day_is_said_too() -> None:
    text = local_time(ZoneInfo("Europe/Oslo"))
    noon_s = datetime(2026, 11, 24, 12, tzinfo=UTC).timestamp()
    assert text(noon_s, noon_s + 3600.0) == "13:00"
    assert text(noon_s, noon_s + 43_200.0) == "24 Nov 13:00"


@pytest.mark.parametrize(
    ("returned_s", "tells_changes", "marks"),
    [(3_700.0, True, ""), (600.0, True, " (ended at 00:10)"), (600.0, False, "")],
    ids=["a fresh one is not late", "an old one is", "without its time nothing is said"],
)
def test_a_return_is_late_counted_from_the_return_and_not_from_the_raise(
    *, returned_s: float, tells_changes: bool, marks: str
) -> None:
    it = bench()
    it.ledger.tells_changes = tells_changes
    it.ledger.owe(notice(returned_s=returned_s))
    it.clock.advance(3_720.0)
    assert it.deliver() == 1
    assert it.titles == [f"STOP - tern-1/overfill/1{marks}"]
    assert it.service.messages[0].kind == "return"


# While the ledger takes no rows -------------------------------------------------------------------------------------


def test_a_notice_leaves_unrecorded_when_the_ledger_fails_between_owing_and_sending() -> None:
    it = bench()
    it.ledger.owe(notice())
    it.ledger.fail()
    assert (it.deliver(), it.deliver()) == (1, 0)
    assert it.titles == ["STOP - tern-1/overfill/1 (not recorded)"]
    it.ledger.recover()
    assert it.deliver() == 0
    assert it.ledger.unsettled() == []


def test_a_commit_that_does_not_come_in_time_counts_as_none() -> None:
    it = bench()
    it.ledger.owe(notice())
    it.ledger.fail(unnoticed=True)
    assert it.deliver() == 1
    assert it.service.messages[0].body.endswith("Not recorded: the ledger takes no rows. Write it down.")
    it.ledger.recover()
    assert it.deliver() == 0
    assert [(each.result, each.elapsed_s) for each in it.ledger.attempts] == [(UNKNOWN, None), (DELIVERED, 0.0)]


def test_a_notice_that_could_not_be_recorded_is_sent_from_memory_and_not_again_after_recovery() -> None:
    it = bench()
    it.ledger.fail()
    it.ledger.owe(notice())
    it.worker.send_unrecorded(notice())
    assert (it.deliver(), it.deliver()) == (1, 0)
    assert it.titles == ["STOP - tern-1/overfill/1 (not recorded)"]
    it.ledger.recover()
    assert it.deliver() == 0
    assert it.ledger.unsettled() == []


def test_a_notice_from_memory_is_tried_again_until_it_arrives() -> None:
    it = bench([FAILED, UNKNOWN])
    it.ledger.fail()
    it.worker.send_unrecorded(notice())
    for pause_s in (2.0, 4.0, 8.0):
        assert it.deliver() == 1
        it.clock.advance(pause_s)
    assert it.deliver() == 0
    assert it.titles == [
        "STOP - tern-1/overfill/1 (not recorded)",
        "STOP - tern-1/overfill/1 (repeat 1, not recorded)",
        "STOP - tern-1/overfill/1 (repeat 2, not recorded)",
    ]


def test_what_was_tried_from_memory_goes_on_as_a_repeat_once_the_ledger_is_back() -> None:
    it = bench([UNKNOWN])
    it.ledger.fail()
    it.ledger.owe(notice())
    it.worker.send_unrecorded(notice())
    assert it.deliver() == 1
    it.ledger.recover()
    it.clock.advance(2.0)
    assert (it.deliver(), it.deliver()) == (1, 0)
    assert it.titles[1] == "STOP - tern-1/overfill/1 (repeat 1)"
    assert it.ledger.unsettled() == []


def test_a_result_that_the_ledger_lost_is_recorded_once_it_takes_rows_again() -> None:
    it = bench()
    it.ledger.owe(notice())
    it.ledger.fail()
    assert it.deliver() == 1
    it.ledger.lose()
    it.ledger.recover()
    assert it.deliver() == 0
    assert len(it.service.messages) == 1
    assert it.ledger.unsettled() == []
    assert [each.result for each in it.ledger.attempts] == [DELIVERED]


def test_when_memory_is_full_the_least_urgent_notice_is_dropped_and_said_so() -> None:
    it = bench()
    it.ledger.fail()
    for number in range(200):
        it.worker.send_unrecorded(notice(f"tern-1/too-fast/{number}", priority=2, raised_s=number))
    it.worker.send_unrecorded(notice(OVERFILL, priority=1, raised_s=999.0))
    assert it.health == [
        ("phone", False, "too much to send while nothing is recorded: dropped tern-1/too-fast/199"),
    ]
    assert it.deliver() == 200
    assert it.titles[0] == "STOP - tern-1/overfill/1 (not recorded)"
    assert it.health[-1] == ("phone", True, "delivers again")


def test_what_is_remembered_of_many_tries_is_bounded_and_still_counted() -> None:
    it = bench([FAILED] * 60)
    it.ledger.fail()
    it.worker.send_unrecorded(notice())
    for _ in range(60):
        assert it.deliver() == 1
        it.clock.advance(60.0)
    assert it.titles[-1] == "STOP - tern-1/overfill/1 (repeat 59, raised at 00:00, not recorded)"
    assert len(it.worker._memory.sent()[OVERFILL, "raise"].kept) == 50


def test_with_too_much_to_remember_the_rest_stays_owed_instead_of_being_sent_twice() -> None:
    it = bench()
    for number in range(305):
        it.ledger.owe(notice(f"tern-1/too-fast/{number}", priority=2))
    it.ledger.fail()
    assert it.deliver() == 300
    it.worker.send_unrecorded(notice(OVERFILL, priority=1))
    assert (it.deliver(), it.titles[-1]) == (1, f"STOP - {OVERFILL} (not recorded)")
    it.ledger.recover()
    assert it.deliver() == 5
    assert len(it.titles) == len(set(it.titles)) == 306
    assert it.ledger.unsettled() == []


def test_memory_forgets_first_what_follows_into_the_ledger_by_itself() -> None:
    it = bench()
    it.ledger.fail()
    for number in range(305):
        it.worker.send_unrecorded(notice(f"tern-1/too-fast/{number}", priority=2))
        assert it.deliver() == 1
    assert len(it.worker._memory.sent()) == 300


# Health -------------------------------------------------------------------------------------------------------------


def test_health_is_told_when_it_changes_and_only_then() -> None:
    it = bench([DELIVERED, FAILED, UNKNOWN, DELIVERED, DELIVERED])
    for number in range(5):
        it.ledger.owe(notice(f"tern-1/overfill/{number}"))
    it.deliver()
    assert it.health == [("phone", False, "failed: scripted: failed"), ("phone", True, "delivers again")]


# Threads ------------------------------------------------------------------------------------------------------------


def started(ledger: FakeLedger, services: dict[str, FakeService], on_health: Callable[..., None]) -> Delivery:
    delivery = Delivery(
        services, open_source=lambda: ledger, writer=ledger, clock=FakeClock(utc_s=0.0), on_health=on_health
    )
    delivery.start()
    return delivery


def test_a_hanging_channel_holds_up_no_other() -> None:
    ledger, good, stuck = FakeLedger(), FakeService(), FakeService(hang=True)
    delivery = started(ledger, {"good": good, "stuck": stuck}, lambda *_: None)
    for channel in ("stuck", "good"):
        ledger.owe(notice(channel=channel))
    delivery.owed(frozenset({"good", "stuck"}))
    stuck.next_message()
    ledger.owe(notice(TOO_FAST, channel="good"))
    delivery.owed(frozenset({"good", "a channel of another configuration"}))
    assert {good.next_message().title, good.next_message().title} == {f"STOP - {OVERFILL}", f"STOP - {TOO_FAST}"}
    assert [each.channel for each in ledger.attempts if each.result == DELIVERED].count("stuck") == 0
    assert delivery.stop(0.01) == ["stuck"]
    stuck.release()
    assert delivery.stop(GENEROUS_S) == []


def test_what_an_earlier_run_owed_is_delivered_at_the_start_without_being_asked() -> None:
    ledger, service = FakeLedger(), FakeService()
    ledger.owe(notice())
    delivery = started(ledger, {"phone": service}, lambda *_: None)
    assert service.next_message().title == f"STOP - {OVERFILL}"
    assert delivery.stop(GENEROUS_S) == []


def test_a_worklist_that_cannot_be_read_is_told_and_read_again() -> None:
    ledger, service = FakeLedger(broken=OSError("disk gone")), FakeService()
    heard: Queue[tuple[str, bool, str]] = Queue()
    ledger.owe(notice())
    delivery = started(ledger, {"phone": service}, lambda *what: heard.put(what))
    assert heard.get(timeout=GENEROUS_S) == (
        "phone",
        False,
        "what is owed cannot be read or sent: OSError('disk gone')",
    )
    ledger.broken = None
    delivery.owed(frozenset({"phone"}))
    assert service.next_message().title == f"STOP - {OVERFILL}"
    assert heard.get(timeout=GENEROUS_S) == ("phone", True, "what is owed can be read again")
    delivery.stop(GENEROUS_S)


def test_a_notice_that_could_not_be_recorded_wakes_its_channel() -> None:
    ledger, service = FakeLedger(), FakeService()
    ledger.fail()
    delivery = started(ledger, {"phone": service}, lambda *_: None)
    delivery.send_unrecorded(notice())
    assert service.next_message().title == f"STOP - {OVERFILL} (not recorded)"
    delivery.stop(GENEROUS_S)


# Whatever happens ---------------------------------------------------------------------------------------------------

HAPPENINGS = st.lists(
    st.sampled_from(["owe", "deliver", "later", "ledger fails", "ledger recovers", "attempts lost", "restart"]),
    max_size=40,
)


@dataclass
class World(Bench):
    """A bench to which anything can happen."""

    owed: int = 0

    def happens(self, happening: str) -> None:
        getattr(self, happening.replace(" ", "_"))()

    def owe(self) -> None:
        self.owed += 1
        owing = notice(f"tern-1/overfill/{self.owed}", priority=1 + self.owed % 3, raised_s=self.clock.utc_s)
        self.ledger.owe(owing)
        if not self.ledger.healthy():
            self.worker.send_unrecorded(owing)

    def later(self) -> None:
        self.clock.advance(20.0)

    def ledger_fails(self) -> None:
        self.ledger.fail()

    def ledger_recovers(self) -> None:
        self.ledger.recover()

    def attempts_lost(self) -> None:
        self.ledger.lose()

    def restart(self) -> None:
        """Only once memory holds nothing that the ledger does not: what only memory holds dies with the process."""
        if self.ledger.healthy():
            self.deliver()
            super().restart()


@settings(max_examples=200)
@given(happenings=HAPPENINGS, results=st.lists(st.sampled_from([DELIVERED, FAILED, UNKNOWN]), max_size=40))
def test_nothing_is_lost_and_no_two_copies_look_the_same_whatever_happens(
    happenings: list[str], results: list[str]
) -> None:
    it = World(service=FakeService(results))
    for happening in happenings:
        it.happens(happening)
    it.ledger_recovers()
    for _ in range(50):
        it.clock.advance(300.0)
        it.deliver()
    assert it.ledger.unsettled() == []
    copies = [shown_as(message) for message in it.service.messages]
    assert len(copies) == len(set(copies))
    assert {occurrence for occurrence, _ in copies} == {f"tern-1/overfill/{n}" for n in range(1, it.owed + 1)}


def shown_as(message: Message) -> tuple[str, frozenset[str]]:
    """Occurrence and marks as a person sees them; how late it came does not tell copies apart."""
    occurrence, _, marks = message.title.removeprefix("STOP - ").rstrip(")").partition(" (")
    return occurrence, frozenset(mark for mark in marks.split(", ") if not mark.startswith(("raised", "ended")))
