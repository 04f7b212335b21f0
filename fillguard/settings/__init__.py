"""Configuration files and environment to one frozen, checked `Settings`. ALL problems are reported at once.

`station.toml` (needed), `alarms.toml` (the shipped one serves otherwise) and `cylinders.csv` stand in one folder.
"""

from fillguard.settings.changes import Change, Reload, changes, taken_over
from fillguard.settings.load import check_config, load_settings
from fillguard.settings.model import (
    BrokerSettings,
    ChannelSettings,
    InfluxSettings,
    LedgerSettings,
    Settings,
    StationSettings,
    TlsSettings,
)
from fillguard.settings.problems import ConfigurationProblems, Problem, did_you_mean, quoted
from fillguard.settings.register import Register, load_register

__all__ = [
    "BrokerSettings",
    "Change",
    "ChannelSettings",
    "ConfigurationProblems",
    "InfluxSettings",
    "LedgerSettings",
    "Problem",
    "Register",
    "Reload",
    "Settings",
    "StationSettings",
    "TlsSettings",
    "changes",
    "check_config",
    "did_you_mean",
    "load_register",
    "load_settings",
    "quoted",
    "taken_over",
]
