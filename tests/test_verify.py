"""`verify` proves a job equal to its recipe: every kind of damage is found, by the deep check too.

Layouts are altered with klayout, which shares nothing with the writer or the readers here, and the
manifest's hashes are brought up to date afterwards, so that only reading the layout can tell.
"""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import pytest
import yaml

import layoutgen as lg
from layoutgen.errors import InputError
from layoutgen.pipeline import Job, Wafer, cell_stream, design, open_job, verify_folder
from tests.e2e_recipes import rehash, run, write

FORMS = ("oasis", "gdsii")
READERS = ("own", "gdstk")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Wafer, Path]:
    folder = tmp_path_factory.mktemp("verify")
    loaded = lg.load_recipe(write(folder))
    job = lg.build(loaded, folder / "out", verify=False)
    return design(loaded), job.folder


@pytest.fixture
def job(built: tuple[Wafer, Path], tmp_path: Path) -> Job:
    """A copy of the job folder that a test may damage."""
    copy = tmp_path / built[1].name
    shutil.copytree(built[1], copy)
    return open_job(copy)


def found(job: Job, wafer: Wafer | None = None, reader: str = "own") -> list[str]:
    return verify_folder(open_job(job.folder), wafer=wafer, reader=reader)


# --- layouts altered by klayout -------------------------------------------------------------------


class Edited:
    """A layout that klayout has opened for editing: arrays are single instances."""

    def __init__(self, path: Path) -> None:
        self.layout: Any = kdb.Layout(True)
        self.layout.read(str(path))
        self.top: Any = self.layout.top_cell()
        cells = {cell.name: cell for cell in self.layout.each_cell()}
        #: the cell of one block of the lens, and one of its pillars
        self.block: Any = next(
            cells[name]
            for name in sorted(cells)
            if name.startswith("L_dot_") and name.endswith("_0_0") and self.leaves(cells[name])
        )
        self.pillar: Any = next(
            pillar
            for pillar in self.block.each_inst()
            if pillar.trans.disp.x > 5000 and pillar.trans.disp.y > 3000
        )

    @staticmethod
    def leaves(cell: Any) -> bool:
        return cell.child_instances() > 100

    def layer(self, number: int, datatype: int) -> Any:
        return self.layout.layer(number, datatype)

    def dies(self, name: str) -> list[Any]:
        return [i for i in self.top.each_inst() if i.cell.name.startswith(f"D_{name}_")]

    def save(self, path: Path) -> None:
        options: Any = kdb.SaveLayoutOptions()
        options.set_format_from_filename(str(path))
        options.gds2_write_timestamps = False
        self.layout.write(str(path), options)


def one_pillar_missing(e: Edited) -> None:
    e.pillar.delete()


def one_pillar_more(e: Edited) -> None:
    # an octant holds nothing above its diagonal
    at = kdb.Trans(kdb.Vector(3000, 15000))
    assert at.disp not in {pillar.trans.disp for pillar in e.block.each_inst()}
    e.block.insert(kdb.CellInstArray(e.pillar.cell_index, at))


def one_pillar_twice(e: Edited) -> None:
    e.block.insert(kdb.CellInstArray(e.pillar.cell_index, e.pillar.trans))


def one_pillar_moved_by_1_nm(e: Edited) -> None:
    e.pillar.trans = kdb.Trans(e.pillar.trans.disp + kdb.Vector(1, 0))


def one_pillar_a_step_off(e: Edited) -> None:
    """The next drawn size of the ladder in place of its own, in this one place."""
    others = {}
    for cell in e.layout.each_cell():
        if cell.child_instances() == 0 and not cell.shapes(e.layer(1, 0)).is_empty():
            others[cell.bbox().width()] = cell.cell_index()
    here = e.pillar.cell.bbox().width()
    e.pillar.cell_index = others[min((w for w in others if w != here), key=lambda w: abs(w - here))]


def a_shape_1_nm_wider(e: Edited) -> None:
    shapes = e.pillar.cell.shapes(e.layer(1, 0))
    (shape,) = list(shapes.each())
    points = [kdb.Point(p.x + (p.x == shape.bbox().right), p.y) for p in shape.each_point()]
    shapes.clear()
    shapes.insert(kdb.Polygon(points))


def two_dies_swapped(e: Edited) -> None:
    test, wide = e.dies("test")[0], e.dies("wide")[0]
    test.cell_index, wide.cell_index = wide.cell_index, test.cell_index


def one_die_missing(e: Edited) -> None:
    e.dies("hot")[0].delete()


def one_die_moved_by_1_nm(e: Edited) -> None:
    die = e.dies("lens")[0]
    die.trans = kdb.Trans(die.trans.disp + kdb.Vector(0, -1))


def one_die_turned(e: Edited) -> None:
    die = e.dies("test")[0]
    die.trans = kdb.Trans(kdb.Trans.R180, die.trans.disp)


