"""Which cylinder it is: what a fill was said to be of, and whether its pressure fits what is on record of it."""

import math

from fillguard.core.events import CylinderAttached
from fillguard.core.fill import Held
from fillguard.core.fitness.checks import Check, Identified, Left, named
from fillguard.core.hinted import Finding
from fillguard.core.rules import Rules
from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import Stamp

OTHER_CYLINDER = "other-cylinder"
_MORE_PA = 5.0 * PA_PER_BAR
_MORE_SHARE = 0.1
"""What a cylinder out of a hot car shows more than in the shop; a wrong one is further off (our choice)."""
MOST_KEPT = 16
"""Words on what a fill is of; more are not kept: the newest replace each other."""


def said_to_be(attached: CylinderAttached | None, held: Held, now: Stamp) -> Identified | None:
    """What somebody says a fill is of; None where nobody said anything."""
    if attached is None:
        return None
    return Identified(
        serial=attached.serial,
        utc_s=now.utc_s,
        operator=attached.operator,
        class_name=attached.class_name,
        members=attached.members,
        limit_gauge_pa=held.limit_gauge_pa,
        reference_k=held.cylinder.reference_k,
        checked=attached.checked,
    )


def with_identity(before: tuple[Identified, ...], said: Identified | None) -> tuple[Identified, ...]:
    """Every word on what a fill is of, oldest first."""
    return before if said is None else (*before[: MOST_KEPT - 1], said)


def stranger(attached: CylinderAttached | None, rules: Rules, level_pa: float, at_k: float | None) -> Finding | None:
    """Doubt that it is the cylinder of that serial, when at `at_k` it stands at more than its last fill left in it.

    None where nothing is on record of it, or a person has said that it is the right one.
    """
    left = attached.left if attached is not None else None
    if attached is None or left is None or named(attached.checked, Check.RIGHT_CYLINDER) is not None:
        return None
    if level_pa <= _reads_pa(left, attached, rules, at_k or rules.ambient_k):
        return None
    text = (
        f"It stands at {bar_from_pa(level_pa):.0f} bar, but {attached.serial} was left at "
        f"{bar_from_pa(left.gauge_pa):.0f} bar settled, and no fill is on record since: is this the right cylinder? "
        "Read the serial on its shoulder again before you go on."
    )
    return Finding(name=OTHER_CYLINDER, confidence=0.7, text=text)


def _reads_pa(left: Left, attached: CylinderAttached, rules: Rules, at_k: float) -> float:
    """The most that what was left can read when it comes back. Gauge pascal."""
    gas, ambient_pa = rules.surface_of(attached.residual_gas), rules.ambient_abs_pa
    density = gas.density_unguarded(left.gauge_pa + ambient_pa, left.reference_k)
    reads_pa = gas.state(density, at_k)[0] - ambient_pa
    return math.fsum((reads_pa, _MORE_PA, _MORE_SHARE * reads_pa))
