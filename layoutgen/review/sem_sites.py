"""Where to measure: pillars for the SEM that span diameter, density and wafer radius.

Pads give every diameter at known densities, their edges and the rims of lenses the same diameters at
half of them, lenses what the optics will use, and splits the slope d(measured)/d(drawn). Every stage
(resist, master, each replication step) lists the same pillars.

**Which dies.** A pillar's place on the wafer is chosen so that no effect hides behind another: of the
dies that hold it, the one whose row x = (1, rho, d, rho d, u^2, t, ...) adds most to the information of
the rows chosen before, x' M^-1 x with M = sum x x' (D-optimal design; V. V. Fedorov, Theory of Optimal
Experiments, 1972, from memory). rho is density, d master, u wafer radius, t the die's place in the write
order, which is taken to be that of dies.csv: early, middle and late are all visited.

**How well effects are apart** is the condition number of those rows, columns centred on the middle of
their range and of unit length: 1 is the best, from 30 on effects mix (D. A. Belsley, E. Kuh and R. E.
Welsch, Regression Diagnostics, 1980, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.coverage import deposit_polygons
from layoutgen.exposure.direct import density_sum, points_near, sum_is_cheaper
from layoutgen.exposure.part import MasterArray, Site
from layoutgen.exposure.part_raster import PartRaster
from layoutgen.exposure.raster import AREA_UNIT, field_at_points, packed
from layoutgen.exposure.solve import Exposed
from layoutgen.lattice import Lattice, Window
from layoutgen.layout.tree import Tree, Variant
from layoutgen.optics.domain import Circle

__all__ = [
    "SEM_COLUMNS", "SemSite", "Separation", "pillars_per_site", "sem_csv", "sem_sites", "separation",
]  # fmt: skip

FloatArray = NDArray[np.float64]

SEM_COLUMNS = (
    "site", "stage", "die", "col", "row", "x_mm", "y_mm", "feature", "lens_radius_um", "target_nm",
    "master_nm", "split_nm", "drawn_nm", "density", "measured_nm", "sigma_nm", "count",
    "edge_method", "note",
)  # fmt: skip

#: Sites per stage: a mean within 0.7 nm at 3 nm scatter (1.96 sigma / sqrt(n)), and room for a dozen
#: density patches beside the lens.
WANTED = 72
#: Scatter from pillar to pillar and the wanted standard error of a site's mean (common practice, no
#: source): together they say how many pillars to measure around a site.
SCATTER_NM = 3.0
WANTED_ERROR_NM = 0.8
#: Shares of the sites: of the lens that is written most, of others, of pads and gratings, of each bias
#: split (the slope) and of each dose split (left out of a fit of the bias).
_LENS, _OTHER_LENS, _PAD, _DEFLECTOR, _SPLIT, _DOSE = 6.0, 3.0, 3.0, 2.0, 1.75, 0.75
#: Of dies that tell nearly as much as the best, this share of it, the least visited is taken: what a
#: process does between centre and rim need not follow a square.
_NEARLY = 0.7
#: Dies of one variant between which the choice is made, on a grid of radius and write order.
_LEVELS = 5


@dataclass(frozen=True, slots=True)
class SemSite:
    """One pillar: its die, its place on the wafer as written (database units), its sizes in nm.

    order: the share of dies that are written before its own; dose: relative.
    """

    die: str
    col: int
    row: int
    x: int
    y: int
    feature: str
    lens_radius_um: float | None
    target_nm: float
    master_nm: float
    split_nm: float
    drawn_nm: float
    density: float | None
    order: float
    dose: float


@dataclass(frozen=True, slots=True)
class _Pick:
    """A pillar of a variant, from its axis in database units."""

    x: int
    y: int
    master: int
    code: int


def sem_sites(tree: Tree, exposed: Exposed, dbu_nm: float, wanted: int = WANTED) -> list[SemSite]:
    """Pillars to measure, in the order in which the stage would meet them (die by die)."""
    things, dies = tree.scene.things, tree.plan.dies
    held: dict[int, list[int]] = {}
    for number, index in tree.variant_of.items():
        held.setdefault(index, []).append(number)
    picks = {index: _picks(tree.variants[index]) for index in held}
    places = {index: _places(held[index], tree) for index in held}
    turns = _turns(tree, picks, places, wanted)
    if not turns:  # a wafer of marks and labels alone
        return []
    densities = {
        index: density_as_drawn(tree.variants[index], exposed, tree, picks[index])
        for index in sorted(set(turns))
    }
    found = []
    for number, index, k in sorted(
        _assigned(tree, turns, picks, places, densities), key=lambda c: (things[c[0]].die, *c)
    ):
        variant, pick, thing = tree.variants[index], picks[index][k], things[number]
        die, masters = dies[thing.die], variant.design.masters
        split = 0.0 if masters.fixed[pick.master - 1] else variant.split_nm
        found.append(
            SemSite(
                die.name, die.col, die.row, thing.x + pick.x, thing.y + pick.y, variant.design.name,
                math.hypot(pick.x, pick.y) * dbu_nm * 1e-3 if variant.design.kind == "lens" else None,
                float(masters.target_nm[pick.master - 1]),
                float(masters.master_nm[pick.master - 1]), split,
                variant.design.ladder.diameter_nm(pick.code),
                float(densities[index][k]) if exposed.terms else None,
                _order(thing.die, tree), tree.doses.get(variant.layer, 1.0),
            )
        )  # fmt: skip
    return found


def _order(die: int, tree: Tree) -> float:
    """The share of dies that come before a die."""
    return die / max(1, len(tree.plan.dies) - 1)


# --- how many of what -----------------------------------------------------------------------------


def _turns(
    tree: Tree, picks: dict[int, list[_Pick]], places: dict[int, list[int]], wanted: int
) -> list[int]:
    """The variant of each site in turn: seats by weight (Sainte-Lague), ties to the first."""
    weights = _weights(tree, [index for index in sorted(picks) if picks[index]])
    room = {index: len(picks[index]) * len(places[index]) for index in weights}
    given = dict.fromkeys(weights, 0)
    turns: list[int] = []
    while len(turns) < wanted:
        free = [index for index in weights if given[index] < room[index]]
        if not free:
            break
        turns.append(max(free, key=lambda i: (weights[i] / (2 * given[i] + 1), -i)))
        given[turns[-1]] += 1
    return turns


def _weights(tree: Tree, indices: Sequence[int]) -> dict[int, float]:
    """What share of the sites a variant gets: its feature's, or that of a split."""
    features: dict[tuple[str, str], list[int]] = {}
    for index in indices:
        design = tree.variants[index].design
        features.setdefault((design.kind, design.name), []).append(index)
    placed = {index: tree.variants[index].placed for index in indices}
    totals = {feature: sum(placed[i] for i in held) for feature, held in features.items()}
    most = max((f for f in features if f[0] == "lens"), key=lambda f: totals[f], default=None)
    found: dict[int, float] = {}
    for feature, held in features.items():
        groups: dict[tuple[float, float], list[int]] = {}
        for index in held:
            variant = tree.variants[index]
            dose = tree.doses.get(variant.layer, 1.0)
            groups.setdefault((dose, variant.split_nm), []).append(index)
        size = {key: sum(placed[i] for i in group) for key, group in groups.items()}
        # a zone's bias is no split: it holds for a good part of the dies
        plain = [k for k in groups if k[0] == 1 and size[k] >= 0.05 * totals[feature]]
        plain = plain or [max(groups, key=lambda k: (size[k], k[0] == 1))]
        whole = {"pad": _PAD, "deflector": _DEFLECTOR}.get(
            feature[0], _LENS if feature == most else _OTHER_LENS
        )
        for key, group in groups.items():
            weight = whole / len(plain) if key in plain else _SPLIT if key[0] == 1 else _DOSE
            for index in group:
                found[index] = weight * placed[index] / size[key]
    return dict(sorted(found.items()))


