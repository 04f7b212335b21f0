"""Fills entered by hand from the shop's form: what was filled while fillguard was down."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from fillguard.app.counter import Counter
from fillguard.app.gases import Gases
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.core.events import CylinderAttached, FillEnded, FillSummary, Outcome, Tick
from fillguard.core.fill import fill_id, held_to
from fillguard.core.fitness.verdict import Verdict
from fillguard.core.rules import Rules
from fillguard.core.units import PA_PER_BAR, k_from_c, pa_from_bar
from fillguard.core.values import GasMix, Stamp
from fillguard.ledger.register import add_to_register
from fillguard.ledger.releases import ReleaseReader
from fillguard.ports import StepRecord
from fillguard.settings import Settings, did_you_mean, load_settings

_FULL_WITHIN_PA = 5.0 * PA_PER_BAR
"""As for fills that were watched."""
_BAR = (0.0, 500.0)
_AT_C = (-20.0, 70.0)
_LONGEST_S = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What the form says. Bar gauge, degrees C, times as written at the station."""

    whip: str
    serial: str
    operator: str
    started: str
    """`2026-11-25 10:15`, in the station's time."""
    ended: str
    start_bar: float
    end_bar: float
    at_c: float
    """How warm the cylinder was when `end_bar` was read."""
    gas: GasMix
    by: str
    """Who enters it."""


def enter(
    form: Form, config: Path, environ: Mapping[str, str], now: Stamp | None = None
) -> tuple[FillSummary, Verdict]:
    """Record the fill of a form, and what the register says of its cylinder.

    Raises ConfigurationError for what cannot have been, LedgerError where it cannot be recorded.
    """
    settings, now = load_settings(config, environ), now or SystemClock().now()
    rules = settings.rules(Gases(environ, report=lambda _: None).surface_of)
    times = _times(form, settings, now)
    if form.whip not in settings.whips:
        raise ConfigurationError(f"whip {form.whip!r} is not configured: {did_you_mean(form.whip, settings.whips)}")
    for what, value, (low, high) in (
        ("start", form.start_bar, _BAR),
        ("end", form.end_bar, _BAR),
        ("temperature", form.at_c, _AT_C),
    ):
        if not low <= value <= high:
            raise ConfigurationError(f"{what} {value:g}: {low:g} to {high:g}")
    counter = Counter(settings, rules, ledger=settings.ledger.path.exists())
    attached = CylinderAttached(
        stamp=now,
        whip=form.whip,
        serial=form.serial,
        cylinder=counter.cylinder(form.serial),
        operator=form.operator,
        gas=form.gas,
        residual_gas=form.gas,
    )
    summary = _summary(form, attached, counter.assess(attached), rules, times)
    _refuse_twice(settings, summary)
    record = StepRecord(cause=Tick(stamp=now), facts=(FillEnded(stamp=now, summary=summary),))
    add_to_register(settings.ledger.path, settings.station.id, now, [record])
    return summary, counter.assess(attached)


def _summary(
    form: Form, attached: CylinderAttached, verdict: Verdict, rules: Rules, times: tuple[float, float]
) -> FillSummary:
    started_s, ended_s = times
    held = held_to(attached, rules, form.whip)
    gas, ambient_pa, reference_k = rules.surface_of(form.gas), rules.ambient_abs_pa, held.cylinder.reference_k
    density = gas.density_unguarded(pa_from_bar(form.end_bar) + ambient_pa, k_from_c(form.at_c))
    settled_pa = gas.state(density, reference_k)[0] - ambient_pa
    return FillSummary(
        fill_id=fill_id(rules.station, form.whip, started_s),
        station=rules.station,
        whip=form.whip,
        serial=form.serial,
        operator=form.operator,
        gas=form.gas,
        cylinder=attached.cylinder,
        started_s=started_s,
        flow_stopped_s=ended_s,
        ended_s=ended_s,
        outcome=_outcome(settled_pa, held.limit_gauge_pa),
        start_gauge_pa=pa_from_bar(form.start_bar),
        plateau_seen=False,
        close_gauge_pa=pa_from_bar(form.end_bar),
        settled_gauge_pa=settled_pa,
        final_settled_gauge_pa=settled_pa,
        reference_k=reference_k,
        limit_gauge_pa=held.limit_gauge_pa,
        target_gauge_pa=held.target_gauge_pa,
        peak_gauge_pa=pa_from_bar(form.end_bar),
        verdict=verdict,
        entered_by=form.by,
    )


def _outcome(settled_pa: float, limit_pa: float) -> Outcome:
    if settled_pa > limit_pa:
        return Outcome.OVER
    return Outcome.FULL if settled_pa >= limit_pa - _FULL_WITHIN_PA else Outcome.SHORT


def _times(form: Form, settings: Settings, now: Stamp) -> tuple[float, float]:
    zone = ZoneInfo(settings.station.timezone)
    started_s, ended_s = (_moment(text, zone) for text in (form.started, form.ended))
    if not started_s < ended_s <= started_s + _LONGEST_S:
        raise ConfigurationError(f"from {form.started} to {form.ended}: the end comes after the start, within a day")
    if ended_s > now.utc_s:
        raise ConfigurationError(f"ended {form.ended}: that is still to come; times are the station's ({zone})")
    return started_s, ended_s


def _moment(text: str, zone: ZoneInfo) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(f"time {text!r}: write day and time as in 2026-11-25 10:15") from None
    return (moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp()


def _refuse_twice(settings: Settings, summary: FillSummary) -> None:
    if not settings.ledger.path.exists():
        return
    with ReleaseReader(settings.ledger.path) as reader:
        if reader.fill(summary.fill_id) is not None:
            raise ConfigurationError(f"fill {summary.fill_id} is on record already: that form has been entered")
