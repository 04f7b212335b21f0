"""Listening in: what comes over the wire, beside a running watch and without disturbing it."""

import signal
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from queue import Empty, Full, Queue

from fillguard.clock import SystemClock, drill_clock, monotonic_s
from fillguard.intake.capture import CaptureWriter
from fillguard.intake.mqtt import LinkNews, MqttLink
from fillguard.intake.rules import as_captured, rules_topic
from fillguard.intake.station import StationDecoder
from fillguard.ports import Clock, RawMessage
from fillguard.settings import Settings, load_settings

TO_STOP = (signal.SIGINT, signal.SIGTERM)
"""Signals that ask a process to end."""
_LOOK_EVERY_S = 0.5
_TELL_EVERY = 1000
_WAITING_AT_MOST = 4096

Progress = Callable[[str], None]


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


def capture_to(
    out: Path, config: Path, environ: Mapping[str, str], *, seconds: float | None, progress: Progress
) -> int:
    """Write what arrives to `out` until a signal comes or `seconds` have passed; returns how many messages."""
    settings = load_settings(config, environ)
    clock = drill_clock(environ) or SystemClock()
    count = 0
    with out.open("a", encoding="utf-8", newline="", buffering=1) as file:  # line by line: others may read along
        writer = CaptureWriter(file)
        station = settings.station.id
        filters = (*StationDecoder(settings).subscriptions, rules_topic(station))
        for message in hear(settings, filters, clock=clock, seconds=seconds, progress=progress):
            writer.write(as_captured(message, station))
            count += 1
            if count % _TELL_EVERY == 0:
                progress(f"{count} messages")
    return count


def hear(
    settings: Settings, filters: Sequence[str], *, clock: Clock, seconds: float | None, progress: Progress
) -> Iterator[RawMessage]:
    """What arrives until `seconds` (None: no end) of real time have passed or a signal comes. Main thread.

    Each message is acknowledged once the next one is asked for.
    """
    arrived: Queue[RawMessage] = Queue(_WAITING_AT_MOST)
    link = _listening(settings, filters, clock, arrived, progress)
    ends_s = None if seconds is None else monotonic_s() + seconds
    with signals(*TO_STOP) as stop:
        link.start()
        try:
            while not stop.is_set():
                left_s = _LOOK_EVERY_S if ends_s is None else ends_s - monotonic_s()
                if left_s <= 0.0:
                    break
                try:
                    message = arrived.get(timeout=min(left_s, _LOOK_EVERY_S))
                except Empty:
                    continue
                yield message
                if message.ack is not None:
                    message.ack.acknowledge()
        finally:
            link.stop()
        while not arrived.empty():
            yield arrived.get_nowait()


def _listening(
    settings: Settings, filters: Sequence[str], clock: Clock, arrived: "Queue[RawMessage]", progress: Progress
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
        clock=clock,
        monotonic=monotonic_s,
        filters=filters,
        offer=offer,
        tell=tell,
        keeps_session=False,
    )
