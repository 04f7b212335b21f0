"""What boards and lamps at the broker are told: alarms at once, states as often as is useful, everything anew."""

import itertools
import json
import re
from dataclasses import dataclass, field
from dataclasses import replace as changed
from pathlib import Path
from typing import Any

import pytest

from fillguard.core.events import (
    AlarmChanged,
    AlarmFacts,
    AlarmState,
    CylinderAttached,
    CylinderDetached,
    FillEnded,
    FillSummary,
    FindingMade,
    InEvent,
    Lamp,
    LampChanged,
    Outcome,
    OutEvent,
    Phase,
    PhaseChanged,
    Projected,
    Prompt,
    PromptChanged,
    Quality,
    Quantity,
    Reading,
    Tick,
)
from fillguard.core.units import k_from_c
from fillguard.core.values import AIR
from fillguard.outlets.findings import FindingCounts
from fillguard.outlets.mqtt import MqttOutlet
from fillguard.outlets.status import StationStatus
from fillguard.ports import Publication
from tests.fakes import FakeClock

FILL = "fillguard/tern/1/fill"
LAMP = "fillguard/tern/1/lamp"
ALARM = "fillguard/tern/alarm"
STATUS = StationStatus(station="tern", instance="here 1", version="0.1", started_utc_s=1_795_558_000.0, drill=False)


@dataclass
class Board:
    """An outlet, and everything it published."""

    clock: FakeClock = field(default_factory=FakeClock)
    status: StationStatus = STATUS
    recorded: bool | None = None
    sent: list[Publication] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.outlet = MqttOutlet(
            self.sent.append,
            station="tern",
            status=self.status,
            text=lambda change: f"text of {change.alarm}",
            action=lambda change: f"action of {change.alarm}",
            real_seconds=self.clock.real_seconds,
            recorded=lambda: self.recorded,
        )

    def tells(self, *facts: OutEvent, cause: InEvent | None = None) -> None:
        self.outlet.tell(cause or Tick(stamp=self.clock.now()), facts)

    def on(self, topic: str) -> list[Publication]:
        return [publication for publication in self.sent if publication.topic == topic]

    def last(self, topic: str = FILL) -> dict[str, Any]:
        said: dict[str, Any] = json.loads(self.on(topic)[-1].payload)
        return said


@pytest.fixture
def board() -> Board:
    return Board()


def projected(board: Board, gauge_bar: float = 180.0, **more: Any) -> Projected:  # noqa: ANN401 - fields of Projected
    values: dict[str, Any] = {
        "stamp": board.clock.now(),
        "sample_s": board.clock.utc_s - 0.25,
        "whip": "1",
        "fill_id": "tern-1-20261124T230000Z",
        "phase": Phase.FILLING,
        "gauge_pa": gauge_bar * 1e5,
        "limit_gauge_pa": 207e5,
        "target_gauge_pa": 207e5,
        "reference_k": k_from_c(15.0),
    }
    return Projected(**values | more)


def raised(board: Board, **more: Any) -> AlarmChanged:  # noqa: ANN401 - fields of AlarmChanged
    values: dict[str, Any] = {
        "stamp": board.clock.now(),
        "whip": "1",
        "fill_id": "tern-1-20261124T230000Z",
        "serial": "TH-0042",
        "operator": "op-1",
        "alarm": "overfill",
        "occurrence": f"tern-1-20261124T230000Z/{more.get('alarm', 'overfill')}/1",
        "priority": 1,
        "old": AlarmState.NORMAL,
        "new": AlarmState.UNACKNOWLEDGED,
        "cause": "projected settled pressure is above the limit",
        "raised_utc_s": board.clock.utc_s,
    }
    return AlarmChanged(**values | more)


