"""cylinders.csv: what stands in a row reaches the core in SI; every problem names its row and column."""

from pathlib import Path

import pytest

from fillguard.core.fitness.record import CylinderRecord, Stamped
from fillguard.core.units import k_from_c
from fillguard.core.values import Cylinder, Material
from fillguard.settings import ConfigurationProblems, Problem, load_register
from fillguard.settings.columns import WRITTEN, columns_of
from fillguard.settings.register import read_record
from fillguard.settings.schema import Place

HEADER = "serial,water_capacity_l,material,rated_bar,reference_c"


def register_file(folder: Path, text: str) -> Path:
    path = folder / "cylinders.csv"
    path.write_text(text, encoding="utf-8")
    return path


def messages(folder: Path, text: str) -> list[str]:
    with pytest.raises(ConfigurationProblems) as raised:
        load_register(register_file(folder, text))
    return [str(problem) for problem in raised.value.errors]


def test_a_full_row_reaches_the_core_in_si(tmp_path: Path) -> None:
    register = load_register(
        register_file(
            tmp_path,
            "serial,water_capacity_l,count,material,empty_mass_kg,rated_pressure,rated_unit,reference_f,test_psi,"
            "disc_burst_bar,plus_marked\nTH-0042,11.1,2,Steel,14.2,2640,psi,70,4400,290,yes\n",
        )
    )
    record = register.record("TH-0042")
    assert record is not None
    assert record.rated == Stamped(value=2640, unit="psi"), "kept as stamped"
    cylinder = record.cylinder(plus=record.plus_marked)
    assert cylinder is not None
    assert (cylinder.serial, cylinder.material, cylinder.count) == ("TH-0042", Material.STEEL, 2)
    assert (cylinder.empty_mass_kg, cylinder.disc_burst_gauge_pa, cylinder.plus_marked) == (14.2, 290e5, True)
    assert cylinder.water_capacity_m3 == pytest.approx(0.0111)
    assert cylinder.rated_gauge_pa == pytest.approx(2640 * 6894.757293168361)
    assert cylinder.test_gauge_pa == pytest.approx(4400 * 6894.757293168361)
    assert cylinder.reference_k == pytest.approx(294.2611, abs=1e-4)


def test_a_short_row_keeps_what_is_not_known_open(tmp_path: Path) -> None:
    register = load_register(register_file(tmp_path, f"{HEADER}\n7,12,steel,232,15\n"))
    record = register.record("7")
    assert record is not None
    assert record == CylinderRecord(
        serial="7",
        water_capacity_l=12.0,
        material=Material.STEEL,
        rated=Stamped(value=232, unit="bar"),
        reference_c=15.0,
    )
    assert record.cylinder(plus=False) == Cylinder(
        serial="7", water_capacity_m3=0.012, material=Material.STEEL, rated_gauge_pa=232e5, reference_k=k_from_c(15.0)
    )


def test_comments_blank_lines_and_a_byte_order_mark_do_not_matter(tmp_path: Path) -> None:
    text = f"\ufeff# ours\n\n{HEADER}\n,,,,\n# more\nTH-0042,12,steel,232,15\n"
    assert len(load_register(register_file(tmp_path, text))) == 1


def test_a_serial_is_found_however_it_is_typed(tmp_path: Path) -> None:
    register = load_register(register_file(tmp_path, f"{HEADER}\nTH-0042,12,steel,232,15\n"))
    assert register.record(" th-0042 ") is register.record("TH-0042") is not None
    assert register.record("TH-0043") is None


def test_units_may_differ_from_row_to_row(tmp_path: Path) -> None:
    text = "serial,water_capacity_l,material,rated_bar,rated_psi,reference_c\nA,12,steel,232,,15\nB,11,steel,,3000,21\n"
    register = load_register(register_file(tmp_path, text))
    first, second = (record.rated for record in register.records.values())
    assert first is not None
    assert second is not None
    assert first.gauge_pa == 232e5
    assert second.gauge_pa == pytest.approx(206.84e5, rel=1e-4)  # 3000 psi by the definition of the pound


