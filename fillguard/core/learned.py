"""What a station has learned of itself: how strongly its gas and cylinders exchange heat, how warm its supply is.

Nobody has measured the heat transfer of a high-pressure air fill, so the shipped values are wide. A fill that is
watched long enough after its close shows how far its own heat transfer lies from them; this module holds what such
lessons say together, and turns it back into the values the estimator starts the next fill with.

The two convection scales move together. What a fill shows is one number: their sum; of their difference it says nothing
(its information has one positive eigenvalue, MEASURED on simulated fills). Three levels, all normal:

    shift of a fill = station + cylinder class + the fill's own scatter

Lessons add up within a class as weight and weighted sum, so their order does not matter; station and class follow from
these sums in closed form. No value passes its stated limit, no doubt falls below the fill's own scatter.
"""

from dataclasses import dataclass, field, replace
from enum import StrEnum
from math import isfinite, log, sqrt

from fillguard.core.errors import ConfigurationError
from fillguard.core.values import Cylinder, GasMix


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """An unknown before the fill tells anything: best guess and standard deviation."""

    guess: float
    sigma: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What the estimator starts a fill with: the shipped values until the station's own fills have taught it better.

    The two scales multiply a published correlation; for air at these pressures they were never measured, and measured
    hydrogen, helium and nitrogen runs scatter by their sigmas.
    """

    ln_natural: Doubt = Doubt(guess=0.0, sigma=0.36)
    ln_forced: Doubt = Doubt(guess=-0.1, sigma=0.5)
    supply_k: Doubt = Doubt(guess=0.0, sigma=3.5)
    """Supply temperature less what was assumed."""
    contact: Doubt = Doubt(guess=0.12, sigma=0.05)
    """How far a strap-on sensor lags between wall and surroundings."""
    version: int = 0
    """Of the station's learned values; 0: as shipped."""


SHIPPED = Learned()
SCALES_GO_TOGETHER = 0.7
"""Correlation of the two convection scales: vessel and gas are the same."""

SCALE_LIMIT = log(3.0)
"""The scales never leave a third to three times the shipped ones, whatever fills say (our choice)."""
SUPPLY_LIMIT_K = 8.0
FILL_SIGMA = 0.20
"""Scatter of the scales from fill to fill of one class: also the least doubt that ever remains (our estimate)."""
CLASS_SIGMA = 0.15
"""Scatter from class to class of one station (our estimate)."""
SUPPLY_FILL_SIGMA_K = 2.5
"""The supply is warmer on some days than on others."""
_MEMORY = 0.98
"""What stays of a class's earlier lessons at each new one: fifty fills count. A station changes."""
_GATE = 3.0
"""A lesson counts at most as this many standard deviations away from what is believed."""
_LONGEST_WHY = 200

_BANDS_L = (5.0, 8.5, 13.5)


def class_of(cylinder: Cylinder) -> str:
    """Material and band of water capacity: `steel 8.5-13.5 L`. Twelve classes in all."""
    litres = cylinder.water_capacity_m3 * 1e3
    below = [band for band in _BANDS_L if band <= litres]
    above = [band for band in _BANDS_L if band > litres]
    if not below:
        return f"{cylinder.material.value} under {above[0]:g} L"
    if not above:
        return f"{cylinder.material.value} from {below[-1]:g} L"
    return f"{cylinder.material.value} {below[-1]:g}-{above[0]:g} L"


