"""What happened while the ledger took no rows: told in one audit row once it does again."""

from dataclasses import dataclass, field

from fillguard.core.events import AlarmChanged
from fillguard.core.values import Stamp
from fillguard.ports import Attempt, AuditEntry, StepRecord

_LISTED = 500
"""Alarms and notices that are listed one by one; more are counted."""


@dataclass(slots=True, kw_only=True)
class Outage:
    """From the first failed or stalled commit to the first that succeeds."""

    since: Stamp
    reason: str
    alarms: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    unlisted: int = 0
    lost: int = 0
    first_lost_utc_s: float | None = None
    last_lost_utc_s: float | None = None
    acknowledged_ahead: int = 0

    def passed(self, record: StepRecord) -> None:
        """A step went out to everybody and is only in memory."""
        for fact in record.facts:
            if isinstance(fact, AlarmChanged):
                self._list(self.alarms, f"{fact.occurrence} {fact.new}")

    def tried(self, attempt: Attempt) -> None:
        """A channel was tried, and that is only in memory."""
        if attempt.elapsed_s is not None:
            self._list(self.notices, f"{attempt.channel} {attempt.occurrence} {attempt.kind} {attempt.result}")

    def lose(self, utc_s: float) -> None:
        """One entry found no room in memory."""
        self.lost += 1
        self.last_lost_utc_s = utc_s
        if self.first_lost_utc_s is None:
            self.first_lost_utc_s = utc_s

    def told(self, until: Stamp) -> AuditEntry:
        """The audit row."""
        lasted_s = until.mono_s - self.since.mono_s
        lost = f"{self.lost} entries were LOST: no room in memory" if self.lost else "nothing was lost"
        return AuditEntry(
            at=until,
            who="fillguard",
            action="ledger-recovered",
            detail=f"took no rows for {lasted_s:.3f} s ({self.reason}); {lost}",
            data={
                "since_utc_s": self.since.utc_s,
                "alarms_sent_meanwhile": tuple(self.alarms),
                "notices_sent_meanwhile": tuple(self.notices),
                "further_not_listed": self.unlisted,
                "lost": self.lost,
                "first_lost_utc_s": self.first_lost_utc_s,
                "last_lost_utc_s": self.last_lost_utc_s,
                "acknowledged_before_recorded": self.acknowledged_ahead,
            },
        )

    def _list(self, where: list[str], line: str) -> None:
        if len(where) < _LISTED:
            where.append(line)
        else:
            self.unlisted += 1
