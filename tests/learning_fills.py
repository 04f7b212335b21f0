"""Simulated fills through the station's own step, with the learned values of one's choice: for learning's tests."""

import csv
import gzip
import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fillguard.bench.simulator import GeneratedFill, Trouble
from fillguard.core.events import (
    CylinderAttached,
    CylinderDetached,
    FillEnded,
    InEvent,
    LearnedChanged,
    OutEvent,
    Quantity,
    Reading,
)
from fillguard.core.gas import GasSurface
from fillguard.core.learned import Ending, StationLearned
from fillguard.core.rules import Rules
from fillguard.core.station import StationState
from fillguard.core.units import (
    bar_from_pa,
    k_from_c,
    pa_from_bar,
    quantised_pressure_pa,
    quantised_temperature_k,
    quantised_time_s,
)
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Stamp, Surroundings
from fillguard.engine import Stepper
from fillguard.settings import load_settings
from fillguard.surfaces import SurfaceStore

EPOCH_UTC_S = 1_795_000_000.0
WHIP = "1"
_MIXES = {"air": AIR, "ean32": GasMix(o2=0.32), "ean36": GasMix(o2=0.36), "tx18/45": GasMix(o2=0.18, he=0.45)}
_QUANTITIES = {"P": Quantity.PRESSURE, "W": Quantity.WALL, "A": Quantity.AMBIENT, "B": Quantity.BATH}
_OF_THE_STATION = {Quantity.AMBIENT, Quantity.BATH}


@dataclass(frozen=True, slots=True, kw_only=True)
class TruthKnown:
    """One fill with its truth; rows are (device time s, channel, value) in order of arrival."""

    name: str
    rows: Sequence[tuple[float, str, float]]
    given: Mapping[str, Any]
    settled_bar: float
    """Where it really settles, bar gauge at the cylinder's reference temperature."""
    sound: bool
    """False: a gauge error that nobody can see, or gas lost through a burst disc: not to be scored by."""
    trouble: Trouble | None = None
    serial: str | None = "by name"
    """None: nobody said which cylinder it is."""
    described: bool = True
    """False: nobody said what kind of cylinder it is either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What the watch said of a fill at its close, and what it learned from it."""

    error_bar: float
    covered: bool
    half_width_bar: float


@dataclass(slots=True)
class Shop:
    """A station that fills one cylinder after the other and learns from them."""

    rules: Rules
    learned_changes: list[LearnedChanged] = field(default_factory=list)
    ended: list[FillEnded] = field(default_factory=list)
    facts: list[OutEvent] = field(default_factory=list)
    """Of the last fill."""
    state: StationState = field(default_factory=StationState)
    day: int = 0

    @property
    def next_day_s(self) -> float:
        """When the next fill begins."""
        return EPOCH_UTC_S + (self.day + 1) * 86_400.0

    def start_with(self, ending: Ending) -> None:
        """There has been a fill before that a settled reading can still teach about."""
        self.state = replace(self.state, endings=(*self.state.endings, ending))

    @property
    def learned(self) -> StationLearned:
        """The values in force."""
        return self.rules.learned

    def fill(self, fill: TruthKnown) -> Outcome | None:
        """Fill one cylinder, an hour and more after the last; None when nothing was projected at its close."""
        began_s = self.next_day_s
        self.day += 1
        stepper = Stepper(self.rules, StationState(endings=self.state.endings))
        self.facts = facts = []
        for event in _events(fill, began_s):
            for happening in stepper.feed(event):
                facts += happening.facts
        self.rules, self.state = stepper.rules, stepper.state
        self.learned_changes += [fact for fact in facts if isinstance(fact, LearnedChanged)]
        ended = [fact for fact in facts if isinstance(fact, FillEnded)]
        self.ended += ended
        return next((outcome for fact in ended if (outcome := _outcome(fact, fill)) is not None), None)

    def with_learned(self, learned: StationLearned) -> "Shop":
        """Another shop that begins with `learned`."""
        return Shop(replace(self.rules, learned=learned))


def shop(surface_of: Callable[[GasMix], GasSurface] | None = None) -> Shop:
    """A station with the shipped rules that has learned nothing."""
    store = SurfaceStore(Path("no-cache"), on_problem=print)

    def shipped(mix: GasMix) -> GasSurface:
        return store.get(mix) or store.any_mix(mix)

    return Shop(load_settings(None, {}).rules(surface_of or shipped, station="tern"))


def generated(fills: Iterable[GeneratedFill]) -> Iterator[TruthKnown]:
    """Made-up fills as the shop takes them."""
    for fill in fills:
        yield _known(f"made-{fill.number:03d}", fill.rows, fill.given, fill.truth)


