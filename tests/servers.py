"""Real servers for tests: own processes and folders, free loopback ports, ended by their own handles."""

import asyncio
import getpass
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Sequence
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
    ) -> None:
        self.received: list[mqtt.MQTTMessage] = []
        self._news = threading.Condition()
        self._connected = self._subscribed = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=version)
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
