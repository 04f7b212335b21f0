"""The systemd unit we ship: what a station relies on when nobody is looking."""

import configparser
import shutil
import subprocess
from pathlib import Path

import pytest

from fillguard.app.canary import EVERY_S, LOST_AFTER_S

UNIT = Path(__file__).resolve().parents[2] / "deploy" / "fillguard.service"


def settings(section: str) -> dict[str, str]:
    """One section of the unit; of a key that stands there twice the last counts, as for most in systemd."""
    parser = configparser.ConfigParser(interpolation=None, strict=False, delimiters=("=",))
    parser.optionxform = str  # type: ignore[assignment,method-assign]  # keys keep their capitals
    parser.read_string(UNIT.read_text(encoding="utf-8"))
    return dict(parser[section])


def test_the_service_is_started_again_for_ever() -> None:
    assert settings("Service")["Restart"] == "always"
    assert settings("Unit")["StartLimitIntervalSec"] == "0"


def test_a_reload_sends_the_signal_that_looks_at_the_configuration_anew() -> None:
    assert settings("Service")["ExecReload"] == "/bin/kill -HUP $MAINPID"


def test_a_watch_that_does_not_hear_itself_is_started_again_in_good_order() -> None:
    service = settings("Service")
    assert (service["Type"], service["WatchdogSignal"]) == ("notify", "SIGTERM")
    assert int(service["WatchdogSec"]) > LOST_AFTER_S + 10 * EVERY_S, "people hear of it first"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("User", "fillguard"),
        ("NoNewPrivileges", "yes"),
        ("CapabilityBoundingSet", ""),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("StateDirectory", "fillguard"),
    ],
)
def test_the_service_has_no_more_rights_than_it_needs(key: str, value: str) -> None:
    assert settings("Service")[key] == value


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this system has no systemd to ask")
def test_systemd_understands_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / UNIT.name
    command = settings("Service")["ExecStart"].partition(" ")[0]
    unit.write_text(UNIT.read_text(encoding="utf-8").replace(command, "/bin/true"), encoding="utf-8")
    result = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)
    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")
