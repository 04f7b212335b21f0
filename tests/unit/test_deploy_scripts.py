"""What deploy/environment does on machines that lack something: real shell, pretended commands, no network."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
TOOLS = ("cat", "chmod", "cut", "date", "dirname", "env", "grep", "id", "mkdir", "mktemp", "mv", "rm", "sh", "tr", "wc")

# An interpreter that makes "environments" of itself and notes what pip was asked for.
PYTHON = f"""#!/bin/sh
case "$*" in
    *"-m venv"*) for folder; do :; done; rm -rf "$folder"; mkdir -p "$folder/bin"
        cat "$0" >"$folder/bin/python"; chmod 755 "$folder/bin/python"; echo "venv" >>calls ;;
    *"-m pip wheel"*) mkdir -p "$7"; : >"$7/fillguard-0.1.0-py3-none-any.whl"; echo "wheel" >>calls ;;
    *"-m pip"*) echo "$*" | grep -o 'install .*' >>calls; [ ! -e pip-fails ] || {{ echo "no such package"; exit 1; }} ;;
    *) exec '{sys.executable}' "$@" ;;
esac
"""


class Machine:
    """A folder with a checkout of a kind, and a PATH that holds nothing but what the test put there."""

    def __init__(self, folder: Path) -> None:
        self.bin = folder / "bin"
        self.checkout = folder / "a checkout"
        self.policy = folder / "policy-rc.d"
        self.bin.mkdir()
        for tool in TOOLS:
            (self.bin / tool).symlink_to(str(shutil.which(tool)))
        shutil.copytree(DEPLOY, self.checkout / "deploy")
        (self.checkout / "fillguard").mkdir()
        for name in ("pyproject.toml", "README.md", "LICENSE", "fillguard/__init__.py"):
            (self.checkout / name).write_text("", encoding="utf-8")

    def command(self, name: str, text: str) -> None:
        path = self.bin / name
        path.unlink(missing_ok=True)
        path.write_text(text, encoding="utf-8")
        path.chmod(0o755)

    def run(self, script: str) -> subprocess.CompletedProcess[str]:
        """`script` after deploy/environment was read; the machine's own folders stay out of reach."""
        read = f". deploy/environment; PATH='{self.bin}'; policy_file='{self.policy}'\n"
        return subprocess.run(
            [shutil.which("sh") or "sh", "-euc", read + script],
            cwd=self.checkout,
            env={"PATH": str(self.bin), "TMPDIR": str(self.bin.parent)},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )

    def calls(self) -> list[str]:
        """What the pretended interpreter was asked for since the last look."""
        log = self.checkout / "calls"
        lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
        log.unlink(missing_ok=True)
        return [line.replace(f"{self.bin.parent}/", "").replace(" --progress-bar off", "") for line in lines]


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def test_without_a_new_enough_python_it_says_what_is_needed(machine: Machine) -> None:
    machine.command("python3", "#!/bin/sh\nexit 1\n")
    result = machine.run("ensure_environment demo")
    assert result.returncode == 1
    assert "Python 3.11 or newer is needed" in result.stderr


def test_without_venv_it_names_the_one_package_to_install(machine: Machine) -> None:
    machine.command("python3", f"#!/bin/sh\ncase $2 in *ensurepip*) exit 1 ;; esac\nexec '{sys.executable}' \"$@\"\n")
    result = machine.run("ensure_environment demo")
    version = f"{sys.version_info.major}.{sys.version_info.minor}"
    assert result.returncode == 1
    assert f"Install this one package: apt-get install python{version}-venv" in result.stderr


