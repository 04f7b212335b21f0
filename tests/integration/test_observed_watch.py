"""A real daemon looked at over HTTP by real clients: alive, ready, its numbers, and a link that acknowledges."""

import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from fillguard.cli.exits import Exit
from tests.notice_servers import JsonInbox
from tests.servers import Mosquitto, Peer, free_port
from tests.stations import OVER_AT_S, Drill, Process, overfill, said_on, until, write_station

pytestmark = pytest.mark.servers
SECRET = "0123456789abcdef0123456789abcdef"  # noqa: S105 - of a station that ends with the test


def http(port: int, path: str, form: dict[str, str] | None = None) -> tuple[int, str]:
    """Status and text; 0 while nobody listens."""
    data = None if form is None else urllib.parse.urlencode(form).encode()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", data=data, timeout=30.0) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as refused:
        return refused.code, refused.read().decode()
    except urllib.error.URLError:
        return 0, ""


@dataclass
class Watch:
    """A running watch with an overfilled cylinder on whip 1."""

    port: int
    config: Path
    daemon: Process
    board: Peer
    inbox: JsonInbox
    link: str

    def number(self, name: str) -> float:
        match = re.search(rf"^{re.escape(name)} (\S+)$", http(self.port, "/metrics")[1], re.MULTILINE)
        return float(match[1]) if match else float("nan")

    def states(self) -> list[str]:
        return [said["state"] for said in said_on(self.board, "fillguard/tern/alarm") if said["alarm"] == "overfill"]


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watch]:
    folder, port = tmp_path_factory.mktemp("station"), free_port()
    (folder / "broker").mkdir()
    with Mosquitto(folder / "broker") as broker, JsonInbox() as inbox, Peer(broker.port) as board:
        config = write_station(
            folder / "config",
            broker.port,
            channels={"phone": f'url = "json://127.0.0.1:{inbox.port}"\npriorities = [1]'},
            more=f'[http]\nport = {port}\nbase_url = "http://127.0.0.1:{port}"\nlink_secret_env = "LINK_SECRET"\n',
        )
        board.subscribe("fillguard/#")
        drill = Drill()
        arguments = ("run", "--config", config, "--drill")
        with (
            Process(folder / "log", *arguments, LINK_SECRET=SECRET, **drill.environ) as daemon,
            Peer(broker.port) as sensors,
        ):
            until(lambda: http(port, "/healthz")[0] == 200, "it answers")
            drill.play(sensors, [message for message in overfill() if message.t_s <= OVER_AT_S])
            post = inbox.next_post()
            link = re.search(r"Acknowledge: (\S+)", post["message"])
            assert link is not None, post
            yield Watch(port, config, daemon, board, inbox, link[1].removeprefix(f"http://127.0.0.1:{port}"))
            assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
            assert SECRET not in daemon.said
    assert http(port, "/healthz") == (0, ""), "it listens no more"


def test_it_is_alive_and_says_what_it_counts(watch: Watch) -> None:
    assert http(watch.port, "/healthz") == (200, "alive\n")
    assert watch.number('fillguard_readings_total{whip="1",quantity="pressure",quality="good"}') > 50
    assert watch.number('fillguard_alarms_raised_total{alarm="overfill",priority="1"}') == 1
    assert watch.number("fillguard_open_fills") == 1
    assert watch.number("fillguard_step_seconds_count") > 100
    until(lambda: watch.number("fillguard_canary_returned_total") > 1, "it hears itself")
    until(
        lambda: watch.number('fillguard_notices_total{channel="phone",result="delivered"}') >= 1,
        "the notice is counted",
    )


def test_ready_names_each_part(watch: Watch) -> None:
    until(lambda: "ok: the watch hears itself" in http(watch.port, "/readyz")[1], "it hears itself")
    text = http(watch.port, "/readyz")[1]
    assert "ok: broker connected and subscribed\n" in text
    assert "ok: the ledger takes rows\n" in text
    assert "the newest reading is " in text


def test_looking_at_a_link_acknowledges_nothing_and_its_button_does(watch: Watch) -> None:
    status, page = http(watch.port, watch.link)
    assert status == 200
    assert "Acknowledge this alarm?" in page
    assert watch.states() == ["unacknowledged"]
    form = dict(urllib.parse.parse_qsl(urllib.parse.urlsplit(watch.link).query))
    assert http(watch.port, "/ack", {**form, "o": "tern-1/wall-hot/1"})[0] == 403
    status, page = http(watch.port, "/ack", form)
    assert (status, "<h1>Acknowledged</h1>" in page) == (200, True)
    watch.board.wait_for(lambda _: watch.states()[-1] == "acknowledged")
    said = [s for s in said_on(watch.board, "fillguard/tern/alarm") if s["alarm"] == "overfill"]
    assert said[-1]["by"] == "link:phone"
    assert http(watch.port, "/ack", form)[0] == 409, "once is enough"


def test_an_address_that_is_taken_is_an_alarm_and_the_watch_goes_on(watch: Watch, tmp_path: Path) -> None:
    config = write_station(tmp_path / "config", 1, more=f"[http]\nport = {watch.port}\n")
    with Process(tmp_path / "log", "run", "--config", config) as daemon:
        until(lambda: "channel:http fails: [http] 127.0.0.1 port" in daemon.said, "it says so")
        assert daemon.ask_to_stop(within_s=10.0) == Exit.OK
