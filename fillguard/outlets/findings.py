"""Findings at the broker: what a curve hints at, and what is questionable about a sensor."""

import json

from fillguard.core.events import FindingMade
from fillguard.ports import Publication


def finding_topic(station: str) -> str:
    """Where findings come: one message each, not retained."""
    return f"fillguard/{station}/finding"


def found(fact: FindingMade, station: str, *, drill: bool) -> Publication:
    """The message of one finding."""
    said = {
        "v": 1,
        "t": fact.stamp.utc_s,
        "whip": fact.whip,
        "fill": fact.fill_id,
        "finding": fact.finding,
        "confidence": round(fact.confidence, 3),
        "text": fact.text,
        "drill": drill,
    }
    body = json.dumps(said, ensure_ascii=False, allow_nan=False)
    return Publication(topic=finding_topic(station), payload=body.encode())
