"""What a cylinder is to heat, how gas and wall exchange it, and what the supply brings in."""

from dataclasses import replace

import pytest

from fillguard.core.cylinder import empty_mass_kg, vessel_of
from fillguard.core.heat import SupplyKind, convection_of, forced_factor, natural_factor, supply_of
from fillguard.core.units import k_from_c, pa_from_bar
from fillguard.core.values import AIR, Cylinder, GasMix, Material
from tests.gases import shipped

ALUMINIUM = Cylinder(
    serial=None,
    water_capacity_m3=0.0111,
    material=Material.ALUMINIUM,
    rated_gauge_pa=pa_from_bar(207.0),
    reference_k=k_from_c(21.1),
    empty_mass_kg=14.2,
)
ROOM_K = k_from_c(20.0)


@pytest.mark.parametrize(
    ("material", "litres", "rated_bar", "kg"),
    # Empty masses of usual diving cylinders, common practice.
    [
        (Material.ALUMINIUM, 11.1, 207.0, 14.2),
        (Material.STEEL, 12.0, 232.0, 14.0),
        (Material.STEEL, 7.0, 300.0, 9.6),
        (Material.COMPOSITE, 6.8, 300.0, 4.4),
    ],
)
def test_an_unrecorded_mass_is_the_usual_one(material: Material, litres: float, rated_bar: float, kg: float) -> None:
    cylinder = replace(
        ALUMINIUM,
        material=material,
        water_capacity_m3=litres * 1e-3,
        rated_gauge_pa=pa_from_bar(rated_bar),
        empty_mass_kg=None,
    )
    assert empty_mass_kg(cylinder) == pytest.approx(kg, rel=0.1)


def test_a_guessed_mass_is_doubted_more_than_a_recorded_one() -> None:
    guessed = vessel_of(replace(ALUMINIUM, empty_mass_kg=None))
    assert guessed.heat_sigma > 2.0 * vessel_of(ALUMINIUM).heat_sigma


def test_a_vessel_has_the_bore_and_the_wall_of_its_kind() -> None:
    vessel = vessel_of(ALUMINIUM)
    assert vessel.bore_m == pytest.approx(0.159, abs=0.005), "184 mm outside, 12.5 mm of wall (practice)"
    assert vessel.inner_heat_j_k + vessel.outer_heat_j_k == pytest.approx(14.2 * 890.0)
    assert vessel.conductance_w_k > 1000.0, "metal: both sides of the wall go together"
    composite = vessel_of(replace(ALUMINIUM, material=Material.COMPOSITE, empty_mass_kg=4.4))
    assert composite.conductance_w_k < 60.0, "a wrap that the heat must cross"


def test_a_twin_set_is_two_of_one() -> None:
    one, two = vessel_of(ALUMINIUM), vessel_of(replace(ALUMINIUM, count=2))
    assert two.capacity_m3 == pytest.approx(2.0 * one.capacity_m3)
    assert two.conductance_w_k == pytest.approx(2.0 * one.conductance_w_k)
    assert two.bore_m == one.bore_m
    alone, both = convection_of(one, AIR).at(150.0, 8.0, 0.004), convection_of(two, AIR).at(150.0, 8.0, 0.008)
    assert both == pytest.approx((2.0 * alone[0], 2.0 * alone[1])), "the flow is shared"


def test_helium_carries_more_heat_and_nitrox_as_much_as_air() -> None:
    assert natural_factor(GasMix(o2=0.36)) == 1.0
    assert natural_factor(GasMix(o2=0.18, he=0.45)) == pytest.approx(1.6)
    assert 1.6 < natural_factor(GasMix(o2=0.10, he=0.60)) < 2.2
    assert forced_factor(GasMix(o2=0.0, he=1.0)) == pytest.approx(5.1)


def test_convection_grows_with_difference_density_and_flow_and_rests_without_them() -> None:
    air = convection_of(vessel_of(ALUMINIUM), AIR)
    natural, forced = air.at(200.0, 10.0, 0.0)
    assert forced == 0.0
    assert air.at(200.0, 10.0, -0.002) == (natural, 0.0), "what leaves stirs nothing"
    assert air.at(200.0, 0.0, 0.0)[0] == 0.0
    assert air.at(200.0, -10.0, 0.0)[0] == natural, "either way round"
    assert air.at(100.0, 10.0, 0.0)[0] < natural < air.at(200.0, 20.0, 0.0)[0]
    assert air.at(200.0, 10.0, 0.008)[1] > air.at(200.0, 10.0, 0.004)[1] > 0.0


def test_a_compressor_brings_in_more_energy_than_a_bank_at_low_pressure_above_all() -> None:
    gas = shipped(AIR)
    bank = supply_of(gas, SupplyKind.BANK, ROOM_K)
    compressor = supply_of(gas, SupplyKind.COMPRESSOR, ROOM_K)
    at_50, at_200 = pa_from_bar(50.0), pa_from_bar(200.0)
    assert compressor.at(at_50)[0] - bank.at(at_50)[0] > 40e3
    assert 10e3 < compressor.at(at_200)[0] - bank.at(at_200)[0] < 25e3


def test_an_unknown_supply_lies_half_way_and_reaches_both() -> None:
    gas = shipped(AIR)
    at = pa_from_bar(120.0)
    mean, half = supply_of(gas, SupplyKind.UNKNOWN, ROOM_K).at(at)
    assert mean - half == pytest.approx(supply_of(gas, SupplyKind.BANK, ROOM_K).at(at)[0])
    assert mean + half == pytest.approx(supply_of(gas, SupplyKind.COMPRESSOR, ROOM_K).at(at)[0])


def test_a_measured_supply_temperature_counts_for_itself() -> None:
    gas = shipped(AIR)
    warm = supply_of(gas, SupplyKind.BANK, ROOM_K, supply_k=ROOM_K + 10.0)
    cool = supply_of(gas, SupplyKind.BANK, ROOM_K)
    at = pa_from_bar(100.0)
    assert warm.at(at)[0] - cool.at(at)[0] == pytest.approx(10.0 * cool.slope_j_kg_k, rel=0.02)


def test_the_supply_table_is_held_beyond_its_ends() -> None:
    supply = supply_of(shipped(AIR), SupplyKind.COMPRESSOR, ROOM_K)
    assert supply.at(0.0) == supply.at(1e5)
    assert supply.at(1e9) == supply.at(380e5)
