"""What the watch found in fills whose faults are known: found or missed, how late, and what it found where nothing was.

Each fill is played through the whole watch. A fault counts as found when one of its findings is made after it began (a
gauge is not stuck before it stands still); a finding of a fault that the fill does not have is a false one.
"""

import json
import statistics
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fillguard.bench.recordings import BEGAN_UTC_S, Recording, read_recording
from fillguard.bench.score import Player
from fillguard.core.events import AlarmChanged, FindingMade

FINDINGS: Mapping[str, frozenset[str]] = {
    "valve partly open": frozenset({"valve-not-open", "flow-restricted"}),
    "valve opened late": frozenset({"whip-only", "valve-not-open"}),
    "slow leak": frozenset({"leak"}),
    "disc burst": frozenset({"sudden-loss"}),
    "sensor stuck": frozenset({"sensor-stuck"}),
    "sensor silent": frozenset({"sensor-silent"}),
    "whip bled": frozenset({"bled"}),
}
"""What each fault may be called."""
_EXCUSED: Mapping[str, frozenset[str]] = {"valve partly open": frozenset({"whip-only"})}
"""Not its name, but not wrong either: only the hose is at the pressure that the gauge shows."""
_ALARMS = frozenset({"valve-not-open", "leak", "sudden-loss", "monitoring-lost"})
_LEAK_NEEDS_S = 300.0
"""A whip that is bled, or a record that ends, sooner after the leak began shows nothing of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What was wrong with a fill, and from when on it could be seen (seconds of the record)."""

    name: str
    from_s: float
    shows: bool = True
    """False: too short to be seen. Found all the same it is no mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosed:
    """One fill and what the watch found in it."""

    name: str
    clean: bool
    delays_s: Mapping[str, float | None]
    """By fault; None: missed."""
    false: tuple[str, ...]
    """`finding at seconds`, for what it does not have; alarms of the same kind with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table."""

    fault: str
    fills: int
    found: int
    median_s: float | None
    latest_s: float | None
    missed: tuple[str, ...]


def read_labelled(path: Path) -> tuple[Recording, tuple[Fault, ...]]:
    """A recorded fill and its faults, as its truth names them.

    Raises:
        ConfigurationError: the fill cannot be read.
    """
    recording = read_recording(path)
    truth = json.loads(path.read_text(encoding="utf-8"))["truth"]
    return recording, tuple(_faults(truth, recording.rows[-1][0]))


def diagnosed(recording: Recording, faults: Sequence[Fault], player: Player, *, wall: bool) -> Diagnosed:
    """Play the fill and hold what was found against its faults."""
    made: list[tuple[float, str]] = []
    alarms: list[tuple[float, str]] = []
    for happening in player(recording.capture(wall=wall)):
        for fact in happening.facts:
            if isinstance(fact, FindingMade):
                made.append((fact.stamp.utc_s - BEGAN_UTC_S, fact.finding))
            elif isinstance(fact, AlarmChanged) and fact.is_raise and fact.alarm in _ALARMS:
                alarms.append((fact.stamp.utc_s - BEGAN_UTC_S, fact.alarm))
    excused = frozenset[str]().union(*(FINDINGS[f.name] | _EXCUSED.get(f.name, frozenset()) for f in faults))
    if excused & (FINDINGS["sensor stuck"] | FINDINGS["sensor silent"]):
        excused |= {"monitoring-lost"}
    return Diagnosed(
        name=f"{recording.number:03d}{'' if wall else '-'}",
        clean=not {fault.name for fault in faults} - {"whip bled"},
        delays_s={fault.name: _delay(fault, made) for fault in faults if fault.shows},
        false=tuple(f"{what} at {at_s:.0f} s" for at_s, what in sorted(made + alarms) if what not in excused),
    )


def _delay(fault: Fault, made: Iterable[tuple[float, str]]) -> float | None:
    names = FINDINGS[fault.name]
    return next((at_s - fault.from_s for at_s, what in made if what in names and at_s >= fault.from_s), None)


def _faults(truth: Mapping[str, Any], ends_s: float) -> Iterator[Fault]:
    events = truth["events"]
    if truth["valve_partly_open"]:
        yield Fault(name="valve partly open", from_s=truth["t_flow_start"])
    if truth.get("trouble") == "valve-opened-late":
        yield Fault(name="valve opened late", from_s=0.0)
    bled_s = min((*events["valve_closed"], *events["whip_bled"], ends_s))
    if truth["slow_leak"]:
        from_s = events["leak_start"][0]
        yield Fault(name="slow leak", from_s=from_s, shows=bled_s - from_s >= _LEAK_NEEDS_S)
    if truth["burst_disc"]:
        yield Fault(name="disc burst", from_s=truth["at_burst"]["t"])
    for name, windows in (("sensor stuck", truth["sensor_stuck"]), ("sensor silent", truth["sensor_dropout"])):
        if windows:
            yield Fault(name=name, from_s=windows[0][0])
    if truth["whip_bled"] and not truth["burst_disc"]:
        yield Fault(name="whip bled", from_s=bled_s)


def rows_of(fills: Sequence[Diagnosed]) -> Iterator[Row]:
    """A row for each fault that occurs."""
    for fault in FINDINGS:
        having = [fill for fill in fills if fault in fill.delays_s]
        delays = [delay for fill in having if (delay := fill.delays_s[fault]) is not None]
        if having:
            yield Row(
                fault=fault,
                fills=len(having),
                found=len(delays),
                median_s=statistics.median(delays) if delays else None,
                latest_s=max(delays, default=None),
                missed=tuple(fill.name for fill in having if fill.delays_s[fault] is None),
            )


def table(fills: Sequence[Diagnosed]) -> Iterator[str]:
    """The table, as lines."""
    yield f"{'fault':20}{'fills':>6}{'found':>6}{'median s':>10}{'latest s':>10}  missed"
    for row in rows_of(fills):
        missed = " ".join(row.missed) or "none"
        delays = f"{_seconds(row.median_s):>10}{_seconds(row.latest_s):>10}"
        yield f"{row.fault:20}{row.fills:6d}{row.found:6d}{delays}  {missed}"
    clean, false = [fill for fill in fills if fill.clean], [fill for fill in fills if fill.false]
    yield f"clean fills {len(clean)}, with something found in them {sum(bool(fill.false) for fill in clean)}"
    yield from (f"false in {fill.name}{' (clean)' if fill.clean else ''}: {'; '.join(fill.false)}" for fill in false)


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"
