"""`verify` and layouts that our own writers wrote from altered cells, in their own records.

A layout edited in another program comes back in that program's records. Here the damage stands in
the very records, compressed blocks and checksums that a faulty build would write. Damaged bytes
are judged by klayout, an independent reader: where it sees another layout, `verify` must object.
"""

from __future__ import annotations

import copy
import io
import random
import shutil
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import gdstk
import klayout.db as kdb
import numpy as np
import pytest

import layoutgen as lg
from layoutgen.codes import CodeBlock
from layoutgen.layout.cells import Cell, EncodedCell, Layer, Polygons, ShapeCells
from layoutgen.layout.gdsii import GdsiiWriter, encode_cell
from layoutgen.layout.oasis import CBLOCK, OasisWriter
from layoutgen.pipeline.design import Wafer, design
from layoutgen.pipeline.job import Job, open_job
from layoutgen.pipeline.stream import cell_stream
from layoutgen.pipeline.verify import verify_folder
from tests.e2e_recipes import Recipe, rehash, write

#: A format, and for OASIS its compression.
FORMS = ("fast", "small", "gdsii")
#: Where nothing turns on how a block is compressed.
PLAIN_FORMS = ("fast", "gdsii")
READERS = ("own", "gdstk")

Edit = Callable[[Cell], Cell]


def tiny(recipe: Recipe) -> None:
    """Small parts, so that a layout is written, and read twice, in a few hundredths of a second."""
    recipe["lenses"][0]["aperture"] = "20 um"
    recipe["pads"] = [{**recipe["pads"][0], "size": "6 um"}]
    recipe["deflectors"][0]["size"] = "6.4 um"
    recipe["dies"]["test"] = [i for i in recipe["dies"]["test"] if i.get("pad") != "steps"]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Wafer, Path, list[Cell]]:
    folder = tmp_path_factory.mktemp("rewritten")
    loaded = lg.load_recipe(write(folder, change=tiny))
    wafer = design(loaded)
    job = lg.build(loaded, folder / "out", verify=False)
    return wafer, job.folder, [cell for cell, _ in cell_stream(wafer, 1)]


@pytest.fixture
def job(built: tuple[Wafer, Path, list[Cell]], tmp_path: Path) -> Job:
    """A copy of the job folder that a test may damage."""
    folder = tmp_path / built[1].name
    shutil.copytree(built[1], folder)
    return open_job(folder)


def layout_of(job: Job, form: str) -> Path:
    return job.layout("gdsii" if form == "gdsii" else "oasis")


def written(
    wafer: Wafer,
    form: str,
    cells: list[Cell],
    *,
    shapes: ShapeCells | None = None,
    damage: Callable[[EncodedCell], EncodedCell] = lambda encoded: encoded,
) -> bytes:
    """The layout of these cells, as a build would write it."""
    out = io.BytesIO()
    dbu_nm, shapes = wafer.plan.dbu_nm, shapes or wafer.tree.shapes
    writer: OasisWriter | GdsiiWriter
    if form == "gdsii":
        writer = GdsiiWriter(out, dbu_nm=dbu_nm, shapes=shapes)
    else:
        layers, kind = wafer.tree.layers, "small" if form == "small" else "fast"
        writer = OasisWriter(out, dbu_nm=dbu_nm, layers=layers, shapes=shapes, compression=kind)  # type: ignore[arg-type]
        for cell in cells:
            writer.number(cell.name)
    for cell in cells:
        writer.append(damage(writer.task(cell)()))
    writer.close()
    return out.getvalue()


def put(job: Job, form: str, data: bytes) -> None:
    """Put a layout into the job folder, as if the build had written it."""
    layout_of(job, form).write_bytes(data)
    rehash(job.folder)


def found(job: Job, wafer: Wafer, reader: str = "own") -> list[str]:
    return verify_folder(open_job(job.folder), wafer=wafer, reader=reader, jobs=1)


# --- edited cells ---------------------------------------------------------------------------------


def coded(cell: Cell, change: Callable[[Any], Any]) -> Cell:
    """The cell with other codes; `change` gets a copy of the array and may return another."""
    (pillars,) = cell.pillars
    block = pillars.block
    codes = block.codes.copy()
    changed = change(codes)
    codes = codes if changed is None else changed
    return replace(
        cell, pillars=(replace(pillars, block=CodeBlock(block.row0, block.col0, codes)),)
    )


def where(codes: Any, number: int = 0) -> tuple[int, int]:
    row, col = np.argwhere(codes > 0)[number]
    return int(row), int(col)


def one_code_cleared(codes: Any) -> None:
    codes[where(codes, 7)] = 0


