"""The commands. No logic: each builds what it needs through `fillguard.app` and turns errors into exit codes."""

from fillguard.cli.commands import main

__all__ = ["main"]
