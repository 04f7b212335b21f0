"""One fill while it is open: what it is held to, and what its one row in the log will say. Pressures are gauge."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from fillguard.core.events import CylinderAttached, FillStarted, FillSummary, Outcome, Projected
from fillguard.core.fitness.checks import Identified
from fillguard.core.fitness.judging import Limit
from fillguard.core.fitness.verdict import Verdict
from fillguard.core.limits import ceiling_gauge_pa, rating_limit_gauge_pa
from fillguard.core.rules import Rules, WhipRules
from fillguard.core.stages import Prediction, Stage, StageDone
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, Companion, Cylinder, GasMix, Material, Stamp, Surroundings

LOSS = "sudden-loss"
AT_CLOSE_AFTER_S = 3.0
"""The projection a fill is judged by: this long after the flow stopped, the whip's own drop has gone."""
_FULL_WITHIN_PA = 5.0 * PA_PER_BAR
_NOT_A_FILL_PA = 2.0 * PA_PER_BAR
_STOPS_WITHIN_S = 60.0
"""A flow that stops so soon after an alarm of priority 1 was stopped for it (our choice)."""
_KEPT_PROJECTIONS_S = 40.0
_PROJECTION_SPACING_S = 0.5

UNKNOWN_CAPACITY_M3 = 0.0111
"""The commonest aluminium cylinder (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What a fill is held to: the cylinder, or what must be assumed for one nobody named."""

    cylinder: Cylinder
    identified: bool
    serial: str | None = None
    operator: str | None = None
    gas: GasMix = AIR
    residual_gas: GasMix = AIR
    surroundings: Surroundings = Surroundings.AIR
    arrived_k: float | None = None
    limit_gauge_pa: float
    target_gauge_pa: float
    ceiling_gauge_pa: float
    verdict: Verdict | None = None
    described: Cylinder | None = None
    """As register or message have it; `cylinder` is what governs."""
    mates: tuple[Cylinder, ...] = ()
    """Others on the same gauge, as registered or assumed: limit, target and ceiling are the lowest of all."""
    mate_whips: tuple[str, ...] = ()
    staged: bool = False
    """`gas` and `target_gauge_pa` are those of one stage of several."""
    has_next: bool = False
    """Another stage is to come."""
    contents: GasMix | None = None
    """What will be in it at the target; None: what residual and supply make of it."""


