"""Who is told of what, and when: routes, hours, what nobody acknowledged, one notice instead of a flood."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.events import AlarmChanged, AlarmState, Chatter, ClockStepped, ServiceChanged, Tick
from fillguard.core.hours import Hours, WeekTime, minute_of_day
from fillguard.core.standing import RESTARTED
from fillguard.core.values import Stamp
from fillguard.core.words import Notice
from fillguard.outlets.grouping import ChannelFlood, Ended
from fillguard.outlets.notifying import Notifier, Opened
from fillguard.outlets.routing import wants
from fillguard.ports import Announced, OwedNotice, Route

NOON = datetime(2026, 11, 24, 12, tzinfo=UTC).timestamp()
NIGHT = datetime(2026, 11, 24, 23, 30, tzinfo=UTC).timestamp()
U, A, RU, LU, N = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.NORMAL,
)


def at(utc_s: float) -> Stamp:
    return Stamp(mono_s=utc_s - NOON + 1e4, utc_s=utc_s)


class Plain:
    """Says what it is about and no more."""

    asked = 0

    def notice(self, change: AlarmChanged) -> Notice:
        self.asked += 1
        return Notice(title=change.alarm, body=change.cause)

    def flood_began(self, flood: ChannelFlood) -> Notice:
        return Notice(title="many", body=f"{dict(sorted(flood.counts.items()))}")

    def flood_over(self, flood: Ended, ended: Stamp) -> Notice:
        return Notice(title="over", body=f"{sum(flood.counts.values())} after {ended.utc_s - flood.began.utc_s:g} s")


@dataclass
class Office:
    """A notifier, the time, and everything that was owed."""

    routes: Sequence[Route]
    now_s: float = NOON
    zone: str = "UTC"
    owed: list[OwedNotice] = field(default_factory=list)
    numbers: int = 0

    def __post_init__(self) -> None:
        self.words = Plain()
        self.restart()

    def restart(self, opened: Iterable[Opened] = (), raises: Iterable[AlarmChanged] = ()) -> None:
        self.notifier = Notifier(lambda: self.routes, self.words, station="tern", zone=ZoneInfo(self.zone))
        self.notifier.resume(opened, raises, at(self.now_s))

    def raises(
        self, alarm: str = "overfill", *, priority: int = 1, whip: str | None = "2", chatter: Chatter = Chatter.NONE
    ) -> AlarmChanged:
        self.numbers += 1
        change = AlarmChanged(
            stamp=at(self.now_s), whip=whip, fill_id="f-1", serial="TH-0042", operator="op-1", alarm=alarm,
            occurrence=f"f-1/{alarm}/{self.numbers}", priority=priority, old=N, new=U, cause="seen",
            raised_utc_s=self.now_s, chatter=chatter,
        )  # fmt: skip
        self.hears(change)
        return change

    def becomes(self, change: AlarmChanged, new: AlarmState, *, reason: str | None = None) -> AlarmChanged:
        then = replace(change, stamp=at(self.now_s), old=change.new, new=new, reason=reason)
        self.hears(then)
        return then

    def hears(self, *changes: AlarmChanged) -> None:
        self.owed += self.notifier.notices(Tick(stamp=at(self.now_s)), changes)

    def later(self, seconds: float) -> None:
        """Time passes, second by second."""
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.hears()

    def told(self) -> list[tuple[str, str, str]]:
        """Channel, kind and title, in order; then forgotten."""
        told = [(each.channel, each.change.notice_kind, each.title) for each in self.owed]
        self.owed.clear()
        return told


# Routes ---------------------------------------------------------------------------------------------------------------

ALL, EVERYTHING, WHIP_1 = (
    Route(channel="all"),
    Route(channel="everything", priorities=frozenset({1, 2, 3})),
    Route(channel="whip 1", whips=frozenset({"1"})),
)
BANK = Route(channel="bank", priorities=frozenset({1, 2, 3}), alarms=frozenset({"bank-low"}))


@pytest.mark.parametrize(
    ("alarm", "priority", "whip", "channels"),
    [
        ("overfill", 1, "2", ["all", "everything"]),
        ("overfill", 1, "1", ["all", "everything", "whip 1"]),
        ("store-failing", 2, None, ["all", "everything"]),
        ("drops", 3, None, ["everything"]),
        ("bank-low", 3, None, ["everything", "bank"]),
    ],
    ids=["by priority", "by whip", "the station goes to channels for all whips", "what is asked for", "by alarm"],
)
def test_a_channel_gets_what_it_asks_for(alarm: str, priority: int, whip: str | None, channels: list[str]) -> None:
    office = Office([ALL, EVERYTHING, WHIP_1, BANK])
    office.raises(alarm, priority=priority, whip=whip)
    assert [channel for channel, *_ in office.told()] == channels


def test_raise_and_return_are_told_once_each_and_an_acknowledgement_is_nobodys_news() -> None:
    office = Office([ALL])
    raised = office.raises()
    seen = office.becomes(office.becomes(raised, U), A)
    office.becomes(seen, N)
    assert office.told() == [("all", "raise", "overfill"), ("all", "return", "overfill")]


def test_no_words_are_made_where_nobody_wants_them() -> None:
    office = Office([WHIP_1])
    office.becomes(office.raises(), RU)
    assert (office.told(), office.words.asked) == ([], 0)


def test_a_failing_channel_is_told_to_the_others_whatever_they_ask_for() -> None:
    office = Office([ALL, WHIP_1])
    failed = ServiceChanged(stamp=at(NOON), service="channel:all", ok=False, detail="no answer")
    office.notifier.notices(failed, ())
    office.raises("channel-failing", priority=3, whip=None)
    assert office.told() == [("whip 1", "raise", "channel-failing")]


# What nobody acknowledged -------------------------------------------------------------------------------------------

FIRST, SECOND = Route(channel="duty"), Route(channel="manager", unacknowledged_after_s=120.0)


def test_what_nobody_acknowledges_goes_to_the_next_channel_and_says_so() -> None:
    office = Office([FIRST, SECOND])
    office.raises()
    office.later(119)
    assert office.told() == [("duty", "raise", "overfill")]
    office.later(1)
    (notice,) = office.owed
    assert (notice.channel, notice.title) == ("manager", "overfill (not acknowledged)")
    assert notice.body == "seen\nNobody has acknowledged it, 2:00 after it was raised."
    office.later(600)
    assert len(office.told()) == 1


@pytest.mark.parametrize("new", [A, RU, N, AlarmState.SHELVED], ids=str)
def test_what_was_acknowledged_or_ended_by_itself_goes_no_further(new: AlarmState) -> None:
    office = Office([FIRST, SECOND])
    raised = office.raises()
    office.later(60)
    office.becomes(raised, new)
    office.later(600)
    assert [each for each in office.told() if each[0] == "manager"] == []


def test_what_latched_goes_on_until_somebody_acknowledges() -> None:
    office = Office([FIRST, SECOND])
    office.becomes(office.raises(), LU)
    office.later(120)
    assert ("manager", "raise", "overfill (not acknowledged)") in office.told()


def test_what_is_only_no_longer_judged_goes_on_too() -> None:
    office = Office([FIRST, SECOND])
    office.becomes(office.raises(), RU, reason=RESTARTED)
    office.later(120)
    assert ("manager", "raise", "overfill (not acknowledged)") in office.told()


def test_only_whoever_was_told_of_the_raise_hears_of_the_return() -> None:
    office = Office([FIRST, SECOND])
    first = office.raises()
    office.later(60)
    office.becomes(first, N)
    second = office.raises()
    office.later(120)
    office.becomes(second, N)
    told = office.told()
    assert [kind for channel, kind, _ in told if channel == "manager"] == ["raise", "return"]
    assert [kind for channel, kind, _ in told if channel == "duty"] == ["raise", "return"] * 2


def test_raised_again_the_time_runs_from_the_new_raise() -> None:
    office = Office([SECOND])
    office.becomes(office.raises(), LU)
    office.later(100)
    office.raises()
    office.later(100)
    assert office.told() == []
    office.later(20)
    assert len(office.told()) == 1


def test_after_a_restart_the_time_still_runs_from_the_raise() -> None:
    office = Office([FIRST, SECOND])
    raised = office.raises()
    office.owed.clear()
    office.now_s += 100.0
    last = replace(raised, old=U, new=RU, reason=RESTARTED)
    office.restart([Opened(raised=raised, last=last, told={"duty"})])
    office.later(19)
    assert office.told() == []
    office.later(1)
    assert office.owed[0].change == raised, "so that the record knows it: nobody is told twice"
    assert [channel for channel, *_ in office.told()] == ["manager"]


def test_what_came_due_while_nobody_ran_is_told_at_once() -> None:
    office = Office([SECOND])
    raised = office.raises()
    office.now_s += 3600.0
    office.restart([Opened(raised=raised, last=raised)])
    office.hears()
    assert [channel for channel, *_ in office.told()] == ["manager"]


def test_a_clock_that_is_set_changes_no_waiting_time() -> None:
    office = Office([SECOND])
    office.raises()
    office.later(60)
    office.now_s -= 3600.0
    office.notifier.notices(ClockStepped(stamp=at(office.now_s), by_s=-3600.0), ())
    office.later(59)
    assert office.told() == []
    office.later(1)
    assert len(office.told()) == 1


@pytest.mark.parametrize("priority", [1, 2])
def test_an_alarm_that_comes_and_goes_is_told_again_only_if_it_stays(priority: int) -> None:
    office = Office([FIRST])
    for chatter in (Chatter.BEGAN, Chatter.GOES_ON, Chatter.GOES_ON):
        raised = office.raises("gas-hot", priority=priority, chatter=chatter)
        office.later(5)
        office.becomes(raised, RU)
        office.later(5)
    told = office.told()
    assert len(told) == (6 if priority == 1 else 2)
    office.raises("gas-hot", priority=priority, chatter=Chatter.GOES_ON)
    office.later(60)
    title = "gas-hot" if priority == 1 else "gas-hot (not acknowledged)"
    assert office.told() == [("duty", "raise", title)]


# Hours ----------------------------------------------------------------------------------------------------------------

BY_DAY = Route(channel="office", hours=Hours(from_min=minute_of_day("07:00"), to_min=minute_of_day("22:00")))


def test_outside_its_hours_a_channel_gets_priority_1_at_once_and_nothing_else() -> None:
    office = Office([BY_DAY], now_s=NIGHT)
    office.raises("too-fast", priority=2)
    office.raises("overfill", priority=1)
    assert office.told() == [("office", "raise", "overfill")]


def test_what_still_stands_unacknowledged_when_the_hours_begin_is_told_then() -> None:
    office = Office([BY_DAY], now_s=NIGHT)
    office.becomes(office.raises("too-fast", priority=2), A)
    office.raises("unidentified", priority=2)
    office.now_s = datetime(2026, 11, 25, 6, 59, 30, tzinfo=UTC).timestamp()
    office.later(29)
    assert office.told() == []
    office.later(1)
    assert office.told() == [("office", "raise", "unidentified (not acknowledged)")]


def test_hours_are_those_of_the_wall_at_the_station() -> None:
    office = Office([BY_DAY], now_s=datetime(2026, 11, 24, 21, 30, tzinfo=UTC).timestamp(), zone="Europe/Oslo")
    office.raises("too-fast", priority=2)
    assert office.told() == []


def test_an_escalation_that_falls_outside_the_hours_waits_for_them() -> None:
    office = Office([replace(BY_DAY, unacknowledged_after_s=60.0)], now_s=NIGHT)
    office.raises("too-fast", priority=2)
    office.raises("overfill", priority=1)
    office.later(60)
    assert office.told() == [("office", "raise", "overfill (not acknowledged)")]


@pytest.mark.parametrize(
    ("hours", "moment", "holds"),
    [
        (("07:00", "22:00"), "2026-11-24T07:00", True),
        (("07:00", "22:00"), "2026-11-24T22:00", False),
        (("22:00", "06:00"), "2026-11-24T23:00", True),
        (("22:00", "06:00"), "2026-11-25T05:59", True),
        (("22:00", "06:00"), "2026-11-24T12:00", False),
        (("00:00", "00:00"), "2026-11-24T12:00", True),
    ],
)
def test_hours_hold_from_their_first_minute_to_before_their_last(
    hours: tuple[str, str], moment: str, *, holds: bool
) -> None:
    begin, end = map(minute_of_day, hours)
    assert Hours(from_min=begin, to_min=end).holds(datetime.fromisoformat(moment)) is holds


def test_a_night_belongs_to_the_day_on_which_it_begins() -> None:
    friday = Hours(from_min=1320, to_min=360, days=frozenset({4}))
    assert friday.holds(datetime(2026, 11, 28, 3))  # noqa: DTZ001 - the time on the wall: a Saturday
    assert not friday.holds(datetime(2026, 11, 27, 3))  # noqa: DTZ001 - a Friday
    assert friday.next_start(datetime(2026, 11, 28, 3)) == datetime(2026, 12, 4, 22)  # noqa: DTZ001


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)),  # noqa: DTZ001
    st.integers(0, 1439),
    st.frozensets(st.integers(0, 6), min_size=1),
)
def test_the_last_and_the_next_time_of_a_week_lie_around_any_moment(
    moment: datetime, minute: int, days: frozenset[int]
) -> None:
    plan = WeekTime(minute=minute, days=days)
    last, following = plan.last_before(moment), plan.next_after(moment)
    assert last <= moment < following
    assert (following - last).days <= 7
    assert {last.weekday(), following.weekday()} <= days
    assert plan.next_after(last) == following


@pytest.mark.parametrize("text", ["7:00", "24:00", "07:60", "0700", "-1:00", ""])
def test_no_time_of_day(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - the text is the configuration's
        minute_of_day(text)


# A flood --------------------------------------------------------------------------------------------------------------


def flooded(office: Office, count: int, *, priority: int = 2) -> None:
    for n in range(count):
        office.raises(f"alarm-{n % 3}", priority=priority, whip=str(n))


def test_the_eleventh_alarm_within_ten_minutes_makes_it_one_notice_with_counts() -> None:
    office = Office([ALL])
    flooded(office, 10)
    assert len(office.told()) == 10
    flooded(office, 90)
    office.raises("overfill", priority=1)
    assert office.told() == [("all", "raise", "overfill")], "priority 1 is never grouped"
    office.later(10)
    (notice,) = office.owed
    assert (notice.title, notice.body) == ("many", "{'alarm-0': 30, 'alarm-1': 30, 'alarm-2': 30}")
    assert isinstance(notice.change, Announced)
    assert (notice.change.occurrence, notice.change.priority) == ("tern/alarm-flood/20261124T120000Z", 2)
    assert len(notice.change.stands_for) == 90


def test_a_thousand_alarms_at_once_are_eleven_notices_and_little_memory() -> None:
    office = Office([ALL])
    flooded(office, 3000)
    office.later(10)
    assert len(office.told()) == 11
    assert len(office.notifier._open) <= 2000
    assert len(office.notifier._floods["all"].stands_for) <= 200


def test_what_nobody_acknowledges_does_not_flood_the_next_channel_either() -> None:
    office = Office([SECOND])
    for n in range(100):
        office.raises(f"alarm-{n}", priority=2)
    office.raises("overfill", priority=1)
    office.later(130)
    told = office.told()
    assert len(told) == 12
    assert ("manager", "raise", "overfill (not acknowledged)") in told
    assert ("manager", "raise", "many") in told


def test_a_flood_that_is_over_is_told_once_with_what_was_not_told_one_by_one() -> None:
    office = Office([ALL])
    flooded(office, 12)
    office.later(601)
    assert [(kind, title) for _, kind, title in office.told()][-2:] == [("raise", "many"), ("return", "over")]
    office.later(1200)
    assert office.told() == []
    office.raises("too-fast", priority=2)
    assert office.told() == [("all", "raise", "too-fast")]


def test_each_channel_has_a_flood_of_its_own() -> None:
    office = Office([ALL, WHIP_1])
    flooded(office, 40)
    office.owed.clear()
    office.raises("too-fast", priority=2, whip="1")
    assert office.told() == [("whip 1", "raise", "too-fast")]


def test_a_return_of_what_was_told_one_by_one_is_told_in_a_flood_too() -> None:
    office = Office([ALL])
    first = office.raises("too-fast", priority=2)
    flooded(office, 20)
    grouped = office.raises("gas-hot", priority=2)
    office.owed.clear()
    office.becomes(first, N)
    office.becomes(grouped, N)
    assert office.told() == [("all", "return", "too-fast")]


def test_a_flood_outlives_a_restart_under_its_name() -> None:
    office = Office([ALL])
    raised = []
    for _ in range(15):
        raised.append(office.raises("too-fast", priority=2))
        office.later(10)
    before = next(each.change for each in office.owed if isinstance(each.change, Announced))
    office.owed.clear()
    office.restart(raises=raised)
    office.raises("gas-hot", priority=2)
    office.later(10)
    (notice,) = office.owed
    assert isinstance(notice.change, Announced)
    known = (notice.change.occurrence, notice.change.stamp.utc_s, notice.change.notice_kind)
    assert known == (before.occurrence, before.stamp.utc_s, before.notice_kind), "the record has it: not sent again"


# Whatever happens -----------------------------------------------------------------------------------------------------

STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("raise"), st.sampled_from([1, 2, 3]), st.integers(0, 2)),
        st.tuples(st.just("becomes"), st.sampled_from([A, RU, LU, N, AlarmState.SHELVED]), st.integers(0, 30)),
        st.tuples(st.just("later"), st.sampled_from([1, 5, 30, 300]), st.just(0)),
    ),
    max_size=60,
)
MANY = (
    FIRST,
    SECOND,
    EVERYTHING,
    replace(BY_DAY, unacknowledged_after_s=None),
    replace(BY_DAY, channel="late", unacknowledged_after_s=30.0),
)


@given(STEPS, st.sampled_from([NOON, NIGHT]))
def test_no_channel_hears_twice_of_a_raise_or_a_return_nor_of_a_return_without_a_raise(
    steps: list[tuple[str, object, int]], start_s: float
) -> None:
    office = Office(MANY, now_s=start_s)
    known: list[AlarmChanged] = []
    for kind, what, number in steps:
        if kind == "raise" and isinstance(what, int):
            known.append(office.raises(f"alarm-{number}", priority=what))
        elif kind == "becomes" and isinstance(what, AlarmState) and known:
            index = number % len(known)
            known[index] = office.becomes(known[index], what)
        elif kind == "later" and isinstance(what, int):
            office.later(what)
    keys = [(each.channel, each.change.occurrence, each.change.notice_kind) for each in office.owed]
    assert len(keys) == len(set(keys))
    for channel, occurrence, kind in keys:
        assert kind == "raise" or (channel, occurrence, "raise") in keys


@given(STEPS, st.sampled_from([NOON, NIGHT]))
def test_priority_1_reaches_every_channel_that_asks_for_it_at_once(
    steps: list[tuple[str, object, int]], start_s: float
) -> None:
    office = Office(MANY, now_s=start_s)
    for kind, what, number in steps:
        if kind == "raise" and isinstance(what, int):
            before = len(office.owed)
            raised = office.raises(f"alarm-{number}", priority=what)
            told = {each.channel for each in office.owed[before:] if each.change == raised}
            at_once = {r.channel for r in MANY if r.unacknowledged_after_s is None and wants(r, raised)}
            assert told == at_once or what != 1
        elif kind == "later" and isinstance(what, int):
            office.later(what)
