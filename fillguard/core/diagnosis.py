"""What a curve hints at, in words: evidence first, then what to do. Pressures gauge pascal inside, bar in the text."""

from fillguard.core.events import Phase
from fillguard.core.fill import held_to
from fillguard.core.hinted import PASSES, Finding, hints_of
from fillguard.core.lifecycle import FILL_OPEN
from fillguard.core.units import PA_PER_BAR
from fillguard.core.view import HOSE_ONLY, View

STUCK = "sensor-stuck"
BLED = "bled"
SILENT = "sensor-silent"
LOSS = "sudden-loss"
LOOP_FAULT = "loop-fault"

_HOSE_ACTION = "Close the panel valve and bleed the hose before you open or unscrew anything."
_OVER_LIMIT_PA = 5.0 * PA_PER_BAR
_BEYOND_ANY_FLOW_PA = 100.0 * PA_PER_BAR
"""A cylinder that was seen has an open valve, until the whip leaps further than the fastest fill of a set makes it."""
_FROZEN_S, _FROZEN_COUNT, _FROZEN_RUNS = 60.0, 30, 5.0
"""A gauge that trembles while nothing flows repeats one value so long only when it has stopped measuring."""


def findings_of(view: View) -> tuple[Finding, ...]:
    """What the present curve hints at; it comes again as long as it holds, telling it once is the caller's."""
    found = (_hose_leapt(view), _stands_over_limit(view), _stuck(view))
    return (*(finding for finding in found if finding is not None), *hints_of(view))


def silent(gauge_pa: float | None) -> Finding:
    """The gauge has stopped speaking."""
    last = "nothing yet" if gauge_pa is None else f"{gauge_pa / PA_PER_BAR:.1f} bar"
    text = (
        f"The pressure sensor says nothing any more; its last word was {last}. "
        "Stop filling on this whip until it is back."
    )
    return Finding(name=SILENT, confidence=1.0, text=text)


def bled() -> Finding:
    """The normal end of a fill."""
    return Finding(name=BLED, confidence=0.95, text="The whip was bled after the flow had stopped: a normal end.")


def loss() -> Finding:
    """A disc, a hose or a valve let go."""
    text = (
        "The pressure collapsed and it was no bleeding of the hose: a relief disc, hose or valve may have let go. "
        "Keep away, close the supply from the panel, let it empty, then have disc, valve and hose inspected."
    )
    return Finding(name=LOSS, confidence=0.9, text=text)


def opened_late(stood_at_pa: float, fell_to_pa: float) -> Finding:
    """Only the hose was at pressure, and then the cylinder valve was opened."""
    text = (
        f"The gauge stood at {stood_at_pa / PA_PER_BAR:.0f} bar with the cylinder valve shut and fell to "
        f"{fell_to_pa / PA_PER_BAR:.0f} bar when it was opened: only the hose had been at pressure. "
        "Open the cylinder valve first, slowly, then the panel valve. The residual pressure was not seen."
    )
    return Finding(name=HOSE_ONLY, confidence=0.9, text=text)


def loop_fault() -> Finding:
    """The sensor's current says that the sensor or its wiring has failed."""
    text = (
        "The pressure sensor reports a fault in its loop (a current that stands for no pressure). "
        "Stop filling on this whip; have the sensor, its cable and its supply checked."
    )
    return Finding(name=LOOP_FAULT, confidence=1.0, text=text)


def _hose_leapt(view: View) -> Finding | None:
    ahead, passage = view.state.ahead_pa, view.state.evidence.passage
    if not view.hose_only or (passage is not None and ahead < _BEYOND_ANY_FLOW_PA):
        return None
    text = (
        f"The gauge leapt {ahead / PA_PER_BAR:.0f} bar further than a cylinder can follow: the cylinder valve is shut, "
        f"only the hose is at pressure. {_HOSE_ACTION}"
    )
    return Finding(name=HOSE_ONLY, confidence=0.8, text=text)


def _stands_over_limit(view: View) -> Finding | None:
    """Gas that stands above the rating right after the hose leapt is far more often hose than an overfull cylinder."""
    state, level = view.state, view.state.course.level_pa
    if state.phase is not Phase.CONNECTED or level is None or state.course.hose_jumped_s is None:
        return None
    limit = held_to(state.attached, view.rules, state.whip).limit_gauge_pa
    if level <= limit + _OVER_LIMIT_PA:
        return None
    text = (
        f"The gauge stands at {level / PA_PER_BAR:.0f} bar, above the {limit / PA_PER_BAR:.0f} bar this cylinder may "
        "hold, and nothing has flowed: most likely the cylinder valve is shut and only the hose is at pressure. "
        f"{_HOSE_ACTION}"
    )
    return Finding(name=HOSE_ONLY, confidence=0.7, text=text)


def _stuck(view: View) -> Finding | None:
    gauge = view.state.gauge
    if gauge.gauge_pa is None:
        return None
    # Behind a valve that is shut a gauge may stand; one that lets gas through is not believed any more.
    shut = view.shut_since_s is not None and PASSES not in view.state.findings
    if not shut and view.state.phase in {Phase.FILLING, Phase.PAUSED} and gauge.stuck(view.state.rate_before_pa_s):
        while_what = "while gas was flowing"
    elif _frozen(view):
        while_what = f"for {gauge.sample_s - gauge.same_since_s:.0f} s, and it had trembled before as a live one does"
    else:
        return None
    text = (
        f"The pressure sensor has repeated {gauge.gauge_pa / PA_PER_BAR:.1f} bar {gauge.same_count + 1} times "
        f"{while_what}: it is stuck. Stop filling on this whip until it moves again."
    )
    return Finding(name=STUCK, confidence=0.9, text=text)


def _frozen(view: View) -> bool:
    gauge = view.state.gauge
    same_s = gauge.sample_s - gauge.same_since_s
    return (
        view.state.phase in FILL_OPEN
        and view.state.evidence.noise.shows
        and gauge.same_count >= _FROZEN_COUNT
        and same_s >= max(_FROZEN_S, _FROZEN_RUNS * gauge.longest_run_s)
    )
