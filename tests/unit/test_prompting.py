"""What the board asks of the operator, and that noise does not make it ask and un-ask."""

import pytest

from fillguard.core.events import Phase, Projected, Prompt
from fillguard.core.prompting import Asked, prompt_for
from fillguard.core.rules import Extents
from fillguard.core.units import PA_PER_BAR
from tests.panel import stamp

BAR = PA_PER_BAR
EXTENTS = Extents()


def seen(
    at_s: float = 0.0,
    *,
    gauge: float,
    close_at: float | None = 220.0,
    rate_bar_min: float | None = 20.0,
    settled: float | None = 190.0,
    cap: str | None = None,
    phase: Phase = Phase.FILLING,
) -> Projected:
    return Projected(
        stamp=stamp(at_s),
        sample_s=at_s,
        whip="1",
        fill_id="tern-1-x",
        phase=phase,
        gauge_pa=gauge * BAR,
        limit_gauge_pa=200 * BAR,
        target_gauge_pa=200 * BAR,
        reference_k=288.15,
        settled_gauge_pa=None if settled is None else settled * BAR,
        rate_pa_s=None if rate_bar_min is None else rate_bar_min * BAR / 60,
        close_at_gauge_pa=None if close_at is None else close_at * BAR,
        close_at_cap=cap,
    )


def settled_prompt(projection: Projected, before: Prompt | None = None) -> Prompt | None:
    """The prompt once it has been wanted for long enough."""
    asked = Asked(prompt=prompt_for(projection.phase, projection, before, None, EXTENTS)[0], since_s=-10.0)
    _, pending = prompt_for(projection.phase, projection, before, None, EXTENTS)
    wanted = asked.prompt if pending is None else pending.prompt
    return prompt_for(
        projection.phase, projection, before, Asked(prompt=wanted, since_s=projection.sample_s - 10), EXTENTS
    )[0]


@pytest.mark.parametrize(
    ("gauge", "before", "asked"),
    [
        (204.0, None, None),
        (205.5, None, Prompt.GET_READY),
        (204.0, Prompt.GET_READY, Prompt.GET_READY),
        (190.0, Prompt.GET_READY, None),
        (220.0, Prompt.GET_READY, Prompt.CLOSE_NOW),
        (219.5, Prompt.CLOSE_NOW, Prompt.CLOSE_NOW),
        (218.0, Prompt.CLOSE_NOW, Prompt.GET_READY),
    ],
    ids=[
        "48 s left",
        "43 s left",
        "48 s left, but it was asked already",
        "a minute and a half left again: another bank",
        "there",
        "half a bar below again",
        "two bar below again",
    ],
)
def test_get_ready_and_close_now(gauge: float, before: Prompt | None, asked: Prompt | None) -> None:
    assert settled_prompt(seen(gauge=gauge), before) is asked


def test_nothing_is_asked_without_a_close_at_or_without_flow() -> None:
    assert settled_prompt(seen(gauge=215, close_at=None)) is None
    assert settled_prompt(seen(gauge=215, rate_bar_min=1.0)) is None
    assert settled_prompt(seen(gauge=215, rate_bar_min=None)) is None


def test_a_projection_that_is_withheld_leaves_the_prompt_where_it_was() -> None:
    assert settled_prompt(seen(gauge=219, settled=None), Prompt.GET_READY) is Prompt.GET_READY


def test_what_is_wanted_for_less_than_a_second_is_not_shown() -> None:
    first = seen(10.0, gauge=221)
    prompt, asked = prompt_for(Phase.FILLING, first, None, None, EXTENTS)
    assert (prompt, asked) == (None, Asked(prompt=Prompt.CLOSE_NOW, since_s=10.0))
    assert prompt_for(Phase.FILLING, seen(10.4, gauge=150), None, asked, EXTENTS) == (None, None)
    assert prompt_for(Phase.FILLING, seen(11.0, gauge=221), None, asked, EXTENTS) == (Prompt.CLOSE_NOW, None)


def test_close_now_after_get_ready_waits_for_nothing() -> None:
    assert prompt_for(Phase.FILLING, seen(gauge=220), Prompt.GET_READY, None, EXTENTS) == (Prompt.CLOSE_NOW, None)


@pytest.mark.parametrize("phase", [Phase.PAUSED, Phase.CLOSED, Phase.SETTLING])
def test_closed_at_a_cap_and_short_it_is_to_cool_and_be_topped_up(phase: Phase) -> None:
    capped = seen(gauge=207, close_at=207, cap="hot-allowance", phase=phase)

    assert settled_prompt(capped, Prompt.CLOSE_NOW) is Prompt.LET_IT_COOL
    assert settled_prompt(capped, Prompt.LET_IT_COOL) is Prompt.LET_IT_COOL
    assert settled_prompt(capped, None) is None, "closed early, not at the cap"


@pytest.mark.parametrize("phase", [Phase.PAUSED, Phase.SETTLED, Phase.IDLE])
def test_a_fill_that_stopped_as_it_should_asks_nothing_more(phase: Phase) -> None:
    assert settled_prompt(seen(gauge=220, settled=199, phase=phase), Prompt.CLOSE_NOW) is None


def test_a_bank_that_ends_below_the_target_is_to_be_changed() -> None:
    assert settled_prompt(seen(gauge=203.5, close_at=205, cap="supply")) is Prompt.CHANGE_BANK
    assert settled_prompt(seen(gauge=200, close_at=205, cap="supply")) is None


def test_no_fill_asks_nothing() -> None:
    assert prompt_for(Phase.IDLE, None, Prompt.CLOSE_NOW, None, EXTENTS) == (None, None)
