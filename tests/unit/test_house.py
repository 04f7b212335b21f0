"""The house around the code: what lies where, what the pages promise, what gets installed."""

import ast
import fnmatch
import importlib.metadata
import importlib.util
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import fillguard

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "fillguard"
DOCS = ROOT / "docs"
TOP_LEVEL = {
    ".ci", ".gitignore", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "README.md", "config", "deploy", "docs",
    "fillguard", "pyproject.toml", "tests",
}  # fmt: skip
IGNORED = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split()] + [".git"]
SCRIPTS = ("deploy/check", "deploy/demo", "deploy/environment", "deploy/pin", ".ci/run")


def ignored(name: str) -> bool:
    return any(fnmatch.fnmatch(name, pattern) for pattern in IGNORED)


def files(top: Path = ROOT) -> Iterator[Path]:
    """Every file of the project; what .gitignore names is not part of it."""
    for path in sorted(top.iterdir()):
        if ignored(path.name):
            continue
        if path.is_dir():
            yield from files(path)
        else:
            yield path


def relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


PAGES = [*sorted(DOCS.rglob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md"]
MODULES = sorted(PACKAGE.rglob("*.py"))


def load_script(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# --- The tree --------------------------------------------------------------------------------------------------------


def test_the_top_level_holds_exactly_what_was_agreed() -> None:
    assert {path.name for path in ROOT.iterdir() if not ignored(path.name)} == TOP_LEVEL


def test_the_package_map_shows_the_tree_as_it_is() -> None:
    package_map = load_script(ROOT / "deploy" / "package_map.py")
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    fresh = package_map.with_map(page, package_map.package_map(PACKAGE))
    assert page == fresh, "run: python deploy/package_map.py"


@pytest.mark.parametrize("path", MODULES, ids=relative)
def test_every_module_says_in_one_line_what_it_is(path: Path) -> None:
    first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").partition("\n")[0]
    assert first.endswith((".", "?"))
    assert "|" not in first, "the line becomes a cell of a table"


@pytest.mark.parametrize("path", MODULES, ids=relative)
def test_no_module_and_no_function_is_longer_than_a_person_can_hold(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    functions = [n for n in ast.walk(ast.parse(text)) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    # A command's signature and docstring are its manual page: there what it does is counted.
    manual = "cli" in path.parts
    too_long = [
        n.name
        for n in functions
        if (n.end_lineno or 0) - ((n.body[1:] or n.body) if manual else [n])[0].lineno + 1 > 40
    ]
    assert not too_long
    assert text.count("\n") <= 400


@pytest.mark.parametrize("name", ["check", "demo", "environment", "pin"])
def test_a_script_is_plain_posix_shell(name: str) -> None:
    shell = "dash" if Path("/bin/dash").exists() else "sh"
    result = subprocess.run([shell, "-n", ROOT / "deploy" / name], capture_output=True, text=True, check=False)
    assert (result.returncode, result.stderr) == (0, "")


def test_continuous_integration_runs_the_check_and_nothing_else() -> None:
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2
    assert lines[1].endswith("&& exec sh deploy/check")


# --- Nothing of this or that machine ---------------------------------------------------------------------------------

# One letter of each stands in brackets, so that this file does not find itself.
FOLDERS = ("w[o]rk", "t[m]p/w", "r[o]ot", r"h[o]me/\w+")
INDEXES = (
    r"pyp[i]\.(?:org|python)",
    r"python[h]osted\.org",
    r"deb[i]an\.org/debian",
    r"npm[j]s\.(?:com|org)",
    "--(?:extra-)?[i]ndex-url",
    "--find-[l]inks",
)
FOREIGN = {
    "a folder of one machine": re.compile(rf"(?<![\w.$}}-])/(?:{'|'.join(FOLDERS)})(?=[/\s\"'`),;:]|$)", re.MULTILINE),
    "an address of a package index": re.compile("|".join(INDEXES)),
}


@pytest.mark.parametrize("what", FOREIGN)
def test_no_file_holds(what: str) -> None:
    found = {}
    for path in files():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        if match := FOREIGN[what].search(text):
            found[relative(path)] = match.group()
    assert not found


@pytest.mark.parametrize(
    ("what", "text"),
    [
        ("a folder of one machine", "see ~root/notes"),
        ("a folder of one machine", 'open("~home/anna/x")'),
        ("a folder of one machine", "cd ~work\n"),
        ("an address of a package index", "pip install ~~index~url x"),
    ],
)
def test_the_search_for_foreign_text_finds(what: str, text: str) -> None:
    assert FOREIGN[what].search(text.replace("~", "/" if "folder" in what else "-"))


# --- What gets installed ---------------------------------------------------------------------------------------------


def test_the_tests_import_what_was_installed_not_the_checkout() -> None:
    code = "import fillguard; print(fillguard.__file__)"
    child = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    homes = {Path(fillguard.__file__).parent, Path(child.stdout.strip()).parent}
    installed = Path(sysconfig.get_path("purelib")) / "fillguard"
    if os.environ.get("FILLGUARD_CHECK"):
        assert homes == {installed}
    else:
        assert homes in ({installed}, {PACKAGE})


def test_every_file_of_the_package_is_installed_unchanged() -> None:
    installed = Path(fillguard.__file__).parent
    different = [
        relative(path)
        for path in files(PACKAGE)
        if not (copy := installed / path.relative_to(PACKAGE)).is_file() or copy.read_bytes() != path.read_bytes()
    ]
    assert not different, "the installed package is not this checkout: run deploy/check"


def requirements() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"].values()
    lines = [*project["project"]["dependencies"], *project["build-system"]["requires"], *(r for e in extras for r in e)]
    return [Requirement(line) for line in lines]


def pins() -> dict[str, str]:
    lines = (ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split("==") for line in lines if not line.startswith("#")]
    return {canonicalize_name(name): version for name, version in pairs}


@pytest.mark.parametrize("requirement", requirements(), ids=lambda r: r.name)
def test_the_pinned_version_satisfies_what_is_asked_for(requirement: Requirement) -> None:
    assert requirement.specifier.contains(pins()[canonicalize_name(requirement.name)])


def imported(path: Path) -> set[str]:
    """Top-level names of what a module imports from elsewhere, wherever in it."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    whole = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    parts = {node.module for node in nodes if isinstance(node, ast.ImportFrom) and node.module and not node.level}
    return {name.partition(".")[0] for name in whole | parts} - sys.stdlib_module_names - {"fillguard"}


def test_every_package_that_is_imported_is_asked_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["demo"]]
    names = {canonicalize_name(Requirement(line).name) for line in asked}
    providers = importlib.metadata.packages_distributions()
    missing = {
        f"{relative(path)}: {name}"
        for path in MODULES
        for name in imported(path)
        if not names & {canonicalize_name(provider) for provider in providers.get(name, [])}
    }
    assert not missing


# --- What the pages promise ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["sh deploy/demo", "sh deploy/check"])
def test_the_readme_names_its_two_commands(command: str) -> None:
    assert re.search(rf"^{command}$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)


@pytest.mark.parametrize(
    "page", ["README.md", "docs/explanation/what-it-does-not-do.md", "docs/tutorials/first-fill.md"]
)
def test_a_page_people_start_from_says_that_it_operates_no_valve(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    assert "no valve" in text
    assert "maim" in text


@pytest.mark.parametrize("page", PAGES, ids=relative)
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    targets = [t.partition("#")[0] for t in re.findall(r"\]\(([^)\s]+)\)", text) if "://" not in t]
    assert [t for t in targets if t and not (page.parent / t).exists()] == []


def test_the_index_of_the_docs_names_every_page() -> None:
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    pages = {str(p.relative_to(DOCS)) for p in DOCS.rglob("*.md") if p.parent.name != "decisions"} - {"README.md"}
    assert {page for page in pages if f"]({page})" not in index} == set()


def test_the_decisions_are_numbered_without_a_gap_and_listed() -> None:
    records = sorted(p for p in (DOCS / "decisions").glob("*.md") if p.name != "README.md")
    index = (DOCS / "decisions" / "README.md").read_text(encoding="utf-8")
    assert [int(p.name[:4]) for p in records] == list(range(1, len(records) + 1))
    for record in records:
        text = record.read_text(encoding="utf-8")
        assert text.startswith(f"# {record.name[:4]} ")
        assert [h for h in ("## What was decided", "## Why", "## What follows") if h not in text] == []
        assert f"]({record.name})" in index


def test_the_changelog_opens_with_the_version_in_the_package() -> None:
    first = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert first is not None
    assert first.group(1) == fillguard.__version__
