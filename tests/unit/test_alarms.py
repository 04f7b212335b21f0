"""The life cycle of an alarm: every combination of flags, and the stories that people live through."""

import itertools
import math
from dataclasses import dataclass, field, replace

import pytest

from fillguard.core.alarms import carry_over, command, elapse, judge, stop_judging
from fillguard.core.errors import IllegalTransitionError
from fillguard.core.events import AlarmChanged, AlarmCommanded, AlarmFacts, AlarmState, Chatter, Verb
from fillguard.core.rules import AlarmRule
from fillguard.core.standing import ALLOWED, FILL_ENDED, Move, Seen, Standing, Subject, move, transitions
from fillguard.core.values import Stamp

S = AlarmState
FILL = "tern-2-20261124T101010Z"
NEXT_FILL = "tern-2-20261124T110000Z"
SUBJECT = Subject(station="tern", whip="2", fill_id=FILL, serial="TH-0042", operator="op-1")
BAR = 1e5


def rule(
    *,
    name: str = "overfill",
    priority: int = 2,
    deadband: float = BAR,
    on_delay_s: float = 0.0,
    off_delay_s: float = 0.0,
    latched: bool = False,
    realarm_s: float | None = None,
) -> AlarmRule:
    return AlarmRule(
        name=name, priority=priority, cause="it is above", consequence="harm", action="close it", basis="our choice",
        deadband=deadband, on_delay_s=on_delay_s, off_delay_s=off_delay_s, latched=latched,
        shelvable=priority > 1, realarm_s=realarm_s,
    )  # fmt: skip


PLAIN, LATCHING, STOP = rule(), rule(latched=True), rule(priority=1, latched=True)


@dataclass
class Whip:
    """One alarm of one whip, told what happens second by second."""

    rule: AlarmRule
    subject: Subject = SUBJECT
    standing: Standing = field(default_factory=Standing)
    told: list[AlarmChanged] = field(default_factory=list)

    def sees(self, excess_bar: float | None, at: float, **how: str | None) -> tuple[AlarmChanged, ...]:
        excess = None if excess_bar is None else excess_bar * BAR
        facts = AlarmFacts(gauge_pa=None if excess is None else 200 * BAR + excess)
        return self.sees_it(Seen(excess=excess, cause=f"{excess_bar} bar above", facts=facts), at, **how)

    def sees_it(self, seen: Seen, at: float, suppressed_by: str | None = None) -> tuple[AlarmChanged, ...]:
        self.standing, changes = judge(
            self.standing, self.rule, self.subject, seen, stamp(at), suppressed_by=suppressed_by
        )
        self.told += changes
        return changes

    def waits(self, until: float) -> tuple[AlarmChanged, ...]:
        self.standing, changes = elapse(self.standing, self.rule, self.subject, stamp(until))
        self.told += changes
        return changes

    def does(
        self,
        verb: Verb,
        at: float,
        *,
        reason: str | None = "disc replaced",
        for_s: float | None = None,
        who: str = "op-1",
    ) -> str | None:
        event = AlarmCommanded(stamp=stamp(at), verb=verb, operator=who, reason=reason, for_s=for_s)
        self.standing, changes, refusal = command(self.standing, self.rule, self.subject, event)
        self.told += changes
        return refusal

    @property
    def state(self) -> AlarmState:
        return self.standing.state


def stamp(at: float) -> Stamp:
    return Stamp(mono_s=at, utc_s=1_795_558_000.0 + at)


def steps(changes: list[AlarmChanged] | tuple[AlarmChanged, ...]) -> list[tuple[AlarmState, AlarmState]]:
    return [(change.old, change.new) for change in changes]


# Every combination of flags -------------------------------------------------------------------------------------------

VISIBLE = {
    (True, False, False): S.UNACKNOWLEDGED,
    (True, False, True): S.UNACKNOWLEDGED,
    (True, True, False): S.ACKNOWLEDGED,
    (True, True, True): S.ACKNOWLEDGED,
    (False, False, False): S.RETURNED_UNACKNOWLEDGED,
    (False, False, True): S.LATCHED_UNACKNOWLEDGED,
    (False, True, True): S.LATCHED_ACKNOWLEDGED,
    (False, True, False): S.NORMAL,
}
HIDING = [
    {
        "shelved_at_mono_s": shelved,
        "shelved_until_mono_s": shelved and 600.0,
        "suppressed_by": by,
        "out_of_service_by": out,
    }
    for shelved, by, out in itertools.product((None, 0.5), (None, "whip-only"), (None, "op-2"))
]
ALL = [
    Standing(
        active=active, acknowledged=acknowledged, latched=latched, occurrence=f"{FILL}/overfill/1", subject=SUBJECT,
        priority=2, fill_id=FILL, fill_n=1, **hiding,  # type: ignore[arg-type]
    )
    for (active, acknowledged, latched), hiding in itertools.product(VISIBLE, HIDING)
]  # fmt: skip


