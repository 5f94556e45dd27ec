"""`verify` proves a job equal to its recipe: every kind of damage is found, by the deep check too.

Layouts are altered with klayout, which shares nothing with the writer or the readers here, and the
manifest's hashes are brought up to date afterwards, so that only reading the layout can tell.
"""

from __future__ import annotations

import json
import random
import re
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import klayout.db as kdb
import numpy as np
import pytest
import yaml
from typer.testing import CliRunner

import layoutgen as lg
from layoutgen.cli import app
from layoutgen.errors import InputError
from layoutgen.layout.shapes import disc_polygon
from layoutgen.pipeline.design import Wafer, design
from layoutgen.pipeline.job import Job, open_job
from layoutgen.pipeline.verify import verify_folder
from tests.e2e_recipes import LONE, Recipe, rehash, write

FORMS = ("oasis", "gdsii")
READERS = ("own", "gdstk")


def light(recipe: Recipe) -> None:
    """Without the pad that holds most of the pillars: nothing here is about pads."""
    recipe["dies"]["test"] = [i for i in recipe["dies"]["test"] if i.get("pad") != "steps"]
    recipe["pads"] = recipe["pads"][:1]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Wafer, Path]]:
    """Design and job folder with one layout, for each format; `both` has the two."""
    made = {}
    for form in (*FORMS, "both"):

        def change(recipe: Recipe, form: str = form) -> None:
            light(recipe)
            recipe["output"]["formats"] = [form] if form in FORMS else list(FORMS)

        folder = tmp_path_factory.mktemp(form)
        loaded = lg.load_recipe(write(folder, change=change))
        job = lg.build(loaded, folder / "out", verify=False, jobs=1)
        made[form] = design(loaded), job.folder
    return made


Damaged = Callable[[str], tuple[Wafer, Job]]


@pytest.fixture
def damaged(built: dict[str, tuple[Wafer, Path]], tmp_path: Path) -> Damaged:
    """Gives a design, and a copy of its job folder that a test may damage."""

    def copy(form: str) -> tuple[Wafer, Job]:
        wafer, folder = built[form]
        shutil.copytree(folder, tmp_path / "copy" / folder.name)
        return wafer, open_job(tmp_path / "copy" / folder.name)

    return copy


@pytest.fixture
def job(damaged: Damaged) -> Job:
    return damaged("both")[1]


def found(job: Job, wafer: Wafer | None = None, reader: str = "own") -> list[str]:
    """Differences; with the wafer as it was designed before, to save time, or designed anew."""
    return verify_folder(open_job(job.folder), wafer=wafer, reader=reader, jobs=1)


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
        return int(cell.child_instances()) > 100

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
    at = kdb.Trans(kdb.Vector(3000, 13000))
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
    points = [
        kdb.Point(p.x + (p.x == shape.bbox().right), p.y) for p in shape.polygon.each_point_hull()
    ]
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
    a_text_added: "want pillars only",
    pillars_on_another_layer: "want layer 1/0, got 7/0",
    marks_on_another_datatype: "2/5",
    a_block_emptied: "got no pillar",
    a_label_with_another_letter: "a polygon on 3/0",
    a_lens_not_mirrored_where_it_should_be: "mirrored is missing",
    a_cell_on_top_added: "SPARE",
    another_database_unit: "want a database unit of 1 nm, got 2 nm",
}


@pytest.mark.parametrize("reader", READERS)
def test_an_untouched_job_is_equal_to_its_recipe(damaged: Damaged, reader: str) -> None:
    wafer, job = damaged("oasis")
    assert found(job, wafer, reader) == []
    assert found(job, None, reader) == []
    assert lg.verify(job.folder, reader=reader) == []


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("reader", READERS)
def test_a_layout_that_another_program_has_written_anew_is_still_equal(
    damaged: Damaged, form: str, reader: str
) -> None:
    wafer, job = damaged(form)
    # other bytes, other records, the same geometry: the hash objects and the deep check does not
    path = job.layout(form)
    Edited(path).save(path)
    (changed,) = found(job, wafer, reader)
    assert "SHA-256" in changed
    rehash(job.folder)
    assert found(job, wafer, reader) == []


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("edit", EDITS, ids=lambda edit: edit.__name__)
def test_the_deep_check_finds(damaged: Damaged, form: str, edit: Callable[[Edited], None]) -> None:
    wafer, job = damaged(form)
    path = job.layout(form)
    edited = Edited(path)
    edit(edited)
    edited.save(path)
    rehash(job.folder)
    for reader in READERS:
        problems = found(job, wafer, reader)
        assert problems, f"{edit.__name__} goes unseen by {reader}"
        assert all(path.name in sentence for sentence in problems), problems
        assert any(EDITS[edit] in sentence for sentence in problems), problems


