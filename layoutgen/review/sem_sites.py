"""Where to measure: pillars for the SEM that span diameter, density and wafer radius.

Pads give every diameter at known densities, lenses give what the optics will use, and dies from
the centre to the rim give the wafer radius, each combined with the others so that none is tied to
another. Every stage (resist, master, each replication step) lists the same pillars.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from layoutgen.exposure.coverage import deposit_polygons
from layoutgen.exposure.part import MasterArray, Site
from layoutgen.exposure.raster import AREA_UNIT, field_at_points, packed
from layoutgen.exposure.solve import Exposed, PartRaster
from layoutgen.lattice import Lattice
from layoutgen.layout.tree import Tree, Variant

__all__ = ["SEM_COLUMNS", "SemSite", "sem_csv", "sem_sites"]

FloatArray = NDArray[np.float64]

SEM_COLUMNS = (
    "site", "stage", "die", "col", "row", "x_mm", "y_mm", "feature", "lens_radius_um", "target_nm",
    "master_nm", "split_nm", "drawn_nm", "density", "measured_nm", "sigma_nm", "count",
    "edge_method", "note",
)  # fmt: skip

#: Sites per stage: a mean within 0.7 nm at 3 nm scatter (1.96 sigma / sqrt(n)), and room for a dozen
#: density patches beside the lens.
WANTED = 72


@dataclass(frozen=True, slots=True)
class SemSite:
    """One pillar: its die, its place on the wafer as written (database units), its sizes in nm."""

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


@dataclass(frozen=True, slots=True)
class _Pick:
    """A pillar of a variant, from its axis in database units."""

    x: int
    y: int
    master: int
    code: int


def sem_sites(tree: Tree, exposed: Exposed, dbu_nm: float, wanted: int = WANTED) -> list[SemSite]:
    """Pillars to measure, in the order in which the stage would meet them (die by die)."""
    things = tree.scene.things
    dies = tree.plan.dies
    by_variant: dict[int, list[int]] = {}
    for number, index in tree.variant_of.items():
        by_variant.setdefault(index, []).append(number)
    if not by_variant:
        return []
    picks = {index: _picks(tree.variants[index]) for index in by_variant}
    densities: dict[int, FloatArray] = {}
    spread = {index: _spread(by_variant[index], tree) for index in by_variant}
    share = _shares(tree, picks, spread, wanted)
    chosen: set[tuple[int, int]] = set()  # thing, number of the pick
    for index, total in share.items():
        count, places = len(picks[index]), spread[index]
        stride = _stride(count)
        # every pick on its own die first, so that neither sizes nor radii are tied to dies
        for k in range(total):
            turn, rest = divmod(k, count)
            chosen.add((places[(k + turn) % len(places)], (rest * stride) % count))
    ordered = sorted(chosen, key=lambda c: (things[c[0]].die, c[0], c[1]))
    found = []
    for number, pick_number in ordered:
        index = tree.variant_of[number]
        variant = tree.variants[index]
        if index not in densities:
            densities[index] = density_as_drawn(variant, exposed, tree, picks[index])
        pick, thing = picks[index][pick_number], things[number]
        die = dies[thing.die]
        masters = variant.design.masters
        split = 0.0 if masters.fixed[pick.master - 1] else variant.split_nm
        x, y = thing.x + pick.x, thing.y + pick.y
        found.append(
            SemSite(
                die.name, die.col, die.row, x, y, variant.design.name,
                math.hypot(pick.x, pick.y) * dbu_nm * 1e-3 if variant.design.kind == "lens" else None,
                float(masters.target_nm[pick.master - 1]),
                float(masters.master_nm[pick.master - 1]), split,
                variant.design.ladder.diameter_nm(pick.code),
                float(densities[index][pick_number]) if exposed.terms else None,
            )
        )  # fmt: skip
    return found


def _stride(count: int) -> int:
    """A step that visits every one of `count` picks before it repeats, far from 1."""
    for step in range(max(1, round(count * 0.618)), count + 1):
        if math.gcd(step, count) == 1:
            return step
    return 1


def _shares(
    tree: Tree, picks: dict[int, list[_Pick]], spread: dict[int, list[int]], wanted: int
) -> dict[int, int]:
    """Sites for each variant: features in turn, and within a feature its variants in turn.

    The lens that is written most gets three turns to one of the others, since its pillars are
    what the light will see.
    """
    features: dict[str, list[int]] = {}
    for index in picks:
        if picks[index]:
            features.setdefault(tree.variants[index].design.name, []).append(index)
    lenses = [f for f, held in features.items() if tree.variants[held[0]].design.kind == "lens"]
    room = {index: len(picks[index]) * len(spread[index]) for index in picks}
    most = max(
        lenses, key=lambda f: sum(tree.variants[i].placed for i in features[f]), default=None
    )
    given = dict.fromkeys(picks, 0)
    left = min(wanted, sum(room.values()))
    while left > 0:
        before = left
        for feature, held in features.items():
            for _ in range(3 if feature == most else 1):
                free = [index for index in held if given[index] < room[index]]
                if free and left:
                    # in a pad the patches take turns, of a lens the plain one goes first
                    least = min(free, key=lambda i: (given[i], tree.variants[i].split_nm != 0))
                    given[least] += 1
                    left -= 1
        if left == before:
            break
    return {index: count for index, count in given.items() if count}


def _spread(numbers: Sequence[int], tree: Tree) -> list[int]:
    """Up to five things of a variant, from the wafer's centre to its rim."""
    things, dies = tree.scene.things, tree.plan.dies
    ranked = sorted(
        numbers, key=lambda n: (math.hypot(dies[things[n].die].x, dies[things[n].die].y), n)
    )
    count = min(5, len(ranked))
    at = [round(k * (len(ranked) - 1) / max(1, count - 1)) for k in range(count)]
    return [ranked[k] for k in dict.fromkeys(at)]