def described(standing: Standing) -> str:
    flags = [name for name in ("active", "acknowledged", "latched") if getattr(standing, name)]
    hidden = {"shelved": standing.shelved_until_mono_s, "suppressed": standing.suppressed_by}
    hidden["out of service"] = standing.out_of_service_by
    return " ".join([*flags, *(name for name, held in hidden.items() if held)]) or "nothing"


def hidden_name(standing: Standing) -> AlarmState | None:
    if standing.out_of_service_by:
        return S.OUT_OF_SERVICE
    if standing.shelved_until_mono_s:
        return S.SHELVED
    return S.SUPPRESSED if standing.suppressed_by else None


@pytest.mark.parametrize("standing", ALL, ids=described)
def test_every_combination_of_flags_has_its_name(standing: Standing) -> None:
    visible = VISIBLE[standing.active, standing.acknowledged, standing.latched]
    assert standing.beneath is visible
    assert standing.state is (hidden_name(standing) or visible)
    assert standing.annunciated is (visible is S.UNACKNOWLEDGED and hidden_name(standing) is None)


@pytest.mark.parametrize("what", Move)
@pytest.mark.parametrize("standing", ALL[:: len(HIDING)], ids=described)
def test_a_move_is_made_or_refused_and_changes_nothing_else(standing: Standing, what: Move) -> None:
    if standing.beneath not in ALLOWED[what]:
        with pytest.raises(IllegalTransitionError, match=standing.beneath.value):
            move(standing, what, latching=True)
        return
    after = move(standing, what, latching=False)
    expected = {
        Move.RAISE: {"active": True, "acknowledged": False},
        Move.RETURN: {"active": False},
        Move.ACKNOWLEDGE: {"acknowledged": True},
        Move.RESET: {"latched": False},
    }[what]
    assert after == replace(standing, **expected)  # type: ignore[arg-type]


def test_the_plain_life_cycle_is_the_one_of_iec_62682() -> None:
    # The state machine of IEC 62682 and ISA-18.2, also in the open text of OPC UA Part 9 (from memory).
    assert set(transitions(latching=False)) == {
        (S.NORMAL, Move.RAISE, S.UNACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Move.ACKNOWLEDGE, S.ACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Move.RETURN, S.RETURNED_UNACKNOWLEDGED),
        (S.ACKNOWLEDGED, Move.RETURN, S.NORMAL),
        (S.RETURNED_UNACKNOWLEDGED, Move.ACKNOWLEDGE, S.NORMAL),
        (S.RETURNED_UNACKNOWLEDGED, Move.RAISE, S.UNACKNOWLEDGED),
    }


def test_the_latching_life_cycle_is_the_one_of_iec_62682_and_raises_anew_from_both_latched_states() -> None:
    assert set(transitions(latching=True)) == {
        (S.NORMAL, Move.RAISE, S.UNACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Move.ACKNOWLEDGE, S.ACKNOWLEDGED),
        (S.UNACKNOWLEDGED, Move.RETURN, S.LATCHED_UNACKNOWLEDGED),
        (S.ACKNOWLEDGED, Move.RETURN, S.LATCHED_ACKNOWLEDGED),
        (S.LATCHED_UNACKNOWLEDGED, Move.ACKNOWLEDGE, S.LATCHED_ACKNOWLEDGED),
        (S.LATCHED_ACKNOWLEDGED, Move.RESET, S.NORMAL),
        (S.LATCHED_UNACKNOWLEDGED, Move.RAISE, S.UNACKNOWLEDGED),
        (S.LATCHED_ACKNOWLEDGED, Move.RAISE, S.UNACKNOWLEDGED),
    }


INPUTS = {
    "beyond": Seen(excess=BAR, cause="c"),
    "within the deadband": Seen(excess=-0.5 * BAR),
    "clear": Seen(excess=-2 * BAR),
    "unknown": Seen.unknown(),
    "not a number": Seen(excess=math.nan),
    "yes": Seen.yes("c"),
    "no": Seen.no(),
}


