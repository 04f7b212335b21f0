"""How well the alarms serve people: how many, how urgent, who had to bear them, which only make noise.

Measures and what they are compared with are those that IEC 62682 and ISA-18.2 suggest (from memory, as the trade press
has them): about 5, 15 and 80 % of alarms with priority 1, 2 and 3; about one alarm in ten minutes for one operator.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from fillguard.core.events import AlarmChanged, AlarmState, Chatter
from fillguard.core.flood import Flood, flood
from fillguard.core.values import Stamp

TARGET_SHARES: Mapping[int, float] = {1: 0.05, 2: 0.15, 3: 0.80}
TARGET_PER_TEN_MINUTES = 1.0
TEN_MINUTES_S = 600.0
STALE_AFTER_S = 86_400.0
"""There for longer than a day: nobody acts on it (same)."""
TOP = 5
_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_SEEN = frozenset({AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.NORMAL})


@dataclass(frozen=True, slots=True, kw_only=True)
class FillSpan:
    """One fill, as far as alarms are measured against it."""

    fill_id: str
    operator: str | None
    started_s: float
    ended_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurred:
    """One occurrence of an alarm. Times in Unix seconds; None: not yet."""

    alarm: str
    whip: str | None
    fill_id: str | None
    operator: str | None
    occurrence: str
    priority: int
    raised_s: float
    acknowledged_s: float | None = None
    ended_s: float | None = None
    chattered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorLoad:
    """What one operator had to bear."""

    operator: str
    fills: int
    alarms: int
    at_panel_s: float
    """Time with at least one fill open."""
    per_ten_minutes: float
    """Averaged over that time."""
    most_in_ten_minutes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """How soon people acknowledged alarms of one priority. Seconds; None: nobody did."""

    priority: int
    acknowledged: int
    never: int
    median_s: float | None
    slow_s: float | None
    """Nine of ten were faster."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """The alarms of a stretch of time."""

    since_s: float
    until_s: float
    fills: int
    fills_with_alarm: int
    alarms: int
    in_fills: int
    """Of these, raised in a fill of this stretch."""
    by_priority: Mapping[int, int]
    floods: int
    operators: tuple[OperatorLoad, ...]
    answered: tuple[Answered, ...]
    top: tuple[tuple[str, int], ...]
    """The most frequent alarms, with how often."""
    chattering: tuple[tuple[str, str | None, int], ...]
    """Alarm, whip, how often it was told to come and go."""
    stale: tuple[Occurred, ...]
    """Those that were there for longer than a day."""

    @property
    def per_fill(self) -> float | None:
        """Alarms a fill; None without fills."""
        return self.in_fills / self.fills if self.fills else None

    @property
    def share_with_alarm(self) -> float | None:
        """Share of fills with at least one; None without fills."""
        return self.fills_with_alarm / self.fills if self.fills else None


def occurrences(changes: Iterable[AlarmChanged]) -> list[Occurred]:
    """Each occurrence with its times, in the order of their raises."""
    found: dict[str, Occurred] = {}
    for change in changes:
        at_s = change.stamp.utc_s
        if change.is_raise:
            found[change.occurrence] = Occurred(
                alarm=change.alarm,
                whip=change.whip,
                fill_id=change.fill_id,
                operator=change.operator,
                occurrence=change.occurrence,
                priority=change.priority,
                raised_s=at_s,
                chattered=change.chatter is not Chatter.NONE,
            )
        before = found.get(change.occurrence)
        if before is None:
            continue
        acknowledged = change.by is not None and change.new in _SEEN and before.acknowledged_s is None
        ended = change.new not in _ACTIVE and before.ended_s is None
        found[change.occurrence] = replace(
            before,
            acknowledged_s=at_s if acknowledged else before.acknowledged_s,
            ended_s=at_s if ended else before.ended_s,
        )
    return list(found.values())


def measured(changes: Iterable[AlarmChanged], fills: Sequence[FillSpan], *, since_s: float, until_s: float) -> Measures:
    """The measures of a stretch of time: of alarms raised and fills started from `since_s` on and before `until_s`."""
    found = [each for each in occurrences(changes) if since_s <= each.raised_s < until_s]
    known = {fill.fill_id for fill in fills}
    in_fills = [each for each in found if each.fill_id in known]
    frequent = Counter(each.alarm for each in found)
    chattering = Counter((each.alarm, each.whip) for each in found if each.chattered)
    return Measures(
        since_s=since_s,
        until_s=until_s,
        fills=len(fills),
        fills_with_alarm=len({each.fill_id for each in in_fills}),
        alarms=len(found),
        in_fills=len(in_fills),
        by_priority={priority: sum(each.priority == priority for each in found) for priority in TARGET_SHARES},
        floods=_floods([each.raised_s for each in found]),
        operators=_loads(found, fills),
        answered=tuple(_answered(priority, found) for priority in TARGET_SHARES),
        top=tuple(frequent.most_common(TOP)),
        chattering=tuple((alarm, whip, times) for (alarm, whip), times in chattering.most_common()),
        stale=tuple(each for each in found if (each.ended_s or until_s) - each.raised_s > STALE_AFTER_S),
    )


def _loads(found: Sequence[Occurred], fills: Sequence[FillSpan]) -> tuple[OperatorLoad, ...]:
    spans: defaultdict[str, list[FillSpan]] = defaultdict(list)
    for fill in fills:
        if fill.operator is not None:
            spans[fill.operator].append(fill)
    return tuple(_load(operator, spans[operator], found) for operator in sorted(spans))


def _load(operator: str, fills: Sequence[FillSpan], found: Sequence[Occurred]) -> OperatorLoad:
    raises = sorted(each.raised_s for each in found if each.operator == operator)
    at_panel_s = _covered_s([(fill.started_s, fill.ended_s) for fill in fills])
    return OperatorLoad(
        operator=operator,
        fills=len(fills),
        alarms=len(raises),
        at_panel_s=at_panel_s,
        per_ten_minutes=len(raises) * TEN_MINUTES_S / at_panel_s if at_panel_s > 0.0 else 0.0,
        most_in_ten_minutes=_most_within(raises, TEN_MINUTES_S),
    )


def _covered_s(spans: Sequence[tuple[float, float]]) -> float:
    """How long at least one of `spans` lasted."""
    covered, until_s = 0.0, float("-inf")
    for start_s, end_s in sorted(spans):
        covered += max(0.0, end_s - max(start_s, until_s))
        until_s = max(until_s, end_s)
    return covered


def _answered(priority: int, found: Sequence[Occurred]) -> Answered:
    mine = [each for each in found if each.priority == priority]
    waits = sorted(each.acknowledged_s - each.raised_s for each in mine if each.acknowledged_s is not None)
    return Answered(
        priority=priority,
        acknowledged=len(waits),
        never=len(mine) - len(waits),
        median_s=_share(waits, 0.5),
        slow_s=_share(waits, 0.9),
    )


def _share(ordered: Sequence[float], share: float) -> float | None:
    """The smallest value that at least `share` of all do not exceed."""
    if not ordered:
        return None
    return ordered[max(0, -int(-share * len(ordered) // 1) - 1)]


def _floods(raises_s: Sequence[float]) -> int:
    """How often more came than a person can take in."""
    state, floods = Flood(), 0
    for at_s in sorted(raises_s):
        before = flood(state, Stamp(mono_s=at_s, utc_s=at_s))
        state = flood(before, Stamp(mono_s=at_s, utc_s=at_s), raised=1)
        floods += state.flooding and not before.flooding
    return floods


def _most_within(ordered_s: Sequence[float], span_s: float) -> int:
    """The most of `ordered_s` that lie within any `span_s`."""
    most = first = 0
    for last, at_s in enumerate(ordered_s):
        while at_s - ordered_s[first] >= span_s:
            first += 1
        most = max(most, last - first + 1)
    return most
