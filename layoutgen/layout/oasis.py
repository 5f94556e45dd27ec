"""OASIS files (SEMI P39), in strict mode, written cell by cell.

A file is the magic bytes, START, cells, name tables, END:

    CELL number, one CBLOCK with all that is in the cell        for each cell
    CELLNAME name number, its properties S_CELL_OFFSET and S_BOUNDING_BOX    for each cell, after all
    LAYERNAME name layer datatype                               for each layer
    END with the tables' offsets, padded to 256 bytes, CRC32 of all that precedes

A coded pillar is an entry in the repetition of a placement of its shape's cell; the module
`displacements` makes these. Whatever cannot depend on a clock or a name of a machine does not.

Readers that a strict file must suit refuse or misread polygon point lists of types 0 and 1 with an
odd number of steps, cells that are split over compressed blocks, repetitions of one, and numbers
that are given twice; none of these is written. The unit is a whole number of grid steps per
micrometre.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial
from itertools import pairwise
from typing import Any, Literal, Protocol

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from layoutgen.layout.boxes import joined, pillar_box, polygon_box, shape_boxes, turned
from layoutgen.layout.cells import (
    Box,
    Cell,
    EncodedCell,
    Layer,
    Polygons,
    Reference,
    ShapeCells,
    check_name,
)
from layoutgen.layout.displacements import Prefixes, encode_sites

__all__ = ["Compression", "OasisWriter", "encode_cell", "expected_bytes", "grid_steps_per_um"]

Compression = Literal["fast", "small"]

MAGIC = b"%SEMI-OASIS\r\n"
START, END, CELLNAME, PROPNAME, LAYERNAME, CELL = 1, 2, 4, 7, 11, 13
PLACEMENT, POLYGON, PROPERTY, CBLOCK = 17, 21, 28, 34
END_BYTES = 256

# Level 0 of isal codes every block with one fixed table. Its levels 1 to 3 make a table for each
# block, and now and then (3 processes of 1,600) the table depends on what lies about on the
# stack: other bytes for the same data, all through that process.
FAST_LEVEL = 0

# Level 5 of libdeflate: a quarter to two fifths smaller than `fast`. Level 6 takes a quarter more
# time for 3 to 9 % of the size; zlib-ng needs twice the time for the size of level 5 or 6.
SMALL_LEVEL = 5

# Sites of one code in a strip of columns. Shorter lists bring the lists of neighbouring codes
# closer together, longer ones have fewer headers; measured on lenses of f/0.5 to f/5.
STRIP_SITES = {"fast": 64, "small": 256}

# A compressed block's own header takes up to ten bytes.
SMALLEST_BLOCK = 64


class _Out(Protocol):
    def write(self, data: bytes, /) -> Any: ...


def _unsigned(value: int) -> bytes:
    if value < 128:  # most are short
        return bytes((value,))
    if value < 16384:
        return bytes((value & 127 | 128, value >> 7))
    digits = bytearray()
    while value > 127:
        digits.append(value & 127 | 128)
        value >>= 7
    digits.append(value)
    return bytes(digits)


def _signed(value: int) -> bytes:
    return _unsigned(abs(value) << 1 | (value < 0))


def _step(dx: int, dy: int) -> bytes:
    """A step of a point list in the general form of two numbers."""
    return _unsigned(abs(dx) << 2 | (2 if dx < 0 else 0) | 1) + _signed(dy)


def _string(text: str) -> bytes:
    data = text.encode("ascii")
    return _unsigned(len(data)) + data


def _check_reach(cell: str, values: Iterable[int]) -> None:
    # many readers keep coordinates in 32 bits, repetitions included
    for value in values:
        if not -(2**31) <= value < 2**31:
            raise ValueError(f"cell {cell}: a coordinate must fit in 32 bits, got {value}")


def _polygon(layer: Layer, polygon: NDArray[np.int64]) -> bytes:
    points = polygon.tolist()
    steps = [_step(x1 - x0, y1 - y0) for (x0, y0), (x1, y1) in pairwise(points)]
    return b"".join(
        (
            bytes((POLYGON, 0b0011_1011)),  # point list, x, y, datatype, layer
            _unsigned(layer.number),
            _unsigned(layer.datatype),
            b"\x04",  # point list type 4: steps in any direction, closed implicitly
            _unsigned(len(steps)),
            *steps,
            _signed(points[0][0]),
            _signed(points[0][1]),
        )
    )


def _polygons(cell: str, group: Polygons) -> bytes:
    records = []
    for polygon in group.polygons:
        if polygon.ndim != 2 or polygon.shape[1] != 2 or len(polygon) < 3:
            raise ValueError(f"cell {cell}: a polygon is (3 or more, 2), got {polygon.shape}")
        _check_reach(cell, (int(polygon.min()), int(polygon.max())))
        records.append(_polygon(group.layer, polygon))
    return b"".join(records)


def _reference(cell: str, reference: Reference, numbers: Mapping[str, int]) -> bytes:
    _check_reach(cell, (reference.x, reference.y))
    info = 0b1111_0000 | (reference.turns % 4) << 1 | reference.mirror
    return b"".join(
        (
            bytes((PLACEMENT, info)),
            _unsigned(numbers[reference.cell]),
            _signed(reference.x),
            _signed(reference.y),
        )
    )


def _prefixes(numbers: NDArray[np.int64]) -> Prefixes:
    """The placement of each code's shape cell, up to its x."""
    heads = [bytes((PLACEMENT, 0b1111_0000)) + _unsigned(n) for n in numbers.tolist()]
    ends = np.cumsum([0, *(len(head) for head in heads)]).astype(np.int64)
    data = np.frombuffer(b"".join(heads), np.uint8)
    return Prefixes(data, ends, info_y=0b0001_0000, info_r=0b0000_1000)


