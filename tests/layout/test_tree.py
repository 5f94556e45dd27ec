"""The cells of a layout: their names and order, what they hold, and on which layers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.layout.cells import Cell, Layer
from layoutgen.layout.tree import Tree
from layoutgen.pipeline.design import design
from layoutgen.pipeline.stream import cell_stream
from layoutgen.recipe.load import load_recipe
from tests.e2e_recipes import FULL, LONE, Recipe, turned, write

Change = Callable[[Recipe], None]
#: What GDSII takes in a structure name, less its `?` and `$` (Calma GDSII 6.0, 1987; from memory).
NAME = re.compile(r"[A-Za-z0-9_]{1,32}")


def layout(
    folder: Path, base: Recipe = LONE, change: Change | None = None
) -> tuple[Tree, list[Cell]]:
    """The tree of a recipe and all its cells in the order in which they are written."""
    wafer = design(load_recipe(write(folder, base, change)))
    return wafer.tree, [cell for cell, _ in cell_stream(wafer, 1)]


def by_name(cells: list[Cell]) -> dict[str, Cell]:
    found = {cell.name: cell for cell in cells}
    assert len(found) == len(cells), [n for n, k in Counter(c.name for c in cells).items() if k > 1]
    return found


def sound(tree: Tree, cells: list[Cell]) -> None:
    """Names are unique and short, also beside the shapes' cells, and nothing refers forwards."""
    names = [cell.name for cell in cells]
    for name in [*names, *tree.shapes.names]:
        assert NAME.fullmatch(name), name
    twice = [n for n, k in Counter([*names, *tree.shapes.names]).items() if k > 1]
    assert twice == []
    seen: set[str] = set()
    for cell in cells:
        assert {reference.cell for reference in cell.references} <= seen, cell.name
        seen.add(cell.name)
    assert cells[-1].name == tree.top


def walk(tree: Tree, cells: list[Cell]) -> dict[Layer, Counter[str]]:
    """How often pillars and plain polygons of each layer stand on the wafer, by references alone."""
    known = by_name(cells)
    times: Counter[str] = Counter({tree.top: 1})
    for cell in reversed(cells):
        for reference in cell.references:
            times[reference.cell] += times[cell.name]
    found: dict[Layer, Counter[str]] = {}
    for name, cell in known.items():
        for group in cell.pillars:
            used = int(np.count_nonzero(group.block.codes))
            found.setdefault(group.layer, Counter())["pillars"] += used * times[name]
        for plain in cell.polygons:
            found.setdefault(plain.layer, Counter())["polygons"] += (
                len(plain.polygons) * times[name]
            )
    return found


def flat(cells: list[Cell], name: str, layer: Layer) -> list[NDArray[np.int64]]:
    """Plain polygons of a layer in a cell and all below it."""
    known = by_name(cells)

    def below(at: str) -> list[NDArray[np.int64]]:
        cell = known[at]
        held = [p for group in cell.polygons if group.layer == layer for p in group.polygons]
        for r in cell.references:
            for p in below(r.cell):
                x, y = turned(p[:, 0], p[:, 1], r.turns, r.mirror)
                held.append(np.stack([x + r.x, y + r.y], axis=1))
        return held

    return below(name)


def corners(polygons: list[NDArray[np.int64]]) -> list[set[tuple[int, int]]]:
    return sorted(({(int(x), int(y)) for x, y in p} for p in polygons), key=sorted)


# --- names and order ------------------------------------------------------------------------------


def test_names_and_order_of_a_wafer_with_one_of_everything(tmp_path: Path) -> None:
    sound(*layout(tmp_path, FULL))


def test_long_names_that_begin_alike_stay_apart(tmp_path: Path) -> None:
    # 64 characters are the most that the recipe takes; cells have 32
    lens = "a" * 40

    def change(data: Recipe) -> None:
        data["name"], data["revision"] = "n" * 64, "R" * 16
        data["lenses"] = [
            {**deepcopy(data["lenses"][0]), "name": lens + end} for end in ("-1", "-2")
        ]
        dies = {
            "d" * 60 + end: [{"lens": lens + end, "at": ["0 um", "0 um"]}] for end in ("-1", "-2")
        }
        first, second = dies
        data["dies"] = dies
        data["wafer"]["diameter"] = "600 um"
        data["wafer"]["fill"] = first
        data["wafer"]["instead"] = [{"die": second, "sites": [[1, 0]]}]

    sound(*layout(tmp_path, LONE, change))


