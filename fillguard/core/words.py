"""Events in plain words: for notices, the alarm strip and the lanes of the board.

Local time is not known here: whoever asks passes it in as text.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fillguard.core.events import AlarmChanged, AlarmFacts, AlarmState, Chatter, Projected, Prompt
from fillguard.core.figures import (
    UnitChoice,
    bare_pressure,
    close_at_text,
    duration,
    pressure,
    pressure_not_above,
    rate,
    stamped,
    temperature,
)
from fillguard.core.fitness.needle import Needle
from fillguard.core.rules import AlarmRule
from fillguard.core.standing import NO_LONGER_JUDGED

__all__ = ["Notice", "UnitChoice", "alarm_text", "bleed_text", "finding_phrase", "notice", "prompt_text"]

TITLE_AT_MOST = 80
"""Longer titles are cut by phones and mail lists; ours are cut where it does no harm."""


# The lane of one whip -------------------------------------------------------------------------------------------------

CAPS: Mapping[str, str] = {
    "whip": "the whip's own maximum",
    "safety-valve": "the panel's safety valve",
    "developed": "what the cylinder may develop when hot",
    "hot-allowance": "shop's hot allowance",
    "ceiling": "the cylinder's ceiling",
    "supply": "the supply ends there",
}
"""What governs close-at when the target does not, by its stable word."""

FINDINGS: Mapping[str, str] = {
    "whip-only": "cylinder valve is shut, only the hose is at pressure",
    "valve-not-open": "cylinder valve not fully open",
    "flow-restricted": "flow is restricted",
    "leak": "losing gas",
    "sudden-loss": "gas is escaping",
    "sensor-stuck": "sensor stands still",
    "sensor-silent": "sensor is silent",
    "loop-fault": "fault in the sensor's loop",
    "sensor-disagrees": "sensors disagree",
    "bled": "whip bled",
    "back-flow": "the bank is below this cylinder: change bank",
    "half-set": "check the isolator: only half the set fills",
}
"""What the curve hints at, in a few words."""


def finding_phrase(finding: str) -> str:
    """A finding's stable word in plain words; an unknown one without its hyphens."""
    return FINDINGS.get(finding) or finding.replace("-", " ")


_PROMPTS: Mapping[Prompt, str] = {
    Prompt.CHANGE_BANK: "change bank",
    Prompt.OPEN_EMPTIER_FIRST: "open the emptier one first, slowly",
    Prompt.NEXT_STAGE: "stage done: on to the next gas, slowly",
}


def prompt_text(
    prompt: Prompt | None, projected: Projected | None, units: UnitChoice, needle: Needle | None = None
) -> str:
    """What the lane asks of the operator, in one line; empty when nothing is asked and nothing is filling."""
    match prompt:
        case Prompt.CHANGE_BANK | Prompt.OPEN_EMPTIER_FIRST | Prompt.NEXT_STAGE:
            return _PROMPTS[prompt]
        case Prompt.LET_IT_COOL:
            return "let it cool, top up" + _price(projected, units)
        case Prompt.CLOSE_NOW:
            if projected is None or projected.close_at_gauge_pa is None:
                return "close now"
            return f"close now: {close_at_text(projected.close_at_gauge_pa, units, needle)}"
        case Prompt.GET_READY:
            return ": ".join(part for part in ("get ready", _closing(projected, units, needle)) if part)
        case None:
            return _closing(projected, units, needle)


def _closing(projected: Projected | None, units: UnitChoice, needle: Needle | None) -> str:
    """`close at 221 bar, in 1:40`, or what caps it and what that costs."""
    if projected is None or projected.close_at_gauge_pa is None:
        return ""
    text = f"close at {close_at_text(projected.close_at_gauge_pa, units, needle)}"
    if projected.close_at_cap is not None:
        text += f" ({CAPS.get(projected.close_at_cap, projected.close_at_cap)}){_price(projected, units)}"
        then = "change bank" if projected.close_at_cap == "supply" else "let it cool, top up"
        return text if projected.close_at_settles_gauge_pa is None else f"{text}; {then}"
    return text if projected.seconds_to_stop is None else f"{text}, in {duration(projected.seconds_to_stop)}"


