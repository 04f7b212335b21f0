"""How far a cylinder may be filled. Figures that are not fillguard's own choice name their source."""

from dataclasses import replace

import pytest

from fillguard.core import limits
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, bar_from_pa, c_from_k, k_from_c, pa_from_bar, pa_from_psi
from fillguard.core.values import AIR, Cylinder, GasMix, Material
from tests.gases import shipped

STEEL_232 = Cylinder(
    serial="TH-0042",
    water_capacity_m3=0.012,
    material=Material.STEEL,
    rated_gauge_pa=pa_from_bar(232.0),
    reference_k=k_from_c(15.0),
)
ALUMINIUM_3000_PSI = Cylinder(
    serial="TH-0043",
    water_capacity_m3=0.0111,
    material=Material.ALUMINIUM,
    rated_gauge_pa=pa_from_psi(3000.0),
    reference_k=k_from_c(21.1),
)


def ceiling_bar(cylinder: Cylinder, mix: GasMix = AIR) -> float:
    return bar_from_pa(limits.ceiling_gauge_pa(cylinder, shipped(mix), STANDARD_ATMOSPHERE_PA))


def test_the_limit_is_the_stamp_and_ten_per_cent_more_only_with_a_plus() -> None:
    assert limits.rating_limit_gauge_pa(STEEL_232) == pa_from_bar(232.0)
    # 49 CFR 173.302a(b): 2400 psig with a plus mark may be filled to 2640.
    plus = replace(ALUMINIUM_3000_PSI, material=Material.STEEL, rated_gauge_pa=pa_from_psi(2400.0), plus_marked=True)
    assert limits.rating_limit_gauge_pa(plus) == pytest.approx(pa_from_psi(2640.0))


def test_a_target_is_never_above_the_limit() -> None:
    assert limits.target_gauge_pa(STEEL_232, None) == pa_from_bar(232.0)
    assert limits.target_gauge_pa(STEEL_232, pa_from_bar(200.0)) == pa_from_bar(200.0)
    assert limits.target_gauge_pa(STEEL_232, pa_from_bar(300.0)) == pa_from_bar(232.0)


@pytest.mark.parametrize(
    ("rated_bar", "developed_bar"),
    # Developed at 65 C from settled at 15 C, air, bar gauge: computed with CoolProp 8.0.0.
    [(200.0, 250.5), (232.0, 292.5), (300.0, 382.0)],
)
def test_the_european_ceiling_is_the_developed_pressure(rated_bar: float, developed_bar: float) -> None:
    cylinder = replace(STEEL_232, rated_gauge_pa=pa_from_bar(rated_bar))
    assert ceiling_bar(cylinder) == pytest.approx(developed_bar, abs=0.1)
    assert ceiling_bar(cylinder) < bar_from_pa(limits.test_pressure_gauge_pa(cylinder)), "ADR P200"


def test_the_american_ceiling_is_five_quarters_of_the_service_pressure() -> None:
    # 49 CFR 173.301a(d); 3AL3000: 258.6 bar.
    assert ceiling_bar(ALUMINIUM_3000_PSI) == pytest.approx(258.6, abs=0.05)


def test_a_weak_relief_disc_lowers_the_ceiling() -> None:
    weak = replace(STEEL_232, disc_burst_gauge_pa=pa_from_bar(300.0))
    assert ceiling_bar(weak) == pytest.approx(270.0)
    low_test = replace(ALUMINIUM_3000_PSI, test_gauge_pa=pa_from_bar(300.0))
    assert ceiling_bar(low_test) == pytest.approx(243.0), "0.81 of the test pressure where the disc is not recorded"


def test_test_pressures_follow_the_profile_unless_recorded() -> None:
    # 3/2 of the rating (ADR P200), 5/3 of the service pressure (49 CFR 180.209 table 1: 3000 -> 5000 psig).
    assert bar_from_pa(limits.test_pressure_gauge_pa(STEEL_232)) == pytest.approx(348.0)
    assert limits.test_pressure_gauge_pa(ALUMINIUM_3000_PSI) == pytest.approx(pa_from_psi(5000.0))
    recorded = replace(STEEL_232, test_gauge_pa=pa_from_bar(360.0))
    assert bar_from_pa(limits.test_pressure_gauge_pa(recorded)) == pytest.approx(360.0)


def test_walls_are_alarmed_lower_where_they_bear_less() -> None:
    assert c_from_k(limits.wall_alarm_k(STEEL_232)) == pytest.approx(60.0)
    assert c_from_k(limits.wall_alarm_k(replace(STEEL_232, material=Material.COMPOSITE))) == pytest.approx(55.0)
    assert c_from_k(limits.wall_alarm_k(ALUMINIUM_3000_PSI)) == pytest.approx(55.0)
    # 49 CFR 180.203: aluminium 176 C; steel 343 C from memory.
    assert c_from_k(limits.condemn_k(ALUMINIUM_3000_PSI)) == pytest.approx(176.0)
    assert c_from_k(limits.condemn_k(STEEL_232)) == pytest.approx(343.0)


def test_caps_come_lowest_first_and_only_what_is_known() -> None:
    caps = limits.close_caps(
        STEEL_232,
        shipped(AIR),
        ambient_abs_pa=STANDARD_ATMOSPHERE_PA,
        whip_gauge_pa=pa_from_bar(350.0),
        safety_valve_gauge_pa=pa_from_bar(260.0),
        hot_allowance_pa=pa_from_bar(7.0),
    )
    assert [cap.name for cap in caps] == ["safety-valve", "hot-allowance", "developed", "ceiling", "whip"]
    assert bar_from_pa(caps[0].gauge_pa) == pytest.approx(234.0), "a tenth under the valve's set pressure"
    assert bar_from_pa(caps[1].gauge_pa) == pytest.approx(239.0)


def test_without_a_hot_allowance_only_the_other_caps_count() -> None:
    caps = limits.close_caps(STEEL_232, shipped(AIR), ambient_abs_pa=STANDARD_ATMOSPHERE_PA)
    assert {cap.name for cap in caps} == {"developed", "ceiling"}
