"""What `compare` tells of two layouts is what was planted in one of them, or what klayout counts.

Differences are planted with klayout, which knows nothing of us, in both formats.
"""

from __future__ import annotations

import csv
import json
import math
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import pytest
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import InputError
from layoutgen.review import compare as engine
from layoutgen.review.digests import outline_of
from layoutgen.units import parse_quantity
from tests.e2e_recipes import LONE, Recipe, write

FORMATS = ("oas", "gds")


def built(folder: Path, change: Callable[[Recipe], None] | None = None) -> Any:
    return lg.build(lg.load_recipe(write(folder, change=change)), folder / "out", verify=False)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Four dies with a lens of some two thousand pillars: for files of single polygons."""

    def tiny(recipe: Recipe) -> None:
        recipe["lenses"][0]["aperture"] = "20 um"

    folder = tmp_path_factory.mktemp("small")
    return lg.build(lg.load_recipe(write(folder, LONE, tiny)), folder / "out", verify=False)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return built(tmp_path_factory.mktemp("compare"))


def layout_file(job: Any, form: str) -> Path:
    return Path(job.folder / f"{job.title}.{form}")


def planted(job: Any, form: str, tmp_path: Path, plant: Callable[[Any], None]) -> Path:
    """The job's layout as klayout writes it after a change, in another file."""
    layout = kdb.Layout()
    layout.read(str(layout_file(job, form)))
    plant(layout)
    path = tmp_path / f"planted.{form}"
    layout.write(str(path))
    return path


def flat(path: Path) -> Counter[tuple[tuple[int, int], str]]:
    """Every polygon of a file, by klayout."""
    layout = kdb.Layout()
    layout.read(str(path))
    found: Counter[tuple[tuple[int, int], str]] = Counter()
    for index in layout.layer_indexes():
        info = layout.get_info(index)
        shapes = layout.top_cell().begin_shapes_rec(index)
        while not shapes.at_end():
            polygon = shapes.shape().polygon.transformed(shapes.trans())
            found[(info.layer, info.datatype), str(polygon)] += 1
            shapes.next()
    return found


def layer_facts(found: Any, layer: str) -> dict[str, Any]:
    return next(each for each in found.facts["layers"] if each["layer"] == layer)


# --- equal layouts --------------------------------------------------------------------------------


@pytest.mark.parametrize("first", FORMATS)
@pytest.mark.parametrize("second", FORMATS)
def test_a_job_is_equal_to_itself_in_either_format(job: Any, first: str, second: str) -> None:
    found = lg.compare(layout_file(job, first), layout_file(job, second))
    assert found.equal, found.differences
    same = sum(layer["same"] for layer in found.facts["layers"])
    assert same == flat(layout_file(job, second)).total()


@pytest.mark.parametrize("form", FORMATS)
def test_another_writers_file_of_the_same_polygons_is_equal(
    job: Any, tmp_path: Path, form: str
) -> None:
    def nothing(layout: Any) -> None:
        layout.create_cell("UNUSED")  # an empty cell draws nothing

    found = lg.compare(layout_file(job, "oas"), planted(job, form, tmp_path, nothing))
    assert found.equal, found.differences


def test_a_tree_that_is_cut_up_otherwise_is_equal(small: Any, tmp_path: Path) -> None:
    def flatten_lenses(layout: Any) -> None:
        # octants, diagonals and their blocks become single references in one cell, or single polygons
        for cell in list(layout.each_cell()):
            if cell.name.startswith("L_") and cell.name.count("_") == 2:
                layout.flatten(cell.cell_index(), 2 if cell.name.endswith("0") else -1, True)

    def flatten_all(layout: Any) -> None:
        layout.top_cell().flatten(True)

    for plant in (flatten_lenses, flatten_all):
        path = planted(small, "oas", tmp_path, plant)
        for pair in ((layout_file(small, "gds"), path), (path, layout_file(small, "oas"))):
            found = lg.compare(*pair)
            assert found.equal, found.differences


