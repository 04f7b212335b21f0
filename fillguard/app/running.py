"""The daemon's life in the foreground: start, wait for a signal, stop cleanly."""

import signal
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from queue import Empty, Full, Queue

from fillguard.app.log import Logger, LogOutlet, daemon_log
from fillguard.app.watching import Watching
from fillguard.clock import SystemClock, drill_clock, monotonic_s
from fillguard.core.errors import ConfigurationError
from fillguard.intake.capture import CaptureWriter
from fillguard.intake.mqtt import LinkNews, MqttLink
from fillguard.intake.station import StationDecoder
from fillguard.ports import RawMessage
from fillguard.settings import Settings, check_config, load_settings

TO_STOP = (signal.SIGINT, signal.SIGTERM)
_LOOK_EVERY_S = 0.5
_TELL_EVERY = 1000
_WAITING_AT_MOST = 4096


@contextmanager
def signals(*numbers: signal.Signals) -> Iterator[threading.Event]:
    """An event that the signals `numbers` set; what was done on them before is done again afterwards. Main thread."""
    came = threading.Event()
    before = {number: signal.signal(number, lambda *_: came.set()) for number in numbers}
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run_station(config: Path, environ: Mapping[str, str], *, drill: bool) -> bool:
    """Watch until a signal comes; False when the watch itself failed or not everything could be recorded.

    Raises:
        ConfigurationError: The configuration cannot be used, or a scaled clock without `drill`.
        LedgerLocked: Another fillguard holds the ledger.
        LedgerError: The ledger cannot be used.
    """
    scaled = drill_clock(environ)
    if scaled is not None and not drill:
        raise ConfigurationError(
            "the environment carries a drill clock (FILLGUARD_DRILL_CLOCK): start with --drill, or unset it; "
            "a station's ledger and channels are never used on a scaled clock"
        )
    settings = load_settings(config, environ)
    with signals(*TO_STOP) as stop, signals(signal.SIGHUP) as reload, daemon_log(environ) as log:

        def report(text: str, *, ok: bool = True) -> None:
            (log.info if ok else log.warning)(text)

        watching = Watching(settings, clock=scaled or SystemClock(), drill=drill, report=report, also=(LogOutlet(log),))
        log.info("watching", station=settings.station.id, ledger=str(settings.ledger.path), drill=drill)
        watching.start()
        while not stop.wait(_LOOK_EVERY_S) and not watching.died.is_set():
            if reload.is_set():
                reload.clear()
                _look_again(config, environ, settings, log)
        log.info("stopping")
        left = watching.stop()
        log.info("stopped", not_recorded=left)
    return left == 0 and not watching.died.is_set()


def _look_again(config: Path, environ: Mapping[str, str], in_force: Settings, log: Logger) -> None:
    """What SIGHUP asks for: is the configuration sound, and is it another one? It comes into force at a restart."""
    problems = check_config(config, environ)
    for problem in problems:
        log.error("configuration", problem=str(problem))
    if problems:
        log.error("the configuration cannot be used: the old one stays in force", problems=len(problems))
    elif load_settings(config, environ).hash == in_force.hash:
        log.info("the configuration has not changed")
    else:
        log.warning("the configuration is sound and has changed: it comes into force at the next restart")


def capture_to(
    out: Path,
    config: Path,
    environ: Mapping[str, str],
    *,
    seconds: float | None,
    progress: Callable[[str], None],
) -> int:
    """Write what arrives to `out` until a signal comes or `seconds` have passed; returns how many messages."""
    arrived: Queue[RawMessage] = Queue(_WAITING_AT_MOST)
    settings = load_settings(config, environ)
    link = listening(settings, arrived, progress, StationDecoder(settings).subscriptions)
    count = 0
    with signals(*TO_STOP) as stop, out.open("a", encoding="utf-8", newline="") as file:
        writer = CaptureWriter(file)
        ends_s = None if seconds is None else monotonic_s() + seconds
        link.start()
        while not stop.is_set() and (ends_s is None or monotonic_s() < ends_s):
            try:
                message = arrived.get(timeout=_LOOK_EVERY_S)
            except Empty:
                file.flush()
                continue
            writer.write(message)
            if message.ack is not None:
                message.ack.acknowledge()
            count += 1
            if count % _TELL_EVERY == 0:
                progress(f"{count} messages")
        link.stop()
    return count


def listening(
    settings: Settings, arrived: "Queue[RawMessage]", progress: Callable[[str], None], filters: Sequence[str]
) -> MqttLink:
    """A link that only listens, under an id of its own: with the watch's, the broker would throw the watch out."""

    def offer(message: RawMessage) -> bool:
        try:
            arrived.put_nowait(message)
        except Full:
            return False
        return True

    def tell(news: LinkNews, detail: str) -> None:
        progress(f"broker {news.value}: {detail}")

    return MqttLink(
        replace(settings.broker, client_id=f"{settings.broker.client_id}-capture-{uuid.uuid4().hex[:8]}"),
        clock=SystemClock(),
        monotonic=monotonic_s,
        filters=filters,
        offer=offer,
        tell=tell,
        keeps_session=False,
    )