# --- on which die ---------------------------------------------------------------------------------


def _places(numbers: Sequence[int], tree: Tree) -> list[int]:
    """Things of a variant that span wafer radius and write order: all if they are few."""
    if len(numbers) <= _LEVELS**2:
        return sorted(numbers)
    radius = np.array([_radius(number, tree) for number in numbers])
    order = np.array([_order(tree.scene.things[number].die, tree) for number in numbers])
    radius = radius / max(float(radius.max()), 1.0)
    found = []
    for aim_radius in np.linspace(float(radius.min()), 1.0, _LEVELS):
        for aim_order in np.linspace(0.0, 1.0, _LEVELS):
            off = np.round((radius - aim_radius) ** 2 + (order - aim_order) ** 2, 9)
            found.append(numbers[int(np.argmin(off))])
    return sorted(set(found))


def _radius(number: int, tree: Tree) -> float:
    """How far a thing's die is from the wafer's centre, in database units."""
    die = tree.plan.dies[tree.scene.things[number].die]
    return math.hypot(die.x, die.y)


def _assigned(
    tree: Tree, turns: Sequence[int], picks: dict[int, list[_Pick]], places: dict[int, list[int]],
    densities: dict[int, FloatArray],
) -> list[tuple[int, int, int]]:  # fmt: skip
    """(thing, variant, number of its pick) for each turn."""
    used = sorted(set(turns))
    master = {
        i: [tree.variants[i].design.masters.master_nm[p.master - 1] for p in picks[i]] for i in used
    }
    scale = _Scale.of(
        [rho for i in used for rho in densities[i]], [d for i in used for d in master[i]],
        [_radius(n, tree) for i in used for n in places[i]],
        [tree.variants[i].split_nm for i in used],
    )  # fmt: skip
    # a little of everything at first: what no row has told yet counts most
    inverse = 1e3 * np.eye(9)
    given = dict.fromkeys(used, 0)
    taken: set[tuple[int, int]] = set()
    visited: dict[int, int] = {}
    found = []
    for index in turns:
        count = len(picks[index])
        while True:  # sizes in strides, so that neighbours of the list come far apart
            k = given[index] * _stride(count) % count
            given[index] += 1
            free = [n for n in places[index] if (n, k) not in taken]
            if free:
                break
        rows = np.array([
            scale.row(
                densities[index][k], master[index][k], _radius(n, tree),
                _order(tree.scene.things[n].die, tree), tree.variants[index].split_nm,
            )
            for n in free
        ])  # fmt: skip
        # four digits, so that the last bits of a processor decide nothing; ties go to the first
        gain = [float(f"{value:.3e}") for value in np.einsum("ij,jk,ik->i", rows, inverse, rows)]
        good = [i for i, value in enumerate(gain) if value >= _NEARLY * max(gain)]
        chosen = min(good, key=lambda i: (visited.get(tree.scene.things[free[i]].die, 0), i))
        die = tree.scene.things[free[chosen]].die
        visited[die] = visited.get(die, 0) + 1
        along = inverse @ rows[chosen]
        inverse -= np.outer(along, along) / (1 + rows[chosen] @ along)
        taken.add((free[chosen], k))
        found.append((free[chosen], index, k))
    return found


