"""What the clock on the wall sends: the daily test and the weekly list, from a real watch, once."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from fillguard.app.cylinders import Cylinders
from fillguard.clock import SystemClock
from fillguard.core.hours import DAYS
from fillguard.ledger.reader import SqliteLedgerReader
from tests.notice_servers import JsonInbox
from tests.servers import Mosquitto, Peer
from tests.stations import Process, said_on, until, write_station

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.servers


def tried(config: Path) -> list[tuple[str, str]]:
    """Kind and result of each try on record."""
    with SqliteLedgerReader(config / "ledger.db") as reader:
        bodies = [row.body for row in reader.iter_record("attempt")]
    return [(str(body["kind"]), str(body["result"])) for body in bodies if body["phase"] == "ended"]


def test_the_daily_test_and_the_weekly_list_come_once_and_are_on_record(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    a_minute_ago = datetime.fromtimestamp(SystemClock().now().utc_s - 60.0, UTC)
    day = next(name for name, number in DAYS.items() if number == a_minute_ago.weekday())
    with Mosquitto(tmp_path / "broker") as broker, JsonInbox() as hook, Peer(broker.port) as board:
        lines = (
            f'url = "json://127.0.0.1:{hook.port}/"\ntest_at = "{a_minute_ago:%H:%M}"\n'
            f'due_list_at = "{day} {a_minute_ago:%H:%M}"\ndue_within_days = 400'
        )
        config = write_station(tmp_path / "config", broker.port, channels={"duty-phone": lines})
        register = ROOT / "config" / "cylinders.csv"
        Cylinders(config, {}).import_file(register, by="op-1", why="first entry", progress=lambda *_: None)
        board.subscribe("fillguard/tern/status")
        for _ in range(2):
            with Process(tmp_path / "log", "run", "--config", config) as daemon:
                until(lambda: len(tried(config)) == 2, "both were tried and recorded")
                board.wait_for(lambda _: said_on(board, "fillguard/tern/status")[-1]["state"] == "online")
                assert daemon.ask_to_stop() == 0
        due, test = sorted(hook.next_post()["title"].partition(" (due at")[0] for _ in range(2))
    assert due.startswith("Due - Tern Harbour: ")
    assert test == "Test - Tern Harbour: this channel works"
    assert sorted(tried(config)) == [("list", "delivered"), ("test", "delivered")], "and not again after the restart"
