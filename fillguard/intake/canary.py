"""The canary: a message that a fillguard sends to itself through the broker, as it stands on the wire."""

import json

from fillguard.core.events import CanaryReturned
from fillguard.intake.formats import UnusableError, sample_of, shown
from fillguard.ports import Publication, RawMessage

_LONGEST = 200


def canary_topic(station: str) -> str:
    """Where it flies."""
    return f"fillguard/{station}/canary"


def canary_publication(station: str, instance: str, number: int) -> Publication:
    """One canary. QoS 0: one that finds no way now is not to come back later."""
    payload = json.dumps({"v": 1, "instance": instance, "n": number}).encode()
    return Publication(topic=canary_topic(station), payload=payload)


def canary_event(message: RawMessage) -> CanaryReturned:
    """The canary in one message, whoever sent it. Raises UnusableError."""
    try:
        said = json.loads(message.payload[:_LONGEST])
        instance, number = said["instance"], said["n"]
    except (ValueError, TypeError, KeyError, RecursionError):
        instance = number = None
    if not isinstance(instance, str) or not isinstance(number, int):
        raise UnusableError("bad-canary", f"canary {shown(sample_of(message.payload))}: fillguard alone sends these")
    return CanaryReturned(stamp=message.arrived, instance=instance, number=number)
