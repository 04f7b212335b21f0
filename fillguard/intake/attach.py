"""Which cylinder hangs on a whip: the message of whoever attached it, held against the register.

A mistake is refused with the value quoted and the way out; nothing about a cylinder is guessed.
"""

from collections.abc import Callable
from dataclasses import replace
from difflib import get_close_matches
from typing import Literal, NoReturn

from pydantic import TypeAdapter, ValidationError

from fillguard.core.errors import ConfigurationError
from fillguard.core.events import CylinderAttached, CylinderDetached, InEvent
from fillguard.core.fitness.checks import Check
from fillguard.core.units import k_from_c
from fillguard.core.values import AIR, Cylinder, GasMix, Stamp, Surroundings
from fillguard.intake.checks import checks_said, found_said, ticked, with_class
from fillguard.intake.described import (
    DESCRIBING,
    MATERIALS,
    Attach,
    Gas,
    Register,
    cylinder_said,
    reason_of,
    target_gauge_pa,
)
from fillguard.intake.formats import UnusableError, check_json, refuse_shape, shown
from fillguard.intake.staged import check_limit, stages_said
from fillguard.settings.panel import PanelSettings, Scanner

Assess = Callable[[InEvent], InEvent]
"""What a person said, with what the record knows of it: may the cylinder be filled, the fill be released?

Never raises.
"""

COLD_C, HOT_C = 8.0, 45.0
"""What `cold` (out of a winter boat) and `hot` (out of a car in the sun) stand for at the counter: our choice."""
_ARRIVED_C = (-40.0, 80.0)
_AIR_O2 = (0.209, 0.210)
_LONGEST_NAME = 64
_LONGEST_NOTE = 200
_ATTACH = TypeAdapter(Attach)
_CLASS = "class"
"""No name that Python can declare."""
_EXPECTED = {
    "serial": 'text such as "TH-0042", or null to detach',
    "operator": 'text such as "op-1"',
    "gas": '"air", "oxygen" or fractions such as {"o2": 0.32, "he": 0}',
    "residual_gas": '"air", "oxygen" or fractions such as {"o2": 0.32, "he": 0}',
    "stages": 'a list such as [{"gas": "oxygen", "target_bar": 29}, {"gas": "air", "target_bar": 207}]',
    "surroundings": '"air" or "bath"',
    "arrived": '"shop", "cold", "hot" or degrees C as a number',
    "checked": 'a list such as ["stamp-read"]',
    "valve_found": 'a list such as ["stiff"]',
    "class": 'text such as "alu-11-207"',
    "count": "a whole number, 2 for a twin set",
    "material": MATERIALS,
}
_NAMED_GASES = {"air": AIR, "oxygen": GasMix(o2=1.0)}
_ARRIVED_WORDS = {"cold": COLD_C, "hot": HOT_C}
_MOST_NOTES = 5
_MEANT = {"o2": "gas", "he": "gas", "mix": "gas"}
_OF_THE_WIRE = frozenset({"time", "seq", "boot"})
"""Keys that gateways add to every message."""


def attach_event(
    payload: bytes, *, stamp: Stamp, whip: str, register: Register, panel: PanelSettings | None = None
) -> CylinderAttached | CylinderDetached:
    """The event of one message on a whip's cylinder topic. Raises UnusableError."""
    panel = panel or PanelSettings()
    check_json(payload)
    try:
        sent = _ATTACH.validate_json(payload)
    except ValidationError as error:
        _refuse(error)
    ignored = _unknown_keys(sent)
    serial, operator = _serial(sent, panel.scanner), _name(sent, "operator")
    class_name = _class_name(sent)
    described = sorted(DESCRIBING & sent.keys())
    if serial is None and not described and class_name is None:
        if "serial" in sent:
            return _detached(sent, stamp, whip, operator)
        raise UnusableError("no-serial", "no serial: say which cylinder, or describe it; null detaches")
    if serial is None and "serial" in sent:
        what = described[0] if described else f"class {shown(class_name)}"
        raise UnusableError(
            "bad-serial",
            f"serial null detaches, yet {what} describes a cylinder: leave serial out for one without a number",
        )
    if class_name is not None and described:
        text = f"class {shown(class_name)} and {described[0]}: give the class or describe the cylinder"
        raise UnusableError("bad-class", text)
    try:
        cylinder, notes = cylinder_said(sent, serial, register)
        event = _attached(sent, stamp=stamp, whip=whip, serial=serial, operator=operator, cylinder=cylinder)
    except ConfigurationError as error:
        raise UnusableError("bad-cylinder", str(error)) from error
    event = replace(event, note="; ".join([*notes, *ignored]) or None)
    return event if class_name is None or cylinder is not None else with_class(event, class_name, panel.classes)


