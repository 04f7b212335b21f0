"""Recorded single fills with their truth: read from disk, and played as a capture of messages.

A fill is `fill_NNN.csv.gz` with `t_s,ch,value` in order of arrival (P whip pressure bar gauge, W strap-on wall C,
A ambient C, B bath C) and `fill_NNN.json` beside it with `given` (what a station knows) and `truth`.
"""

import csv
import gzip
import json
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fillguard.core.errors import ConfigurationError

BEGAN_UTC_S = 1_795_558_000.0
"""When every recorded fill is taken to begin."""
STATION, WHIP = "tern", "1"
_TOPICS = {
    "P": (f"fill/{STATION}/{WHIP}/pressure", "bar"),
    "W": (f"fill/{STATION}/{WHIP}/wall", "Cel"),
    "A": (f"fill/{STATION}/ambient", "Cel"),
    "B": (f"fill/{STATION}/bath", "Cel"),
}
_ATTACHED_BEFORE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What was so, sampled: times in seconds from the beginning of the record, ascending."""

    t_s: Sequence[float]
    cylinder_bar: Sequence[float]
    settled_bar: Sequence[float]
    """Gauge, at the cylinder's own reference temperature."""

    def at(self, values: Sequence[float], t_s: float) -> float:
        """`values` at `t_s`, straight between samples, held at both ends."""
        k = bisect_left(self.t_s, t_s)
        if k == 0:
            return values[0]
        if k == len(self.t_s):
            return values[-1]
        part = (t_s - self.t_s[k - 1]) / (self.t_s[k] - self.t_s[k - 1])
        return values[k - 1] + part * (values[k] - values[k - 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One fill: what was measured, what a station knows, what was so."""

    number: int
    given: Mapping[str, Any]
    start_s: float
    close_s: float
    close_bar: float
    """In the cylinder, gauge."""
    settled_bar: float
    burst: bool
    trace: Trace
    rows: Sequence[tuple[float, str, float]]

    @property
    def rated_bar(self) -> float:
        """The stamp."""
        return float(self.given["cylinder"]["rated_pressure_bar"])

    @property
    def has_wall_sensor(self) -> bool:
        """A strap-on sensor that says something: in a bath it reads the water."""
        return self.given["medium"] == "air" and any(channel == "W" for _, channel, _ in self.rows)

    def capture(self, *, wall: bool, target_bar: float | None = None) -> Iterator[bytes]:
        """The fill as lines of a capture file; without `wall` its strap-on sensor is left out."""
        attach = {**self._attach(), **({} if target_bar is None else {"target_bar": target_bar})}
        yield _line(BEGAN_UTC_S - _ATTACHED_BEFORE_S, f"fill/{STATION}/{WHIP}/cylinder", attach)
        arrived = BEGAN_UTC_S
        for t_s, channel, value in self.rows:
            if channel == "W" and not wall:
                continue
            arrived = max(arrived, BEGAN_UTC_S + t_s)
            topic, unit = _TOPICS[channel]
            yield _line(arrived, topic, {"value": value, "unit": unit, "time": BEGAN_UTC_S + t_s})

    def _attach(self) -> dict[str, Any]:
        cylinder, count = self.given["cylinder"], self.given["cylinder"]["count"]
        return {
            "serial": f"TH-{self.number:04d}",
            "operator": "op-1",
            "gas": _gas(self.given["gas"]),
            "residual_gas": _gas(self.given["residual_gas"]),
            "surroundings": self.given["medium"],
            "water_volume_l": cylinder["water_volume_l"] / count,
            "empty_mass_kg": cylinder["empty_mass_kg_each"],
            "count": count,
            "material": cylinder["material"].split()[0],
            "rated_pressure_bar": cylinder["rated_pressure_bar"],
            "reference_temperature_c": cylinder["reference_temperature_c"],
        }


def read_recording(path: Path) -> Recording:
    """The fill described by `path` (its JSON) and the `.csv.gz` beside it.

    Raises:
        ConfigurationError: the fill cannot be read, or its truth has no close.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        truth, trace = content["truth"], content["truth"]["trace"]
        return Recording(
            number=content["id"],
            given=content["given"],
            start_s=truth["t_flow_start"],
            close_s=truth["t_close"],
            close_bar=truth["p_cyl_close_bar_g"],
            settled_bar=truth["settled_ref_bar_g"],
            burst=truth["burst_disc"],
            trace=Trace(t_s=trace["t"], cylinder_bar=trace["p_cyl_bar_g"], settled_bar=trace["settled_ref_bar_g"]),
            rows=tuple(_rows(path.with_suffix(".csv.gz"))),
        )
    except (OSError, KeyError, ValueError, TypeError) as error:
        raise ConfigurationError(f"recorded fill {path}: {error!r}; give the JSON beside its .csv.gz") from error


def _rows(path: Path) -> Iterator[tuple[float, str, float]]:
    with gzip.open(path, "rt", encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["value"]:
                yield float(row["t_s"]), row["ch"], float(row["value"])


def _line(arrived_s: float, topic: str, payload: Mapping[str, Any]) -> bytes:
    message = {"t": round(arrived_s, 3), "topic": topic, "payload": json.dumps(payload)}
    return json.dumps(message).encode() + b"\n"


def _gas(name: str) -> str | dict[str, float]:
    """`air`, `ean32`, `tx18/45` as the attach message has them."""
    if name.startswith("ean"):
        return {"o2": int(name.removeprefix("ean")) / 100.0}
    if name.startswith("tx"):
        o2, he = name.removeprefix("tx").split("/")
        return {"o2": int(o2) / 100.0, "he": int(he) / 100.0}
    return name
