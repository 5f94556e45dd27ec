"""GDSII stream files read as a stream of cells: Calma, GDSII Stream Format Manual, release 6 (1987).

A file is records: a length in 16 bits (header included), a record type, a data type, then data, all
big-endian. Coordinates are signed 32-bit database units. A real has a sign bit, an exponent of 16
above 64, and a fraction of 56 bits. Elements are BOUNDARY, PATH, SREF, AREF, TEXT, NODE and BOX, each
closed by ENDEL; a reference mirrors first (y -> -y), then magnifies, turns and moves.

A cell of a pillar layout is a run of plain references, all of the same size in bytes; one compiled
kernel takes such runs into arrays grouped by name. All else is read record by record. The file is
mapped, one cell is held, so memory does not grow with the file.
"""

from __future__ import annotations

import contextlib
import mmap
import struct
from collections.abc import Container, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.kernels import late_kernel
from layoutgen.review.readcells import (
    Grid,
    IntArray,
    LayoutReadError,
    LayoutSummary,
    MoveArray,
    Placements,
    ReadCell,
    ReadReference,
    ReadShape,
    Runs,
    coded_runs,
    joined,
    summarise,
)

__all__ = ["GdsiiCell", "GdsiiFile", "read_gdsii", "real8", "summary"]

HEADER, BGNLIB, LIBNAME, UNITS, ENDLIB, BGNSTR, STRNAME, ENDSTR = range(8)
BOUNDARY, PATH, SREF, AREF, TEXT, LAYER, DATATYPE, WIDTH, XY, ENDEL = range(0x08, 0x12)
SNAME, COLROW, NODE, TEXTTYPE, PRESENTATION, STRING, STRANS = (
    0x12,
    0x13,
    0x15,
    0x16,
    0x17,
    0x19,
    0x1A,
)
MAG, ANGLE, REFLIBS, FONTS, PATHTYPE, GENERATIONS, ATTRTABLE = (
    0x1B,
    0x1C,
    0x1F,
    0x20,
    0x21,
    0x22,
    0x23,
)
ELFLAGS, NODETYPE, PROPATTR, PROPVALUE, BOX, BOXTYPE, PLEX = (
    0x26,
    0x2A,
    0x2B,
    0x2C,
    0x2D,
    0x2E,
    0x2F,
)
BGNEXTN, ENDEXTN, STRCLASS, FORMAT, MASK, ENDMASKS = 0x30, 0x31, 0x34, 0x36, 0x37, 0x38

NO_DATA, BITS, INT2, INT4, REAL8, ASCII = 0, 1, 2, 3, 5, 6

# Record type -> its name, its data type, and its size in bytes of data (nothing: any).
_RECORDS: dict[int, tuple[str, int, int | None]] = {
    HEADER: ("HEADER", INT2, 2),
    BGNLIB: ("BGNLIB", INT2, 24),
    LIBNAME: ("LIBNAME", ASCII, None),
    UNITS: ("UNITS", REAL8, 16),
    ENDLIB: ("ENDLIB", NO_DATA, 0),
    BGNSTR: ("BGNSTR", INT2, 24),
    STRNAME: ("STRNAME", ASCII, None),
    ENDSTR: ("ENDSTR", NO_DATA, 0),
    BOUNDARY: ("BOUNDARY", NO_DATA, 0),
    PATH: ("PATH", NO_DATA, 0),
    SREF: ("SREF", NO_DATA, 0),
    AREF: ("AREF", NO_DATA, 0),
    TEXT: ("TEXT", NO_DATA, 0),
    LAYER: ("LAYER", INT2, 2),
    DATATYPE: ("DATATYPE", INT2, 2),
    WIDTH: ("WIDTH", INT4, 4),
    XY: ("XY", INT4, None),
    ENDEL: ("ENDEL", NO_DATA, 0),
    SNAME: ("SNAME", ASCII, None),
    COLROW: ("COLROW", INT2, 4),
    NODE: ("NODE", NO_DATA, 0),
    TEXTTYPE: ("TEXTTYPE", INT2, 2),
    PRESENTATION: ("PRESENTATION", BITS, 2),
    STRING: ("STRING", ASCII, None),
    STRANS: ("STRANS", BITS, 2),
    MAG: ("MAG", REAL8, 8),
    ANGLE: ("ANGLE", REAL8, 8),
    REFLIBS: ("REFLIBS", ASCII, None),
    FONTS: ("FONTS", ASCII, None),
    PATHTYPE: ("PATHTYPE", INT2, 2),
    GENERATIONS: ("GENERATIONS", INT2, 2),
    ATTRTABLE: ("ATTRTABLE", ASCII, None),
    ELFLAGS: ("ELFLAGS", BITS, 2),
    NODETYPE: ("NODETYPE", INT2, 2),
    PROPATTR: ("PROPATTR", INT2, 2),
    PROPVALUE: ("PROPVALUE", ASCII, None),
    BOX: ("BOX", NO_DATA, 0),
    BOXTYPE: ("BOXTYPE", INT2, 2),
    PLEX: ("PLEX", INT4, 4),
    BGNEXTN: ("BGNEXTN", INT4, 4),
    ENDEXTN: ("ENDEXTN", INT4, 4),
    STRCLASS: ("STRCLASS", BITS, 2),
    FORMAT: ("FORMAT", INT2, 2),
    MASK: ("MASK", ASCII, None),
    ENDMASKS: ("ENDMASKS", NO_DATA, 0),
}
_ELEMENTS = frozenset((BOUNDARY, PATH, SREF, AREF, TEXT, NODE, BOX))
_OPENING = frozenset((LIBNAME, REFLIBS, FONTS, ATTRTABLE, GENERATIONS, FORMAT, MASK, ENDMASKS))

