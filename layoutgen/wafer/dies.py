"""Where dies stand on the wafer, and the grid offset that fits most of them.

A die is whole when its rectangle, the full die pitch, lies inside the circle of the wafer less
its edge exclusion; touching is allowed. With pitch p, q and offset (u, v), die (i, j) has its
centre at (u + i p, v + j q). Corners are compared as whole numbers,

    (|2u + 2ip| + p)^2 + (|2v + 2jq| + q)^2 <= floor((D s)^2),

D the diameter of that circle and s = 1 + the sum of scales: the grid is laid out on the part,
where offset and pitch are whole database units, and the master's circle is seen from there.

**Best offset.** For 0 <= u <= p/2 and 0 <= v <= q/2 only one corner of each die counts: right of
the centre (i >= 0) it moves out as u grows, left of it (i < 0) it moves in. So for a box of
offsets the dies counted with every corner at its most inward place are an upper bound, with
every corner at its most outward place a lower one, and both are sums over rows of divided
integers. Boxes of offsets are halved along both axes; a box is dropped when its bound is under
the best count, or equals it and its point nearest to the origin is no nearer than the best
point. A box whose bounds agree has its best point at that corner. What is left when boxes are
single points is the exact optimum, ties included. The other three quadrants are mirror images,
searched only when keep-outs make them differ.

Keep-outs count: where no die may stand there is none to count. Marks do not: they take dies
later. The notch takes nothing beyond the edge exclusion.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import isqrt

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.recipe.model import Wafer
from layoutgen.wafer.written import Written, half_up

__all__ = ["DieGrid", "DieSite", "DieSites", "best_offset", "die_grid", "place_dies", "whole_dies"]

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# Squares of doubled coordinates must fit 63 bits: 3.03e9 database units of wafer, 300 mm at 0.1 nm.
_LARGEST_REACH = isqrt(2**63 - 1) - 2
# Pieces per axis of the first cut: a thousand dies change their count at some hundred arcs, and
# the first bounds should hold only a few of them each.
_FIRST_PIECES = 24
# More die sites than this is a slip of a unit in the die pitch, not a wafer.
_MOST_SITES = 4_000_000


@dataclass(frozen=True, slots=True)
class DieGrid:
    """What decides which dies are whole; database units on the part.

    reach2 is the largest (2x)^2 + (2y)^2 of a corner (x, y) that is inside. barred holds the
    keep-outs as closed ranges (x_low, x_high, y_low, y_high) of *doubled* die centres that are
    not free.
    """

    pitch_x: int
    pitch_y: int
    reach2: int
    barred: tuple[tuple[int, int, int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class DieSite:
    """One whole die: its name on the part and its centre as written, in database units."""

    col: int
    row: int
    x: int
    y: int


@dataclass(frozen=True, slots=True)
class DieSites:
    """Every whole die by row and then column, and what the search said.

    offset2 is twice the grid offset (the centre of a die from the wafer centre, on the part, in
    [-pitch, pitch)); kept_out names the sites that would be whole but for a keep-out.
    """

    grid: DieGrid
    offset2: tuple[int, int]
    sites: tuple[DieSite, ...]
    kept_out: frozenset[tuple[int, int]]


def die_grid(wafer: Wafer, written: Written) -> DieGrid:
    """Bring the wafer's lengths to whole numbers; raises InputError for what cannot be."""
    problems = []
    pitches = []
    for axis, pitch_nm in zip("xy", wafer.die_pitch_nm, strict=True):
        pitch = written.size(pitch_nm)
        if pitch.denominator != 1:
            problems.append(
                f"wafer.die_pitch: want whole database units of {float(written.dbu):g} nm along "
                f"{axis}, got {pitch_nm:g} nm"
            )
        pitches.append(half_up(pitch))
    across = written.size(wafer.diameter_nm) - 2 * written.size(wafer.edge_exclusion_nm)
    if across <= 0:
        problems.append(
            f"wafer.edge_exclusion: want less than half the diameter of "
            f"{wafer.diameter_nm / 1e6:g} mm, got {wafer.edge_exclusion_nm / 1e6:g} mm"
        )
    reach = across * written.scale
    if reach > _LARGEST_REACH:
        problems.append(
            f"wafer.diameter: want at most {_LARGEST_REACH} database units, got "
            f"{float(written.size(wafer.diameter_nm)):.0f}"
        )
    if not problems and reach > 0 and reach * reach > _MOST_SITES * pitches[0] * pitches[1]:
        problems.append(
            f"wafer.die_pitch: want at most {_MOST_SITES} dies on a wafer, got a pitch of "
            f"{wafer.die_pitch_nm[0] / 1e3:g} x {wafer.die_pitch_nm[1] / 1e3:g} um"
        )
    if problems:
        raise InputError(problems)
    barred = []
    for keep_out in wafer.keep_out:
        ranges: list[int] = []
        for k in (0, 1):
            centre = 2 * written.size(keep_out.at_nm[k])  # a place: on the part as it is
            # a size is the master's, hence `scale` times as large on the part
            clear = pitches[k] + written.size(keep_out.size_nm[k]) * written.scale
            # strictly inside the open range: a die may touch a keep-out
            ranges += [(centre - clear).__floor__() + 1, (centre + clear).__ceil__() - 1]
        barred.append((ranges[0], ranges[1], ranges[2], ranges[3]))
    return DieGrid(pitches[0], pitches[1], (reach * reach).__floor__(), tuple(barred))


