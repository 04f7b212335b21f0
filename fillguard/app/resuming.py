"""What an earlier run left behind: fills that were open, alarms that still stand, numbers that are given, cylinders.

A restart must not pass for "all is well". After a short absence every whip goes on where it was. After a longer one
fills end as interrupted with their last known state; alarms that a person has not dealt with stay on show under their
old occurrence; no occurrence number is used twice.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from fillguard.app.folding import NOTHING, TakenUp, differences, taken_up
from fillguard.core.alarms import Standing, Subject
from fillguard.core.conditions import OF_THE_WHIP
from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    CylinderAttached,
    FillEnded,
    FillIdentified,
    FillStarted,
    FillSummary,
    FindingMade,
    Outcome,
    Quantity,
)
from fillguard.core.rules import Rules
from fillguard.core.standing import RESTARTED
from fillguard.core.station import StationState
from fillguard.core.values import Stamp
from fillguard.core.whip import WhipState
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.outlets.mqtt import same_alarm
from fillguard.ports import ProjectionRow, ReadingRow

_ACKNOWLEDGED = frozenset({AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED})
_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
_JUDGED_AT_EACH_START = frozenset({"self-test-failing"})
_HIDDEN = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftBehind:
    """What the new run begins with."""

    state: StationState
    taken_up: TakenUp
    """Whips that go on where they were."""
    standing: tuple[AlarmChanged, ...]
    """Last change of each alarm that a person still has to deal with, as it was told."""
    facts: tuple[AlarmChanged | FillEnded, ...]
    """What the restart changed: to be told and recorded."""
    attached: tuple[CylinderAttached, ...]
    """What hung on the whips a moment ago, and most likely still does."""
    told: tuple[str, ...]
    """For the log: what ended."""

    @property
    def in_mid_fill(self) -> bool:
        """True when the last run ended while a fill was open: the broker should have kept what came meanwhile."""
        return self.state.fill_is_open or any(isinstance(fact, FillEnded) for fact in self.facts)


def left_behind(reader: SqliteLedgerReader, rules: Rules, now: Stamp) -> LeftBehind:
    """Read what an earlier run left in the ledger. Raises LedgerError."""
    standing = newest(reader.standing_alarms(), rules)
    numbers = reader.last_occurrences()
    open_fills = reader.open_fills()
    fresh = _fresh(rules, standing, numbers, open_fills, now)
    going_on, failed = _gone_on_with(reader, rules, now, fresh)
    fills = [(fill, _interrupted(fill, reader)) for fill in open_fills if fill.fill_id not in going_on.fills]
    restored = [(change, _restored(change, rules, now)) for change in standing if change.whip not in going_on.whips]
    returned = [
        replace(change, stamp=now, old=change.new, new=standing.state, by=None, reason=RESTARTED)
        for change, standing in restored
        if standing.state is not change.new
    ]
    differing = [
        change
        for whip, state in going_on.whips.items()
        for change in differences(state, (each for each in standing if each.whip == whip), rules, now)
    ]
    recent_s = now.utc_s - rules.extents.same_fill_within_s
    return LeftBehind(
        state=_together(
            _state(rules, [(c, s) for c, s in restored if s.state is not AlarmState.NORMAL], numbers), going_on
        ),
        taken_up=going_on,
        standing=tuple(standing),
        facts=(*returned, *differing, *(FillEnded(stamp=now, summary=summary) for _, summary in fills)),
        attached=tuple(
            _attached(fill, _as_known_last(fill, reader), summary, now)
            for fill, summary in fills
            if summary.cylinder is not None and (summary.ended_s or 0.0) >= recent_s
        ),
        told=failed
        + tuple(f"fill {fill.fill_id} was open when the last run ended: closed as interrupted" for fill, _ in fills),
    )


def _gone_on_with(
    reader: SqliteLedgerReader, rules: Rules, now: Stamp, fresh: StationState
) -> tuple[TakenUp, tuple[str, ...]]:
    """What goes on, and, for the log, why nothing does."""
    try:
        return taken_up(reader, rules, now, fresh.whips, rules.extents.resume_within_s), ()
    except Exception as fault:  # noqa: BLE001 - whatever it is, the watch must start: fills end, and that is recorded
        return NOTHING, (f"open fills cannot be gone on with ({type(fault).__name__}: {fault})",)


def _fresh(
    rules: Rules,
    standing: Sequence[AlarmChanged],
    numbers: Mapping[str, int],
    open_fills: Sequence[FillStarted],
    now: Stamp,
) -> StationState:
    """Each whip as it was before its open fill, as far as the record says: only alarms, none of them of that fill."""
    open_ids = {fill.fill_id for fill in open_fills}
    earlier = [(change, _restored(change, rules, now)) for change in standing if change.fill_id not in open_ids]
    return _state(rules, [(c, s) for c, s in earlier if s.state is not AlarmState.NORMAL], numbers)


def _together(state: StationState, going_on: TakenUp) -> StationState:
    """The station with the whips that go on in their places, and the surroundings as they were."""
    return replace(
        state,
        whips={**state.whips, **going_on.whips},
        air_k=going_on.air_k,
        bath_k=going_on.bath_k,
        sensed=going_on.sensed,
    )


# Alarms ---------------------------------------------------------------------------------------------------------------


def newest(changes: Iterable[AlarmChanged], rules: Rules) -> list[AlarmChanged]:
    """Only the newest occurrence of each alarm: an alarm raised again before it was acknowledged has taken over."""
    newest: dict[str, AlarmChanged] = {}
    for change in changes:
        if change.alarm in rules.alarms:
            newest[same_alarm(change)] = change
    return list(newest.values())


def _restored(change: AlarmChanged, rules: Rules, now: Stamp) -> Standing:
    """Not judged by anybody now: what was active has returned, what was hidden is forgotten and judged anew.

    What a person took out of service stays so until a person puts it back. What each start judges within seconds
    stands until then: a watch that is restarted again and again must not raise it each time.
    """
    hidden = change.new in _HIDDEN
    return Standing(
        active=change.alarm in _JUDGED_AT_EACH_START and change.new in _ACTIVE,
        called_mono_s=now.mono_s,
        acknowledged=hidden or change.new in _ACKNOWLEDGED,
        latched=rules.alarms[change.alarm].latched and not hidden,
        out_of_service_by=change.by if change.new is AlarmState.OUT_OF_SERVICE else None,
        occurrence=change.occurrence,
        subject=Subject(
            station=rules.station,
            whip=change.whip,
            fill_id=change.fill_id,
            serial=change.serial,
            operator=change.operator,
        ),
        priority=change.priority,
        raised_utc_s=change.raised_utc_s,
        first_out=change.first_out,
        cause=change.cause,
        facts=change.facts,
    )


def _state(rules: Rules, standing: Sequence[tuple[AlarmChanged, Standing]], numbers: Mapping[str, int]) -> StationState:
    """Alarms of station and whip go on where they were; those of a cylinder that is gone only wait for a person."""
    whips = {
        whip: WhipState(
            whip=whip,
            standings=_going_on(standing, numbers, whip, f"{rules.station}-{whip}/"),
            left_over=tuple(
                (change.alarm, left)
                for change, left in standing
                if change.whip == whip and change.alarm not in OF_THE_WHIP
            ),
        )
        for whip in rules.whips
    }
    return StationState(whips=whips, standings=_going_on(standing, numbers, None, f"{rules.station}/"))


def _going_on(
    standing: Sequence[tuple[AlarmChanged, Standing]], numbers: Mapping[str, int], whip: str | None, prefix: str
) -> dict[str, Standing]:
    found = {
        change.alarm: left
        for change, left in standing
        if change.whip == whip and (whip is None or change.alarm in OF_THE_WHIP)
    }
    given = {key.removeprefix(prefix): n for key, n in numbers.items() if key.startswith(prefix)}
    return {alarm: replace(found.get(alarm) or Standing(), occurrence_n=given.get(alarm, 0)) for alarm in found | given}


# Fills ----------------------------------------------------------------------------------------------------------------


def _as_known_last(fill: FillStarted, reader: SqliteLedgerReader) -> FillStarted | FillIdentified:
    """The newest word on whose cylinder it is."""
    words = [fact for fact in reader.fill_events(fill.fill_id) if isinstance(fact, FillIdentified)]
    return words[-1] if words else fill


def _attached(
    fill: FillStarted, known: FillStarted | FillIdentified, summary: FillSummary, now: Stamp
) -> CylinderAttached:
    return CylinderAttached(
        stamp=now,
        whip=fill.whip,
        serial=summary.serial,
        cylinder=summary.cylinder,
        operator=summary.operator,
        gas=fill.gas,
        residual_gas=fill.gas,
        target_gauge_pa=summary.target_gauge_pa,
        surroundings=fill.surroundings,
        verdict=summary.verdict,
        checked=known.checked,
        class_name=known.class_name,
        stamp_unseen=True,  # what was read then is in `checked`
        note=f"taken over from fill {fill.fill_id}, which a restart of fillguard interrupted",
    )


def _readings(fill: FillStarted, reader: SqliteLedgerReader) -> Iterator[ReadingRow]:
    """The gauge's readings of one fill."""
    return (
        row for row in reader.fill_trace(fill.fill_id) if row.whip == fill.whip and row.quantity == Quantity.PRESSURE
    )