def _price(projected: Projected | None, units: UnitChoice) -> str:
    """`: settles at 196 bar, 11 short`; nothing where it is not known or nothing is lost."""
    if projected is None or projected.close_at_settles_gauge_pa is None:
        return ""
    short_pa = projected.target_gauge_pa - projected.close_at_settles_gauge_pa
    text = f": settles at {pressure(projected.close_at_settles_gauge_pa, units)}"
    short = bare_pressure(short_pa, units)
    return text if short_pa <= 0.0 or short == "0" else f"{text}, {short} short"


def bleed_text(projected: Projected | None, units: UnitChoice) -> str:
    """`bleed slowly to 205 bar`, the large figure of a lane that is over; empty when nothing is to be bled."""
    if projected is None or projected.bleed_to_gauge_pa is None:
        return ""
    return f"bleed slowly to {pressure_not_above(projected.bleed_to_gauge_pa, units)}"


# Alarms ---------------------------------------------------------------------------------------------------------------

PHRASES: Mapping[str, str] = {
    "overfill": "projected overfill",
    "over-ceiling": "cylinder above its ceiling",
    "whip-over-rating": "hose above its maximum",
    "sudden-loss": "gas escaping, get away",
    "wall-hot": "cylinder wall hot",
    "monitoring-lost": "monitoring lost",
    "not-fit": "this cylinder must not be filled",
    "wrong-gas": "wrong gas",
    "opened-too-fast": "oxygen opened too fast",
    "will-overfill": "close-at passed, still filling",
    "too-fast": "filling too fast",
    "gas-hot": "gas hot",
    "unidentified": "unknown cylinder",
    "arrived-empty": "cylinder arrived empty",
    "valve-not-open": "cylinder valve not fully open",
    "leak": "losing gas",
    "over-target": "target passed",
    "record-failing": "nothing is recorded",
    "store-failing": "mirror falls behind",
    "channel-failing": "notice channel failing",
    "clock-wrong": "clock wrong",
    "bank-low": "bank low",
    "zero-off": "gauge off zero",
    "sensor-disagrees": "sensors disagree",
    "shared-gauge": "two whips on one gauge?",
    "calibration-due": "calibration due",
    "drops": "messages dropped",
    "configuration-broken": "changed configuration cannot be used",
    "self-test-failing": "fillguard does not hear itself",
}
"""Each alarm in a few words, for titles and strips."""
CALLS: Mapping[int, str] = {1: "STOP", 2: "ACT", 3: "NOTE"}
"""The first word of a notice, by priority."""
POINTS: Mapping[str, tuple[str, ...]] = {
    "overfill": ("settled", "gauge", "bleed-to gauge now"),
    "over-ceiling": ("gauge", "ceiling"),
    "whip-over-rating": ("gauge", "limit", "ceiling"),
    "sudden-loss": ("gauge", "rate"),
    "wall-hot": ("wall", "gauge"),
    "monitoring-lost": ("silent", "last gauge"),
    "opened-too-fast": ("rate", "gauge"),
    "will-overfill": ("settled", "gauge", "close-at gauge", "rate"),
    "too-fast": ("rate", "gauge"),
    "gas-hot": ("gas", "gauge"),
    "unidentified": ("gauge", "limit"),
    "leak": ("rate", "settled"),
    "over-target": ("settled", "target", "gauge"),
}
"""The numbers that are to the point of an alarm; of any other one the gauge."""
_READ = ("gauge", "last gauge")
"""Shown as read; what was worked out is never shown above what it is."""
_LOSSES: Mapping[str, str] = {"sudden-loss": "s", "leak": "h"}
"""Alarms about a fall, and the time it is counted in."""

