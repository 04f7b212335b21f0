"""Facts to canonical JSON and back, for every frozen dataclass alike.

Canonical: keys sorted, no spaces, ASCII only, numbers as Python's shortest exact text. The same fact always gives the
same bytes, so a hash over them can be repeated. What JSON cannot hold is made harmless, never an exception: a number
that is not finite becomes null, half a surrogate pair becomes `?`,
NUL the replacement character.
"""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import Field, fields, is_dataclass
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, ClassVar, Protocol, TypeAlias, Union, get_args, get_origin, get_type_hints

from fillguard.core.errors import LedgerError
from fillguard.core.events import InEvent, OutEvent
from fillguard.ports import Attempt, OwedNotice

TYPE = "type"
"""The key under which a recorded fact says what it is."""

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


class Fact(Protocol):
    """A frozen dataclass."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]


def canonical(value: Json) -> str:
    """`value` as canonical JSON text. Raises ValueError for a number that is not finite."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def encode(fact: Fact) -> dict[str, Json]:
    """`fact` as plain data, with its class name under `type`."""
    body: dict[str, Json] = {TYPE: type(fact).__name__}
    for name in _names(type(fact)):
        body[name] = plain(getattr(fact, name))
    return body


def plain(value: object) -> Json:
    """Plain data for `value`. Raises TypeError for what no fact may hold."""
    match value:
        case str():
            return clean(value)
        case None | bool() | int():
            return value
        case float():
            return value if math.isfinite(value) else None
        case tuple() | list():
            return [plain(item) for item in value]
        case Mapping():
            return {clean(str(key)): plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {name: plain(getattr(value, name)) for name in _names(type(value))}
    raise TypeError(f"{type(value).__name__} {value!r} cannot be recorded: facts hold numbers, words and other facts")


def clean(text: str) -> str:
    """`text` as SQLite and JSON can both hold it: no NUL, which SQLite's JSON ends at, and no half surrogate pair."""
    if not text.isascii():
        text = text.encode("utf-8", "replace").decode("utf-8")
    return text.replace("\0", "\N{REPLACEMENT CHARACTER}")


def decode(body: Mapping[str, Json]) -> Fact:
    """The fact that `encode` wrote. Keys it does not know (written by a later version) are passed over.

    Raises LedgerError when the type is unknown or a field without default is missing.
    """
    name = body.get(TYPE)
    kind = _facts().get(name) if isinstance(name, str) else None
    if kind is None:
        raise LedgerError(f"recorded fact of type {name!r}: this version does not know it; read it with a newer one")
    built: Fact = _build(kind, body)
    return built


def decode_text(text: str) -> Fact:
    """The fact in one recorded body."""
    return decode(json.loads(text))


@cache
def _names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


@cache
def _facts() -> dict[str, type]:
    kinds = (*get_args(InEvent), *get_args(OutEvent), Attempt, OwedNotice)
    return {kind.__name__: kind for kind in kinds}


@cache
def _hints(kind: type) -> dict[str, object]:
    return get_type_hints(kind)


def _build(kind: type, body: Mapping[str, Json]) -> Any:  # noqa: ANN401 - the class is known only at run time
    hints = _hints(kind)
    try:
        return kind(**{name: _value(hints[name], body[name]) for name in _names(kind) if name in body})
    except (TypeError, ValueError) as problem:
        raise LedgerError(f"recorded {kind.__name__} {dict(body)!r} cannot be read back: {problem}") from problem


def _one_of(kinds: Sequence[object], value: Json) -> object:
    """Which of several types was written: of facts the first that has a field for every key."""
    given = [kind for kind in kinds if kind is not NoneType]
    if isinstance(value, dict):
        for kind in given:
            if isinstance(kind, type) and is_dataclass(kind) and value.keys() <= set(_names(kind)):
                return kind
    return given[0]


def _value(hint: object, value: Json) -> object:
    """`value` as the type `hint` asks: the inverse of `plain`."""
    origin = get_origin(hint)
    if origin in (Union, UnionType):
        return None if value is None else _value(_one_of(get_args(hint), value), value)
    if origin in (tuple, Mapping):
        return _several(hint, value)
    if isinstance(hint, type):
        if is_dataclass(hint) and isinstance(value, dict):
            return _build(hint, value)
        if issubclass(hint, StrEnum) and isinstance(value, str):
            return hint(value)
        if hint is float and isinstance(value, int) and not isinstance(value, bool):
            return float(value)
    return value


def _several(hint: object, value: Json) -> object:
    """The items of a tuple, or of a mapping from words."""
    if isinstance(value, dict):
        return {key: _value(get_args(hint)[1], each) for key, each in value.items()}
    return tuple(_value(get_args(hint)[0], each) for each in value) if isinstance(value, list) else value
