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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.coder import Coder
from layoutgen.exposure.part import MasterArray, Part, Site
from layoutgen.kernels import late_kernel
from layoutgen.lattice import Window
from layoutgen.optics.bins import BINS, phase_masters
from layoutgen.wafer.designs import Design

__all__ = ["QUANTITIES", "LensMap", "lens_map", "lens_maps"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Quantity -> its title and unit.
QUANTITIES = {
    "target": ("target diameter", "nm"),
    "drawn": ("drawn diameter", "nm"),
    "bias": ("bias: drawn less master", "nm"),
    "density": ("local density", "exposed share"),
    "phase-error": ("phase error of the chosen pillars, rms", "rad"),
}

#: Stored sites that are looked at; of more, some rows of each row of pixels.
MAX_SITES = 400_000_000

_PHASES = np.arange(BINS, dtype=np.uint16)
_UNCOUNTED = np.zeros(1, dtype=np.int32)
#: Signs of x and y in the placements without a quarter turn, which a hexagonal lattice has alone.
_MIRRORS = {(0, False): (1, 1), (2, False): (-1, -1), (0, True): (1, -1), (2, True): (-1, 1)}


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
    return lens_maps(
        (quantity,), design, part, coder, um_per_dbu=um_per_dbu, mirrored=mirrored, pixels=pixels
    )[0]


def lens_maps(
    quantities: Sequence[str],
    design: Design,
    part: Part,
    coder: Coder,
    *,
    um_per_dbu: float,
    mirrored: bool,
    pixels: int,
    most_sites: int = MAX_SITES,
) -> list[LensMap]:
    """Several quantities over one part, as `lens_map`; of more than `most_sites` stored sites a share."""
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
    low_x, low_y = edge_x - far_x * step_x, edge_y - far_y * step_y
    shape = 2 * far_y, 2 * far_x
    totals = np.zeros((len(quantities) + 1, *shape))  # the last one counts sites
    values = [_Values(each, design, coder, um_per_dbu, mirrored) for each in quantities]
    by_density = not {"drawn", "bias", "density"}.isdisjoint(quantities)
    taken = rows_of
    if part.stored > most_sites:
        taken = max(1, math.floor(rows_of * most_sites / part.stored))
    # the pixels of a square lattice have its symmetry, those of a hexagonal one do not
    on_sites = lattice.hexagonal
    for piece_index, piece in enumerate(part.pieces):
        found = totals if on_sites else np.zeros_like(totals)
        for site, masters in _blocks(part, piece_index, rows_of, taken):
            window = site.window
            left, bottom = lattice.x_dbu(0, window.col0), lattice.y_dbu(window.row0)
            steps = coder.steps(site) if by_density else masters
            looked_up = [each.block(site, masters, steps) for each in values]
            for turns, mirror in piece.placements if on_sites else ((0, False),):
                flip_x, flip_y = _MIRRORS[turns, mirror]
                # pixel of the first site, and pixels from column to column, to an odd row, from row to row
                pixel_of = np.array([
                    (flip_x * left - low_x) / step_x, flip_x * lattice.pitch_dbu / step_x,
                    flip_x * lattice.shift_dbu / step_x,
                    (flip_y * bottom - low_y) / step_y, flip_y * lattice.row_dbu / step_y,
                ])  # fmt: skip
                for number, (entries, first, second) in enumerate(looked_up):
                    _add(
                        found[number], found[-1], number == 0, entries.astype(np.uint16), masters, first, second,
                        quantities[number] == "phase-error", window.row0 & 1, pixel_of,
                    )  # fmt: skip
        if not on_sites:
            for placement in piece.placements:
                totals += _placed(found, placement, odd=edge_x > 0)
    held = totals[-1] > 0
    if k > 1:
        totals = np.stack([_smooth(each) for each in totals])
    um = design.dbu_nm * 1e-3
    box = (low_x * um, low_y * um, (low_x + 2 * far_x * step_x) * um,
           (low_y + 2 * far_y * step_y) * um)  # fmt: skip
    maps = []
    for quantity, sums in zip(quantities, totals[:-1], strict=True):
        with np.errstate(invalid="ignore", divide="ignore"):
            mean: FloatArray = np.where(held, sums / totals[-1], np.nan)
        maps.append(
            LensMap(
                quantity, np.sqrt(mean) if quantity == "phase-error" else mean, box, (k, rows_of)
            )
        )
    return maps


def _blocks(part: Part, piece: int, rows_of: int, taken: int) -> Iterator[tuple[Site, MasterArray]]:
    """The blocks of a piece, or the middle `taken` rows of every `rows_of`."""
    rows = part.pieces[piece].rows
    if taken >= rows_of:
        for index, site in enumerate(part.sites):
            if site.piece == piece:
                yield site, part.block(index)
        return
    last = rows.row0 + len(rows.lo)
    for row in range(rows.row0 - rows.row0 % rows_of + (rows_of - taken) // 2, last, rows_of):
        strip = rows.take(row, row + taken)
        used = np.flatnonzero(strip.hi > strip.lo)
        if not len(used):
            continue
        low, high = int(strip.lo[used].min()), int(strip.hi[used].max())
        top, count = int(used[0]), int(used[-1] - used[0]) + 1
        site = Site(piece, Window(strip.row0 + top, low, count, high - low), rows)
        yield site, part.source(site)


def _placed(pixels: FloatArray, placement: tuple[int, bool], odd: bool) -> FloatArray:
    """Pixels (..., rows, cols) where a placement puts them; odd: a pixel's middle is on the axis."""

    def flipped(array: FloatArray, axis: int) -> FloatArray:
        # the grid reaches one pixel farther on one side, which is empty
        turned = np.flip(array, axis)
        return np.roll(turned, -1, axis) if odd else turned

    turns, mirror = placement
    if mirror:
        pixels = flipped(pixels, -2)
    if turns % 2:
        pixels = flipped(np.swapaxes(pixels, -1, -2), -1)
    if turns // 2 % 2:
        pixels = flipped(flipped(pixels, -1), -2)
    return pixels


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
    """One quantity at every site of a block."""

    def __init__(
        self, quantity: str, design: Design, coder: Coder, um_per_dbu: float, mirrored: bool
    ) -> None:
        self.quantity = quantity
        self.design = design
        self.coder = coder
        masters = design.masters
        self.densities = coder.densities
        self.target = np.concatenate([[0.0], masters.target_nm])
        self.master = np.concatenate([[0.0], masters.master_nm])
        ladder = design.ladder
        self.drawn = np.array([0.0, *(ladder.diameter_nm(c) for c in range(1, ladder.count + 1))])
        facts = design.facts
        if quantity == "phase-error" and facts is not None:
            self.wanted = 2 * np.pi * (np.arange(BINS) + 0.5) / BINS + facts.offset.phi0_rad
            self.given = np.concatenate([[0.0], np.angle(facts.candidates.field)])
        self.scale = um_per_dbu
        self.mirrored = mirrored

    def block(
        self, site: Site, masters: MasterArray, steps: NDArray[np.unsignedinteger]
    ) -> tuple[NDArray[np.unsignedinteger], FloatArray, FloatArray]:
        """Entries (rows, cols) and two tables: the value is first[entry] less second[master].

        steps: row of the coder's table at each site.
        """
        nothing = np.zeros(len(self.master))
        if self.quantity == "target":
            return masters, self.target, nothing
        if self.quantity == "phase-error":
            return self._bins(site, masters), self.wanted, self.given
        if self.quantity == "density":
            return steps, self.densities, nothing
        codes = self.coder.codes[steps, masters]
        return codes, self.drawn, self.master if self.quantity == "bias" else nothing

    def _bins(self, site: Site, masters: MasterArray) -> NDArray[np.uint16]:
        """The target phase of each site, as its bin of a turn."""
        facts, lattice, window = self.design.facts, self.design.lattice, site.window
        assert facts is not None
        program = facts.program
        bins = np.zeros(masters.shape, np.uint16)
        lo, hi = site.runs
        phase_masters(
            program.kinds, program.params, program.tables, lattice.x0_dbu, lattice.shift_dbu,
            lattice.pitch_dbu, lattice.y0_dbu, lattice.row_dbu,
            -self.scale if self.mirrored else self.scale, self.scale, window.row0, window.col0,
            lo, hi, _PHASES, bins, _UNCOUNTED, False,
        )  # fmt: skip
        return bins


@late_kernel(
    "(float64[:, ::1], float64[:, ::1], bool, uint16[:, ::1], uint8[:, ::1], float64[::1], "
    "float64[::1], bool, int64, float64[::1])"
)
def _add(
    sums: Any, counts: Any, count: bool, entries: Any, masters: Any, first: Any, second: Any,
    phases: bool, odd: int, pixel_of: Any,
) -> None:  # fmt: skip  # pragma: no cover
    """Add first[entry] - second[master] of a block's sites to their pixels; `odd` is 1 where its first row is odd.

    Of phases the squares of what is left of whole turns.
    """
    rows, cols = sums.shape
    x0, along, aside, y0, up = pixel_of
    for r in range(masters.shape[0]):
        to_j = int(np.floor(y0 + r * up))
        if not 0 <= to_j < rows:
            continue
        start = x0 + ((r + odd) & 1) * aside
        at = -1
        here = 0.0
        sites = 0
        for c in range(masters.shape[1]):
            if masters[r, c] == 0:
                continue
            to_i = int(np.floor(start + c * along))
            if to_i != at:
                if 0 <= at < cols:
                    sums[to_j, at] += here
                    if count:
                        counts[to_j, at] += sites
                at, here, sites = to_i, 0.0, 0
            value = first[entries[r, c]] - second[masters[r, c]]
            if phases:
                value = (value + np.pi) % (2 * np.pi) - np.pi
                value *= value
            here += value
            sites += 1
        if 0 <= at < cols:
            sums[to_j, at] += here
            if count:
                counts[to_j, at] += sites
