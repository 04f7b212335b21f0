"""Questions about sensors that go on working: absolute taken for gauge, a wrong unit, one gauge under two names, gaps.

Nothing is corrected and no reading is doubted for it: each question is told once, and once more when it is settled.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from fillguard.core.events import Doubt, Quality, Quantity, Reading, ServiceChanged
from fillguard.core.rules import WhipRules
from fillguard.core.units import PA_PER_BAR, bar_from_pa

# An absolute sensor on a bled whip reads the air: 0.7 bar at 3000 m to 1.1 bar below the sea (our choice).
_AIR_LOW_PA, _AIR_HIGH_PA = 0.7 * PA_PER_BAR, 1.1 * PA_PER_BAR
_STANDS_WITHIN_PA = 0.1 * PA_PER_BAR
_STANDS_FOR_S = 60.0
_ZERO_WITHIN_PA = 0.5 * PA_PER_BAR
_BEYOND = 1.3
_BEYOND_IN_A_ROW = 3
_SAME_FOR_S = 60.0
_COARSE_PA, _SAME_COARSE_FOR_S = 0.4 * PA_PER_BAR, 300.0
"""Two whips of one manifold may well read the same whole bars for a minute (our choice)."""
_MOVED_PA = 5.0 * PA_PER_BAR
_HEARD_WITHIN_S = 10.0
_CLOCK_OFF_S, _CLOCK_RIGHT_S = 60.0, 30.0
_CLOCK_IN_A_ROW = 10
_MOST_SOURCES = 1000
_WHOLE_FOR_S = 300.0
"""Nothing missing for so long: whatever lost messages is over (our choice)."""
_LATE_AT_MOST_S = 10.0
"""A message that has not come by then is taken for lost: after an outage they overtake each other (our choice)."""
_LONGEST_GAP = 1_000_000
"""A number that leaps further was not counted up: the device starts over without saying so."""
_NO_NEWS = frozenset({Doubt.RETAINED, Doubt.LATE, Doubt.DUPLICATE, Doubt.LOOP_FAULT})


@dataclass(slots=True)
class _Gauge:
    """What one whip's pressure has been doing."""

    last_pa: float = math.nan
    before_pa: float = math.nan
    heard_s: float = -math.inf
    stands_since_s: float | None = None
    lowest_pa: float = 0.0
    highest_pa: float = 0.0
    beyond: int = 0


@dataclass(slots=True)
class _Pair:
    """How long two gauges have said the same, over which span, and by how small steps."""

    since_s: float | None = None
    finest_pa: float = math.inf
    lowest_pa: float = 0.0
    highest_pa: float = 0.0


@dataclass(slots=True)
class _Numbers:
    """How far one source has counted, when it last left something out, and how much of that has not come since."""

    boot: str | None
    newest: int
    gap_s: float = -math.inf
    absent: int = 0
    since_s: float = math.inf
    leap: str = ""


