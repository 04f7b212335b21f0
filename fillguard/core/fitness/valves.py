"""What wears in a cylinder valve: the checklist of its yearly service (common practice; the maker's kit list wins)."""

from collections.abc import Mapping

ALWAYS = ("neck-o-ring", "stem-o-rings", "outlet-o-ring", "seat", "washers")
_BY_TYPE: Mapping[str, tuple[str, ...]] = {
    "balanced": ("spindle-tee",),
    "unbalanced": ("spindle-packing", "spring"),
    "manifold": ("isolator-o-rings", "barrel-o-rings"),
}
RELIEF_DISC = "relief-disc"
"""Where the valve has one; renewed with its own torque and rating, never a lower or a higher one."""


def wear_parts(valve_type: str | None) -> tuple[str, ...]:
    """Parts to look at and renew; those of every valve where the type is not known."""
    return (*ALWAYS, *_BY_TYPE.get((valve_type or "").lower(), ()), RELIEF_DISC)
