"""The pillars of one lens, block after block, summed for every colour and angle in one pass.

A lens that is stored as an octant, a quadrant or a half is summed as such and unfolded on the grid of its
sums, where light and focus have the same mirrors; else each placement of a block is summed by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.optics.focus import LensSum, Patch
from layoutgen.optics.orders import GratingSum
from layoutgen.optics.transmission import Transmission
from layoutgen.pipeline.design import Progress
from layoutgen.pipeline.sizes import Sizes
from layoutgen.workers import run_in_order

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]
Placement = tuple[int, bool]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """What is added to every diameter: the same for all, and a Gaussian of its own for each pillar."""

    offset_nm: float = 0.0
    random_nm: float = 0.0
    seed: int = 1

    @property
    def random(self) -> bool:
        return self.random_nm > 0


@dataclass(eq=False)
class States:
    """What stands on sites: an index into `diameter_nm`, whose entry 0 is an empty site (nan)."""

    sizes: Sizes
    disturbance: Disturbance
    diameter_nm: FloatArray
    _fine: IntArray | None  # entry of each of the stage's states
    _step_nm: float

    @classmethod
    def of(cls, sizes: Sizes, disturbance: Disturbance) -> States:
        if not disturbance.random:
            return cls(sizes, disturbance, sizes.diameter_nm + disturbance.offset_nm, None, 0.0)
        # a ladder fine enough for noise: steps of a fiftieth of it
        step = disturbance.random_nm / 50
        mean = sizes.diameter_nm + disturbance.offset_nm
        margin = 7 * disturbance.random_nm
        low, high = float(np.nanmin(mean)) - margin, float(np.nanmax(mean)) + margin
        ladder = np.concatenate([[np.nan], low + step * np.arange(int((high - low) / step) + 2)])
        fine = np.where(np.isfinite(mean), np.rint((mean - low) / step) + 1, 0)
        return cls(sizes, disturbance, ladder, np.nan_to_num(fine).astype(np.int64), step)

    def block(self, index: int, copy: int) -> NDArray[np.integer]:
        """Indices of block `index`; with noise each copy of it has its own."""
        states = self.sizes.block(index)
        if self._fine is None:
            return states
        fine = self._fine[states]
        rng = np.random.default_rng((self.disturbance.seed, index, copy))
        noise = rng.standard_normal(states.shape, dtype=np.float32)
        noise *= self.disturbance.random_nm / self._step_nm
        moved = np.clip(fine + np.rint(noise).astype(np.int64), 1, len(self.diameter_nm) - 1)
        return np.where(fine > 0, moved, 0)


def light_of(transmission: Transmission, states: States) -> ComplexArray:
    """t of each state; 0 for empty sites and for diameters that the library does not hold."""
    found = transmission(states.diameter_nm)
    found[0] = 0
    return found


def sum_lens(
    states: States,
    sums: Sequence[LensSum],
    light: Sequence[ComplexArray],
    scale_um: tuple[float, float],
    jobs: int,
    progress: Progress,
) -> IntArray:
    """Add every pillar to `sums`, each with its own `light`; returns how many sites hold each state.

    scale_um: um on the part for a database unit along x (negative where the layout is mirrored) and y.
    """
    variant = states.sizes.variant
    part = variant.part
    folded = [s.beam.on_axis and not states.disturbance.random for s in sums]
    grids = {
        (k, piece): np.zeros_like(s.sums)
        for k, s in enumerate(sums) if folded[k]
        for piece in range(len(part.pieces))
    }  # fmt: skip

    def one(index: int) -> tuple[IntArray, list[tuple[int, int, Patch]]]:
        site = part.sites[index]
        placements = part.pieces[site.piece].placements
        x, y, odd, shift = _places(states.sizes, index, scale_um)
        count = np.zeros(len(states.diameter_nm), dtype=np.int64)
        patches: list[tuple[int, int, Patch]] = []
        for copy, placement in enumerate(placements):
            if copy and not states.disturbance.random and all(folded):
                break
            if copy == 0 or states.disturbance.random:
                block = states.block(index, copy)
                tally = np.bincount(block.ravel(), minlength=len(count))
                count += tally if states.disturbance.random else tally * len(placements)
            wanted = [k for k in range(len(sums)) if copy == 0 or not folded[k]]
            turned = None
            for k in wanted:
                if folded[k]:
                    patches.append(
                        (k, site.piece, sums[k].patch(block, light[k], x, y, odd, shift))
                    )
                    continue
                if turned is None:
                    turned = _placed(block, x, y, odd, shift, placement)
                patches.append((k, -1, sums[k].patch(turned[0], light[k], *turned[1:])))
        return count, patches

    total = np.zeros(len(states.diameter_nm), dtype=np.int64)
    for done, (count, patches) in enumerate(run_in_order(one, range(len(part.sites)), jobs)):
        total += count
        for k, piece, patch in patches:
            sums[k].add(patch, None if piece < 0 else grids[k, piece])
        progress("summing pillars", (done + 1) / len(part.sites))
    for (k, piece), grid in grids.items():
        for placement in part.pieces[piece].placements:
            sums[k].sums += _unfolded(grid, placement)
    total[0] = 0
    part.forget()
    return total


def sum_grating(
    states: States,
    sums: Sequence[GratingSum],
    light: Sequence[ComplexArray],
    scale_um: tuple[float, float],
    jobs: int,
) -> IntArray:
    """Add every pillar of a grating to `sums`; returns how many sites hold each state."""
    part = states.sizes.variant.part

    def one(index: int) -> tuple[IntArray, list[tuple[ComplexArray, float, float]]]:
        count = np.zeros(len(states.diameter_nm), dtype=np.int64)
        x, y, odd, shift = _places(states.sizes, index, scale_um)
        placements = part.pieces[part.sites[index].piece].placements
        total = [(np.zeros(len(s.orders), dtype=np.complex128), 0.0, 0.0) for s in sums]
        for copy, placement in enumerate(placements):
            if copy == 0 or states.disturbance.random:
                block = states.block(index, copy)
            count += np.bincount(block.ravel(), minlength=len(count))
            turned, xs, ys, odds, shifted = _placed(block, x, y, odd, shift, placement)
            for k, s in enumerate(sums):
                made = s.block(light[k][turned], turned > 0, xs, ys, np.asarray(odds * shifted))
                total[k] = (total[k][0] + made[0], total[k][1] + made[1], total[k][2] + made[2])
        return count, total

    found = np.zeros(len(states.diameter_nm), dtype=np.int64)
    for count, parts in run_in_order(one, range(len(part.sites)), jobs):
        found += count
        for s, made in zip(sums, parts, strict=True):
            s.add(made)
    found[0] = 0
    part.forget()
    return found


def blocks_of(
    states: States, scale_um: tuple[float, float]
) -> Iterator[tuple[NDArray[np.integer], FloatArray, FloatArray]]:
    """Every block of a part on a square lattice where it stands: states, x of columns, y of rows in um."""
    part = states.sizes.variant.part
    for index, site in enumerate(part.sites):
        x, y, odd, shift = _places(states.sizes, index, scale_um)
        for copy, placement in enumerate(part.pieces[site.piece].placements):
            if copy == 0 or states.disturbance.random:
                block = states.block(index, copy)
            placed, xs, ys, _, _ = _placed(block, x, y, odd, shift, placement)
            yield placed, xs, ys


def _places(
    sizes: Sizes, index: int, scale_um: tuple[float, float]
) -> tuple[FloatArray, FloatArray, IntArray, float]:
    """x of a block's columns on even rows and y of its rows in um on the part, odd rows, and their shift."""
    part = sizes.variant.part
    window, lattice = part.sites[index].window, part.lattice
    odd: IntArray = (window.row0 + np.arange(window.rows, dtype=np.int64)) & 1
    return (
        np.asarray(lattice.xs_dbu(window) * scale_um[0]),
        np.asarray(lattice.ys_dbu(window) * scale_um[1]),
        odd,
        lattice.shift_dbu * scale_um[0],
    )


def _placed(
    block: NDArray[np.integer], x: FloatArray, y: FloatArray, odd: IntArray, shift: float,
    placement: Placement,
) -> tuple[NDArray[np.integer], FloatArray, FloatArray, IntArray, float]:  # fmt: skip
    """A block mirrored (y -> -y) and turned counter-clockwise; rows with a shift are never turned by 90 degrees."""
    turns, mirror = placement
    if mirror:
        y = -y
    if turns >= 2:
        x, y, shift = -x, -y, -shift
    if turns % 2:
        return block.T, -y, x, np.zeros(len(x), dtype=np.int64), 0.0
    return block, x, y, odd, shift


def _unfolded(grid: FloatArray, placement: Placement) -> FloatArray:
    """Sums on the nodes [y, x] of a symmetric grid, mirrored and turned likewise."""
    turns, mirror = placement
    if mirror:
        grid = grid[:, ::-1, :]
    if turns >= 2:
        grid = grid[:, ::-1, ::-1]
    if turns % 2:
        grid = grid.transpose(0, 2, 1)[:, :, ::-1]
    return grid