def test_a_pillar_off_its_grid_shows_with_the_place_where_one_is_missing(damaged: Damaged) -> None:
    wafer, job = damaged("oasis")
    path = job.layout("oasis")
    edited = Edited(path)
    at = edited.pillar.trans.disp
    one_pillar_moved_by_1_nm(edited)
    edited.save(path)
    rehash(job.folder)
    problems = "\n".join(found(job, wafer))
    assert f"({at.x + 1}, {at.y})" in problems
    assert f"at ({at.x}, {at.y}), got no pillar" in problems


# --- damaged bytes --------------------------------------------------------------------------------

#: Seeds of the positions that are damaged: other runs damage the same.
SEEDS = range(8)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_flipped_bit_is_found_by_its_hash_and_without_it(
    damaged: Damaged, form: str, seed: int
) -> None:
    wafer, job = damaged(form)
    path = job.layout(form)
    data = bytearray(path.read_bytes())
    rng = random.Random(seed)
    at, bit = flip_position(bytes(data), form, rng), 1 << rng.randrange(8)
    data[at] ^= bit
    path.write_bytes(data)
    assert any("SHA-256" in sentence for sentence in found(job, wafer))
    rehash(job.folder)
    problems = found(job, wafer)
    assert problems, f"bit {bit} of byte {at} of {len(data)} goes unseen"
    assert all(path.name in sentence for sentence in problems), problems


def flip_position(data: bytes, form: str, rng: random.Random) -> int:
    """A byte that means something: in GDSII, not in dates and names of the library."""
    if form == "oasis":
        return rng.randrange(len(data))  # its checksum is over every byte
    quiet, at = set(range(4 + 2)), 0
    while at + 4 <= len(data):
        length, kind = int.from_bytes(data[at : at + 2], "big"), data[at + 2]
        if kind in (0x01, 0x02, 0x05):  # BGNLIB, LIBNAME, BGNSTR
            quiet |= set(range(at + 4, at + length))
        if kind == 0x1A:  # STRANS: its unused bits
            quiet |= set(range(at + 4, at + length))
        at += length
    while (found_at := rng.randrange(len(data))) in quiet:
        pass
    return found_at


@pytest.mark.parametrize("seed", SEEDS)
def test_a_flipped_bit_under_a_renewed_checksum_is_found(damaged: Damaged, seed: int) -> None:
    wafer, job = damaged("oasis")
    # SEMI P39: the last four bytes are the CRC32 of all before; who repairs it hides the damage
    # from any check of the bytes, not from one of what they mean
    path = job.layout("oasis")
    data = bytearray(path.read_bytes())
    rng = random.Random(100 + seed)
    at = rng.randrange(len(data) - 256)  # END is padding for the most part
    data[at] ^= 1 << rng.randrange(8)
    data[-4:] = zlib.crc32(data[:-4]).to_bytes(4, "little")
    path.write_bytes(data)
    rehash(job.folder)
    assert found(job, wafer), f"byte {at} of {len(data)}"


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("kept", [0.0, 1e-4, 0.3, 0.999, 0.999999999])
def test_a_truncated_file_is_found(damaged: Damaged, form: str, kept: float) -> None:
    wafer, job = damaged(form)
    path = job.layout(form)
    data = path.read_bytes()
    length = int(kept * len(data))  # nothing, a few bytes, ..., all but the last byte
    path.write_bytes(data[:length])
    assert any("SHA-256" in sentence for sentence in found(job, wafer))
    rehash(job.folder)
    for reader in READERS:
        problems = found(job, wafer, reader)
        assert problems, f"{reader} takes {length} of {len(data)} bytes"
        assert all(path.name in sentence for sentence in problems), problems


@pytest.mark.parametrize("form", FORMS)
def test_a_file_of_another_job_is_found(damaged: Damaged, form: str, tmp_path: Path) -> None:
    wafer, job = damaged(form)

    def change(recipe: Recipe) -> None:
        light(recipe)
        recipe["lenses"][0]["phase"][0]["focal_length"] = "80.2 um"

    other = lg.build(lg.load_recipe(write(tmp_path / "b", change=change)), tmp_path / "other")
    shutil.copy(other.layout(form), job.layout(form))
    rehash(job.folder)
    assert any("want a pillar of" in sentence for sentence in found(job, wafer))