def test_a_new_environment_gets_the_wheel_with_pinned_versions(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    result = machine.run("ensure_environment demo")
    assert (result.returncode, result.stderr) == (0, "")
    first, *rest = machine.calls()
    assert first == "venv"
    assert rest[0] == "install --no-compile -c deploy/constraints.txt hatchling"
    assert rest[1] == "wheel"
    assert rest[2].startswith("install --no-compile -c deploy/constraints.txt tmp.")
    assert rest[2].endswith(".whl[demo]")


def test_an_unchanged_environment_is_reused(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    machine.run("ensure_environment demo,dev")
    machine.calls()
    assert machine.run("ensure_environment demo,dev; ensure_environment demo").returncode == 0
    assert machine.calls() == []


def test_a_demo_environment_is_completed_for_the_check_not_thrown_away(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    machine.run("ensure_environment demo")
    machine.calls()
    machine.run("ensure_environment demo,dev")
    calls = machine.calls()
    assert "venv" not in calls
    assert calls[-2].endswith(".whl[demo,dev]")
    assert calls[-1] == "install --no-deps --ignore-requires-python --no-compile -c deploy/constraints.txt hyddown"


def test_changed_sources_are_built_and_installed_over_the_old_ones(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    machine.run("ensure_environment demo")
    machine.calls()
    (machine.checkout / "fillguard" / "__init__.py").write_text("changed = True\n", encoding="utf-8")
    machine.run("ensure_environment demo")
    build, install = machine.calls()
    assert build == "wheel"
    assert install.startswith("install --no-deps --force-reinstall")


def test_changed_pins_make_a_new_environment(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    machine.run("ensure_environment demo")
    machine.calls()
    (machine.checkout / "deploy" / "constraints.txt").write_text("numpy==9\n", encoding="utf-8")
    machine.run("ensure_environment demo")
    assert machine.calls()[0] == "venv"


def test_when_pip_fails_its_words_are_shown_and_nothing_counts_as_installed(machine: Machine) -> None:
    machine.command("python3.11", PYTHON)
    (machine.checkout / "pip-fails").touch()
    result = machine.run("ensure_environment demo; echo went on")
    assert result.returncode != 0
    assert "no such package" in result.stderr
    assert "went on" not in result.stdout
    assert not (machine.checkout / ".venv" / "fillguard.packages").exists()


def test_without_root_it_prints_the_one_line_to_run(machine: Machine) -> None:
    machine.command("id", "#!/bin/sh\necho 1000\n")
    machine.command("apt-get", "#!/bin/sh\necho called >>calls\n")
    result = machine.run("ensure_commands sh:dash broker:mosquitto store:influxdb")
    assert result.returncode == 1
    assert "  apt-get install --no-install-recommends -y mosquitto influxdb\n" in result.stderr
    assert machine.calls() == []


INSTALLER = """#!/bin/sh
echo "$*" >>calls
case $* in *install*) "$POLICY" && echo "services would start" >>calls
    printf '#!/bin/sh\\n' >"$BIN/broker"; chmod 755 "$BIN/broker" ;; esac
"""


def installer(machine: Machine, last: str = "") -> str:
    return INSTALLER.replace("$POLICY", str(machine.policy)).replace("$BIN", str(machine.bin)) + last


def test_as_root_missing_packages_are_installed_and_their_services_kept_down(machine: Machine) -> None:
    machine.command("id", "#!/bin/sh\necho 0\n")
    machine.command("apt-get", installer(machine))
    assert machine.run("ensure_commands broker:mosquitto").returncode == 0
    assert machine.calls() == ["-q update", "install --no-install-recommends -y mosquitto"]
    assert not machine.policy.exists()


@pytest.mark.parametrize("last", ["", "exit 1\n"], ids=["when it works", "when apt-get fails"])
def test_the_machine_gets_its_own_service_policy_back(machine: Machine, last: str) -> None:
    machine.command("id", "#!/bin/sh\necho 0\n")
    machine.command("apt-get", installer(machine, last))
    machine.policy.write_text("the machine's own", encoding="utf-8")
    result = machine.run("ensure_commands broker:mosquitto")
    assert result.returncode == (1 if last else 0)
    assert machine.policy.read_text(encoding="utf-8") == "the machine's own"
    assert [path.name for path in machine.policy.parent.glob("policy-rc.d*")] == ["policy-rc.d"]


def test_a_policy_left_behind_by_a_killed_run_is_not_taken_for_the_machines_own(machine: Machine) -> None:
    machine.policy.write_text("the machine's own", encoding="utf-8")
    machine.run("keep_services_down; kill -9 $$")
    assert "fillguard" in machine.policy.read_text(encoding="utf-8")
    machine.command("id", "#!/bin/sh\necho 0\n")
    machine.command("apt-get", installer(machine))
    assert machine.run("ensure_commands broker:mosquitto").returncode == 0
    assert machine.policy.read_text(encoding="utf-8") == "the machine's own"


def test_a_command_that_is_there_needs_no_package(machine: Machine) -> None:
    machine.command("apt-get", "#!/bin/sh\necho called >>calls\n")
    assert machine.run("ensure_commands sh:dash cat:coreutils").returncode == 0
    assert machine.calls() == []


def test_the_check_refuses_an_option_it_does_not_know() -> None:
    result = subprocess.run(
        ["sh", DEPLOY / "check", "--fast"], capture_output=True, text=True, check=False, env=dict(os.environ)
    )
    assert result.returncode == 2
    assert "--quick | --long" in result.stderr
