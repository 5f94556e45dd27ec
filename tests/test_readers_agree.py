"""A built wafer, opened by readers that know nothing of this package, is what the recipe computes.

gdstk, klayout and fatamorgana are three independent implementations of OASIS (SEMI P39), the first
two also of GDSII (Calma 1987). What they find is held against each other and against codes that
are computed again from the recipe, site by site.
"""

from __future__ import annotations

import json
import re
import struct
import zlib
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import fatamorgana
import gdstk
import klayout.db as kdb
import numpy as np
import pytest

import layoutgen as lg
from layoutgen.pipeline.design import Wafer, design
from layoutgen.pipeline.job import Job
from layoutgen.wafer.glyphs import FORMS, dot_side
from tests.e2e_recipes import Recipe, turned, variant_codes, write

Box = tuple[int, int, int, int]
#: of every cell: polygons on each layer/datatype, and how often it places each other cell
Counts = dict[str, tuple[dict[tuple[int, int], int], dict[str, int]]]


def asymmetric(recipe: Recipe) -> None:
    """A lens without any mirror, so that a mirrored layout differs from the plain one."""
    recipe["lenses"][0]["phase"].append({"kind": "tilt", "angle": "3 deg", "direction": "20 deg"})


@pytest.fixture(scope="module")
def wafer_and_job(tmp_path_factory: pytest.TempPathFactory) -> tuple[Wafer, Job]:
    folder = tmp_path_factory.mktemp("agree")
    loaded = lg.load_recipe(write(folder))
    return design(loaded), lg.build(loaded, folder / "out")


@pytest.fixture(scope="module")
def job(wafer_and_job: tuple[Wafer, Job]) -> Job:
    return wafer_and_job[1]


def klayout_of(path: Path) -> Any:
    layout = kdb.Layout()
    layout.read(str(path))
    return layout


def klayout_layers(layout: Any) -> dict[tuple[int, int], int]:
    infos = {index: layout.get_info(index) for index in layout.layer_indexes()}
    return {(info.layer, info.datatype): index for index, info in infos.items()}


# --- the same tree in every reader ----------------------------------------------------------------


@dataclass(frozen=True)
class Seen:
    """What a reader finds in a file."""

    counts: Counts
    box: Box
    layers: set[tuple[int, int]]


def seen_by_gdstk(path: Path, top: str) -> Seen:
    read = gdstk.read_oas if path.suffix == ".oas" else gdstk.read_gds
    library: Any = read(str(path))

    def times(item: Any) -> int:
        return max(1, int(item.repetition.size or 1)) if item.repetition is not None else 1

    counts: Counts = {}
    for cell in library.cells:
        polygons: Counter[tuple[int, int]] = Counter()
        references: Counter[str] = Counter()
        for polygon in cell.polygons:
            polygons[polygon.layer, polygon.datatype] += times(polygon)
        for reference in cell.references:
            references[reference.cell.name] += times(reference)
        counts[cell.name] = dict(polygons), dict(references)
    (x0, y0), (x1, y1) = next(c for c in library.cells if c.name == top).bounding_box()
    box = (round(x0 * 1000), round(y0 * 1000), round(x1 * 1000), round(y1 * 1000))
    return Seen(counts, box, {layer for held, _ in counts.values() for layer in held})


def seen_by_klayout(path: Path, top: str) -> Seen:
    layout = klayout_of(path)
    assert layout.dbu == 0.001
    layers = klayout_layers(layout)
    counts: Counts = {}
    for cell in layout.each_cell():
        held = {key: cell.shapes(index).size() for key, index in layers.items()}
        references: Counter[str] = Counter()
        for instance in cell.each_inst():
            references[instance.cell.name] += instance.size()
        counts[cell.name] = {key: n for key, n in held.items() if n}, dict(references)
    box = layout.cell(top).bbox()
    return Seen(counts, (box.left, box.bottom, box.right, box.top), set(layers))


