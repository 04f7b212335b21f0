"""Nothing leaves the shop before somebody analysed it where that is due, looked at it and released it by name."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.entering import Form, enter
from fillguard.app.learning import remembered
from fillguard.app.records import fill_rows
from fillguard.app.releasing import ReleaseDesk, Releasing, mix_said
from fillguard.core.errors import ConfigurationError, NotDoneError
from fillguard.core.events import CommandAnswered, FillAnalysed, FillReleased
from fillguard.core.fitness.release import Analysis, Basis, Filled, Wish, cautions, refusals
from fillguard.core.station import StationState, step
from fillguard.core.units import bar_from_pa, k_from_c
from fillguard.core.values import AIR, GasMix
from fillguard.intake.commands import command_event
from fillguard.intake.formats import UnusableError
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.register import add_to_register
from fillguard.ledger.releases import ReleaseReader
from fillguard.ports import RawMessage
from fillguard.settings import load_settings
from tests.ledger_facts import FILL, T0, at, ended, started, tick
from tests.ledger_facts import step as record
from tests.panel import real_rules
from tests.shops import STATION

NITROX = GasMix(o2=0.32)
READ = Analysis(o2=0.321, analyser="A1", checked_utc_s=T0 - 3600.0, by="op-1", utc_s=T0 + 600.0)
FILLED = Filled(
    fill_id=FILL,
    serial="TH-0042",
    gas=NITROX,
    residual_gas=NITROX,
    outcome="full",
    flow_stopped_s=T0 + 300.0,
    limit_gauge_pa=232e5,
    reference_k=k_from_c(15.0),
    projected_gauge_pa=230e5,
)
WISH = Wish(label=None, settled_gauge_pa=None, valve_seen=True, o_ring_seen=True, utc_s=T0 + 900.0)
AIR_FILL = replace(FILLED, gas=AIR, residual_gas=AIR)


# --- The rules -------------------------------------------------------------------------------------------------------


def test_a_nitrox_fill_on_its_label_may_leave() -> None:
    assert refusals(FILLED, [READ], WISH) == ()


def test_anything_but_air_stays_until_it_is_analysed() -> None:
    assert refusals(FILLED, [], WISH) == ("O2 32 %, He 0 % is not released without an analysis",)
    assert refusals(AIR_FILL, [], WISH) == ()


@pytest.mark.parametrize(("o2", "leaves"), [(0.310, True), (0.330, True), (0.309, False), (0.331, False)], ids=str)
def test_one_per_cent_off_the_label_is_the_most(o2: float, *, leaves: bool) -> None:
    """Common practice of the trade."""
    assert (refusals(FILLED, [replace(READ, o2=o2)], WISH) == ()) is leaves


@pytest.mark.parametrize(("o2", "leaves"), [(0.200, True), (0.220, True), (0.199, False), (0.221, False)], ids=str)
def test_air_has_twenty_to_twenty_two_per_cent_of_oxygen(o2: float, *, leaves: bool) -> None:
    """EN 12021:2014: 21 +/- 1 % (read second-hand)."""
    assert (refusals(AIR_FILL, [replace(READ, o2=o2)], WISH) == ()) is leaves


def test_more_carbon_monoxide_than_five_ppm_stays() -> None:
    """EN 12021:2014 (read second-hand)."""
    air = replace(READ, o2=0.209)
    assert refusals(AIR_FILL, [replace(air, co_ppm=5.0)], WISH) == ()
    assert "6 ppm of carbon monoxide" in refusals(AIR_FILL, [replace(air, co_ppm=6.0)], WISH)[0]


def test_a_mix_with_helium_needs_its_helium_analysed() -> None:
    trimix = GasMix(o2=0.18, he=0.45)
    fill, analysis = replace(FILLED, gas=trimix, residual_gas=trimix), replace(READ, o2=0.18)
    assert "helium was not analysed" in refusals(fill, [analysis], WISH)[0]
    assert refusals(fill, [replace(analysis, he=0.44)], WISH) == ()
    assert "more than 2 % off" in refusals(fill, [replace(analysis, he=0.42)], WISH)[0]


def test_of_many_analyses_the_newest_counts() -> None:
    early, late = replace(READ, o2=0.35), replace(READ, o2=0.32, utc_s=READ.utc_s + 60.0)
    assert refusals(FILLED, [late, early], WISH) == ()


def test_what_was_analysed_while_gas_still_flowed_says_nothing() -> None:
    assert "before the gas had stopped flowing" in refusals(FILLED, [replace(READ, utc_s=T0 + 200.0)], WISH)[0]


def test_two_gases_need_a_label() -> None:
    topped = replace(FILLED, gas=AIR, residual_gas=NITROX)
    assert refusals(topped, [READ], WISH) == ("air went onto O2 32 %, He 0 %: say what its label says now",)
    labelled = replace(WISH, label=GasMix(o2=0.28))
    assert refusals(topped, [replace(READ, o2=0.283)], labelled) == ()
    assert refusals(topped, [], replace(WISH, label=AIR)) == ("O2 32 %, He 0 % is not released without an analysis",)


def test_a_relabelled_mix_is_held_against_its_new_label() -> None:
    off = replace(READ, o2=0.346)
    assert refusals(FILLED, [off], WISH) != ()
    assert refusals(FILLED, [off], replace(WISH, label=GasMix(o2=0.35))) == ()


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"outcome": "drained"}, "there is no fill to release"),
        ({"forbidden": "test overdue"}, "its verdict was do not fill (test overdue)"),
        ({"alarms": ("sudden-loss",)}, "an inspection comes first"),
        ({"projected_gauge_pa": 240e5}, "it holds 240 bar settled, its limit is 232 bar"),
        ({"projected_gauge_pa": None}, "its final pressure is not known"),
    ],
    ids=["drained", "not fit", "after a loss", "over its limit", "nobody knows"],
)
def test_a_fill_that_went_wrong_stays(changes: dict[str, object], why: str) -> None:
    assert why in refusals(replace(FILLED, **changes), [READ], WISH)[0]


def test_wrong_gas_in_the_line_means_an_analysis_even_of_air() -> None:
    assert refusals(replace(AIR_FILL, alarms=("wrong-gas",)), [], WISH) == ("air is not released without an analysis",)


def test_valve_and_o_ring_were_looked_at_or_it_stays() -> None:
    unseen = replace(WISH, valve_seen=False, o_ring_seen=False)
    assert refusals(FILLED, [READ], unseen) == ("nobody says that valve and O-ring were looked at",)


def test_an_analyser_that_nobody_checked_that_day_is_a_caution() -> None:
    assert cautions([READ]) == ()
    assert "nobody said when analyser A1" in cautions([replace(READ, checked_utc_s=None)])[0]
    assert "not checked on the day" in cautions([replace(READ, checked_utc_s=T0 - 2e5)])[0]


# --- In the record ---------------------------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    opened = replace(started(), gas=NITROX, residual_gas=NITROX)
    add_to_register(
        tmp_path / "ledger.sqlite3",
        "tern",
        at(0),
        [record(tick(0), opened), record(tick(500), ended(500, gas=NITROX))],
    )
    return tmp_path


def wish(fill: str = "TH-0042", **changes: object) -> FillReleased:
    made = FillReleased(
        stamp=at(900),
        fill_id=fill,
        gauge_pa=None,
        basis=Basis.PROJECTED,
        shop_k=None,
        label=None,
        valve_seen=True,
        o_ring_seen=True,
        by="op-2",
        to="diver 7",
    )
    return replace(made, **changes)


def test_what_is_filled_is_in_the_shop_until_it_is_released_and_the_record_stays_sound(config: Path) -> None:
    releasing = Releasing(config, {}, at(900))
    (waiting,) = releasing.unreleased(within_days=1, limit=10)
    assert waiting.fill.fill_id == FILL
    assert waiting.against == ("O2 32 %, He 0 % is not released without an analysis",)

    releasing.analyse("TH-0042", replace(READ, utc_s=T0 + 880.0))
    (waiting,) = releasing.unreleased(within_days=1, limit=10)
    assert (len(waiting.analyses), waiting.against) == (1, ())

    released = releasing.release(wish())
    assert releasing.unreleased(within_days=1, limit=10) == []
    slip = releasing.slip(released)
    assert f"released: cylinder TH-0042, fill {FILL}, by op-2" in slip
    assert "projected 206 bar at 21.1 C; a gauge on it reads about 216 bar at 30 C, about 190 bar at 5 C" in slip
    assert verify(config / "ledger.sqlite3").finding is Finding.INTACT


def test_a_release_that_is_refused_is_on_record_and_the_cylinder_stays(config: Path) -> None:
    releasing = Releasing(config, {}, at(900))
    with pytest.raises(NotDoneError, match="is not released without an analysis"):
        releasing.release(wish())
    assert len(releasing.unreleased(within_days=1, limit=10)) == 1
    with SqliteLedgerReader(config / "ledger.sqlite3") as reader:
        facts = [fact for fact in reader.fill_events(FILL) if isinstance(fact, FillReleased)]
    assert [fact.refused for fact in facts] == ["O2 32 %, He 0 % is not released without an analysis"]


def test_of_a_cylinder_that_was_filled_again_only_the_last_fill_is_in_the_shop(config: Path) -> None:
    again = ended(900, "tern-1-20261124T222000Z", started_s=T0 + 640.0)
    add_to_register(config / "ledger.sqlite3", "tern", at(900), [record(tick(900), again)])
    waiting = Releasing(config, {}, at(1000)).unreleased(within_days=1, limit=10)
    assert [each.fill.fill_id for each in waiting] == ["tern-1-20261124T222000Z"]


def test_nothing_is_released_twice(config: Path) -> None:
    releasing = Releasing(config, {}, at(900))
    releasing.analyse(FILL, replace(READ, utc_s=T0 + 880.0))
    releasing.release(wish())
    with pytest.raises(NotDoneError, match="it has been released already"):
        releasing.release(wish())


def test_a_settled_reading_is_brought_to_the_reference_temperature(config: Path) -> None:
    """About one bar a degree at 200 bar (0.985 for air at 20 C: CoolProp 8.0.0)."""
    settings = load_settings(config, {})
    desk = ReleaseDesk(settings, settings.rules(real_rules().surface_of))
    read = wish(basis=Basis.SETTLED, gauge_pa=200e5, shop_k=k_from_c(10.0))
    settled_pa = desk.released(read).settled_gauge_pa
    assert settled_pa is not None
    assert 209.0 < bar_from_pa(settled_pa) < 213.0, "eleven degrees warmer: about one bar a degree"
    assert "how warm is it in the shop?" in str(desk.released(replace(read, shop_k=None)).refused)


def test_a_customer_is_told_what_the_own_gauge_will_say(config: Path) -> None:
    """231 bar at 15 C reads about 250 at 30 C and 220 in water of 5 C: computed with CoolProp 8.0.0 for air."""
    eu = ended(700, "tern-1-20261124T221200Z", reference_k=k_from_c(15.0), limit_gauge_pa=232e5, started_s=T0 + 200.0)
    add_to_register(config / "ledger.sqlite3", "tern", at(700), [record(tick(700), eu)])
    event = wish("tern-1-20261124T221200Z", settled_gauge_pa=231e5, label=AIR)
    (warm_c, warm_bar), (cold_c, cold_bar) = Releasing(config, {}, at(900)).reads_at(event)
    assert (warm_c, cold_c) == (30.0, 5.0)
    assert (warm_bar, cold_bar) == (pytest.approx(250.0, abs=2.0), pytest.approx(220.0, abs=2.0))


def test_who_got_it_is_kept_apart_and_forgotten_in_time(config: Path) -> None:
    releasing = Releasing(config, {}, at(900))
    releasing.analyse(FILL, replace(READ, utc_s=T0 + 880.0))
    releasing.release(wish())
    year_s = 366 * 86_400.0
    with ReleaseReader(config / "ledger.sqlite3") as reader:
        assert reader.recipient(FILL, T0 + 1000.0) == "diver 7"
        assert reader.recipient(FILL, T0 + year_s) is None
        event = reader.release(FILL)
    assert event is not None
    assert event.to is None, "the chain holds no name that could not be taken out again"


# --- Over the broker -------------------------------------------------------------------------------------------------


def said(**keys: object) -> RawMessage:
    payload = json.dumps({"operator": "op-1", "id": "c-1", **keys}).encode()
    return RawMessage(arrived=at(880), topic="fillguard/tern/command", payload=payload)


def test_analysis_and_release_may_come_over_the_broker_and_are_answered(config: Path) -> None:
    settings = load_settings(config, {})
    desk = ReleaseDesk(settings, settings.rules(real_rules().surface_of))
    sent = command_event(said(verb="analysed", fill="TH-0042", analyser="A1", o2_percent=32.1))
    assert isinstance(sent, FillAnalysed)
    analysed = desk.analysed(sent)
    assert (analysed.fill_id, analysed.analysis.o2) == (FILL, pytest.approx(0.321))

    wanted = command_event(said(verb="released", fill="TH-0042", valve_seen=True, o_ring_seen=True, to="diver 7"))
    assert isinstance(wanted, FillReleased)
    _, (answer,) = step(StationState(), desk.released(wanted), real_rules())
    assert isinstance(answer, CommandAnswered)
    assert (answer.command_id, answer.verb) == ("c-1", "released")
    assert answer.refused == "O2 32 %, He 0 % is not released without an analysis"


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"verb": "analysed", "fill": "x", "analyser": "A1", "o2_percent": 132.0}, "o2_percent 132.0: 0 to 100"),
        ({"verb": "analysed", "fill": "x", "o2_percent": 32.0}, "no analyser: analysed needs it"),
        ({"verb": "released", "fill": "x", "valve_seen": "yes", "o_ring_seen": True}, "give true or false"),
        ({"verb": "checked", "whip": "1", "checked": ["stamp"]}, "did you mean stamp-read?"),
        ({"verb": "checked", "whip": "1", "checked": []}, "say what was looked at"),
    ],
    ids=["no per cent", "no analyser", "no answer", "no tick", "nothing"],
)
def test_a_command_that_cannot_be_understood_says_what_is_wrong(keys: dict[str, object], why: str) -> None:
    with pytest.raises(UnusableError, match=why.replace("?", r"\?")):
        command_event(said(**keys))


# --- From the form ---------------------------------------------------------------------------------------------------

FORM = Form(
    whip="1",
    serial="TH-0042",
    operator="op-1",
    started="2026-11-24 21:15",
    ended="2026-11-24 21:23",
    start_bar=55.0,
    end_bar=208.0,
    at_c=24.0,
    gas=AIR,
    by="op-2",
)


def test_a_fill_from_the_form_is_marked_and_teaches_nothing(config: Path) -> None:
    fill, _ = enter(FORM, config, {}, at(900))
    (row,) = (row for row in fill_rows(config, None, {}, limit=10) if row["fill"] == fill.fill_id)
    assert "(entered by hand, not measured)" in row["outcome"]
    with SqliteLedgerReader(config / "ledger.sqlite3") as reader:
        known = remembered(reader)
    assert all(ending.fill_id != fill.fill_id for ending in known.endings)
    assert known.learned.version == 0


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"whip": "9"}, "whip '9' is not configured"),
        ({"ended": "2026-11-24 21:10"}, "the end comes after the start"),
        ({"started": "2030-01-01 10:00", "ended": "2030-01-01 10:10"}, "that is still to come"),
        ({"started": "morning"}, "write day and time"),
        ({"end_bar": 2080.0}, "end 2080: 0 to 500"),
    ],
    ids=["no such whip", "backwards", "still to come", "no time", "psi"],
)
def test_a_form_that_cannot_be_says_why(config: Path, changes: dict[str, object], why: str) -> None:
    with pytest.raises(ConfigurationError, match=why):
        enter(replace(FORM, **changes), config, {}, at(900))


def test_a_form_is_entered_once(config: Path) -> None:
    enter(FORM, config, {}, at(900))
    with pytest.raises(ConfigurationError, match="has been entered"):
        enter(FORM, config, {}, at(901))


def test_a_gas_is_written_as_on_the_command_line() -> None:
    assert mix_said({"o2": 0.18, "he": 0.45}) == GasMix(o2=0.18, he=0.45)
    with pytest.raises(ConfigurationError, match="write air, oxygen or fractions"):
        mix_said("32")
