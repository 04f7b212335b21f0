"""Whoever started us and waits for a word: systemd's notification protocol (sd_notify), over its datagram socket."""

import socket
from collections.abc import Mapping

READY, STOPPING, WATCHDOG = "READY=1", "STOPPING=1", "WATCHDOG=1"

_A_YEAR_US = 365 * 86_400 * 1_000_000


class Supervisor:
    """Tells what `$NOTIFY_SOCKET` names; nobody where it names nothing. Never raises, never waits."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._socket: socket.socket | None = None
        if address.startswith(("/", "@")):
            self._address = "\0" + address[1:] if address.startswith("@") else address
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.settimeout(0.0)  # never waits

    def say(self, word: str, status: str | None = None) -> None:
        """One word, and a line for `systemctl status`. What finds no room is not said: the next one will be."""
        if self._socket is None:
            return
        lines = [word, *([f"STATUS={' '.join(status.split())}"] if status else [])]
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:
            return  # it is gone or full; nothing of the watch depends on it

    def feed(self) -> None:
        """Still well: to be called for proof of it only."""
        self.say(WATCHDOG)

    def stand_down(self) -> None:
        """Another fillguard has taken over: be left alone. Started again, this one would take it back, and so on."""
        self.say(f"WATCHDOG_USEC={_A_YEAR_US}", "another fillguard watches this station; this one stays away")

    def close(self) -> None:
        """Say no more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
