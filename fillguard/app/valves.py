"""What operators notice at a cylinder's valve when they attach it or take it off goes into its record."""

from collections.abc import Callable, Sequence
from typing import Protocol

from fillguard.core.events import InEvent, OutEvent, ValveNoted
from fillguard.core.fitness.record import CylinderRecord
from fillguard.ports import CylinderRecorded
from fillguard.settings.columns import columns_of
from fillguard.settings.register import key_of


class CylinderTrail(Protocol):
    """What takes a changed cylinder into the record. Never raises."""

    def put_cylinder(self, change: CylinderRecorded) -> None:
        """Queue one row of the register."""


class ValveNotes:
    """An outlet, on the engine's thread: people note something at a valve a few times a day."""

    def __init__(self, find: Callable[[str], CylinderRecord | None], trail: CylinderTrail) -> None:
        """`find`: the cylinder of a serial as it is now; never raises."""
        self._find, self._trail = find, trail

    def tell(self, _cause: InEvent, facts: Sequence[OutEvent]) -> None:
        """Take note of what was found."""
        for fact in facts:
            if isinstance(fact, ValveNoted) and fact.serial is not None:
                self._note(fact, fact.serial)

    def _note(self, fact: ValveNoted, serial: str) -> None:
        record = self._find(serial)
        if record is None or not fact.found:
            return  # the event itself is on record
        have = [found.value for found in record.valve_found]
        found = list(dict.fromkeys([*have, *(each.value for each in fact.found)]))
        if found == have:
            return
        what = ", ".join(each.value for each in fact.found)
        self._trail.put_cylinder(
            CylinderRecorded(
                at=fact.stamp,
                by=fact.operator or "somebody at the panel",
                why=f"valve found {what}" + (f": {fact.note}" if fact.note else ""),
                key=key_of(record.serial),
                serial=record.serial,
                columns={**columns_of(record), "valve_found": " ".join(found)},
            )
        )