class Sanity:
    """Looks at every reading of a station. Memory: one small record a whip, a pair of whips and a source."""

    def __init__(self, whips: Mapping[str, WhipRules], gauges: Mapping[str, Sequence[str]] | None = None) -> None:
        """`whips`: what each source can reach; `gauges`: whips that are known to share one, by its name."""
        self._shared = [frozenset(group) for group in (gauges or {}).values()]
        self._whips = whips
        self._gauges: dict[str, _Gauge] = {}
        self._pairs: dict[tuple[str, str], _Pair] = {}
        self._clocks_off: dict[str, int] = {}
        """Source -> how often in a row its time was far off."""
        self._numbers: dict[str, _Numbers] = {}
        self._open: set[str] = set()
        """Questions that were told and are not settled."""

    def take_over(self, whips: Mapping[str, WhipRules]) -> None:
        """Other ratings hold from here on."""
        self._whips = whips

    def look(self, reading: Reading) -> Iterator[ServiceChanged]:
        """What `reading` makes questionable, or settles."""
        if reading.doubt in _NO_NEWS:
            self._found_again(reading)
            return
        if reading.seq is not None:
            yield from self._gaps(reading, reading.seq)
        if reading.device_s is not None and reading.doubt is not Doubt.STALE:  # what comes late says nothing of a clock
            yield from self._clock(reading, reading.stamp.utc_s - reading.device_s)
        if reading.quantity is not Quantity.PRESSURE or reading.whip is None:
            return
        gauge = self._gauges.setdefault(reading.whip, _Gauge())
        yield from self._unit(reading, gauge, reading.whip)
        if reading.quality is not Quality.GOOD:
            return
        yield from self._zero(reading, gauge, reading.whip)
        gauge.before_pa, gauge.last_pa, gauge.heard_s = gauge.last_pa, reading.value, reading.stamp.mono_s
        yield from self._twins(reading, reading.whip)

    def _zero(self, reading: Reading, gauge: _Gauge, whip: str) -> Iterator[ServiceChanged]:
        value, now_s = reading.value, reading.stamp.mono_s
        name = f"zero:{whip}"
        if not _AIR_LOW_PA <= value <= _AIR_HIGH_PA:
            gauge.stands_since_s = None
            if abs(value) <= _ZERO_WITHIN_PA:
                yield from self._told(reading, name, None, f"whip {whip} rests at zero")
            return
        if gauge.stands_since_s is None:
            gauge.stands_since_s, gauge.lowest_pa, gauge.highest_pa = now_s, value, value
        gauge.lowest_pa, gauge.highest_pa = min(gauge.lowest_pa, value), max(gauge.highest_pa, value)
        if gauge.highest_pa - gauge.lowest_pa > _STANDS_WITHIN_PA:
            gauge.stands_since_s = None
        elif now_s - gauge.stands_since_s >= _STANDS_FOR_S:
            text = (
                f"whip {whip} rests at {bar_from_pa(value):.2f} bar: is its sensor absolute and configured as gauge? "
                'Bleed it; if it still reads this, set basis = "absolute"'
            )
            yield from self._told(reading, name, text, "")

    def _unit(self, reading: Reading, gauge: _Gauge, whip: str) -> Iterator[ServiceChanged]:
        rules = self._whips.get(whip) or WhipRules(whip=whip)
        most_pa = rules.supply_end_gauge_pa or rules.max_working_gauge_pa
        gauge.beyond = gauge.beyond + 1 if reading.value > _BEYOND * most_pa else 0
        if gauge.beyond >= _BEYOND_IN_A_ROW:
            text = (
                f"whip {whip} reads {bar_from_pa(reading.value):.0f} bar, and its source ends at "
                f"{bar_from_pa(most_pa):.0f} bar: is the unit wrong? Compare with the needle before anybody fills"
            )
            yield from self._told(reading, f"unit:{whip}", text, "")
        elif gauge.beyond == 0:
            yield from self._told(reading, f"unit:{whip}", None, f"whip {whip} reads what its source can give")

    def _twins(self, reading: Reading, whip: str) -> Iterator[ServiceChanged]:
        value, now_s = reading.value, reading.stamp.mono_s
        for other, gauge in self._gauges.items():
            if other == whip or any({whip, other} <= group for group in self._shared):
                continue  # of these it is known
            if now_s - gauge.heard_s > _HEARD_WITHIN_S:
                continue
            first, second = sorted((whip, other))
            pair = self._pairs.setdefault((first, second), _Pair())
            name = f"shared:{first}+{second}"
            # Their messages take turns: the newest of one is the other's newest, or the one before.
            mine = self._gauges[whip]
            agree = value in (gauge.last_pa, gauge.before_pa) or gauge.last_pa in (mine.last_pa, mine.before_pa)
            if not agree:
                pair.since_s = None
                yield from self._told(reading, name, None, f"whips {first} and {second} differ")
                continue
            if pair.since_s is None:
                pair.since_s, pair.lowest_pa, pair.highest_pa, pair.finest_pa = now_s, value, value, math.inf
            step_pa = abs(mine.last_pa - mine.before_pa)
            if step_pa > 0.0:
                pair.finest_pa = min(pair.finest_pa, step_pa)
            for_s = _SAME_FOR_S if pair.finest_pa <= _COARSE_PA else _SAME_COARSE_FOR_S
            pair.lowest_pa, pair.highest_pa = min(pair.lowest_pa, value), max(pair.highest_pa, value)
            if now_s - pair.since_s >= for_s and pair.highest_pa - pair.lowest_pa >= _MOVED_PA:
                both = f"whips {first} and {second}"
                text = f"{both} have read the same for {for_s:g} s while moving: are they on one gauge?"
                yield from self._told(reading, name, text, "")

    def _clock(self, reading: Reading, off_s: float) -> Iterator[ServiceChanged]:
        if reading.source not in self._clocks_off and len(self._clocks_off) >= _MOST_SOURCES:
            return
        in_a_row = self._clocks_off.get(reading.source, 0) + 1 if abs(off_s) > _CLOCK_OFF_S else 0
        self._clocks_off[reading.source] = in_a_row
        name = f"device-clock:{reading.source}"
        if in_a_row >= _CLOCK_IN_A_ROW:
            text = f"the clock of {reading.source} is {off_s:+.0f} s off ours: set it, or a backlog looks like news"
            yield from self._told(reading, name, text, "")
        elif abs(off_s) < _CLOCK_RIGHT_S:
            yield from self._told(reading, name, None, f"the clock of {reading.source} agrees with ours")

    def _gaps(self, reading: Reading, seq: int) -> Iterator[ServiceChanged]:
        """A sender that numbers its readings shows what was lost on the way."""
        known, now_s = self._numbers.get(reading.source), reading.stamp.mono_s
        if known is None or known.boot != reading.boot or seq <= known.newest:
            if known is not None or len(self._numbers) < _MOST_SOURCES:
                gap_s = known.gap_s if known is not None else -math.inf
                self._numbers[reading.source] = _Numbers(reading.boot, seq, gap_s)
            return
        missing, known.newest = seq - known.newest - 1, seq
        name = f"gaps:{reading.source}"
        if 0 < missing < _LONGEST_GAP:
            known.leap = f"it went from {seq - missing - 1} to {seq}"
            known.gap_s, known.since_s = now_s, now_s if not known.absent else known.since_s
            known.absent += missing
        if known.absent and now_s - known.since_s >= _LATE_AT_MOST_S:
            text = (
                f"{known.absent} messages of {reading.source} never came ({known.leap}): "
                "look at its network and at the broker's queue"
            )
            known.absent = 0
            yield from self._told(reading, name, text, "")
        elif now_s - known.gap_s >= _WHOLE_FOR_S:
            whole = f"no message of {reading.source} has been missing for {_WHOLE_FOR_S / 60.0:g} minutes"
            yield from self._told(reading, name, None, whole)

    def _found_again(self, reading: Reading) -> None:
        """What comes late was not lost."""
        if reading.doubt is not Doubt.LATE:
            return
        known = self._numbers.get(reading.source)
        if known is not None and reading.seq is not None and known.boot == reading.boot and reading.seq < known.newest:
            known.absent = max(0, known.absent - 1)

    def _told(self, reading: Reading, name: str, question: str | None, settled: str) -> Iterator[ServiceChanged]:
        """Tell `question` if it is new, or that it is settled if it was told."""
        if (question is not None) == (name in self._open):
            return
        (self._open.discard if question is None else self._open.add)(name)
        ok = question is None
        yield ServiceChanged(stamp=reading.stamp, service=name, ok=ok, detail=question or settled, whip=reading.whip)
