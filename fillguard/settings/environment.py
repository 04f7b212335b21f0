"""Environment overrides: `FILLGUARD_BROKER__PORT=8883` sets `port` in `[broker]` of station.toml.

Only the single tables can be reached. The text counts as it stands where the key takes text, otherwise it is read like
a value in a TOML file. Other variables that start with FILLGUARD_ are none of ours.
"""

import tomllib
from collections.abc import Mapping

from pydantic import TypeAdapter, ValidationError

from fillguard.settings.problems import Problem, did_you_mean
from fillguard.settings.schema import Section, declared_key

PREFIX = "FILLGUARD_"
_SEPARATOR = "__"


def overlay(
    tables: dict[str, dict[str, object]],
    sections: Mapping[str, type[Section]],
    environ: Mapping[str, str],
    problems: list[Problem],
) -> Mapping[str, Mapping[str, str]]:
    """Set in `tables` what `environ` overrides. Returns section -> key -> the variable that set it."""
    origin: dict[str, dict[str, str]] = {}
    for variable in sorted(environ):
        found = _target(variable, sections, problems)
        if found is None:
            continue
        section, key = found
        model, table = sections[section], tables.setdefault(section, {})
        for other in [name for name in table if declared_key(name, model) == declared_key(key, model)]:
            del table[other]  # the same thing in another unit
        table[key] = _value(model, key, environ[variable])
        origin.setdefault(section, {})[key] = variable
    return origin


def _target(variable: str, sections: Mapping[str, type[Section]], problems: list[Problem]) -> tuple[str, str] | None:
    """Section and key that `variable` means; None when it is none of ours or not usable, which is a problem."""
    if not variable.startswith(PREFIX):
        return None
    section, separator, key = variable.removeprefix(PREFIX).lower().partition(_SEPARATOR)
    if separator and section in sections:
        return section, key
    if separator:
        known = [f"{PREFIX}{name.upper()}{_SEPARATOR}..." for name in sections]
        text = f"unknown section; {did_you_mean(f'{PREFIX}{section.upper()}{_SEPARATOR}...', known)}"
        problems.append(Problem(file="environment", key=variable, value=None, text=text))
        return None
    near = next((name for name in sections if section.startswith(f"{name}_")), None)
    if near is not None:
        meant = f"{PREFIX}{near.upper()}{_SEPARATOR}{section.removeprefix(f'{near}_').upper()}"
        text = f"two underscores stand between section and key: did you mean {meant}?"
        problems.append(Problem(file="environment", key=variable, value=None, text=text))
    return None


def _value(model: type[Section], key: str, text: str) -> object:
    info = model.model_fields.get(declared_key(key, model))
    if info is None:
        return text
    adapter: TypeAdapter[object] = TypeAdapter(info.rebuild_annotation())
    try:
        return adapter.validate_python(text, strict=True)
    except ValidationError:
        pass
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
