"""Who is there: presence messages of gateways, and several sources of presence for one whip taken together."""

import json

from fillguard.core.events import PresenceChanged
from fillguard.core.values import Stamp
from fillguard.intake.formats import UnusableError, sample_of, shown
from fillguard.intake.payloads.pointed import at, json_document
from fillguard.settings.feeds import PresenceSettings


def is_online(payload: bytes, presence: PresenceSettings) -> bool:
    """What a presence message says. Raises UnusableError for a word that nobody explained."""
    word = _word(payload, presence)
    if word in presence.online:
        return True
    if word in presence.offline:
        return False
    known = ", ".join(sorted(presence.online | presence.offline))
    raise UnusableError("bad-presence", f"presence {word[:64]}: known are {known}")


def _word(payload: bytes, presence: PresenceSettings) -> str:
    """JSON of the word; a bare word that is no JSON counts as text."""
    if presence.at is not None:
        found = at(json_document(payload), presence.at, "presence")
        if isinstance(found, dict | list):
            raise UnusableError("bad-presence", f"presence at {presence.at.text} {shown(found)}: a word is needed")
        return json.dumps(found)
    bare = sample_of(payload).strip()
    text = json.dumps(bare)
    if text in presence.online | presence.offline:
        return text
    try:
        return json.dumps(json.loads(bare))
    except (ValueError, RecursionError):
        return text


class Attendance:
    """A whip is on line only while every source that ever spoke of it says so."""

    def __init__(self) -> None:
        self._gone: dict[str, set[str]] = {}

    def told(self, stamp: Stamp, source: str, whip: str, *, online: bool) -> PresenceChanged:
        """What follows for `whip` from what `source` says."""
        gone = self._gone.setdefault(whip, set())
        if online:
            gone.discard(source)
        else:
            gone.add(source)
        return PresenceChanged(stamp=stamp, whip=whip, online=not gone)
