"""Commands of people about cylinders and fills: what they looked at, what they analysed, what they released."""

import json
from collections.abc import Callable, Mapping
from typing import NoReturn, NotRequired

from pydantic import TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.errors import ConfigurationError
from fillguard.core.events import CylinderChecked, FillAnalysed, FillReleased, StageCalled, WhipClosed
from fillguard.core.fitness.release import Analysis, Basis
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import AIR, GasMix
from fillguard.intake.checks import checks_said
from fillguard.intake.formats import STRICT, UnusableError, refuse_shape, shown
from fillguard.ports import RawMessage

CHECKED, ANALYSED, RELEASED = "checked", "analysed", "released"
STAGE, CLOSED = "stage", "closed"
_LONGEST_TEXT = 200
_MOST_PPM = 10_000.0
_PERCENT = (0.0, 100.0)
_SHOP_C = (-20.0, 50.0)
_SETTLED_BAR = (0.0, 400.0)
Range = tuple[float, float]


@with_config({**STRICT, "extra": "forbid"})
class _Checked(TypedDict):
    verb: str
    operator: str
    whip: str
    checked: list[str]
    id: NotRequired[str]


@with_config({**STRICT, "extra": "forbid"})
class _Analysed(TypedDict):
    verb: str
    operator: str
    fill: str
    analyser: str
    o2_percent: float
    he_percent: NotRequired[float]
    co_ppm: NotRequired[float]
    analyser_checked: NotRequired[float]
    id: NotRequired[str]


@with_config({**STRICT, "extra": "forbid"})
class _Label(TypedDict):
    o2: float
    he: NotRequired[float]


@with_config({**STRICT, "extra": "forbid"})
class _Released(TypedDict):
    verb: str
    operator: str
    fill: str
    valve_seen: bool
    o_ring_seen: bool
    settled_bar: NotRequired[float]
    shop_c: NotRequired[float]
    label: NotRequired[str | _Label]
    to: NotRequired[str]
    id: NotRequired[str]


@with_config({**STRICT, "extra": "forbid"})
class _Stage(TypedDict):
    verb: str
    operator: str
    whip: str
    number: int
    id: NotRequired[str]


@with_config({**STRICT, "extra": "forbid"})
class _Closed(TypedDict):
    verb: str
    operator: str
    whip: str
    id: NotRequired[str]


_STAGE, _CLOSED = TypeAdapter(_Stage), TypeAdapter(_Closed)
_CHECKED, _ANALYSED, _RELEASED = TypeAdapter(_Checked), TypeAdapter(_Analysed), TypeAdapter(_Released)


def checked_command(operator: str, whip: str, checked: list[str], command_id: str) -> bytes:
    """The command that `deed` reads back as `CylinderChecked`."""
    said = {"verb": CHECKED, "operator": operator, "whip": whip, "checked": checked, "id": command_id}
    return json.dumps(said).encode()


def stage_command(operator: str, whip: str, number: int, command_id: str) -> bytes:
    """The command that `deed` reads back as `StageCalled`."""
    said = {"verb": STAGE, "operator": operator, "whip": whip, "number": number, "id": command_id}
    return json.dumps(said).encode()


def closed_command(operator: str, whip: str, command_id: str) -> bytes:
    """The command that `deed` reads back as `WhipClosed`."""
    return json.dumps({"verb": CLOSED, "operator": operator, "whip": whip, "id": command_id}).encode()


def _on_stage(message: RawMessage) -> StageCalled:
    sent = _STAGE.validate_json(message.payload)
    return StageCalled(
        stamp=message.arrived,
        whip=_text("whip", sent["whip"]),
        operator=_text("operator", sent["operator"]),
        number=sent["number"],
        command_id=sent.get("id"),
    )


def _on_closed(message: RawMessage) -> WhipClosed:
    sent = _CLOSED.validate_json(message.payload)
    return WhipClosed(
        stamp=message.arrived,
        whip=_text("whip", sent["whip"]),
        operator=_text("operator", sent["operator"]),
        command_id=sent.get("id"),
    )


def _on_checked(message: RawMessage) -> CylinderChecked:
    sent = _CHECKED.validate_json(message.payload)
    checks = checks_said(sent["checked"])
    if not checks:
        raise UnusableError("bad-command", 'checked: say what was looked at, such as ["stamp-read"]')
    return CylinderChecked(
        stamp=message.arrived,
        whip=_text("whip", sent["whip"]),
        operator=_text("operator", sent["operator"]),
        checks=checks,
        command_id=sent.get("id"),
    )


