"""`fillguard feed` and `check-config --sample`: a mapping is proven on what sensors really say."""

import json
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from fillguard.cli.commands import app
from fillguard.intake.discovering import proposal
from fillguard.settings import check_config
from tests.shops import STATION

FEEDS = """
[[feed]]
name = "gauges"
topic = "shop/{station}/{whip}/gauge"
payload = "json"
[[feed.reading]]
quantity = "pressure"
value = "/p"
unit = "bar"
[[feed.reading]]
quantity = "wall"
value = "/w"
unit = "Cel"
"""
T = 1795558185.1


@pytest.fixture
def config(tmp_path: Path) -> Path:
    folder = tmp_path / "config"
    folder.mkdir()
    (folder / "station.toml").write_text(STATION + FEEDS, encoding="utf-8")
    return folder


def capture(folder: Path, *messages: tuple[str, str]) -> Path:
    path = folder / "sample.jsonl"
    lines = [json.dumps({"t": T + n, "topic": topic, "payload": body}) for n, (topic, body) in enumerate(messages)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def told(*arguments: str | Path, stdin: str | None = None) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    result = CliRunner().invoke(app, [str(argument) for argument in arguments], input=stdin)
    return result.exit_code, result.stdout, result.stderr


def test_try_says_of_every_message_what_it_became_or_why_not(config: Path, tmp_path: Path) -> None:
    sample = capture(
        tmp_path,
        ("shop/tern/1/gauge", '{"p": 183.2, "w": 21.5}'),
        ("shop/tern/2/gauge", '{"p": "full", "w": 21.5}'),
        ("shop/other", "7"),
    )
    code, out, err = told("feed", "try", "gauges", "--config", config, "--sample", sample, "--json")
    assert code == 0
    lines = [json.loads(line) for line in out.splitlines()]
    assert [(line["kind"], line.get("quantity"), line.get("value"), line.get("whip")) for line in lines] == [
        ("reading", "pressure", 183.2, "1"),
        ("reading", "wall", 21.5, "1"),
        ("rejected", None, None, None),
        ("reading", "wall", 21.5, "2"),
    ]
    assert (lines[0]["unit"], lines[0]["t"], lines[0]["quality"]) == ("bar gauge", T, "good")
    assert "number without quotes" in lines[2]["detail"]
    assert "1 messages were on topics of no concern" in err
    code, table, _ = told("feed", "try", "gauges", "--config", config, "--sample", sample)
    assert code == 0
    assert "183.2" in table


def test_try_takes_one_bare_payload_from_standard_input(config: Path) -> None:
    arguments = ("feed", "try", "gauges", "--config", config, "--sample", "-", "--topic", "shop/tern/1/gauge", "--json")
    code, out, _ = told(*arguments, stdin='{"p": 12, "w": 20}\n')
    assert (code, [json.loads(line)["value"] for line in out.splitlines()]) == (0, [12.0, 20.0])
    code, out, err = told(*arguments, stdin="hello")
    assert (code, json.loads(out)["reason"]) == (1, "not-json")
    assert "nothing usable came" in err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("gaugs", "--sample", "-"), "did you mean gauges?"),
        (("gauges",), "one of --sample and --live"),
        (("gauges", "--sample", "-", "--live", "3s"), "one of --sample and --live"),
        (("gauges", "--live", "soon"), "30s or 5min"),
        (("gauges", "--sample", "nowhere.jsonl"), "nowhere.jsonl"),
        (("gauges", "--sample", "-"), "line 1: not JSON"),
    ],
)
def test_try_says_what_is_wrong_with_how_it_was_called(config: Path, arguments: tuple[str, ...], said: str) -> None:
    code, _, err = told("feed", "try", *arguments, "--config", config, stdin="hello\n")
    assert code == 2
    assert said in err