def assumed_cylinder(whip: WhipRules) -> Cylinder:
    """What is assumed of a cylinder nobody described: the lowest rating this whip serves, a wall that stays cool.

    Aluminium of common size cools its gas most, so that more is left after settling: the cautious assumption.
    """
    return Cylinder(
        serial=None,
        water_capacity_m3=UNKNOWN_CAPACITY_M3,
        material=Material.ALUMINIUM,
        rated_gauge_pa=whip.lowest_rating_gauge_pa,
        reference_k=whip.lowest_rating_reference_k,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One projection, as far as the log needs it."""

    sample_s: float
    settled_pa: float | None
    low_pa: float | None
    high_pa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenFill:
    """What has been gathered about a fill that has not ended."""

    fill_id: str
    station: str
    whip: str
    held: Held
    started_s: float
    start_pa: float
    plateau_seen: bool
    ambient_k: float | None
    identified: tuple[Identified, ...] = ()
    learned_version: int = 0
    flow_stopped_s: float | None = None
    close_pa: float | None = None
    stop_told: bool = False
    at_close: Mark | None = None
    last_sure: Mark | None = None
    recent: tuple[Mark, ...] = ()
    peak_pa: float = 0.0
    """Of the gauge."""
    peak_rate_pa_s: float | None = None
    gas_k_max: float | None = None
    alarms: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    stop_alarm_s: float | None = None
    """When an alarm of priority 1 was last raised (UTC)."""
    lost: bool = False
    """Gas was lost suddenly: what the last projection promised is not in the cylinder any more."""
    readings: int = 0
    doubtful: int = 0
    last_inside_pa: float = 0.0
    """Last pressure believed to be in the cylinder while the gauge did not collapse."""
    peak_inside_pa: float = 0.0
    gauge: str | None = None
    """The gauge that its whip shares with others."""
    companions: tuple[Companion, ...] = ()
    """All that were filled from it together with this one."""
    stages: tuple[StageDone, ...] = ()
    """Those that are over."""
    predicted: Prediction | None = None
    """The last that was said of what is in it."""
    cooled_since_mono_s: float | None = None
    """Since when the gauge has agreed with the projection for a cylinder as warm as its surroundings."""

    def with_projection(self, seen: Projected, *, collapsing: bool, counts: bool = True) -> "OpenFill":
        """The fill with one more projection folded in; only what the log needs is kept.

        `counts`: it followed from a reading.
        """
        mark = Mark(
            sample_s=seen.sample_s,
            settled_pa=seen.settled_gauge_pa,
            low_pa=seen.settled_low_gauge_pa,
            high_pa=seen.settled_high_gauge_pa,
        )
        recent = self.recent
        if not recent or seen.sample_s - recent[-1].sample_s >= _PROJECTION_SPACING_S:
            recent = (*(m for m in recent if seen.sample_s - m.sample_s <= _KEPT_PROJECTIONS_S), mark)
        at_close = self.at_close
        if at_close is None and self.flow_stopped_s is not None:
            at_close = _first_sure(recent, self.flow_stopped_s + AT_CLOSE_AFTER_S)
        inside = self.last_inside_pa if collapsing else seen.cylinder_gauge_pa or self.last_inside_pa
        return replace(
            self,
            recent=recent,
            at_close=at_close,
            last_sure=self.last_sure if mark.settled_pa is None else mark,
            peak_pa=max(self.peak_pa, seen.gauge_pa),
            peak_rate_pa_s=_larger(self.peak_rate_pa_s, seen.rate_pa_s),
            gas_k_max=_larger(self.gas_k_max, seen.gas_k),
            readings=self.readings + counts,
            last_inside_pa=inside,
            peak_inside_pa=max(self.peak_inside_pa, inside),
            predicted=self.predicted if seen.predicted is None else seen.predicted,
        )

    def flow_stopped(self, at_s: float, close_pa: float) -> "OpenFill":
        """The fill once its flow is known to have stopped at `at_s`."""
        return replace(
            self,
            flow_stopped_s=at_s,
            close_pa=close_pa,
            at_close=_first_sure(self.recent, at_s + AT_CLOSE_AFTER_S),
        )

    def resumed(self) -> "OpenFill":
        """The fill once gas flows again."""
        return replace(
            self, flow_stopped_s=None, close_pa=None, stop_told=False, at_close=None, cooled_since_mono_s=None
        )

    def with_alarm(self, name: str, *, priority: int, at_s: float) -> "OpenFill":
        """The fill with one more alarm raised in it."""
        return replace(
            self,
            alarms=self.alarms if name in self.alarms else (*self.alarms, name),
            stop_alarm_s=at_s if priority == 1 else self.stop_alarm_s,
            lost=self.lost or name == LOSS,
        )

    def with_finding(self, name: str) -> "OpenFill":
        """The fill with one more finding made in it."""
        return self if name in self.findings else replace(self, findings=(*self.findings, name))

    def outcome(self) -> Outcome:
        """How the fill came out, by its last trustworthy projection."""
        if self.lost:
            return Outcome.STOPPED_FOR_ALARM
        if self.peak_inside_pa - self.start_pa < _NOT_A_FILL_PA:
            return Outcome.NOT_A_FILL
        last = self.last_sure
        settled = last.settled_pa if last is not None else None
        if settled is not None and settled > self.held.limit_gauge_pa:
            return Outcome.OVER
        aim = min(self.held.target_gauge_pa, self.held.limit_gauge_pa)
        if settled is not None and settled >= aim - _FULL_WITHIN_PA and not self.held.has_next:
            return Outcome.FULL if aim >= self.held.limit_gauge_pa - _FULL_WITHIN_PA else Outcome.TARGET
        return Outcome.STOPPED_FOR_ALARM if self._stopped_for_alarm() else Outcome.SHORT

    def _stopped_for_alarm(self) -> bool:
        """True when the flow stopped soon after an alarm that asks for it, and not for another reason much later."""
        if self.stop_alarm_s is None or self.flow_stopped_s is None:
            return False
        return 0.0 <= self.flow_stopped_s - self.stop_alarm_s <= _STOPS_WITHIN_S

    def _at_close(self) -> Mark | None:
        """The mark the fill is judged by; a whip bled at once leaves only the last one before that."""
        if self.at_close is not None or self.lost or self.last_sure is None or self.flow_stopped_s is None:
            return self.at_close
        return self.last_sure if self.last_sure.sample_s >= self.flow_stopped_s - _PROJECTION_SPACING_S else None

    def summary(self, *, ended_s: float | None, outcome: Outcome | None = None) -> FillSummary:
        """The fill's one row."""
        close, final = self._at_close(), None if self.lost else self.last_sure
        return replace(
            self._row(ended_s, outcome or self.outcome()),
            settled_gauge_pa=close.settled_pa if close else None,
            settled_low_gauge_pa=close.low_pa if close else None,
            settled_high_gauge_pa=close.high_pa if close else None,
            final_settled_gauge_pa=final.settled_pa if final else None,
            final_settled_low_gauge_pa=final.low_pa if final else None,
            final_settled_high_gauge_pa=final.high_pa if final else None,
            predicted=None if self.lost else self.predicted,
        )

    def _row(self, ended_s: float | None, outcome: Outcome) -> FillSummary:
        """Its row but for what was projected."""
        return FillSummary(
            fill_id=self.fill_id,
            station=self.station,
            whip=self.whip,
            serial=self.held.serial,
            operator=self.held.operator,
            gas=self.gas,
            cylinder=self.held.described,
            started_s=self.started_s,
            flow_stopped_s=self.flow_stopped_s,
            ended_s=ended_s,
            outcome=outcome,
            start_gauge_pa=self.start_pa,
            plateau_seen=self.plateau_seen,
            close_gauge_pa=self.close_pa,
            settled_gauge_pa=None,
            final_settled_gauge_pa=None,
            reference_k=self.held.cylinder.reference_k,
            limit_gauge_pa=self.held.limit_gauge_pa,
            target_gauge_pa=self.held.target_gauge_pa,
            peak_rate_pa_s=self.peak_rate_pa_s,
            peak_gauge_pa=self.peak_pa,
            gas_k_max=self.gas_k_max,
            alarms=self.alarms,
            findings=self.findings,
            readings=self.readings,
            doubtful_readings=self.doubtful,
            learned_version=self.learned_version,
            verdict=self.held.verdict,
            identified=self.identified,
            gauge=self.gauge,
            companions=self.companions,
            stages=self.stages,
        )

    @property
    def gas(self) -> GasMix:
        """What it was filled with: of several gases, the mix that should be in it."""
        if self.predicted is None:
            return self.held.gas
        he = round(self.predicted.he.best, 3)
        return GasMix(o2=min(round(self.predicted.o2.best, 3), 1.0 - he), he=he)

    def started_event(
        self, stamp: Stamp, stages: tuple[Stage, ...] = (), heard_on: tuple[str, ...] = ()
    ) -> FillStarted:
        """What the world is told when the fill begins."""
        said = self.identified[-1] if self.identified else None
        return FillStarted(
            stamp=stamp,
            fill_id=self.fill_id,
            station=self.station,
            whip=self.whip,
            started_s=self.started_s,
            start_gauge_pa=self.start_pa,
            plateau_seen=self.plateau_seen,
            serial=self.held.serial,
            operator=self.held.operator,
            cylinder=self.held.described,
            gas=self.held.gas,
            residual_gas=self.held.residual_gas,
            surroundings=self.held.surroundings,
            limit_gauge_pa=self.held.limit_gauge_pa,
            reference_k=self.held.cylinder.reference_k,
            target_gauge_pa=self.held.target_gauge_pa,
            ceiling_gauge_pa=self.held.ceiling_gauge_pa,
            ambient_k=self.ambient_k,
            learned_version=self.learned_version,
            verdict=self.held.verdict,
            checked=said.checked if said is not None else (),
            class_name=said.class_name if said is not None else None,
            stages=stages,
            gauge=self.gauge,
            heard_on=heard_on,
        )


def fill_id(station: str, whip: str, started_s: float, taken: str | None = None) -> str:
    """`{station}-{whip}-{YYYYMMDDTHHMMSSZ}` of the first sample of the rise; `-2` and so on where `taken` has it."""
    plain = f"{station}-{whip}-{datetime.fromtimestamp(started_s, UTC):%Y%m%dT%H%M%SZ}"
    if taken is None or not taken.startswith(plain):
        return plain
    before = taken.removeprefix(plain + "-")
    return f"{plain}-{int(before) + 1 if before.isdecimal() else 2}"


def held_to(attached: CylinderAttached | None, rules: Rules, whip: str) -> Held:
    """What a fill on `whip` is held to, with what is known of its cylinder."""
    described = attached.cylinder if attached is not None else None
    known = described or assumed_cylinder(rules.whip(whip))
    if attached is not None and waits_for_stamp(attached, rules, whip):
        lowest = assumed_cylinder(rules.whip(whip))
        known = replace(known, rated_gauge_pa=lowest.rated_gauge_pa, reference_k=lowest.reference_k, plus_marked=False)
    limit = rating_limit_gauge_pa(known)
    gas = rules.surface_of(attached.gas if attached is not None else AIR)
    told = attached.target_gauge_pa if attached is not None else None
    return Held(
        cylinder=known,
        identified=described is not None,
        serial=attached.serial if attached else None,
        operator=attached.operator if attached else None,
        gas=attached.gas if attached else AIR,
        residual_gas=attached.residual_gas if attached else AIR,
        surroundings=(attached.surroundings if attached else None) or Surroundings.AIR,
        arrived_k=attached.arrived_k if attached else None,
        limit_gauge_pa=limit,
        target_gauge_pa=limit if told is None else min(told, limit),
        ceiling_gauge_pa=ceiling_gauge_pa(known, gas, rules.ambient_abs_pa),
        verdict=attached.verdict if attached else None,
        described=described,
    )


def waits_for_stamp(attached: CylinderAttached, rules: Rules, whip: str) -> bool:
    """True while the whip's lowest rating governs, because nobody by name read the higher one from the shoulder."""
    if not (rules.asks_stamp and attached.stamp_unseen and attached.cylinder is not None):
        return False
    return attached.stamp_read is None and _allows(attached.cylinder) > _allows(assumed_cylinder(rules.whip(whip)))


def _allows(cylinder: Cylinder) -> float:
    return Limit(gauge_pa=rating_limit_gauge_pa(cylinder), reference_k=cylinder.reference_k).contents


def _first_sure(marks: Sequence[Mark], from_s: float) -> Mark | None:
    """The first projection at or after `from_s` that says something."""
    return next((m for m in marks if m.sample_s >= from_s and m.settled_pa is not None), None)


def _larger(old: float | None, new: float | None) -> float | None:
    return new if old is None else old if new is None else max(old, new)