@pytest.mark.parametrize(
    ("name", "revision"), [("D-lens", "0"), ("L-dot", "0"), ("T", "0"), ("C-65", "0")]
)
def test_a_job_may_be_called_like_a_cell(tmp_path: Path, name: str, revision: str) -> None:
    def change(data: Recipe) -> None:
        data["name"], data["revision"] = name, revision
        data["dies"]["lens"].append(
            {"label": {"text": "A"}, "at": ["-50 um", "60 um"], "height": "14 um"}
        )

    sound(*layout(tmp_path, LONE, change))


def test_a_lens_may_be_called_like_a_block_of_another(tmp_path: Path) -> None:
    # blocks are called after their lens, its number, their piece, row and column
    _, cells = layout(tmp_path / "one", LONE, lambda d: _two_lenses(d, "b", "a"))
    block = next(c.name for c in cells if c.pillars and c.name.startswith("L_a_1_"))
    other = block.removeprefix("L_").removesuffix("_0").replace("_", "-")
    sound(*layout(tmp_path / "two", LONE, lambda d: _two_lenses(d, other, "a")))


def _two_lenses(data: Recipe, *names: str) -> None:
    data["lenses"] = [{**deepcopy(data["lenses"][0]), "name": name} for name in names]
    data["dies"] = {
        "lens": [
            {"lens": name, "at": [f"{x} um", "0 um"]}
            for name, x in zip(names, (-35, 35), strict=True)
        ]
    }


# --- counts ---------------------------------------------------------------------------------------


def test_pillars_found_by_references_are_those_that_the_tree_claims(tmp_path: Path) -> None:
    tree, cells = layout(tmp_path, FULL)
    found = walk(tree, cells)
    assert sum(held["pillars"] for held in found.values()) == tree.pillars
    assert (
        sum(int(np.count_nonzero(p.block.codes)) for c in cells for p in c.pillars) == tree.stored
    )
    # 24 um over 400 nm: 60 x 60 sites of the grating, 2 x 50 x 50 of the pad, on every test die
    tests = tree.plan.die_counts["test"]
    assert found[Layer(1, 1)]["pillars"] == 3600 * tests
    # two patches of 5 beta = 45 um with a site on the axis: 113 x 113 of each
    assert found[Layer(1, 2)]["pillars"] == (2 * 2500 + 2 * 113**2) * tests
    # a lens holds the sites with r <= 20 um between four sites
    at = (np.arange(-60, 60) + 0.5) * 400
    sites = int((at[:, None] ** 2 + at[None, :] ** 2 <= 20_000**2).sum())
    lenses = tree.plan.die_counts["lens"] + tree.plan.die_counts["wide"]
    assert found[Layer(1, 0)]["pillars"] == sites * lenses
    assert found[Layer(1, 101)]["pillars"] == sites * tree.plan.die_counts["hot"]


def test_every_die_and_every_mark_stands_once(tmp_path: Path) -> None:
    tree, cells = layout(tmp_path, FULL)
    top = cells[-1]
    placed = Counter((r.x, r.y) for r in top.references if r.cell.startswith("D_"))
    assert placed == Counter((die.x, die.y) for die in tree.plan.dies)
    marks = [p for group in top.polygons if group.layer == Layer(2, 0) for p in group.polygons]
    assert corners(marks) == corners([p for mark in tree.plan.marks for p in mark.polygons])


def test_labels_stand_where_the_plan_has_them(tmp_path: Path) -> None:
    tree, cells = layout(tmp_path, FULL)
    wanted = [
        p + np.array([die.x, die.y])
        for die in tree.plan.dies
        for part in tree.plan.die_parts[die.name]
        if part.kind == "label"
        for p in tree.plan.label_on(die, part)
    ]
    assert corners(flat(cells, tree.top, Layer(3, 0))) == corners(wanted)


