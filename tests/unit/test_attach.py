"""What may be said when a cylinder is attached, and what becomes of it against the register."""

import json
from collections.abc import Mapping

import pytest

from fillguard.core.events import CylinderAttached, CylinderDetached, InEvent, ReadingRejected
from fillguard.core.units import bar_from_pa, c_from_k, k_from_c
from fillguard.core.values import AIR, Cylinder, GasMix, Material, Surroundings
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import RawMessage
from tests.fakes import FakeClock

TOPIC = "fill/tern/1/cylinder"
REGISTERED = Cylinder(
    serial="TH-0042",
    water_capacity_m3=11.1e-3,
    material=Material.ALUMINIUM,
    rated_gauge_pa=206.84e5,
    reference_k=k_from_c(21.1),
    empty_mass_kg=14.2,
)
INLINE: dict[str, object] = {
    "serial": "TH-0907",
    "water_volume_l": 12.0,
    "empty_mass_kg": 14.5,
    "material": "steel",
    "rated_pressure_bar": 232,
    "reference_temperature_c": 15,
}


def told(
    payload: Mapping[str, object],
    decoder: DefaultDecoder | None = None,
    *,
    retained: bool = False,
    duplicate: bool = False,
) -> InEvent:
    decoder = decoder or DefaultDecoder("tern", register=lambda serial: REGISTERED if serial == "TH-0042" else None)
    body = json.dumps(payload).encode()
    (event,) = decoder.decode(
        RawMessage(arrived=FakeClock().now(), topic=TOPIC, payload=body, retained=retained, duplicate=duplicate)
    )
    return event


def attached(payload: Mapping[str, object]) -> CylinderAttached:
    event = told(payload)
    assert isinstance(event, CylinderAttached), event
    return event


def refused(payload: Mapping[str, object]) -> ReadingRejected:
    event = told(payload)
    assert isinstance(event, ReadingRejected), event
    return event


def test_a_registered_serial_is_enough() -> None:
    event = attached({"serial": "TH-0042", "operator": "op-1", "gas": {"o2": 0.32}, "target_bar": 200})
    assert (event.serial, event.cylinder, event.operator, event.whip) == ("TH-0042", REGISTERED, "op-1", "1")
    assert (event.gas, event.residual_gas) == (GasMix(o2=0.32), GasMix(o2=0.32))
    assert (event.target_gauge_pa, event.surroundings, event.arrived_k, event.note) == (200e5, None, None, None)


def test_a_serial_nobody_knows_has_no_cylinder() -> None:
    event = attached({"serial": "TH-9999"})
    assert (event.serial, event.cylinder, event.gas) == ("TH-9999", None, AIR)


def test_an_unregistered_cylinder_may_be_described_in_the_message() -> None:
    event = attached({**INLINE, "count": 2, "surroundings": "bath", "residual_gas": "air", "gas": "oxygen"})
    assert event.cylinder == Cylinder(
        serial="TH-0907",
        water_capacity_m3=12.0e-3,
        material=Material.STEEL,
        rated_gauge_pa=232e5,
        reference_k=k_from_c(15.0),
        count=2,
        empty_mass_kg=14.5,
    )
    assert (event.surroundings, event.gas, event.residual_gas) == (Surroundings.BATH, GasMix(o2=1.0), AIR)


@pytest.mark.parametrize(
    ("volume_l", "mass_kg", "governs_l", "governs_kg"),
    [
        (24.0, 14.0, 12.0, 14.0),  # the set's volume, one cylinder's mass
        (12.0, 28.0, 12.0, 14.0),  # one cylinder's volume, the set's mass
        (12.0, 14.0, 12.0, 14.0),  # as documented
        (24.0, 28.0, 24.0, 28.0),  # makes a cylinder: nobody can know better
        (12.0, 40.0, 12.0, 40.0),  # neither makes a usual one
    ],
)
def test_a_set_described_as_a_whole_is_seen_by_what_makes_no_cylinder(
    volume_l: float, mass_kg: float, governs_l: float, governs_kg: float
) -> None:
    said = {**TWIN, "water_volume_l": volume_l, "empty_mass_kg": mass_kg}
    event = attached(said)
    assert event.cylinder is not None
    assert event.cylinder.water_capacity_m3 * 1e3 == pytest.approx(governs_l)
    assert event.cylinder.empty_mass_kg == pytest.approx(governs_kg)
    assert event.cylinder.count == 2
    divided = (governs_l, governs_kg) != (volume_l, mass_kg)
    assert ("taken for that of the whole set of 2" in (event.note or "")) is divided


