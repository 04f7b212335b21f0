"""Analysis and release of filled cylinders: what was said held against the record, and taken down in it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.app.gases import Gases
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError, LedgerError, NotDoneError
from fillguard.core.events import FillAnalysed, FillReleased, FillSummary
from fillguard.core.fitness.release import Analysis, Basis, Filled, Wish, cautions, label_of, newest_of, refusals
from fillguard.core.limits import developed_gauge_pa
from fillguard.core.rules import Rules
from fillguard.core.units import bar_from_pa, c_from_k, k_from_c
from fillguard.core.values import AIR, GasMix, Stamp
from fillguard.ledger.register import add_to_register
from fillguard.ledger.releases import ReleaseReader
from fillguard.ports import StepRecord
from fillguard.settings import Settings, load_settings

_DAY_S = 86_400.0
_SHOWN_AT_C = (30.0, 5.0)
"""A cylinder in the sun, and in cold water: what its user's gauge says there."""


class ReleaseDesk:
    """For one thread. Opens the ledger when it is first asked, and for each question: people release seldom."""

    def __init__(self, settings: Settings, rules: Rules) -> None:
        """`settings`: of the station whose ledger it is."""
        self._settings, self._rules = settings, rules

    def analysed(self, event: FillAnalysed) -> FillAnalysed:
        """With the fill's own id, and why it cannot be taken down. Never raises."""
        try:
            with self._reader() as reader:
                fill = reader.fill(event.fill_id)
        except LedgerError as problem:
            return replace(event, refused=str(problem))
        return replace(event, refused=_no_fill(event.fill_id)) if fill is None else replace(event, fill_id=fill.fill_id)

    def released(self, event: FillReleased) -> FillReleased:
        """With the fill's own id, its final pressure, and why it may not leave. Never raises."""
        try:
            with self._reader() as reader:
                fill = reader.fill(event.fill_id)
                if fill is None:
                    return replace(event, refused=_no_fill(event.fill_id))
                before = reader.release(fill.fill_id)
                filled, analyses = self._filled(reader, fill), reader.analyses(fill.fill_id)
        except LedgerError as problem:
            return replace(event, refused=str(problem))
        read = self._settled_pa(event, fill) if event.basis is Basis.SETTLED else None
        wish = Wish(
            label=event.label,
            settled_gauge_pa=read,
            valve_seen=event.valve_seen,
            o_ring_seen=event.o_ring_seen,
            utc_s=event.stamp.utc_s,
        )
        against = list(refusals(filled, analyses, wish))
        if event.basis is Basis.SETTLED and read is None:
            against.insert(0, "its pressure was read at a temperature that nobody said: how warm is it in the shop?")
        if before is not None:
            against.insert(0, "it has been released already")
        return replace(
            event,
            fill_id=fill.fill_id,
            settled_gauge_pa=filled.projected_gauge_pa if read is None else read,
            label=label_of(filled, wish),
            refused="; ".join(against) or None,
            to_until_utc_s=event.stamp.utc_s + self._settings.panel.recipient_days * _DAY_S,
        )

    def _settled_pa(self, event: FillReleased, fill: FillSummary) -> float | None:
        if event.gauge_pa is None or event.shop_k is None:
            return None
        gas, ambient_pa = self._rules.surface_of(fill.gas), self._rules.ambient_abs_pa
        density = gas.density_unguarded(event.gauge_pa + ambient_pa, event.shop_k)
        return gas.state(density, fill.reference_k)[0] - ambient_pa

    def _filled(self, reader: ReleaseReader, fill: FillSummary) -> Filled:
        verdict = fill.verdict
        forbidden = verdict is not None and verdict.forbids
        projected_pa = fill.final_settled_gauge_pa
        return Filled(
            fill_id=fill.fill_id,
            serial=fill.serial,
            gas=fill.gas,
            residual_gas=reader.residual_gas(fill.fill_id) or fill.gas,
            outcome=fill.outcome.value,
            flow_stopped_s=fill.flow_stopped_s,
            limit_gauge_pa=fill.limit_gauge_pa,
            reference_k=fill.reference_k,
            projected_gauge_pa=fill.settled_gauge_pa if projected_pa is None else projected_pa,
            alarms=fill.alarms,
            forbidden=verdict.refusals[0].text if verdict is not None and forbidden else None,
        )

    def _reader(self) -> ReleaseReader:
        return ReleaseReader(self._settings.ledger.path)


def mix_said(said: object) -> GasMix:
    """`air`, `oxygen`, or fractions by name. Raises ConfigurationError."""
    match said:
        case "air":
            return AIR
        case "oxygen":
            return GasMix(o2=1.0)
        case dict() if set(said) <= {"o2", "he"} and "o2" in said:
            return GasMix(**said)
    raise ConfigurationError(f"gas {said!r}: write air, oxygen or fractions such as o2=0.32 or o2=0.18,he=0.45")


def _no_fill(named: str) -> str:
    return f"no fill {named} is on record, and no fill of a cylinder {named}: fillguard fills lists them"


