"""The compiled scanner of OASIS geometry: records in, arrays out (SEMI P39).

What a geometry record may hold, and in which order, is a table (`_FIELDS`): a field is there when
some bits of the record's information byte say so, and every field begins with an unsigned
integer, so one loop reads them all. Values that a record leaves out come from the modal variables
in `state`; every record writes one row. Lists of places (repetition types 4-7, 10, 11) go to
`moves` as displacements from the record's own place; regular arrays stay four numbers in the row.

Byte strings that recur (point lists, names, real numbers) are interned: the row holds a number,
and Python looks at each different string once.

Numbers: groups of seven bits, lowest first; of a signed one the lowest bit is the sign. g-delta: an
even first number is a magnitude above a direction in bits 1-3 (E, N, W, S, NE, NW, SW, SE), an odd
one is |dx| above a sign in bit 1, and dy follows as a signed number.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from layoutgen.kernels import inner, kernel, late_kernel

__all__ = ["scan"]

# What `scan` answers.
DONE, OTHER, MORE_ROWS, MORE_MOVES, MORE_INTERNED = 0, 1, 2, 3, 4

# Slots of `state`: where the scanner stands, then the modal variables.
UNDEFINED = -(2**62)
(
    S_POS, S_RECORD, S_ROWS, S_MOVES, S_NEED, S_RELATIVE, S_PLACE_X, S_PLACE_Y, S_GEO_X, S_GEO_Y,
    S_TEXT_X, S_TEXT_Y, S_ZERO, S_LAYER, S_DATATYPE, S_TEXTLAYER, S_TEXTTYPE, S_CELL, S_STRING,
    S_WIDTH, S_HEIGHT, S_POINTS, S_HALF_WIDTH, S_PATH_POINTS, S_START_EXT, S_END_EXT, S_CTRAPEZOID,
    S_RADIUS, S_DELTA_A, S_DELTA_B, S_MAGNIFICATION, S_ANGLE,
    S_REP, S_REP1, S_REP2, S_REP3, S_REP4, S_REP5, S_REP6, S_COUNT,
) = range(40)  # fmt: skip

# Columns of a row. A to D are the record's own: see _COLUMNS.
(
    R_KIND, R_INFO, R_LAYER, R_DATATYPE, R_A, R_B, R_C, R_D, R_X, R_Y,
    R_REP, R_REP1, R_REP2, R_REP3, R_REP4, R_REP5, R_REP6, R_COUNT,
) = range(18)  # fmt: skip
REP_NONE, REP_GRID, REP_LIST = 0, 1, 2

CUT = "the record is cut off"
HUGE = "a number is beyond 32-bit coordinates"
UNSET = "a value is left out that no earlier record of the cell gives"
RESERVED = "bits of the information byte are set that mean nothing"

# Arrays above this are refused: a whole 200 mm wafer of 200 nm pitch is 8e11 sites in 1e7 cells.
MAX_GRID = 10**9

_UINT, _SINT, _SKIP, _REFERENCE, _NAME, _TEXT, _REAL, _POINTS, _EXTENSION, _XY, _REPETITION = range(
    11
)

_LAYER = [(0x01, 0x01, _UINT, S_LAYER), (0x02, 0x02, _UINT, S_DATATYPE)]
_PLACE = [(0x10, 0x10, _XY, S_GEO_X), (0x08, 0x08, _XY, S_GEO_Y), (0x04, 0x04, _REPETITION, 0)]
_SIZE = [(0x40, 0x40, _UINT, S_WIDTH), (0x20, 0x20, _UINT, S_HEIGHT)]
_CELL = [(0xC0, 0xC0, _REFERENCE, S_CELL), (0xC0, 0x80, _NAME, S_CELL)]
_CELL_PLACE = [
    (0x20, 0x20, _XY, S_PLACE_X),
    (0x10, 0x10, _XY, S_PLACE_Y),
    (0x08, 0x08, _REPETITION, 0),
]
_A, _B = (0, 0, _SINT, S_DELTA_A), (0, 0, _SINT, S_DELTA_B)

# Record type -> fields in order: (bits looked at, their value when the field is there, how it is
# read, slot), then the slots of the columns layer, datatype, A, B, C, D.
_RECORDS: dict[int, tuple[list[tuple[int, int, int, int]], tuple[int, ...]]] = {
    17: ([*_CELL, *_CELL_PLACE], (S_ZERO, S_ZERO, S_CELL, S_MAGNIFICATION, S_ANGLE, S_ZERO)),
    18: (
        [
            *_CELL,
            (0x04, 0x04, _REAL, S_MAGNIFICATION),
            (0x02, 0x02, _REAL, S_ANGLE),
            *_CELL_PLACE,
        ],
        (S_ZERO, S_ZERO, S_CELL, S_MAGNIFICATION, S_ANGLE, S_ZERO),
    ),
    19: (
        [
            (0x60, 0x60, _UINT, S_STRING),
            (0x60, 0x40, _TEXT, S_STRING),
            (0x01, 0x01, _UINT, S_TEXTLAYER),
            (0x02, 0x02, _UINT, S_TEXTTYPE),
            (0x10, 0x10, _XY, S_TEXT_X),
            (0x08, 0x08, _XY, S_TEXT_Y),
            (0x04, 0x04, _REPETITION, 0),
        ],
        (S_TEXTLAYER, S_TEXTTYPE, S_STRING, S_ZERO, S_ZERO, S_ZERO),
    ),
    20: ([*_LAYER, *_SIZE, *_PLACE], (S_LAYER, S_DATATYPE, S_WIDTH, S_HEIGHT, S_ZERO, S_ZERO)),
    21: (
        [*_LAYER, (0x20, 0x20, _POINTS, S_POINTS), *_PLACE],
        (S_LAYER, S_DATATYPE, S_POINTS, S_ZERO, S_ZERO, S_ZERO),
    ),
    22: (
        [
            *_LAYER,
            (0x40, 0x40, _UINT, S_HALF_WIDTH),
            (0x80, 0x80, _EXTENSION, S_START_EXT),
            (0x20, 0x20, _POINTS, S_PATH_POINTS),
            *_PLACE,
        ],
        (S_LAYER, S_DATATYPE, S_PATH_POINTS, S_HALF_WIDTH, S_START_EXT, S_END_EXT),
    ),
    23: (
        [*_LAYER, *_SIZE, _A, _B, *_PLACE],
        (S_LAYER, S_DATATYPE, S_WIDTH, S_HEIGHT, S_DELTA_A, S_DELTA_B),
    ),
    24: (
        [*_LAYER, *_SIZE, _A, *_PLACE],
        (S_LAYER, S_DATATYPE, S_WIDTH, S_HEIGHT, S_DELTA_A, S_ZERO),
    ),
    25: (
        [*_LAYER, *_SIZE, _B, *_PLACE],
        (S_LAYER, S_DATATYPE, S_WIDTH, S_HEIGHT, S_ZERO, S_DELTA_B),
    ),
    26: (
        [*_LAYER, (0x80, 0x80, _UINT, S_CTRAPEZOID), *_SIZE, *_PLACE],
        (S_LAYER, S_DATATYPE, S_WIDTH, S_HEIGHT, S_CTRAPEZOID, S_ZERO),
    ),
    27: (
        [*_LAYER, (0x20, 0x20, _UINT, S_RADIUS), *_PLACE],
        (S_LAYER, S_DATATYPE, S_RADIUS, S_ZERO, S_ZERO, S_ZERO),
    ),
    33: (
        [(0, 0, _SKIP, 0), *_LAYER, (0, 0, _TEXT, S_ZERO), *_PLACE],
        (S_LAYER, S_DATATYPE, S_ZERO, S_ZERO, S_ZERO, S_ZERO),
    ),
}
_FIELDS = np.full((34, 10, 4), -1, np.int64)
_COLUMNS = np.zeros((34, 6), np.int64)
for _kind, (_fields, _slots) in _RECORDS.items():
    _FIELDS[_kind, : len(_fields)] = _fields
    _COLUMNS[_kind] = _slots
_UNUSED_BITS = np.zeros(34, np.int64)
_UNUSED_BITS[[19, 21, 27, 33]] = 0x80, 0xC0, 0xC0, 0xE0
# Unsigned integers and g-deltas at the head of each repetition type.
_REP_UINTS = np.array([0, 4, 2, 2, 1, 2, 1, 2, 2, 1, 1, 2], np.int64)
_REP_DELTAS = np.array([0, 0, 0, 0, 0, 0, 0, 0, 2, 1, 0, 0], np.int64)

# Step of a g-delta's magnitude by the low four bits of its first number.
DX = np.array([1, 1, 0, -1, -1, 1, 0, -1, 1, 1, -1, -1, -1, 1, 1, -1], np.int64)
DY = np.array([0, 0, 1, 0, 0, 0, -1, 0, 1, 0, 1, 0, -1, 0, -1, 0], np.int64)


@inner
def _uint(buf: Any, pos: Any, end: Any) -> Any:
    """Value and the position after it; below 2**56, so that no sum of two can wrap round."""
    value = np.int64(0)
    shift = 0
    while True:
        if pos >= end:
            raise ValueError(CUT)
        byte = np.int64(buf[pos])
        pos += 1
        if shift <= 49:
            value |= (byte & 0x7F) << shift
        elif byte & 0x7F:
            raise ValueError(HUGE)
        if byte < 0x80:
            return value, pos
        shift += 7


@inner
def _gdelta(buf: Any, pos: Any, end: Any) -> Any:
    value, pos = _uint(buf, pos, end)
    low = value & 15
    size = value >> 2 if value & 1 else value >> 4
    dx = size * DX[low]
    dy = size * DY[low]
    if value & 1:
        value, pos = _uint(buf, pos, end)
        dy = -(value >> 1) if value & 1 else value >> 1
    if abs(dx) >= 2**32 or abs(dy) >= 2**32:
        raise ValueError(HUGE)
    return dx, dy, pos


@inner
def _displacements(
    buf: Any, pos: Any, end: Any, count: Any, grid: Any, moves: Any, fill: Any
) -> Any:
    """Sum `count` g-deltas, times `grid`, into moves[fill:]; returns the position after them.

    Most steps on a lattice are one or two bytes, and for form 2 one more; these are decoded without
    a branch on length or form, as a wrong guess costs more than the work. Longer numbers and the
    last bytes of the buffer take the careful way. All sums are or-ed together and looked at once:
    a bit above 30 tells that some place was beyond 32 bits.
    """
    gx = np.int64(0)
    gy = np.int64(0)
    over = np.int64(0)
    one = np.uint64(1)
    at = np.uint64(pos)
    safe = np.int64(end) - 4
    flat = moves.reshape(moves.size)
    to = np.uint64(2 * fill)
    for _ in range(count):
        word = np.uint64(0x8080)  # as if the number were long: near the end all goes the slow way
        if np.int64(at) <= safe:
            word = (
                np.uint64(buf[at])
                | (np.uint64(buf[at + one]) << np.uint64(8))
                | (np.uint64(buf[at + np.uint64(2)]) << np.uint64(16))
                | (np.uint64(buf[at + np.uint64(3)]) << np.uint64(24))
            )
        more = (word >> np.uint64(7)) & one
        form2 = word & one
        second = word >> (np.uint64(8) + (more << np.uint64(3)))
        if ((word >> np.uint64(15)) & more) | ((second >> np.uint64(7)) & form2):
            dx, dy, after = _gdelta(buf, np.int64(at), end)
            at = np.uint64(after)
            gx += dx
            gy += dy
        else:
            at += one + more + form2
            value = (word & np.uint64(0x7F)) | (((word >> one) & np.uint64(0x3F80)) * more)
            magnitude = np.int64(value >> (np.uint64(4) - form2 - form2))
            low = word & np.uint64(15)
            number = np.int64(second & np.uint64(0x7F))
            sign = -(number & 1)
            gx += magnitude * DX[low]
            gy += magnitude * DY[low] + (((number >> 1) ^ sign) - sign) * np.int64(form2)
        x = gx * grid
        y = gy * grid
        over |= (gx ^ (gx >> 63)) | (gy ^ (gy >> 63)) | (x ^ (x >> 63)) | (y ^ (y >> 63))
        flat[to] = x
        flat[to + one] = y
        to += np.uint64(2)
    if over >> 31:
        raise ValueError(HUGE)
    return np.int64(at)


@inner
def _repetition(buf: Any, pos: Any, end: Any, kind: Any, state: Any, moves: Any) -> Any:
    """Read a repetition into the state; -1 where `moves` has no room (state[S_NEED] tells)."""
    if kind == 0:
        if state[S_REP] == UNDEFINED:
            raise ValueError(UNSET)
        return pos
    if kind > 11:
        raise ValueError("the repetition type is not 0 to 11")
    head = np.zeros(8, np.int64)
    for i in range(_REP_UINTS[kind]):
        head[i], pos = _uint(buf, pos, end)
    for i in range(_REP_DELTAS[kind]):
        head[4 + 2 * i], head[5 + 2 * i], pos = _gdelta(buf, pos, end)
    if kind <= 3 or kind == 8 or kind == 9:
        m = np.int64(1)
        if kind == 1:
            m = head[1] + 2
            head[4] = head[2]
            head[7] = head[3]
        elif kind == 2:
            head[4] = head[1]
        elif kind == 3:
            head[5] = head[1]
        elif kind == 8:
            m = head[1] + 2
        n = head[0] + 2
        if n > MAX_GRID or m > MAX_GRID or n * m > MAX_GRID:
            raise ValueError("an array has more than 1e9 places")
        for i in range(4, 8):
            if abs(head[i]) >= 2**32 or abs(head[i]) * (n if i < 6 else m) >= 2**33:
                raise ValueError(HUGE)
            state[S_REP3 + i - 4] = head[i]
        state[S_REP] = REP_GRID
        state[S_REP1] = n
        state[S_REP2] = m
        return pos
    grid = head[1] if kind == 5 or kind == 7 or kind == 11 else np.int64(1)
    if grid >= 2**31:
        raise ValueError(HUGE)
    count = head[0] + 1
    if count > end - pos:
        raise ValueError("a repetition lists more places than there are bytes left")
    fill = state[S_MOVES]
    if fill + count + 1 > moves.shape[0]:
        state[S_NEED] = fill + count + 1
        return -1
    moves[fill, 0] = 0
    moves[fill, 1] = 0
    if kind >= 10:
        pos = _displacements(buf, pos, end, count, grid, moves, fill + 1)
    else:
        axis = 0 if kind <= 5 else 1
        total = np.int64(0)
        for i in range(fill + 1, fill + 1 + count):
            space, pos = _uint(buf, pos, end)
            if space >= 2**31 or total + space * grid >= 2**31:
                raise ValueError(HUGE)
            total += space * grid
            moves[i, axis] = total
            moves[i, 1 - axis] = 0
    state[S_MOVES] = fill + count + 1
    state[S_REP] = REP_LIST
    state[S_REP1] = fill
    state[S_REP2] = fill + count + 1
    return pos


@inner
def _skip(buf: Any, pos: Any, end: Any, count: Any, deltas: Any) -> Any:
    """Position after `count` integers, or g-deltas, which are two integers when odd.

    Calls give count and deltas as NumPy scalars: for each literal the compiler would make a copy.
    """
    if count > end - pos:
        raise ValueError("a point list has more points than there are bytes left")
    while count > 0:
        if pos >= end:
            raise ValueError(CUT)
        again = deltas and buf[pos] & 1
        while pos < end and buf[pos] >= 0x80:
            pos += 1
        pos += 1
        if again:
            while pos < end and buf[pos] >= 0x80:
                pos += 1
            pos += 1
        count -= 1
    if pos > end:
        raise ValueError(CUT)
    return pos


@kernel
def intern(buf: Any, start: Any, end: Any, slots: Any, entries: Any, pool: Any, meta: Any) -> Any:
    """Number of the byte string buf[start:end], the same for the same bytes; -1 for no room.

    Open addressing over the 64-bit FNV-1a hash; bytes are compared, so equal hashes do no harm.
    meta: entries used, bytes of the pool used, bytes that had no room.
    """
    code = np.uint64(0xCBF29CE484222325)
    for i in range(start, end):
        code = (code ^ np.uint64(buf[i])) * np.uint64(0x100000001B3)
    mask = np.uint64(slots.size - 1)
    at = (code ^ (code >> np.uint64(32))) & mask
    size = end - start
    while slots[at] >= 0:
        number = np.int64(slots[at])
        if entries[number, 1] == size:
            begin = entries[number, 0]
            i = 0
            while i < size and pool[begin + i] == buf[start + i]:
                i += 1
            if i == size:
                return number
        at = (at + np.uint64(1)) & mask
    number = meta[0]
    begin = meta[1]
    if number == entries.shape[0] or begin + size > pool.size:
        meta[2] = size
        return np.int64(-1)
    for i in range(size):
        pool[begin + i] = buf[start + i]
    entries[number, 0] = begin
    entries[number, 1] = size
    meta[0] += 1
    meta[1] += size
    slots[at] = number
    return number


@late_kernel(
    "(Array(uint8, 1, 'C', True), int64, int64[::1], int64[:, ::1], int32[:, ::1], "
    "int32[::1], int64[:, ::1], uint8[::1], int64[::1])"
)
def scan(
    buf: Any,
    end: Any,
    state: Any,
    rows: Any,
    moves: Any,
    slots: Any,
    entries: Any,
    pool: Any,
    meta: Any,
) -> Any:
    """Read geometry records from state[S_POS] into rows and moves until another kind comes.

    When an array is full the record is undone, and read again after the caller made it larger.
    Raises ValueError with the reason; state[S_RECORD] is where the record begins.
    """
    saved = state.copy()
    while True:
        pos = state[S_POS]
        state[S_RECORD] = pos
        if pos >= end:
            return DONE
        kind = np.int64(buf[pos])
        pos += 1
        if kind == 0:  # PAD
            state[S_POS] = pos
            continue
        if kind == 15 or kind == 16:  # XYABSOLUTE, XYRELATIVE
            state[S_RELATIVE] = kind - 15
            state[S_POS] = pos
            continue
        if kind < 17 or kind > 33 or 28 <= kind <= 32:
            return OTHER
        n = state[S_ROWS]
        if n == rows.shape[0]:
            return MORE_ROWS
        for i in range(state.size):
            saved[i] = state[i]
        state[S_ZERO] = 0
        state[S_DELTA_A] = 0
        state[S_DELTA_B] = 0
        state[S_MAGNIFICATION] = -1
        state[S_ANGLE] = -1
        if pos >= end:
            raise ValueError(CUT)
        info = np.int64(buf[pos])
        pos += 1
        if info & _UNUSED_BITS[kind]:
            raise ValueError(RESERVED)
        for i in range(R_COUNT):
            rows[n, i] = 0
        for field in range(_FIELDS.shape[1]):
            bits = _FIELDS[kind, field, 0]
            if bits < 0:
                break
            if info & bits != _FIELDS[kind, field, 1]:
                continue
            action = _FIELDS[kind, field, 2]
            slot = _FIELDS[kind, field, 3]
            start = pos
            value, pos = _uint(buf, pos, end)
            if action == _UINT:
                if value >= 2**32:
                    raise ValueError(HUGE)
                state[slot] = value
            elif action in (_SINT, _XY):
                signed = -(value >> 1) if value & 1 else value >> 1
                if action == _XY and state[S_RELATIVE]:
                    signed += state[slot]
                if abs(signed) >= 2**31:
                    raise ValueError(HUGE)
                state[slot] = signed
            elif action == _REFERENCE:
                state[slot] = 2 * value
            elif action == _REPETITION:
                pos = _repetition(buf, pos, end, value, state, moves)
                if pos < 0:
                    need = state[S_NEED]
                    for i in range(state.size):
                        state[i] = saved[i]
                    state[S_NEED] = need
                    return MORE_MOVES
                for i in range(7):
                    rows[n, R_REP + i] = state[S_REP + i]
            elif action == _EXTENSION:
                if value > 15:
                    raise ValueError(RESERVED)
                for i in range(2):
                    which = (value >> (2 - 2 * i)) & 3
                    if which == 1:
                        state[slot + i] = 0
                    elif which == 2:
                        state[slot + i] = state[S_HALF_WIDTH]
                    elif which == 3:
                        pos = _skip(buf, pos, end, np.int64(1), np.bool_(False))
                        state[slot + i] = 0  # paths are counted, not drawn
            elif action != _SKIP:
                if action == _POINTS:
                    if value > 5:
                        raise ValueError("the point list type is not 0 to 5")
                    count, pos = _uint(buf, pos, end)
                    pos = _skip(buf, pos, end, count, value >= 4)
                elif action == _REAL:
                    if value > 7:
                        raise ValueError("the type of a real number is not 0 to 7")
                    if value <= 5:
                        pos = _skip(
                            buf, pos, end, np.int64(1 if value <= 3 else 2), np.bool_(False)
                        )
                    else:
                        pos += 4 if value == 6 else 8
                else:
                    start = pos
                    pos += value
                if pos > end:
                    raise ValueError("a string or a number is longer than the bytes left")
                number = np.int64(0)
                if action != _TEXT:
                    number = intern(buf, start, pos, slots, entries, pool, meta)
                    if number < 0:
                        for i in range(state.size):
                            state[i] = saved[i]
                        return MORE_INTERNED
                state[slot] = 2 * number + 1 if action == _NAME else number
        if kind == 20 and info & 0x80:
            if info & 0x20:
                raise ValueError("a square gives a height of its own")
            state[S_HEIGHT] = state[S_WIDTH]
        elif kind == 26:
            shape = state[S_CTRAPEZOID]
            if shape > 25:
                raise ValueError("the compact trapezoid type is not 0 to 25")
            # triangles and the square have one size; the other is 0 here, or was never given
            if shape == 20 or shape == 21:
                state[S_WIDTH] = max(state[S_WIDTH], 0)
            elif 16 <= shape <= 19 or shape == 22 or shape == 23 or shape == 25:
                state[S_HEIGHT] = max(state[S_HEIGHT], 0)
        rows[n, R_KIND] = kind
        rows[n, R_INFO] = info
        for i in range(6):
            value = state[_COLUMNS[kind, i]]
            if value == UNDEFINED:
                raise ValueError(UNSET)
            rows[n, R_LAYER + i] = value
        slot = S_PLACE_X if kind <= 18 else S_TEXT_X if kind == 19 else S_GEO_X
        rows[n, R_X] = state[slot]
        rows[n, R_Y] = state[slot + 1]
        state[S_ROWS] = n + 1
        state[S_POS] = pos
