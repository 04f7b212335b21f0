"""Reading the files of a configuration: what cannot be read is a problem like any other, never a traceback."""

import tomllib
from collections.abc import Mapping
from pathlib import Path

from fillguard.settings.problems import Problem

_LARGEST_BYTES = 16 * 1024 * 1024


def read_text(path: Path, problems: list[Problem]) -> str | None:
    """The text of `path`, or None with the reason appended to `problems`."""
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            problems.append(_whole(path, f"is larger than {_LARGEST_BYTES // 2**20} MB: this is not the right file"))
            return None
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        problems.append(_whole(path, f"cannot be read: {error.strerror}"))
    except UnicodeDecodeError as error:
        problems.append(_whole(path, f"is not UTF-8 text (byte {error.start}): save it with that encoding"))
    return None


def parse_toml(path: Path, text: str, problems: list[Problem]) -> Mapping[str, object] | None:
    """The tables of a TOML file, or None with the place of the mistake appended to `problems`."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        problems.append(_whole(path, f"is not valid TOML: {error}"))
        return None


def read_secret(path: Path) -> str:
    """The first line of a file that holds a password, a token or an address.

    Raises:
        ValueError: with what is wrong; neither path nor content is quoted, either could be the secret itself.
    """
    try:
        lines = path.read_text(encoding="utf-8").strip().splitlines()
    except OSError as error:
        reason = (
            f"the file that it names cannot be read ({error.strerror}); a relative path counts from this file's folder"
        )
        raise ValueError(reason) from None
    except UnicodeDecodeError:
        raise ValueError("the file that it names is not UTF-8 text") from None
    if len(lines) != 1:
        raise ValueError("the file that it names must hold one line, the secret, and nothing else")
    return lines[0]


def _whole(path: Path, reason: str) -> Problem:
    return Problem(file=path.name, key="", value=None, text=reason)
