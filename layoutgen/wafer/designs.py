"""The patterned parts that a recipe describes: lenses, gratings, and the squares of its pads.

A `Design` is one arrangement of masters on lattice sites, before anything is known of where it
stands; the same design may stand on many dies and in several surroundings. A density pad gives
one design for each patch, since each has a lattice of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.bias import BiasTable, DrawnLadder
from layoutgen.exposure.coverage import polygon_density
from layoutgen.exposure.part import MasterArray, Masters, Part, Site
from layoutgen.exposure.scatter import scatter_terms
from layoutgen.exposure.solve import Exposed
from layoutgen.lattice import Lattice
from layoutgen.optics.bins import BINS, phase_masters
from layoutgen.optics.choose import Offset, best_gain, best_offset, phase_table, wanted_sums
from layoutgen.optics.domain import Circle, Domain, Rectangle
from layoutgen.optics.library import Candidates, candidates, neighbour_gap_nm
from layoutgen.optics.phase import PhaseProgram, compile_phase
from layoutgen.optics.sampling import Sampling, deflector_program, sampling
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.recipe.model import (
    Deflector,
    DensityPad,
    Lens,
    Pad,
    PillarKeys,
    StripPad,
    UniformPad,
)
from layoutgen.units import SQUARE_SIDE
from layoutgen.wafer.frames import Disc, Outline, Polygon, Rect, grown
from layoutgen.wafer.pads import (
    Patch,
    beta_nm,
    density_patches,
    row_extent,
    row_of_squares,
    stacked,
)
from layoutgen.wafer.written import Written, exact

__all__ = ["Design", "LensFacts", "deflector_design", "lens_design", "pad_designs", "part_lattice"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False, slots=True)
class LensFacts:
    """What the choice of pillars settled for a lens or a grating."""

    program: PhaseProgram
    candidates: Candidates
    offset: Offset
    sampling: Sampling | None
    wanted: NDArray[np.complex128]  # `wanted_sums` of the candidates


@dataclass(eq=False)
class Design:
    """One arrangement of masters; `offset_x`, `offset_y` is its place on the item that holds it."""

    key: str
    kind: str  # lens | deflector | pad
    name: str
    lattice: Lattice
    dbu_nm: float
    keys: PillarKeys
    ladder: DrawnLadder
    domain: Domain
    symmetry: str
    masters: Masters
    source: Callable[[Site], MasterArray] = field(repr=False)
    outline: Outline  # from the design's centre
    usage: FloatArray | None = field(default=None, repr=False)
    offset_x: int = 0
    offset_y: int = 0
    facts: LensFacts | None = field(default=None, repr=False)
    siblings: int = 1  # how many designs keep master indices
    _parts: dict[str, Part] = field(default_factory=dict, repr=False)

    @property
    def site_area_nm2(self) -> float:
        return self.lattice.site_area_dbu2 * self.dbu_nm**2

    def frame(self, width_dbu: int) -> Polygon:
        """Its own frame, (n, 2) from its centre: its outline grown by a width."""
        return grown(self.outline, width_dbu)

    def part(self, symmetry: str | None = None) -> Part:
        """The part stored with a symmetry (its own unless given)."""
        wanted = self.symmetry if symmetry is None else symmetry
        if wanted not in self._parts:
            self._parts[wanted] = Part(
                self.key, self.lattice, self.domain, wanted, self.masters, self.source, self.usage,
                self.siblings,
            )  # fmt: skip
        return self._parts[wanted]

    def among(self, siblings: int) -> None:
        """Share the memory for master indices with so many designs."""
        self.siblings = siblings
        for part in self._parts.values():
            part.siblings = siblings


def part_lattice(loaded: LoadedRecipe, part: Lens | Deflector | Pad, centre: str) -> Lattice:
    """The lattice of a part on the grid; the hexagonal row step is rounded once, half up."""
    keys = loaded.recipe.lattice_of(part)
    dbu = exact(loaded.recipe.output.database_unit_nm)
    pitch = exact(keys.pitch_nm) / dbu
    if keys.kind == "square":
        return Lattice("square", int(pitch), int(pitch), centre)
    grid = exact(loaded.address_grid_nm) / dbu
    row = math.floor(float(pitch / grid) * math.sqrt(3) / 2 + 0.5) * int(grid)
    return Lattice("hexagonal", int(pitch), row, centre)


def drawn_ladder(keys: PillarKeys) -> DrawnLadder:
    """The ladder of drawn sizes."""
    low, high, step = (
        exact(v) for v in (keys.ladder.min_nm, keys.ladder.max_nm, keys.ladder.step_nm)
    )
    count = int((high - low) / step) + 1
    return DrawnLadder(keys.ladder.min_nm, keys.ladder.step_nm, count, keys.vertices == 4)


# --- lenses and gratings ------------------------------------------------------------------------


class _PhaseSource:
    """Gives master indices of a block from the phase of its sites."""

    def __init__(
        self, program: PhaseProgram, lattice: Lattice, um_per_dbu: float, mirrored: bool
    ) -> None:
        self.program = program
        self.lattice = lattice
        self.scale_x = -um_per_dbu if mirrored else um_per_dbu
        self.scale_y = um_per_dbu
        self.table: NDArray[np.uint8] | NDArray[np.uint16] | None = None

    def _run(
        self, site: Site, lo: IntArray, hi: IntArray, table: MasterArray, masters: MasterArray,
        histogram: NDArray[np.int32], count: bool,
    ) -> None:  # fmt: skip
        window, lattice, p = site.window, self.lattice, self.program
        phase_masters(
            p.kinds, p.params, p.tables, lattice.x0_dbu, lattice.shift_dbu, lattice.pitch_dbu,
            lattice.y0_dbu, lattice.row_dbu, self.scale_x, self.scale_y, window.row0, window.col0,
            lo, hi, table, masters, histogram, count,
        )  # fmt: skip

    def count(self, part: Part, every: int) -> NDArray[np.int64]:
        """How many sites inside the aperture fall into each bin, over the whole part.

        every: only each so many rows are counted, from the lattice's own index 0 on.
        """
        total = np.zeros(BINS, dtype=np.int64)
        table = np.zeros(1, dtype=np.uint8)
        for index, piece in enumerate(part.pieces):
            histogram = np.zeros(BINS, dtype=np.int32)
            for site in part.sites:
                if site.piece != index:
                    continue
                lo, hi = site.runs_inside
                if every > 1:
                    left_out = (site.window.row0 + np.arange(len(lo))) % every != 0
                    lo = np.where(left_out, hi, lo)
                blank = np.zeros((site.window.rows, site.window.cols), dtype=np.uint8)
                self._run(site, lo, hi, table, blank, histogram, True)
            total += len(piece.placements) * histogram.astype(np.int64)
        return total

    def __call__(self, site: Site) -> MasterArray:
        if self.table is None:
            raise RuntimeError("the table of pillars is made before any block is asked for")
        masters = np.zeros((site.window.rows, site.window.cols), dtype=self.table.dtype)
        lo, hi = site.runs
        self._run(site, lo, hi, self.table, masters, _UNCOUNTED, False)
        return masters


_UNCOUNTED = np.zeros(1, dtype=np.int32)


#: Parts that store more sites than this are first asked by every eighth row whether any offset
#: could pay; where the best gains less than a fifth of what the rule asks for, none does.
_LARGE = 1 << 18
_SAMPLE = 8
_SURELY_USELESS = 2e-4


def _narrow(indices: NDArray[np.integer], largest: int) -> MasterArray:
    """Master indices in the narrowest array that holds them."""
    return indices.astype(np.uint8) if largest < 256 else indices.astype(np.uint16)


def _symmetry(program: PhaseProgram, lattice: Lattice) -> str:
    if program.mirror_x and program.mirror_y:
        return "octant" if program.diagonal and not lattice.hexagonal else "quadrant"
    if program.mirror_y:
        return "half_y"
    return "half_x" if program.mirror_x else "whole"


def _phased(
    loaded: LoadedRecipe,
    part: Lens | Deflector,
    kind: str,
    lattice: Lattice,
    domain: Domain,
    program: PhaseProgram,
    written: Written,
    sampled: Sampling | None,
    free_offset: bool,
    outline: Outline,
) -> Design:
    recipe = loaded.recipe
    dbu_nm = float(written.dbu)
    keys = recipe.pillars_of(part)
    pillars = candidates(
        loaded.libraries[keys.library],
        wavelength_nm=part.wavelength_nm,
        keys=keys,
        kind=lattice.kind,
        pitch_nm=lattice.pitch_dbu * dbu_nm,
        row_nm=lattice.row_dbu * dbu_nm,
        steps=recipe.replication.steps,
    )
    um_per_dbu = float(written.dbu * written.scale / 1000)
    source = _PhaseSource(program, lattice, um_per_dbu, written.mirrored)
    masters = Masters(
        pillars.master_nm, pillars.diameter_nm, np.zeros(len(pillars), dtype=np.bool_)
    )
    symmetry = _symmetry(program, lattice)
    design = Design(
        f"{kind}:{part.name}", kind, part.name, lattice, dbu_nm, keys, drawn_ladder(keys), domain,
        symmetry, masters, source, outline,
    )  # fmt: skip
    unshifted = phase_table(pillars.field)
    offset = Offset(0, 0.0, 1.0)
    every = _SAMPLE if design.part().stored > _LARGE else 1
    histogram = source.count(design.part(), every)
    if free_offset:
        promising = every == 1 or best_gain(histogram, pillars.field, unshifted) > _SURELY_USELESS
        if promising and every > 1:
            histogram = source.count(design.part(), 1)
        if promising:
            offset = best_offset(histogram, pillars.field, unshifted)
    chosen = np.roll(unshifted, -offset.shift_bins)
    source.table = _narrow(chosen + 1, len(pillars))
    usage = np.bincount(chosen, weights=histogram, minlength=len(pillars)).astype(np.float64)
    design.usage = usage if usage.sum() else None
    design.part().usage = design.usage
    wanted = wanted_sums(histogram, chosen, len(pillars))
    design.facts = LensFacts(program, pillars, offset, sampled, wanted)
    return design


def lens_design(loaded: LoadedRecipe, lens: Lens, written: Written) -> Design:
    """The design of a lens; InputError where the lattice samples its phase too coarsely."""
    lattice = part_lattice(loaded, lens, lens.centre)
    dbu_nm = float(written.dbu)
    half_nm = lens.aperture_nm / 2
    program = compile_phase(
        lens.phase,
        wavelength_nm=lens.wavelength_nm,
        half_aperture_nm=half_nm,
        sampled={name: data.phase_rad for name, data in loaded.sampled.items()},
    )
    keys = loaded.recipe.pillars_of(lens)
    index = loaded.recipe.substrate_index
    if index is None:
        index = loaded.libraries[keys.library].substrate_index
    sampled = sampling(
        program,
        wavelength_nm=lens.wavelength_nm,
        half_aperture_nm=half_nm,
        kind=lattice.kind,
        pitch_nm=lattice.pitch_dbu * dbu_nm * float(written.scale),
        row_nm=lattice.row_dbu * dbu_nm * float(written.scale),
        substrate_index=index,
    )
    if sampled.problems:
        raise InputError([f"lens {lens.name}: {problem}" for problem in sampled.problems])
    radius = written.part_size(lens.aperture_nm) / 2
    outer = radius + written.part_size(lens.collar_nm)
    return _phased(
        loaded, lens, "lens", lattice, Circle.of(radius, outer), program, written, sampled,
        free_offset=True, outline=Disc(0.0, 0.0, float(outer)),
    )  # fmt: skip


def deflector_design(loaded: LoadedRecipe, deflector: Deflector, written: Written) -> Design:
    """The design of a beam-deflector grating, between four sites, with offset 0."""
    lattice = part_lattice(loaded, deflector, "gap")
    part_dbu = float(written.dbu * written.scale)
    program = deflector_program(
        deflector.period,
        kind=lattice.kind,
        pitch_nm=lattice.pitch_dbu * part_dbu,
        row_nm=lattice.row_dbu * part_dbu,
    )
    edge = written.size(deflector.size_nm) / 2
    half = math.floor(edge)
    return _phased(
        loaded, deflector, "deflector", lattice, Rectangle(-half, half, -half, half), program,
        written, None, free_offset=False,
        outline=Rect(-float(edge), -float(edge), float(edge), float(edge)),
    )  # fmt: skip


# --- pads ---------------------------------------------------------------------------------------


def pad_designs(
    loaded: LoadedRecipe,
    pad: Pad,
    written: Written,
    exposed: Exposed,
    frame_width_dbu: int | None,
) -> list[Design]:
    """The designs of a pad. frame_width_dbu: that of its frames, when the background is exposed."""
    if isinstance(pad, (UniformPad, StripPad)):
        return [_uniform(loaded, pad, written)]
    return _patches(loaded, pad, written, exposed, frame_width_dbu)


def _uniform(loaded: LoadedRecipe, pad: UniformPad | StripPad, written: Written) -> Design:
    lattice = part_lattice(loaded, pad, "gap")
    keys = loaded.recipe.pillars_of(pad)
    squares = row_of_squares(pad, written.dbu, mirrored=written.mirrored)
    bias = loaded.recipe.replication_bias_nm
    upward = stacked(pad)
    domain = Rectangle(
        *_own(
            min(s.x_low for s in squares), max(s.x_high for s in squares), upper=written.mirrored
        ),
        *_own(min(s.y_low for s in squares), max(s.y_high for s in squares), upper=False),
    )
    masters = _given_masters([s.diameter_nm for s in squares], bias, keys)
    half_x, half_y = row_extent(pad, written.dbu)  # a blank strip is framed like the rest
    outline = Rect(-half_x, -half_y, half_x, half_y)
    edges = [
        _own(s.y_low, s.y_high, upper=False)
        if upward
        else _own(s.x_low, s.x_high, upper=written.mirrored)
        for s in squares
    ]
    order = np.argsort([first for first, _ in edges])
    starts = np.array([first for first, _ in edges])[order]
    numbers = (order + 1).astype(np.uint8)

    def source(site: Site) -> MasterArray:
        x, y = lattice.sites_dbu(site.window)
        at = np.searchsorted(starts, y if upward else x, side="right") - 1
        return _only_runs(numbers[np.clip(at, 0, None)], site)

    return Design(
        f"pad:{pad.name}", "pad", pad.name, lattice, float(written.dbu), keys, drawn_ladder(keys),
        domain, "whole", masters, source, outline,
    )  # fmt: skip


def _own(low: float, high: float, *, upper: bool) -> tuple[int, int]:
    """First and last whole coordinate between two edges, of which one belongs: the lower, or the upper."""
    if upper:
        return math.floor(low) + 1, math.floor(high)
    return math.ceil(low), math.ceil(high) - 1


def _given_masters(sizes_nm: Sequence[float], bias_nm: float, keys: PillarKeys) -> Masters:
    """Masters as a pad's recipe gives them (sides of squares where pillars are square)."""
    size = np.array(sizes_nm, dtype=np.float64)
    master = size / SQUARE_SIDE if keys.vertices == 4 else size
    return Masters(master, master + bias_nm, np.zeros(len(size), dtype=np.bool_))


