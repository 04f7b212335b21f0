"""What a named person says over the broker instead of the board: about alarms, verdicts, settled cylinders."""

import json
import re
from collections.abc import Mapping
from typing import NoReturn, NotRequired

from pydantic import TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.events import AlarmCommanded, LearningReset, SettledRead, Verb, VerdictOverridden
from fillguard.core.units import bar_from_pa, c_from_k, k_from_c, pa_from_bar
from fillguard.intake.deeds import DEEDS, Deed, deed
from fillguard.intake.formats import STRICT, UnusableError, check_json, refuse_shape, shown
from fillguard.ports import RawMessage

OVERRIDE = "override"
"""The one verb that is about a verdict: fill it all the same."""
LONGEST_SHELVE_MIN = 30.0
OLDEST_S = 60.0
"""A command that says when it was given and comes later than this was kept somewhere: nobody gives it now."""
_LONGEST_TEXT = 200
_NEEDS_REASON = {
    Verb.SHELVE: "why it is set aside",
    Verb.RESET: "what was done",
    Verb.OUT_OF_SERVICE: "why nobody can act on it",
}


@with_config({**STRICT, "extra": "forbid"})
class _Command(TypedDict):
    verb: str
    operator: str
    id: NotRequired[str]
    time: NotRequired[float]
    occurrence: NotRequired[str]
    alarm: NotRequired[str]
    whip: NotRequired[str]
    reason: NotRequired[str]
    for_min: NotRequired[float]


@with_config({**STRICT, "extra": "forbid"})
class _Settled(TypedDict):
    verb: str
    operator: str
    fill: str
    bar: float
    at_c: float


@with_config({**STRICT, "extra": "forbid"})
class _Reset(TypedDict):
    verb: str
    operator: str
    reason: str


_COMMAND = TypeAdapter(_Command)
_SETTLED = TypeAdapter(_Settled)
_RESET = TypeAdapter(_Reset)
SETTLED, RESET_LEARNING = "settled", "reset-learning"
HIGHEST_SETTLED_BAR = 400.0
COLDEST_C, HOTTEST_C = -20.0, 50.0
_ID = re.compile(rb'"id"\s*:\s*"([ !#-\[\]-~]{1,64})"')
_VERB = re.compile(rb'"verb"\s*:\s*"([a-z-]+)"')
Command = AlarmCommanded | VerdictOverridden | SettledRead | LearningReset | Deed


def command_event(message: RawMessage) -> Command:
    """The command in one message. Raises UnusableError; a retained command is refused: nobody gives it now."""
    if message.retained:
        raise UnusableError("retained-command", "a command must not be retained: publish it without the retain flag")
    check_json(message.payload)
    found = _VERB.search(message.payload)
    verb = "" if found is None else found[1].decode()
    if verb in DEEDS:
        return deed(verb, message)
    try:
        if verb in {SETTLED, RESET_LEARNING}:
            return _settled(message) if verb == SETTLED else _reset(message)
        return _on_alarm(message)
    except ValidationError as error:
        _refuse(error)


def command_id(payload: bytes) -> str | None:
    """What a command that could not be understood calls itself, so that whoever sent it can be told why."""
    found = _ID.search(payload)
    return None if found is None else found[1].decode("ascii")


def alarm_command(
    verb: Verb,
    *,
    operator: str,
    command_id: str,
    given_utc_s: float,
    occurrence: str | None,
    alarm: str | None,
    whip: str | None,
    reason: str | None,
    for_min: float | None,
) -> bytes:
    """A command about an alarm that `command_event` reads back."""
    said = {
        "verb": verb.value,
        "id": command_id,
        "time": round(given_utc_s, 3),
        "operator": operator,
        "occurrence": occurrence,
        "alarm": alarm,
        "whip": whip,
        "reason": reason,
        "for_min": for_min,
    }
    return json.dumps({key: value for key, value in said.items() if value is not None}).encode()


def command_text(event: SettledRead | LearningReset) -> bytes:
    """The command that `command_event` reads back."""
    if isinstance(event, LearningReset):
        told: dict[str, object] = {"verb": RESET_LEARNING, "operator": event.by, "reason": event.why}
    else:
        told = {
            "verb": SETTLED,
            "operator": event.by,
            "fill": event.fill_id,
            "bar": round(bar_from_pa(event.gauge_pa), 3),
            "at_c": round(c_from_k(event.temperature_k), 2),
        }
    return json.dumps(told).encode()


