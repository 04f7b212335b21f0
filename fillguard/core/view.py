"""What conditions and diagnosis may look at: one whip, the rules, the moment."""

from dataclasses import dataclass
from functools import cached_property

from fillguard.core.events import AlarmFacts, Phase, Projected, Quantity
from fillguard.core.fill import OpenFill
from fillguard.core.rules import Rules
from fillguard.core.sensed import Sensed
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import GasMix, Stamp
from fillguard.core.whip import COOLING, WhipState

HOSE_ONLY = "whip-only"
HOSE_AHEAD_PA = 40.0 * PA_PER_BAR
"""A valve not fully open lets the whip leap by half of this at a change of bank; more is a shut one (our choice)."""


@dataclass(frozen=True, kw_only=True)
class View:
    """What the conditions may look at."""

    state: WhipState
    rules: Rules
    now: Stamp
    leap_pa: float | None = None
    """How far a reading leapt that is judged in doubt: nothing else follows from it yet."""

    @property
    def fill(self) -> OpenFill | None:
        """The open fill, if there is one."""
        return self.state.fill

    @property
    def shown(self) -> Projected | None:
        """The newest projection of the open fill."""
        return self.state.shown

    @property
    def supplied(self) -> GasMix | None:
        """The gas that this whip is said to let in now; None where nobody said it."""
        blend, attached = self.state.blend, self.state.attached
        if blend is not None:
            now, following = blend.stage.gas, blend.following
            if self.state.phase is Phase.FILLING or following is None or following.whip != self.state.whip:
                return now
            return max(now, following.gas, key=lambda gas: gas.o2)  # which of the two comes, only the flow will show
        return attached.gas if attached is not None else None

    @property
    def target_gauge_pa(self) -> float:
        """Settled pressure that the gas supplied is to bring; what the whip itself may carry where nobody said one."""
        blend, attached = self.state.blend, self.state.attached
        asked = blend.stage.target_gauge_pa if blend is not None else attached.target_gauge_pa if attached else None
        if asked is None and attached is not None and attached.cylinder is not None:
            asked = attached.cylinder.rated_gauge_pa
        return self.rules.whip(self.state.whip).max_working_gauge_pa if asked is None else asked

    @property
    def hose_only(self) -> bool:
        """True while only the hose can be at the pressure the gauge shows.

        Unclear for longer than a few seconds after it leapt, the cylinder is taken to be connected again: the estimate
        then lets it follow through a valve that is hardly open.
        """
        state, passage = self.state, self.state.evidence.passage
        if state.ahead_pa <= HOSE_AHEAD_PA or state.leapt_s is None:
            return False
        if passage is not None and passage.held is not None:
            return False  # a valve that is hardly open lets the whip leap again and again
        return state.gauge.sample_s - state.leapt_s <= self.rules.extents.whip_only_doubt_s

    @property
    def silent_s(self) -> float:
        """For how long the gauge has said nothing; before a fill counted from when there was reason to listen."""
        last_s, attached = self.state.gauge.arrived_mono_s, self.state.attached
        if self.state.phase is Phase.ATTACHED and attached is not None:
            said_s = attached.stamp.mono_s
            last_s = said_s if last_s is None else max(last_s, said_s)
        return 0.0 if last_s is None else self.now.mono_s - last_s

    @property
    def silent_after_s(self) -> float:
        """How long this whip's gauge may say nothing in its present phase."""
        extents = self.rules.extents
        own_s = self.rules.whip(self.state.whip).silent_after_s or extents.silent_after_s
        least_s = extents.silent_settling_s if self.state.phase in COOLING else own_s
        return max(least_s, extents.silent_periods * self.state.gauge.period_s)

    def sensed(self, quantity: Quantity) -> Sensed | None:
        """What a sensor beside the gauge says; None when there is none, or it has been silent for too long."""
        sensed = self.state.sensed.get(quantity)
        if sensed is None:
            return None
        whose = None if sensed.of_station else self.state.whip
        return sensed if sensed.speaks(self.now, self.rules.silent_after_s.get((whose, quantity))) else None

    @property
    def shut_since_s(self) -> float | None:
        """Sample time since when the panel valve has been reported shut; None when it is open or nobody says."""
        valve = self.sensed(Quantity.VALVE)
        return None if valve is None or valve.is_open else valve.since_s

    @property
    def supply_gauge_pa(self) -> float | None:
        """Where the gas ends: the bank's own gauge, or what the configuration says; None when neither is known."""
        bank, configured = self.sensed(Quantity.SUPPLY), self.rules.whip(self.state.whip).supply_end_gauge_pa
        return configured if bank is None else bank.value if configured is None else min(bank.value, configured)

    @cached_property
    def facts(self) -> AlarmFacts:
        """The numbers of the moment, for a notice."""
        seen, fill = self.shown, self.fill
        if seen is None or fill is None:
            return AlarmFacts(gauge_pa=self.state.gauge.gauge_pa)
        below_limit = fill.held.target_gauge_pa < fill.held.limit_gauge_pa
        return AlarmFacts(
            gauge_pa=self.state.gauge.gauge_pa,
            settled_gauge_pa=seen.settled_gauge_pa,
            settled_low_gauge_pa=seen.settled_low_gauge_pa,
            settled_high_gauge_pa=seen.settled_high_gauge_pa,
            limit_gauge_pa=fill.held.limit_gauge_pa,
            target_gauge_pa=fill.held.target_gauge_pa if below_limit else None,
            reference_k=fill.held.cylinder.reference_k,
            ceiling_gauge_pa=fill.held.ceiling_gauge_pa,
            rate_pa_s=seen.rate_pa_s,
            gas_k=seen.gas_k,
            wall_k=self.state.wall.kelvin if self.state.wall else None,
            bleed_to_gauge_pa=seen.bleed_to_gauge_pa,
            close_at_gauge_pa=seen.close_at_gauge_pa,
        )
