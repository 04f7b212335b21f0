"""What the evidence hints at, in words: what was seen, with its numbers, then what to do. Pressures in bar gauge."""

from collections.abc import Callable
from dataclasses import dataclass

from fillguard.core.events import Phase, Quantity
from fillguard.core.fill import LOSS
from fillguard.core.passage import Held, Way
from fillguard.core.skin import Strange
from fillguard.core.steadiness import blocks
from fillguard.core.units import PA_PER_BAR, c_from_k
from fillguard.core.values import Visits
from fillguard.core.view import View

VALVE, RESTRICTED, LEAK = "valve-not-open", "flow-restricted", "leak"
BACK_FLOW, HALF_SET, DISAGREES = "back-flow", "half-set", "sensor-disagrees"
BANK_ENDS, PASSES = "bank-ends", "valve-passes"

_OFTEN = 2
"""Fills in a row that were held back: then it is not the hand that forgot to open the valve."""
_GREW, _GREW_FROM_PA, _FEWEST_DROPS = 3.0, 3.0 * PA_PER_BAR, 2
_STEADY_BLOCKS, _STEADY_SPREAD = 4, 0.1
_HALF_WITHIN = 0.15
_ABOVE_SUPPLY_PA = 10.0 * PA_PER_BAR
_BELOW_GAUGE_PA = 2.0 * PA_PER_BAR
_SHORT_PA = 5.0 * PA_PER_BAR
_SHUT_FOR_S, _PASSES_PA_S = 10.0, 2.0 * PA_PER_BAR / 60.0
_SERVICE = (
    "Close the panel valve and wait until the needle stops. Do not force the valve. Bleed the whip; have cylinder "
    "valve, whip and filter looked at before the next fill."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One hint: how sure, what was seen and what to do."""

    name: str
    confidence: float
    text: str


def hints_of(view: View) -> tuple[Finding, ...]:
    """What the evidence hints at now and has not been told yet."""
    told = view.state.findings
    found = (hint(view) for names, hint in _HINTS if told.isdisjoint(names))
    return tuple(finding for finding in found if finding is not None)


def _visits(view: View) -> Visits:
    return view.state.attached.visits if view.state.attached is not None else Visits()


def _action(view: View, alarm: str) -> str:
    """What the alarm's own record asks for: one wording for both."""
    rule = view.rules.alarms.get(alarm)
    return rule.action if rule is not None else ""


def _bar(view: View, absolute_pa: float) -> str:
    return f"{(absolute_pa - view.rules.ambient_abs_pa) / PA_PER_BAR:.0f}"


def _held_back(view: View) -> Finding | None:
    passage = view.state.evidence.passage
    held = passage.held if passage is not None else None
    if held is None or (view.fill is not None and LOSS in view.fill.alarms):
        return None
    seen = _seen_of(view, held)
    confidence = 0.9 if held.way is Way.CREEPS_BACK else 0.7
    visits = _visits(view)
    if not visits.valve_confirmed_open and visits.held_back < _OFTEN:
        text = f"{seen} The cylinder valve is not fully open: the cylinder holds less than the gauge says. "
        return Finding(name=VALVE, confidence=confidence, text=text + _action(view, VALVE))
    why = (
        "somebody saw its valve open"
        if visits.valve_confirmed_open
        else f"its last {visits.held_back} fills were held back as well"
    )
    text = f"{seen} The way into this cylinder is narrow: {why}. It holds less than the gauge says. {_SERVICE}"
    return Finding(name=RESTRICTED, confidence=confidence, text=text)


def _seen_of(view: View, held: Held) -> str:
    start, end = _bar(view, held.from_pa), _bar(view, held.to_pa)
    if held.way is Way.RUNS_AHEAD:
        return (
            f"The gauge leapt from {start} to {end} bar and for {held.over_s:.0f} s went on far more slowly than a "
            "cylinder behind an open valve would have filled."
        )
    return (
        f"When the flow was throttled the gauge came back from {start} to {end} bar within {held.over_s:.0f} s, faster "
        "than gas cools, and stood there."
    )


def _drop_grew(view: View) -> Finding | None:
    drop = view.state.evidence.drop
    earlier = [seen.ahead_pa / seen.rate_pa_s**2 for seen in _visits(view).drops if seen.rate_pa_s > 0.0]
    if drop is None or len(earlier) < _FEWEST_DROPS or drop.ahead_pa < _GREW_FROM_PA or drop.rate_pa_s <= 0.0:
        return None
    usual = sorted(earlier)[len(earlier) // 2]
    times = drop.ahead_pa / drop.rate_pa_s**2 / usual if usual > 0.0 else _GREW
    if times < _GREW:
        return None
    rate = drop.rate_pa_s / PA_PER_BAR * 60.0
    text = (
        f"When the flow stopped the gauge came back by {drop.ahead_pa / PA_PER_BAR:.1f} bar, at {rate:.0f} bar/min: "
        f"{times:.0f} times what its earlier fills showed at that speed. The way into this cylinder has narrowed. "
        f"{_SERVICE}"
    )
    return Finding(name=RESTRICTED, confidence=0.7, text=text)


def _leaks(view: View) -> Finding | None:
    seep, rule = view.state.evidence.seep, view.rules.alarms.get(LEAK)
    if seep is None or rule is None or seep.lost is None or seep.low_pa_s is None or seep.low_pa_s <= rule.setpoint:
        return None
    rate, low, high = (x * 3600.0 / PA_PER_BAR for x in seep.lost)
    minutes = (seep.judged_s - seep.stopped_s) / 60.0
    text = (
        f"For {minutes:.0f} min after the close it has lost more than cooling explains: about {rate:.0f} bar/h settled "
        f"({low:.0f} to {high:.0f}). Is the cylinder valve shut, only the whip loses it. {rule.action}"
    )
    return Finding(name=LEAK, confidence=0.9, text=text)


def _ran_back(view: View) -> Finding | None:
    ebb = view.state.evidence.ebb
    if ebb is None or not ebb.told:
        return None
    bank = view.sensed(Quantity.SUPPLY)
    if bank is not None and bank.value > ebb.from_pa + _BELOW_GAUGE_PA:
        if not bank.of_station:
            return None  # what feeds this very whip stands higher; the station may have other banks
    elif bank is not None:
        text = (
            f"The bank ({bank.source}) stands at {bank.value / PA_PER_BAR:.0f} bar, below the "
            f"{ebb.from_pa / PA_PER_BAR:.0f} bar of this cylinder, and the gauge has fallen to "
            f"{ebb.seen_pa / PA_PER_BAR:.0f} bar: gas runs back into the bank. Close the panel valve, change to a "
            "fuller bank."
        )
        return Finding(name=BACK_FLOW, confidence=0.9, text=text)
    text = (
        f"The cylinder stood at {ebb.from_pa / PA_PER_BAR:.0f} bar, then the gauge fell to "
        f"{ebb.seen_pa / PA_PER_BAR:.0f} bar within {ebb.seen_s - ebb.began_s:.0f} s and ever more slowly: gas runs "
        "back into the bank, which is below this cylinder. Close the panel valve, change to a fuller bank. "
        "Bled on purpose: no matter."
    )
    return Finding(name=BACK_FLOW, confidence=0.7, text=text)


def _half_set(view: View) -> Finding | None:
    fill, estimate, usual = view.fill, view.state.estimate, _visits(view).flow_kg_s
    if fill is None or estimate is None or not usual or view.state.phase is not Phase.FILLING:
        return None
    count = fill.held.cylinder.count
    if count < 2:  # noqa: PLR2004 - a set is two or more
        return None
    last = sorted(block.flow_kg_s for block in blocks(estimate.steadiness, estimate.unknowns.mean)[-_STEADY_BLOCKS:])
    if len(last) < _STEADY_BLOCKS:
        return None
    mean = sum(last) / len(last)
    if last[-1] - last[0] > _STEADY_SPREAD * mean or abs(mean / usual / count - 1.0) > _HALF_WITHIN:
        return None
    text = (
        f"The gauge climbs {mean / usual:.1f} times as fast as this compressor ({usual * 1e3:.1f} g/s) fills a set of "
        f"{count}: only one cylinder of it takes gas. {_ISOLATOR}"
    )
    return Finding(name=HALF_SET, confidence=0.8, text=text)


_ISOLATOR = "Check the isolator: close the panel valve first, then open it slowly; the sides level out."


def _wall_is_strange(view: View) -> Finding | None:
    skin, fill = view.state.evidence.skin, view.fill
    if skin is None or fill is None or skin.strange is None:
        return None
    rise, warmer = skin.rise_pa / PA_PER_BAR, f"{skin.seen_k - skin.began_k:.1f} C"
    match skin.strange:
        case Strange.COLD if fill.held.cylinder.count > 1:
            text = (
                f"The gauge has risen by {rise:.0f} bar and the wall sensor by only {warmer}: the "
                f"cylinder it sits on takes no gas, or the sensor has come off. {_ISOLATOR}"
            )
            return Finding(name=HALF_SET, confidence=0.6, text=text)
        case Strange.COLD:
            seen = f"has risen by only {warmer} while the gauge rose by {rise:.0f} bar"
        case Strange.FELL:
            seen = f"fell from {c_from_k(skin.highest_k):.0f} to {c_from_k(skin.seen_k):.0f} C while gas came in"
        case Strange.OFF:
            side = "above" if skin.off_k > 0.0 else "below"
            seen = f"reads {abs(skin.off_k):.1f} C {side} what the balance of heat gives"
    text = (
        f"The wall sensor {seen}: it has come off, or sits on another cylinder. Put it back on this wall; until then "
        "trust the projection less than its interval says."
    )
    return Finding(name=DISAGREES, confidence=0.8, text=text)


def _above_supply(view: View) -> Finding | None:
    gauge_pa, supply_pa = view.state.gauge.gauge_pa, view.supply_gauge_pa
    if view.state.phase is not Phase.FILLING or gauge_pa is None or supply_pa is None:
        return None
    if gauge_pa <= supply_pa + _ABOVE_SUPPLY_PA:
        return None
    text = (
        f"The gauge reads {gauge_pa / PA_PER_BAR:.0f} bar and climbs, but the supply ends at "
        f"{supply_pa / PA_PER_BAR:.0f} bar: the sensor reads too high, its unit is wrong, or the supply "
        "is another one. Compare it with the panel's own gauge before you go by it."
    )
    return Finding(name=DISAGREES, confidence=0.7, text=text)


def _bank_ends(view: View) -> Finding | None:
    """The bank will meet the cylinder before it is full."""
    seen, bank = view.shown, view.sensed(Quantity.SUPPLY)
    if view.state.phase is not Phase.FILLING or seen is None or bank is None or seen.close_at_cap != "supply":
        return None
    settles_pa = seen.close_at_settles_gauge_pa
    if settles_pa is None or settles_pa > seen.target_gauge_pa - _SHORT_PA:
        return None
    text = (
        f"The bank ({bank.source}) ends at {bank.value / PA_PER_BAR:.0f} bar: this fill would settle at "
        f"{settles_pa / PA_PER_BAR:.0f} bar, short of {seen.target_gauge_pa / PA_PER_BAR:.0f}. Change bank."
    )
    return Finding(name=BANK_ENDS, confidence=0.9, text=text)


def _passes_shut(view: View) -> Finding | None:
    """The panel valve is reported shut, and the gauge goes on rising."""
    shut_since_s, state = view.shut_since_s, view.state
    if shut_since_s is None or view.fill is None or state.gauge.sample_s - shut_since_s < _SHUT_FOR_S:
        return None
    slope = state.course.curve.slope(_SHUT_FOR_S, not_before_s=shut_since_s)
    if slope is None or slope.span_s < 0.8 * _SHUT_FOR_S or slope.pa_s - 2.0 * slope.error_pa_s < _PASSES_PA_S:
        return None
    text = (
        f"The panel valve is reported shut, and the gauge still rises by {slope.pa_s * 60.0 / PA_PER_BAR:.0f} bar/min: "
        "the valve lets gas through, or what reports it is wrong. Close it by hand and watch the needle; it does not "
        "stand: close the supply, and have the valve looked at."
    )
    return Finding(name=PASSES, confidence=0.8, text=text)


_HINTS: tuple[tuple[tuple[str, ...], Callable[[View], Finding | None]], ...] = (
    ((VALVE, RESTRICTED), _held_back),
    ((RESTRICTED,), _drop_grew),
    ((LEAK,), _leaks),
    ((BACK_FLOW,), _ran_back),
    ((HALF_SET,), _half_set),
    ((DISAGREES, HALF_SET), _wall_is_strange),
    ((DISAGREES,), _above_supply),
    ((BANK_ENDS,), _bank_ends),
    ((PASSES,), _passes_shut),
)
"""Each hint with the findings it makes: one that has been told is not looked at again."""