def seen_by_fatamorgana(path: Path, top: str) -> Seen:
    with path.open("rb") as file:
        layout = fatamorgana.OasisLayout.read(file)
    assert layout.unit == 1000
    names = {number: cell.nstring.string for number, cell in layout.cellnames.items()}

    def name_of(reference: Any) -> str:
        return names[reference] if isinstance(reference, int) else str(reference.string)

    def offsets(item: Any) -> Any:
        if item.repetition is None:
            return np.zeros((1, 2), np.int64)
        steps = zip(item.repetition.x_displacements, item.repetition.y_displacements, strict=True)
        return np.cumsum(np.array([(0, 0), *steps], np.int64), axis=0)

    cells: dict[str, Any] = {name_of(cell.name): cell for cell in layout.cells}
    counts: Counts = {}
    for name, cell in cells.items():
        polygons: Counter[tuple[int, int]] = Counter()
        references: Counter[str] = Counter()
        for shape in cell.geometry:
            polygons[shape.layer, shape.datatype] += len(offsets(shape))
        for place in cell.placements:
            references[name_of(place.name)] += len(offsets(place))
        counts[name] = dict(polygons), dict(references)

    @cache
    def corners(name: str) -> Any:
        found = []
        for shape in cells[name].geometry:
            steps = np.cumsum(np.array(shape.point_list, np.int64), axis=0)
            found.append(np.array([shape.x, shape.y]) + steps)
        for place in cells[name].placements:
            inner = corners(name_of(place.name))
            x, y = turned(
                inner[:, 0], inner[:, 1], round((place.angle or 0) / 90), bool(place.flip)
            )
            at = offsets(place) + np.array([place.x, place.y])
            ends = np.array([[x.min(), y.min()], [x.max(), y.max()]])
            found.append((at[:, None, :] + ends[None]).reshape(-1, 2))
        every = np.concatenate(found) if found else np.zeros((0, 2), np.int64)
        low, high = every.min(axis=0), every.max(axis=0)
        return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])

    box = corners(top)
    layers = {layer for held, _ in counts.values() for layer in held}
    return Seen(counts, (int(box[0][0]), int(box[0][1]), int(box[2][0]), int(box[2][1])), layers)


READERS = {
    ("oasis", "gdstk"): seen_by_gdstk,
    ("oasis", "fatamorgana"): seen_by_fatamorgana,
    ("gdsii", "gdstk"): seen_by_gdstk,
    ("gdsii", "klayout"): seen_by_klayout,
}


@pytest.mark.parametrize("form, reader", READERS)
def test_readers_agree_on_cells_counts_layers_and_box(
    wafer_and_job: tuple[Wafer, Job], form: str, reader: str
) -> None:
    wafer, job = wafer_and_job
    first = seen_by_klayout(job.layout("oasis"), wafer.tree.top)
    other = READERS[form, reader](job.layout(form), wafer.tree.top)
    assert set(other.counts) == set(first.counts)
    for name, held in first.counts.items():
        assert other.counts[name] == held, name
    assert other.box == first.box
    assert other.layers == first.layers


def test_the_box_is_the_wafer_and_the_layers_are_those_of_the_manifest(job: Job) -> None:
    layout = klayout_of(job.layout("oasis"))
    box = layout.top_cell().bbox()
    # the outline of a wafer of 1200 um, for viewing, is the largest thing in the file
    assert (box.left, box.right, box.top) == (-600_000, 600_000, 600_000)
    written = {f"{layer}/{datatype}" for layer, datatype in klayout_layers(layout)}
    assert written == set(job.manifest["written_layers"])
    for role in ("pillars", "deflectors", "pads", "marks", "labels", "outlines"):
        assert job.manifest["layers"][role] in written, role
    # the only dose other than 1 is the first: datatype 0 + 100 + 1
    assert "1/101" in written
    assert job.manifest["doses"] == [{"dose": 1.1, "datatype_added": 101}]


