"""A station learns from its good fills, never from its bad ones, and is nearer the truth for it."""

import statistics
from collections.abc import Iterator
from dataclasses import replace

import pytest

from fillguard.bench.simulator import Trouble, generate_fills
from fillguard.core.events import FillStarted, LearnedChanged, OutEvent, SettledJudged, SettledRead
from fillguard.core.learned import AS_SHIPPED, SHIPPED, Doubt, Ending, Marginal, Unfit
from fillguard.core.station import StationState, step
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import Stamp
from tests.learning_fills import Shop, TruthKnown, generated, shop, thinned

pytestmark = pytest.mark.fills

SEED = 7
TAUGHT_WITH, LOOKED_AT = 5, 4


def fills(count: int, *, trouble: Trouble | None = None, seed: int = SEED) -> Iterator[TruthKnown]:
    """Fills of one station with half the shipped heat transfer; about half with trouble, where asked for."""
    troubles = () if trouble is None else (trouble,)
    made = generate_fills(count, seed, kinds=("ST12",), heats=("measured",), troubles=troubles, settle_s=200.0)
    return (thinned(fill) for fill in generated(made))


def stays(fill: TruthKnown) -> bool:
    """It stays on the whip until the end: a leak takes minutes to show."""
    return next(value for _, channel, value in reversed(fill.rows) if channel == "P") > 20.0


@pytest.fixture(scope="module")
def made() -> list[TruthKnown]:
    return list(fills(TAUGHT_WITH + LOOKED_AT))


@pytest.fixture(scope="module")
def knowing(made: list[TruthKnown]) -> Shop:
    """A shop that has filled some of the cylinders."""
    new = shop()
    for fill in made[:TAUGHT_WITH]:
        new.fill(fill)
    return new


def test_fills_it_never_saw_are_projected_better_and_still_covered(knowing: Shop, made: list[TruthKnown]) -> None:
    unseen = made[TAUGHT_WITH:]
    before = [out for fill in unseen if (out := shop().fill(fill)) is not None]
    after = [out for fill in unseen if (out := knowing.with_learned(knowing.learned).fill(fill)) is not None]
    assert len(before) == len(after) >= 3
    assert statistics.mean(abs(out.error_bar) for out in after) < 0.8 * statistics.mean(
        abs(out.error_bar) for out in before
    )
    assert sum(out.covered for out in after) >= len(after) - 1


def test_each_lesson_is_an_event_that_holds_everything_learned(knowing: Shop) -> None:
    changes = knowing.learned_changes
    assert [change.learned.version for change in changes] == list(range(1, len(changes) + 1))
    assert knowing.learned == changes[-1].learned
    assert knowing.learned.shift("steel 8.5-13.5 L").guess < -0.1
    assert [change.lesson for change in changes] == [each.lesson for each in knowing.ended if each.lesson is not None]


def test_each_fill_names_the_version_it_was_projected_with(knowing: Shop) -> None:
    versions = [each.summary.learned_version for each in knowing.ended]
    taught = [0, *(int(each.lesson is not None) for each in knowing.ended)]
    assert versions == [sum(taught[: n + 1]) for n in range(len(versions))]
    assert versions[-1] > 0


def test_a_fill_that_taught_nothing_says_why(knowing: Shop) -> None:
    assert all((each.lesson is None) == (each.untaught is not None) for each in knowing.ended)


@pytest.mark.parametrize(
    ("trouble", "reason"),
    [
        (Trouble.DISC_BURST, Unfit.SUDDEN_LOSS),
        (Trouble.SENSOR_SILENT, Unfit.SENSOR_SILENT),
        (Trouble.SENSOR_STUCK, Unfit.SENSOR_STUCK),
        (Trouble.SLOW_LEAK, Unfit.LEAK),
    ],
    ids=str,
)
def test_a_bad_fill_teaches_nothing(trouble: Trouble, reason: Unfit) -> None:
    new = shop()
    waits = trouble is Trouble.SLOW_LEAK
    new.fill(next(f for f in fills(9, trouble=trouble, seed=3) if f.trouble is trouble and (stays(f) or not waits)))
    assert new.learned == AS_SHIPPED
    assert reason in {each.untaught for each in new.ended}
    assert [each.ending for each in new.ended] == [None] * len(new.ended)


@pytest.mark.parametrize(
    ("described", "reason"), [(False, Unfit.UNIDENTIFIED), (True, Unfit.CLASS_ONLY)], ids=["unknown", "class only"]
)
def test_a_cylinder_nobody_named_teaches_nothing(made: list[TruthKnown], described: bool, reason: Unfit) -> None:  # noqa: FBT001 - a table's column
    new = shop()
    new.fill(replace(made[0], serial=None, described=described))
    assert new.learned == AS_SHIPPED
    assert {each.untaught for each in new.ended} == {reason}