def a_mark_moved_by_1_nm(e: Edited) -> None:
    shapes = e.top.shapes(e.layer(2, 0))
    mark = next(iter(shapes.each()))
    shapes.insert(mark.polygon.moved(1, 0))
    shapes.erase(mark)


def a_mark_missing(e: Edited) -> None:
    shapes = e.top.shapes(e.layer(2, 0))
    shapes.erase(next(iter(shapes.each())))


def a_polygon_added(e: Edited) -> None:
    e.top.shapes(e.layer(2, 0)).insert(kdb.Polygon(kdb.Box(1000, 1000, 2000, 2000)))


def a_polygon_added_beside_the_pillars(e: Edited) -> None:
    e.block.shapes(e.layer(1, 0)).insert(kdb.Polygon(kdb.Box(1000, 1000, 1100, 1100)))


def a_text_added(e: Edited) -> None:
    e.block.shapes(e.layer(1, 0)).insert(kdb.Text("note", kdb.Trans(1000, 1000)))


def pillars_on_another_layer(e: Edited) -> None:
    e.layout.set_info(e.layer(1, 0), kdb.LayerInfo(7, 0))


def marks_on_another_datatype(e: Edited) -> None:
    e.layout.set_info(e.layer(2, 0), kdb.LayerInfo(2, 5))


def a_block_emptied(e: Edited) -> None:
    e.block.clear()


def a_label_with_another_letter(e: Edited) -> None:
    letters = [c for c in e.layout.each_cell() if c.name.startswith("C_")]
    shapes = letters[0].shapes(e.layer(3, 0))
    shapes.erase(next(iter(shapes.each())))


def a_lens_not_mirrored_where_it_should_be(e: Edited) -> None:
    lens = next(
        c for c in e.layout.each_cell() if c.name.startswith("L_dot_") and c.name.count("_") == 2
    )
    copies = [i for i in lens.each_inst() if i.trans.is_mirror()]
    copies[0].trans = kdb.Trans(copies[0].trans.angle, False, 0, 0)


def a_cell_on_top_added(e: Edited) -> None:
    cell = e.layout.create_cell("SPARE")
    cell.shapes(e.layer(1, 0)).insert(kdb.Polygon(kdb.Box(0, 0, 100, 100)))


def another_database_unit(e: Edited) -> None:
    e.layout.dbu = 0.002


EDITS: dict[Callable[[Edited], None], str] = {
    one_pillar_missing: "got no pillar",
    one_pillar_more: "want no pillar",
    one_pillar_twice: "",
    one_pillar_moved_by_1_nm: "",
    one_pillar_a_step_off: "want a pillar of",
    a_shape_1_nm_wider: "another outline",
    two_dies_swapped: "D_test_",
    one_die_missing: "D_hot_",
    one_die_moved_by_1_nm: "D_lens_",
    one_die_turned: "D_test_",
    a_mark_moved_by_1_nm: "a polygon on 2/0",
    a_mark_missing: "a polygon on 2/0",
    a_polygon_added: "a polygon on 2/0",
    a_polygon_added_beside_the_pillars: "want pillars only",
    a_text_added: "text",
    pillars_on_another_layer: "want layer 1/0, got 7/0",
    marks_on_another_datatype: "2/5",
    a_block_emptied: "got no pillar",
    a_label_with_another_letter: "a polygon on 3/0",
    a_lens_not_mirrored_where_it_should_be: "mirrored is missing",
    a_cell_on_top_added: "SPARE",
    another_database_unit: "want a database unit of 1 nm, got 2 nm",
}


@pytest.mark.parametrize("reader", READERS)
def test_an_untouched_job_is_equal_to_its_recipe(
    built: tuple[Wafer, Path], job: Job, reader: str
) -> None:
    assert found(job, built[0], reader) == []
    assert found(job, None, reader) == []
    assert lg.verify(job.folder, reader=reader) == []


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("reader", READERS)
def test_a_layout_that_another_program_has_written_anew_is_still_equal(
    built: tuple[Wafer, Path], job: Job, form: str, reader: str
) -> None:
    # other bytes, other records, the same geometry: the hash objects and the deep check does not
    path = job.layout(form)
    Edited(path).save(path)
    (changed,) = found(job, built[0], reader)
    assert "SHA-256" in changed
    rehash(job.folder)
    assert found(job, built[0], reader) == []


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("edit", EDITS, ids=lambda edit: edit.__name__)
def test_the_deep_check_finds(
    built: tuple[Wafer, Path], job: Job, form: str, edit: Callable[[Edited], None]
) -> None:
    path = job.layout(form)
    edited = Edited(path)
    edit(edited)
    edited.save(path)
    rehash(job.folder)
    for reader in READERS:
        problems = found(job, built[0], reader)
        assert problems, f"{edit.__name__} goes unseen by {reader}"
        assert all(path.name in sentence for sentence in problems), problems
        assert any(EDITS[edit] in sentence for sentence in problems), problems
