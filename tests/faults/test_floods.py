"""What nobody should send, and everything at once: the watch goes on, and says what it could not use."""

import json
import random
from pathlib import Path

import pytest

from fillguard.ledger.reader import SqliteLedgerReader
from tests.servers import Peer
from tests.stations import Process, said_on, until
from tests.trials import Posts, ShippedBroker, Tally, owed_still, trial_station, wait_until_watching

pytestmark = pytest.mark.servers

ALARM = "fillguard/tern/alarm"
PRESSURE = "fill/tern/1/pressure"
GOOD = {"value": 0.1, "unit": "bar", "boot": "flood"}
RUBBISH = (
    b"",
    b"\xff\xfe\x00",
    b"NaN",
    b'{"value": NaN, "unit": "bar"}',
    b'{"value": Infinity, "unit": "bar"}',
    b'{"value": 1e400, "unit": "bar"}',
    b'{"value": "12", "unit": "bar"}',
    b'{"value": 12, "unit": "furlong"}',
    b'{"value": 12, "unit": "bar", "time": -1e300}',
    b'{"value": 12, "unit": "bar", "seq": 1e99}',
    b"[" * 50_000,
    b'{"a":' * 20_000 + b"1" + b"}" * 20_000,
    b'{"value": 12, "unit": "' + b"x" * 400_000 + b'"}',
    b'{"value": 12, "value": 13, "unit": "bar", "unit": "psi"}',
    json.dumps({"value": 12, "unit": "\ud800"}).encode(),
    b"12" * 100_000,
)


def test_duplicated_reordered_gapped_and_impossible_payloads_cost_no_good_reading(tmp_path: Path) -> None:
    """Good readings in a random order, some twice, some never, rubbish between them."""
    order = random.Random(20261125)  # noqa: S311 - no secret: the same flood each time
    numbers = [number for number in range(1, 301) if number % 37]
    sent = numbers + order.sample(numbers, 60)
    for place in range(0, len(sent) - 4, 5):  # late ones among the others, as a network reorders
        window = sent[place : place + 5]
        order.shuffle(window)
        sent[place : place + 5] = window
    with ShippedBroker(tmp_path / "broker") as broker:
        config = trial_station(tmp_path / "config", broker)
        with (
            Process(tmp_path / "log", "run", "--config", config) as daemon,
            Peer(broker.port, user="tern-sensors") as sensors,
        ):
            wait_until_watching(broker)
            for place, number in enumerate(sent):
                sensors.publish(PRESSURE, json.dumps(GOOD | {"seq": number}).encode())
                if place % 10 == 0:
                    sensors.publish(PRESSURE, RUBBISH[place // 10 % len(RUBBISH)])
            sensors.publish("fill/tern/2/pressure", b'{"value": 0.2, "unit": "bar", "seq": 1, "boot": "last"}')
            with SqliteLedgerReader(config / "ledger.db") as reader:
                until(lambda: any(row.whip == "2" for row in reader.iter_readings()), "the last reading on record")
            assert daemon.ask_to_stop(within_s=20.0) == 0
            assert "Traceback" not in daemon.said
    with SqliteLedgerReader(config / "ledger.db") as reader:
        rows = reader._connection.execute(
            "SELECT seq, count(*) FROM reading JOIN source ON source.id = reading.source JOIN boot ON boot.id = boot "
            "WHERE boot.name = 'flood' GROUP BY seq"
        ).fetchall()
        refused = [row.body for row in reader.iter_events() if row.body["type"] == "ReadingRejected"]
    found = {seq for seq, _ in rows}
    told = Tally(
        sent=len(numbers),
        recorded=len(found),
        doubled=sum(count - 1 for _, count in rows),
        lost=len(set(numbers) - found),
        more={"sent twice": 60, "kinds of rubbish told": len(refused)},
    ).told()
    assert (told.lost, told.doubled) == (0, 0), told
    assert found == set(numbers)
    assert {str(body["reason"]) for body in refused} >= {"not-json", "not-finite", "too-large"}, refused


def test_a_thousand_alarms_at_once_are_all_told_and_none_twice(tmp_path: Path) -> None:
    whips = [str(number) for number in range(3, 1001)]
    with ShippedBroker(tmp_path / "broker") as broker, Posts() as posts:
        told_of = ", ".join(f'"{number}"' for number in range(1, 101))  # a thousand posts would only take longer
        channels = {"panel": f'url = "{posts.url}"\npriorities = [1]\nwhips = [{told_of}]'}
        config = trial_station(tmp_path / "config", broker, channels=channels, whips=whips)
        with (
            Process(tmp_path / "log", "run", "--config", config) as daemon,
            Peer(broker.port, user="tern-sensors") as sensors,
            Peer(broker.port, user="tern-board") as board,
        ):
            board.subscribe(ALARM)
            wait_until_watching(broker)
            everywhere = ["1", "2", *whips]
            for place, whip in enumerate(everywhere):
                value = {"value": 352.0 + place / 100.0, "unit": "bar", "seq": 1, "boot": "flood"}
                sensors.publish(f"fill/tern/{whip}/pressure", json.dumps(value).encode())
            board.wait_for(lambda came: len(came) >= len(everywhere))
            with SqliteLedgerReader(config / "ledger.db") as reader:
                until(lambda: reader.newest_row("reading") == len(everywhere), "every reading on record")
                until(lambda: not owed_still(reader), "every notice delivered", 90.0)
                owed = sum(1 for _ in reader.iter_record("notice"))
                raised = sum(1 for _ in reader.iter_alarms())
            assert daemon.ask_to_stop(within_s=20.0) == 0
    occurrences = [said["occurrence"] for said in said_on(board, ALARM) if said["old_state"] == "normal"]
    told = Tally(
        sent=len(everywhere),
        recorded=len(everywhere),
        alarms=raised,
        owed=owed,
        arrived=len(posts.taken),
        notices_doubled=len(posts.taken) - len(set(posts.taken)),
        more={"alarms on MQTT": len(occurrences), "doubled there": len(occurrences) - len(set(occurrences))},
    ).told()
    assert len(occurrences) == len(set(occurrences)) == len(everywhere), told
    assert told.notices_doubled == 0, told
    assert told.arrived >= 100, told
