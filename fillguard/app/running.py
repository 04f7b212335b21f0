"""The daemon's life in the foreground: start, wait for a signal, stop cleanly."""

import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from queue import Empty, SimpleQueue

import structlog

from fillguard.app.watching import Watching
from fillguard.clock import SystemClock, drill_clock, monotonic_s
from fillguard.core.errors import ConfigurationError
from fillguard.intake.capture import CaptureWriter
from fillguard.intake.feeds import DefaultDecoder
from fillguard.intake.mqtt import LinkNews, MqttLink
from fillguard.ports import RawMessage
from fillguard.settings import Settings, load_settings

_LOOK_EVERY_S = 0.5
_TELL_EVERY = 1000


@contextmanager
def signals() -> Iterator[threading.Event]:
    """An event that SIGINT and SIGTERM set; the handlers are put back afterwards. Main thread only."""
    stop = threading.Event()
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
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
    log = structlog.get_logger()
    settings = load_settings(config, environ)
    watching = Watching(settings, clock=scaled or SystemClock(), drill=drill, report=log.warning)
    with signals() as stop:
        watching.start()
        log.info("watching", station=settings.station.id, ledger=str(settings.ledger.path), drill=drill)
        while not stop.wait(_LOOK_EVERY_S) and not watching.died.is_set():
            pass
        log.info("stopping")
        left = watching.stop()
    if left:
        log.error("not everything could be recorded", entries=left)
    return left == 0 and not watching.died.is_set()


def capture_to(
    out: Path,
    config: Path,
    environ: Mapping[str, str],
    *,
    seconds: float | None,
    progress: Callable[[str], None],
) -> int:
    """Write what arrives to `out` until a signal comes or `seconds` have passed; returns how many messages."""
    settings = _with_own_session(load_settings(config, environ))
    clock = SystemClock()
    arrived: SimpleQueue[RawMessage] = SimpleQueue()

    def offer(message: RawMessage) -> bool:
        arrived.put(message)
        return True

    def tell(news: LinkNews, detail: str) -> None:
        progress(f"broker: {news.value}: {detail}")

    decoder = DefaultDecoder(settings.station.id, register=settings.register)
    link = MqttLink(
        settings.broker, clock=clock, monotonic=monotonic_s, filters=decoder.subscriptions, offer=offer, tell=tell
    )
    ends_s = None if seconds is None else clock.now().mono_s + seconds
    count = 0
    with signals() as stop, out.open("a", encoding="utf-8") as file:
        writer = CaptureWriter(file)
        link.start()
        while not stop.is_set() and (ends_s is None or clock.now().mono_s < ends_s):
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


def _with_own_session(settings: Settings) -> Settings:
    """Another client id: with the watch's own, the broker would throw the watch out."""
    return replace(settings, broker=replace(settings.broker, client_id=f"{settings.broker.client_id}-capture"))
