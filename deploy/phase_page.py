"""Writes what the page on phases takes from the code anew: the diagram and the table of a whip's way through a fill.

Run it as `python deploy/phase_page.py`. A test holds page and code together.
"""

import sys
from pathlib import Path

from fillguard.core.events import Phase
from fillguard.core.lifecycle import FILL_OPEN, TRANSITIONS, Sign

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "reference" / "phases.md"
BEGIN = "<!-- written by deploy/phase_page.py -->\n"
END = "<!-- end of what deploy/phase_page.py writes -->"


def diagram() -> str:
    """A state diagram in Mermaid; signs that lead the same way share an arrow."""
    lines = ["```mermaid\n", "stateDiagram-v2\n", f"    [*] --> {Phase.IDLE.value}\n"]
    arrows: dict[tuple[Phase, Phase], list[Sign]] = {}
    for (old, sign), new in TRANSITIONS.items():
        arrows.setdefault((old, new), []).append(sign)
    lines += [
        f"    {old.value} --> {new.value}: {', '.join(sign.value for sign in signs)}\n"
        for (old, new), signs in arrows.items()
    ]
    return "".join([*lines, "```\n"])


def table() -> str:
    """One row a sign, one column a phase: where it leads, empty where the phase cannot take it."""
    phases = [phase for phase in Phase if any(old is phase for old, _ in TRANSITIONS)]
    rows = [
        f"| | {' | '.join(f'*{p.value}*' if p in FILL_OPEN else p.value for p in phases)} |\n",
        "|" + "---|" * (len(phases) + 1) + "\n",
    ]
    for sign in Sign:
        cells = [TRANSITIONS.get((phase, sign)) for phase in phases]
        rows.append(f"| {sign.value} | {' | '.join(cell.value if cell else '' for cell in cells)} |\n")
    return "".join(rows)


def fresh_page(page: str) -> str:
    """`page` with what stands between the two marks written anew."""
    head, begin, rest = page.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not (begin and end):
        sys.exit(f"the page lacks its marks: {BEGIN.strip()} ... {END}")
    return f"{head}{BEGIN}\n{diagram()}\n{table()}\n{END}{tail}"


if __name__ == "__main__":
    PAGE.write_text(fresh_page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
