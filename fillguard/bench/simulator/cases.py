"""Drawing a single fill at random: which cylinder, which gas, how it is fed, what goes wrong."""

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from fillguard.bench.simulator.vessel import MEASURED_HEAT, PUBLISHED_HEAT, HeatScales

WHIP = "1"
_LONGEST_FILL_S = 1500.0


class Trouble(StrEnum):
    """What may go wrong with a fill, one at a time."""

    VALVE_PARTLY_OPEN = "valve-partly-open"
    VALVE_OPENED_LATE = "valve-opened-late"
    SLOW_LEAK = "slow-leak"
    DISC_BURST = "disc-burst"
    SENSOR_STUCK = "sensor-stuck"
    SENSOR_SILENT = "sensor-silent"
    GAUGE_OFF = "gauge-off"
    PAUSED = "paused"
    HALF_SET = "half-set"


class Kind(NamedTuple):
    """A class of cylinder; capacity and mass of ONE."""

    name: str
    material: str
    water_volume_l: float
    empty_mass_kg: float
    rated_bar: float
    reference_c: float
    standard: str
    cylinders: int = 1


_ALL_KINDS = (
    Kind("AL111", "aluminium", 11.1, 14.2, 207.0, 21.1, "DOT 3AL"),
    Kind("ST12", "steel", 12.0, 14.0, 232.0, 15.0, "EN 1964-1 / EN ISO 9809-1"),
    Kind("ST15", "steel", 15.0, 16.8, 232.0, 15.0, "EN 1964-1 / EN ISO 9809-1"),
    Kind("ST7", "steel", 7.0, 9.6, 300.0, 15.0, "EN ISO 9809-2"),
    Kind("CO68", "composite", 6.8, 4.4, 300.0, 15.0, "EN 12245"),
    Kind("TW12", "steel", 12.0, 14.0, 232.0, 15.0, "EN 1964-1 / EN ISO 9809-1", cylinders=2),
)
KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in _ALL_KINDS})
"""The usual classes; masses from memory, within the spread of makers."""

