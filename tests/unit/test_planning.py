"""The daily test and the weekly list: each time once, at the time on the wall, and not again after a restart."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from queue import Queue
from zoneinfo import ZoneInfo

import pytest

from fillguard.core.announcing import due_list, flood_began, flood_over
from fillguard.core.hours import WeekTime, minute_of_day
from fillguard.core.words import Notice
from fillguard.outlets.planning import Plan, Planner
from fillguard.ports import Announced, OwedNotice
from tests.delivery_fakes import GENEROUS_S
from tests.fakes import FakeClock


def utc(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def a_test(moment: datetime) -> Notice:
    return Notice(title="Test", body=f"{moment:%H:%M %Z}")


@dataclass
class Desk:
    """A planner, looked at by hand."""

    plans: Sequence[Plan] = (
        Plan(
            channel="phone", kind="test", about="channel-test", at=WeekTime(minute=minute_of_day("08:15")), make=a_test
        ),
    )
    zone: str = "Europe/Oslo"
    clock: FakeClock = field(default_factory=FakeClock)
    owed: list[OwedNotice] = field(default_factory=list)
    reported: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        self.planner = Planner(
            self.plans,
            station="tern",
            zone=ZoneInfo(self.zone),
            clock=self.clock,
            owe=self.owed.append,
            report=self.reported.append,
        )

    def at(self, text: str) -> list[OwedNotice]:
        """Look at this moment (UTC); what has been owed so far."""
        self.clock.utc_s = utc(text)
        self.planner.look(self.clock.now())
        return self.owed


def test_a_test_is_sent_once_a_day_at_the_time_on_the_wall() -> None:
    desk = Desk()
    assert desk.at("2026-11-24T00:00") == []
    assert desk.at("2026-11-24T07:14:59") == []
    (notice,) = desk.at("2026-11-24T07:15:00")
    assert (notice.channel, notice.title, notice.body) == ("phone", "Test", "08:15 CET")
    about = notice.change
    assert isinstance(about, Announced)
    assert (about.occurrence, about.notice_kind) == ("tern/channel-test/20261124T0815", "test")
    assert len(desk.at("2026-11-24T23:00")) == 1
    assert len(desk.at("2026-11-25T07:15:20")) == 2


def test_after_a_restart_the_same_test_has_the_same_name_and_moment_so_that_the_record_knows_it() -> None:
    desk = Desk()
    desk.at("2026-11-24T07:15:10")
    desk.restart()
    first, second = desk.at("2026-11-24T09:00")
    assert first == second


def test_a_test_that_was_missed_by_hours_waits_for_the_next_day() -> None:
    desk = Desk()
    assert desk.at("2026-11-24T14:00") == []
    assert len(desk.at("2026-11-25T07:15")) == 1


def test_a_list_with_nothing_in_it_is_not_sent_and_one_that_fails_ends_nothing() -> None:
    def broken(_: datetime) -> Notice | None:
        raise OSError("disk gone")

    at = WeekTime(minute=480, days=frozenset({1}))
    plans = [
        Plan(channel="phone", kind="list", about="due-list", at=at, make=broken),
        Plan(channel="phone", kind="list", about="empty", at=at, make=lambda _: None),
        Plan(channel="phone", kind="test", about="channel-test", at=at, make=a_test),
    ]
    desk = Desk(plans=plans)
    assert [notice.title for notice in desk.at("2026-11-24T07:00")] == ["Test"]
    assert desk.reported == ["due-list for channel phone could not be made: OSError('disk gone')"]


def test_it_looks_by_itself_until_it_is_stopped() -> None:
    owed: Queue[OwedNotice] = Queue()
    clock = FakeClock(utc_s=utc("2026-11-24T07:15:00"))
    plans = Desk().plans
    planner = Planner(
        plans, station="tern", zone=ZoneInfo("Europe/Oslo"), clock=clock, owe=owed.put, report=pytest.fail
    )
    planner.start()
    assert owed.get(timeout=GENEROUS_S).title == "Test"
    planner.stop()
    planner._thread.join(GENEROUS_S)
    assert not planner._thread.is_alive()


# Words --------------------------------------------------------------------------------------------------------------


def test_a_flood_is_told_with_counts_and_what_to_do() -> None:
    said = flood_began({"gas-hot": 3, "too-fast": 8}, station_name="Tern Harbour", time_text="14:03")
    assert said.title == "ACT - station: many alarms at once, look at the board"
    assert "Not told one by one so far: filling too fast 8, gas hot 3." in said.body
    assert "What to do: go to the board, or call somebody who stands there." in said.body
    over = flood_over({"gas-hot": 3}, 660.0, station_name="Tern Harbour", time_text="14:03")
    assert over.body.startswith(
        "Tern Harbour: alarms are told one by one again, after 11:00.\nNot told one by one: 3 ("
    )


def test_a_long_list_is_cut_and_says_how_much_is_missing() -> None:
    said = due_list([f"2026-12-01: TH-{n:04}, visual inspection" for n in range(50)], 30, station_name="Tern Harbour")
    assert said.title == "Due - Tern Harbour: 50 cylinders"
    assert said.body.endswith("... and 10 more: fillguard cylinders due")
    assert said.body.count("\n") == 41
