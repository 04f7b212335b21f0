"""Real servers for tests: own processes and folders, free loopback ports, ended by their own handles."""

import asyncio
import getpass
import http
import http.server
import json
import signal
import socket
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

DEADLINE_S = 30.0
"""How long a test waits for what must come; generous, since nothing is judged by it."""


def free_port() -> int:
    """A loopback port that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """A mosquitto of its own: persistent, anonymous on loopback unless `lines` say otherwise."""

    def __init__(self, folder: Path, lines: Sequence[str] = ("allow_anonymous true",)) -> None:
        self.port = free_port()
        self._configuration = folder / "mosquitto.conf"
        self._process: subprocess.Popen[str] | None = None
        self._configuration.write_text(
            "\n".join(
                [
                    f"persistence_location {folder}/",
                    "persistence true",
                    "log_dest stderr",
                    "log_type all",
                    f"user {getpass.getuser()}",  # from root mosquitto would change to one that may not read here
                    "set_tcp_nodelay true",
                    f"listener {self.port} 127.0.0.1",
                    *lines,
                ]
            )
            + "\n",
            encoding="utf-8",
        )

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()

    def start(self) -> None:
        """Start it and wait until it serves. Raises RuntimeError with its words when it gives up."""
        self._process = subprocess.Popen(
            ["mosquitto", "-c", self._configuration], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        )
        if self._process.stderr is None:
            raise RuntimeError("no pipe")
        said = []
        for line in self._process.stderr:
            said.append(line)
            if line.rstrip().endswith(" running"):
                break
        else:
            raise RuntimeError("".join(said))
        threading.Thread(target=self._process.stderr.read, daemon=True).start()  # or its log would fill the pipe

    def stop(self) -> None:
        """End it in good order: what it holds is on disk."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it the hard way."""
        self._end(signal.SIGKILL)

    def restart(self) -> None:
        self.stop()
        self.start()

    def pause(self) -> None:
        """Let it hang: connections stay open and nothing answers."""
        self._signal(signal.SIGSTOP)

    def resume(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.send_signal(number)
            try:
                self._process.wait(DEADLINE_S / 10.0)
            except subprocess.TimeoutExpired:  # right after its start it may miss a signal and wait for the next
                self._process.send_signal(number)
                self._process.wait(DEADLINE_S)
            self._process = None


class Amqtt:
    """The in-process broker of the demo, on a thread of its own. MQTT 3.1.1 only."""

    def __init__(self) -> None:
        self.port = free_port()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def __enter__(self) -> Self:
        from amqtt.broker import Broker  # noqa: PLC0415 - slow to import, and only two tests need it

        async def started() -> Broker:
            broker = Broker(
                {
                    "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{self.port}"}},
                    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
                }
            )
            await broker.start()
            return broker

        self._thread.start()
        self._broker = asyncio.run_coroutine_threadsafe(started(), self._loop).result(DEADLINE_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        asyncio.run_coroutine_threadsafe(self._broker.shutdown(), self._loop).result(DEADLINE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(DEADLINE_S)
        self._loop.close()


class Peer:
    """Somebody else at the broker: sends, and waits for what comes."""

    def __init__(
        self,
        port: int,
        *,
        client_id: str = "",
        user: str | None = None,
        version: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5,
        keeps_session: bool = False,
    ) -> None:
        """Connect; with `keeps_session` (and an id) the broker keeps for it what comes while it is away."""
        if keeps_session:
            version = MQTTProtocolVersion.MQTTv311
        self.received: list[mqtt.MQTTMessage] = []
        self._news = threading.Condition()
        self._connected = self._subscribed = False
        clean = None if version is MQTTProtocolVersion.MQTTv5 else not keeps_session
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=clean, protocol=version)
        if user is not None:
            self._client.username_pw_set(user, f"secret of {user}")
        self._client.on_connect = lambda *_: self._note("_connected")
        self._client.on_subscribe = lambda *_: self._note("_subscribed")
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._wait(lambda: self._connected)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def subscribe(self, topic_filter: str, qos: int = 1) -> None:
        self._subscribed = False
        self._client.subscribe(topic_filter, qos)
        self._wait(lambda: self._subscribed)

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 1, retain: bool = False) -> None:
        """Return once the broker has it (QoS 1) or it was sent (QoS 0)."""
        self._client.publish(topic, payload, qos, retain).wait_for_publish(DEADLINE_S)

    def wait_for(self, condition: Callable[[list[mqtt.MQTTMessage]], bool]) -> list[mqtt.MQTTMessage]:
        """What has been received, once `condition` holds for it."""
        self._wait(lambda: condition(self.received))
        return self.received

    def _wait(self, condition: Callable[[], bool]) -> None:
        with self._news:
            if not self._news.wait_for(condition, DEADLINE_S):
                raise TimeoutError(f"not within {DEADLINE_S:g} s; received {[m.topic for m in self.received]}")

    def _note(self, name: str) -> None:
        with self._news:
            setattr(self, name, True)
            self._news.notify_all()

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        with self._news:
            self.received.append(message)
            self._news.notify_all()


