"""A played scenario: what the sensors say, what really happened, and that both repeat to the byte."""

from collections import Counter
from pathlib import Path

import pytest

from fillguard.bench.simulator import load_scenario, shipped_scenario, simulate_to_capture
from fillguard.bench.simulator.flow import HOSE_M3, BankFeed, Hose, Isotherm, Openings
from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.truth import FillTruth
from fillguard.bench.simulator.vessel import Vessel, shell_of
from fillguard.core.events import CylinderAttached, CylinderDetached, PresenceChanged, Reading
from fillguard.core.units import STANDARD_ATMOSPHERE_PA
from fillguard.core.values import AIR, GasMix, Material
from fillguard.intake.capture import read_capture
from fillguard.intake.feeds import DefaultDecoder
from tests.simulated import act, played, readings, small_scenario


def test_same_seed_gives_the_same_messages_and_another_seed_other_ones() -> None:
    first, again, other = (played(small_scenario(), seed=seed)[0] for seed in (5, 5, 6))
    assert first == again
    assert first != other


def test_messages_arrive_in_order_and_every_kind_is_there() -> None:
    messages, _ = played(small_scenario())
    assert [one.t_s for one in messages] == sorted(one.t_s for one in messages)
    kinds = Counter(one.topic for one in messages)
    assert set(kinds) == {
        "fill/tern/1/presence",
        "fill/tern/1/pressure",
        "fill/tern/1/wall",
        "fill/tern/1/cylinder",
        "fill/tern/ambient",
        "fill/tern/bath",
    }
    assert kinds["fill/tern/1/pressure"] == pytest.approx(90 / 0.2, rel=0.05)
    assert kinds["fill/tern/1/cylinder"] == 2


def test_attach_describes_one_cylinder_and_detach_says_null() -> None:
    attach, detach = readings(played(small_scenario())[0], "cylinder")
    assert attach == {
        "serial": "TH-0042",
        "surroundings": "air",
        "operator": "op-1",
        "checked": ["stamp-read", "valves-open"],
        "gas": "air",
        "water_volume_l": 7.0,
        "empty_mass_kg": 8.4,
        "count": 1,
        "material": "steel",
        "rated_pressure_bar": 300.0,
        "reference_temperature_c": 15.0,
    }
    assert detach == {"serial": None}


def test_truth_holds_what_the_acts_did() -> None:
    _, (fill,) = played(small_scenario())
    assert fill.at_start is not None
    assert fill.at_close is not None
    assert fill.at_start.p_cyl_bar_g == pytest.approx(49.6, abs=0.5)  # the hose took its share
    assert fill.at_close.state.p_cyl_bar_g == pytest.approx(70.0, abs=1.5)
    assert fill.at_close.state.settled_ref_bar_g < fill.at_close.state.p_cyl_bar_g
    assert fill.over_rating_bar == pytest.approx(fill.at_close.state.settled_ref_bar_g - 300.0)
    assert fill.events["flow_stop"][0] < fill.events["valve_closed"][0] < fill.events["whip_bled"][0]
    assert fill.detached_s is not None


def test_gauge_jumps_to_the_residual_pressure_rises_and_reads_nothing_after_the_bleed() -> None:
    values = [one["value"] for one in readings(played(small_scenario())[0], "pressure")]
    assert max(values[:5]) < 1.0
    assert max(values) == pytest.approx(71.0, abs=2.0)
    assert abs(values[-1]) < 1.0


def test_lost_doubled_and_late_messages_come_in_the_shares_asked_for() -> None:
    data = small_scenario() | {"link": {"loss": 0.2, "duplicate": 0.2, "late": 0.2, "late_by_s": 3.0}}
    found = readings(played(data)[0], "pressure")
    numbers = [one["seq"] for one in found]
    missing = set(range(max(numbers))) - set(numbers)
    assert len(missing) / max(numbers) == pytest.approx(0.2, abs=0.07)
    assert len(numbers) - len(set(numbers)) == pytest.approx(0.2 * len(set(numbers)), rel=0.4)
    assert numbers != sorted(numbers)


def test_silent_sensor_comes_back_under_a_new_boot_id() -> None:
    data = small_scenario()
    data["whip"][0]["fault"] = [{"kind": "silent", "at_s": 10, "for_s": 20, "reboot": True}]
    messages, (fill,) = played(data)
    times = [(one["time"], one["boot"], one["seq"]) for one in readings(messages, "pressure")]
    assert not [one for one in times if 10.5 < one[0] < 29.9]
    assert next(one[1:] for one in times if one[0] >= 30.0) == ("b2", 0)
    assert fill.silences == [(10.0, 30.0)]


def test_stuck_sensor_repeats_one_value_while_the_cylinder_fills() -> None:
    data = small_scenario()
    data["whip"][0]["fault"] = [{"kind": "stuck", "at_bar": 55, "for_s": 5}]
    messages, (fill,) = played(data)
    (start, end) = fill.stucks[0]
    stuck = {one["value"] for one in readings(messages, "pressure") if start + 0.3 < one["time"] < end}
    assert len(stuck) == 1


