"""How near two rounds come, over simulated processes that the fit contains and that it does not.

    python -m tests.benchmarks.refine_study                      200 seeds of every family; some ten minutes
    python -m tests.benchmarks.refine_study --seeds 20 --families saturating,stepped

A *family* draws a process (what it adds to a pillar at a density, its slope, its radial term) for each seed.
A round draws the job's SEM sites with the table in force, lets the process print them, reads them
with 0.8 nm of noise and 3 % gross errors, and makes the next table: with `refine`, all rounds so far
together, and in the plain user's way, the mean error of each table cell subtracted. What counts is the
true error of *all* pillars of the lens on the whole wafer, ladder and zones included, that no SEM sees.

The wafer is the demo's: its sites are those of its own sem_sites.csv (40 to 150 of them, the number drawn
with the seed; more than it lists are further pillars of its lens and its pads on other dies), and
its lens is computed here, pillar by pillar, without the package: phase, choice from the library, and
density from rings, whose Gaussian kernel is 2 r'/b^2 exp(-(r - r')^2 / b^2) I0e(2 r r'/b^2). Prints Markdown.
"""

from __future__ import annotations

import argparse
import csv
import io
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache, partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, i0e

from layoutgen.exposure.refine import Refinement, SemData, refine_table
from layoutgen.exposure.zones import RingZone
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.recipe.model import FocusTerm, UniformPad
from layoutgen.recipe.tables import BiasTableData

FloatArray = NDArray[np.float64]
ROOT = Path(__file__).resolve().parent.parent.parent

NOISE_NM, GROSS_SHARE = 0.8, 0.03
SITES = (40, 150)
ROUNDS = 2
#: Dies of equal area from the centre to the rim of the wafer.
_RADII = np.sqrt((np.arange(5) + 0.5) / 5)
_BEARING = 2.4  # radians: dies are not on one line
#: Backscatter kernels by name: range in um, share. `wrong` is what the wrong-kernel family prints with.
KERNELS = {"nominal": ((9.0, 1.0),), "wrong": ((13.0, 0.8), (40.0, 0.2))}


# --- the wafer ----------------------------------------------------------------------------------


@dataclass(eq=False)
class Lens:
    """All pillars of a lens, told apart by ring (1 um wide) and master only."""

    ring: NDArray[np.intp]
    master_nm: FloatArray
    count: FloatArray
    ring_area_um2: FloatArray

    @cache  # noqa: B019  a lens lives as long as the study
    def kernel(self, which: str) -> FloatArray:
        """(rings, rings): density in the middle of a ring from the fill of every ring."""
        n = len(self.ring_area_um2)
        r = np.arange(n) + 0.5
        found = np.zeros((n, n))
        for b, share in KERNELS[which]:
            for part in (np.arange(4) + 0.5) / 4:
                s = np.arange(n) + part
                close = np.exp(-(((r[:, None] - s) / b) ** 2)) * i0e(2 * r[:, None] * s / b**2)
                found += share * 2 * s / b**2 * close / 4
        return found

    def profile(self, drawn_nm: FloatArray, which: str) -> FloatArray:
        """Density against ring."""
        area = self.count * np.pi / 4 * (drawn_nm * 1e-3) ** 2
        fill = np.bincount(self.ring, weights=area, minlength=len(self.ring_area_um2))
        return self.kernel(which) @ (fill / self.ring_area_um2)

    def drawn(self, table: BiasTableData) -> tuple[FloatArray, FloatArray]:
        """Density and unrounded drawn diameter of each entry, at the fixed point of both."""
        drawn = self.master_nm.copy()
        density = np.zeros_like(drawn)
        for _ in range(12):
            before = density
            density = self.profile(drawn, "nominal")[self.ring]
            drawn = self.master_nm + read(table, density, self.master_nm)
            if np.abs(density - before).max() < 1e-5:
                break
        return density, drawn


@dataclass(frozen=True, eq=False)
class Site:
    """One place to measure; radius_um of a lens site, else its nominal density."""

    feature: str
    kind: str
    radius_um: float
    master_nm: float
    split_nm: float
    x_mm: float
    y_mm: float
    density: float
    drawn_nm: float = 0.0  # by the job's own table


