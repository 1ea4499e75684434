"""Imports point one way: the layout of DEVELOPERS.md, enforced."""

from __future__ import annotations

import ast
from pathlib import Path

import hexterra

PACKAGE = Path(hexterra.__file__).parent

#: Layers from the ground up. A module may import its own layer and those before it.
LAYERS = (
    {"errors", "units", "rounding", "values", "progress", "text", "tomlfile", "memory"},
    {"brief", "lattice", "elevation", "vectors", "invention", "catalogue"},
    {"proposal", "siting"},
    {"kernels"},
    {"stages"},
    {"tables", "owned", "settling", "earlier", "overlay", "holding", "preparing", "summary"},
    {"plan", "revising", "sharing"},
    {"workshop", "outputs", "comparison", "verification"},
    {"notebook", "first_run"},
    {"commands"},
    {"cli"},
)
RANK = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}


def _part(path: Path) -> str:
    """First name below the package: the file's stem or its folder."""
    relative = path.relative_to(PACKAGE)
    return relative.parts[0].removesuffix(".py")


def _imports(path: Path) -> set[str]:
    """Parts of hexterra that a file imports at run time, wherever in the file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "hexterra":
            names |= {f"hexterra.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return {name.split(".")[1] for name in names if name.startswith("hexterra.")}


FILES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py" or
               path.parent != PACKAGE)  # fmt: skip


def test_every_module_has_a_layer() -> None:
    """A new module must be given its place before it can be imported by others."""
    assert {_part(path) for path in FILES} <= set(RANK)


def test_imports_point_one_way() -> None:
    """No module imports from a layer above its own."""
    upward = [
        f"{path.relative_to(PACKAGE)} imports {name}"
        for path in FILES
        for name in _imports(path) - {"__version__"}
        if RANK[name] > RANK[_part(path)]
    ]
    assert upward == []


def test_only_stages_import_kernels() -> None:
    """Kernels trust their caller, so only the stages, which check, may call them."""
    callers = {_part(path) for path in FILES if "kernels" in _imports(path)}
    # The command line asks one question only: has this machine compiled them yet?
    assert callers <= {"stages", "kernels", "commands"}


def test_verification_stands_apart() -> None:
    """What rebuilds a board from its tables shares nothing with what made them."""
    shared = {
        name for path in FILES if _part(path) == "verification" for name in _imports(path)
    }  # fmt: skip
    assert shared == {"verification", "errors", "values"}


def test_files_are_read_in_one_sitting() -> None:
    """No file is longer than 500 lines."""
    long = {
        str(path.relative_to(PACKAGE)): n_lines
        for path in FILES
        if (n_lines := len(path.read_text(encoding="utf-8").splitlines())) > 500
    }
    assert long == {}


def test_the_command_line_starts_light() -> None:
    """Importing the command line loads no heavy library."""
    import subprocess
    import sys

    code = "import sys, hexterra.cli; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    heavy = {"numpy", "numba", "rasterio", "pandas", "scipy", "matplotlib", "pyproj", "pydantic"}
    assert heavy.isdisjoint(loaded)


def test_every_public_name_is_there() -> None:
    """Each name of the public interface loads, is its own function or class, and stays so."""
    for name in hexterra._HOME:
        value = getattr(hexterra, name)
        assert value.__name__ == name
        assert getattr(hexterra, name) is value
    assert set(hexterra._HOME) <= set(dir(hexterra))


def test_type_checkers_know_every_public_name() -> None:
    """What is imported for type checkers is what is loaded when it is used."""
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    known = {
        alias.asname: node.module
        for block in tree.body
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
        if isinstance(node, ast.ImportFrom) and node.module and node.module != "typing"
        for alias in node.names
    }
    assert known == {name: f"hexterra.{home}" for name, home in hexterra._HOME.items()}
