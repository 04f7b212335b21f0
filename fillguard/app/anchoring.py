"""The end of the chain, taken outside daily: retained at the broker, and as a line to a channel that wants it."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from threading import Lock, Thread

from fillguard.ledger.chain import Anchor
from fillguard.outlets.delivery import Message, Sender
from fillguard.ports import AuditEntry, AuditTrail, Clock, Publication


class AnchorNotes:
    """Hears of anchors from the ledger's writer and takes them outside. Any thread may call."""

    def __init__(
        self,
        publish: Callable[[Publication], None],
        *,
        station: str,
        drill: bool,
        channel: tuple[str, Sender] | None = None,
        trail: Callable[[], AuditTrail],
        clock: Clock,
    ) -> None:
        """`channel`: its name and service, when the line goes there too; `trail` takes what became of it."""
        self._publish, self._station, self._drill = publish, station, drill
        self._channel, self._trail, self._clock = channel, trail, clock
        self._newest: Publication | None = None
        self._lock = Lock()

    def noted(self, anchor: Anchor, at_s: float) -> None:
        """A day's anchor was noted, or is told again after a start. Returns at once.

        A drill has a ledger of its own: its anchor beside the station's would look like a rewrite, so it stays inside.
        """
        if self._drill:
            return
        said = {
            "v": 1,
            "station": self._station,
            "t": at_s,
            "row": anchor.row,
            "head": anchor.head,
            "anchor": str(anchor),
        }
        topic = f"fillguard/{self._station}/anchor"
        publication = Publication(topic=topic, payload=json.dumps(said).encode(), qos=1, retain=True)
        with self._lock:
            self._newest = publication
        self._publish(publication)
        if self._channel is not None and self._clock.now().utc_s - at_s < _JUST_NOW_S:
            name, sender = self._channel
            Thread(target=self._send, args=(name, sender, anchor, at_s), name="anchor", daemon=True).start()

    def greet(self) -> None:
        """Publish the newest anchor again: a new connection may be to a broker that forgot it."""
        with self._lock:
            newest = self._newest
        if newest is not None:
            self._publish(newest)

    def _send(self, name: str, sender: Sender, anchor: Anchor, at_s: float) -> None:
        day = f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d}"
        title = f"{self._station}: end of the record on {day}"
        body = f"{anchor}\nKeep this line: `fillguard ledger verify --anchor` compares the record with it."
        result = sender.send(Message(title=title, body=body, kind="return", priority=3))
        detail = f"{anchor} to channel {name}: {result.result} {result.detail}".strip()
        entry = AuditEntry(at=self._clock.now(), who="fillguard", action="anchor-sent", subject=name, detail=detail)
        self._trail().put_audit(entry)


_JUST_NOW_S = 60.0
"""An anchor that is only told again after a start has been sent before."""
