"""Whether a filled cylinder may leave the shop: its analysis against its label, its last pressure, who looked at it.

A filled cylinder is released by a named person, or it stays. Nobody overrides what is refused here: analyse again, or
label it as what it is.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from fillguard.core.units import PA_PER_BAR, bar_from_pa
from fillguard.core.values import GasMix

OFF_LABEL = 0.01
"""Oxygen further off its label is not released (common practice)."""
HE_OFF_LABEL = 0.02
"""The same of helium, which analysers read less well (our choice)."""
AIR_O2 = (0.20, 0.22)
"""Breathing air has 21 +/- 1 % oxygen: EN 12021:2014."""
CO_PPM = 5.0
"""Most carbon monoxide in breathing air: EN 12021:2014."""
CHECKED_WITHIN_S = 86_400.0
"""An analyser is checked with air every day it is used (common practice)."""
_SAME = 1e-9
_ROUNDING_PA = 0.5 * PA_PER_BAR
_NOTHING_TO_RELEASE = frozenset({"drained", "not-a-fill"})
_LOOK_INSIDE_FIRST = frozenset({"sudden-loss", "wall-hot"})
_ANALYSE_FIRST = frozenset({"wrong-gas"})


class Basis(StrEnum):
    """What the final pressure rests on."""

    SETTLED = "settled"
    """Read on a cylinder as cool as the shop."""
    PROJECTED = "projected"
    """What the fill's end promised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """One analysis of a cylinder's contents. Fractions; CO in ppm by volume."""

    o2: float
    he: float | None = None
    co_ppm: float | None = None
    analyser: str
    checked_utc_s: float | None = None
    """Its last calibration check; None: nobody said."""
    by: str
    utc_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Filled:
    """A fill that is over, as far as its release goes."""

    fill_id: str
    serial: str | None
    gas: GasMix
    """What was supplied."""
    residual_gas: GasMix
    """What was in it before, as far as somebody said."""
    outcome: str
    flow_stopped_s: float | None
    limit_gauge_pa: float
    reference_k: float
    projected_gauge_pa: float | None
    alarms: tuple[str, ...] = ()
    forbidden: str | None = None
    """Why its verdict said "do not fill", where nobody answered for that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What somebody wants to release, and what they saw."""

    label: GasMix | None
    """What stands on the cylinder; None: what was supplied."""
    settled_gauge_pa: float | None
    """At `Filled.reference_k`; None: the projection counts."""
    valve_seen: bool
    o_ring_seen: bool
    utc_s: float


def label_of(fill: Filled, wish: Wish) -> GasMix | None:
    """What the cylinder is taken to say; None where it must be told: two gases went into it."""
    return wish.label or (fill.gas if fill.residual_gas == fill.gas else None)


def refusals(fill: Filled, analyses: Sequence[Analysis], wish: Wish) -> tuple[str, ...]:
    """Why it may not leave, each in one sentence; empty: it may."""
    return tuple(reason for rule in _RULES for reason in rule(fill, analyses, wish))


def cautions(analyses: Sequence[Analysis]) -> tuple[str, ...]:
    """What the newest analysis leaves open."""
    newest = newest_of(analyses)
    if newest is None:
        return ()
    if newest.checked_utc_s is None:
        return (f"nobody said when analyser {newest.analyser} was last checked: check it with air first",)
    if newest.utc_s - newest.checked_utc_s > CHECKED_WITHIN_S:
        return (f"analyser {newest.analyser} was not checked on the day of the analysis: check it with air, repeat it",)
    return ()


def newest_of(analyses: Iterable[Analysis]) -> Analysis | None:
    """The one that counts: any number may have been made."""
    return max(analyses, key=lambda analysis: analysis.utc_s, default=None)


def _state(fill: Filled, _analyses: Sequence[Analysis], wish: Wish) -> Iterator[str]:
    if fill.outcome in _NOTHING_TO_RELEASE:
        yield f"its record says {fill.outcome}: there is no fill to release"
    if fill.forbidden is not None:
        yield f"its verdict was do not fill ({fill.forbidden}), and nobody answered for it: set it aside"
    grave = [alarm for alarm in fill.alarms if alarm in _LOOK_INSIDE_FIRST]
    if grave:
        yield f"{', '.join(grave)} was raised in this fill: an inspection comes first"
    pressure_pa = fill.projected_gauge_pa if wish.settled_gauge_pa is None else wish.settled_gauge_pa
    if pressure_pa is None:
        yield "its final pressure is not known: let it settle and read it"
    elif pressure_pa > fill.limit_gauge_pa + _ROUNDING_PA:
        over, limit = bar_from_pa(pressure_pa), bar_from_pa(fill.limit_gauge_pa)
        yield f"it holds {over:.0f} bar settled, its limit is {limit:.0f} bar: bleed it, let it settle, read it again"


def _looked_at(_fill: Filled, _analyses: Sequence[Analysis], wish: Wish) -> Iterator[str]:
    missing = [what for what, seen in (("valve", wish.valve_seen), ("O-ring", wish.o_ring_seen)) if not seen]
    if missing:
        yield f"nobody says that {' and '.join(missing)} were looked at"


def _analysed(fill: Filled, analyses: Sequence[Analysis], wish: Wish) -> Iterator[str]:
    newest, label = newest_of(analyses), label_of(fill, wish)
    if label is None:
        yield f"{fill.gas} went onto {fill.residual_gas}: say what its label says now"
        return
    gases = (fill.gas, fill.residual_gas, label)
    if newest is None:
        if not all(gas.air for gas in gases) or any(alarm in _ANALYSE_FIRST for alarm in fill.alarms):
            yield f"{next((gas for gas in gases if not gas.air), label)} is not released without an analysis"
        return
    if fill.flow_stopped_s is not None and newest.utc_s < fill.flow_stopped_s:
        yield "it was analysed before the gas had stopped flowing: analyse it again"
    yield from _off_label(newest, label)


def _off_label(analysis: Analysis, label: GasMix) -> Iterator[str]:
    if label.air:
        low, high = AIR_O2
        if not low - _SAME <= analysis.o2 <= high + _SAME:
            yield f"{_percent(analysis.o2)} oxygen is no breathing air (20 to 22 %)"
    elif abs(analysis.o2 - label.o2) > OFF_LABEL + _SAME:
        yield f"{_percent(analysis.o2)} oxygen, the label says {_percent(label.o2)}: more than 1 % off"
    if label.he > 0.0 and analysis.he is None:
        yield f"the label says {_percent(label.he)} helium, and helium was not analysed"
    elif analysis.he is not None and abs(analysis.he - label.he) > HE_OFF_LABEL + _SAME:
        yield f"{_percent(analysis.he)} helium, the label says {_percent(label.he)}: more than 2 % off"
    if analysis.co_ppm is not None and analysis.co_ppm > CO_PPM:
        yield f"{analysis.co_ppm:.3g} ppm of carbon monoxide: at most 5 are allowed; stop filling from this source"


def _percent(fraction: float) -> str:
    return f"{fraction * 100.0:.3g} %"


_RULES = (_state, _looked_at, _analysed)
