"""What a named person looked at on a cylinder before it was filled: each tick with who and when."""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from fillguard.core.values import GasMix


class Check(StrEnum):
    """One thing to look at. The words stand in messages, on the command line and in the record."""

    STAMP_READ = "stamp-read"
    """The rating on the shoulder is the one that is filled to."""
    TEST_DATE_READ = "test-date-read"
    INSPECTION_READ = "inspection-read"
    VALVES_OPEN = "valves-open"
    """The cylinder valve is all the way open; of a twin set, isolator and both valves."""
    RIGHT_CYLINDER = "right-cylinder"
    """It is the cylinder of this serial, though its pressure says otherwise."""


CLASS_CHECKS = (Check.STAMP_READ, Check.TEST_DATE_READ, Check.INSPECTION_READ)
"""What must have been read of a cylinder that is known by its class only."""

SETTLES = {
    Check.STAMP_READ: "stamp-unread",
    Check.VALVES_OPEN: "valves-unseen",
    Check.RIGHT_CYLINDER: "other-cylinder",
}
"""The reason of a verdict, or finding, that a check answers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One tick."""

    check: Check
    by: str | None
    """None: a message without a name; such a tick raises no limit."""
    utc_s: float


def named(checked: Iterable[Checked], check: Check) -> Checked | None:
    """The tick of a named person for `check`; None while nobody answers for it."""
    return next((each for each in checked if each.check is check and each.by is not None), None)


def unread(checked: Iterable[Checked]) -> tuple[Check, ...]:
    """What nobody by name has read yet of a cylinder that is known by its class only."""
    ticks = tuple(checked)
    return tuple(check for check in CLASS_CHECKS if named(ticks, check) is None)


def merged(old: Iterable[Checked], new: Iterable[Checked]) -> tuple[Checked, ...]:
    """Both, one tick for each check and person: the first one counts."""
    kept: dict[tuple[Check, str | None], Checked] = {}
    for each in (*old, *new):
        kept.setdefault((each.check, each.by), each)
    return tuple(kept.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified:
    """What a fill was said to be of, from when on, and who says so. A fill keeps every one of them."""

    serial: str | None
    utc_s: float
    operator: str | None
    class_name: str | None = None
    """Known by the shop's class only."""
    members: tuple[str, ...] = ()
    """Of a set."""
    limit_gauge_pa: float
    """What the fill was held to from then on; settled, at `reference_k`."""
    reference_k: float
    checked: tuple[Checked, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """How the last recorded fill of a cylinder left it."""

    fill_id: str
    gauge_pa: float
    """Settled, at `reference_k`."""
    reference_k: float
    mix: GasMix | None = None
    """What it was filled with, as far as the record says."""
