"""Messages that are one number as text, alone, with its unit, or as the bits of a few bytes in hexadecimal."""

import re
from collections.abc import Iterator

from fillguard.intake.formats import Measured, UnusableError, sample_of, shown
from fillguard.intake.payloads.found import Found, finite
from fillguard.settings.feeds import Bits, FeedSettings
from fillguard.settings.units import BARE

_LONGEST = 80
_NUMBER = r"[+-]?(?:[0-9]{1,20}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:[eE][+-]?[0-9]{1,3})?"
_ALONE = re.compile(_NUMBER)
_WITH_UNIT = re.compile(rf"({_NUMBER})\s*(.*)")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf(?:inity)?)\b", re.IGNORECASE)
_HEX = re.compile(r"(?:0[xX])?((?:[0-9a-fA-F]{2}[ :]?)+)")
_LONGEST_HEX = 2048


def number_found(payload: bytes, feed: FeedSettings) -> Iterator[Found]:
    """A bare number, such as `183.2`."""
    text = _text(payload)
    if _worded(text, feed):
        yield from _words(text, feed)
        return
    if not _ALONE.fullmatch(text):
        raise _no_number(text, "a bare number is needed, such as 183.2")
    for reading in feed.readings:
        yield reading, Measured(finite(float(text), "number"), "")


def text_found(payload: bytes, feed: FeedSettings) -> Iterator[Found]:
    """A number and its unit, such as `183.2 bar`; the unit may be missing where the feed names one."""
    text = _text(payload)
    if _worded(text, feed):
        yield from _words(text, feed)
        return
    match = _WITH_UNIT.fullmatch(text)
    if match is None:
        raise _no_number(text, 'a number and its unit are needed, such as "183.2 bar"')
    for reading in feed.readings:
        yield reading, Measured(finite(float(match[1]), "number"), match[2])


def hex_found(payload: bytes, feed: FeedSettings) -> Iterator[Found]:
    """Bits of bytes written in hexadecimal, such as `0x04E2 00FF`."""
    text = payload.strip().decode("ascii", "backslashreplace")
    match = _HEX.fullmatch(text) if len(text) <= _LONGEST_HEX else None
    if match is None:
        raise UnusableError("not-hex", f"{shown(text)}: whole bytes in hexadecimal are needed, such as 04E2")
    content = bytes.fromhex(match[1].replace(":", ""))
    for reading in feed.readings:
        if reading.bits is None:
            raise AssertionError(f"feed {feed.name}: a reading of hex has bits")
        yield reading, _bits(content, reading.bits)


def _bits(content: bytes, bits: Bits) -> Measured | UnusableError:
    """Bit 0 is the most significant one of the first byte."""
    have = 8 * len(content)
    if bits.first + bits.count > have:
        return UnusableError("no-value", f"bits {bits.first}+{bits.count} of a message of {have} bits")
    if bits.little_endian:
        field = content[bits.first // 8 : (bits.first + bits.count) // 8]
        return Measured(float(int.from_bytes(field, "little", signed=bits.signed)), "")
    whole = int.from_bytes(content, "big")
    value = whole >> (have - bits.first - bits.count) & ((1 << bits.count) - 1)
    if bits.signed and value >> (bits.count - 1):
        value -= 1 << bits.count
    return Measured(float(value), "")


def _worded(text: str, feed: FeedSettings) -> bool:
    return any(text in reading.words for reading in feed.readings)


def _words(text: str, feed: FeedSettings) -> Iterator[Found]:
    for reading in feed.readings:
        if text in reading.words:
            yield reading, Measured(reading.words[text], "" if reading.unit is not None else BARE)


def _text(payload: bytes) -> str:
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        raise _no_number(sample_of(payload), "UTF-8 text is needed") from None
    if len(text) > _LONGEST:
        raise _no_number(text, f"more than {_LONGEST} characters")
    return text


def _no_number(text: str, needed: str) -> UnusableError:
    if _NOT_FINITE.match(text):
        return UnusableError("not-finite", f"{shown(text)}: leave the reading out when there is none")
    comma = "; write the decimal sign as a point" if re.match(r"[+-]?\d+,\d", text) else ""
    return UnusableError("not-a-number", f"{shown(text)}: {needed}{comma}")
