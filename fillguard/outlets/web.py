"""A small HTTP server on a thread of its own, for machines that look and for one page. Bounded in every way.

So many connections at once and no more, seconds for each request, a few kilobytes of it. It knows nothing of the watch:
what it answers comes from the handlers that it is given, which run on its threads.
"""

import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qsl, urlsplit

MOST_CONNECTIONS = 16
REQUEST_WITHIN_S, CONNECTION_WITHIN_S = 5.0, 10.0
"""For the next byte, and for all of it."""
LONGEST_BODY = 4096
LONGEST_TARGET = 2048
_STOP_WITHIN_S = 2.0
_LOOK_EVERY_S = 0.1
PLAIN, PAGE = "text/plain; charset=utf-8", "text/html; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Request:
    """What somebody asks. Keys that come twice count as the last one."""

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    form: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Response:
    """What is answered."""

    status: HTTPStatus
    body: bytes
    content_type: str = PLAIN


Handler = Callable[[Request], Response]


def plain(status: HTTPStatus, text: str) -> Response:
    """A line or two of text."""
    return Response(status, (text.rstrip("\n") + "\n").encode())


class WebServer:
    """Serves `routes`, (method, path) -> handler, from `start` to `stop`."""

    def __init__(self, host: str, port: int, routes: Mapping[tuple[str, str], Handler]) -> None:
        """Bind the address; port 0 takes a free one. Raises OSError when it cannot be had."""
        self._server = _Server(host, port, routes)
        serve = partial(self._server.serve_forever, _LOOK_EVERY_S)
        self._thread = threading.Thread(target=serve, name="web", daemon=True)

    @property
    def port(self) -> int:
        """Where it listens."""
        port: int = self._server.server_address[1]
        return port

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Answer no more; what is being answered may end or not."""
        if self._thread.ident is not None:
            self._server.shutdown()
            self._thread.join(_STOP_WITHIN_S)
        self._server.server_close()


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = MOST_CONNECTIONS

    def __init__(self, host: str, port: int, routes: Mapping[tuple[str, str], Handler]) -> None:
        self.routes = routes
        self._room = threading.BoundedSemaphore(MOST_CONNECTIONS)
        self.address_family = socket.AF_INET6 if ":" in host else socket.AF_INET
        super().__init__((host, port), _Handler)

    def server_bind(self) -> None:
        """Without the look-up of our own name that the base class makes: a name server may be away."""
        socket_ = self.socket
        socket_.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        socket_.bind(self.server_address)
        self.server_address = socket_.getsockname()
        self.server_name, self.server_port = str(self.server_address[0]), int(self.server_address[1])

    def process_request(self, request: socket.socket | tuple[bytes, socket.socket], client_address: object) -> None:
        """On a thread of its own where there is room; nobody waits for room."""
        if not self._room.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(
        self, request: socket.socket | tuple[bytes, socket.socket], client_address: object
    ) -> None:
        """Answer within a time that no drip of bytes prolongs, then make room."""
        limit = threading.Timer(CONNECTION_WITHIN_S, _cut, (request,))
        limit.daemon = True
        limit.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            limit.cancel()
            self._room.release()

    def handle_error(self, request: socket.socket | tuple[bytes, socket.socket], client_address: object) -> None:
        """Whoever broke off is no fault of ours; a fault of a handler was answered already."""


def _cut(request: socket.socket | tuple[bytes, socket.socket]) -> None:
    """Whoever still reads or writes there is at the end of it."""
    if isinstance(request, socket.socket):
        with suppress(OSError):  # it has ended by itself
            request.shutdown(socket.SHUT_RDWR)


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = REQUEST_WITHIN_S
    server_version, sys_version = "fillguard", ""
    protocol_version = "HTTP/1.0"  # one request a connection: none is held open

    def do_GET(self) -> None:
        self._answer("GET")

    def do_HEAD(self) -> None:
        self._answer("GET")

    def do_POST(self) -> None:
        self._answer("POST")

    def log_message(self, *_: object) -> None:
        """Nothing: a probe each second is no event, and a link in an address is not for a log."""

    def _answer(self, method: str) -> None:
        said = self._handled(method)
        self.send_response(said.status)
        self.send_header("Content-Type", said.content_type)
        self.send_header("Content-Length", str(len(said.body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        self.send_header("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(said.body)

    def _handled(self, method: str) -> Response:
        if len(self.path) > LONGEST_TARGET:
            return plain(HTTPStatus.REQUEST_URI_TOO_LONG, "too long")
        target = urlsplit(self.path)
        handler = self.server.routes.get((method, target.path))
        if handler is None:
            known = any(path == target.path for _, path in self.server.routes)
            return plain(HTTPStatus.METHOD_NOT_ALLOWED if known else HTTPStatus.NOT_FOUND, "not here")
        body = self._body() if method == "POST" else b""
        if body is None:
            return plain(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"at most {LONGEST_BODY} bytes, with their length")
        form = dict(parse_qsl(body.decode("utf-8", "replace")))
        try:
            return handler(Request(method, target.path, dict(parse_qsl(target.query)), form))
        except Exception as fault:  # noqa: BLE001 - a fault of ours must not pass for "not there": it is answered as one
            return plain(HTTPStatus.INTERNAL_SERVER_ERROR, f"fillguard failed here: {type(fault).__name__}")

    def _body(self) -> bytes | None:
        """What was posted; None when it is too long or does not say how long."""
        try:
            length = int(self.headers.get("Content-Length", ""))
        except ValueError:
            return None
        return self.rfile.read(length) if 0 <= length <= LONGEST_BODY else None
