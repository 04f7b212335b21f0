"""From a folder and the environment to `Settings`: everything is read and checked, all problems come at once."""

import difflib
from collections.abc import Mapping
from pathlib import Path

from fillguard.settings import alarms, document
from fillguard.settings.alarms import AlarmSection, read_alarms
from fillguard.settings.document import read_document
from fillguard.settings.files import parse_toml, read_text
from fillguard.settings.model import Settings
from fillguard.settings.problems import ConfigurationProblems, Problem
from fillguard.settings.register import Register, read_register
from fillguard.settings.resolve import Resolver

REGISTER_FILE = "cylinders.csv"
_OUR_FILES = (document.FILE, alarms.FILE, REGISTER_FILE)
_WITHOUT_FILES: Mapping[str, object] = {
    "station": {"id": "station", "name": "no configuration", "hot_allowance_bar": "full"},
    "panel": {"ask_stamp_read": False},  # a capture of another station: nobody there was asked
}
_NEARLY = 0.75
"""How alike a file's name must be to one of ours to be taken for a slip of the pen."""


def load_settings(config_dir: Path | None, environ: Mapping[str, str], *, alarms_text: str | None = None) -> Settings:
    """The configuration in `config_dir`, overridden by `environ`; None: what holds without one.

    `alarms_text`: what alarms.toml would hold, to try it before it is written.

    Raises:
        ConfigurationProblems: with everything that is wrong in any file or variable.
    """
    problems: list[Problem] = []
    settings = _load(config_dir, environ, problems, alarms_text)
    if settings is None:
        raise ConfigurationProblems(problems)
    return settings


def check_config(config_dir: Path, environ: Mapping[str, str]) -> list[Problem]:
    """Everything that is wrong with the configuration in `config_dir`; empty when it can be used."""
    problems: list[Problem] = []
    _load(config_dir, environ, problems)
    return problems


def _load(
    config_dir: Path | None, environ: Mapping[str, str], problems: list[Problem], alarms_text: str | None = None
) -> Settings | None:
    """The configuration, or None with at least one problem appended."""
    if config_dir is None:
        tables: Mapping[str, object] | None = _WITHOUT_FILES
        station_alarms, register = read_alarms({}, problems), Register()
    elif not config_dir.is_dir():
        problems.append(_about(str(config_dir), "is not a folder: name the folder that holds station.toml"))
        return None
    else:
        _look_for_slips(config_dir, problems)
        tables = _toml(config_dir / document.FILE, problems)
        station_alarms, register = _alarms(config_dir, problems, alarms_text), _register(config_dir, problems)
    if tables is None:
        return None
    if config_dir is not None and "whip" not in tables:
        problems.append(_about(document.FILE, "has no [[whip]]: enter each fill whip with what its stamp allows"))
    sections = read_document(tables, environ, problems)
    return Resolver(config_dir or Path(), environ, problems).settings(sections, station_alarms, register)


def _about(file: str, text: str) -> Problem:
    return Problem(file=file, key="", value=None, text=text)


def _look_for_slips(config_dir: Path, problems: list[Problem]) -> None:
    """A file whose name is nearly one of ours would be passed over in silence."""
    for path in sorted(config_dir.iterdir()):
        if path.name not in _OUR_FILES and path.suffix in (".toml", ".csv"):
            near = difflib.get_close_matches(path.name, _OUR_FILES, n=1, cutoff=_NEARLY)
            if near:
                problems.append(_about(path.name, f"is not read; did you mean {near[0]}?"))


def _toml(path: Path, problems: list[Problem]) -> Mapping[str, object] | None:
    content = read_text(path, problems)
    return None if content is None else parse_toml(path, content, problems)


def _alarms(config_dir: Path, problems: list[Problem], text: str | None) -> Mapping[str, AlarmSection]:
    """The station's own alarms where it has a file (or would have, with `text`), the shipped ones otherwise."""
    path = config_dir / alarms.FILE
    if text is not None:
        return read_alarms(parse_toml(path, text, problems) or {}, problems)
    return read_alarms((_toml(path, problems) if path.exists() else None) or {}, problems)


def _register(config_dir: Path, problems: list[Problem]) -> Register:
    path = config_dir / REGISTER_FILE
    return read_register(path, problems) if path.exists() else Register()
