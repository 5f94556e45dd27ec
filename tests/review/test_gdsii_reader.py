"""The GDSII reader against the Calma manual (1987, from memory, not looked up), gdstk and klayout."""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import gdstk
import klayout.db as kdb
import numpy as np
import pytest

from layoutgen.lattice import Lattice, Window
from layoutgen.review.gdsii_reader import read_gdsii, real8, summary
from layoutgen.review.readcells import LayoutReadError, ReadCell, reference_codes, shape_key

OCTAGON = [(50, -20), (50, 20), (20, 50), (-20, 50), (-50, 20), (-50, -20), (-20, -50), (20, -50)]

Found = Counter[tuple[object, ...]]


def record(kind: int, data_type: int, data: bytes = b"") -> bytes:
    return struct.pack(">HBB", 4 + len(data), kind, data_type) + data


def ints(*values: int) -> bytes:
    return struct.pack(f">{len(values)}i", *values)


def shorts(*values: int) -> bytes:
    return struct.pack(f">{len(values)}h", *values)


def padded(name: bytes) -> bytes:
    return name + b"\0" * (len(name) % 2)


UNITS = bytes.fromhex("3E4189374BC6A7F0 3944B82FA09B5A54")
ENDEL = record(0x11, 0)


def library(cells: bytes) -> bytes:
    return (
        record(0x00, 2, shorts(600)) + record(0x01, 2, bytes(24)) + record(0x02, 6, b"LIB\0")
        + record(0x03, 5, UNITS) + cells + record(0x04, 0)
    )  # fmt: skip


def cell(name: bytes, elements: bytes) -> bytes:
    return record(0x05, 2, bytes(24)) + record(0x06, 6, padded(name)) + elements + record(0x07, 0)


def boundary(*points: int, layer: int = 1) -> bytes:
    head = record(0x08, 0) + record(0x0D, 2, shorts(layer)) + record(0x0E, 2, shorts(2))
    return head + record(0x10, 3, ints(*points)) + ENDEL


def sref(name: bytes, x: int, y: int, turn: bytes = b"") -> bytes:
    head = record(0x0A, 0) + record(0x12, 6, padded(name)) + turn
    return head + record(0x10, 3, ints(x, y)) + ENDEL


SQUARE = boundary(0, 0, 9, 0, 9, 9, 0, 9, 0, 0)


def read(path: Path, data: bytes) -> list[ReadCell]:
    path.write_bytes(data)
    with read_gdsii(path) as file:
        return list(file)


def outline(points: Iterable[tuple[float, float]], scale: float) -> tuple[object, ...]:
    return shape_key(np.array([(round(x * scale), round(y * scale)) for x, y in points], np.int64))


def found_by_us(path: Path) -> Found:
    found: Found = Counter()
    with read_gdsii(path) as file:
        for one in file:
            for shape in one.shapes:
                if shape.kind == "polygon":
                    key, (cx, cy) = shape_key(shape.polygon)
                    for x, y in shape.positions.tolist():
                        centre = (cx + 2 * x, cy + 2 * y)
                        found[one.name, shape.layer, shape.datatype, key, centre] += 1
            for ref in one.references:
                for x, y in ref.positions.tolist():
                    angle, size = round(ref.angle_deg % 360, 6), round(ref.magnification, 9)
                    found[one.name, ref.cell, x, y, ref.mirror, angle, size] += 1
    return found


def found_by_gdstk(path: Path) -> Found:
    whole = gdstk.read_gds(str(path))
    scale = whole.unit / whole.precision
    found: Found = Counter()
    cells: list[Any] = list(whole.cells)
    for one in cells:
        for polygon in one.polygons:
            found[(one.name, polygon.layer, polygon.datatype, *outline(polygon.points, scale))] += 1
        for ref in one.references:
            for copy in [ref, *ref.apply_repetition()]:
                x, y = (round(v * scale) for v in copy.origin)
                angle = round(np.degrees(copy.rotation) % 360, 6)
                size = round(copy.magnification, 9)
                found[one.name, copy.cell_name, x, y, copy.x_reflection, angle, size] += 1
    return found