TWIN = {
    "serial": "TH-0077",
    "count": 2,
    "material": "steel",
    "rated_pressure_bar": 232.0,
    "reference_temperature_c": 15.0,
}


def test_a_cylinder_without_a_number_may_be_described_as_well() -> None:
    event = attached({key: value for key, value in INLINE.items() if key != "serial"})
    assert event.cylinder is not None
    assert (event.serial, event.cylinder.serial) == (None, None)


def test_pressures_may_be_given_in_psi() -> None:
    event = attached({**without("rated_pressure_bar"), "rated_pressure_psi": 3000, "target_psi": 2900})
    assert event.cylinder is not None
    assert event.cylinder.rated_gauge_pa == pytest.approx(206.843e5, rel=1e-5)
    assert event.target_gauge_pa == pytest.approx(199.948e5, rel=1e-5)


def without(key: str) -> dict[str, object]:
    return {other: value for other, value in INLINE.items() if other != key}


@pytest.mark.parametrize(
    ("said", "kelvin"), [("cold", 281.15), ("hot", 318.15), (31, 304.15), (-5.5, 267.65), ("shop", None)]
)
def test_how_warm_it_arrived_is_a_word_or_a_figure(said: object, kelvin: float | None) -> None:
    assert attached({"serial": "TH-0042", "arrived": said}).arrived_k == kelvin


@pytest.mark.parametrize(
    ("said", "mix"),
    [
        ("air", AIR),
        ({"o2": 0.21}, AIR),
        ({"o2": 0.32, "he": 0}, GasMix(o2=0.32)),
        ({"o2": 0.18, "he": 0.45}, GasMix(o2=0.18, he=0.45)),
    ],
)
def test_a_gas_is_air_oxygen_or_fractions(said: object, mix: GasMix) -> None:
    assert attached({"serial": "TH-0042", "gas": said}).gas == mix


def test_null_detaches() -> None:
    assert told({"serial": None, "operator": "op-1"}) == CylinderDetached(
        stamp=FakeClock().now(), whip="1", operator="op-1"
    )


# Register and message differ -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bar", "reference_c", "governs"),
    [
        (232, 15, "206.84 bar at 21.1 C"),  # the register's is lower
        (200, 15, "200 bar at 15 C"),
        (205, 15, "206.84 bar at 21.1 C"),  # 205 bar at 15 C would be 211 bar at 21.1 C
        (206.84, 15, "206.84 bar at 21.1 C"),
        (200, 21.1, "200 bar at 21.1 C"),
    ],
)
def test_the_lower_rating_governs_and_it_is_said(bar: float, reference_c: float, governs: str) -> None:
    event = attached({"serial": "TH-0042", "rated_pressure_bar": bar, "reference_temperature_c": reference_c})
    assert event.cylinder is not None
    figures = f"{bar_from_pa(event.cylinder.rated_gauge_pa):.5g} bar at {c_from_k(event.cylinder.reference_k):.3g} C"
    assert figures == governs
    assert event.note is not None
    assert f"the lower rating governs: {governs}" in event.note


def test_what_else_differs_is_said_and_the_register_holds() -> None:
    event = attached({"serial": "TH-0042", "water_volume_l": 12.2, "material": "steel"})
    assert event.cylinder == REGISTERED
    assert event.note is not None
    assert "water volume in litres: the message says 12.2, the register 11.1" in event.note
    assert "material: the message says steel, the register aluminium" in event.note


def test_a_description_that_agrees_needs_no_note() -> None:
    event = attached({"serial": "TH-0042", "rated_pressure_psi": 3000, "count": 1, "water_volume_l": 11.1})
    assert (event.cylinder, event.note) == (REGISTERED, None)