# What each element must hold, and what else it may.
_COMMON = frozenset((ELFLAGS, PLEX, PROPATTR, PROPVALUE))
_NEEDS: dict[int, frozenset[int]] = {
    BOUNDARY: frozenset((LAYER, DATATYPE, XY)),
    PATH: frozenset((LAYER, DATATYPE, XY)),
    SREF: frozenset((SNAME, XY)),
    AREF: frozenset((SNAME, COLROW, XY)),
    TEXT: frozenset((LAYER, TEXTTYPE, XY, STRING)),
    NODE: frozenset((LAYER, NODETYPE, XY)),
    BOX: frozenset((LAYER, BOXTYPE, XY)),
}
_TURN = frozenset((STRANS, MAG, ANGLE))
_ALLOWS: dict[int, frozenset[int]] = {
    BOUNDARY: frozenset(),
    PATH: frozenset((PATHTYPE, WIDTH, BGNEXTN, ENDEXTN)),
    SREF: _TURN,
    AREF: _TURN,
    TEXT: _TURN | {PRESENTATION, PATHTYPE, WIDTH},
    NODE: frozenset(),
    BOX: frozenset(),
}
_KINDS = {BOUNDARY: "polygon", PATH: "path", TEXT: "text", NODE: "node", BOX: "box"}

# Different names that one cell's plain references are grouped under; more are read one by one.
MAX_NAMES = 4096
# References in one cell; at 8 bytes a place and 4 a name, 3 GiB.
MAX_PLACES = 2**28


def real8(raw: bytes) -> float:
    """Value of an 8-byte real: (-1)^s * 16^(e - 64) * fraction / 2^56. Source: Calma 1987."""
    first = raw[0]
    value = int.from_bytes(raw[1:8], "big") * 2.0 ** (4 * ((first & 0x7F) - 64) - 56)
    return -value if first & 0x80 else value


