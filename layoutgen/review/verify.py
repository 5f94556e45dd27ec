"""Prove that a layout file holds what the recipe gives, cell by cell.

What is expected comes as the stream of cells that the recipe gives, computed afresh; what the file
holds comes from a reader that shares nothing with the writer. A cell of coded pillars must give the
same integer array of codes, site by site; every other cell the same polygons and references. A
code's shape is the polygon in the file's own shape cell, which must be that of the shape table.

Differences come back as sentences, at most a few for each kind.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import ShapeTable
from layoutgen.layout.cells import Cell, Layer, Pillars, Reference, ShapeCells
from layoutgen.review.gdsii_reader import read_gdsii
from layoutgen.review.gdstk_reader import read_whole
from layoutgen.review.oasis_reader import STANDARD_PROPERTIES, OasisFile, read_oasis
from layoutgen.review.readcells import (
    IntArray,
    LayoutReadError,
    ReadCell,
    reference_codes,
    shape_key,
)

__all__ = ["verify_layout"]

#: Sentences told of one file; more would not say more.
MOST_TOLD = 25


class _Source(Protocol):
    unit_nm: float

    def __iter__(self) -> Iterator[ReadCell]: ...


class _Differences:
    """Sentences, the first few of many."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.more = 0

    def add(self, sentence: str) -> None:
        if len(self.told) < MOST_TOLD:
            self.told.append(sentence)
        else:
            self.more += 1

    def all(self) -> list[str]:
        return [*self.told, *([f"and {self.more} more differences"] if self.more else [])]


def verify_layout(
    path: Path,
    form: str,
    expected: Iterable[Cell],
    *,
    shapes: ShapeCells,
    dbu_nm: float,
    top: str,
    reader: str = "own",
) -> list[str]:
    """Hold a file (form oasis or gdsii) against the expected cells; the differences.

    reader: own (streams) or gdstk (reads the whole file into memory).
    """
    found = _Differences()
    try:
        if reader == "gdstk":
            _compare(read_whole(path, form), expected, shapes, dbu_nm, top, found)
        elif form == "oasis":
            with read_oasis(path) as oasis:
                boxes = _Boxes(shapes, oasis)
                _compare(oasis, boxes.watch(expected), shapes, dbu_nm, top, found)
                boxes.check(found)
        else:
            with read_gdsii(path) as gdsii:
                _compare(gdsii, expected, shapes, dbu_nm, top, found)
    except LayoutReadError as error:
        for problem in error.problems:
            found.add(problem)
    return found.all()


def _compare(
    source: _Source,
    expected: Iterable[Cell],
    shapes: ShapeCells,
    dbu_nm: float,
    top: str,
    found: _Differences,
) -> None:
    if abs(source.unit_nm - dbu_nm) > 1e-9 * dbu_nm:
        found.add(f"want a database unit of {dbu_nm:g} nm, got {source.unit_nm:g} nm")
    numbers = {name: number for number, name in enumerate(shapes.names)}
    codes = _CodeNames(shapes)
    referred: Counter[str] = Counter()
    used: set[str] = set()
    drawn: set[str] = set()
    # cells stand in the order in which they were written; a reader that cannot keep the order
    # hands out what is asked for by name
    waiting: dict[str, ReadCell] = {}
    cells = iter(source)

    def keep(cell: ReadCell) -> None:
        if cell.name in waiting:  # gdstk takes a second cell of the same name without a word
            found.add(f"cell {cell.name}: in the file twice")
        waiting[cell.name] = cell

    def next_cell(name: str) -> ReadCell | None:
        if name in waiting:
            return waiting.pop(name)
        for cell in cells:
            if cell.name in numbers:
                _check_shape(cell, numbers[cell.name], shapes, found)
                drawn.add(cell.name)
            elif cell.name == name:
                return cell
            else:
                keep(cell)
        return None

    for want in expected:
        got = next_cell(want.name)
        if got is None:
            found.add(f"cell {want.name}: missing")
            continue
        if want.pillars:
            used |= _check_pillars(got, want, codes, found)
        else:
            _check_plain(got, want, found)
            referred.update(reference.cell for reference in want.references)
    for cell in cells:
        if cell.name in numbers:
            _check_shape(cell, numbers[cell.name], shapes, found)
            drawn.add(cell.name)
        else:
            keep(cell)
    for name in sorted(waiting):
        found.add(f"cell {name}: not in the recipe's layout")
    for name in sorted(used - drawn):
        found.add(f"cell {name}: its shape is missing")
    for name in sorted(drawn - used):
        found.add(f"cell {name}: a shape that no pillar uses")
    if referred[top]:
        found.add(f"cell {top}: want it on top, got references to it")


