"""Exit codes, and how an error becomes one."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from enum import IntEnum

import typer

from fillguard.core.errors import ConfigurationError, DeviceError, FillguardError
from fillguard.ledger.lock import LedgerLocked


class Exit(IntEnum):
    """What a command's exit code says."""

    OK = 0
    FAILED = 1
    """Something went wrong that is neither the input's fault nor another process's."""
    BAD_INPUT = 2
    """A file, an option or a capture line cannot be used; standard error says which and why."""
    LOCKED = 3
    """Another fillguard holds this ledger."""
    TAMPERED = 4
    """The record, or a copy of it, is not what was recorded or noted."""
    INTERRUPTED = 130
    """Stopped by a person (Ctrl-C)."""


_WRONG_PATH = (FileNotFoundError, FileExistsError, IsADirectoryError, NotADirectoryError, PermissionError)


@contextmanager
def exit_codes() -> Iterator[None]:
    """Turn the errors that a person can do something about into one plain message and an exit code."""
    try:
        yield
        sys.stdout.flush()  # here, where a full disk can still be told
    except FillguardError as error:
        say(f"fillguard: {error}")
        raise typer.Exit(_code(error)) from error
    except BrokenPipeError:
        _drop_output()  # whoever read it has gone: nothing is wrong
        raise typer.Exit(Exit.OK) from None
    except KeyboardInterrupt:
        say("stopped")
        raise typer.Exit(Exit.INTERRUPTED) from None
    except OSError as error:
        if error.filename is None:
            _drop_output()
        say(": ".join(["fillguard", *([str(error.filename)] if error.filename else []), error.strerror or str(error)]))
        raise typer.Exit(Exit.BAD_INPUT if isinstance(error, _WRONG_PATH) else Exit.FAILED) from error


def _drop_output() -> None:
    """What still waits to be printed cannot be: without this the interpreter would complain of it at its end."""
    with suppress(OSError, ValueError):  # a captured output has no file number
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say(text: str) -> None:
    """A line on standard error: for people, never part of a command's result."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def _code(error: FillguardError) -> Exit:
    match error:
        case LedgerLocked():
            return Exit.LOCKED
        case ConfigurationError() | DeviceError():
            return Exit.BAD_INPUT
        case _:
            return Exit.FAILED