def last_code_cleared(codes: Any) -> None:
    codes[where(codes, -1)] = 0


def one_code_set(codes: Any) -> None:
    row, col = (int(i) for i in np.argwhere(codes == 0)[0])
    codes[row, col] = codes.max()


def one_code_a_step_up(codes: Any) -> None:
    codes[where(codes, 5)] += 1


def one_code_a_step_down(codes: Any) -> None:
    codes[where(codes, -5)] -= 1


def two_codes_swapped(codes: Any) -> None:
    one = where(codes, 0)
    two = next(w for n in range(1, 400) if codes[w := where(codes, n)] != codes[one])
    codes[one], codes[two] = codes[two], codes[one]


def rows_upside_down(codes: Any) -> Any:
    return codes[::-1].copy()


def all_codes_a_step_up(codes: Any) -> None:
    codes[codes > 0] += 1


CODE_EDITS = [
    one_code_cleared,
    last_code_cleared,
    one_code_set,
    one_code_a_step_up,
    one_code_a_step_down,
    two_codes_swapped,
    rows_upside_down,
    all_codes_a_step_up,
]


def lens_block(cells: list[Cell]) -> Cell:
    """The fullest block of the lens that has empty sites too."""
    return max(
        (
            c
            for c in cells
            if c.pillars and c.name.startswith("L_") and (c.pillars[0].block.codes == 0).any()
        ),
        key=lambda c: int(np.count_nonzero(c.pillars[0].block.codes)),
    )


def swapped(cells: list[Cell], name: str, edit: Edit) -> list[Cell]:
    return [edit(cell) if cell.name == name else cell for cell in cells]


def objects(job: Job, wafer: Wafer, form: str, wanted: str = "") -> None:
    """Both readers find a difference, in this file, that says what is wanted."""
    for reader in READERS:
        problems = found(job, wafer, reader)
        assert problems, f"unseen by {reader}"
        name = layout_of(job, form).name
        assert all(sentence.startswith(f"{name}: ") for sentence in problems), problems
        assert any(wanted in sentence for sentence in problems), problems


@pytest.mark.parametrize("form", FORMS)
def test_cells_as_they_are_verify_clean(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str
) -> None:
    wafer, _, cells = built
    data = written(wafer, form, cells)
    if form != "small":  # the job was built with `fast`
        assert data == layout_of(job, form).read_bytes()
    put(job, form, data)
    for reader in READERS:
        assert found(job, wafer, reader) == []


@pytest.mark.parametrize("form", PLAIN_FORMS)
@pytest.mark.parametrize("edit", CODE_EDITS, ids=lambda edit: edit.__name__)
def test_an_altered_code_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str, edit: Callable[[Any], Any]
) -> None:
    wafer, _, cells = built
    name = lens_block(cells).name
    put(job, form, written(wafer, form, swapped(cells, name, lambda c: coded(c, edit))))
    objects(job, wafer, form, f"cell {name}: want ")


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("seed", range(6))
def test_one_altered_site_is_told_with_its_place_and_both_sizes(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str, seed: int
) -> None:
    wafer, _, cells = built
    rng = random.Random(seed)
    cell = rng.choice([c for c in cells if c.pillars])
    pillars = cell.pillars[0]
    rows, cols = pillars.block.codes.shape
    row, col = rng.randrange(rows), rng.randrange(cols)
    old = int(pillars.block.codes[row, col])
    new = rng.choice([code for code in range(len(pillars.table) + 1) if code != old])

    def change(codes: Any) -> Any:
        codes = codes.astype(pillars.table.dtype)
        codes[row, col] = new
        return codes

    put(job, form, written(wafer, form, swapped(cells, cell.name, lambda c: coded(c, change))))

    def told(code: int) -> str:
        # the ladder runs from 90 nm in steps of 1 nm, and code 1 is its first size
        return f"a pillar of {90 + code - 1} nm (" if code else "no pillar"

    for reader in READERS:
        (sentence,) = [s for s in found(job, wafer, reader) if f"cell {cell.name}: want " in s]
        # lattice of 400 nm, axis in a gap: the site (0, 0) is 200 nm from the axis
        lattice, block = pillars.lattice, pillars.block
        x, y = lattice.x_dbu(block.row0 + row, block.col0 + col), lattice.y_dbu(block.row0 + row)
        if cell.name.startswith("L_"):
            assert (x, y) == (400 * (block.col0 + col) + 200, 400 * (block.row0 + row) + 200)
        assert f"want {told(old)}" in sentence
        assert f"at ({x}, {y}), got {told(new)}" in sentence


