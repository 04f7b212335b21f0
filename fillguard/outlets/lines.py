"""Recorded rows as InfluxDB line protocol: what a mirror sends.

One measurement, `fill_sample`; tags station, whip, serial, fill, source; fields in trade units (bar gauge, degrees
Celsius), always floats; timestamps in milliseconds. The same row always gives the same line: sending it again changes
nothing. A reading of bad quality is sent under `bad_...`: a chart of good ones must not show it.
"""

import math
from collections.abc import Callable, Mapping, Sequence

from fillguard.core.events import Quality, Quantity
from fillguard.core.units import bar_from_pa, c_from_k
from fillguard.ports import ProjectionRow, ReadingRow

MEASUREMENT = "fill_sample"
_ESCAPES = str.maketrans(
    {",": "\\,", "=": "\\=", " ": "\\ ", "\\": "/", **{chr(code): "\\ " for code in (*range(32), 127)}}
)
"""A backslash cannot be told apart from an escape by every server: it is sent as a slash; controls as blanks."""


def _bar_min(pascal_a_second: float) -> float:
    return bar_from_pa(pascal_a_second) * 60.0


_READING_FIELDS: Mapping[str, tuple[str, Callable[[float], float]]] = {
    Quantity.PRESSURE: ("pressure_bar", bar_from_pa),
    Quantity.SUPPLY: ("supply_bar", bar_from_pa),
    Quantity.WALL: ("wall_c", c_from_k),
    Quantity.AMBIENT: ("ambient_c", c_from_k),
    Quantity.BATH: ("bath_c", c_from_k),
    Quantity.O2_FRACTION: ("o2_fraction", float),
    Quantity.LOOP_CURRENT: ("loop_ma", lambda ampere: ampere * 1000.0),
    Quantity.VALVE: ("valve_open", float),
}
_PROJECTION_FIELDS: Sequence[tuple[str, str, Callable[[float], float]]] = (
    ("settled_bar", "settled_gauge_pa", bar_from_pa),
    ("settled_low_bar", "settled_low_gauge_pa", bar_from_pa),
    ("settled_high_bar", "settled_high_gauge_pa", bar_from_pa),
    ("cylinder_bar", "cylinder_gauge_pa", bar_from_pa),
    ("stop_at_bar", "stop_at_gauge_pa", bar_from_pa),
    ("close_at_bar", "close_at_gauge_pa", bar_from_pa),
    ("bleed_to_bar", "bleed_to_gauge_pa", bar_from_pa),
    ("gas_c", "gas_k", c_from_k),
    ("rate_bar_min", "rate_pa_s", _bar_min),
    ("rate_error_bar_min", "rate_error_pa_s", _bar_min),
    ("to_stop_s", "seconds_to_stop", float),
)


def reading_line(station: str, row: ReadingRow) -> str | None:
    """The line of one reading; None when its value is no finite number."""
    name, convert = _READING_FIELDS[row.quantity]
    if row.quality == Quality.BAD:
        name = f"bad_{name}"
    tags = _tags(fill=row.fill_id, serial=row.serial, source=row.source, station=station, whip=row.whip)
    return _line(tags, {name: convert(row.value)}, row.sample_s)


def projection_line(station: str, row: ProjectionRow) -> str | None:
    """The line of one projection; None when nothing is known."""
    tags = _tags(fill=row.fill_id, serial=row.serial, station=station, whip=row.whip)
    fields = {
        name: convert(value)
        for name, attribute, convert in _PROJECTION_FIELDS
        if (value := getattr(row, attribute)) is not None
    }
    return _line(tags, fields, row.sample_s)


def _tags(**tags: str | None) -> str:
    """In order of their names, as the server keeps them; what is not known or empty is left out."""
    told = ((name, (value or "").strip().translate(_ESCAPES)) for name, value in tags.items())
    return "".join(f",{name}={value}" for name, value in told if value)


def _line(tags: str, fields: Mapping[str, float], sample_s: float) -> str | None:
    told = ",".join(f"{name}={value!r}" for name, value in fields.items() if math.isfinite(value))
    return f"{MEASUREMENT}{tags} {told} {round(sample_s * 1000)}" if told else None
