"""Density of a lone part in bands of rows, in memory that grows with its width and not its area.

Deposits come block row by block row from the lattice's lowest row up. Every later step takes rows as
they come and hands on those that it is done with: a convolution lags by the length of its taps,
and a fixed number of rounds of the fixed point run one behind the other on the same rows,

    deposit -> images -> rounds (-> deposit at the densities found -> images -> rounds)

so that only the rows under way are held at once. The number of rounds comes from the bias table: a
round shrinks the error by the most that an area can change with density. One Gaussian term only;
several are settled on whole rasters (`solve`).

A part that is stored as an octant has rows from near its diagonal on; what lies left of it is
copied from the columns above, as far as the rounds need it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import DTypeLike, NDArray

from layoutgen.exposure.area import AreaTable, Line
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.raster import (
    Grid,
    SingleArray,
    convolve_columns,
    convolve_rows,
    node_taps,
    node_values,
    single_taps,
)
from layoutgen.exposure.spline_rows import SplineRows
from layoutgen.kernels import kernel
from layoutgen.optics.domain import Circle
from layoutgen.workers import run_in_order

__all__ = ["Settled", "settled"]

FloatArray = NDArray[np.float64]

#: A deposit touches nodes up to three beyond its site; images across the diagonal meet in twice that.
_NEAR_DIAGONAL = 8
#: Nodes left of the diagonal that blocks on it may ask for.
_BESIDE = 6
#: Blocks that may be deposited while a band of rows goes through its rounds: 20 kB each.
_AHEAD = 256
#: Nodes that are handed on at a time: enough to be worth the calls.
_AT_A_TIME = 1 << 17


class Rows(NamedTuple):
    """Some rows of arrays on the nodes: the first is row j0, the first column i0."""

    j0: int
    i0: int
    arrays: tuple[NDArray[np.floating], ...]

    @property
    def end(self) -> int:
        return self.j0 + len(self.arrays[0])


class _Held:
    """Rows under way, joined on a common rectangle of columns; what is not there is `blank`.

    They lie in memory that is used again, so what `take` gives holds until rows are added.
    """

    def __init__(self, i0: int, cols: int, blank: Sequence[float], rows: int) -> None:
        """`rows`: how many are expected to be under way at once."""
        self._i0, self._cols, self._blank, self._rows = i0, cols, blank, rows
        self._left = 0
        self.j0 = 0
        self._first = self._count = 0
        self._memory: list[NDArray[np.floating]] = []

    @property
    def end(self) -> int:
        return self.j0 + self._count

    @property
    def i0(self) -> int:
        return self._i0 + self._left

    @property
    def cols(self) -> int:
        return self._cols - self._left

    def whole(self, k: int) -> tuple[NDArray[np.floating], int]:
        """The rows of array k with the columns that were given back, and how many these are."""
        return self._memory[k][self._first : self._first + self._count], self._left

    def cut(self, i0: int) -> None:
        """Give back the columns before i0."""
        self._left = max(self._left, i0 - self._i0)

    @property
    def empty(self) -> bool:
        return not self._memory

    @property
    def arrays(self) -> tuple[NDArray[np.floating], ...]:
        return self.take(self.j0, self.end)

    def append(self, rows: Rows) -> None:
        if self.empty:
            self.j0 = rows.j0
            shape = (self._rows, self._cols)
            self._memory = [np.zeros(shape, dtype=array.dtype) for array in rows.arrays]
        more = len(rows.arrays[0])
        self._make_room(more)
        at = self._first + self._count
        left, skip = max(rows.i0 - self._i0, 0), max(self._i0 - rows.i0, 0)
        for memory, array, blank in zip(self._memory, rows.arrays, self._blank, strict=True):
            memory[at : at + more, left : left + array.shape[1] - skip] = array[:, skip:]
            memory[at : at + more, :left] = blank
            memory[at : at + more, left + array.shape[1] - skip :] = blank
        self._count += more

    def extend(self, end: int) -> None:
        """Add blank rows up to row `end`."""
        more = end - self.end
        if more > 0:
            self._make_room(more)
            at = self._first + self._count
            for memory, blank in zip(self._memory, self._blank, strict=True):
                memory[at : at + more] = blank
            self._count += more

    def _make_room(self, more: int) -> None:
        room = len(self._memory[0])
        if self._first + self._count + more > room:
            here = slice(self._first, self._first + self._count)
            held = [memory[here] for memory in self._memory]
            if self._count + more > room:
                shape = (self._count + more + more // 4, self._cols)
                self._memory = [np.zeros(shape, dtype=array.dtype) for array in held]
            for memory, array in zip(self._memory, held, strict=True):
                memory[: self._count] = array
            self._first = 0

    def take(self, j0: int, j1: int) -> tuple[NDArray[np.floating], ...]:
        """Rows j0 .. j1 - 1, still part of what is held."""
        first = self._first - self.j0
        return tuple(memory[first + j0 : first + j1, self._left :] for memory in self._memory)

    def hand_on(self, end: int, pace: int) -> Iterator[Rows]:
        """Rows before `end`, `pace` of them at a time; what has been taken is given back."""
        while end > self.j0:
            next_ = min(end, self.j0 + pace)
            yield Rows(self.j0, self.i0, self.take(self.j0, next_))
            self.drop(next_)

    def drop(self, j0: int) -> None:
        """Give back the rows before j0."""
        k = min(j0 - self.j0, self._count)
        if k > 0:
            self._first, self._count, self.j0 = self._first + k, self._count - k, self.j0 + k


class _Scratch:
    """Memory by name that is used again from one band to the next: fresh pages cost as much as the work."""

    def __init__(self, most: int) -> None:
        """`most`: how many numbers an array is expected to have."""
        self._most = most
        self._memory: dict[str, NDArray[np.floating]] = {}

    def array(self, name: str, shape: tuple[int, ...], dtype: DTypeLike) -> NDArray[np.floating]:
        """An array of this shape with whatever it held before."""
        size = math.prod(shape)
        found = self._memory.get(name)
        if found is None or len(found) < size:
            most = max(size, self._most)
            found = self._memory[name] = np.zeros(most, dtype=dtype)
        return found[:size].reshape(shape)


class _Geometry:
    """What the bands need to know of a part's raster."""

    def __init__(self, raster: PartRaster, beyond: int) -> None:
        """`beyond`: rows of nodes past the last sites that all rounds together can feel."""
        self.raster = raster
        self.grid: Grid = raster.grid
        self.octant = raster.part.symmetry == "octant"
        part = raster.part
        # block rows from the lowest up, whatever the piece: index of the block row, its blocks
        rows: dict[int, list[int]] = {}
        for index, site in enumerate(part.sites):
            rows.setdefault(site.window.row0 // part.block_side, []).append(index)
        self.bands = [rows[key] for key in sorted(rows)]
        touched = [self.touched(band) for band in self.bands]
        #: One beyond the last row of nodes; an octant's own sites end on its diagonal.
        self.last = self.grid.j0 + self.grid.rows
        if self.octant:
            highest = max((high for _, high in touched), default=0)
            self.last = min(self.last, highest + beyond)
        #: Rows of nodes that a block row touches, the most.
        self.at_once = max((high - low for low, high in touched), default=1) + _NEAR_DIAGONAL
        #: Rows that are handed on at a time: wide ones a few, so that little of them is under way.
        self.pace = min(max(_AT_A_TIME // self.grid.cols, _NEAR_DIAGONAL), self.at_once)

    def scratch(self, margin: int) -> _Scratch:
        return _Scratch((self.pace + _NEAR_DIAGONAL) * (self.grid.cols + margin))

    def touched(self, band: Sequence[int]) -> tuple[int, int]:
        """The rows of nodes, low and one beyond the last, that a block row's deposits touch."""
        windows = [self.raster.window(self.raster.part.sites[index])[0] for index in band]
        low = min(window.start for window in windows) + self.grid.j0
        return low, max(window.stop for window in windows) + self.grid.j0

    def lows(self) -> list[int]:
        """For each block row the first node row that it or a later one touches; then the end."""
        lows = [self.touched(band)[0] for band in self.bands] + [self.last]
        for k in range(len(lows) - 2, -1, -1):
            lows[k] = min(lows[k], lows[k + 1])
        return lows


def _deposited(
    raster: PartRaster, index: int, table: NDArray[np.int32], coef: SingleArray | None = None,
    first: int = 0,
) -> tuple[int, list[FloatArray]]:  # fmt: skip
    """A block's number and its areas and slopes on its own window, as `PartRaster.deposit` makes them."""
    site = raster.part.sites[index]
    rows, cols = window = raster.window(site)
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    sums = [np.zeros(shape), np.zeros(shape)]
    raster.deposit(table, site, raster.part.block(index), window, sums, coef=coef, first=first)
    return index, sums


def _summed(
    geometry: _Geometry, deposits: Iterator[tuple[int, list[FloatArray]]]
) -> Iterator[Rows]:
    """Rows of deposits, each when nothing more can be added to it.

    deposits: for each block that has any, in order of the block rows, its index and its sums.
    """
    grid, raster = geometry.grid, geometry.raster
    lows = geometry.lows()
    held = _Held(grid.i0, grid.cols, [0.0, 0.0], 2 * geometry.at_once)
    held.append(Rows(grid.j0, grid.i0, (np.zeros((0, grid.cols)), np.zeros((0, grid.cols)))))
    waiting = next(deposits, None)
    for band, low in zip(geometry.bands, lows[1:], strict=True):
        _, high = geometry.touched(band)
        held.extend(max(high, low))
        members = set(band)
        while waiting is not None and waiting[0] in members:
            rows, cols = raster.window(raster.part.sites[waiting[0]])
            first = rows.start + grid.j0
            there = held.take(first, first + rows.stop - rows.start)
            for total, local in zip(there, waiting[1], strict=True):
                total[:, cols] += local
            waiting = next(deposits, None)
        yield from held.hand_on(low, geometry.pace)
    yield from held.hand_on(held.end, geometry.pace)


def _with_images(geometry: _Geometry, summed: Iterator[Rows]) -> Iterator[Rows]:
    """Deposits with those of the part's images added, from the axis on where there is one."""
    raster, grid = geometry.raster, geometry.grid
    if not (raster.mirror_x or raster.mirror_y):
        yield from summed
        return
    ahead = _NEAR_DIAGONAL if geometry.octant else 0
    axis = -grid.i0 if raster.mirror_x else 0
    scratch = geometry.scratch(0)
    held: _Held | None = None
    done = 0 if raster.mirror_y else grid.j0
    last = geometry.last
    for rows in summed:
        if held is None:
            held = _Held(grid.i0, grid.cols, [0.0] * len(rows.arrays), 2 * geometry.pace + ahead)
        held.append(rows)
        final = held.end == last
        end = held.end if final else held.end - ahead
        if raster.mirror_y and done == 0 and end <= -grid.j0 and not final:
            continue  # the rows that fold over the axis have to be there
        if end <= done:
            continue
        # octants near the axis: rows left and right of the fold need their images first
        first = grid.j0 if done == 0 and raster.mirror_y else done
        out = tuple(
            scratch.array(f"images {k}", array.shape, array.dtype)
            for k, array in enumerate(held.take(first, end))
        )
        for image, array in zip(out, held.take(first, end), strict=True):
            image[:] = array
        if geometry.octant:
            for raw, image in zip(held.arrays, out, strict=True):
                _add_transposed(raw, held.j0, image, first, grid.i0)
        if raster.mirror_x:
            for image in out:
                image[:, : 2 * axis + 1] += image[:, 2 * axis :: -1].copy()
        if raster.mirror_y and first < 0:
            reach = min(-first, end - 1)
            for image in out:
                fold = image[-first - reach : -first + 1][::-1].copy()  # rows 0, -1, ..., -reach
                image[-first : -first + reach + 1] += fold
            out = tuple(image[-first:] for image in out)
        yield Rows(done, grid.i0, out)
        done = end
        held.drop(done - _NEAR_DIAGONAL if geometry.octant else done)


@kernel
def _add_transposed(raw, raw_j0, image, j0, i0):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add to rows j0 .. of `image` what `raw` holds on the other side of the diagonal, close to it."""
    for r in range(image.shape[0]):
        j = j0 + r
        if 0 <= j - i0 < image.shape[1]:
            low = max(max(j - _NEAR_DIAGONAL, i0), raw_j0)
            high = min(min(j + _NEAR_DIAGONAL + 1, raw_j0 + raw.shape[0]), i0 + image.shape[1])
            for i in range(low, high):
                image[r, i - i0] += raw[i - raw_j0, j - i0]


@kernel
def _turn_over(held, held_j0, held_i0, wide, j0, i0, margin):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Fill rows j0 .. of `wide` left of the diagonal from the columns above it."""
    for r in range(wide.shape[0]):
        j = j0 + r
        for i in range(max(max(j - margin, 0), held_j0), j):
            wide[r, i - i0] = held[i - held_j0, j - held_i0]


def _mirrored(geometry: _Geometry, source: Iterator[Rows], margin: int) -> Iterator[Rows]:
    """The same rows with `margin` more nodes beyond the axes, or left of the diagonal."""
    raster, grid = geometry.raster, geometry.grid
    if not (raster.mirror_x or raster.mirror_y):
        yield from source
        return
    held: _Held | None = None
    scratch = geometry.scratch(margin)
    right = grid.i0 + grid.cols
    last = geometry.last
    done = 0 if raster.mirror_y else grid.j0
    for rows in source:
        if held is None:
            left = 0 if raster.mirror_x else grid.i0
            count = len(rows.arrays)
            held = _Held(left, right - left, [0.0] * count, margin + 2 * geometry.pace)
        held.append(rows)
        end = held.end
        start = raster.mirror_y and done == 0
        if start and end <= margin and end < last:
            continue
        if end <= done:
            continue
        i0 = grid.i0
        if geometry.octant:
            i0 = done - margin
        elif raster.mirror_x:
            i0 = -margin
        out = tuple(
            scratch.array(f"wide {k}", (end - done, right - i0), array.dtype)
            for k, array in enumerate(held.arrays)
        )
        for wide, array in zip(out, held.arrays, strict=True):
            left, skip = max(held.i0 - i0, 0), max(i0 - held.i0, 0)
            wide[:, :left] = 0.0
            wide[:, left:] = array[done - held.j0 :, skip:]
            if geometry.octant:
                _turn_over(array, held.j0, held.i0, wide, done, i0, end if start else margin)
            if raster.mirror_x and i0 < 0:
                m = min(-i0, right - 1)
                wide[:, -i0 - m : -i0] = wide[:, -i0 + m : -i0 : -1]
        if start:
            m = min(margin, end - 1)  # what lies beyond the part's own far side is blank
            blank = [np.zeros((margin - m, w.shape[1]), dtype=w.dtype) for w in out]
            out = tuple(
                np.concatenate([none, wide[m:0:-1], wide])
                for none, wide in zip(blank, out, strict=True)
            )
            for first in range(0, len(out[0]), geometry.pace):
                some = slice(first, first + geometry.pace)
                yield Rows(first - margin, i0, tuple(wide[some] for wide in out))
        else:
            yield Rows(done, i0, out)
        done = end
        held.drop(done - margin if geometry.octant else done)


class _Kernel:
    """One Gaussian term on the nodes: taps along rows and columns, and how far a round reaches."""

    def __init__(self, grid: Grid, range_dbu: float) -> None:
        # from deposits to the nodes' own values, and to coefficients, which reach a node less
        self.to_values = node_taps(range_dbu, grid.hx), node_taps(range_dbu, grid.hy)
        self.to_coefficients = single_taps(range_dbu, grid.hx), single_taps(range_dbu, grid.hy)
        #: Nodes that a round uses up beyond an axis, or left of the diagonal, where rows lag as well.
        self.reach = max(map(len, self.to_values)) - 1

    def margin(self, geometry: _Geometry, rounds: int) -> int:
        return rounds * self.reach * (2 if geometry.octant else 1) + _BESIDE


class _Round:
    """One round of the fixed point, as far behind the one before it as its taps reach."""

    def __init__(
        self, kernel: _Kernel, taps: tuple[SingleArray, SingleArray], rows: Rows, skip: tuple[int, int],
        number: int, pace: int,
    ) -> None:  # fmt: skip
        """rows: the first that come. skip: columns and rows that each round before this one has used up."""
        self.taps, self._reach = taps, kernel.reach
        self.skip = skip[0] * number
        i0, self._start = rows.i0 + self.skip, rows.j0 + skip[1] * number
        self.done = self._start + skip[1]
        expected = 2 * kernel.reach + 3 * pace
        self.lines = _Held(i0, rows.arrays[0].shape[1] - self.skip, [0.0], expected)

    def take(self, held: _Held, end: int, origin: np.float32, scratch: _Scratch) -> None:
        """Convolve along x the areas of the rows before `end` that have not been."""
        self.lines.cut(held.i0 + self.skip)
        first = self._start if self.lines.empty else self.lines.end
        if end <= first:
            return
        constant, slope, nodes = (array[:, self.skip :] for array in held.take(first, end))
        area = scratch.array("area", constant.shape, np.float32)
        np.subtract(nodes, origin, out=area)
        area *= slope
        area += constant
        across = scratch.array("across", area.shape, np.float32)
        convolve_rows(area, self.taps[0], across)
        self.lines.append(Rows(first, held.i0 + self.skip, (across,)))

    def ready(self, last: int) -> int:
        """One beyond the last row that can be told from the lines that are there."""
        if self.lines.empty:
            return self.done
        return self.lines.end if self.lines.end == last else self.lines.end - self._reach

    def down(self, low: int, high: int, scratch: _Scratch) -> SingleArray:
        """Lines convolved along y, of rows low .. high - 1."""
        shape = (high - low, self.lines.cols)
        found = scratch.array("down", shape, np.float32)
        lines, left = self.lines.whole(0)
        convolve_columns(lines, low - self.lines.j0, left, self.taps[1], found)
        return found

    def finish(self, end: int) -> None:
        """The rows before `end` are done: give back the lines that no later row asks for."""
        self.done = end
        self.lines.drop(end - self._reach)


def _rounds(
    geometry: _Geometry, kernel: _Kernel, origin: np.float32, weights: Sequence[float],
    source: Iterator[Rows],
) -> Iterator[Rows]:  # fmt: skip
    """Rounds of the fixed point: (constant, slope, nodes) to (nodes, coef, change) after the last.

    The exposed area of a node is constant + slope * (density - origin), and `change` what it would still
    change by. A round goes its weight's share of the way to the density that follows from these areas, the
    last one, whose weight is 1, all of it. All rounds work on the same rows in place.
    """
    raster, last, count = geometry.raster, geometry.last, len(weights)
    skip = (kernel.reach if raster.mirror_x else 0, kernel.reach if raster.mirror_y else 0)
    scratch = geometry.scratch(kernel.margin(geometry, count))
    held: _Held | None = None
    rounds: list[_Round] = []
    for rows in source:
        if held is None:
            width = rows.arrays[0].shape[1]
            held = _Held(rows.i0, width, [0.0] * 3, (count + 1) * kernel.reach + 3 * geometry.pace)
            every = [kernel.to_values] * (count - 1) + [kernel.to_coefficients]
            rounds = [
                _Round(kernel, taps, rows, skip, number, geometry.pace)
                for number, taps in enumerate(every)
            ]
        held.cut(rows.i0)  # an octant's rows begin farther right as they go up
        held.append(rows)
        end = held.end
        for one, weight in zip(rounds[:-1], weights, strict=False):
            one.take(held, end, origin, scratch)
            end = one.ready(last)
            if end > one.done:
                _, _, nodes = held.take(one.done, end)
                step = one.down(one.done, end, scratch)
                nodes = nodes[:, one.skip :]
                step -= nodes
                step *= np.float32(weight)
                nodes += step
                one.finish(end)
            end = one.done
        one = rounds[-1]
        one.take(held, end, origin, scratch)
        end = one.ready(last)
        if end <= one.done:
            continue
        # one more row and column of coefficients each way, for the nodes' own values
        low, high = max(one.done - 1, one.lines.j0), min(end + 1, one.lines.end)
        coef = one.down(low, high, scratch)
        values = scratch.array("values", coef.shape, np.float32)
        node_values(coef, values)
        keep = slice(one.done - low, end - low), slice(skip[0], None)
        _, slope, before = (array[:, one.skip + skip[0] :] for array in held.take(one.done, end))
        change = scratch.array("change", before.shape, np.float32)
        np.subtract(values[keep], before, out=change)
        change *= slope
        yield Rows(one.done, held.i0 + one.skip + skip[0], (values[keep], coef[keep], change))
        one.finish(end)
        held.drop(end)


class _Again:
    """Deposits every site at the density that the rounds before came to."""

    def __init__(
        self, geometry: _Geometry, origin: np.float32, table: Callable[[float, float], AreaTable],
        areas: Callable[[Iterator[tuple[int, list[FloatArray]]]], Iterator[Rows]], jobs: int,
    ) -> None:  # fmt: skip
        """areas: makes of deposits what the first round takes, areas about one density."""
        self._geometry, self._table, self._areas, self._jobs = geometry, table, areas, jobs
        grid = geometry.grid
        self._held = _Held(grid.i0, grid.cols, [float(origin), 0.0], 3 * geometry.at_once)
        self._source: Iterator[Rows] = iter(())

    def _reach(self, end: int) -> None:
        while self._held.empty or self._held.end < end:
            rows = next(self._source, None)
            if rows is None:
                return
            self._held.append(Rows(rows.j0, rows.i0, rows.arrays[:2]))

    def _deposits(self) -> Iterator[tuple[int, list[FloatArray]]]:
        geometry, raster = self._geometry, self._geometry.raster
        grid = geometry.grid
        for band in geometry.bands:
            low, high = geometry.touched(band)
            self._reach(high)
            nodes, coef = self._held.take(low, high)
            tasks = []
            for index in band:
                rows, cols = raster.around(raster.part.sites[index])
                here = nodes[rows.start + grid.j0 - low : rows.stop + grid.j0 - low, cols]
                window = raster.window(raster.part.sites[index])
                first = window[0].start + grid.j0 - low
                cut = coef[first : first + window[0].stop - window[0].start, window[1]]
                tasks.append((index, np.ascontiguousarray(cut, dtype=np.float32),
                              self._table(float(here.min()), float(here.max()))))  # fmt: skip
            yield from run_in_order(self._one, tasks, self._jobs)

    def _one(self, task: tuple[int, SingleArray, AreaTable]) -> tuple[int, list[FloatArray]]:
        """A block's areas and slopes at its densities."""
        index, coef, table = task
        return _deposited(self._geometry.raster, index, table.packed, coef, table.d0)

    def __call__(self, source: Iterator[Rows]) -> Iterator[Rows]:
        """What rounds give to what further rounds take."""
        self._source = source
        for rows in self._areas(self._deposits()):
            self._reach(rows.end)
            constant, slope, origin = rows.arrays
            nodes, _ = self._held.take(rows.j0, rows.end)
            constant += slope * (origin - nodes)  # about the one density that rounds count from
            yield Rows(rows.j0, rows.i0, (constant, slope, nodes))
            self._held.drop(rows.end)


class Settled(NamedTuple):
    """Coefficients of the density's spline, its lowest and highest node, and what one more round would change."""

    coef: SplineRows
    low: float
    high: float
    residual: float


def settled(
    raster: PartRaster,
    range_dbu: float,
    line: Line,
    *,
    weights: tuple[Sequence[float], Sequence[float]],
    table: Callable[[float, float], AreaTable],
    frame: Callable[[Grid], SingleArray] | None,
    jobs: int,
) -> Settled:
    """The density of a lone part under one Gaussian term.

    line: areas as the first deposit takes them; table: those around two densities. weights: of the rounds
    before a second deposit, none where there is none, and of those in the end. frame: area of the part's own
    frame on some nodes; then it is exposed, and the shapes are not.
    """
    kernel, origin = _Kernel(raster.grid, range_dbu), line.origin
    geometry = _Geometry(raster, kernel.reach * sum(map(len, weights)) + _NEAR_DIAGONAL)
    sign = 1.0 if frame is None else -1.0

    def deposited() -> Iterator[tuple[int, list[FloatArray]]]:
        def one(index: int) -> tuple[int, list[FloatArray]]:
            return _deposited(raster, index, line.packed)

        blocks = (k for band in geometry.bands for k in band)
        yield from run_in_order(one, blocks, jobs, ahead=_AHEAD)

    def areas(deposits: Iterator[tuple[int, list[FloatArray]]]) -> Iterator[Rows]:
        scratch = geometry.scratch(0)
        for rows in _with_images(geometry, _summed(geometry, deposits)):
            constant = scratch.array("constant", rows.arrays[0].shape, np.float32)
            slope = scratch.array("slope", rows.arrays[0].shape, np.float32)
            np.multiply(rows.arrays[0], sign * raster.fill_scale, out=constant, casting="same_kind")
            np.multiply(rows.arrays[1], sign * raster.slope_scale, out=slope, casting="same_kind")
            if frame is not None:
                g = geometry.grid
                constant += frame(
                    Grid(g.hx, g.hy, rows.i0, rows.j0, constant.shape[1], len(constant))
                )
            nodes = scratch.array("nodes", constant.shape, np.float32)
            nodes[:] = origin
            yield Rows(rows.j0, rows.i0, (constant, slope, nodes))

    def settling(source: Iterator[Rows], weights: Sequence[float]) -> Iterator[Rows]:
        wide = _mirrored(geometry, source, kernel.margin(geometry, len(weights)))
        return _rounds(geometry, kernel, origin, weights, wide)

    source = areas(deposited())
    if weights[0]:
        source = _Again(geometry, origin, table, areas, jobs)(settling(source, weights[0]))
    source = settling(source, weights[1])
    coef = SplineRows(geometry.grid.j0, *_spans(geometry))
    low, high, residual = float(origin), float(origin), 0.0
    for rows in source:
        nodes, found, change = rows.arrays
        coef.put(np.asarray(found, dtype=np.float32), rows.i0, rows.j0)
        # left of what is kept an octant's rows hold what the rounds left unfinished
        kept = coef.holds(rows.j0, rows.i0, nodes.shape)
        low = min(low, float(nodes.min(where=kept, initial=low)))
        high = max(high, float(nodes.max(where=kept, initial=high)))
        residual = max(residual, float(np.abs(change).max(where=kept, initial=0.0)))
    return Settled(coef, low, high, residual)


def _spans(geometry: _Geometry) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First column and number of columns of each row of nodes that the part's sites ask for."""
    grid, domain = geometry.grid, geometry.raster.part.domain
    j = grid.j0 + np.arange(grid.rows)
    right = np.full(len(j), grid.i0 + grid.cols)
    if isinstance(domain, Circle):
        # the row's sites that are nearest to the axis stand at most two nodes nearer
        y = np.maximum(np.abs(j) - 3, 0) * grid.hy
        chord = np.sqrt(np.maximum(float(domain.outer2) - y * y, 0.0))
        right = np.minimum(right, (chord / grid.hx).astype(np.int64) + 5)
    first = np.maximum(grid.i0, -right)
    if geometry.octant:
        first = np.maximum(first, j - _BESIDE + 1)
        right = np.where(j < geometry.last, right, first)
    return first, right - first
