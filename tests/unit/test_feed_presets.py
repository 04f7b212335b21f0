"""The blocks to begin with: each loads as it is, and reads what its standard shows."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.app.feeding import presets
from fillguard.cli.commands import app
from fillguard.core.events import CylinderAttached, Doubt, InEvent, Quality, Reading
from fillguard.core.units import bar_from_pa, c_from_k
from tests.shops import Shop, problems_of, settings_with
from tests.sparkplug import FLOAT, Node

URN = "urn:dev:mac:0024befffe804ff1:"
"""Of the examples of RFC 8428 section 5.1.2 (device URNs)."""


def brought(folder: Path, name: str, *messages: tuple[str, object]) -> list[InEvent]:
    """What the messages become under one preset, a second apart."""
    here = Shop(settings_with(folder, presets()[name]))
    events: list[InEvent] = []
    for topic, message in messages:
        here.clock.advance(1.0)
        events += here.brings(topic, message)
    return events


@pytest.mark.parametrize("name", presets())
def test_a_preset_loads_without_a_word(tmp_path: Path, name: str) -> None:
    assert problems_of(tmp_path, presets()[name]) == []


def test_a_plain_number_is_read(tmp_path: Path) -> None:
    (reading,) = brought(tmp_path, "number", ("shop/tern/2/gauge", "183.2"))
    assert isinstance(reading, Reading)
    assert (reading.whip, bar_from_pa(reading.value)) == ("2", 183.2)


@pytest.mark.parametrize(
    ("milliampere", "bar", "quality", "doubt"),
    [
        # NAMUR NE 43 (2003): measuring range 3.8 to 20.5 mA, failure at or below 3.6 and from 21.0 mA on.
        (4.0, 0.0, Quality.GOOD, None),
        (12.0, 200.0, Quality.GOOD, None),
        (20.0, 400.0, Quality.GOOD, None),
        (3.8, -5.0, Quality.BAD, Doubt.OUT_OF_RANGE),
        (20.5, 412.5, Quality.GOOD, None),
        (3.6, -10.0, Quality.BAD, Doubt.LOOP_FAULT),
        (21.0, 425.0, Quality.BAD, Doubt.LOOP_FAULT),
        (0.0, -10.0, Quality.BAD, Doubt.LOOP_FAULT),
    ],
)
def test_a_loop_is_read_within_the_limits_of_ne_43(
    tmp_path: Path, milliampere: float, bar: float, quality: Quality, doubt: Doubt | None
) -> None:
    (reading,) = brought(tmp_path, "loop", ("shop/tern/1/loop", {"ma": milliampere}))
    assert isinstance(reading, Reading)
    assert bar_from_pa(reading.value) == pytest.approx(bar)
    if milliampere != 3.8:  # at the very edge of the default range of -5 to 600 bar
        assert (reading.quality, reading.doubt) == (quality, doubt)


def test_a_senml_pack_is_read(tmp_path: Path) -> None:
    # RFC 8428 section 4.6: base name and name put together, base unit where a record has none.
    pack = [
        {"bn": URN, "n": "whip1", "u": "Pa", "v": 18_320_000},
        {"n": "room", "u": "Cel", "v": 21.5},
        {"n": "other", "u": "%RH", "v": 40},
    ]
    pressure, ambient = brought(tmp_path, "senml", ("gw/tern/senml", pack))
    assert isinstance(pressure, Reading)
    assert isinstance(ambient, Reading)
    assert (pressure.whip, bar_from_pa(pressure.value)) == ("1", 183.2)
    assert ambient.whip is None
    assert c_from_k(ambient.value) == pytest.approx(21.5)


def test_a_sparkplug_device_is_read(tmp_path: Path) -> None:
    # ISO/IEC 20237:2023 sections 6.4.17 and 6.4.19 to 6.4.21: births first, then data by alias.
    node = Node()
    metric = {"name": "Whip 1/Pressure", "alias": 7, "datatype": FLOAT, "float_value": 183.25}
    events = brought(
        tmp_path,
        "sparkplug",
        ("spBv1.0/shop/NBIRTH/panel", node.birth()),
        ("spBv1.0/shop/DBIRTH/panel/manifold", node.says(metric)),
        ("spBv1.0/shop/DDATA/panel/manifold", node.says({"alias": 7, "float_value": 184.5})),
    )
    readings = [event for event in events if isinstance(event, Reading)]
    assert [(reading.whip, bar_from_pa(reading.value)) for reading in readings] == [("1", 183.25), ("1", 184.5)]


def test_an_observation_is_read(tmp_path: Path) -> None:
    # OGC 18-088 SensorThings API Part 1 version 1.1, section 8.2.7 Observation (from memory): `result`, and
    # `phenomenonTime` as ISO 8601; section 14: MQTT topics are the resource paths.
    said = {"phenomenonTime": "2026-11-24T23:29:46.000Z", "resultTime": None, "result": 183.2}
    (reading,) = brought(tmp_path, "observation", ("v1.1/Datastreams(1)/Observations", said))
    assert isinstance(reading, Reading)
    assert (reading.whip, bar_from_pa(reading.value), reading.device_s) == ("1", 183.2, 1_795_562_986.0)


def test_a_scanner_attaches(tmp_path: Path) -> None:
    (event,) = brought(tmp_path, "scanner", ("scan/tern/1", "TH-0042"))
    assert isinstance(event, CylinderAttached)
    assert (event.whip, event.serial) == ("1", "TH-0042")


def test_the_command_names_the_presets_and_prints_one() -> None:
    told = CliRunner().invoke(app, ["feed", "preset"])
    assert [line.split()[0] for line in told.output.splitlines()] == list(presets())
    assert CliRunner().invoke(app, ["feed", "preset", "senml"]).output == presets()["senml"]
    refused = CliRunner().invoke(app, ["feed", "preset", "xml"])
    assert refused.exit_code == 2
    assert json.dumps(sorted(presets()))[1:-1].replace('"', "") in refused.output.replace("\n", " ").replace("│", " ")
