"""OASIS files read as a stream of cells: SEMI P39, every record type.

A file is bytes: a magic string, START, records, END (the last 256 bytes). Records carry no length,
so they are scanned one by one; what a record leaves out is taken from the record before it
(modal variables, undefined again at every CELL). Numbers are little-endian groups of seven bits;
of a signed one the lowest bit is the sign. Repetitions of type 10 and 11 list the steps between
places as g-deltas: a magnitude along one of eight directions, or a pair (dx, dy).

One compiled kernel scans whole runs of geometry, straight into arrays; what is rare (names, cells,
properties, compressed blocks) is read here in Python. The file is mapped, one compressed block is
inflated at a time and one cell is held, so memory does not grow with the file.

Lengths are whole database units. Written from the standard alone and sharing nothing with the
writer, so that both being wrong in the same way is unlikely.
"""

from __future__ import annotations

import contextlib
import math
import mmap
import struct
from collections.abc import Container, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from isal import isal_zlib
from numpy.typing import NDArray

from layoutgen.review.oasis_scan import (
    CUT,
    DX,
    DY,
    HUGE,
    MORE_INTERNED,
    MORE_MOVES,
    MORE_ROWS,
    OTHER,
    R_A,
    R_B,
    R_C,
    R_COUNT,
    R_D,
    R_DATATYPE,
    R_INFO,
    R_KIND,
    R_LAYER,
    R_REP,
    R_REP1,
    R_REP2,
    R_REP6,
    R_X,
    R_Y,
    REP_GRID,
    REP_LIST,
    REP_NONE,
    S_COUNT,
    S_GEO_X,
    S_GEO_Y,
    S_MOVES,
    S_NEED,
    S_PLACE_X,
    S_PLACE_Y,
    S_POS,
    S_RECORD,
    S_RELATIVE,
    S_ROWS,
    S_TEXT_X,
    S_TEXT_Y,
    UNDEFINED,
    UNSET,
    intern,
    scan,
)
from layoutgen.review.readcells import (
    ORIGIN,
    Box,
    Grid,
    IntArray,
    LayerKey,
    LayoutReadError,
    LayoutSummary,
    MoveArray,
    Outlines,
    Placements,
    ReadCell,
    ReadReference,
    ReadShape,
    Runs,
    coded_runs,
    joined,
    runs_of,
    summarise,
)

__all__ = ["OasisCell", "OasisFile", "decode_points", "read_oasis", "summary"]

MAGIC = b"%SEMI-OASIS\r\n"
END_BYTES = 256

# A compressed block may say that it inflates to this much and no more.
MAX_INFLATED = 2**30
# Deflate cannot do better than 258 bytes from two bits, so a larger promise is a lie (RFC 1951).
MAX_RATIO = 1032
# Places of explicit lists in one cell; at 8 bytes each, 2 GiB.
MAX_MOVES = 2**28
# Distinct outlines and strings that are remembered from cell to cell before starting anew.
MAX_INTERNED = 100_000
MAX_INTERNED_BYTES = 2**25

#: SEMI P39, annex on standard properties (names from memory).
STANDARD_PROPERTIES = frozenset(
    {
        "S_MAX_SIGNED_INTEGER_WIDTH", "S_MAX_UNSIGNED_INTEGER_WIDTH", "S_MAX_STRING_LENGTH",
        "S_POLYGON_MAX_VERTICES", "S_PATH_MAX_VERTICES", "S_TOP_CELL", "S_BOUNDING_BOXES_AVAILABLE",
        "S_BOUNDING_BOX", "S_CELL_OFFSET", "S_GDS_PROPERTY",
    }
)  # fmt: skip

START, END = 1, 2
PLACEMENT, TURNED_PLACEMENT, RECTANGLE, POLYGON, PATH, CTRAPEZOID = 17, 18, 20, 21, 22, 26
CELLNAME, CELLNAME_REF, TEXTSTRING, TEXTSTRING_REF = 3, 4, 5, 6
PROPNAME, PROPNAME_REF, PROPSTRING, PROPSTRING_REF = 7, 8, 9, 10
LAYERNAME, LAYERNAME_TEXT, CELL_REF, CELL_NAME = 11, 12, 13, 14
PROPERTY, PROPERTY_AGAIN, XNAME, XNAME_REF, XELEMENT, CBLOCK = 28, 29, 30, 31, 32, 34
NAME_RECORDS = frozenset((*range(CELLNAME, CELL_REF), XNAME, XNAME_REF))
NAMES_AND_PROPERTIES = NAME_RECORDS | {PROPERTY, PROPERTY_AGAIN}


class _Malformed(Exception):
    """What is wrong with the record in hand; the walker adds where."""