@dataclass(frozen=True, slots=True, kw_only=True)
class InShop:
    """One filled cylinder that has not been released."""

    fill: FillSummary
    analyses: tuple[Analysis, ...]
    against: tuple[str, ...]
    """What still speaks against its release, apart from looking at valve and O-ring."""


class Releasing:
    """For people: analyse, release, list. Raises ConfigurationProblems, LedgerError."""

    def __init__(self, config: Path, environ: Mapping[str, str], now: Stamp | None = None) -> None:
        """`now`: another moment than this one."""
        self.settings = load_settings(config, environ)
        self.now = now or SystemClock().now()
        self._rules = self.settings.rules(Gases(environ, report=lambda _: None).surface_of)
        self._desk = ReleaseDesk(self.settings, self._rules)

    def analyse(self, named: str, analysis: Analysis) -> tuple[FillAnalysed, tuple[str, ...]]:
        """Take down an analysis of a fill, or of the newest fill of a serial, and what it leaves open.

        Raises ConfigurationError where there is no such fill.
        """
        event = self._desk.analysed(FillAnalysed(stamp=self.now, fill_id=named, analysis=analysis))
        if event.refused is not None:
            raise ConfigurationError(event.refused)
        self._record(event)
        return event, (*cautions([analysis]), *self._against(event.fill_id))

    def release(self, event: FillReleased) -> FillReleased:
        """Take down a release. A refusal is taken down as well. Raises NotDoneError with every reason against it."""
        event = self._desk.released(event)
        self._record(event)
        if event.refused is not None:
            raise NotDoneError(f"do not release {event.fill_id}: {event.refused}")
        return event

    def unreleased(self, *, within_days: float, limit: int) -> list[InShop]:
        """What is in the shop, newest first."""
        with ReleaseReader(self.settings.ledger.path) as reader:
            return [
                InShop(
                    fill=fill,
                    analyses=tuple(reader.analyses(fill.fill_id)),
                    against=self._against(fill.fill_id),
                )
                for fill in reader.unreleased(self.now.utc_s - within_days * _DAY_S, limit)
            ]

    def slip(self, event: FillReleased) -> str:
        """What goes with a released cylinder, in words."""
        with ReleaseReader(self.settings.ledger.path) as reader:
            fill, analyses = reader.fill(event.fill_id), reader.analyses(event.fill_id)
        whose = "not identified" if fill is None or fill.serial is None else fill.serial
        lines = [f"released: cylinder {whose}, fill {event.fill_id}, by {event.by}, {self.time_text(self.now.utc_s)}"]
        if event.settled_gauge_pa is not None and fill is not None:
            warm = ", ".join(f"about {bar:.0f} bar at {at_c:.0f} C" for at_c, bar in self.reads_at(event))
            settled = f"{bar_from_pa(event.settled_gauge_pa):.0f} bar at {c_from_k(fill.reference_k):.3g} C"
            lines.append(f"{event.basis.value} {settled}{'; a gauge on it reads ' + warm if warm else ''}")
        newest = newest_of(analyses)
        analysed = "not analysed" if newest is None else f"analysed O2 {newest.o2 * 100.0:.3g} %"
        if newest is not None and newest.he is not None:
            analysed += f", He {newest.he * 100.0:.3g} %"
        by = "" if newest is None else f" by {newest.by} with {newest.analyser}"
        lines.append(f"label {event.label}; {analysed}{by}")
        return "".join(f"{line}\n" for line in lines)

    def reads_at(self, event: FillReleased) -> list[tuple[float, float]]:
        """What its user's gauge will say: (degrees C, bar gauge). Empty where pressure or cylinder is not known."""
        with ReleaseReader(self.settings.ledger.path) as reader:
            fill = reader.fill(event.fill_id)
        if fill is None or fill.cylinder is None or event.settled_gauge_pa is None:
            return []
        rules = self._rules
        gas, cylinder = rules.surface_of(event.label or fill.gas), replace(fill.cylinder, reference_k=fill.reference_k)
        return [
            (
                at_c,
                bar_from_pa(
                    developed_gauge_pa(cylinder, gas, event.settled_gauge_pa, k_from_c(at_c), rules.ambient_abs_pa)
                ),
            )
            for at_c in _SHOWN_AT_C
        ]

    def time_text(self, utc_s: float) -> str:
        """In the station's time."""
        return f"{datetime.fromtimestamp(utc_s, ZoneInfo(self.settings.station.timezone)):%Y-%m-%d %H:%M %Z}"

    def _against(self, fill_id: str, label: GasMix | None = None) -> tuple[str, ...]:
        asked = FillReleased(
            stamp=self.now,
            fill_id=fill_id,
            gauge_pa=None,
            basis=Basis.PROJECTED,
            shop_k=None,
            label=label,
            valve_seen=True,
            o_ring_seen=True,
            by="fillguard",
            to=None,
        )
        refused = self._desk.released(asked).refused
        return () if refused is None else tuple(refused.split("; "))

    def _record(self, event: FillAnalysed | FillReleased) -> None:
        record = StepRecord(cause=event, facts=())
        add_to_register(self.settings.ledger.path, self.settings.station.id, self.now, [record])
