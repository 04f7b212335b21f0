"""What is in a cylinder filled with several gases one after the other."""

import pytest

from fillguard.core.blend import (
    UNRECORDED,
    Amount,
    Contents,
    after_stage,
    amount_of,
    contents_at_start,
    expected_mix,
    predicted,
)
from fillguard.core.stages import is_near, prediction_text
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import AIR, GasMix
from tests.panel import surface_of

OXYGEN, HELIUM, EAN32 = GasMix(o2=1.0), GasMix(o2=0.0, he=1.0), GasMix(o2=0.32)
US_K = k_from_c(21.1)


def amount(mix: GasMix, bar: float, at_c: float = 21.1, half_bar: float = 0.0) -> Amount:
    return amount_of(
        surface_of(mix), bar * PA_PER_BAR, k_from_c(at_c), STANDARD_ATMOSPHERE_PA, half_pa=half_bar * PA_PER_BAR
    )


def flat(mol_m3: float, half: float = 0.0) -> Amount:
    return Amount(mol_m3=mol_m3, half_mol_m3=half)


def oxygen_then_air(*, oxygen_c: float) -> float:
    """29 bar of oxygen read at `oxygen_c` onto an empty cylinder, then air to 207 bar settled at 70 F."""
    contents = contents_at_start(AIR, None, amount(AIR, 0.0))
    mix = expected_mix(contents, OXYGEN, amount(OXYGEN, 29.0, oxygen_c))
    contents = after_stage(contents, OXYGEN, amount(mix, 29.0, oxygen_c))
    end = expected_mix(contents, AIR, amount(AIR, 207.0))
    return predicted(contents, AIR, amount(end, 207.0)).o2.best


@pytest.mark.parametrize(
    ("oxygen_c", "o2"),
    # Calculated with CoolProp 8.0.0: pure oxygen at 29 bar gauge and this temperature, in an empty cylinder with the
    # air of the room in it, air to 207 bar gauge at 21.1 C.
    [(21.1, 0.324), (40.0, 0.317)],
    ids=["read settled", "read at 40 C"],
)
def test_oxygen_read_hot_spoils_the_mix(oxygen_c: float, o2: float) -> None:
    assert oxygen_then_air(oxygen_c=oxygen_c) == pytest.approx(o2, abs=0.0006)


def test_what_was_in_it_counts_by_its_own_amount() -> None:
    contents = contents_at_start(EAN32, None, flat(1000.0))
    seen = predicted(after_stage(contents, OXYGEN, flat(1500.0)), AIR, flat(5000.0))
    assert seen.o2.best == pytest.approx((320.0 + 500.0 + 3500.0 * AIR.o2) / 5000.0)


def test_helium_is_predicted_beside_the_oxygen() -> None:
    contents = after_stage(contents_at_start(AIR, None, flat(40.0)), HELIUM, flat(4000.0))
    seen = predicted(contents, AIR, flat(9000.0))
    assert seen.he.best == pytest.approx(3960.0 / 9000.0)
    assert seen.o2.best == pytest.approx((40.0 + 5000.0) * AIR.o2 / 9000.0)


def test_the_doubt_about_the_oxygen_stage_weighs_most() -> None:
    def width(oxygen_half: float, air_half: float) -> float:
        contents = contents_at_start(AIR, None, flat(40.0))
        contents = after_stage(contents, OXYGEN, flat(1200.0, oxygen_half))
        seen = predicted(contents, AIR, flat(8500.0, air_half)).o2
        return seen.high - seen.low

    assert width(40.0, 0.0) == pytest.approx(2.0 * 40.0 * (1.0 - AIR.o2) / 8500.0)
    assert width(0.0, 40.0) < 0.2 * width(40.0, 0.0)
    assert width(40.0, 40.0) < width(40.0, 0.0) + width(0.0, 40.0)


def test_a_residual_nobody_told_covers_air_and_the_last_recorded_mix() -> None:
    contents = contents_at_start(None, EAN32, flat(2000.0))
    seen = predicted(contents, AIR, flat(8000.0)).o2
    assert seen.low == pytest.approx((2000.0 * AIR.o2 + 6000.0 * AIR.o2) / 8000.0)
    assert seen.high == pytest.approx((2000.0 * 0.32 + 6000.0 * AIR.o2) / 8000.0)


def test_without_any_record_it_may_have_been_nitrox() -> None:
    seen = predicted(contents_at_start(None, None, flat(2000.0)), AIR, flat(8000.0)).o2
    assert seen.best == pytest.approx(AIR.o2)
    assert seen.high == pytest.approx((2000.0 * UNRECORDED.o2 + 6000.0 * AIR.o2) / 8000.0)


def test_as_long_as_nothing_has_come_in_it_is_what_it_was() -> None:
    seen = predicted(contents_at_start(EAN32, None, flat(2000.0)), OXYGEN, flat(1990.0))
    assert seen.o2.best == pytest.approx(0.32)


def test_what_is_let_out_between_two_stages_takes_its_oxygen_with_it() -> None:
    contents = after_stage(contents_at_start(AIR, None, flat(1000.0)), OXYGEN, flat(2000.0))
    rich = predicted(contents, OXYGEN, flat(2000.0)).o2.best
    drained = after_stage(contents, OXYGEN, flat(1500.0))
    assert predicted(drained, AIR, flat(1500.0)).o2.best == pytest.approx(rich)
    assert predicted(drained, AIR, flat(6000.0)).o2.best == pytest.approx((1500.0 * rich + 4500.0 * AIR.o2) / 6000.0)


def test_a_mix_that_comes_out_as_air_is_air() -> None:
    assert expected_mix(contents_at_start(AIR, None, flat(1000.0)), AIR, flat(8000.0)) == AIR


def test_no_figure_is_told_without_its_interval_and_the_analysis() -> None:
    contents = after_stage(contents_at_start(AIR, None, flat(40.0)), OXYGEN, flat(1200.0, 30.0))
    assert prediction_text(predicted(contents, AIR, flat(8500.0, 80.0))) == (
        "predicted O2 31.7 % (31.4 to 32.0): analyse before use"
    )


@pytest.mark.parametrize(
    ("target_bar", "least_bar"), [(29.0, 27.0), (80.0, 76.8)], ids=["two bar of 29", "four per cent of 80"]
)
def test_a_stage_is_reached_within_two_bar_or_four_per_cent(target_bar: float, least_bar: float) -> None:
    assert is_near((least_bar + 0.1) * PA_PER_BAR, target_bar * PA_PER_BAR)
    assert not is_near((least_bar - 0.1) * PA_PER_BAR, target_bar * PA_PER_BAR)


def test_contents_know_how_much_was_in_it_before_the_present_gas() -> None:
    contents = Contents(residual=AIR, start=flat(40.0))
    assert contents.before == flat(40.0)
    assert after_stage(contents, OXYGEN, flat(1200.0)).before == flat(1200.0)