@pytest.mark.parametrize("form", ["oasis", "gdsii"])
def test_one_cell_is_on_top_and_names_suit_strict_readers(job: Job, form: str) -> None:
    # GDSII: letters, digits, _ ? $, 32 characters in strict readers (from memory)
    layout = klayout_of(job.layout(form))
    assert [cell.name for cell in layout.top_cells()] == ["full_A"]
    for cell in layout.each_cell():
        assert re.fullmatch(r"[A-Za-z0-9_?$]{1,32}", cell.name), cell.name


# --- the same geometry ----------------------------------------------------------------------------


def found_pillars(path: Path, manifest: dict[str, Any]) -> dict[str, dict[tuple[int, int], int]]:
    """Code of every pillar on the flat wafer, by layer and place, told by its outline alone."""
    by_outline = {}
    for shape in manifest["shapes"]:
        by_outline[kdb.Polygon([kdb.Point(x, y) for x, y in shape["polygon_dbu"]])] = shape["code"]
    layout = klayout_of(path)
    found: dict[str, dict[tuple[int, int], int]] = {}
    for (layer, datatype), index in klayout_layers(layout).items():
        if layer != 1:
            continue
        here = found.setdefault(f"{layer}/{datatype}", {})
        shapes = layout.top_cell().begin_shapes_rec(index)
        while not shapes.at_end():
            polygon = shapes.shape().polygon.transformed(shapes.trans())
            centre = polygon.bbox().center()
            place = (centre.x, centre.y)
            assert place not in here, f"two pillars at {place} on {layer}/{datatype}"
            here[place] = by_outline[polygon.moved(-centre.x, -centre.y)]
            shapes.next()
    return found


def test_flattened_wafer_holds_at_every_site_the_code_that_the_recipe_computes(
    wafer_and_job: tuple[Wafer, Job],
) -> None:
    wafer, job = wafer_and_job
    (first,) = {len(table) for _, table in wafer.tree.tables}  # one ladder, so codes are its own
    assert first == len(range(90, 331))
    wanted: dict[str, dict[tuple[int, int], int]] = {}
    codes = [variant_codes(variant) for variant in wafer.tree.variants]
    for number, index in wafer.tree.variant_of.items():
        thing, variant = wafer.scene.things[number], wafer.tree.variants[index]
        here = wanted.setdefault(str(variant.layer), {})
        for (x, y), code in codes[index].items():
            here[thing.x + x, thing.y + y] = code
    found = found_pillars(job.layout("oasis"), job.manifest)
    assert set(found) == set(wanted)
    for layer, there in wanted.items():
        assert found[layer] == there, layer
    total = sum(len(there) for there in found.values())
    assert total == job.manifest["pillars"] == wafer.tree.pillars


def test_codes_of_the_manifest_count_one_lens_without_split(
    wafer_and_job: tuple[Wafer, Job],
) -> None:
    _, job = wafer_and_job
    with (job.folder / "dies.csv").open() as lines:
        rows = [line.strip().split(",") for line in lines][1:]
    # three of the five plain dies are beyond the zone of 150 um, so the file holds such a lens
    x, y = next(
        (round(float(r[3]) * 1e6), round(float(r[4]) * 1e6))
        for r in rows
        if r[0] == "lens" and float(r[3]) ** 2 + float(r[4]) ** 2 > 0.15**2
    )
    pillars = found_pillars(job.layout("oasis"), job.manifest)["1/0"]
    held = Counter(
        code for (px, py), code in pillars.items() if (px - x) ** 2 + (py - y) ** 2 <= 20_000**2
    )
    lens = job.manifest["lenses"]["dot"]
    assert {int(code): count for code, count in lens["codes"].items()} == dict(held)
    assert lens["pillars"] == held.total()


def test_gdsii_and_oasis_differ_nowhere(job: Job) -> None:
    oasis, gdsii = (klayout_of(job.layout(form)) for form in ("oasis", "gdsii"))
    layers, others = klayout_layers(oasis), klayout_layers(gdsii)
    assert set(layers) == set(others)
    for key, index in layers.items():
        one = kdb.Region(oasis.top_cell().begin_shapes_rec(index))
        two = kdb.Region(gdsii.top_cell().begin_shapes_rec(others[key]))
        assert one.count() == two.count(), key
        assert (one ^ two).is_empty(), key