ROWS = {
    "psi in the bar column is recognised": (
        "TH-1,12,steel,3000,21.1",
        (
            "cylinders.csv: row 2, rated_bar = 3000.0: allowed: a number from 100 to 500 bar gauge; did you "
            "mean rated_psi?"
        ),
    ),
    "Fahrenheit in the Celsius column is recognised": (
        "TH-1,12,steel,232,70",
        (
            "cylinders.csv: row 2, reference_c = 70.0: allowed: a number from 0 to 40 degrees C; did you "
            "mean reference_f?"
        ),
    ),
    "an empty serial is refused": (
        ",12,steel,232,15",
        "cylinders.csv: row 2, serial: is missing; allowed: the serial as stamped",
    ),
    "a word is no number": (
        "TH-1,twelve,steel,232,15",
        'cylinders.csv: row 2, water_capacity_l = "twelve": allowed: a number from 0.2 to 150 litres of one cylinder',
    ),
    "not-a-number is no number": (
        "TH-1,nan,steel,232,15",
        "cylinders.csv: row 2, water_capacity_l = nan: allowed: a number from 0.2 to 150 litres of one cylinder",
    ),
    "an unknown material names the known ones": (
        "TH-1,12,brass,232,15",
        'cylinders.csv: row 2, material = "brass": allowed: steel, aluminium or composite',
    ),
    "a decimal comma is recognised": (
        "TH-1,11,1,aluminium,207,21",
        "cylinders.csv: row 2: has 6 cells but the header has 5; a decimal comma? write a point",
    ),
    "a missing cell is counted": (
        "TH-1,12,steel,232",
        "cylinders.csv: row 2: has 4 cells but the header has 5",
    ),
}


@pytest.mark.parametrize(("row", "message"), ROWS.values(), ids=ROWS)
def test_a_wrong_cell_names_row_and_column(tmp_path: Path, row: str, message: str) -> None:
    assert messages(tmp_path, f"{HEADER}\n{row}\n") == [message]


FILES = {
    "an unknown column gets the nearest known one": (
        f"{HEADER},empty_mass\n",
        'cylinders.csv: row 1 = "empty_mass": unknown column; did you mean empty_mass_kg?',
    ),
    "a column twice is refused": (
        f"{HEADER},serial\n",
        'cylinders.csv: row 1 = "serial": this column stands there twice: keep one',
    ),
    "semicolons are explained": (
        f"{HEADER}\n".replace(",", ";"),
        "cylinders.csv: row 1: cells are separated by semicolons: save the file with commas, and with decimal points",
    ),
    "a serial twice names both rows": (
        f"{HEADER}\nTH-1,12,steel,232,15\nth-1,12,steel,300,15\n",
        'cylinders.csv: row 3, serial = "th-1": stands in row 2 already: keep one',
    ),
    "a rating in two columns is refused": (
        f"{HEADER},rated_psi\nTH-1,12,steel,232,15,3365\n",
        "cylinders.csv: row 2, rated_psi = 3365.0: rated_bar says the same: keep one of the two",
    ),
    "a rating with a unit beside a rating in bar is refused": (
        f"{HEADER},rated_pressure,rated_unit\nTH-1,12,steel,232,15,232,bar\n",
        'cylinders.csv: row 2, rated_pressure = "232": rated_bar says the same: keep one of the two',
    ),
    "a pressure without its unit is refused": (
        "serial,water_capacity_l,material,rated_pressure,rated_unit,reference_c\nTH-1,12,steel,232,,15\n",
        "cylinders.csv: row 2, rated_unit: allowed: bar or psi, the unit of rated_pressure",
    ),
    "a pressure in an unknown unit is refused": (
        "serial,water_capacity_l,material,rated_pressure,rated_unit,reference_c\nTH-1,12,steel,23.2,MPa,15\n",
        'cylinders.csv: row 2, rated_unit = "MPa": allowed: bar or psi, the unit of rated_pressure',
    ),
    "a test pressure below the rating is refused": (
        f"{HEADER},test_bar\nTH-1,12,steel,232,15,200\n",
        "cylinders.csv: row 2: the test pressure 200 bar is not above the rated 232 bar: read the stamps",
    ),
    "a plus mark on a cylinder that cannot have one is refused": (
        f"{HEADER},plus_marked\nTH-1,12,steel,232,15,yes\n",
        "cylinders.csv: row 2: plus_marked: the mark exists on US steel cylinders only, rated at 21.1 C (70 F)",
    ),
    "a plus mark that is neither yes nor no is refused": (
        f"{HEADER},plus_marked\nTH-1,12,steel,165,21,+\n",
        'cylinders.csv: row 2, plus_marked = "+": allowed: yes or no',
    ),
    "half a cylinder is refused": (
        f"{HEADER},count\nTH-1,12,steel,232,15,1.5\n",
        'cylinders.csv: row 2, count = "1.5": allowed: a number from 1 to 12 cylinders in the set',
    ),
}


