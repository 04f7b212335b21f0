"""What is wrong with a configuration, up to what only shows when its parts are built."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from fillguard.outlets.apprise import senders
from fillguard.settings import ConfigurationProblems, Problem, check_config, load_settings


def problems_in(config: Path, environ: Mapping[str, str]) -> Sequence[Problem]:
    """Everything that would keep a watch from starting: the files first, then the addresses of the channels."""
    problems = check_config(config, environ)
    if problems:
        return problems
    try:
        senders(load_settings(config, environ).channels)
    except ConfigurationProblems as found:
        return found.errors
    return ()
