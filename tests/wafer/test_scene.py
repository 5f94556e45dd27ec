"""What surrounds each lens on a wafer, who shares an answer, and what is added, summed directly."""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from layoutgen.exposure.coverage import polygon_density
from layoutgen.exposure.solve import solve
from layoutgen.pipeline.design import design
from layoutgen.recipe.load import load_recipe
from layoutgen.wafer.scene import Scene, Surrounding
from tests.e2e_recipes import LONE, environment, write

Floats = NDArray[np.float64]
Recipes = Callable[..., Path]
Data = dict[str, Any]
BETA = (
    9000.0  # of the small recipe: it reaches 3.03 beta = 27.3 um, where exp(-r^2 / beta^2) is 1e-4
)
SLOPE = 20.0  # nm of bias per density, of its table


def scene_of(small_recipe: Recipes, change: Callable[[Data], None] | None = None) -> Scene:
    def small(data: Data) -> None:
        data["lenses"][0]["aperture"] = "24 um"
        data["lenses"][0]["phase"] = [{"kind": "focus", "focal_length": "60 um"}]
        data["exposure"]["frame_width"] = "5 um"
        if change is not None:
            change(data)

    return design(load_recipe(small_recipe(small))).scene


def lenses_at(*places: tuple[float, float], wafer_um: float = 200) -> Callable[[Data], None]:
    """One kind of die with lenses at these places in um; the wafer holds one of it."""

    def change(data: Data) -> None:
        data["dies"]["lens"] = [{"lens": "dot", "at": [f"{x} um", f"{y} um"]} for x, y in places]
        data["wafer"]["diameter"] = f"{wafer_um} um"

    return change


def added_at(surrounding: Surrounding, x: Floats, y: Floats) -> Floats:
    """What surrounds adds at places x (cols,) and y (rows,) from the axis, (rows, cols)."""
    if surrounding.added is None:
        return np.zeros((len(y), len(x)))
    return surrounding.added.at(x, y)


