"""A second reader: gdstk reads the whole file into memory and hands out the same cells.

What it finds owes nothing to our reader, which only checks first that the records are sound: a
mistake that our writer and our reader would share shows here.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.review.gdsii_reader import read_gdsii
from layoutgen.review.oasis_reader import read_oasis
from layoutgen.review.readcells import (
    LayoutReadError,
    Placements,
    ReadCell,
    ReadReference,
    ReadShape,
)

__all__ = ["WholeFile", "read_whole"]


class WholeFile:
    """Cells of a file that gdstk has read; unit_nm is the file's database unit."""

    def __init__(self, library: Any) -> None:
        self.unit_nm = float(library.precision) * 1e9
        self._cells = list(library.cells)

    def __iter__(self) -> Iterator[ReadCell]:
        for cell in self._cells:
            yield GdstkCell(cell, self.unit_nm)


def read_whole(path: Path, form: str) -> WholeFile:
    """Read a layout file (oasis or gdsii) with gdstk."""
    import gdstk

    # gdstk passes over much that is malformed and crashes on some of it: only a file whose records
    # are sound is given to it
    with read_oasis(path) if form == "oasis" else read_gdsii(path) as records:
        for cell in records:
            _ = cell.shapes, cell.references  # read now, not when asked for
    read = gdstk.read_oas if form == "oasis" else gdstk.read_gds
    try:
        if form == "oasis":
            # gdstk reads on where END is cut short; END is the last 256 bytes (SEMI P39)
            if path.read_bytes()[-256:-255] != b"\x02":
                raise LayoutReadError(f"{path.name}: want an END record of 256 bytes, got none")
            if gdstk.oas_validate(str(path))[0] is False:
                raise LayoutReadError(f"{path.name}: its checksum is not that of its bytes")
        with warnings.catch_warnings():
            # records that gdstk does not know, and references to nothing, are no more than warnings
            warnings.simplefilter("error", RuntimeWarning)
            return WholeFile(read(str(path)))
    except (OSError, RuntimeError, RuntimeWarning, ValueError) as error:
        raise LayoutReadError(f"{path.name}: gdstk cannot read it: {error}") from error


def _dbu(values: Any, unit_nm: float) -> NDArray[np.int64]:
    scaled = np.asarray(values, dtype=np.float64).reshape(-1, 2) * (1e3 / unit_nm)
    return np.floor(scaled + 0.5).astype(np.int64)


def _places(origin: Any, repetition: Any, unit_nm: float) -> Placements:
    x, y = _dbu([origin], unit_nm)[0].tolist()
    offsets = None if repetition is None else repetition.get_offsets()
    if offsets is None or not len(offsets):
        return Placements(x, y, np.zeros((1, 2), np.int32))
    return Placements(x, y, _dbu(offsets, unit_nm).astype(np.int32))


class GdstkCell(ReadCell):
    """A cell of gdstk's, listed when it is asked for."""

    def __init__(self, cell: Any, unit_nm: float) -> None:
        super().__init__(cell.name, 0)
        self._cell = cell
        self._unit_nm = unit_nm

    def _list_shapes(self) -> list[ReadShape]:
        cell, unit_nm = self._cell, self._unit_nm
        found = []
        for polygon in cell.polygons:
            points = _dbu(polygon.points, unit_nm)
            places = _places((0.0, 0.0), polygon.repetition, unit_nm)
            found.append(ReadShape("polygon", polygon.layer, polygon.datatype, points, places))
        for kind, others in (("path", cell.paths), ("text", cell.labels)):
            for other in others:
                layer = other.layers[0] if kind == "path" else other.layer
                empty = np.zeros((0, 2), np.int64)
                places = Placements(0, 0, np.zeros((1, 2), np.int32))
                found.append(ReadShape(kind, layer, 0, empty, places))
        return found

    def _list_references(self) -> list[ReadReference]:
        cell, unit_nm = self._cell, self._unit_nm
        found = []
        for reference in cell.references:
            target = reference.cell
            name = target if isinstance(target, str) else target.name
            degrees = round(float(np.degrees(reference.rotation)), 9) % 360
            found.append(
                ReadReference(
                    name,
                    _places(reference.origin, reference.repetition, unit_nm),
                    mirror=bool(reference.x_reflection),
                    angle_deg=degrees,
                    magnification=float(reference.magnification),
                )
            )
        return found