def test_splits_and_zones_add_up_for_lenses_alone(tmp_path: Path) -> None:
    # dies every 200 um, -1 nm within 250 um of the middle: its four neighbours, not those over the
    # corner; `wide` is drawn 4 nm larger; what is no lens has no zone
    def change(data: Recipe) -> None:
        data["wafer"]["zones"] = [{"outer": "250 um", "bias": "-1 nm"}]

    tree, _ = layout(tmp_path, FULL, change)
    for number, index in tree.variant_of.items():
        thing, variant = tree.scene.things[number], tree.variants[index]
        die = tree.plan.dies[thing.die]
        wanted = 4.0 if die.name == "wide" else 0.0
        if die.name != "test" and die.col**2 + die.row**2 <= 1:
            wanted -= 1.0
        assert variant.split_nm == wanted, (die.name, die.col, die.row)
    splits = {v.split_nm for v in tree.variants if v.design.kind == "lens"}
    assert splits == {0.0, -1.0, 3.0, 4.0}
    assert sum(v.placed for v in tree.variants) == len(tree.variant_of) == len(tree.scene.of_thing)


# --- doses ----------------------------------------------------------------------------------------


def test_each_dose_has_a_datatype_counted_from_the_smallest(tmp_path: Path) -> None:
    # every kind of content at some dose; 1 keeps its layer, the others are datatype + 100 + k
    def change(data: Recipe) -> None:
        label = {"label": {"text": "A"}, "height": "14 um"}
        data["output"]["layers"] = {
            "pillars": "1/0", "deflectors": "5/3", "pads": "6/7", "labels": "3/20",
        }  # fmt: skip
        data["wafer"]["diameter"], data["wafer"]["die_pitch"] = "700 um", ["320 um", "320 um"]
        data["dies"]["lens"] = [
            {"lens": "dot", "at": ["0 um", "0 um"], "dose": 1.25},
            {"lens": "dot", "at": ["-60 um", "0 um"], "dose": 0.9},
            {"lens": "dot", "at": ["60 um", "0 um"]},
            {"deflector": "d8", "at": ["0 um", "80 um"], "dose": 0.75},
            {"pad": "cd", "at": ["0 um", "-80 um"], "dose": 0.9},
            {**label, "at": ["80 um", "80 um"], "dose": 1.25},
            {**deepcopy(label), "at": ["80 um", "-80 um"]},
        ]
        data["dies"] = {"lens": data["dies"]["lens"]}
        data["pads"] = data["pads"][:1]
        data["wafer"].update(zones=[], instead=[], marks=[])

    tree, cells = layout(tmp_path, FULL, change)
    found = walk(tree, cells)
    used = {layer for layer, held in found.items() if held["pillars"]}
    # doses 0.75, 0.9, 1.25: k = 1, 2, 3
    assert used == {Layer(1, 103), Layer(1, 102), Layer(1, 0), Layer(5, 104), Layer(6, 109)}
    labels = {layer for layer in found if layer.number == 3}
    assert labels == {Layer(3, 20), Layer(3, 123)}
    assert set(tree.layers) == {*used, *labels, Layer(100, 0)}
    assert found[Layer(1, 102)] == found[Layer(1, 103)] == found[Layer(1, 0)]


# --- foreign cells ---------------------------------------------------------------------------------


def _logo(folder: Path) -> None:
    """An L on 7/3 from its own origin and a triangle on 42/0, one level down and turned."""
    folder.mkdir(parents=True, exist_ok=True)
    library = gdstk.Library(unit=1e-6, precision=1e-9)
    part = library.new_cell("PART")
    part.add(gdstk.Polygon([(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)], layer=7, datatype=3))
    top = library.new_cell("TOP")
    top.add(gdstk.Reference(part, (2, 1), rotation=np.pi / 2))
    top.add(gdstk.Polygon([(3, 0), (6, 0), (3, 2)], layer=42, datatype=0))
    library.write_gds(folder / "logo.gds")


def _with_logo(*, odd: bool, exposed: str = "shapes") -> Change:
    def change(data: Recipe) -> None:
        data["cells"] = [{"name": "logo", "file": "logo.gds", "cell": "TOP"}]
        data["dies"]["lens"].append({"cell": "logo", "at": ["-50 um", "40 um"]})
        data["replication"] = {"transfers": "odd" if odd else "even"}
        data["exposure"].update(exposed=exposed, frame_width="5 um")

    return change


