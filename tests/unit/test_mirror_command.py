"""`fillguard mirror`: how far the mirror is, and sending again, beside a watch that runs."""

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from fillguard.cli.commands import app
from fillguard.cli.exits import Exit
from fillguard.core.events import ServiceChanged
from fillguard.ledger.chain import Finding, verify
from fillguard.ledger.reader import SqliteLedgerReader
from fillguard.ports import Quarantined
from tests import ledger_facts as facts


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    """A fill of thirty readings, of which the mirror has ten and refused two."""
    path = tmp_path / "ledger.db"
    writer = facts.writer(path)
    writer.put(facts.step(facts.tick(0), facts.started()))
    for second in range(1, 31):
        writer.put(facts.step(facts.reading(second, 40 + second, seq=second, boot="b"), facts.projected(second, 40)))
    failing = ServiceChanged(stamp=facts.at(31), service="mirror", ok=False, detail="503 asleep")
    writer.put(facts.step(failing))
    writer.put_cursor("influx/reading", 10)
    writer.put_quarantined(
        Quarantined(
            at=facts.at(32), mirror="influx", stream="reading", first_row=4, last_row=5, status=400, reason="400 no"
        )
    )
    assert writer.stop(facts.PATIENCE_S) == 0
    return path


def mirror(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["mirror", *map(str, arguments)], env={"COLUMNS": "200"})


def test_status_says_how_far_it_is_since_when_what_failed_and_what_was_refused(ledger: Path) -> None:
    done = mirror("status", "--ledger", ledger)
    assert done.exit_code == Exit.OK
    (row,) = [line for line in done.stdout.splitlines() if "readings" in line]
    assert [cell.strip() for cell in row.split("│")][1:5] == ["readings", "30", "10", "20"]
    assert "the oldest reading that waits came 2026-11-24 22:09:56 UTC" in done.output
    assert "FAILS since 2026-11-24 22:10:16: 503 asleep" in done.output
    assert "reading rows 4 to 5: 400 no" in done.output


@pytest.mark.parametrize(
    ("start", "rows"),
    [
        pytest.param("7", {"reading": 7, "projection": 0}, id="from a row"),
        pytest.param("2026-11-24T22:09:59.700Z", {"reading": 15, "projection": 15}, id="from an instant"),
        pytest.param("2026-11-24", {"reading": 1, "projection": 1}, id="from a day"),
    ],
)
def test_what_is_to_be_sent_again_is_noted_with_who_asked(ledger: Path, start: str, rows: dict[str, int]) -> None:
    done = mirror("resend", "--ledger", ledger, "--from", start, "--by", "tech-1")
    assert done.exit_code == Exit.OK, done.output
    with SqliteLedgerReader(ledger) as reader:
        assert {name: reader.cursor(f"influx/resend/{name}") for name in rows} == rows
        last = [row.body for row in reader.iter_record("audit")][-1]
    assert (last["who"], last["action"]) == ("tech-1", "mirror-resend")
    assert verify(ledger).finding is Finding.INTACT


@pytest.mark.parametrize("start", ["0", "31", "2027-01-01", "yesterday"])
def test_where_nothing_is_on_record_nothing_is_asked(ledger: Path, start: str) -> None:
    done = mirror("resend", "--ledger", ledger, "--from", start, "--by", "tech-1")
    assert done.exit_code == Exit.BAD_INPUT
    assert "--from" in done.output or "earlier" in done.output
