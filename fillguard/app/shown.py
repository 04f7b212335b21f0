"""What was shown and said during a fill, and what is known of who saw it: a dossier's parts about people's eyes."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import TypeAlias

from fillguard.ledger.account import Body, FillAccount, Span
from fillguard.ledger.export import in_trade_units

Told: TypeAlias = "str | int | float | bool | Sequence[Told] | Mapping[str, Told] | None"
"""A piece of a dossier; None: not recorded."""

_ALARM_NUMBERS = ("gauge_pa", "settled_gauge_pa", "limit_gauge_pa", "rate_pa_s", "gas_k", "bleed_to_gauge_pa")
_NOBODY = "not recorded: no board reported that it was connected"


def utc(seconds: object) -> str | None:
    """A moment for people and machines; None where there is none."""
    if not isinstance(seconds, int | float):
        return None
    return f"{datetime.fromtimestamp(round(seconds * 1000) / 1000, UTC):%Y-%m-%dT%H:%M:%S}Z"


def said(body: Body, *names: str) -> dict[str, Told]:
    """These fields of a recorded fact, in trade units, each under a name that says which."""
    chosen = {name: body.get(name) for name in names}
    return {name.replace("_", " "): value for name, value in in_trade_units(chosen).items()}


def of_prompts(account: FillAccount) -> Told:
    """Every request to the operator, when, and where it could be seen."""
    return [
        {"at": utc(each["stamp"]["utc_s"]), "prompt": each.get("prompt") or "nothing asked any more", "seen": _NOBODY}
        for each in account.events("PromptChanged")
    ] or "none"


def of_alarms(account: FillAccount) -> Told:
    """Every alarm of the fill: when it came and went, where it was shown, who saw it, what was done."""
    notices = account.notices()
    occurrences: dict[str, list[Body]] = {}
    for change in account.alarms():
        occurrences.setdefault(str(change["occurrence"]), []).append(change)
    return [_occurrence(name, changes, notices) for name, changes in occurrences.items()] or "none"


def of_lamp(account: FillAccount, span: Span) -> Told:
    """What the lamp over the whip was told to show; whether one hangs there nobody says."""
    told = [f"{utc(each['stamp']['utc_s'])} {each['lamp']}" for each in account.of_whip("LampChanged", span)]
    return told or "not told anything new"


def _occurrence(name: str, changes: list[Body], notices: list[tuple[str, str, str, Body | None]]) -> Told:
    first = changes[0]
    channels = [_channel(kind, channel, tried) for of, kind, channel, tried in notices if of == name]
    acknowledged = next((each for each in changes if each.get("by")), None)
    arrived = any(tried is not None and tried.get("result") == "delivered" for of, _, _, tried in notices if of == name)
    seen = f"{acknowledged['by']} at {utc(acknowledged['stamp']['utc_s'])}" if acknowledged else None
    return {
        "alarm": first["alarm"],
        "occurrence": name,
        "priority": first["priority"],
        "raised": utc(first.get("raised_utc_s")),
        "because": first["cause"],
        **{key: value for key, value in said(first.get("facts") or {}, *_ALARM_NUMBERS).items() if value is not None},
        "shown on boards": _NOBODY,
        "sound": None,
        "sent to the broker": "at once, before it was recorded",
        "channels": channels or "none was to get it",
        "acted on by": seen or "nobody",
        "seen": seen or ("by whoever reads that channel" if arrived else "nobody is on record as having seen it"),
        "course": [_change(each) for each in changes],
    }


def _change(change: Body) -> str:
    if change["old"] == change["new"]:
        return f"{utc(change['stamp']['utc_s'])} called again: nobody had acknowledged it"
    who = f" by {change['by']}" if change.get("by") else ""
    why = f": {change['reason']}" if change.get("reason") else ""
    return f"{utc(change['stamp']['utc_s'])} {change['old']} to {change['new']}{who}{why}"


def _channel(kind: str, channel: str, tried: Body | None) -> str:
    if tried is None:
        return f"{channel}: the {kind} was owed, and no try has a result"
    detail = f" ({tried['detail']})" if tried.get("detail") else ""
    repeat = f", repeat {tried['repeat']}" if tried.get("repeat") else ""
    return f"{channel}: the {kind} was {tried.get('result')} at {utc(tried.get('started_utc_s'))}{repeat}{detail}"


def in_words(document: Mapping[str, Told]) -> list[str]:
    """A dossier as lines of text."""
    lines: list[str] = []
    for title, content in document.items():
        lines += ["", title.upper(), "-" * len(title), *_told(content, "")]
    return lines[1:]


def _told(content: Told, indent: str) -> list[str]:
    if isinstance(content, Mapping):
        return [line for name, value in content.items() for line in _named(name, value, indent)]
    if isinstance(content, list):
        return [line for each in content for line in _item(each, indent)]
    return [f"{indent}{_word(content)}"]


def _named(name: str, value: Told, indent: str) -> list[str]:
    if isinstance(value, Mapping | list) and value:
        return [f"{indent}{name}:", *_told(value, indent + "  ")]
    return [f"{indent}{name}: {_word(value)}"]


def _item(value: Told, indent: str) -> list[str]:
    lines = _told(value, indent + "  ")
    return [f"{indent}- {lines[0].lstrip()}", *lines[1:]] if lines else []


def _word(value: Told) -> str:
    match value:
        case None | [] | {}:
            return "not recorded"
        case bool():
            return "yes" if value else "no"
        case _:
            return str(value)