class _Cursor:
    """Reads numbers and strings of SEMI P39 from bytes, from `pos` up to `end`."""

    __slots__ = ("data", "end", "pos")

    def __init__(self, data: bytes | mmap.mmap, pos: int, end: int) -> None:
        self.data, self.pos, self.end = data, pos, end

    def take(self, count: int) -> bytes:
        if count > self.end - self.pos:
            raise _Malformed(CUT)
        piece = self.data[self.pos : self.pos + count]
        self.pos += count
        return piece

    def uint(self) -> int:
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            # groups of zeros may follow: some writers fill up the END record with them
            if byte & 0x7F and shift > 63:
                raise _Malformed("a number has more than 64 bits")
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def sint(self) -> int:
        value = self.uint()
        return -(value >> 1) if value & 1 else value >> 1

    def gdelta(self) -> tuple[int, int]:
        value = self.uint()
        if value & 1:
            dx = -(value >> 2) if value & 2 else value >> 2
            return dx, self.sint()
        size = value >> 4
        return size * int(DX[value & 15]), size * int(DY[value & 15])

    def real(self, kind: int | None = None) -> float:
        kind = self.uint() if kind is None else kind
        if kind <= 5:
            top = 1 if kind in (2, 3) else self.uint()
            below = self.uint() if kind >= 2 else 1
            if below == 0:
                raise _Malformed("a real number divides by zero")
            return -(top / below) if kind & 1 else top / below
        if kind > 7:
            raise _Malformed(f"want a type of real number from 0 to 7, got {kind}")
        value = struct.unpack("<f" if kind == 6 else "<d", self.take(4 if kind == 6 else 8))[0]
        if not math.isfinite(value):
            raise _Malformed("a real number is not finite")
        return float(value)

    def string(self) -> bytes:
        return self.take(self.uint())

    def name(self) -> str:
        return _checked_name(self.string())


def _checked_name(raw: bytes) -> str:
    """An n-string: at least one character, printable and no space."""
    if not raw or any(not 0x21 <= byte <= 0x7E for byte in raw):
        raise _Malformed(f"want a name of printable letters without spaces, got {raw[:40]!r}")
    return raw.decode("ascii")


def decode_points(raw: bytes, *, closed: bool) -> IntArray:
    """Vertices of a point list as written (type, count, deltas), (n, 2) int64 from (0, 0).

    closed: a polygon's list, where types 0 and 1 imply one more vertex. Source: SEMI P39.
    """
    cursor = _Cursor(raw, 0, len(raw))
    kind, count = cursor.uint(), cursor.uint()
    x = y = 0
    points = [(0, 0)]
    dx = dy = 0
    for i in range(count):
        if kind <= 1:
            step = cursor.sint()
            dx, dy = (step, 0) if (i + kind) % 2 == 0 else (0, step)
        elif kind <= 3:
            value = cursor.uint()
            bits = 2 if kind == 2 else 3
            low = (value & ((1 << bits) - 1)) << 1
            dx, dy = (value >> bits) * int(DX[low]), (value >> bits) * int(DY[low])
        elif kind == 4:
            dx, dy = cursor.gdelta()
        else:
            ax, ay = cursor.gdelta()
            dx, dy = dx + ax, dy + ay
        x, y = x + dx, y + dy
        if max(abs(x), abs(y)) >= 2**32:
            raise _Malformed(HUGE)
        points.append((x, y))
    if closed and kind <= 1:
        if count % 2 or count < 2:
            raise _Malformed(f"want an even number of alternating steps, at least 2, got {count}")
        points.append((0, y) if kind == 0 else (x, 0))
    if len(points) < (3 if closed else 2):
        raise _Malformed(f"want at least {3 if closed else 2} vertices, got {len(points)}")
    return np.array(points, np.int64)


def _trapezoid(row: Sequence[int]) -> IntArray:
    """Corners of RECTANGLE, TRAPEZOID and CTRAPEZOID records (SEMI P39, sections 25, 28, 29)."""
    kind, info, w, h, c, d = row[R_KIND], row[R_INFO], row[R_A], row[R_B], row[R_C], row[R_D]
    points: list[tuple[int, int]]
    if kind == 20:
        points = [(0, 0), (w, 0), (w, h), (0, h)]
    elif kind <= 25 and info & 0x80:  # two sides along y; c, d: how far the upper end leads
        points = [(0, max(c, 0)), (w, max(-c, 0)), (w, h - max(d, 0)), (0, h - max(-d, 0))]
    elif kind <= 25:
        points = [(max(-c, 0), 0), (w - max(d, 0), 0), (w - max(-d, 0), h), (max(c, 0), h)]
    else:
        points = {
            0: [(0, 0), (w, 0), (w - h, h), (0, h)],
            1: [(0, 0), (w - h, 0), (w, h), (0, h)],
            2: [(0, 0), (w, 0), (w, h), (h, h)],
            3: [(h, 0), (w, 0), (w, h), (0, h)],
            4: [(0, 0), (w, 0), (w - h, h), (h, h)],
            5: [(h, 0), (w - h, 0), (w, h), (0, h)],
            6: [(0, 0), (w - h, 0), (w, h), (h, h)],
            7: [(h, 0), (w, 0), (w - h, h), (0, h)],
            8: [(0, 0), (w, 0), (w, h - w), (0, h)],
            9: [(0, 0), (w, 0), (w, h), (0, h - w)],
            10: [(0, 0), (w, w), (w, h), (0, h)],
            11: [(0, w), (w, 0), (w, h), (0, h)],
            12: [(0, 0), (w, w), (w, h - w), (0, h)],
            13: [(0, w), (w, 0), (w, h), (0, h - w)],
            14: [(0, 0), (w, w), (w, h), (0, h - w)],
            15: [(0, w), (w, 0), (w, h - w), (0, h)],
            16: [(0, 0), (w, 0), (0, w)],
            17: [(0, 0), (w, w), (0, w)],
            18: [(0, 0), (w, 0), (w, w)],
            19: [(0, w), (w, 0), (w, w)],
            20: [(0, 0), (2 * h, 0), (h, h)],
            21: [(h, 0), (2 * h, h), (0, h)],
            22: [(0, 0), (w, w), (0, 2 * w)],
            23: [(0, w), (w, 0), (w, 2 * w)],
            24: [(0, 0), (w, 0), (w, h), (0, h)],
            25: [(0, 0), (w, 0), (w, w), (0, w)],
        }[c]
    return np.array(points, np.int64)


