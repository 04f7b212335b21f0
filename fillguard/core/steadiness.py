"""What the inflow says: steady or unsteady about the supply, steady about the gas, none about both.

A compressor moves the same mass every second whatever the cylinder's pressure (some per cent up and down, a few per
cent less at the end). Out of a bank gas runs through a valve that a hand sets and sets again, and less of it as the
pressures meet. The two bring in gas of very different energy, so it matters when nobody configured the source.

Where the flow is known to be steady, an estimated flow that falls in the first minute betrays a gas that warmed up
more than estimated, and one that rises a gas that warmed up less.

Where nothing flows the mass stays: what it seems to have changed by is the unknowns' fault, or a leak's.
"""

from math import log, sqrt
from typing import NamedTuple

from fillguard.core.balance import FORCED, NATURAL, Balance, Row
from fillguard.core.heat import SupplyKind
from fillguard.core.kalman import dot

BLOCK_S = 20.0
BLOCK_PA = 8e5
"""A block is at least this long and this high: pressure noise of 0.2 bar must not hide a steady flow."""
MEAN_S = 4.0
"""The mass at a block's end is the mean over this long."""
MOST_BLOCKS = 60
OPENING_S = 5.0
"""A hand opens the panel valve in less."""
WARMING_S = 70.0
"""While the gas warms up to its lead over the wall the estimated flow depends on how well that is estimated."""
FEWEST_BLOCKS = 4
TELLING_BLOCKS = 7
"""Fewer steady blocks say little: a hand may have left the bank's valve alone for two minutes."""
STEADY, UNSTEADY = 0.028, 0.036
"""Relative scatter of the blocks' flows below which it is a compressor's, above which it is a bank's (our choice)."""
TREND_BLOCKS, FEWEST_TREND_BLOCKS = 5, 3
HINT_SIGMA, WEAK_HINT_SIGMA = 0.5, 1.5
FORGOTTEN = 0.1
"""Variance that comes back with each block: all blocks speak each time, so the last word is the best informed."""
STEADY_FALL = 0.015
STEADY_SIGMA = 0.012
"""A compressor's flow over the first minute is larger than the later by so much, and as uncertain as that."""
LOOKS_STEADY_SIGMA = 0.025
"""The same where nobody said that it is a compressor: a hand minding its valve keeps a bank's flow as steady, but not
to a per cent. Believed like a compressor's it made fills from banks worse: p95 7.4 bar, and 5.1 without (MEASURED on
simulated ones); not believed at all it loses as much on compressors."""


class Reckoned(NamedTuple):
    """The mass at one moment."""

    time_s: float
    mass_kg: float
    row: Row
    """How each unknown would change the mass."""
    mean: Row
    """The unknowns it was reckoned with."""
    begins: bool = False
    """No block ends here: the flow has just begun, or begun again."""

    def now(self, mean: Row) -> float:
        """The mass as it would be reckoned with the unknowns of now."""
        row = self.row
        return self.mass_kg + dot(row, mean[: len(row)]) - dot(row, self.mean[: len(row)])


class Steadiness(NamedTuple):
    """The ends of the blocks so far, and the block that is open."""

    ends: tuple[Reckoned, ...] = ()
    compared: bool = False
    """The first minute has been held against what followed."""
    begun_s: float | None = None
    begun_pa: float = 0.0
    ends_s: float | None = None
    """Set once the block is long and high enough: the mean at its end is being taken."""
    readings: int = 0
    mass_kg: float = 0.0
    time_s: float = 0.0
    """Sums over the end of the open block."""
    begins: bool = True
    trend_kg_s2: float = 0.0
    """How the flow has changed over the last blocks; 0 while too few have been seen."""


class Block(NamedTuple):
    """Mean inflow between two ends."""

    middle_s: float
    flow_kg_s: float


class Hint(NamedTuple):
    """A measurement of the supply kind."""

    kind: float
    """-1 bank, +1 compressor."""
    variance: float


class Comparison(NamedTuple):
    """The logarithm of the first minute's flow over the later one's, and how the unknowns would change it."""

    log_ratio: float
    row: Row


NOTHING_SEEN = Steadiness()


def after(steadiness: Steadiness, sample_s: float, pressure_pa: float, mass_kg: float, *, flowing: bool) -> Steadiness:
    """Steadiness after one more estimate of the mass; a block that is complete waits to be `closed`."""
    if not flowing:
        if steadiness.begun_s is None:
            return steadiness
        return Steadiness(steadiness.ends, steadiness.compared, trend_kg_s2=steadiness.trend_kg_s2)
    if steadiness.begun_s is None:
        return steadiness._replace(begun_s=sample_s, begun_pa=pressure_pa)
    if steadiness.ends_s is None:
        if steadiness.begins:
            ripe = sample_s >= steadiness.begun_s + OPENING_S
        else:
            ripe = sample_s >= steadiness.begun_s + BLOCK_S - MEAN_S and pressure_pa >= steadiness.begun_pa + BLOCK_PA
        if not ripe:
            return steadiness
        steadiness = steadiness._replace(ends_s=sample_s + MEAN_S)
    return steadiness._replace(
        readings=steadiness.readings + 1,
        mass_kg=steadiness.mass_kg + mass_kg,
        time_s=steadiness.time_s + sample_s,
    )