def found_by_klayout(path: Path) -> Found:
    layout = kdb.Layout()
    layout.read(str(path))
    found: Found = Counter()
    for one in layout.each_cell():
        for index in layout.layer_indexes():
            info = layout.get_info(index)
            for shape in one.shapes(index).each():
                if shape.is_polygon() or shape.is_box():
                    points = [(p.x, p.y) for p in shape.polygon.each_point_hull()]
                    found[(one.name, info.layer, info.datatype, *outline(points, 1))] += 1
        for instance in one.each_inst():
            for i in range(max(instance.na, 1)):
                for j in range(max(instance.nb, 1)):
                    turn = instance.cplx_trans
                    where = turn.disp + (instance.a * i + instance.b * j)
                    angle = round(turn.angle % 360, 6)
                    key = (one.name, instance.cell.name, int(where.x), int(where.y))
                    found[(*key, turn.is_mirror(), angle, round(turn.mag, 9))] += 1
    return found


@pytest.mark.parametrize(
    "raw, value",
    [
        ("3E4189374BC6A7F0", 0.001),
        ("3944B82FA09B5A54", 1e-9),
        ("4110000000000000", 1.0),
        ("C120000000000000", -2.0),
        ("0000000000000000", 0.0),
    ],
)
def test_eight_byte_reals_are_in_base_16(raw: str, value: float) -> None:
    # Calma 1987: exponent of 16 above 64, fraction of 56 bits; the first two rows are in every file
    assert real8(bytes.fromhex(raw)) == pytest.approx(value, rel=2**-52)


def test_unit_is_the_length_of_a_database_unit(tmp_path: Path) -> None:
    path = tmp_path / "u.gds"
    path.write_bytes(library(cell(b"TOP", SQUARE)))
    with read_gdsii(path) as file:
        assert file.unit_nm == pytest.approx(1.0, rel=1e-15)
        assert file.name == "LIB"


def test_what_gdstk_writes_is_read_as_gdstk_and_klayout_read_it(tmp_path: Path) -> None:
    whole = gdstk.Library("LIB", unit=1e-6, precision=1e-9)
    child, top = whole.new_cell("CHILD"), whole.new_cell("TOP")
    octagon = [(x / 1000, y / 1000) for x, y in OCTAGON]
    child.add(gdstk.Polygon(octagon, layer=3, datatype=4), gdstk.rectangle((0, 0), (1, 2)))
    child.add(gdstk.Label("text", (1, 2)), gdstk.FlexPath([(0, 0), (5, 5)], 0.2, simple_path=True))
    repetitions = [
        gdstk.Repetition(columns=3, rows=4, spacing=(2.3, 1.4)),
        gdstk.Repetition(columns=2, rows=3, v1=(0, 1.5), v2=(-1.5, 0)),
        gdstk.Repetition(offsets=[(0.3, 0.6), (0.9, 0.3), (0.6, 1.2)]),
    ]
    for turn in range(4):
        for mirror in (False, True):
            top.add(gdstk.Reference(child, (turn, 7 * mirror), turn * np.pi / 2, 1, mirror))
    for i, repetition in enumerate(repetitions):
        ref = gdstk.Reference(child, (100 * i, 5), 0, 1, False)
        ref.repetition = repetition
        top.add(ref)
    top.add(gdstk.Reference(child, (7, 7), np.radians(30), 1.5))
    path = tmp_path / "g.gds"
    whole.write_gds(str(path))
    ours = found_by_us(path)
    assert ours.total() == 2 + 8 + 12 + 6 + 4 + 1
    assert ours == found_by_gdstk(path)
    assert ours == found_by_klayout(path)
    facts = summary(path)
    assert facts.tops == ("TOP",)
    assert facts.cells["CHILD"].shapes["text", 0, 0] == 1
    assert facts.cells["CHILD"].shapes["path", 0, 0] == 1
    assert not facts.exact  # an angle of 30 degrees


