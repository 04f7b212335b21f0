"""What one pressure reading costs the estimator, all in, beside a call of the reference library in the same minute."""

import itertools
import sys
import time
from statistics import median

import pytest
from CoolProp import CoolProp

from fillguard.core.estimator import Flow, begin, on_pressure
from fillguard.core.outlook import outlook
from fillguard.core.units import pa_from_bar
from tests.fills import context_for

READINGS = 400


@pytest.mark.speed
def test_a_reading_costs_some_dozens_of_library_calls(capsys: pytest.CaptureFixture[str]) -> None:
    context = context_for()
    truth = CoolProp.AbstractState("HEOS", "Air")
    truth.specify_phase(CoolProp.iphase_gas)

    def ours_us() -> float:
        state = begin(context, pa_from_bar(50.0), 0.0)
        before = time.process_time()
        for count in range(1, READINGS + 1):
            state = on_pressure(state, context, pa_from_bar(50.0 + 0.3 * count), float(count), Flow.FLOWING)
            outlook(state, context)
        return (time.process_time() - before) / READINGS * 1e6

    def theirs_us() -> float:
        before = time.process_time()
        for count in range(READINGS):
            truth.update(CoolProp.DmassT_INPUTS, 150.0 + 1e-3 * count, 300.0)
            truth.p()
            truth.umass()
            truth.cvmass()
        return (time.process_time() - before) / READINGS * 1e6

    pairs = [(ours_us(), theirs_us()) for _ in itertools.repeat(None, 7)]
    ratio = median(our / their for our, their in pairs)
    with capsys.disabled():
        sys.stdout.write(f" reading {min(our for our, _ in pairs):.0f} us, median ratio {ratio:.0f} ")
    assert ratio < 60.0  # measured 46
