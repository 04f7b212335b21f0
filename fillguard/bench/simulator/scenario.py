"""Reading a scenario file: TOML in, a checked `Scenario` out, or every problem at once in words."""

import difflib
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from fillguard.bench.simulator.check import problems_of
from fillguard.bench.simulator.tables import Scenario, Table
from fillguard.core.errors import ConfigurationError

_SHIPPED = Path(__file__).parent.parent / "scenarios"


def shipped_scenario(name: str) -> Path:
    """Path of a scenario that comes with the package, by its name without `.toml`.

    Raises:
        ConfigurationError: there is none of that name.
    """
    path = _SHIPPED / f"{name}.toml"
    if not path.is_file():
        known = ", ".join(sorted(one.stem for one in _SHIPPED.glob("*.toml")))
        raise ConfigurationError(f"no shipped scenario is called {name!r}; there are: {known}")
    return path


def load_scenario(path: Path) -> Scenario:
    """The scenario in a TOML file.

    Raises:
        ConfigurationError: not readable, not TOML, or anything in it that cannot be done; all problems at once.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigurationError(f"scenario {path}: cannot be read ({error.strerror}); check the path") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"scenario {path}: not TOML: {error}") from error
    return parse_scenario(data, str(path))


def parse_scenario(data: dict[str, Any], name: str) -> Scenario:
    """The scenario in a mapping shaped like the file; `name` is quoted in errors.

    Raises:
        ConfigurationError: anything in it that cannot be done; all problems at once.
    """
    try:
        scenario = Scenario.model_validate(data)
    except ValidationError as error:
        found = [_described(one) for one in error.errors(include_url=False)]
    else:
        found = problems_of(scenario)
        if not found:
            return scenario
    raise ConfigurationError("\n".join(f"scenario {name}: {text}" for text in found))


def _described(error: Any) -> str:  # noqa: ANN401  (pydantic's own typed dict, private to it)
    """One problem as `whip 2, act 3: close_at_bar = 9000: what is wrong`."""
    location = [part for part in error["loc"] if part not in _TAGS]
    text = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "extra_forbidden":
        close = difflib.get_close_matches(str(location[-1]), _known_keys(), n=1)
        text = "unknown key" + (f"; did you mean {close[0]!r}?" if close else "; see the documentation of the scenario")
        return f"{_place(location)}: {text}"
    given = error.get("input")
    shown = f" = {given!r}" if isinstance(given, str | int | float | bool) else ""
    return f"{_place(location)}{shown}: {text}"


_TAGS = frozenset(
    {"attach", "announce", "detach", "cylinder-valve", "open-panel", "fill", "close-panel", "bleed"}
    | {"silent", "stuck", "leak", "burst", "compressor", "cascade"}
)


def _place(location: list[str | int]) -> str:
    """Path into the file, counting from 1 as a person does."""
    text = ""
    for part in location:
        text += f" {part + 1}" if isinstance(part, int) else f"{', ' if text else ''}{part}"
    return text or "file"


def _known_keys() -> list[str]:
    keys: set[str] = set()
    todo = Table.__subclasses__()
    while todo:
        table = todo.pop()
        keys.update(table.model_fields)
        todo.extend(table.__subclasses__())
    return sorted(keys)
