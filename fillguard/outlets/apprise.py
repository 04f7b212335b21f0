"""Channels through Apprise: one service each, its own deadline, no secret in any text.

Apprise's own time limit (`notify(timeout=...)`) is not used: with it every call runs in ONE pool of threads for the
whole process. Measured on two cores: six hanging calls leave no thread for any other channel, and the process does not
end before they do. Without it a call runs in the thread that makes it, here a daemon thread of the channel.
"""

import difflib
import logging
import re
from collections.abc import Iterable, Mapping
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING
from urllib.parse import unquote

from pydantic import SecretStr

from fillguard.core.errors import ConfigurationError
from fillguard.outlets.delivery import DELIVERED, FAILED, UNKNOWN, Message, SendResult
from fillguard.settings import ChannelSettings, ConfigurationProblems, Problem

if TYPE_CHECKING:
    from apprise import Apprise

_HANGING_AT_MOST = 4
"""Tries of one channel that may hang at the same time; with more no new one is made."""
_LONGER_THAN_DEADLINE_S = 5.0
_SHORTEST_SECRET = 4
_DETAIL_AT_MOST = 200
_URGENCY = {1: "failure", 2: "warning", 3: "info"}
_KINDS = {"return": "success", "test": "info", "list": "info"}


class AppriseSender:
    """A `Sender` for one Apprise address."""

    def __init__(self, channel: str, url: SecretStr, deadline_s: float) -> None:
        """Make the service ready.

        Raises:
            ConfigurationError: Apprise cannot use the address; the text does not show it.
        """
        self._channel, self._deadline_s = channel, deadline_s
        self._secrets = _secrets(url.get_secret_value())
        self._apprise = _service(url.get_secret_value(), deadline_s)
        self._lock = Lock()
        self._hanging = 0

    def send(self, message: Message) -> SendResult:
        """Send once; `unknown` when there is no answer within the deadline. Never raises."""
        with self._lock:
            if self._hanging >= _HANGING_AT_MOST:
                return SendResult(result=FAILED, detail=f"not tried: {self._hanging} earlier tries still hang")
            self._hanging += 1
        results: list[SendResult] = []
        done = Event()

        def call() -> None:
            try:
                results.append(self._notify(message))
            except Exception as problem:  # noqa: BLE001 - recorded as a failed try; its text may hold the address
                results.append(SendResult(result=FAILED, detail=f"Apprise raised {type(problem).__name__}"))
            finally:
                with self._lock:
                    self._hanging -= 1
                done.set()

        Thread(target=call, name=f"apprise-{self._channel}", daemon=True).start()
        if not done.wait(self._deadline_s):
            return SendResult(result=UNKNOWN, detail=f"no answer within {self._deadline_s:g} s: it may have arrived")
        return results[0]

    def _notify(self, message: Message) -> SendResult:
        kind = _KINDS.get(message.kind) or _URGENCY.get(message.priority, "info")
        answer = self._apprise.notify(
            body=message.body, title=message.title, notify_type=kind, body_format="text", interpret_escapes=False
        )
        if answer:
            return SendResult(result=DELIVERED)
        said = "; ".join(entry.message for entry in answer.logs())
        return SendResult(result=FAILED, detail=self._hidden(said)[:_DETAIL_AT_MOST] or "Apprise did not say why")

    def _hidden(self, text: str) -> str:
        """`text` without anything that stands in the address."""
        for secret in self._secrets:
            text = re.sub(re.escape(secret), "***", text, flags=re.IGNORECASE)
        return text


def senders(channels: Iterable[ChannelSettings]) -> Mapping[str, AppriseSender]:
    """A sender for each channel.

    Raises:
        ConfigurationProblems: with every channel whose address Apprise cannot use.
    """
    made: dict[str, AppriseSender] = {}
    problems: list[Problem] = []
    for channel in channels:
        try:
            made[channel.name] = AppriseSender(channel.name, channel.url, channel.deadline_s)
        except ConfigurationError as error:
            key = f'[[channel]] "{channel.name}" url'
            problems.append(Problem(file="station.toml", key=key, value=None, text=str(error)))
    if problems:
        raise ConfigurationProblems(problems)
    return made


def _service(url: str, deadline_s: float) -> "Apprise":
    """An Apprise object with the one service of `url`. Raises ConfigurationError, without showing `url`."""
    import apprise  # noqa: PLC0415 - 37 MB and half a second that a station without channels does not pay

    # Its warnings carry addresses; ours carry them hidden.
    logging.getLogger("apprise").propagate = False
    asset = apprise.AppriseAsset(
        async_mode=False,
        service_timeout=0,  # see the top of this module
        storage_mode="memory",
        interpret_emojis=False,
        app_id="fillguard",
        app_desc="fillguard",
        app_url="",
    )
    service = apprise.Apprise.instantiate(url, asset=asset)
    if service is None:
        raise ConfigurationError(_refusal(url))
    # One worker sends one message at a time, and an alarm must not wait for the one before it (5.5 s between e-mails).
    service.request_rate_per_sec = 0
    # A server that does not answer must run into our deadline: the try is unknown then, not failed, as it may have
    # arrived.
    service.socket_connect_timeout = service.socket_read_timeout = deadline_s + _LONGER_THAN_DEADLINE_S
    only = apprise.Apprise(asset=asset)
    only.add(service)
    return only


def _refusal(url: str) -> str:
    from apprise.manager_plugins import NotificationManager  # noqa: PLC0415 - see _service

    scheme = url.partition("://")[0].lower()
    known = sorted(NotificationManager().schemas())  # type: ignore[no-untyped-call]
    if scheme in known:
        return f"Apprise cannot use this {scheme}:// address: a part of it is missing or wrong"
    near = difflib.get_close_matches(scheme, known, n=1)
    hint = f"; did you mean {near[0]}://?" if near else ""
    return f"Apprise knows no service for this kind of address{hint}"


def _secrets(url: str) -> list[str]:
    """The parts of an address that must not show, longest first; any of them may be a token."""
    parts = {part for text in (url, unquote(url)) for part in re.split(r"[/:@?&=,\s]+", text)[1:]}
    return sorted((part for part in parts if len(part) >= _SHORTEST_SECRET), key=len, reverse=True)
