"""The counter where cylinders are handed in: looks a serial up, and says whether it may be filled, how far, why not."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from fillguard.app.releasing import ReleaseDesk
from fillguard.core.errors import LedgerError
from fillguard.core.events import CylinderAttached, FillAnalysed, FillReleased, InEvent
from fillguard.core.fill import held_to, waits_for_stamp
from fillguard.core.fitness.asked import Case, Wanted
from fillguard.core.fitness.checks import Left
from fillguard.core.fitness.judging import judged, set_cylinder
from fillguard.core.fitness.questions import class_questions, set_question, stamp_question, warmth_question
from fillguard.core.fitness.record import CylinderRecord
from fillguard.core.fitness.rules import AIR_AT_MOST
from fillguard.core.fitness.verdict import Level, Reason, Verdict, limit_text
from fillguard.core.limits import developed_gauge_pa, rating_limit_gauge_pa
from fillguard.core.rules import Rules
from fillguard.core.units import c_from_k, k_from_c
from fillguard.core.values import Cylinder, Material
from fillguard.ledger.register import FINDINGS_COUNT_S, RegisterReader
from fillguard.settings import Register, Settings

_UNREGISTERED_MISSING = ("last pressure test", "last visual inspection", "gas service", "valve outlet")


class Counter:
    """For the one thread that decodes. The ledger's register governs; cylinders.csv serves what it does not know."""

    def __init__(
        self,
        settings: Settings,
        rules: Rules,
        *,
        register: Register | None = None,
        ledger: bool = True,
    ) -> None:
        """`register`: another file than the configured one; `ledger` False: what a ledger holds does not count."""
        self._settings, self._rules = settings, rules
        self._zone = ZoneInfo(settings.station.timezone)
        self._file = settings.register if register is None else register
        self._with_ledger = ledger
        self._reader: RegisterReader | None = None
        self._releases = ReleaseDesk(settings, rules)

    def take_over(self, settings: Settings, rules: Rules) -> None:
        """Other thresholds are in force from here on."""
        self._settings, self._rules = settings, rules
        self._releases = ReleaseDesk(settings, rules)

    def cylinder(self, serial: str) -> Cylinder | None:
        """What hangs there, as far as filling it is concerned; None when it is not known well enough. Never raises."""
        try:
            record = self._record(serial)
            members = self._members(record) if record is not None else ()
        except LedgerError:
            return None  # `assess` says so, in words, in the same step
        return None if record is None else set_cylinder(record, members, self._settings.fitness)

    def record(self, serial: str) -> CylinderRecord | None:
        """A cylinder as the register has it now; None for an unknown one, or when it cannot be read. Never raises."""
        try:
            return self._record(serial)
        except LedgerError:
            return None

    def received(self, event: InEvent) -> InEvent:
        """What a person said, with what register and record know of it. Never raises."""
        match event:
            case FillAnalysed():
                return self._releases.analysed(event)
            case FillReleased():
                return self._releases.released(event)
            case CylinderAttached():
                return self._received(event)
            case _:
                return event

    def _received(self, event: CylinderAttached) -> CylinderAttached:
        members, left = self._on_record(event)
        event = replace(event, members=members, left=left)
        return replace(event, verdict=self.assess(event))

    def _on_record(self, event: CylinderAttached) -> tuple[tuple[str, ...], Left | None]:
        """The members of a set, and how the last fill left it."""
        if event.serial is None:
            return (), None
        try:
            record, reader = self._record(event.serial), self._register_reader()
            serials = {event.serial, event.serial if record is None else record.serial}
            left = None if reader is None else reader.left(serials)
        except LedgerError:
            return (), None  # `assess` says so, in words, in the same step
        return () if record is None else record.members, left

    def assess(self, event: CylinderAttached) -> Verdict:
        """The verdict on what was attached. Never raises."""
        try:
            record = self._record(event.serial) if event.serial is not None else None
            if record is None:
                return self._unregistered(event)
            members = self._members(record)
            findings = self._valve_findings(record, event)
        except LedgerError as problem:
            return self._unregistered(event, because=f"the register cannot be read ({problem})")
        wanted = replace(
            self._wanted(event), valve_findings=findings, hot_gauge_pa=self._hot_gauge_pa(event, event.cylinder)
        )
        verdict = judged(record, self._settings.fitness, self._today(event), wanted, members=members)
        return self._asked(verdict, event)

    def _asked(self, verdict: Verdict, event: CylinderAttached) -> Verdict:
        """With what is still to be answered at the panel, and the limit that governs until then."""
        held = held_to(event, self._rules, event.whip)
        arrived_c = None if event.arrived_k is None else c_from_k(event.arrived_k)
        asked = [
            *set_question(held.cylinder.count, event.members, event.checked),
            *warmth_question(arrived_c),
        ]
        if event.class_name is not None:
            asked.extend(class_questions(event.class_name, event.checked))
        if event.cylinder is not None and waits_for_stamp(event, self._rules, event.whip):
            full = limit_text(rating_limit_gauge_pa(event.cylinder), event.cylinder.reference_k)
            asked.insert(0, stamp_question(full, limit_text(held.limit_gauge_pa, held.cylinder.reference_k)))
        verdict = verdict.with_reasons(asked)
        return verdict if event.cylinder is None else _with_limit(verdict, held.cylinder)

    def _unregistered(self, event: CylinderAttached, because: str | None = None) -> Verdict:
        """What is missing is asked for; until then the whip's lowest rating governs, or what the message says."""
        profile, cylinder = self._settings.fitness, event.cylinder
        who = "this cylinder" if event.serial is None else event.serial
        text = because or f"{who} is not in the register"
        if cylinder is None:
            text += ": register it, or describe it with the stamp read; until then the lowest rating of this whip holds"
        else:
            text += ", only described: read stamp, test date and inspection yourself"
        reasons = [Reason(code="not-registered", level=Level.CARE, text=text)] if event.class_name is None else []
        record = CylinderRecord(serial=event.serial or "")
        case = Case(record=record, profile=profile, today=self._today(event), wanted=self._wanted(event))
        if case.oxygen_rich:
            rich = f"{event.gas} is above {case.oxygen_threshold * 100:.3g} % oxygen, and nobody recorded it as clean"
            source = profile.source("oxygen_threshold")
            reasons.append(Reason(code="oxygen-clean-unknown", level=Level.CARE, text=rich, source=source))
        stamp = () if cylinder is not None else ("rated pressure", "reference temperature", "capacity", "material")
        verdict = Verdict(
            level=Level.CARE,
            profile=profile.name,
            day=case.today.isoformat(),
            reasons=tuple(reasons),
            max_rate_pa_s=case.wanted.max_rate_pa_s,
            missing=(*stamp, *_UNREGISTERED_MISSING),
        )
        return self._asked(_with_limit(verdict, held_to(event, self._rules, event.whip).cylinder), event)

    def _record(self, serial: str) -> CylinderRecord | None:
        reader = self._register_reader()
        found = reader.current(serial) if reader is not None else None
        return found or self._file.record(serial)

    def _members(self, record: CylinderRecord) -> Sequence[CylinderRecord]:
        found = (self._record(serial) for serial in record.members)
        return [member for member in found if member is not None]

    def _valve_findings(self, record: CylinderRecord, event: CylinderAttached) -> int:
        reader = self._register_reader()
        if reader is None:
            return 0
        serials = {record.serial, event.serial or record.serial}
        return reader.valve_findings(serials, event.stamp.utc_s - FINDINGS_COUNT_S)

    def _register_reader(self) -> RegisterReader | None:
        """Opened on the thread that uses it, when it is first needed."""
        if self._with_ledger and self._reader is None:
            self._reader = RegisterReader(self._settings.ledger.path)
        return self._reader

    def _wanted(self, event: CylinderAttached) -> Wanted:
        return Wanted(
            gas=event.gas,
            target_gauge_pa=event.target_gauge_pa,
            whip_max_gauge_pa=self._rules.max_working_gauge_pa(
                *([stage.whip for stage in event.stages] or [event.whip])
            ),
            whip_oxygen_clean=self._whips_clean(event),
            air_onto_oxygen=bool(self._air_onto_oxygen(event)),
            air_compatible=self._air_onto_oxygen(event) <= self._settings.compatible_air_whips,
            oxygen_threshold=self._settings.station.oxygen_threshold,
            max_rate_pa_s=self._rules.rate_limit_pa_s(
                event.gas, event.cylinder.material if event.cylinder is not None else Material.ALUMINIUM
            ),
        )

    def _whips_clean(self, event: CylinderAttached) -> bool | None:
        """Whether every whip that lets in rich gas is oxygen-clean; None where nobody said it of one of them."""
        rich = min(self._settings.station.oxygen_threshold, self._settings.fitness.oxygen_threshold)
        whips = {stage.whip for stage in event.stages if stage.gas.o2 > rich} or {event.whip}
        said = {self._settings.oxygen_clean_whips.get(whip) for whip in whips}
        return False if False in said else None if None in said else True

    def _air_onto_oxygen(self, event: CylinderAttached) -> frozenset[str]:
        """Whips that let air onto oxygen-rich gas in this fill."""
        rich = min(self._settings.station.oxygen_threshold, self._settings.fitness.oxygen_threshold)
        stages = [(stage.gas, stage.whip) for stage in event.stages] or [(event.gas, event.whip)]
        met = [event.residual_gas, *(gas for gas, _ in stages)]
        if all(gas.o2 <= rich for gas in met):
            return frozenset()
        return frozenset(whip for gas, whip in stages if gas.o2 <= AIR_AT_MOST)

    def _hot_gauge_pa(self, event: CylinderAttached, cylinder: Cylinder | None) -> float | None:
        if cylinder is None:
            return None
        gas, hot_k = self._rules.surface_of(event.gas), k_from_c(self._settings.fitness.hot_c)
        limit_pa = rating_limit_gauge_pa(cylinder)
        return developed_gauge_pa(cylinder, gas, limit_pa, hot_k, self._rules.ambient_abs_pa)

    def _today(self, event: CylinderAttached) -> date:
        return datetime.fromtimestamp(event.stamp.utc_s, self._zone).date()


def _with_limit(verdict: Verdict, cylinder: Cylinder) -> Verdict:
    """With the limit that the watch holds the fill to: where the message says less than the register, that."""
    return replace(verdict, limit_gauge_pa=rating_limit_gauge_pa(cylinder), reference_k=cylinder.reference_k)