def test_nothing_is_off_the_address_grid_and_every_pillar_is_its_own_mirror_image(
    job: Job,
) -> None:
    for shape in job.manifest["shapes"]:
        points = {tuple(p) for p in shape["polygon_dbu"]}
        assert len(points) == 8
        for x, y in points:
            assert {(-x, y), (x, -y), (y, x)} <= points
        x, y = np.array(shape["polygon_dbu"]).T
        area = abs(np.dot(x, np.roll(y, -1)) - np.dot(np.roll(x, -1), y)) / 2
        # an octagon on a 1 nm grid hits the disc's area within 0.11 nm rms of diameter
        assert abs(2 * np.sqrt(area / np.pi) - shape["drawn_nm"]) < 0.4


# --- mirrors and labels ---------------------------------------------------------------------------


def read_dots(region: Any, side: int, count: int) -> str:
    """Read `count` characters off a region of dots, from the left; ? is no character.

    A character stands in five columns and seven rows of dots, the sixth column is free.
    """
    known = {rows: character for character, rows in FORMS.items()}
    box = region.bbox()
    read = ""
    for k in range(count):
        rows = []
        for row in range(7):
            line = ""
            for column in range(5):
                x = box.left + (6 * k + column) * side + side // 2
                y = box.top - row * side - side // 2
                dot = kdb.Region(kdb.Box(x - 1, y - 1, x + 1, y + 1))
                line += "." if (region & dot).is_empty() else "#"
            rows.append(line)
        read += known.get(tuple(rows), "?")
    return read


@pytest.mark.parametrize(
    "transfers, labels, mirrored",
    [("even", "part", False), ("odd", "part", True), ("odd", "master", False)],
)
def test_labels_read_right_where_they_should(
    tmp_path: Path, transfers: str, labels: str, mirrored: bool
) -> None:
    def change(recipe: Recipe) -> None:
        recipe["replication"] |= {"transfers": transfers, "labels": labels}

    job = lg.build(lg.load_recipe(write(tmp_path, change=change)), tmp_path / "out", verify=False)
    layout = klayout_of(job.layout("oasis"))
    index = klayout_layers(layout)[3, 0]
    whole = kdb.Region(layout.top_cell().begin_shapes_rec(index))
    side = dot_side(14_000)
    turn = -1 if transfers == "odd" else 1
    with (job.folder / "dies.csv").open() as lines:
        rows = [line.strip().split(",") for line in lines][1:]
    seen = 0
    for name, col, row, x_mm, y_mm in rows:
        text, at = {
            "lens": (f"{col},{row}", (-50_000, 60_000)),
            "test": ("CAL 7", (-50_000, -60_000)),
        }.get(name, ("", (0, 0)))
        if not text:
            continue
        x = round(float(x_mm) * 1e6) + turn * at[0]
        y = round(float(y_mm) * 1e6) + at[1]
        here = whole & kdb.Region(kdb.Box(x - 48_000, y - 10_000, x + 48_000, y + 10_000))
        seen_on_the_part = here.transformed(kdb.Trans(kdb.Trans.M90)) if mirrored else here
        if text[0] == "-":  # a minus has no dots in its first column and none in its top rows
            box = seen_on_the_part.bbox()
            low = kdb.Region(kdb.Box(box.left - side, box.bottom, box.left - side, box.top))
            assert low.is_empty()
            padded = seen_on_the_part + kdb.Region(
                kdb.Box(box.left - side, box.top - side, box.left - side + 1, box.top)
            )
            assert read_dots(padded, side, len(text))[1:] == text[1:]
        else:
            assert read_dots(seen_on_the_part, side, len(text)) == text
        centre = here.bbox().center()
        assert (centre.x, centre.y) == (x, y)
        seen += 1
    assert seen == 7
    assert job.manifest["tone"] == ("holes" if transfers == "odd" else "pillars")