def phase(board: Board, new: Phase, fill_id: str | None = "tern-1-20261124T230000Z") -> PhaseChanged:
    return PhaseChanged(
        stamp=board.clock.now(),
        sample_s=board.clock.utc_s,
        whip="1",
        fill_id=fill_id,
        old=Phase.IDLE,
        new=new,
        reason="a test",
    )


def test_the_state_of_a_fill_has_its_units_in_the_keys(board: Board) -> None:
    board.tells(
        projected(
            board,
            gauge_bar=214.06,
            settled_gauge_pa=199.5e5,
            settled_low_gauge_pa=197e5,
            settled_high_gauge_pa=202e5,
            rate_pa_s=40000.0,
            gas_k=k_from_c(48.25),
            seconds_to_stop=37.4,
            bleed_to_gauge_pa=220.3e5,
        )
    )
    said = board.last()
    assert (said["gauge_bar"], said["settled_bar"], said["settled_low_bar"], said["settled_high_bar"]) == (
        214.06,
        199.5,
        197.0,
        202.0,
    )
    assert (said["rate_bar_min"], said["gas_c"], said["seconds_to_stop"], said["bleed_to_bar"]) == (
        24.0,
        48.25,
        37.0,
        220.3,
    )
    assert (said["limit_bar"], said["reference_c"], said["phase"], said["whip"]) == (207.0, 15.0, "filling", "1")
    assert (said["t"], said["sample_t"], said["stop_at_bar"], said["drill"]) == (
        board.clock.utc_s,
        board.clock.utc_s - 0.25,
        None,
        False,
    )
    assert board.on(FILL)[-1].retain


def test_numbers_alone_are_sent_four_times_a_second_at_most_and_the_newest_wins(board: Board) -> None:
    for step in range(100):  # ten seconds at ten readings a second
        board.clock.advance(0.1)
        board.tells(projected(board, gauge_bar=100.0 + step))
    states = [json.loads(each.payload) for each in board.on(FILL)]
    moments = [state["t"] for state in states]
    assert all(later - earlier >= 0.2499 for earlier, later in itertools.pairwise(moments))
    assert len(states) >= 33
    board.clock.advance(1.0)
    board.tells()
    assert board.last()["gauge_bar"] == 199.0


def test_the_limit_counts_real_time_in_a_drill() -> None:
    board = Board(clock=FakeClock(speed=20.0))
    for step in range(20):  # a reading a second of the drill is one every 50 ms of the world
        board.clock.advance(1.0)
        board.tells(projected(board, gauge_bar=100.0 + step))
    assert len(board.on(FILL)) == 4


def test_phase_prompt_and_alarm_do_not_wait(board: Board) -> None:
    board.tells(projected(board))
    for fact in (
        phase(board, Phase.PAUSED),
        PromptChanged(stamp=board.clock.now(), whip="1", fill_id=None, prompt=Prompt.CLOSE_NOW),
        raised(board),
    ):
        before = len(board.on(FILL))
        board.tells(fact)
        assert len(board.on(FILL)) == before + 1
    said = board.last()
    assert (said["phase"], said["prompt"]) == ("paused", "close-now")
    assert said["alarms"] == [
        {
            "alarm": "overfill",
            "state": "unacknowledged",
            "priority": 1,
            "occurrence": "tern-1-20261124T230000Z/overfill/1",
        }
    ]


def test_an_alarm_is_one_qos_1_message_a_change_with_text_and_action(board: Board) -> None:
    change = raised(
        board, facts=AlarmFacts(settled_gauge_pa=214e5, limit_gauge_pa=207e5, rate_limit_pa_s=50000.0), first_out=True
    )
    board.tells(change)
    (publication,) = board.on(ALARM)
    said = board.last(ALARM)
    assert (publication.qos, publication.retain) == (1, False)
    assert (said["alarm"], said["priority"], said["state"], said["old_state"]) == (
        "overfill",
        1,
        "unacknowledged",
        "normal",
    )
    assert (said["occurrence"], said["first_out"], said["recorded"]) == (change.occurrence, True, None)
    assert (said["text"], said["action"]) == ("text of overfill", "action of overfill")
    assert (said["settled_bar"], said["limit_bar"], said["rate_limit_bar_min"], said["gas_c"]) == (
        214.0,
        207.0,
        30.0,
        None,
    )


