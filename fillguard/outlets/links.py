"""Links in notices that acknowledge one occurrence of an alarm: signed, for one channel, for a limited time.

Whoever holds a link can acknowledge: it is a key, as good as the channel that carries it. It opens nothing else.
"""

import base64
import hashlib
import hmac
import math
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode

PATH = "/ack"
_PURPOSE = b"fillguard acknowledge 1"
_LONGEST = 300


@dataclass(frozen=True, slots=True)
class Claim:
    """What a link that holds says."""

    occurrence: str
    channel: str


class Links:
    """Makes and checks the links of one station."""

    def __init__(self, *, base_url: str, secret: str, last_s: float, station: str) -> None:
        self._base_url, self._last_s, self._station = base_url.rstrip("/"), last_s, station
        self._key = secret.encode()

    def url(self, occurrence: str, channel: str, utc_s: float) -> str:
        """The link for `channel`, good from `utc_s` on for as long as links last."""
        until_s = math.ceil(utc_s + self._last_s)
        said = {"o": occurrence, "c": channel, "e": str(until_s), "s": self._sign(occurrence, channel, until_s)}
        return f"{self._base_url}{PATH}?{urlencode(said)}"

    def check(self, said: Mapping[str, str], utc_s: float) -> Claim | str:
        """What the link says; or in words why it does not hold, the same for everything that was tampered with."""
        occurrence, channel = said.get("o", "")[:_LONGEST], said.get("c", "")[:_LONGEST]
        until = said.get("e", "")
        until_s = int(until) if until.isascii() and until.isdecimal() and len(until) < 12 else 0  # noqa: PLR2004 - digits
        if not hmac.compare_digest(self._sign(occurrence, channel, until_s).encode(), said.get("s", "").encode()):
            return "This link is not one of this station's, or not whole: copy all of it."
        if utc_s > until_s:
            return "This link has expired: acknowledge at the board."
        return Claim(occurrence, channel)

    def _sign(self, occurrence: str, channel: str, until_s: int) -> str:
        parts = [_PURPOSE, self._station.encode(), occurrence.encode(), channel.encode(), str(until_s).encode()]
        message = b"".join(len(part).to_bytes(4, "big") + part for part in parts)  # no part can pass for another
        digest = hmac.new(self._key, message, hashlib.sha256).digest()
        return base64.urlsafe_b64encode(digest).rstrip(b"=").decode("ascii")
