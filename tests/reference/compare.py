"""Holds a written job against the slow model, pillar by pillar.

The files are read with gdstk, flattened to polygons, and matched by centre and layer. A drawn
size passes when it is the model's, or when the model's unrounded size could have fallen on the
other side of a rounding boundary within the stated accuracy of the density, or when another
candidate's merit lies within 1e-4 of the best. Everything else is wrong.

Lengths in nm; one database unit is 1 nm.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from dataclasses import dataclass, field, replace
from math import cos, floor, pi, sin
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from tests.reference.slow_model import (
    SIDE,
    Part,
    Seen,
    Solution,
    all_doses,
    kernel,
    layer_of,
    load,
    mirrored,
    place_dies,
    quantity,
    scale_of,
    solve,
    steps,
    written,
)

__all__ = [
    "Report", "check_best", "compare", "count_dies", "manifest_problems", "octagon", "octagon_area2", "read_layout",
]  # fmt: skip

Ints = NDArray[np.int64]
Floats = NDArray[Any]

#: what the density of a lone part may be off, and one whose surroundings are rounded to 1e-3
ALONE, SURROUNDED = 5e-4, 1.1e-3
SIZE_SLACK = 1e-6  # nm, for the last digits of two roundings of the same formula


@dataclass
class Shapes:
    """All polygons of one layer: centre, twice the area, corners, and the points themselves."""

    x: Ints
    y: Ints
    area2: Ints
    corners: Ints
    points: list[Ints]

    def joined(self, more: Shapes) -> Shapes:
        x, y, area2, corners = (
            np.concatenate([getattr(self, name), getattr(more, name)])
            for name in ("x", "y", "area2", "corners")
        )
        return Shapes(x, y, area2, corners, self.points + more.points)


@dataclass
class Report:
    sites: int = 0
    exact: int = 0
    by_density: int = 0
    by_tie: int = 0
    wrong: list[str] = field(default_factory=list)
    wrong_count: int = 0
    density_error: float = 0.0  # the largest that a differing size implies
    notes: list[str] = field(default_factory=list)
    solution: Solution | None = None
    drawn: dict[int, Floats] = field(default_factory=dict)  # part number -> drawn in the file

    def line(self) -> str:
        return (
            f"{self.sites} sites, {self.exact} exact, {self.by_density} within the density's "
            f"accuracy (largest implied error {self.density_error:.1e}), {self.by_tie} merit ties, "
            f"{self.wrong_count} wrong"
        )

    def fail(self, text: str, count: int = 1) -> None:
        self.wrong_count += count
        if len(self.wrong) < 30:
            self.wrong.append(text)


# --- the file -----------------------------------------------------------------------------------


def read_layout(path: Path) -> dict[tuple[int, int], Shapes]:
    """Every polygon of the flattened file, in whole nm, by (layer, datatype)."""
    read = gdstk.read_oas if path.suffix == ".oas" else gdstk.read_gds
    library = read(str(path), unit=1e-9)
    found: dict[tuple[int, int], list[Ints]] = {}
    for top in library.top_level():
        assert isinstance(top, gdstk.Cell)
        for polygon in top.get_polygons(include_paths=True):
            points = np.rint(polygon.points).astype(np.int64)
            if np.abs(points - polygon.points).max() > 1e-4:
                raise AssertionError(f"{path.name}: a vertex is off the 1 nm grid")
            found.setdefault((polygon.layer, polygon.datatype), []).append(points)
    layers = {}
    for layer, polygons in found.items():
        low = np.array([p.min(axis=0) for p in polygons])
        high = np.array([p.max(axis=0) for p in polygons])
        area2 = []
        for p in polygons:
            q = p - p[0]
            n = np.roll(q, -1, axis=0)
            area2.append(abs(int((q[:, 0] * n[:, 1] - q[:, 1] * n[:, 0]).sum())))
        # a pillar's box has an even width, so that its centre is on the grid
        layers[layer] = Shapes(
            (low[:, 0] + high[:, 0]) // 2, (low[:, 1] + high[:, 1]) // 2,
            np.array(area2), np.array([len(p) for p in polygons]), polygons,
        )  # fmt: skip
    return layers


def octagon(diameter_nm: float, grid_nm: float = 1) -> tuple[int, int]:
    """Whole a, b of the octagon (+-a, +-b), (+-b, +-a) of the area nearest to the disc's.

    Both on the address grid and within 2 of its steps of the regular octagon's rounded values.
    """
    if grid_nm != 1:
        a, b = octagon(diameter_nm / grid_nm)
        return round(a * grid_nm), round(b * grid_nm)
    wanted = pi * diameter_nm**2 / 4
    # regular octagon of equal area: 2 sqrt2 R^2, corners at R cos and sin of 22.5 degrees
    radius = (wanted / (2 * 2**0.5)) ** 0.5
    a0, b0 = round(radius * cos(pi / 8)), round(radius * sin(pi / 8))
    pairs = [(a, b) for a in range(a0 - 2, a0 + 3) for b in range(b0 - 2, b0 + 3) if 0 < b < a]
    return min(pairs, key=lambda ab: abs(4 * ab[0] ** 2 - 2 * (ab[0] - ab[1]) ** 2 - wanted))


def octagon_area2(diameter_nm: float, grid_nm: float = 1) -> int:
    """Twice the area of that octagon."""
    a, b = octagon(diameter_nm, grid_nm)
    return 2 * (4 * a * a - 2 * (a - b) ** 2)


def rung_areas(recipe: dict[str, Any], part: Part) -> Floats:
    """Area in nm^2 that each rung's polygon should have."""
    vertices = _vertices(recipe, part)
    grid = quantity(recipe["exposure"].get("address_grid", "1 nm"))
    rungs = part.pillars.rungs_nm
    if vertices == 4:
        return np.asarray((rungs * SIDE) ** 2)
    if vertices == 8:
        return np.array([octagon_area2(d, grid) / 2 for d in rungs])
    return np.asarray(pi * rungs**2 / 4)