def _attached(
    sent: Attach, *, stamp: Stamp, whip: str, serial: str | None, operator: str | None, cylinder: Cylinder | None
) -> CylinderAttached:
    stages = stages_said(sent, whip, lambda said: _mix("gas", said))
    check_limit(stages, cylinder)
    gas = max((stage.gas for stage in stages), key=lambda mix: mix.o2) if stages else _gas(sent, "gas", AIR)
    checks = checks_said(sent.get("checked", []))
    rating_said = "rated_pressure_bar" in sent or "rated_pressure_psi" in sent
    if rating_said:
        checks = (*checks, Check.STAMP_READ)  # who writes down what is stamped has read it
    return CylinderAttached(
        stamp=stamp,
        whip=stages[0].whip if stages else whip,
        serial=serial,
        cylinder=cylinder,
        operator=operator,
        gas=gas,
        residual_gas=_gas(sent, "residual_gas", AIR if stages else gas),
        residual_told="residual_gas" in sent,
        target_gauge_pa=target_gauge_pa(sent),
        surroundings=_surroundings(sent),
        arrived_k=_arrived_k(sent),
        stages=stages,
        checked=ticked(checks, operator, stamp),
        stamp_unseen=not rating_said,
        valve_found=found_said(sent.get("valve_found", [])),
        valve_note=_text(sent, "valve_note"),
    )


def _detached(sent: Attach, stamp: Stamp, whip: str, operator: str | None) -> CylinderDetached:
    return CylinderDetached(
        stamp=stamp,
        whip=whip,
        operator=operator,
        valve_found=found_said(sent.get("valve_found", [])),
        valve_note=_text(sent, "valve_note"),
    )


def _refuse(error: ValidationError) -> NoReturn:
    first = error.errors(include_url=False)[0]
    refuse_shape(first["type"], first["msg"], first["input"])
    key = str(first["loc"][0])
    raise UnusableError(
        reason_of(key),
        f"{key} {shown(first['input'])}: give {_EXPECTED.get(key, 'a number, without quotes')}",
    )


def _unknown_keys(sent: Attach) -> list[str]:
    """What is said of keys that are passed over. Raises UnusableError for one that looks like a known key mistyped."""
    notes = []
    known = Attach.__annotations__
    for key in sorted(sent.keys() - known.keys() - _OF_THE_WIRE - {_CLASS}):
        meant = [_MEANT[key]] if key in _MEANT else get_close_matches(key, known, n=1, cutoff=0.75)
        if meant:
            raise UnusableError("unknown-key", f"key {shown(key)}: did you mean {meant[0]}?")
        notes.append(f"key {shown(key)} is not known and was passed over")
    return notes[:_MOST_NOTES]


def _serial(sent: Attach, scanner: Scanner) -> str | None:
    serial = _name(sent, "serial")
    try:
        return serial if serial is None else scanner.serial(serial)
    except ConfigurationError as error:
        raise UnusableError("bad-serial", str(error)) from error


def _class_name(sent: Attach) -> str | None:
    name = dict(sent).get(_CLASS)
    if name is not None and not isinstance(name, str):
        raise UnusableError("bad-class", f"class {shown(name)}: give {_EXPECTED['class']}")
    return name


def _text(sent: Attach, key: Literal["valve_note"]) -> str | None:
    note = sent.get(key)
    if note is not None and not (0 < len(note.strip()) <= _LONGEST_NOTE and note.isprintable()):
        raise UnusableError(reason_of(key), f"{key} {shown(note)}: 1 to {_LONGEST_NOTE} printable characters")
    return note if note is None else note.strip()


def _name(sent: Attach, key: Literal["serial", "operator"]) -> str | None:
    name = sent.get(key)
    if name is None:
        return None
    name = name.strip()
    if not (0 < len(name) <= _LONGEST_NAME and name.isprintable()):
        raise UnusableError(reason_of(key), f"{key} {shown(name)}: 1 to {_LONGEST_NAME} printable characters")
    return name


def _gas(sent: Attach, key: Literal["gas", "residual_gas"], default: GasMix) -> GasMix:
    given = sent.get(key)
    return default if given is None else _mix(key, given)


def _mix(key: str, given: Gas) -> GasMix:
    if isinstance(given, str):
        named = _NAMED_GASES.get(given)
        if named is None:
            raise UnusableError("bad-gas", f"{key} {shown(given)}: give {_EXPECTED['gas']}")
        return named
    mix = GasMix(o2=given["o2"], he=given.get("he", 0.0))
    return AIR if mix.he == 0.0 and _AIR_O2[0] <= mix.o2 <= _AIR_O2[1] else mix


def _surroundings(sent: Attach) -> Surroundings | None:
    word = sent.get("surroundings")
    if word is None:
        return None
    try:
        return Surroundings(word)
    except ValueError:
        raise UnusableError(
            "bad-surroundings", f"surroundings {shown(word)}: give {_EXPECTED['surroundings']}"
        ) from None


def _arrived_k(sent: Attach) -> float | None:
    """Wall temperature as told; None for `shop`: the room's sensor knows better than a word."""
    told = sent.get("arrived", "shop")
    celsius = _ARRIVED_WORDS.get(told) if isinstance(told, str) else told
    if told == "shop":
        return None
    if celsius is None or not _ARRIVED_C[0] <= celsius <= _ARRIVED_C[1]:
        raise UnusableError("bad-arrived", f"arrived {shown(told)}: give {_EXPECTED['arrived']}")
    return k_from_c(celsius)