@pytest.mark.parametrize("suppressed_by", [None, "whip-only"], ids=["shown", "suppressed"])
@pytest.mark.parametrize("seen", INPUTS.values(), ids=INPUTS)
@pytest.mark.parametrize("standing", ALL, ids=described)
def test_what_is_seen_has_one_outcome_in_every_combination(
    standing: Standing, seen: Seen, suppressed_by: str | None
) -> None:
    after, changes = judge(standing, PLAIN, SUBJECT, seen, stamp(1), suppressed_by=suppressed_by)
    active = {"beyond": True, "yes": True, "clear": False, "no": False}.get(
        next(name for name, value in INPUTS.items() if value is seen), standing.active
    )
    person = standing.shelved_until_mono_s or standing.out_of_service_by
    hidden = hidden_name(replace(standing, suppressed_by=suppressed_by))
    assert after.active is active
    assert after.shelved_until_mono_s == standing.shelved_until_mono_s
    assert after.out_of_service_by == standing.out_of_service_by
    assert (after.state, after.hidden) == (hidden or after.beneath, hidden is not None)
    begins = active and hidden is None and (not standing.active or hidden_name(standing) is not None)
    assert [change.new for change in changes if change.is_raise] == [S.UNACKNOWLEDGED] * begins
    if begins:
        assert (after.occurrence, after.beneath) == (f"{FILL}/overfill/2", S.UNACKNOWLEDGED)
    elif not (person and active and not standing.active):
        assert after.occurrence == standing.occurrence
        assert (after.acknowledged, after.latched) == (standing.acknowledged, standing.latched)
    assert steps(changes)[:1] == ([] if standing.state is after.state else [(standing.state, steps(changes)[0][1])])
    assert steps(changes)[-1:] == ([] if standing.state is after.state else [(steps(changes)[-1][0], after.state)])


OUTCOMES = {
    # Where the verb is taken: the flags it changes. Everywhere else it is refused.
    Verb.ACKNOWLEDGE: lambda s: not s.hidden and s.beneath in ALLOWED[Move.ACKNOWLEDGE],
    Verb.RESET: lambda s: not s.hidden and s.beneath is S.LATCHED_ACKNOWLEDGED,
    Verb.SHELVE: lambda s: s.shelved_until_mono_s is None,
    Verb.UNSHELVE: lambda s: s.shelved_until_mono_s is not None,
    Verb.OUT_OF_SERVICE: lambda s: s.out_of_service_by is None,
    Verb.IN_SERVICE: lambda s: s.out_of_service_by is not None,
}


@pytest.mark.parametrize("verb", Verb)
@pytest.mark.parametrize("standing", ALL, ids=described)
def test_a_command_is_taken_or_refused_in_words_in_every_combination(standing: Standing, verb: Verb) -> None:
    event = AlarmCommanded(stamp=stamp(1), verb=verb, operator="op-3", reason="valve replaced", for_s=60.0)
    after, changes, refusal = command(standing, PLAIN, SUBJECT, event)
    if not OUTCOMES[verb](standing):
        assert refusal is not None
        assert "overfill" in refusal
        assert (after, changes) == (standing, ())
        return
    assert refusal is None
    assert after != standing
    assert all(change.by == "op-3" and change.reason == "valve replaced" for change in changes)
    assert (not changes) is (after.state is standing.state)
    shown_again = standing.hidden and not after.hidden
    assert any(change.is_raise for change in changes) is (shown_again and standing.active)


# What is announced ----------------------------------------------------------------------------------------------------


def test_a_condition_that_stays_is_told_once_and_its_facts_are_kept_fresh() -> None:
    whip = Whip(PLAIN)
    assert steps(whip.sees(1, 1)) == [(S.NORMAL, S.UNACKNOWLEDGED)]
    assert whip.sees(5, 2) == ()
    assert whip.standing.facts.gauge_pa == 205 * BAR
    assert whip.standing.cause == "5 bar above"


def test_a_raise_names_fill_cylinder_operator_time_and_number() -> None:
    (change,) = Whip(STOP).sees(1, 7)
    assert (change.whip, change.fill_id, change.serial, change.operator) == ("2", FILL, "TH-0042", "op-1")
    assert (change.occurrence, change.priority, change.raised_utc_s) == (f"{FILL}/overfill/1", 1, 1_795_558_007.0)
    assert (change.cause, change.facts.gauge_pa) == ("1 bar above", 201 * BAR)
    assert (change.is_raise, change.is_return, change.is_realarm) == (True, False, False)