class _Boxes:
    """Boxes of the expected cells, held against those that the file's table of names gives.

    A viewer, and our own pictures, leave out what a wrong box hides.
    """

    def __init__(self, shapes: ShapeCells, file: OasisFile) -> None:
        self.file = file
        self.known: dict[str, IntArray | None] = {
            name: _corners(polygon)
            for name, polygon in zip(shapes.names, shapes.polygons, strict=True)
        }
        self._reach: dict[tuple[int, Layer], tuple[ShapeTable, IntArray]] = {}

    def watch(self, cells: Iterable[Cell]) -> Iterator[Cell]:
        """The cells as they come; a cell comes after those that it places."""
        for cell in cells:
            self.known[cell.name] = self._of(cell)
            yield cell

    def _of(self, cell: Cell) -> IntArray | None:
        boxes = [box for pillars in cell.pillars if (box := self._pillars(pillars)) is not None]
        boxes += [_corners(polygon) for group in cell.polygons for polygon in group.polygons]
        for reference in cell.references:
            below = self.known.get(reference.cell)
            if below is None:
                continue
            x, y = below[:, 0].copy(), below[:, 1].copy()
            if reference.mirror:
                y = -y
            for _ in range(reference.turns % 4):
                x, y = -y, x
            boxes.append(_corners(np.stack([x + reference.x, y + reference.y], axis=1)))
        return _corners(np.concatenate(boxes)) if boxes else None

    def _pillars(self, pillars: Pillars) -> IntArray | None:
        """Corners of a block's pillars, from its outermost rows and columns: no pillar reaches further
        than half a step."""
        key = (id(pillars.table), pillars.layer)
        if key not in self._reach:
            reach = [np.zeros((2, 2), np.int64), *map(_corners, pillars.table.polygons)]
            self._reach[key] = (pillars.table, np.stack(reach))
        reach_of = self._reach[key][1]
        codes, lattice = pillars.block.codes, pillars.lattice
        rows, cols = np.flatnonzero(codes.any(axis=1)), np.flatnonzero(codes.any(axis=0))
        if not len(rows):
            return None
        outer = np.zeros(codes.shape, np.bool_)
        outer[[*rows[:2], *rows[-2:]]] = True
        outer[:, [*cols[:2], *cols[-2:]]] = True
        row, col = np.nonzero(outer & (codes > 0))
        held = reach_of[codes[row, col]]
        row, col = row + pillars.block.row0, col + pillars.block.col0
        x = lattice.x0_dbu + col * lattice.pitch_dbu + (row & 1) * lattice.shift_dbu
        y = lattice.y0_dbu + row * lattice.row_dbu
        return _corners((held + np.stack([x, y], axis=1)[:, None, :]).reshape(-1, 2))

    def check(self, found: _Differences) -> None:
        """Tell every box that is not what its cell reaches.

        Another program may have left them all out; a name of a property that is not of the standard
        may be a damaged one.
        """
        for name in sorted(self.file.property_names - STANDARD_PROPERTIES):
            found.add(f"table of names: want properties of the standard, got {name}")
        for name in self.file.cell_names.values() if self.file.boxes else ():
            corners, told = self.known.get(name), self.file.boxes.get(name)
            wanted = None if corners is None else tuple(corners.ravel().tolist())
            if wanted != told:
                found.add(
                    f"table of names: want the box {wanted or 'of nothing'} for cell {name}, got"
                    f" {told or 'none'}"
                )


def _corners(points: IntArray) -> IntArray:
    """Lower left and upper right corner of points (n, 2), (2, 2)."""
    return np.stack([points.min(axis=0), points.max(axis=0)])


class _CodeNames:
    """Shape cell -> code, for each shape table and layer.

    Sizes that a coarse address grid draws alike share a cell, and the first of their codes stands for all.
    """

    def __init__(self, shapes: ShapeCells) -> None:
        self.shapes = shapes
        self._known: dict[
            tuple[int, Layer], tuple[ShapeTable, Mapping[str, int], NDArray[np.integer] | None]
        ] = {}

    def of(self, pillars: Pillars) -> Mapping[str, int]:
        return self._of(pillars)[1]

    def wanted(self, pillars: Pillars) -> NDArray[np.integer]:
        """The block's codes, each as the one that stands for its shape."""
        _, _, first = self._of(pillars)
        codes: NDArray[np.integer] = pillars.block.codes
        return codes if first is None else first[codes]

    def _of(
        self, pillars: Pillars
    ) -> tuple[ShapeTable, Mapping[str, int], NDArray[np.integer] | None]:
        key = (id(pillars.table), pillars.layer)
        if key not in self._known:
            numbers = self.shapes.numbers(pillars.table, pillars.layer).tolist()
            names: dict[str, int] = {}
            first = [0]
            for code, number in enumerate(numbers, start=1):
                first.append(names.setdefault(self.shapes.names[number], code))
            apart = len(names) == len(numbers)
            stands = None if apart else np.array(first, np.uint16)
            self._known[key] = (pillars.table, names, stands)
        return self._known[key]


