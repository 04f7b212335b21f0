"""The register in the ledger: nothing overwritten, one chain although two processes write it."""

import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from fillguard.core.errors import LedgerError
from fillguard.core.fitness.record import Standing
from fillguard.ledger import store
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.lock import LedgerLock
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ledger.register import RegisterReader, add_to_register
from fillguard.ports import AuditEntry, CylinderRecorded
from tests.ledger_facts import OWNER, T0, at, ended, started, step, tick, writer


def change(second: float, serial: str = "TH-0042", why: str = "bought", **columns: str) -> CylinderRecorded:
    cells = {"serial": serial, **columns}
    return CylinderRecorded(at=at(second), by="op-1", why=why, key=serial.upper(), serial=serial, columns=cells)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


def test_a_shop_that_never_ran_the_watch_can_enter_its_cylinders(path: Path) -> None:
    add_to_register(path, "tern", at(0), [change(0, material="steel")])
    with RegisterReader(path) as register:
        record = register.current(" th-0042 ")
        assert register.current("TH-0043") is None
    assert record is not None
    assert (record.serial, record.material) == ("TH-0042", "steel")
    assert verify(path).finding is Finding.INTACT


def test_the_newest_row_is_the_cylinder_and_the_others_are_its_history(path: Path) -> None:
    add_to_register(path, "tern", at(0), [change(0), change(0, "TH-0001")])
    add_to_register(path, "tern", at(9), [change(9, why="stem weeps", state="set-aside", state_reason="stem weeps")])
    with RegisterReader(path) as register:
        record = register.current("TH-0042")
        assert record is not None
        assert record.state is Standing.SET_ASIDE
        assert [(each.at.utc_s - T0, each.by, each.why) for each in register.history("TH-0042")] == [
            (0.0, "op-1", "bought"),
            (9.0, "op-1", "stem weeps"),
        ]
        assert [each.serial for each in register.everything()] == ["TH-0001", "TH-0042"]


def test_another_process_that_is_done_never_takes_the_write_ahead_file_from_under_the_writer(path: Path) -> None:
    """A file of its own that a process closes takes SQLite's locks away from it (sqlite.org, How To Corrupt, 2.2)."""
    add_to_register(path, "tern", at(0), [change(0)])
    ahead = path.with_name(path.name + "-wal")
    with closing(store.connect(path)) as writing:
        writing.execute("INSERT INTO cursor (name, value) VALUES ('mirror', 1)")
        inode = ahead.stat().st_ino
        store.connect_read_only(path).close()
        store.refuse_other_owner(path, OWNER)
        code = (
            "import sys\n"
            "from contextlib import closing\n"
            "from pathlib import Path\n"
            "from fillguard.ledger import store\n"
            "with closing(store.connect(Path(sys.argv[1]))) as connection:\n"
            "    connection.execute(\"INSERT INTO cursor (name, value) VALUES ('other', 1)\")\n"
        )
        subprocess.run([sys.executable, "-c", code, str(path)], check=True, timeout=60)
        assert ahead.exists(), "the writer's rows would go into a file that nobody finds again"
        assert ahead.stat().st_ino == inode
        writing.execute("INSERT INTO cursor (name, value) VALUES ('after', 1)")
    with RegisterReader(path) as register:
        assert register.current("TH-0042") is not None
        names = register._connection.execute("SELECT name FROM cursor WHERE name <> 'group' ORDER BY name").fetchall()
    assert {"after", "mirror", "other"} <= {name for (name,) in names}


def test_the_register_changes_while_the_watch_writes_and_the_chain_stays_one(path: Path) -> None:
    watch = writer(path)
    watch.start()
    try:
        for second in range(20):
            recorded = watch.anchor.row
            watch.put(step(tick(second), started(fill_id=f"fill-{second}")))
            add_to_register(
                path,
                "tern",
                at(second),
                [change(second, f"TH-{second:04d}")],
                audit=AuditEntry(at=at(second), who="op-1", action="register-import", detail="one"),
            )
            assert recorded <= watch.anchor.row
    finally:
        assert watch.stop(10.0) == 0
    assert verify(path).finding is Finding.INTACT
    with RegisterReader(path) as register, SqliteLedgerReader(path) as reader:
        assert len(list(register.everything())) == 20
        assert len(reader.open_fills()) == 20


def test_half_an_import_is_none(path: Path) -> None:
    add_to_register(path, "tern", at(0), [change(0)])
    with pytest.raises(TypeError):
        add_to_register(path, "tern", at(1), [change(1, "TH-0001"), change(1, "TH-0002", x=object())])  # type: ignore[arg-type] # a fault of ours in the middle
    with RegisterReader(path) as register:
        assert [each.serial for each in register.everything()] == ["TH-0042"]
    assert verify(path).finding is Finding.INTACT


def test_another_station_s_ledger_is_refused_whether_its_watch_runs_or_not(path: Path) -> None:
    add_to_register(path, OWNER.station, at(0), [change(0)])
    with pytest.raises(LedgerError, match="harbour-2"):
        add_to_register(path, "harbour-2", at(1), [change(1)])
    with LedgerLock(path, "now"), pytest.raises(LedgerError, match="harbour-2"):
        add_to_register(path, "harbour-2", at(1), [change(1)])


def test_fills_that_hint_at_the_valve_are_counted(path: Path) -> None:
    watch = writer(path)
    for number, findings in enumerate([("leak",), (), ("valve-not-open", "leak"), ("bled",)]):
        watch.put(step(tick(number), ended(number, fill_id=f"fill-{number}", findings=findings)))
    assert watch.stop(10.0) == 0
    with RegisterReader(path) as register:
        assert register.valve_findings({"TH-0042"}, 0.0) == 2
        assert register.valve_findings({"TH-0042"}, T0 + 1e6) == 0
        assert register.valve_findings({"TH-0001"}, 0.0) == 0