@pytest.mark.parametrize(
    ("subject", "occurrence"),
    [
        (Subject(station="tern", whip="2"), "tern-2/overfill/1"),
        (Subject(station="tern"), "tern/overfill/1"),
        (SUBJECT, f"{FILL}/overfill/1"),
    ],
    ids=["outside a fill", "of the station", "within a fill"],
)
def test_an_occurrence_is_numbered_where_it_happens(subject: Subject, occurrence: str) -> None:
    (change,) = Whip(PLAIN, subject).sees(1, 1)
    assert change.occurrence == occurrence


def test_numbers_go_on_after_a_restart_and_begin_anew_in_a_new_fill_only() -> None:
    outside = Subject(station="tern", whip="2")
    whip = Whip(PLAIN, outside, Standing(occurrence_n=4, fill_id=FILL, fill_n=2))
    found = []
    for at, subject in ((1, outside), (3, SUBJECT), (5, replace(SUBJECT, fill_id=NEXT_FILL)), (7, outside)):
        whip.subject = subject
        found += [change.occurrence for change in whip.sees(1, at)]
        whip.sees(-2, at + 1)
    assert found == [
        "tern-2/overfill/5", f"{FILL}/overfill/3", f"{NEXT_FILL}/overfill/1", "tern-2/overfill/6",
    ]  # fmt: skip


def test_exactly_at_the_setpoint_is_not_beyond_it() -> None:
    assert Whip(PLAIN).sees(0, 1) == ()


def test_clearing_must_pass_the_deadband_too() -> None:
    whip = Whip(PLAIN)
    whip.sees(0.1, 1)
    assert whip.sees(-0.9, 2) == ()
    assert whip.sees(-1.0, 3) == ()
    (change,) = whip.sees(-1.1, 4)
    assert (change.new, change.is_return) == (S.RETURNED_UNACKNOWLEDGED, True)
    assert change.facts.gauge_pa == 198.9 * BAR


@pytest.mark.parametrize("unknown", [None, math.nan], ids=["missing", "not a number"])
def test_missing_data_neither_raises_nor_clears_nor_hides(unknown: float | None) -> None:
    whip = Whip(PLAIN)
    assert whip.sees(unknown, 1) == ()
    whip.sees(1, 2)
    assert whip.sees(unknown, 3) == ()
    assert whip.waits(3600) == ()
    assert whip.state is S.UNACKNOWLEDGED


def test_yes_and_no_know_no_deadband() -> None:
    whip = Whip(rule(deadband=1e12))
    assert steps(whip.sees_it(Seen.yes("silent"), 1)) == [(S.NORMAL, S.UNACKNOWLEDGED)]
    assert steps(whip.sees_it(Seen.no(), 2)) == [(S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED)]


def test_the_first_alarm_of_a_fill_stays_marked() -> None:
    standing, (raised,) = judge(Standing(), PLAIN, SUBJECT, Seen.yes("c"), stamp(1), first_out=True)
    _, (returned,) = judge(standing, PLAIN, SUBJECT, Seen.no(), stamp(2), first_out=False)
    assert raised.first_out
    assert returned.first_out


def test_a_graver_case_raises_with_the_graver_priority_and_a_milder_one_does_not_lower_it() -> None:
    (graver,) = Whip(PLAIN).sees_it(Seen.yes("c", priority=1), 1)
    (milder,) = Whip(STOP).sees_it(Seen.yes("c", priority=3), 1)
    assert (graver.priority, milder.priority) == (1, 1)


def test_a_serial_learned_during_the_fill_is_told_from_then_on_but_not_that_of_the_next_fill() -> None:
    whip = Whip(LATCHING, replace(SUBJECT, serial=None))
    whip.sees(1, 1)
    whip.subject = SUBJECT
    (returned,) = whip.sees(-2, 2)
    whip.subject = replace(SUBJECT, fill_id=NEXT_FILL, serial="TH-0043")
    assert whip.does(Verb.ACKNOWLEDGE, 3) is None
    assert [change.serial for change in whip.told] == [None, "TH-0042", "TH-0042"]
    assert returned.fill_id == whip.told[-1].fill_id == FILL


# Delays ---------------------------------------------------------------------------------------------------------------