def test_an_alarm_goes_out_before_the_state_that_lists_it(board: Board) -> None:
    board.tells(projected(board), raised(board))
    assert [publication.topic for publication in board.sent] == [ALARM, FILL]


def test_an_alarm_of_the_station_belongs_to_no_whip(board: Board) -> None:
    board.tells(raised(board, whip=None, fill_id=None, alarm="ledger-failing"))
    assert [publication.topic for publication in board.sent] == [ALARM]


def test_while_the_ledger_fails_an_alarm_says_that_it_is_not_recorded(board: Board) -> None:
    board.recorded = False
    board.tells(raised(board))
    assert board.last(ALARM)["recorded"] is False


def test_an_alarm_that_is_over_leaves_the_list(board: Board) -> None:
    board.tells(raised(board), raised(board, alarm="too-fast", priority=2))
    board.tells(raised(board, old=AlarmState.ACKNOWLEDGED, new=AlarmState.NORMAL))
    assert [alarm["alarm"] for alarm in board.last()["alarms"]] == ["too-fast"]


def test_a_lamp_is_one_retained_word(board: Board) -> None:
    board.tells(LampChanged(stamp=board.clock.now(), whip="1", lamp=Lamp.STOP))
    assert board.on(LAMP) == [Publication(topic=LAMP, payload=b"stop", retain=True)]
    assert board.last()["lamp"] == "stop"


def test_a_new_fill_does_not_show_the_numbers_of_the_last_one(board: Board) -> None:
    board.tells(projected(board, settled_gauge_pa=199e5, seconds_to_stop=30.0))
    board.tells(phase(board, Phase.IDLE, fill_id=None))
    said = board.last()
    assert (said["settled_bar"], said["seconds_to_stop"], said["limit_bar"], said["fill"]) == (None, None, None, None)
    assert said["phase"] == "idle"


def test_between_fills_the_gauge_and_the_attached_cylinder_are_still_shown(board: Board) -> None:
    stamp = board.clock.now()
    attached = CylinderAttached(
        stamp=stamp, whip="1", serial="TH-0042", cylinder=None, operator="op-1", gas=AIR, residual_gas=AIR
    )
    board.tells(cause=attached)
    reading = Reading(stamp=stamp, source="x", whip="1", quantity=Quantity.PRESSURE, value=51.2e5, sample_s=stamp.utc_s)
    board.clock.advance(1.0)
    board.tells(cause=changed(reading, stamp=board.clock.now()))
    assert (board.last()["gauge_bar"], board.last()["serial"], board.last()["operator"]) == (51.2, "TH-0042", "op-1")
    board.clock.advance(1.0)
    board.tells(cause=changed(reading, stamp=board.clock.now(), value=9e7, quality=Quality.BAD))
    assert board.last()["gauge_bar"] == 51.2
    board.tells(cause=CylinderDetached(stamp=board.clock.now(), whip="1"))
    assert board.last()["serial"] is None


def test_a_number_that_is_not_finite_is_null(board: Board) -> None:
    board.tells(projected(board, settled_gauge_pa=float("nan"), rate_pa_s=float("inf")))
    assert (board.last()["settled_bar"], board.last()["rate_bar_min"]) == (None, None)


def test_on_a_new_connection_everything_that_is_state_is_said_anew(board: Board) -> None:
    board.tells(projected(board), LampChanged(stamp=board.clock.now(), whip="1", lamp=Lamp.CHECK), raised(board))
    board.sent.clear()
    board.outlet.greet()
    assert [publication.topic for publication in board.sent] == ["fillguard/tern/status", LAMP, FILL]
    assert all(publication.retain for publication in board.sent)
    assert json.loads(board.sent[0].payload) == {
        "v": 1,
        "state": "online",
        "station": "tern",
        "instance": "here 1",
        "version": "0.1",
        "started": 1_795_558_000.0,
        "drill": False,
    }


