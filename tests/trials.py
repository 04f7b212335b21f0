"""What trials by fault share: the broker as we ship it, sensors that never tire, an inbox, a tally of both ends."""

import json
import shutil
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from fillguard.clock import SystemClock, monotonic_s
from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import DEADLINE_S, Mosquitto, Peer, free_port
from tests.stations import until, write_station

SHIPPED = Path(__file__).resolve().parents[1] / "deploy" / "mosquitto"
ROLES = ("fillguard", "tern-sensors", "tern-board")


class ShippedBroker(Mosquitto):
    """Mosquitto with our two files, included by a main file that sets what Debian's sets; `port` is the listener's."""

    def __init__(self, folder: Path, address: str = "127.0.0.1") -> None:
        folder.mkdir(exist_ok=True)
        shutil.copy(SHIPPED / "fillguard.acl", folder)
        passwords = folder / "fillguard.passwd"
        for role in ROLES:
            create = [] if passwords.exists() else ["-c"]
            subprocess.run(["mosquitto_passwd", "-b", *create, passwords, role, f"secret of {role}"], check=True)
        port = free_port()
        text = (SHIPPED / "fillguard.conf").read_text(encoding="utf-8")
        text = text.replace("/etc/mosquitto/", f"{folder}/").replace(
            "listener 1883 127.0.0.1", f"listener {port} {address}"
        )
        (folder / "conf.d").mkdir()
        (folder / "conf.d" / "fillguard.conf").write_text(text, encoding="utf-8")
        super().__init__(folder, lines=(f"include_dir {folder / 'conf.d'}",))
        self.port, self.folder = port, folder

    def forget(self) -> None:
        """Take away what it kept on disk; it is not running."""
        (self.folder / "mosquitto.db").unlink(missing_ok=True)


def trial_station(
    folder: Path,
    broker: ShippedBroker,
    *,
    address: str = "127.0.0.1",
    channels: Mapping[str, str] | None = None,
    whips: Sequence[str] = (),
    ledger: Path | None = None,
) -> Path:
    """A station that speaks to the shipped broker under its own name. `whips`: more than `1` and `2`."""
    more = "\n".join(f'[[whip]]\nid = "{whip}"\nmax_working_bar = 350\nlowest_rating_bar = 200' for whip in whips)
    config = write_station(folder, broker.port, channels=channels, more=more)
    (config / "broker.password").write_text("secret of fillguard\n", encoding="utf-8")
    station = config / "station.toml"
    text = station.read_text(encoding="utf-8")
    text = text.replace(
        f"port = {broker.port}", f'port = {broker.port}\nuser = "fillguard"\npassword_file = "broker.password"', 1
    ).replace('host = "127.0.0.1"', f'host = "{address}"', 1)
    if ledger is not None:
        text = text.replace('path = "ledger.db"', f'path = "{ledger}"', 1)
    station.write_text(text, encoding="utf-8")
    return config


Value = Callable[[str, float], float]
"""What the gauge of a whip reads after so many seconds, bar."""


def rest_and_alarm(whip: str, at_s: float) -> float:
    """Whip `2` leaps over the hose's maximum once in three seconds, the others are at rest."""
    return 360.0 if whip == "2" and at_s % 3.0 < 1.0 else 0.0


class Shower:
    """Gateways that publish readings at a pace, QoS 1, numbered, over one connection that comes back by itself."""

    def __init__(
        self, broker: ShippedBroker, rate: float, *, whips: Sequence[str] = ("1", "2"), value: Value = rest_and_alarm
    ) -> None:
        self._rate, self._whips, self._value = rate, whips, value
        self.sent: list[tuple[str, int]] = []
        """Whip and number of every reading that was handed over, in order. A gateway numbers its own."""
        self._confirmed = threading.Condition()
        self._open = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "gateways", clean_session=False)
        self._client.username_pw_set("tern-sensors", "secret of tern-sensors")
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._on_publish
        self._client.connect("127.0.0.1", broker.port)

    def __enter__(self) -> Self:
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def finish(self) -> int:
        """Stop, and return how many were sent once the broker has acknowledged them all."""
        self._stop.set()
        self._thread.join()
        with self._confirmed:
            assert self._confirmed.wait_for(lambda: self._open == 0, 2.0 * DEADLINE_S), f"{self._open} unconfirmed"
        return len(self.sent)

    def _on_publish(self, *_: object) -> None:
        with self._confirmed:
            self._open -= 1
            self._confirmed.notify_all()

    def _run(self) -> None:
        began_s, began_utc_s = monotonic_s(), SystemClock().now().utc_s
        while not self._stop.is_set():
            passed_s = monotonic_s() - began_s
            for number in range(len(self.sent), int(passed_s * self._rate)):
                turn, place = divmod(number, len(self._whips))
                whip = self._whips[place]
                content = {
                    "value": self._value(whip, number / self._rate),
                    "unit": "bar",
                    "seq": turn,
                    "boot": "trial",
                    "time": round(began_utc_s + number / self._rate, 3),
                }
                with self._confirmed:
                    self._open += 1
                self.sent.append((whip, turn))
                self._client.publish(f"fill/tern/{whip}/pressure", json.dumps(content), qos=1)
            self._stop.wait(0.002)