def test_an_on_delay_asks_for_a_condition_that_lasts() -> None:
    whip = Whip(rule(on_delay_s=10))
    assert whip.sees(1, 0) == whip.sees(1, 9.9) == ()
    assert steps(whip.sees(1, 10)) == [(S.NORMAL, S.UNACKNOWLEDGED)]


def test_a_condition_that_dips_below_the_setpoint_starts_its_on_delay_anew() -> None:
    whip = Whip(rule(on_delay_s=10))
    whip.sees(1, 0)
    whip.sees(-0.1, 8)
    assert whip.sees(1, 9) == whip.sees(1, 18) == ()
    assert whip.sees(1, 19) != ()


def test_a_tick_ends_an_on_delay_with_what_was_seen_last() -> None:
    whip = Whip(rule(on_delay_s=10))
    whip.sees(1, 0)
    whip.sees(2, 5)
    assert whip.waits(9) == ()
    (change,) = whip.waits(10)
    assert (change.new, change.cause) == (S.UNACKNOWLEDGED, "2 bar above")


def test_an_off_delay_asks_for_a_clear_that_lasts_and_a_tick_ends_it() -> None:
    whip = Whip(rule(off_delay_s=10))
    whip.sees(1, 0)
    whip.sees(-2, 1)
    whip.sees(-0.5, 6)
    whip.sees(-2, 7)
    assert whip.waits(16) == ()
    assert steps(whip.waits(17)) == [(S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED)]


def test_a_gap_in_the_data_does_not_postpone_a_raise_but_it_does_a_return() -> None:
    rising, falling = Whip(rule(on_delay_s=10)), Whip(rule(off_delay_s=10))
    rising.sees(1, 0)
    falling.sees(1, -1)
    falling.sees(-2, 0)
    for whip in (rising, falling):
        assert whip.sees(None, 5) == ()
        assert whip.waits(11) == ()
    assert rising.sees(1, 12) != ()
    assert falling.sees(-2, 12) == falling.waits(21) == ()
    assert falling.waits(22) != ()


def test_a_clock_that_began_anew_starts_a_delay_anew() -> None:
    whip = Whip(rule(on_delay_s=10))
    whip.sees(1, 5000)
    assert whip.sees(1, 3) == whip.sees(1, 12) == ()
    assert whip.sees(1, 13) != ()


def test_an_unacknowledged_alarm_calls_again_with_fresh_facts_under_the_same_name() -> None:
    whip = Whip(rule(realarm_s=60))
    whip.sees(1, 0)
    whip.sees(4, 30)
    assert whip.waits(59) == ()
    (again,) = whip.waits(60)
    assert (again.is_realarm, again.is_raise, again.is_return) == (True, False, False)
    assert (again.occurrence, again.facts.gauge_pa) == (f"{FILL}/overfill/1", 204 * BAR)
    assert whip.waits(119) == ()
    whip.does(Verb.ACKNOWLEDGE, 119.5)
    assert whip.waits(400) == ()


# Latched --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("acknowledged", [False, True], ids=["unacknowledged", "acknowledged"])
def test_a_latched_alarm_never_hides_the_next_one(*, acknowledged: bool) -> None:
    whip = Whip(STOP)
    whip.sees(1, 1)
    whip.sees(-2, 2)
    if acknowledged:
        whip.does(Verb.ACKNOWLEDGE, 3)
    (change,) = whip.sees(1, 4)
    assert (change.is_raise, change.occurrence) == (True, f"{FILL}/overfill/2")
    assert change.old is (S.LATCHED_ACKNOWLEDGED if acknowledged else S.LATCHED_UNACKNOWLEDGED)


def test_a_latched_alarm_is_reset_only_when_clear_acknowledged_and_with_what_was_done() -> None:
    whip = Whip(STOP)
    whip.sees(1, 1)
    assert "still there: 1 bar above" in str(whip.does(Verb.RESET, 2))
    whip.sees(-2, 3)
    assert "acknowledge overfill first" in str(whip.does(Verb.RESET, 4))
    assert whip.does(Verb.ACKNOWLEDGE, 5) is None
    assert "say what was done" in str(whip.does(Verb.RESET, 6, reason=" "))
    assert whip.does(Verb.RESET, 7) is None
    assert (whip.state, whip.told[-1].by, whip.told[-1].reason) == (S.NORMAL, "op-1", "disc replaced")


