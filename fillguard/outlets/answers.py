"""What became of commands, at the broker: whoever gave one hears that it was done, or in words why it was not."""

import json

from fillguard.core.events import CommandAnswered, ReadingRejected
from fillguard.ports import Publication


def answer_topic(station: str) -> str:
    """Where answers come: one message for each command, not retained."""
    return f"fillguard/{station}/answer"


def answer(fact: CommandAnswered, station: str, *, drill: bool) -> Publication:
    """The answer to a command that was understood."""
    return _publication(
        station,
        {
            "t": fact.stamp.utc_s,
            "id": fact.command_id,
            "verb": fact.verb,
            "operator": fact.operator,
            "whip": fact.whip,
            "alarm": fact.alarm,
            "occurrence": fact.occurrence,
            "done": fact.refused is None,
            "refused": fact.refused,
            "drill": drill,
        },
    )


def not_understood(cause: ReadingRejected, station: str, *, drill: bool) -> Publication:
    """The answer to a command that could not be understood."""
    unknown: dict[str, object] = dict.fromkeys(("verb", "operator", "whip", "alarm", "occurrence"))
    said = {"t": cause.stamp.utc_s, "id": cause.command_id, **unknown, "done": False, "refused": cause.detail}
    return _publication(station, {**said, "drill": drill})


def _publication(station: str, said: dict[str, object]) -> Publication:
    body = json.dumps({"v": 1, **said}, ensure_ascii=False, allow_nan=False)
    return Publication(topic=answer_topic(station), payload=body.encode(), qos=1)