def test_panel_opened_before_the_cylinder_valve_shows_the_hose_only() -> None:
    data = small_scenario()
    acts = data["whip"][0]["act"]
    acts[1:3] = [
        {"do": "open-panel", "at_s": 5, "source": "cascade", "throttle": 0.05},
        {"do": "cylinder-valve", "at_s": 20, "opening": 1.0},
        {"do": "fill", "after_s": 0, "source": "cascade", "close_at_bar": 90},
    ]
    messages, (fill,) = played(data)
    whip_only = [one["value"] for one in readings(messages, "pressure") if 12.0 < one["time"] < 20.0]
    assert min(whip_only) == pytest.approx(280.0, abs=2.0)
    before = [state.p_cyl_bar_g for state in fill.trace if state.t_s < 20.0]
    assert max(before) - min(before) < 0.1  # nothing reached the cylinder meanwhile


def test_valve_hardly_open_lets_the_gauge_run_ahead_and_creep_back() -> None:
    data = small_scenario()
    act(data, 2)["opening"] = 0.03
    act(data, 3)["close_at_bar"] = 100
    messages, (fill,) = played(data)
    assert max(state.valve_drop_bar for state in fill.trace) > 10.0
    assert fill.flow_stop_s is not None
    at_close_s = fill.flow_stop_s
    after = [one["value"] for one in readings(messages, "pressure") if at_close_s < one["time"] < at_close_s + 4.5]
    assert after[0] > 100.0
    assert after[0] - after[-1] > 10.0


def test_burst_disc_empties_the_cylinder_and_chills_the_gas() -> None:
    data = small_scenario()
    data["whip"][0]["fault"] = [{"kind": "burst", "at_bar": 60}]
    data["whip"][0]["act"] = data["whip"][0]["act"][:3]
    _, (fill,) = played(data)
    assert fill.at_burst is not None
    assert fill.at_burst.p_cyl_bar_g == pytest.approx(60.0, abs=2.0)  # a step or two after it let go
    assert min(state.gas_c for state in fill.trace) < -20.0
    assert fill.trace[-1].p_cyl_bar_g < 5.0
    assert fill.at_close is not None  # the operator closed it from a distance


def test_leaking_cylinder_loses_what_was_asked_for_an_hour_of_it() -> None:
    data = small_scenario()
    data["cylinder"][0]["start_bar"] = 200
    data["station"]["duration_s"] = 620
    data["whip"][0]["act"] = data["whip"][0]["act"][:2]
    data["whip"][0]["fault"] = [{"kind": "leak", "at_s": 20, "bar_per_hour": 60}]
    _, (fill,) = played(data)
    lost = fill.trace[40].settled_ref_bar_g - fill.trace[-1].settled_ref_bar_g
    assert lost == pytest.approx(10.0, rel=0.1)


def test_gas_added_to_another_gas_gives_the_mix_of_both() -> None:
    data = small_scenario()
    data["source"][0]["gas"] = {"o2": 1.0}
    act(data, 1)["gas"] = {"o2": 1.0}
    data["cylinder"][0]["residual_gas"] = "air"
    _, (fill,) = played(data)
    assert fill.at_start is not None
    assert fill.at_close is not None
    start, close = fill.at_start.mass_kg, fill.at_close.state.mass_kg
    air_moles, oxygen_moles = start / 0.02885, (close - start) / 0.0319988
    expected = (0.2095 * air_moles + oxygen_moles) / (air_moles + oxygen_moles)
    assert fill.at_close.shares["o2"] == pytest.approx(expected, abs=0.002)


def test_gas_that_left_the_bank_is_in_hose_and_cylinder_or_went_out_through_the_bleed() -> None:
    bank, cylinder = (
        Vessel(
            fluid=Fluid.of(AIR),
            shell=shell_of(material=Material.STEEL, capacity_m3=litres * 1e-3, mass_kg=litres),
            pressure_pa=bar * 1e5,
            temperature_k=293.15,
        )
        for litres, bar in ((50.0, 200.0), (7.0, 40.0))
    )
    hose = Hose(Isotherm(Fluid.of(AIR), 293.15))
    feed = BankFeed(bank=bank, area_m2=1e-6, non_return=False, isotherm=hose.isotherm)

    def total_kg() -> float:
        return bank.mass_kg + cylinder.mass_kg + hose.isotherm.density(hose.pressure_pa) * HOSE_M3

    before, bled_kg = total_kg(), 0.0
    for step in range(6000):
        flows = hose.step(
            0.1,
            feed=feed if step < 4000 else None,
            cylinder=cylinder,
            openings=Openings(valve_m2=1.4e-6, bleed_m2=1e-9 if step > 5000 else 0.0),
        )
        for vessel, kg in ((bank, -flows.source * 0.1), (cylinder, flows.cylinder * 0.1)):
            vessel.step(
                0.1,
                in_kg=max(0.0, kg),
                in_j_kg=bank.enthalpy_j_kg,
                out_kg=max(0.0, -kg),
                outside_w_m2k=9.0,
                around_k=293.15,
            )
        bled_kg += flows.bleed * 0.1
    assert cylinder.pressure_pa > 150e5
    assert bled_kg > 0.0
    assert total_kg() + bled_kg == pytest.approx(before, abs=1e-6)


