"""Whatever arrives: the estimator never raises, never says an impossible number, never forgets what it holds to."""

from math import isfinite

from hypothesis import given, settings
from hypothesis import strategies as st

from fillguard.core import estimator
from fillguard.core.estimator import EstimatorState, Flow
from fillguard.core.heat import SupplyKind
from fillguard.core.outlook import outlook
from fillguard.core.units import pa_from_bar
from tests.fills import STEEL_12, context_for

CONTEXT = context_for(supply=SupplyKind.UNKNOWN)
OTHER = context_for(STEEL_12, supply=SupplyKind.BANK, limit_gauge_pa=pa_from_bar(150.0))

anything = st.one_of(
    st.floats(-5.0, 420.0), st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1e12, 1e12])
)
steps_s = st.one_of(st.floats(0.05, 5.0), st.sampled_from([0.0, -1.0, 600.0, 86_400.0, float("nan"), 1e9]))
kinds = st.sampled_from(["pressure", "pressure", "pressure", "wall", "surroundings", "suspend", "adapt"])
events = st.lists(st.tuples(kinds, anything, steps_s, st.sampled_from(list(Flow))), max_size=60)


def stepped(state: EstimatorState, event: tuple[str, float, float, Flow], at_s: float) -> EstimatorState:
    kind, value, _, flow = event
    match kind:
        case "pressure":
            return estimator.on_pressure(state, CONTEXT, pa_from_bar(value), at_s, flow)
        case "wall":
            return estimator.on_wall(state, CONTEXT, value + 273.15, at_s)
        case "surroundings":
            return estimator.on_surroundings(state, value + 273.15)
        case "adapt":
            return estimator.adapted(state, OTHER, CONTEXT)
        case _:
            return estimator.suspend(state, "stale")


def told_rightly(state: EstimatorState) -> None:
    balance = state.balance
    assert balance.mass_kg > 0.0
    assert 200.0 < balance.gas_k < 460.0
    assert all(row[j] >= -1e-9 for j, row in enumerate(state.unknowns.covariance)), "no negative variance"
    look = outlook(state, CONTEXT)
    if look.reason is not None:
        assert look.settled_gauge_pa is None
        return
    assert look.settled_gauge_pa is not None
    assert look.low_gauge_pa is not None
    assert look.high_gauge_pa is not None
    assert isfinite(look.settled_gauge_pa)
    assert look.low_gauge_pa < look.settled_gauge_pa < look.high_gauge_pa
    assert look.close_at_gauge_pa is not None
    assert look.stop_at_gauge_pa is not None
    assert look.close_at_gauge_pa <= look.stop_at_gauge_pa, "never later than stop-at"


@settings(max_examples=150, deadline=None)
@given(events, st.floats(0.0, 300.0))
def test_no_sequence_of_readings_breaks_it(sequence: list[tuple[str, float, float, Flow]], start_bar: float) -> None:
    state, at_s = estimator.begin(CONTEXT, pa_from_bar(start_bar), 0.0), 0.0
    for event in sequence:
        at_s = at_s + event[2] if isfinite(event[2]) else at_s
        state = stepped(state, event, at_s if isfinite(event[2]) else event[2])
        told_rightly(state)
    assert len(state.trail) <= 130
    assert len(state.checks) <= 20
    assert len(state.steadiness.ends) <= 60


walks = st.lists(
    st.tuples(
        st.sampled_from([0.0, 0.3, -0.3, 1.0, 5.0, -5.0, 30.0, -60.0, 100.0]),
        st.sampled_from([0.2, 1.0, 1.0, 5.0, 60.0]),
        st.sampled_from([Flow.FLOWING, Flow.FLOWING, Flow.STOPPED]),
        st.sampled_from([None, None, 250.0, 290.0, 310.0, 390.0]),
    ),
    max_size=120,
)


@settings(max_examples=60, deadline=None)
@given(walks, st.floats(0.0, 250.0))
def test_no_walk_of_the_gauge_leads_it_astray(
    walk: list[tuple[float, float, Flow, float | None]], start_bar: float
) -> None:
    state, at_s, gauge_bar = estimator.begin(CONTEXT, pa_from_bar(start_bar), 0.0), 0.0, start_bar
    for step_bar, step_s, flow, wall_k in walk:
        at_s += step_s
        gauge_bar = min(max(gauge_bar + step_bar, -1.0), 390.0)
        state = estimator.on_pressure(state, CONTEXT, pa_from_bar(gauge_bar), at_s, flow)
        if wall_k is not None:
            state = estimator.on_wall(state, CONTEXT, wall_k, at_s)
        told_rightly(state)


@settings(max_examples=30, deadline=None)
@given(events)
def test_the_same_readings_give_the_same_state(sequence: list[tuple[str, float, float, Flow]]) -> None:
    ends = []
    for _ in range(2):
        state, at_s = estimator.begin(CONTEXT, pa_from_bar(80.0), 0.0), 0.0
        for event in sequence:
            at_s = at_s + event[2] if isfinite(event[2]) else at_s
            state = stepped(state, event, at_s)
        ends.append((state.balance, state.unknowns, state.refusals, state.suspended))
    assert ends[0] == ends[1]