# --- what the recipe leaves open ----------------------------------------------------------------


def _clusters(x: Ints, y: Ints, reach: float) -> list[Ints]:
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(reach, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(x), len(x)))
    count, label = connected_components(graph, directed=False)
    return [np.nonzero(label == k)[0] for k in range(count)]


def count_dies(ox: Floats, oy: Floats, pitch: tuple[float, float], radius: float) -> Ints:
    """Whole dies inside `radius` for each grid offset (broadcast), touching allowed."""
    ox, oy = np.broadcast_arrays(np.asarray(ox, dtype=float), np.asarray(oy, dtype=float))
    total = np.zeros(ox.shape, dtype=np.int64)
    m = int(radius / pitch[1]) + 2
    for k in range(-m, m + 1):
        fy = np.abs(oy + k * pitch[1]) + pitch[1] / 2
        left = radius**2 - fy**2
        half = np.sqrt(np.maximum(left, 0)) - pitch[0] / 2
        count = np.floor((half - ox) / pitch[0]) - np.ceil((-half - ox) / pitch[0]) + 1
        total += np.where((left >= 0) & (half >= 0), np.maximum(count, 0), 0).astype(np.int64)
    return total


def lost_dies(
    recipe: dict[str, Any], ox: Floats, oy: Floats, pitch: tuple[float, float], radius: float
) -> Ints:
    """Whole dies that keep-outs take, for each grid offset; lengths on the part, before mirroring."""
    grow = 1 + scale_of(recipe)
    lost = np.zeros(np.broadcast_shapes(ox.shape, oy.shape), dtype=np.int64)
    barred = [
        (*(quantity(v) for v in z["at"]), *(quantity(v) / 2 * grow for v in z["size"]))
        for z in recipe["wafer"].get("keep_out", [])
    ]
    if not barred:
        return lost
    n, m = int(radius / pitch[0]) + 2, int(radius / pitch[1]) + 2
    for kx in range(-n, n + 1):
        for ky in range(-m, m + 1):
            x, y = ox + kx * pitch[0], oy + ky * pitch[1]
            far = (np.abs(x) + pitch[0] / 2) ** 2 + (np.abs(y) + pitch[1] / 2) ** 2
            over = np.zeros(lost.shape, dtype=bool)
            for at_x, at_y, half_x, half_y in barred:
                over |= (np.abs(x - at_x) < half_x + pitch[0] / 2) & (
                    np.abs(y - at_y) < half_y + pitch[1] / 2
                )
            lost += (far <= radius**2) & over
    return lost


def check_best(recipe: dict[str, Any], at: tuple[int, int], report: Report) -> None:
    """No offset on a fine net holds more dies, none nearer to (0, 0) holds as many."""
    wafer = recipe["wafer"]
    pitch = (quantity(wafer["die_pitch"][0]), quantity(wafer["die_pitch"][1]))
    radius = quantity(wafer["diameter"]) / 2 - quantity(wafer.get("edge_exclusion", 0))
    radius *= 1 + scale_of(recipe)  # the wafer is the master's, the pitch the part's
    if wafer.get("keep_out") and scale_of(recipe):
        return  # their edges then fall between database units, where a count may go either way

    def held(ox: Floats, oy: Floats) -> Ints:
        return count_dies(ox, oy, pitch, radius) - lost_dies(recipe, ox, oy, pitch, radius)

    ours = int(held(np.array(float(at[0])), np.array(float(at[1]))))
    x = np.rint(np.linspace(-pitch[0] / 2, pitch[0] / 2 - 1, 601))[None, :]
    y = np.rint(np.linspace(-pitch[1] / 2, pitch[1] / 2 - 1, 601))[:, None]
    net = held(x, y)
    if net.max() > ours:
        report.fail(f"grid offset {at} holds {ours} dies, another holds {net.max()}")
    distance = float(np.hypot(*at))
    near = np.hypot(x, y) < distance - 1.5
    if bool((near & (net >= ours)).any()):
        report.fail(f"grid offset {at} is not the one nearest to the die's centre")
    # and on circles just inside the one that was found
    for inside in (1.0, 2.0, 5.0, 20.0, 100.0):
        if distance > inside:
            a = np.linspace(0, 2 * pi, 20001)
            cx, cy = (
                np.trunc((distance - inside) * np.cos(a)),
                np.trunc((distance - inside) * np.sin(a)),
            )
            if int(held(cx, cy).max()) >= ours:
                report.fail(
                    f"grid offset {at}: as many dies {inside} nm nearer to the die's centre"
                )
                break


