"""Which cylinder hangs on a whip: the message of whoever attached it, held against the register.

A mistake is refused with the value quoted and the way out; nothing about a cylinder is guessed.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from typing import Literal, NoReturn, NotRequired

from pydantic import TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.errors import ConfigurationError
from fillguard.core.events import CylinderAttached, CylinderDetached
from fillguard.core.fitness.verdict import Verdict
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, bar_from_pa, c_from_k, k_from_c, pa_from_bar, pa_from_psi
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Stamp, Surroundings
from fillguard.intake.formats import STRICT, UnusableError, check_json, refuse_shape, shown

Range = tuple[float, float]
Register = Callable[[str], Cylinder | None]
"""The cylinder with this serial, None for one nobody registered. Never raises."""
Assess = Callable[[CylinderAttached], Verdict | None]
"""Whether what was attached may be filled; None: nobody judges. Never raises."""

COLD_C, HOT_C = 8.0, 45.0
"""What `cold` (out of a winter boat) and `hot` (out of a car in the sun) stand for at the counter: our choice."""
_RATINGS: Mapping[str, Range] = {"bar": (100.0, 500.0), "psi": (1400.0, 7300.0)}
_TARGETS: Mapping[str, Range] = {"bar": (1.0, 500.0), "psi": (15.0, 7300.0)}
_ARRIVED_C = (-40.0, 80.0)
_AIR_O2 = (0.209, 0.210)
_REAL_SLOPE = 1.44
"""At 200 bar the pressure of air at constant density rises 1.44 times as fast with temperature as an ideal gas's."""
_LONGEST_NAME = 64


@with_config({**STRICT, "extra": "forbid"})
class _Gas(TypedDict):
    o2: float
    he: NotRequired[float]


@with_config({**STRICT, "extra": "allow"})
class _Attach(TypedDict, total=False):
    serial: str | None
    operator: str | None
    gas: str | _Gas
    residual_gas: str | _Gas
    target_bar: float
    target_psi: float
    surroundings: str
    arrived: str | float
    water_volume_l: float
    empty_mass_kg: float
    count: int
    material: str
    rated_pressure_bar: float
    rated_pressure_psi: float
    reference_temperature_c: float


_ATTACH = TypeAdapter(_Attach)
_EXPECTED = {
    "serial": 'text such as "TH-0042", or null to detach',
    "operator": 'text such as "op-1"',
    "gas": '"air", "oxygen" or fractions such as {"o2": 0.32, "he": 0}',
    "residual_gas": '"air", "oxygen" or fractions such as {"o2": 0.32, "he": 0}',
    "surroundings": '"air" or "bath"',
    "arrived": '"shop", "cold", "hot" or degrees C as a number',
    "count": "a whole number, 2 for a twin set",
    "material": '"steel", "aluminium" or "composite"',
}
_DESCRIPTION = ("water_volume_l", "material", "rated_pressure_bar", "reference_temperature_c")
_DESCRIBING = frozenset({*_DESCRIPTION, "rated_pressure_psi", "empty_mass_kg", "count"})
_NAMED_GASES = {"air": AIR, "oxygen": GasMix(o2=1.0)}
_ARRIVED_WORDS = {"cold": COLD_C, "hot": HOT_C}
_MOST_NOTES = 5
_MEANT = {"o2": "gas", "he": "gas", "mix": "gas"}
_OF_THE_WIRE = frozenset({"time", "seq", "boot"})
"""Keys that gateways add to every message."""


def attach_event(payload: bytes, *, stamp: Stamp, whip: str, register: Register) -> CylinderAttached | CylinderDetached:
    """The event of one message on a whip's cylinder topic. Raises UnusableError."""
    check_json(payload)
    try:
        sent = _ATTACH.validate_json(payload)
    except ValidationError as error:
        _refuse(error)
    ignored = _unknown_keys(sent)
    serial, operator = _name(sent, "serial"), _name(sent, "operator")
    described = sorted(_DESCRIBING & sent.keys())
    if serial is None and not described:
        if "serial" in sent:
            return CylinderDetached(stamp=stamp, whip=whip, operator=operator)
        raise UnusableError("no-serial", "no serial: say which cylinder, or describe it; null detaches")
    if serial is None and "serial" in sent:
        raise UnusableError(
            "bad-serial",
            f"serial null detaches, yet {described[0]} describes a cylinder: leave serial out for one without a number",
        )
    try:
        cylinder, notes = _cylinder(sent, serial, register)
        gas = _gas(sent, "gas", AIR)
        return CylinderAttached(
            stamp=stamp,
            whip=whip,
            serial=serial,
            cylinder=cylinder,
            operator=operator,
            gas=gas,
            residual_gas=_gas(sent, "residual_gas", gas),
            target_gauge_pa=_target_gauge_pa(sent),
            surroundings=_surroundings(sent),
            arrived_k=_arrived_k(sent),
            note="; ".join([*notes, *ignored]) or None,
        )
    except ConfigurationError as error:
        raise UnusableError("bad-cylinder", str(error)) from error


