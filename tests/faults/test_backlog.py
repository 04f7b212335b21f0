"""More waits at the broker than the watch can hold: it is taken in at the pace of the watch, on one connection."""

from pathlib import Path

import pytest

from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import DEADLINE_S
from tests.stations import Process, until
from tests.trials import ShippedBroker, Shower, tally, trial_station, wait_until_watching

pytestmark = pytest.mark.servers

BACKLOG = 30_000
"""Many times what the intake queue holds."""


def test_a_backlog_of_hours_is_taken_in_without_losing_the_connection(tmp_path: Path) -> None:
    with ShippedBroker(tmp_path / "broker") as broker:
        config = trial_station(tmp_path / "config", broker)
        with Process(tmp_path / "log", "run", "--config", config) as daemon:
            wait_until_watching(broker)
            daemon.kill()
            with Shower(broker, 4000.0, value=lambda _whip, _at_s: 0.0) as shower:
                until(lambda: len(shower.sent) >= BACKLOG, "a backlog", 2.0 * DEADLINE_S)
                sent = shower.finish()
            before = len(daemon.said)
            daemon.start()
            with SqliteLedgerReader(config / "ledger.db") as reader:
                until(lambda: reader.newest_row("reading") >= sent, "all of it on record", 6.0 * DEADLINE_S)
            said = daemon.said[before:]
            assert daemon.ask_to_stop(within_s=20.0) == 0
    told = tally(config / "ledger.db", shower.sent)
    told.more = {"connections": said.count("broker up"), "lost": said.count("broker down")}
    told.told()
    assert (told.sent, told.lost, told.doubled) == (told.recorded, 0, 0), told
    assert told.more == {"connections": 1, "lost": 0}, said
