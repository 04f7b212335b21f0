"""The wire format of protocol buffers: fields by number, as far as Sparkplug's messages need it."""

import struct
from collections.abc import Iterator
from enum import IntEnum

from fillguard.intake.formats import UnusableError

_MOST_FIELDS = 20_000
_LONGEST_VARINT = 10
_CONTINUES, _SEVEN_BITS, _WIRE_BITS = 0x80, 0x7F, 0x07
_HIGHEST_FIELD = 2**29 - 1


class Wire(IntEnum):
    """How a field's value is written."""

    VARINT = 0
    FIXED64 = 1
    LENGTH = 2
    FIXED32 = 5


Field = tuple[int, Wire, int | bytes]
"""Number, wire type, value: an integer below 2^64, or bytes."""


def fields(content: bytes) -> Iterator[Field]:
    """The fields of one message, in order. Raises UnusableError for bytes that are no such message."""
    at = count = 0
    while at < len(content):
        count += 1
        key, at = _varint(content, at)
        number, kind = key >> 3, key & _WIRE_BITS
        if not 0 < number <= _HIGHEST_FIELD or count > _MOST_FIELDS:
            raise _broken(f"field number {number} at byte {at}")
        if kind == Wire.VARINT:
            value, at = _varint(content, at)
            yield number, Wire.VARINT, value
            continue
        if kind == Wire.LENGTH:
            size, at = _varint(content, at)
        elif kind in (Wire.FIXED64, Wire.FIXED32):
            size = 8 if kind == Wire.FIXED64 else 4
        else:
            raise _broken(f"wire type {kind} at byte {at}")
        if size > len(content) - at:
            raise _broken(f"field {number} ends after the message")
        yield number, Wire(kind), content[at : at + size]
        at += size


def as_float(value: bytes) -> float:
    """A FIXED32 or FIXED64 value as IEEE 754."""
    number: float = struct.unpack("<f" if len(value) == 4 else "<d", value)[0]  # noqa: PLR2004 - bytes of FIXED32
    return number


def varint(value: int) -> bytes:
    """`value`, 0 to 2^64 - 1, as it stands on the wire."""
    written = bytearray()
    while value > _SEVEN_BITS:
        written.append(value & _SEVEN_BITS | _CONTINUES)
        value >>= 7
    written.append(value)
    return bytes(written)


def field(number: int, value: int | bytes) -> bytes:
    """One field: an integer as VARINT, bytes with their length."""
    if isinstance(value, int):
        return varint(number << 3 | Wire.VARINT) + varint(value)
    return varint(number << 3 | Wire.LENGTH) + varint(len(value)) + value


def _varint(content: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    for index in range(at, min(at + _LONGEST_VARINT, len(content))):
        byte = content[index]
        value |= (byte & _SEVEN_BITS) << shift
        if not byte & _CONTINUES:
            return value & 2**64 - 1, index + 1
        shift += 7
    raise _broken(f"number without an end at byte {at}")


def _broken(what: str) -> UnusableError:
    return UnusableError("not-sparkplug", f"{what}: this is no Sparkplug payload")
