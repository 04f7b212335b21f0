"""The small HTTP server: bounded in every way, and what it says of a fault of ours."""

import http.client
import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http import HTTPStatus

import pytest

from fillguard.outlets import web
from fillguard.outlets.web import LONGEST_BODY, LONGEST_TARGET, MOST_CONNECTIONS, Request, Response, WebServer, plain


def echo(request: Request) -> Response:
    return plain(HTTPStatus.OK, json.dumps([request.method, request.path, dict(request.query), dict(request.form)]))


def broken(_: Request) -> Response:
    raise ZeroDivisionError("geheim-4711")


@contextmanager
def serving(**more: web.Handler) -> Iterator[WebServer]:
    routes = {("GET", "/echo"): echo, ("POST", "/echo"): echo, ("GET", "/broken"): broken}
    server = WebServer("127.0.0.1", 0, {**routes, **{("GET", f"/{name}"): handler for name, handler in more.items()}})
    server.start()
    try:
        yield server
    finally:
        server.stop()


def asked(
    server: WebServer, method: str, target: str, body: str | None = None, headers: dict[str, str] | None = None
) -> tuple[int, str, http.client.HTTPMessage]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30.0)
    try:
        connection.request(method, target, body, headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read().decode(), answer.headers
    finally:
        connection.close()


def test_a_request_reaches_its_handler_with_query_and_form() -> None:
    with serving() as server:
        assert json.loads(asked(server, "GET", "/echo?a=1&b=%20x&a=2")[1]) == [
            "GET",
            "/echo",
            {"a": "2", "b": " x"},
            {},
        ]
        said = asked(server, "POST", "/echo?q=1", "o=tern%2F1&s=x")
        assert json.loads(said[1]) == ["POST", "/echo", {"q": "1"}, {"o": "tern/1", "s": "x"}]


def test_an_answer_is_never_stored_framed_or_sniffed() -> None:
    with serving() as server:
        _, _, headers = asked(server, "GET", "/echo")
    assert headers["Cache-Control"] == "no-store"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "Python" not in headers["Server"]


@pytest.mark.parametrize(
    ("method", "target", "body", "headers", "status"),
    [
        pytest.param("GET", "/nowhere", None, {}, 404, id="a path that is not there"),
        pytest.param("POST", "/broken", "", {}, 405, id="a path that takes no posts"),
        pytest.param("GET", "/broken", None, {}, 500, id="a handler that fails"),
        pytest.param("GET", "/echo?" + "x" * LONGEST_TARGET, None, {}, 414, id="a target that is too long"),
        pytest.param("POST", "/echo", "x" * (LONGEST_BODY + 1), {}, 413, id="a body that is too long"),
        pytest.param("POST", "/echo", None, {"Content-Length": "-1"}, 413, id="a length that is none"),
        pytest.param("POST", "/echo", None, {"Content-Length": "many"}, 413, id="a length that is no number"),
        pytest.param("PUT", "/echo", "", {}, 501, id="a method nobody knows"),
    ],
)
def test_what_is_not_wanted_is_refused(
    method: str, target: str, body: str | None, headers: dict[str, str], status: int
) -> None:
    with serving() as server:
        got, text, _ = asked(server, method, target, body, headers)
    assert got == status
    assert "geheim" not in text, "what went wrong inside is nobody's outside"


def test_head_says_the_same_without_the_body() -> None:
    with serving() as server:
        status, text, headers = asked(server, "HEAD", "/echo")
    assert (status, text) == (200, "")
    assert int(headers["Content-Length"]) > 0


def test_more_connections_than_there_is_room_for_are_closed_and_the_others_served(
    capfd: pytest.CaptureFixture[str],
) -> None:
    inside, go_on = threading.Semaphore(0), threading.Event()

    def slow(_: Request) -> Response:
        inside.release()
        go_on.wait(30.0)
        return plain(HTTPStatus.OK, "done")

    answers: list[int] = []
    with serving(slow=slow) as server:
        threads = [
            threading.Thread(target=lambda: answers.append(asked(server, "GET", "/slow")[0]))
            for _ in range(MOST_CONNECTIONS)
        ]
        for thread in threads:
            thread.start()
        for _ in threads:
            assert inside.acquire(timeout=30.0)
        with socket.create_connection(("127.0.0.1", server.port), timeout=30.0) as one_too_many:
            one_too_many.sendall(b"GET /echo HTTP/1.0\r\n\r\n")
            with suppress(ConnectionResetError):  # closed in good order or reset, as the kernel likes
                assert one_too_many.recv(100) == b""
        go_on.set()
        for thread in threads:
            thread.join(30.0)
    assert answers == [200] * MOST_CONNECTIONS
    assert capfd.readouterr().err == "", "nothing is logged"


def test_somebody_who_sends_nothing_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web._Handler, "timeout", 0.2)
    with serving() as server, socket.create_connection(("127.0.0.1", server.port), timeout=30.0) as silent:
        silent.sendall(b"GET /echo HT")
        assert silent.recv(100) == b""


def test_somebody_who_drips_is_let_go_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web, "CONNECTION_WITHIN_S", 0.3)
    with serving() as server, socket.create_connection(("127.0.0.1", server.port), timeout=30.0) as drip:
        drip.settimeout(0.05)
        said = b"GET /echo HTTP/1.0\r\nX: " + b"x" * 2000
        for byte in said:  # each in time by itself
            try:
                drip.sendall(bytes([byte]))
                assert drip.recv(100) == b""
                break
            except TimeoutError:
                continue
            except (ConnectionResetError, BrokenPipeError):
                break
        else:
            pytest.fail("it still listens")


def test_an_address_that_is_taken_is_said_at_once() -> None:
    with serving() as server, pytest.raises(OSError, match="in use"):
        WebServer("127.0.0.1", server.port, {})


def test_stopped_before_it_was_started_it_lets_go_of_its_address() -> None:
    server = WebServer("127.0.0.1", 0, {})
    port = server.port
    server.stop()
    WebServer("127.0.0.1", port, {}).stop()
