"""Small layouts, and the same question put to three independent readers: which polygons stand where."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import fatamorgana
import gdstk
import klayout.db as kdb
import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock, ShapeTable
from layoutgen.lattice import Lattice
from layoutgen.layout.cells import Cell, Layer, Pillars, ShapeCells
from layoutgen.layout.gdsii import GdsiiWriter
from layoutgen.layout.oasis import Compression, OasisWriter
from layoutgen.layout.shapes import ladder_table

PILLARS = Layer(1, 0)
SQUARE = Lattice("square", 400, 400, "gap")
HEXAGONAL = Lattice("hexagonal", 400, 346, "gap")

#: layer, datatype, and the vertices from the smallest on, counter-clockwise
Polygon = tuple[int, int, tuple[tuple[int, int], ...]]
Flat = Counter[Polygon]


def table_of(kinds: int) -> ShapeTable:
    """A ladder of so many octagons, 100 nm upwards."""
    return ladder_table(min_nm=100, max_nm=99 + kinds, step_nm=1, vertices=8, grid_nm=1, dbu_nm=1)


def block_cell(
    name: str,
    codes: NDArray[Any],
    table: ShapeTable,
    lattice: Lattice = SQUARE,
    row0: int = 0,
    col0: int = 0,
    layer: Layer = PILLARS,
) -> Cell:
    return Cell(name, pillars=(Pillars(CodeBlock(row0, col0, codes), lattice, table, layer),))


def shapes_of(cells: Sequence[Cell]) -> ShapeCells:
    return ShapeCells((p.table, p.layer) for cell in cells for p in cell.pillars)


def oasis_bytes(
    cells: Sequence[Cell], *, dbu_nm: float = 1, compression: Compression = "fast"
) -> bytes:
    out = io.BytesIO()
    layers = {PILLARS: "pillars"}
    writer = OasisWriter(
        out, dbu_nm=dbu_nm, layers=layers, shapes=shapes_of(cells), compression=compression
    )
    for cell in cells:
        writer.add(cell)
    writer.close()
    assert writer.size == len(out.getvalue())
    return out.getvalue()


def gdsii_bytes(cells: Sequence[Cell], *, dbu_nm: float = 1) -> bytes:
    out = io.BytesIO()
    writer = GdsiiWriter(out, dbu_nm=dbu_nm, shapes=shapes_of(cells))
    for cell in cells:
        writer.add(cell)
    writer.close()
    assert writer.size == len(out.getvalue())
    return out.getvalue()


def canonical(layer: int, datatype: int, points: NDArray[np.int64]) -> Polygon:
    """The same for every start and direction of an outline."""
    x, y = points[:, 0], points[:, 1]
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0:
        points = points[::-1]
    vertices = [(int(a), int(b)) for a, b in points]
    start = vertices.index(min(vertices))
    return layer, datatype, tuple(vertices[start:] + vertices[:start])


def moved(points: NDArray[np.int64], mirror: bool, turns: int, x: int, y: int) -> NDArray[np.int64]:
    if mirror:
        points = points * np.array([1, -1])
    for _ in range(turns % 4):
        points = np.stack((-points[:, 1], points[:, 0]), axis=1)
    return np.asarray(points + np.array([x, y]))


def wanted(cells: Sequence[Cell], top: str) -> Flat:
    """What the cells say, by the definitions of `Cell`, site by site."""
    by_name = {cell.name: cell for cell in cells}

    def outlines(name: str) -> list[tuple[int, int, NDArray[np.int64]]]:
        cell = by_name[name]
        found = []
        for p in cell.pillars:
            for (r, c), code in np.ndenumerate(p.block.codes):
                if code:
                    row, col = p.block.row0 + r, p.block.col0 + c
                    place = np.array([p.lattice.x_dbu(row, col), p.lattice.y_dbu(row)])
                    polygon = p.table.polygons[int(code) - 1] + place
                    found.append((p.layer.number, p.layer.datatype, polygon))
        for group in cell.polygons:
            found += [(group.layer.number, group.layer.datatype, p) for p in group.polygons]
        for ref in cell.references:
            for layer, datatype, polygon in outlines(ref.cell):
                found.append((layer, datatype, moved(polygon, ref.mirror, ref.turns, ref.x, ref.y)))
        return found

    return Counter(canonical(*outline) for outline in outlines(top))


def by_gdstk(path: Path, top: str, dbu_nm: float = 1) -> Flat:
    read = gdstk.read_oas if path.suffix == ".oas" else gdstk.read_gds
    library: Any = read(str(path))
    cell: Any = next(c for c in library.cells if c.name == top)
    scale = dbu_nm / 1000  # both readers give micrometres
    return Counter(
        canonical(p.layer, p.datatype, np.rint(p.points / scale).astype(np.int64))
        for p in cell.get_polygons()
    )


def by_klayout(path: Path, top: str, dbu_nm: float = 1) -> Flat:
    layout = kdb.Layout()
    layout.read(str(path))
    assert abs(layout.dbu * 1000 - dbu_nm) < 1e-9
    found: Flat = Counter()
    for index in layout.layer_indexes():
        info = layout.get_info(index)
        shapes = layout.cell(top).begin_shapes_rec(index)
        while not shapes.at_end():
            polygon = shapes.shape().polygon.transformed(shapes.trans())
            points = np.array([(p.x, p.y) for p in polygon.each_point_hull()], np.int64)
            found[canonical(info.layer, info.datatype, points)] += 1
            shapes.next()
    return found


def _offsets(repetition: Any) -> list[tuple[int, int]]:
    if repetition is None:
        return [(0, 0)]
    steps_x, steps_y = repetition.x_displacements, repetition.y_displacements
    places = np.cumsum(np.array([(0, 0), *zip(steps_x, steps_y, strict=True)]), axis=0)
    return [(int(x), int(y)) for x, y in places]


def by_fatamorgana(path: Path, top: str, dbu_nm: float = 1) -> Flat:
    with path.open("rb") as file:
        layout = fatamorgana.OasisLayout.read(file)
    assert layout.unit * dbu_nm == 1000
    names = {number: cell.nstring.string for number, cell in layout.cellnames.items()}

    def name_of(reference: Any) -> str:
        return names[reference] if isinstance(reference, int) else reference.string

    cells: dict[str, Any] = {name_of(cell.name): cell for cell in layout.cells}

    def outlines(name: str) -> list[tuple[int, int, NDArray[np.int64]]]:
        found = []
        for shape in cells[name].geometry:
            # its list of steps ends with the one that closes the outline
            points = np.cumsum(np.array(shape.point_list, np.int64), axis=0)
            assert not points[-1].any()
            points = points + np.array([shape.x, shape.y])
            found.append((shape.layer, shape.datatype, points))
        for place in cells[name].placements:
            inner = outlines(name_of(place.name))
            turns = round((place.angle or 0) / 90)
            for dx, dy in _offsets(place.repetition):
                for layer, datatype, polygon in inner:
                    at = (place.x + dx, place.y + dy)
                    found.append((layer, datatype, moved(polygon, bool(place.flip), turns, *at)))
        return found

    return Counter(canonical(*outline) for outline in outlines(top))


OASIS_READERS: dict[str, Callable[[Path, str, float], Flat]] = {
    "gdstk": by_gdstk,
    "klayout": by_klayout,
    "fatamorgana": by_fatamorgana,
}
GDSII_READERS = {"gdstk": by_gdstk, "klayout": by_klayout}


def phase_codes(
    rows: int, cols: int, kinds: int, *, focal: float, row0: int = 0, col0: int = 0
) -> NDArray[Any]:
    """Codes of a lens of kinds levels on a 0.3 um lattice at 633 nm, whole, no aperture."""
    y = (row0 + np.arange(rows)[:, None] + 0.5) * 0.3
    x = (col0 + np.arange(cols)[None, :] + 0.5) * 0.3
    r2 = x * x + y * y
    turns = -r2 / (np.sqrt(r2 + focal * focal) + focal) / 0.633
    codes = 1 + ((turns - np.floor(turns)) * kinds).astype(np.int64).clip(0, kinds - 1)
    return codes.astype(np.uint8 if kinds < 256 else np.uint16)