def a_block_a_site_aside(cell: Cell) -> Cell:
    (pillars,) = cell.pillars
    block = pillars.block
    moved = CodeBlock(block.row0, block.col0 + 1, block.codes)
    return replace(cell, pillars=(replace(pillars, block=moved),))


@pytest.mark.parametrize("form", PLAIN_FORMS)
def test_a_block_a_site_aside_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str
) -> None:
    wafer, _, cells = built
    name = lens_block(cells).name
    put(job, form, written(wafer, form, swapped(cells, name, a_block_a_site_aside)))
    objects(job, wafer, form, f"cell {name}: ")


def two_dies_swapped(cell: Cell) -> Cell:
    held = list(cell.references)
    one, two = (
        next(n for n, r in enumerate(held) if r.cell.startswith(f"D_{name}_"))
        for name in ("wide", "hot")
    )
    held[one], held[two] = (
        replace(held[one], cell=held[two].cell),
        replace(held[two], cell=held[one].cell),
    )
    return replace(cell, references=tuple(held))


def a_die_missing(cell: Cell) -> Cell:
    return replace(cell, references=tuple(r for r in cell.references if "_hot_" not in r.cell))


def a_die_twice(cell: Cell) -> Cell:
    return replace(cell, references=(*cell.references, cell.references[0]))


def a_die_a_nanometre_aside(cell: Cell) -> Cell:
    first, *others = cell.references
    return replace(cell, references=(replace(first, x=first.x + 1), *others))


def a_die_turned(cell: Cell) -> Cell:
    first, *others = cell.references
    return replace(cell, references=(replace(first, turns=1), *others))


def a_die_mirrored(cell: Cell) -> Cell:
    first, *others = cell.references
    return replace(cell, references=(replace(first, mirror=True), *others))


def with_marks(cell: Cell, change: Callable[[list[Any]], list[Any]]) -> Cell:
    return replace(
        cell,
        polygons=tuple(
            Polygons(group.layer, change(list(group.polygons))) if group.layer == Layer(2, 0) else group
            for group in cell.polygons
        ),
    )  # fmt: skip


def a_mark_a_nanometre_aside(cell: Cell) -> Cell:
    return with_marks(cell, lambda marks: [marks[0] + np.array([0, 1]), *marks[1:]])


def a_corner_of_a_mark_moved(cell: Cell) -> Cell:
    def change(marks: list[Any]) -> list[Any]:
        corner = np.zeros_like(marks[-1])
        corner[0, 0] = 1
        return [*marks[:-1], marks[-1] + corner]

    return with_marks(cell, change)


def a_mark_missing(cell: Cell) -> Cell:
    return with_marks(cell, lambda marks: marks[:-1])


def a_mark_twice(cell: Cell) -> Cell:
    return with_marks(cell, lambda marks: [*marks, marks[0]])


def marks_on_another_layer(cell: Cell) -> Cell:
    return replace(
        cell,
        polygons=tuple(
            Polygons(Layer(12, 0) if g.layer == Layer(2, 0) else g.layer, g.polygons)
            for g in cell.polygons
        ),
    )


TOP_EDITS: dict[Edit, str] = {
    two_dies_swapped: "D_wide_",
    a_die_missing: "D_hot_",
    a_die_twice: "is not the recipe's",
    a_die_a_nanometre_aside: "is missing",
    a_die_turned: "turned 90 deg is not the recipe's",
    a_die_mirrored: "mirrored is not the recipe's",
    a_mark_a_nanometre_aside: "a polygon on 2/0",
    a_corner_of_a_mark_moved: "a polygon on 2/0",
    a_mark_missing: "a polygon on 2/0",
    a_mark_twice: "a polygon on 2/0",
    marks_on_another_layer: "a polygon on 12/0",
}


@pytest.mark.parametrize("form", PLAIN_FORMS)
@pytest.mark.parametrize("edit", TOP_EDITS, ids=lambda edit: edit.__name__)
def test_an_altered_top_cell_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str, edit: Edit
) -> None:
    wafer, _, cells = built
    put(job, form, written(wafer, form, swapped(cells, wafer.tree.top, edit)))
    objects(job, wafer, form, TOP_EDITS[edit])


@pytest.mark.parametrize("form", PLAIN_FORMS)
def test_pillars_on_another_layer_or_of_another_outline_are_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str
) -> None:
    wafer, _, cells = built
    shapes = copy.copy(wafer.tree.shapes)
    shapes.layers = [Layer(layer.number, layer.datatype + 1) for layer in shapes.layers]
    put(job, form, written(wafer, form, cells, shapes=shapes))
    objects(job, wafer, form, "want layer 1/0, got 1/1")
    shapes = copy.copy(wafer.tree.shapes)
    shapes.polygons = [p + (p == p.max(axis=0)) for p in shapes.polygons]
    put(job, form, written(wafer, form, cells, shapes=shapes))
    objects(job, wafer, form, "another outline")


