"""Maps over a lens: target, drawn, bias, density and phase error, as a coarse raster of its sites.

A pixel holds k x k sites. It shows their mean, and of the phase error the root mean square, each
weighted with its neighbours 1 : 2 : 1 along both axes where k is over 1: near the rim of a fast lens
zones are narrower than a pixel, and single sites or plain means would show rings that are not there.

    target        diameter that the optics wants on the finished part
    drawn         diameter in the layout file, split included
    bias          drawn less master, split included
    density       exposed share of the area around, splits left out, as the bias was chosen from it
    phase-error   phase of the chosen pillar less the target phase and the lens's offset

Places are as written: a mirrored layout has a mirrored map.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import MasterArray, Part, Site
from layoutgen.optics.bins import BINS, phase_masters
from layoutgen.wafer.designs import Design

__all__ = ["QUANTITIES", "LensMap", "lens_map"]

FloatArray = NDArray[np.float64]

#: Quantity -> its title and unit.
QUANTITIES = {
    "target": ("target diameter", "nm"),
    "drawn": ("drawn diameter", "nm"),
    "bias": ("bias: drawn less master", "nm"),
    "density": ("local density", "exposed share"),
    "phase-error": ("phase error of the chosen pillars, rms", "rad"),
}

#: Sites that are looked at; of more, every s-th row and column of each block is taken.
MAX_SITES = 400_000_000

_PHASES = np.arange(BINS, dtype=np.uint16)
_UNCOUNTED = np.zeros(1, dtype=np.int32)


@dataclass(frozen=True, eq=False, slots=True)
class LensMap:
    """One quantity over a lens: values (rows, cols), [y, x], nan where no pillar stands.

    box_um: x low, y low, x high, y high from the lens's axis. sites: across a pixel, each way.
    """

    quantity: str
    values: FloatArray
    box_um: tuple[float, float, float, float]
    sites: tuple[int, int]

    @property
    def words(self) -> str:
        return QUANTITIES[self.quantity][0]

    @property
    def unit(self) -> str:
        return QUANTITIES[self.quantity][1]


def lens_map(
    quantity: str,
    design: Design,
    part: Part,
    coder: Coder,
    *,
    um_per_dbu: float,
    mirrored: bool,
    pixels: int = 600,
) -> LensMap:
    """One quantity over one part in its surrounding.

    part: as it is stored there. um_per_dbu: what a database unit is on the part, in micrometres,
    scales included. pixels: at most so many across the part.
    """
    lattice = part.lattice
    half_x, half_y = part.domain.extent
    k = max(1, math.ceil(2 * half_x / lattice.pitch_dbu / pixels))
    if lattice.centre == "site" and not lattice.hexagonal:
        k += 1 - k % 2  # an odd number of sites has one in the middle
    # on a hexagonal lattice as many rows as make the pixel nearest to a square
    rows_of = max(1, round(k * lattice.pitch_dbu / lattice.row_dbu))
    step_x, step_y = k * lattice.pitch_dbu, rows_of * lattice.row_dbu
    # edges lie between sites: a quarter of the pitch beside the middle, or between the middle ones
    edge_x = (
        lattice.pitch_dbu / 4 if lattice.hexagonal else _edge(k, lattice.pitch_dbu, lattice.x0_dbu)
    )
    edge_y = _edge(rows_of, lattice.row_dbu, lattice.y0_dbu)
    far_x = math.ceil((half_x + step_x) / step_x)
    far_y = math.ceil((half_y + step_y) / step_y)
    sums = np.zeros((2 * far_y, 2 * far_x))
    counts = np.zeros_like(sums)
    low_x, low_y = edge_x - far_x * step_x, edge_y - far_y * step_y
    every = max(1, math.ceil(math.sqrt(part.pillars / MAX_SITES)))
    values = _Values(quantity, design, coder, um_per_dbu, mirrored)
    for index, site in enumerate(part.sites):
        masters = part.block(index)
        window = site.window
        xs = lattice.xs_dbu(window).astype(np.float64)[::every]
        ys = lattice.ys_dbu(window).astype(np.float64)[::every]
        odd = ((window.row0 + np.arange(window.rows)) & 1)[::every] * float(lattice.shift_dbu)
        of_sites = values.block(site, masters)[::every, ::every]
        for turns, mirror in part.pieces[site.piece].placements:
            cos, sin = ((1, 0), (0, 1), (-1, 0), (0, -1))[turns % 4]
            flip = -1 if mirror else 1
            matrix = np.array([cos, -sin * flip, sin, cos * flip], np.float64)
            _add(
                sums, counts, of_sites, masters[::every, ::every], xs, ys, odd, matrix,
                low_x, low_y, float(step_x), float(step_y),
            )  # fmt: skip
    held = counts > 0
    if k > 1:
        sums, counts = _smooth(sums), _smooth(counts)
    with np.errstate(invalid="ignore"):
        found: FloatArray = np.where(held, sums / counts, np.nan)
    if quantity == "phase-error":
        found = np.sqrt(found)
    um = design.dbu_nm * 1e-3
    box = (low_x * um, low_y * um, (low_x + 2 * far_x * step_x) * um,
           (low_y + 2 * far_y * step_y) * um)  # fmt: skip
    return LensMap(quantity, found, box, (k, rows_of))


def _smooth(array: FloatArray) -> FloatArray:
    """Neighbours weighted 1 : 2 : 1 along both axes; zones two pixels wide vanish."""
    for _ in range(2):
        array = np.pad(array, ((1, 1), (0, 0)))
        array = ((array[:-2] + 2 * array[1:-1] + array[2:]) / 4).T
    return array


def _edge(sites: int, step: int, first: int) -> float:
    """An edge of pixels of so many sites, half a step beside a site and symmetric about 0."""
    if first:  # sites at odd halves of a step
        return 0.0
    return sites * step / 2 if sites % 2 else step / 2


class _Values:
    """One quantity at every site of a block; squares of the phase error, as these are averaged."""

    def __init__(
        self, quantity: str, design: Design, coder: Coder, um_per_dbu: float, mirrored: bool
    ) -> None:
        self.quantity = quantity
        self.design = design
        self.coder = coder
        masters = design.masters
        self.target = np.concatenate([[0.0], masters.target_nm])
        self.master = np.concatenate([[0.0], masters.master_nm])
        ladder = design.ladder
        self.drawn = np.array([0.0, *(ladder.diameter_nm(c) for c in range(1, ladder.count + 1))])
        # gives the row of its table, and so the density, that the coder takes each site's code from
        rows = np.arange(len(coder.codes), dtype=np.uint16)
        self.rows = np.repeat(rows[:, None], coder.codes.shape[1], axis=1)
        self.scale = um_per_dbu
        self.mirrored = mirrored

    def block(self, site: Site, masters: MasterArray) -> FloatArray:
        """(rows, cols); whatever stands where no pillar is."""
        if self.quantity == "target":
            return self.target[masters]
        if self.quantity == "phase-error":
            return self._phase_error(site, masters) ** 2
        if self.quantity == "density":
            rows = self.coder.through(self.rows, site, masters)
            density: FloatArray = np.asarray(self.coder.densities[rows], np.float64)
            return density
        found: FloatArray = self.drawn[self.coder.block(site, masters).codes]
        return found - self.master[masters] if self.quantity == "bias" else found

    def _phase_error(self, site: Site, masters: MasterArray) -> FloatArray:
        facts, lattice, window = self.design.facts, self.design.lattice, site.window
        assert facts is not None
        program = facts.program
        bins = np.zeros(masters.shape, np.uint16)
        lo, hi = site.runs
        phase_masters(
            program.kinds, program.params, program.extra, lattice.x0_dbu, lattice.shift_dbu,
            lattice.pitch_dbu, lattice.y0_dbu, lattice.row_dbu,
            -self.scale if self.mirrored else self.scale, self.scale, window.row0, window.col0,
            lo, hi, _PHASES, bins, _UNCOUNTED, False,
        )  # fmt: skip
        wanted = 2 * np.pi * (bins + 0.5) / BINS + facts.offset.phi0_rad
        given = np.concatenate([[0.0], np.angle(facts.candidates.field)])[masters]
        turned: FloatArray = (given - wanted + np.pi) % (2 * np.pi) - np.pi
        return turned


@njit(cache=True)
def _add(
    sums: Any, counts: Any, values: Any, masters: Any, xs: Any, ys: Any, odd: Any, matrix: Any,
    low_x: float, low_y: float, step_x: float, step_y: float,
) -> None:  # fmt: skip  # pragma: no cover
    """Add the values of a block's sites, turned by a matrix, to their pixels."""
    rows, cols = sums.shape
    for r in range(masters.shape[0]):
        for c in range(masters.shape[1]):
            if masters[r, c] == 0:
                continue
            x = xs[c] + odd[r]
            y = ys[r]
            i = int(np.floor((matrix[0] * x + matrix[1] * y - low_x) / step_x))
            j = int(np.floor((matrix[2] * x + matrix[3] * y - low_y) / step_y))
            if 0 <= i < cols and 0 <= j < rows:
                sums[j, i] += values[r, c]
                counts[j, i] += 1
