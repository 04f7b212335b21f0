"""How near the projections came to the truth of recorded fills, and how honest their intervals were.

Each fill is played through the whole watch, with and without its wall sensor. What is looked at, in bar: the projected
settled pressure at 80 % of the fill, 3 s, 60 s and 300 s after the close; the stop-at gauge a minute ahead and the
seconds to it; the fill rate; the verdict over or not over the rating.
"""

import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fillguard.bench.recordings import BEGAN_UTC_S, Recording, Trace
from fillguard.core.events import FillStarted, Phase, Projected
from fillguard.core.units import PA_PER_BAR
from fillguard.engine import Happening

Player = Callable[[Iterable[bytes]], Iterator[Happening]]
"""Plays the lines of a capture through the watch."""

MOMENTS = ("80 %", "close +3 s", "close +60 s", "close +300 s")
AHEAD_S = 60.0
RATE_OVER_S = 20.0
NEAR_LIMIT_BAR = 3.0
"""Verdicts this near to the limit are told apart: both may be right."""
_OLDEST_S = 5.0
"""A projection older than this is none."""
_SECONDS_A_MINUTE = 60.0
_AROUND_S = 5.0
_BEND_BAR = 0.6
"""Of two neighbouring samples of the truth off a straight line."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hit:
    """One projection against the truth."""

    error_bar: float
    inside: bool
    """The truth lay in the 90 % interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FillScore:
    """One fill, played once."""

    number: int
    wall: bool
    hits: dict[str, Hit]
    """By moment; a moment without projection is missing."""
    stop_at_bar: float | None
    """Error of the stop-at gauge a minute before the close, with the true settled pressure for target."""
    seconds: float | None
    rates_bar_min: tuple[float, ...]
    """Errors of the fill rate, every ten seconds of flow."""
    even_rates_bar_min: tuple[float, ...]
    """Those of them whose truth is known: a flow that begins or ends between two samples of the truth is not."""
    verdict_right: bool | None
    """Over or not over the rating, 3 s after the close; None within 3 bar of it or without projection."""
    fills: int
    """Fills the watch made of it: should be one."""

    @property
    def group(self) -> str:
        """What it counts with."""
        return "with sensor" if self.wall else "without"


def score_fill(recording: Recording, player: Player, *, wall: bool) -> FillScore:
    """Play one fill and hold what was projected against what was so."""
    # A target above the rating is cut back to it: then stop-at has another aim than the truth.
    within = recording.settled_bar <= recording.rated_bar
    lines = recording.capture(wall=wall, target_bar=recording.settled_bar if within else None)
    seen: list[Projected] = []
    fills = 0
    for happening in player(lines):
        for fact in happening.facts:
            if isinstance(fact, Projected):
                seen.append(fact)
            elif isinstance(fact, FillStarted):
                fills += 1
    hits = {name: hit for name, at_s in _moments(recording) if (hit := _hit(recording, seen, at_s)) is not None}
    before = _latest(seen, recording.close_s - AHEAD_S)
    aims = before is not None and within and before.phase is Phase.FILLING
    rates = list(_rate_errors(recording, seen))
    return FillScore(
        number=recording.number,
        wall=wall,
        hits=hits,
        stop_at_bar=_above(before.stop_at_gauge_pa, recording.close_bar) if before is not None and aims else None,
        seconds=_apart(before.seconds_to_stop, AHEAD_S) if before is not None and aims else None,
        rates_bar_min=tuple(error for error, _ in rates),
        even_rates_bar_min=tuple(error for error, even in rates if even),
        verdict_right=_verdict(recording, hits.get("close +3 s")),
        fills=fills,
    )


def _moments(recording: Recording) -> Iterator[tuple[str, float]]:
    start, close = recording.start_s, recording.close_s
    yield MOMENTS[0], start + 0.8 * (close - start)
    for name, after_s in zip(MOMENTS[1:], (3.0, 60.0, 300.0), strict=True):
        yield name, close + after_s


def _latest(seen: Sequence[Projected], at_s: float) -> Projected | None:
    """The newest projection at `at_s` (from the record's beginning), if it is one and fresh."""
    found: Projected | None = None
    for projection in seen:
        if projection.sample_s - BEGAN_UTC_S > at_s:
            break
        found = projection
    if found is None or found.settled_gauge_pa is None or at_s - (found.sample_s - BEGAN_UTC_S) > _OLDEST_S:
        return None
    return found


