"""A panel in virtual time, told in the words of the trade: what happens at each whip, then what the watch said of it.

    panel = Panel()
    panel.whip("1").attach(STEEL_12).opens(residual_bar=50).fills(to_bar=200, at_bar_min=20).closes(for_s=30).bleeds()
    panel.play().never("overfill")

Every whip has a time of its own that goes on with what is done there; `panel.at(30).whip("1")` sets it. The real rules,
alarms and steps work on it, tick by tick, as they do live. Pressures bar gauge, times seconds from the scene's start.
"""

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from fillguard.core.events import (
    AlarmChanged,
    AlarmCommanded,
    AlarmState,
    CylinderAttached,
    CylinderChecked,
    CylinderDetached,
    Doubt,
    FillEnded,
    FillStarted,
    FillSummary,
    FindingMade,
    InEvent,
    LampChanged,
    OutEvent,
    Phase,
    PhaseChanged,
    PresenceChanged,
    Projected,
    PromptChanged,
    Quality,
    Quantity,
    Reading,
    ServiceChanged,
    Verb,
)
from fillguard.core.fitness.checks import Check, Checked
from fillguard.core.gas import GasSurface
from fillguard.core.rules import Rules
from fillguard.core.units import (
    PA_PER_BAR,
    k_from_c,
    quantised_pressure_pa,
    quantised_temperature_k,
    quantised_time_s,
)
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Stamp, Surroundings, Visits
from fillguard.core.whip import WhipState
from fillguard.engine import Happening, Stepper
from fillguard.settings import load_settings
from fillguard.surfaces import SurfaceStore

T0 = 1_795_558_000.0
"""Unix time at second 0 of every scene; the steady clock shows 1000 s then."""
MONO_0 = 1_000.0
NOISE_BAR = 0.08
"""Of a good sensor (the simulated fills have about this)."""
COOLS_SHARE, COOLS_IN_S = 0.05, 120.0
"""How far a closed cylinder comes down of what was filled in, and how fast: roughly, a course is all a scene needs."""

Fact = TypeVar("Fact", bound=OutEvent)

STEEL_12 = Cylinder(
    serial="TH-0042",
    water_capacity_m3=0.012,
    material=Material.STEEL,
    rated_gauge_pa=232 * PA_PER_BAR,
    reference_k=k_from_c(15.0),
    empty_mass_kg=14.0,
)
ALUMINIUM_11 = Cylinder(
    serial="TH-0011",
    water_capacity_m3=0.0111,
    material=Material.ALUMINIUM,
    rated_gauge_pa=207 * PA_PER_BAR,
    reference_k=k_from_c(21.1),
    empty_mass_kg=14.2,
)
TWIN_12 = replace(STEEL_12, serial="TH-0077", count=2)


class Between(NamedTuple):
    """From one second to another, both counted in."""

    start_s: float
    end_s: float


def between(start_s: float, end_s: float) -> Between:
    """A span of the scene."""
    return Between(start_s, end_s)


@cache
def _store() -> SurfaceStore:
    return SurfaceStore(Path("no-cache"), on_problem=print)


def surface_of(mix: GasMix) -> GasSurface:
    """The shipped surface of `mix`, or the approximate one: nothing is fitted in a test."""
    return _store().get(mix) or _store().any_mix(mix)


@cache
def real_rules() -> Rules:
    """What the program applies without any configuration."""
    return load_settings(None, {}).rules(surface_of, station="tern")


def stamp(at_s: float) -> Stamp:
    """Both clocks at second `at_s` of the scene."""
    return Stamp(mono_s=quantised_time_s(MONO_0 + at_s), utc_s=quantised_time_s(T0 + at_s))


@dataclass(slots=True)
class _Sent:
    at_s: float
    order: int
    event: InEvent