def dies_of(count: int, pitch_um: float) -> Callable[[Data], None]:
    """A square of count x count dies with a lens each: what else fits the wafer is kept out."""

    def change(data: Data) -> None:
        half = count * pitch_um / 2
        far = 6 * half
        data["wafer"]["diameter"] = f"{2.2 * half * math.sqrt(2)} um"
        data["wafer"]["die_pitch"] = [f"{pitch_um} um"] * 2
        data["wafer"]["grid_offset"] = "die" if count % 2 else "street"
        data["wafer"]["keep_out"] = [
            {
                "at": [f"{sx * (half + far / 2)} um", f"{sy * (half + far / 2)} um"],
                "size": [f"{far if sx else 2 * (half + far)} um", f"{far if sy else 2 * (half + far)} um"],
            }
            for sx, sy in ((1, 0), (-1, 0), (0, 1), (0, -1))
        ]  # fmt: skip

    return change


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The symmetry of every part whose density is solved, in order."""
    calls: list[str] = []

    def counted(part: Any, *args: Any, **kwargs: Any) -> Any:
        calls.append(part.symmetry)
        return solve(part, *args, **kwargs)

    monkeypatch.setattr("layoutgen.wafer.scene.solve", counted)
    return calls


def at(scene: Scene, x_um: float, y_um: float) -> Surrounding:
    """The surrounding of the lens that stands at a place."""
    for number, found in scene.of_thing.items():
        thing = scene.things[number]
        if (thing.x, thing.y) == (round(1000 * x_um), round(1000 * y_um)):
            return scene.surroundings[found]
    raise LookupError(f"no lens at {x_um}, {y_um}")


def test_a_lone_lens_keeps_its_octant(small_recipe: Recipes, solved: list[str]) -> None:
    scene = scene_of(small_recipe)
    (surrounding,) = scene.surroundings
    assert surrounding.added is None
    assert surrounding.symmetry == "octant"
    assert solved == ["octant"]


def test_a_lens_beyond_the_reach_of_the_next_is_as_if_alone(small_recipe: Recipes) -> None:
    # 24 um apertures 52 um apart leave 28 um; the kernel reaches 27.3 um
    scene = scene_of(small_recipe, lenses_at((-26, 0), (26, 0)))
    (surrounding,) = scene.surroundings
    assert surrounding.added is None
    assert len(scene.of_thing) == 2


@pytest.mark.parametrize("x_um", [14, 16.5])
def test_mirrored_neighbours_give_mirrored_fields(small_recipe: Recipes, x_um: float) -> None:
    # 24 um apertures with 4 um and with 1 beta between them
    scene = scene_of(small_recipe, lenses_at((-x_um, 0), (x_um, 0)))
    left, right = at(scene, -x_um, 0), at(scene, x_um, 0)
    assert left is not right
    assert left.symmetry == right.symmetry == "half_y"
    assert left.added is not None
    assert right.added is not None
    assert left.added.steps.max() > 0
    np.testing.assert_array_equal(left.added.steps, right.added.steps[:, ::-1])
    across = left.added.hx * (left.added.steps.shape[1] - 1)
    assert left.added.x0 == pytest.approx(-right.added.x0 - across)


@pytest.mark.parametrize(
    ("places", "symmetry"),
    [
        ([(28, 0)], "half_y"),
        ([(0, -28)], "half_x"),
        ([(28, 0), (-28, 0)], "quadrant"),
        ([(28, 0), (-28, 0), (0, 28), (0, -28)], "octant"),
        ([(28, 0), (0, 28)], "whole"),
        ([(28, 3)], "whole"),
    ],
)
def test_a_lens_keeps_the_symmetry_that_its_neighbours_share(
    small_recipe: Recipes, places: list[tuple[float, float]], symmetry: str
) -> None:
    scene = scene_of(small_recipe, lenses_at((0, 0), *places))
    assert at(scene, 0, 0).symmetry == symmetry


@pytest.mark.parametrize("count", [3, 5])
def test_dies_in_a_square_differ_by_corner_edge_and_middle_only(
    small_recipe: Recipes, count: int
) -> None:
    # 24 um lenses every 30 um: neighbours over the edge and the corner count, the next but one
    # begin 36 um away, beyond the reach of 27.3 um: left, middle and right, times low, middle, high
    scene = scene_of(small_recipe, dies_of(count, 30))
    assert len(scene.of_thing) == count * count
    assert len(scene.surroundings) == 9
    sharing = sorted(scene.counts(0).values())
    inner = count - 2
    assert sharing == sorted([1] * 4 + [inner] * 4 + [inner * inner])


def test_a_hundred_lone_dies_are_solved_once(small_recipe: Recipes, solved: list[str]) -> None:
    scene = scene_of(small_recipe, dies_of(10, 100))
    assert len(scene.of_thing) == 100
    assert len(scene.surroundings) == 1
    assert solved == ["octant"]


def test_a_hundred_dies_of_two_lenses_are_solved_as_one(
    small_recipe: Recipes, solved: list[str]
) -> None:
    def change(data: Data) -> None:
        dies_of(10, 100)(data)
        data["dies"]["lens"] = [{"lens": "dot", "at": [f"{x} um", "0 um"]} for x in (-14, 14)]

    scene = scene_of(small_recipe, change)
    assert len(scene.of_thing) == 200
    many = len(solved)
    solved.clear()
    single = scene_of(small_recipe, lenses_at((-14, 0), (14, 0)))
    assert len(single.of_thing) == 2
    assert len(solved) == many
    assert len(scene.surroundings) == len(single.surroundings) == 2


def pillars(surrounding: Surrounding, x0: float, y0: float) -> tuple[Floats, Floats, Floats]:
    """x, y and master of every pillar of a part at (x0, y0)."""
    design = surrounding.design
    xs, ys, sizes = [], [], []
    for site, indices in design.part("whole").blocks():
        x, y = design.lattice.sites_dbu(site.window)
        used = indices > 0
        xs.append(x[used] + x0)
        ys.append(y[used] + y0)
        sizes.append(design.masters.master_nm[indices[used] - 1])
    return np.concatenate(xs), np.concatenate(ys), np.concatenate(sizes)


def test_neighbours_see_each_other_as_drawn_to_the_rounding_of_the_field(
    small_recipe: Recipes,
) -> None:
    # Every pillar of two lenses against every other, iterated to the fixed point: no raster.
    scene = scene_of(small_recipe, lenses_at((-14, 0), (14, 0)))
    left = pillars(at(scene, -14, 0), -14_000, 0)
    right = pillars(at(scene, 14, 0), 14_000, 0)
    x, y, master = (np.concatenate(v) for v in zip(left, right, strict=True))
    rho = np.full(len(x), 0.2)
    n = len(left[0])
    kernel = np.exp(-((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2) / BETA**2)
    kernel /= math.pi * BETA**2
    for _ in range(10):
        area = math.pi / 4 * (master - SLOPE * rho) ** 2
        rho = kernel @ area
    added = kernel[:n, n:] @ area[n:]
    surrounding = at(scene, -14, 0)
    xs, inverse = np.unique(x[:n] + 14_000, return_inverse=True)
    ys, inverse_y = np.unique(y[:n], return_inverse=True)
    found = added_at(surrounding, xs, ys)[inverse_y, inverse]
    assert added.max() > 0.02
    # half of 1e-3 by rounding, and what the solver may be off by
    assert np.abs(found - added).max() < 5e-4 + 1e-4
    # rounding errs by 1e-3 / sqrt(12) rms at a node, less between: no bias of its own
    assert abs(float((found - added).mean())) < 1e-4
    # and what follows from the rounded field is the lens's own density on top of it
    assert surrounding.density is not None
    own = surrounding.density.shapes_at(xs, ys)[inverse_y, inverse]
    assert np.abs(own + found - rho[:n]).max() < 5e-4 + 1e-4


def test_the_field_is_rounded_to_whole_thousandths(small_recipe: Recipes) -> None:
    # a square ring's integral is known: an error function each way, less that of its middle
    def change(data: Data) -> None:
        data["wafer"]["diameter"] = "400 um"
        data["wafer"]["die_pitch"] = ["28 um", "100 um"]
        data["wafer"]["marks"] = [
            {"kind": "box", "outer": "30 um", "width": "10 um", "at": [["30 um", "0 um"]]}
        ]
        data["wafer"]["keep_out"] = [  # the next dies on both sides
            {"at": [f"{x} um", "0 um"], "size": ["100 um", "50 um"]} for x in (-64.1, 96)
        ]

    surrounding = at(scene_of(small_recipe, change), 0, 0)
    added = surrounding.added
    assert added is not None
    assert added.steps.dtype == np.int16
    x = added.x0 + added.hx * np.arange(added.steps.shape[1])
    y = added.y0 + added.hy * np.arange(added.steps.shape[0])

    def square(half: float) -> Floats:
        across = erf((30_000 + half - x) / BETA) - erf((30_000 - half - x) / BETA)
        along = erf((half - y) / BETA) - erf((-half - y) / BETA)
        found: Floats = along[:, None] * across[None, :] / 4
        return found

    wanted = square(15_000) - square(5_000)
    near = np.hypot(x[None, :], y[:, None]) <= 12_000
    assert wanted[near].max() > 0.1
    off = np.abs(added.steps / 1000 - wanted)[near]
    assert off.max() < 5e-4 + 1e-4
    # whole thousandths and no coarser: the errors spread evenly, 1e-3 / sqrt(12) rms
    steep = near & (wanted > 0.01)
    assert math.sqrt(float((off[steep[near]] ** 2).mean())) == pytest.approx(2.9e-4, rel=0.15)


def labelled(x_um: float) -> Callable[[Data], None]:
    """Three dies in a row, each with its own place as a label x_um left of its lens."""

    def change(data: Data) -> None:
        dies_of(3, 150)(data)
        data["dies"]["lens"] += [
            {"label": "die", "at": [f"{x_um} um", "0 um"], "height": "7 um"},
        ]

    return change


def test_a_label_in_reach_makes_a_surrounding_for_each_text(small_recipe: Recipes) -> None:
    near = scene_of(small_recipe, labelled(-27))
    assert len(near.of_thing) == 9
    texts = {key for key in (f.key for f in near.figures) if key[0] == "label"}
    assert len(texts) == 9
    assert len(near.surroundings) == 9
    assert all(s.added is not None and s.symmetry == "whole" for s in near.surroundings)


def test_things_know_the_die_that_they_stand_on_and_marks_stand_on_none(
    small_recipe: Recipes,
) -> None:
    def marked(data: Data) -> None:
        lenses_at((-14, 0), (14, 0))(data)
        data["wafer"]["marks"] = [
            {
                "kind": "cross",
                "arm": "5 um",
                "width": "2 um",
                "at": [["0 um", "90 um"], ["0 um", "-90 um"]],
            }
        ]

    scene = scene_of(small_recipe, marked)
    held = [(t.die, t.item, t.design) for t in scene.things]
    assert held == [(0, 0, 0), (0, 1, 0), (-1, -1, -1), (-1, -1, -1)]
    assert [scene.figures[t.figures].key[0] for t in scene.things[2:]] == ["mark", "mark"]


def test_the_box_of_what_a_mark_draws_is_that_of_its_vertices(small_recipe: Recipes) -> None:
    def marked(data: Data) -> None:
        data["wafer"]["marks"] = [
            {"kind": "vernier", "pitches": ["2 um", "2.1 um"], "lines": 9, "length": "4 um",
             "at": [["0 um", "70 um"]]},
        ]  # fmt: skip

    scene = scene_of(small_recipe, marked)
    (mark,) = (f for f in scene.figures if f.key[0] == "mark")
    points = np.concatenate(mark.polygons)
    wanted = (*points.min(axis=0), *points.max(axis=0))
    assert abs(wanted[0]) > 1.5 * abs(wanted[1])  # no square
    assert mark.bounds == wanted


def test_a_label_adds_what_its_polygons_give(small_recipe: Recipes) -> None:
    scene = scene_of(small_recipe, labelled(-27))
    middle = at(scene, 0, 0)
    (number,) = (
        k for k, t in enumerate(scene.things) if t.figures >= 0 and (t.x, t.y) == (-27_000, 0)
    )
    polygons = [p + np.array([-27_000.0, 0.0]) for p in scene.figures[scene.things[number].figures].polygons]  # fmt: skip
    # many small squares: the sum of each square's area at its centre, dots are a tenth of beta
    x, y = np.arange(-11_000.0, 11_001, 1000), np.arange(-4000.0, 4001, 1000)
    wanted = np.zeros((len(y), len(x)))
    for p in polygons:
        area = abs(float(p[:, 0] @ np.roll(p[:, 1], -1) - p[:, 1] @ np.roll(p[:, 0], -1))) / 2
        cx, cy = p.mean(axis=0)
        r2 = (x[None, :] - cx) ** 2 + (y[:, None] - cy) ** 2
        wanted += area * np.exp(-r2 / BETA**2) / (math.pi * BETA**2)
    assert wanted.max() > 0.02
    assert np.abs(added_at(middle, x, y) - wanted).max() < 5e-4 + 3e-4


@pytest.mark.parametrize("side", [(0, 1), (0, -1), (1, 0), (-1, 0)])
def test_a_long_strip_is_near_at_its_ends(small_recipe: Recipes, side: tuple[int, int]) -> None:
    # strips of 12 um by 60 um in all: at the end of their long side a 24 um lens is 4 um away
    def change(data: Data) -> None:
        upright = side[0] == 0
        data["pads"] = [
            {
                "name": "long", "kind": "strips", "diameters": ["150 nm"] * 5, "length": "12 um",
                "width": "12 um", "direction": "x" if upright else "y",
            }
        ]  # fmt: skip
        away = [46 * side[0], 46 * side[1]]
        data["dies"]["lens"] = [
            {"lens": "dot", "at": [f"{away[0]} um", f"{away[1]} um"]},
            {"pad": "long", "at": ["0 um", "0 um"]},
        ]

        data["wafer"].update(die_pitch=["150 um", "150 um"], diameter="300 um")

    scene = scene_of(small_recipe, change)
    lens = at(scene, 46 * side[0], 46 * side[1])
    assert lens.added is not None
    assert lens.added.steps.max() > 5


def test_a_label_out_of_reach_leaves_a_lens_alone(small_recipe: Recipes) -> None:
    scene = scene_of(small_recipe, labelled(-55))
    assert len(scene.of_thing) == 9
    (surrounding,) = scene.surroundings
    assert surrounding.added is None
    assert surrounding.symmetry == "octant"


def test_without_a_kernel_nothing_is_solved(small_recipe: Recipes, solved: list[str]) -> None:
    def change(data: Data) -> None:
        lenses_at((-14, 0), (14, 0))(data)
        data["exposure"]["backscatter"] = []
        del data["exposure"]["bias_table"]

    scene = scene_of(small_recipe, change)
    assert solved == []
    assert len(scene.surroundings) == 1
    assert scene.surroundings[0].density is None


def test_with_the_background_exposed_neighbouring_frames_count_once(small_recipe: Recipes) -> None:
    # frames of 12 + 5 um radius, 28 um apart, overlap; a place in both is exposed once
    def change(data: Data) -> None:
        lenses_at((-14, 0), (14, 0))(data)
        data["exposure"]["exposed"] = "background"

    scene = scene_of(small_recipe, change)
    left = at(scene, -14, 0)
    x, y, master = pillars(at(scene, 14, 0), 28_000, 0)
    angles = 2 * math.pi * np.arange(512) / 512
    disc = 17_000 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    at_x, at_y = np.linspace(-11_000, 11_000, 12), np.linspace(-4000, 4000, 5)
    assert left.density is not None
    # what the neighbour's frame adds outside the own one, less the neighbour's shapes
    terms = left.density.raster.convolver.terms
    frame = polygon_density([disc + np.array([28_000.0, 0.0])], terms, at_x, at_y)
    both = _lens_overlap(at_x, at_y, 17_000, 28_000)
    drawn = master - SLOPE * 0.6
    shapes = np.zeros_like(frame)
    for i, px in enumerate(at_x):
        for j, py in enumerate(at_y):
            r2 = (x - px) ** 2 + (y - py) ** 2
            shapes[j, i] = float(
                (math.pi / 4 * drawn**2 * np.exp(-r2 / BETA**2)).sum() / (math.pi * BETA**2)
            )
    wanted = frame - both - shapes
    assert both.max() > 0.02
    # sizes of the neighbour are taken at one density here: 5 nm of 200 are 5 % of its shapes
    assert np.abs(added_at(left, at_x, at_y) - wanted).max() < 6e-4 + 0.05 * shapes.max()


def background(change: Callable[[Data], None]) -> Callable[[Data], None]:
    def both(data: Data) -> None:
        change(data)
        data["exposure"]["exposed"] = "background"

    return both


def test_a_frame_of_its_own_is_no_surrounding(small_recipe: Recipes, solved: list[str]) -> None:
    # labels of five texts and a mark, all of them framed and out of reach
    def change(data: Data) -> None:
        labelled(-55)(data)
        data["wafer"]["marks"] = [
            {"kind": "cross", "arm": "20 um", "width": "4 um", "at": [["75 um", "75 um"]]}
        ]

    scene = scene_of(small_recipe, background(change))
    assert len(scene.of_thing) == 5  # the mark has taken four dies
    (surrounding,) = scene.surroundings
    assert surrounding.added is None
    assert solved == ["octant"]


def test_frames_that_are_one_with_its_own_count_beyond_it(small_recipe: Recipes) -> None:
    # two lenses 28 um apart, whose frames of 17 um radius make one polygon; the third is far from both
    def change(data: Data) -> None:
        lenses_at((-14, 0), (14, 0), (0, 90), wafer_um=400)(data)
        data["wafer"]["die_pitch"] = ["250 um", "250 um"]

    scene = scene_of(small_recipe, background(change))
    assert at(scene, 0, 90).added is None
    assert at(scene, 14, 0).added is not None
    frames = [scene.figures[t.figures] for t in scene.things if t.figures >= 0]
    assert sorted(len(f.polygons[0]) > 256 for f in frames if f.frame) == [False, True]


def test_the_field_does_not_depend_on_how_many_rows_are_worked_out_at_once(
    small_recipe: Recipes, monkeypatch: pytest.MonkeyPatch
) -> None:
    change = background(lenses_at((-14, 0), (14, 0)))
    whole = at(scene_of(small_recipe, change), 14, 0).added
    monkeypatch.setattr("layoutgen.wafer.scene._MOST_NODES", 300)
    banded = at(scene_of(small_recipe, change), 14, 0).added
    assert whole is not None
    assert banded is not None
    assert whole.steps.max() > 10
    assert whole.key == banded.key


def _lens_overlap(x: Floats, y: Floats, radius: float, apart: float) -> Floats:
    """Gaussian-weighted area where two discs overlap, by a fine grid of points."""
    step = 100.0
    px = np.arange(apart - radius, radius, step) + step / 2
    py = np.arange(-radius, radius, step) + step / 2
    gx, gy = np.meshgrid(px, py)
    inside = (gx**2 + gy**2 < radius**2) & ((gx - apart) ** 2 + gy**2 < radius**2)
    gx, gy = gx[inside], gy[inside]
    found = np.zeros((len(y), len(x)))
    for i, ax in enumerate(x):
        for j, ay in enumerate(y):
            r2 = (gx - ax) ** 2 + (gy - ay) ** 2
            found[j, i] = float(np.exp(-r2 / BETA**2).sum()) * step**2 / (math.pi * BETA**2)
    return found


# --- a term that reaches over many dies --------------------------------------------------------------

LONG = [
    {"term": "gaussian", "range": "9 um", "ratio": 0.5},
    {"term": "power", "range": "3 um", "ratio": 0.1},
    {"term": "gaussian", "range": "1 mm", "ratio": 1.4},
]


def long_range_kernel(r2: Floats) -> Floats:
    """The three terms above by their definitions, each normalised over the plane, per nm^2."""
    long, power = 1e6, 3000.0
    found: Floats = (
        0.5 * np.exp(-r2 / BETA**2) / (math.pi * BETA**2)
        + 0.1 / (math.pi * power**2) / (1 + r2 / power**2) ** 2  # q = 2: q - 1 = 1
        + 1.4 * np.exp(-r2 / long**2) / (math.pi * long**2)
    ) / 2.0
    return found


def long_range(folder: str, megabytes: int, background: bool) -> None:
    """For a process of its own: 9 dies of 100 um lenses in reach of each other; its JSON goes to stdout."""
    resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))

    def change(data: Data) -> None:
        data["lenses"][0]["aperture"] = "100 um"
        data["lenses"][0]["phase"] = [{"kind": "focus", "focal_length": "300 um"}]
        data["exposure"].update(backscatter=LONG, frame_width="10 um")
        if background:
            data["exposure"]["exposed"] = "background"
        data["wafer"].update(diameter="580 um", die_pitch=["130 um", "130 um"])

    wafer = design(load_recipe(write(Path(folder), LONE, change)))
    status = Path("/proc/self/status").read_text().split()
    peak_mb = int(status[status.index("VmHWM:") + 1]) / 1024
    scene, rng = wafer.scene, np.random.default_rng(1)
    xs, ys, areas = [], [], []
    for number, found in scene.of_thing.items():
        # drawn sizes from the settled density; every thing in its own surrounding
        surrounding, thing = scene.surroundings[found], scene.things[number]
        at, master = own_sites(surrounding)
        drawn = master - SLOPE * density_at(surrounding, at)
        xs.append(at[:, 0] + thing.x)
        ys.append(at[:, 1] + thing.y)
        areas.append(math.pi / 4 * drawn**2)
    x, y, area = np.concatenate(xs), np.concatenate(ys), np.concatenate(areas)
    worst = 0.0
    for number, found in scene.of_thing.items():
        surrounding, thing = scene.surroundings[found], scene.things[number]
        at, _ = own_sites(surrounding)
        some = at[rng.integers(0, len(at), 3)]
        said = density_at(surrounding, some)
        for (px, py), rho in zip(some + np.array([thing.x, thing.y]), said, strict=True):
            shapes = float(long_range_kernel((x - px) ** 2 + (y - py) ** 2) @ area)
            wanted = discs(scene, px, py, 60_000.0) - shapes if background else shapes
            worst = max(worst, abs(rho - wanted))
    owner = np.repeat(list(scene.of_thing), [len(a) for a in areas])
    worst_added, axis = 0.0, np.zeros(1)
    for number, found in scene.of_thing.items():
        px, py = scene.things[number].x, scene.things[number].y
        others = owner != number
        r2 = (x[others] - px) ** 2 + (y[others] - py) ** 2
        wanted = float(long_range_kernel(r2) @ area[others])
        if background:
            wanted = discs(scene, px, py, 60_000.0, [number]) - wanted
        added = float(added_at(scene.surroundings[found], axis, axis)[0, 0])
        worst_added = max(worst_added, abs(added - wanted))
    json.dump(
        {"dies": len(scene.of_thing), "worst": worst, "worst_added": worst_added,
         "peak_mb": peak_mb},
        sys.stdout,
    )  # fmt: skip


def own_sites(surrounding: Surrounding) -> tuple[Floats, Floats]:
    x, y, master = pillars(surrounding, 0, 0)
    return np.stack([x, y], axis=1).astype(np.float64), master


def density_at(surrounding: Surrounding, at: Floats) -> Floats:
    """The density that the scene found at places from a part's axis, surroundings in it."""
    density = surrounding.density
    assert density is not None
    x, at_x = np.unique(at[:, 0], return_inverse=True)
    y, at_y = np.unique(at[:, 1], return_inverse=True)
    own = density.at(at[:, 0], at[:, 1])
    return own + added_at(surrounding, x, y)[at_y, at_x]