_HIDDEN: Mapping[AlarmState, str] = {
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed",
    AlarmState.OUT_OF_SERVICE: "out of service",
}
_STILL_ASKED: Mapping[AlarmState, str] = {
    AlarmState.RETURNED_UNACKNOWLEDGED: "Still to be acknowledged.",
    AlarmState.LATCHED_UNACKNOWLEDGED: "Still to be acknowledged, then reset by the person who says what was done.",
    AlarmState.LATCHED_ACKNOWLEDGED: "Stays on show until it is reset by the person who says what was done.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What a channel sends."""

    title: str
    body: str


def alarm_phrase(alarm: str) -> str:
    """An alarm's stable name in a few plain words."""
    return PHRASES.get(alarm) or alarm.replace("-", " ")


def alarm_text(change: AlarmChanged, rule: AlarmRule, units: UnitChoice) -> str:
    """One paragraph: what happened, where, the numbers, what to do."""
    parts = (_happened(change, rule), _where(change), _numbers(change, units), _asked(change, rule))
    return " ".join(part for part in parts if part)


def notice(
    change: AlarmChanged,
    rule: AlarmRule,
    units: UnitChoice,
    *,
    station_name: str,
    time_text: str,
    drill: bool = False,
    recorded: bool | None = None,
    repeat: int = 1,
) -> Notice:
    """Title and body of a notice.

    Args:
        change: what happened to the alarm.
        rule: its record, with the action in words.
        units: those of the shop's needles.
        station_name: as people call it.
        time_text: when the occurrence was raised, local time.
        drill: it is practice; says so first and last.
        recorded: False when the ledger does not take rows; None when that is not known yet.
        repeat: 2 and more: the same notice again, because nobody knows whether the last one arrived.
    """
    lines = (
        "DRILL: practice, nothing of this is real." if drill else "",
        _happened(change, rule),
        f"{station_name}: {_where(change)}",
        _numbers(change, units),
        _asked(change, rule),
        f"Raised {time_text}.{' First alarm of this fill.' if change.first_out else ''}",
        _CHATTERS.get(change.chatter, ""),
        "Not recorded: the ledger takes no rows. Write it down." if recorded is False else "",
        f"Repeat {repeat}: the last one may have arrived." if repeat > 1 else "",
        f"Occurrence {change.occurrence}",
    )
    return Notice(title=_title(change, drill=drill, repeat=repeat), body="\n".join(line for line in lines if line))


_CHATTERS: Mapping[Chatter, str] = {
    Chatter.BEGAN: "It comes and goes: raised three times within a minute.",
    Chatter.GOES_ON: "It still comes and goes.",
}


def _title(change: AlarmChanged, *, drill: bool, repeat: int) -> str:
    """`STOP - whip 2: projected overfill`, with its marks; cut in the middle part when too long."""
    place = "station" if change.whip is None else f"whip {change.whip}"
    front, back = "DRILL " if drill else "", f" (repeat {repeat})" if repeat > 1 else ""
    text = f"{_call(change)} - {place}: {alarm_phrase(change.alarm)}"
    room = TITLE_AT_MOST - len(front) - len(back)
    return front + (text if len(text) <= room else text[: room - 3] + "...") + back


def _call(change: AlarmChanged) -> str:
    if change.new is AlarmState.UNACKNOWLEDGED:
        return CALLS[change.priority]
    if change.reason in NO_LONGER_JUDGED:
        return "No longer judged"
    if change.new in _HIDDEN:
        return _HIDDEN[change.new].capitalize()
    if change.new is AlarmState.ACKNOWLEDGED:
        return "Acknowledged"
    return "Ended"


def _happened(change: AlarmChanged, rule: AlarmRule) -> str:
    """What was seen; where the alarm did not just begin: what became of it, and what it was."""
    cause = _sentence(change.cause or rule.cause)
    if change.is_raise:
        return cause
    if change.is_realarm:
        return f"Not acknowledged yet. {cause}"
    return f"{_became(change)} It was: {cause}"


def _became(change: AlarmChanged) -> str:
    """`Reset by op-1: disc replaced.`, in one sentence."""
    by = f" by {change.by}" if change.by else ""
    reason = change.reason or ""
    if change.reason in NO_LONGER_JUDGED:
        became = "no longer judged"
    elif change.new in _HIDDEN:
        became = _HIDDEN[change.new] + by
        reason = reason if change.by else finding_phrase(reason)
    elif change.is_return:
        became = "ended"
    elif change.old in _HIDDEN:
        became = f"shown again{by}, no longer there"
    elif change.old is AlarmState.LATCHED_ACKNOWLEDGED:
        became = f"reset{by}"
    else:
        became = f"acknowledged{by}"
    return _sentence(f"{became}: {reason}" if reason else became)


def _where(change: AlarmChanged) -> str:
    """Whip, and cylinder and operator where known: `Whip 2, cylinder TH-0042, operator op-1.`."""
    if change.whip is None:
        return "The station."
    cylinder = f", cylinder {change.serial}" if change.serial else ""
    operator = f", operator {change.operator}" if change.operator else ""
    return f"Whip {change.whip}{cylinder}{operator}."


def _asked(change: AlarmChanged, rule: AlarmRule) -> str:
    """The action while there is something to do; else what is still asked of a person."""
    still = _STILL_ASKED.get(change.new, "")
    acts = change.new in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED) or (
        change.reason in NO_LONGER_JUDGED and change.new is not AlarmState.NORMAL
    )
    return " ".join(part for part in (f"What to do: {rule.action}" if acts else "", still) if part)


