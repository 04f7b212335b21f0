"""The page on the ledger names every table there is."""

import re
from pathlib import Path

from fillguard.ledger.schema import LIVE_TABLES, PACKED_TABLES, RECORD_TABLES, WORK_TABLES

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "ledger.md"


def test_the_page_on_the_ledger_names_every_table() -> None:
    named = set(re.findall(r"`(\w+)`", PAGE.read_text(encoding="utf-8")))
    tables = {"journal", "schema_version", *RECORD_TABLES, *LIVE_TABLES, *PACKED_TABLES, *WORK_TABLES}
    assert tables - named == set()