def discs(scene: Scene, px: float, py: float, radius: float, without: Sequence[int] = ()) -> float:
    """What discs around lenses give at a place: squares of 1 um by their middles."""
    step = 1000.0
    grid = np.arange(-radius, radius, step) + step / 2
    gx, gy = np.meshgrid(grid, grid)
    inside = gx**2 + gy**2 < radius**2
    gx, gy = gx[inside], gy[inside]
    return sum(
        step**2
        * float(
            long_range_kernel(
                (gx + scene.things[k].x - px) ** 2 + (gy + scene.things[k].y - py) ** 2
            ).sum()
        )
        for k in scene.of_thing
        if k not in without
    )


@pytest.mark.skipif(sys.platform != "linux", reason="limits and peaks of memory are Linux's")
@pytest.mark.parametrize("background", [False, True])
def test_a_term_that_reaches_over_many_dies_stays_in_memory_and_near_the_direct_sum(
    tmp_path: Path, background: bool
) -> None:
    call = (
        "from tests.wafer.test_scene import long_range;"
        f" long_range({str(tmp_path)!r}, 4096, {background})"
    )
    done = subprocess.run(
        [sys.executable, "-c", call], capture_output=True, text=True, env=environment()
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["dies"] == 9
    # what the others add to an axis, rounded to whole thousandths, and what they all add
    assert found["worst_added"] < 5e-4 + 1e-4
    assert found["worst"] < 1e-3
    assert found["peak_mb"] < 1024
