"""Kernels are kept where neither the package nor a home can be written, and never where others can write."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from layoutgen.caches import provide_caches
from tests.e2e_recipes import LONE, environment, write

NAMES = ("NUMBA_CACHE_DIR", "MPLCONFIGDIR", "XDG_CACHE_HOME", "LOCALAPPDATA")


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package's folder, a home and a temporary folder of the test's own; nothing given in the environment."""
    for name in NAMES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    for name in ("home", "temporary", "package"):
        (tmp_path / name).mkdir()
    return tmp_path / "package"


def closed(monkeypatch: pytest.MonkeyPatch, *folders: Path) -> None:
    """As if these folders, and what is below them, could not be written (whoever runs the tests may be root)."""
    real = os.access

    def access(path: str | Path, mode: int) -> bool:
        return not any(Path(path).is_relative_to(f) for f in folders) and real(path, mode)

    monkeypatch.setattr(os, "access", access)


def test_nothing_is_set_where_home_or_package_can_be_written(
    package: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed(monkeypatch, package)
    provide_caches(package)
    assert not any(name in os.environ for name in NAMES)


def test_without_home_and_package_a_folder_of_the_users_own_is_named(
    package: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed(monkeypatch, package, package.parent / "home")
    provide_caches(package)
    folder = Path(os.environ["NUMBA_CACHE_DIR"]).parent
    assert folder.parent == package.parent / "temporary"
    assert folder.stat().st_mode & 0o077 == 0
    assert Path(os.environ["MPLCONFIGDIR"]).parent == folder
    # the next process of the same user finds the same kernels
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    provide_caches(package)
    assert Path(os.environ["NUMBA_CACHE_DIR"]).parent == folder


def test_what_the_environment_gives_is_kept(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    closed(monkeypatch, package, package.parent / "home")
    monkeypatch.setenv("NUMBA_CACHE_DIR", "/given")
    provide_caches(package)
    assert os.environ["NUMBA_CACHE_DIR"] == "/given"


@pytest.mark.parametrize("trap", ["open to others", "a link", "of another user"])
def test_a_folder_that_others_could_have_filled_is_not_used(
    package: Path, monkeypatch: pytest.MonkeyPatch, trap: str
) -> None:
    if not hasattr(os, "getuid"):
        pytest.skip("no users by number here")
    closed(monkeypatch, package, package.parent / "home")
    folder = package.parent / "temporary" / f"layoutgen-{os.getuid()}"
    if trap == "a link":
        (package.parent / "elsewhere").mkdir(mode=0o700)
        folder.symlink_to(package.parent / "elsewhere")
    else:
        folder.mkdir()
        folder.chmod(0o777 if trap == "open to others" else 0o700)
    if trap == "of another user":
        user = os.getuid()
        folder.rename(folder.with_name(f"layoutgen-{user + 1}"))
        monkeypatch.setattr(os, "getuid", lambda: user + 1)
    provide_caches(package)
    chosen = Path(os.environ["NUMBA_CACHE_DIR"]).parent
    assert chosen.name not in (folder.name, f"layoutgen-{os.getuid()}")
    assert chosen.stat().st_mode & 0o077 == 0


def test_a_build_without_home_and_with_a_package_that_cannot_be_written(tmp_path: Path) -> None:
    # as a package that is installed for all, used by one who has no home: every place refuses but the temporary one
    refuse = (
        "import os; from pathlib import Path; real = os.access\n"
        "os.access = lambda path, mode: (not mode & os.W_OK or Path(path).is_relative_to(os.environ['TMPDIR'])) and real(path, mode)\n"
        "from layoutgen.cli import main; main()"
    )
    recipe = write(tmp_path / "recipe", LONE)
    (tmp_path / "temporary").mkdir()
    surrounding = environment(HOME="/nowhere", TMPDIR=str(tmp_path / "temporary"))
    for name in NAMES:
        surrounding.pop(name, None)
    done = subprocess.run(
        [sys.executable, "-c", refuse, "check", str(recipe)],
        capture_output=True,
        text=True,
        env=surrounding,
    )
    assert done.returncode == 0, done.stderr
    assert list((tmp_path / "temporary").glob("layoutgen-*/kernels/**/*.nbi"))