# --- counting ----------------------------------------------------------------------------------


def _floor_sqrt(values: IntArray) -> IntArray:
    """Exact integer square roots; -1 for what is negative."""
    root = np.sqrt(np.maximum(values, 0).astype(np.float64)).astype(np.int64)
    root -= root * root > values  # a double is at most one off below 2**63
    step = root + 1
    root += step * step <= values
    return np.where(values < 0, -1, root)


def _bound(
    grid: DieGrid, out_u: IntArray, in_u: IntArray, out_v: IntArray, in_v: IntArray
) -> IntArray:
    """Dies in the circle when dies right of / above the centre use `out`, the others `in`; (n,).

    With `out` = `in` it is the count itself; offsets are in the first quadrant.
    """
    p, q = grid.pitch_x, grid.pitch_y
    rows = np.arange(isqrt(grid.reach2) // (2 * q) + 2, dtype=np.int64)
    above = (2 * rows + 1) * q + 2 * out_v[:, None]
    below = (2 * rows + 3) * q - 2 * in_v[:, None]
    corner_y = np.concatenate((above, below), axis=1)
    # what lies outside is cut before it is squared, so that nothing overflows
    corner_y = np.minimum(corner_y, isqrt(grid.reach2) + 1)
    half = _floor_sqrt(grid.reach2 - corner_y * corner_y)
    right = (half - 2 * out_u[:, None] + p) // (2 * p)
    left = (half + 2 * in_u[:, None] - p) // (2 * p)
    total: IntArray = (np.maximum(right, 0) + np.maximum(left, 0)).sum(axis=1)
    return total


class _Barred:
    """The few dies that keep-outs can touch, for boxes of offsets in one quadrant."""

    def __init__(self, grid: DieGrid) -> None:
        p, q = grid.pitch_x, grid.pitch_y
        reach = isqrt(grid.reach2)
        touched: set[tuple[int, int]] = set()
        for x_low, x_high, y_low, y_high in grid.barred:
            # 2u + 2ip within the range for some 2u in [0, p]; dies beyond the circle never count
            cols = _indices(max(x_low, -reach) - p, min(x_high, reach), 2 * p)
            rows = _indices(max(y_low, -reach) - q, min(y_high, reach), 2 * q)
            touched.update((i, j) for i in cols for j in rows)
        self.grid = grid
        pairs = np.array(sorted(touched), dtype=np.int64).reshape(-1, 2)
        self.i, self.j = pairs[:, 0], pairs[:, 1]

    def count(self, u: tuple[IntArray, IntArray], v: tuple[IntArray, IntArray], *, surely: bool
              ) -> IntArray:  # fmt: skip
        """How many dies the keep-outs take from a bound, for boxes u[0]..u[1] x v[0]..v[1].

        surely: those taken at every offset of the box and counted in the upper bound; else those
        taken at some offset and counted in the lower bound.
        """
        total = np.zeros(u[0].size, dtype=np.int64)
        # pieces of 2^20 pairs keep the memory flat, whatever the keep-outs
        step = max(1, (1 << 20) // max(1, self.i.size))
        for start in range(0, u[0].size, step):
            part = slice(start, start + step)
            total[part] = self._piece((u[0][part], u[1][part]), (v[0][part], v[1][part]), surely)
        return total

    def _piece(
        self, u: tuple[IntArray, IntArray], v: tuple[IntArray, IntArray], surely: bool
    ) -> IntArray:
        grid = self.grid
        x = [2 * end[:, None] + 2 * self.i * grid.pitch_x for end in u]
        y = [2 * end[:, None] + 2 * self.j * grid.pitch_y for end in v]
        inner, outer = (0, 1) if surely else (1, 0)
        reach_x = np.where(self.i >= 0, x[inner], -x[outer]) + grid.pitch_x
        reach_y = np.where(self.j >= 0, y[inner], -y[outer]) + grid.pitch_y
        limit = isqrt(grid.reach2)
        inside = (reach_x <= limit) & (reach_y <= limit)
        reach_x = np.where(inside, reach_x, 0)
        inside &= reach_x * reach_x <= grid.reach2 - np.where(inside, reach_y, 0) ** 2
        taken = np.zeros_like(inside)
        for x_low, x_high, y_low, y_high in grid.barred:
            if surely:
                taken |= (x[0] >= x_low) & (x[1] <= x_high) & (y[0] >= y_low) & (y[1] <= y_high)
            else:
                taken |= (x[1] >= x_low) & (x[0] <= x_high) & (y[1] >= y_low) & (y[0] <= y_high)
        counted: IntArray = (inside & taken).sum(axis=1)
        return counted


def _indices(low: int, high: int, step: int) -> range:
    """The whole numbers k with low <= k * step <= high."""
    return range(-(-low // step), high // step + 1)


def _reflected(grid: DieGrid, sign_x: int, sign_y: int) -> DieGrid:
    """The grid's keep-outs as seen by the quadrant of offsets with these signs."""
    barred = []
    for x_low, x_high, y_low, y_high in grid.barred:
        xs = (x_low, x_high) if sign_x > 0 else (-x_high, -x_low)
        ys = (y_low, y_high) if sign_y > 0 else (-y_high, -y_low)
        barred.append((*xs, *ys))
    return DieGrid(grid.pitch_x, grid.pitch_y, grid.reach2, tuple(barred))


# --- the best offset ---------------------------------------------------------------------------

_Key = tuple[int, int, int, int]  # -count, squared distance from `die`, x, y: the smallest wins
_Boxes = tuple[IntArray, IntArray, IntArray, IntArray]  # u low, u high, v low, v high, all included


def best_offset(grid: DieGrid) -> tuple[int, int, int]:
    """Offset (x, y) in whole database units in [-pitch/2, pitch/2), and its number of whole dies.

    Of offsets with equally many dies the one nearest to (0, 0), then the smaller x, then y.
    """
    # without keep-outs every quadrant counts alike, and the smaller x and y are the negative ones
    signs = ((-1, -1), (1, -1), (-1, 1), (1, 1)) if grid.barred else ((-1, -1),)
    best: _Key = (1, 0, 0, 0)
    for sign_x, sign_y in signs:
        best = min(best, _best_in_quadrant(grid, sign_x, sign_y, best))
    return best[2], best[3], -best[0]


def _best_in_quadrant(grid: DieGrid, sign_x: int, sign_y: int, best: _Key) -> _Key:
    seen = _reflected(grid, sign_x, sign_y)
    barred = _Barred(seen) if grid.barred else None
    # +pitch/2 itself is outside of the half-open range, -pitch/2 inside
    top_u = (grid.pitch_x - (sign_x > 0)) // 2
    top_v = (grid.pitch_y - (sign_y > 0)) // 2
    boxes = _first_boxes(_cuts(seen, 0, top_u), _cuts(seen, 1, top_v))
    while boxes[0].size:
        u0, u1, v0, v1 = boxes
        upper = _bound(seen, u0, u1, v0, v1)
        corner = _bound(seen, u0, u0, v0, v0)
        lower = _bound(seen, u1, u0, v1, v0)
        if barred is not None:
            upper -= barred.count((u0, u1), (v0, v1), surely=True)
            corner -= barred.count((u0, u0), (v0, v0), surely=True)
            lower -= barred.count((u0, u1), (v0, v1), surely=False)
        far = _distances2(u0, v0)
        order = np.lexsort((sign_y * v0, sign_x * u0, far, -corner))[0]
        best = min(
            best,
            (
                -int(corner[order]),
                int(far[order]),
                sign_x * int(u0[order]),
                sign_y * int(v0[order]),
            ),
        )
        count, nearest = -best[0], best[1]
        # every offset of a box with equal bounds counts the same: its nearest point has been seen
        keep = (upper > lower) & ((upper > count) | ((upper == count) & (far < nearest)))
        boxes = _halved((u0[keep], u1[keep], v0[keep], v1[keep]))
    return best


def _distances2(u: IntArray, v: IntArray) -> IntArray:
    return u * u + v * v


def _cuts(grid: DieGrid, axis: int, top: int) -> list[int]:
    """Where to cut the offsets 0..top of one axis first; each number starts a piece.

    Even pieces, so that the first bounds mean something, and the offsets at which a keep-out takes
    or frees a row of dies: a keep-out of a whole number of pitches does both at once, and a box
    with that line inside would never come to one count.
    """
    pitch = (grid.pitch_x, grid.pitch_y)[axis]
    pieces = min(_FIRST_PIECES, top + 1)
    cuts = {k * (top + 1) // pieces for k in range(pieces)}
    for barred in grid.barred:
        low, high = barred[2 * axis : 2 * axis + 2]
        # first offsets u with 2u + 2ip >= low, and with 2u + 2ip > high, for any i
        cuts.update((-(-low // 2) % pitch, (high // 2 + 1) % pitch))
    return sorted(cut for cut in cuts if cut <= top) + [top + 1]


def _first_boxes(cuts_u: list[int], cuts_v: list[int]) -> _Boxes:
    u_low, v_low = np.meshgrid(np.array(cuts_u[:-1]), np.array(cuts_v[:-1]))
    u_high, v_high = np.meshgrid(np.array(cuts_u[1:]) - 1, np.array(cuts_v[1:]) - 1)
    u0, u1, v0, v1 = (a.ravel().astype(np.int64) for a in (u_low, u_high, v_low, v_high))
    return u0, u1, v0, v1


def _halved(boxes: _Boxes) -> _Boxes:
    """Each box cut in two along both axes where it is longer than a point."""
    u0, u1, v0, v1 = boxes
    u_mid, v_mid = (u0 + u1) // 2, (v0 + v1) // 2
    u_low = np.concatenate((u0, u_mid + 1, u0, u_mid + 1))
    u_high = np.concatenate((u_mid, u1, u_mid, u1))
    v_low = np.concatenate((v0, v0, v_mid + 1, v_mid + 1))
    v_high = np.concatenate((v_mid, v_mid, v1, v1))
    full = (u_low <= u_high) & (v_low <= v_high)
    return u_low[full], u_high[full], v_low[full], v_high[full]


# --- placing -----------------------------------------------------------------------------------


def whole_dies(grid: DieGrid, offset2: tuple[int, int]) -> tuple[IntArray, IntArray, BoolArray]:
    """Indices (i, j) of the dies in the circle by row and column, and which a keep-out takes.

    offset2 is twice the offset of die (0, 0), so that a street corner on the centre is whole too.
    """
    p, q = grid.pitch_x, grid.pitch_y
    limit = isqrt(grid.reach2)
    cols = np.array(_indices(-limit - offset2[0], limit - offset2[0], 2 * p), dtype=np.int64)
    rows = np.array(_indices(-limit - offset2[1], limit - offset2[1], 2 * q), dtype=np.int64)
    centre_x, centre_y = offset2[0] + 2 * p * cols, offset2[1] + 2 * q * rows
    reach_x, reach_y = np.abs(centre_x) + p, np.abs(centre_y) + q
    cols, centre_x, reach_x = (a[reach_x <= limit] for a in (cols, centre_x, reach_x))
    rows, centre_y, reach_y = (a[reach_y <= limit] for a in (rows, centre_y, reach_y))
    inside = (reach_x * reach_x)[None, :] <= (grid.reach2 - reach_y * reach_y)[:, None]
    taken = np.zeros_like(inside)
    for x_low, x_high, y_low, y_high in grid.barred:
        in_x = (centre_x >= x_low) & (centre_x <= x_high)
        in_y = (centre_y >= y_low) & (centre_y <= y_high)
        taken |= in_y[:, None] & in_x[None, :]
    at_row, at_col = np.nonzero(inside)
    return cols[at_col], rows[at_row], taken[at_row, at_col]


def place_dies(wafer: Wafer, written: Written) -> DieSites:
    """Lay the die grid on the wafer and name its dies.

    [0, 0] is the die of the grid that holds the wafer centre, of two or four that share it the
    one to the right and up; col rises with x and row with y on the part. Raises InputError when
    a pitch is off the grid or no whole die fits.
    """
    grid = die_grid(wafer, written)
    p, q = grid.pitch_x, grid.pitch_y
    if wafer.grid_offset == "die":
        offset2 = (0, 0)
    elif wafer.grid_offset == "street":
        offset2 = (-p, -q)
    else:
        x, y, _ = best_offset(grid)
        offset2 = (2 * x, 2 * y)
    cols, rows, taken = whole_dies(grid, offset2)
    if not np.any(~taken):
        raise InputError(
            f"wafer.die_pitch: want at least one whole die inside the edge exclusion"
            f"{' and outside the keep-outs' if grid.barred else ''}, got none"
        )
    # a die centre half a pitch left of (below) the wafer centre shares it with the next die
    first_col, first_row = int(offset2[0] == -p), int(offset2[1] == -q)
    return DieSites(
        grid=grid,
        offset2=offset2,
        sites=tuple(
            _sites(written, offset2, (p, q), (first_col, first_row), cols[~taken], rows[~taken])
        ),
        kept_out=frozenset(
            (int(c) - first_col, int(r) - first_row)
            for c, r in zip(cols[taken], rows[taken], strict=True)
        ),
    )


def _sites(
    written: Written,
    offset2: tuple[int, int],
    pitch: tuple[int, int],
    first: tuple[int, int],
    cols: IntArray,
    rows: IntArray,
) -> Iterator[DieSite]:
    sign = -1 if written.mirrored else 1
    x_at = {
        int(c): sign * half_up(Fraction(offset2[0] + 2 * pitch[0] * int(c), 2) / written.scale)
        for c in np.unique(cols)
    }
    y_at = {
        int(r): half_up(Fraction(offset2[1] + 2 * pitch[1] * int(r), 2) / written.scale)
        for r in np.unique(rows)
    }
    for c, r in zip(cols.tolist(), rows.tolist(), strict=True):
        yield DieSite(c - first[0], r - first[1], x_at[c], y_at[r])
