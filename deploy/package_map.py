"""Writes the package map in DEVELOPERS.md anew from the first docstring line of every module.

Run it as `python deploy/package_map.py`. A test holds map and tree together, both ways.
"""

import ast
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BEGIN = "<!-- package map: written by deploy/package_map.py from the modules' docstrings -->\n"
END = "<!-- end of package map -->"


def package_map(package: Path) -> str:
    """One Markdown table: every package and module below `package` with the first line of its docstring."""
    rows = ["| module | what it is |\n", "|---|---|\n"]
    modules = sorted(package.rglob("*.py"), key=lambda p: (p.parent.parts, p.name != "__init__.py", p.name))
    for path in modules:
        is_package = path.name == "__init__.py"
        place = f"**`{path.parent.relative_to(package.parent)}/`**" if is_package else f"`{path.relative_to(package)}`"
        docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        rows.append(f"| {place} | {docstring.partition(chr(10))[0]} |\n")
    return "".join(rows)


def with_map(page: str, table: str) -> str:
    """`page` with what stands between the two marks replaced by `table`."""
    head, begin, rest = page.partition(BEGIN)
    _, end, tail = rest.partition(END)
    if not (begin and end):
        sys.exit(f"DEVELOPERS.md lacks its marks: {BEGIN.strip()} ... {END}")
    return f"{head}{BEGIN}\n{table}\n{END}{tail}"


if __name__ == "__main__":
    developers = ROOT / "DEVELOPERS.md"
    text = developers.read_text(encoding="utf-8")
    developers.write_text(with_map(text, package_map(ROOT / "fillguard")), encoding="utf-8")
