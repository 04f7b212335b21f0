"""What a named person does to an alarm, sent over the broker instead of the board."""

from typing import NoReturn, NotRequired

from pydantic import TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.events import AlarmCommanded, Verb
from fillguard.intake.formats import STRICT, UnusableError, check_json, refuse_shape, shown
from fillguard.ports import RawMessage

LONGEST_SHELVE_MIN = 30.0
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
    occurrence: NotRequired[str]
    alarm: NotRequired[str]
    whip: NotRequired[str]
    reason: NotRequired[str]
    for_min: NotRequired[float]


_COMMAND = TypeAdapter(_Command)


def command_event(message: RawMessage) -> AlarmCommanded:
    """The command in one message. Raises UnusableError; a retained command is refused: nobody gives it now."""
    if message.retained:
        raise UnusableError("retained-command", "a command must not be retained: publish it without the retain flag")
    check_json(message.payload)
    try:
        sent = _COMMAND.validate_json(message.payload)
    except ValidationError as error:
        _refuse(error)
    texts = {key: _text(key, value) for key, value in sent.items() if isinstance(value, str)}
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
    )


def _verb(word: str) -> Verb:
    try:
        return Verb(word)
    except ValueError:
        raise UnusableError("bad-command", f"verb {shown(word)}: allowed are {', '.join(Verb)}") from None


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
