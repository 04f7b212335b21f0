"""The lanes as a person reads them: what is shown, and what is left out because nobody should believe it."""

from typing import Any

import pytest

from fillguard.core.events import (
    AlarmChanged,
    AlarmState,
    FillStarted,
    FindingMade,
    OutEvent,
    Phase,
    PhaseChanged,
    Projected,
    Quality,
    Quantity,
    Reading,
    Tick,
)
from fillguard.core.figures import UnitChoice
from fillguard.core.units import PA_PER_BAR, k_from_c
from fillguard.core.values import AIR, Stamp, Surroundings
from fillguard.outlets.lanes import Lanes

BAR_MIN = PA_PER_BAR / 60.0
FILL = "tern-1-20261124T230000Z"
NOW = Stamp(mono_s=100.0, utc_s=1_795_558_100.0)


class Lane:
    """Whip 1 of a station, filled since `started_ago_s`."""

    def __init__(self, started_ago_s: float = 60.0) -> None:
        self._lanes = Lanes(UnitChoice())
        self._started_s = NOW.utc_s - started_ago_s
        self.tells(
            FillStarted(
                stamp=NOW,
                fill_id=FILL,
                station="tern",
                whip="1",
                started_s=self._started_s,
                start_gauge_pa=50e5,
                plateau_seen=True,
                serial=None,
                operator=None,
                cylinder=None,
                gas=AIR,
                residual_gas=AIR,
                surroundings=Surroundings.AIR,
                limit_gauge_pa=207e5,
                reference_k=k_from_c(15.0),
                target_gauge_pa=207e5,
                ceiling_gauge_pa=258e5,
                ambient_k=None,
            )
        )

    def tells(self, *facts: OutEvent) -> None:
        self._lanes.tell(Tick(stamp=NOW), facts)

    def reads(self, bar: float, quality: Quality = Quality.GOOD) -> None:
        reading = Reading(
            stamp=NOW,
            source="fill/tern/1/pressure",
            whip="1",
            quantity=Quantity.PRESSURE,
            value=bar * PA_PER_BAR,
            sample_s=NOW.utc_s,
            quality=quality,
        )
        self._lanes.tell(reading, ())

    def goes(self, phase: Phase) -> None:
        self.tells(
            PhaseChanged(
                stamp=NOW, sample_s=NOW.utc_s, whip="1", fill_id=FILL, old=Phase.IDLE, new=phase, reason="as told"
            )
        )

    def projects(self, **values: Any) -> None:  # noqa: ANN401 - fields of Projected
        known: dict[str, Any] = {
            "stamp": NOW,
            "sample_s": NOW.utc_s,
            "whip": "1",
            "fill_id": FILL,
            "phase": Phase.FILLING,
            "gauge_pa": 183e5,
            "limit_gauge_pa": 207e5,
            "target_gauge_pa": 207e5,
            "reference_k": k_from_c(15.0),
            "settled_gauge_pa": 171e5,
            "settled_low_gauge_pa": 168e5,
            "settled_high_gauge_pa": 175e5,
            "rate_pa_s": 20.0 * BAR_MIN,
            "close_at_gauge_pa": 221e5,
            "seconds_to_stop": 114.0,
        }
        self.tells(Projected(**known | values))

    def finds(self, finding: str) -> None:
        self.tells(FindingMade(stamp=NOW, whip="1", fill_id=FILL, finding=finding, confidence=0.9, text="..."))

    def alarm(self, name: str, new: AlarmState, *, fill: str = FILL, priority: int = 1) -> None:
        self.tells(
            AlarmChanged(
                stamp=NOW,
                whip="1",
                fill_id=fill,
                serial=None,
                operator=None,
                alarm=name,
                occurrence=f"{fill}/{name}/1",
                priority=priority,
                old=AlarmState.NORMAL,
                new=new,
                cause="seen",
                raised_utc_s=NOW.utc_s,
            )
        )

    @property
    def line(self) -> str:
        return self._lanes.texts()[0].line

    @property
    def worst(self) -> int | None:
        return self._lanes.texts()[0].worst


@pytest.fixture
def lane() -> Lane:
    return Lane()


def test_a_filling_whip_says_all_that_an_operator_asks(lane: Lane) -> None:
    lane.goes(Phase.FILLING)
    lane.reads(183.0)
    lane.projects()
    assert lane.line == (
        "whip 1 | filling | gauge 183 bar | settles 171 bar (168 to 175) | limit 207 bar | 20 bar/min | "
        "close at 221 bar, in 1:54"
    )


def test_the_time_to_close_is_not_shown_before_the_flow_is_known() -> None:
    lane = Lane(started_ago_s=44.0)
    lane.goes(Phase.FILLING)
    lane.projects()
    assert lane.line.endswith("| close at 221 bar")


