"""Writes what the pages on alarms take from the code anew: the alarms as shipped, the diagram of their life cycle.

Run it as `python deploy/alarm_pages.py`. A test holds pages and code together.
"""

import sys
import tomllib
from collections.abc import Mapping
from pathlib import Path

from fillguard.core.events import AlarmState
from fillguard.core.standing import transitions

ROOT = Path(__file__).resolve().parent.parent
RECORDS = ROOT / "fillguard" / "data" / "alarms.toml"
REFERENCE = ROOT / "docs" / "reference" / "alarms.md"
EXPLANATION = ROOT / "docs" / "explanation" / "alarm-life-cycle.md"
BEGIN = "<!-- written by deploy/alarm_pages.py -->\n"
END = "<!-- end of what deploy/alarm_pages.py writes -->"


def alarm_table(records: Mapping[str, Mapping[str, object]]) -> str:
    """One Markdown table of all alarms, then each one's record in words."""
    rows = [
        "| alarm | priority | setpoint | deadband | on / off delay | latched | shelvable |\n",
        "|" + "---|" * 7 + "\n",
    ]
    rows += [f"| [`{name}`](#{name}) | {_row(record)} |\n" for name, record in records.items()]
    return "".join(rows) + "".join(_words(name, record) for name, record in records.items())


def _row(record: Mapping[str, object]) -> str:
    unit = record["unit"]
    cells = (
        f"{record['priority']}{_cases(record, 'priorities')}",
        f"{record.get('setpoint', '')} {unit}{_cases(record, 'variants')}".strip(),
        str(record.get("deadband", "")),
        f"{record.get('on_delay_s', 0)} s / {record.get('off_delay_s', 0)} s",
        "yes" if record.get("latched") else "no",
        "yes" if record["shelvable"] else "no",
    )
    return " | ".join(cells)


def _cases(record: Mapping[str, object], key: str) -> str:
    cases = record.get(key)
    if not isinstance(cases, Mapping):
        return ""
    return " (" + ", ".join(f"{case.replace('-', ' ')}: {value}" for case, value in cases.items()) + ")"


def _words(name: str, record: Mapping[str, object]) -> str:
    within = f"{record['respond_within_s']} s"
    return (
        f"\n### {name}\n\n"
        f"{record['cause']}\n\n"
        f"- **What to do**, within {within}: {record['action']}\n"
        f"- If nobody acts: {record['consequence']}\n"
        f"- Basis: {record['basis']}\n"
    )


def diagrams() -> str:
    """Two state diagrams in Mermaid, from the table that the program runs on."""
    titles = {False: "An alarm that does not latch:", True: "A latching alarm:"}
    return "\n".join(f"{title}\n\n```mermaid\n{_diagram(latching=latching)}```\n" for latching, title in titles.items())


def _diagram(*, latching: bool) -> str:
    lines = ["stateDiagram-v2\n", f"    [*] --> {_identifier(AlarmState.NORMAL)}\n"]
    for old, what, new in transitions(latching=latching):
        lines.append(f"    {_identifier(old)} --> {_identifier(new)}: {what.value}\n")
    return "".join(lines)


def _identifier(state: AlarmState) -> str:
    return state.value.replace("-", "_")


def with_written(page: str, written: str) -> str:
    """`page` with what stands between the two marks replaced by `written`."""
    head, begin, rest = page.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not (begin and end):
        sys.exit(f"the page lacks its marks: {BEGIN.strip()} ... {END}")
    return f"{head}{BEGIN}\n{written}\n{END}{tail}"


def fresh_pages() -> Mapping[Path, str]:
    """Each page as it should be."""
    records = tomllib.loads(RECORDS.read_text(encoding="utf-8"))
    return {
        REFERENCE: with_written(REFERENCE.read_text(encoding="utf-8"), alarm_table(records)),
        EXPLANATION: with_written(EXPLANATION.read_text(encoding="utf-8"), diagrams()),
    }


if __name__ == "__main__":
    for path, text in fresh_pages().items():
        path.write_text(text, encoding="utf-8")