def _only_runs(found: MasterArray, site: Site) -> MasterArray:
    lo, hi = site.runs
    cols = np.arange(site.window.cols)[None, :]
    inside = np.where((cols >= lo[:, None]) & (cols < hi[:, None]), found, 0)
    return _narrow(inside, int(found.max(initial=0)))


def _patches(
    loaded: LoadedRecipe,
    pad: DensityPad,
    written: Written,
    exposed: Exposed,
    frame_width_dbu: int | None,
) -> list[Design]:
    recipe = loaded.recipe
    lattice = part_lattice(loaded, pad, "site")
    keys = recipe.pillars_of(pad)
    beta = beta_nm(recipe.exposure.backscatter)
    if beta is None:
        raise InputError(
            f"pad {pad.name}: want exposure.backscatter for a density pad, got nothing"
        )
    dbu_nm = float(written.dbu)
    patches = density_patches(
        pad, written.dbu, beta=beta, pitch_nm=lattice.pitch_dbu * dbu_nm, mirrored=written.mirrored
    )
    outline = Rect(-patches[0].half, -patches[0].half, patches[0].half, patches[0].half)
    frames: list[FloatArray] = []
    if frame_width_dbu is not None:
        frame = grown(outline, frame_width_dbu).astype(np.float64)
        frames = [frame + np.array([patch.x, patch.y], dtype=np.float64) for patch in patches]
    found: list[Design] = []
    problems: list[str] = []
    try:
        sizes_nm = _surround_sizes(lattice, keys, dbu_nm)
    except ValueError as error:
        raise InputError(f"pad {pad.name}: {error}") from error
    surrounds = [
        _Surround(
            patch, lattice, _given_masters([patch.probe_nm], recipe.replication_bias_nm, keys),
            sizes_nm, exposed, dbu_nm, frames,
        )
        for patch in patches
    ]  # fmt: skip
    _settle(surrounds)
    for number, (patch, surround) in enumerate(zip(patches, surrounds, strict=True)):
        try:
            drawn = surround.drawn_nm
        except ValueError as error:
            problems.append(f"pad {pad.name}: {error}")
            continue
        half, probe = math.floor(patch.half), surround.probe
        domain = Rectangle(-half, half, -half, half)
        masters = Masters(
            np.array([probe.master_nm[0], drawn]),
            np.array([probe.target_nm[0], drawn + recipe.replication_bias_nm]),
            np.array([False, True]),
        )
        found.append(
            Design(
                f"pad:{pad.name}:{number}",
                "pad",
                pad.name,
                lattice,
                dbu_nm,
                keys,
                drawn_ladder(keys),
                domain,
                "whole",
                masters,
                _patch_source(patch, lattice),
                outline,
                offset_x=patch.x,
                offset_y=patch.y,
            )
        )
    if problems:
        raise InputError(problems)
    return found