def test_tiles_do_not_matter(small: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def smaller(layout: Any) -> None:
        layout.top_cell().flatten(True)
        shapes = layout.top_cell().shapes(layout.layer(1, 0))
        shape = next(shapes.each())
        shapes.replace(shape, shape.polygon.sized(-3))

    path = planted(small, "oas", tmp_path, smaller)
    told = []
    for polygons in (400_000, 3_000):
        monkeypatch.setattr(engine, "TILE_POLYGONS", polygons)
        found = lg.compare(layout_file(small, "oas"), path)
        facts = layer_facts(found, "1/0")
        told.append((found.differences, facts["resized"], facts["same"], facts["gone"]))
    assert told[0] == told[1]
    assert told[0][1] == 1


# --- planted differences --------------------------------------------------------------------------


def change_one_pillar(layout: Any) -> None:
    """Put the next larger pillar on one site of the fullest block of a lens."""
    sizes = {
        cell.cell_index(): cell.bbox().width()
        for cell in layout.each_cell()
        if "_" not in cell.name and cell.child_instances() == 0
    }
    block = max(
        (cell for cell in layout.each_cell() if cell.name.startswith("L_")),
        key=lambda cell: sum(i.size() for i in cell.each_inst() if i.cell_index in sizes),
    )
    for instance in list(block.each_inst()):
        if instance.cell_inst.size() > 1:
            instance.explode()
    instance = next(i for i in block.each_inst() if i.cell_index in sizes)
    wanted = min(size for size in sizes.values() if size > sizes[instance.cell_index])
    instance.cell_index = next(index for index, size in sizes.items() if size == wanted)


@pytest.mark.parametrize("form", FORMATS)
def test_one_pillars_size_is_found(job: Any, tmp_path: Path, form: str) -> None:
    path = planted(job, form, tmp_path, change_one_pillar)
    before, after = flat(layout_file(job, form)), flat(path)
    images = (after - before).total()  # one site of an octant stands eight times on each lens
    assert images > 0
    found = lg.compare(layout_file(job, form), path)
    assert not found.equal
    facts = [each for each in found.facts["layers"] if each.get("resized")]
    assert sum(each["resized"] for each in facts) == images
    lost, new = (
        {math.sqrt(4 * kdb.Polygon.from_s(text).area() / math.pi) for _, text in difference}
        for difference in (before - after, after - before)
    )
    assert len(lost) == len(new) == 1
    expected = round(new.pop() - lost.pop(), 2)
    assert {h["nm"] for each in facts for h in each["histogram"]} == {expected}
    assert any("changed size by +" in sentence for sentence in found.differences)
    # the examples stand where klayout finds a new polygon
    corners = {text for _, text in (after - before)}
    example = facts[0]["examples"]["resized"][0]
    x, y = round(example["x_mm"] * 1e6), round(example["y_mm"] * 1e6)
    boxes = [kdb.Polygon.from_s(text).bbox().center() for text in corners]
    assert kdb.Point(x, y) in boxes


@pytest.mark.parametrize("form", FORMATS)
def test_a_tolerance_lets_small_changes_pass(job: Any, tmp_path: Path, form: str) -> None:
    path = planted(job, form, tmp_path, change_one_pillar)
    assert not lg.compare(layout_file(job, form), path, tolerance="0.5 nm").equal
    found = lg.compare(layout_file(job, form), path, tolerance="4 nm")
    assert found.equal
    assert sum(layer.get("within_tolerance", 0) for layer in found.facts["layers"]) > 0


@pytest.mark.parametrize("form", FORMATS)
def test_a_moved_mark_is_found(job: Any, tmp_path: Path, form: str) -> None:
    def move(layout: Any) -> None:
        shapes = layout.top_cell().shapes(layout.layer(2, 0))
        cross = max(shapes.each(), key=lambda shape: shape.bbox().width() * shape.bbox().height())
        shapes.transform(cross, kdb.Trans(130, -40))

    found = lg.compare(layout_file(job, form), planted(job, form, tmp_path, move))
    assert len(found.differences) == 1
    assert "layer 2/0: 1 polygon moved, by up to 136.015 nm" in found.differences[0]
    assert "by (130, -40) nm" in found.differences[0]
    assert layer_facts(found, "2/0")["moved_nm"] == pytest.approx(math.hypot(130, 40))
    for tolerance, equal in (("136 nm", False), ("0.137 um", True)):
        assert lg.compare(layout_file(job, form), planted(job, form, tmp_path, move),
                          tolerance=tolerance).equal is equal  # fmt: skip


def drop_a_die(layout: Any) -> None:
    dies = [i for i in layout.top_cell().each_inst() if i.cell.name.startswith("D_lens")]
    min(dies, key=lambda i: (i.trans.disp.x, i.trans.disp.y)).delete()


@pytest.mark.parametrize("form", FORMATS)
def test_a_dropped_die_is_found(job: Any, tmp_path: Path, form: str) -> None:
    path = planted(job, form, tmp_path, drop_a_die)
    lost = flat(layout_file(job, form)) - flat(path)
    found = lg.compare(layout_file(job, form), path)
    totals: Counter[str] = Counter()
    for (layer, _), n in lost.items():
        totals[f"{layer[0]}/{layer[1]}"] += n
    assert totals["1/0"] > 1000
    for numbers, count in totals.items():
        assert layer_facts(found, numbers)["gone"] == count
    assert any("polygons gone; such as at" in s and "cell D_lens" in s for s in found.differences)
    backwards = lg.compare(path, layout_file(job, form))
    assert layer_facts(backwards, "1/0")["added"] == totals["1/0"]


@pytest.mark.parametrize("form", FORMATS)
def test_a_moved_die_is_found_as_one_move(job: Any, tmp_path: Path, form: str) -> None:
    def move(layout: Any) -> None:
        for instance in list(layout.top_cell().each_inst()):
            if instance.cell.name.startswith("D_hot"):
                instance.transform(kdb.Trans(7, 24))

    path = planted(job, form, tmp_path, move)
    found = lg.compare(layout_file(job, form), path)
    moved = (flat(layout_file(job, form)) - flat(path)).total()
    assert sum(layer["moved"] for layer in found.facts["layers"]) == moved
    assert {layer["moved_nm"] for layer in found.facts["layers"]} == {0.0, 25.0}
    assert any(
        "cell D_hot" in sentence and "by (7, 24) nm" in sentence for sentence in found.differences
    )


@pytest.mark.parametrize("form", FORMATS)
def test_a_renumbered_layer_is_told_and_not_taken_for_other_polygons(
    job: Any, tmp_path: Path, form: str
) -> None:
    def renumber(layout: Any) -> None:
        layout.set_info(layout.layer(3, 0), kdb.LayerInfo(33, 4))

    found = lg.compare(layout_file(job, form), planted(job, form, tmp_path, renumber))
    assert found.differences == ("layers: 3/0 has become 33/4",)


@pytest.mark.parametrize("form", FORMATS)
def test_swapped_datatypes_are_told(job: Any, tmp_path: Path, form: str) -> None:
    def swap(layout: Any) -> None:
        first, second = layout.layer(1, 1), layout.layer(1, 2)
        layout.set_info(first, kdb.LayerInfo(9, 9))
        layout.set_info(second, kdb.LayerInfo(1, 1))
        layout.set_info(first, kdb.LayerInfo(1, 2))

    found = lg.compare(layout_file(job, form), planted(job, form, tmp_path, swap))
    assert found.differences == ("layers: 1/1 and 1/2 are swapped",)


@pytest.mark.parametrize("form", FORMATS)
def test_a_renumbered_layer_with_a_changed_size_is_both(
    job: Any, tmp_path: Path, form: str
) -> None:
    def both(layout: Any) -> None:
        change_one_pillar(layout)
        layout.set_info(layout.layer(1, 0), kdb.LayerInfo(8, 0))

    found = lg.compare(layout_file(job, form), planted(job, form, tmp_path, both))
    assert "layers: 1/0 has become 8/0" in found.differences
    assert any("changed size" in sentence for sentence in found.differences)
    assert not any("gone" in sentence for sentence in found.differences)


def test_a_lost_layer_is_told(job: Any, tmp_path: Path) -> None:
    def lose(layout: Any) -> None:
        layout.delete_layer(layout.layer(2, 0))

    path = planted(job, "gds", tmp_path, lose)
    marks = sum(n for (layer, _), n in flat(layout_file(job, "gds")).items() if layer == (2, 0))
    assert lg.compare(layout_file(job, "gds"), path).differences == (
        f"layers: 2/0 is gone, {marks} polygons",
    )
    assert lg.compare(path, layout_file(job, "gds")).differences == (
        f"layers: 2/0 is added, {marks} polygons",
    )


def test_another_outline_of_the_same_area_is_told(job: Any, tmp_path: Path) -> None:
    def turn(layout: Any) -> None:
        shapes = layout.top_cell().shapes(layout.layer(2, 0))
        shape = min(shapes.each(), key=lambda each: each.area())
        box = shape.bbox()
        across = kdb.Box(
            box.center().x - box.height() // 2, box.center().y - box.width() // 2,
            box.center().x + box.height() // 2, box.center().y + box.width() // 2,
        )  # fmt: skip
        shapes.replace(shape, across)

    found = lg.compare(layout_file(job, "gds"), planted(job, "gds", tmp_path, turn))
    assert len(found.differences) == 1
    assert "layer 2/0: 1 polygon changed outline and kept their area" in found.differences[0]


def test_pillars_that_are_moved_within_the_lattice_are_found(small: Any, tmp_path: Path) -> None:
    def nudge(layout: Any) -> None:
        layout.top_cell().flatten(True)
        shapes = layout.top_cell().shapes(layout.layer(1, 0))
        for shape in list(shapes.each())[:30]:
            shapes.transform(shape, kdb.Trans(3, 4))

    found = lg.compare(layout_file(small, "gds"), planted(small, "gds", tmp_path, nudge))
    facts = layer_facts(found, "1/0")
    assert (facts["moved"], facts["moved_nm"], facts["gone"], facts["added"]) == (30, 5.0, 0, 0)


# --- two jobs -------------------------------------------------------------------------------------


def pillars_by_radius(job: Any, names: set[str], bins: int, aperture_um: float) -> Counter[float]:
    """Pillars of the lenses of some dies, by the bin of their distance from the lens's axis."""
    layout = kdb.Layout()
    layout.read(str(layout_file(job, "gds")))
    found: Counter[float] = Counter()
    width = aperture_um / 2 / bins
    for die in csv.DictReader((job.folder / "dies.csv").read_text().splitlines()):
        if f"{die['col']},{die['row']}" not in names:
            continue
        x, y = (round(float(die[key]) * 1e6) for key in ("x_mm", "y_mm"))
        for layer in layout.layer_indexes():
            if layout.get_info(layer).layer != 1:
                continue
            box = kdb.Box(x - 21_000, y - 21_000, x + 21_000, y + 21_000)
            shapes = layout.top_cell().begin_shapes_rec_touching(layer, box)
            while not shapes.at_end():
                centre = shapes.shape().polygon.transformed(shapes.trans()).bbox().center()
                radius = math.hypot(centre.x - x, centre.y - y) * 1e-3
                found[math.floor(radius / width) * width] += 1
                shapes.next()
    return found


def test_a_changed_zone_bias_is_told_by_size_radius_and_density(job: Any, tmp_path: Path) -> None:
    def zone(recipe: Recipe) -> None:
        recipe["revision"] = "B"
        recipe["wafer"]["zones"] = [{"outer": "250 um", "bias": "2 nm"}]

    other = built(tmp_path, zone)
    found = lg.compare(job.folder, other.folder)
    assert "recipe.yaml: not the same" in found.notes
    # dies whose centres lie within 250 um are those beside the middle one; [0, 1] has no lens
    expected = pillars_by_radius(job, {"1,0", "-1,0", "0,-1"}, 10, 40.0)
    facts = [each for each in found.facts["layers"] if each["resized"]]
    histogram: Counter[float] = Counter()
    for each in facts:
        for entry in each["histogram"]:
            histogram[entry["nm"]] += entry["count"]
    assert histogram == {2.0: expected.total()}
    told: Counter[float] = Counter()
    by_density = 0
    for each in facts:
        for entry in each["by"]["dot: radius_um"]:
            told[entry["from"]] += entry["count"]
            assert entry["low_nm"] == entry["high_nm"] == 2.0
        by_density += sum(entry["count"] for entry in each["by"]["dot: density"])
        assert all(0 <= entry["from"] < 0.6 for entry in each["by"]["dot: density"])
    assert told == expected
    assert by_density == expected.total()
    assert lg.compare(job.folder, other.folder, tolerance="2 nm").equal


def test_dies_marks_and_doses_of_two_jobs_are_told(job: Any, tmp_path: Path) -> None:
    def alter(recipe: Recipe) -> None:
        wafer = recipe["wafer"]
        wafer["instead"][1]["sites"] = [[1, 0]]  # [-1, 1] is a lens again
        wafer["marks"][0]["at"] = [["-399.9 um", "0 um"]]
        wafer["marks"] = [*wafer["marks"][:2], {"kind": "box", "outer": "30 um", "width": "5 um", "at": [["0 um", "400 um"]]}]  # fmt: skip
        recipe["dies"]["hot"][0]["dose"] = 1.2

    other = built(tmp_path, alter)
    found = lg.compare(job.folder, other.folder)
    text = "\n".join(found.differences)
    assert "relative doses: " in text
    assert "dies: 1 changed: [-1, 1] from wide to lens" in text
    assert "marks: cross at (-0.4000000, 0.0000000) mm moved by (100, 0) nm" in text
    assert "marks: vernier at (0.0000000, -0.4000000) mm gone" in text
    assert "marks: box at (0.0000000, 0.4000000) mm added" in text
    # the split of the die that is a lens again: 4 nm smaller, on every pillar of one lens
    sizes = layer_facts(found, "1/0")["histogram"]
    assert [entry["nm"] for entry in sizes] == [-4.0]
    kept = lg.open_job(job.folder).manifest["lenses"]["dot"]["pillars"]
    assert sizes[0]["count"] == kept


def test_gone_and_added_dies_of_two_jobs_are_told(job: Any, tmp_path: Path) -> None:
    def keep_out(recipe: Recipe) -> None:
        recipe["wafer"]["keep_out"] = [{"at": ["0 um", "400 um"], "size": ["20 um", "20 um"]}]

    other = built(tmp_path, keep_out)
    found = lg.compare(job.folder, other.folder)
    assert any(s.startswith("dies: 1 gone (1 lens): [0, 2]") for s in found.differences)
    back = lg.compare(other.folder, job.folder)
    assert any(s.startswith("dies: 1 added (1 lens): [0, 2]") for s in back.differences)
    assert back.facts["dies"]["added"] == [{"die": "lens", "col": 0, "row": 2}]


def test_a_mirrored_job_is_told_as_such(job: Any, tmp_path: Path) -> None:
    def odd(recipe: Recipe) -> None:
        recipe["replication"]["transfers"] = "odd"

    found = lg.compare(job.folder, built(tmp_path, odd).folder)
    text = "\n".join(found.differences)
    assert "tone: pillars against holes" in text
    assert "mirrored layout: False against True" in text


def test_a_job_and_a_file_are_compared_by_their_polygons(job: Any) -> None:
    assert lg.compare(job.folder, layout_file(job, "gds")).equal


def test_another_database_unit_is_told(job: Any, tmp_path: Path) -> None:
    layout = kdb.Layout()
    layout.read(str(layout_file(job, "gds")))
    layout.dbu = 0.0005
    layout.write(str(tmp_path / "half.gds"))
    found = lg.compare(layout_file(job, "gds"), tmp_path / "half.gds")
    assert found.differences == (
        "database unit: 1 nm against 0.5 nm; the polygons are not compared",
    )


# --- the command ----------------------------------------------------------------------------------


def test_exit_status_tells_whether_they_differ(job: Any, tmp_path: Path) -> None:
    path = planted(job, "gds", tmp_path, change_one_pillar)
    a = str(layout_file(job, "gds"))
    run = CliRunner().invoke
    assert run(app, ["compare", a, a]).exit_code == 0
    assert "equal" in run(app, ["compare", a, a]).output
    done = run(app, ["compare", a, str(path)])
    assert done.exit_code == 1
    assert "changes of diameter" in done.output
    assert run(app, ["compare", a, str(path), "--tolerance", "4 nm"]).exit_code == 0
    done = run(app, ["compare", a, str(path), "--json"])
    assert done.exit_code == 1
    facts = json.loads(done.output)
    assert facts["equal"] is False
    assert facts["layers"]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--tolerance", "1"], "--tolerance: want a length such as"),
        (["--tolerance", "-1 nm"], "--tolerance: want a length of 0 or more"),
    ],
)
def test_bad_tolerances_are_refused(job: Any, options: list[str], sentence: str) -> None:
    a = str(layout_file(job, "gds"))
    done = CliRunner().invoke(app, ["compare", a, a, *options])
    assert done.exit_code == 2
    assert sentence in done.output


