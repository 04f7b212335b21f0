"""`[[feed]]` tables: each kind of mistake gives the message that helps, and units are what the standards say."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from fillguard.core.events import Quantity
from fillguard.settings.feeds import covers
from fillguard.settings.feeds.schema import FeedSection, ReadingSection
from fillguard.settings.feeds.topics import template
from fillguard.settings.units import UNITS, UnitError, _by_pint, unit_of
from tests.shops import problems_of, settings_with

GAUGE = """
[[feed]]
name = "gauges"
topic = "shop/{station}/{whip}/gauge"
payload = "json"
[[feed.reading]]
quantity = "pressure"
value = "/p"
unit = "bar"
"""


def changed(old: str, new: str) -> str:
    assert old in GAUGE
    return GAUGE.replace(old, new)


def test_a_good_feed_is_no_problem(tmp_path: Path) -> None:
    assert problems_of(tmp_path, GAUGE) == []


@pytest.mark.parametrize(
    ("feed", "where", "said"),
    [
        (changed('payload = "json"', 'payload = "xml"'), '"gauges" payload = "xml"', '"senml"'),
        (changed('payload = "json"', 'payload = "json"\ntopc = "x"'), '"gauges" topc', "did you mean topic?"),
        (changed('name = "gauges"\n', ""), '"no. 1" name', "is missing"),
        (changed('topic = "shop/{station}/{whip}/gauge"\n', ""), '"gauges" topic', "is missing"),
        (changed("{whip}", "{whp}"), "topic", "a level is a word, {station} or {whip}"),
        (changed("{whip}", "whip-{whip}"), "topic", "as a whole"),
        (changed("{station}", "+"), "topic", "two sensors could be taken for one"),
        (changed('gauge"', '#"'), "topic", "stands for anything"),
        (changed("{station}", "{whip}"), "topic", "twice"),
        (changed("shop/{station}", "$SYS"), "topic", "starts neither with"),
        (changed("{whip}", "x"), "reading 1 whip", "whose pressure is it?"),
        (changed('payload = "json"', 'payload = "json"\nwhip = "1"'), 'whip = "1"', "names the whip already"),
        (changed('unit = "bar"', 'unit = "bar"\nwhip = "1"'), 'reading 1 whip = "1"', "name the whip already"),
        (
            changed('payload = "json"', 'payload = "json"\nwhips = {a = "9"}'),
            'whips = "9"',
            "no such [[whip]]",
        ),
        (
            changed('payload = "json"', 'payload = "json"\nonline = ["up"]'),
            "online",
            "does nothing with payload",
        ),
        (changed('value = "/p"', 'value = "/p"\nbits = [0, 8]'), "reading 1 bits", "does nothing"),
        (changed('value = "/p"\n', ""), "reading 1 value", "is missing"),
        (changed('"/p"', '"p.x"'), 'value = "p.x"', 'did you mean "/p/x"?'),
        (changed('"pressure"', '"presure"'), 'quantity = "presure"', '"pressure"'),
        (changed('unit = "bar"\n', ""), "reading 1 unit", "is missing"),
        (changed('unit = "bar"', 'unit = "Bar"'), 'unit = "Bar"', "did you mean bar?"),
        (changed('unit = "bar"', 'unit = "Cel"'), 'unit = "Cel"', "is no unit of pressure"),
        (changed('unit = "bar"', 'unit = "bar"\nunit_at = "/u"'), "unit_at", "unit says it already"),
        (changed('unit = "bar"', 'unit = "barg"\nbasis = "absolute"'), "basis", "barg says gauge"),
        (changed('unit = "bar"', 'unit = "psia"\nbasis = "gauge"'), "basis", "psia says absolute"),
        (changed('unit = "bar"', 'unit = "bar"\nlimits = [400, 0]'), "limits", "is not below"),
        (changed('unit = "bar"', 'unit_at = "/u"\nlimits = [0, 400]'), "limits", "give unit"),
        (changed('unit = "bar"', 'unit = "bar"\nlimits = [-15, 6000]'), "limits", "with this unit within -5, 1100"),
        (changed('unit = "bar"', 'unit = "bar"\nloop = [0, 5800]'), "loop", "Is the unit wrong?"),
        (changed('unit = "bar"', 'unit = "bar"\nloop = [4, 4]'), "loop", "both ends"),
        (changed('unit = "bar"', 'unit = "bar"\nscale = 0'), "scale", "the same"),
        (changed('unit = "bar"', 'unit = "bar"\nscale = nan'), "scale", "a number from"),
        (changed('unit = "bar"', 'unit = "bar"\nlive_for_s = 0'), "live_for_s", "0.1 to 600"),
        (changed('"pressure"', '"ambient"').replace("bar", "Cel"), 'quantity = "ambient"', "whole station"),
        (
            changed('"pressure"', '"wall"').replace('"bar"', '"C"'),
            'unit = "C"',
            "the coulomb); did you mean Cel?",
        ),
        (changed('"pressure"', '"wall"').replace('"bar"', '"F"'), 'unit = "F"', "the farad); did you mean degF?"),
        (
            changed('"pressure"', '"wall"').replace('"bar"', '"Cel"\nbasis = "gauge"'),
            "basis",
            "only a pressure has",
        ),
        (GAUGE + GAUGE, "name", "another [[feed]] has it already"),
        (GAUGE + changed("gauges", "more"), "topic", '[[feed]] "gauges" reads shop/tern/1/gauge already'),
        (
            GAUGE + changed("gauges", "more").replace("{whip}/gauge", "{whip}/other"),
            '"more" reading 1 quantity',
            'pressure of whip 1 comes from [[feed]] "gauges" already',
        ),
        (GAUGE + '[[feed.reading]]\nquantity = "wall"\nvalue = "/p"\nunit = "Cel"\n', "reading 2", "same place"),
        ('[[feed]]\nname = "x"\ntopic = "x"\npayload = "number"\n', "reading", "is missing; write [[feed.reading]]"),
        ('[[feed]]\nname = "x"\ntopic = "x"\npayload = "presence"\n', "online", "is missing"),
        (
            '[[feed]]\nname = "x"\ntopic = "x"\npayload = "presence"\nonline = [1]\noffline = [1]\nserves = ["1"]\n',
            "offline",
            "what does it mean?",
        ),
        (
            '[[feed]]\nname = "x"\ntopic = "x"\npayload = "presence"\nonline = [1]\noffline = [0]\n',
            "serves",
            "whose gauges",
        ),
        ('[feed]\nname = "x"\n', "[feed]", "write [[feed]] with double brackets"),
    ],
)
def test_a_mistake_is_named_where_it_stands(tmp_path: Path, feed: str, where: str, said: str) -> None:
    found = problems_of(tmp_path, feed)
    assert any(where in problem and said in problem for problem in found), found


def test_all_mistakes_of_a_file_come_at_once(tmp_path: Path) -> None:
    wrong = (
        changed("{whip}", "+").replace('unit = "bar"', 'unt = "bar"') + '\n[[feed]]\nname = "x y"\npayload = "json"\n'
    )
    found = problems_of(tmp_path, wrong)
    assert [problem.split(":")[0] for problem in found] == [
        '[[feed]] "gauges" topic = "shop/{station}/+/gauge"',
        '[[feed]] "gauges" reading 1 unt',
        '[[feed]] "x y" name = "x y"',
    ]


# Units ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "quantity", "value", "si"),
    [
        ("kgf/cm**2", Quantity.PRESSURE, 1.0, 98_066.5),  # exact: standard gravity 9.80665 m/s2 (CGPM 1901)
        ("at", Quantity.PRESSURE, 1.0, 98_066.5),
        ("atm", Quantity.PRESSURE, 1.0, 101_325.0),  # exact by definition (CGPM 1954)
        ("torr", Quantity.PRESSURE, 760.0, 101_325.0),  # definition
        ("degF", Quantity.WALL, 212.0, 373.15),  # boiling point, by definition of the scales
        ("degR", Quantity.WALL, 491.67, 273.15),  # Rankine: 9/5 of kelvin
        ("ppm", Quantity.O2_FRACTION, 209_500.0, 0.2095),
        ("percent", Quantity.O2_FRACTION, 32.0, 0.32),
        ("uA", Quantity.LOOP_CURRENT, 4000.0, 0.004),
    ],
)
def test_a_unit_that_the_table_lacks_is_resolved_once(name: str, quantity: Quantity, value: float, si: float) -> None:
    assert unit_of(name, quantity).si(value) == pytest.approx(si, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "absolute"),
    [("kgf/cm**2", None), ("ata", True), ("atg", False), ("torra", True), ("bara", True), ("barg", False)],
)
def test_the_letter_behind_a_unit_sets_the_basis(name: str, *, absolute: bool | None) -> None:
    assert unit_of(name, Quantity.PRESSURE).absolute is absolute


@pytest.mark.parametrize(
    ("name", "quantity"),
    [
        ("C", Quantity.WALL),
        ("F", Quantity.WALL),
        ("m", Quantity.PRESSURE),
        ("dB", Quantity.O2_FRACTION),  # logarithmic: no factor and offset would be true
        ("", Quantity.PRESSURE),
        ("2*bar", Quantity.PRESSURE),
        ("bar/0", Quantity.PRESSURE),
        ("__import__('os')", Quantity.PRESSURE),
        ("a" * 500, Quantity.PRESSURE),
    ],
)
def test_what_is_no_unit_of_the_quantity_is_refused(name: str, quantity: Quantity) -> None:
    with pytest.raises(UnitError, match=r"did you mean|use "):
        unit_of(name, quantity)


@pytest.mark.parametrize(
    ("name", "quantity"),
    [
        (name, quantity)
        for quantity, units in UNITS.items()
        for name, unit in units.items()
        if unit.absolute is None and name not in {"Cel", "1", "/", "/100"}  # words of SenML, not of pint
    ],
)
def test_the_table_of_usual_units_agrees_with_pint(name: str, quantity: Quantity) -> None:
    known = UNITS[quantity][name]
    other = _by_pint(
        name,
        {"pressure": "pascal", "supply": "pascal", "o2_fraction": "", "valve": "", "loop_current": "ampere"}.get(
            quantity, "kelvin"
        ),
    )
    assert other is not None
    assert other.si(0.0) == pytest.approx(known.si(0.0), abs=1e-9)
    assert other.si(100.0) == pytest.approx(known.si(100.0), rel=1e-12)


def test_pint_stays_out_of_a_daemon_whose_feeds_need_it_not(tmp_path: Path) -> None:
    settings_with(tmp_path, GAUGE)
    code = (
        "import sys; from pathlib import Path; from fillguard.settings import load_settings;"
        "from fillguard.intake.station import StationDecoder;"
        "StationDecoder(load_settings(Path(sys.argv[1]), {})); print('pint' in sys.modules)"
    )
    for unit, loaded in (("bar", "False"), ("inHg", "True")):
        (tmp_path / "station.toml").write_text(
            (tmp_path / "station.toml").read_text(encoding="utf-8").replace('unit = "bar"', f'unit = "{unit}"'),
            encoding="utf-8",
        )
        done = subprocess.run([sys.executable, "-c", code, tmp_path], capture_output=True, text=True, check=True)
        assert done.stdout.strip() == loaded


def test_the_page_of_feeds_names_every_key() -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "reference" / "feeds.md").read_text(encoding="utf-8")
    for title, section in (("## `[[feed]]`", FeedSection), ("## `[[feed.reading]]`", ReadingSection)):
        part = page.partition(f"{title}\n")[2].partition("\n## ")[0]
        first_cells = "".join(re.findall(r"^\|([^|]*)\|", part, re.MULTILINE))
        assert set(re.findall(r"`(\w+)`", first_cells)) == set(section.model_fields)


# Topics ---------------------------------------------------------------------------------------------------------------


def test_a_template_gives_one_subscription_and_the_topics_of_the_known_whips() -> None:
    shape = template("shop/{station}/{whip}/gauge", "tern", {"g-1": "1", "g-2": "2"})
    assert shape.subscription == "shop/tern/+/gauge"
    assert shape.topics() == {"shop/tern/g-1/gauge": "1", "shop/tern/g-2/gauge": "2"}
    assert template("shop/x", "tern", {"1": "1"}).topics() == {"shop/x": None}


@pytest.mark.parametrize(
    ("wide", "narrow", "yes"),
    [
        ("fill/tern/#", "fill/tern/+/pressure", True),
        ("fill/tern/#", "fill/tern", True),  # MQTT 5.0 section 4.7.1.2: # includes the parent level
        ("a/+/c", "a/b/c", True),
        ("a/+/c", "a/+/c", True),
        ("a/b/c", "a/+/c", False),
        ("a/+", "a/b/c", False),
        ("a/+", "a/#", False),
        ("a/b/c", "a/b", False),
    ],
)
def test_a_filter_covers_another(wide: str, narrow: str, *, yes: bool) -> None:
    assert covers(wide, narrow) is yes