class _Interned(Outlines):
    """Byte strings (point lists, names, reals) under a number; polygons decoded when first asked."""

    def __init__(self) -> None:
        super().__init__()
        self.slots = np.full(2048, -1, np.int32)
        self.entries = np.zeros((1024, 2), np.int64)
        self.pool = np.zeros(2**15, np.uint8)
        self.meta = np.zeros(3, np.int64)  # entries used, bytes used, bytes that had no room
        self._extra: dict[tuple[int, ...], int] = {}
        self._by_string: dict[int, int] = {}
        self._items: IntArray = np.full(1024, -1, np.int64)  # by string: index into polygons

    def grow(self) -> None:
        if self.meta[0] == len(self.entries):
            self.entries = np.concatenate([self.entries, np.zeros_like(self.entries)])
            strings = [self.raw(i) for i in range(int(self.meta[0]))]
            self.slots = np.full(2 * len(self.slots), -1, np.int32)
            meta = np.zeros(3, np.int64)
            for raw in strings:
                data = np.frombuffer(raw, np.uint8)
                intern(data, 0, len(raw), self.slots, self.entries, self.pool, meta)
            self.meta[0] = meta[0]
        while self.meta[1] + self.meta[2] > len(self.pool):
            self.pool = np.concatenate([self.pool, np.zeros_like(self.pool)])

    @property
    def full(self) -> bool:
        return bool(self.meta[0] > MAX_INTERNED or self.meta[1] > MAX_INTERNED_BYTES)

    def raw(self, number: int) -> bytes:
        start, size = self.entries[number].tolist()
        return self.pool[start : start + size].tobytes()

    def real(self, number: int) -> float:
        raw = self.raw(number)
        return _Cursor(raw, 0, len(raw)).real()

    def items(self) -> IntArray:
        """Index into `polygons` by string number, -1 where not decoded yet."""
        if len(self._items) < len(self.entries):
            more = np.full(len(self.entries) - len(self._items), -1, np.int64)
            self._items = np.concatenate([self._items, more])
        return self._items

    def polygon(self, row: Sequence[int]) -> int:
        """Index into `polygons` of what a row draws."""
        if row[R_KIND] == 21:
            number = self._by_string.get(row[R_A])
            if number is None:
                outline = decode_points(self.raw(row[R_A]), closed=True)
                number = self._by_string[row[R_A]] = len(self.polygons)
                self.items()[row[R_A]] = number
                self.polygons.append(outline)
            return number
        key = (row[R_KIND], row[R_INFO] & 0x80, *row[R_A : R_D + 1])
        number = self._extra.get(key)
        if number is None:
            outline = _trapezoid(row)
            number = self._extra[key] = len(self.polygons)
            self.polygons.append(outline)
        return number


_KINDS = {19: "text", 22: "path", 27: "circle", 33: "extension"}