def test_energy_of_gas_and_wall_together_is_kept() -> None:
    vessel = Vessel(
        fluid=Fluid.of(GasMix(o2=0.32)),
        shell=shell_of(material=Material.COMPOSITE, capacity_m3=6.8e-3, mass_kg=4.4),
        pressure_pa=200e5,
        temperature_k=340.0,
    )
    vessel.wall.temperatures_k[:] = [290.0] * len(vessel.wall.temperatures_k)

    def total_j() -> float:
        heats = zip(vessel.shell.heat_j_k, vessel.wall.temperatures_k, strict=True)
        return vessel.energy_j + sum(heat * kelvin for heat, kelvin in heats)

    before = total_j()
    for _ in range(2000):
        vessel.step(0.1, outside_w_m2k=0.0, around_k=0.0)
    assert total_j() == pytest.approx(before, abs=1.0)
    assert vessel.temperature_k == pytest.approx(vessel.wall.outer_k, abs=1.0)


def test_helium_mix_settles_less_than_air_from_the_same_heat() -> None:
    def drop(mix: GasMix) -> float:
        fluid = Fluid.of(mix)
        return 232e5 - fluid.at(fluid.at_pressure(232e5, 323.15), 288.15)

    assert drop(GasMix(o2=0.18, he=0.45)) < drop(AIR)


def test_settled_pressure_of_the_truth_is_gauge() -> None:
    _, (fill,) = played(small_scenario())
    assert fill.at_close is not None
    cold = fill.at_close.settled_bar_g[15.0]
    fluid = Fluid.of(AIR)
    absolute_pa = fluid.at(fill.at_close.state.mass_kg / 7e-3, 288.15)
    assert cold == pytest.approx((absolute_pa - STANDARD_ATMOSPHERE_PA) / 1e5, abs=0.01)


# The morning that is shipped -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[tuple[str, str], FillTruth]]:
    """The demo's capture file, and its truth by whip and serial."""
    path = tmp_path_factory.mktemp("morning") / "tern.jsonl"
    heard: list[float] = []
    fills = simulate_to_capture(shipped_scenario("tern-harbour"), path, progress=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == 1.0
    return path, {(fill.whip, fill.serial): fill for fill in fills}


def test_morning_is_over_in_two_minutes_of_a_tenfold_clock() -> None:
    assert load_scenario(shipped_scenario("tern-harbour")).station.duration_s / 10.0 <= 130.0


def test_every_line_of_the_morning_can_be_used_by_the_intake(
    morning: tuple[Path, dict[tuple[str, str], FillTruth]],
) -> None:
    decoder = DefaultDecoder("tern", register=lambda _: None)
    with morning[0].open(encoding="utf-8") as lines:
        events = [event for message in read_capture(lines) for event in decoder.decode(message)]
    assert decoder.rejections() == ()
    kinds = Counter(type(event) for event in events)
    assert set(kinds) == {Reading, CylinderAttached, CylinderDetached, PresenceChanged}
    assert kinds[PresenceChanged] == 4
    assert kinds[CylinderAttached] == 5
    assert all(event.cylinder is not None for event in events if isinstance(event, CylinderAttached))


def test_morning_tells_its_six_stories(morning: tuple[Path, dict[tuple[str, str], FillTruth]]) -> None:
    fills = morning[1]
    assert len(fills) == 6
    assert all(fill.at_close is not None and fill.detached_s is not None for fill in fills.values())
    over = {key: fill.over_rating_bar for key, fill in fills.items()}
    assert over["3", "TH-0043"] is not None
    assert over["3", "TH-0043"] > 6.0
    assert [key for key, bar in over.items() if bar is not None and bar > 0.0] == [("3", "TH-0043")]
    assert [key for key, fill in fills.items() if not fill.announced] == [("1", "TH-0040")]
    hot = fills["2", "TH-0046"]
    assert max(state.gas_c for state in hot.trace) > 53.0
    assert hot.at_start is not None
    assert hot.at_close is not None
    minutes = (hot.at_close.state.t_s - hot.at_start.t_s) / 60.0
    assert (hot.at_close.state.p_cyl_bar_g - hot.at_start.p_cyl_bar_g) / minutes > 60.0  # twice what is good practice
    assert [key for key, fill in fills.items() if fill.silences] == [("2", "TH-0041")]
    late = fills["4", "TH-0048"]
    assert max(state.valve_drop_bar for state in late.trace) > 100.0  # the hose was full when the valve was opened


def test_overfilled_cylinder_of_the_morning_is_bled_below_its_rating(
    morning: tuple[Path, dict[tuple[str, str], FillTruth]],
) -> None:
    fill = morning[1]["3", "TH-0043"]
    assert fill.at_end is not None
    assert fill.at_end.state.settled_ref_bar_g < fill.rated_bar