def observe(
    recipe: dict[str, Any], layers: dict[tuple[int, int], Shapes], job: Path, report: Report
) -> Seen:
    """Letter forms, pads and the grid offset of the written job, checked as far as the recipe says."""
    seen = Seen()
    shapes = layers.get(layer_of(recipe, "labels"))
    if shapes is not None:
        whole = unary_union([Polygon(p) for p in shapes.points])
        seen.labels = list(getattr(whole, "geoms", [whole]))
    manifest = json.loads((job / "manifest.json").read_text())
    if recipe["wafer"].get("grid_offset", "best") == "best":
        with (job / "dies.csv").open() as lines:
            rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
        s = (1 + scale_of(recipe)) * (-1 if mirrored(recipe) else 1)
        pitch = [quantity(p) for p in recipe["wafer"]["die_pitch"]]
        x = round(float(rows[0]["x_mm"]) * 1e6 * s) - int(rows[0]["col"]) * pitch[0]
        y = round(float(rows[0]["y_mm"]) * 1e6 * abs(s)) - int(rows[0]["row"]) * pitch[1]
        # the die that holds the centre may be the one to the right of the offset's own
        at = (
            floor(x + 0.5) - (round(pitch[0]) if 2 * x >= pitch[0] else 0),
            floor(y + 0.5) - (round(pitch[1]) if 2 * y >= pitch[1] else 0),
        )
        seen.offset_nm = at
        check_best(recipe, at, report)
    for name, facts in manifest["lenses"].items():
        step = facts["phase_offset_rad"] / (2 * pi) * 256
        if abs(step - round(step)) > 1e-6 * 256:
            report.fail(
                f"lens {name}: phase offset {facts['phase_offset_rad']} is no 256th of a turn"
            )
        seen.phase_steps[name] = round(step)
    _observe_pads(recipe, layers, seen, report)
    return seen


def _observe_pads(
    recipe: dict[str, Any], layers: dict[tuple[int, int], Shapes], seen: Seen, report: Report
) -> None:
    base = layer_of(recipe, "pads")
    items = [item for die in recipe["dies"].values() for item in die if "pad" in item]
    doses = [all_doses(recipe).index(float(i["dose"])) + 1 for i in items if i.get("dose", 1) != 1]
    types = {base[1], *(base[1] + 100 + k for k in doses)}
    shapes = [s for (n, d), s in layers.items() if n == base[0] and d in types]
    shapes = [s for s in shapes if len(s.x)]
    if not shapes:
        return
    x = np.concatenate([s.x for s in shapes])
    y = np.concatenate([s.y for s in shapes])
    drawn = np.sqrt(np.concatenate([s.area2 for s in shapes]) / 2 * 4 / pi)
    pads = {p["name"]: p for p in recipe.get("pads", [])}
    places = []
    for die in place_dies(recipe, seen):
        for k, item in enumerate(recipe["dies"][die.name]):
            if "pad" in item:
                dx, dy = written(recipe, quantity(item["at"][0]), quantity(item["at"][1]))
                places.append(((die.col, die.row, k), pads[item["pad"]], die.x + dx, die.y + dy))
    if not places:
        return
    pitches = [steps(recipe, p[1].get("lattice") or recipe["lattice"])[0] for p in places]
    clusters = _clusters(x, y, 1.6 * max(pitches))
    owned: dict[int, list[Ints]] = {}
    for c in clusters:
        cx, cy = (x[c].min() + x[c].max()) / 2, (y[c].min() + y[c].max()) / 2
        nearest = min(
            range(len(places)), key=lambda k: max(abs(cx - places[k][2]), abs(cy - places[k][3]))
        )
        owned.setdefault(nearest, []).append(c)
    for number, (key, spec, px, py) in enumerate(places):
        mine = owned.get(number, [])
        if not mine:
            report.fail(f"pad {spec['name']} at {px}, {py}: nothing was written")
            continue
        every = np.concatenate(mine)
        pitch = pitches[number]
        for axis, centre in ((x, px), (y, py)):
            middle = (axis[every].min() + axis[every].max()) / 2
            if abs(middle - centre) > pitch:
                report.fail(f"pad {spec['name']}: its middle is at {middle}, wanted {centre}")
        if spec["kind"] == "uniform":
            master = _uniform(recipe, spec, x[every], y[every], px, pitch, report)
            fixed = np.zeros(len(every), dtype=bool)
        else:
            master, fixed = _density_pad(recipe, spec, x, y, drawn, mine, pitch, report)
        seen.pads[key] = (x[every], y[every], master, fixed)


