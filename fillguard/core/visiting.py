"""What earlier fills of a cylinder say of the way into it: how far the gauge came back, whether it was held back."""

from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from fillguard.core.events import FillEnded, OutEvent
from fillguard.core.values import Visits

VISITED_KEPT = 256
"""Cylinders; the least recently filled is forgotten first."""
_DROPS_KEPT = 5
_HELD_BACK = frozenset({"valve-not-open", "flow-restricted"})


class Visited(NamedTuple):
    """One cylinder and its last fills."""

    serial: str
    visits: Visits


def visited(known: tuple[Visited, ...], facts: Iterable[OutEvent]) -> tuple[Visited, ...]:
    """What is known after `facts`; least recently filled first."""
    for fact in facts:
        if isinstance(fact, FillEnded) and fact.summary.serial is not None:
            serial = fact.summary.serial
            new = Visited(serial, _after(visits_of(known, serial), fact))
            known = (*(each for each in known if each.serial != serial), new)[-VISITED_KEPT:]
    return known


def visits_of(known: Iterable[Visited], serial: str | None) -> Visits:
    """The last fills of one cylinder; empty where nobody remembers."""
    return next((each.visits for each in known if each.serial == serial), Visits())


def _after(visits: Visits, ended: FillEnded) -> Visits:
    held = not _HELD_BACK.isdisjoint((*ended.summary.findings, *ended.summary.alarms))
    # A drop behind a valve that was not open says nothing of an open one.
    drops = visits.drops if ended.drop is None or held else (*visits.drops, ended.drop)[-_DROPS_KEPT:]
    return replace(visits, drops=drops, held_back=visits.held_back + 1 if held else 0)