class OasisCell(ReadCell):
    """A cell held as arrays: one row for each geometry record, and one array of displacements."""

    def __init__(
        self,
        file: OasisFile,
        name: str,
        offset: int,
        rows: IntArray,
        moves: MoveArray,
        interned: _Interned,
    ) -> None:
        super().__init__(name, offset)
        self._file = file
        self._rows = rows
        self._moves = moves
        self._interned = interned
        self._outline_of_row: IntArray | None = None

    def _places(self, row: Sequence[int]) -> Placements:
        if row[R_REP] == REP_NONE:
            return Placements(row[R_X], row[R_Y])
        first, second, nx, ny, mx, my = row[R_REP1 : R_REP6 + 1]
        if row[R_REP] == REP_GRID:
            return Placements(row[R_X], row[R_Y], Grid(first, second, (nx, ny), (mx, my)))
        return Placements(row[R_X], row[R_Y], self._moves[first:second])

    def _polygon(self, row: Sequence[int]) -> int:
        try:
            return self._interned.polygon(row)
        except _Malformed as error:
            raise self._file._error(
                f"cell {self.name} has a polygon at ({row[R_X]}, {row[R_Y]}) that is wrong: {error}",
                self.offset,
            ) from None

    def _list_shapes(self) -> list[ReadShape]:
        shapes = []
        nothing = np.zeros((0, 2), np.int64)
        for row in self._rows[self._rows[:, R_KIND] > 18].tolist():
            kind = _KINDS.get(row[R_KIND], "polygon")
            outline = self._interned.polygons[self._polygon(row)] if kind == "polygon" else nothing
            shapes.append(
                ReadShape(kind, row[R_LAYER], row[R_DATATYPE], outline, self._places(row))
            )
        return shapes

    def _reference(self, row: Sequence[int]) -> ReadReference:
        try:
            if row[R_KIND] == 17:
                angle, magnification = 90.0 * ((row[R_INFO] >> 1) & 3), 1.0
            else:
                magnification = self._interned.real(row[R_B]) if row[R_B] >= 0 else 1.0
                angle = self._interned.real(row[R_C]) if row[R_C] >= 0 else 0.0
            if magnification <= 0:
                raise _Malformed(f"want a magnification above 0, got {magnification:g}")
            number = row[R_A] >> 1
            if row[R_A] & 1:
                name = _checked_name(self._interned.raw(number))
            else:
                name = self._file._cell_name(number)
        except _Malformed as error:
            raise self._file._error(
                f"cell {self.name} has a reference at ({row[R_X]}, {row[R_Y]}) that is wrong: "
                f"{error}",
                self.offset,
            ) from None
        return ReadReference(name, self._places(row), bool(row[R_INFO] & 1), angle, magnification)

    def _list_references(self) -> list[ReadReference]:
        return [self._reference(row) for row in self._rows[self._rows[:, R_KIND] <= 18].tolist()]

    def _polygon_items(self) -> IntArray:
        """Index of the outline of every row; -1 for rows that draw none."""
        if self._outline_of_row is None:
            kind = self._rows[:, R_KIND]
            lists = kind == POLYGON
            items = self._interned.items()[np.where(lists, self._rows[:, R_A], 0)]
            if not lists.all():
                items[~lists] = -1
            new = np.flatnonzero((items < 0) & (kind >= RECTANGLE) & (kind <= CTRAPEZOID))
            for i in new[kind[new] != PATH].tolist():
                items[i] = self._polygon(self._rows[i].tolist())
            self._outline_of_row = items
        return self._outline_of_row

    def polygon_runs(self, layer: LayerKey | None) -> tuple[Runs, Outlines]:
        items, rows = self._polygon_items(), self._rows
        chosen = items >= 0
        if layer is not None:
            chosen &= (rows[:, R_LAYER] == layer[0]) & (rows[:, R_DATATYPE] == layer[1])
        if not chosen.all():
            items, rows = items[chosen], rows[chosen]
        columns = rows[:, R_X : R_REP2 + 1].T.copy()
        x, y, kind, first, last = columns
        if (kind == REP_LIST).all():
            return Runs(items, x, y, first, last, self._moves), self._interned
        places = [self._places(row) for row in rows.tolist()]
        return runs_of(items.tolist(), places), self._interned

    def strays(self, names: Container[str]) -> list[str]:
        kinds = self._rows[:, R_KIND]
        placed = (kinds == PLACEMENT) | (kinds == TURNED_PLACEMENT)
        if not placed.all():
            return super().strays(names)
        if (self._rows[:, R_A] & 1).any():  # a cell given by its name
            return super().strays(names)
        table = self._file.cell_names
        found = {table.get(n, f"number {n}") for n in np.unique(self._rows[:, R_A] >> 1).tolist()}
        return [f"a reference to {name}" for name in sorted(found) if name not in names]

    def coded_references(self, names: Mapping[str, int]) -> tuple[Runs, list[ReadReference]]:
        rows = self._rows
        # placements by number that neither turn nor mirror; all else is rare and goes one by one
        fast = (
            (rows[:, R_KIND] == PLACEMENT)
            & (rows[:, R_INFO] & 0x07 == 0)
            & (rows[:, R_A] & 1 == 0)
            & ((rows[:, R_REP] == REP_LIST) | (rows[:, R_REP] == REP_NONE))
        )
        others = rows[~fast & (rows[:, R_KIND] <= TURNED_PLACEMENT)].tolist()
        runs, turned = coded_runs([self._reference(row) for row in others], names)
        if not fast.all():
            rows = rows[fast]
        numbers = (rows[:, R_A] >> 1).tolist()
        table = self._file._codes(names)
        try:
            code = np.array([table[number] for number in numbers], np.int64)
        except KeyError as error:
            raise self._file._error(
                f"cell name number {error.args[0]} is not in the table of names", self.offset
            ) from None
        columns = rows[:, R_X : R_REP2 + 1].T.copy()
        if not (code > 0).all():
            columns, code = columns[:, code > 0].copy(), code[code > 0]
        x, y, kind, first, last = columns
        moves = self._moves
        single = kind == REP_NONE
        if single.any():  # one place, no move: every list begins with one, else there is the origin
            lists = first[~single]
            zero = int(lists[0]) if len(lists) else 0
            moves = moves if len(lists) else ORIGIN.copy()  # kernels take writable arrays
            first, last = np.where(single, zero, first), np.where(single, zero + 1, last)
        return joined(Runs(code, x, y, first, last, moves), runs), turned


