"""The daemon killed the hard way again and again, while sensors speak and alarms come and go."""

import random
import threading
from pathlib import Path

import pytest

from fillguard.ledger.chain import Finding, verify
from tests.stations import Process
from tests.trials import (
    Posts,
    ShippedBroker,
    Shower,
    tally,
    trial_station,
    wait_for_readings,
    wait_for_record,
    wait_until_watching,
)

pytestmark = pytest.mark.servers

SEED = 20261125
RATE = 500.0
WHIPS = tuple("12345678")
"""Of a kill: at random, from the first import to a watch in full run."""
SOONEST_S, LATEST_S = 0.3, 3.0
CATCHES_UP_EVERY = 10
"""Kills: on a slow machine it would never come to anything, and the broker's queue would overflow."""


@pytest.mark.parametrize(
    "kills", [pytest.param(10, id="ten times"), pytest.param(200, id="two hundred times", marks=pytest.mark.long)]
)
def test_killed_at_random_no_reading_and_no_notice_is_lost_or_doubled(tmp_path: Path, kills: int) -> None:
    moments, never = random.Random(SEED), threading.Event()  # noqa: S311 - no secret: the same moments each time
    with ShippedBroker(tmp_path / "broker") as broker, Posts() as posts:
        config = trial_station(
            tmp_path / "config",
            broker,
            channels={"panel": f'url = "{posts.url}"\npriorities = [1, 2, 3]'},
            whips=WHIPS[2:],
        )
        daemon = Process(tmp_path / "log", "run", "--config", config)
        with daemon:
            wait_until_watching(broker)
            with Shower(broker, RATE, whips=WHIPS) as shower:
                for kill in range(1, kills + 1):
                    never.wait(moments.uniform(SOONEST_S, LATEST_S))
                    daemon.kill()
                    daemon.start()
                    if kill % CATCHES_UP_EVERY == 0:
                        wait_for_readings(config / "ledger.db", len(shower.sent))
                wait_for_record(config / "ledger.db", shower.finish())
            assert daemon.ask_to_stop(within_s=20.0) == 0
    told = tally(config / "ledger.db", shower.sent, posts.taken).told()
    assert (told.sent, told.lost, told.doubled) == (told.recorded, 0, 0), told
    assert told.owed > 0, told
    assert (told.notices_lost, told.notices_doubled) == (0, 0), told
    assert told.arrived - told.owed <= told.repeats <= kills, told  # a kill may come before the first copy left
    assert verify(config / "ledger.db").finding is Finding.INTACT
