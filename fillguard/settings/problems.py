"""What is wrong with a configuration, in words that say where, what was read and what is allowed. Never a secret."""

import difflib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fillguard.core.errors import ConfigurationError

HIDDEN = "(not shown)"
"""Stands for a value that may be or contain a secret."""
_LONGEST_QUOTE = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing to mend before fillguard starts."""

    file: str
    """`station.toml`, `alarms.toml`, `cylinders.csv`, `environment`."""
    key: str
    """`[station] timezone`, `[[whip]] "2" max_working_bar`, `row 7, count`; empty when the whole file is meant."""
    value: str | None
    """As written, quoted; None when nothing was written there."""
    text: str
    """What is allowed, or what to do."""

    def __str__(self) -> str:
        written = f"{self.key} = {self.value}" if self.value is not None else self.key
        return ": ".join(part for part in (self.file, written, self.text) if part)


class ConfigurationProblems(ConfigurationError):  # noqa: N818 - it is named for the list that it carries
    """Everything that is wrong with the configuration, all files at once."""

    def __init__(self, errors: Sequence[Problem]) -> None:
        self.errors = tuple(errors)
        count = len(self.errors)
        title = "1 problem in the configuration" if count == 1 else f"{count} problems in the configuration"
        super().__init__("\n  ".join([f"{title}:", *map(str, self.errors)]))


def quoted(value: object) -> str:
    """`value` as it stands in a TOML file, shortened; anything that may carry a password in an address is hidden."""
    if isinstance(value, str):
        if "@" in value:
            return HIDDEN
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, dict | list):
        return "{...}" if isinstance(value, dict) else "[...]"
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_QUOTE else text[: _LONGEST_QUOTE - 3] + "..."


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The nearest of `known` as a question, or the list of them all when none is near."""
    names = sorted(known)
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    return f"did you mean {near[0]}?" if near else f"known are {', '.join(names)}"