def complete(steadiness: Steadiness, sample_s: float) -> bool:
    """True when the open block has ended."""
    return steadiness.ends_s is not None and sample_s >= steadiness.ends_s


def closed(steadiness: Steadiness, sample_s: float, pressure_pa: float, row: Row, mean: Row) -> Steadiness:
    """The complete block among the others, and the next one open."""
    count = steadiness.readings
    end = Reckoned(steadiness.time_s / count, steadiness.mass_kg / count, row, mean, steadiness.begins)
    ends = (*steadiness.ends, end)
    # The first minute is kept for ever; what goes when there are too many is what came after it.
    ends = ends if len(ends) <= MOST_BLOCKS else (*ends[: MOST_BLOCKS // 4], *ends[MOST_BLOCKS // 4 + 1 :])
    new = Steadiness(ends, steadiness.compared, trend_kg_s2=_trend_kg_s2(ends, mean))
    return new._replace(begun_s=sample_s, begun_pa=pressure_pa, begins=False)


def blocks(steadiness: Steadiness, mean: Row) -> tuple[Block, ...]:
    """Every block's flow as the unknowns of now have it."""
    ends = steadiness.ends
    masses = [end.now(mean) for end in ends]
    return tuple(
        Block(0.5 * (ends[k - 1].time_s + end.time_s), (masses[k] - masses[k - 1]) / (end.time_s - ends[k - 1].time_s))
        for k, end in enumerate(ends)
        if k and not end.begins
    )


def newest_flow_kg_s(steadiness: Steadiness) -> float | None:
    """The newest block's flow, uncorrected; None without blocks."""
    ends = steadiness.ends[-2:]
    if len(ends) < 2 or ends[1].begins:  # noqa: PLR2004 - two ends make a block
        return None
    return (ends[1].mass_kg - ends[0].mass_kg) / (ends[1].time_s - ends[0].time_s)


def _trend_kg_s2(ends: tuple[Reckoned, ...], mean: Row) -> float:
    newest = blocks(Steadiness(ends[-TREND_BLOCKS - 1 :]), mean)
    if len(newest) < FEWEST_TREND_BLOCKS:
        return 0.0
    middle = sum(block.middle_s for block in newest) / len(newest)
    spread = sum((block.middle_s - middle) ** 2 for block in newest)
    return sum((block.middle_s - middle) * block.flow_kg_s for block in newest) / spread


def kind_hint(steadiness: Steadiness, mean: Row, configured: SupplyKind) -> Hint | None:
    """What the blocks say about the supply; None while they say nothing. To be asked once a block."""
    if configured is not SupplyKind.UNKNOWN or len(steadiness.ends) <= FEWEST_BLOCKS:
        return None
    warmed_s = steadiness.ends[0].time_s + WARMING_S
    # The newest block may hold the end of the flow, which is noticed late.
    flows = [block.flow_kg_s for block in blocks(steadiness, mean)[:-1] if block.middle_s > warmed_s]
    if len(flows) < FEWEST_BLOCKS:
        return None
    telling = len(flows) >= TELLING_BLOCKS
    if telling:
        flows = sorted(flows)[1:-1]  # a pause too short to be noticed spoils one block
    average = sum(flows) / len(flows)
    if average <= 0.0:
        return None
    scatter = sqrt(sum((flow / average - 1.0) ** 2 for flow in flows) / (len(flows) - 1))
    if STEADY <= scatter <= UNSTEADY:
        return None
    if scatter > UNSTEADY:
        return Hint(-1.0, HINT_SIGMA**2)
    return Hint(1.0, (HINT_SIGMA if telling else WEAK_HINT_SIGMA) ** 2)


def compared(steadiness: Steadiness, mean: Row) -> Comparison | None:
    """The first minute's flow against what followed without a pause; None while that is too short."""
    ends = steadiness.ends
    unbroken = next((k for k, end in enumerate(ends) if k and end.begins), len(ends))
    warm = next((k for k in range(unbroken) if ends[k].time_s >= ends[0].time_s + WARMING_S), None)
    if warm is None or warm == 0 or unbroken - 2 - warm < FEWEST_BLOCKS:
        return None
    first, middle, last = ends[0], ends[warm], ends[unbroken - 2]
    early, late = middle.now(mean) - first.now(mean), last.now(mean) - middle.now(mean)
    if early <= 0.0 or late <= 0.0:
        return None
    ratio = early / (middle.time_s - first.time_s) * (last.time_s - middle.time_s) / late
    row = tuple((m - f) / early - (t - m) / late for f, m, t in zip(first.row, middle.row, last.row, strict=True))
    # Stronger convection can at most take away the gas's whole lead over the wall: a flow that rises more than that
    # explains is not steady, but set by a hand that watches the gauge.
    lead = row[NATURAL] + row[FORCED]
    if log(ratio) - STEADY_FALL < -(max(lead, 0.0) + 2.0 * STEADY_SIGMA):
        return None
    return Comparison(log(ratio), row)


CHECK_EVERY_S = 1.0
CHECKS_KEPT = 20
HOLD_CHECKS = 5
SAME_MASS, SAME_PA = 0.003, 0.4e5
"""Masses this near to each other are the same: the gauge's noise."""
HOLD_MEAN_S = 5.0
HOLD_EVERY_S = 5.0
HOLD_SURE_S = 12.0
"""A gauge that stands for less may hide a flow."""
HOLD_PA, HOLD_DOUBLES_S = 0.12e5, 60.0
"""How well the mass can be held against the one at the beginning, and how soon the model's error doubles that."""
HOLD_MEMORY_S = 15.0
"""The model's error lasts this long: readings within it are not news."""


class Hold(NamedTuple):
    """The mass at the beginning of a stretch without inflow, averaged over some seconds."""

    start_s: float
    used_s: float
    """When it was last held against the mass."""
    readings: int
    mass_kg: float
    row: Row


class Standstill(NamedTuple):
    """How much mass there is too much, the gradient of that over all unknowns and the leak, and its variance."""

    changed_kg: float
    gradient: Row
    variance: float


def remembered(checks: tuple[Reckoned, ...], balance: Balance, mean: Row) -> tuple[Reckoned, ...]:
    """The mass once a second: where it stood when the flow stopped is known only later."""
    if checks and balance.sample_s - checks[-1].time_s < CHECK_EVERY_S:
        return checks
    check = Reckoned(balance.sample_s, balance.mass_kg, balance.mass_row(), mean)
    return (*checks[-CHECKS_KEPT + 1 :], check)


def hold_of(checks: tuple[Reckoned, ...], balance: Balance, mean: Row) -> Hold:
    """The hold of a stop that was noticed late: from the checks whose mass is already the mass of now."""
    same_kg = balance.mass_kg * max(SAME_MASS, SAME_PA / balance.pressure_abs_pa)
    held = [Reckoned(balance.sample_s, balance.mass_kg, balance.mass_row(), mean)]
    for check in reversed(checks):
        if abs(check.now(mean) - balance.mass_kg) > same_kg:
            break
        held.append(check)
    # The oldest is where the flow may still have been running out; of the rest the early ones count.
    early = held[:-1][-HOLD_CHECKS:] or held
    mean_row = tuple(sum(column) / len(early) for column in zip(*(check.row for check in early), strict=True))
    mass_kg = sum(check.now(mean) for check in early) / len(early)
    return Hold(held[-1].time_s, balance.sample_s, len(early), mass_kg, mean_row)


def averaged(hold: Hold, balance: Balance) -> Hold | None:
    """The hold with one more mass in its mean; None once that is long enough."""
    if balance.sample_s - hold.start_s >= HOLD_MEAN_S:
        return None
    n = hold.readings + 1
    mass = hold.mass_kg + (balance.mass_kg - hold.mass_kg) / n
    row = tuple(mean + (r - mean) / n for mean, r in zip(hold.row, balance.mass_row(), strict=True))
    return Hold(hold.start_s, balance.sample_s, n, mass, row)


def standstill(hold: Hold, balance: Balance, leak_pa_s: float) -> Standstill | None:
    """The mass held against the one at the beginning; None while that is no news."""
    since, held_s = balance.sample_s - hold.used_s, balance.sample_s - hold.start_s
    if since < HOLD_EVERY_S or held_s < HOLD_SURE_S:
        return None
    kg_per_pa = balance.mass_kg / balance.pressure_abs_pa
    doubt_kg = HOLD_PA * (1.0 + held_s / HOLD_DOUBLES_S) * kg_per_pa
    leaked_kg_per = kg_per_pa * held_s
    gradient = (*(r - h for r, h in zip(balance.mass_row(), hold.row, strict=True)), leaked_kg_per)
    return Standstill(
        balance.mass_kg - hold.mass_kg + leaked_kg_per * leak_pa_s,
        gradient,
        doubt_kg * doubt_kg * max(1.0, HOLD_MEMORY_S / since),
    )