@dataclass(slots=True)
class Line:
    """What is done at one whip, one thing after the other. Every word returns the line, so that it reads on."""

    panel: "Panel"
    name: str
    now_s: float = 0.0
    bar: float = 0.0
    """What the gauge shows."""
    every_s: float = 1.0
    before_fill_bar: float = 0.0
    wall_c: float | None = None
    _wall_sent_s: float = -math.inf

    # People ---------------------------------------------------------------------------------------------------------

    def attach(
        self,
        cylinder: Cylinder | None = STEEL_12,
        *,
        operator: str | None = "op-1",
        gas: GasMix = AIR,
        target_bar: float | None = None,
        surroundings: Surroundings | None = None,
        serial: str | None = None,
        visits: Visits | None = None,
        residual_gas: GasMix | None = None,
        stamp_read: bool = True,
        **said: Any,  # noqa: ANN401 - fields of `CylinderAttached`, of many types
    ) -> "Line":
        """Somebody says what hangs here; as a rule with the stamp read. `said`: more of `CylinderAttached`."""
        read = Checked(check=Check.STAMP_READ, by=operator, utc_s=stamp(self.now_s).utc_s)
        return self._send(
            CylinderAttached(
                stamp=stamp(self.now_s),
                whip=self.name,
                serial=serial or (cylinder.serial if cylinder is not None else None),
                cylinder=cylinder,
                operator=operator,
                gas=gas,
                residual_gas=residual_gas or gas,
                target_gauge_pa=None if target_bar is None else target_bar * PA_PER_BAR,
                surroundings=surroundings,
                visits=visits or Visits(),
                checked=(read,) if stamp_read else (),
                **said,
            )
        )

    def ticks(self, *checks: Check, operator: str = "op-2") -> "Line":
        """A named person looked at what hangs here."""
        return self._send(
            CylinderChecked(stamp=stamp(self.now_s), whip=self.name, operator=operator, checks=tuple(checks))
        )

    def detach(self) -> "Line":
        """Somebody says that the whip is free."""
        return self._send(CylinderDetached(stamp=stamp(self.now_s), whip=self.name))

    def says(self, verb: Verb, alarm: str, *, reason: str | None = None, operator: str = "op-1") -> "Line":
        """A named person acts on an alarm of this whip."""
        return self._send(
            AlarmCommanded(
                stamp=stamp(self.now_s), verb=verb, operator=operator, whip=self.name, alarm=alarm, reason=reason
            )
        )

    def gateway(self, *, online: bool) -> "Line":
        """The gateway comes, or its last will says that it is gone."""
        return self._send(PresenceChanged(stamp=stamp(self.now_s), whip=self.name, online=online))

    def fails(self, *, ok: bool = False) -> "Line":
        """Our own step fails on this whip, or works again."""
        return self._send(
            ServiceChanged(stamp=stamp(self.now_s), service="step", ok=ok, detail="fillguard failed.", whip=self.name)
        )

    # The gauge ------------------------------------------------------------------------------------------------------

    def reads(
        self,
        bar: float,
        *,
        sample_s: float | None = None,
        quality: Quality = Quality.GOOD,
        doubt: Doubt | None = None,
    ) -> "Line":
        """One reading of the gauge, exactly this one, now."""
        self.bar = bar
        return self._send(
            Reading(
                stamp=stamp(self.now_s),
                source=f"fill/tern/{self.name}/pressure",
                whip=self.name,
                quantity=Quantity.PRESSURE,
                value=quantised_pressure_pa(bar * PA_PER_BAR),
                sample_s=quantised_time_s(T0 + (self.now_s if sample_s is None else sample_s)),
                quality=quality,
                doubt=doubt,
            )
        )

    def samples(self, every_s: float) -> "Line":
        """The sensor's period from here on."""
        self.every_s = every_s
        return self

    def follows(self, bar_at: Callable[[float], float], *, for_s: float) -> "Line":
        """Noisy readings along `bar_at(seconds from now)`."""
        start_s = self.now_s
        steps = max(1, round(for_s / self.every_s))
        for step in range(1, steps + 1):
            self.now_s = start_s + step * self.every_s
            bar = bar_at(step * self.every_s)
            self.reads(bar + self.panel.noise())
            self.bar = bar
            self._warm()
        return self

    def stands(self, *, for_s: float) -> "Line":
        """The gauge stays where it is."""
        level = self.bar
        return self.follows(lambda _: level, for_s=for_s)

    def moves(self, *, to_bar: float, in_s: float) -> "Line":
        """The gauge goes there in a straight line."""
        start = self.bar
        return self.follows(lambda t: start + (to_bar - start) * min(1.0, t / in_s), for_s=in_s)

    def jumps(self, to_bar: float) -> "Line":
        """The gauge is there with the next reading, as only a hose can be."""
        self.now_s += self.every_s
        return self.reads(to_bar)

    # What people do to valves -----------------------------------------------------------------------------------------

    def opens(self, *, residual_bar: float, for_s: float = 12.0, bled_s: float = 6.0) -> "Line":
        """The cylinder valve is opened on a bled whip: the gauge jumps to the residual pressure and stands."""
        self.bar = 0.0
        return self.stands(for_s=bled_s).jumps(residual_bar).stands(for_s=for_s)

    def fills(self, *, to_bar: float, at_bar_min: float, from_bar: float | None = None) -> "Line":
        """The panel valve is opened: the gauge rises steadily."""
        if from_bar is not None:
            self.bar = from_bar
        self.before_fill_bar = self.bar
        return self.moves(to_bar=to_bar, in_s=(to_bar - self.bar) / at_bar_min * 60.0)

    def closes(self, *, for_s: float) -> "Line":
        """The panel valve is closed, the cylinder valve is left open: the gas cools, the gauge comes down with it."""
        top, drop = self.bar, COOLS_SHARE * (self.bar - self.before_fill_bar)
        return self.follows(lambda t: top - drop * (1.0 - math.exp(-t / COOLS_IN_S)), for_s=for_s)

    def bleeds(self) -> "Line":
        """The cylinder valve is closed and the hose bled: the gauge is at nothing within a second."""
        self.jumps(self.bar * 0.1).jumps(0.2)
        self.bar = 0.0
        return self.stands(for_s=5.0)

    def silent(self, *, for_s: float) -> "Line":
        """Nothing arrives."""
        self.now_s += for_s
        return self

    # The wall ---------------------------------------------------------------------------------------------------------

    def wall(self, celsius: float | None) -> "Line":
        """The strap-on sensor shows this from here on, once a second beside the gauge; None: nothing any more."""
        self.wall_c = celsius
        return self

    def _warm(self) -> None:
        if self.wall_c is None or self.now_s - self._wall_sent_s < 1.0:
            return
        self._wall_sent_s = self.now_s
        self._send(
            Reading(
                stamp=stamp(self.now_s),
                source=f"fill/tern/{self.name}/wall",
                whip=self.name,
                quantity=Quantity.WALL,
                value=quantised_temperature_k(k_from_c(self.wall_c)),
                sample_s=quantised_time_s(T0 + self.now_s),
            )
        )

    def _send(self, event: InEvent) -> "Line":
        self.panel.send(self.now_s, event)
        return self