def _on_analysed(message: RawMessage) -> FillAnalysed:
    sent = _ANALYSED.validate_json(message.payload)
    he, co, checked = sent.get("he_percent"), sent.get("co_ppm"), sent.get("analyser_checked")
    if checked is not None and checked > message.arrived.utc_s:
        raise UnusableError("bad-command", f"analyser_checked {shown(checked)}: Unix seconds, not in the future")
    return FillAnalysed(
        stamp=message.arrived,
        fill_id=_text("fill", sent["fill"]),
        command_id=sent.get("id"),
        analysis=Analysis(
            o2=_within("o2_percent", sent["o2_percent"], _PERCENT) / 100.0,
            he=None if he is None else _within("he_percent", he, _PERCENT) / 100.0,
            co_ppm=None if co is None else _within("co_ppm", co, (0.0, _MOST_PPM)),
            analyser=_text("analyser", sent["analyser"]),
            checked_utc_s=checked,
            by=_text("operator", sent["operator"]),
            utc_s=message.arrived.utc_s,
        ),
    )


def _on_released(message: RawMessage) -> FillReleased:
    sent = _RELEASED.validate_json(message.payload)
    settled_bar, shop_c = sent.get("settled_bar"), sent.get("shop_c")
    label = sent.get("label")
    return FillReleased(
        stamp=message.arrived,
        fill_id=_text("fill", sent["fill"]),
        gauge_pa=None if settled_bar is None else pa_from_bar(_within("settled_bar", settled_bar, _SETTLED_BAR)),
        basis=Basis.PROJECTED if settled_bar is None else Basis.SETTLED,
        shop_k=None if shop_c is None else k_from_c(_within("shop_c", shop_c, _SHOP_C)),
        label=None if label is None else _label(label),
        valve_seen=sent["valve_seen"],
        o_ring_seen=sent["o_ring_seen"],
        by=_text("operator", sent["operator"]),
        to=_text("to", sent["to"]) if "to" in sent else None,
        command_id=sent.get("id"),
    )


def _label(said: str | _Label) -> GasMix:
    if said == "air":
        return AIR
    if isinstance(said, str):
        raise UnusableError("bad-command", f'label {shown(said)}: give "air" or fractions such as {{"o2": 0.32}}')
    try:
        return GasMix(o2=said["o2"], he=said.get("he", 0.0))
    except ConfigurationError as error:
        raise UnusableError("bad-command", str(error)) from error


def _within(key: str, value: float, allowed: Range) -> float:
    low, high = allowed
    if not low <= value <= high:
        raise UnusableError("bad-command", f"{key} {shown(value)}: {low:g} to {high:g}")
    return value


def _text(key: str, text: str) -> str:
    text = text.strip()
    if not (0 < len(text) <= _LONGEST_TEXT and text.isprintable()):
        raise UnusableError("bad-command", f"{key} {shown(text)}: 1 to {_LONGEST_TEXT} printable characters")
    return text


Deed = CylinderChecked | FillAnalysed | FillReleased | StageCalled | WhipClosed
_DEEDS: Mapping[str, tuple[Callable[[RawMessage], Deed], type]] = {
    CHECKED: (_on_checked, _Checked),
    ANALYSED: (_on_analysed, _Analysed),
    RELEASED: (_on_released, _Released),
    STAGE: (_on_stage, _Stage),
    CLOSED: (_on_closed, _Closed),
}
DEEDS = frozenset(_DEEDS)
"""The verbs."""
_KIND = {
    "number": "a whole number",
    "checked": "a list of words",
    "label": '"air" or fractions',
    "valve_seen": "true or false",
}
_KIND["o_ring_seen"] = _KIND["valve_seen"]


def deed(verb: str, message: RawMessage) -> Deed:
    """What a message with this verb says. Raises UnusableError, with what is missing or wrong."""
    make, keys = _DEEDS[verb]
    try:
        return make(message)
    except ValidationError as error:
        _refuse(verb, keys, error)


def _refuse(verb: str, keys: type, error: ValidationError) -> NoReturn:
    first = error.errors(include_url=False)[0]
    refuse_shape(first["type"], first["msg"], first["input"])
    key = str(first["loc"][0])
    match first["type"]:
        case "missing":
            said = f"no {key}: {verb} needs it"
        case "extra_forbidden":
            said = f"key {shown(key)} is not known: allowed are {', '.join(keys.__annotations__)}"
        case _:
            kind = "a number" if key.endswith(("_percent", "_ppm", "_bar", "_c", "_checked")) else "text"
            said = f"{key} {shown(first['input'])}: give {_KIND.get(key, kind)}"
    raise UnusableError("bad-command", said)
