"""The user's cache folder, and a place for kernels and fonts where neither package nor home can be written.

The compiler of the kernels keeps them beside the package or in the user's cache folder, and refuses to
work where it can do neither: a package installed for all, run by a user without a home. Then a folder of
this user's own in the system's temporary one takes them; settings of the environment come first.
"""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["provide_caches", "user_cache"]


def user_cache() -> Path | None:
    """The user's folder for what can be made again (XDG base directories); None where the system names none."""
    given = os.environ.get("XDG_CACHE_HOME", "")
    if given and Path(given).is_absolute():  # the specification says to ignore relative ones
        return Path(given)
    try:
        return Path.home() / ".cache"
    except RuntimeError:  # no home
        return None


def provide_caches(package: Path) -> None:
    """Set NUMBA_CACHE_DIR and MPLCONFIGDIR where they are needed and not given."""
    kernels = "NUMBA_CACHE_DIR" not in os.environ and not _writable(package / "__pycache__")
    fonts = "MPLCONFIGDIR" not in os.environ
    if not (kernels or fonts) or _home_is_writable():
        return
    folder = _own_folder()
    if kernels:
        os.environ["NUMBA_CACHE_DIR"] = str(folder / "kernels")
    if fonts:
        os.environ["MPLCONFIGDIR"] = str(folder / "fonts")


def _home_is_writable() -> bool:
    local = os.environ.get("LOCALAPPDATA", "")  # where Windows has it
    folder = Path(local) if local else user_cache()
    return folder is not None and _writable(folder)


def _writable(folder: Path) -> bool:
    """Whether a folder takes files, or could be made."""
    for place in (folder, *folder.parents):
        if place.exists():
            return place.is_dir() and os.access(place, os.W_OK | os.X_OK)
    return False


def _own_folder() -> Path:
    """A folder that only this user can write: compiled code is run as it is found."""
    import tempfile  # rarely wanted, and not free to load

    user = os.getuid() if hasattr(os, "getuid") else None
    folder = Path(tempfile.gettempdir()) / f"layoutgen-{user or 0}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError:
        return Path(tempfile.mkdtemp(prefix="layoutgen-"))
    if folder.is_symlink() or found.st_mode & 0o077 or user not in (None, found.st_uid):
        return Path(tempfile.mkdtemp(prefix="layoutgen-"))
    return folder
