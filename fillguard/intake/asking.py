"""A command to a running watch, and its answer: nobody who acts on an alarm is left to guess whether it was done."""

import json
import uuid
from collections.abc import Mapping
from queue import Empty, Queue
from threading import Event
from types import TracebackType
from typing import Self

from paho.mqtt import MQTTException
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from fillguard.core.errors import NotDoneError
from fillguard.intake.sending import tls_of, unusable
from fillguard.settings import BrokerSettings

_KEEPALIVE_S = 10


def ask(broker: BrokerSettings, station: str, payload: bytes, command_id: str, *, wait_s: float) -> str | None:
    """Give the watch a command and wait for its answer: None when it was done, else in words why it was not.

    Raises:
        DeviceError: the broker cannot be used.
        NotDoneError: the watch has not answered within `wait_s` real seconds.
    """
    with _Line(broker, station, wait_s) as line:
        answer = line.answer(payload, command_id)
    return None if answer.get("done") is True else str(answer.get("refused") or "refused, without a reason")


class _Line:
    """A connection of one command's own, that hears the answers of the station."""

    def __init__(self, broker: BrokerSettings, station: str, wait_s: float) -> None:
        self._broker, self._station, self._wait_s = broker, station, wait_s
        self._answers: Queue[Mapping[str, object]] = Queue()
        self._listening = Event()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=f"{broker.client_id}-{uuid.uuid4().hex[:8]}")
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def __enter__(self) -> Self:
        broker, client = self._broker, self._client
        try:
            if broker.user is not None:
                client.username_pw_set(broker.user, broker.password.get_secret_value() if broker.password else "")
            context = tls_of(broker)
            if context is not None:
                client.tls_set_context(context)
            client.connect(broker.host, broker.port, keepalive=_KEEPALIVE_S)
        except (OSError, ValueError, MQTTException) as error:
            raise unusable(broker, str(error)) from error
        client.loop_start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def answer(self, payload: bytes, command_id: str) -> Mapping[str, object]:
        """What the station says to the command, once it says it."""
        if not self._listening.wait(self._wait_s):
            raise unusable(self._broker, "it does not let us listen for the answer")
        self._client.publish(f"fillguard/{self._station}/command", payload, qos=1)
        try:
            while (said := self._answers.get(timeout=self._wait_s)).get("id") != command_id:
                pass
        except Empty:
            raise NotDoneError(
                f"the watch of {self._station} has not answered within {self._wait_s:g} s: is it running, and on this "
                "broker? The command may still be taken when it is back: look at what stands before you say it again"
            ) from None
        return said

    def _on_connect(self, *_: object) -> None:
        self._client.subscribe(f"fillguard/{self._station}/answer", qos=1)

    def _on_subscribe(self, *_: object) -> None:
        self._listening.set()

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            said = json.loads(message.payload)
        except (ValueError, RecursionError):
            return  # nothing of ours
        if isinstance(said, dict):
            self._answers.put(said)
