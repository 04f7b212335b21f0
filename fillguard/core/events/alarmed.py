"""What is told of alarms: that one changed, with the numbers of the moment, and what became of a person's command."""

from dataclasses import dataclass, field

from fillguard.core.events.kinds import AlarmState, Chatter
from fillguard.core.values import Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmFacts:
    """The numbers a notice speaks of, as they stood when the alarm changed. None: not known or not to the point."""

    gauge_pa: float | None = None
    settled_gauge_pa: float | None = None
    settled_low_gauge_pa: float | None = None
    settled_high_gauge_pa: float | None = None
    limit_gauge_pa: float | None = None
    target_gauge_pa: float | None = None
    """What was asked for, where that is below the limit."""
    reference_k: float | None = None
    ceiling_gauge_pa: float | None = None
    rate_pa_s: float | None = None
    rate_limit_pa_s: float | None = None
    gas_k: float | None = None
    wall_k: float | None = None
    bleed_to_gauge_pa: float | None = None
    close_at_gauge_pa: float | None = None
    silent_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChanged:
    """An alarm changed its state. The only event that may become a notice."""

    stamp: Stamp
    whip: str | None
    """None for the station itself."""
    fill_id: str | None
    serial: str | None
    operator: str | None
    alarm: str
    occurrence: str
    """`{fill or station-whip}/{alarm}/{n}`."""
    priority: int
    old: AlarmState
    new: AlarmState
    cause: str
    """One sentence: what was seen. Numbers are in `facts`."""
    facts: AlarmFacts = field(default_factory=AlarmFacts)
    first_out: bool = False
    raised_utc_s: float
    by: str | None = None
    """Who acknowledged, reset or shelved it."""
    reason: str | None = None
    chatter: Chatter = Chatter.NONE

    @property
    def is_raise(self) -> bool:
        """True when this change starts an occurrence that people must be told of; also from a latched state."""
        return self.new is AlarmState.UNACKNOWLEDGED and self.old is not AlarmState.UNACKNOWLEDGED

    @property
    def is_return(self) -> bool:
        """True when this change ends an occurrence that people were told of.

        Its condition ended, or it was hidden (shelved, suppressed, out of service) with it still there: `new` says
        which. Should it still be there when it is no longer hidden, that is a new occurrence.
        """
        return self.old in _ACTIVE and self.new not in _ACTIVE

    @property
    def notice_kind(self) -> str:
        """What a notice of it tells: `raise`, `return`, or `change` for anything else (shelved, called again, ...)."""
        if self.is_raise:
            return "raise"
        return "return" if self.is_return else "change"

    @property
    def is_realarm(self) -> bool:
        """True when this only calls again because nobody acknowledged: the same occurrence with fresh facts."""
        return self.old is self.new is AlarmState.UNACKNOWLEDGED


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandAnswered:
    """What became of a command: done, or in words why not, so that nobody guesses whether an alarm was acknowledged."""

    stamp: Stamp
    command_id: str | None
    verb: str
    operator: str
    whip: str | None
    alarm: str | None
    occurrence: str | None
    refused: str | None = None
    """Why it was not done; None when it was."""


_ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})
