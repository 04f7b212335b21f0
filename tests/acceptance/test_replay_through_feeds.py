"""The same fill, sent by a sensor with topics and payloads of its own: the watch says the same."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from fillguard.cli.commands import app
from tests.shops import STATION
from tests.simulated import played, small_scenario

START_S = 1_795_558_185.0
FEEDS = """
[[feed]]
name = "gauges"
topic = "shop/{station}/{whip}/gauge"
payload = "json"
time = "/at/ms"
time_is = "ms"
seq = "/at/n"
[[feed.reading]]
quantity = "pressure"
value = "/p/1"
unit = "bar"
[[feed]]
name = "walls"
topic = "shop/{station}/{whip}/wall"
payload = "senml"
[[feed.reading]]
quantity = "wall"
record = "urn:wall"
"""
LOOPS = """
[[feed]]
name = "loops"
topic = "shop/{station}/{whip}/gauge"
payload = "number"
[[feed.reading]]
quantity = "pressure"
unit = "bar"
loop = [0, 400]
"""


def recorded() -> list[dict[str, Any]]:
    """A small fill as the lines of a capture file."""
    messages, _ = played(small_scenario())
    return [{"t": START_S + one.t_s, "topic": one.topic, "payload": on_our_calendar(one.payload)} for one in messages]


def on_our_calendar(payload: bytes) -> str:
    """The payload with the device's time in Unix seconds."""
    text = payload.decode()
    if not text.startswith("{"):
        return text
    said = json.loads(text)
    return json.dumps({**said, "time": round(START_S + said["time"], 3)}) if "time" in said else text


def replayed(folder: Path, feeds: str, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    config, capture = folder / "config", folder / "capture.jsonl"
    config.mkdir(exist_ok=True)
    (config / "station.toml").write_text(STATION + feeds, encoding="utf-8")
    assert tomllib.loads(STATION + feeds)
    capture.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    result = CliRunner().invoke(app, ["replay", str(capture), "--json", "--trace", "--config", str(config)])
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


def in_shape(line: dict[str, Any]) -> dict[str, Any]:
    """The same reading as another maker's gateway would send it."""
    topic = line["topic"].split("/")
    if topic[-1] not in ("pressure", "wall") or len(topic) != 4:
        return line
    said = json.loads(line["payload"])
    if topic[-1] == "wall":
        record = {"n": "urn:wall", "u": "Cel", "v": said["value"], **({"t": said["time"]} if "time" in said else {})}
        return {**line, "topic": f"shop/tern/{topic[2]}/wall", "payload": json.dumps([record])}
    body = {"p": ["gauge", said["value"]], "at": {"ms": round(said["time"] * 1000), "n": said["seq"]}}
    return {**line, "topic": f"shop/tern/{topic[2]}/gauge", "payload": json.dumps(body)}


def test_a_fill_over_mapped_topics_is_the_fill_over_the_default_ones(tmp_path: Path) -> None:
    lines = recorded()
    mapped = [in_shape(line) for line in lines]
    assert mapped != lines
    expected = replayed(tmp_path, "", lines)
    assert [line["kind"] for line in expected].count("fill") == 1
    assert replayed(tmp_path, FEEDS, mapped) == expected


@pytest.mark.parametrize("milliampere", ["3.5", "0", "21.2"])
def test_a_broken_loop_in_a_fill_is_an_alarm_and_no_pressure(tmp_path: Path, milliampere: str) -> None:
    lines, broken_s = [], None
    for line in recorded():
        topic = line["topic"].split("/")
        if topic[-1] != "pressure":
            lines.append(line)
            continue
        bar = json.loads(line["payload"])["value"]
        if broken_s is None and bar > 60.0:
            broken_s = line["t"]
        current = milliampere if broken_s is not None else str(4.0 + bar / 25.0)
        lines.append({**line, "topic": f"shop/tern/{topic[2]}/gauge", "payload": current})
    assert broken_s is not None
    told = replayed(tmp_path, LOOPS, lines)
    (lost,) = [line for line in told if line["kind"] == "alarm" and line["alarm"] == "monitoring-lost"][:1]
    assert broken_s < lost["t"] < broken_s + 15.0
    (fill,) = [line for line in told if line["kind"] == "fill"]
    assert 59.0 < fill["peak_bar"] < 62.0