def _check_pillars(got: ReadCell, want: Cell, codes: _CodeNames, found: _Differences) -> set[str]:
    (pillars,) = want.pillars
    names = codes.of(pillars)
    read = reference_codes(got, names, pillars.lattice, pillars.block.window)
    for problem in read.problems:
        found.add(problem)
    for stray in got.strays(names):
        found.add(f"cell {got.name}: want pillars only, got {stray}")
    by_code = {code: name for name, code in names.items()}
    used = np.flatnonzero(np.bincount(read.block.codes.ravel(), minlength=1)).tolist()
    here = {by_code[code] for code in used if code}
    wanted, is_ = codes.wanted(pillars), read.block.codes
    if wanted.shape == is_.shape and np.array_equal(wanted, is_):
        return here
    wrong = np.argwhere(wanted != is_)
    for row, col in wrong[:3].tolist():
        x = pillars.lattice.x_dbu(pillars.block.row0 + row, pillars.block.col0 + col)
        y = pillars.lattice.y_dbu(pillars.block.row0 + row)
        want_code, got_code = int(wanted[row, col]), int(is_[row, col])
        found.add(
            f"cell {got.name}: want {_drawn(pillars.table, want_code, by_code)} at ({x}, {y}),"
            f" got {_drawn(pillars.table, got_code, by_code)}"
        )
    if len(wrong) > 3:
        found.add(f"cell {got.name}: {len(wrong) - 3} more sites differ")
    return here


def _drawn(table: ShapeTable, code: int, names: Mapping[int, str]) -> str:
    if not code:
        return "no pillar"
    return f"a pillar of {table.drawn_nm[code - 1]:g} nm ({names[code]})"


def _check_shape(got: ReadCell, number: int, shapes: ShapeCells, found: _Differences) -> None:
    layer = shapes.layers[number]
    want = Cell(got.name, polygons=())
    polygon = shapes.polygons[number]
    if len(got.shapes) != 1 or got.references:
        found.add(f"cell {want.name}: want one polygon, got {len(got.shapes)} shapes")
        return
    shape = got.shapes[0]
    if (shape.layer, shape.datatype) != (layer.number, layer.datatype):
        found.add(f"cell {got.name}: want layer {layer}, got {shape.layer}/{shape.datatype}")
    if shape.kind != "polygon" or len(shape.positions) != 1:
        found.add(f"cell {got.name}: want one polygon, got {len(shape.positions)} {shape.kind}s")
        return
    if _key(shape.polygon + shape.positions[0]) != shape_key(polygon):
        found.add(f"cell {got.name}: another outline than the shape table's")


def _key(polygon: NDArray[np.int64]) -> tuple[bytes, tuple[int, int]]:
    """`shape_key` of what a file holds, where a polygon may be without area."""
    try:
        return shape_key(polygon)
    except ValueError:
        return b"", (0, 0)


def _polygons(cell: ReadCell) -> Counter[tuple[int, int, bytes, tuple[int, int]]]:
    held: Counter[tuple[int, int, bytes, tuple[int, int]]] = Counter()
    for shape in cell.shapes:
        if shape.kind != "polygon":
            held[(shape.layer, shape.datatype, shape.kind.encode(), (0, 0))] += 1
            continue
        key, centre = _key(shape.polygon)
        for x, y in shape.positions.tolist():
            held[(shape.layer, shape.datatype, key, (centre[0] + 2 * x, centre[1] + 2 * y))] += 1
    return held


def _check_plain(got: ReadCell, want: Cell, found: _Differences) -> None:
    wanted: Counter[tuple[int, int, bytes, tuple[int, int]]] = Counter()
    for group in want.polygons:
        for polygon in group.polygons:
            key, centre = shape_key(polygon)
            wanted[(group.layer.number, group.layer.datatype, key, centre)] += 1
    held = _polygons(got)
    for layer, datatype, _, centre in (wanted - held).elements():
        found.add(
            f"cell {got.name}: a polygon on {layer}/{datatype} around"
            f" ({centre[0] / 2:g}, {centre[1] / 2:g}) is missing or differs"
        )
    for layer, datatype, _, centre in (held - wanted).elements():
        found.add(
            f"cell {got.name}: a polygon on {layer}/{datatype} around"
            f" ({centre[0] / 2:g}, {centre[1] / 2:g}) is not the recipe's"
        )
    placed = Counter(want.references)
    there: Counter[Reference] = Counter()
    for reference in got.references:
        turns = reference.turns
        if turns is None or reference.magnification != 1:
            found.add(f"cell {got.name}: a reference to {reference.cell} is turned or magnified")
            continue
        for x, y in reference.positions.tolist():
            there[Reference(reference.cell, x, y, turns, reference.mirror)] += 1
    for lost in sorted((placed - there).elements()):
        found.add(f"cell {got.name}: {_told(lost)} is missing")
    for extra in sorted((there - placed).elements()):
        found.add(f"cell {got.name}: {_told(extra)} is not the recipe's")


def _told(reference: Reference) -> str:
    turned = f", turned {90 * reference.turns} deg" if reference.turns else ""
    mirror = ", mirrored" if reference.mirror else ""
    return f"{reference.cell} at ({reference.x}, {reference.y}){turned}{mirror}"
