"""Exit codes, and how an error becomes one."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
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
    INTERRUPTED = 130
    """Stopped by a person (Ctrl-C)."""


@contextmanager
def exit_codes() -> Iterator[None]:
    """Turn the errors that a person can do something about into one plain message and an exit code."""
    try:
        yield
    except FillguardError as error:
        say(f"fillguard: {error}")
        raise typer.Exit(_code(error)) from error
    except BrokenPipeError:
        # Whoever read our output has gone: nothing is wrong, and nothing more can be said.
        sys.stderr.close()
        raise typer.Exit(Exit.OK) from None
    except KeyboardInterrupt:
        say("stopped")
        raise typer.Exit(Exit.INTERRUPTED) from None
    except OSError as error:
        say(f"fillguard: {error.filename or ''} {error.strerror or error}".replace("  ", " "))
        raise typer.Exit(Exit.BAD_INPUT) from error


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
