"""Codes of single sites against master + bias + split worked out one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.codes import CodeBlock
from layoutgen.exposure.around import SurroundingField
from layoutgen.exposure.bias import BiasTable, DrawnLadder
from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import MasterArray, Masters, Part, Site
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.exposure.solve import Exposed, solve
from layoutgen.lattice import Lattice
from layoutgen.optics.domain import Rectangle
from layoutgen.units import SQUARE_SIDE

MASTER = np.array([120.0, 160.5, 200.0, 240.5, 305.0])
FIXED = np.array([False, False, True, False, False])
TERMS = (ScatterTerm("gaussian", 2000.0, 1.0),)
FALLING = BiasTable(
    np.array([0.0, 0.5]), np.array([100.0, 300.0]), np.array([[2.0, 4.0], [-18.0, -26.0]])
)
NM = DrawnLadder(100.0, 1.0, 221, squares=False)


def source(site: Site) -> MasterArray:
    """Masters in turn along the rows, every eleventh site empty."""
    w = site.window
    number = np.arange(w.rows)[:, None] * 7 + np.arange(w.cols)[None, :]
    return np.where(number % 11 == 0, 0, 1 + number % len(MASTER)).astype(np.uint8)


def part() -> Part:
    lattice = Lattice("square", 400, 400, "gap")
    masters = Masters(MASTER, MASTER, FIXED)
    return Part("pad", lattice, Rectangle(-8000, 8000, -8000, 8000), "whole", masters, source)


def drawn_of(codes: NDArray[np.integer], ladder: DrawnLadder) -> NDArray[np.float64]:
    return ladder.min_nm + (codes.astype(np.float64) - 1) * ladder.step_nm


@pytest.mark.parametrize("split", [0.0, 2.5, -3.0])
@pytest.mark.parametrize("squares", [False, True])
def test_without_a_kernel_a_code_is_master_and_bias_and_split_rounded_half_up(
    split: float, squares: bool
) -> None:
    pad = part()
    ladder = DrawnLadder(80.0, 2.0, 120, squares=True) if squares else NM
    coder = Coder(
        pad.masters, ladder, Exposed((), BiasTable.none(), background=False), None, None, split
    )
    for site, masters in pad.blocks():
        codes = coder.block(site, masters).codes
        np.testing.assert_array_equal(codes == 0, masters == 0)
        for k, master in enumerate(MASTER):
            size = master + (0.0 if FIXED[k] else split)
            size *= math.sqrt(math.pi) / 2 if squares else 1.0  # a square of the disc's area
            # halves go up: 160.5 -> 161, and 160.5 + 2.5 stays 163
            step = math.floor((size - ladder.min_nm) / ladder.step_nm + 0.5)
            assert set(codes[masters == k + 1].tolist()) == {1 + step}


def test_with_a_kernel_density_decides_and_surroundings_add_to_it() -> None:
    pad = part()
    exposed = Exposed(TERMS, FALLING, background=False)
    raster = PartRaster(pad, TERMS, 0.0)
    # a plane that rises with x: linear interpolation is exact there
    at = np.arange(-10_000.0, 10_001.0, 2000.0)
    steps = np.broadcast_to(50 + at[None, :] / 200, (len(at), len(at))).astype(np.int16)
    field = SurroundingField(steps, at[0], at[0], 2000.0, 2000.0)
    plane = np.broadcast_to(0.05 + raster.grid.xs() / 200_000, raster.grid.shape)
    for added in (None, field):
        around = None if added is None else plane.astype(np.float32)
        density = solve(pad, exposed, 160_000.0, raster=raster, around=around)
        coder = Coder(pad.masters, NM, exposed, density, added, 1.5)
        checked = 0
        for site, masters in pad.blocks():
            codes = coder.block(site, masters).codes
            x, y = pad.lattice.sites_dbu(site.window)
            xs, ys = x[0].astype(np.float64), y[:, 0].astype(np.float64)
            rho = density.shapes_at(xs, ys)
            if added is not None:
                rho = rho + (0.05 + xs / 200_000)[None, :]
            master = MASTER[np.maximum(masters, 1) - 1]
            # (density, master) bilinear by hand: both tables are planes in each variable
            u, v = np.clip(rho / 0.5, 0, 1), np.clip((master - 100) / 200, 0, 1)
            bias = (1 - u) * (2 + 2 * v) + u * (-18 - 8 * v)
            fixed = FIXED[np.maximum(masters, 1) - 1]
            wanted = np.where(fixed, master, master + bias + 1.5)
            # a density step of 1/8192 moves a size by 4e-3 nm: only what is that near a half may differ
            sure = (masters > 0) & (fixed | (np.abs(wanted % 1 - 0.5) > 0.01))
            np.testing.assert_array_equal(drawn_of(codes[sure], NM), np.floor(wanted[sure] + 0.5))
            checked += int(sure.sum())
        assert checked > 1000


def test_beyond_the_field_of_surroundings_nothing_is_added() -> None:
    # a field that ends within the part, and lies in memory that goes on with other numbers
    pad = part()
    exposed = Exposed(TERMS, FALLING, background=False)
    density = solve(pad, exposed, 160_000.0, raster=PartRaster(pad, TERMS, 0.0))
    memory = np.full((9, 4), 300, dtype=np.int16)
    field = SurroundingField(memory[2:5], -5000.0, -4000.0, 2000.0, 2000.0)
    blank = SurroundingField(np.pad(memory[2:5], 3), -11_000.0, -10_000.0, 2000.0, 2000.0)
    for site, masters in pad.blocks():
        cut, whole = (
            Coder(pad.masters, NM, exposed, density, added, 0.0).block(site, masters).codes
            for added in (field, blank)
        )
        np.testing.assert_array_equal(cut, whole)


def test_clamped_pillars_are_counted_whether_the_ladder_or_the_table_ended() -> None:
    pad = part()
    none = Exposed((), BiasTable.none(), background=False)
    held = dict.fromkeys(range(6), 0)
    for _, masters in pad.blocks():
        for k in held:
            held[k] += int((masters == k).sum())
    # a ladder from 150 to 250 nm: 120 and 305 leave it
    short = DrawnLadder(150.0, 1.0, 101, squares=False)
    coder = Coder(pad.masters, short, none, None, None, 0.0)
    assert sum(coder.left(*block) for block in pad.blocks()) == held[1] + held[5]
    codes = np.concatenate([coder.block(*block).codes.ravel() for block in pad.blocks()])
    assert (codes == 1).sum() == held[1]
    assert (codes == 101).sum() == held[5]
    # the table ends at 300 nm: 305 is beyond it; no fixed size is looked up
    density_free = BiasTable(
        np.array([0.0, 1.0]), np.array([100.0, 300.0]), np.array([[1.0, 1.0], [1.0, 1.0]])
    )
    coder = Coder(pad.masters, NM, Exposed((), density_free, background=False), None, None, 0.0)
    assert sum(coder.left(*block) for block in pad.blocks()) == held[5]
    # every code of every block is tallied, empty sites under 0
    tally = np.sum([coder.tally(coder.block(*block)) for block in pad.blocks()], axis=0)
    assert tally[0] == held[0]
    assert tally[NM.count] == 0
    assert int(np.sum(tally)) == sum(held.values())


@pytest.mark.parametrize("shape", [(3, 7), (7, 3)])
def test_a_block_that_is_not_square_is_tallied_whole(shape: tuple[int, int]) -> None:
    coder = Coder(
        part().masters, NM, Exposed((), BiasTable.none(), background=False), None, None, 0.0
    )
    codes = np.random.default_rng(5).integers(0, NM.count + 1, shape).astype(np.uint8)
    wanted = np.bincount(codes.ravel(), minlength=NM.count + 1)
    assert coder.tally(CodeBlock(0, 0, codes)).tolist() == wanted.tolist()


@pytest.mark.parametrize(
    ("size", "side"), [(101.0, 102), (100.999, 100), (99.0, 100), (103.0, 104)]
)
def test_a_true_half_of_a_square_ladder_goes_up(size: float, side: int) -> None:
    # steps of 2 nm of side: an odd side is a half
    ladder = DrawnLadder(80.0, 2.0, 50, squares=True)
    codes, _ = ladder.codes(np.array([size / SQUARE_SIDE]))
    assert ladder.size_nm(int(codes[0])) == side
