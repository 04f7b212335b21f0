"""What a demonstration is played on: a broker, a place that takes the alerts, and one voice that speaks of it all."""

import asyncio
import json
import logging
import socket
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import SimpleQueue
from typing import Self

from rich.console import Console

from fillguard.core.errors import ConfigurationError

_WITHIN_S = 20.0
_LARGEST_ALERT = 1_000_000


class Voice:
    """Prints, on a thread of its own: whoever speaks never waits for the terminal."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._queue: SimpleQueue[str | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="demo-voice", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._queue.put(None)
        self._thread.join(_WITHIN_S)

    def say(self, text: str) -> None:
        """Speak when it is your turn; from any thread."""
        self._queue.put(text)

    def _run(self) -> None:
        while (text := self._queue.get()) is not None:
            self._console.print(text, markup=False, soft_wrap=True)


class LoopbackBroker:
    """An MQTT 3.1.1 broker in this process, for demonstrations only: it keeps nothing."""

    def __init__(self) -> None:
        self.port = _free_port()
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._stopped = asyncio.Event()
        self._problem: BaseException | None = None
        self._thread = threading.Thread(target=self._work, name="demo-broker", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._ready.wait(_WITHIN_S) or self._problem is not None:
            raise ConfigurationError(f"the demonstration's broker did not start: {self._problem or 'no answer'}")
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stopped.set)
        self._thread.join(_WITHIN_S)

    def _work(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        except Exception as error:  # noqa: BLE001 - handed to the thread that waits for the start
            self._problem = error
            self._ready.set()
        finally:
            self._loop.close()

    async def _serve(self) -> None:
        try:
            from amqtt.broker import Broker  # noqa: PLC0415 - an extra, and slow to import
        except ImportError as error:
            raise ConfigurationError("the demonstration needs its extra: pip install 'fillguard[demo]'") from error
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await broker.start()
        self._ready.set()
        await self._stopped.wait()
        await broker.shutdown()


class AlertPlace:
    """A web server that takes the alerts and shows them: a real channel, on loopback."""

    def __init__(self, on_alert: Callable[[str, str, str], None]) -> None:
        """`on_alert` hears channel, title and body."""

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = min(int(self.headers.get("Content-Length") or 0), _LARGEST_ALERT)
                said = json.loads(self.rfile.read(length))
                on_alert(self.path.strip("/"), str(said.get("title")), str(said.get("message")))
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Keep quiet: what arrived is shown."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(target=self._server.serve_forever, name="demo-alerts", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(_WITHIN_S)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
