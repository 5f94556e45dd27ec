"""Foreign layout cells: read through gdstk, flattened to polygons on their own layers."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.layout.cells import Layer, Polygons

__all__ = ["read_foreign"]

MOST_POLYGONS = 1_000_000
#: A vertex this near a grid point, in database units, is on it: files hold places in double precision.
_ON_GRID = 1e-3


def read_foreign(
    data: bytes, file: str, cell: str, *, dbu_nm: float, where: str, warn: Callable[[str], None]
) -> list[Polygons]:
    """Polygons of a cell of a GDSII or OASIS file by layer, in database units from its origin.

    warn: is told where vertices are off the grid and are moved to it. InputError where the file cannot be
    read, the cell is not in it, or it is too large.
    """
    import gdstk

    suffix = Path(file).suffix.lower()
    if suffix not in (".gds", ".oas"):
        raise InputError(f"{where}: want a .gds or .oas file, got {file!r}")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"foreign{suffix}"
        path.write_bytes(data)
        read = gdstk.read_gds if suffix == ".gds" else gdstk.read_oas
        try:
            library: Any = read(str(path), unit=1e-6)
        except (OSError, RuntimeError, ValueError) as error:
            raise InputError(f"{where}: want a layout file, got {file!r}: {error}") from error
    found = {c.name: c for c in library.cells}
    if cell not in found:
        names = ", ".join(sorted(found)[:5]) or "no cells"
        raise InputError(f"{where}: want a cell of {file!r} ({names}), got {cell!r}")
    groups: dict[Layer, list[NDArray[np.int64]]] = {}
    polygons = found[cell].get_polygons()
    if len(polygons) > MOST_POLYGONS:
        raise InputError(
            f"{where}: want at most {MOST_POLYGONS} polygons in a foreign cell, got {len(polygons)}"
        )
    moved, lost = 0, 0
    for polygon in polygons:
        exact = np.asarray(polygon.points) * (1000 / dbu_nm)
        points = np.floor(exact + 0.5).astype(np.int64)
        moved += int((np.abs(exact - points) > _ON_GRID).any(axis=1).sum())
        x, y = points[:, 0], points[:, 1]
        twice = int(x @ np.roll(y, -1) - y @ np.roll(x, -1))
        if not twice:  # no area on this grid
            lost += 1
            continue
        layer = Layer(polygon.layer, polygon.datatype)
        groups.setdefault(layer, []).append(points if twice > 0 else points[::-1].copy())
    if moved or lost:
        gone = f", and {lost} polygons have no area there and are left out" if lost else ""
        warn(
            f"{where}: {moved} vertices of cell {cell!r} are off the grid of {dbu_nm:g} nm and are moved to it{gone}"
        )
    return [Polygons(layer, groups[layer]) for layer in sorted(groups)]