class _Walker:
    """A place in the file, and in the compressed block that it may be inside of."""

    def __init__(self, file: OasisFile, start: int) -> None:
        self.file = file
        self.interned = _Interned()
        self.state = np.zeros(S_COUNT, np.int64)
        self.state[S_POS] = start
        self.rows = np.zeros((256, R_COUNT), np.int64)
        self.moves = np.zeros((2**12, 2), np.int32)
        self.data: bytes | mmap.mmap = file._map
        self.array = file._bytes
        self.end = file.size
        self.outside: int | None = None  # where the file goes on after the compressed block
        self.block_at = 0
        self.reset()

    def reset(self) -> None:
        """Modal variables as a CELL record leaves them."""
        if self.interned.full:
            self.interned = _Interned()
        state = self.state
        state[S_RELATIVE:] = UNDEFINED
        state[[S_RELATIVE, S_PLACE_X, S_PLACE_Y, S_GEO_X, S_GEO_Y, S_TEXT_X, S_TEXT_Y]] = 0
        state[[S_ROWS, S_MOVES]] = 0

    @property
    def record_at(self) -> int:
        """Byte of the file where the record in hand begins, or its compressed block."""
        return int(self.block_at if self.outside is not None else self.state[S_RECORD])

    def error(self, what: str) -> LayoutReadError:
        inside = (
            f" (in the compressed block there, byte {int(self.state[S_RECORD])} of the inflated)"
            if self.outside is not None
            else ""
        )
        return self.file._error(what + inside, self.record_at)

    def scan(self) -> int:
        """Take in geometry; returns the next record's type with the state at its first byte."""
        interned = self.interned
        while True:
            try:
                answer = scan(
                    self.array, self.end, self.state, self.rows, self.moves,
                    interned.slots, interned.entries, interned.pool, interned.meta,
                )  # fmt: skip
            except ValueError as error:
                raise self.error(str(error)) from None
            if answer == OTHER:
                return int(self.array[self.state[S_POS]])
            if answer == MORE_ROWS:
                self.rows = np.concatenate([self.rows, np.zeros_like(self.rows)])
            elif answer == MORE_MOVES:
                need = int(self.state[S_NEED])
                if need > MAX_MOVES:
                    raise self.error(f"one cell lists more than {MAX_MOVES} places")
                size = max(need, 2 * len(self.moves))
                larger = np.empty((size, 2), np.int32)  # noqa: TID251 - read up to S_MOVES only
                filled = int(self.state[S_MOVES])
                larger[:filled] = self.moves[:filled]
                self.moves = larger
            elif answer == MORE_INTERNED:
                interned.grow()
            elif self.outside is not None:
                self.leave_block()
            else:
                raise self.error("the file ends without an END record")

    def next_kind(self) -> int:
        """As `scan`, without a call of the kernel where a name or a property comes next."""
        at = int(self.state[S_POS])
        kind = self.data[at] if at < self.end else 0
        if kind not in NAMES_AND_PROPERTIES:
            return self.scan()
        self.state[S_RECORD] = at
        return kind

    def cursor(self) -> _Cursor:
        """A cursor behind the record's type byte."""
        return _Cursor(self.data, int(self.state[S_POS]) + 1, self.end)

    def accept(self, cursor: _Cursor) -> None:
        self.state[S_POS] = cursor.pos

    def leave_block(self) -> None:
        assert self.outside is not None
        self.state[S_POS] = self.outside
        self.outside = None
        self.data, self.array, self.end = self.file._map, self.file._bytes, self.file.size

    def enter_block(self) -> None:
        if self.outside is not None:
            raise _Malformed("a compressed block stands inside another")
        cursor = self.cursor()
        method, whole, packed = cursor.uint(), cursor.uint(), cursor.uint()
        if method != 0:
            raise _Malformed(f"want compression type 0 (deflate), got {method}")
        if whole > MAX_INFLATED:
            raise _Malformed(
                f"a compressed block may inflate to at most {MAX_INFLATED} bytes, it says {whole}"
            )
        if packed > cursor.end - cursor.pos:
            raise _Malformed(f"a compressed block of {packed} bytes is cut off")
        if whole > MAX_RATIO * (packed + 1):
            raise _Malformed(f"{packed} bytes cannot inflate to {whole}")
        data = inflate(cursor.take(packed), whole)
        self.block_at = int(self.state[S_POS])
        self.outside = cursor.pos
        self.data, self.array, self.end = data, np.frombuffer(data, np.uint8), len(data)
        self.state[S_POS] = 0


def inflate(packed: bytes, whole: int) -> bytes:
    """Raw deflate data (RFC 1951) of exactly `whole` bytes."""
    inflater = isal_zlib.decompressobj(wbits=-15)
    try:
        data = inflater.decompress(packed, max_length=whole + 1)
    except isal_zlib.error as error:  # type: ignore[misc]
        raise _Malformed(f"a compressed block does not inflate ({error})") from None
    if len(data) != whole or not inflater.eof or inflater.unused_data:
        raise _Malformed(
            f"a compressed block says {whole} bytes and does not inflate to exactly these"
        )
    return data


