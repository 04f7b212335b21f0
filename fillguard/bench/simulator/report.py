"""The truth of one fill as the plain values that scoring reads: what happened, at what times, how it came out."""

import statistics
from collections.abc import Iterator, Sequence
from typing import Any

from fillguard.bench.simulator.truth import REFERENCES_C, TRACE_EVERY_S, Contents, FillTruth, State

TOO_FAST_BAR_MIN = 30.0
"""Common practice; a help for scoring, not a rule."""
_RATE_OVER_S = 10.0
_PARTLY_OPEN_BELOW = 0.5
_SETTLED_AT_C = REFERENCES_C[:-1]
_DEVELOPED_AT_C = REFERENCES_C[-1]


def truth_report(fill: FillTruth, *, every_s: float = 5.0) -> dict[str, Any]:
    """Plain values, JSON-ready; the trace thinned to `every_s`. Keys that do not apply are left out or null."""
    flowing = _while_flowing(fill)
    out: dict[str, Any] = {"t_flow_start": fill.flow_start_s, "t_close": fill.flow_stop_s}
    if fill.at_start is not None and fill.at_close is not None:
        out |= _course(fill.at_start, fill.at_close, flowing) | _at_close(fill, fill.at_close)
    if fill.at_end is not None:
        out |= _at_end(fill.at_end)
    return out | _flags(fill, flowing) | {"events": fill.events, "trace": _thinned(fill.trace, every_s)}


def _while_flowing(fill: FillTruth) -> Sequence[State]:
    start, stop = fill.flow_start_s, fill.flow_stop_s
    if start is None or stop is None:
        return ()
    return [state for state in fill.trace if start <= state.t_s <= stop]


def _course(start: State, close: Contents, flowing: Sequence[State]) -> dict[str, Any]:
    minutes = max(1e-3, (close.state.t_s - start.t_s) / 60.0)
    drops = [state.valve_drop_bar for state in flowing] or [0.0]
    fast = [[round(value, 1) for value in segment] for segment in _too_fast(flowing)]
    return {
        "fill_min": round(minutes, 3),
        "mean_rate_bar_min": round((close.state.p_cyl_bar_g - start.p_cyl_bar_g) / minutes, 2),
        "max_rate_10s_bar_min": round(max((rate for _, rate in _rates(flowing)), default=0.0), 1),
        "p_start_bar_g": round(start.p_cyl_bar_g, 2),
        "mass_start_kg": round(start.mass_kg, 5),
        "too_fast": bool(fast),
        "too_fast_segments": fast,
        "valve_drop_max_bar": round(max(drops), 2),
        "valve_drop_median_bar": round(statistics.median(drops), 3),
    }


def _at_close(fill: FillTruth, close: Contents) -> dict[str, Any]:
    state, settled = close.state, close.settled_bar_g
    around = settled[fill.around_c]
    return {
        "p_cyl_close_bar_g": round(state.p_cyl_bar_g, 3),
        "T_gas_close_c": round(state.gas_c, 3),
        "mass_close_kg": round(state.mass_kg, 5),
        "T_outer_wall_close_c": round(state.outer_wall_c, 2),
        "T_inner_wall_close_c": round(state.inner_wall_c, 2),
        "settled_bar_g": _by_reference(close),
        "settled_ref_bar_g": round(state.settled_ref_bar_g, 3),
        "settle_drop_to_ref_bar": round(state.p_cyl_bar_g - state.settled_ref_bar_g, 3),
        "settled_at_surroundings_bar_g": round(around, 3),
        "settle_drop_to_surroundings_bar": round(state.p_cyl_bar_g - around, 3),
        "p_at_65C_bar_g": round(settled[_DEVELOPED_AT_C], 3),
        "composition_close": {symbol: round(share, 4) for symbol, share in close.shares.items()},
        "overfill": state.settled_ref_bar_g > fill.rated_bar,
        "overfill_margin_bar": round(state.settled_ref_bar_g - fill.rated_bar, 3),
        "hot_above_rated": state.p_cyl_bar_g > fill.rated_bar,
    }


def _at_end(end: Contents) -> dict[str, Any]:
    return {
        "mass_end_kg": round(end.state.mass_kg, 5),
        "settled_end_bar_g": _by_reference(end),
        "p_cyl_end_bar_g": round(end.state.p_cyl_bar_g, 3),
        "T_gas_end_c": round(end.state.gas_c, 3),
        "record_s": end.state.t_s,
    }


def _by_reference(contents: Contents) -> dict[str, float]:
    return {f"{celsius:g}": round(contents.settled_bar_g[celsius], 3) for celsius in _SETTLED_AT_C}


def _flags(fill: FillTruth, flowing: Sequence[State]) -> dict[str, Any]:
    burst = fill.at_burst
    return {
        "valve_partly_open": bool(flowing)
        and statistics.median(state.valve_opening for state in flowing) < _PARTLY_OPEN_BELOW,
        "slow_leak": bool(fill.events["leak_start"]),
        "leaked_kg": round(fill.leaked_kg, 5),
        "burst_disc": burst is not None,
        "at_burst": None
        if burst is None
        else {
            "t": burst.t_s,
            "p_cyl_bar_g": round(burst.p_cyl_bar_g, 2),
            "T_gas_c": round(burst.gas_c, 2),
            "mass_kg": round(burst.mass_kg, 5),
        },
        "sensor_stuck": [list(window) for window in fill.stucks],
        "sensor_dropout": [list(window) for window in fill.silences],
        "whip_bled": bool(fill.events["whip_bled"]),
    }


def _rates(flowing: Sequence[State]) -> Iterator[tuple[float, float]]:
    """Rise of the cylinder over ten seconds, bar/min, at each state of the flow."""
    back = round(_RATE_OVER_S / TRACE_EVERY_S)
    for old, new in zip(flowing, flowing[back:], strict=False):
        yield new.t_s, (new.p_cyl_bar_g - old.p_cyl_bar_g) / (new.t_s - old.t_s) * 60.0


def _too_fast(flowing: Sequence[State]) -> Iterator[tuple[float, float, float]]:
    """Stretches above the practice limit: start, end, highest rate."""
    stretch: tuple[float, float, float] | None = None
    for t_s, rate in _rates(flowing):
        if rate > TOO_FAST_BAR_MIN:
            stretch = (stretch[0], t_s, max(stretch[2], rate)) if stretch is not None else (t_s, t_s, rate)
        elif stretch is not None:
            yield stretch
            stretch = None
    if stretch is not None:
        yield stretch


def _thinned(trace: Sequence[State], every_s: float) -> dict[str, list[float]]:
    rows = trace[:: max(1, round(every_s / TRACE_EVERY_S))]
    return {
        "t": [round(row.t_s, 1) for row in rows],
        "p_cyl_bar_g": [round(row.p_cyl_bar_g, 2) for row in rows],
        "T_gas_c": [round(row.gas_c, 2) for row in rows],
        "T_outer_wall_c": [round(row.outer_wall_c, 2) for row in rows],
        "mass_kg": [round(row.mass_kg, 5) for row in rows],
        "settled_ref_bar_g": [round(row.settled_ref_bar_g, 3) for row in rows],
    }