@dataclass(slots=True)
class Moment:
    """A second of the scene."""

    panel: "Panel"
    at_s: float

    def whip(self, name: str) -> Line:
        """The whip, from this second on."""
        line = self.panel.whip(name)
        line.now_s = self.at_s
        return line


@dataclass(slots=True)
class Panel:
    """The whole panel while a scene is being told."""

    noise_bar: float = NOISE_BAR
    seed: int = 1
    rules: Rules = field(default_factory=real_rules)
    lines: dict[str, Line] = field(default_factory=dict)
    sent: list[_Sent] = field(default_factory=list)
    _chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)  # noqa: S311 - noise, not a secret

    def whip(self, name: str = "1") -> Line:
        """What happens at one whip."""
        return self.lines.setdefault(name, Line(panel=self, name=name))

    def at(self, at_s: float) -> Moment:
        """Go to second `at_s`."""
        return Moment(self, at_s)

    def noise(self) -> float:
        """What the sensor adds, bar."""
        return self._chance.gauss(0.0, self.noise_bar) if self.noise_bar else 0.0

    def send(self, at_s: float, event: InEvent) -> None:
        """Something arrives."""
        self.sent.append(_Sent(at_s, len(self.sent), event))

    def events(self) -> Iterator[InEvent]:
        """Everything that arrives, in order."""
        return (sent.event for sent in sorted(self.sent, key=lambda sent: (sent.at_s, sent.order)))

    def play(self, *, until_s: float | None = None) -> "Story":
        """Let it happen; with `until_s` the clock goes on to there although nothing arrives."""
        stepper = Stepper(self.rules)
        happenings = [happening for event in self.events() for happening in stepper.feed(event)]
        if until_s is not None:
            happenings += stepper.advance(stamp(until_s))
        return Story(happenings=happenings, stepper=stepper)