class OasisFile:
    """An open OASIS file; iterate it, once or again, for its cells in file order.

    unit_nm: length of one database unit. strict: names stand in tables that END (or START) points
    to. cell_names: reference number -> name. boxes: name -> box with all below it, and property_names:
    as the tables of a strict file say. Raises LayoutReadError for whatever is malformed.
    """

    def __init__(self, path: str | Path, *, check_signature: bool = True) -> None:
        self.path = Path(path)
        try:
            self._handle = self.path.open("rb")
        except OSError as error:
            raise LayoutReadError(f"{self.path}: cannot be read ({error.strerror})") from None
        try:
            self.size = self.path.stat().st_size
            if self.size < len(MAGIC) + END_BYTES:
                raise LayoutReadError(
                    f"{self.path}: want an OASIS file of at least {len(MAGIC) + END_BYTES} bytes, "
                    f"got {self.size}"
                )
            self._map = mmap.mmap(self._handle.fileno(), 0, access=mmap.ACCESS_READ)
        except BaseException:
            self._handle.close()
            raise
        self._bytes: NDArray[np.uint8] = np.frombuffer(self._map, np.uint8)
        self._names: dict[int, str] | None = None
        self._declared: dict[int, int] = {}
        self.boxes: dict[str, Box] = {}
        self.property_names: frozenset[str] = frozenset()
        self._coded: tuple[Mapping[str, int], int, dict[int, int]] | None = None
        self._released = 0
        self._offsets: dict[str, int] | None = None
        self._seeker: _Walker | None = (
            None  # reads single cells; its outlines are kept between them
        )
        try:
            self._open(check_signature)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> OasisFile:
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
        self._seeker = None
        with contextlib.suppress(BufferError):  # a walker that stopped half way still looks at it
            self._map.close()
        self._handle.close()

    def _error(self, what: str, at: int) -> LayoutReadError:
        return LayoutReadError(f"{self.path.name}, byte {at}: {what}")

    # ---- START, END, signature

    def _open(self, check_signature: bool) -> None:
        if self._map[: len(MAGIC)] != MAGIC:
            raise self._error("want the OASIS magic string, got something else", 0)
        cursor = _Cursor(self._map, len(MAGIC), self.size)
        try:
            if cursor.take(1)[0] != START:
                raise _Malformed("want a START record after the magic string")
            version = cursor.string()
            if version != b"1.0":
                raise _Malformed(f"want version 1.0, got {version[:20]!r}")
            grid = cursor.real()
            if not 0 < grid < math.inf:
                raise _Malformed(f"want a positive number of grid steps per micrometre, got {grid}")
            tables_at_end = cursor.uint()
            if tables_at_end > 1:
                raise _Malformed(f"want 0 or 1 for the place of the tables, got {tables_at_end}")
            tables = None if tables_at_end else self._tables(cursor)
        except _Malformed as error:
            raise self._error(str(error), len(MAGIC)) from None
        self.unit_nm = 1000 / grid
        self._first = cursor.pos
        self._end_at = self.size - END_BYTES
        if self._first > self._end_at:
            raise self._error("no room is left for the END record", self._end_at)
        cursor = _Cursor(self._map, self._end_at, self.size)
        try:
            if cursor.take(1)[0] != END:
                raise _Malformed("want an END record in the last 256 bytes")
            if tables is None:
                tables = self._tables(cursor)
            cursor.string()
            self.validation = cursor.uint()
            if self.validation > 2:
                raise _Malformed(f"want validation scheme 0, 1 or 2, got {self.validation}")
            signature = cursor.take(4 if self.validation else 0)
            if cursor.pos != self.size:
                raise _Malformed(
                    f"want an END record of {END_BYTES} bytes, got {cursor.pos - self._end_at}"
                )
        except _Malformed as error:
            raise self._error(str(error), self._end_at) from None
        for flag, offset in tables:
            if flag > 1:
                raise self._error(f"want 0 or 1 for a table's flag, got {flag}", self._end_at)
            if offset >= self._end_at:
                raise self._error(f"a name table is said to be at byte {offset}", self._end_at)
        self.tables = tuple(tables)
        self.strict = tables[0][0] == 1
        if self.validation and check_signature:
            self._check(int.from_bytes(signature, "little"))
        if self.strict:
            self._names = self._read_table()

    @staticmethod
    def _tables(cursor: _Cursor) -> list[tuple[int, int]]:
        """Flag and byte of the tables of cell names, text strings, property names and strings,
        layer names and extension names."""
        return [(cursor.uint(), cursor.uint()) for _ in range(6)]

    def _check(self, signature: int) -> None:
        total = 0
        step = 2**24
        for at in range(0, self.size - 4, step):
            piece = self._bytes[at : min(at + step, self.size - 4)]
            if self.validation == 1:
                total = isal_zlib.crc32(piece, total)
            else:
                total = (total + int(piece.sum(dtype=np.uint64))) & 0xFFFFFFFF
            self._release(at + len(piece))
        if total != signature:
            word = "CRC32" if self.validation == 1 else "CHECKSUM32"
            raise self._error(
                f"want the {word} {signature:08x} of the END record, the bytes give {total:08x}",
                self.size - 4,
            )
        self._released = 0

    def _release(self, upto: int) -> None:
        """Let go of pages that are read, so that resident memory stays flat."""
        page = mmap.PAGESIZE * 1024
        upto = upto // page * page
        if upto > self._released and hasattr(self._map, "madvise"):
            self._map.madvise(mmap.MADV_DONTNEED, self._released, upto - self._released)
            self._released = upto

    # ---- names

    @property
    def cell_names(self) -> dict[int, str]:
        """Reference number -> name, from the table or from one pass over the whole file."""
        if self._names is None:
            self._names = self._search_names()
        return self._names

    def _cell_name(self, number: int) -> str:
        name = self.cell_names.get(number)
        if name is None:
            raise _Malformed(f"cell name number {number} is not in the table of names")
        return name

    def _codes(self, names: Mapping[str, int]) -> dict[int, int]:
        """Cell name number -> code, 0 for cells that are not named; made once for one mapping."""
        if self._coded is None or self._coded[0] is not names or self._coded[1] != len(names):
            table = {number: names.get(name, 0) for number, name in self.cell_names.items()}
            self._coded = names, len(names), table
        return self._coded[2]

    def _read_table(self) -> dict[int, str]:
        """Cell names of a strict file, and the offsets that their properties give."""
        names = _NameTable()
        # cell names; property names tell which property is an offset
        for which, kinds in ((0, (CELLNAME, CELLNAME + 1)), (2, (PROPNAME, PROPNAME + 1))):
            flag, offset = self.tables[which]
            if flag and offset:
                self._collect(names, offset, table=kinds)
        self._declared = names.offsets()
        self.boxes = {names.cells[number]: box for number, box in names.boxes().items()}
        self.property_names = names.property_names()
        return names.cells

    def _search_names(self) -> dict[int, str]:
        names = _NameTable()
        self._collect(names, self._first)
        self._declared = names.offsets()
        return names.cells

    def _collect(
        self, names: _NameTable, offset: int, *, table: tuple[int, int] | None = None
    ) -> None:
        """Names from `offset` to the end; of one `table`, only its record types, to its end."""
        walker = _Walker(self, offset)
        while True:
            kind = walker.next_kind()
            if table is not None and (
                walker.state[S_ROWS]
                or kind in (CELL_REF, CELL_NAME)
                or (kind in NAME_RECORDS and kind not in table)
            ):
                return
            walker.state[[S_ROWS, S_MOVES]] = 0
            try:
                if kind == END and walker.outside is None:
                    return
                if kind in NAME_RECORDS:
                    cursor = walker.cursor()
                    names.take(kind, cursor)
                    walker.accept(cursor)
                elif kind in (PROPERTY, PROPERTY_AGAIN):
                    cursor = walker.cursor()
                    names.property(kind, cursor)
                    walker.accept(cursor)
                elif kind in (CELL_REF, CELL_NAME):
                    names.leave()
                    cursor = walker.cursor()
                    if kind == CELL_REF:
                        cursor.uint()
                    else:
                        cursor.name()
                    walker.accept(cursor)
                    walker.reset()
                else:
                    names.leave()
                    self._other(walker, kind)
            except _Malformed as error:
                raise walker.error(str(error)) from None

    @staticmethod
    def _other(walker: _Walker, kind: int) -> None:
        if kind == CBLOCK:
            walker.enter_block()
        elif kind == XELEMENT:
            cursor = walker.cursor()
            cursor.uint()
            cursor.string()
            walker.accept(cursor)
        else:
            raise _Malformed(f"want a record of type 0 to 34 that may stand here, got type {kind}")

    # ---- cells

    def __iter__(self) -> Iterator[ReadCell]:
        return self.cells()

    def cells(self) -> Iterator[ReadCell]:
        """Every cell in file order, one at a time."""
        names = _NameTable()
        self._released = 0
        yield from self._walk(_Walker(self, self._first), names)
        if self._names is not None and names.cells != self._names:
            raise self._error(
                f"want all cell names in the table that the file points to ({len(self._names)}), "
                f"got {len(names.cells)} cell names in the whole file or other ones",
                self._end_at,
            )

    def cell(self, name: str) -> ReadCell:
        """One cell, read at its byte: S_CELL_OFFSET of the table, else found by one pass."""
        if self._offsets is None:
            offsets = {
                self.cell_names[number]: byte
                for number, byte in self._declared.items()
                if number in self.cell_names
            }
            if len(offsets) < len(self.cell_names):
                offsets = {cell.name: cell.offset for cell in self.cells()}
            self._offsets = offsets
            self._seeker = _Walker(self, self._first)
        offset, walker = self._offsets.get(name), self._seeker
        if offset is None or walker is None:
            raise LayoutReadError(f"{self.path.name}: want a cell {name}, got none of that name")
        if walker.outside is not None:
            walker.leave_block()
        walker.state[S_POS] = offset
        walker.reset()
        # several cells may share a compressed block, and so its byte
        for cell in self._walk(walker, _NameTable()):
            if cell.name == name:
                start = offset // mmap.PAGESIZE * mmap.PAGESIZE
                if hasattr(self._map, "madvise"):  # what has been read stays in nobody's memory
                    end = walker.outside or int(walker.state[S_POS])
                    self._map.madvise(mmap.MADV_DONTNEED, start, max(end - start, 1))
                return cell
        raise self._error(f"want cell {name} at this byte, got none of that name", offset)

    def _walk(self, walker: _Walker, names: _NameTable) -> Iterator[ReadCell]:
        """Cells from the walker's place to END; the names met on the way go to `names`."""
        seen: set[str] = set()
        open_cell: tuple[int | str, int] | None = None
        while True:
            kind = walker.next_kind()
            if open_cell is None and walker.state[S_ROWS]:
                raise walker.error("a shape or a reference stands outside of every cell")
            if kind in (CELL_REF, CELL_NAME, END) or kind in NAME_RECORDS:
                if open_cell is not None:
                    yield self._finish(walker, open_cell, seen)
                    open_cell = None
                walker.reset()
                if walker.outside is None:
                    self._release(int(walker.state[S_POS]))
            try:
                cursor = walker.cursor()
                if kind in (CELL_REF, CELL_NAME):
                    name = cursor.uint() if kind == CELL_REF else cursor.name()
                    open_cell = (name, walker.record_at)
                    walker.accept(cursor)
                    names.leave()
                elif kind in NAME_RECORDS:
                    names.take(kind, cursor)
                    walker.accept(cursor)
                elif kind in (PROPERTY, PROPERTY_AGAIN):
                    names.property(kind, cursor)
                    walker.accept(cursor)
                elif kind == END:
                    if walker.outside is not None or walker.state[S_POS] != self._end_at:
                        raise _Malformed("an END record stands before the last 256 bytes")
                    names.check_references()
                    break
                else:
                    self._other(walker, kind)
            except _Malformed as error:
                raise walker.error(str(error)) from None

    def _finish(
        self, walker: _Walker, open_cell: tuple[int | str, int], seen: set[str]
    ) -> OasisCell:
        key, offset = open_cell
        try:
            name = key if isinstance(key, str) else self._cell_name(key)
        except _Malformed as error:
            raise self._error(str(error), offset) from None
        if name in seen:
            raise self._error(f"cell {name} is in the file twice", offset)
        seen.add(name)
        declared = self._declared.get(key) if isinstance(key, int) else None
        if declared is not None and declared != offset:
            raise self._error(
                f"want cell {name} at byte {declared}, as its S_CELL_OFFSET says", offset
            )
        rows = walker.rows[: walker.state[S_ROWS]].copy()
        moves = walker.moves
        filled = int(walker.state[S_MOVES])
        if 2 * filled < len(moves):
            moves = moves[:filled].copy()
        else:  # the cell keeps the array, the walker takes another: cheaper than a copy
            walker.moves = np.empty_like(moves)  # noqa: TID251 - filled up to S_MOVES, read no further
            moves = moves[:filled]
        return OasisCell(self, name, offset, rows, moves, walker.interned)


