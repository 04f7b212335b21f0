"""A cylinder as a message describes it: whole where nobody registered it, held against the register where it is."""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import NotRequired

from pydantic import with_config
from typing_extensions import TypedDict

from fillguard.core.cylinder import heaviness
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, bar_from_pa, c_from_k, k_from_c, pa_from_bar, pa_from_psi
from fillguard.core.values import Cylinder, Material
from fillguard.intake.formats import STRICT, UnusableError, shown

Range = tuple[float, float]
Register = Callable[[str], Cylinder | None]
"""The cylinder with this serial, None for one nobody registered. Never raises."""
_RATINGS: Mapping[str, Range] = {"bar": (100.0, 500.0), "psi": (1400.0, 7300.0)}
_TARGETS: Mapping[str, Range] = {"bar": (1.0, 500.0), "psi": (15.0, 7300.0)}
_NO_CYLINDER, _USUAL = math.log(1.5), math.log(1.35)
"""How far mass over capacity may be off what is usual of its material and rating (our choice; a set of two is off by
two)."""
MATERIALS = '"steel", "aluminium" or "composite"'
_REAL_SLOPE = 1.44
"""At 200 bar the pressure of air at constant density rises 1.44 times as fast with temperature as an ideal gas's."""


@with_config({**STRICT, "extra": "forbid"})
class _Gas(TypedDict):
    o2: float
    he: NotRequired[float]


Gas = str | _Gas


@with_config({**STRICT, "extra": "forbid"})
class StageSaid(TypedDict):
    """One stage of a partial-pressure fill."""

    gas: str | _Gas
    target_bar: NotRequired[float]
    target_psi: NotRequired[float]
    whip: NotRequired[str]


@with_config({**STRICT, "extra": "allow"})
class Attach(TypedDict, total=False):
    """The keys of an attach message; `class` comes besides, a name that Python cannot declare."""

    serial: str | None
    operator: str | None
    gas: str | _Gas
    residual_gas: str | _Gas
    target_bar: float
    target_psi: float
    stages: list[StageSaid]
    surroundings: str
    arrived: str | float
    checked: list[str]
    valve_found: list[str]
    valve_note: str
    water_volume_l: float
    empty_mass_kg: float
    count: int
    material: str
    rated_pressure_bar: float
    rated_pressure_psi: float
    reference_temperature_c: float


_DESCRIPTION = ("water_volume_l", "material", "rated_pressure_bar", "reference_temperature_c")
DESCRIBING = frozenset({*_DESCRIPTION, "rated_pressure_psi", "empty_mass_kg", "count"})


def cylinder_said(sent: Attach, serial: str | None, register: Register) -> tuple[Cylinder | None, list[str]]:
    """The cylinder that governs, None when nothing describes it, and what did not fit."""
    registered = register(serial) if serial is not None else None
    if not DESCRIBING & sent.keys():
        return registered, []
    if registered is None:
        return _of_one(_described(sent, serial))
    return _reconciled(sent, registered)


def _described(sent: Attach, serial: str | None) -> Cylinder:
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


def _of_one(set_: Cylinder) -> tuple[Cylinder, list[str]]:
    """A set whose capacity or mass was given for all of it together, where mass and capacity of ONE do not go together.

    Both are of one cylinder by definition; some stations send the set's. Only a description that makes no cylinder as
    it stands, and a usual one when it is divided, is taken so: anything else keeps the documented meaning.
    """
    if set_.count == 1 or set_.empty_mass_kg is None:
        return set_, []
    shared = (
        ("water volume", replace(set_, water_capacity_m3=set_.water_capacity_m3 / set_.count)),
        ("empty mass", replace(set_, empty_mass_kg=set_.empty_mass_kg / set_.count)),
    )
    off = heaviness(set_)
    if abs(math.log(off)) < _NO_CYLINDER:
        return set_, []
    what, one = shared[0] if off < 1.0 else shared[1]
    if abs(math.log(heaviness(one))) > _USUAL:
        return set_, []
    text = (
        f"{what} taken for that of the whole set of {set_.count}: {set_.water_capacity_m3 * 1e3:.4g} L and "
        f"{set_.empty_mass_kg:.4g} kg make no {set_.material.value} cylinder of {bar_from_pa(set_.rated_gauge_pa):.0f} "
        "bar; give both for ONE cylinder"
    )
    return one, [text]


def _reconciled(sent: Attach, registered: Cylinder) -> tuple[Cylinder, list[str]]:
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


def _rated_gauge_pa(sent: Attach) -> float | None:
    return _pressure_pa(sent.get("rated_pressure_bar"), sent.get("rated_pressure_psi"), "rated_pressure", _RATINGS)


def target_gauge_pa(sent: Attach | StageSaid) -> float | None:
    """What the cylinder is to settle at; None: its limit."""
    return _pressure_pa(sent.get("target_bar"), sent.get("target_psi"), "target", _TARGETS)


def _pressure_pa(bar: float | None, psi: float | None, key: str, allowed: Mapping[str, Range]) -> float | None:
    """One pressure given in bar or in psi; None when in neither. Raises UnusableError for both, and out of range."""
    if bar is not None and psi is not None:
        raise UnusableError(reason_of(key), f"{key}_bar {shown(bar)} and {key}_psi {shown(psi)}: give one of them")
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
        raise UnusableError(
            reason_of(key), f"{key} {shown(value)} {unit}? Allowed are {low:g} to {high:g} {unit}.{hint}"
        )


def _material(word: str) -> Material:
    try:
        return Material("aluminium" if word == "aluminum" else word)
    except ValueError:
        raise UnusableError("bad-material", f"material {shown(word)}: give {MATERIALS}") from None


def reason_of(key: str) -> str:
    """The stable word for a value of `key` that cannot be used."""
    return "bad-" + key.replace("_", "-")