def stored(folder: Path) -> Iterator[TruthKnown]:
    """The fills of a folder of `fill_NNN.csv.gz` and `fill_NNN.json`, as `GeneratedFill.write` writes them."""
    for path in sorted(folder.glob("fill_*.json")):
        content = json.loads(path.read_text(encoding="utf-8"))
        text = gzip.decompress(path.with_suffix(".csv.gz").read_bytes()).decode()
        rows = [(float(t), channel, float(value)) for t, channel, value in list(csv.reader(io.StringIO(text)))[1:]]
        yield _known(path.stem, rows, content["given"], content["truth"])


_GAIN_SEEN = 0.005


def _known(
    name: str, rows: Sequence[tuple[float, str, float]], given: Mapping[str, Any], truth: Mapping[str, Any]
) -> TruthKnown:
    sound = abs(truth.get("gauge_gain", 1.0) - 1.0) < _GAIN_SEEN and not truth["burst_disc"]
    trouble = truth.get("trouble")
    return TruthKnown(
        name=name,
        rows=rows,
        given=given,
        settled_bar=truth["settled_ref_bar_g"],
        sound=sound,
        trouble=None if trouble is None else Trouble(trouble),
    )


_THINNED_TO_S = 0.9


def thinned(fill: TruthKnown) -> TruthKnown:
    """The same with about one reading a second of each channel: quicker to go through, hardly worse."""
    last: dict[str, float] = {}
    rows: list[tuple[float, str, float]] = []
    for t_s, channel, value in fill.rows:
        if t_s - last.get(channel, -_THINNED_TO_S) >= _THINNED_TO_S:
            rows.append((t_s, channel, value))
            last[channel] = t_s
    return replace(fill, rows=rows)


def cylinder_of(given: Mapping[str, Any], serial: str | None) -> Cylinder:
    """The cylinder of a fill as a register would have it."""
    told = given["cylinder"]
    return Cylinder(
        serial=serial,
        water_capacity_m3=told["water_volume_l"] / told["count"] / 1e3,
        material=Material(told["material"].split()[0]),
        rated_gauge_pa=pa_from_bar(told["rated_pressure_bar"]),
        reference_k=k_from_c(told["reference_temperature_c"]),
        count=told["count"],
        empty_mass_kg=told["empty_mass_kg_each"],
    )


def _events(fill: TruthKnown, epoch_s: float) -> Iterator[InEvent]:
    """Attach, readings as they came, and half an hour later the cylinder is taken off."""
    serial = f"TH-{fill.name}" if fill.serial == "by name" else fill.serial
    now_s = quantised_time_s(epoch_s + fill.rows[0][0])
    gas = _MIXES[fill.given["gas"]]
    yield CylinderAttached(
        stamp=_stamp(now_s),
        whip=WHIP,
        serial=serial,
        cylinder=cylinder_of(fill.given, serial) if fill.described else None,
        operator="op-1",
        gas=gas,
        residual_gas=gas,
        surroundings=Surroundings(fill.given["medium"]),
    )
    for t_s, channel, value in fill.rows:
        sample_s = quantised_time_s(epoch_s + t_s)
        now_s = max(now_s, sample_s)
        quantity = _QUANTITIES[channel]
        pressure = quantity is Quantity.PRESSURE
        yield Reading(
            stamp=_stamp(now_s),
            source=f"fill/tern/{WHIP}/{quantity.value}",
            whip=None if quantity in _OF_THE_STATION else WHIP,
            quantity=quantity,
            value=quantised_pressure_pa(pa_from_bar(value)) if pressure else quantised_temperature_k(k_from_c(value)),
            sample_s=sample_s,
        )
    yield CylinderDetached(stamp=_stamp(now_s + 0.5), whip=WHIP, operator="op-1")


def _stamp(utc_s: float) -> Stamp:
    return Stamp(mono_s=utc_s - EPOCH_UTC_S, utc_s=utc_s)


def _outcome(ended: FillEnded, fill: TruthKnown) -> Outcome | None:
    summary = ended.summary
    if summary.settled_gauge_pa is None or summary.settled_low_gauge_pa is None:
        return None
    low, high = bar_from_pa(summary.settled_low_gauge_pa), bar_from_pa(summary.settled_high_gauge_pa or 0.0)
    return Outcome(
        error_bar=bar_from_pa(summary.settled_gauge_pa) - fill.settled_bar,
        covered=low <= fill.settled_bar <= high,
        half_width_bar=0.5 * (high - low),
    )
