"""What is in a cylinder that is filled with several gases one after the other, by amount of substance.

Pressures of real gases do not add up, amounts do. What stands at a known settled pressure is a known amount; what came
in between two of them came from one supply. So from the settled pressures after the stages alone::

    oxygen = x0 n0 + sum over stages g_k (n_k - n_(k-1)),    fraction = oxygen / n

with `n` the amount a cubic metre, `x0` the fraction in what was left, `g_k` that of the k-th supply. It is assumed that
each gas is what it was said to be, and that the residual is as told, or anything between air and the last recorded mix.
The interval covers the doubt about each settled pressure and about the residual. It predicts; an analysis decides.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import sqrt

from fillguard.core.gas import GasSurface
from fillguard.core.stages import SAME_MIX, Part, Prediction, Stage
from fillguard.core.values import AIR, GasMix

UNRECORDED = GasMix(o2=0.40)
"""Nobody said or recorded what was left in it: anything from air to this (our choice: nitrox is rarely richer)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """Contents a cubic metre of water capacity, mol, and half the width of its 90 % interval."""

    mol_m3: float
    half_mol_m3: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One stage that is over: what came in, and how much was in it then."""

    gas: GasMix
    after: Amount


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What was in it, and what has been let in since."""

    residual: GasMix
    candidates: tuple[GasMix, ...] = ()
    """Where nobody told the residual: the mixes that it may lie between."""
    start: Amount
    legs: tuple[Leg, ...] = ()

    @property
    def before(self) -> Amount:
        """How much was in it before the gas that flows now."""
        return self.legs[-1].after if self.legs else self.start


@dataclass(frozen=True, slots=True, kw_only=True)
class Blend:
    """A fill in stages."""

    stages: tuple[Stage, ...]
    index: int = 0
    """Of the stage under way, from 0."""
    contents: Contents | None = None
    """None until the residual pressure is known."""

    @property
    def stage(self) -> Stage:
        """The stage under way."""
        return self.stages[self.index]

    @property
    def following(self) -> Stage | None:
        """The stage after it; None in the last one."""
        return self.stages[self.index + 1] if self.index + 1 < len(self.stages) else None


def amount_of(gas: GasSurface, gauge_pa: float, at_k: float, ambient_abs_pa: float, *, half_pa: float = 0.0) -> Amount:
    """Contents of `gas` that stand at `gauge_pa` at `at_k` throughout."""
    density = gas.density_unguarded(gauge_pa + ambient_abs_pa, at_k)
    dp_drho = gas.state(density, at_k)[2]
    return Amount(mol_m3=density / gas.molar_mass_kg_mol, half_mol_m3=abs(half_pa) / dp_drho / gas.molar_mass_kg_mol)


def contents_at_start(residual: GasMix | None, last_mix: GasMix | None, start: Amount) -> Contents:
    """The contents before the first stage; `residual` None: nobody said what was left in it.

    `last_mix`: what the record says it was last filled with; None: nothing is recorded.
    """
    if residual is not None:
        return Contents(residual=residual, start=start)
    other = last_mix if last_mix is not None else UNRECORDED
    return Contents(residual=last_mix or AIR, candidates=(AIR, other), start=start)


def after_stage(contents: Contents, gas: GasMix, after: Amount) -> Contents:
    """The contents once the stage that lets in `gas` is over; what was let out was what was in it."""
    if after.mol_m3 < contents.before.mol_m3:
        was = predicted(contents, gas, contents.before)
        mixes = [_mix(part(was.o2), part(was.he)) for part in (_best, _low, _high)]
        return Contents(residual=mixes[0], candidates=tuple(mixes[1:]), start=after)
    return replace(contents, legs=(*contents.legs, Leg(gas=gas, after=after)))


def _best(part: Part) -> float:
    return part.best


def _low(part: Part) -> float:
    return part.low


def _high(part: Part) -> float:
    return part.high


def _mix(o2: float, he: float) -> GasMix:
    return GasMix(o2=min(o2, 1.0), he=min(he, 1.0 - min(o2, 1.0)))


def predicted(contents: Contents, gas: GasMix, now: Amount) -> Prediction:
    """What is in it when `now` has been reached, the last of it by letting in `gas`."""
    return Prediction(
        o2=_part(contents, gas, now, lambda mix: mix.o2),
        he=_part(contents, gas, now, lambda mix: mix.he),
    )


def _part(contents: Contents, gas: GasMix, now: Amount, share: Callable[[GasMix], float]) -> Part:
    supplies = [*(share(leg.gas) for leg in contents.legs), share(gas)]
    amounts = [contents.start, *(leg.after for leg in contents.legs), now]
    if now.mol_m3 <= contents.before.mol_m3:  # nothing has come in yet: what is in it is what was
        supplies, amounts = supplies[:-1], amounts[:-1]
    total = amounts[-1].mol_m3
    there = share(contents.residual)
    came = sum(
        supply * (after.mol_m3 - before.mol_m3)
        for supply, before, after in zip(supplies, amounts, amounts[1:], strict=False)
    )
    best = (there * contents.start.mol_m3 + came) / total
    # How the fraction moves with each amount: it divides what came from one gas from what came from the next.
    around = [there, *supplies, best]
    half = sqrt(
        sum(
            ((before - after) / total * amount.half_mol_m3) ** 2
            for before, after, amount in zip(around[:-1], around[1:], amounts, strict=True)
        )
    )
    was = [(share(mix) - there) * contents.start.mol_m3 / total for mix in contents.candidates] or [0.0]
    return Part(
        best=min(max(best, 0.0), 1.0),
        low=min(max(best + min(0.0, *was) - half, 0.0), 1.0),
        high=min(max(best + max(0.0, *was) + half, 0.0), 1.0),
    )


def expected_mix(contents: Contents, gas: GasMix, at_target: Amount) -> GasMix:
    """The mix that a stage ends with when it stops at its target, rounded to what surfaces are told apart by."""
    end = predicted(contents, gas, at_target)
    if end.he.best < SAME_MIX and abs(end.o2.best - AIR.o2) < SAME_MIX:
        return AIR
    he = round(end.he.best, 3)
    return GasMix(o2=min(round(end.o2.best, 3), 1.0 - he), he=he)
