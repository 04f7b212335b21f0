"""Places to send notices to, real sockets on loopback: an inbox for JSON, one for mail, and servers that misbehave."""

import json
import socket
from collections import deque
from collections.abc import Iterable
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import Empty, Queue
from threading import Event, Thread
from types import TracebackType
from typing import Self, TypeVar

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

PATIENCE_S = 60.0
"""How long a test waits for what must come; nothing is judged by it."""


T = TypeVar("T")


def _next(queue: "Queue[T]", within_s: float) -> T:
    try:
        return queue.get(timeout=within_s)
    except Empty:
        raise TimeoutError(f"nothing came within {within_s:g} s") from None


class JsonInbox:
    """An HTTP server that takes JSON; answers with `statuses` in turn, then 200."""

    def __init__(self, statuses: Iterable[int] = ()) -> None:
        inbox = self
        self._statuses = deque(statuses)
        self._posts: Queue[dict[str, str]] = Queue()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                self.send_response(inbox._statuses.popleft() if inbox._statuses else 200)
                self.send_header("Content-Length", "0")
                self.end_headers()
                inbox._posts.put(json.loads(body))

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_port

    def __enter__(self) -> Self:
        Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._server.shutdown()
        self._server.server_close()

    def next_post(self, *, within_s: float = PATIENCE_S) -> dict[str, str]:
        """The next body that was posted. Raises TimeoutError."""
        return _next(self._posts, within_s)


class MailInbox:
    """An SMTP server that keeps what it takes."""

    def __init__(self) -> None:
        self._mails: Queue[EmailMessage] = Queue()
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = int(probe.getsockname()[1])
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, ready_timeout=PATIENCE_S)

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 - aiosmtpd calls it so
        content = envelope.content or b""
        self._mails.put(
            message_from_bytes(content if isinstance(content, bytes) else content.encode(), policy=policy.default)
        )
        return "250 taken"

    def __enter__(self) -> Self:
        self._controller.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._controller.stop()

    def next_mail(self, *, within_s: float = PATIENCE_S) -> EmailMessage:
        """The next mail that came. Raises TimeoutError."""
        return _next(self._mails, within_s)


class Misbehaving:
    """A server that takes every connection and never finishes an answer; the base is a black hole."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._connections: Queue[socket.socket] = Queue()
        self._closed = Event()

    def __enter__(self) -> Self:
        Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._closed.set()
        self._listener.close()

    def wait_for_connection(self) -> None:
        """Return once somebody has connected (one call a connection)."""
        self._connections.get(timeout=PATIENCE_S)

    def answer(self, connection: socket.socket) -> None:
        """Nothing, until the test is over."""
        with connection:
            self._closed.wait(PATIENCE_S)

    def _accept(self) -> None:
        while not self._closed.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._connections.put(connection)
            Thread(target=self.answer, args=(connection,), daemon=True).start()


class BlackHole(Misbehaving):
    """Accepts, never answers."""


class SlowDrip(Misbehaving):
    """Answers one byte at a time without end, so that no time limit between bytes ever strikes."""

    def answer(self, connection: socket.socket) -> None:
        with connection:
            while not self._closed.wait(0.02):  # the pace of the drip
                try:
                    connection.sendall(b"X")
                except OSError:
                    return
