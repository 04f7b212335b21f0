"""What the pages show is true: tables of keys, examples that parse, commands that do what stands below them."""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from fnmatch import fnmatchcase
from pathlib import Path

import pytest
import typer.main
from click import Command
from typer.core import TyperGroup

from fillguard.app.counter import Counter
from fillguard.app.gases import Gases
from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.core.events import (
    AlarmCommanded,
    CylinderAttached,
    CylinderChecked,
    FillAnalysed,
    FillReleased,
    Reading,
    SettledRead,
    StageCalled,
    WhipClosed,
)
from fillguard.core.values import Stamp
from fillguard.intake.capture import read_capture
from fillguard.intake.feeds import DefaultDecoder
from fillguard.ports import RawMessage
from fillguard.settings import check_config, load_settings
from fillguard.settings import station as tables
from fillguard.settings.channels import ChannelSection
from fillguard.settings.http import HttpSection
from fillguard.settings.panel import ClassSection, PanelSection, ScannerSection
from fillguard.settings.profiles import ProfileSection
from fillguard.settings.register import load_register
from fillguard.settings.schema import Section

ROOT = Path(__file__).resolve().parents[2]
PAGES = [*sorted((ROOT / "docs").rglob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]
SECTIONS: dict[str, type[Section]] = {
    "[station]": tables.StationSection,
    "[broker]": tables.BrokerSection,
    "[[whip]]": tables.WhipSection,
    "[ledger]": tables.LedgerSection,
    "[influx]": tables.InfluxSection,
    "[http]": HttpSection,
    "[[channel]]": ChannelSection,
    "[extents]": tables.ExtentsSection,
    "[profile]": ProfileSection,
    "[panel]": PanelSection,
    "[scanner]": ScannerSection,
    "[[class]]": ClassSection,
}


def page(name: str) -> str:
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


def blocks(kind: str) -> list[object]:
    """Every fenced block of `kind` in the pages, with an id that tells where it stands."""
    found: list[object] = []
    for path in PAGES:
        text = path.read_text(encoding="utf-8")
        for match in re.finditer(rf"^( *)```{kind}\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL):
            line = text[: match.start()].count("\n") + 1
            block = re.sub(f"^{match.group(1)}", "", match.group(2), flags=re.MULTILINE)
            found.append(pytest.param(block, id=f"{path.relative_to(ROOT)}:{line}"))
    return found


# --- Tables ----------------------------------------------------------------------------------------------------------


def documented(section: str) -> dict[str, str]:
    """Key -> default, as the configuration page tells of one table."""
    part = page("reference/configuration.md").partition(f"## `{section}`\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| `(\w+)` \| (?:[^|]*) \| ([^|]*) \|", part, re.MULTILINE)
    return {key: default.strip(" `") for key, default in rows}


def declared(model: type[Section]) -> dict[str, str]:
    """The same, as the code has it."""

    def shown(default: object) -> str:
        return "" if default is None else json.dumps(default).removesuffix(".0")

    return {
        key: "needed" if info.is_required() else shown(info.get_default(call_default_factory=True))
        for key, info in model.model_fields.items()
    }


@pytest.mark.parametrize("section", SECTIONS)
def test_the_configuration_page_names_every_key_with_its_default(section: str) -> None:
    assert documented(section) == declared(SECTIONS[section])


def commands() -> dict[str, set[str]]:
    """Every command with its options and those of the commands under it, as the program has them."""
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)

    def options(command: Command) -> set[str]:
        under = command.commands.values() if isinstance(command, TyperGroup) else ()
        return {o for p in command.params for o in p.opts}.union(*map(options, under))

    return {name: options(command) for name, command in group.commands.items()}


def test_the_command_page_names_every_command() -> None:
    assert set(re.findall(r"^\| `fillguard ([\w-]+)", page("reference/commands.md"), re.MULTILINE)) == set(commands())


COMMAND = r"(?:\$ )?(?:\w+=\S+ )*(?:\S+/)?fillguard ([a-z][\w-]*)\b(.*)"
"""A use of the program, after a prompt, with variables and a path before it, as may be."""


def shown_commands() -> list[object]:
    """Every use of the program in a page, in a line or in a block, and the one in the service unit."""
    found: list[object] = []
    for path in [*PAGES, ROOT / "deploy" / "fillguard.service"]:
        fenced = path.suffix == ".service"
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            fenced ^= line.lstrip().startswith("```")
            pieces = [line.strip().removeprefix("ExecStart=")] if fenced else re.findall("`([^`]+)`", line)
            where = f"{path.relative_to(ROOT)}:{number}"
            matches = filter(None, (re.fullmatch(COMMAND, piece) for piece in pieces))
            found.extend(pytest.param(*match.groups(), id=where) for match in matches)
    return found


@pytest.mark.parametrize(("name", "rest"), shown_commands())
def test_a_command_shown_in_a_page_exists_with_its_options(name: str, rest: str) -> None:
    known = commands()
    assert name in known
    assert set(re.findall(r"(?<!\S)\[?(--[a-z0-9-]+)", rest)) <= known[name] | {"--help"}


def test_the_page_of_exit_codes_names_every_one() -> None:
    rows = re.findall(r"^\| (\d+) \|", page("reference/exit-codes.md"), re.MULTILINE)
    assert [int(code) for code in rows] == [code.value for code in Exit]


# --- Examples --------------------------------------------------------------------------------------------------------


def test_the_example_configuration_loads_as_it_is() -> None:
    assert check_config(ROOT / "config", {}) == []
    settings = load_settings(ROOT / "config", {})
    assert settings.station.id == "tern"
    assert len(load_register(ROOT / "config" / "cylinders.csv")) > 0


@pytest.mark.parametrize("block", blocks("toml"))
def test_a_toml_example_parses(block: str) -> None:
    assert tomllib.loads(block)


@pytest.mark.parametrize("block", [*blocks("json"), *blocks("jsonl")])
def test_a_json_example_parses(block: str) -> None:
    assert [json.loads(line) for line in block.splitlines()]


def test_the_messages_shown_in_the_page_of_topics_are_understood() -> None:
    shown = re.findall(r"```json\n(.*?)```", page("reference/topics.md"), re.DOTALL)
    settings = load_settings(ROOT / "config", {})
    counter = Counter(settings, settings.rules(Gases(report=pytest.fail).fitted), ledger=False)
    decoder = DefaultDecoder("tern", register=counter.cylinder, assess=counter.received)
    stamp = Stamp(mono_s=0.0, utc_s=1795558185.2)
    topics = ("fill/tern/1/pressure", "fill/tern/1/cylinder", *["fillguard/tern/command"] * (len(shown) - 2))
    kinds = [
        type(decoder.decode(RawMessage(arrived=stamp, topic=topic, payload=payload.encode()))[0])
        for topic, payload in zip(topics, shown, strict=True)
    ]
    assert kinds == [
        Reading,
        CylinderAttached,
        AlarmCommanded,
        CylinderChecked,
        StageCalled,
        WhipClosed,
        FillAnalysed,
        FillReleased,
        SettledRead,
    ]


def test_the_capture_shown_in_its_page_can_be_read() -> None:
    (block,) = re.findall(r"```jsonl\n(.*?)```", page("reference/capture-file.md"), re.DOTALL)
    assert [message.topic for message in read_capture(block.splitlines())] == [
        "fill/tern/1/pressure",
        "fill/tern/1/wall",
        "fill/tern/2/pressure",
    ]


@pytest.mark.parametrize("block", blocks("sh"))
def test_a_shell_example_is_shell(block: str) -> None:
    result = subprocess.run(["sh", "-n"], input=block, capture_output=True, text=True, check=False)
    assert (result.returncode, result.stderr) == (0, "")


@pytest.mark.parametrize("block", blocks("console"))
def test_a_session_shown_in_a_page_goes_as_shown(block: str, tmp_path: Path) -> None:
    """Lines after `$ ` are run, in order, in a folder that holds config/; the lines between are what they print.

    `...` alone stands for any lines, inside a line for any text.
    """
    shutil.copytree(ROOT / "config", tmp_path / "config")
    home = Path(sys.executable).parent
    environment = {**os.environ, "PATH": f"{home}:{os.environ['PATH']}", "NO_COLOR": "1", "COLUMNS": "120"}
    for command, expected in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)*)", block, re.MULTILINE):
        done = subprocess.run(
            ["sh", "-c", f"{command} 2>&1"],
            cwd=tmp_path,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
            check=False,
        )
        pattern = re.sub(r"\[(?=.)", "[[]", expected).replace("...", "*")
        assert fnmatchcase(done.stdout, pattern), f"{command}\nprinted:\n{done.stdout}"