def _refuse(error: ValidationError) -> NoReturn:
    first = error.errors(include_url=False)[0]
    refuse_shape(first["type"], first["msg"], first["input"])
    key = str(first["loc"][0])
    raise UnusableError(
        _reason(key),
        f"{key} {shown(first['input'])}: give {_EXPECTED.get(key, 'a number, without quotes')}",
    )


def _unknown_keys(sent: _Attach) -> list[str]:
    """What is said of keys that are passed over. Raises UnusableError for one that looks like a known key mistyped."""
    notes = []
    known = _Attach.__annotations__
    for key in sorted(sent.keys() - known.keys() - _OF_THE_WIRE):
        meant = [_MEANT[key]] if key in _MEANT else get_close_matches(key, known, n=1, cutoff=0.75)
        if meant:
            raise UnusableError("unknown-key", f"key {shown(key)}: did you mean {meant[0]}?")
        notes.append(f"key {shown(key)} is not known and was passed over")
    return notes[:_MOST_NOTES]


def _name(sent: _Attach, key: Literal["serial", "operator"]) -> str | None:
    name = sent.get(key)
    if name is None:
        return None
    name = name.strip()
    if not (0 < len(name) <= _LONGEST_NAME and name.isprintable()):
        raise UnusableError(_reason(key), f"{key} {shown(name)}: 1 to {_LONGEST_NAME} printable characters")
    return name


def _cylinder(sent: _Attach, serial: str | None, register: Register) -> tuple[Cylinder | None, list[str]]:
    """The cylinder that governs, None when nothing describes it, and what did not fit."""
    registered = register(serial) if serial is not None else None
    if not _DESCRIBING & sent.keys():
        return registered, []
    if registered is None:
        return _described(sent, serial), []
    return _reconciled(sent, registered)


def _described(sent: _Attach, serial: str | None) -> Cylinder:
    rated_gauge_pa = _rated_gauge_pa(sent)
    missing = [key for key in _DESCRIPTION if key not in sent]
    if rated_gauge_pa is not None and "rated_pressure_bar" in missing:
        missing.remove("rated_pressure_bar")
    if missing or rated_gauge_pa is None:
        whose = f"serial {shown(serial)} is not in the register" if serial else "there is no serial"
        raise UnusableError(
            "incomplete-cylinder", f"{whose} and {', '.join(missing)} is missing: describe the whole cylinder"
        )
    return Cylinder(
        serial=serial,
        water_capacity_m3=sent["water_volume_l"] / 1e3,
        material=_material(sent["material"]),
        rated_gauge_pa=rated_gauge_pa,
        reference_k=k_from_c(sent["reference_temperature_c"]),
        count=sent.get("count", 1),
        empty_mass_kg=sent.get("empty_mass_kg"),
    )


def _reconciled(sent: _Attach, registered: Cylinder) -> tuple[Cylinder, list[str]]:
    """The registered cylinder; under the described rating where that is the lower one, and in the described number."""
    told = replace(
        registered,
        water_capacity_m3=sent["water_volume_l"] / 1e3 if "water_volume_l" in sent else registered.water_capacity_m3,
        material=_material(sent["material"]) if "material" in sent else registered.material,
        rated_gauge_pa=_rated_gauge_pa(sent) or registered.rated_gauge_pa,
        reference_k=k_from_c(sent["reference_temperature_c"])
        if "reference_temperature_c" in sent
        else registered.reference_k,
        count=sent.get("count", registered.count),
        empty_mass_kg=sent.get("empty_mass_kg", registered.empty_mass_kg),
    )
    lower = min(registered, told, key=_contents)
    governing = replace(registered, rated_gauge_pa=lower.rated_gauge_pa, reference_k=lower.reference_k)
    notes = [
        f"{what}: the message says {_figure(said)}, the register {_figure(known)}"
        for what, said, known in zip(_COMPARED, _figures(told), _figures(registered), strict=True)
        if not _same(said, known)
    ]
    if not _same(told.rated_gauge_pa, registered.rated_gauge_pa) or not _same(told.reference_k, registered.reference_k):
        notes.append(f"the lower rating governs: {_rating(governing)}")
    return governing, notes


