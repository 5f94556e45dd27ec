"""The layout as a stream of cells, before any file format: what both writers take.

A `Cell` is a name and a list of items: blocks of coded pillars, plain polygons, and references
to other cells. Coordinates are whole database units. A reference mirrors first (x axis: y -> -y,
when `mirror`), then turns by `turns` quarter turns counter-clockwise, then moves to (x, y), as
GDSII and OASIS both do. A cell comes after every cell that it refers to; the top cell is last.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock, ShapeTable
from layoutgen.lattice import Lattice

__all__ = [
    "Box",
    "Cell",
    "EncodedCell",
    "Layer",
    "Pillars",
    "Polygons",
    "Reference",
    "ShapeCells",
    "check_name",
]

_Heads = TypeVar("_Heads")
Box = tuple[int, int, int, int]

# Letters, digits and _, at most 32: what strict GDSII readers take (Calma 1987, from memory).
_NAME = re.compile(r"[A-Za-z0-9_]{1,32}")
_DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

# Names of a letter and a digit or letter: a GDSII reference then takes 26 bytes.
_SHORT_NAMES = 26 * 36


@dataclass(frozen=True, slots=True, order=True)
class Layer:
    """Layer and datatype numbers of a file."""

    number: int
    datatype: int

    def __str__(self) -> str:
        return f"{self.number}/{self.datatype}"


@dataclass(frozen=True, eq=False, slots=True)
class Pillars:
    """Coded sites: the polygon of each code stands at lattice.x_dbu(row, col), lattice.y_dbu(row)."""

    block: CodeBlock
    lattice: Lattice
    table: ShapeTable
    layer: Layer


@dataclass(frozen=True, eq=False, slots=True)
class Polygons:
    """Plain polygons on one layer, each (n, 2) int64 [x, y], not closed."""

    layer: Layer
    polygons: Sequence[NDArray[np.int64]]


@dataclass(frozen=True, slots=True, order=True)
class Reference:
    """One placement of another cell."""

    cell: str
    x: int
    y: int
    turns: int = 0
    mirror: bool = False


@dataclass(frozen=True, eq=False, slots=True)
class Cell:
    """A named cell. Names are letters, digits and _, at most 32 characters, unique in a file."""

    name: str
    pillars: Sequence[Pillars] = field(default=())
    polygons: Sequence[Polygons] = field(default=())
    references: Sequence[Reference] = field(default=())


def check_name(name: str) -> str:
    """`name`, if it can name a cell in both formats."""
    if not _NAME.fullmatch(name):
        raise ValueError(f"a cell's name must be 1 to 32 letters, digits or _, got {name!r}")
    return name


class ShapeCells:
    """One small cell for each drawn shape on each layer: what a pillar's position refers to.

    Number and name of a shape follow from the order of `parts` alone (every pair of a shape table
    and a layer that the layout may use), never from what turns out to be used, so cells can be
    encoded in any order and on any worker. Equal polygons on one layer share a cell.

    polygons[i] is the shape of number i, (n, 2) int64 in database units; names[i] its cell.
    """

    def __init__(self, parts: Iterable[tuple[ShapeTable, Layer]]) -> None:
        self.polygons: list[NDArray[np.int64]] = []
        self.layers: list[Layer] = []
        self._known: dict[tuple[Layer, bytes], int] = {}
        for table, layer in parts:
            for polygon in table.polygons:
                key = (layer, polygon.tobytes())
                if key not in self._known:
                    self._known[key] = len(self.polygons)
                    self.polygons.append(polygon)
                    self.layers.append(layer)
        count = len(self.polygons)
        if count <= _SHORT_NAMES:
            self.names = [_DIGITS[10 + i // 36] + _DIGITS[i % 36] for i in range(count)]
        else:
            self.names = [
                _DIGITS[10 + i // 36**3] + "".join(_DIGITS[i // 36**k % 36] for k in (2, 1, 0))
                for i in range(count)
            ]
        self._by_table: dict[tuple[int, Layer], tuple[ShapeTable, NDArray[np.int64]]] = {}
        self._heads: dict[tuple[int, Layer, str], Any] = {}

    def __getstate__(self) -> dict[str, Any]:
        # an object's id means nothing in another process
        return {**self.__dict__, "_by_table": {}, "_heads": {}}

    def __len__(self) -> int:
        return len(self.polygons)

    def numbers(self, table: ShapeTable, layer: Layer) -> NDArray[np.int64]:
        """Number of the shape of each code of a table, (len(table),), code 1 first."""
        known = self._by_table.get((id(table), layer))
        if known is None:
            try:
                found = [self._known[layer, polygon.tobytes()] for polygon in table.polygons]
            except KeyError:
                raise ValueError(f"a shape on layer {layer} was not declared") from None
            # the table is kept, so that its id stays its own
            known = (table, np.array(found, np.int64))
            self._by_table[id(table), layer] = known
        return known[1]

    def heads(
        self,
        table: ShapeTable,
        layer: Layer,
        form: str,
        make: Callable[[NDArray[np.int64]], _Heads],
    ) -> _Heads:
        """What a format makes of the numbers of a table's shapes, made once for all its blocks."""
        numbers = self.numbers(table, layer)  # keeps the table, so that its id stays its own
        key = (id(table), layer, form)
        if key not in self._heads:
            self._heads[key] = make(numbers)
        found: _Heads = self._heads[key]
        return found


@dataclass(frozen=True, slots=True)
class EncodedCell:
    """A cell as bytes of a file; `shapes` are the numbers of the shape cells it refers to.

    pillars: sites stored in this cell, each once, whatever refers to the cell.
    """

    name: str
    data: bytes
    shapes: tuple[int, ...] = ()
    pillars: int = 0
    codes: NDArray[np.int64] | None = None  # sites of each code, entry 0 the empty ones
    box: Box | None = None  # of its own polygons and pillars: x low, y low, x high, y high
    references: Sequence[Reference] = ()