def _uniform(
    recipe: dict[str, Any], spec: dict[str, Any], x: Ints, y: Ints, px: int, pitch: float, report: Report
) -> Floats:  # fmt: skip
    """Masters of a row of squares around px: on the part from left to right, each with its left edge."""
    diameters = [quantity(d) for d in spec["diameters"]]
    if (spec.get("pillars") or recipe["pillars"]).get("vertices") == 4:
        diameters = [d / SIDE for d in diameters]
    size = quantity(spec["size"])
    along = (px - x if mirrored(recipe) else x - px) + len(diameters) * size / 2
    which = np.floor(along / size).astype(int)
    if which.min() < 0 or which.max() >= len(diameters):
        report.fail(f"pad {spec['name']}: pillars outside of its squares")
        which = np.clip(which, 0, len(diameters) - 1)
    for k in range(len(diameters)):
        here = which == k
        for axis in (x, y):
            extent = axis[here].max() - axis[here].min() + pitch
            if abs(extent - size) > 1.01 * pitch:
                report.fail(f"pad {spec['name']}, square {k}: {extent} nm wide, wanted {size}")
    return np.asarray(np.array(diameters)[which])


def _density_pad(
    recipe: dict[str, Any], spec: dict[str, Any], x: Ints, y: Ints, drawn: Floats, mine: list[Ints],
    pitch: float, report: Report,
) -> tuple[Floats, NDArray[np.bool_]]:  # fmt: skip
    probes = [quantity(d) for d in spec["probes"]]
    if (spec.get("pillars") or recipe["pillars"]).get("vertices") == 4:
        probes = [d / SIDE for d in probes]
    if mirrored(recipe):
        probes = probes[::-1]
    lattice = spec.get("lattice") or recipe["lattice"]
    hexagonal, row_nm = lattice["kind"] == "hexagonal", steps(recipe, lattice)[1]
    beta = max(t.range_nm for t in kernel(recipe) if t.range_nm <= 50e3)
    side = max((n for n in (11, 9, 7) if n * pitch <= beta), default=5)
    wanted = len(probes) * len(spec["densities"])
    if len(mine) != wanted:
        report.fail(f"pad {spec['name']}: {len(mine)} patches, wanted {wanted}")
    middles = np.array([[(a[c].min() + a[c].max()) / 2 for a in (x, y)] for c in mine])
    columns = np.unique(np.rint(middles[:, 0] / beta))
    rows = np.unique(np.rint(middles[:, 1] / beta))
    gap = [
        float(np.diff(np.sort(np.unique(np.rint(m)))).min()) - 9 * beta
        for m in middles.T
        if len(np.unique(np.rint(m))) > 1
    ]
    if any(abs(g) > 2 * pitch for g in gap):
        report.fail(f"pad {spec['name']}: patches are off 9 ranges from each other by {gap} nm")
    masters, fixed = [], []
    for c, middle in zip(mine, middles, strict=True):
        column = int(np.searchsorted(columns, np.rint(middle[0] / beta)))
        extent = x[c].max() - x[c].min() + pitch
        if abs(extent - 5 * beta) > 1.01 * pitch:
            report.fail(f"pad {spec['name']}: a patch is {extent} nm wide, wanted {5 * beta}")
        # `side` rows of `side` sites; on a hexagonal lattice odd rows begin half a pitch farther right on the part
        at = int(np.argmin(np.hypot(x[c] - middle[0], y[c] - middle[1])))
        row = np.rint((y[c] - y[c][at]) / row_nm).astype(int)
        along = (x[c] - x[c][at]) * (-1 if mirrored(recipe) else 1)
        col = np.rint((along - (row % 2) * hexagonal * pitch / 2) / pitch)
        core = (np.abs(row) <= side // 2) & (np.abs(col) <= side // 2)
        if int(core.sum()) != side * side:
            report.notes.append(f"pad {spec['name']}: core of {int(core.sum())}, not {side}^2")
        around = np.unique(np.round(drawn[c][~core], 6))
        if len(around) != 1:
            report.fail(f"pad {spec['name']}: surround of {len(around)} diameters, wanted one")
        masters.append(np.where(core, probes[min(column, len(probes) - 1)], drawn[c]))
        fixed.append(~core)
    del rows
    return np.concatenate(masters), np.concatenate(fixed)


def check_surrounds(solution: Solution, report: Report) -> None:
    """A rung more or less of the surround would be no nearer to the density that was asked for."""
    recipe = solution.recipe
    pads = {p["name"]: p for p in recipe.get("pads", [])}
    terms = kernel(recipe)
    for part in solution.parts:
        if part.kind != "pad" or pads[part.name]["kind"] != "density":
            continue
        spec = pads[part.name]
        beta = max(t.range_nm for t in terms if t.range_nm <= 50e3)
        clusters = _clusters(part.x, part.y, 1.6 * part.pitch)
        middles = np.array([(part.y[c].min() + part.y[c].max()) / 2 for c in clusters])
        rows = np.unique(np.rint(middles / beta))
        for c, my in zip(clusters, middles, strict=True):
            wanted = sorted(spec["densities"])[int(np.searchsorted(rows, np.rint(my / beta)))]
            mx = (part.x[c].min() + part.x[c].max()) / 2
            centre = c[np.argmin(np.hypot(part.x[c] - mx, part.y[c] - my))]
            every = np.hypot(part.x - part.x[centre], part.y - part.y[centre]).astype(float)
            seen = np.asarray(sum(t.value(every) for t in terms))
            weight = seen[c]
            assert part.fixed is not None
            # the pad's other patches count as well
            beside = np.ones(len(part.x), dtype=bool)
            beside[c] = False
            others = float((seen * pi / 4 * part.exposed_nm**2)[beside].sum())
            around = part.fixed[c]
            d = float(part.master_nm[c][around][0])
            core = others + float((weight * pi / 4 * part.exposed_nm[c] ** 2)[~around].sum())
            ring = float(weight[around].sum()) * pi / 4
            rungs = part.pillars.rungs_nm
            k = int(np.argmin(np.abs(rungs - d)))
            error = [
                abs(core + ring * float(rungs[i]) ** 2 - wanted) if 0 <= i < len(rungs) else np.inf
                for i in (k - 1, k, k + 1)
            ]
            if error[1] > min(error) + ALONE:
                report.fail(
                    f"pad {part.name}: surround of {d:.2f} nm is {error[1]:.5f} from density "
                    f"{wanted}, a neighbouring rung is {min(error):.5f} from it"
                )


# --- the comparison -----------------------------------------------------------------------------


def _vertices(recipe: dict[str, Any], part: Part) -> int:
    for group in ("lenses", "deflectors", "pads"):
        for spec in recipe.get(group, []):
            if spec["name"] == part.name and "pillars" in spec:
                return int(spec["pillars"].get("vertices", 8))
    return int(recipe["pillars"].get("vertices", 8))


def _layer(recipe: dict[str, Any], part: Part, first: int) -> tuple[int, int]:
    doses = all_doses(recipe)
    if part.dose == 1.0:
        return part.layer
    return part.layer[0], part.layer[1] + 100 + first + doses.index(part.dose)


def _first_dose(
    recipe: dict[str, Any], layers: dict[tuple[int, int], Shapes], report: Report
) -> int:
    """Whether the smallest dose got datatype + 100 or + 101; noted, since both can be read."""
    bases = {layer_of(recipe, w) for w in ("pillars", "deflectors", "pads")}
    moved = [d - b[1] - 100 for n, d in layers for b in bases if n == b[0] and d >= 100 + b[1]]
    doses = all_doses(recipe)
    if not doses or not moved:
        return 1
    base = layer_of(recipe, "pillars")
    first = 0 if (base[0], base[1] + 100) in layers else 1
    report.notes.append(f"the smallest dose has datatype + {100 + first}")
    return first


def _reach(part: Part, tolerance: Floats, master: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest unrounded size while the density moves by the tolerance."""
    low = part.wanted_nm(part.density, master)
    high = low.copy()
    probes = [part.density - tolerance, part.density + tolerance]
    for knot in part.table.density:  # the table bends only at its rows
        probes.append(np.clip(np.full(len(low), knot), probes[0], probes[1]))
    for rho in probes:
        size = part.wanted_nm(rho, master)
        low, high = np.minimum(low, size), np.maximum(high, size)
    return low - SIZE_SLACK, high + SIZE_SLACK


def _implied_error(part: Part, i: int, rung: int) -> float:
    """Smallest move of the density at site i that draws `rung`."""
    one = np.array([i])
    for error in np.arange(0.0, 2 * SURROUNDED, 1e-5):
        for sign in (1, -1):
            size = part.wanted_nm(part.density[one] + sign * error, part.master_nm[one])
            for slack in (SIZE_SLACK, -SIZE_SLACK):
                if int(part.pillars.rung(size + slack)[0]) == rung:
                    return float(error)
    return float("nan")


def _tied(part: Part, i: int, rung: int, tolerance: float) -> float | None:
    """The master within 1e-4 of the best merit at site i that draws `rung`, if there is one."""
    one = replace(part, density=part.density[[i]])
    for j in part.ties[i] if part.ties else []:
        low, high = _reach(one, np.array([tolerance]), part.pillars.master_nm[[j]])
        if part.pillars.rung(low)[0] <= rung <= part.pillars.rung(high)[0]:
            return float(part.pillars.master_nm[j])
    return None


def _rungs(recipe: dict[str, Any], part: Part, area: Floats) -> Ints:
    """The rung whose polygon's area is nearest to each area."""
    areas = rung_areas(recipe, part)
    k = np.clip(np.searchsorted(areas, area), 1, len(areas) - 1)
    return np.where(np.abs(areas[k - 1] - area) <= np.abs(areas[k] - area), k - 1, k)


def _swap_far_ties(
    solution: Solution, areas: dict[int, Floats], seen: Seen
) -> dict[int, NDArray[np.bool_]]:
    """Take over the file's choice where merits tie between sizes far apart.

    At a wrap of the phase the smallest and the largest pillar can be equally good; which of them
    stands moves the density around by 1e-3 of a short-ranged kernel, so the model must follow.
    """
    swapped: dict[int, NDArray[np.bool_]] = {}
    for number, area in areas.items():
        part = solution.parts[number]
        rung = _rungs(solution.recipe, part, area)
        off = np.abs(part.pillars.rungs_nm[rung] - part.drawn_nm) > 5.0
        for i in np.nonzero(off)[0]:
            master = _tied(part, int(i), int(rung[i]), SURROUNDED)
            if master is not None:
                if number not in swapped:
                    swapped[number] = np.zeros(len(part.x), dtype=bool)
                    seen.masters[number] = part.master_nm.copy()
                swapped[number][i] = True
                seen.masters[number][i] = master
    return swapped


def _judge(
    part: Part,
    number: int,
    area: Floats,
    corners: Ints,
    swapped: NDArray[np.bool_] | None,
    report: Report,
) -> None:
    recipe = report.solution.recipe  # type: ignore[union-attr]
    vertices = _vertices(recipe, part)
    areas = rung_areas(recipe, part)
    rung = _rungs(recipe, part, area)
    report.drawn[number] = part.pillars.rungs_nm[rung]
    bad = corners != vertices
    if bad.any():
        report.fail(
            f"{part.name}: {int(bad.sum())} polygons without {vertices} vertices", int(bad.sum())
        )
    if vertices in (4, 8):
        # another octagon may be as near to the disc; a farther one is a mistake
        wanted = pi * part.pillars.rungs_nm[rung] ** 2 / 4
        worse = np.abs(area - wanted) > np.abs(areas[rung] - wanted) + 1e-6
        if worse.any():
            report.fail(
                f"{part.name}: {int(worse.sum())} polygons are not of the nearest area",
                int(worse.sum()),
            )
    if part.fixed is not None:
        report.exact += int(part.fixed.sum())
        report.sites += int(part.fixed.sum())
    free = np.ones(len(part.x), dtype=bool) if part.fixed is None else ~part.fixed
    ours = part.pillars.rung(part.unrounded_nm)
    same = (ours == rung) & free
    report.sites += int(free.sum())
    by_tie = same & swapped if swapped is not None else np.zeros(len(same), dtype=bool)
    report.by_tie += int(by_tie.sum())
    report.exact += int(same.sum()) - int(by_tie.sum())
    tolerance = np.where(np.abs(part.added) > 1e-6, SURROUNDED, ALONE)
    low, high = _reach(part, tolerance, part.master_nm)
    reached = (part.pillars.rung(low) <= rung) & (rung <= part.pillars.rung(high))
    for i in np.nonzero(free & ~same)[0]:
        # a tie that explains the size at the model's own density says nothing about the density
        if _tied(part, int(i), int(rung[i]), 0.0) is not None:
            report.by_tie += 1
        elif reached[i]:
            report.by_density += 1
            error = _implied_error(part, int(i), int(rung[i]))
            report.density_error = max(report.density_error, error)
        elif _tied(part, int(i), int(rung[i]), float(tolerance[i])) is not None:
            report.by_tie += 1
        else:
            report.fail(
                f"{part.kind} {part.name} of die {part.die}: pillar at ({part.x[i]}, {part.y[i]}) "
                f"is {part.pillars.rungs_nm[rung[i]]:.3f} nm; the model has master "
                f"{part.master_nm[i]:.3f}, density {part.density[i]:.5f} (added "
                f"{part.added[i]:.5f}), unrounded {part.unrounded_nm[i]:.4f}, drawn "
                f"{part.drawn_nm[i]:.3f}"
            )


def _same_polygons(
    wanted: list[Any], layers: dict[tuple[int, int], Shapes], layer: tuple[int, int], report: Report,
    what: str, tolerance: float,
) -> None:  # fmt: skip
    shapes = layers.get(layer)
    found = (
        unary_union([Polygon(p) for p in shapes.points]) if shapes is not None else box(0, 0, 0, 0)
    )
    model = unary_union(wanted) if wanted else box(0, 0, 0, 0)
    apart = found.symmetric_difference(model).area
    if apart > tolerance * max(model.area, 1.0):
        report.fail(f"{what}: {apart * 1e-6:.4f} um2 of {model.area * 1e-6:.4f} um2 differ")


def compare(recipe_path: Path, job: Path) -> Report:
    """Read the job's files and hold every pillar, mark and frame against the model."""
    report = Report()
    recipe = load(recipe_path)
    name = f"{recipe['name']}-{recipe['revision']}"
    files = [job / f"{name}{end}" for end in (".oas", ".gds") if (job / f"{name}{end}").exists()]
    if not files:
        report.fail(f"{job} holds neither {name}.oas nor {name}.gds")
        return report
    layers = read_layout(files[0])
    for other in files[1:]:
        _equal_files(layers, read_layout(other), report)
    seen = observe(recipe, layers, job, report)
    solution = solve(recipe_path, seen)
    report.notes.append(f"{solution.iterations} rounds, last change {solution.residual:.1e}")
    for lens, free in solution.offsets.items():
        taken = seen.phase_steps.get(lens, free.step)
        if taken == free.step:
            continue
        # a table that loses 1e-4 of merit moves the coherent sum by no more than that
        near_best = free.sums[taken] >= free.sums.max() * (1 - 2e-5)
        at_the_bar = abs(free.sums.max() / free.sums[0] - 1.001) < 1e-4
        if not (near_best or (taken == 0 and at_the_bar)):
            report.fail(f"lens {lens}: phase step {taken}, the model takes {free.step}")
        report.notes.append(
            f"lens {lens}: phase step {taken}, the model's is {free.step} (near tie)"
        )
    first = _first_dose(recipe, layers, report)
    groups: dict[tuple[int, int], list[int]] = {}
    for number, part in enumerate(solution.parts):
        groups.setdefault(_layer(recipe, part, first), []).append(number)
    areas: dict[int, Floats] = {}
    corners: dict[int, Ints] = {}
    frames = layer_of(recipe, "frames")
    # what is exposed takes the dose: the frames of a dose split have their own datatypes, too
    dosed = [
        layer
        for layer in layers
        if layer[0] == frames[0] and layer[1] > frames[1] + 100 and all_doses(recipe)
    ]
    for layer in dosed:
        more, held = layers.pop(layer), layers.get(frames)
        layers[frames] = more if held is None else held.joined(more)
    known = {layer_of(recipe, w) for w in ("marks", "labels", "frames", "outlines")}
    known |= {layer for layer, _ in solution.foreign}
    for layer, shapes in layers.items():
        if layer not in groups and layer not in known:
            report.fail(
                f"layer {layer} holds {len(shapes.x)} shapes that nothing asks for", len(shapes.x)
            )
    for layer, numbers in groups.items():
        found = layers.get(layer)
        parts = [solution.parts[k] for k in numbers]
        x, y = np.concatenate([p.x for p in parts]), np.concatenate([p.y for p in parts])
        if found is None:
            report.fail(f"layer {layer} is empty, wanted {len(x)} pillars", len(x))
            continue
        wanted = {(int(a), int(b)): k for k, (a, b) in enumerate(zip(x, y, strict=True))}
        place = np.full(len(x), -1)
        extra = 0
        for k, key in enumerate(zip(found.x.tolist(), found.y.tolist(), strict=True)):
            at = wanted.get(key)
            if at is None or place[at] >= 0:
                extra += 1
                if extra <= 3:
                    report.fail(f"layer {layer}: a shape at {key} that is not wanted, or twice", 0)
            else:
                place[at] = k
        missing = np.nonzero(place < 0)[0]
        if extra or len(missing):
            where = [(int(x[k]), int(y[k])) for k in missing[:3]]
            report.fail(
                f"layer {layer}: {extra} shapes too many, {len(missing)} sites without one {where}",
                extra + len(missing),
            )
        start = 0
        for number, part in zip(numbers, parts, strict=True):
            here = place[start : start + len(part.x)]
            start += len(part.x)
            if (here < 0).any():
                continue  # said above
            areas[number], corners[number] = found.area2[here] / 2, found.corners[here]
    swapped = _swap_far_ties(solution, areas, seen)
    if swapped:
        solution = solve(recipe_path, seen)
    report.solution = solution
    check_surrounds(solution, report)
    for number, area in areas.items():
        part = solution.parts[number]
        _judge(part, number, area, corners[number], swapped.get(number), report)
    _same_polygons(solution.marks, layers, layer_of(recipe, "marks"), report, "marks", 1e-9)
    if solution.frames is not None:
        _same_polygons(
            [solution.frames], layers, layer_of(recipe, "frames"), report, "frames", 2e-4
        )
    for layer in {layer for layer, _ in solution.foreign}:
        wanted_there = [shape for other, shape in solution.foreign if other == layer]
        _same_polygons(wanted_there, layers, layer, report, f"foreign layer {layer}", 1e-9)
    _labels(solution, layers, report)
    return report


def _equal_files(
    one: dict[tuple[int, int], Shapes], two: dict[tuple[int, int], Shapes], report: Report
) -> None:
    if set(one) != set(two):
        report.fail(f"the files hold layers {sorted(one)} and {sorted(two)}")
    for layer in set(one) & set(two):
        a, b = (
            sorted(
                (tuple(p.min(axis=0)), tuple(p.max(axis=0)), int(s), int(c))
                for p, s, c in zip(shapes.points, shapes.area2, shapes.corners, strict=True)
            )
            for shapes in (one[layer], two[layer])
        )
        if a != b:
            report.fail(
                f"layer {layer} differs between the two files ({len(a)} and {len(b)} shapes)"
            )


def _labels(solution: Solution, layers: dict[tuple[int, int], Shapes], report: Report) -> None:
    """Each label's box is centred where the recipe puts it, and no taller than it says."""
    recipe = solution.recipe
    places = []
    for die in solution.dies:
        for item in recipe["dies"][die.name]:
            if "label" in item:
                dx, dy = written(recipe, quantity(item["at"][0]), quantity(item["at"][1]))
                places.append((die.x + dx, die.y + dy, quantity(item.get("height", 0))))
    shapes = layers.get(layer_of(recipe, "labels"))
    if not places:
        if shapes is not None:
            report.fail("labels were written that the recipe does not ask for")
        return
    if shapes is None:
        report.fail("no labels were written")
        return
    centres = np.array([[p[0], p[1]] for p in places])
    owner = cKDTree(centres).query(np.column_stack([shapes.x, shapes.y]))[1]
    for k, (px, py, height) in enumerate(places):
        mine = [shapes.points[i] for i in np.nonzero(owner == k)[0]]
        if not mine:
            report.fail(f"no label at ({px}, {py})")
            continue
        low = np.min([p.min(axis=0) for p in mine], axis=0)
        high = np.max([p.max(axis=0) for p in mine], axis=0)
        off = np.abs((low + high) / 2 - [px, py]).max()
        if off > 1.0:
            report.fail(f"label at ({px}, {py}): its box is centred {off:.1f} nm off")
        if height and not 0.4 * height <= high[1] - low[1] <= 1.5 * height:
            report.fail(f"label at ({px}, {py}): {high[1] - low[1]} nm tall, wanted about {height}")


# --- the manifest -------------------------------------------------------------------------------


def manifest_problems(
    report: Report, job: Path, symmetry: dict[str, str] | None = None
) -> list[str]:
    """What manifest.json and dies.csv say, against the model and the shapes found in the file."""
    problems: list[str] = []
    solution = report.solution
    assert solution is not None
    recipe = solution.recipe
    manifest = json.loads((job / "manifest.json").read_text())

    def want(what: str, wanted: object, got: object, tolerance: float | None = None) -> None:
        ok = wanted == got
        if (
            tolerance is not None
            and isinstance(got, int | float)
            and isinstance(wanted, int | float)
        ):
            ok = abs(got - wanted) <= tolerance
        if not ok:
            problems.append(f"{what}: wanted {wanted!r}, manifest has {got!r}")

    want("name", recipe["name"], manifest["name"])
    want("revision", str(recipe["revision"]), manifest["revision"])
    want("mirrored", mirrored(recipe), manifest["mirrored"])
    want("database_unit_nm", 1.0, manifest["database_unit_nm"], 1e-12)
    want(
        "dies",
        dict(Counter(d.name for d in solution.dies)),
        {k: v for k, v in manifest["dies"].items() if v},
    )
    want("pillars", sum(len(p.x) for p in solution.parts), manifest["pillars"])
    drawn_of = {int(s["code"]): float(s["drawn_nm"]) for s in manifest["shapes"]}
    lenses = {s["name"]: s for s in recipe.get("lenses", [])}
    for name, facts in manifest["lenses"].items():
        placed = [
            (k, p) for k, p in enumerate(solution.parts) if p.kind == "lens" and p.name == name
        ]  # fmt: skip
        if not placed:
            continue
        part = placed[0][1]
        free = solution.offsets[name]
        step = solution.steps[name]
        lattice = lenses[name].get("lattice") or recipe["lattice"]
        want(f"{name} kind", lattice["kind"], facts["lattice"]["kind"])
        want(f"{name} pitch", part.pitch, facts["lattice"]["pitch_dbu"], 1e-9)
        want(f"{name} row", part.row, facts["lattice"]["row_dbu"], 1e-9)
        want(f"{name} pillars", len(part.x), facts["pillars"])
        want(f"{name} phase offset", free.rad(step), facts["phase_offset_rad"], 1e-6)
        want(f"{name} gain", float(free.sums[step] / free.sums[0]), facts["coherent_gain"], 2e-4)
        want(f"{name} coverage", part.pillars.coverage_rad, facts["coverage_rad"], 1e-4)
        if not facts["density_residual"] < 1e-5:
            problems.append(
                f"{name}: density residual {facts['density_residual']}, wanted under 1e-5"
            )
        codes = Counter({round(drawn_of[int(c)], 6): n for c, n in facts["codes"].items() if n})
        plain = [k for k, p in placed if p.split_nm == 0 and p.zone_nm == 0 and k in report.drawn]
        if plain:
            held = [Counter(np.round(report.drawn[k], 6).tolist()) for k in plain]
            if codes not in held:
                problems.append(f"{name}: codes are those of no lens without split in the file")
            model = [solution.parts[k].clamped for k in plain]
            got = facts["clamped"]
            got = sum(got.values()) if isinstance(got, dict) else got
            if not any(abs(got - m) <= 3 + 0.05 * m for m in model):
                problems.append(f"{name}: clamped {got}, the model has {sorted(set(model))}")
        if symmetry and name in symmetry:
            want(f"{name} symmetry", symmetry[name], facts["symmetry"])
    with (job / "dies.csv").open() as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    got_dies = {
        (
            r["die"],
            int(r["col"]),
            int(r["row"]),
            round(float(r["x_mm"]) * 1e6),
            round(float(r["y_mm"]) * 1e6),
        )
        for r in rows
    }
    model_dies = {(d.name, d.col, d.row, d.x, d.y) for d in solution.dies}
    if got_dies != model_dies:
        problems.append(
            f"dies.csv: only there {sorted(got_dies - model_dies)[:4]}, "
            f"only in the model {sorted(model_dies - got_dies)[:4]}"
        )
    if len(rows) != len(solution.dies):
        problems.append(f"dies.csv: {len(rows)} rows, wanted {len(solution.dies)}")
    return problems