def test_a_drill_is_marked_everywhere() -> None:
    board = Board(status=changed(STATUS, drill=True))
    board.tells(projected(board), raised(board))
    board.outlet.greet()
    assert all(json.loads(publication.payload)["drill"] is True for publication in board.sent)


# The page that says all this ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("topic", "section"), [(FILL, "/fill`"), (ALARM, "/alarm`"), (STATUS.topic, "/status`")])
def test_the_reference_names_every_key_that_is_published(board: Board, topic: str, section: str) -> None:
    board.tells(projected(board), raised(board))
    board.outlet.greet()
    page = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "mqtt.md").read_text(encoding="utf-8")
    (text,) = [part for part in page.split("\n## ") if section in part.split("\n")[0]]
    assert set(re.findall(r"^\| `(\w+)` \|", text, re.MULTILINE)) == board.last(topic).keys()


# Who else watches this station ----------------------------------------------------------------------------------------

NOW_S = 1_795_560_000.0


def other(started_utc_s: float, **more: Any) -> bytes:  # noqa: ANN401 - fields of StationStatus
    return changed(STATUS, instance="there 7", started_utc_s=started_utc_s, **more).birth().payload


def test_one_that_was_started_later_is_a_rival() -> None:
    said = STATUS.rival(other(STATUS.started_utc_s + 600.0), NOW_S)
    assert said is not None
    assert "there 7" in said


@pytest.mark.parametrize(
    "payload",
    [
        STATUS.birth().payload,
        other(STATUS.started_utc_s - 600.0),
        other(NOW_S + 86_400.0),  # left behind by a clock that was a day ahead
        changed(STATUS, instance="there 7", started_utc_s=STATUS.started_utc_s + 600.0).farewell().payload,
        b"",
        b"online",
        b"[]",
        b'{"state": "online"}',
        b'{"state": "online", "instance": "x", "started": NaN, "drill": false}',
        b'{"state": "online", "instance": "x", "started": null, "drill": false}',
        b"[" * 100_000,
    ],
    ids=[
        "ourselves",
        "older",
        "from the future",
        "gone",
        "empty",
        "a word",
        "a list",
        "too little",
        "NaN",
        "null",
        "deep",
    ],
)
def test_nobody_else_is_a_rival(payload: bytes) -> None:
    assert STATUS.rival(payload, NOW_S) is None


@pytest.mark.parametrize("started_utc_s", [STATUS.started_utc_s - 600.0, STATUS.started_utc_s + 600.0])
def test_a_drill_gives_way_to_the_real_one_and_never_the_other_way(started_utc_s: float) -> None:
    practice = changed(STATUS, drill=True)
    assert practice.rival(other(started_utc_s), NOW_S) is not None
    assert STATUS.rival(other(started_utc_s, drill=True), NOW_S) is None


def test_of_two_started_in_the_same_moment_exactly_one_gives_way() -> None:
    here, there = STATUS, changed(STATUS, instance="there 7")
    gave_way = [here.rival(there.birth().payload, NOW_S), there.rival(here.birth().payload, NOW_S)]
    assert [reason is None for reason in gave_way].count(True) == 1