def test_check_config_finds_in_a_sample_what_never_comes(config: Path, tmp_path: Path) -> None:
    sample = capture(tmp_path, ("shop/tern/1/gauge", '{"p": 183.2, "wall": 21.5}'))
    code, _, err = told("check-config", config, "--sample", sample)
    assert code == 2
    assert '[[feed]] "gauges" reading 2: no message of the sample gave it' in err
    assert "/w" in err
    code, _, err = told(
        "check-config", config, "--sample", capture(tmp_path, ("shop/tern/1/gauge", '{"p": 1, "w": 2}'))
    )
    assert code == 0
    code, _, err = told("check-config", config, "--sample", capture(tmp_path, ("shop/elsewhere", "1")))
    assert code == 2
    assert "no message of the sample is on its topics" in err


# Proposals ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topic", "payloads", "kind", "expected"),
    [
        ("shop/tern/1/pressure", [b"12.1", b"12.2"], "number", {"quantity": "pressure", "unit": "Pa"}),
        ("shop/1/temp", [b"21.5 degF"], "text", {"quantity": "wall"}),
        ("shop/ambient", [b"21.5 Cel"], "text", {"quantity": "ambient"}),
        (
            "gw/data",
            [b'{"ts": 1795558185120, "n": 3, "tank": {"value": 12, "unit": "psi"}}'],
            "json",
            {"quantity": "pressure", "whip": "1", "value": "/tank/value", "unit_at": "/tank/unit"},
        ),
        ("gw/2/senml", [b'[{"bn":"urn:x:","n":"p","u":"Pa","v":1}]'], "senml", {"record": "urn:x:p"}),
        ("gw/1/raw", [b"0x04E2 00"], "hex", {"bits": [0, 16]}),
    ],
)  # fmt: skip
def test_a_block_is_proposed_for_an_unknown_topic_and_loads(
    tmp_path: Path, topic: str, payloads: list[bytes], kind: str, expected: dict[str, object]
) -> None:
    block = proposal("new", topic, payloads, "tern", ["1", "2"])
    (feed,) = tomllib.loads(block)["feed"]
    assert feed["payload"] == kind
    assert expected.items() <= feed["reading"][0].items()
    (tmp_path / "station.toml").write_text(STATION + block, encoding="utf-8")
    assert check_config(tmp_path, {}) == []
    assert "guessed" in block


def test_a_device_time_and_the_levels_of_a_topic_are_recognised() -> None:
    (feed,) = tomllib.loads(proposal("new", "tern/2/x", [b'{"ts": 1795558185120, "p": 1}'], "tern", ["1", "2"]))["feed"]
    assert (feed["topic"], feed["time"], feed["time_is"]) == ("{station}/{whip}/x", "/ts", "ms")


def test_words_that_come_and_go_are_proposed_as_presence() -> None:
    (feed,) = tomllib.loads(proposal("new", "gw/state", [b"online", b"offline"], "tern", ["1"]))["feed"]
    assert (feed["payload"], feed["online"], feed["offline"], feed["serves"]) == (
        "presence",
        ["online"],
        ["offline"],
        ["1"],
    )


@pytest.mark.parametrize("payload", [b"\x00\xff", b"", b"{}", b'{"a": "b"}', b"[1]", b"many words here"])
def test_nothing_is_proposed_for_what_holds_no_reading(payload: bytes) -> None:
    assert proposal("new", 'odd "topic"', [payload], "tern", ["1"]).startswith("# ")


SCANNER = """
[[feed]]
name = "scanner"
topic = "scan/{whip}"
payload = "attach"
free = ["FREE"]
"""


def test_try_shows_what_a_scanner_would_attach_and_attaches_nothing(config: Path, tmp_path: Path) -> None:
    with (config / "station.toml").open("a", encoding="utf-8") as file:
        file.write(SCANNER)
    sample = capture(tmp_path, ("scan/1", "TH-0042"), ("scan/2", "FREE"), ("scan/1", ""))
    code, out, _ = told("feed", "try", "scanner", "--config", config, "--sample", sample, "--json")
    assert code == 0
    lines = [json.loads(line) for line in out.splitlines()]
    assert [(line["kind"], line.get("whip"), line.get("serial")) for line in lines] == [
        ("attach", "1", "TH-0042"),
        ("attach", "2", None),
        ("rejected", None, None),
    ]
    _, table, _ = told("feed", "try", "scanner", "--config", config, "--sample", sample)
    assert "TH-0042" in table
    assert "free" in table