@pytest.mark.parametrize(("text", "message"), FILES.values(), ids=FILES)
def test_a_mistake_gives_the_message_that_helps(tmp_path: Path, text: str, message: str) -> None:
    assert messages(tmp_path, text) == [message]


def test_every_problem_of_every_row_comes_at_once(tmp_path: Path) -> None:
    assert messages(tmp_path, f"{HEADER}\nTH-1,0,steel,232,99\nTH-2,12,steel,232,15\nTH-3,12,wood,1,15\n") == [
        "cylinders.csv: row 2, water_capacity_l = 0.0: allowed: a number from 0.2 to 150 litres of one cylinder",
        (
            "cylinders.csv: row 2, reference_c = 99.0: allowed: a number from 0 to 40 degrees C; did you "
            "mean reference_f?"
        ),
        'cylinders.csv: row 4, material = "wood": allowed: steel, aluminium or composite',
        "cylinders.csv: row 4, rated_bar = 1.0: allowed: a number from 100 to 500 bar gauge",
    ]


def test_a_row_without_a_rating_is_kept_and_fills_nothing(tmp_path: Path) -> None:
    record = load_register(register_file(tmp_path, f"{HEADER}\nTH-1,12,steel,,15\n")).record("TH-1")
    assert record is not None
    assert record.rated is None
    assert record.cylinder(plus=False) is None


EVERY_COLUMN = {
    "serial": "TH-0047", "water_capacity_l": "11", "count": "2", "members": "TH-1 TH-2", "material": "steel",
    "empty_mass_kg": "13.6", "reference_c": "21.1", "specification": "3AA", "approval_marks": "DOT TC",
    "plus_marked": "yes", "star": "yes", "alloy_6351": "no", "manufactured": "1995-05", "service_life_ends": "2040-01",
    "last_test": "2024-06", "last_test_by": "A123", "last_test_certificate": "C 7", "last_visual": "2026-02-28",
    "last_visual_by": "op-2", "last_visual_certificate": "V 9", "eddy_current": "2024-06-01", "gas_service": "oxygen",
    "oxygen_clean_until": "2027-01", "outlet": "threaded-232", "neck_thread": "3/4-14 NPSM",
    "valve_thread": "3/4-14 NPSM",
    "valve_fitted": "2024-06", "threads_compared": "2024-06", "threads_compared_by": "op-2", "valve_type": "balanced",
    "valve_serviced": "2026-02", "valve_serviced_by": "op-2", "valve_parts": "stem-o-ring seat",
    "valve_found": "stiff knocked", "heat_exposed": "yes", "owner": "shop", "maker_marks": "M 4", "state": "set-aside",
    "state_reason": "stem weeps", "rated_pressure": "2400", "rated_unit": "psi", "test_pressure": "4000",
    "test_unit": "psi", "disc_burst_pressure": "270", "disc_burst_unit": "bar",
}  # fmt: skip


def test_every_column_is_read_and_written_back_as_it_stood() -> None:
    problems: list[Problem] = []
    record = read_record(EVERY_COLUMN, Place(file="cylinders.csv", label="row 2,"), problems)
    assert problems == []
    assert record is not None
    assert columns_of(record) == EVERY_COLUMN
    assert set(EVERY_COLUMN) == set(WRITTEN)


@pytest.mark.parametrize(
    ("column", "cell", "allowed"),
    [
        ("last_test", "05/2024", "a date: 2026-03 (counts to the end of the month) or 2026-03-31"),
        ("last_visual", "2026-02-29", "a date: 2026-03 (counts to the end of the month) or 2026-03-31"),
        ("gas_service", "argon", "air, nitrox, oxygen"),
        ("outlet", "din", "yoke-232, threaded-232, threaded-300, nitrox-232, nitrox-300"),
        ("state", "broken", "in-service, set-aside, condemned"),
        (
            "valve_found",
            "stiff rusty",
            "some of: stiff, weeping, bent, knocked, will-not-seal, bubbles-at-stem, bubbles-at-neck",
        ),
    ],
)
def test_a_cell_that_means_nothing_says_what_it_may_hold(column: str, cell: str, allowed: str) -> None:
    problems: list[Problem] = []
    assert read_record({"serial": "X", column: cell}, Place(file="f", label="row 2,"), problems) is None
    assert [problem.text for problem in problems] == [f"allowed: {allowed}"]


def test_a_cylinder_out_of_service_says_why() -> None:
    problems: list[Problem] = []
    assert read_record({"serial": "X", "state": "condemned"}, Place(file="f", label="row 2,"), problems) is None
    assert [problem.text for problem in problems] == ["state condemned: say why in state_reason"]
