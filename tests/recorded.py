"""Simulated fills with their truth, from a model that shares nothing with the program, led through the watch."""

import csv
import gzip
import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fillguard.core.events import CylinderAttached, InEvent, Quantity, Reading
from fillguard.core.units import PA_PER_BAR, k_from_c, quantised_pressure_pa, quantised_temperature_k
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Surroundings
from fillguard.engine import Happening, Stepper
from tests.panel import T0, Story, real_rules, stamp

FILLS = Path(__file__).parent / "data" / "fills"
GASES = {"air": AIR, "ean32": GasMix(o2=0.32), "ean36": GasMix(o2=0.36), "tx18/45": GasMix(o2=0.18, he=0.45)}
_CHANNELS = {"P": Quantity.PRESSURE, "W": Quantity.WALL, "A": Quantity.AMBIENT, "B": Quantity.BATH}
_OF_THE_WHIP = frozenset({Quantity.PRESSURE, Quantity.WALL})


@dataclass(frozen=True, slots=True)
class Recorded:
    """One fill: its rows in order of arrival, what a station knows, what was so."""

    number: int
    rows: list[tuple[float, str, float]]
    given: dict[str, Any]
    truth: dict[str, Any]

    @property
    def cylinder(self) -> Cylinder:
        """The cylinder, as its papers describe it."""
        said = self.given["cylinder"]
        return Cylinder(
            serial="TH-0042",
            water_capacity_m3=said["water_volume_l"] / said["count"] * 1e-3,
            material=Material(said["material"]),
            rated_gauge_pa=said["rated_pressure_bar"] * PA_PER_BAR,
            reference_k=k_from_c(said["reference_temperature_c"]),
            count=said["count"],
            empty_mass_kg=said["empty_mass_kg_each"],
        )

    def events(self) -> Iterator[InEvent]:
        """What arrives: the attachment, then every row; second 0 of the record is second 0 of a scene."""
        yield CylinderAttached(
            stamp=stamp(0.01),
            whip="1",
            serial="TH-0042",
            cylinder=self.cylinder,
            operator="op-1",
            gas=GASES[self.given["gas"]],
            residual_gas=GASES[self.given["residual_gas"]],
            surroundings=Surroundings(self.given["medium"]),
        )
        newest_s = 0.0
        for at_s, channel, value in self.rows:
            newest_s = max(newest_s, at_s)
            quantity = _CHANNELS[channel]
            pressure = quantity is Quantity.PRESSURE
            yield Reading(
                stamp=stamp(newest_s),
                source=f"fill/tern/1/{quantity.value}",
                whip="1" if quantity in _OF_THE_WHIP else None,
                quantity=quantity,
                value=quantised_pressure_pa(value * PA_PER_BAR)
                if pressure
                else quantised_temperature_k(k_from_c(value)),
                sample_s=T0 + at_s,
            )


@cache
def recorded(number: int) -> Recorded:
    """Fill `number` of `tests/data/fills`."""
    stem = FILLS / f"fill_{number:03d}"
    said = json.loads(stem.with_suffix(".json").read_text(encoding="utf-8"))
    with gzip.open(stem.with_suffix(".csv.gz"), "rt", encoding="utf-8") as lines:
        rows = [(float(row["t_s"]), row["ch"], float(row["value"])) for row in csv.DictReader(lines)]
    return Recorded(number=number, rows=rows, given=said["given"], truth=said["truth"])


@cache
def watched(number: int) -> Story:
    """What the watch said of fill `number`; once per test run."""
    stepper = Stepper(real_rules())
    happenings: list[Happening] = []
    for event in recorded(number).events():
        happenings += stepper.feed(event)
    return Story(happenings=happenings, stepper=stepper)
