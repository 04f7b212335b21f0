"""Thresholds that changed during a capture: the line, and a replay that follows it."""

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fillguard.app.gases import Gases
from fillguard.app.replaying import prepare
from fillguard.core.errors import DeviceError
from fillguard.core.events import RulesChanged
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Stamp
from fillguard.intake.rules import RulesFollowing, as_captured, rules_publication, rules_topic
from fillguard.ledger.codec import decode_text, encode
from fillguard.ports import RULES_TOPIC, RawMessage
from tests.panel import T0, real_rules

THRESHOLDS = replace(
    real_rules().thresholds,
    alarms={
        **real_rules().alarms,
        "too-fast": replace(real_rules().alarms["too-fast"], setpoint=15 * PA_PER_BAR / 60, action="Throttle at once."),
    },
)
EVENT = RulesChanged(
    stamp=Stamp(mono_s=T0, utc_s=T0),
    rules_hash="abc",
    summary="too-fast setpoint: 30 -> 15 bar/min (stricter)",
    thresholds=THRESHOLDS,
    by="tech-1",
    why="to see",
)


def message(payload: bytes, topic: str = RULES_TOPIC) -> RawMessage:
    return RawMessage(arrived=EVENT.stamp, topic=topic, payload=payload)


class Deaf:
    def decode(self, message: RawMessage) -> tuple[()]:
        raise AssertionError(message.topic)


def test_what_is_published_is_read_back_exactly() -> None:
    sent = rules_publication(EVENT, "tern")
    captured = as_captured(message(sent.payload, sent.topic), "tern")
    assert captured.topic == RULES_TOPIC
    assert RulesFollowing(Deaf(), follow=True).decode(captured) == (EVENT,)


def test_other_topics_are_captured_as_they_are() -> None:
    other = message(b"1", "fill/tern/1/pressure")
    assert as_captured(other, "tern") is other
    assert rules_topic("tern") == "fillguard/tern/rules"


def test_the_record_of_it_is_read_back_exactly() -> None:
    assert decode_text(json.dumps(encode(EVENT))) == EVENT


@pytest.mark.parametrize(
    ("payload", "says"),
    [
        pytest.param(b"{", "Invalid JSON", id="no JSON"),
        pytest.param(b'{"v": 1, "hash": "a", "changes": ""}', "thresholds: Field required", id="without thresholds"),
        pytest.param(
            b'{"v": 1, "hash": "a", "changes": "", "thresholds": {"alarms": {"x": {}}}}', "thresholds.alarms.x.name",
            id="a rule without a name",
        ),
    ],
)  # fmt: skip
def test_a_line_that_cannot_be_used_stops_the_replay_and_says_how_to_go_on(payload: bytes, says: str) -> None:
    with pytest.raises(DeviceError, match="--keep-thresholds") as error:
        RulesFollowing(Deaf(), follow=True).decode(message(payload))
    assert says in str(error.value)


def test_it_is_passed_over_when_the_configuration_is_to_hold_throughout() -> None:
    assert RulesFollowing(Deaf(), follow=False).decode(message(b"{")) == ()


def a_day() -> Iterator[bytes]:
    """From 50 bar at 20 bar/min; after a minute of it the thresholds change."""
    for second in range(180):
        t = T0 + second
        if second == 90:
            payload = rules_publication(EVENT, "tern").payload.decode()
            yield json.dumps({"t": t, "topic": RULES_TOPIC, "payload": payload}).encode()
        bar = 0.0 if second < 6 else 50.0 + max(0, second - 20) / 3.0
        payload = json.dumps({"value": round(bar, 2), "unit": "bar", "time": t})
        yield json.dumps({"t": t, "topic": "fill/tern/1/pressure", "payload": payload}).encode()


@pytest.mark.parametrize(("keep", "raised"), [(False, True), (True, False)], ids=["follows", "keeps"])
def test_a_replay_changes_its_thresholds_at_the_same_place(keep: bool, raised: bool, tmp_path: Path) -> None:  # noqa: FBT001 - of a table
    ready = prepare(
        a_day(),
        config_dir=None,
        register=None,
        environ={"FILLGUARD_CACHE": str(tmp_path)},
        trace=False,
        gases=Gases(report=pytest.fail),
        keep_thresholds=keep,
    )
    lines = [line for happening in ready.happenings for line in ready.account.lines(happening)]
    too_fast = [line for line in lines if line.get("alarm") == "too-fast"]
    assert bool(too_fast) is raised
    for line in too_fast[:1]:
        assert line["t"] > T0 + 90  # type: ignore[operator]
        assert "Throttle at once." in str(line["text"])