# --- everything else in the folder ----------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["dies.csv", "marks.csv", "sem_sites.csv", "recipe.yaml", "tables/bias.csv"]
)
def test_a_changed_file_is_found_by_its_hash(job: Job, name: str) -> None:
    path = job.folder / name
    path.write_bytes(path.read_bytes() + b"#\n")
    assert any(name in sentence and "SHA-256" in sentence for sentence in found(job))


@pytest.mark.parametrize("name", ["dies.csv", "marks.csv"])
def test_a_changed_list_of_places_is_found_under_a_renewed_hash(job: Job, name: str) -> None:
    path = job.folder / name
    path.write_text(path.read_text().replace("0.2", "0.3").replace("0.4", "0.5"))
    rehash(job.folder)
    (problem,) = found(job)
    assert problem.startswith(f"{name}: ")


def test_a_changed_list_of_sem_sites_is_found_under_a_renewed_hash(job: Job) -> None:
    # a site moved by a pitch would have the operator measure another pillar
    path = job.folder / "sem_sites.csv"
    lines = path.read_text().splitlines()
    cells = lines[2].split(",")
    cells[5] = f"{float(cells[5]) + 0.0004:.7f}"
    path.write_text("\n".join([*lines[:2], ",".join(cells), *lines[3:]]) + "\n")
    rehash(job.folder)
    problems = found(job)
    assert any(sentence.startswith("sem_sites.csv: ") for sentence in problems), problems


def test_a_changed_table_is_found_under_a_renewed_hash(job: Job) -> None:
    # another bias: the job is no longer the one whose hash the manifest states, nor its pillars
    path = job.folder / "tables" / "bias.csv"
    path.write_text(path.read_text().replace("-10.0000", "-14.0000"))
    rehash(job.folder)
    problems = found(job)
    assert any("bias.csv" in s or "hash" in s for s in problems), problems


def test_a_changed_table_and_its_stated_input_hash_are_found_in_the_pillars(job: Job) -> None:
    path = job.folder / "tables" / "bias.csv"
    path.write_text(path.read_text().replace("-10.0000", "-14.0000"))
    rehash(job.folder)
    manifest = json.loads((job.folder / "manifest.json").read_text())
    manifest["inputs"]["bias.csv"]["sha256"] = manifest["files"]["tables/bias.csv"]["sha256"]
    (job.folder / "manifest.json").write_text(json.dumps(manifest))
    problems = found(job)
    assert any("hash" in sentence for sentence in problems)
    assert any("want a pillar of" in sentence for sentence in problems)


def test_a_changed_recipe_is_found_under_a_renewed_hash(job: Job) -> None:
    path = job.folder / "recipe.yaml"
    recipe = yaml.safe_load(path.read_text())
    recipe["lenses"][0]["phase"][0]["focal_length"] = "81 um"
    path.write_text(yaml.safe_dump(recipe, sort_keys=False))
    rehash(job.folder)
    problems = found(job)
    assert any("hash" in sentence for sentence in problems)
    assert any("want a pillar of" in sentence for sentence in problems)


def test_a_recipe_that_no_longer_loads_is_found(job: Job) -> None:
    (job.folder / "recipe.yaml").write_text("name: [\n")
    rehash(job.folder)
    assert any("recipe.yaml" in sentence for sentence in found(job))


@pytest.mark.parametrize(
    "name", ["full-A.oas", "full-A.gds", "dies.csv", "sem_sites.csv", "tables/library.csv"]
)
def test_a_missing_file_is_found(job: Job, name: str) -> None:
    (job.folder / name).unlink()
    problems = found(job)
    assert any(Path(name).name in sentence and "missing" in sentence for sentence in problems)


@pytest.mark.parametrize("key, value", [("pillars", 1), ("dies", {"lens": 1})])
def test_a_changed_count_in_the_manifest_is_found(job: Job, key: str, value: Any) -> None:
    path = job.folder / "manifest.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), key: value}))
    assert any(key in sentence for sentence in found(job))


