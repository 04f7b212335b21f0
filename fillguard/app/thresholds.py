"""Thresholds for the technician: shown, changed with a name and a reason, their history read from the record."""

import json
import os
import signal
import socket
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import tomlkit

from fillguard.app.authors import Author, note_author
from fillguard.clock import SystemClock
from fillguard.core.errors import ConfigurationError
from fillguard.ledger.lock import holder
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.settings import Change, Settings, changes, did_you_mean, load_settings
from fillguard.settings.alarms import FILE, AlarmSection, cases_of, shipped_alarms

SETPOINT = "setpoint"
_NUMBERS = frozenset({"setpoint", "deadband", "on_delay_s", "off_delay_s", "realarm_s", "respond_within_s"})
_KEYS = _NUMBERS | {"priority"}
"""What `set` changes; words and latches are edited in the file, by somebody who reads the whole record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One number of one alarm."""

    alarm: str
    key: str
    case: str | None = None
    """Which of `[ALARM.variants]`; None: the key itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A configuration that came into force."""

    when: str
    by: str
    why: str
    change: tuple[str, ...]
    config_hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What `set` did."""

    change: tuple[Change, ...]
    basis: str
    """What the record says the setpoint rests on, after the change."""
    told: int | None
    """The process of the running watch that was told; None when there is none, or it may not be told."""
    running: bool


def target_of(written: str) -> Target:
    """`too-fast` (its setpoint), `too-fast.deadband`, `too-fast.oxygen-rich` (a case). Raises ConfigurationError."""
    alarm, _, rest = written.partition(".")
    known = shipped_alarms()
    if alarm not in known:
        raise ConfigurationError(f"unknown alarm {alarm!r}: {did_you_mean(alarm, known)}")
    cases = cases_of(alarm)
    if not rest or rest in _KEYS:
        key = rest or SETPOINT
        if key in {SETPOINT, "deadband"} and known[alarm].setpoint is None:
            raise ConfigurationError(f"alarm {alarm} has no {key}: it happened or it did not")
        return Target(alarm=alarm, key=key)
    if rest not in cases:
        raise ConfigurationError(f"{alarm} has no {rest!r}: {did_you_mean(rest, [*cases, *_KEYS])}")
    return Target(alarm=alarm, key="variants", case=rest)


def in_force(config: Path, environ: Mapping[str, str]) -> Mapping[str, AlarmSection]:
    """The alarms that `config` holds, in the units of the file. Raises ConfigurationProblems."""
    tables = json.loads(load_settings(config, environ).text)["alarms"]
    return {name: AlarmSection.model_validate(table) for name, table in tables.items()}


def set_threshold(
    config: Path,
    environ: Mapping[str, str],
    target: Target,
    value: float,
    author: Author,
    *,
    basis: str | None = None,
) -> Outcome:
    """Write one number into alarms.toml, its comments kept, and tell the running watch.

    The whole configuration is checked with it first; the file is replaced whole or not at all.

    Raises:
        ConfigurationProblems: The configuration cannot be used, before or with the change.
        OSError: The file cannot be written.
    """
    old = load_settings(config, environ)
    text = _edited(_text_of(config), target, value, author, today=_today(old), basis=basis)
    new = load_settings(config, environ, alarms_text=text)
    found = tuple(change for change in changes(old.text, new.text) if change.path[0] == "alarms")
    note_author(config, text, author, utc_s=SystemClock().now().utc_s, change=[str(change) for change in found])
    _replace(config / FILE, text)
    running = holder(new.ledger.path)
    told = running.pid if running is not None and _tell(running.pid, running.host) else None
    return Outcome(change=found, basis=new.alarms[target.alarm].basis, told=told, running=running is not None)


def history(config: Path, environ: Mapping[str, str], *, limit: int) -> list[Entry]:
    """The newest configurations that were in force, newest first. Raises ConfigurationProblems, LedgerError."""
    settings = load_settings(config, environ)
    zone = ZoneInfo(settings.station.timezone)
    with SqliteLedgerReader(settings.ledger.path) as reader:
        return [_entry(record.body, zone) for record in reader.configs(limit)]


def _entry(body: Mapping[str, Any], zone: ZoneInfo) -> Entry:
    return Entry(
        when=f"{datetime.fromtimestamp(body['at']['utc_s'], zone):%Y-%m-%d %H:%M:%S %Z}",
        by=str(body["who"]),
        why=str(body["why"]),
        change=tuple(map(str, body.get("change", ()))),
        config_hash=str(body["config_hash"]),
    )


def _text_of(config: Path) -> str:
    """What alarms.toml holds; what is shipped, comments and all, where the station has none of its own."""
    path = config / FILE
    source = path if path.exists() else files("fillguard").joinpath("data", FILE)
    return source.read_text(encoding="utf-8-sig")


def _edited(text: str, target: Target, value: float, author: Author, *, today: str, basis: str | None) -> str:
    document = tomlkit.parse(text)
    if target.alarm not in document:  # the shipped record holds: it moves into the file, to be changed there
        shipped = tomlkit.parse(files("fillguard").joinpath("data", FILE).read_text(encoding="utf-8"))
        document.add(tomlkit.nl())
        document.add(target.alarm, shipped[target.alarm])
    table: Any = document[target.alarm]  # tomlkit's own types do not know what stands in a file
    plain = int(value) if value == int(value) else value
    if target.case is None:
        table[target.key] = plain
    else:
        if "variants" not in table:
            table["variants"] = tomlkit.table()
        table["variants"][target.case] = plain
    table["owner"], table["reviewed"] = author.by, today
    if basis is not None:
        table["basis"] = basis
    return tomlkit.dumps(document)


def _today(settings: Settings) -> str:
    utc_s = SystemClock().now().utc_s
    return f"{datetime.fromtimestamp(utc_s, ZoneInfo(settings.station.timezone)):%Y-%m-%d}"


def _replace(path: Path, text: str) -> None:
    """The new content whole or the old one: never half a file, with the rights that it had."""
    beside = path.with_name(f".{path.name}.new")
    try:
        with beside.open("w", encoding="utf-8", newline="") as file:
            if path.exists():
                stat = path.stat()
                os.fchmod(file.fileno(), stat.st_mode)
                with suppress(PermissionError):  # another one's file: its group and mode still count
                    os.fchown(file.fileno(), stat.st_uid, stat.st_gid)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def _tell(pid: int, host: str) -> bool:
    """Have the running watch look at once. It looks by itself, too: what cannot be told is no failure."""
    if host != socket.gethostname() or not _listens(pid):
        return False
    try:
        os.kill(pid, signal.SIGHUP)
    except (PermissionError, ProcessLookupError):
        return False
    return True


def _listens(pid: int) -> bool:
    """False for what holds the ledger for a moment and is no watch: the signal would end it."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    caught = next((line.split()[1] for line in status.splitlines() if line.startswith("SigCgt:")), "0")
    return bool(int(caught, 16) >> (signal.SIGHUP - 1) & 1)


def rows(alarms: Mapping[str, AlarmSection]) -> Sequence[tuple[str, ...]]:
    """A line for each number that alarms are judged by, graver ones first."""
    found = []
    for name, alarm in sorted(alarms.items(), key=lambda item: (item[1].priority, item[0])):
        unit = "" if alarm.setpoint is None else f" {alarm.unit}"
        setpoint = "-" if alarm.setpoint is None else f"{alarm.setpoint:g}{unit}"
        deadband = f"{alarm.deadband:g}" if alarm.deadband else "-"
        delays = f"{alarm.on_delay_s:g}/{alarm.off_delay_s:g}"
        found.append((name, str(alarm.priority), setpoint, deadband, delays))
        found.extend((f"{name}.{case}", "", f"{value:g}{unit}", "", "") for case, value in alarm.variants.items())
    return found