def _settled(message: RawMessage) -> SettledRead:
    sent = _SETTLED.validate_json(message.payload)
    for key, value, low, high in (
        ("bar", sent["bar"], 0.0, HIGHEST_SETTLED_BAR),
        ("at_c", sent["at_c"], COLDEST_C, HOTTEST_C),
    ):
        if not low < value <= high:
            raise UnusableError("bad-command", f"{key} {shown(value)}: more than {low:g}, at most {high:g}")
    return SettledRead(
        stamp=message.arrived,
        fill_id=_text("fill", sent["fill"]),
        gauge_pa=pa_from_bar(sent["bar"]),
        temperature_k=k_from_c(sent["at_c"]),
        by=_text("operator", sent["operator"]),
    )


def _reset(message: RawMessage) -> LearningReset:
    sent = _RESET.validate_json(message.payload)
    return LearningReset(
        stamp=message.arrived, by=_text("operator", sent["operator"]), why=_text("reason", sent["reason"])
    )


def _on_alarm(message: RawMessage) -> AlarmCommanded | VerdictOverridden:
    sent = _COMMAND.validate_json(message.payload)
    _refuse_late(sent.get("time"), message.arrived.utc_s)
    texts = {key: _text(key, value) for key, value in sent.items() if isinstance(value, str)}
    if texts["verb"] == OVERRIDE:
        return _override(message, texts)
    verb = _verb(texts["verb"])
    if "occurrence" not in texts and "alarm" not in texts:
        raise UnusableError("bad-command", f"{verb}: say which alarm by its occurrence, or by alarm and whip")
    if verb in _NEEDS_REASON and "reason" not in texts:
        raise UnusableError("bad-command", f"{verb} needs a reason: {_NEEDS_REASON[verb]}")
    return AlarmCommanded(
        stamp=message.arrived,
        verb=verb,
        operator=texts["operator"],
        occurrence=texts.get("occurrence"),
        whip=texts.get("whip"),
        alarm=texts.get("alarm"),
        reason=texts.get("reason"),
        for_s=_for_s(verb, sent.get("for_min")),
        command_id=texts.get("id"),
    )


def _refuse_late(given_s: float | None, arrived_s: float) -> None:
    """What was meant for an alarm of a while ago must not silence the one that stands now."""
    if given_s is not None and not abs(arrived_s - given_s) <= OLDEST_S:
        raise UnusableError(
            "late-command",
            f"time {shown(given_s)}: this command was given {arrived_s - given_s:.0f} s ago, allowed {OLDEST_S:g} s: "
            "look at what stands now and give it again (or set the clock of the sender)",
        )


def _override(message: RawMessage, texts: Mapping[str, str]) -> VerdictOverridden:
    """Refused unless it names whip, person and reason: somebody answers for this fill."""
    if "whip" not in texts or "reason" not in texts:
        raise UnusableError("bad-command", f"{OVERRIDE} needs whip and reason: why it is filled all the same")
    if "alarm" in texts or "occurrence" in texts:
        raise UnusableError("bad-command", f"{OVERRIDE} is about a cylinder, not about an alarm: leave that out")
    return VerdictOverridden(
        stamp=message.arrived,
        whip=texts["whip"],
        operator=texts["operator"],
        reason=texts["reason"],
        command_id=texts.get("id"),
    )


def _verb(word: str) -> Verb:
    try:
        return Verb(word)
    except ValueError:
        raise UnusableError(
            "bad-command", f"verb {shown(word)}: allowed are {', '.join((*Verb, OVERRIDE, *sorted(DEEDS)))}"
        ) from None


def _text(key: str, text: str) -> str:
    text = text.strip()
    if not (0 < len(text) <= _LONGEST_TEXT and text.isprintable()):
        raise UnusableError("bad-command", f"{key} {shown(text)}: 1 to {_LONGEST_TEXT} printable characters")
    return text


def _for_s(verb: Verb, minutes: float | None) -> float | None:
    if verb is not Verb.SHELVE:
        return None
    if minutes is None or not 0.0 < minutes <= LONGEST_SHELVE_MIN:
        raise UnusableError(
            "bad-command", f"for_min {shown(minutes)}: shelve for more than 0, at most {LONGEST_SHELVE_MIN:g} minutes"
        )
    return minutes * 60.0


def _refuse(error: ValidationError) -> NoReturn:
    first = error.errors(include_url=False)[0]
    refuse_shape(first["type"], first["msg"], first["input"])
    key = str(first["loc"][0])
    match first["type"]:
        case "missing":
            said = f"no {key}: a command needs verb, operator and the alarm"
        case "extra_forbidden":
            said = f"key {shown(key)} is not known: allowed are {', '.join(_Command.__annotations__)}"
        case _:
            said = f"{key} {shown(first['input'])}: {'a number of minutes' if key == 'for_min' else 'give text'}"
    raise UnusableError("bad-command", said)
