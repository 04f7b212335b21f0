"""The dashboard and the page about the mirror name only what the mirror sends."""

import json
import re
from pathlib import Path

from fillguard.outlets import lines

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "reference" / "mirror.md").read_text(encoding="utf-8")
DASHBOARD = json.loads((ROOT / "deploy" / "dashboards" / "fills.json").read_text(encoding="utf-8"))
READINGS = {name for name, _ in lines._READING_FIELDS.values()}
SENT = READINGS | {f"bad_{name}" for name in READINGS} | {name for name, _, _ in lines._PROJECTION_FIELDS}


def asked(text: str) -> set[str]:
    return set(re.findall(r'r\._field == "(\w+)"', text))


def test_every_panel_asks_for_fields_that_are_sent() -> None:
    for panel in DASHBOARD["panels"]:
        fields = asked(panel["targets"][0]["query"])
        assert fields, panel["title"]
        assert fields <= SENT, panel["title"]
        assert lines.MEASUREMENT in panel["targets"][0]["query"]


def test_the_page_names_every_field_and_asks_for_no_other() -> None:
    table = PAGE[PAGE.index("| field |") : PAGE.index("## Questions")]
    named = set(re.findall(r"`(\w+)`", table)) - {"bad_"}
    assert named == SENT - {name for name in SENT if name.startswith("bad_")}
    assert asked(PAGE) <= SENT
