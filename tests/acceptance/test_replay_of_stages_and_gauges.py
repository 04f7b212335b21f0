"""From the wire to the lines of a replay: a fill in stages, and several whips on one gauge."""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from fillguard.cli.commands import app
from fillguard.core.events import Quantity, Reading
from fillguard.core.units import PA_PER_BAR
from tests.panel import Panel
from tests.shops import STATION

THIRD = '\n[[whip]]\nid = "3"\nmax_working_bar = 350\nlowest_rating_bar = 200\n'
SHARED = '\n[[gauge]]\nid = "north"\nwhips = ["1", "2"]\n'
INLINE = {
    "water_volume_l": 11.1,
    "empty_mass_kg": 14.2,
    "material": "aluminium",
    "rated_pressure_bar": 207,
    "reference_temperature_c": 21.1,
    "operator": "op-1",
}


def wire(panel: Panel, *said: tuple[float, str, dict[str, Any]], under: str | None = None) -> list[dict[str, Any]]:
    """The readings of a scene as a sensor would have sent them, with what people said at second so and so."""
    lines = [
        {
            "t": event.stamp.utc_s,
            "topic": f"fill/tern/{under or event.whip}/pressure",
            "payload": json.dumps({"value": round(event.value / PA_PER_BAR, 3), "unit": "bar"}),
        }
        for event in panel.events()
        if isinstance(event, Reading) and event.quantity is Quantity.PRESSURE
    ]
    began_s = lines[0]["t"]
    lines += [{"t": began_s + at_s, "topic": topic, "payload": json.dumps(payload)} for at_s, topic, payload in said]
    return sorted(lines, key=lambda line: float(str(line["t"])))


def replayed(folder: Path, lines: list[dict[str, Any]], tables: str) -> list[dict[str, Any]]:
    (folder / "station.toml").write_text(STATION + tables, encoding="utf-8")
    (folder / "day.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    done = CliRunner().invoke(app, ["replay", str(folder / "day.jsonl"), "--json", "--config", str(folder)])
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_fill_in_stages_gives_a_line_for_each_and_the_oxygen_that_should_be_in_it(tmp_path: Path) -> None:
    panel = Panel()
    oxygen = panel.whip("3").opens(residual_bar=5).fills(to_bar=29.6, at_bar_min=4).closes(for_s=200).bleeds()
    oxygen.stands(for_s=30)
    air = panel.at(0).whip("1").stands(for_s=oxygen.now_s + 10).opens(residual_bar=29)
    air.fills(to_bar=215, at_bar_min=20).closes(for_s=200).bleeds()
    stages = [{"gas": "oxygen", "target_bar": 29, "whip": "3"}, {"gas": "air", "target_bar": 207}]
    attach = {"serial": "TH-0011", "stages": stages, "residual_gas": "air", **INLINE}
    told = replayed(tmp_path, wire(panel, (0.5, "fill/tern/1/cylinder", attach)), THIRD)
    done = [line for line in told if line["kind"] == "stage"]
    (fill,) = [line for line in told if line["kind"] == "fill"]
    assert [(line["number"], line["whip"], line["reached"]) for line in done] == [(1, "3", True), (2, "1", False)]
    assert done[0]["settled_bar"] == pytest.approx(28.5, abs=1.0)
    assert done[0]["o2_percent"] == pytest.approx(84.0, abs=1.5)
    assert fill["fill"] == done[0]["fill"]
    assert fill["o2_low_percent"] < fill["o2_percent"] < fill["o2_high_percent"]
    assert fill["o2_percent"] == pytest.approx(30.7, abs=1.0)
    assert not [line["alarm"] for line in told if line["kind"] == "alarm"]


def test_a_shared_gauge_under_its_own_name_fills_every_cylinder_on_it(tmp_path: Path) -> None:
    panel = Panel()
    panel.whip("1").opens(residual_bar=50).fills(to_bar=160, at_bar_min=20).closes(for_s=30).bleeds()
    closed = {"verb": "closed", "operator": "op-1", "whip": "2"}
    lines = wire(
        panel,
        (0.5, "fill/tern/1/cylinder", {"serial": "TH-0011", **INLINE}),
        (0.6, "fill/tern/2/cylinder", {"serial": "TH-0012", **INLINE}),
        (200.0, "fillguard/tern/command", closed),
        under="north",
    )
    told = replayed(tmp_path, lines, SHARED)
    fills = {line["whip"]: line for line in told if line["kind"] == "fill"}
    assert set(fills) == {"1", "2"}
    assert fills["2"]["close_bar"] < fills["1"]["close_bar"] - 20.0
    assert fills["1"]["gauge"] == "north"
    assert [mate["fill"] for mate in fills["1"]["with"]] == [fills["2"]["fill"]]