def test_odd_transfers_mirror_the_layout_and_nothing_else(tmp_path: Path) -> None:
    plain: dict[tuple[int, int], Any] = {}
    layouts = []  # regions live as long as their layouts
    for transfers in ("even", "odd"):

        def change(recipe: Recipe, transfers: str = transfers) -> None:
            asymmetric(recipe)
            recipe["replication"]["transfers"] = transfers

        folder = tmp_path / transfers
        job = lg.build(lg.load_recipe(write(folder, change=change)), folder / "out", verify=False)
        layout = klayout_of(job.layout("gdsii"))
        layouts.append(layout)
        for key, index in klayout_layers(layout).items():
            region = kdb.Region(layout.top_cell().begin_shapes_rec(index))
            if transfers == "even":
                plain[key] = region
                continue
            mirrored = region.transformed(kdb.Trans(kdb.Trans.M90))  # x -> -x
            assert mirrored.count() == plain[key].count()
            if key == (3, 0):  # `label: die` names dies as on the part, in both
                assert mirrored.area() == plain[key].area()
            differs = mirrored ^ plain[key]
            if key[0] == 1:
                # sums in another order differ by 1e-6 of density: now and then a size rounds to the next step
                assert differs.sized(-1).is_empty(), key
                assert differs.area() <= 1e-5 * plain[key].area(), key
            else:
                assert differs.is_empty(), key
            if key[0] == 1 and key[1] in (0, 101):
                assert not (region ^ plain[key]).is_empty(), f"{key} is symmetric: no test"


# --- bytes that the standards fix -----------------------------------------------------------------


def test_oasis_file_starts_and_ends_as_semi_p39_says(job: Job) -> None:
    data = job.layout("oasis").read_bytes()
    # magic, START record (1), version "1.0", unit as a real of type 0: 1000 grid steps per um
    assert data.startswith(b"%SEMI-OASIS\r\n\x01\x031.0\x00\xe8\x07")
    # END (2) is 256 bytes long with its padding; validation scheme 1 is the CRC32 of what precedes
    assert data[-256] == 2
    assert data[-5] == 1
    assert int.from_bytes(data[-4:], "little") == zlib.crc32(data[:-4])


def gdsii_records(data: bytes) -> list[tuple[int, bytes]]:
    records, at = [], 0
    while at < len(data):
        length, kind = struct.unpack_from(">HH", data, at)
        records.append((kind, data[at + 4 : at + length]))
        at += length
        if kind == 0x0400:  # ENDLIB
            break
    assert at == len(data)
    return records


def test_gdsii_dates_are_fixed_and_units_are_those_of_the_manual(job: Job) -> None:
    records = gdsii_records(job.layout("gdsii").read_bytes())
    dates = {data for kind, data in records if kind in (0x0102, 0x0502)}  # BGNLIB, BGNSTR
    assert len(dates) == 1
    # 0.001 and 1e-9 as eight-byte reals (Calma 1987)
    (units,) = [data for kind, data in records if kind == 0x0305]
    assert units.hex(" ").upper() == "3E 41 89 37 4B C6 A7 F0 39 44 B8 2F A0 9B 5A 54"
    assert max(len(data) for _, data in records) <= 8 * 8191  # classic limit of an XY record


def test_manifest_tells_the_outline_of_each_shape_in_the_file(job: Job) -> None:
    layout = klayout_of(job.layout("gdsii"))
    drawn = set()
    for cell in layout.each_cell():
        for (layer, _), index in klayout_layers(layout).items():
            drawn |= {shape.polygon for shape in cell.shapes(index).each() if layer == 1}
    told = {
        kdb.Polygon([kdb.Point(x, y) for x, y in shape["polygon_dbu"]])
        for shape in job.manifest["shapes"]
    }
    assert drawn == told
    codes = [shape["code"] for shape in job.manifest["shapes"]]
    assert len(set(codes)) == len(codes)
    assert json.loads((job.folder / "manifest.json").read_text()) == job.manifest
