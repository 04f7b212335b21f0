"""What the state of a whip says at the broker of stages and of a shared gauge."""

import pytest
import typer

from fillguard.cli.attaching import stage_said
from fillguard.core.events import CylinderMoved, GroupChanged, StageBegan, StageEnded
from fillguard.core.stages import Part, Prediction, Settled, Stage, StageDone
from fillguard.core.units import PA_PER_BAR
from fillguard.core.values import Companion, GasMix, Stamp
from fillguard.outlets.documents import NO_FILL, NOTHING_KNOWN, said_of

NOW = Stamp(mono_s=1000.0, utc_s=1_795_558_000.0)
OXYGEN = Stage(gas=GasMix(o2=1.0), target_gauge_pa=29.0 * PA_PER_BAR, whip="3")
SEEN = Prediction(o2=Part(best=0.324, low=0.319, high=0.329), he=Part(best=0.0, low=0.0, high=0.0))


def group(*companions: Companion) -> GroupChanged:
    return GroupChanged(
        stamp=NOW,
        whip="1",
        fill_id=None,
        gauge="north",
        companions=companions,
        limit_gauge_pa=207.0 * PA_PER_BAR,
        text="",
    )


def test_a_stage_that_begins_shows_its_gas_its_target_and_what_is_taken_for_granted() -> None:
    began = StageBegan(
        stamp=NOW,
        whip="3",
        fill_id="tern-3-20261124T220707Z",
        number=1,
        stage=OXYGEN,
        assumed="as told",
        limit_gauge_pa=207.0 * PA_PER_BAR,
        reference_k=294.25,
    )
    said = said_of(began)
    assert (said["stage"], said["stage_gas"], said["stage_text"]) == (1, "O2 100 %, He 0 %", "as told")
    assert (said["target_bar"], said["limit_bar"]) == (29.0, 207.0)


def test_a_stage_that_is_over_says_how_it_came_out() -> None:
    settled = Settled(gauge_pa=29e5, low_gauge_pa=28e5, high_gauge_pa=30e5)
    done = StageDone(stage=OXYGEN, settled=settled, reached=True, predicted=SEEN)
    ended = StageEnded(stamp=NOW, whip="3", fill_id="f", number=1, done=done, text="Stage 1 of 2 settles at 29.0 bar.")
    assert said_of(ended) == {"stage_text": "Stage 1 of 2 settles at 29.0 bar."}


def test_a_cylinder_that_goes_over_brings_its_serial_to_the_next_whip() -> None:
    moved = CylinderMoved(
        stamp=NOW, whip="1", left="3", fill_id="f", serial="TH-0011", operator="op-1", text="TH-0011 comes from whip 3."
    )
    assert said_of(moved) == {"serial": "TH-0011", "operator": "op-1", "stage_text": "TH-0011 comes from whip 3."}


def test_a_shared_gauge_is_named_while_others_fill_from_it() -> None:
    said = said_of(group(Companion(whip="2", serial="TH-0012", fill_id=None)))
    assert said == {"gauge": "north", "shared_with": ["2"], "limit_bar": 207.0}


def test_alone_on_its_gauge_a_whip_shares_nothing() -> None:
    assert said_of(group())["gauge"] is None
    assert said_of(group())["shared_with"] == []


def test_a_new_fill_shows_nothing_of_the_last_ones_mix() -> None:
    assert {"stage", "o2_percent", "o2_low_percent", "o2_high_percent", "prediction"} <= NO_FILL.keys()
    assert NOTHING_KNOWN["shared_with"] == []


@pytest.mark.parametrize(
    ("text", "stage"),
    [
        ("oxygen:29@3", {"gas": "oxygen", "target_bar": 29.0, "whip": "3"}),
        ("air:207", {"gas": "air", "target_bar": 207.0}),
        ("o2=0.5,he=0.2:60.5@4", {"gas": {"o2": 0.5, "he": 0.2}, "target_bar": 60.5, "whip": "4"}),
    ],
    ids=["with a whip", "on the whip of the command", "fractions"],
)
def test_a_stage_on_the_command_line_is_gas_colon_bar_at_whip(text: str, stage: dict[str, object]) -> None:
    assert stage_said(text) == stage


@pytest.mark.parametrize("text", ["oxygen", "oxygen:", "oxygen:much", "o2=lots:29"])
def test_a_stage_on_the_command_line_that_says_too_little_is_refused(text: str) -> None:
    with pytest.raises(typer.BadParameter):
        stage_said(text)