def _numbers(change: AlarmChanged, units: UnitChoice) -> str:
    """The numbers that are to the point and known, in one sentence; empty without any."""
    return _sentence("; ".join(part for part in _parts(change, units) if part))


def _parts(change: AlarmChanged, units: UnitChoice) -> Iterator[str]:
    facts = change.facts
    for what in POINTS.get(change.alarm, ("gauge",)):
        match what:
            case "settled":
                yield settled_text(facts, units)
            case "rate":
                yield _rate_text(change, units)
            case "silent" if facts.silent_s is not None:
                yield f"no data for {duration(facts.silent_s)}"
            case "gas" if facts.gas_k is not None:
                yield f"gas about {temperature(facts.gas_k, units)}"
            case "wall" if facts.wall_k is not None:
                yield f"wall {temperature(facts.wall_k, units)}"
            case _:
                yield _pressure_text(what, facts, units)


def _pressure_text(what: str, facts: AlarmFacts, units: UnitChoice) -> str:
    """`close-at gauge 221 bar`; empty when it is not known, or no pressure."""
    gauge_pa = {
        "gauge": facts.gauge_pa,
        "last gauge": facts.gauge_pa,
        "limit": facts.limit_gauge_pa,
        "target": facts.target_gauge_pa,
        "ceiling": facts.ceiling_gauge_pa,
        "close-at gauge": facts.close_at_gauge_pa,
        "bleed-to gauge now": facts.bleed_to_gauge_pa,
    }.get(what)
    if gauge_pa is None:
        return ""
    if what == "limit":
        return f"limit {stamped(gauge_pa, units)}"
    return f"{what} {pressure(gauge_pa, units) if what in _READ else pressure_not_above(gauge_pa, units)}"


def _rate_text(change: AlarmChanged, units: UnitChoice) -> str:
    """`42 bar/min, limit 30 bar/min`; of a loss only how fast it falls: a rising gauge tells of the fill."""
    pa_s, limit_pa_s = change.facts.rate_pa_s, change.facts.rate_limit_pa_s
    if pa_s is None:
        return ""
    if change.alarm in _LOSSES:
        return f"falling by {rate(-pa_s, units, per=_LOSSES[change.alarm])}" if pa_s < 0.0 else ""
    per = "s" if change.alarm == "opened-too-fast" else "min"
    return rate(pa_s, units, per=per) + ("" if limit_pa_s is None else f", limit {rate(limit_pa_s, units, per=per)}")


def settled_text(facts: AlarmFacts, units: UnitChoice) -> str:
    """`about 214 bar settled at 15 C (208 to 220), limit 207`: never surer than the interval; empty when unknown.

    Where estimate and limit would read the same, both are shown finer.
    """
    settled, low, high = facts.settled_gauge_pa, facts.settled_low_gauge_pa, facts.settled_high_gauge_pa
    limit = facts.limit_gauge_pa
    if settled is None:
        return ""
    fine = limit is not None and bare_pressure(settled, units) == bare_pressure(limit, units)
    text = f"about {pressure(settled, units, fine=fine)} settled"
    if facts.reference_k is not None:
        text += f" at {temperature(facts.reference_k, units)}"
    if low is not None and high is not None:
        text += f" ({bare_pressure(low, units, fine=fine)} to {bare_pressure(high, units, fine=fine)})"
    if limit is None:
        return text
    return f"{text}, limit {bare_pressure(limit, units, fine=True) if fine else stamped(limit, units).split()[0]}"


def _sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".?!" else ".")