_GASES: Mapping[str, Any] = MappingProxyType(
    {"air": "air", "ean32": {"o2": 0.32}, "ean36": {"o2": 0.36}, "tx18/45": {"o2": 0.18, "he": 0.45}}
)
HEATS: Mapping[str, HeatScales] = MappingProxyType({"published": PUBLISHED_HEAT, "measured": MEASURED_HEAT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One fill to be simulated: the scenario as a mapping, and what is to be said about it."""

    kind: Kind
    gas: str
    heat: str
    trouble: Trouble | None
    settle_s: float
    scenario: dict[str, Any] = field(repr=False)


def draw_case(
    seed: int, index: int, *, kinds: Sequence[str], heats: Sequence[str], troubles: Sequence[Trouble], settle_s: float
) -> Case:
    """Case `index` of a series: kinds and heats in turn, the rest by chance; about half have one of `troubles`."""
    chance = random.Random(f"{seed}:{index}")  # noqa: S311  (variety, not a secret)
    kind = KINDS[kinds[index % len(kinds)]]
    heat = heats[(index // len(kinds)) % len(heats)]
    possible = [one for one in troubles if one is not Trouble.HALF_SET or kind.cylinders > 1]
    trouble = chance.choice(possible) if possible and chance.random() < 0.5 else None  # noqa: PLR2004  (half of them)
    gas = chance.choices(list(_GASES), weights=(65, 15, 10, 10 if kind.material == "steel" else 0))[0]
    return Case(
        kind=kind,
        gas=gas,
        heat=heat,
        trouble=trouble,
        settle_s=settle_s,
        scenario=_scenario(chance, kind, gas, heat=HEATS[heat], trouble=trouble, settle_s=settle_s),
    )


def _scenario(
    chance: random.Random, kind: Kind, gas: str, *, heat: HeatScales, trouble: Trouble | None, settle_s: float
) -> dict[str, Any]:
    air_c = round(min(34.0, max(8.0, chance.gauss(20.0, 5.0))), 1)
    bath_c = round(chance.uniform(8.0, 20.0), 1) if chance.random() < 0.15 else None  # noqa: PLR2004  (one in seven)
    start_bar = round(chance.uniform(0.0, 0.5) * kind.rated_bar, 1)
    source, feeding = _source(chance, kind, gas)
    whip: dict[str, Any] = {"id": WHIP, "gauge": _gauge(chance, trouble)}
    if chance.random() < 0.7:  # noqa: PLR2004  (two in three have one)
        whip["wall"] = {"insulated": bath_c is not None}
    close_bar = round(kind.rated_bar * chance.uniform(0.98, 1.12), 1)
    said = {"gas": _GASES[gas], "surroundings": "bath" if bath_c is not None else "air"}
    whip["act"] = _acts(chance, feeding, close_bar, trouble, said)
    whip["fault"] = _faults(chance, kind, start_bar, close_bar, trouble)
    station = {"id": "tern", "duration_s": 120.0 + _LONGEST_FILL_S + settle_s, "air_c": air_c}
    return {
        "station": station if bath_c is None else station | {"bath_c": bath_c},
        "link": {"loss": 0.003, "duplicate": 0.003, "late": 0.004},
        "heat": {
            "natural": heat.natural * chance.lognormvariate(0.0, 0.12),
            "forced": heat.forced * chance.lognormvariate(0.0, 0.2),
        },
        "source": [source],
        "cylinder": [
            _cylinder(
                chance,
                kind,
                gas,
                start_bar=start_bar,
                around_c=bath_c if bath_c is not None else air_c,
                half=trouble is Trouble.HALF_SET,
            )
        ],
        "whip": [whip],
    }


def _cylinder(
    chance: random.Random, kind: Kind, gas: str, *, start_bar: float, around_c: float, half: bool
) -> dict[str, Any]:
    return {
        "serial": "TH-0042",
        "material": kind.material,
        "water_volume_l": kind.water_volume_l,
        "empty_mass_kg": kind.empty_mass_kg,
        "count": kind.cylinders,
        "joined": 1 if half else kind.cylinders,
        "rated_pressure_bar": kind.rated_bar,
        "reference_temperature_c": kind.reference_c,
        "start_bar": start_bar,
        "start_c": round(around_c + chance.gauss(0.0, 1.0), 1),
        "residual_gas": _GASES[gas],
        "valve_area_mm2": round(chance.uniform(1.0, 1.8), 2),
    }


def _source(chance: random.Random, kind: Kind, gas: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What feeds it, and how the operator opens it."""
    rate = chance.uniform(12.0, 34.0) if chance.random() < 0.8 else chance.uniform(34.0, 75.0)  # noqa: PLR2004
    top_bar = min(400.0, kind.rated_bar * chance.uniform(1.2, 1.35))
    if chance.random() < 0.4:  # noqa: PLR2004  (two in five)
        litres = kind.water_volume_l * kind.cylinders
        compressor = {"kind": "compressor", "name": "supply", "gas": _GASES[gas], "stop_bar": round(top_bar)}
        compressor["free_air_l_min"] = round(min(500.0, max(100.0, litres * min(rate, 34.0))))
        compressor["supply_c"] = round(chance.uniform(24.0, 36.0), 1)
        return compressor, {}
    banks = chance.randint(1, 3)
    lowest = 1.0 if banks == 1 else 0.7
    shares = [lowest + (1.0 - lowest) * i / max(1, banks - 1) for i in range(banks)]
    litres = chance.uniform(50.0, 200.0)
    bank = [{"volume_l": round(litres), "start_bar": round(top_bar * share)} for share in shares]
    cascade = {"kind": "cascade", "name": "supply", "gas": _GASES[gas], "bank": bank}
    return cascade, {"rate_bar_min": round(rate, 1)}


def _gauge(chance: random.Random, trouble: Trouble | None) -> dict[str, Any]:
    off = chance.choice((-1.0, 1.0)) * chance.uniform(0.01, 0.025) if trouble is Trouble.GAUGE_OFF else 0.0
    return {
        "every_s": chance.choice((0.2, 0.2, 1.0)),
        "gain": 1.0 + off + chance.gauss(0.0, 0.001),
        "zero_bar": round(chance.gauss(0.0, 0.1), 3),
    }


def _acts(
    chance: random.Random, feeding: dict[str, Any], close_bar: float, trouble: Trouble | None, said: dict[str, Any]
) -> list[dict[str, Any]]:
    opening = round(chance.uniform(0.02, 0.06), 3) if trouble is Trouble.VALVE_PARTLY_OPEN else 1.0
    valve = {"do": "cylinder-valve", "opening": opening, "after_s": round(chance.uniform(3.0, 12.0), 2)}
    fill = {"do": "fill", "source": "supply", "close_at_bar": close_bar, "at_most_s": _LONGEST_FILL_S, **feeding}
    fill["after_s"] = round(chance.uniform(9.0, 20.0), 2)
    if trouble is Trouble.PAUSED:
        fill["pause"] = [{"at_bar": round(close_bar * chance.uniform(0.7, 0.9), 1), "for_s": chance.randint(30, 120)}]
    acts: list[dict[str, Any]] = [{"do": "attach", "at_s": 1.0, "cylinder": "TH-0042", **said}]
    if trouble is Trouble.VALVE_OPENED_LATE:
        opened = {"do": "open-panel", "source": "supply", "after_s": 8.0, **feeding}
        acts += [opened, valve | {"after_s": round(chance.uniform(8.0, 25.0), 1)}, fill | {"after_s": 0.0}]
    else:
        acts += [valve, fill]
    if chance.random() < 0.4:  # noqa: PLR2004  (two in five are taken off soon)
        acts.append({"do": "cylinder-valve", "opening": 0.0, "after_s": chance.randint(60, 180)})
        acts.append({"do": "bleed", "after_s": 3.0})
    return acts


def _faults(
    chance: random.Random, kind: Kind, start_bar: float, close_bar: float, trouble: Trouble | None
) -> list[dict[str, Any]]:
    midway = round(start_bar + chance.uniform(0.3, 0.8) * (close_bar - start_bar), 1)
    match trouble:
        case Trouble.SLOW_LEAK:
            return [{"kind": "leak", "after_close_s": 40.0, "bar_per_hour": round(chance.uniform(20.0, 120.0), 1)}]
        case Trouble.DISC_BURST:
            return [{"kind": "burst", "at_bar": round(kind.rated_bar * chance.uniform(0.9, 0.97), 1)}]
        case Trouble.SENSOR_STUCK:
            return [{"kind": "stuck", "at_bar": midway, "for_s": chance.randint(20, 60)}]
        case Trouble.SENSOR_SILENT:
            return [{"kind": "silent", "at_bar": midway, "for_s": chance.randint(12, 60)}]
        case _:
            return []