def test_a_word_meant_for_an_earlier_occurrence_does_not_silence_the_present_one() -> None:
    whip = Whip(PLAIN)
    for at in (1, 3):
        whip.sees(1, at)
        whip.sees(-2, at + 1)
    whip.sees(1, 5)
    late = AlarmCommanded(stamp=stamp(6), verb=Verb.ACKNOWLEDGE, operator="op-1", occurrence=f"{FILL}/overfill/2")
    after, changes, refusal = command(whip.standing, PLAIN, SUBJECT, late)
    assert (after, changes) == (whip.standing, ())
    assert refusal == f"{FILL}/overfill/2 is past; {FILL}/overfill/3 is the present occurrence"


# Hidden ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"who": ""}, "say who you are"),
        ({"reason": None}, "say why"),
        ({"for_s": None}, "none was given"),
        ({"for_s": 1801.0}, "at most 30 min; 1801 s was given"),
        ({"for_s": math.nan}, "nan s was given"),
        ({"for_s": 0.0}, "0 s was given"),
    ],
    ids=str,
)
def test_shelving_asks_for_a_name_a_reason_and_at_most_half_an_hour(change: dict[str, object], words: str) -> None:
    whip = Whip(PLAIN)
    assert words in str(whip.does(Verb.SHELVE, 1, **{"reason": "noisy", "for_s": 60.0, **change}))  # type: ignore[arg-type]
    assert whip.state is S.NORMAL


@pytest.mark.parametrize("verb", [Verb.SHELVE, Verb.OUT_OF_SERVICE])
def test_no_person_hides_priority_1(verb: Verb) -> None:
    by_rule, by_case = Whip(STOP), Whip(PLAIN)
    by_case.sees_it(Seen.yes("pure oxygen", priority=1), 1)
    for whip in (by_rule, by_case):
        assert "priority 1" in str(whip.does(verb, 2, for_s=60.0))


def test_an_alarm_that_turns_grave_while_shelved_is_announced_at_once() -> None:
    whip = Whip(PLAIN)
    whip.does(Verb.SHELVE, 1, for_s=600.0)
    assert whip.sees_it(Seen.yes("air"), 2) == ()
    whip.sees_it(Seen.no(), 3)
    assert steps(whip.sees_it(Seen.yes("pure oxygen", priority=1), 4)) == [(S.SHELVED, S.UNACKNOWLEDGED)]
    assert whip.told[-1].priority == 1


@pytest.mark.parametrize(
    ("verb", "of"),
    [(Verb.SHELVE, STOP), (Verb.SHELVE, replace(PLAIN, shelvable=False)), (Verb.OUT_OF_SERVICE, STOP)],
    ids=["shelving, priority 1 now", "shelving, not shelvable now", "out of service, priority 1 now"],
)
def test_a_rule_that_no_longer_allows_hiding_ends_it(verb: Verb, of: AlarmRule) -> None:
    whip = Whip(PLAIN)
    whip.does(verb, 1, for_s=600.0)
    whip.sees(1, 2)
    whip.rule = of
    assert [change.new for change in whip.waits(3)] == [S.UNACKNOWLEDGED]


def test_shelving_ends_by_itself_and_what_is_still_there_is_announced() -> None:
    whip = Whip(PLAIN)
    whip.does(Verb.SHELVE, 0, for_s=600.0)
    assert whip.sees(1, 10) == whip.waits(599) == ()
    (change,) = whip.waits(600)
    assert (change.old, change.new, change.is_raise) == (S.SHELVED, S.UNACKNOWLEDGED, True)
    assert (change.occurrence, change.raised_utc_s) == (f"{FILL}/overfill/1", stamp(10).utc_s)


def test_shelving_ends_when_the_clock_began_anew() -> None:
    whip = Whip(PLAIN)
    whip.does(Verb.SHELVE, 50_000, for_s=600.0)
    assert steps(whip.waits(3)) == [(S.SHELVED, S.NORMAL)]


def test_an_announced_alarm_that_is_hidden_ends_its_occurrence_and_begins_another_when_shown() -> None:
    whip = Whip(STOP)
    whip.sees(1, 1)
    (hidden,) = whip.sees(1, 2, suppressed_by="whip-only")
    (shown,) = whip.sees(1, 3)
    assert (hidden.new, hidden.is_return, hidden.reason) == (S.SUPPRESSED, True, "whip-only")
    assert (hidden.occurrence, shown.occurrence) == (f"{FILL}/overfill/1", f"{FILL}/overfill/2")
    assert shown.is_raise