def ended(board: Board, outcome: Outcome) -> FillEnded:
    return FillEnded(
        stamp=board.clock.now(),
        summary=FillSummary(
            fill_id="tern-1-20261124T230000Z",
            station="tern",
            whip="1",
            serial="TH-0042",
            operator="op-1",
            gas=AIR,
            cylinder=None,
            started_s=board.clock.utc_s - 300.0,
            flow_stopped_s=None,
            ended_s=board.clock.utc_s,
            outcome=outcome,
            start_gauge_pa=50e5,
            plateau_seen=True,
            close_gauge_pa=None,
            settled_gauge_pa=None,
            settled_low_gauge_pa=None,
            settled_high_gauge_pa=None,
            final_settled_gauge_pa=None,
            final_settled_low_gauge_pa=None,
            final_settled_high_gauge_pa=None,
            reference_k=288.15,
            limit_gauge_pa=207e5,
            target_gauge_pa=207e5,
            peak_rate_pa_s=None,
            peak_gauge_pa=200e5,
            gas_k_max=None,
            alarms=(),
            findings=(),
            readings=300,
            doubtful_readings=0,
        ),
    )


def test_how_the_last_fill_came_out_stays_on_show_after_its_numbers_are_gone(board: Board) -> None:
    board.tells(projected(board))
    board.tells(ended(board, Outcome.FULL), phase(board, Phase.IDLE, fill_id=None))
    said = board.last()
    assert (said["phase"], said["settled_bar"], said["outcome"]) == ("idle", None, "full")


def test_what_the_last_cylinder_left_and_what_this_one_raised_stand_side_by_side(board: Board) -> None:
    before = "tern-1-20261124T220000Z"
    old = {"fill_id": before, "occurrence": f"{before}/overfill/1"}
    board.tells(raised(board, **old, new=AlarmState.LATCHED_UNACKNOWLEDGED))
    board.tells(raised(board))
    board.tells(raised(board, **old, old=AlarmState.LATCHED_ACKNOWLEDGED, new=AlarmState.NORMAL))
    assert [(alarm["occurrence"], alarm["state"]) for alarm in board.last()["alarms"]] == [
        ("tern-1-20261124T230000Z/overfill/1", "unacknowledged")
    ]


def test_a_second_occurrence_takes_the_place_of_the_first(board: Board) -> None:
    board.tells(raised(board, new=AlarmState.RETURNED_UNACKNOWLEDGED))
    board.tells(raised(board, occurrence="tern-1-20261124T230000Z/overfill/2"))
    assert [alarm["occurrence"] for alarm in board.last()["alarms"]] == ["tern-1-20261124T230000Z/overfill/2"]


def test_what_an_earlier_run_told_is_shown_and_not_told_again(board: Board) -> None:
    board.outlet.remember(raised(board, new=AlarmState.LATCHED_UNACKNOWLEDGED))
    board.outlet.greet()
    assert [alarm["state"] for alarm in board.last()["alarms"]] == ["latched-unacknowledged"]
    assert board.on(ALARM) == []


@pytest.mark.parametrize("whip", ["1", None])
def test_a_finding_is_published_once_in_its_own_words(board: Board, whip: str | None) -> None:
    found = FindingMade(
        stamp=board.clock.now(),
        whip=whip,
        fill_id=None,
        finding="wrong-unit",
        confidence=0.7,
        text="is the unit wrong?",
    )
    board.tells(found)
    (sent,) = board.on("fillguard/tern/finding")
    assert (sent.qos, sent.retain) == (0, False)
    assert json.loads(sent.payload) == {
        "v": 1,
        "t": found.stamp.utc_s,
        "whip": whip,
        "fill": None,
        "finding": "wrong-unit",
        "confidence": 0.7,
        "text": "is the unit wrong?",
        "drill": False,
    }


def test_findings_are_counted_by_name(board: Board) -> None:
    counts = FindingCounts()
    found = [
        FindingMade(stamp=board.clock.now(), whip="1", fill_id=None, finding=name, confidence=0.7, text="seen")
        for name in ("wrong-unit", "leak", "wrong-unit")
    ]
    counts.tell(Tick(stamp=board.clock.now()), found)
    counts.tell(Tick(stamp=board.clock.now()), [raised(board)])
    assert counts.counts() == {"wrong-unit": 2, "leak": 1}