@pytest.mark.parametrize("odd", [False, True])
def test_a_foreign_cell_keeps_its_layers_and_is_mirrored_with_all_else(
    tmp_path: Path, odd: bool
) -> None:
    _logo(tmp_path)
    tree, cells = layout(tmp_path, LONE, _with_logo(odd=odd))
    sound(tree, cells)
    # In nm, by hand: the L turned by a quarter (x, y) -> (-y, x), moved by (2, 1) um, spans x from
    # -1 to 2 um and y from 1 to 5 um; with the triangle the cell spans (-1, 0) to (6, 5) um.
    ell = [(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)]
    turned_ell = np.array([(2 - y, 1 + x) for x, y in ell])
    triangle = np.array([(3, 0), (6, 0), (3, 2)])
    move = np.array([-50.0, 40.0]) - np.array([2.5, 2.5])  # its box's centre comes to `at`
    for layer, shape in ((Layer(7, 3), turned_ell), (Layer(42, 0), triangle)):
        wanted = (shape + move) * (-1 if odd else 1, 1) * 1000
        name = next(r.cell for r in cells[-1].references if r.cell.startswith("D_"))
        (found,) = flat(cells, name, layer)
        assert corners([found]) == corners([np.round(wanted).astype(np.int64)])
        assert layer in tree.layers


def test_a_foreign_cell_called_like_frames_is_cut_out_of_the_frames(tmp_path: Path) -> None:
    # what the operator exposes: frames, 4/0, without every other layer
    _logo(tmp_path)

    def change(data: Recipe) -> None:
        _with_logo(odd=False, exposed="background")(data)
        data["cells"][0]["name"] = "frames-logo"
        data["dies"]["lens"][-1]["cell"] = "frames-logo"

    tree, _ = layout(tmp_path, LONE, change)
    assert [layer for layer, name in tree.layers.items() if name.startswith("frames")] == [
        Layer(4, 0)
    ]


# --- frames ---------------------------------------------------------------------------------------


def _hot_neighbour(x_um: float, **more: Any) -> Change:
    """Two lenses of two doses, x_um apart, each with a frame 20 + 5 um in radius."""

    def change(data: Recipe) -> None:
        data["exposure"].update(exposed="background", frame_width="5 um")
        data["dies"]["lens"] = [
            {"lens": "dot", "at": [f"{-x_um / 2} um", "0 um"]},
            {"lens": "dot", "at": [f"{x_um / 2} um", "0 um"], "dose": 1.1},
        ]

    return change


def test_frames_of_two_doses_stand_on_two_layers(tmp_path: Path) -> None:
    tree, cells = layout(tmp_path, LONE, _hot_neighbour(50.4))
    sound(tree, cells)
    (die,) = (c for c in cells if c.name.startswith("D_"))
    frames = {g.layer: g.polygons for g in die.polygons if g.layer.number == 4}
    assert set(frames) == {Layer(4, 0), Layer(4, 101)}
    for layer, x in ((Layer(4, 0), -25_200), (Layer(4, 101), 25_200)):
        (polygon,) = frames[layer]
        assert len(polygon) == 256
        radius = np.hypot(polygon[:, 0] - x, polygon[:, 1])
        assert np.abs(radius - 25_000).max() < 1


@pytest.mark.parametrize("x_um", [46.0, 50.0])
def test_frames_of_two_doses_that_meet_are_refused(tmp_path: Path, x_um: float) -> None:
    with pytest.raises(InputError, match=r"^dies\.lens: want frames of different doses apart"):
        layout(tmp_path, LONE, _hot_neighbour(x_um))


def test_frames_of_two_doses_that_close_a_ring_are_refused(tmp_path: Path) -> None:
    # seven of eight frames make a C, the eighth closes it: cut at its hole, the ring is two pieces,
    # as many as C and frame are
    def change(data: Recipe) -> None:
        data["exposure"].update(exposed="background", frame_width="5 um")
        data["wafer"]["diameter"], data["wafer"]["die_pitch"] = "600 um", ["250 um", "250 um"]
        places = [(-46, -46), (0, -46), (46, -46), (46, 0), (46, 46), (0, 46), (-46, 46), (-46, 0)]
        data["dies"]["lens"] = [{"lens": "dot", "at": [f"{x} um", f"{y} um"]} for x, y in places]
        data["dies"]["lens"][3]["dose"] = 1.1

    with pytest.raises(InputError, match=r"^dies\.lens: want frames of different doses apart"):
        layout(tmp_path, LONE, change)