def test_what_cannot_be_compared_is_refused(job: Any, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="want a layout file to read"):
        lg.compare(layout_file(job, "gds"), tmp_path / "none.gds")
    with pytest.raises(InputError, match=r"want a job folder with its manifest\.json"):
        lg.compare(tmp_path, layout_file(job, "gds"))
    copy = tmp_path / "copy"
    shutil.copytree(job.folder, copy)
    manifest = json.loads((copy / "manifest.json").read_text())
    for name in ("full-A.oas", "full-A.gds"):
        del manifest["files"][name]
    (copy / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(InputError, match="want a job with a layout file, got none"):
        lg.compare(job.folder, copy)


# --- digests --------------------------------------------------------------------------------------


def test_an_outline_is_the_same_however_it_is_written() -> None:
    square = np.array([(0, 0), (4, 0), (4, 2), (0, 2)], np.int64)
    same = [square[::-1], np.roll(square, 2, axis=0),
            np.array([(0, 0), (2, 0), (4, 0), (4, 2), (0, 2), (0, 0)])]  # fmt: skip
    assert all(outline_of(each).words == outline_of(square).words for each in same)
    assert outline_of(square + 5).words == outline_of(square).words
    assert outline_of(square + 5).centre2 == (14, 12)
    assert outline_of(square * 2).words != outline_of(square).words
    assert parse_quantity("1 nm", "length") == 1.0
