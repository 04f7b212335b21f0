"""A cylinder as the register knows it: what is stamped, tested, looked at, serviced. None: not on record."""

from dataclasses import dataclass
from enum import StrEnum

from fillguard.core.fitness.dates import Dated
from fillguard.core.units import k_from_c, pa_from_bar, pa_from_psi
from fillguard.core.values import Cylinder, Material

PLUS_ALLOWANCE = 1.10
"""A valid plus mark allows 10 % over the marked service pressure: 49 CFR 173.302a(b)."""


class Standing(StrEnum):
    """Whether a cylinder is in use at all."""

    IN_SERVICE = "in-service"
    SET_ASIDE = "set-aside"
    CONDEMNED = "condemned"


class Service(StrEnum):
    """What gas it is kept clean for."""

    AIR = "air"
    NITROX = "nitrox"
    OXYGEN = "oxygen"
    """Oxygen-clean, valve included."""


class Outlet(StrEnum):
    """The valve's outlet. ISO 12209: yoke to 232 bar, threaded 232 and 300 bar."""

    YOKE_232 = "yoke-232"
    THREADED_232 = "threaded-232"
    THREADED_300 = "threaded-300"
    NITROX_232 = "nitrox-232"
    """The larger thread of EN 144-3, which no air connector fits."""
    NITROX_300 = "nitrox-300"


class Known(StrEnum):
    """For questions that papers often leave open."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


class Found(StrEnum):
    """What somebody found wrong with a valve."""

    STIFF = "stiff"
    WEEPING = "weeping"
    BENT = "bent"
    KNOCKED = "knocked"
    WILL_NOT_SEAL = "will-not-seal"
    BUBBLES_AT_STEM = "bubbles-at-stem"
    BUBBLES_AT_NECK = "bubbles-at-neck"
    """Between valve and cylinder: empty it slowly, nobody tightens a valve under pressure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """A gauge pressure in the unit it is stamped in."""

    value: float
    unit: str
    """`bar` or `psi`."""

    @property
    def gauge_pa(self) -> float:
        """Gauge pascal."""
        return pa_from_psi(self.value) if self.unit == "psi" else pa_from_bar(self.value)

    def __str__(self) -> str:
        return f"{self.value:.5g} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderRecord:
    """One cylinder, or a set that is filled as one. Capacity and empty mass are of ONE cylinder."""

    serial: str
    owner: str | None = None
    maker_marks: str | None = None
    specification: str | None = None
    """`3AL`, `3AA`, `EN 1964-1`, ..."""
    approval_marks: tuple[str, ...] = ()
    """`DOT`, `TC`, `pi`, `CE`, ..."""
    water_capacity_l: float | None = None
    count: int = 1
    members: tuple[str, ...] = ()
    """Serials of the cylinders of a set, each registered by itself: the set takes the lowest of their limits."""
    material: Material | None = None
    empty_mass_kg: float | None = None
    rated: Stamped | None = None
    reference_c: float | None = None
    test: Stamped | None = None
    disc_burst: Stamped | None = None
    """Lowest burst pressure of the relief disc."""
    plus_marked: bool = False
    """A plus stands after the LATEST test date."""
    star: bool = False
    alloy_6351: Known = Known.UNKNOWN
    eddy_current: Dated | None = None
    manufactured: Dated | None = None
    service_life_ends: Dated | None = None
    last_test: Dated | None = None
    last_test_by: str | None = None
    last_test_certificate: str | None = None
    last_visual: Dated | None = None
    last_visual_by: str | None = None
    last_visual_certificate: str | None = None
    gas_service: Service | None = None
    oxygen_clean_until: Dated | None = None
    outlet: Outlet | None = None
    neck_thread: str | None = None
    valve_thread: str | None = None
    valve_fitted: Dated | None = None
    threads_compared: Dated | None = None
    threads_compared_by: str | None = None
    valve_type: str | None = None
    valve_serviced: Dated | None = None
    valve_serviced_by: str | None = None
    valve_parts: tuple[str, ...] = ()
    """Replaced at the last service."""
    valve_found: tuple[Found, ...] = ()
    """Since the last service."""
    heat_exposed: bool = False
    state: Standing = Standing.IN_SERVICE
    state_reason: str | None = None

    @property
    def last_examined(self) -> Dated | None:
        """The pressure test: the stamp of manufacture is the first one."""
        return self.last_test or self.manufactured

    def cylinder(self, *, plus: bool) -> Cylinder | None:
        """What the watch needs of it; None where capacity, material, rating or reference temperature is not known.

        `plus`: its plus mark was looked at and is valid.
        """
        if self.water_capacity_l is None or self.material is None or self.rated is None or self.reference_c is None:
            return None
        return Cylinder(
            serial=self.serial,
            water_capacity_m3=self.water_capacity_l / 1e3,
            material=self.material,
            rated_gauge_pa=self.rated.gauge_pa,
            reference_k=k_from_c(self.reference_c),
            count=self.count,
            empty_mass_kg=self.empty_mass_kg,
            test_gauge_pa=None if self.test is None else self.test.gauge_pa,
            disc_burst_gauge_pa=None if self.disc_burst is None else self.disc_burst.gauge_pa,
            plus_marked=plus,
        )