class Unfit(StrEnum):
    """Why a fill, or a settled reading of it, teaches nothing."""

    NO_ESTIMATE = "no-estimate"
    NOT_A_FILL = "not-a-fill"
    UNIDENTIFIED = "unidentified"
    CLASS_ONLY = "class-only"
    START_NOT_SEEN = "start-not-seen"
    GAUGE_DOUBTFUL = "gauge-doubtful"
    SUDDEN_LOSS = "sudden-loss"
    LEAK = "leak"
    SENSOR_STUCK = "sensor-stuck"
    SENSOR_SILENT = "sensor-silent"
    VALVE_NOT_OPEN = "valve-not-open"
    BACK_FLOW = "back-flow"
    HALF_SET = "half-set"
    WRONG_GAS = "wrong-gas"
    APPROXIMATE_GAS = "approximate-gas"
    INTERRUPTED = "interrupted"
    IN_A_GROUP = "several-on-one-gauge"
    IN_STAGES = "filled-in-stages"
    BY_HAND = "entered-by-hand"
    DISCONNECTED_EARLY = "disconnected-within-two-minutes"
    SAYS_NOTHING = "says-nothing-new"
    UNKNOWN_FILL = "unknown-fill"
    """No such fill, or one too long ago, or one that a settled reading or a later fill has used up."""
    OTHER_CONTENTS = "other-contents"
    """The settled reading lies so far off that gas was taken out, or it is another cylinder or gauge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marginal:
    """One quantity before and after a fill, and what it has to do with the settled pressure."""

    prior: Doubt
    posterior: Doubt
    lean_pa: float
    """Covariance with the projected settled pressure: unit of the quantity times pascal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How a fill ended, as far as a settled reading can still teach something about it."""

    fill_id: str
    serial: str
    cylinder: Cylinder
    mix: GasMix
    """Of the contents."""
    ambient_abs_pa: float
    ended_s: float
    settled_gauge_pa: float
    """Projected, at the cylinder's reference temperature."""
    settled_sigma_pa: float
    """Through the unknowns alone."""
    scale: Marginal
    supply_k: Marginal
    taught: bool
    """The minutes after the close have taught already: a settled reading adds only what it tells beyond."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """What one fill says, apart from what was believed before it; None: nothing about that."""

    fill_id: str
    cylinder_class: str
    scale: Doubt | None
    """Shift of both ln scales from the shipped ones, as the fill alone would have it."""
    supply_k: Doubt | None
    settled: bool = False
    """From a settled reading; otherwise from the minutes after the close."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """Lessons about one thing: the sum of their weights (1/variance) and of the values by their weights."""

    name: str
    weight: float = 0.0
    weighted: float = 0.0
    lessons: int = 0

    def __post_init__(self) -> None:
        if not (isfinite(self.weight) and self.weight >= 0.0 and isfinite(self.weighted)):
            raise ConfigurationError(
                f"learned {self.name!r}: weight {self.weight!r} and sum {self.weighted!r} are not possible"
            )

    @property
    def mean(self) -> float:
        """What the lessons say on average; 0 without any."""
        return self.weighted / self.weight if self.weight > 0.0 else 0.0

    def with_lesson(self, lesson: Doubt, believed: Doubt, scatter: float) -> "Gathered":
        """One lesson more; one that lies beyond belief is cut back before it counts."""
        variance = lesson.sigma**2 + scatter**2
        reach = _GATE * sqrt(believed.sigma**2 + lesson.sigma**2)
        value = min(max(lesson.guess, believed.guess - reach), believed.guess + reach)
        return Gathered(
            name=self.name,
            weight=_MEMORY * self.weight + 1.0 / variance,
            weighted=_MEMORY * self.weighted + value / variance,
            lessons=self.lessons + 1,
        )


def _common_variance(learned: Learned) -> float:
    """Variance of half the sum of the two ln scales."""
    natural, forced = learned.ln_natural.sigma, learned.ln_forced.sigma
    return 0.25 * (natural**2 + forced**2 + 2.0 * SCALES_GO_TOGETHER * natural * forced)


_SHIPPED_VARIANCE = _common_variance(SHIPPED)
_STATION_VARIANCE = _SHIPPED_VARIANCE - CLASS_SIGMA**2 - FILL_SIGMA**2
_SUPPLY_VARIANCE = SHIPPED.supply_k.sigma**2 - SUPPLY_FILL_SIGMA_K**2


@dataclass(frozen=True, slots=True, kw_only=True)
class StationLearned:
    """Everything a station has learned, as one value with a number."""

    version: int = 0
    classes: tuple[Gathered, ...] = ()
    """Shift of the convection scales, by cylinder class; in order of the names."""
    supply: Gathered = field(default_factory=lambda: Gathered(name="supply"))

    def shift(self, cylinder_class: str | None = None) -> Doubt:
        """Shift of both ln scales to expect of the next fill of a class; None: of a class nobody named."""
        station = self._station(besides=cylinder_class)
        guess, variance = station.guess, station.sigma**2 + CLASS_SIGMA**2
        own = self._gathered(cylinder_class)
        if own.weight > 0.0:
            weight = 1.0 / variance + own.weight
            guess, variance = (guess / variance + own.weighted) / weight, 1.0 / weight
        limited = min(max(guess, -SCALE_LIMIT), SCALE_LIMIT)
        return Doubt(guess=limited, sigma=sqrt(min(variance + FILL_SIGMA**2, _SHIPPED_VARIANCE)))

    def supply_k(self) -> Doubt:
        """Supply temperature less what is assumed, for the next fill."""
        weight = 1.0 / _SUPPLY_VARIANCE + self.supply.weight
        guess = min(max(self.supply.weighted / weight, -SUPPLY_LIMIT_K), SUPPLY_LIMIT_K)
        return Doubt(guess=guess, sigma=sqrt(1.0 / weight + SUPPLY_FILL_SIGMA_K**2))

    def learned_for(self, cylinder: Cylinder | None) -> Learned:
        """What the estimator starts with for `cylinder`; None: one that nobody described."""
        shift = self.shift(None if cylinder is None else class_of(cylinder))
        narrower = shift.sigma / sqrt(_SHIPPED_VARIANCE)
        return replace(
            SHIPPED,
            ln_natural=_moved(SHIPPED.ln_natural, shift.guess, narrower),
            ln_forced=_moved(SHIPPED.ln_forced, shift.guess, narrower),
            supply_k=self.supply_k(),
            version=self.version,
        )

    def _station(self, *, besides: str | None) -> Doubt:
        """The station's own part of the shift, from every class but one."""
        weight, weighted = 1.0 / _STATION_VARIANCE, 0.0
        for gathered in self.classes:
            if gathered.name != besides and gathered.weight > 0.0:
                share = 1.0 / (1.0 / gathered.weight + CLASS_SIGMA**2)
                weight += share
                weighted += share * gathered.mean
        return Doubt(guess=weighted / weight, sigma=sqrt(1.0 / weight))

    def _gathered(self, cylinder_class: str | None) -> Gathered:
        found = (gathered for gathered in self.classes if gathered.name == cylinder_class)
        return next(found, Gathered(name=cylinder_class or ""))

    def taught(self, lesson: Lesson) -> "StationLearned":
        """What is known after one lesson more, under the next version."""
        classes, supply = self.classes, self.supply
        if lesson.scale is not None:
            old = self._gathered(lesson.cylinder_class)
            new = old.with_lesson(lesson.scale, self.shift(lesson.cylinder_class), FILL_SIGMA)
            others = (gathered for gathered in classes if gathered.name != new.name)
            classes = tuple(sorted((*others, new), key=lambda gathered: gathered.name))
        if lesson.supply_k is not None:
            supply = supply.with_lesson(lesson.supply_k, self.supply_k(), SUPPLY_FILL_SIGMA_K)
        return StationLearned(version=self.version + 1, classes=classes, supply=supply)

    def reset(self) -> "StationLearned":
        """The shipped values again, under the next version."""
        return StationLearned(version=self.version + 1)


AS_SHIPPED = StationLearned()


def _moved(shipped: Doubt, shift: float, narrower: float) -> Doubt:
    return Doubt(guess=shipped.guess + shift, sigma=shipped.sigma * narrower)
