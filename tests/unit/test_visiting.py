"""What the last fills of a cylinder say of the way into it, until its next one."""

from dataclasses import replace

from fillguard.core.events import FillEnded, FillSummary, FindingMade
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Drop, Visits
from fillguard.core.visiting import VISITED_KEPT, visited, visits_of
from tests.panel import STEEL_12, Line, Panel, stamp

USUAL = Drop(ahead_pa=1.2 * PA_PER_BAR, rate_pa_s=25.0 * PA_PER_BAR / 60.0)


def ended(like: FillSummary, *findings: str, serial: str = "TH-0042", drop: Drop | None = USUAL) -> FillEnded:
    return FillEnded(stamp=stamp(0.0), summary=replace(like, serial=serial, findings=findings, alarms=()), drop=drop)


def summary() -> FillSummary:
    panel = Panel()
    panel.whip().attach(STEEL_12).opens(residual_bar=50).fills(to_bar=90, at_bar_min=25).closes(for_s=20).bleeds()
    (row,) = panel.play().ended()
    return row


def test_the_drops_of_a_cylinders_fills_are_kept_and_its_fills_that_were_held_back_counted() -> None:
    row = summary()
    known = visited((), [ended(row), ended(row, "bled"), ended(row, serial="TH-0077")])
    assert visits_of(known, "TH-0042") == Visits(drops=(USUAL, USUAL))
    known = visited(known, [ended(row, "valve-not-open"), ended(row, "flow-restricted")])
    assert visits_of(known, "TH-0042") == Visits(drops=(USUAL, USUAL), held_back=2)
    assert visits_of(visited(known, [ended(row)]), "TH-0042").held_back == 0
    assert visits_of(known, "TH-0001") == Visits()


def test_what_is_remembered_is_bounded() -> None:
    row = summary()
    known = visited((), [ended(row, serial=f"TH-{n:04d}") for n in range(VISITED_KEPT + 5)])
    assert len(known) == VISITED_KEPT
    assert visits_of(known, "TH-0000") == Visits()
    assert len(visits_of(visited((), [ended(row)] * 9), "TH-0042").drops) == 5


def visit(line: Line, *, drop_bar: float) -> Line:
    """One fill; at its end the gauge comes back by this within a second."""
    line.attach(STEEL_12).opens(residual_bar=60).fills(to_bar=140, at_bar_min=25)
    line.moves(to_bar=140 - drop_bar, in_s=1.0).stands(for_s=40.0)
    return line.bleeds()


def test_a_drop_that_has_grown_over_this_cylinders_visits_is_a_narrowed_way() -> None:
    panel = Panel()
    line = panel.whip().samples(0.5)
    for drop_bar in (1.0, 1.0, 1.0, 6.0):
        visit(line, drop_bar=drop_bar)
    story = panel.play()
    assert len(story.started()) == 4
    narrowed = [at_s for at_s, made in story.all(FindingMade) if made.finding == "flow-restricted"]
    assert len(narrowed) == 1
    assert narrowed[0] > story.all(FillEnded)[2][0], "only at the fourth"


def test_drops_that_stay_as_they_were_say_nothing() -> None:
    panel = Panel()
    line = panel.whip().samples(0.5)
    for drop_bar in (1.5, 1.3, 1.6):
        visit(line, drop_bar=drop_bar)
    assert "flow-restricted" not in panel.play().findings()