def deflate(data: bytes | memoryview, compression: Compression) -> bytes:
    """Raw deflate (RFC 1951); equal bytes on every processor and for every number of workers."""
    if compression == "fast":
        return isal_zlib.compress(data, FAST_LEVEL, wbits=-15)
    from deflate import deflate_compress

    return bytes(deflate_compress(data, SMALL_LEVEL))


def encode_cell(
    cell: Cell, shapes: ShapeCells, numbers: Mapping[str, int], compression: Compression
) -> EncodedCell:
    """A cell as CELL record and compressed block.

    numbers: the cell's own number and those of the cells it refers to (`OasisWriter.number`); it
    may run in any thread or process, and in any order.
    """
    parts: list[bytes | memoryview] = []
    used: set[int] = set()
    count = 0
    codes: NDArray[np.int64] | None = None
    box: Box | None = None
    for n, pillars in enumerate(cell.pillars):
        block, lattice = pillars.block, pillars.lattice
        rows, cols = block.codes.shape
        _check_reach(
            cell.name,
            (
                lattice.x_dbu(0, block.col0),
                lattice.x_dbu(1, block.col0 + cols),
                lattice.y_dbu(block.row0),
                lattice.y_dbu(block.row0 + rows),
            ),
        )
        data, sites = encode_sites(
            block,
            lattice,
            shapes.heads(pillars.table, pillars.layer, "oasis", _prefixes),
            strip_sites=STRIP_SITES[compression],
        )
        # the view is good until the next call only
        parts.append(data if n == len(cell.pillars) - 1 else bytes(data))
        used.update(shapes.numbers(pillars.table, pillars.layer)[sites[1:] > 0].tolist())
        count += int(sites.sum())
        codes = sites if len(cell.pillars) == 1 else None
        if sites[1:].any():
            extents = shapes.heads(
                pillars.table, pillars.layer, "box", partial(shape_boxes, shapes.polygons)
            )
            box = joined(box, pillar_box(block, lattice, extents))
    parts.extend(_polygons(cell.name, group) for group in cell.polygons)
    for group in cell.polygons:
        for polygon in group.polygons:
            box = joined(box, polygon_box(polygon))
    parts.extend(_reference(cell.name, r, numbers) for r in sorted(cell.references))
    parts = [part for part in parts if len(part)]
    content = parts[0] if len(parts) == 1 else b"".join(parts)
    head = bytes((CELL,)) + _unsigned(numbers[cell.name])
    if len(content) >= SMALLEST_BLOCK:
        packed = deflate(content, compression)
        if len(packed) + 10 < len(content):
            head += b"".join((bytes((CBLOCK, 0)), _unsigned(len(content)), _unsigned(len(packed))))
            content = packed
    return EncodedCell(
        cell.name, head + content, tuple(sorted(used)), count, codes, box, cell.references
    )


