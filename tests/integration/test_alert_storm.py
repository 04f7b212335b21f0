"""Alerts when it matters most: a thousand at once, and beside channels that hang, drip and fail."""

import json
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from fillguard.app.speech import Speech
from fillguard.core.events import AlarmChanged, Tick
from fillguard.core.figures import UnitChoice
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.writer import SqliteLedgerWriter
from fillguard.outlets.apprise import senders
from fillguard.outlets.delivery import Delivery
from fillguard.outlets.notifying import Notifier
from fillguard.ports import Route, StepRecord
from fillguard.settings import load_settings
from tests.delivery_fakes import notice
from tests.fakes import FakeClock
from tests.ledger_facts import OWNER, T0
from tests.notice_servers import PATIENCE_S, BlackHole, JsonInbox, SlowDrip
from tests.panel import real_rules
from tests.servers import Mosquitto, Peer
from tests.stations import Process, said_on, until, write_station

pytestmark = pytest.mark.servers

ALARM = "fillguard/tern/alarm"
FIRST_TEN, GRAVE = 10, 20


def test_a_thousand_alarms_at_once_are_thirty_one_messages_with_priority_1_first(tmp_path: Path) -> None:
    clock, path = FakeClock(utc_s=T0), tmp_path / "ledger.sqlite3"
    speech = Speech(settings=load_settings(None, {}), rules=real_rules(), units=UnitChoice(), drill=False)
    notifier = Notifier(lambda: (Route(channel="hook"),), speech, station="tern", zone=ZoneInfo("UTC"))
    writer = SqliteLedgerWriter(path, OWNER, clock)
    with JsonInbox() as hook:
        config = tmp_path / "config"
        config.mkdir()
        (config / "station.toml").write_text(
            '[station]\nid = "tern"\nname = "Tern Harbour"\nhot_allowance_bar = 0\n'
            '[[whip]]\nid = "1"\nmax_working_bar = 350\nlowest_rating_bar = 200\n'
            f'[[channel]]\nname = "hook"\nurl = "json://127.0.0.1:{hook.port}/"\n',
            encoding="utf-8",
        )
        delivery = Delivery(
            senders(load_settings(config, {}).channels),
            open_source=partial(SqliteLedgerReader, path),
            writer=writer,
            clock=clock,
            on_health=lambda *_: None,
        )
        writer.subscribe(delivery.owed)
        for number in range(1000):
            grave = number % 50 == 49
            change = notice(f"tern-{number}/{'overfill' if grave else 'too-fast'}/1", priority=1 if grave else 2).change
            assert isinstance(change, AlarmChanged)
            cause, facts = Tick(stamp=clock.now()), (replace(change, stamp=clock.now(), raised_utc_s=clock.utc_s),)
            writer.put(StepRecord(cause=cause, facts=facts, owed=notifier.notices(cause, facts)))
        later = Tick(stamp=clock.advance(6.0))
        writer.put(StepRecord(cause=later, facts=(), owed=notifier.notices(later, ())))
        writer.start()
        until(lambda: owed(path) == FIRST_TEN + GRAVE + 1, "all is on the worklist")
        delivery.start()
        titles = [hook.next_post()["title"] for _ in range(FIRST_TEN + GRAVE + 1)]
        assert delivery.stop(PATIENCE_S) == []
        assert writer.stop(PATIENCE_S) == 0
    assert [title.startswith("STOP") for title in titles[:GRAVE]] == [True] * GRAVE
    assert sorted(titles[GRAVE:])[:1] == ["ACT - station: many alarms at once, look at the board"]
    assert owed(path) == 0


def owed(path: Path) -> int:
    with SqliteLedgerReader(path) as reader:
        return len(reader.due_notices("hook", T0 + 1e6, 5000))


def test_while_channels_hang_drip_and_fail_every_alarm_is_at_the_broker_and_at_the_good_channel(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    with ExitStack() as stack:
        broker, hook = stack.enter_context(Mosquitto(tmp_path / "broker")), stack.enter_context(JsonInbox())
        hole, drip = stack.enter_context(BlackHole()), stack.enter_context(SlowDrip())
        failing = stack.enter_context(JsonInbox([500] * 1000))
        ports = {"hole": hole.port, "drip": drip.port, "failing": failing.port, "hook": hook.port}
        channels = {name: f'url = "json://127.0.0.1:{port}/"\ndeadline_s = 45' for name, port in ports.items()}
        config = write_station(tmp_path / "config", broker.port, channels=channels)
        board = stack.enter_context(Peer(broker.port))
        board.subscribe("fillguard/#")
        daemon = stack.enter_context(Process(tmp_path / "log", "run", "--config", config))
        board.wait_for(lambda _: any(said["state"] == "online" for said in said_on(board, "fillguard/tern/status")))
        for number, bar in enumerate((360.0, 300.0) * 10, start=1):
            board.publish("fill/tern/2/pressure", json.dumps({"value": bar, "unit": "bar"}))
            board.wait_for(lambda _, n=number: len(changes(board)) == n)  # type: ignore[misc]
            if number == 1:
                hole.wait_for_connection()  # from here on it hangs, until the end
        raised = [hook.next_post() for _ in range(20)]
        told = [post["title"] for post in raised if "hose above its maximum" in post["title"]]
        assert len(told) >= 19, "at most one other: that a channel fails"
        assert daemon.ask_to_stop() == 0
        with SqliteLedgerReader(config / "ledger.db") as reader:
            assert len(reader.due_notices("hole", 2e9, 100)) >= 20, "what could not be told stays owed"


def changes(board: Peer) -> list[str]:
    return [said["state"] for said in said_on(board, ALARM) if said["alarm"] == "whip-over-rating"]