@dataclass(slots=True)
class Story:
    """What the watch said of a scene."""

    happenings: list[Happening]
    stepper: Stepper

    def all(self, kind: type[Fact], whip: str | None = None) -> list[tuple[float, Fact]]:
        """Every fact of one kind, with the second of the scene at which it was told."""
        return [
            (happening.cause.stamp.utc_s - T0, fact)
            for happening in self.happenings
            for fact in happening.facts
            if isinstance(fact, kind) and whip in (None, getattr(fact, "whip", None))
        ]

    def state(self, whip: str = "1") -> WhipState:
        """The whip as it stands at the end."""
        return self.stepper.state.whips.get(whip) or WhipState(whip=whip)

    # Alarms ---------------------------------------------------------------------------------------------------------

    def changes(self, alarm: str, whip: str | None = None) -> list[tuple[float, AlarmChanged]]:
        """Every change of one alarm; that it only calls again is no change."""
        return [
            (at_s, change)
            for at_s, change in self.all(AlarmChanged, whip)
            if change.alarm == alarm and not change.is_realarm
        ]

    def states(self, alarm: str) -> list[AlarmState]:
        """The states an alarm went through."""
        return [change.new for _, change in self.changes(alarm)]

    def raises(self, whip: str | None = None) -> list[str]:
        """Which alarms were raised, in order."""
        return [change.alarm for _, change in self.all(AlarmChanged, whip) if change.is_raise]

    def raised_at(self, alarm: str, whip: str | None = None) -> list[float]:
        """The seconds at which an alarm was raised."""
        return [at_s for at_s, change in self.changes(alarm, whip) if change.is_raise]

    def expects(self, span: Between, alarm: str, *, whip: str | None = None) -> "Story":
        """The alarm is raised once in this scene, within `span`."""
        at = self.raised_at(alarm, whip)
        assert len(at) == 1, f"{alarm} was raised at {at}, expected once within {span}; all: {self.raises()}"
        assert span.start_s <= at[0] <= span.end_s, f"{alarm} was raised at {at[0]:.1f}, expected within {span}"
        return self

    def returns(self, span: Between, alarm: str) -> "Story":
        """The alarm returns within `span` at the latest change."""
        at_s, change = self.changes(alarm)[-1]
        assert change.is_return, f"{alarm} ended as {change.new}"
        assert span.start_s <= at_s <= span.end_s, f"{alarm} returned at {at_s:.1f}, expected within {span}"
        return self

    def never(self, *alarms: str) -> "Story":
        """None of these is raised; without names: no alarm at all."""
        raised = [alarm for alarm in self.raises() if not alarms or alarm in alarms]
        assert not raised, f"raised: {raised}"
        return self

    def nothing_grave(self) -> "Story":
        """No alarm of priority 1."""
        grave = [(at_s, c.alarm) for at_s, c in self.all(AlarmChanged) if c.is_raise and c.priority == 1]
        assert not grave, f"raised with priority 1: {grave}"
        return self

    # Everything else ------------------------------------------------------------------------------------------------

    def phases(self, whip: str = "1") -> list[Phase]:
        """The phases the whip went through."""
        return [change.new for _, change in self.all(PhaseChanged, whip)]

    def entered(self, phase: Phase, whip: str = "1") -> list[float]:
        """When the whip went into `phase`."""
        return [at_s for at_s, change in self.all(PhaseChanged, whip) if change.new is phase]

    def started(self, whip: str = "1") -> list[FillStarted]:
        """The fills that began."""
        return [fact for _, fact in self.all(FillStarted, whip)]

    def ended(self, whip: str = "1") -> list[FillSummary]:
        """The rows of the fills that ended."""
        return [ended.summary for _, ended in self.all(FillEnded) if ended.summary.whip == whip]

    def findings(self, whip: str = "1") -> list[str]:
        """What was found, in order."""
        return [finding.finding for _, finding in self.all(FindingMade, whip)]

    def prompts(self, whip: str = "1") -> list[tuple[float, str | None]]:
        """What was asked of the operator, and when."""
        return [(at_s, p.prompt.value if p.prompt else None) for at_s, p in self.all(PromptChanged, whip)]

    def lamps(self, whip: str = "1") -> list[tuple[float, str]]:
        """What the lamp showed, and from when on."""
        return [(at_s, lamp.lamp.value) for at_s, lamp in self.all(LampChanged, whip)]

    def projections(self, whip: str = "1") -> list[tuple[float, Projected]]:
        """Every projection."""
        return self.all(Projected, whip)