@late_kernel(
    "(Array(uint16, 1, 'C', True), int64, int32[::1], int32[:, ::1], int64, int64[:, ::1], "
    "int16[::1], int64[::1])"
)
def _take_references(
    half: Any, pos: Any, items: Any, places: Any, fill: Any, names: Any, slots: Any, meta: Any
) -> Any:
    """Take plain references (SREF, SNAME, XY, ENDEL) until something else comes.

    half is the file in units of two bytes, little-endian, as all records are even; pos counts in
    these. items[fill + i] is the index into `names` of the i-th name, places its x and y; names is
    (m, 2), where a name begins in half and its length; meta[0] tells how many there are. slots, a
    power of two and -1 where empty, finds a name by its hash. Returns the position after the last
    reference and the new fill.
    """
    mask = np.uint64(slots.size - 1)
    stop = half.size
    flat = places.reshape(places.size)
    room = items.size
    while fill < room:
        # in halves: 2 of SREF, 2 of the name's head, the name, 6 of XY, 2 of ENDEL
        if pos + 13 > stop:
            break
        length = np.int64(half[pos + 2])
        if (
            (half[pos] != 0x0400)
            | (half[pos + 1] != 0x000A)
            | (half[pos + 3] != 0x0612)
            | (length & 0x01FF != 0)  # under 256 and even, high byte first
            | (length < 0x0600)
        ):
            break
        begin = pos + 4
        size = (length >> 9) - 2
        tail = begin + size
        if tail + 8 > stop:
            break
        if (
            (half[tail] != 0x0C00)
            | (half[tail + 1] != 0x0310)
            | (half[tail + 6] != 0x0400)
            | (half[tail + 7] != 0x0011)
        ):
            break
        code = np.uint64(size)
        for i in range(begin, tail):
            code = (code ^ np.uint64(half[i])) * np.uint64(0x9E3779B97F4A7C15)
        at = (code >> np.uint64(40)) & mask
        number = np.int64(slots[at])
        while number >= 0:
            other = names[number, 0]
            differ = names[number, 1] ^ size
            if differ == 0:
                for i in range(size):
                    differ |= half[other + i] ^ half[begin + i]
            if differ == 0:
                break
            at = (at + np.uint64(1)) & mask
            number = np.int64(slots[at])
        if number < 0:
            number = meta[0]
            if number == names.shape[0]:
                break
            names[number, 0] = begin
            names[number, 1] = size
            slots[at] = number
            meta[0] += 1
        items[fill] = number
        for axis in range(2):
            high = np.int64(half[tail + 2 + 2 * axis])
            low = np.int64(half[tail + 3 + 2 * axis])
            flat[2 * fill + axis] = np.int32(
                ((high & 0xFF) << 24) | ((high >> 8) << 16) | ((low & 0xFF) << 8) | (low >> 8)
            )
        fill += 1
        pos = tail + 8
    return pos, fill


@late_kernel("(int32[::1], int32[:, ::1], int32[:, ::1], int64[::1])")
def _group(items: Any, places: Any, sorted_places: Any, start: Any) -> Any:
    """Order places by item, keeping their order within it; item k is start[k]:start[k + 1]."""
    for i in range(items.size):
        start[items[i] + 1] += 1
    for k in range(1, start.size):
        start[k] += start[k - 1]
    free = start[:-1].copy()
    for i in range(items.size):
        item = np.uint64(items[i])
        to = np.uint64(free[item])
        free[item] += 1
        sorted_places[to, 0] = places[i, 0]
        sorted_places[to, 1] = places[i, 1]


class _Malformed(Exception):
    """What is wrong with the record in hand; the file adds where."""


class GdsiiCell(ReadCell):
    """A cell with its plain references grouped by name, and all other elements one by one."""

    def __init__(
        self,
        name: str,
        offset: int,
        shapes: list[ReadShape],
        references: list[ReadReference],
        names: list[str],
        start: IntArray,
        places: MoveArray,
    ) -> None:
        super().__init__(name, offset)
        self._others = shapes
        self._single = references
        self._names = names
        self._start = start
        self._places = places

    def _list_shapes(self) -> list[ReadShape]:
        return self._others

    def _list_references(self) -> list[ReadReference]:
        plain = [
            ReadReference(name, Placements(0, 0, self._places[self._start[i] : self._start[i + 1]]))
            for i, name in enumerate(self._names)
        ]
        return plain + self._single

    def strays(self, names: Container[str]) -> list[str]:
        if self._single or self.shapes:
            return super().strays(names)
        return [f"a reference to {name}" for name in sorted(self._names) if name not in names]

    def coded_references(self, names: Mapping[str, int]) -> tuple[Runs, list[ReadReference]]:
        runs, others = coded_runs(self._single, names)
        code = np.array([names.get(name, 0) for name in self._names], np.int64)
        kept = np.flatnonzero(code > 0)
        zero = np.zeros(len(kept), np.int64)
        grouped = Runs(
            code[kept], zero, zero, self._start[kept], self._start[kept + 1], self._places
        )
        return joined(grouped, runs), others


