"""A first run compiles on two cores: what comes late is declared with the types that builds use, and found."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest

from layoutgen import kernels
from layoutgen.pipeline.build import build
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import LONE, Recipe, environment, write

#: Late kernels, and some of their work, in a process of its own.
TWO = """
import layoutgen.kernels as k, layoutgen.pipeline.build
k._LATE[:] = [late for late in k._LATE if late[0].py_func.__name__ in ("_group", "_table")]
k.compile_late()
print(*sorted((m.py_func.__name__, sum(m.stats.cache_hits.values())) for m, _ in k._LATE))
"""


def test_builds_call_late_kernels_with_the_types_that_were_declared(tmp_path: Path) -> None:
    def larger(recipe: Recipe) -> None:
        # large against the kernel's reach, so that densities at SEM sites are summed
        recipe["lenses"][0]["aperture"] = "300 um"
        recipe["lenses"][0]["phase"] = [{"kind": "focus", "focal_length": "600 um"}]
        recipe["exposure"]["backscatter"][0]["range"] = "2 um"
        recipe["wafer"]["die_pitch"] = ["400 um", "400 um"]
        recipe["wafer"]["diameter"] = "1 mm"

    build(load_recipe(write(tmp_path, LONE, larger)), tmp_path / "jobs", jobs=1)
    assert len(kernels._LATE) >= 10
    for made, types in kernels._LATE:
        assert kernels.argument_types(types) in made.signatures, made.py_func.__name__


def test_what_one_process_compiled_the_next_one_finds(tmp_path: Path) -> None:
    told = [
        subprocess.run(
            [sys.executable, "-c", TWO], env={**environment(), "NUMBA_CACHE_DIR": str(tmp_path)},
            capture_output=True, text=True, check=True,
        ).stdout
        for _ in range(2)
    ]  # fmt: skip
    assert told == ["('_group', 0) ('_table', 0)\n", "('_group', 1) ('_table', 1)\n"]


def trial(module: str) -> Any:
    """A kernel that has never been compiled, as if it stood in a module."""

    def double(x: Any) -> Any:
        return 2 * x

    double.__module__ = module
    # no file to keep it beside
    return numba.njit(**kernels._KERNEL)(double)


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[subprocess.Popen[bytes]]:
    """The second processes of a test, which only wait."""
    found: list[subprocess.Popen[bytes]] = []

    def second() -> subprocess.Popen[bytes]:
        found.append(subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"]))
        return found[-1]

    monkeypatch.setattr(kernels, "_second", second)
    return found


def test_the_second_process_comes_with_the_first_compiling_and_goes_with_the_build(
    started: list[subprocess.Popen[bytes]],
) -> None:
    with kernels.compiled_beside(2):
        assert trial("somebody.else")(np.int64(3)) == 6
        assert not started
        assert trial("layoutgen.trial")(np.int64(4)) == 8
        assert trial("layoutgen.trial")(np.int64(5)) == 10
        assert len(started) == 1
        assert started[0].poll() is None
    assert started[0].poll() is not None
    trial("layoutgen.trial")(np.int64(3))
    assert len(started) == 1


def test_there_is_none_on_one_core(started: list[subprocess.Popen[bytes]]) -> None:
    with kernels.compiled_beside(1):
        trial("layoutgen.trial")(np.int64(4))
    assert not started


def test_a_system_without_room_for_it_builds_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def full(*command: Any, **more: Any) -> None:
        asked.append(command)
        # what fork says at a limit (POSIX: EAGAIN)
        raise BlockingIOError("Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", full)
    with kernels.compiled_beside(2):
        assert trial("layoutgen.trial")(np.int64(4)) == 8
        assert trial("layoutgen.trial")(np.int64(5)) == 10
    assert len(asked) == 1


def test_it_ends_with_an_error_too(started: list[subprocess.Popen[bytes]]) -> None:
    def interrupted() -> None:
        with kernels.compiled_beside(2):
            trial("layoutgen.trial")(np.int64(4))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert started[0].poll() is not None


def test_a_file_of_the_current_folder_is_not_taken_for_a_module(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "numpy.py").write_text("open('taken', 'w')\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    process = kernels._second()
    assert process is not None
    assert process.wait(300) == 0
    assert not (tmp_path / "taken").exists()
    assert os.listdir(tmp_path) == ["numpy.py"]