def test_an_acknowledged_alarm_that_is_shown_again_must_be_acknowledged_again() -> None:
    whip = Whip(PLAIN)
    whip.sees(1, 1)
    whip.does(Verb.ACKNOWLEDGE, 2)
    whip.does(Verb.OUT_OF_SERVICE, 3)
    assert whip.state is S.OUT_OF_SERVICE
    whip.does(Verb.IN_SERVICE, 4)
    assert steps(whip.told)[-1] == (S.OUT_OF_SERVICE, S.UNACKNOWLEDGED)


def test_what_begins_and_ends_under_suppression_leaves_nothing() -> None:
    whip = Whip(STOP)
    assert steps(whip.sees(1, 1, suppressed_by="whip-only")) == [(S.NORMAL, S.SUPPRESSED)]
    assert whip.sees(-2, 2, suppressed_by="whip-only") == ()
    assert steps(whip.sees(-2, 3)) == [(S.SUPPRESSED, S.NORMAL)]
    assert not any(change.is_raise or change.is_return for change in whip.told)


def test_what_ends_in_the_step_that_lifts_the_suppression_is_not_announced() -> None:
    whip = Whip(STOP)
    whip.sees(1, 1, suppressed_by="whip-only")
    assert steps(whip.sees(-2, 2)) == [(S.SUPPRESSED, S.NORMAL)]


def test_what_latches_while_shelved_is_shown_afterwards_without_a_call() -> None:
    whip = Whip(LATCHING)
    whip.does(Verb.SHELVE, 0, for_s=600.0)
    whip.sees(1, 1)
    whip.sees(-2, 2)
    (change,) = whip.waits(600)
    assert (change.new, change.is_raise, change.is_return) == (S.LATCHED_UNACKNOWLEDGED, False, False)
    assert change.occurrence == f"{FILL}/overfill/1"


def test_what_came_and_went_while_shelved_needs_no_acknowledgement() -> None:
    whip = Whip(PLAIN)
    whip.does(Verb.SHELVE, 0, for_s=600.0)
    whip.sees(1, 1)
    whip.sees(-2, 2)
    assert steps(whip.waits(600)) == [(S.SHELVED, S.NORMAL)]


# The next fill --------------------------------------------------------------------------------------------------------


def next_fill(whip: Whip, at: float) -> tuple[Standing, Standing | None, tuple[AlarmChanged, ...]]:
    return carry_over(whip.standing, whip.rule, replace(SUBJECT, fill_id=NEXT_FILL, serial="TH-0043"), stamp(at))


@pytest.mark.parametrize("acknowledged", [False, True], ids=["unacknowledged", "acknowledged"])
@pytest.mark.parametrize("active", [False, True], ids=["over", "still there"])
@pytest.mark.parametrize("of", [PLAIN, LATCHING], ids=["plain", "latching"])
def test_an_alarm_of_the_last_fill_stays_on_show_and_the_new_fill_starts_free(
    of: AlarmRule, *, active: bool, acknowledged: bool
) -> None:
    whip = Whip(of)
    whip.sees(1, 1)
    if acknowledged:
        whip.does(Verb.ACKNOWLEDGE, 2)
    if not active:
        whip.sees(-2, 3)
    fresh, left, changes = next_fill(whip, 4)
    unlatched = S.NORMAL if acknowledged else S.RETURNED_UNACKNOWLEDGED
    latched = S.LATCHED_ACKNOWLEDGED if acknowledged else S.LATCHED_UNACKNOWLEDGED
    expected = latched if of.latched else unlatched
    assert (S.NORMAL if left is None else left.state) is expected
    assert [(c.new, c.is_return, c.fill_id, c.serial) for c in changes] == [(expected, True, FILL, "TH-0042")] * active
    new = Whip(of, replace(SUBJECT, fill_id=NEXT_FILL), fresh)
    (raised,) = new.sees(1, 5)
    assert (raised.is_raise, raised.occurrence) == (True, f"{NEXT_FILL}/overfill/1")


def test_what_is_left_over_is_acknowledged_and_reset_under_its_old_name() -> None:
    whip = Whip(STOP)
    whip.sees(1, 1)
    _, left, _ = next_fill(whip, 2)
    assert left is not None
    old = Whip(STOP, replace(SUBJECT, fill_id=NEXT_FILL), left)
    assert old.does(Verb.ACKNOWLEDGE, 3) is None
    assert old.waits(4000) == ()
    assert old.does(Verb.RESET, 4001) is None
    assert [(c.new, c.occurrence, c.fill_id) for c in old.told] == [
        (S.LATCHED_ACKNOWLEDGED, f"{FILL}/overfill/1", FILL),
        (S.NORMAL, f"{FILL}/overfill/1", FILL),
    ]