def test_summary_gives_the_box_of_gdstk(tmp_path: Path) -> None:
    whole = gdstk.Library("LIB", unit=1e-6, precision=1e-9)
    child, top = whole.new_cell("CHILD"), whole.new_cell("TOP")
    child.add(gdstk.rectangle((0.1, -0.2), (1, 2)))
    for turn in range(4):
        for mirror in (False, True):
            top.add(gdstk.Reference(child, (turn, 7 * mirror), turn * np.pi / 2, 1, mirror))
    top.add(gdstk.Reference(child, (9, 9), columns=3, rows=2, spacing=(4, 5)))
    path = tmp_path / "b.gds"
    whole.write_gds(str(path))
    box = top.bounding_box()
    assert box is not None
    facts = summary(path)
    assert facts.exact
    assert facts.bounds == tuple(round(1000 * v) for v in (*box[0], *box[1]))
    assert facts.flat_counts("TOP")["polygon", 0, 0] == 14


def test_what_klayout_writes_is_read_as_klayout_and_gdstk_read_it(tmp_path: Path) -> None:
    layout = kdb.Layout()
    layout.dbu = 0.001
    child, top = layout.create_cell("CHILD"), layout.create_cell("TOP")
    index = layout.layer(5, 7)
    child.shapes(index).insert(kdb.Polygon([kdb.Point(*p) for p in OCTAGON]))
    child.shapes(index).insert(kdb.Box(-100, 3, 70, 90))
    for turn in range(8):
        move = kdb.Trans(turn % 4, turn >= 4, 1000 * turn, -77)
        top.insert(kdb.CellInstArray(child.cell_index(), move))
        steps = kdb.Vector(900, 0), kdb.Vector(0, 700)
        top.insert(kdb.CellInstArray(child.cell_index(), move, *steps, 3, 2))
    path = tmp_path / "k.gds"
    layout.write(str(path))
    ours = found_by_us(path)
    assert ours.total() == 2 + 8 * 7
    assert ours == found_by_klayout(path) == found_by_gdstk(path)


def test_an_outline_of_more_than_8191_vertices_comes_in_several_records(tmp_path: Path) -> None:
    angle = np.arange(12000) * (2 * np.pi / 12000)
    points = np.unique(np.round(1e6 * np.stack([np.cos(angle), np.sin(angle)], 1)), axis=0)
    order = np.argsort(np.arctan2(points[:, 1], points[:, 0]))
    whole = gdstk.Library("LIB", unit=1e-6, precision=1e-9)
    whole.new_cell("TOP").add(gdstk.Polygon((points[order] / 1000).tolist()))
    path = tmp_path / "long.gds"
    with pytest.warns(RuntimeWarning, match="extensions"):  # gdstk's name for the further records
        whole.write_gds(str(path), max_points=0)
    with read_gdsii(path) as file:
        (top,) = list(file)
    assert len(top.shapes[0].polygon) == 12000


def test_plain_references_are_grouped_by_name_in_file_order(tmp_path: Path) -> None:
    # names of one to nine letters in turns, so that runs are cut at every record
    names = [b"A", b"AB", b"ABC", b"ABCD", b"ABCDEFGHI"]
    rng = np.random.default_rng(2)
    places = rng.integers(-(2**31), 2**31, (500, 2)).tolist()
    which = rng.integers(0, 5, 500).tolist()
    elements = b"".join(sref(names[k], *xy) for k, xy in zip(which, places, strict=True))
    (top,) = read(tmp_path / "r.gds", library(cell(b"TOP", elements)))
    assert len(top.references) == 5
    for ref in top.references:
        wanted = [xy for k, xy in zip(which, places, strict=True) if names[k].decode() == ref.cell]
        assert ref.positions.tolist() == wanted


