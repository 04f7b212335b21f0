"""The end of the record goes outside: a running watch leaves it at a real broker, and it shows a rewrite."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from fillguard.cli.exits import Exit
from fillguard.ledger.chain import Anchor, genesis, leaf, next_head
from tests.servers import Mosquitto, Peer
from tests.stations import Process, fillguard, said_on, write_station

pytestmark = pytest.mark.servers

ANCHOR = "fillguard/tern/anchor"


def rewritten(path: Path) -> None:
    """Change a row and compute all hashes anew, as somebody can who holds the file."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        changed = connection.execute("UPDATE audit SET body = replace(body, 'fillguard', 'somebody') WHERE id < 4")
        assert changed.rowcount > 0
        (identity,) = connection.execute("SELECT body FROM identity").fetchone()
        head = genesis(identity)
        for number, kind in connection.execute("SELECT seq, kind FROM journal ORDER BY seq").fetchall():
            (body,) = connection.execute(f"SELECT body FROM {kind} WHERE id = ?", (number,)).fetchone()  # noqa: S608
            row_leaf = leaf(kind, number, body)
            head = next_head(head, row_leaf)
            connection.execute("UPDATE journal SET leaf = ?, head = ? WHERE seq = ?", (row_leaf, head, number))


def test_what_the_broker_keeps_proves_the_record_and_shows_a_rewrite(tmp_path: Path) -> None:
    (tmp_path / "broker").mkdir()
    notes = tmp_path / "anchors.txt"
    with Mosquitto(tmp_path / "broker") as broker:
        config = write_station(tmp_path / "config", broker.port)
        with Process(tmp_path / "log", "run", "--config", config) as daemon:
            with Peer(broker.port) as board:
                board.subscribe(ANCHOR)
                board.wait_for(lambda _: bool(said_on(board, ANCHOR)))
                first = said_on(board, ANCHOR)[0]
            daemon.kill()
        with Peer(broker.port) as later:
            later.subscribe(ANCHOR)
            later.wait_for(lambda _: bool(said_on(later, ANCHOR)))
            (kept,) = [message for message in later.received if message.topic == ANCHOR]
    assert kept.retain, "it stands at the broker after the watch has gone"
    notes.write_bytes(kept.payload)
    assert first["row"] > 0
    assert str(Anchor(row=first["row"], head=first["head"])) in notes.read_text("utf-8")
    sound = fillguard("ledger", "verify", "--config", config, "--anchor", notes)
    assert sound.returncode == Exit.OK, sound.stdout + sound.stderr
    rewritten(config / "ledger.db")
    assert fillguard("ledger", "verify", "--config", config).returncode == Exit.OK, "a bare chain cannot show it"
    shown = fillguard("ledger", "verify", "--config", config, "--anchor", notes)
    assert shown.returncode == Exit.TAMPERED
    assert "ANCHOR MISMATCH" in shown.stdout