@pytest.mark.parametrize(("of", "new"), [(PLAIN, S.RETURNED_UNACKNOWLEDGED), (STOP, S.LATCHED_UNACKNOWLEDGED)])
def test_at_the_end_of_a_fill_an_alarm_returns_saying_that_nobody_looks_any_more(
    of: AlarmRule, new: AlarmState
) -> None:
    whip = Whip(of)
    whip.sees(1, 1)
    standing, (change,) = stop_judging(whip.standing, of, SUBJECT, stamp(2))
    assert (change.new, change.is_return, change.reason) == (new, True, FILL_ENDED)
    assert stop_judging(standing, of, SUBJECT, stamp(3)) == (standing, ())


def test_a_delay_that_ran_when_the_fill_ended_does_not_raise_afterwards() -> None:
    whip = Whip(rule(on_delay_s=10))
    whip.sees(1, 0)
    whip.standing, changes = stop_judging(whip.standing, whip.rule, SUBJECT, stamp(5))
    assert changes == whip.waits(60) == ()


def test_a_delay_that_ran_for_the_last_cylinder_does_not_count_for_this_one() -> None:
    whip = Whip(rule(on_delay_s=10))
    whip.sees(1, 0)
    fresh, left, changes = next_fill(whip, 9)
    assert (left, changes) == (None, ())
    assert Whip(whip.rule, whip.subject, fresh).sees(1, 11) == ()


def test_what_is_left_over_never_raises_again_by_itself() -> None:
    whip = Whip(rule(off_delay_s=10))
    whip.sees(1, 1)
    whip.sees(-2, 2)
    _, left, _ = next_fill(whip, 3)
    assert left is not None
    old = Whip(whip.rule, standing=left)
    assert old.waits(60) == ()
    assert old.state is S.RETURNED_UNACKNOWLEDGED


def test_a_new_fill_forgets_neither_the_numbers_given_nor_the_chattering() -> None:
    whip = Whip(PLAIN, standing=Standing(occurrence_n=7))
    for at in (1, 3, 5):
        whip.sees(1, at)
        whip.sees(-2, at + 1)
    fresh, _, _ = next_fill(whip, 7)
    assert (fresh.occurrence_n, fresh.fill_id, fresh.fill_n) == (7, FILL, 3)
    (change,) = Whip(PLAIN, replace(SUBJECT, fill_id=NEXT_FILL), fresh).sees(1, 8)
    assert change.chatter is Chatter.GOES_ON


def test_shelving_goes_over_to_the_next_fill_and_suppression_does_not() -> None:
    shelved, suppressed = Whip(PLAIN), Whip(PLAIN)
    shelved.does(Verb.SHELVE, 1, for_s=600.0)
    suppressed.sees(1, 1, suppressed_by="whip-only")
    assert next_fill(shelved, 2)[0].state is S.SHELVED
    assert next_fill(shelved, 2)[2] == ()
    fresh, left, changes = next_fill(suppressed, 2)
    assert (fresh.state, left, steps(changes)) == (S.NORMAL, None, [(S.SUPPRESSED, S.NORMAL)])


# Chattering -----------------------------------------------------------------------------------------------------------


def test_the_third_raise_within_a_minute_says_once_that_the_alarm_comes_and_goes() -> None:
    # Three or more in a minute: the trade press on IEC 62682.
    whip = Whip(PLAIN)
    for at in (0, 20, 60, 70, 200, 210, 220):
        whip.sees(1, at)
        whip.sees(-2, at + 1)
    told = [change.chatter for change in whip.told if change.is_raise]
    none, began, goes_on = Chatter.NONE, Chatter.BEGAN, Chatter.GOES_ON
    assert told == [none, none, began, goes_on, none, none, began]
    assert {change.chatter for change in whip.told if not change.is_raise} == {none}


def test_a_second_call_does_not_say_again_that_it_comes_and_goes() -> None:
    whip = Whip(rule(realarm_s=60))
    for at in (1, 3, 5):
        whip.sees(-2, at)
        whip.sees(1, at + 1)
    assert whip.told[-1].chatter is Chatter.BEGAN
    (again,) = whip.waits(100)
    assert again.chatter is Chatter.NONE