class _NameTable:
    """Cell and property names met so far, and the offsets that properties of cell names give."""

    def __init__(self) -> None:
        self.cells: dict[int, str] = {}
        self._properties: dict[int, str] = {}
        self._styles: dict[int, bool] = {}  # name record types by kind: explicit numbers or not
        self._next = dict.fromkeys((CELLNAME, TEXTSTRING, PROPNAME, PROPSTRING, XNAME), 0)
        self._referred: set[int] = set()  # property names by number
        self._current: int | None = None  # the cell name that properties belong to
        self._last_name: int | str | None = None
        self._last_values: list[Any] | None = None
        self._found: list[tuple[int, int | str, list[Any]]] = []

    def leave(self) -> None:
        self._current = None

    def take(self, kind: int, cursor: _Cursor) -> None:
        self._current = None
        if kind in (LAYERNAME, LAYERNAME_TEXT):
            cursor.string()
            for _ in range(2):
                self._interval(cursor)
            return
        family = kind - (kind + 1) % 2 if kind < XNAME else XNAME
        explicit = kind != family
        if self._styles.setdefault(family, explicit) != explicit:
            raise _Malformed("names with numbers and names without are mixed")
        if family == XNAME:
            cursor.uint()
        if family in (CELLNAME, PROPNAME):
            name = cursor.name()
        else:
            name = ""
            cursor.string()
        if explicit:
            number = cursor.uint()
        else:
            number = self._next[family]
            self._next[family] += 1
        table = {CELLNAME: self.cells, PROPNAME: self._properties}.get(family)
        if table is None:
            return
        if number in table:
            raise _Malformed(f"name number {number} is given twice, {table[number]} and {name}")
        table[number] = name
        if family == CELLNAME:
            self._current = number

    @staticmethod
    def _interval(cursor: _Cursor) -> None:
        kind = cursor.uint()
        if kind > 4:
            raise _Malformed(f"want an interval of type 0 to 4, got {kind}")
        for _ in range((0, 1, 1, 1, 2)[kind]):
            cursor.uint()

    def property(self, kind: int, cursor: _Cursor) -> None:
        if kind == PROPERTY:
            info = cursor.take(1)[0]
            if info & 0x04:
                self._last_name = cursor.uint() if info & 0x02 else cursor.name()
                if isinstance(self._last_name, int):
                    self._referred.add(self._last_name)
            many = info >> 4
            if info & 0x08:
                if many:
                    raise _Malformed("a property repeats the last values and counts new ones")
            else:
                count = cursor.uint() if many == 15 else many
                if count > cursor.end - cursor.pos:
                    raise _Malformed(CUT)
                self._last_values = [self._value(cursor) for _ in range(count)]
        if self._last_name is None or self._last_values is None:
            raise _Malformed(UNSET)
        if self._current is not None:
            self._found.append((self._current, self._last_name, self._last_values))

    @staticmethod
    def _value(cursor: _Cursor) -> Any:
        kind = cursor.uint()
        if kind <= 7:
            return cursor.real(kind)
        if kind == 8:
            return cursor.uint()
        if kind == 9:
            return cursor.sint()
        if kind <= 12:
            return cursor.string()
        if kind <= 15:
            cursor.uint()
            return None
        raise _Malformed(f"want a property value of type 0 to 15, got {kind}")

    def offsets(self) -> dict[int, int]:
        """Cell name number -> byte of its cell, from S_CELL_OFFSET; 0 means an outside cell."""
        return {
            number: values[0]
            for number, name, values in self._standard()
            if name == "S_CELL_OFFSET"
            and len(values) == 1
            and isinstance(values[0], int)
            and values[0]
        }

    def check_references(self) -> None:
        """At the end of the file every property name that was referred to is there."""
        missing = sorted(self._referred - self._properties.keys())
        if missing:
            raise _Malformed(f"a property has the name number {missing[0]}, which no record gives")

    def property_names(self) -> frozenset[str]:
        """Names of properties met."""
        return frozenset(self._properties.values())

    def boxes(self) -> dict[int, Box]:
        """Cell name number -> box, from S_BOUNDING_BOX; cells without one, or empty, are left out.

        Its values are flags (1: not known, 2: empty), x and y of the lower left corner, width, height.
        """
        found = {}
        for number, name, values in self._standard():
            if (
                name == "S_BOUNDING_BOX"
                and len(values) == 5
                and all(isinstance(v, int) for v in values)
            ):
                flags, x, y, width, height = values
                if flags == 0 and width >= 0 and height >= 0:
                    found[number] = (x, y, x + width, y + height)
        return found

    def _standard(self) -> Iterator[tuple[int, str, list[Any]]]:
        """Properties of cell names: number of the name, the property's name, its values."""
        for number, name, values in self._found:
            yield number, self._properties.get(name, "") if isinstance(name, int) else name, values


def read_oasis(path: str | Path, *, check_signature: bool = True) -> OasisFile:
    """Open an OASIS file; use it in a `with` and iterate it for its cells."""
    return OasisFile(path, check_signature=check_signature)


def summary(path: str | Path) -> LayoutSummary:
    """Counts and boxes of every cell of an OASIS file."""
    with read_oasis(path) as file:
        return summarise(file, file.unit_nm)
