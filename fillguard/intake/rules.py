"""Thresholds that changed, as a line of a capture: written by the watch, followed by a replay."""

from dataclasses import replace
from typing import NotRequired

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config
from typing_extensions import TypedDict

from fillguard.core.errors import DeviceError
from fillguard.core.events import InEvent, RulesChanged
from fillguard.core.thresholds import Thresholds
from fillguard.ports import RULES_TOPIC, Decoder, Publication, RawMessage


@with_config(ConfigDict(strict=True, extra="ignore"))
class _Said(TypedDict):
    v: int
    hash: str
    changes: str
    by: NotRequired[str]
    why: NotRequired[str]
    thresholds: Thresholds


_SAID: TypeAdapter[_Said] = TypeAdapter(_Said)


def rules_topic(station: str) -> str:
    """Where a running watch says that its thresholds changed."""
    return f"fillguard/{station}/rules"


def rules_publication(event: RulesChanged, station: str) -> Publication:
    """`event` for the broker: whoever captures at that moment has it in the capture."""
    if event.thresholds is None:
        raise AssertionError("a change of thresholds without thresholds")
    said = _Said(
        v=1, hash=event.rules_hash, changes=event.summary, by=event.by, why=event.why, thresholds=event.thresholds
    )
    return Publication(topic=rules_topic(station), payload=_SAID.dump_json(said), qos=1)


def as_captured(message: RawMessage, station: str) -> RawMessage:
    """`message` as it stands in a capture: under our own topic when a watch told of its thresholds."""
    return replace(message, topic=RULES_TOPIC) if message.topic == rules_topic(station) else message


class RulesFollowing:
    """A decoder that understands the lines of `$fillguard/rules` besides what `decoder` understands."""

    def __init__(self, decoder: Decoder, *, follow: bool) -> None:
        """`follow` False: these lines are passed over, the thresholds of the configuration hold throughout."""
        self._decoder = decoder
        self._follow = follow

    def decode(self, message: RawMessage) -> tuple[InEvent, ...]:
        """The events of one message. Raises DeviceError for a line on thresholds that cannot be used."""
        if message.topic != RULES_TOPIC:
            return self._decoder.decode(message)
        return (_event(message),) if self._follow else ()


def _event(message: RawMessage) -> RulesChanged:
    try:
        said = _SAID.validate_json(message.payload)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "payload"
        raise DeviceError(
            f"capture, t {message.arrived.utc_s!r}, topic {RULES_TOPIC}: {where}: {first['msg']}. Its thresholds "
            "cannot be followed; replay with --keep-thresholds to hold to the configuration's"
        ) from None
    return RulesChanged(
        stamp=message.arrived,
        rules_hash=said["hash"],
        summary=said["changes"],
        thresholds=said["thresholds"],
        by=said.get("by", ""),
        why=said.get("why", ""),
    )
