"""Stages in an attach message, and the commands about stages and shared gauges."""

import json
from typing import Any

import pytest

from fillguard.core.events import CylinderAttached, StageCalled, WhipClosed
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import AIR, GasMix, Stamp
from fillguard.intake.attach import attach_event
from fillguard.intake.commands import command_event
from fillguard.intake.deeds import closed_command, stage_command
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.formats import UnusableError
from fillguard.ports import RawMessage
from tests.panel import ALUMINIUM_11

NOW = Stamp(mono_s=1000.0, utc_s=1_795_558_000.0)
RECIPE: list[dict[str, Any]] = [
    {"gas": {"o2": 1.0}, "target_bar": 29.0, "whip": "3"},
    {"gas": "air", "target_bar": 207},
]


def said(*stages: dict[str, Any], **more: object) -> CylinderAttached:
    payload = json.dumps({"serial": "TH-0011", "operator": "op-1", "stages": list(stages or RECIPE), **more})
    event = attach_event(payload.encode(), stamp=NOW, whip="1", register=lambda _: ALUMINIUM_11)
    assert isinstance(event, CylinderAttached)
    return event


def test_each_stage_has_its_gas_its_settled_target_and_its_whip() -> None:
    first, second = said().stages
    assert (first.gas, first.target_gauge_pa, first.whip) == (GasMix(o2=1.0), 29.0 * PA_PER_BAR, "3")
    assert (second.gas, second.target_gauge_pa, second.whip) == (AIR, 207.0 * PA_PER_BAR, "1")


def test_the_cylinder_hangs_on_the_whip_of_its_first_stage() -> None:
    assert said().whip == "3"


def test_the_verdict_is_asked_for_the_richest_gas() -> None:
    assert said().gas == GasMix(o2=1.0)


def test_a_residual_nobody_told_is_known_for_an_assumption() -> None:
    assert (said().residual_told, said().residual_gas) == (False, AIR)
    assert said(residual_gas={"o2": 0.32}).residual_told


def test_targets_may_be_in_psi() -> None:
    stages = said({"gas": "oxygen", "target_psi": 400}, {"gas": "air", "target_psi": 3000}).stages
    assert stages[1].target_gauge_pa / PA_PER_BAR == pytest.approx(206.84, abs=0.01)


@pytest.mark.parametrize(
    ("stages", "because"),
    [
        ([{"gas": "air", "target_bar": 200}], "1 stages: 2 to 6"),
        ([{"gas": "oxygen", "target_bar": 29}] * 7, "7 stages"),
        ([{"gas": "oxygen", "target_bar": 29}, {"gas": "air", "target_bar": 29}], "WHOLE contents"),
        ([{"gas": "oxygen", "target_bar": 29}, {"gas": "air"}], "stage 2 has no target"),
        ([{"gas": "oxygen", "target_bar": 29}, {"gas": "air", "target_bar": 232}], "limit of this cylinder is 207"),
        ([{"gas": "argon", "target_bar": 29}, {"gas": "air", "target_bar": 200}], 'stage 1: gas "argon"'),
        ([{"gas": "oxygen", "target_bar": 29, "whip": " "}, {"gas": "air", "target_bar": 200}], "give a whip id"),
    ],
    ids=[
        "a single stage",
        "too many",
        "a target that says what is added",
        "no target",
        "above the cylinder's limit",
        "a gas nobody knows",
        "a whip without a name",
    ],
)
def test_a_recipe_that_cannot_be_meant_is_refused_with_the_way_out(stages: list[dict[str, Any]], because: str) -> None:
    with pytest.raises(UnusableError) as refused:
        said(*stages)
    assert refused.value.reason == "bad-stages"
    assert because in str(refused.value)


@pytest.mark.parametrize("key", ["gas", "target_bar"])
def test_gas_and_target_beside_stages_are_refused(key: str) -> None:
    with pytest.raises(UnusableError, match="each stage has its own"):
        said(**{key: "air" if key == "gas" else 200})


def test_a_key_in_a_stage_that_nobody_knows_is_refused() -> None:
    with pytest.raises(UnusableError):
        said({"gas": "oxygen", "target_bar": 29, "rate": 5}, {"gas": "air", "target_bar": 200})


def message(topic: str, payload: bytes) -> RawMessage:
    return RawMessage(arrived=NOW, topic=topic, payload=payload)


def test_a_stage_on_a_whip_that_is_not_configured_is_refused() -> None:
    decoder = DefaultDecoder("tern", register=lambda _: ALUMINIUM_11, whips=frozenset({"1", "2"}))
    payload = json.dumps({"serial": "TH-0011", "stages": RECIPE}).encode()
    (event,) = decoder.decode(message("fill/tern/1/cylinder", payload))
    assert getattr(event, "reason", None) == "unknown-whip"


def test_a_person_says_which_stage_comes() -> None:
    event = command_event(message("fillguard/tern/command", stage_command("op-1", "3", 2, "c-1")))
    assert event == StageCalled(stamp=NOW, whip="3", operator="op-1", number=2, command_id="c-1")


def test_a_person_says_which_whip_was_closed() -> None:
    event = command_event(message("fillguard/tern/command", closed_command("op-1", "1", "c-1")))
    assert event == WhipClosed(stamp=NOW, whip="1", operator="op-1", command_id="c-1")


@pytest.mark.parametrize(
    "payload",
    [
        b'{"verb": "stage", "operator": "op-1", "whip": "3"}',
        b'{"verb": "stage", "operator": "op-1", "whip": "3", "number": "two"}',
        b'{"verb": "closed", "operator": "op-1"}',
        b'{"verb": "closed", "operator": "", "whip": "1"}',
        b'{"verb": "closed", "operator": "op-1", "whip": "1", "why": "full"}',
    ],
    ids=["no number", "a number in words", "no whip", "nobody", "a key too many"],
)
def test_a_command_that_leaves_something_open_is_refused(payload: bytes) -> None:
    with pytest.raises(UnusableError) as refused:
        command_event(message("fillguard/tern/command", payload))
    assert refused.value.reason == "bad-command"


def test_a_shared_gauges_readings_may_come_under_its_own_name() -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None, whips=frozenset({"1", "2"}), gauges={"north": ("2", "1")})
    (reading,) = decoder.decode(message("fill/tern/north/pressure", b'{"value": 50.0, "unit": "bar"}'))
    (presence,) = decoder.decode(message("fill/tern/north/presence", b"offline"))
    assert getattr(reading, "whip", None) == getattr(presence, "whip", None) == "2"


def test_nothing_is_attached_to_a_gauge() -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None, whips=frozenset({"1", "2"}), gauges={"north": ("1", "2")})
    (event,) = decoder.decode(message("fill/tern/north/cylinder", b'{"serial": "TH-0011"}'))
    assert getattr(event, "reason", None) == "unknown-whip"
