"""The table of phases: every phase with every sign."""

import importlib.util
import itertools
from pathlib import Path

import pytest

from fillguard.core.course import Course
from fillguard.core.errors import IllegalTransitionError
from fillguard.core.events import Phase
from fillguard.core.keeping import Keeping
from fillguard.core.lifecycle import AFTER_CLOSE, FILL_OPEN, TRANSITIONS, WAITING, Sign, next_phase
from fillguard.core.whip import WhipState
from tests.panel import real_rules, stamp

ROOT = Path(__file__).resolve().parents[2]
PAIRS = list(itertools.product(Phase, Sign))


@pytest.mark.parametrize(("phase", "sign"), PAIRS, ids=lambda part: str(part.value))
def test_every_phase_takes_a_sign_as_the_table_says_or_refuses_it_and_stays(phase: Phase, sign: Sign) -> None:
    if (phase, sign) in TRANSITIONS:
        assert next_phase(phase, sign) is TRANSITIONS[phase, sign]
        return
    keeping = Keeping(WhipState(whip="1", course=Course(phase=phase)), real_rules(), stamp(0))
    before = keeping.state
    with pytest.raises(IllegalTransitionError, match=str(phase.value)):
        keeping.take(sign)

    assert keeping.state is before
    assert keeping.out == []


def test_every_phase_can_be_reached_and_left() -> None:
    assert set(TRANSITIONS.values()) | {Phase.IDLE} == set(Phase)
    assert {phase for phase, _ in TRANSITIONS} == set(Phase)


def test_every_sign_leads_somewhere() -> None:
    assert {sign for _, sign in TRANSITIONS} == set(Sign)


def test_a_phase_is_before_a_fill_in_one_or_only_passed_through() -> None:
    assert FILL_OPEN.isdisjoint(WAITING)
    assert set(Phase) - FILL_OPEN - WAITING == {Phase.ENDED, Phase.INTERRUPTED}
    assert AFTER_CLOSE < FILL_OPEN


@pytest.mark.parametrize("phase", sorted(FILL_OPEN))
def test_an_open_fill_ends_when_the_whip_is_bled_detached_or_not_watched_any_more(phase: Phase) -> None:
    assert next_phase(phase, Sign.BLED) is Phase.ENDED
    assert next_phase(phase, Sign.DETACHED) is Phase.ENDED
    assert next_phase(phase, Sign.GONE) is Phase.INTERRUPTED


@pytest.mark.parametrize("phase", sorted(FILL_OPEN - {Phase.FILLING}))
def test_inflow_makes_any_open_fill_go_on(phase: Phase) -> None:
    assert next_phase(phase, Sign.FLOWS) is Phase.FILLING


def test_the_page_shows_the_table_as_it_is() -> None:
    spec = importlib.util.spec_from_file_location("phase_page", ROOT / "deploy" / "phase_page.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    page = script.PAGE.read_text(encoding="utf-8")

    assert page == script.fresh_page(page), "run: python deploy/phase_page.py"
