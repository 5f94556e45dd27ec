"""Displacement lists: the sites of a block, grouped by code, as bytes of an OASIS repetition.

Repetition type 11 of SEMI P39 (OASIS) lists the positions of one shape as steps from each to the
next, in whole multiples of a grid. A step is one of

    along an axis or a diagonal    varint(size << 4 | direction << 1)
    any other                      varint(|dx| << 2 | (dx < 0) << 1 | 1), varint(|dy| << 1 | (dy < 0))

with directions E, N, W, S, NE, NW, SW, SE = 0 .. 7, and varint the base-128 number, low digit
first. On a square lattice the grid is the pitch, so most steps take one or two bytes.

Two orders make the lists compress, each chosen block by block from the codes alone:

- *Zones.* Where a lens's zones are wide, the sites of one code lie on one arc per zone. Each arc
  is listed by itself, by rows; a zone ends where the code jumps by over half of its range.
- *Strips.* Where zones are narrow, a block is cut into strips of columns, each with lists of its
  own, listed by rows: the lists of neighbouring codes then lie close together and look alike.

Every site costs one table look-up and one unaligned store: the bytes of a step come ready-made
from a table indexed by the difference of two packed positions (row * 1024 + column). All of it is
integers, so the bytes do not depend on the processor.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import lru_cache
from math import gcd
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock
from layoutgen.kernels import inner, late_kernel
from layoutgen.lattice import Lattice

__all__ = ["MAX_COLS", "Prefixes", "encode_sites", "site_grid"]

ByteArray = NDArray[np.uint8]

# A packed position holds the column in 10 bits, signed differences included: 512 columns on a
# square lattice, 256 on a hexagonal one, whose columns count in half pitches.
STRIDE = 1024
MAX_COLS = {"square": 512, "hexagonal": 256}

# Steps of up to this many rows come from the table; longer ones are rare and worked out.
TABLE_ROWS = 32

# Zones are followed when a list of one zone and code is expected to hold this many sites: below it
# the long steps from zone to zone cost more than the arcs gain.
MIN_ARC = 15

# At most this many zones in a block are told apart.
MAX_ZONES = 64

# Zones times codes beyond which they are not told apart: the lists' states must stay in the cache.
MAX_ZONE_SLOTS = 1 << 16


@intrinsic
def _store_u64(typingctx: Any, array: Any, index: Any, value: Any) -> Any:
    """array[index : index + 8] = the eight bytes of value, low byte first, at any alignment."""
    signature = types.void(array, types.intp, types.uint64)

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(sig.args[0])(context, builder, args[0]).data
        place = builder.gep(data, [args[1]])
        word = builder.bitcast(place, ir.IntType(64).as_pointer())
        builder.store(args[2], word, align=1)
        return context.get_dummy_value()

    return signature, codegen


@intrinsic
def _load_u64(typingctx: Any, array: Any, index: Any) -> Any:
    """The eight bytes array[index : index + 8], low byte first, at any alignment."""
    signature = types.uint64(array, types.intp)

    def codegen(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        data = context.make_array(sig.args[0])(context, builder, args[0]).data
        place = builder.gep(data, [args[1]])
        word = builder.bitcast(place, ir.IntType(64).as_pointer())
        return builder.load(word, align=1)

    return signature, codegen


@inner
def _varint(out: ByteArray, p: int, value: int) -> int:
    while value > 127:
        out[p] = (value & 127) | 128
        value >>= 7
        p += 1
    out[p] = value
    return p + 1


@inner
def _step(out: ByteArray, p: Any, dx: Any, dy: Any) -> Any:
    """Write one step in the shorter of its two forms."""
    ax, ay = abs(dx), abs(dy)
    if ax == ay or ax == 0 or ay == 0:
        if ay == 0:
            direction = 0 if dx > 0 else 2
        elif ax == 0:
            direction = 1 if dy > 0 else 3
        elif dy > 0:
            direction = 4 if dx > 0 else 5
        else:
            direction = 6 if dx < 0 else 7
        return _varint(out, p, max(ax, ay) << 4 | direction << 1)
    p = _varint(out, p, ax << 2 | (2 if dx < 0 else 0) | 1)
    return _varint(out, p, ay << 1 | (1 if dy < 0 else 0))


@late_kernel("(int64, int64, uint64[::1])")
def _table(unit_x: int, unit_y: int, table: NDArray[np.uint64]) -> int:
    """table[drow * 1024 + dcol]: bytes of the step in the low 56 bits, their number above.

    Returns how much of the table holds: up to the first step of more than seven bytes.
    """
    line = np.zeros(32, np.uint8)
    for d in range(1, len(table)):
        row = (d + STRIDE // 2) // STRIDE
        n = _step(line, np.int64(0), (d - row * STRIDE) * unit_x, row * unit_y)
        if n > 7:
            return d
        word = np.uint64(n) << np.uint64(56)
        for i in range(n):
            word |= np.uint64(line[i]) << np.uint64(8 * i)
        table[d] = word
    return len(table)


@inner
def _copy(out: ByteArray, p: int, work: ByteArray, begin: Any, end: Any) -> int:
    """Append work[begin:end] to out, eight bytes at a time; out and work have room past the end."""
    size = end - begin
    for i in range(0, size, 8):
        _store_u64(out, p + i, _load_u64(work, begin + i))  # type: ignore[call-arg]
    return p + size  # type: ignore[no-any-return]


@inner
def _survey(codes: Any) -> tuple[int, int, int, int]:
    """From every 16th row and column: sites, smallest and largest code, jumps times 16."""
    rows, cols = codes.shape
    low: Any = 1 << 20
    high: Any = 0
    sites = 0
    for r in range(0, rows, 16):
        for c in range(cols):
            k = np.int64(codes[r, c])
            if k:
                sites += 1
                low = min(low, k)
                high = max(high, k)
    half = (high - low) // 2
    along: Any = 0
    across: Any = 0
    for r in range(0, rows, 16):
        last = np.int64(0)
        for c in range(cols):
            k = np.int64(codes[r, c])
            if k:
                along += last > 0 and abs(k - last) > half
                last = k
    for c in range(0, cols, 16):
        last = np.int64(0)
        for r in range(rows):
            k = np.int64(codes[r, c])
            if k:
                across += last > 0 and abs(k - last) > half
                last = k
    return sites, low, high, along * 16 // rows + across * 16 // cols


@inner
def _zones(
    codes: Any, half: int, flags: ByteArray, rows_end: NDArray[np.int64], runs: NDArray[np.int64]
) -> int:
    """Cut every row into runs of one zone: runs[i] = begin, end column, zone from 0; how many zones, 0 if too many.

    The runs of row r are rows_end[r] .. rows_end[r + 1]. An empty site counts as code 0. The zones
    of a row are counted from the first column where it and the row before both have a site.
    """
    rows, cols = codes.shape
    most = len(runs)
    up, down = np.int32(half), np.int32(-half)
    n = 0
    rows_end[0] = 0
    first_before, zone_before = 0, 0
    lowest, highest = 0, 0
    for c in range(cols, cols + 8):
        flags[c] = 0
    for r in range(rows):
        row = codes[r]
        flags[0] = 0
        # narrow integers, so that the compiler compares many columns at once
        for c in range(np.uint64(1), np.uint64(cols)):
            step = np.int32(np.int32(row[c]) - np.int32(row[c - np.uint64(1)]))
            flags[c] = np.uint8(step > up) | np.uint8(step < down)
        first = 0
        while first < cols and row[first] == 0:
            first += 1
        if first == cols:
            rows_end[r + 1] = n
            continue
        # the zone of the row's first site, relative runs first
        begin, zone, n_row = first, 0, n
        for word in range((first + 1) & ~7, cols, 8):
            if _load_u64(flags, word) == 0:  # type: ignore[call-arg]
                continue
            for c in range(max(word, first + 1), word + 8):
                if flags[c]:
                    if n == most:
                        return 0
                    runs[n, 0], runs[n, 1], runs[n, 2] = begin, c, zone
                    n += 1
                    begin = c
                    zone += 1 if np.int64(row[c]) < np.int64(row[c - 1]) else -1
        if n == most:
            return 0
        runs[n, 0], runs[n, 1], runs[n, 2] = begin, cols, zone
        n += 1
        shift = zone_before
        shared = max(first, first_before)
        if r > 0 and codes[r, shared] and codes[r - 1, shared]:
            above = 0
            for i in range(rows_end[r - 1], n_row):
                if runs[i, 0] <= shared:
                    above = runs[i, 2]
            here = 0
            for i in range(n_row, n):
                if runs[i, 0] <= shared:
                    here = runs[i, 2]
            rise = np.int64(codes[r, shared]) - np.int64(codes[r - 1, shared])
            shift = above - here
            if abs(rise) > half:
                shift += 1 if rise < 0 else -1
        for i in range(n_row, n):
            runs[i, 2] += shift
            lowest, highest = min(lowest, runs[i, 2]), max(highest, runs[i, 2])
        if highest - lowest >= MAX_ZONES:
            return 0
        rows_end[r + 1] = n
        first_before, zone_before = first, runs[n_row, 2]
    for i in range(n):
        runs[i, 2] -= lowest
    return highest - lowest + 1


@inner
def _count(
    codes: Any,
    col_from: int,
    col_to: int,
    span: int,
    rows_end: NDArray[np.int64],
    runs: NDArray[np.int64],
    counts: NDArray[np.int32],
) -> None:
    """counts[zone * span + code] of the columns col_from .. col_to; empty sites are code 0."""
    for r in range(np.uint64(codes.shape[0])):
        for i in range(rows_end[r], rows_end[r + np.uint64(1)]):
            offset = np.uint64(runs[i, 2] * span)
            begin, end = max(runs[i, 0], col_from), min(runs[i, 1], col_to)
            for c in range(np.uint64(begin), np.uint64(max(begin, end))):
                counts[offset + np.uint64(codes[r, c])] += 1


@inner
def _lists(
    codes: Any,
    col_from: int,
    col_to: int,
    span: int,
    rows_end: NDArray[np.int64],
    runs: NDArray[np.int64],
    odd: int,
    scale: int,
    shift: int,
    table: NDArray[np.uint64],
    unit_x: int,
    unit_y: int,
    work: ByteArray,
    state: NDArray[np.uint64],
    first: NDArray[np.int64],
) -> None:
    """Write the step to every site of the columns behind the list of its zone and code.

    state[zone * span + code] holds the list's last place + 1 << 20 (high half), 0 while the list
    is empty, and its end in `work` (low half): one load and one store keep both. Indices are
    unsigned, which spares the check for negative ones.
    """
    limit = np.uint64(len(table))
    low = np.uint64(0xFFFFFFFF)
    half = np.uint64(32)
    length_bits = np.uint64(56)
    bias = 1 << 20
    column = np.uint64(scale) << half
    for r in range(np.uint64(codes.shape[0])):
        row = np.int64(r)
        base = row * STRIDE + ((row + odd) & 1) * shift + bias
        for i in range(rows_end[r], rows_end[r + np.uint64(1)]):
            offset = np.uint64(runs[i, 2] * span)
            begin, end = max(runs[i, 0], col_from), min(runs[i, 1], col_to)
            place = np.uint64(base + begin * scale) << half
            for c in range(np.uint64(begin), np.uint64(max(begin, end))):
                code = np.uint64(codes[r, c])
                if code != 0:
                    key = offset + code
                    now = state[key]
                    index = ((place | low) - now) >> half
                    at = now & low
                    if index < limit:
                        word = table[index]
                        _store_u64(work, np.intp(at), word)  # type: ignore[call-arg]
                        state[key] = (at + (word >> length_bits)) | place
                    else:
                        here = np.int64(place >> half) - bias
                        if now >> half == 0:
                            first[key] = here
                        else:
                            before = np.int64(now >> half) - bias
                            at = np.uint64(
                                _step(
                                    work,
                                    np.int64(at),
                                    ((here & 1023) - (before & 1023)) * unit_x,
                                    ((here >> 10) - (before >> 10)) * unit_y,
                                )
                            )
                        state[key] = at | place
                place += column


@late_kernel(
    "(Array(uint8, 2, 'C', True), int64, int64, int64, int64, uint64[::1], int64, int64, "
    "int64, int64, int64, int64, int64, int64, int64, Array(uint8, 1, 'C', True), "
    "int64[::1], int64, int64, uint8[::1], uint8[::1], uint8[::1], int64[::1], int64[:, "
    "::1], int32[::1], uint64[::1], int64[::1], int64[::1], int64[::1])"
)
def _encode(
    codes: Any,
    kinds: int,
    odd: int,
    scale: int,
    shift: int,
    table: NDArray[np.uint64],
    unit_x: int,
    unit_y: int,
    grid: int,
    widest: int,
    x0: int,
    y0: int,
    pitch: int,
    row_step: int,
    strip_sites: int,
    prefixes: ByteArray,
    ends: NDArray[np.int64],
    info_y: int,
    info_r: int,
    out: ByteArray,
    work: ByteArray,
    flags: ByteArray,
    rows_end: NDArray[np.int64],
    runs: NDArray[np.int64],
    counts: NDArray[np.int32],
    state: NDArray[np.uint64],
    first: NDArray[np.int64],
    start: NDArray[np.int64],
    totals: NDArray[np.int64],
) -> int:
    """All records of a block into `out`; the number of bytes. totals: sites of each code."""
    rows, cols = codes.shape
    sampled, low, high, jumps = _survey(codes)
    span = kinds + 1
    half = (high - low) // 2
    used = max(1, high - low + 1)
    zones, width = 0, cols
    long_arcs = sampled * 16 >= MIN_ARC * (jumps + 1) * used
    if long_arcs and half > 0 and jumps + 1 < MAX_ZONES and span * MAX_ZONES <= MAX_ZONE_SLOTS:
        zones = _zones(codes, half, flags, rows_end, runs)
    if zones == 0:
        zones, width = 1, 32
        while width < cols and rows * width < strip_sites * used:
            width *= 2
        for r in range(rows):
            rows_end[r] = r
            runs[r, 0], runs[r, 1], runs[r, 2] = 0, cols, 0
        rows_end[rows] = rows
    p = 0
    y_written = -(np.int64(1) << 62)
    for col_from in range(0, cols, width):
        col_to = min(cols, col_from + width)
        for i in range(zones * span):
            counts[i] = 0
        _count(codes, col_from, col_to, span, rows_end, runs, counts)
        begin = 0
        for zone in range(zones):
            for key in range(zone * span + 1, zone * span + span):
                if counts[key]:
                    start[key] = begin
                    state[key] = np.uint64(begin)
                    begin += counts[key] * widest + 8
        _lists(
            codes,
            col_from,
            col_to,
            span,
            rows_end,
            runs,
            odd,
            scale,
            shift,
            table,
            unit_x,
            unit_y,
            work,
            state,
            first,
        )
        for k in range(1, span):
            number = 0
            for zone in range(zones):
                number += counts[zone * span + k]
            if number == 0:
                continue
            totals[k] += number
            place = np.int64(-1)
            for zone in range(zones):
                key = zone * span + k
                if counts[key] == 0:
                    continue
                row, col = first[key] >> 10, first[key] & 1023
                if place < 0:
                    x = x0 + (col * pitch) // scale
                    y = y0 + row * row_step
                    info = p + 1
                    for i in range(ends[k - 1], ends[k]):
                        out[p] = prefixes[i]
                        p += 1
                    p = _varint(out, p, abs(x) << 1 | (1 if x < 0 else 0))
                    if y == y_written:
                        out[info] &= ~info_y & 255
                    else:
                        p = _varint(out, p, abs(y) << 1 | (1 if y < 0 else 0))
                        y_written = y
                    if number > 1:
                        out[info] |= info_r
                        out[p] = 11
                        p = _varint(out, p + 1, number - 2)
                        p = _varint(out, p, grid)
                else:
                    p = _step(
                        out, p, (col - (place & 1023)) * unit_x, (row - (place >> 10)) * unit_y
                    )
                p = _copy(out, p, work, start[key], np.int64(state[key] & np.uint64(0xFFFFFFFF)))
                place = np.int64(state[key] >> np.uint64(32)) - (1 << 20)
    return p


def site_grid(lattice: Lattice) -> tuple[int, int, int]:
    """The grid of the repetitions in database units, and one column and one row step in it.

    Columns of a hexagonal lattice count in half pitches.
    """
    column = lattice.pitch_dbu // 2 if lattice.hexagonal else lattice.pitch_dbu
    grid = gcd(column, lattice.row_dbu)
    return grid, column // grid, lattice.row_dbu // grid


@lru_cache(maxsize=16)
def _step_table(unit_x: int, unit_y: int) -> NDArray[np.uint64]:
    table = np.zeros(TABLE_ROWS * STRIDE, np.uint64)
    return table[: _table(unit_x, unit_y, table)]


def _varint_size(value: int) -> int:
    return max(1, (value.bit_length() + 6) // 7)


@dataclass(frozen=True, eq=False, slots=True)
class Prefixes:
    """How the record of each code begins, up to its x: `data[ends[k - 1] : ends[k]]`, ends[0] = 0.

    The second byte is the record's info byte, with x and y present and no repetition; `info_y` and
    `info_r` are its bits for these two.
    """

    data: ByteArray
    ends: NDArray[np.int64]
    info_y: int
    info_r: int


class _Buffers(threading.local):
    """Scratch memory of one thread; it grows to the largest block and is then reused."""

    def __init__(self) -> None:
        self.out = np.zeros(0, np.uint8)
        self.work = np.zeros(0, np.uint8)
        self.flags = np.zeros(0, np.uint8)
        self.rows_end = np.zeros(0, np.int64)
        self.runs = np.zeros((0, 3), np.int64)
        self.counts = np.zeros(0, np.int32)
        self.state = np.zeros(0, np.uint64)
        self.first = np.zeros(0, np.int64)
        self.start = np.zeros(0, np.int64)

    def fit(self, rows: int, cols: int, kinds: int, widest: int, longest_prefix: int) -> None:
        zones = MAX_ZONES if (kinds + 1) * MAX_ZONES <= MAX_ZONE_SLOTS else 1
        slots = zones * (kinds + 1)
        lists = min(rows * cols, slots * (cols // 32 + 1))
        size = rows * cols * widest + lists * (longest_prefix + 64) + 64
        if len(self.out) < size:
            self.out = np.zeros(size, np.uint8)
            self.work = np.zeros(size, np.uint8)
        if len(self.flags) < cols + 16:
            self.flags = np.zeros(cols + 16, np.uint8)
        if len(self.rows_end) < rows + 1:
            self.rows_end = np.zeros(rows + 1, np.int64)
            self.runs = np.zeros((rows * MAX_ZONES, 3), np.int64)
        if len(self.counts) < slots:
            self.counts = np.zeros(slots, np.int32)
            self.state = np.zeros(slots, np.uint64)
            self.first = np.zeros(slots, np.int64)
            self.start = np.zeros(slots, np.int64)


_buffers = _Buffers()


def encode_sites(
    block: CodeBlock, lattice: Lattice, prefixes: Prefixes, *, strip_sites: int
) -> tuple[memoryview, NDArray[np.int64]]:
    """The records of a block, one list of positions for each code (and strip of columns).

    strip_sites: how many sites of each code a strip should hold on average.
    Returns the bytes, valid until this thread's next call, and the number of sites of each code,
    (kinds + 1,), whose entry 0 is not counted.
    """
    rows, cols = block.codes.shape
    if cols > MAX_COLS[lattice.kind]:
        raise ValueError(f"a block may have {MAX_COLS[lattice.kind]} columns, got {cols}")
    kinds = len(prefixes.ends) - 1
    totals = np.zeros(kinds + 1, np.int64)
    if rows == 0 or cols == 0:
        return memoryview(b""), totals
    if int(block.codes.max()) > kinds:
        raise ValueError(f"codes go up to {block.codes.max()}, the table has {kinds} shapes")
    grid, unit_x, unit_y = site_grid(lattice)
    scale = 2 if lattice.hexagonal else 1
    widest = _varint_size(scale * cols * unit_x << 4) + _varint_size(rows * unit_y << 4)
    _buffers.fit(rows, cols, kinds, widest, int(np.diff(prefixes.ends).max(initial=0)))
    # the first site's place stands in the lattice's own terms; odd rows are shifted by one column
    odd = block.row0 & 1
    size = _encode(
        np.ascontiguousarray(block.codes),
        kinds,
        odd,
        scale,
        scale - 1,
        _step_table(unit_x, unit_y),
        unit_x,
        unit_y,
        grid,
        widest,
        lattice.x0_dbu + block.col0 * lattice.pitch_dbu,
        lattice.y_dbu(block.row0),
        lattice.pitch_dbu,
        lattice.row_dbu,
        strip_sites,
        prefixes.data,
        prefixes.ends,
        prefixes.info_y,
        prefixes.info_r,
        _buffers.out,
        _buffers.work,
        _buffers.flags,
        _buffers.rows_end,
        _buffers.runs,
        _buffers.counts,
        _buffers.state,
        _buffers.first,
        _buffers.start,
        totals,
    )
    return _buffers.out[:size].data, totals