@pytest.mark.parametrize(
    ("where", "change"),
    [
        (("name",), lambda v: f"{v}x"),
        (("revision",), lambda v: f"{v}x"),
        (("shapes", 3, "drawn_nm"), lambda v: v + 1),
        (("shapes", 0, "polygon_dbu", 2, 1), lambda v: v + 1),
        (("shapes",), lambda v: v[:-1]),
        (("lenses", "dot", "codes"), lambda v: {**v, min(v): v[min(v)] + 1}),
        (("lenses", "dot", "pillars"), lambda v: v + 8),
        (("lenses", "dot", "phase_offset_rad"), lambda v: v + 0.5),
        (("lenses", "dot", "lattice", "pitch_dbu"), lambda v: v + 1),
        (("lenses",), lambda v: {}),
        (("write_time_s",), lambda _: 60.0),
        (("dropped", "marks"), lambda v: [*v, [9, 9]]),
        (("rules", 0, "ok"), lambda v: not v),
    ],
)
def test_a_changed_fact_of_the_manifest_is_found(
    job: Job, where: tuple[str | int, ...], change: Callable[[Any], Any]
) -> None:
    path = job.folder / "manifest.json"
    manifest = json.loads(path.read_text())
    held = manifest
    for key in where[:-1]:
        held = held[key]
    held[where[-1]] = change(held[where[-1]])
    path.write_text(json.dumps(manifest))
    problems = found(job)
    assert any(s.startswith("manifest.json: want ") and str(where[0]) in s for s in problems), (
        problems
    )


@pytest.mark.parametrize("name", ["full-A.oas", "dies.csv", "sem_sites.csv"])
def test_a_manifest_that_forgets_a_file_is_found(job: Job, name: str) -> None:
    path = job.folder / "manifest.json"
    manifest = json.loads(path.read_text())
    del manifest["files"][name]
    path.write_text(json.dumps(manifest))
    (job.folder / name).unlink()
    assert any(name in sentence for sentence in found(job))


@pytest.mark.parametrize("entry", [None, [], {"bytes": 3}, {"sha256": 3}])
def test_a_file_of_the_manifest_without_a_hash_is_refused_in_a_sentence(
    job: Job, entry: Any
) -> None:
    path = job.folder / "manifest.json"
    manifest = json.loads(path.read_text())
    manifest["files"]["dies.csv"] = entry
    path.write_text(json.dumps(manifest))
    with pytest.raises(InputError, match="sha256"):
        lg.verify(job.folder)


@pytest.mark.parametrize("text", [None, "", "[]", "{}", '{"name": "x"}'])
def test_what_is_no_job_folder_is_refused_in_a_sentence(tmp_path: Path, text: str | None) -> None:
    if text is not None:
        (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(InputError, match="want a job folder"):
        lg.verify(tmp_path)


# --- the command ----------------------------------------------------------------------------------


def test_the_command_ends_with_0_or_with_1_and_a_sentence_for_each_difference(job: Job) -> None:
    done = run("verify", str(job.folder))
    assert (done.exit_code, done.stderr) == (0, "")
    assert "equal to its recipe" in done.stdout
    path = job.layout("gdsii")
    edited = Edited(path)
    one_pillar_missing(edited)
    a_mark_missing(edited)
    edited.save(path)
    rehash(job.folder)
    done = run("verify", str(job.folder), "--reader", "gdstk")
    assert (done.exit_code, done.stdout) == (1, "")
    told = done.stderr.splitlines()
    assert len(told) == 2
    assert all(line.startswith("full-A.gds: cell ") for line in told)
    done = run("verify", str(job.folder), "--json")
    assert done.exit_code == 1
    answer = json.loads(done.stdout)
    assert answer["equal"] is False
    assert sorted(answer["differences"]) == sorted(told)


def run(*arguments: str) -> Any:
    return CliRunner().invoke(app, arguments)


def test_sizes_that_a_coarse_grid_draws_alike_are_equal_and_told(tmp_path: Path) -> None:
    # octagons on a 2 nm grid cannot tell all sizes of a ladder of 0.5 nm apart
    def change(recipe: Recipe) -> None:
        recipe["exposure"]["address_grid"] = "2 nm"
        recipe["pillars"]["ladder"]["step"] = "0.5 nm"

    job = lg.build(lg.load_recipe(write(tmp_path, LONE, change)), tmp_path / "out")
    assert job.manifest["verified"]
    assert lg.verify(job.folder) == []
    assert lg.verify(job.folder, reader="gdstk") == []
    (told,) = [w for w in job.manifest["warnings"] if w.startswith("ladder: ")]
    low, high = (float(word) for word in re.findall(r"such as ([\d.]+) and ([\d.]+) nm", told)[0])
    assert high - low == 0.5
    first, second = disc_polygon(low / 2, 8), disc_polygon(high / 2, 8)
    assert first is not None
    assert second is not None
    assert np.array_equal(first, second)
