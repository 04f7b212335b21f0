"""The words that events are made of: what is measured, how far it is trusted, where a whip stands."""

from enum import StrEnum


class Quantity(StrEnum):
    """What a sensor measures. Pressure in gauge pascal, temperatures in kelvin, fractions 0 to 1, current in ampere.

    `supply` is the bank that feeds, `valve` how far the panel valve is open.
    """

    PRESSURE = "pressure"
    WALL = "wall"
    AMBIENT = "ambient"
    BATH = "bath"
    SUPPLY = "supply"
    O2_FRACTION = "o2_fraction"
    LOOP_CURRENT = "loop_current"
    VALVE = "valve"


class Quality(StrEnum):
    """How far a reading may be trusted."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Doubt(StrEnum):
    """Why a reading is not simply good."""

    RETAINED = "retained"
    LATE = "late"
    STALE = "stale"
    SKEWED = "skewed"
    OUT_OF_RANGE = "out-of-range"
    LOOP_FAULT = "loop-fault"
    DUPLICATE = "duplicate"
    IMPLAUSIBLE_JUMP = "implausible-jump"


class Phase(StrEnum):
    """Where a whip stands."""

    IDLE = "idle"
    ATTACHED = "attached"
    CONNECTED = "connected"
    FILLING = "filling"
    PAUSED = "paused"
    CLOSED = "closed"
    SETTLING = "settling"
    SETTLED = "settled"
    DRAINING = "draining"
    ENDED = "ended"
    INTERRUPTED = "interrupted"


class Outcome(StrEnum):
    """How a fill came out."""

    FULL = "full"
    SHORT = "short"
    OVER = "over"
    TARGET = "target"
    STOPPED_FOR_ALARM = "stopped-for-alarm"
    DRAINED = "drained"
    NOT_A_FILL = "not-a-fill"
    INTERRUPTED = "interrupted"
    OPEN = "open"


class Prompt(StrEnum):
    """What the board asks in a normal fill. Never an alarm, never counted as one."""

    GET_READY = "get-ready"
    CLOSE_NOW = "close-now"
    LET_IT_COOL = "let-it-cool"
    CHANGE_BANK = "change-bank"
    OPEN_EMPTIER_FIRST = "open-the-emptier-one-first"
    NEXT_STAGE = "next-stage"


class Lamp(StrEnum):
    """The lamp over a whip."""

    NORMAL = "normal"
    CHECK = "check"
    STOP = "stop"


class Chatter(StrEnum):
    """Whether an alarm comes and goes: three raises within a minute or more."""

    NONE = "none"
    BEGAN = "began"
    """This raise made it chatter: the one notice that says so."""
    GOES_ON = "goes-on"


class ZeroVerdict(StrEnum):
    """What a zero check says of a gauge."""

    GOOD = "good"
    OFF = "off"
    MOVED = "moved"
    """Within range, but not where it was within the last week."""
    ABSOLUTE = "absolute"
    """It reads the air: an absolute sensor configured as gauge?"""
    UNCERTAIN = "uncertain"
    """So far off that what it measures is marked."""


class AlarmState(StrEnum):
    """The states of IEC 62682, as their flags name them."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


class Verb(StrEnum):
    """What a person may do to an alarm."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