@pytest.mark.parametrize("form", PLAIN_FORMS)
def test_a_cell_that_is_left_out_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str
) -> None:
    wafer, _, cells = built
    name = lens_block(cells).name
    left = [
        replace(c, references=tuple(r for r in c.references if r.cell != name))
        for c in cells
        if c.name != name
    ]
    put(job, form, written(wafer, form, left))
    objects(job, wafer, form, f"cell {name}: missing")


@pytest.mark.parametrize("right_last", [False, True])
def test_a_second_cell_of_the_same_name_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, right_last: bool
) -> None:
    # which of the two a writer takes is its own choice; gdstk itself reads both without a word
    wafer, _, cells = built
    top, shapes = cells[-1], wafer.tree.shapes
    right = encode_cell(top, shapes).data
    wrong = encode_cell(a_die_a_nanometre_aside(top), shapes).data
    rest = job.layout("gdsii").read_bytes().replace(right, b"")
    first = rest.index(encode_cell(cells[0], shapes).data)
    pair = wrong + right if right_last else right + wrong
    put(job, "gdsii", rest[:first] + pair + rest[first:])
    objects(job, wafer, "gdsii", "twice")


def test_a_pillar_that_gdstk_moved_by_1_nm_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job
) -> None:
    wafer, _, cells = built
    path, name = job.layout("gdsii"), lens_block(cells).name
    library: Any = gdstk.read_gds(str(path))
    pillar = next(c for c in library.cells if c.name == name).references[11]
    x, y = pillar.origin
    pillar.origin = (x + 0.001, y)
    library.write_gds(str(path))
    rehash(job.folder)
    objects(job, wafer, "gdsii", f"({round(x * 1000) + 1}, {round(y * 1000)})")


# --- records that no build writes -----------------------------------------------------------------


def record(kind: int, form: int, data: bytes = b"") -> bytes:
    """A GDSII record: length, record type, data type, data (Calma 1987)."""
    return (4 + len(data)).to_bytes(2, "big") + bytes((kind, form)) + data


def shorts(*values: int) -> bytes:
    return b"".join(value.to_bytes(2, "big", signed=True) for value in values)


def longs(*values: int) -> bytes:
    return b"".join(value.to_bytes(4, "big", signed=True) for value in values)


SQUARE = longs(0, 0, 100, 0, 100, 100, 0, 100, 0, 0)
LAYER, ENDEL = record(0x0D, 2, shorts(2)), record(0x11, 0)
ELEMENTS = {
    "polygon": record(0x08, 0) + LAYER + record(0x0E, 2, shorts(0)) + record(0x10, 3, SQUARE),
    "polygon without area": record(0x08, 0) + LAYER + record(0x0E, 2, shorts(0))
    + record(0x10, 3, longs(0, 0, 100, 0, 0, 0, 0, 0)),
    "path": record(0x09, 0) + LAYER + record(0x0E, 2, shorts(0)) + record(0x0F, 3, longs(100))
    + record(0x10, 3, longs(0, 0, 5000, 0)),
    "path without width": record(0x09, 0) + LAYER + record(0x0E, 2, shorts(0))
    + record(0x0F, 3, longs(0)) + record(0x10, 3, longs(0, 0, 5000, 0)),
    "text": record(0x0C, 0) + LAYER + record(0x16, 2, shorts(0)) + record(0x10, 3, longs(0, 0))
    + record(0x19, 6, b"ab"),
    "box": record(0x2D, 0) + LAYER + record(0x2E, 2, shorts(0)) + record(0x10, 3, SQUARE),
    "node": record(0x15, 0) + LAYER + record(0x2A, 2, shorts(0)) + record(0x10, 3, longs(0, 0)),
    "array": record(0x0B, 0) + record(0x12, 6, b"D_hot_0\0") + record(0x13, 2, shorts(2, 1))
    + record(0x10, 3, longs(0, 0, 20, 0, 0, 10)),
    "reference to nothing": record(0x0A, 0) + record(0x12, 6, b"NOWHERE\0")
    + record(0x10, 3, longs(0, 0)),
}  # fmt: skip