def _patch_source(patch: Patch, lattice: Lattice) -> Callable[[Site], MasterArray]:
    def source(site: Site) -> MasterArray:
        w = site.window
        rows = w.row0 + np.arange(w.rows, dtype=np.int64)[:, None]
        cols = w.col0 + np.arange(w.cols, dtype=np.int64)[None, :]
        rows, cols = np.broadcast_arrays(rows, cols)
        core = patch.in_core(rows, cols, hexagonal=lattice.hexagonal)
        return _only_runs(np.where(core, 1, 2).astype(np.uint8), site)

    return source


#: Patches that add less than this to each other's cores stand alone.
_NO_NEIGHBOUR = 1e-6
#: Turns of choosing: a step of one surround moves the others' density by a small part of their own step.
_MOST_TURNS = 20
#: Density at which a core's sizes stand still: a thousandth of a step of the surround, or less.
_SETTLED_CORE = 1e-6


class _Surround:
    """The surround of one patch of a density pad: the ladder step whose density at the core's centre comes nearest.

    Each pillar of the core is drawn with the bias of the density where it stands. `others` is what the
    pad's other patches add.
    """

    def __init__(
        self, patch: Patch, lattice: Lattice, probe: Masters, sizes_nm: FloatArray, exposed: Exposed,
        dbu_nm: float, frames: Sequence[FloatArray],
    ) -> None:  # fmt: skip
        """`probe`: the core's one master; `sizes_nm`: equal-area diameters that the surround may have."""
        self.patch, self.terms, self._dbu_nm = patch, exposed.terms, dbu_nm
        self.probe, self._sizes_nm = probe, sizes_nm
        half = math.floor(patch.half)
        window = lattice.cover(half, half)
        x, y = lattice.sites_dbu(window)
        rows = window.row0 + np.arange(window.rows)[:, None] + 0 * x
        cols = window.col0 + np.arange(window.cols)[None, :] + 0 * x
        inside = (np.abs(x) <= half) & (np.abs(y) <= half)
        core = patch.in_core(rows, cols, hexagonal=lattice.hexagonal)[inside]
        self._x, self._y, self._core = x[inside], y[inside], core
        from_core, self._per_area = self.seen_from(patch)
        core_x, core_y = self._x[core], self._y[core]
        self._among = self._weights(np.hypot(core_x[:, None] - core_x, core_y[:, None] - core_y))
        self._middle = int(np.argmin(np.hypot(core_x, core_y)))
        #: Of the pillars around at each core pillar: the patch as a whole weighs alike all over the core.
        self._around = from_core + self._per_area - self._among.sum(axis=1)
        self._bias = exposed.bias
        self._rho = np.full(len(core_x), patch.density)
        self._framed = _frame_density(frames, patch, exposed) if exposed.background else None
        self.others = 0.0
        self.nearest = -1

    def seen_from(self, other: Patch) -> tuple[float, float]:
        """Density per nm^2 of each core pillar, and of each pillar around, at the centre of a patch."""
        weight = self._weights(
            np.hypot(self._x + self.patch.x - other.x, self._y + self.patch.y - other.y)
        )
        return float(weight[self._core].sum()), float(weight[~self._core].sum())

    def _weights(self, r: FloatArray) -> FloatArray:
        """Density per nm^2 of an area at distances r."""
        found: FloatArray = sum(
            (term.share * term.value(r) for term in self.terms), np.zeros(r.shape)
        )
        return found / self._dbu_nm**2

    def _core_areas(self, rho: FloatArray) -> FloatArray:
        """Area of each core pillar, (pillars,), at the density where it stands."""
        master_nm = self.probe.master_nm[0]
        found: FloatArray = math.pi / 4 * (master_nm + self._bias(rho, master_nm)) ** 2
        return found

    def _around_area(self, k: int) -> float:
        """Area of a pillar around, of the size k."""
        return math.pi / 4 * float(self._sizes_nm[k]) ** 2

    def _settled(self, k: int) -> FloatArray:
        """Density at each core pillar with a surround of the size k."""
        around = self._around * self._around_area(k) + self.others
        rho = self._rho
        for _ in range(_MOST_TURNS):  # bias tables that settle at all settle in a few
            before = rho
            rho = self._total(around + self._among @ self._core_areas(before))
            if float(np.abs(rho - before).max()) < _SETTLED_CORE:
                break
        return rho

    def areas(self) -> tuple[float, float]:
        """Area of a core pillar and of one around it, as chosen."""
        return float(self._core_areas(self._rho).mean()), self._around_area(self.nearest)

    def _total(self, exposed: FloatArray) -> FloatArray:
        """Density where shapes add so much."""
        return exposed if self._framed is None else self._framed - exposed

    def _densities(self) -> FloatArray:
        """Density at the core's centre for each size that the surround may have."""
        own = float(self._among[self._middle] @ self._core_areas(self._rho))
        return self._total(own + self.others + self._per_area * math.pi / 4 * self._sizes_nm**2)

    def choose(self) -> bool:
        """Take the size that comes nearest; whether it is another than before."""
        before = self.nearest
        self.nearest = int(np.argmin(np.abs(self._densities() - self.patch.density)))
        self._rho = self._settled(self.nearest)
        return self.nearest != before

    @property
    def drawn_nm(self) -> float:
        """Equal-area drawn diameter; ValueError ("want ..., got ...") when the density is out of reach."""
        density = self._densities()
        low, high = (
            float(self._settled(int(k))[self._middle]) for k in (density.argmin(), density.argmax())
        )
        step = float(np.abs(np.diff(density)).max()) / 2 if len(density) > 1 else 0.0
        if not low - step <= self.patch.density <= high + step:
            raise ValueError(
                f"want a density between {low:.4f} and {high:.4f} around a probe of"
                f" {self.patch.probe_nm:g} nm, got {self.patch.density:g}"
            )
        return float(self._sizes_nm[self.nearest])