def test_references_in_larger_numbers_than_the_first_arrays_hold(tmp_path: Path) -> None:
    count = 150_000
    raw = np.zeros((count, 26), np.uint8)
    raw[:] = np.frombuffer(sref(b"AB", 0, 0), np.uint8)
    x = np.arange(count) * 3 - 7
    raw[:, 14:22] = np.stack([x, -x], 1).astype(">i4").view(np.uint8).reshape(-1, 8)
    (top,) = read(tmp_path / "many.gds", library(cell(b"TOP", raw.tobytes())))
    (ref,) = top.references
    assert (ref.positions == np.stack([x, -x], 1)).all()


def test_more_names_than_the_table_holds_are_read_one_by_one(tmp_path: Path) -> None:
    names = [b"N%05d" % i for i in range(5000)]
    elements = b"".join(sref(name, i, 0) for i, name in enumerate(names))
    (top,) = read(tmp_path / "names.gds", library(cell(b"TOP", elements)))
    counts = {ref.cell: ref.positions.tolist() for ref in top.references}
    assert counts == {name.decode(): [[i, 0]] for i, name in enumerate(names)}


def test_zeros_behind_the_end_are_the_filling_of_a_tape_block(tmp_path: Path) -> None:
    data = library(cell(b"TOP", SQUARE))
    assert len(read(tmp_path / "z.gds", data + bytes(2048 - len(data)))) == 1
    with pytest.raises(LayoutReadError, match="follow the ENDLIB"):
        read(tmp_path / "z.gds", data + bytes(7) + b"\1")


@pytest.mark.parametrize(
    "data, words",
    [
        (library(cell(b"A", record(0x39, 0))), "0x39"),
        (library(cell(b"A", SQUARE) + cell(b"A", SQUARE)), "twice"),
        (library(cell(b"A", boundary(0, 0, 9, 0, 9, 9))), "closed outline"),
        (library(cell(b"A", boundary(0, 0, 9, 0, 9, 9, 1, 0))), "closed outline"),
        (library(cell(b"A", record(0x08, 0) + ENDEL)), "want a LAYER record"),
        (library(cell(b"A", record(0x0A, 0) + record(0x0D, 2, b"\0\1"))), "holds a LAYER"),
        (library(cell(b"A", record(0x11, 2, b"\0\0"))), "data type 0"),
        (library(cell(b"A", record(0x08, 0) + record(0x0D, 2, b"\0\0\0\0"))), "2 bytes"),
        (library(cell(b"A", record(0x08, 0) + record(0x10, 3, bytes(12)) + ENDEL)), "LAYER"),
        (library(cell(b"", SQUARE)), "name of printable"),
        (library(cell(b"A", sref(b"B C", 0, 0))), "without spaces"),
        (library(cell(b"A", sref(b"B", 0, 0, record(0x1A, 1, b"\0\2")))), "absolute"),
        (library(cell(b"A", sref(b"B", 0, 0, record(0x1B, 5, bytes(8))))), "magnification above 0"),
        (library(SQUARE), "BGNSTR"),
        (record(0x00, 2, shorts(600)) + SQUARE, "BGNLIB"),
        (library(b"")[:-4], "without an ENDLIB"),
        (library(b"")[:-4] + b"\0\3\4\0", "even length"),
    ],
)
def test_malformed_files_are_refused_with_byte_and_reason(
    tmp_path: Path, data: bytes, words: str
) -> None:
    with pytest.raises(LayoutReadError, match=words) as error:
        read(tmp_path / "bad.gds", data)
    assert "byte" in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("columns, rows, far", [(0, 1, 10), (3, 1, 10), (-2, 1, 10)])
def test_arrays_of_no_places_or_broken_steps_are_refused(
    tmp_path: Path, columns: int, rows: int, far: int
) -> None:
    array = (
        record(0x0B, 0) + record(0x12, 6, b"B\0") + record(0x13, 2, shorts(columns, rows))
        + record(0x10, 3, ints(0, 0, far, 0, 0, 10)) + ENDEL
    )  # fmt: skip
    with pytest.raises(LayoutReadError, match=r"at least 1 column|whole database units"):
        read(tmp_path / "a.gds", library(cell(b"A", array)))