# Mistakes ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("payload", "reason", "said"),
    [
        ({}, "no-serial", "say which cylinder"),
        ({"operator": "op-1"}, "no-serial", "null detaches"),
        ({"serial": 42}, "bad-serial", 'serial 42: give text such as "TH-0042"'),
        ({"serial": "  "}, "bad-serial", "1 to 64 printable"),
        ({"serial": "TH\n42"}, "bad-serial", "printable"),
        ({**INLINE, "serial": None}, "bad-serial", "leave serial out"),
        ({"serial": "TH-0042", "operator": 7}, "bad-operator", "operator 7"),
        (
            {**INLINE, "rated_pressure_bar": 3000},
            "bad-rated-pressure",
            "3000.0 bar? Allowed are 100 to 500 bar. Did you mean psi?",
        ),
        ({**without("rated_pressure_bar"), "rated_pressure_psi": 232}, "bad-rated-pressure", "Did you mean bar?"),
        ({**INLINE, "rated_pressure_psi": 3000}, "bad-rated-pressure", "give one of them"),
        ({**INLINE, "rated_pressure_bar": "232"}, "bad-rated-pressure-bar", 'rated_pressure_bar "232": give a number'),
        (without("rated_pressure_bar"), "incomplete-cylinder", "rated_pressure_bar is missing"),
        (
            without("water_volume_l"),
            "incomplete-cylinder",
            'serial "TH-0907" is not in the register and water_volume_l',
        ),
        ({**INLINE, "water_volume_l": 1200}, "bad-cylinder", "water capacity 1200"),
        ({**INLINE, "reference_temperature_c": 70}, "bad-cylinder", "reference temperature 70"),
        ({**INLINE, "count": 2.0}, "bad-count", "count 2.0: give a whole number"),
        ({**INLINE, "count": 0}, "bad-cylinder", "count 0"),
        ({**INLINE, "material": "wood"}, "bad-material", 'material "wood"'),
        ({"serial": "TH-0042", "target_bar": 3000}, "bad-target", "target 3000.0 bar?"),
        ({"serial": "TH-0042", "target_bar": 207, "target_psi": 3000}, "bad-target", "give one of them"),
        ({"serial": "TH-0042", "gas": {"o2": 32}}, "bad-cylinder", "32 % is 0.32"),
        ({"serial": "TH-0042", "gas": {"o2": 0.6, "he": 0.6}}, "bad-cylinder", "more than 1"),
        ({"serial": "TH-0042", "gas": {"he": 0.3}}, "bad-gas", "give"),
        ({"serial": "TH-0042", "gas": {"o2": 0.3, "h2": 0.1}}, "bad-gas", "give"),
        ({"serial": "TH-0042", "gas": "32"}, "bad-gas", 'gas "32": give "air", "oxygen" or fractions'),
        ({"serial": "TH-0042", "surroundings": "pool"}, "bad-surroundings", '"air" or "bath"'),
        ({"serial": "TH-0042", "arrived": "warm"}, "bad-arrived", 'arrived "warm"'),
        ({"serial": "TH-0042", "arrived": 300}, "bad-arrived", "arrived 300"),
        ({"serial": "TH-0042", "gass": "air"}, "unknown-key", 'key "gass": did you mean gas?'),
        ({**INLINE, "rated_presure_bar": 232}, "unknown-key", "did you mean rated_pressure_bar?"),
        ({"serial": "TH-0042", "o2": 0.32}, "unknown-key", "did you mean gas?"),
    ],
    ids=str,
)
def test_a_mistake_is_refused_with_the_value_and_the_way_out(
    payload: Mapping[str, object], reason: str, said: str
) -> None:
    event = refused(payload)
    assert event.reason == reason, event.detail
    assert said in event.detail


def test_foreign_keys_are_passed_over_and_said() -> None:
    event = attached({"serial": "TH-0042", "weather": [{"sun": "yes"}], "time": 1.0, "seq": 4})
    assert event.cylinder == REGISTERED
    assert event.note == 'key "weather" is not known and was passed over'


# What the broker repeats ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("retained", "duplicate"), [(True, False), (False, True)], ids=["stored", "unacknowledged"])
def test_what_the_broker_sends_again_is_not_a_second_attach(*, retained: bool, duplicate: bool) -> None:
    decoder = DefaultDecoder("tern", register=lambda _: REGISTERED)
    first = told({"serial": "TH-0042"}, decoder, retained=retained, duplicate=duplicate)
    again = told({"serial": "TH-0042"}, decoder, retained=retained, duplicate=duplicate)
    by_hand = told({"serial": "TH-0042"}, decoder)
    assert isinstance(first, CylinderAttached)
    assert isinstance(again, ReadingRejected)
    assert again.reason == "repeated"
    assert isinstance(by_hand, CylinderAttached)


def test_a_stored_attach_does_not_undo_a_detach() -> None:
    decoder = DefaultDecoder("tern", register=lambda _: REGISTERED)
    told({"serial": "TH-0042"}, decoder)
    told({"serial": None}, decoder)
    assert isinstance(told({"serial": "TH-0042"}, decoder, retained=True), ReadingRejected)
    assert isinstance(told({"serial": "TH-0042"}, decoder), CylinderAttached)