class Posts:
    """An HTTP server that takes JSON and keeps every post, in order."""

    def __init__(self) -> None:
        posts = self
        self.taken: list[tuple[str, str]] = []
        """Title and text."""

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                posts.taken.append((said["title"], said["message"]))  # before the answer: it has arrived
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"json://127.0.0.1:{self._server.server_port}"

    def __enter__(self) -> Self:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._server.shutdown()
        self._server.server_close()


@dataclass(slots=True)
class Tally:
    """Readings and notices, counted at both ends."""

    sent: int = 0
    recorded: int = 0
    doubled: int = 0
    lost: int = 0
    alarms: int = 0
    owed: int = 0
    arrived: int = 0
    notices_lost: int = 0
    notices_doubled: int = 0
    repeats: int = 0
    more: dict[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        told = f"readings sent {self.sent}, recorded {self.recorded}, doubled {self.doubled}, lost {self.lost}; "
        told += (
            f"alarms {self.alarms}; notices owed {self.owed}, arrived {self.arrived}, doubled {self.notices_doubled}, "
        )
        told += f"lost {self.notices_lost}, marked repeats {self.repeats}"
        return told + "".join(f"; {name} {value}" for name, value in self.more.items())

    def told(self) -> Self:
        """Print it for whoever runs the trial."""
        sys.stdout.write(f"\n{self}\n")
        return self


def wait_until_watching(broker: ShippedBroker) -> None:
    """Return once the daemon says that it is there: from then on the broker keeps for it what comes."""
    with Peer(broker.port, user="tern-board") as board:
        board.subscribe("fillguard/tern/status")
        board.wait_for(lambda came: any(json.loads(message.payload)["state"] == "online" for message in came))


def wait_for_readings(ledger: Path, count: int) -> None:
    """Return once so many readings are on record."""
    with SqliteLedgerReader(ledger) as reader:
        until(lambda: reader.newest_row("reading") >= count, f"{count} readings on record", 6.0 * DEADLINE_S)


def wait_for_record(ledger: Path, count: int) -> None:
    """Return once so many readings are on record and nothing is owed any more."""
    wait_for_readings(ledger, count)
    with SqliteLedgerReader(ledger) as reader:
        until(lambda: not owed_still(reader), "every notice delivered", 4.0 * DEADLINE_S)


def owed_still(reader: SqliteLedgerReader) -> int:
    """Notices that have not been delivered."""
    delivered = {row.body["notice"] for row in reader.iter_record("attempt") if row.body["result"] == "delivered"}
    return sum(row.row not in delivered for row in reader.iter_record("notice"))


def tally(ledger: Path, sent: Sequence[tuple[str, int]], posts: Sequence[tuple[str, str]] = ()) -> Tally:
    """Hold what was sent and what arrived against the record."""
    with SqliteLedgerReader(ledger) as reader:
        recorded = Counter(
            (str(whip), int(seq))
            for whip, seq in reader._connection.execute(
                "SELECT source.whip, reading.seq FROM reading JOIN source ON source.id = reading.source"
            )
        )
        owed, unsettled = sum(1 for _ in reader.iter_record("notice")), owed_still(reader)
        alarms = sum(1 for _ in reader.iter_alarms())
    arrived = Counter(posts)
    return Tally(
        sent=len(sent),
        recorded=sum(recorded.values()),
        doubled=sum(count - 1 for count in recorded.values()),
        lost=len(set(sent) - recorded.keys()),
        alarms=alarms,
        owed=owed,
        arrived=len(posts),
        notices_lost=unsettled,
        notices_doubled=sum(count - 1 for count in arrived.values()),
        repeats=sum("Repeat " in text for _, text in posts),
    )
