"""A restart in the middle of a fill on a shared gauge, and of one in stages; what the ledger holds of both."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.folding import TakenUp, taken_up
from fillguard.app.keeping import Snapshots
from fillguard.core.events import FillEnded, FillSummary, InEvent, StageBegan
from fillguard.core.rules import Rules
from fillguard.core.stages import Stage
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, GasMix, Stamp
from fillguard.core.whip import WhipState
from fillguard.engine import Stepper
from fillguard.ledger.codec import decode_text
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.states import plain_state, state_of
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.ports import ConfigInForce, StepRecord
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, PATIENCE_S
from tests.panel import ALUMINIUM_11, Panel, real_rules

SHARED = replace(real_rules(), gauges={"north": ("1", "2")})
OXYGEN = GasMix(o2=1.0)
RECIPE = (
    Stage(gas=OXYGEN, target_gauge_pa=29.0 * PA_PER_BAR, whip="3"),
    Stage(gas=AIR, target_gauge_pa=207.0 * PA_PER_BAR, whip="1"),
)


def recorded(path: Path, events: Sequence[InEvent], rules: Rules) -> Stepper:
    """The events through the watch into a ledger, which then is killed."""
    stepper, writer = Stepper(rules), SqliteLedgerWriter(path, OWNER, FakeClock())
    writer.put_config(ConfigInForce(at=FakeClock().now(), config_hash=rules.rules_hash, text="{}", who="t", why="t"))
    snapshots = Snapshots(writer)
    for event in events:
        done = list(stepper.feed(event))
        for happening in done:
            writer.put(StepRecord(cause=happening.cause, facts=happening.facts))
        snapshots.after(stepper.state, done)
    assert writer.stop(PATIENCE_S) == 0
    return stepper


def restarted(path: Path, now: Stamp, rules: Rules, *whips: str) -> TakenUp:
    with SqliteLedgerReader(path) as reader:
        return taken_up(reader, rules, now, {whip: WhipState(whip=whip) for whip in whips}, 900.0)


def rows(path: Path, sql: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


def two_on_one_gauge() -> list[InEvent]:
    panel = Panel(rules=SHARED)
    panel.whip("2").attach(replace(ALUMINIUM_11, serial="TH-0012"))
    panel.whip("1").attach(ALUMINIUM_11).opens(residual_bar=50).fills(to_bar=160, at_bar_min=20).closes(
        for_s=20
    ).bleeds()
    return list(panel.events())


def in_two_stages() -> list[InEvent]:
    panel = Panel()
    oxygen = panel.whip("3").attach(ALUMINIUM_11, gas=OXYGEN, stages=RECIPE, residual_gas=AIR)
    oxygen.opens(residual_bar=5).fills(to_bar=29.6, at_bar_min=4).closes(for_s=200).bleeds().stands(for_s=20)
    air = panel.at(0).whip("1").stands(for_s=oxygen.now_s + 10)
    air.opens(residual_bar=29).fills(to_bar=100, at_bar_min=20).closes(for_s=20).bleeds()
    return list(panel.events())


def test_both_fills_of_a_shared_gauge_go_on_after_a_restart(tmp_path: Path) -> None:
    events = two_on_one_gauge()[:300]
    before = recorded(tmp_path / "ledger.db", events, SHARED).state.whips
    up = restarted(tmp_path / "ledger.db", events[-1].stamp, SHARED, "1", "2")
    assert up.whips == before
    assert all(state.fill is not None for state in up.whips.values())
    assert len(up.fills) == 2


def test_a_stage_that_has_gone_over_to_another_whip_goes_on_there(tmp_path: Path) -> None:
    events = in_two_stages()
    ends = next(n for n, event in enumerate(events) if event.stamp.mono_s > events[-1].stamp.mono_s - 90.0)
    before = recorded(tmp_path / "ledger.db", events[:ends], real_rules()).state.whips
    up = restarted(tmp_path / "ledger.db", events[ends - 1].stamp, real_rules(), "1", "3")
    assert up.whips == before
    assert before["3"].fill is None
    assert before["1"].fill is not None
    assert up.fills == {before["1"].fill.fill_id}
    with SqliteLedgerReader(tmp_path / "ledger.db") as reader:
        assert [(fill.whip, fill.fill_id) for fill in reader.open_fills()] == [("3", before["1"].fill.fill_id)]


@pytest.mark.parametrize("events", [two_on_one_gauge(), in_two_stages()], ids=["a shared gauge", "stages"])
def test_every_state_on_the_way_can_be_kept_and_read_back(events: list[InEvent]) -> None:
    rules = SHARED
    stepper = Stepper(rules)
    for place, event in enumerate(events):
        list(stepper.feed(event))
        if place % 40 == 0:
            for state in stepper.state.whips.values():
                assert state_of(json.loads(json.dumps(plain_state(state))), rules.surface_of) == state


def test_each_cylinder_of_a_shared_gauge_has_a_row_and_the_readings_stand_in_the_first(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    recorded(path, two_on_one_gauge(), SHARED)
    ended = [decode_text(str(body)) for (body,) in rows(path, "SELECT body FROM fill ORDER BY whip")]
    summaries: list[FillSummary] = [fact.summary for fact in ended if isinstance(fact, FillEnded)]
    assert [summary.serial for summary in summaries] == ["TH-0011", "TH-0012"]
    assert [c.serial for c in summaries[0].companions] == ["TH-0012"]
    assert [c.fill_id for c in summaries[1].companions] == [summaries[0].fill_id]
    counted = {
        str(whip): count
        for whip, count in rows(
            path, "SELECT opened.whip, count(*) FROM reading JOIN opened ON opened.id = fill GROUP BY 1"
        )
    }
    assert set(counted) == {"1"}
    assert counted["1"] == summaries[0].readings + summaries[0].doubtful_readings


def test_a_fill_in_stages_is_one_row_with_the_readings_of_both_whips(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    recorded(path, in_two_stages(), real_rules())
    ((body,),) = rows(path, "SELECT body FROM fill")
    ended = decode_text(str(body))
    assert isinstance(ended, FillEnded)
    assert [done.stage for done in ended.summary.stages] == list(RECIPE)
    assert ended.summary.predicted is not None
    told = rows(path, "SELECT body FROM event WHERE kind = 'StageBegan' ORDER BY id")
    began = [decode_text(str(text)) for (text,) in told]
    assert [fact.number for fact in began if isinstance(fact, StageBegan)] == [1, 2]
    whips = rows(path, "SELECT DISTINCT source.whip FROM reading JOIN source ON source.id = source WHERE fill NOTNULL")
    assert {whip for (whip,) in whips} == {"1", "3"}
