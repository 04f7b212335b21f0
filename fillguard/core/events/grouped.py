"""Facts of fills that are more than one cylinder, more than one gas or more than one whip."""

from dataclasses import dataclass

from fillguard.core.stages import Stage, StageDone
from fillguard.core.values import Companion, Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupChanged:
    """What fills from one gauge together changed: a cylinder came or left."""

    stamp: Stamp
    whip: str
    fill_id: str | None
    gauge: str
    companions: tuple[Companion, ...]
    """The others; empty: this one is alone from here on."""
    limit_gauge_pa: float
    """The lowest of all, at this cylinder's reference temperature."""
    text: str
    """For people."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageBegan:
    """The gas of the next stage begins to flow; the fill goes on, maybe on another whip."""

    stamp: Stamp
    whip: str
    fill_id: str
    number: int
    """From 1."""
    stage: Stage
    assumed: str
    """What is taken for granted about what is in it, in words."""
    limit_gauge_pa: float
    reference_k: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StageEnded:
    """A stage is over, or the cylinder was taken off before it was complete."""

    stamp: Stamp
    whip: str
    fill_id: str
    number: int
    done: StageDone
    text: str
    """For people: where it stands, what should be in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderMoved:
    """A cylinder goes on to the whip of its next stage; its fill goes with it."""

    stamp: Stamp
    whip: str
    """Where it is filled next."""
    left: str
    """The whip it was taken from."""
    fill_id: str
    serial: str | None
    operator: str | None
    text: str
    """For people."""
