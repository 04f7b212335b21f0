"""Where an alarm stands: flags that do not depend on each other, and the IEC 62682 name that follows from them.

An alarm is active or not, acknowledged or not, latched or not, and may be hidden in three ways: shelved, suppressed by
design, out of service. Every combination means something; the transition table says which move each state takes.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from fillguard.core.errors import IllegalTransitionError
from fillguard.core.events import AlarmFacts, AlarmState, Chatter

NEW_FILL = "a new fill began on this whip"
FILL_ENDED = "the fill has ended"
RESTARTED = "fillguard was started again"
NO_LONGER_JUDGED = frozenset({NEW_FILL, FILL_ENDED, RESTARTED})
"""Reasons of a return that does not say all is well: the condition is only not looked at any more."""


class Move(StrEnum):
    """What can happen to an alarm that is not hidden."""

    RAISE = "raise"
    RETURN = "return"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"


ALLOWED: Mapping[Move, frozenset[AlarmState]] = {
    Move.RAISE: frozenset(
        {
            AlarmState.NORMAL,
            AlarmState.RETURNED_UNACKNOWLEDGED,
            AlarmState.LATCHED_UNACKNOWLEDGED,
            AlarmState.LATCHED_ACKNOWLEDGED,
        }
    ),
    Move.RETURN: frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}),
    Move.ACKNOWLEDGE: frozenset(
        {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED}
    ),
    Move.RESET: frozenset({AlarmState.LATCHED_ACKNOWLEDGED}),
}
"""The states from which each move may be made; the flags decide where it leads."""

_NAMES: Mapping[tuple[bool, bool, bool], AlarmState] = {
    # active, acknowledged, latched
    (True, False, False): AlarmState.UNACKNOWLEDGED,
    (True, False, True): AlarmState.UNACKNOWLEDGED,
    (True, True, False): AlarmState.ACKNOWLEDGED,
    (True, True, True): AlarmState.ACKNOWLEDGED,
    (False, False, False): AlarmState.RETURNED_UNACKNOWLEDGED,
    (False, False, True): AlarmState.LATCHED_UNACKNOWLEDGED,
    (False, True, True): AlarmState.LATCHED_ACKNOWLEDGED,
    (False, True, False): AlarmState.NORMAL,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """Whose alarm it is at this moment. `whip` is None for the station itself."""

    station: str
    whip: str | None = None
    fill_id: str | None = None
    serial: str | None = None
    operator: str | None = None

    @property
    def place(self) -> str:
        """What names an occurrence outside a fill: `tern-2`, or `tern` for the station."""
        return self.station if self.whip is None else f"{self.station}-{self.whip}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was seen of an alarm's condition.

    `excess` is SI in the alarm's own quantity: above 0 beyond the setpoint, below minus the deadband clear. None (or
    NaN): nothing is known, which neither raises nor clears. Stale data must be told as None.
    """

    excess: float | None
    cause: str = ""
    """One sentence: what was seen."""
    facts: AlarmFacts = field(default_factory=AlarmFacts)
    priority: int | None = None
    """Where this case is graver than the rule says (`AlarmRule.priorities`); decided when it raises."""

    @classmethod
    def yes(cls, cause: str, facts: AlarmFacts | None = None, *, priority: int | None = None) -> "Seen":
        """The condition is there: yes or no, without a number."""
        return cls(excess=math.inf, cause=cause, facts=facts or AlarmFacts(), priority=priority)

    @classmethod
    def no(cls, facts: AlarmFacts | None = None) -> "Seen":
        """The condition is not there, beyond any deadband."""
        return cls(excess=-math.inf, facts=facts or AlarmFacts())

    @classmethod
    def unknown(cls) -> "Seen":
        """Nothing is known at the moment."""
        return cls(excess=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Where one alarm stands. Seed the occurrence numbers after a restart: `Standing(occurrence_n=4)`."""

    active: bool = False
    acknowledged: bool = True
    latched: bool = False
    shelved_at_mono_s: float | None = None
    shelved_until_mono_s: float | None = None
    suppressed_by: str | None = None
    out_of_service_by: str | None = None

    known: bool = False
    """The last thing seen told something."""
    turned_mono_s: float | None = None
    """Since when what is seen differs from `active`: a delay runs."""
    seen_cause: str = ""
    seen_facts: AlarmFacts = field(default_factory=AlarmFacts)
    seen_priority: int | None = None

    occurrence_n: int = 0
    """Last number given outside a fill: never used twice at one place."""
    fill_id: str | None = None
    fill_n: int = 0
    """Last number given within the fill `fill_id`."""

    occurrence: str = ""
    subject: Subject | None = None
    """Whose the present occurrence is."""
    priority: int = 0
    raised_utc_s: float = 0.0
    first_out: bool = False
    cause: str = ""
    facts: AlarmFacts = field(default_factory=AlarmFacts)
    called_mono_s: float = 0.0
    """When people were last called: re-alarm counts from here."""
    covered: bool = False
    """The present occurrence began shelved or out of service and was not announced."""
    raises_mono_s: tuple[float, ...] = ()
    """The last raises, three at most: chattering is judged by them."""
    chatter: Chatter = Chatter.NONE

    @property
    def beneath(self) -> AlarmState:
        """The state without regard to being hidden."""
        return _NAMES[self.active, self.acknowledged, self.latched]

    @property
    def hidden_by_person(self) -> bool:
        """Shelved or out of service."""
        return self.shelved_until_mono_s is not None or self.out_of_service_by is not None

    @property
    def state(self) -> AlarmState:
        """The state of IEC 62682."""
        if self.out_of_service_by is not None:
            return AlarmState.OUT_OF_SERVICE
        if self.shelved_until_mono_s is not None:
            return AlarmState.SHELVED
        if self.suppressed_by is not None:
            return AlarmState.SUPPRESSED
        return self.beneath

    @property
    def hidden(self) -> bool:
        """Judged, but not announced."""
        return self.hidden_by_person or self.suppressed_by is not None

    @property
    def annunciated(self) -> bool:
        """It calls for a person now: lamp, sound, board."""
        return self.state is AlarmState.UNACKNOWLEDGED


def move(standing: Standing, what: Move, *, latching: bool) -> Standing:
    """The flags after `what`; a move that the table does not allow raises `IllegalTransitionError`."""
    if standing.beneath not in ALLOWED[what]:
        raise IllegalTransitionError(f"alarm in state {standing.beneath.value!r} cannot take {what.value!r}")
    match what:
        case Move.RAISE:
            return replace(standing, active=True, acknowledged=False, latched=standing.latched or latching)
        case Move.RETURN:
            return replace(standing, active=False)
        case Move.ACKNOWLEDGE:
            return replace(standing, acknowledged=True)
        case Move.RESET:
            return replace(standing, latched=False)


def transitions(*, latching: bool) -> tuple[tuple[AlarmState, Move, AlarmState], ...]:
    """From, move, to: all that an alarm can go through from normal on while it is not hidden."""
    found: list[tuple[AlarmState, Move, AlarmState]] = []
    waiting = [Standing()]
    while waiting:
        old = waiting.pop(0)
        moves = [(what, move(old, what, latching=latching)) for what in Move if old.beneath in ALLOWED[what]]
        waiting += [new for _, new in moves if new.beneath not in {old.beneath, *(old for old, _, _ in found)}]
        found += [(old.beneath, what, new.beneath) for what, new in moves]
    return tuple(dict.fromkeys(found))
