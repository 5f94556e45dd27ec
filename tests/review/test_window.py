"""Windows of a layout file hold what klayout and gdstk, who know nothing of us, find there.

A polygon belongs to a window when its bounding box touches it; klayout's recursive shape iterator has
the same rule (`Cell.begin_shapes_rec_touching`), gdstk's polygons are picked by their own boxes.
"""

from __future__ import annotations

import gc
import weakref
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gdstk
import klayout.db as kdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import layoutgen as lg
from layoutgen.errors import InputError
from layoutgen.review import coverage as painted
from layoutgen.review.coverage import coverage
from layoutgen.review.gdsii_reader import read_gdsii
from layoutgen.review.oasis_reader import OasisFile
from layoutgen.review.readcells import Box, LayoutReadError
from layoutgen.review.window import Drawn, Layout, Turn, open_layout
from tests.e2e_recipes import Recipe, write

Polygons = Counter[tuple[tuple[int, int], frozenset[tuple[int, int]]]]


def mirrored(recipe: Recipe) -> None:
    """A lens without any mirror on a wafer that is mirrored as a whole."""
    recipe["lenses"][0]["phase"].append({"kind": "tilt", "angle": "3 deg", "direction": "20 deg"})
    recipe["replication"]["transfers"] = "odd"


def hexagonal(recipe: Recipe) -> None:
    recipe["lattice"] = {"kind": "hexagonal", "pitch": "440 nm"}


def background(recipe: Recipe) -> None:
    """Frames are drawn too, one where they meet."""
    recipe["exposure"] |= {"exposed": "background", "frame_width": "8 um"}
    recipe["pads"][1]["densities"] = [0.6, 0.8]


CHANGES: dict[str, Callable[[Recipe], None] | None] = {
    "even": None,
    "odd": mirrored,
    "hexagonal": hexagonal,
    "background": background,
}
FORMATS = (".oas", ".gds")

# Centres and half sizes in nm: whole octants and their seams, die edges and corners, the rim of a
# lens, pads, a label, marks, a seam of blocks, a point, a line, the street, most of two lenses.
WINDOWS: list[Box] = [
    (-5_000, -5_000, 5_000, 5_000),
    (195_000, -5_000, 205_000, 5_000),
    (199_900, 199_900, 200_100, 200_100),
    (95_000, 95_000, 105_000, 105_000),
    (219_000, -2_000, 221_500, 2_000),
    (30_000, 50_000, 60_000, 70_000),
    (140_000, 250_000, 170_000, 270_000),
    (-440_000, -40_000, -360_000, 40_000),
    (200_000, 0, 200_000, 0),
    (150_000, 200_200, 250_000, 200_200),
    (61_000, 99_000, 63_000, 101_000),
    (-110_000, -30_000, 230_000, 30_000),
]


@pytest.fixture(scope="module", params=CHANGES)
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp(request.param)
    path = write(folder, change=CHANGES[request.param])
    if request.param == "hexagonal":
        library = folder / "library.csv"
        square, wanted = "{kind: square, pitch: 400 nm}", "{kind: hexagonal, pitch: 440 nm}"
        library.write_text(library.read_text().replace(square, wanted))
    return lg.build(lg.load_recipe(path), folder / "out", verify=False)


