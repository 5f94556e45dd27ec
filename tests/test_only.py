"""A trial clip holds what the whole wafer holds in that die's square, polygon for polygon."""

from __future__ import annotations

import copy
import csv
import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import klayout.db as kdb
import pytest
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import InputError
from tests.e2e_recipes import Recipe, files, rehash, write

HALF = 100_000  # of a die, nm


def mirrored(recipe: Recipe) -> None:
    recipe["replication"]["transfers"] = "odd"
    recipe["lenses"][0]["phase"].append({"kind": "tilt", "angle": "3 deg", "direction": "20 deg"})


def background(recipe: Recipe) -> None:
    recipe["exposure"] |= {"exposed": "background", "frame_width": "8 um"}
    recipe["pads"][1]["densities"] = [0.6, 0.8]


CHANGES: dict[str, Callable[[Recipe], None] | None] = {
    "even": None,
    "odd": mirrored,
    "background": background,
}


@pytest.fixture(scope="module", params=CHANGES)
def wafer(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The whole wafer and the folder of its recipe."""
    folder = tmp_path_factory.mktemp(request.param)
    path = write(folder, change=CHANGES[request.param])
    return lg.build(lg.load_recipe(path), folder / "out", verify=False), path


def rows(job: Any) -> list[dict[str, str]]:
    return list(csv.DictReader((job.folder / "dies.csv").read_text().splitlines()))


def polygons(path: Path, x: int, y: int) -> Counter[tuple[tuple[int, int], str]]:
    """What lies wholly in a die's square, from the die's centre; by klayout."""
    layout = kdb.Layout()
    layout.read(str(path))
    square = kdb.Box(x - HALF, y - HALF, x + HALF, y + HALF)
    found: Counter[tuple[tuple[int, int], str]] = Counter()
    for index in layout.layer_indexes():
        info = layout.get_info(index)
        shapes = layout.top_cell().begin_shapes_rec_overlapping(index, square)
        while not shapes.at_end():
            polygon = shapes.shape().polygon.transformed(shapes.trans())
            if polygon.bbox().inside(square):
                moved = polygon.transformed(kdb.Trans(-x, -y))
                found[(info.layer, info.datatype), str(moved)] += 1
            shapes.next()
    return found


def place(row: dict[str, str]) -> tuple[int, int]:
    return round(float(row["x_mm"]) * 1e6), round(float(row["y_mm"]) * 1e6)


@pytest.mark.parametrize("die", ["lens", "test", "hot"])
def test_a_clip_is_the_die_as_the_whole_wafer_has_it(wafer: Any, tmp_path: Path, die: str) -> None:
    whole, recipe = wafer
    clip = lg.build(lg.load_recipe(recipe), tmp_path, only=die)
    assert clip.folder.name == f"full-A-only-{die}"
    assert clip.manifest["verified"]
    (row,) = rows(clip)
    assert row in rows(whole)  # it stands where it stands on the wafer
    x, y = place(row)
    for suffix in (".oas", ".gds"):
        found = polygons(clip.folder / f"full-A-only-{die}{suffix}", x, y)
        assert found == polygons(whole.folder / f"full-A{suffix}", x, y)
        assert found.total() > 400
    assert clip.manifest["dies"] == {die: 1}
    everything = kdb.Layout()
    everything.read(str(clip.folder / f"full-A-only-{die}.gds"))
    box = everything.top_cell().bbox()
    assert (box.left, box.bottom, box.right, box.top) == (x - HALF, y - HALF, x + HALF, y + HALF)
    assert everything.top_cell().name == "full_A_only"
    assert lg.verify(clip.folder) == []


def test_the_commonest_of_dies_that_differ_is_taken(tmp_path: Path) -> None:
    # lenses of dies whose centres lie within 300 um are drawn 2 nm smaller: more than half of them
    def zone(recipe: Recipe) -> None:
        recipe["wafer"]["zones"] = [{"outer": "300 um", "bias": "-2 nm"}]

    recipe = write(tmp_path, change=zone)
    whole = lg.build(lg.load_recipe(recipe), tmp_path / "out", verify=False)
    kinds = Counter(
        frozenset(
            text
            for (layer, text) in polygons(whole.folder / "full-A.gds", *place(row))
            if layer[0] == 1
        )
        for row in rows(whole)
        if row["die"] == "lens"
    )
    assert len(kinds) > 1
    clip = lg.build(lg.load_recipe(recipe), tmp_path / "clip", only="lens")
    drawn = polygons(clip.folder / "full-A-only-lens.gds", *place(rows(clip)[0]))
    commonest, count = kinds.most_common(1)[0]
    assert frozenset(text for (layer, text) in drawn if layer[0] == 1) == commonest
    facts = clip.manifest["only"]
    assert facts["alike"] == count
    assert facts["of"] == sum(kinds.values())
    assert facts["densities"] == "those of the whole wafer"
    assert (facts["col"], facts["row"]) == (int(rows(clip)[0]["col"]), int(rows(clip)[0]["row"]))


def test_a_clip_and_its_wafer_are_different_jobs(wafer: Any, tmp_path: Path) -> None:
    whole, recipe = wafer
    clip = lg.build(lg.load_recipe(recipe), tmp_path, only="lens", verify=False)
    other = lg.build(lg.load_recipe(recipe), tmp_path, only="test", verify=False)
    assert len({job.manifest["job"] for job in (whole, clip, other)}) == 3
    head = (clip.folder / "sem_sites.csv").read_text().splitlines()[0]
    assert head == f"# job: full-A-only-lens {clip.manifest['job']}"
    assert "only" not in whole.manifest
    again = lg.build(lg.load_recipe(recipe), tmp_path, only="lens", verify=False)
    assert again.existed
    # the folder rebuilds itself
    rebuilt = lg.build(
        lg.load_recipe(clip.folder / "recipe.yaml"), tmp_path / "again", only="lens", verify=False
    )
    assert files(rebuilt.folder) == files(clip.folder)


def test_a_clip_that_was_altered_is_found_out(tmp_path: Path) -> None:
    recipe = write(tmp_path)
    clip = lg.build(lg.load_recipe(recipe), tmp_path / "out", only="wide", verify=False)
    layout = kdb.Layout()
    layout.read(str(clip.folder / "full-A-only-wide.gds"))
    next(layout.top_cell().each_inst()).transform(kdb.Trans(1, 0))
    layout.write(str(clip.folder / "full-A-only-wide.gds"))
    rehash(clip.folder)
    assert any("full-A-only-wide.gds" in sentence for sentence in lg.verify(clip.folder))
    path = clip.folder / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["only"]["die"] = "hot"
    path.write_text(json.dumps(manifest))
    assert lg.verify(clip.folder)


def test_a_clip_can_be_pictured_and_compared(wafer: Any, tmp_path: Path) -> None:
    whole, recipe = wafer
    clip = lg.build(lg.load_recipe(recipe), tmp_path, only="lens", verify=False)
    made = lg.picture(clip, tmp_path / "w.png", die="lens", size="4 um", pixels=700)
    assert made.facts["polygons"] == 100
    lg.picture(clip, tmp_path / "wafer.png", pixels=700)
    found = lg.compare(clip.folder, whole.folder)
    assert found.facts["dies"]["gone"] == []
    assert len(found.facts["dies"]["added"]) == len(rows(whole)) - 1
    assert all(
        not layer.get("resized") and not layer.get("moved") for layer in found.facts["layers"]
    )


def test_dies_that_are_not_there_are_refused(tmp_path: Path) -> None:
    def spare(recipe: Recipe) -> None:
        recipe["dies"]["spare"] = copy.deepcopy(recipe["dies"]["wide"])

    loaded = lg.load_recipe(write(tmp_path, change=spare))
    for die, sentence in (
        ("moon", "want a die of the recipe (lens, wide, hot, test, spare), got 'moon'"),
        ("spare", "want a die that stands on the wafer, got 'spare', which does not"),
    ):
        with pytest.raises(InputError) as error:
            lg.build(loaded, tmp_path / "out", only=die)
        assert sentence in str(error.value)
    assert not (tmp_path / "out").exists() or not list((tmp_path / "out").iterdir())


def test_the_command_writes_a_clip(tmp_path: Path) -> None:
    recipe = write(tmp_path)
    done = CliRunner().invoke(
        app, ["build", str(recipe), "--out", str(tmp_path / "out"), "--only", "test", "--json"]
    )
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    assert Path(told["folder"]).name == "full-A-only-test"
    assert told["only"]["die"] == "test"