_COMPARED = (
    "water volume in litres",
    "material",
    "rated pressure in bar",
    "reference temperature in C",
    "count",
    "empty mass in kg",
)


def _figures(cylinder: Cylinder) -> tuple[float | str | None, ...]:
    return (
        cylinder.water_capacity_m3 * 1e3,
        cylinder.material.value,
        bar_from_pa(cylinder.rated_gauge_pa),
        c_from_k(cylinder.reference_k),
        cylinder.count,
        cylinder.empty_mass_kg,
    )


def _figure(value: float | str | None) -> str:
    return f"{value:.6g}" if isinstance(value, int | float) else value or "nothing"


def _same(one: float | str | None, other: float | str | None) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float):
        return math.isclose(one, other, rel_tol=1e-4)
    return one == other


def _contents(cylinder: Cylinder) -> float:
    """Grows with what the rating allows to be in the cylinder, so that ratings at 15 C and at 21 C can be compared."""
    return (cylinder.rated_gauge_pa + STANDARD_ATMOSPHERE_PA) / math.pow(cylinder.reference_k, _REAL_SLOPE)


def _rating(cylinder: Cylinder) -> str:
    return f"{bar_from_pa(cylinder.rated_gauge_pa):.5g} bar at {c_from_k(cylinder.reference_k):.3g} C"


def _rated_gauge_pa(sent: _Attach) -> float | None:
    return _pressure_pa(sent.get("rated_pressure_bar"), sent.get("rated_pressure_psi"), "rated_pressure", _RATINGS)


def _target_gauge_pa(sent: _Attach) -> float | None:
    return _pressure_pa(sent.get("target_bar"), sent.get("target_psi"), "target", _TARGETS)


def _pressure_pa(bar: float | None, psi: float | None, key: str, allowed: Mapping[str, Range]) -> float | None:
    """One pressure given in bar or in psi; None when in neither. Raises UnusableError for both, and out of range."""
    if bar is not None and psi is not None:
        raise UnusableError(_reason(key), f"{key}_bar {shown(bar)} and {key}_psi {shown(psi)}: give one of them")
    if bar is not None:
        _check_pressure(bar, key, "bar", "psi", allowed)
        return pa_from_bar(bar)
    if psi is not None:
        _check_pressure(psi, key, "psi", "bar", allowed)
        return pa_from_psi(psi)
    return None


def _check_pressure(value: float, key: str, unit: str, other: str, allowed: Mapping[str, Range]) -> None:
    (low, high), (other_low, other_high) = allowed[unit], allowed[other]
    if not low <= value <= high:
        hint = f" Did you mean {other}? Then write {key}_{other}." if other_low <= value <= other_high else ""
        raise UnusableError(_reason(key), f"{key} {shown(value)} {unit}? Allowed are {low:g} to {high:g} {unit}.{hint}")


def _reason(key: str) -> str:
    return "bad-" + key.replace("_", "-")


def _material(word: str) -> Material:
    try:
        return Material("aluminium" if word == "aluminum" else word)
    except ValueError:
        raise UnusableError("bad-material", f"material {shown(word)}: give {_EXPECTED['material']}") from None


def _gas(sent: _Attach, key: Literal["gas", "residual_gas"], default: GasMix) -> GasMix:
    given = sent.get(key)
    if given is None:
        return default
    if isinstance(given, str):
        named = _NAMED_GASES.get(given)
        if named is None:
            raise UnusableError("bad-gas", f"{key} {shown(given)}: give {_EXPECTED['gas']}")
        return named
    mix = GasMix(o2=given["o2"], he=given.get("he", 0.0))
    return AIR if mix.he == 0.0 and _AIR_O2[0] <= mix.o2 <= _AIR_O2[1] else mix


def _surroundings(sent: _Attach) -> Surroundings | None:
    word = sent.get("surroundings")
    if word is None:
        return None
    try:
        return Surroundings(word)
    except ValueError:
        raise UnusableError(
            "bad-surroundings", f"surroundings {shown(word)}: give {_EXPECTED['surroundings']}"
        ) from None


def _arrived_k(sent: _Attach) -> float | None:
    """Wall temperature as told; None for `shop`: the room's sensor knows better than a word."""
    told = sent.get("arrived", "shop")
    celsius = _ARRIVED_WORDS.get(told) if isinstance(told, str) else told
    if told == "shop":
        return None
    if celsius is None or not _ARRIVED_C[0] <= celsius <= _ARRIVED_C[1]:
        raise UnusableError("bad-arrived", f"arrived {shown(told)}: give {_EXPECTED['arrived']}")
    return k_from_c(celsius)
