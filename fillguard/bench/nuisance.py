"""Alarms in fills in which nothing went wrong: each of them is one that teaches people not to listen.

A fill is clean when nothing that an alarm names was so, by its truth: it stayed well below its limit, was not filled
too fast, did not get hot, did not come in empty, and had no fault.
"""

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fillguard.bench.recordings import Recording, read_recording
from fillguard.bench.score import Player
from fillguard.core.events import AlarmChanged

GRAVE_A_FILL, SERIOUS_A_FILL = 0.0, 0.1
"""At most so many alarms of priority 1 and 2 in a clean fill (our choice, stricter than the standards)."""
_BELOW_LIMIT_BAR = 6.0
"""Closer to its limit a careful watch may rightly say *close now, and mean it*."""
_NOT_HOT_C = 60.0
_NOT_EMPTY_BAR = 3.0
_FAULTS = (
    "overfill", "too_fast_segments", "valve_partly_open", "slow_leak", "burst_disc", "sensor_stuck", "sensor_dropout",
    "trouble",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """The alarms of one clean fill, by name, with their priorities."""

    name: str
    raised: tuple[tuple[str, int], ...]


def is_clean(truth: Mapping[str, Any]) -> bool:
    """True when nothing that an alarm names was so in this fill."""
    return (
        not any(truth.get(fault) for fault in _FAULTS)
        and truth["overfill_margin_bar"] < -_BELOW_LIMIT_BAR
        and truth["T_gas_close_c"] < _NOT_HOT_C
        and truth["p_start_bar_g"] > _NOT_EMPTY_BAR
    )


def clean_recordings(paths: Iterable[Path]) -> Iterator[Recording]:
    """The clean ones of recorded fills. Raises ConfigurationError for one that cannot be read."""
    for path in paths:
        recording = read_recording(path)
        if is_clean(json.loads(path.read_text(encoding="utf-8"))["truth"]):
            yield recording


def noise_of(recording: Recording, player: Player, *, wall: bool) -> Noise:
    """Play a clean fill and note what was raised."""
    raised = [
        (fact.alarm, fact.priority)
        for happening in player(recording.capture(wall=wall))
        for fact in happening.facts
        if isinstance(fact, AlarmChanged) and fact.is_raise
    ]
    return Noise(name=f"{recording.number:03d}{'' if wall else '-'}", raised=tuple(raised))


def per_fill(fills: Sequence[Noise]) -> dict[int, float]:
    """Alarms a fill by priority. Raises ValueError without fills."""
    if not fills:
        raise ValueError("no clean fill among them: nothing can be said")
    return {
        priority: sum(mine == priority for fill in fills for _, mine in fill.raised) / len(fills)
        for priority in (1, 2, 3)
    }


def table(fills: Sequence[Noise]) -> Iterator[str]:
    """What came, as lines."""
    rates = per_fill(fills)
    allowed = {1: f"{GRAVE_A_FILL:g} wanted", 2: f"under {SERIOUS_A_FILL:g} wanted", 3: ""}
    yield f"{len(fills)} clean fills"
    for priority, rate in rates.items():
        names = Counter(name for fill in fills for name, mine in fill.raised if mine == priority)
        yield f"priority {priority}: {rate:.3f} a fill  {allowed[priority]}  {dict(names) or ''}".rstrip()
    yield from (f"  in {fill.name}: {', '.join(name for name, _ in fill.raised)}" for fill in fills if fill.raised)
