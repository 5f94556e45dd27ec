"""Verniers across field boundaries and onto a later step, from recipe to verified files, as foreign readers see them."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import gdstk
import klayout.db as kdb
import pytest

import layoutgen as lg
from layoutgen.errors import InputError
from tests.e2e_recipes import FULL, Recipe, rehash, write

STITCH = {
    "kind": "stitch", "pitches": ["4 um", "4.2 um"], "lines": 5, "length": "12 um",
    "at": [["-400 um", "0 um"]],
}  # fmt: skip
LATER = {
    "kind": "vernier", "pitches": ["4 um", "4.2 um"], "lines": 5, "length": "12 um",
    "at": [["400 um", "0 um"]], "second_layer": "20/3",
}  # fmt: skip


def with_marks(data: Recipe, **exposure: Any) -> None:
    data["wafer"]["marks"] = [STITCH, LATER]
    data["exposure"] |= {
        "write_field": "100 um", "dose": "300 uC/cm2", "current": "20 nA", "field_time": "0.5 s", **exposure,
    }  # fmt: skip


@pytest.mark.parametrize("exposed", ["shapes", "background"])
@pytest.mark.parametrize("transfers", ["even", "odd"])
def test_verniers_are_in_the_files_and_only_the_first_step_is_written(
    tmp_path: Path, exposed: str, transfers: str
) -> None:
    def change(data: Recipe) -> None:
        with_marks(data, exposed=exposed)
        data["replication"]["transfers"] = transfers
        if exposed == "background":
            data["exposure"]["frame_width"] = "5 um"
            data["dies"]["test"] = [
                item for item in data["dies"]["test"] if item.get("pad") != "steps"
            ]

    job = lg.build(lg.load_recipe(write(tmp_path, FULL, change)), tmp_path / "out")
    assert job.manifest["verified"]
    flip = -1 if transfers == "odd" else 1
    for form in ("oasis", "gdsii"):
        read = gdstk.read_oas if form == "oasis" else gdstk.read_gds
        top: Any = read(str(job.layout(form))).top_level()[0]
        marks = [p for p in top.polygons if (p.layer, p.datatype) == (2, 0)]
        second = [p for p in top.polygons if (p.layer, p.datatype) == (20, 3)]
        assert len(marks) == 4 * 2 * 5 + 5
        assert len(second) == 5
        # the second combs hang below the base line, 12 um long, 2 um wide, 4.2 um apart
        boxes = sorted(tuple(tuple(corner) for corner in p.bounding_box()) for p in second)
        assert boxes == [
            (
                (pytest.approx(flip * 400 + 4.2 * k - 1), -12),
                (pytest.approx(flip * 400 + 4.2 * k + 1), 0),
            )
            for k in range(-2, 3)
        ]
        layout = kdb.Layout()
        layout.read(str(job.layout(form)))
        assert layout.find_layer(20, 3) is not None
    assert "20/3" not in job.manifest["written"]
    assert job.manifest["written_layers"]["20/3"] == "later_step"
    sheet = (job.folder / "operator.txt").read_text()
    (line,) = [line for line in sheet.splitlines() if line.startswith("20/3 ")]
    assert line.split(maxsplit=1)[1] == (
        "later_step, for the alignment of a later step: not part of this write"
    )
    assert "mark 1, stitch" in sheet
    assert "corner of four fields" in sheet
    # four fields around the stitch mark, and one for the other mark
    assert "45 figures" in sheet
    (row,) = [line for line in sheet.splitlines() if "Layer 2/0" in line]
    assert "5 fields" in row
    assert "Layer 20/3" not in sheet


def test_a_moved_second_comb_is_found(tmp_path: Path) -> None:
    job = lg.build(lg.load_recipe(write(tmp_path, FULL, with_marks)), tmp_path / "out")
    path = job.layout("gdsii")
    library = gdstk.read_gds(str(path))
    top: Any = library.top_level()[0]
    comb = next(p for p in top.polygons if (p.layer, p.datatype) == (20, 3))
    comb.translate(0.001, 0)
    library.write_gds(str(path))
    rehash(job.folder)
    assert lg.verify(job.folder)


@pytest.mark.parametrize(
    ("layer", "said"),
    [
        ("20", "want layer/datatype such as '1/0', each from 0 to "),
        ("2/0", "want a layer/datatype of its own, got 2/0, which is that of marks"),
    ],
)
def test_a_second_layer_is_one_of_its_own(tmp_path: Path, layer: str, said: str) -> None:
    def change(data: Recipe) -> None:
        with_marks(data)
        data["wafer"]["marks"] = [STITCH, LATER | {"second_layer": layer}]

    with pytest.raises(InputError) as caught:
        lg.load_recipe(write(tmp_path, FULL, change))
    (problem,) = caught.value.problems
    assert "wafer.marks[1].second_layer" in problem
    assert said in problem


def test_a_dose_may_not_land_on_the_layer_of_a_later_step(tmp_path: Path) -> None:
    def change(data: Recipe) -> None:
        with_marks(data)
        data["wafer"]["marks"] = [LATER | {"second_layer": "1/101"}]  # pillars at the first dose

    with pytest.raises(InputError, match="1/101, which is that of a later step"):
        lg.load_recipe(write(tmp_path, FULL, change))


def test_a_fault_in_another_mark_does_not_hide_it(tmp_path: Path) -> None:
    def change(data: Recipe) -> None:
        with_marks(data)
        data["wafer"]["marks"] = [STITCH | {"lines": 1}, LATER | {"second_layer": "1/101"}]

    with pytest.raises(InputError) as caught:
        lg.load_recipe(write(tmp_path, FULL, change))
    lines, dose = sorted(caught.value.problems, key=lambda told: "dose" in told)
    assert "wafer.marks[0].lines" in lines
    assert "1/101, which is that of a later step" in dose


def test_witness_dies_are_placed_listed_and_verified(tmp_path: Path) -> None:
    def change(data: Recipe) -> None:
        data["wafer"]["instead"] = []
        data["wafer"]["marks"] = []
        data["wafer"]["witness"] = {"dies": ["test", "wide"], "middle": 0, "rim": 2}

    job = lg.build(lg.load_recipe(write(tmp_path, FULL, change)), tmp_path / "out")
    assert job.manifest["verified"]
    assert job.manifest["dies"]["test"] == job.manifest["dies"]["wide"] == 3
    lines = (job.folder / "dies.csv").read_text().splitlines()
    cells = [line.split(",") for line in lines]
    found = {(int(c[1]), int(c[2])) for c in cells if c[0] == "test"}
    assert found == {(0, 0), (2, 0), (-2, 0)}


@pytest.mark.parametrize(
    ("witness", "said"),
    [
        ({"dies": ["tset"]}, "wafer.witness.dies[0]: want"),
        ({"dies": []}, "wafer.witness.dies: want"),
        ({"dies": ["test"], "rim": -1}, "wafer.witness.rim: want"),
        ({"dies": ["test"], "outer": 4}, "outer"),
    ],
)
def test_faults_of_a_witness_are_told(tmp_path: Path, witness: Any, said: str) -> None:
    def change(data: Recipe) -> None:
        data["wafer"]["witness"] = witness

    with pytest.raises(InputError) as caught:
        lg.load_recipe(write(tmp_path, FULL, change))
    (problem,) = caught.value.problems
    assert said in problem


@pytest.mark.parametrize("unit", ["1 nm", "0.5 nm"])
def test_a_stitch_mark_wants_a_field_of_half_its_side(tmp_path: Path, unit: str) -> None:
    def problems(field_um: float) -> list[str]:
        def change(data: Recipe) -> None:
            with_marks(data, write_field=f"{field_um:g} um")
            data["output"]["database_unit"] = unit

        found = lg.check(lg.load_recipe(write(tmp_path / f"{field_um:g}", FULL, change))).problems
        return [p for p in found if "stitch mark's side" in p]

    (said,) = problems(5)
    half_um = float(re.findall(r"side, ([\d.]+) um", said)[0])
    assert 10 < half_um < 100
    assert not problems(math.ceil(half_um) + 1)
    assert problems(math.floor(half_um) - 1)