@dataclass(frozen=True, slots=True)
class _Scale:
    """Ranges over which effects are scaled to -1 .. 1 (radius and split: to 1)."""

    density: tuple[float, float]
    master: tuple[float, float]
    radius: float
    split: float

    @classmethod
    def of(
        cls, density: Sequence[float], master: Sequence[float], radius: Sequence[float],
        split: Sequence[float],
    ) -> _Scale:  # fmt: skip
        def span(values: Sequence[float], digits: int) -> tuple[float, float]:
            low, high = round(min(values), digits), round(max(values), digits)
            return (low + high) / 2, max((high - low) / 2, 10.0**-digits)

        return cls(
            span(density, 2), span(master, 1), max(*radius, 1.0) if radius else 1.0,
            max(*(abs(s) for s in split), 1e-9) if split else 1.0,
        )  # fmt: skip

    def row(
        self, density: float, master: float, radius: float, order: float, split: float
    ) -> list[float]:
        rho = (round(density, 2) - self.density[0]) / self.density[1]
        d = (master - self.master[0]) / self.master[1]
        u, t = radius / self.radius, 2 * order - 1
        return [1.0, rho, d, rho * d, u * u, u, t, t * t, split / self.split]


def _stride(count: int) -> int:
    """A step that visits every one of `count` picks before it repeats, far from 1."""
    for step in range(max(1, round(count * 0.618)), count + 1):
        if math.gcd(step, count) == 1:
            return step
    return 1


