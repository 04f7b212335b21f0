"""Messages of scanners and counters: a bare serial, or JSON with the serial, the whip and who scanned it."""

import json

from fillguard.intake.formats import UnusableError, sample_of, shown
from fillguard.intake.payloads.pointed import at, json_document
from fillguard.settings.feeds import AttachSettings
from fillguard.settings.feeds.pointers import Pointer

_LONGEST = 200


def scanned(payload: bytes, attach: AttachSettings, named: str | None) -> tuple[str, bytes]:
    """On which whip, and the message as fillguard's own topic takes it. Raises UnusableError.

    `named`: the whip that topic or feed name; None where the message says it.
    """
    if attach.serial is None:
        return _whip(named, None, attach), _said(_bare(payload), None, attach)
    document = json_document(payload)
    found = at(document, attach.serial, "serial")
    serial = None if found is None else _word(found, attach.serial, "serial")
    operator = None if attach.operator is None else _word(at(document, attach.operator, "operator"), attach.operator)
    return _whip(named, document, attach), _said(serial, operator, attach)


def _said(serial: str | None, operator: str | None, attach: AttachSettings) -> bytes:
    free = serial is None or serial in attach.free
    said = {"serial": None if free else serial} | ({} if operator is None else {"operator": operator})
    return json.dumps(said).encode()


def _whip(named: str | None, document: object, attach: AttachSettings) -> str:
    if attach.whip is None:
        if named is None:
            raise AssertionError("topic, feed or message of a scanner name the whip")
        return named
    word = _word(at(document, attach.whip, "whip"), attach.whip, "whip")
    if word not in attach.whips:
        known = ", ".join(sorted(attach.whips))
        raise UnusableError("unknown-whip", f"whip at {attach.whip.text} {shown(word)}: known are {known}")
    return attach.whips[word]


def _bare(payload: bytes) -> str:
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        raise UnusableError("bad-serial", f"serial {shown(sample_of(payload))}: UTF-8 text is needed") from None
    if not 0 < len(text) <= _LONGEST:
        raise UnusableError("no-serial", "an empty message, or one of a whole page, is no serial")
    return text


def _word(value: object, pointer: Pointer, what: str = "operator") -> str:
    """Text, or a whole number as badges and labels have them."""
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise UnusableError(f"bad-{what}", f"{what} at {pointer.text} {shown(value)}: text or a whole number is needed")
    return str(value).strip()