def _picks(variant: Variant) -> list[_Pick]:
    """Pillars of a variant that span its masters and, for a lens, its radius."""
    part = variant.part
    lattice = variant.design.lattice
    found: list[_Pick] = []
    if variant.design.kind == "pad":
        best: dict[int, tuple[float, _Pick]] = {}
        for task in variant.blocks():
            masters, codes = part.block(task.index), task.codes().codes
            x, y = lattice.sites_dbu(part.sites[task.index].window)
            for master in np.unique(masters[masters > 0]).tolist():
                if variant.design.masters.fixed[master - 1]:
                    continue
                where = np.argwhere(masters == master)
                px, py = x[tuple(where.T)], y[tuple(where.T)]
                # nearest to the middle of its square: the density there is the pad's own
                middle = (px.min() + px.max()) / 2, (py.min() + py.max()) / 2
                distance = np.hypot(px - middle[0], py - middle[1])
                k = int(np.argmin(distance))
                row, col = where[k]
                pick = _Pick(int(px[k]), int(py[k]), master, int(codes[row, col]))
                score = float(-len(where))
                if master not in best or score < best[master][0]:
                    best[master] = (score, pick)
        return [best[master][1] for master in sorted(best)]
    # A few places from the axis to the rim, several sizes close together at each, so that size and
    # radius are not tied and the local density is summed over few blocks.
    half = max(variant.design.domain.extent)
    places = 5 if variant.design.kind == "lens" else 2
    distances = np.array([_distance(site, lattice) for site in part.sites])
    for turn in range(places):
        aim = 0.97 * half * (turn + 0.15) / places
        index = int(np.argmin(np.abs(distances - aim)))
        site, masters = part.sites[index], part.block(index)
        # the site of the block that lies nearest to the aim, and some 60 x 60 around it
        filled = np.argwhere(masters[::16, ::16]) * 16
        if not len(filled):
            filled = np.argwhere(masters)
        x, y = lattice.sites_dbu(site.window)
        off = np.abs(np.hypot(*(a[filled[:, 0], filled[:, 1]] for a in (x, y))) - aim)
        row0, col0 = np.maximum(filled[int(np.argmin(off))] - 30, 0)
        cut = (slice(int(row0), int(row0) + 61), slice(int(col0), int(col0) + 61))
        x, y, near = x[cut], y[cut], masters[cut]
        codes = variant.coder.block(site, masters).codes[cut]
        held = np.unique(near)
        held = held[np.flatnonzero(held)]
        for share in (0.05, 0.3, 0.55, 0.8, 1.0):
            master = int(held[int(((share + 0.17 * turn) % 1.01) * (len(held) - 1) + 0.5)])
            where = np.argwhere(near == master)
            row, col = where[len(where) // 2]
            found.append(_Pick(int(x[row, col]), int(y[row, col]), master, int(codes[row, col])))
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
    raster = PartRaster(part, exposed.terms, float(tree.plan.frame_width_dbu or 0))
    ladder = design.ladder
    diameter = np.array([ladder.diameter_nm(code) for code in range(1, ladder.count + 1)])
    area = np.concatenate(
        [[0.0], np.floor(math.pi / 4 * diameter**2 / design.site_area_nm2 * AREA_UNIT + 0.5)]
    ).astype(np.int32)
    table = packed(np.minimum(area, 2 * AREA_UNIT - 1), np.zeros_like(area))[None, :]
    reach = exposed.reach_dbu + 2 * max(raster.grid.hx, raster.grid.hy)
    turned = np.array([_images(pick, variant) for pick in picks], dtype=np.float64).reshape(-1, 2)
    near = [
        index
        for index, site in enumerate(part.sites)
        if _touches(site, design.lattice, turned, reach)
    ]

    def drawn(
        site: Site,
        masters: MasterArray,
        window: tuple[slice, slice],
        out: Sequence[FloatArray],
    ) -> None:
        codes = variant.coder.block(site, masters).codes
        raster.deposit(table, 1.0, site, codes, window, out)

    fill: FloatArray = raster.fill(raster.gather(near, 2, 1, drawn)[0]).astype(np.float64)
    if exposed.background:
        own = design.frame(tree.plan.frame_width_dbu or 0)
        fill = deposit_polygons([own], raster.grid) - fill
    coef = raster.convolver(fill)
    x = np.array([float(pick.x) for pick in picks])
    y = np.array([float(pick.y) for pick in picks])
    found = field_at_points(coef, raster.grid, x, y)
    if not variant.surrounding.lone:
        found += np.diagonal(variant.surrounding.added_at(x, y))
    return found


def _images(pick: _Pick, variant: Variant) -> list[tuple[int, int]]:
    """A pick under every symmetry of its part: blocks near any of these count for its density."""
    x, y = pick.x, pick.y
    if variant.surrounding.symmetry == "whole":
        return [(x, y)]
    signs = [(x, y), (-x, y), (x, -y), (-x, -y)]
    return signs + [(b, a) for a, b in signs]


def _touches(site: Site, lattice: Lattice, places: FloatArray, reach: float) -> bool:
    """Whether a block has sites within reach of any of the places."""
    w = site.window
    x0, x1 = lattice.x_dbu(0, w.col0), lattice.x_dbu(1, w.col0 + w.cols)
    y0, y1 = lattice.y_dbu(w.row0), lattice.y_dbu(w.row0 + w.rows)
    dx = np.maximum(np.maximum(x0 - places[:, 0], places[:, 0] - x1), 0.0)
    dy = np.maximum(np.maximum(y0 - places[:, 1], places[:, 1] - y1), 0.0)
    return bool((np.hypot(dx, dy) <= reach).any())


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