# --- how well the sites tell effects apart ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Separation:
    """Condition number of the fit of the named effects, and the effects that no site varies."""

    condition: float
    effects: tuple[str, ...]
    constant: tuple[str, ...]


def separation(sites: Sequence[SemSite]) -> Separation:
    """How well the sites of the base dose tell effects apart; infinite where two of them are tied."""
    at_dose = [site for site in sites if site.dose == 1]
    values: dict[str, FloatArray] = {
        "density": np.array([site.density or 0.0 for site in at_dose]),
        "diameter": np.array([site.master_nm for site in at_dose]),
        "radius": np.array([float(site.x) ** 2 + float(site.y) ** 2 for site in at_dose]),
        "order": np.array([site.order for site in at_dose]),
        "split": np.array([site.split_nm for site in at_dose]),
    }
    # less than this is no variation: a die's own size, the rounding of a density
    least = {"density": 0.02, "diameter": 1.0, "radius": 0.0, "order": 1e-9, "split": 1e-9}
    columns: dict[str, FloatArray] = {}
    constant = []
    for name, value in values.items():
        span = float(np.ptp(value)) if len(value) else 0.0
        if name == "radius":
            span = span if len({(site.col, site.row) for site in at_dose}) > 1 else 0.0
        if span <= least[name]:
            constant.append(name)
        else:
            columns[name] = (value - (value.min() + value.max()) / 2) * 2 / span
    if "density" in columns and "diameter" in columns:
        columns["density x diameter"] = columns["density"] * columns["diameter"]
    rows = np.stack([np.ones(len(at_dose)), *columns.values()], axis=1)
    if len(rows) < rows.shape[1]:
        return Separation(math.inf, tuple(columns), tuple(constant))
    values_of = np.linalg.svd(rows / np.linalg.norm(rows, axis=0), compute_uv=False)
    condition = float(values_of[0] / values_of[-1]) if values_of[-1] > 1e-12 else math.inf
    return Separation(condition, tuple(columns), tuple(constant))


def pillars_per_site(scatter_nm: float = SCATTER_NM, wanted_nm: float = WANTED_ERROR_NM) -> int:
    """How many pillars of one drawn size to measure around a site: (scatter / standard error)^2."""
    return max(1, math.ceil((scatter_nm / wanted_nm) ** 2 - 1e-9))


# --- which pillars --------------------------------------------------------------------------------