def rich_file() -> bytes:
    turned = record(0x1A, 1, b"\x80\0") + record(0x1C, 5, bytes.fromhex("425A000000000000"))
    array = (
        record(0x0B, 0) + record(0x12, 6, b"AB") + record(0x13, 2, shorts(3, 2))
        + record(0x10, 3, ints(0, 0, 30, 0, 0, 10)) + ENDEL
    )  # fmt: skip
    text = (
        record(0x0C, 0) + record(0x0D, 2, b"\0\1") + record(0x16, 2, b"\0\1")
        + record(0x10, 3, ints(4, 5)) + record(0x19, 6, b"text") + ENDEL
    )  # fmt: skip
    plain = b"".join(sref(b"AB", 10 * i, i) for i in range(5))
    return library(
        cell(b"AB", SQUARE) + cell(b"TOP", plain + sref(b"AB", 1, 2, turned) + array + text)
    )


def test_a_turned_reference_keeps_its_mirror_and_angle(tmp_path: Path) -> None:
    (_, top) = read(tmp_path / "t.gds", rich_file())
    (turned,) = [r for r in top.references if r.mirror]
    assert (turned.angle_deg, turned.turns, turned.positions.tolist()) == (90.0, 1, [[1, 2]])


def test_a_file_cut_at_any_byte_is_refused(tmp_path: Path) -> None:
    data = rich_file()
    assert len(read(tmp_path / "whole.gds", data)) == 2
    for size in range(len(data)):
        with pytest.raises(LayoutReadError) as error:
            read(tmp_path / "cut.gds", data[:size])
        assert "cut.gds" in str(error.value)


def test_damaged_bytes_are_read_or_refused_and_never_worse(tmp_path: Path) -> None:
    data = rich_file()
    rng = np.random.default_rng(20)
    refused = 0
    for _ in range(300):
        mutant = bytearray(data)
        for at in rng.integers(0, len(data), rng.integers(1, 4)):
            mutant[at] = rng.integers(256)
        try:
            for one in read(tmp_path / "mutant.gds", bytes(mutant)):
                places = [s.places for s in one.shapes] + [r.places for r in one.references]
                assert all(place.count > 0 for place in places)
        except LayoutReadError:
            refused += 1
    assert refused > 100


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
def test_codes_come_back_from_references_to_pillar_cells(tmp_path: Path, kind: str) -> None:
    lattice = Lattice(kind, 400, 346 if kind == "hexagonal" else 400, "gap")
    rng = np.random.default_rng(8)
    codes = rng.integers(0, 301, (11, 7))
    elements = b"".join(
        sref(b"P%d" % codes[r, c], lattice.x_dbu(r - 5, c - 3), lattice.y_dbu(r - 5))
        for r, c in np.argwhere(codes).tolist()
    )
    elements += sref(b"OTHER", 1, 1)
    (top,) = read(tmp_path / "p.gds", library(cell(b"TOP", elements)))
    names = {f"P{k}": k for k in range(1, 301)}
    back = reference_codes(top, names, lattice, Window(-5, -3, 11, 7))
    assert back.problems == ()
    assert (back.block.codes == codes).all()
    assert back.block.codes.dtype == np.uint16


@pytest.mark.parametrize(
    "elements, words",
    [
        (sref(b"P1", 1, 0), "between the sites"),
        (sref(b"P1", 800, 0), "outside the block"),
        (sref(b"P1", 0, 0) + sref(b"P2", 0, 0), "taken already"),
        (sref(b"P1", 0, 0, record(0x1A, 1, b"\x80\0")), "mirrored"),
    ],
)
def test_what_does_not_stand_on_a_free_site_is_told(
    tmp_path: Path, elements: bytes, words: str
) -> None:
    (top,) = read(tmp_path / "p.gds", library(cell(b"TOP", elements)))
    lattice = Lattice("square", 400, 400, "site")
    back = reference_codes(top, {"P1": 1, "P2": 2}, lattice, Window(0, 0, 2, 2))
    assert back.wrong == 1
    assert words in back.problems[0]