class _Daemon:
    """A server process that says on its error output when it serves."""

    ready = ""
    """What it says then."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.kill()

    def command(self) -> list[str]:
        """What is run."""
        raise NotImplementedError

    def start(self) -> None:
        """Start it and wait until it serves. Raises RuntimeError with its words when it gives up."""
        self._process = subprocess.Popen(self.command(), stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        if self._process.stderr is None:
            raise RuntimeError("no pipe")
        said = []
        for line in self._process.stderr:
            said.append(line)
            if self.ready in line:
                break
        else:
            raise RuntimeError("".join(said))
        threading.Thread(target=self._process.stderr.read, daemon=True).start()  # or its log would fill the pipe

    def stop(self) -> None:
        """End it in good order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it the hard way."""
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(DEADLINE_S)
            self._process = None


def ask(url: str, **parameters: str) -> bytes:
    """The answer to a GET. Raises OSError."""
    with urllib.request.urlopen(f"{url}?{urllib.parse.urlencode(parameters)}", timeout=DEADLINE_S) as answer:  # noqa: S310 - our own loopback
        body: bytes = answer.read()
        return body


class Influxd(_Daemon):
    """influxd 1.6 of its own: the real parser and storage of line protocol, under its old address `/write`."""

    ready = "Listening for signals"

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._configuration = folder / "influxd.conf"
        self._configuration.write_text(
            f"""
            reporting-disabled = true
            bind-address = "127.0.0.1:{free_port()}"
            [meta]
              dir = "{folder}/meta"
            [data]
              dir = "{folder}/data"
              wal-dir = "{folder}/wal"
            [monitor]
              store-enabled = false
            [http]
              bind-address = "127.0.0.1:{self.port}"
            """,
            encoding="utf-8",
        )

    def command(self) -> list[str]:
        return ["influxd", "run", "-config", str(self._configuration)]

    def create(self, database: str) -> None:
        request = urllib.request.Request(  # noqa: S310 - our own loopback
            f"{self.url}/query", data=urllib.parse.urlencode({"q": f'CREATE DATABASE "{database}"'}).encode()
        )
        urllib.request.urlopen(request, timeout=DEADLINE_S).close()  # noqa: S310 - our own loopback

    def query(self, database: str, text: str) -> list[dict[str, object]]:
        """One mapping a row, the tags of its series included; times in milliseconds."""
        answer = json.loads(ask(f"{self.url}/query", db=database, q=text, epoch="ms"))
        return [
            series.get("tags", {}) | dict(zip(series["columns"], values, strict=True))
            for result in answer["results"]
            for series in result.get("series", [])
            for values in series["values"]
        ]


class VictoriaMetrics(_Daemon):
    """victoria-metrics of its own: takes `/api/v2/write` itself, drops lines it cannot read, and says 204.

    Killed the hard way it forgets what it said 204 to in its last seconds.
    """

    ready = "started VictoriaMetrics in"

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._folder = folder

    def command(self) -> list[str]:
        return [
            "victoria-metrics",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self._folder}/data",
            "-retentionPeriod=100y",
            "-memory.allowedPercent=5",
        ]

    def exported(self) -> list[dict[str, object]]:
        """Every series it holds: `metric`, `values`, `timestamps`."""
        ask(f"{self.url}/internal/force_flush")
        text = ask(f"{self.url}/api/v1/export", **{"match[]": '{__name__!=""}', "start": "0"})
        return [json.loads(line) for line in text.splitlines()]


@dataclass(frozen=True, slots=True)
class Said:
    """What a stub server answers."""

    status: int
    body: bytes = b""
    headers: tuple[tuple[str, str], ...] = ()


class StubHttp:
    """An HTTP server that answers each POST as `answer(path, headers, body)` says, and remembers the bodies.

    None for an answer: it takes the request and says nothing until it is closed.
    """

    def __init__(self, answer: Callable[[str, Mapping[str, str], bytes], Said | None]) -> None:
        stub = self
        self.bodies: list[bytes] = []
        self.paths: list[str] = []
        self._closed = threading.Event()

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                stub.bodies.append(body)
                stub.paths.append(self.path)
                said = answer(self.path, dict(self.headers), body)
                if said is None:
                    stub._closed.wait(DEADLINE_S)
                    self.close_connection = True
                    return
                self.send_response(said.status)
                for name, value in said.headers:
                    self.send_header(name, value)
                if said.status != http.HTTPStatus.NO_CONTENT:
                    self.send_header("Content-Length", str(len(said.body)))
                self.end_headers()
                self.wfile.write(said.body)

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port: int = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._closed.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(DEADLINE_S)


class InfluxShim(StubHttp):
    """`/api/v2/write` in front of an influxd of version 1: bucket becomes database; everything else is its own."""

    def __init__(self, influxd: Influxd, token: str) -> None:
        def forward(path: str, headers: Mapping[str, str], body: bytes) -> Said:
            address = urllib.parse.urlsplit(path)
            asked = dict(urllib.parse.parse_qsl(address.query))
            if address.path != "/api/v2/write":
                return Said(http.HTTPStatus.NOT_FOUND)
            if headers.get("Authorization") != f"Token {token}":
                return Said(http.HTTPStatus.UNAUTHORIZED, b'{"code":"unauthorized","message":"unauthorized access"}')
            old = urllib.parse.urlencode({"db": asked["bucket"], "precision": asked["precision"]})
            request = urllib.request.Request(f"{influxd.url}/write?{old}", data=body)  # noqa: S310 - our own loopback
            try:
                with urllib.request.urlopen(request, timeout=DEADLINE_S) as answer:  # noqa: S310 - our own loopback
                    return Said(answer.status)
            except urllib.error.HTTPError as refusal:
                message = json.loads(refusal.read()).get("error", "")
                told = json.dumps({"code": "invalid", "message": message}).encode()
                return Said(refusal.code, told, (("Content-Type", "application/json"),))
            except OSError:
                return Said(http.HTTPStatus.SERVICE_UNAVAILABLE)

        super().__init__(forward)