@dataclass(eq=False)
class World:
    """A wafer: one lens, and the sites that its job lists."""

    lens: Lens
    lens_name: str
    pool: list[Site]
    table: BiasTableData
    ladder: tuple[float, float, float]
    pitch_nm: float
    wafer_radius_mm: float
    sizes_um: dict[str, float] = field(default_factory=dict)
    _shares: dict[tuple[Site, str], tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def of_job(cls, folder: Path) -> World:
        loaded = load_recipe(folder / "recipe.yaml")
        recipe = loaded.recipe
        assert loaded.bias_table is not None
        keys = recipe.pillars_of(recipe.lenses[0])
        text = (folder / "sem_sites.csv").read_text()
        rows = [
            r for r in csv.DictReader(io.StringIO(text.split("\n", 1)[1])) if r["stage"] == "master"
        ]
        dosed = {name for name, die in recipe.dies.items() if any(item.dose != 1 for item in die)}
        kinds = {d.name: "deflector" for d in recipe.deflectors} | {
            p.name: p.kind for p in recipe.pads
        }
        pool = [
            Site(
                r["feature"], kinds.get(r["feature"], "lens"), float(r["lens_radius_um"] or 0),
                float(r["master_nm"]), float(r["split_nm"]), float(r["x_mm"]), float(r["y_mm"]),
                float(r["density"]),
                float(r["drawn_nm"]),
            )
            for r in rows
            if r["die"] not in dosed
        ]  # fmt: skip
        term = recipe.exposure.backscatter[0]
        sizes = {d.name: d.size_nm * 1e-3 for d in recipe.deflectors}
        for pad in recipe.pads:
            side = pad.size_nm if isinstance(pad, UniformPad) else 5 * term.range_nm
            sizes[pad.name] = side * 1e-3
        return cls(
            _lens(loaded), recipe.lenses[0].name, pool, loaded.bias_table,
            (keys.ladder.min_nm, keys.ladder.max_nm, keys.ladder.step_nm),
            recipe.lattice_of(recipe.lenses[0]).pitch_nm, recipe.wafer.diameter_nm / 2e6, sizes,
        )  # fmt: skip

    def sites(self, count: int, rng: np.random.Generator) -> list[Site]:
        """`count` of the job's sites; beyond those, pillars of its lens and its pads on other dies."""
        found = [self.pool[k] for k in np.sort(rng.permutation(len(self.pool))[:count])]
        pads = [site for site in self.pool if site.kind != "lens"]
        while len(found) < count:
            far = 0.95 * self.wafer_radius_mm * np.sqrt(rng.uniform())
            turn = rng.uniform(0, 2 * np.pi)
            at = {"x_mm": far * np.cos(turn), "y_mm": far * np.sin(turn)}
            if not pads or rng.uniform() < 0.6:
                k = int(rng.integers(len(self.lens.ring)))
                split = 4.0 if rng.uniform() < 0.15 else 0.0
                found.append(
                    Site(self.lens_name, "lens", self.lens.ring[k] + 0.5, self.lens.master_nm[k],
                         split, density=0.0, **at)
                )  # fmt: skip
            else:
                like = pads[int(rng.integers(len(pads)))]
                found.append(replace(like, split_nm=0.0, **at))
        return found

    def rounded(self, drawn_nm: FloatArray) -> FloatArray:
        low, high, step = self.ladder
        found: FloatArray = np.clip(
            low + np.floor((drawn_nm - low) / step + 0.5 + 1e-9) * step, low, high
        )
        return found

    def radius(self, sites: Sequence[Site]) -> FloatArray:
        return np.array([np.hypot(s.x_mm, s.y_mm) for s in sites]) / self.wafer_radius_mm

    def drawn_sites(
        self, sites: Sequence[Site], table: BiasTableData, zones: Sequence[RingZone], which: str
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Density of the job, density that the process sees, and drawn diameter of each site."""
        _, drawn = self.lens.drawn(table)
        middle = np.arange(len(self.lens.ring_area_um2)) + 0.5
        plain = self.lens.profile(drawn, "nominal")
        d = np.array([site.master_nm for site in sites])
        split = np.array([site.split_nm for site in sites])
        at = np.array([site.radius_um for site in sites])
        lens = np.array([site.kind == "lens" for site in sites])
        # pads and deflectors: a uniform square's density is its own doing, others' is given
        pitch, inside = self.pitch_nm, np.array([self.shares(site, which) for site in sites])
        uniform = np.array([site.kind == "uniform" for site in sites])
        density = np.array([site.density for site in sites])
        for _ in range(6):
            fill = np.pi / 4 * ((d + read(table, density, d)) / pitch) ** 2
            density = np.where(uniform, inside[:, 0] * fill, density)
        size = self.rounded(d + read(table, density, d) + split)
        seen = density * inside[:, 1] / inside[:, 0]
        # lenses: looked up at the settled density, measured at that of what is drawn, split and zone included
        zone = [zone_bias(zones, r * self.wafer_radius_mm) for r in self.radius(sites)]
        extra = np.where(lens, split + np.array(zone), np.nan)
        rho = np.interp(at, middle, plain)
        size[lens] = self.rounded(d + read(table, rho, d) + extra)[lens]
        for value in np.unique(extra[lens]):
            every = self.rounded(drawn + value)
            of = extra == value
            density[of] = np.interp(at[of], middle, self.lens.profile(every, "nominal"))
            seen[of] = np.interp(at[of], middle, self.lens.profile(every, which))
        return density, seen, size

    def shares(self, site: Site, which: str) -> tuple[float, float]:
        """How much of the job's kernel, and of the process's, lies inside the square that a site is in.

        The first is its listed density over that of the pattern; it says how far from the edge the site is,
        and the edge is where kernels differ.
        """
        if site.kind == "lens":
            return 1.0, 1.0
        if (site, which) not in self._shares:
            self._shares[site, which] = self._shares_of(site, which)
        return self._shares[site, which]

    def _shares_of(self, site: Site, which: str) -> tuple[float, float]:
        if site.kind == "uniform":
            full = np.pi / 4 * (site.drawn_nm / self.pitch_nm) ** 2
        elif site.kind == "deflector":
            full = max(s.density for s in self.pool if s.feature == site.feature)
        else:  # the core of a density pad is in the middle of its square
            full = site.density
        half = self.sizes_um[site.feature] / 2

        def along(x: float, name: str) -> float:
            """Share of a kernel between two parallel edges, x from the middle."""
            return sum(
                share * (erf((half + x) / b) + erf((half - x) / b)) / 2
                for b, share in KERNELS[name]
            )

        there = min(site.density / full, along(0.0, "nominal") ** 2)
        # on the middle line of the square down to half, else on its diagonal
        wanted = there / along(0.0, "nominal") if there > 0.5 else np.sqrt(there)
        low, high = 0.0, half
        for _ in range(40):
            x = (low + high) / 2
            low, high = (x, high) if along(x, "nominal") > wanted else (low, x)
        across = 0.0 if there > 0.5 else low
        return along(low, "nominal") * along(across, "nominal"), along(low, which) * along(
            across, which
        )


def _lens(loaded: LoadedRecipe) -> Lens:
    """Every pillar of the recipe's lens, from its phase and library alone (one focus term)."""
    recipe = loaded.recipe
    lens = recipe.lenses[0]
    (term,) = lens.phase
    assert isinstance(term, FocusTerm)
    keys, lattice = recipe.pillars_of(lens), recipe.lattice_of(lens)
    assert lattice.kind == "square"
    assert lens.centre == "gap"
    library = loaded.libraries[keys.library].at_wavelength(lens.wavelength_nm)
    bias = recipe.replication_bias_nm
    target = np.arange(np.ceil(library.size_nm[0]), library.size_nm[-1] + 0.5, keys.ladder.step_nm)
    master = target - bias
    largest = max(master[0] * 0 + np.cumsum([0.0, *(s.bias_nm for s in recipe.replication.steps)]))
    ok = (master >= keys.diameter.min_nm) & (master <= keys.diameter.max_nm)
    ok &= lattice.pitch_nm - (master + largest) >= (keys.min_gap_nm or 0.0)
    target, master = target[ok], master[ok]
    t = np.sqrt(np.interp(target, library.size_nm, library.transmission)) * np.exp(
        1j * np.interp(target, library.size_nm, library.phase_rad)
    )
    edges = 4096  # steps of phase: a pillar is chosen for the middle of each
    psi = (np.arange(edges) + 0.5) * 2 * np.pi / edges
    best = np.argmax(np.real(t[None, :] * np.exp(-1j * psi)[:, None]), axis=1)
    half = lens.aperture_nm / 2
    x = (np.arange(int(half / lattice.pitch_nm) + 1) + 0.5) * lattice.pitch_nm
    rings = int(np.ceil(half * 1e-3)) + 1
    tally = np.zeros(rings * len(master))
    for y in x:  # one quarter, row by row
        r2 = x**2 + y**2
        r2 = r2[r2 <= half**2]
        f = term.focal_length_nm
        phase = -2 * np.pi / lens.wavelength_nm * r2 / (np.sqrt(r2 + f * f) + f)
        chosen = best[(phase / (2 * np.pi) % 1.0 * edges).astype(np.intp) % edges]
        np.add.at(tally, (np.sqrt(r2) * 1e-3).astype(np.intp) * len(master) + chosen, 4.0)
    used = np.flatnonzero(tally)
    inner = np.minimum(np.arange(rings), half * 1e-3)
    outer = np.minimum(np.arange(1, rings + 1), half * 1e-3)
    area = np.maximum(np.pi * (outer**2 - inner**2), 1e-9)
    return Lens(used // len(master), master[used % len(master)], tally[used], area)


def read(table: BiasTableData, density: FloatArray, master_nm: FloatArray) -> FloatArray:
    """A bias table, bilinear and clamped; written here again, so that a slip in the package shows."""
    rho, d, b = table.densities, table.diameters_nm, table.bias_nm
    i = np.clip(np.searchsorted(rho, density) - 1, 0, max(len(rho) - 2, 0))
    j = np.clip(np.searchsorted(d, master_nm) - 1, 0, max(len(d) - 2, 0))
    i1, j1 = np.minimum(i + 1, len(rho) - 1), np.minimum(j + 1, len(d) - 1)
    u = np.clip((density - rho[i]) / np.maximum(rho[i1] - rho[i], 1e-12), 0, 1)
    v = np.clip((master_nm - d[j]) / np.maximum(d[j1] - d[j], 1e-12), 0, 1)
    found: FloatArray = (1 - u) * ((1 - v) * b[i, j] + v * b[i, j1]) + u * (
        (1 - v) * b[i1, j] + v * b[i1, j1]
    )
    return found


def zone_bias(zones: Sequence[RingZone], radius_mm: float) -> float:
    return next((zone.bias_nm for zone in zones if radius_mm <= zone.outer_mm), 0.0)


# --- processes ----------------------------------------------------------------------------------


#: error in nm of pillars at (density seen, master, drawn - master, wafer radius 0..1, y on the wafer -1..1)
Adds = Callable[[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class Process:
    """What prints: measured less wanted without noise, the kernel it sees with, and its later drift."""

    adds: Adds
    kernel: str = "nominal"
    later: Adds | None = None

    def error(
        self, turn: int, density: FloatArray, master: FloatArray, extra: FloatArray, radius: FloatArray,
        y: FloatArray,
    ) -> FloatArray:  # fmt: skip
        found = self.adds(density, master, extra, radius, y)
        if turn and self.later is not None:
            found = found + self.later(density, master, extra, radius, y)
        return found


@dataclass(frozen=True, eq=False)
class _Plain:
    """What every family has: what the first table was made for, off by a plane, slope and radius."""

    table: BiasTableData
    constant: float
    per_density: float
    per_nm: float
    slope: float
    radial: float

    @classmethod
    def drawn(cls, table: BiasTableData, rng: np.random.Generator) -> _Plain:
        return cls(
            table, rng.normal(0, 3), rng.normal(0, 10), rng.normal(0, 0.02), 1 + rng.normal(0, 0.05),
            rng.normal(0, 2.5),
        )  # fmt: skip

    def __call__(
        self, rho: FloatArray, d: FloatArray, q: FloatArray, u: FloatArray, y: FloatArray
    ) -> FloatArray:
        plane = self.constant + self.per_density * (rho - 0.25) + self.per_nm * (d - 200)
        return plane - read(self.table, rho, d) + self.slope * q + self.radial * u**2


def _plane(p: _Plain, rng: np.random.Generator) -> Process:
    return Process(p)


def _smooth(p: _Plain, rng: np.random.Generator) -> Process:
    w = rng.normal(size=4)

    def adds(rho, d, q, u, y):  # type: ignore[no-untyped-def]
        x, z = (rho - 0.25) / 0.15, (d - 210) / 70
        bend = w[0] * z**2 + 1.5 * w[1] * np.sin(2.4 * z) + w[2] * x**2 + w[3] * x * z
        return p(rho, d, q, u, y) + bend

    return Process(adds)


def _table(p: _Plain, rng: np.random.Generator) -> Process:
    """Bilinear, with independent values at the nodes of a table of 0.1 and 80 nm."""
    grid = BiasTableData(
        "planted",
        np.arange(5) / 10,
        np.array([80.0, 160.0, 240.0, 320.0]),
        2 * rng.normal(size=(5, 4)),
    )
    return Process(lambda rho, d, q, u, y: p(rho, d, q, u, y) + read(grid, rho, d))


def _saturating(p: _Plain, rng: np.random.Generator) -> Process:
    """Backscatter that levels off; small pillars get more of it."""
    height, knee = rng.uniform(8, 14), rng.uniform(0.06, 0.15)

    def adds(rho, d, q, u, y):  # type: ignore[no-untyped-def]
        levels = height * (1 - np.exp(-rho / knee)) * (1 + 0.5 * (200 / d - 1))
        return p(rho, d, q, u, y) + 0.4 * read(p.table, rho, d) + levels - 4

    return Process(adds)


def _stepped(p: _Plain, rng: np.random.Generator) -> Process:
    """Jumps in diameter (an SEM recipe that changes) and in density."""
    d0, step = rng.uniform(160, 260), rng.choice([-1, 1]) * rng.uniform(2, 4)
    rho0, other = rng.uniform(0.2, 0.3), rng.choice([-1, 1]) * rng.uniform(1, 2)
    return Process(
        lambda rho, d, q, u, y: p(rho, d, q, u, y) + step * (d > d0) + other * (rho > rho0)
    )


def _kernel(p: _Plain, rng: np.random.Generator) -> Process:
    """Electrons that go farther than the recipe says: density is not what decides."""
    return Process(p, kernel="wrong")


def _radius(p: _Plain, rng: np.random.Generator) -> Process:
    """A radial term that is no parabola and depends on density."""
    edge, with_density = rng.normal(0, 3), rng.normal(0, 8)
    return Process(
        lambda rho, d, q, u, y: (
            p(rho, d, q, u, y) + edge * u**6 + with_density * (rho - 0.22) * u**2
        )
    )


def _bent_slope(p: _Plain, rng: np.random.Generator) -> Process:
    """d(printed)/d(drawn) differs with diameter and density, and drawn sizes count squared."""
    a, b = rng.normal(0, 0.08), rng.normal(0, 0.3)
    return Process(
        lambda rho, d, q, u, y: (
            p(rho, d, q, u, y) + a * (200 - d) / 60 * q + b * (rho - 0.25) * q + 0.003 * q**2
        )
    )


def _drift(p: _Plain, rng: np.random.Generator) -> Process:
    """The second write comes out otherwise than the first."""
    constant, per_density = rng.normal(0, 1), rng.normal(0, 4)
    return Process(p, later=lambda rho, d, q, u, y: constant + per_density * (rho - 0.25))


def _tilt(p: _Plain, rng: np.random.Generator) -> Process:
    """A slope across the wafer, which no ring and no table can take off."""
    across = rng.normal(0, 1.5)
    return Process(lambda rho, d, q, u, y: p(rho, d, q, u, y) + across * y)


def _small(p: _Plain, rng: np.random.Generator) -> Process:
    """Small pillars fall short by more and more."""
    depth = rng.uniform(3, 6)
    return Process(lambda rho, d, q, u, y: p(rho, d, q, u, y) - depth * np.exp(-(d - 110) / 25))


#: name -> (whether the fit contains it, what draws it)
FAMILIES: dict[str, tuple[bool, Callable[[_Plain, np.random.Generator], Process]]] = {
    "plane": (True, _plane),
    "smooth": (True, _smooth),
    "table": (True, _table),
    "saturating": (False, _saturating),
    "stepped": (False, _stepped),
    "wrong kernel": (False, _kernel),
    "radius-correlated": (False, _radius),
    "bent slope": (False, _bent_slope),
    "drift between rounds": (False, _drift),
    "tilt across the wafer": (False, _tilt),
    "small pillars": (False, _small),
}


# --- one seed -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outcome:
    """True errors in nm rms: at the start, after each round with refine and in the plain way; and
    how many nodes' 95 % intervals hold the truth, of how many, in each round."""

    start: float
    ours: tuple[float, ...]
    plain: tuple[float, ...]
    held: tuple[int, ...]
    nodes: tuple[int, ...]
    another: tuple[bool, ...]


def one_seed(world: World, family: str, seed: int, sites: tuple[int, int] = SITES) -> Outcome:
    number = list(FAMILIES).index(family)
    rng = np.random.default_rng([seed, number])
    process = FAMILIES[family][1](_Plain.drawn(world.table, rng), rng)
    places = world.sites(int(rng.integers(sites[0], sites[1] + 1)), rng)
    master = np.array([s.master_nm for s in places])
    radius, y = world.radius(places), np.array([s.y_mm for s in places]) / world.wafer_radius_mm
    lens = np.array([s.kind == "lens" for s in places])
    split = np.array([s.split_nm for s in places])
    start = true_error(world, process, 0, world.table, ())
    table, plain_table = world.table, world.table
    zones: tuple[RingZone, ...] = ()
    rounds: list[SemData] = []
    ours, plain, held, nodes, another = [], [], [], [], []
    for turn in range(ROUNDS):
        noise = np.random.default_rng([seed, number, turn])
        reading = NOISE_NM * noise.normal(size=len(places))
        gross = noise.uniform(size=len(places)) < GROSS_SHARE
        reading += gross * noise.choice([-1, 1], len(places)) * noise.uniform(8, 30, len(places))
        rho, seen, drawn = world.drawn_sites(places, table, zones, process.kernel)
        error = process.error(turn, seen, master, drawn - master, radius, y) + reading
        zone = np.array([zone_bias(zones, r * world.wafer_radius_mm) for r in radius]) * lens
        rounds.append(
            SemData(rho, master, drawn, error, radius, np.full(len(places), turn), np.ones(len(places)),
                    zone, lens)
        )  # fmt: skip
        found = refine_table(
            _joined(rounds), world.table, table, ladder_step_nm=world.ladder[2],
            wafer_radius_mm=world.wafer_radius_mm, masters_nm=world.ladder[:2],
        )  # fmt: skip
        table = BiasTableData("next", found.densities, found.diameters_nm, found.bias_nm)
        zones = found.zones
        ours.append(true_error(world, process, turn, table, zones))
        good, count = _held(process, turn, found)
        held.append(good)
        nodes.append(count)
        another.append(found.another_round)
        rho, seen, drawn = world.drawn_sites(places, plain_table, (), process.kernel)
        error = process.error(turn, seen, master, drawn - master, radius, y) + reading
        plain_table = plain_way(plain_table, rho, master, error - split)
        plain.append(true_error(world, process, turn, plain_table, ()))
    return Outcome(start, tuple(ours), tuple(plain), tuple(held), tuple(nodes), tuple(another))


def _joined(rounds: Sequence[SemData]) -> SemData:
    names = SemData.__dataclass_fields__
    return SemData(*(np.concatenate([getattr(r, name) for r in rounds]) for name in names))


def plain_way(
    table: BiasTableData, density: FloatArray, master_nm: FloatArray, error_nm: FloatArray
) -> BiasTableData:
    """The plain user's way: from each node the mean error of the sites nearest to it."""
    i = np.abs(density[:, None] - table.densities).argmin(axis=1)
    j = np.abs(master_nm[:, None] - table.diameters_nm).argmin(axis=1)
    total, count = np.zeros_like(table.bias_nm), np.zeros_like(table.bias_nm)
    np.add.at(total, (i, j), error_nm)
    np.add.at(count, (i, j), 1.0)
    mean = np.where(count > 0, total / np.maximum(count, 1), 0.0)
    return BiasTableData("plain", table.densities, table.diameters_nm, table.bias_nm - mean)


def true_error(
    world: World, process: Process, turn: int, table: BiasTableData, zones: Sequence[RingZone]
) -> float:
    """rms over all pillars of the lens, on dies from the centre of the wafer to its rim."""
    lens = world.lens
    _, drawn = lens.drawn(table)
    weight = lens.count / lens.count.sum()
    total = 0.0
    for k, radius in enumerate(_RADII):
        size = world.rounded(drawn + zone_bias(zones, float(radius) * world.wafer_radius_mm))
        seen = lens.profile(size, process.kernel)[lens.ring]
        u, y = np.full(len(size), radius), np.full(len(size), radius * np.sin(_BEARING * k))
        error = process.error(turn, seen, lens.master_nm, size - lens.master_nm, u, y)
        total += float(weight @ error**2)
    return float(np.sqrt(total / len(_RADII)))


def _held(process: Process, turn: int, found: Refinement) -> tuple[int, int]:
    """How many nodes with sites hold the bias at which the process prints to size, at the wafer's centre."""
    rho, d = (x.ravel() for x in np.meshgrid(found.densities, found.diameters_nm, indexing="ij"))
    bias, zero = found.bias_nm.ravel().copy(), np.zeros(len(rho))
    for _ in range(12):
        bias = bias - process.error(turn, rho, d, bias, zero, zero)
    speaks = found.sites.ravel() > 0
    off = np.abs(bias - found.bias_nm.ravel()) < 1.96 * found.sigma_nm.ravel()
    return int(off[speaks].sum()), int(speaks.sum())


# --- the study ----------------------------------------------------------------------------------


def study(
    world: World, families: Sequence[str], seeds: int, workers: int
) -> dict[str, list[Outcome]]:
    found = {}
    with ProcessPoolExecutor(workers, initializer=_start, initargs=(world,)) as pool:
        for family in families:
            began = time.monotonic()
            found[family] = list(pool.map(partial(_seed, family), range(seeds), chunksize=4))
            print(f"{family}: {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    return found


_WORLD: list[World] = []


def _start(world: World) -> None:
    _WORLD[:] = [world]


def _seed(family: str, seed: int) -> Outcome:
    return one_seed(_WORLD[0], family, seed)


def report(outcomes: dict[str, list[Outcome]]) -> str:
    """The table: medians (and ninth deciles) over the seeds, in nm rms."""
    lines = [
        "| family | in the fit | start | refine, round 1 | round 2 | plain way, round 1 | round 2 |"
        " 95 % intervals hold, round 1 / 2 | stop after round 2 |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for family, runs in outcomes.items():
        ours, plain = np.array([r.ours for r in runs]), np.array([r.plain for r in runs])
        held, nodes = np.array([r.held for r in runs]), np.array([r.nodes for r in runs])
        share = held.sum(axis=0) / nodes.sum(axis=0)
        contained = FAMILIES[family][0]
        stop = np.mean([not r.another[-1] for r in runs])
        cells = [
            family,
            "yes" if contained else "no",
            f"{np.median([r.start for r in runs]):.2f}",
            *(f"**{np.median(x):.2f}** ({np.quantile(x, 0.9):.2f})" for x in ours.T),
            *(f"{np.median(x):.2f} ({np.quantile(x, 0.9):.2f})" for x in plain.T),
            "-" if family == "wrong kernel" else " / ".join(f"{100 * s:.0f} %" for s in share),
            f"{100 * stop:.0f} %",
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def demo_job(folder: Path) -> Path:
    """The demo, built: what its sem_sites.csv lists is what the study measures."""
    from layoutgen.pipeline.build import build

    return build(
        load_recipe(ROOT / "recipes" / "porch-collimator.yaml"), folder, verify=False
    ).folder


def _machine() -> str:
    cpu = platform.processor() or platform.machine()
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                cpu = line.split(":", 1)[1].strip()
                break
    except OSError:
        pass
    return (
        f"{cpu}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}"
    )


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--seeds", type=int, default=200)
    words.add_argument("--families", default=",".join(FAMILIES))
    words.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    words.add_argument("--job", type=Path, help="a built demo; made afresh unless given")
    asked = words.parse_args()
    # the pool's processes would fight over the cores with their linear algebra
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as folder:
        world = World.of_job(asked.job or demo_job(Path(folder)))
        families = [name.strip() for name in asked.families.split(",")]
        found = study(world, families, asked.seeds, asked.workers)
    print(f"{date.today()}, {_machine()}; {asked.seeds} seeds a family\n")
    print(report(found))


if __name__ == "__main__":
    main()