@pytest.mark.parametrize("beside", ["dies", "pillars"])
@pytest.mark.parametrize("element", ELEMENTS)
def test_an_element_of_any_kind_too_many_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, element: str, beside: str
) -> None:
    wafer, _, cells = built
    cell = cells[-1] if beside == "dies" else lens_block(cells)
    as_it_was = encode_cell(cell, wafer.tree.shapes).data
    data = job.layout("gdsii").read_bytes()
    assert data.count(as_it_was) == 1
    end = record(0x07, 0)  # ENDSTR
    assert as_it_was.endswith(end)
    more = as_it_was.removesuffix(end) + ELEMENTS[element] + ENDEL + end
    put(job, "gdsii", data.replace(as_it_was, more))
    objects(job, wafer, "gdsii")


@pytest.mark.parametrize(
    "change",
    [
        record(0x1A, 1, bytes((0, 0))) + record(0x1B, 5, bytes.fromhex("4120000000000000")),
        record(0x1A, 1, bytes((0, 0))) + record(0x1C, 5, bytes.fromhex("425A000000000000")),
        record(0x1A, 1, bytes((0x80, 0))),
    ],
    ids=["twice as large", "turned by 90 deg", "mirrored"],
)
def test_a_pillar_that_is_not_as_drawn_is_found(
    built: tuple[Wafer, Path, list[Cell]], job: Job, change: bytes
) -> None:
    # 8-byte reals (Calma 1987): 41 20 .. is 2/16 of 16, 42 5A .. is 90/256 of 256
    wafer, _, cells = built
    as_it_was = encode_cell(lens_block(cells), wafer.tree.shapes).data
    data = job.layout("gdsii").read_bytes()
    at = as_it_was.index(bytes((0x10, 3))) - 2  # before the first place
    put(job, "gdsii", data.replace(as_it_was, as_it_was[:at] + change + as_it_was[at:]))
    objects(job, wafer, "gdsii", "as drawn")


# --- damaged bytes, judged by klayout ---------------------------------------------------------------


def varint(data: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        value |= (data[at] & 127) << shift
        at, shift = at + 1, shift + 7
        if data[at - 1] < 128:
            return value, at


def flipped(encoded: EncodedCell, form: str, rng: random.Random) -> EncodedCell:
    """One bit of a cell's content is another; of a compressed block, of what was compressed."""
    data = encoded.data
    if form == "gdsii":
        start, content, head = 0, data, b""
    else:
        _, start = varint(data, 1)
        head, content = data[:start], data[start:]
        if content[:2] == bytes((CBLOCK, 0)):
            _, at = varint(content, 2)
            _, at = varint(content, at)
            content = zlib.decompress(content[at:], wbits=-15)
    wrong = bytearray(content)
    wrong[rng.randrange(len(wrong))] ^= 1 << rng.randrange(8)
    return replace(encoded, data=head + bytes(wrong))


def klayout_differs(path: Path, as_it_was: Path) -> bool:
    """Whether klayout refuses the file or sees other cells, layers, shapes or places in it."""
    layouts = []
    for name in (path, as_it_was):
        layout: Any = kdb.Layout(True)
        try:
            layout.read(str(name))
        except RuntimeError:
            return True
        layouts.append(layout)
    diff: Any = kdb.LayoutDiff()
    flags = diff.FlattenArrayInsts | diff.NoLayerNames | diff.NoProperties
    return not diff.compare(*layouts, flags)


@pytest.mark.parametrize("form", PLAIN_FORMS)
@pytest.mark.parametrize("seed", range(12))
def test_verify_sees_every_flipped_bit_that_klayout_sees(
    built: tuple[Wafer, Path, list[Cell]], job: Job, form: str, seed: int
) -> None:
    # lengths, offsets and the checksum are those of the damaged content: only its meaning is wrong
    wafer, folder, cells = built
    rng = random.Random(1000 + seed)
    hurt = rng.choice([cell.name for cell in cells])
    put(
        job,
        form,
        written(
            wafer, form, cells,
            damage=lambda e: flipped(e, form, rng) if e.name == hurt else e,
        ),
    )  # fmt: skip
    path = layout_of(job, form)
    if klayout_differs(path, folder / path.name):
        for reader in READERS:
            assert found(job, wafer, reader), f"a bit of cell {hurt} goes unseen by {reader}"
    else:
        found(job, wafer)  # it may object to what klayout lets pass, and must not break


def test_klayout_tells_a_moved_die_from_none(
    built: tuple[Wafer, Path, list[Cell]], job: Job
) -> None:
    # the judge of the test above does judge
    wafer, folder, cells = built
    path = layout_of(job, "fast")
    assert not klayout_differs(path, folder / path.name)
    moved = swapped(cells, wafer.tree.top, a_die_a_nanometre_aside)
    put(job, "fast", written(wafer, "fast", moved))
    assert klayout_differs(path, folder / path.name)