def _interrupted(fill: FillStarted, reader: SqliteLedgerReader) -> FillSummary:
    """The fill's one row, from what is on record of it."""
    rows = list(reader.fill_projections(fill.fill_id))
    sure = next((row for row in reversed(rows) if row.settled_gauge_pa is not None), None)
    readings = list(_readings(fill, reader))
    known = _as_known_last(fill, reader)
    findings, raised = _hinted_and_raised(fill, reader)
    return FillSummary(
        fill_id=fill.fill_id,
        station=fill.station,
        whip=fill.whip,
        serial=known.serial,
        operator=known.operator,
        gas=fill.gas,
        cylinder=known.cylinder,
        started_s=fill.started_s,
        flow_stopped_s=None,
        ended_s=max((row.sample_s for row in readings), default=fill.started_s),
        outcome=Outcome.INTERRUPTED,
        start_gauge_pa=fill.start_gauge_pa,
        plateau_seen=fill.plateau_seen,
        close_gauge_pa=None,
        settled_gauge_pa=None,
        settled_low_gauge_pa=None,
        settled_high_gauge_pa=None,
        final_settled_gauge_pa=sure.settled_gauge_pa if sure else None,
        final_settled_low_gauge_pa=sure.settled_low_gauge_pa if sure else None,
        final_settled_high_gauge_pa=sure.settled_high_gauge_pa if sure else None,
        reference_k=known.reference_k,
        limit_gauge_pa=known.limit_gauge_pa,
        target_gauge_pa=known.target_gauge_pa,
        peak_rate_pa_s=_highest(rows, "rate_pa_s"),
        peak_gauge_pa=_highest(rows, "gauge_pa") or fill.start_gauge_pa,
        gas_k_max=_highest(rows, "gas_k"),
        alarms=tuple(dict.fromkeys(raised)),
        findings=tuple(dict.fromkeys(findings)),
        readings=sum(row.doubt is None for row in readings),
        doubtful_readings=sum(row.doubt is not None for row in readings),
        verdict=known.verdict,
    )


def _hinted_and_raised(fill: FillStarted, reader: SqliteLedgerReader) -> tuple[Iterator[str], Iterator[str]]:
    """Findings and alarms of a fill, by name."""
    findings = (fact.finding for fact in reader.fill_events(fill.fill_id) if isinstance(fact, FindingMade))
    return findings, (change.alarm for change in reader.fill_alarms(fill.fill_id) if change.is_raise)


def _highest(rows: Sequence[ProjectionRow], name: str) -> float | None:
    return max((value for row in rows if (value := getattr(row, name)) is not None), default=None)