@pytest.fixture(scope="module")
def even(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("one")
    return lg.build(lg.load_recipe(write(folder)), folder / "out", verify=False)


def layout_file(job: Any, suffix: str) -> Path:
    return Path(job.folder / f"{job.title}{suffix}")


def ours(drawn: list[Drawn] | None) -> Polygons:
    assert drawn is not None
    return Counter(
        (each.layer, frozenset(map(tuple, polygon.tolist())))
        for each in drawn
        for polygon in each.polygons()
    )


def seen_by_klayout(path: Path) -> Callable[[Box], Polygons]:
    layout = kdb.Layout()
    layout.read(str(path))
    top = layout.top_cell()

    def window(box: Box) -> Polygons:
        found: Polygons = Counter()
        for index in layout.layer_indexes():
            info = layout.get_info(index)
            shapes = top.begin_shapes_rec_touching(index, kdb.Box(*box))
            while not shapes.at_end():
                polygon = shapes.shape().polygon.transformed(shapes.trans())
                points = frozenset((p.x, p.y) for p in polygon.each_point_hull())
                found[(info.layer, info.datatype), points] += 1
                shapes.next()
        return found

    return window


def seen_by_gdstk(path: Path) -> Callable[[Box], Polygons]:
    read = gdstk.read_oas if path.suffix == ".oas" else gdstk.read_gds
    top: Any = read(str(path)).top_level()[0]
    polygons = []
    for polygon in top.get_polygons():
        points = np.round(polygon.points * 1000).astype(np.int64)
        polygons.append(((polygon.layer, polygon.datatype), points))
    boxes = np.array([[*p.min(axis=0), *p.max(axis=0)] for _, p in polygons])

    def window(box: Box) -> Polygons:
        near = (
            (boxes[:, 0] <= box[2])
            & (boxes[:, 2] >= box[0])
            & (boxes[:, 1] <= box[3])
            & (boxes[:, 3] >= box[1])
        )
        return Counter(
            (polygons[k][0], frozenset(map(tuple, polygons[k][1].tolist())))
            for k in np.flatnonzero(near).tolist()
        )

    return window


def shifted_to_dies(job: Any) -> list[Box]:
    """The windows, moved with the die that stands nearest to the wafer's centre."""
    lines = (job.folder / "dies.csv").read_text().splitlines()[1:]
    places = [tuple(round(float(v) * 1e6) for v in line.split(",")[3:5]) for line in lines]
    x, y = min(places, key=lambda place: place[0] ** 2 + place[1] ** 2)
    return [(x0 + x, y0 + y, x1 + x, y1 + y) for x0, y0, x1, y1 in WINDOWS]


@pytest.mark.parametrize("suffix", FORMATS)
def test_windows_hold_the_polygons_that_klayout_and_gdstk_find_there(job: Any, suffix: str) -> None:
    path = layout_file(job, suffix)
    klayout, gdstk_ = seen_by_klayout(path), seen_by_gdstk(path)
    pillars = 0
    with open_layout(path, job.manifest["top_cell"]) as layout:
        for box in shifted_to_dies(job):
            found = ours(layout.window(box))
            assert found == klayout(box), box
            assert found == gdstk_(box), box
            pillars = max(pillars, sum(found.values()))
    assert pillars > 10_000  # the last window holds lenses of two dies


@pytest.fixture(scope="module")
def both(even: Any) -> Any:
    with open_layout(layout_file(even, ".oas")) as a, open_layout(layout_file(even, ".gds")) as b:
        yield a, b


@settings(max_examples=60)
@given(x=st.integers(-650_000, 650_000), y=st.integers(-650_000, 650_000),
       w=st.integers(0, 3_000), h=st.integers(0, 3_000))  # fmt: skip
def test_any_window_is_the_same_in_both_formats(
    both: tuple[Layout, Layout], even: Any, x: int, y: int, w: int, h: int
) -> None:
    box = (x, y, x + w, y + h)
    assert both[0].top == both[1].top == even.manifest["top_cell"]
    assert ours(both[0].window(box)) == ours(both[1].window(box))


@pytest.mark.parametrize("level", [0, 2, 10])
@pytest.mark.parametrize("suffix", FORMATS)
def test_what_klayout_makes_of_a_file_has_the_same_windows(
    even: Any, tmp_path: Path, suffix: str, level: int
) -> None:
    # klayout folds equal shapes into repetitions of its own: grids, rows and lists of points (SEMI P39
    # types 1 to 11), and in GDSII into arrays (AREF)
    read = kdb.Layout()
    read.read(str(layout_file(even, ".oas")))
    cell = read.create_cell("ROWS")
    square = read.create_cell("SQUARE")
    layer = read.layer(7, 0)
    square.shapes(layer).insert(kdb.Box(0, 0, 300, 300))
    for trans in (kdb.Trans(0, 0), kdb.Trans(1, True, 9000, 0)):
        cell.insert(kdb.CellInstArray(square.cell_index(), trans, kdb.Vector(0, 700),
                                      kdb.Vector(900, 0), 5, 6))  # fmt: skip
    read.cell(even.manifest["top_cell"]).insert(
        kdb.CellInstArray(cell.cell_index(), kdb.Trans(3, False, 61_000, 7_000))
    )
    options = kdb.SaveLayoutOptions()
    options.set_format_from_filename(f"x{suffix}")
    options.oasis_compression_level = level
    options.oasis_write_cblocks = level == 2
    options.oasis_strict_mode = level == 0
    path = tmp_path / f"again{suffix}"
    read.write(str(path), options)
    klayout = seen_by_klayout(path)
    with open_layout(path) as layout:
        for box in [*shifted_to_dies(even), (55_000, 0, 70_000, 15_000)]:
            assert ours(layout.window(box)) == klayout(box), box


def test_a_window_reads_only_cells_that_it_touches(
    even: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    plain = OasisFile.cell

    def counted(self: OasisFile, name: str) -> Any:
        read.append(name)
        return plain(self, name)

    with open_layout(layout_file(even, ".oas"), even.manifest["top_cell"]) as layout:
        assert layout.box is not None  # finds how far every cell reaches
        monkeypatch.setattr(OasisFile, "cell", counted)
        found = layout.window((199_000, -1_000, 201_000, 1_000))
    assert found
    # the top cell, one die, one lens, its pieces and their blocks: none of the other variants'
    lenses = {name.split("_")[2] for name in read if name.startswith("L_")}
    assert len(lenses) == 1, read
    assert not any(name.startswith(("P_", "G_", "T_")) for name in read), read


def test_only_layers_that_are_asked_for_are_given(even: Any) -> None:
    # a test die with its neighbours' labels, and a mark far away
    box = (-100_000, -100_000, 100_000, 100_000)
    with open_layout(layout_file(even, ".oas")) as layout:
        every = ours(layout.window(box))
        assert {layer for layer, _ in every} >= {(1, 1), (1, 2), (3, 0), (100, 0)}
        for layer in layout.layers:
            one = ours(layout.window(box, layers=[layer]))
            assert one == Counter({k: n for k, n in every.items() if k[0] == layer})
        assert layout.window(box, layers=[(77, 7)]) == []
        assert layout.window(box, limit=1000) is None


def test_turns_are_those_of_klayout() -> None:
    points = np.array([[3, 1], [-2, 5], [7, -4]], np.int64)
    for mirror in (False, True):
        for turns in range(4):
            turn, theirs = Turn.of(mirror, turns, 11, -7), kdb.Trans(turns, mirror, 11, -7)
            expected = [theirs.trans(kdb.Point(*p)) for p in points.tolist()]
            assert turn.points(points).tolist() == [[p.x, p.y] for p in expected]
            inner = Turn.of(not mirror, (turns + 1) % 4, 2, 3)
            both = turn.points(inner.points(points))
            assert turn.after(inner).points(points).tolist() == both.tolist()
            box = (-2, -4, 7, 5)
            assert turn.inverse_box(turn.box(box)) == box


# --- covered share of pixels ----------------------------------------------------------------------


def klayout_cover(path: Path, box: Box, rows: int, layers: list[tuple[int, int]]) -> Any:
    """Covered share of each pixel, by klayout's boolean of the polygons and each pixel."""
    read = kdb.Layout()
    read.read(str(path))
    top = read.top_cell()
    step = (box[3] - box[1]) // rows
    cols = (box[2] - box[0]) // step
    found = np.zeros((rows, cols))
    region = kdb.Region()
    for layer in layers:
        region += kdb.Region(top.begin_shapes_rec_touching(read.layer(*layer), kdb.Box(*box)))
    region.merge()
    for j in range(rows):
        for i in range(cols):
            x, y = box[0] + i * step, box[1] + j * step
            pixel = kdb.Region(kdb.Box(x, y, x + step, y + step))
            found[j, i] = (region & pixel).area() / step**2
    return found


def small_figures(path: Path) -> None:
    """Polygons with corners inside pixels and edges through many, and one with a hole's slit."""
    layout = kdb.Layout()
    top = layout.create_cell("TOP")
    layer = layout.layer(1, 0)
    figures = [
        [(105, 210), (890, 333), (410, 905)],
        [(0, 0), (1000, 0), (1000, 90), (0, 90)],
        [(-300, 500), (60, 480), (80, 700), (-280, 750)],
        [(950, 600), (1400, 590), (1390, 1300), (940, 1290)],
        [(300, 920), (420, 920), (420, 1500), (300, 1500)],
    ]
    for figure in figures:
        top.shapes(layer).insert(kdb.Polygon([kdb.Point(x, y) for x, y in figure]))
    layout.write(str(path))


@pytest.mark.parametrize("rows", [10, 20, 50])
def test_cover_is_the_area_that_klayout_finds_in_each_pixel(tmp_path: Path, rows: int) -> None:
    path = tmp_path / "figures.gds"
    small_figures(path)
    box = (0, 0, 1000, 1000)
    with open_layout(path) as layout:
        found = coverage(layout, box, rows)
    # klayout rounds corners of a clipped polygon to whole database units
    expected = klayout_cover(path, box, rows, [(1, 0)])
    np.testing.assert_allclose(found, expected, atol=1.5 * rows / 1000)
    assert found.mean() == pytest.approx(expected.mean(), abs=5e-4)


def test_cover_of_a_rectangle_is_exact(tmp_path: Path) -> None:
    layout = kdb.Layout()
    top = layout.create_cell("TOP")
    top.shapes(layout.layer(1, 0)).insert(kdb.Box(25, 30, 75, 90))
    path = tmp_path / "box.gds"
    layout.write(str(path))
    with open_layout(path) as read:
        found = coverage(read, (0, 0, 100, 100), 10)
    x = np.clip(np.minimum(np.arange(10) * 10 + 10, 75) - np.maximum(np.arange(10) * 10, 25), 0, 10)
    y = np.clip(np.minimum(np.arange(10) * 10 + 10, 90) - np.maximum(np.arange(10) * 10, 30), 0, 10)
    np.testing.assert_allclose(found, np.outer(y, x) / 100, atol=1e-12)


def test_cover_of_a_wafer_adds_up_to_the_area_of_its_polygons(
    even: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = layout_file(even, ".oas")
    read = kdb.Layout()
    read.read(str(path))
    area = sum(
        kdb.Region(read.top_cell().begin_shapes_rec(index)).area()
        for index in read.layer_indexes()
        if read.get_info(index).layer != 100
    )
    box = (-700_000, -700_000, 700_000, 700_000)
    with open_layout(path, even.manifest["top_cell"]) as layout:
        layers = [layer for layer in layout.layers if layer[0] != 100]
        one_by_one = coverage(layout, box, 700, layers=layers)
        monkeypatch.setattr(painted, "MAX_PAINTED", 0)
        copied = coverage(layout, box, 700, layers=layers)
    assert one_by_one.sum() * 2000**2 == pytest.approx(area, rel=1e-9)
    assert copied.sum() * 2000**2 == pytest.approx(area, rel=1e-9)
    # what is copied stands at whole pixels here, so that a copy is what would have been painted
    np.testing.assert_allclose(copied, one_by_one, atol=1e-9)


def test_copies_at_broken_pixels_are_shared_between_neighbours(
    even: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = (-701_234, -700_777, 699_001, 700_002)
    with open_layout(layout_file(even, ".oas"), even.manifest["top_cell"]) as layout:
        layers = [(1, 0), (1, 1), (1, 2)]
        one_by_one = coverage(layout, box, 140, layers=layers)
        monkeypatch.setattr(painted, "MAX_PAINTED", 0)
        copied = coverage(layout, box, 140, layers=layers)
    assert copied.sum() == pytest.approx(one_by_one.sum(), rel=1e-6)
    # means over 3 x 3 pixels differ by what crosses their edges only
    blocks = [a[: 138, : 138].reshape(46, 3, 46, 3).mean(axis=(1, 3)) for a in (copied, one_by_one)]  # fmt: skip
    assert np.abs(blocks[0] - blocks[1]).max() < 0.06
    assert np.abs(blocks[0] - blocks[1]).mean() < 0.004


# --- what is refused ------------------------------------------------------------------------------


def gds_with(tmp_path: Path, change: Callable[[Any, Any, Any], None]) -> Path:
    layout = kdb.Layout()
    top, child = layout.create_cell("TOP"), layout.create_cell("CHILD")
    child.shapes(layout.layer(1, 0)).insert(kdb.Box(0, 0, 10, 10))
    change(layout, top, child)
    path = tmp_path / "odd.gds"
    layout.write(str(path))
    return path


def refusal(path: Path) -> str:
    with pytest.raises((InputError, LayoutReadError)) as error, open_layout(path) as layout:
        layout.window((0, 0, 100, 100))
    return str(error.value)


def test_cells_at_odd_angles_are_refused(tmp_path: Path) -> None:
    def turned(layout: Any, top: Any, child: Any) -> None:
        top.insert(kdb.DCellInstArray(child.cell_index(), kdb.DCplxTrans(1, 30, False, 0, 0)))

    assert "turned by quarters and not magnified, got CHILD at 30 deg" in refusal(
        gds_with(tmp_path, turned)
    )


def test_magnified_cells_are_refused(tmp_path: Path) -> None:
    def larger(layout: Any, top: Any, child: Any) -> None:
        top.insert(kdb.DCellInstArray(child.cell_index(), kdb.DCplxTrans(2, 0, False, 0, 0)))

    assert "times 2" in refusal(gds_with(tmp_path, larger))


def test_two_top_cells_are_refused_by_name(tmp_path: Path) -> None:
    def two(layout: Any, top: Any, child: Any) -> None:
        top.insert(kdb.CellInstArray(child.cell_index(), kdb.Trans(0, 0)))
        layout.create_cell("SECOND").shapes(layout.layer(1, 0)).insert(kdb.Box(0, 0, 5, 5))

    text = refusal(gds_with(tmp_path, two))
    assert "want a layout with one top cell, got 2" in text
    assert "SECOND" in text


def test_a_file_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "none.oas"
    path.write_bytes(b"this is no layout")
    with pytest.raises((InputError, LayoutReadError)):
        open_layout(path)
    with pytest.raises(InputError, match="want a layout file to read"):
        open_layout(tmp_path / "missing.oas")


def test_a_reference_to_a_missing_cell_is_told(even: Any, tmp_path: Path) -> None:
    library = gdstk.Library()
    gone: Any = "GONE"  # gdstk takes a name, its type hints do not say so
    library.new_cell("TOP").add(gdstk.Reference(gone, (0, 0)))
    path = tmp_path / "gone.gds"
    library.write_gds(str(path))
    assert "GONE is referred to and is not in the file" in refusal(path)


def test_layouts_close_their_files(even: Any) -> None:
    layout = open_layout(layout_file(even, ".gds"))
    assert isinstance(layout, Layout)
    layout.close()
    assert layout.file._handle.closed


@pytest.mark.parametrize("suffix", [".oas", ".gds"])
def test_a_cell_that_nobody_holds_is_gone_at_once(even: Any, suffix: str) -> None:
    # a cell may hold megabytes, and the collector of cycles comes when it likes
    file = (
        OasisFile(layout_file(even, suffix))
        if suffix == ".oas"
        else read_gdsii(layout_file(even, suffix))
    )
    gone = []
    gc.disable()
    try:
        with file:
            for cell in file:
                assert len(cell.shapes) + len(cell.references) > 0
                gone.append(weakref.ref(cell))
            del cell
            assert len(gone) > 10
            assert [ref for ref in gone if ref() is not None] == []
    finally:
        gc.enable()
