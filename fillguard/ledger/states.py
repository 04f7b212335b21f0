"""A whip's state as plain data for JSON and back: what a restart goes on from.

Every field by its name, nothing executable. What was written is only ever read by the code that wrote it (`code`): any
other is passed over, and the readings are folded from the start of the fill instead.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeAlias, Union, get_args, get_origin, get_type_hints

from fillguard import __version__
from fillguard.core.context import FillContext
from fillguard.core.errors import LedgerError
from fillguard.core.events import Quantity
from fillguard.core.gas import GasSurface
from fillguard.core.sensed import Sensed, Sensors
from fillguard.core.units import quantised_time_s
from fillguard.core.values import GasMix
from fillguard.core.whip import WhipState

SurfaceOf: TypeAlias = Callable[[GasMix], GasSurface]
_LEFT_OUT = {(FillContext, "gas"), (FillContext, "supply_gas")}
"""A gas surface is some hundred numbers that are had from the mix beside it."""
_SHELVED = "shelved_"
_MONOTONIC = "mono_s"


def plain_state(state: WhipState | Sensors) -> object:
    """`state` as numbers, words, lists and mappings. Raises TypeError for what no state holds."""
    return _plain(state)


def sensors_of(plain: object, *, by_s: float = 0.0) -> Sensors:
    """The station's sensors that `plain_state` took apart, moved as in `state_of`. Raises LedgerError."""
    try:
        found = {
            Quantity(name): _built(Sensed, _moved(each, by_s, by_s), _no_surface)
            for name, each in dict(plain).items()  # type: ignore[call-overload]  # whatever is no mapping is refused
        }
    except (ValueError, TypeError, KeyError, AttributeError) as problem:
        raise LedgerError(f"the station's kept sensors cannot be read back: {problem!r}") from problem
    return {quantity: sensor for quantity, sensor in found.items() if isinstance(sensor, Sensed)}


def _no_surface(mix: GasMix) -> GasSurface:
    raise LedgerError(f"a sensor has no gas surface of {mix}")


def state_of(plain: object, surface_of: SurfaceOf, *, by_s: float = 0.0, shelved_by_s: float = 0.0) -> WhipState:
    """The state that `plain_state` took apart, its times moved on to another monotonic clock.

    Args:
        plain: as taken apart, once to JSON and back or not.
        surface_of: gives the gas surface of a mix.
        by_s: added to every time of the monotonic clock, seconds.
        shelved_by_s: added to those of shelving instead, which ends when it was promised to.

    Raises:
        LedgerError: it is no state of this code.
    """
    try:
        built = _built(WhipState, _moved(plain, by_s, shelved_by_s), surface_of)
    except (ValueError, TypeError, KeyError, AttributeError) as problem:
        raise LedgerError(f"a whip's kept state cannot be read back: {problem!r}") from problem
    if not isinstance(built, WhipState):
        raise LedgerError(f"a whip's kept state reads as {type(built).__name__}")
    return built


@cache
def code() -> str:
    """Version and shape of the states of this code: another one's are not read."""
    lines: dict[str, None] = {}
    _describe(WhipState, lines)
    return f"{__version__}/{hashlib.sha256(chr(10).join(lines).encode()).hexdigest()[:16]}"


# To plain data --------------------------------------------------------------------------------------------------------


def _plain(value: object) -> object:
    match value:
        case None | bool() | int() | float() | str():
            return value
        case frozenset():
            return sorted(value)
        case tuple():
            if hasattr(value, "_fields"):
                return {name: _plain(each) for name, each in zip(_names(type(value)), value, strict=True)}
            return [_plain(each) for each in value]
        case Mapping():
            return {str(key): _plain(each) for key, each in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {name: _plain(getattr(value, name)) for name in _names(type(value))}
    raise TypeError(f"{type(value).__name__} {value!r} cannot be kept: states hold numbers, words and other facts")


# ... and back ---------------------------------------------------------------------------------------------------------


def _moved(value: object, by_s: float, shelved_by_s: float, name: str = "") -> object:
    match value:
        case dict():
            return {key: _moved(each, by_s, shelved_by_s, key) for key, each in value.items()}
        case list():
            return [_moved(each, by_s, shelved_by_s, name) for each in value]
        case float() | int() if name.endswith(_MONOTONIC):
            by = shelved_by_s if name.startswith(_SHELVED) else by_s
            return quantised_time_s(value + by) if by else value
    return value


def _built(hint: Any, value: Any, surface_of: SurfaceOf) -> object:  # noqa: ANN401 - types are known only at run time
    """`value` as the type `hint` asks: the inverse of `_plain`."""
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        wanted = next(each for each in arguments if each is not NoneType)
        return None if value is None else _built(wanted, value, surface_of)
    if origin is not None:
        return _several(origin, arguments, value, surface_of)
    if is_dataclass(hint) or hasattr(hint, "_fields"):
        hints = _hints(hint)
        known = {name: _built(hints[name], value[name], surface_of) for name in _names(hint)}
        if hint is FillContext:
            known["gas"] = surface_of(known["mix"])  # type: ignore[arg-type]  # built as its hint asks
            supplied = known["supply_mix"]
            known["supply_gas"] = None if supplied is None else surface_of(supplied)  # type: ignore[arg-type]  # likewise
        return hint(**known)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    return float(value) if hint is float else value


def _several(origin: Any, arguments: tuple[Any, ...], value: Any, surface_of: SurfaceOf) -> object:  # noqa: ANN401 - as above
    if issubclass(origin, Mapping):
        name_of, kind = arguments
        return {_built(name_of, key, surface_of): _built(kind, each, surface_of) for key, each in value.items()}
    if origin is frozenset or arguments[-1] is Ellipsis:
        return origin(_built(arguments[0], each, surface_of) for each in value)
    return tuple(_built(kind, each, surface_of) for kind, each in zip(arguments, value, strict=True))


@cache
def _names(kind: type) -> tuple[str, ...]:
    if is_dataclass(kind):
        return tuple(field.name for field in fields(kind) if field.init and (kind, field.name) not in _LEFT_OUT)
    return tuple(kind._fields)  # type: ignore[attr-defined]  # a named tuple


@cache
def _hints(kind: type) -> dict[str, object]:
    return get_type_hints(kind)


def _describe(hint: Any, lines: dict[str, None]) -> None:  # noqa: ANN401 - types are known only at run time
    """One line for each field of each type that can be reached from `hint`."""
    for argument in get_args(hint):
        _describe(argument, lines)
    if not (is_dataclass(hint) or hasattr(hint, "_fields")):
        return
    hints = _hints(hint)
    for name in _names(hint):
        line = f"{hint.__qualname__}.{name}: {hints[name]}"
        if line not in lines:
            lines[line] = None
            _describe(hints[name], lines)
