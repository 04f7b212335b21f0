"""Findings, published and counted: what a curve hints at, what is questionable about a sensor."""

import json
from collections.abc import Mapping, Sequence

from fillguard.core.events import FindingMade, InEvent, OutEvent
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


class FindingCounts:
    """How often each was made since the start. Bounded: their names are ours."""

    def __init__(self) -> None:
        self._counts: dict[str, int] = {}

    def tell(self, _cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Count what was found."""
        for fact in facts:
            if isinstance(fact, FindingMade):
                self._counts[fact.finding] = self._counts.get(fact.finding, 0) + 1

    def counts(self) -> Mapping[str, int]:
        """By finding; from any thread."""
        return self._counts.copy()
