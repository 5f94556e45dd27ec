"""The rooms form a pipeline: each imports the shared floor and rooms to its left."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import layoutgen

PKG = Path(layoutgen.__file__).parent
ROOMS = ["recipe", "optics", "exposure", "wafer", "layout", "review"]
FLOOR = {"units", "errors", "lattice", "codes", "workers", "caches", "kernels"}
# The top: the pipeline sees every room. The command line sees the pipeline, the errors, and the recipe
# room that it loads what the pipeline takes with.
TOP = {
    "__init__": {"pipeline", *FLOOR, *ROOMS},
    "pipeline": {"pipeline", *FLOOR, *ROOMS},
    "cli": {"pipeline", "errors", "recipe"},
}
FILES = sorted(PKG.rglob("*.py"))

# third party package -> where it may be used, as paths below the package
CONFINED = {
    "yaml": ["recipe/"],
    "pydantic": ["recipe/"],
    "typer": ["cli.py"],
    "rich": ["cli.py"],
    "shapely": ["wafer/"],
    "gdstk": ["layout/foreign.py", "review/gdstk_reader.py"],
    "isal": ["layout/", "review/"],
    "deflate": ["layout/"],
    "matplotlib": ["review/"],
    "jinja2": ["review/"],
    "numba": ["kernels.py", "layout/displacements.py"],
}


def imported(path: Path) -> set[str]:
    """Every module that a file imports, wherever in the file it does, as dotted names."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            # `from layoutgen import pipeline` imports a module too
            found |= (
                {f"layoutgen.{alias.name}" for alias in node.names}
                if node.module == "layoutgen"
                else {node.module}
            )
    return found


def own_parts(path: Path) -> set[str]:
    """The rooms, floor modules and top modules of the package that a file imports."""
    parts = {name.split(".")[1] for name in imported(path) if name.startswith("layoutgen.")}
    return {part for part in parts if (PKG / part).is_dir() or (PKG / f"{part}.py").is_file()}


def name(path: Path) -> str:
    return path.relative_to(PKG).as_posix()


@pytest.mark.parametrize("path", FILES, ids=name)
def test_file_imports_the_floor_and_rooms_to_its_left(path: Path) -> None:
    room = name(path).split("/")[0].removesuffix(".py")
    if room in ROOMS:
        allowed = FLOOR | set(ROOMS[: ROOMS.index(room) + 1])
    elif room in FLOOR:
        allowed = set(FLOOR)
    else:
        assert room in TOP, f"{name(path)} stands in no room: {ROOMS}, floor {sorted(FLOOR)}"
        allowed = TOP[room]
    used = own_parts(path)
    assert used <= allowed, f"{name(path)} may not use {sorted(used - allowed)}"


@pytest.mark.parametrize("module", sorted(FLOOR))
def test_floor_needs_numpy_and_the_standard_library_only(module: str) -> None:
    packages = {dotted.split(".")[0] for dotted in imported(PKG / f"{module}.py")}
    foreign = packages - set(sys.stdlib_module_names) - {"numpy", "layoutgen"}
    foreign -= {"numba"} if module == "kernels" else set()
    assert not foreign, f"{module}.py may not use {sorted(foreign)}"


@pytest.mark.parametrize("package", sorted(CONFINED))
def test_package_is_used_only_where_it_belongs(package: str) -> None:
    users = {
        name(path)
        for path in FILES
        if package in {dotted.split(".")[0] for dotted in imported(path)}
    }
    strangers = {
        user for user in users if not any(user.startswith(place) for place in CONFINED[package])
    }
    assert not strangers, f"{package} belongs in {CONFINED[package]}, not in {sorted(strangers)}"


@pytest.mark.parametrize("path", sorted((PKG / "review").glob("*.py")), ids=name)
def test_review_shares_no_code_with_the_writers(path: Path) -> None:
    # Where reader and writer share a mistake, a wrong file passes. What they may share are the
    # plain structures of layout.cells; what only plans the layout (layout.tree) writes nothing.
    used = {dotted for dotted in imported(path) if dotted.startswith("layoutgen.layout")}
    allowed = {"layoutgen.layout.cells"}
    if path.stem == "sem_sites":  # chooses pillars from the plan, reads no file
        allowed.add("layoutgen.layout.tree")
    assert used <= allowed, f"{name(path)} may not use {sorted(used - allowed)}"


def test_start_loads_no_heavy_package() -> None:
    # `--help` has to be there in half a second; numba alone takes a quarter of one
    heavy = ["numba", "scipy", "matplotlib", "shapely", "gdstk"]
    code = f"import sys, layoutgen.cli; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