def _picks(variant: Variant) -> list[_Pick]:
    """Pillars of a variant that span its masters and, for a lens, its radius."""
    if variant.design.kind == "pad":
        return _pad_picks(variant)
    # A few places from the axis to the rim, several sizes close together at each, so that size and
    # radius are not tied and the local density is summed over few blocks.
    part, lattice, domain = variant.part, variant.design.lattice, variant.design.domain
    inner = math.isqrt(domain.inner2) if isinstance(domain, Circle) else max(domain.extent)
    places = 5 if variant.design.kind == "lens" else 2
    aims = [0.97 * inner * (turn + 0.15) / places for turn in range(places)]
    aims.append(inner - 2.0 * lattice.pitch_dbu)  # the rim, where density falls to a half
    distances = np.array([_distance(site, lattice) for site in part.sites])
    found: list[_Pick] = []
    for turn, aim in enumerate(aims):
        index = int(np.argmin(np.abs(distances - aim)))
        # the site of the block that lies nearest to the aim, and some 60 x 60 around it
        whole = part.sites[index].window
        rows, cols = _filled(part.sites[index])
        x = lattice.x0_dbu + cols * lattice.pitch_dbu + (rows & 1) * lattice.shift_dbu
        y = lattice.y0_dbu + rows * lattice.row_dbu
        nearest = int(np.argmin(np.abs(np.hypot(x, y) - aim)))
        row0 = max(int(rows[nearest]) - 30, whole.row0)
        col0 = max(int(cols[nearest]) - 30, whole.col0)
        window = Window(
            row0,
            col0,
            min(61, whole.row0 + whole.rows - row0),
            min(61, whole.col0 + whole.cols - col0),
        )
        site, masters = part.within(index, window)
        x, y = lattice.sites_dbu(window)
        near = masters
        if isinstance(domain, Circle):  # a collar is not the lens
            near = np.where(x * x + y * y <= domain.inner2, near, 0)
        codes = variant.coder.block(site, masters).codes
        held = np.unique(near)
        held = held[np.flatnonzero(held)]
        if not len(held):
            continue
        for share in (0.05, 0.3, 0.55, 0.8, 1.0):
            master = int(held[int(((share + 0.17 * turn) % 1.01) * (len(held) - 1) + 0.5)])
            where = np.argwhere(near == master)
            row, col = where[len(where) // 2]
            found.append(_Pick(int(x[row, col]), int(y[row, col]), master, int(codes[row, col])))
    return list(dict.fromkeys(found))


def _filled(site: Site) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of every sixteenth site of every sixteenth row of a block; of all where none is met."""
    lo, hi = site.runs
    for step in (16, 1):
        inside = np.arange(0, site.window.cols, step)
        held = (inside >= lo[::step, None]) & (inside < hi[::step, None])
        rows, cols = np.nonzero(held)
        if len(rows):
            break
    return site.window.row0 + rows * step, site.window.col0 + cols * step


def _pad_picks(variant: Variant) -> list[_Pick]:
    """Of each size the pillar in the middle of its square, and of uniform squares one at the edge."""
    part, lattice, masters = variant.part, variant.design.lattice, variant.design.masters
    sites: dict[int, list[NDArray[np.int64]]] = {}
    for task in variant.blocks():
        block, codes = part.block(task.index), task.codes().codes
        x, y = lattice.sites_dbu(part.sites[task.index].window)
        for master in np.unique(block[block > 0]).tolist():
            if not masters.fixed[master - 1]:
                at = block == master
                held = np.stack([x[at], y[at], codes[at].astype(np.int64)])
                sites.setdefault(master, []).append(held)
    found = []
    for master, parts in sorted(sites.items()):
        x, y, code = np.concatenate(parts, axis=1)
        middle = (x.min() + x.max()) / 2, (y.min() + y.max()) / 2
        aims = [middle]
        if not masters.fixed.any():
            aims.append((middle[0], float(y.min())))  # density is half of that in the middle
        for aim in aims:
            k = int(np.argmin(np.hypot(x - aim[0], y - aim[1])))
            found.append(_Pick(int(x[k]), int(y[k]), master, int(code[k])))
    return list(dict.fromkeys(found))


def _distance(site: Site, lattice: Lattice) -> float:
    """How far the middle of a block lies from the axis."""
    w = site.window
    return math.hypot(
        lattice.x_dbu(w.row0, w.col0 + w.cols // 2), lattice.y_dbu(w.row0 + w.rows // 2)
    )


def density_as_drawn(
    variant: Variant, exposed: Exposed, tree: Tree, picks: Sequence[_Pick]
) -> FloatArray:
    """Local density at the picks from the sizes that are drawn, split and rounding included."""
    if not exposed.terms or not picks:
        return np.zeros(len(picks))
    design = variant.design
    part = variant.part
    ladder = design.ladder
    diameter = np.array([ladder.diameter_nm(code) for code in range(1, ladder.count + 1)])
    share = np.concatenate([[0.0], math.pi / 4 * diameter**2 / design.site_area_nm2])
    x = np.array([float(pick.x) for pick in picks])
    y = np.array([float(pick.y) for pick in picks])
    if exposed.background or not sum_is_cheaper(part, exposed.reach_dbu, len(picks)):
        found = _from_raster(variant, exposed, tree, picks, share)
    else:
        found = density_sum(
            part, lambda site, masters: variant.coder.block(site, masters).codes,
            share * part.lattice.site_area_dbu2, exposed.terms, exposed.reach_dbu, np.stack([x, y], axis=1),
        )  # fmt: skip
    if variant.surrounding.added is not None:
        found += variant.surrounding.added.at_points(x, y)
    return found


def _from_raster(
    variant: Variant, exposed: Exposed, tree: Tree, picks: Sequence[_Pick], share: FloatArray
) -> FloatArray:
    """What the variant's own shapes, or its frame less its shapes, add at the picks; share of the site by code."""
    design, part = variant.design, variant.part
    raster = PartRaster(part, exposed.terms, float(tree.plan.frame_width_dbu or 0))
    area = np.floor(share * AREA_UNIT + 0.5).astype(np.int32)
    table = packed(np.minimum(area, 2 * AREA_UNIT - 1), np.zeros_like(area))[None, :]
    reach = exposed.reach_dbu + 2 * max(raster.grid.hx, raster.grid.hy)
    turned = np.array([_images(pick, variant) for pick in picks], dtype=np.float64).reshape(-1, 2)
    near = [
        index
        for index, site in enumerate(part.sites)
        if len(points_near(design.lattice, site.window, turned, reach))
    ]

    def drawn(
        site: Site,
        masters: MasterArray,
        window: tuple[slice, slice],
        out: Sequence[FloatArray],
    ) -> None:
        codes = variant.coder.block(site, masters).codes
        raster.deposit(table, site, codes, window, out)

    fill: FloatArray = raster.fill(raster.gather(near, 1, drawn)[0]).astype(np.float64)
    if exposed.background:
        own = design.frame(tree.plan.frame_width_dbu or 0)
        fill = deposit_polygons([own], raster.grid) - fill
    coef = raster.convolver(fill)
    x = np.array([float(pick.x) for pick in picks])
    y = np.array([float(pick.y) for pick in picks])
    return field_at_points(coef, raster.grid, x, y)


def _images(pick: _Pick, variant: Variant) -> list[tuple[int, int]]:
    """A pick under every symmetry of its part: blocks near any of these count for its density."""
    x, y = pick.x, pick.y
    if variant.surrounding.symmetry == "whole":
        return [(x, y)]
    signs = [(x, y), (-x, y), (x, -y), (-x, -y)]
    return signs + [(b, a) for a, b in signs]


def sem_csv(
    sites: Sequence[SemSite], stages: Sequence[str], *, job: str, title: str, dbu_nm: float
) -> str:
    """The file for the SEM operator: what is known filled in, what is measured left empty."""
    lines = [f"# job: {title} {job}", ",".join(SEM_COLUMNS)]
    mm = dbu_nm * 1e-6
    for stage in stages:
        for number, site in enumerate(sites, start=1):
            radius = "" if site.lens_radius_um is None else f"{site.lens_radius_um:.4f}"
            density = "" if site.density is None else f"{site.density:.5f}"
            lines.append(
                f"S{number:03d},{stage},{site.die},{site.col},{site.row},{site.x * mm:.7f},"
                f"{site.y * mm:.7f},{site.feature},{radius},{site.target_nm:.4f},"
                f"{site.master_nm:.4f},{site.split_nm:g},{site.drawn_nm:.4f},{density},,,,,"
            )
    return "\n".join(lines) + "\n"
