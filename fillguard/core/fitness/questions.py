"""What the person at the panel is asked about a cylinder before it is filled: each a reason for care until answered."""

from collections.abc import Iterator, Sequence

from fillguard.core.fitness.checks import CLASS_CHECKS, Check, Checked, named
from fillguard.core.fitness.verdict import Level, Reason

_SHOP_C = (10.0, 30.0)
"""A cylinder that came from outside of this is not as warm as a shop (our choice)."""


def stamp_question(limit_text: str, lowest_text: str) -> Reason:
    """Is the highest figure on the screen the one on the shoulder?"""
    text = f"{limit_text}: is that what the shoulder says? Until stamp-read is ticked, {lowest_text} governs"
    return Reason(code="stamp-unread", level=Level.CARE, text=text)


def set_question(count: int, members: Sequence[str], checked: Sequence[Checked]) -> Iterator[Reason]:
    """A set fills as one only while everything between its cylinders is open."""
    if count > 1 and named(checked, Check.VALVES_OPEN) is None:
        whose = f" ({' and '.join(members)})" if members else ""
        text = f"a set of {count}{whose} that fills as one: are the isolator and both valves open? Tick valves-open"
        yield Reason(code="valves-unseen", level=Level.CARE, text=text)


def class_questions(name: str, checked: Sequence[Checked]) -> Iterator[Reason]:
    """A visitor's cylinder, known by its class only."""
    missing = [check.value for check in CLASS_CHECKS if named(checked, check) is None]
    if missing:
        text = f"class {name} counts once {', '.join(missing)} are ticked by name: until then the lowest rating governs"
        yield Reason(code="class-unread", level=Level.CARE, text=text)
    text = f"class only ({name}): its own dates and service are not on record"
    yield Reason(code="class-only", level=Level.CARE, text=text)


def warmth_question(arrived_c: float | None) -> Iterator[Reason]:
    """Out of a hot car or a cold boat: the gauge says too much or too little of what is in it."""
    if arrived_c is None or _SHOP_C[0] <= arrived_c <= _SHOP_C[1]:
        return
    how = "warm" if arrived_c > _SHOP_C[1] else "cold"
    text = f"it arrived {how} (about {arrived_c:.0f} C): let it come to shop temperature first"
    yield Reason(code=f"arrived-{how}", level=Level.CARE, text=text)