class _Element:
    """The records between an element's head and its ENDEL."""

    def __init__(self, kind: int) -> None:
        self.kind = kind
        self.found: dict[int, bytes] = {}

    def take(self, kind: int, data: bytes) -> None:
        label = _RECORDS[self.kind][0]
        if kind in (PROPATTR, PROPVALUE):
            return
        if kind not in _COMMON | _NEEDS[self.kind] | _ALLOWS[self.kind]:
            raise _Malformed(f"a {label} element holds a {_RECORDS[kind][0]} record")
        if kind == XY and XY in self.found:  # a long outline goes on in a further record
            self.found[XY] += data
        elif kind in self.found:
            raise _Malformed(f"a {label} element holds two {_RECORDS[kind][0]} records")
        else:
            self.found[kind] = data

    def close(self) -> None:
        for kind in sorted(_NEEDS[self.kind]):
            if kind not in self.found:
                raise _Malformed(
                    f"want a {_RECORDS[kind][0]} record in a {_RECORDS[self.kind][0]} element, "
                    "got none"
                )

    def points(self) -> IntArray:
        data = self.found[XY]
        if len(data) % 8:
            raise _Malformed(f"want pairs of coordinates, got {len(data)} bytes of them")
        return np.frombuffer(data, ">i4").astype(np.int64).reshape(-1, 2)

    def number(self, kind: int) -> int:
        return int.from_bytes(self.found[kind], "big", signed=True)

    def shape(self) -> ReadShape:
        points = self.points()
        datatype = {BOUNDARY: DATATYPE, PATH: DATATYPE, TEXT: TEXTTYPE, NODE: NODETYPE}.get(
            self.kind, BOXTYPE
        )
        outline = np.zeros((0, 2), np.int64)
        if not len(points):
            raise _Malformed(f"a {_RECORDS[self.kind][0]} element has no coordinates")
        if self.kind in (BOUNDARY, BOX):
            if len(points) < 4 or (points[0] != points[-1]).any():
                raise _Malformed(
                    f"want a closed outline of at least 4 coordinates, got {len(points)} from "
                    f"{tuple(points[0].tolist())} to {tuple(points[-1].tolist())}"
                )
            outline = points[:-1] - points[0]
        x, y = points[0].tolist()
        return ReadShape(
            _KINDS[self.kind], self.number(LAYER), self.number(datatype), outline, Placements(x, y)
        )

    def reference(self) -> ReadReference:
        bits = int.from_bytes(self.found.get(STRANS, b"\0\0"), "big")
        if bits & 0x0006:
            raise _Malformed("a reference asks for absolute magnification or angle")
        magnification = real8(self.found[MAG]) if MAG in self.found else 1.0
        angle = real8(self.found[ANGLE]) if ANGLE in self.found else 0.0
        if magnification <= 0:
            raise _Malformed(f"want a magnification above 0, got {magnification:g}")
        points = self.points()
        wanted = 1 if self.kind == SREF else 3
        if len(points) != wanted:
            raise _Malformed(f"want {wanted} coordinates in a reference, got {len(points)}")
        x, y = points[0].tolist()
        places = Placements(x, y)
        if self.kind == AREF:
            columns, rows = struct.unpack(">hh", self.found[COLROW])
            if columns < 1 or rows < 1:
                raise _Malformed(f"want at least 1 column and 1 row, got {columns} and {rows}")
            along, up = points[1] - points[0], points[2] - points[0]
            if (along % columns).any() or (up % rows).any():
                raise _Malformed(
                    f"an array of {columns} x {rows} has steps that are not whole database units"
                )
            step_x, step_y = (along // columns).tolist(), (up // rows).tolist()
            if columns * rows > 1:
                grid = Grid(columns, rows, (step_x[0], step_x[1]), (step_y[0], step_y[1]))
                places = Placements(x, y, grid)
        return ReadReference(
            _text(self.found[SNAME]), places, bool(bits & 0x8000), angle, magnification
        )


def _text(data: bytes) -> str:
    """A name; an odd one is filled up with a zero byte."""
    name = data[:-1] if data.endswith(b"\0") else data
    if not name or any(not 0x21 <= byte <= 0x7E for byte in name):
        raise _Malformed(f"want a name of printable letters without spaces, got {name[:40]!r}")
    return name.decode("ascii")


class GdsiiFile:
    """An open GDSII file; iterate it, once or again, for its cells in file order.

    unit_nm: length of one database unit. name: of the library. Raises LayoutReadError for whatever
    is malformed, with the byte of the record.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        try:
            self._handle = self.path.open("rb")
        except OSError as error:
            raise LayoutReadError(f"{self.path}: cannot be read ({error.strerror})") from None
        try:
            self.size = self.path.stat().st_size
            if self.size < 8:
                raise LayoutReadError(f"{self.path}: want a GDSII file, got {self.size} bytes")
            self._map = mmap.mmap(self._handle.fileno(), 0, access=mmap.ACCESS_READ)
        except BaseException:
            self._handle.close()
            raise
        self._bytes: NDArray[np.uint8] = np.frombuffer(self._map, np.uint8)
        self._halves: NDArray[np.uint16] = np.frombuffer(self._map, "<u2", self.size // 2)
        self._released = 0
        self._at = 0
        # one cell's plain references before they are grouped, used again for the next cell
        self._items = np.zeros(2**16, np.int32)
        self._places: MoveArray = np.zeros((2**16, 2), np.int32)
        self._where = np.zeros((MAX_NAMES, 2), np.int64)
        try:
            self._open()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> GdsiiFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back; cells that were handed out stay usable."""
        self._bytes = np.zeros(0, np.uint8)
        self._halves = np.zeros(0, np.uint16)
        with contextlib.suppress(
            BufferError
        ):  # an iteration that stopped half way still looks at it
            self._map.close()
        self._handle.close()

    def _error(self, what: str, at: int) -> LayoutReadError:
        return LayoutReadError(f"{self.path.name}, byte {at}: {what}")

    def _record(self, pos: int) -> tuple[int, bytes, int]:
        """Type and data of the record at `pos`, and where the next begins."""
        if pos + 4 > self.size:
            raise _Malformed("the file ends without an ENDLIB record")
        length, kind, data_type = struct.unpack(">HBB", self._map[pos : pos + 4])
        if kind not in _RECORDS:
            raise _Malformed(f"record type {kind:#04x} is not one of the GDSII stream format")
        name, wanted, size = _RECORDS[kind]
        if length < 4 or length % 2:
            raise _Malformed(f"want an even length of 4 or more for {name}, got {length}")
        if pos + length > self.size:
            raise _Malformed(f"the {name} record of {length} bytes is cut off")
        if data_type != wanted:
            raise _Malformed(f"want data type {wanted} for {name}, got {data_type}")
        if size is not None and length - 4 != size:
            raise _Malformed(f"want {size} bytes of data for {name}, got {length - 4}")
        return kind, self._map[pos + 4 : pos + length], pos + length

    def _open(self) -> None:
        pos = 0
        self.name = ""
        try:
            for wanted in (HEADER, BGNLIB):
                kind, data, after = self._record(pos)
                if kind != wanted:
                    raise _Malformed(
                        f"want a {_RECORDS[wanted][0]} record, got {_RECORDS[kind][0]}"
                    )
                pos = after
            while True:
                kind, data, after = self._record(pos)
                if kind == UNITS:
                    break
                if kind not in _OPENING:
                    raise _Malformed(f"want a UNITS record, got {_RECORDS[kind][0]}")
                if kind == LIBNAME:
                    self.name = data.rstrip(b"\0").decode("latin-1")
                pos = after
            self.user_units, metres = real8(data[:8]), real8(data[8:])
            if metres <= 0 or self.user_units <= 0:
                raise _Malformed(f"want positive units, got {self.user_units:g} and {metres:g} m")
        except _Malformed as error:
            raise self._error(str(error), pos) from None
        self.unit_nm = metres * 1e9
        self._first = after

    def _release(self, upto: int) -> None:
        """Let go of pages that are read, so that resident memory stays flat."""
        page = mmap.PAGESIZE * 1024
        upto = upto // page * page
        if upto > self._released and hasattr(self._map, "madvise"):
            self._map.madvise(mmap.MADV_DONTNEED, self._released, upto - self._released)
            self._released = upto

    def __iter__(self) -> Iterator[ReadCell]:
        return self.cells()

    def cells(self) -> Iterator[ReadCell]:
        """Every cell in file order, one at a time."""
        pos = self._first
        seen: set[str] = set()
        self._released = 0
        while True:
            self._at = pos
            try:
                kind, _, after = self._record(pos)
                if kind == ENDLIB:
                    break
                if kind != BGNSTR:
                    raise _Malformed(f"want a BGNSTR or ENDLIB record, got {_RECORDS[kind][0]}")
                cell, pos = self._cell(pos, after)
                if cell.name in seen:
                    self._at = cell.offset
                    raise _Malformed(f"cell {cell.name} is in the file twice")
            except _Malformed as error:
                raise self._error(str(error), self._at) from None
            seen.add(cell.name)
            yield cell
            del cell
            self._release(pos)
        # a tape block was filled up with zeros; anything else behind the end is not ours to guess
        for at in range(after, self.size, 2**24):
            if self._bytes[at : at + 2**24].any():
                raise self._error("bytes other than zero follow the ENDLIB record", after)

    def cell_at(self, offset: int) -> ReadCell:
        """The cell that begins at a byte, as `ReadCell.offset` of an earlier pass gave it."""
        self._at = offset
        try:
            kind, _, after = self._record(offset)
            if kind != BGNSTR:
                raise _Malformed(f"want a BGNSTR record, got {_RECORDS[kind][0]}")
            cell, after = self._cell(offset, after)
        except _Malformed as error:
            raise self._error(str(error), self._at) from None
        start = offset // mmap.PAGESIZE * mmap.PAGESIZE
        if hasattr(self._map, "madvise"):  # what has been read stays in nobody's memory
            self._map.madvise(mmap.MADV_DONTNEED, start, after - start)
        return cell

    def _cell(self, offset: int, pos: int) -> tuple[GdsiiCell, int]:
        self._at = pos
        kind, data, pos = self._record(pos)
        if kind != STRNAME:
            raise _Malformed(f"want a STRNAME record, got {_RECORDS[kind][0]}")
        name = _text(data)
        shapes: list[ReadShape] = []
        references: list[ReadReference] = []
        items, places, where = self._items, self._places, self._where
        used = np.zeros(1, np.int64)
        slots = np.full(4 * MAX_NAMES, -1, np.int16)
        fill = 0
        element: _Element | None = None
        while True:
            self._at = pos
            if element is None and pos + 2 < self.size and self._bytes[pos + 2] == SREF:
                half, fill = _take_references(
                    self._halves, pos // 2, items, places, fill, where, slots, used
                )
                self._at = pos = 2 * half
                if fill == len(items):
                    if fill >= MAX_PLACES:
                        raise _Malformed(f"cell {name} holds more than {MAX_PLACES} references")
                    self._items = items = np.concatenate([items, np.zeros_like(items)])
                    self._places = places = np.concatenate([places, np.zeros_like(places)])
                    continue
            kind, data, after = self._record(pos)
            if element is not None:
                if kind == ENDEL:
                    element.close()
                    if element.kind in (SREF, AREF):
                        references.append(element.reference())
                    else:
                        shapes.append(element.shape())
                    element = None
                else:
                    element.take(kind, data)
            elif kind in _ELEMENTS:
                element = _Element(kind)
            elif kind == ENDSTR:
                break
            elif kind != STRCLASS:
                raise _Malformed(
                    f"want an element or ENDSTR in cell {name}, got {_RECORDS[kind][0]}"
                )
            pos = after
        count = int(used[0])
        start = np.zeros(count + 1, np.int64)
        grouped: MoveArray = np.zeros((fill, 2), np.int32)
        _group(items[:fill], places[:fill], grouped, start)
        names = [_text(self._map[at : at + size]) for at, size in (2 * where[:count]).tolist()]
        return GdsiiCell(name, offset, shapes, references, names, start, grouped), after


def read_gdsii(path: str | Path) -> GdsiiFile:
    """Open a GDSII file; use it in a `with` and iterate it for its cells."""
    return GdsiiFile(path)


def summary(path: str | Path) -> LayoutSummary:
    """Counts and boxes of every cell of a GDSII file."""
    with read_gdsii(path) as file:
        return summarise(file, file.unit_nm)