def _surround_sizes(lattice: Lattice, keys: PillarKeys, dbu_nm: float) -> FloatArray:
    """Equal-area diameters of the ladder's sizes that the limits allow, or ValueError where none does."""
    ladder = drawn_ladder(keys)
    size = np.array([ladder.size_nm(code) for code in range(1, ladder.count + 1)])
    allowed = np.ones(len(size), dtype=np.bool_)
    if keys.min_gap_nm is not None:
        gap = neighbour_gap_nm(
            size, squares=ladder.squares, kind=lattice.kind,
            pitch_nm=lattice.pitch_dbu * dbu_nm, row_nm=lattice.row_dbu * dbu_nm,
        )  # fmt: skip
        allowed &= gap >= keys.min_gap_nm - 1e-9
    if keys.max_aspect_ratio is not None and keys.height_nm is not None:
        allowed &= keys.height_nm / size <= keys.max_aspect_ratio + 1e-9
    size = size[allowed]
    if not len(size):
        raise ValueError(
            "want a ladder with sizes that min_gap and max_aspect_ratio allow, got none"
        )
    found: FloatArray = size / SQUARE_SIDE if ladder.squares else size
    return found


def _settle(surrounds: Sequence[_Surround]) -> None:
    """Choose all surrounds of a pad, each beside the others; long terms reach from patch to patch."""
    beside: list[tuple[int, int, tuple[float, float]]] = []
    for k, me in enumerate(surrounds):
        for n, other in enumerate(surrounds):
            if k == n:
                continue
            gap = math.hypot(other.patch.x - me.patch.x, other.patch.y - me.patch.y)
            gap -= math.sqrt(2) * other.patch.half
            if sum(term.share * term.outside(max(gap, 0.0)) for term in me.terms) > _NO_NEIGHBOUR:
                beside.append((k, n, other.seen_from(me.patch)))
    for _ in range(_MOST_TURNS):
        changed = [surround.choose() for surround in surrounds]
        if not any(changed):
            return
        added = [0.0] * len(surrounds)
        for k, n, seen in beside:
            added[k] += sum(w * area for w, area in zip(seen, surrounds[n].areas(), strict=True))
        for surround, others in zip(surrounds, added, strict=True):
            surround.others = others


def _frame_density(frames: Sequence[FloatArray], patch: Patch, exposed: Exposed) -> float:
    """What the pad's frames give at a patch's centre."""
    at = np.array([patch.x, patch.y], dtype=np.float64)
    zero = np.zeros(1)
    return float(polygon_density([f - at for f in frames], exposed.terms, zero, zero)[0, 0])


def exposed_of(loaded: LoadedRecipe) -> Exposed:
    """Kernel, bias table and tone of a recipe."""
    recipe = loaded.recipe
    data = loaded.bias_table
    bias = (
        BiasTable.none()
        if data is None
        else BiasTable(data.densities, data.diameters_nm, data.bias_nm)
    )
    terms = scatter_terms(recipe.exposure.backscatter, recipe.output.database_unit_nm)
    return Exposed(terms, bias, recipe.exposure.exposed == "background")
