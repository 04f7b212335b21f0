"""What could not be used, counted by kind of topic and reason, with one sample of each to look at."""

from dataclasses import dataclass

from fillguard.core.events import ReadingRejected
from fillguard.core.values import Stamp
from fillguard.intake.formats import UnusableError, sample_of
from fillguard.ports import RawMessage

_LONGEST_TOPIC = 200
_LONGEST_DETAIL = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class RejectionCount:
    """How often one kind of topic gave one reason, and the newest case."""

    kind: str
    reason: str
    count: int
    last: Stamp
    topic: str
    detail: str
    sample: str


class Rejections:
    """Counts since the start. Bounded: kinds and reasons are ours, topics and samples are cut."""

    def __init__(self) -> None:
        self._counts: dict[tuple[str, str], RejectionCount] = {}

    def note(self, kind: str, message: RawMessage, problem: UnusableError) -> ReadingRejected:
        """Count `problem` and return the event that tells of it."""
        rejected = ReadingRejected(
            stamp=message.arrived,
            topic=message.topic[:_LONGEST_TOPIC],
            reason=problem.reason,
            detail=problem.detail[:_LONGEST_DETAIL],
            sample=sample_of(message.payload),
        )
        before = self._counts.get((kind, problem.reason))
        self._counts[kind, problem.reason] = RejectionCount(
            kind=kind,
            reason=problem.reason,
            count=before.count + 1 if before else 1,
            last=message.arrived,
            topic=rejected.topic,
            detail=rejected.detail,
            sample=rejected.sample,
        )
        return rejected

    def counts(self) -> tuple[RejectionCount, ...]:
        """A copy, most frequent first; may be asked from any thread."""
        return tuple(sorted(self._counts.copy().values(), key=lambda c: -c.count))
