"""The daemon's life in the foreground: start, wait for a signal, stop cleanly."""

import signal
import threading
from collections.abc import Mapping
from pathlib import Path

from fillguard.app.hearing import TO_STOP, signals
from fillguard.app.log import LogOutlet, daemon_log
from fillguard.app.reloading import Files
from fillguard.app.supervisor import READY, STOPPING, Supervisor
from fillguard.app.watching import Watching
from fillguard.clock import SystemClock, drill_clock
from fillguard.core.errors import ConfigurationError
from fillguard.ports import Clock
from fillguard.settings import load_settings

_LOOK_EVERY_S = 0.5


def run_station(config: Path, environ: Mapping[str, str], *, drill: bool) -> bool:
    """Watch until a signal comes; False when the watch itself failed or not everything could be recorded.

    Raises:
        ConfigurationError: The configuration cannot be used, or a scaled clock without `drill`.
        LedgerLocked: Another fillguard holds the ledger.
        LedgerError: The ledger cannot be used.
    """
    clock = _clock(environ, drill=drill)
    files, settings = Files(config, environ), load_settings(config, environ)
    with signals(*TO_STOP) as stop, signals(signal.SIGHUP) as reload, daemon_log(environ) as log:

        def report(text: str, *, ok: bool = True) -> None:
            (log.info if ok else log.warning)(text)

        supervisor = Supervisor(environ)
        watching = Watching(
            settings, clock=clock, drill=drill, report=report, also=(LogOutlet(log),), supervisor=supervisor
        )
        log.info("watching", station=settings.station.id, ledger=str(settings.ledger.path), drill=drill)
        watching.start(files.author())
        supervisor.say(READY, f"watching {settings.station.id}")
        while not stop.wait(_LOOK_EVERY_S) and not watching.died.is_set():
            _look(files, reload, watching)
        log.info("stopping")
        supervisor.say(STOPPING)
        left = watching.stop()
        log.info("stopped", not_recorded=left)
        supervisor.close()
    return left == 0 and not watching.died.is_set()


def _clock(environ: Mapping[str, str], *, drill: bool) -> Clock:
    scaled = drill_clock(environ)
    if scaled is not None and not drill:
        raise ConfigurationError(
            "the environment carries a drill clock (FILLGUARD_DRILL_CLOCK): start with --drill, or unset it; "
            "a station's ledger and channels are never used on a scaled clock"
        )
    return scaled or SystemClock()


def _look(files: Files, asked: threading.Event, watching: Watching) -> None:
    """Has somebody asked for a reload, or changed the files?"""
    changed = files.changed()
    if asked.is_set():
        asked.clear()
        files.load_into(watching.reloading, "asked to (SIGHUP)")
    elif changed:
        files.load_into(watching.reloading, "the files were changed")