def _box_property(box: Box | None) -> bytes:
    """The property S_BOUNDING_BOX of a cell name: flags, lower left corner, width and height.

    A cell that draws nothing, or that was written before what it places, has none.
    """
    if box is None:
        return b""
    x0, y0, x1, y1 = box
    # info 0x57: five values; types 8 and 9 are unsigned and signed integers
    return b"".join(
        (
            bytes((PROPERTY, 0x57, 1, 8, 0, 9)), _signed(x0), b"\x09", _signed(y0),
            b"\x08", _unsigned(x1 - x0), b"\x08", _unsigned(y1 - y0),
        )
    )  # fmt: skip


def grid_steps_per_um(dbu_nm: float) -> int:
    """The OASIS unit; refused unless it is a whole number, which no reader can round."""
    steps = round(1000 / dbu_nm)
    if abs(steps * dbu_nm - 1000) > 1e-9:
        raise ValueError(f"1 um must be a whole number of database units, got {dbu_nm} nm")
    return steps


class OasisWriter:
    """Writes a file from its cells, in the order in which they are appended.

    Give every cell a number, encode it anywhere, append it; the shape cells that are in use follow
    at the end. `out` needs only `write`. A cell comes after the cells that it refers to, by habit
    of readers that go through a file once, though the format does not ask for it.
    """

    def __init__(
        self,
        out: _Out,
        *,
        dbu_nm: float,
        layers: Mapping[Layer, str],
        shapes: ShapeCells,
        compression: Compression = "fast",
    ) -> None:
        self._out = out
        self._layers = dict(layers)
        self._shapes = shapes
        self._compression: Compression = compression
        self._numbers = {name: number for number, name in enumerate(shapes.names)}
        self._offsets: dict[int, int] = {}
        self._names: dict[int, str] = {}
        self._used: set[int] = set()
        self._boxes: dict[int, Box | None] = {}  # by number, with all below the cell
        self._crc = 0
        self._size = 0
        self.pillars = 0
        unit = grid_steps_per_um(dbu_nm)
        # unit as a real of type 0, a whole number; the tables' offsets stand in END
        self._write(MAGIC + bytes((START,)) + _string("1.0") + b"\x00" + _unsigned(unit) + b"\x01")

    @property
    def size(self) -> int:
        """Bytes written so far."""
        return self._size

    def _write(self, data: bytes) -> None:
        self._crc = isal_zlib.crc32(data, self._crc)
        self._size += len(data)
        self._out.write(data)

    def number(self, name: str) -> int:
        """The number of a cell, allotted at the first call; call it in a fixed order."""
        return self._numbers.setdefault(check_name(name), len(self._numbers))

    def task(self, cell: Cell) -> partial[EncodedCell]:
        """What encodes a cell when called, in any thread or process; then `append` its result."""
        names = {cell.name, *(r.cell for r in cell.references)}
        numbers = {name: self.number(name) for name in sorted(names)}
        return partial(encode_cell, cell, self._shapes, numbers, self._compression)

    def append(self, cell: EncodedCell) -> None:
        """Write an encoded cell; a name can be written once."""
        number = self.number(cell.name)
        if number in self._offsets or number < len(self._shapes):
            raise ValueError(f"a cell {cell.name} is in the file already")
        self._used.update(cell.shapes)
        self.pillars += cell.pillars
        box = cell.box
        below = [(self._numbers[r.cell], r) for r in cell.references]
        if all(child in self._boxes for child, _ in below):
            for child, reference in below:
                box = joined(box, turned(self._boxes[child], reference))
            self._boxes[number] = box
        self._append(number, cell.name, cell.data)

    def _append(self, number: int, name: str, data: bytes) -> None:
        self._offsets[number] = self._size
        self._names[number] = name
        self._write(data)

    def add(self, cell: Cell) -> EncodedCell:
        """Encode and append in one go."""
        encoded = self.task(cell)()
        self.append(encoded)
        return encoded

    def close(self) -> None:
        """Write the shape cells in use, the name tables and END; `out` itself stays open."""
        for number in sorted(self._used):
            head = bytes((CELL,)) + _unsigned(number)
            polygon = _polygon(self._shapes.layers[number], self._shapes.polygons[number])
            self._boxes[number] = polygon_box(self._shapes.polygons[number])
            self._append(number, self._shapes.names[number], head + polygon)
        missing = sorted(name for name, n in self._numbers.items()
                         if n >= len(self._shapes) and n not in self._offsets)  # fmt: skip
        if missing:
            raise ValueError(
                f"cells are referred to and were not written: {', '.join(missing[:5])}"
            )
        propnames = self._size
        for name in ("S_CELL_OFFSET", "S_BOUNDING_BOX"):
            self._write(bytes((PROPNAME,)) + _string(name))
        cellnames = self._size
        for number in sorted(self._offsets):
            # info 0x17: one value, the property's name by number, a standard property; a value of
            # type 8 is an unsigned integer
            self._write(
                bytes((CELLNAME,)) + _string(self._names[number]) + _unsigned(number)
                + bytes((PROPERTY, 0x17, 0, 8)) + _unsigned(self._offsets[number])
                + _box_property(self._boxes.get(number))
            )  # fmt: skip
        layernames = self._size if self._layers else 0
        for layer, name in sorted(self._layers.items()):
            # an interval of type 3 is a single number
            self._write(
                bytes((LAYERNAME,)) + _string(name) + b"\x03" + _unsigned(layer.number)
                + b"\x03" + _unsigned(layer.datatype)
            )  # fmt: skip
        # strict flag and offset of: cell names, text strings, property names, property strings,
        # layer names, other names; 0 where there is no such table
        tables = (cellnames, 0, propnames, 0, layernames, 0)
        body = bytes((END,)) + b"".join(b"\x01" + _unsigned(table) for table in tables)
        # the padding's length takes two bytes, as it is over 127; then scheme 1 and the checksum
        padding = END_BYTES - len(body) - 2 - 1 - 4
        self._write(body + _unsigned(padding) + bytes(padding) + b"\x01")
        self._out.write(self._crc.to_bytes(4, "little"))
        self._size += 4


def expected_bytes(
    stored_pillars: int, *, compression: Compression, sites_per_zone: float, shapes: int, lists: int
) -> int:
    """Roughly the size of a file from the pillars stored in it; right to a third, as a rule.

    sites_per_zone: pillars across a zone, at the middle of the lens's area. Wide zones repeat
    themselves and take fewer bytes. shapes: cells of shapes; lists: lists of sites, one for each size
    in a block. Measured on square lattices of 100 to 190 sizes.
    """
    wide, narrow = {"fast": (0.43, 0.92), "small": (0.2, 0.68)}[compression]
    # from 4 pillars a zone to 30
    share = min(1.0, max(0.0, float(np.log(max(sites_per_zone, 1e-9) / 4) / np.log(7.5))))
    per_list = {"fast": 12, "small": 8}[compression]
    return (
        1500
        + 60 * shapes
        + per_list * min(lists, stored_pillars)
        + round(stored_pillars * (narrow + (wide - narrow) * share))
    )