@pytest.mark.parametrize(
    ("phase", "rate_bar_min", "bleed_to_bar", "shown"),
    [
        pytest.param(Phase.FILLING, 20.0, None, "20 bar/min", id="how fast it fills"),
        pytest.param(Phase.FILLING, -0.4, None, "0.0 bar/min", id="while filling never less than nothing"),
        pytest.param(Phase.PAUSED, -3.2, None, None, id="in a pause it only cools"),
        pytest.param(Phase.PAUSED, 4.9, None, None, id="right after the close it is the tail of the fill"),
        pytest.param(Phase.PAUSED, -28.0, 217.0, "bleeding 28 bar/min", id="how fast it is bled where it must be"),
        pytest.param(Phase.PAUSED, -5.0, 217.0, None, id="over, and it only cools"),
    ],
)
def test_a_rate_is_shown_only_where_it_says_something(
    lane: Lane, phase: Phase, rate_bar_min: float, bleed_to_bar: float | None, shown: str | None
) -> None:
    lane.goes(phase)
    bleed_to_pa = None if bleed_to_bar is None else bleed_to_bar * PA_PER_BAR
    lane.projects(phase=phase, rate_pa_s=rate_bar_min * BAR_MIN, bleed_to_gauge_pa=bleed_to_pa)
    rates = [part for part in lane.line.split(" | ") if part.endswith("bar/min")]
    assert rates == ([] if shown is None else [shown])


def test_a_lane_that_is_over_says_where_to_bleed_to_and_not_where_to_close(lane: Lane) -> None:
    lane.goes(Phase.FILLING)
    lane.projects(bleed_to_gauge_pa=219.7e5)
    assert "bleed slowly to 219 bar" in lane.line
    assert "close at" not in lane.line


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("whip-only", "settles unknown (cylinder valve is shut, only the hose is at pressure)"),
        ("bled", "settles unknown (whip bled)"),
        ("stale", "settles unknown (no data)"),
    ],
)
def test_no_projection_says_why_in_words(lane: Lane, reason: str, words: str) -> None:
    lane.projects(settled_gauge_pa=None, reason=reason)
    assert words in lane.line


def test_a_hose_at_pressure_is_said_until_the_cylinder_valve_has_been_opened(lane: Lane) -> None:
    lane.reads(234.0)
    lane.finds("whip-only")
    words = "cylinder valve is shut, only the hose is at pressure"
    assert words in lane.line
    lane.reads(210.0)
    assert words in lane.line, "it leaks a little: nothing has changed"
    lane.reads(80.0)
    assert words not in lane.line


def test_a_silent_sensor_is_said_until_it_speaks_again(lane: Lane) -> None:
    lane.finds("sensor-silent")
    assert "sensor is silent" in lane.line
    lane.reads(141.0)
    assert "sensor is silent" not in lane.line


def test_what_was_found_is_gone_with_the_cylinder(lane: Lane) -> None:
    lane.finds("bled")
    assert "whip bled" in lane.line
    lane.goes(Phase.IDLE)
    assert "whip bled" not in lane.line


def test_a_doubtful_reading_does_not_move_the_gauge(lane: Lane) -> None:
    lane.reads(183.0)
    lane.reads(3000.0, Quality.BAD)
    assert "gauge 183 bar" in lane.line


@pytest.mark.parametrize(
    ("state", "shown", "worst"),
    [
        (AlarmState.UNACKNOWLEDGED, "projected overfill", 1),
        (AlarmState.ACKNOWLEDGED, "projected overfill (acknowledged)", 1),
        (AlarmState.LATCHED_UNACKNOWLEDGED, "projected overfill (ended, not acknowledged)", 1),
        (AlarmState.LATCHED_ACKNOWLEDGED, "projected overfill (ended, not reset)", None),
        (AlarmState.SHELVED, "projected overfill (shelved)", None),
        (AlarmState.OUT_OF_SERVICE, "projected overfill (out of service)", None),
        (AlarmState.SUPPRESSED, None, None),
        (AlarmState.RETURNED_UNACKNOWLEDGED, None, None),
        (AlarmState.NORMAL, None, None),
    ],
)
def test_an_alarm_says_where_it_stands(lane: Lane, state: AlarmState, shown: str | None, worst: int | None) -> None:
    lane.reads(0.0)
    lane.alarm("overfill", AlarmState.UNACKNOWLEDGED)
    lane.alarm("overfill", state)
    assert lane.line.partition(" | ! ")[2] == (shown or "")
    assert lane.worst == worst


def test_the_gravest_alarm_comes_first(lane: Lane) -> None:
    lane.alarm("too-fast", AlarmState.UNACKNOWLEDGED, priority=2)
    lane.alarm("overfill", AlarmState.UNACKNOWLEDGED)
    assert lane.line.endswith("! projected overfill, filling too fast")


def test_what_the_last_cylinder_left_does_not_hide_the_alarm_of_this_one(lane: Lane) -> None:
    lane.alarm("overfill", AlarmState.LATCHED_UNACKNOWLEDGED, fill="tern-1-20261124T220000Z")
    lane.alarm("overfill", AlarmState.UNACKNOWLEDGED)
    lane.alarm("overfill", AlarmState.NORMAL, fill="tern-1-20261124T220000Z")
    assert lane.line.endswith("! projected overfill")
