"""What really happened, kept beside the readings for scoring: one record per cylinder on a whip."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from fillguard.bench.simulator.tables import AttachAct
from fillguard.bench.simulator.whip import Charge, WhipModel
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, c_from_k, k_from_c

TRACE_EVERY_S = 0.5
REFERENCES_C = (15.0, 20.0, 21.1, 65.0)
EVENTS = (
    "valve_open",
    "flow_start",
    "flow_stop",
    "valve_closed",
    "whip_bled",
    "bank_switch",
    "leak_start",
    "burst_disc",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A cylinder at one moment: bar gauge, C, kg."""

    t_s: float
    p_cyl_bar_g: float
    gas_c: float
    inner_wall_c: float
    outer_wall_c: float
    mass_kg: float
    settled_ref_bar_g: float
    """At the cylinder's own reference temperature."""
    valve_opening: float = 1.0
    valve_drop_bar: float = 0.0
    """From hose to cylinder, while gas flows in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """The same cylinder at other temperatures, and what is in it by mole fraction."""

    state: State
    settled_bar_g: Mapping[float, float]
    """By temperature, C: `REFERENCES_C` and the surroundings."""
    shares: Mapping[str, float]


@dataclass(slots=True, kw_only=True)
class FillTruth:
    """One cylinder's stay on a whip; `trace` has a state every half second, `events` their times."""

    whip: str
    serial: str
    announced: bool
    surroundings: str
    around_c: float
    rated_bar: float
    attached_s: float
    detached_s: float | None = None
    events: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in EVENTS})
    trace: list[State] = field(default_factory=list)
    at_start: State | None = None
    """When gas first flowed in."""
    at_close: Contents | None = None
    """When the panel was last closed."""
    at_burst: State | None = None
    at_end: Contents | None = None
    leaked_kg: float = 0.0
    silences: list[tuple[float, float]] = field(default_factory=list)
    stucks: list[tuple[float, float]] = field(default_factory=list)

    @property
    def flow_start_s(self) -> float | None:
        """First gas into the cylinder; None when there was none."""
        return self.events["flow_start"][0] if self.events["flow_start"] else None

    @property
    def flow_stop_s(self) -> float | None:
        """The last closing of the panel; None while it never was."""
        return self.events["flow_stop"][-1] if self.events["flow_stop"] else None

    @property
    def over_rating_bar(self) -> float | None:
        """How far the contents settle above the rating (negative: below); None before the panel was closed."""
        return None if self.at_close is None else self.at_close.state.settled_ref_bar_g - self.rated_bar


def gauge_bar(absolute_pa: float) -> float:
    """Bar gauge from pascal absolute, at standard ambient pressure."""
    return (absolute_pa - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR


class Recorder:
    """Takes down one whip: told of events by the operator, of the state by the time loop."""

    def __init__(self, whip: str, model: WhipModel, around_c: Mapping[str, float]) -> None:
        self._whip = whip
        self._model = model
        self._around_c = around_c
        self._next_s = 0.0
        self._now: FillTruth | None = None
        self.fills: list[FillTruth] = []

    @property
    def current(self) -> FillTruth | None:
        """The record of the cylinder on the whip now."""
        return self._now

    def attached(self, now_s: float, charge: Charge, act: AttachAct) -> None:
        """A cylinder was put on."""
        self._now = FillTruth(
            whip=self._whip,
            serial=charge.table.serial,
            announced=act.announce != "none",
            surroundings=act.surroundings,
            around_c=self._around_c[act.surroundings],
            rated_bar=charge.table.rated_pressure_bar,
            attached_s=round(now_s, 2),
        )
        self.fills.append(self._now)
        self._next_s = now_s

    def happened(self, now_s: float, event: str) -> None:
        """An event by its name; nothing to record while the whip is empty."""
        fill, charge = self._now, self._model.charge
        if fill is None or charge is None:
            return
        fill.events[event].append(round(now_s, 2))
        if event == "flow_start" and fill.at_start is None:
            fill.at_start = self._state(now_s, charge)
        elif event == "flow_stop":
            fill.at_close = self._contents(now_s, charge)
        elif event == "burst_disc":
            fill.at_burst = self._state(now_s, charge)

    def observe(self, now_s: float) -> None:
        """The state after a time step."""
        fill, charge = self._now, self._model.charge
        if fill is None or charge is None:
            return
        if charge.burst_s is not None and fill.at_burst is None:
            self.happened(now_s, "burst_disc")
        if now_s >= self._next_s:
            self._next_s += TRACE_EVERY_S
            fill.trace.append(self._state(now_s, charge))

    def detached(self, now_s: float) -> None:
        """The cylinder is about to be taken off, or the scenario ends."""
        fill, charge = self._now, self._model.charge
        if fill is not None and charge is not None:
            fill.detached_s = round(now_s, 2)
            fill.at_end = self._contents(now_s, charge)
            fill.leaked_kg = charge.leaked_kg
        self._now = None

    def _state(self, now_s: float, charge: Charge) -> State:
        vessel, model = charge.vessel, self._model
        drop_pa = model.hose.pressure_pa - vessel.pressure_pa if model.flows.cylinder > 0.0 else 0.0
        return State(
            t_s=round(now_s, 2),
            p_cyl_bar_g=gauge_bar(vessel.pressure_pa),
            gas_c=c_from_k(vessel.temperature_k),
            inner_wall_c=c_from_k(vessel.wall.inner_k),
            outer_wall_c=c_from_k(vessel.wall.outer_k),
            mass_kg=vessel.mass_kg,
            settled_ref_bar_g=gauge_bar(vessel.settled_pa(k_from_c(charge.table.reference_temperature_c))),
            valve_opening=model.valve_opening(now_s),
            valve_drop_bar=max(0.0, drop_pa) / PA_PER_BAR,
        )

    def _contents(self, now_s: float, charge: Charge) -> Contents:
        vessel = charge.vessel
        temperatures = {*REFERENCES_C, self._around_c[charge.surroundings]}
        return Contents(
            state=self._state(now_s, charge),
            settled_bar_g={c: gauge_bar(vessel.settled_pa(k_from_c(c))) for c in sorted(temperatures)},
            shares=vessel.fluid.shares_by_symbol(),
        )
