"""Imports point one way, folder by folder: the layout of DEVELOPERS.md, enforced."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import hexterra

PACKAGE = Path(hexterra.__file__).parent

#: Modules at the top and folders, from the ground up: each may import those before it. Folders
#: within a folder are places of their own.
ORDER = (
    "errors", "units", "rounding", "progress", "values", "text", "memory", "ranges", "tomlfile",
    "arguments", "csvfile",
    "lattice", "brief", "elevation", "vectors", "catalogue", "place",
    "kernels", "kernels/raster", "kernels/board",
    "stages/sampling", "stages/drainage", "stages/water", "stages/mapping", "stages/levels",
    "stages/tiles", "stages/search", "stages/schedule", "stages/variants", "stages",
    "fidelity", "inputs", "plan", "drawing",
    "workshop/solids", "workshop/sheets", "workshop/estimate", "workshop/templates",
    "mesh", "workshop/book", "workshop", "page",
    "outputs", "verification", "notebook", "commands", "cli",
)  # fmt: skip
RANK = {name: rank for rank, name in enumerate(ORDER)}
FILES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")
MOST_FILES = 14
MOST_LINES = 400


def folder(path: Path) -> str:
    """Give the folder of a file, from the package down; `.` at the top."""
    return path.relative_to(PACKAGE).parent.as_posix()


def place(path: Path) -> str:
    """Give the place of a file: its folder, or its own name at the top."""
    return path.stem if folder(path) == "." else folder(path)


def module(path: Path) -> str:
    """Give the dotted name of a file."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module(path): path for path in FILES}


@cache
def imports(path: Path) -> frozenset[Path]:
    """List the files of hexterra that a file imports, for type checkers only or wherever in it."""
    found: set[Path] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{alias.name}" for alias in node.names] + [node.module]
        else:
            continue
        for name in names:
            if name in MODULES and MODULES[name].name != "__init__.py":
                found.add(MODULES[name])
    return frozenset(found)


def test_every_file_has_a_place() -> None:
    """A new folder must be given its place before it can be imported by others."""
    assert {place(path) for path in FILES} == set(ORDER)


def test_imports_point_one_way() -> None:
    """No file imports from a place above its own, type-checking imports included."""
    upward = {
        (module(path), module(other))
        for path in FILES
        for other in imports(path)
        if RANK[place(other)] > RANK[place(path)]
    }
    assert upward == set()


def test_no_files_import_each_other() -> None:
    """There is no circle of files."""
    TopologicalSorter({path: imports(path) for path in FILES}).prepare()


def test_package_files_hold_a_docstring_only() -> None:
    """What a folder offers is imported from the file that defines it."""
    for path in FILES:
        if path.name == "__init__.py":
            [only] = ast.parse(path.read_text(encoding="utf-8")).body
            assert isinstance(only, ast.Expr), path


def test_only_stages_and_fidelity_import_kernels() -> None:
    """Kernels trust their caller, so only the stages and fidelity, which check, may call them."""
    callers = {
        place(path).split("/")[0]
        for path in FILES
        if any(place(other).startswith("kernels") for other in imports(path))
    }
    # The command line asks one question only: has this machine compiled them yet?
    assert callers == {"stages", "fidelity", "kernels", "commands"}


def test_verification_stands_apart() -> None:
    """What rebuilds a board from its tables shares nothing with what made them."""
    shared = {
        place(other)
        for path in FILES
        if place(path) == "verification"
        for other in imports(path)
    }  # fmt: skip
    assert shared == {"verification", "errors", "values"}


def test_folders_are_seen_at_a_glance() -> None:
    """No folder has many files, no name begins with an underscore, and none stands twice."""
    named = [path for path in FILES if path.name != "__init__.py"]
    full = {where: n for where, n in Counter(map(folder, named)).items() if n > MOST_FILES}
    assert full == {}
    assert [path.name for path in named if path.name.startswith("_")] == []
    assert [stem for stem, n in Counter(path.stem for path in named).items() if n > 1] == []


def test_files_are_read_in_one_sitting() -> None:
    """No file is long."""
    n_lines = {module(p): len(p.read_text(encoding="utf-8").splitlines()) for p in FILES}
    assert {name: n for name, n in n_lines.items() if n > MOST_LINES} == {}


def test_class_names_are_unique() -> None:
    """A class is known by its name alone; `verification` has its own words for a board."""
    names = Counter(
        node.name
        for path in FILES
        if place(path) != "verification"
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef)
    )
    assert {name for name, n in names.items() if n > 1} == set()


def test_the_layout_is_described() -> None:
    """DEVELOPERS.md has a row for every place."""
    rows = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    named = {name for row in rows if row.startswith("| `") for name in row.split("|")[1].split("`")}
    assert {name for name in ORDER if not {name, f"{name}/", f"{name}.py"} & named} == set()


def test_tests_share_helpers_not_tests() -> None:
    """No test file imports another: what they share is in a file without tests."""
    importing = re.compile(r"^\s*(from|import) (tests\.)?test_", re.MULTILINE)
    files = Path(__file__).parent.rglob("*.py")
    assert [p.name for p in files if importing.search(p.read_text(encoding="utf-8"))] == []


def test_the_command_line_starts_light() -> None:
    """Importing the command line loads no heavy library."""
    code = "import sys, hexterra.cli; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    heavy = {"numpy", "numba", "rasterio", "pandas", "scipy", "matplotlib", "pyproj", "pydantic"}
    assert heavy.isdisjoint(loaded)
