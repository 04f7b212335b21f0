"""Whatever happens to an alarm, in whatever order: what a person may rely on."""

from collections import Counter
from dataclasses import dataclass, field, replace

from hypothesis import given
from hypothesis import strategies as st

from fillguard.core.alarms import carry_over, command, elapse, judge
from fillguard.core.events import AlarmChanged, AlarmCommanded, AlarmState, Verb
from fillguard.core.rules import AlarmRule
from fillguard.core.standing import Seen, Standing, Subject
from fillguard.core.values import Stamp

Step = tuple[str, float, object]
SEEN = st.sampled_from([None, -3.0, -1.0, -0.5, 0.0, 0.5, 3.0])
PAUSE = st.sampled_from([0.0, 1.0, 4.0, 30.0, 700.0])


def histories(*, suppression: bool = True, gaps: bool = True) -> st.SearchStrategy[list[Step]]:
    """Lists of what may happen: seen (with or without suppression), time passes, a person acts, a new fill begins."""
    seen = SEEN if gaps else SEEN.filter(lambda excess: excess is not None)
    under = st.sampled_from([None, "whip-only"]) if suppression else st.none()
    kinds = (
        st.tuples(st.just("seen"), PAUSE, st.tuples(seen, under)),
        st.tuples(st.just("tick"), PAUSE, st.none()),
        st.tuples(st.just("person"), PAUSE, st.sampled_from(Verb)),
        st.tuples(st.just("fill"), PAUSE, st.none()),
    )
    return st.lists(st.one_of(kinds), max_size=40)


def rule_of(
    priority: int, *, latched: bool, on_delay_s: float, off_delay_s: float, realarm_s: float | None
) -> AlarmRule:
    return AlarmRule(
        name="overfill", priority=priority, cause="c", consequence="k", action="a", basis="b", deadband=1.0,
        on_delay_s=on_delay_s, off_delay_s=off_delay_s, latched=latched, shelvable=priority > 1, realarm_s=realarm_s,
    )  # fmt: skip


DELAY = st.sampled_from([0.0, 5.0])
RULES = st.builds(
    rule_of,
    st.sampled_from([1, 2]),
    latched=st.booleans(),
    on_delay_s=DELAY,
    off_delay_s=DELAY,
    realarm_s=st.sampled_from([None, 20.0]),
)


@dataclass
class Life:
    """One alarm of one whip over several fills."""

    rule: AlarmRule
    now: float = 0.0
    fill: int = 1
    standing: Standing = field(default_factory=Standing)
    left: list[Standing] = field(default_factory=list)
    told: list[AlarmChanged] = field(default_factory=list)

    @property
    def subject(self) -> Subject:
        return Subject(station="tern", whip="2", fill_id=f"fill-{self.fill}")

    def take(self, step: Step) -> tuple[AlarmChanged, ...]:
        kind, pause, what = step
        self.now += pause
        stamp = Stamp(mono_s=self.now, utc_s=1e9 + self.now)
        changes: tuple[AlarmChanged, ...]
        if kind == "seen":
            assert isinstance(what, tuple)
            seen = Seen(excess=what[0], cause="c")
            self.standing, changes = judge(self.standing, self.rule, self.subject, seen, stamp, suppressed_by=what[1])
        elif kind == "tick":
            self.standing, changes = elapse(self.standing, self.rule, self.subject, stamp)
        elif kind == "person":
            assert isinstance(what, Verb)
            event = AlarmCommanded(stamp=stamp, verb=what, operator="op-1", reason="r", for_s=600.0)
            self.standing, changes, _ = command(self.standing, self.rule, self.subject, event)
        else:
            self.fill += 1
            self.standing, left, changes = carry_over(self.standing, self.rule, self.subject, stamp)
            self.left += [left] if left else []
        self.told += changes
        return changes


@given(RULES, histories())
def test_an_active_unacknowledged_alarm_that_nothing_hides_calls_for_a_person(
    rule: AlarmRule, steps: list[Step]
) -> None:
    life = Life(rule)
    for step in steps:
        life.take(step)
        now = life.standing
        if now.active and not now.acknowledged and not now.hidden:
            assert now.annunciated
            raised = [change for change in life.told if change.is_raise]
            assert raised[-1].occurrence == now.occurrence
        if rule.priority == 1:
            assert not now.hidden_by_person


@given(RULES, histories(suppression=False, gaps=False))
def test_a_condition_beyond_its_setpoint_without_delay_is_never_left_untold(rule: AlarmRule, steps: list[Step]) -> None:
    rule = replace(rule, on_delay_s=0.0)
    life = Life(rule)
    for step in steps:
        life.take(step)
        beyond = step[0] == "seen" and isinstance(step[2], tuple) and step[2][0] > 0.0
        if beyond and not life.standing.hidden_by_person:
            assert life.standing.state in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
            last = [change for change in life.told if change.is_raise][-1]
            assert last.occurrence == life.standing.occurrence
            assert last.fill_id == life.subject.fill_id


@given(RULES, histories())
def test_an_occurrence_raises_once_then_returns_at_most_once(rule: AlarmRule, steps: list[Step]) -> None:
    life = Life(rule)
    for step in steps:
        life.take(step)
    raises, returns = Counter[str](), Counter[str]()
    for change in life.told:
        if change.is_return:
            assert raises[change.occurrence] == 1
        raises[change.occurrence] += change.is_raise
        returns[change.occurrence] += change.is_return
    assert max(raises.values(), default=0) <= 1
    assert max(returns.values(), default=0) <= 1
    calling = life.standing.state in {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
    assert [o for o, n in raises.items() if n > returns[o]] == [life.standing.occurrence] * calling


@given(RULES, histories())
def test_what_is_told_is_one_unbroken_story(rule: AlarmRule, steps: list[Step]) -> None:
    life = Life(rule)
    for step in steps:
        before = life.standing.state
        changes = life.take(step)
        for change in changes:
            assert change.old is before
            before = change.new
        if step[0] != "fill":
            assert before is life.standing.state


@given(RULES, histories(), st.lists(PAUSE, min_size=1, max_size=5))
def test_missing_data_never_raises_or_clears(rule: AlarmRule, steps: list[Step], pauses: list[float]) -> None:
    life = Life(rule)
    for step in steps:
        life.take(step)
    active, under = life.standing.active, life.standing.suppressed_by
    for pause in pauses:
        life.take(("seen", pause, (None, under)))
        life.take(("tick", pause, None))
        assert life.standing.active is active


@given(RULES, histories())
def test_an_unacknowledged_or_latched_alarm_leaves_the_board_only_through_a_person(
    rule: AlarmRule, steps: list[Step]
) -> None:
    life = Life(rule)
    for step in steps:
        before, left = life.standing, len(life.left)
        life.take(step)
        asks = before.beneath not in {AlarmState.NORMAL, AlarmState.ACKNOWLEDGED} and before.occurrence
        if asks and step[0] == "fill" and not before.covered:
            assert life.left[left:]
        elif asks and step[0] in {"seen", "tick"} and not before.covered:
            assert life.standing.beneath is not AlarmState.NORMAL


@given(RULES, histories())
def test_the_memory_of_an_alarm_stays_small(rule: AlarmRule, steps: list[Step]) -> None:
    life = Life(rule)
    for step in steps:
        life.take(step)
        assert len(life.standing.raises_mono_s) <= 3
