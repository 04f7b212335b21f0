"""The broker killed, its memory lost, the network cut: what the sensors got rid of arrives, or its loss is told."""

import os
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from fillguard.ledger.reader import SqliteLedgerReader
from tests.stations import Process, until
from tests.trials import Posts, ShippedBroker, Shower, tally, trial_station, wait_for_record, wait_until_watching

pytestmark = pytest.mark.servers

WHIPS = tuple("1234")
IN_FLIGHT = 100
"""`max_inflight_messages` of the shipped file."""


@pytest.mark.parametrize("keeps", [True, False], ids=["with what it kept", "with nothing"])
def test_a_broker_that_is_killed_and_comes_back(tmp_path: Path, keeps: bool) -> None:  # noqa: FBT001 - a case
    """What it confirmed to a sensor may go with it: in flight, or sent before fillguard found it again. It is told."""
    with ShippedBroker(tmp_path / "broker") as broker, Posts() as posts:
        config = trial_station(
            tmp_path / "config", broker, channels={"panel": f'url = "{posts.url}"\npriorities = [1]'}, whips=WHIPS[2:]
        )
        with Process(tmp_path / "log", "run", "--config", config) as daemon:
            wait_until_watching(broker)
            with Shower(broker, 500.0, whips=WHIPS) as shower:
                until(lambda: len(shower.sent) > 1000, "a good second of readings")
                killed_at = len(shower.sent)
                broker.kill()
                if not keeps:
                    broker.forget()
                until(lambda: "broker down" in daemon.said, "it misses its broker")
                broker.start()
                until(lambda: daemon.said.count("broker up") > 1, "it found its broker again")
                found_at = len(shower.sent)
                until(lambda: len(shower.sent) > found_at + 1000, "two more seconds of readings")
                shower.finish()
                with SqliteLedgerReader(config / "ledger.db") as reader:
                    last = [(whip, turn) for whip, turn in shower.sent if whip == "1"][-1]
                    until(lambda: last[1] in {seq for _, seq in numbers(reader)}, "the last reading on record")
            assert daemon.ask_to_stop(within_s=20.0) == 0
            drops = daemon.said.count("alarm=drops state=unacknowledged")
    told = tally(config / "ledger.db", shower.sent, posts.taken)
    told.more = {"possible losses told": drops, "kept": keeps}
    told.told()
    assert told.doubled == 0, told
    assert told.lost <= IN_FLIGHT + found_at - killed_at, told
    assert drops > 0 or told.lost == 0, f"lost without a word: {told}"
    assert (told.notices_lost, told.notices_doubled) == (0, 0), told


def numbers(reader: SqliteLedgerReader) -> list[tuple[str, int]]:
    """Whip and number of every reading on record."""
    return list(
        reader._connection.execute(
            "SELECT source.whip, seq FROM reading JOIN source ON source.id = reading.source WHERE source.whip = '1'"
        )
    )


class Cable:
    """A network of its own for the daemon, joined to this machine by a cable that can be pulled."""

    def __init__(self, number: int) -> None:
        """`number` tells it from those of other runs on this machine."""
        self.name, self._end = f"fg{number}", f"fg{number}e"
        self.here, self._there = (f"10.254.{number % 250}.{end}" for end in (1, 2))

    def lay(self) -> None:
        ip = ["ip", "-n", self.name]
        for line in (
            ["ip", "netns", "add", self.name],
            ["ip", "link", "add", self._end, "type", "veth", "peer", "name", "inside", "netns", self.name],
            ["ip", "addr", "add", f"{self.here}/30", "dev", self._end],
            ["ip", "link", "set", self._end, "up"],
            [*ip, "addr", "add", f"{self._there}/30", "dev", "inside"],
            [*ip, "link", "set", "inside", "up"],
            [*ip, "link", "set", "lo", "up"],
        ):
            subprocess.run(line, check=True, capture_output=True)

    def pull(self) -> None:
        subprocess.run(["ip", "link", "set", self._end, "down"], check=True)

    def plug(self) -> None:
        subprocess.run(["ip", "link", "set", self._end, "up"], check=True)

    def take_away(self) -> None:
        for line in (["ip", "link", "del", self._end], ["ip", "netns", "del", self.name]):
            subprocess.run(line, check=False, capture_output=True)


@contextmanager
def cable() -> Iterator[Cable]:
    laid = Cable(os.getpid())
    try:
        laid.lay()
    except (OSError, subprocess.CalledProcessError) as refused:
        laid.take_away()
        pytest.skip(f"a network of its own needs root and iproute2: {refused}")
    try:
        yield laid
    finally:
        laid.take_away()


@pytest.mark.parametrize(
    "cut_s", [pytest.param(12.0, id="twelve seconds"), pytest.param(60.0, id="a minute", marks=pytest.mark.long)]
)
def test_a_network_that_is_cut_costs_nothing_and_is_told(tmp_path: Path, cut_s: float) -> None:
    with cable() as laid, ShippedBroker(tmp_path / "broker", address="0.0.0.0") as broker:  # noqa: S104 - behind the cable, for seconds
        config = trial_station(tmp_path / "config", broker, address=laid.here, whips=WHIPS[2:])
        daemon = Process(tmp_path / "log", "run", "--config", config)
        daemon.within("ip", "netns", "exec", laid.name)
        with daemon:
            wait_until_watching(broker)
            with Shower(broker, 200.0, whips=WHIPS) as shower:
                until(lambda: len(shower.sent) > 200, "a second of readings")
                laid.pull()
                threading.Event().wait(cut_s)
                said_of_it = daemon.said
                laid.plug()
                until(
                    lambda: "works again" in daemon.said or "broker up" in daemon.said[len(said_of_it) :], "it is back"
                )
                wait_for_record(config / "ledger.db", shower.finish())
            assert daemon.ask_to_stop(within_s=20.0) == 0
    told = tally(config / "ledger.db", shower.sent)
    told.more = {"cut s": cut_s}
    told.told()
    assert (told.sent, told.lost, told.doubled) == (told.recorded, 0, 0), told
    assert "canary fails" in said_of_it or "broker down" in said_of_it, "it knew that it was cut off"
