"""What a connection to the broker is given, and how it may end."""

import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from fillguard.ports import Clock, Publication, RawMessage
from fillguard.settings import BrokerSettings


class How(StrEnum):
    """How a connection ended."""

    UNREACHABLE = "unreachable"
    SILENT = "silent"
    """The socket was open and no CONNACK came."""
    OTHER_VERSION = "other-version"
    """The broker said that it does not speak this version of MQTT."""
    REFUSED = "refused"
    LOST = "lost"
    OVERFULL = "overfull"
    """A QoS 1 message found no room in the intake queue: the broker sends it again."""
    TAKEN_OVER = "taken-over"
    """Another client connected under our id."""
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class Ended:
    """The end of a connection, in a word and in words."""

    how: How
    detail: str
    unsent: tuple[Publication, ...] = field(default=())
    """Own messages the broker never acknowledged, oldest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Needs:
    """What every connection of one link shares."""

    broker: BrokerSettings
    tls: ssl.SSLContext | None
    clock: Clock
    monotonic: Callable[[], float]
    filters: tuple[str, ...]
    offer: Callable[[RawMessage], bool]
    has_room: Callable[[], bool]
    """False: what comes now would soon find no room. Nothing is read then, and the broker waits."""
    will: Publication | None
    keeps_session: bool = True
    """False: the broker forgets this client when it leaves."""
