"""GDSII stream files, written cell by cell.

A record is its length (two bytes, big-endian, these four included), its kind, its data type, its
data. A cell is BGNSTR, STRNAME, elements, ENDSTR. A coded pillar is a reference to the cell of its
shape, 26 bytes with a name of two letters:

    SREF, SNAME name, XY x y, ENDEL

Dates are fixed, so equal layouts are equal bytes. Numbers of the unit are eight-byte reals: sign
bit, exponent of 16 in excess 64, 56 bits of mantissa. Coordinates are signed 32-bit.

Source: GDSII stream format manual, Calma, 1987.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import late_kernel
from layoutgen.layout.cells import Cell, EncodedCell, Pillars, Reference, ShapeCells, check_name

__all__ = ["GdsiiWriter", "encode_cell", "expected_bytes", "real8"]

ByteArray = NDArray[np.uint8]

HEADER, BGNLIB, LIBNAME, UNITS, ENDLIB = 0x0002, 0x0102, 0x0206, 0x0305, 0x0400
BGNSTR, STRNAME, ENDSTR = 0x0502, 0x0606, 0x0700
BOUNDARY, SREF, LAYER, DATATYPE, XY, ENDEL = 0x0800, 0x0A00, 0x0D02, 0x0E02, 0x1003, 0x1100
SNAME, STRANS, ANGLE = 0x1206, 0x1A01, 0x1C05

VERSION = 600
# First of January 2000, twice: last change, last access. Years count from 1900.
DATES = b"".join(n.to_bytes(2, "big") for n in (100, 1, 1, 0, 0, 0) * 2)
LIBRARY = "LIB"

# The classic limit of an XY record is 8191 pairs, the first of which is given again at the end.
MOST_VERTICES = 8190
# Signed 16-bit numbers.
MOST_LAYER = 32767


class _Out(Protocol):
    def write(self, data: bytes, /) -> Any: ...


def real8(value: float | Fraction) -> bytes:
    """The eight-byte real nearest to a value, exact where it can be."""
    exact = abs(Fraction(value))
    if exact == 0:
        return bytes(8)
    exponent = 0
    while exact >= 1:
        exact /= 16
        exponent += 1
    while exact < Fraction(1, 16):
        exact *= 16
        exponent -= 1
    mantissa = round(exact * 2**56)
    if mantissa == 2**56:
        mantissa, exponent = 2**52, exponent + 1
    return bytes(((0x80 if value < 0 else 0) | (exponent + 64),)) + mantissa.to_bytes(7, "big")


def _record(kind: int, data: bytes = b"") -> bytes:
    return (len(data) + 4).to_bytes(2, "big") + kind.to_bytes(2, "big") + data


def _text(kind: int, text: str) -> bytes:
    data = text.encode("ascii")
    return _record(kind, data + bytes(len(data) % 2))


def _pairs(cell: str, points: NDArray[np.int64]) -> bytes:
    _check_reach(cell, (int(points.min()), int(points.max())))
    return points.astype(">i4").tobytes()


def _check_reach(cell: str, values: Iterable[int]) -> None:
    for value in values:
        if not -(2**31) <= value < 2**31:
            raise ValueError(f"cell {cell}: a coordinate must fit in 32 bits, got {value}")


def _polygon(cell: str, layer: int, datatype: int, polygon: NDArray[np.int64]) -> bytes:
    if polygon.ndim != 2 or polygon.shape[1] != 2 or not 3 <= len(polygon) <= MOST_VERTICES:
        raise ValueError(
            f"cell {cell}: a polygon is (3 to {MOST_VERTICES}, 2), got {polygon.shape}"
        )
    if not (0 <= layer <= MOST_LAYER and 0 <= datatype <= MOST_LAYER):
        raise ValueError(
            f"cell {cell}: layer numbers go up to {MOST_LAYER}, got {layer}/{datatype}"
        )
    return b"".join(
        (
            _record(BOUNDARY),
            _record(LAYER, layer.to_bytes(2, "big")),
            _record(DATATYPE, datatype.to_bytes(2, "big")),
            _record(XY, _pairs(cell, np.vstack((polygon, polygon[:1])))),
            _record(ENDEL),
        )
    )


def _reference(cell: str, reference: Reference) -> bytes:
    parts = [_record(SREF), _text(SNAME, reference.cell)]
    turns = reference.turns % 4
    if reference.mirror or turns:
        parts.append(_record(STRANS, b"\x80\x00" if reference.mirror else b"\x00\x00"))
    if turns:
        parts.append(_record(ANGLE, real8(90 * turns)))
    at = np.array([(reference.x, reference.y)], np.int64)
    return b"".join((*parts, _record(XY, _pairs(cell, at)), _record(ENDEL)))


@late_kernel(
    "(Array(uint8, 2, 'C', True), Array(uint8, 2, 'C', True), int64, int64, int64, int64, "
    "int64, int64, uint8[::1], int64[::1])"
)
def _fill(
    codes: Any,
    heads: ByteArray,
    x0: int,
    y0: int,
    pitch: int,
    row_step: int,
    shift: int,
    odd: int,
    out: ByteArray,
    totals: NDArray[np.int64],
) -> int:
    """One reference per site: heads[code] with x and y filled in; the number of bytes."""
    size = heads.shape[1]
    p = 0
    for r in range(codes.shape[0]):
        y = np.uint32(y0 + r * row_step)
        for c in range(codes.shape[1]):
            code = np.int64(codes[r, c])
            if code == 0:
                continue
            totals[code] += 1
            x = np.uint32(x0 + c * pitch + ((r + odd) & 1) * shift)
            for i in range(size):
                out[p + i] = heads[code, i]
            # x and y stand before ENDEL
            at = p + size - 12
            for i in range(4):
                out[at + i] = (x >> np.uint32(24 - 8 * i)) & np.uint32(255)
                out[at + 4 + i] = (y >> np.uint32(24 - 8 * i)) & np.uint32(255)
            p += size
    return p


def _heads(names: list[str], numbers: NDArray[np.int64]) -> ByteArray:
    """A reference at (0, 0) to the shape of each code, (codes + 1, size); code 0 has none.

    The names are equally long, so every reference is.
    """
    lines = [
        _record(SREF) + _text(SNAME, names[n]) + _record(XY, bytes(8)) + _record(ENDEL)
        for n in numbers.tolist()
    ]
    flat = np.frombuffer(b"".join((bytes(len(lines[0])), *lines)), np.uint8)
    return flat.reshape(len(lines) + 1, -1)


def _pillars(cell: str, pillars: Pillars, shapes: ShapeCells) -> tuple[bytes, set[int], int]:
    block, lattice = pillars.block, pillars.lattice
    rows, cols = block.codes.shape
    numbers = shapes.numbers(pillars.table, pillars.layer)
    if rows == 0 or cols == 0:
        return b"", set(), 0
    if int(block.codes.max()) > len(numbers):
        raise ValueError(f"codes go up to {block.codes.max()}, the table has {len(numbers)} shapes")
    _check_reach(
        cell,
        (
            lattice.x_dbu(0, block.col0),
            lattice.x_dbu(1, block.col0 + cols),
            lattice.y_dbu(block.row0),
            lattice.y_dbu(block.row0 + rows),
        ),
    )
    heads = shapes.heads(pillars.table, pillars.layer, "gdsii", partial(_heads, shapes.names))
    out = np.zeros(int(np.count_nonzero(block.codes)) * heads.shape[1], np.uint8)
    totals = np.zeros(len(heads), np.int64)
    _fill(
        np.ascontiguousarray(block.codes),
        heads,
        lattice.x0_dbu + block.col0 * lattice.pitch_dbu,
        lattice.y_dbu(block.row0),
        lattice.pitch_dbu,
        lattice.row_dbu,
        lattice.shift_dbu,
        block.row0 & 1,
        out,
        totals,
    )
    return out.tobytes(), set(numbers[totals[1:] > 0].tolist()), int(totals.sum())


def _cell(name: str, content: Iterable[bytes]) -> bytes:
    return b"".join((_record(BGNSTR, DATES), _text(STRNAME, name), *content, _record(ENDSTR)))


def encode_cell(cell: Cell, shapes: ShapeCells) -> EncodedCell:
    """A cell as bytes; it may run in any thread or process, and in any order."""
    parts: list[bytes] = []
    used: set[int] = set()
    count = 0
    for pillars in cell.pillars:
        data, found, sites = _pillars(cell.name, pillars, shapes)
        parts.append(data)
        used |= found
        count += sites
    for group in cell.polygons:
        layer = group.layer
        parts.extend(_polygon(cell.name, layer.number, layer.datatype, p) for p in group.polygons)
    parts.extend(_reference(cell.name, reference) for reference in sorted(cell.references))
    return EncodedCell(cell.name, _cell(cell.name, parts), tuple(sorted(used)), count)


class GdsiiWriter:
    """Writes a file from its cells, in the order in which they are appended.

    The shape cells that are in use follow at the end; the format leaves the order free.
    """

    def __init__(self, out: _Out, *, dbu_nm: float, shapes: ShapeCells) -> None:
        self._out = out
        self._shapes = shapes
        self._written: set[str] = set()
        self._used: set[int] = set()
        self._size = 0
        self.pillars = 0
        dbu = Fraction(str(dbu_nm))
        # in micrometres and in metres, by way of the nearest double as readers take them
        units = real8(float(dbu / 1000)) + real8(float(dbu / 10**9))
        self._write(
            _record(HEADER, VERSION.to_bytes(2, "big"))
            + _record(BGNLIB, DATES)
            + _text(LIBNAME, LIBRARY)
            + _record(UNITS, units)
        )

    @property
    def size(self) -> int:
        """Bytes written so far."""
        return self._size

    def _write(self, data: bytes) -> None:
        self._size += len(data)
        self._out.write(data)

    def task(self, cell: Cell) -> partial[EncodedCell]:
        """What encodes a cell when called, in any thread or process; then `append` its result."""
        check_name(cell.name)
        return partial(encode_cell, cell, self._shapes)

    def append(self, cell: EncodedCell) -> None:
        """Write an encoded cell; a name can be written once."""
        if cell.name in self._written or cell.name in self._shapes.names:
            raise ValueError(f"a cell {cell.name} is in the file already")
        self._written.add(cell.name)
        self._used.update(cell.shapes)
        self.pillars += cell.pillars
        self._write(cell.data)

    def add(self, cell: Cell) -> EncodedCell:
        """Encode and append in one go."""
        encoded = self.task(cell)()
        self.append(encoded)
        return encoded

    def close(self) -> None:
        """Write the shape cells in use and the end of the library; `out` itself stays open."""
        for number in sorted(self._used):
            layer, name = self._shapes.layers[number], self._shapes.names[number]
            polygon = _polygon(name, layer.number, layer.datatype, self._shapes.polygons[number])
            self._write(_cell(name, (polygon,)))
        self._write(_record(ENDLIB))


def expected_bytes(
    stored_pillars: int, *, cells: int = 1, shapes: int = 100, vertices: int = 8, name: int = 2
) -> int:
    """Size of a file from the pillars stored in it: exact but for the cells' names.

    A pillar is a reference of 26 bytes where its shape's name has two letters; cells: those that hold pillars; shapes: drawn sizes in use.
    """
    shape = 28 + 6 + 4 + 6 + 6 + 4 + 8 * (vertices + 1) + 4 + 4
    return (24 + name + name % 2) * stored_pillars + 52 * cells + shape * shapes + 70