def _hit(recording: Recording, seen: Sequence[Projected], at_s: float) -> Hit | None:
    projection = _latest(seen, at_s)
    if projection is None or projection.settled_gauge_pa is None:
        return None
    true_bar = recording.trace.at(recording.trace.settled_bar, projection.sample_s - BEGAN_UTC_S)
    low, high = projection.settled_low_gauge_pa, projection.settled_high_gauge_pa
    inside = low is not None and high is not None and low <= true_bar * PA_PER_BAR <= high
    return Hit(error_bar=projection.settled_gauge_pa / PA_PER_BAR - true_bar, inside=inside)


def _above(pascal: float | None, bar: float) -> float | None:
    return None if pascal is None else pascal / PA_PER_BAR - bar


def _apart(value: float | None, true: float) -> float | None:
    return None if value is None else value - true


def _rate_errors(recording: Recording, seen: Sequence[Projected]) -> Iterator[tuple[float, bool]]:
    """Every ten seconds of flow: the rate shown against the straight line through the cylinder's last 20 s.

    With each whether the truth was even enough to know that line: drawn straight between its samples, a bend of
    `_BEND_BAR` moves it by up to 0.15 bar/min, the begin of a fast flow by more than 1.
    """
    trace = recording.trace
    at_s = recording.start_s + 2.0 * RATE_OVER_S
    while at_s < recording.close_s:
        projection = _latest(seen, at_s)
        if projection is not None and projection.rate_pa_s is not None and projection.phase is Phase.FILLING:
            times = [at_s - RATE_OVER_S + step for step in range(int(RATE_OVER_S) + 1)]
            line = statistics.linear_regression(times, [trace.at(trace.cylinder_bar, t_s) for t_s in times])
            yield (projection.rate_pa_s / PA_PER_BAR - line.slope) * _SECONDS_A_MINUTE, _is_even(trace, at_s)
        at_s += 10.0


def _is_even(trace: Trace, at_s: float) -> bool:
    first, last = bisect_left(trace.t_s, at_s - RATE_OVER_S - _AROUND_S), bisect_right(trace.t_s, at_s + _AROUND_S)
    bar = trace.cylinder_bar[first:last]
    bends = [abs(bar[k + 1] - 2.0 * bar[k] + bar[k - 1]) for k in range(1, len(bar) - 1)]
    return all(one + other <= _BEND_BAR for one, other in pairwise([*bends, 0.0]))


def _verdict(recording: Recording, hit: Hit | None) -> bool | None:
    margin = recording.settled_bar - recording.rated_bar
    if hit is None or abs(margin) <= NEAR_LIMIT_BAR:
        return None
    return (margin + hit.error_bar > 0.0) == (margin > 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table: how large the errors were. Empty samples give None."""

    group: str
    what: str
    count: int
    median: float | None
    p95: float | None
    largest: float | None
    bias: float | None
    covered: float | None = None
    """Share of truths within the interval."""


def rows_of(group: str, scores: Sequence[FillScore]) -> Iterator[Row]:
    """The table of one group of fills."""
    for moment in MOMENTS:
        hits = [score.hits[moment] for score in scores if moment in score.hits]
        covered = sum(hit.inside for hit in hits) / len(hits) if hits else None
        yield _row(group, f"settled, {moment} (bar)", [hit.error_bar for hit in hits], covered)
    yield _row(group, "stop-at, 60 s ahead (bar)", [s.stop_at_bar for s in scores if s.stop_at_bar is not None])
    yield _row(group, "time to it (s)", [s.seconds for s in scores if s.seconds is not None])
    yield _row(group, "fill rate (bar/min)", [rate for score in scores for rate in score.rates_bar_min])
    yield _row(group, "... in even flow", [rate for score in scores for rate in score.even_rates_bar_min])


def _row(group: str, what: str, errors: Sequence[float], covered: float | None = None) -> Row:
    if not errors:
        return Row(group=group, what=what, count=0, median=None, p95=None, largest=None, bias=None)
    sizes = sorted(abs(error) for error in errors)
    return Row(
        group=group,
        what=what,
        count=len(sizes),
        median=statistics.median(sizes),
        p95=sizes[min(len(sizes) - 1, int(0.95 * len(sizes)))],
        largest=sizes[-1],
        bias=statistics.fmean(errors),
        covered=covered,
    )


def table(rows: Iterable[Row]) -> Iterator[str]:
    """The rows as lines of text."""
    yield f"{'':34} {'what':28} {'n':>5} {'median':>7} {'95 %':>7} {'largest':>7} {'bias':>7} {'covered':>7}"
    for row in rows:
        figures = " ".join(
            f"{'-' if value is None else format(value, form):>7}"
            for value, form in (
                (row.median, ".2f"),
                (row.p95, ".2f"),
                (row.largest, ".2f"),
                (row.bias, "+.2f"),
                (row.covered, ".0%"),
            )
        )
        yield f"{row.group:34} {row.what:28} {row.count:5d} {figures}"