# --- Settled readings ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ending(knowing: Shop) -> Ending:
    """The end of a good fill; how far its unknowns lean on the settled pressure is set, so that the sums are plain."""
    found = next(each.ending for each in knowing.ended if each.ending is not None)
    scale = Marginal(prior=Doubt(guess=0.0, sigma=0.35), posterior=Doubt(guess=0.0, sigma=0.35), lean_pa=0.35 * 3e5)
    nothing = Marginal(prior=SHIPPED.supply_k, posterior=SHIPPED.supply_k, lean_pa=0.0)
    return replace(found, taught=False, settled_sigma_pa=3e5, scale=scale, supply_k=nothing)


def read(ending: Ending, *, off_bar: float, fill_id: str | None = None) -> tuple[StationState, list[OutEvent]]:
    """Somebody reads the cylinder at its reference temperature, so far off the projection."""
    event = SettledRead(
        stamp=Stamp(mono_s=5.0, utc_s=ending.ended_s + 86_400.0),
        fill_id=fill_id or ending.fill_id,
        gauge_pa=ending.settled_gauge_pa + pa_from_bar(off_bar),
        temperature_k=ending.cylinder.reference_k,
        by="tech-1",
    )
    state, facts = step(StationState(endings=(ending,)), event, shop().rules)
    return state, list(facts)


@pytest.mark.parametrize("off_bar", [-3.0, 3.0], ids=["below", "above"])
def test_a_settled_reading_off_the_projection_moves_the_heat_transfer_that_way(ending: Ending, off_bar: float) -> None:
    state, facts = read(ending, off_bar=off_bar)
    judged, changed = facts
    assert isinstance(judged, SettledJudged)
    assert isinstance(changed, LearnedChanged)
    assert judged.lesson is not None
    assert judged.lesson.settled
    assert judged.lesson.scale is not None
    # 3 bar is one standard deviation of the projection, and it hangs on the scale alone: the reading says 0.35.
    assert judged.lesson.scale.guess == pytest.approx(0.35 * off_bar / 3.0, rel=0.02)
    assert changed.learned.shift().guess * off_bar > 0.0
    assert (changed.by, changed.learned.version) == ("tech-1", 1)
    assert state.endings == ()


def test_a_reading_of_a_fill_that_has_taught_adds_only_what_it_tells_beyond(ending: Ending) -> None:
    known = replace(ending.scale, posterior=Doubt(guess=-0.5, sigma=0.2), lean_pa=0.2 * 3e5)
    _, facts = read(replace(ending, taught=True, scale=known), off_bar=0.0)
    judged = facts[0]
    assert isinstance(judged, SettledJudged)
    assert judged.lesson is not None
    assert judged.lesson.scale is not None
    assert judged.lesson.scale.guess == pytest.approx(-0.5)


def test_a_reading_of_other_contents_teaches_nothing_and_may_be_given_again(ending: Ending) -> None:
    state, facts = read(ending, off_bar=-60.0)
    assert [fact.untaught for fact in facts if isinstance(fact, SettledJudged)] == [Unfit.OTHER_CONTENTS]
    assert len(facts) == 1
    assert state.endings == (ending,)


def test_a_reading_of_a_fill_nobody_knows_is_recorded_as_such(ending: Ending) -> None:
    _, facts = read(ending, off_bar=0.0, fill_id="tern-9-20261124T220945Z")
    assert [fact.untaught for fact in facts if isinstance(fact, SettledJudged)] == [Unfit.UNKNOWN_FILL]


@pytest.mark.parametrize("hours", [11.0, 100.0], ids=["next day", "next week"])
def test_a_cylinder_that_comes_back_cold_is_read_by_itself(
    ending: Ending, made: list[TruthKnown], hours: float
) -> None:
    new = shop()
    again = replace(made[0], serial=ending.serial)
    new.start_with(replace(ending, ended_s=new.next_day_s - hours * 3600.0))
    new.fill(again)
    started = next(fact for fact in new.facts if isinstance(fact, FillStarted))
    judged = [fact for fact in new.facts if isinstance(fact, SettledJudged)]
    assert len(judged) == (1 if hours < 72.0 else 0)  # after three days somebody may well have breathed from it
    shop_k = k_from_c(next(value for _, channel, value in again.rows if channel == "A"))
    for fact in judged:
        assert (fact.fill_id, fact.by) == (ending.fill_id, "fillguard")
        assert fact.gauge_pa == started.start_gauge_pa
        assert fact.temperature_k == pytest.approx(shop_k, abs=2.0)
        assert fact.untaught is Unfit.OTHER_CONTENTS  # it has been dived with
