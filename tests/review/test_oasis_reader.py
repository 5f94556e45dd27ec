"""The OASIS reader against SEMI P39 (from memory, not looked up) and against three other readers.

Hand-made files are bytes written out here; gdstk, klayout and fatamorgana write and read the rest.
"""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import fatamorgana
import fatamorgana.records
import gdstk
import klayout.db as kdb
import numpy as np
import pytest

from layoutgen.lattice import Lattice, Window
from layoutgen.review.oasis_reader import OasisFile, decode_points, read_oasis, summary
from layoutgen.review.readcells import (
    Grid,
    LayoutReadError,
    ReadCell,
    ReadShape,
    pillar_codes,
    reference_codes,
    shape_key,
)

OCTAGON = [(50, -20), (50, 20), (20, 50), (-20, 50), (-50, 20), (-50, -20), (-20, -50), (20, -50)]


# ---- a small writer of bytes, for files that no library would write


def uint(value: int) -> bytes:
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    return bytes([*out, value])


def sint(value: int) -> bytes:
    return uint(abs(value) << 1 | (value < 0))


def string(text: bytes) -> bytes:
    return uint(len(text)) + text


def gdelta(dx: int, dy: int) -> bytes:
    return uint(abs(dx) << 2 | (dx < 0) << 1 | 1) + sint(dy)


def oasis(body: bytes, names: bytes = b"", *, strict: bool = False, validation: int = 0) -> bytes:
    """A file with `body` between START and END and a table of names behind it."""
    head = b"%SEMI-OASIS\r\n" + b"\x01" + string(b"1.0") + b"\x00" + uint(1000) + b"\x01"
    start = head + body
    tables = (b"\x01" + uint(len(start)) if strict else b"\x00\x00") + b"\x00\x00" * 5
    tail = b"\x02" + tables
    signature = 4 if validation else 0
    fill = 256 - len(tail) - 1 - signature
    fill -= 2 if fill > 128 else 1
    whole = start + names + tail + string(bytes(fill)) + bytes([validation])
    if validation == 1:
        whole += struct.pack("<I", zlib.crc32(whole))
    elif validation == 2:
        whole += struct.pack("<I", sum(whole) & 0xFFFFFFFF)
    return whole


def one_cell(records: bytes) -> bytes:
    return oasis(b"\x0e" + string(b"TOP") + records)


def packed(records: bytes, *, says: int | None = None) -> bytes:
    deflater = zlib.compressobj(6, wbits=-15)
    data = deflater.compress(records) + deflater.flush()
    return b"\x22\x00" + uint(len(records) if says is None else says) + uint(len(data)) + data


def read(path: Path, data: bytes) -> list[ReadCell]:
    path.write_bytes(data)
    with read_oasis(path) as file:
        cells = list(file)
        for cell in cells:
            assert len(cell.shapes) + len(cell.references) >= 0  # made while the file is open
    return cells


OneCell = Callable[[bytes], tuple[ReadShape, ...]]


@pytest.fixture
def one(tmp_path: Path) -> OneCell:
    def shapes(records: bytes) -> tuple[ReadShape, ...]:
        (cell,) = read(tmp_path / "one.oas", one_cell(records))
        return cell.shapes

    return shapes


# ---- what three readers find in a file, in one form: every polygon and reference, counted

Found = Counter[tuple[object, ...]]


def outline(points: Iterable[tuple[float, float]], scale: float) -> tuple[object, ...]:
    whole = np.array([(round(x * scale), round(y * scale)) for x, y in points], np.int64)
    key, centre = shape_key(whole)
    return key, centre


def found_by_us(cells: Iterable[ReadCell]) -> Found:
    found: Found = Counter()
    for cell in cells:
        for shape in cell.shapes:
            if shape.kind == "polygon":
                key, (cx, cy) = shape_key(shape.polygon)
                for x, y in shape.positions.tolist():
                    centre = (cx + 2 * x, cy + 2 * y)
                    found[cell.name, shape.layer, shape.datatype, key, centre] += 1
        for ref in cell.references:
            for x, y in ref.positions.tolist():
                angle, size = round(ref.angle_deg % 360, 6), round(ref.magnification, 9)
                found[cell.name, ref.cell, x, y, ref.mirror, angle, size] += 1
    return found


def found_by_gdstk(path: Path) -> Found:
    library = gdstk.read_oas(str(path)) if path.suffix == ".oas" else gdstk.read_gds(str(path))
    scale = library.unit / library.precision
    found: Found = Counter()
    cells: list[Any] = list(library.cells)
    for cell in cells:
        for polygon in cell.polygons:
            for copy in [polygon, *polygon.apply_repetition()]:
                found[(cell.name, copy.layer, copy.datatype, *outline(copy.points, scale))] += 1
        for ref in cell.references:
            for copy in [ref, *ref.apply_repetition()]:
                x, y = (round(v * scale) for v in copy.origin)
                angle = round(np.degrees(copy.rotation) % 360, 6)
                size = round(copy.magnification, 9)
                found[cell.name, copy.cell_name, x, y, copy.x_reflection, angle, size] += 1
    return found


def found_by_klayout(path: Path) -> Found:
    layout = kdb.Layout()
    layout.read(str(path))
    found: Found = Counter()
    for cell in layout.each_cell():
        for index in layout.layer_indexes():
            info = layout.get_info(index)
            for shape in cell.shapes(index).each():
                if shape.is_polygon() or shape.is_box():
                    points = [(p.x, p.y) for p in shape.polygon.each_point_hull()]
                    found[(cell.name, info.layer, info.datatype, *outline(points, 1))] += 1
        for instance in cell.each_inst():
            for i in range(max(instance.na, 1)):
                for j in range(max(instance.nb, 1)):
                    turn = instance.cplx_trans
                    move = instance.a * i + instance.b * j
                    where = turn.disp + move
                    angle = round(turn.angle % 360, 6)
                    key = (cell.name, instance.cell.name, int(where.x), int(where.y))
                    found[(*key, turn.is_mirror(), angle, round(turn.mag, 9))] += 1
    return found


def found(path: Path) -> Found:
    with read_oasis(path) as file:
        return found_by_us(file)


# ---- numbers


@pytest.mark.parametrize("value, raw", [(127, "7F"), (128, "8001"), (16383, "FF7F")])
def test_unsigned_integers_are_groups_of_seven_bits(one: OneCell, value: int, raw: str) -> None:
    # SEMI P39, unsigned-integer; the three rows are worked out by hand
    (shape,) = one(b"\x14\x63\x01\x00" + bytes.fromhex(raw) + uint(5))
    assert shape.polygon.max(axis=0).tolist() == [value, 5]


@pytest.mark.parametrize("value, raw", [(1, "02"), (-1, "03"), (64, "8001"), (-64, "8101")])
def test_the_lowest_bit_of_a_signed_integer_is_its_sign(one: OneCell, value: int, raw: str) -> None:
    (shape,) = one(b"\x14\x73\x01\x00\x05\x05" + bytes.fromhex(raw))
    assert shape.positions.tolist() == [[value, 0]]


@pytest.mark.parametrize(
    "raw, value",
    [
        (b"\x00\x05", 5.0),
        (b"\x02\x04", 0.25),
        (b"\x04\x03\x02", 1.5),
        (b"\x06" + struct.pack("<f", 0.75), 0.75),
        (b"\x07" + struct.pack("<d", 0.1), 0.1),
    ],
)
def test_every_type_of_real_is_read_as_a_magnification(
    tmp_path: Path, raw: bytes, value: float
) -> None:
    # SEMI P39, real: 0 whole, 2 reciprocal, 4 ratio, 6 and 7 IEEE 754; 1, 3, 5 are their negatives
    body = b"\x0e\x01A\x0e\x01B" + b"\x12\x84\x01A" + raw
    cells = read(tmp_path / "real.oas", oasis(body))
    assert cells[1].references[0].magnification == value


@pytest.mark.parametrize("kind, value", [(1, -5.0), (3, -0.2), (5, -2.5)])
def test_negative_reals_are_read_as_angles(tmp_path: Path, kind: int, value: float) -> None:
    raw = uint(kind) + (b"\x05" if kind != 5 else b"\x05\x02")
    cells = read(tmp_path / "real.oas", oasis(b"\x0e\x01A\x0e\x01B" + b"\x12\x82\x01A" + raw))
    assert cells[1].references[0].angle_deg == value


def test_g_deltas_of_form_1_go_in_eight_directions() -> None:
    # directions 0..7 are E, N, W, S, NE, NW, SW, SE; magnitude above bit 4
    steps = [(3, 0), (0, 3), (-3, 0), (0, -3), (3, 3), (-3, 3), (-3, -3), (3, -3)]
    for direction, step in enumerate(steps):
        raw = b"\x04\x02" + uint(3 << 4 | direction << 1) + gdelta(7, 11)
        points = decode_points(raw, closed=True)
        assert points.tolist() == [[0, 0], list(step), [step[0] + 7, step[1] + 11]]


def test_every_point_list_type_draws_the_same_square() -> None:
    square = [[0, 0], [6, 0], [6, 6], [0, 6]]
    lists = {
        0: b"\x00\x02" + sint(6) + sint(6),
        2: b"\x02\x03" + uint(6 << 2) + uint(6 << 2 | 1) + uint(6 << 2 | 2),
        3: b"\x03\x03" + uint(6 << 3) + uint(6 << 3 | 1) + uint(6 << 3 | 2),
        4: b"\x04\x03" + gdelta(6, 0) + gdelta(0, 6) + gdelta(-6, 0),
        5: b"\x05\x03" + gdelta(6, 0) + gdelta(-6, 6) + gdelta(-6, -6),
    }
    for raw in lists.values():
        assert decode_points(raw, closed=True).tolist() == square
    upright = decode_points(b"\x01\x02" + sint(6) + sint(6), closed=True)
    assert upright.tolist() == [[0, 0], [0, 6], [6, 6], [6, 0]]


# ---- repetitions

REPETITIONS: dict[str, tuple[bytes, list[tuple[int, int]]]] = {
    "1 matrix": (
        b"\x01\x01\x00\x0a\x14",
        [(x * 10, y * 20) for y in range(2) for x in range(3)],
    ),
    "2 row": (b"\x02\x02\x07", [(7 * i, 0) for i in range(4)]),
    "3 column": (b"\x03\x00\x09", [(0, 0), (0, 9)]),
    "4 row, varying": (b"\x04\x01\x05\x09", [(0, 0), (5, 0), (14, 0)]),
    "5 row, grid": (b"\x05\x01\x0a\x05\x09", [(0, 0), (50, 0), (140, 0)]),
    "6 column, varying": (b"\x06\x01\x05\x09", [(0, 0), (0, 5), (0, 14)]),
    "7 column, grid": (b"\x07\x01\x0a\x05\x09", [(0, 0), (0, 50), (0, 140)]),
    "8 two vectors": (
        b"\x08\x00\x01" + gdelta(3, 40) + gdelta(-50, 2),
        [(3 * n - 50 * m, 40 * n + 2 * m) for m in range(3) for n in range(2)],
    ),
    "9 one vector": (b"\x09\x01" + gdelta(-3, 8), [(0, 0), (-3, 8), (-6, 16)]),
    "10 list": (
        b"\x0a\x02" + gdelta(9, 0) + uint(5 << 4 | 1 << 1) + gdelta(-100000, -70),
        [(0, 0), (9, 0), (9, 5), (-99991, -65)],
    ),
    "11 list, grid": (
        b"\x0b\x02" + uint(300) + gdelta(9, 0) + uint(5 << 4 | 6 << 1) + gdelta(-200, 70),
        [(0, 0), (2700, 0), (1200, -1500), (-58800, 19500)],
    ),
}


@pytest.mark.parametrize("name", REPETITIONS)
def test_each_repetition_stands_where_the_standard_says_and_other_readers_agree(
    tmp_path: Path, name: str
) -> None:
    raw, wanted = REPETITIONS[name]
    path = tmp_path / "rep.oas"
    path.write_bytes(one_cell(b"\x14\x7f\x01\x02\x04\x06" + sint(-5) + sint(7) + raw))
    with read_oasis(path) as file:
        (cell,) = list(file)
        places = [(x + 5, y - 7) for x, y in cell.shapes[0].positions.tolist()]
        assert sorted(places) == sorted(wanted)
        box = cell.shapes[0].places.bounds()
        xs, ys = [x - 5 for x, _ in wanted], [y + 7 for _, y in wanted]
        assert box == (min(xs), min(ys), max(xs), max(ys))
    assert found(path) == found_by_klayout(path) == found_by_gdstk(path)


def test_repetition_type_0_repeats_the_last_list_from_another_place(one: OneCell) -> None:
    first = b"\x14\x7f\x01\x02\x04\x06" + sint(0) + sint(0) + REPETITIONS["10 list"][0]
    second = b"\x14\x14" + sint(1000) + b"\x00"
    shapes = one(first + second)
    moved = shapes[0].positions + np.array([1000, 0])
    assert shapes[1].positions.tolist() == moved.tolist()


def test_long_displacement_lists_equal_a_running_sum(one: OneCell) -> None:
    # numbers of one to five bytes in both forms, so that every way through the decoder is taken
    rng = np.random.default_rng(7)
    size = 2.0 ** rng.uniform(0, 20, (5000, 2))
    steps = (size * rng.choice([-1, 0, 1], (5000, 2))).astype(np.int64)
    steps[:, 0] -= np.cumsum(steps[:, 0]) // 2**24
    directions = {(1, 0): 0, (0, 1): 1, (-1, 0): 2, (0, -1): 3, (1, 1): 4, (-1, 1): 5, (-1, -1): 6}
    raw = bytearray()
    for dx, dy in steps.tolist():
        unit = (int(np.sign(dx)), int(np.sign(dy)))
        if (dx == 0 or dy == 0 or abs(dx) == abs(dy)) and unit in directions:
            raw += uint(max(abs(dx), abs(dy)) << 4 | directions[unit] << 1)
        else:
            raw += gdelta(dx, dy)
    (shape,) = one(b"\x14\x67\x01\x02\x04\x06\x0a" + uint(4999) + bytes(raw))
    wanted = np.concatenate([np.zeros((1, 2), np.int64), np.cumsum(steps, axis=0)])
    assert (shape.positions == wanted).all()


def test_a_matrix_is_kept_compact_until_asked_for(one: OneCell) -> None:
    (shape,) = one(b"\x14\x67\x01\x02\x04\x06\x01" + uint(30000) + uint(30000) + b"\x01\x01")
    assert isinstance(shape.places.moves, Grid)
    assert shape.places.count == 30002**2
    with pytest.raises(LayoutReadError, match="expanded at once"):
        _ = shape.positions


# ---- shapes


@pytest.mark.parametrize("kind", range(26))
def test_compact_trapezoids_are_those_of_klayout_and_gdstk(tmp_path: Path, kind: int) -> None:
    width = b"" if kind in (20, 21) else uint(40)
    height = b"" if kind in (16, 17, 18, 19, 22, 23, 25) else uint(90 if 8 <= kind <= 15 else 15)
    info = 0x83 | (0x40 if width else 0) | (0x20 if height else 0) | 0x18
    records = b"\x1a" + bytes([info]) + b"\x01\x02" + uint(kind) + width + height
    path = tmp_path / "t.oas"
    path.write_bytes(one_cell(records + sint(100) + sint(-30)))
    assert found(path) == found_by_klayout(path) == found_by_gdstk(path)


@pytest.mark.parametrize("upright", [0, 0x80])
@pytest.mark.parametrize("record", [23, 24, 25])
@pytest.mark.parametrize("a, b", [(7, 9), (-7, 9), (7, -9), (-7, -9)])
def test_trapezoids_are_those_of_klayout_and_gdstk(
    tmp_path: Path, upright: int, record: int, a: int, b: int
) -> None:
    deltas = {23: sint(a) + sint(b), 24: sint(a), 25: sint(b)}[record]
    records = bytes([record, 0x63 | upright]) + b"\x01\x02" + uint(60) + uint(50) + deltas
    path = tmp_path / "t.oas"
    path.write_bytes(one_cell(records))
    assert found(path) == found_by_klayout(path) == found_by_gdstk(path)


def test_what_is_left_out_comes_from_the_record_before(one: OneCell) -> None:
    # modal variables: layer, datatype, width, height, x, y
    shapes = one(b"\x14\x7b\x01\x02\x04\x06" + sint(8) + sint(9) + b"\x14\x00" + b"\x14\x01\x07")
    assert [(s.layer, s.datatype, s.positions.tolist()) for s in shapes] == [
        (1, 2, [[8, 9]]),
        (1, 2, [[8, 9]]),
        (7, 2, [[8, 9]]),
    ]


def test_relative_mode_adds_and_absolute_mode_replaces(one: OneCell) -> None:
    square = b"\x14\xdb\x01\x02\x04"
    again = b"\x14\x18"
    records = (
        square + sint(8) + sint(9) + b"\x10" + again + sint(5) + sint(-4)
        + b"\x0f" + again + sint(1) + sint(2)
    )  # fmt: skip
    assert [s.positions.tolist()[0] for s in one(records)] == [[8, 9], [13, 5], [1, 2]]


def test_a_cell_starts_with_nothing_defined(tmp_path: Path) -> None:
    body = b"\x0e\x01A" + b"\x14\xc3\x01\x02\x04" + b"\x0e\x01B" + b"\x14\x00"
    with pytest.raises(LayoutReadError, match="left out"):
        read(tmp_path / "m.oas", oasis(body))


def test_paths_circles_texts_and_extensions_are_named_and_passed_over(one: OneCell) -> None:
    path = b"\x16\xe3\x01\x00\x05\x0a\x00\x02" + sint(6) + sint(6)
    circle = b"\x1b\x23\x01\x00\x09"
    text = b"\x13\x5b" + string(b"hello you") + b"\x03\x00" + sint(4) + sint(5)
    extension = b"\x21\x03\x07\x05\x06" + string(b"anything")
    shapes = one(path + circle + text + extension + b"\x14\xc3\x01\x02\x04")
    kinds = [(s.kind, s.layer) for s in shapes]
    assert kinds == [("path", 1), ("circle", 1), ("text", 3), ("extension", 5), ("polygon", 1)]
    assert shapes[2].positions.tolist() == [[4, 5]]


def test_properties_and_elements_do_not_disturb_geometry(one: OneCell) -> None:
    named = b"\x1c\x24" + string(b"P") + b"\x08\x05" + b"\x0a" + string(b"text")
    long = b"\x1c\xf0" + uint(2) + b"\x09\x03" + b"\x04\x01\x03"
    again = b"\x1d" + b"\x1c\x08"
    element = b"\x20\x01" + string(b"anything")
    shapes = one(b"\x14\xc3\x01\x02\x04" + named + long + again + element + b"\x14\x00")
    assert len(shapes) == 2


# ---- names, tables, compressed blocks, signatures


@pytest.mark.parametrize("strict", [False, True])
@pytest.mark.parametrize("explicit", [False, True])
def test_names_at_the_end_reach_cells_and_references(
    tmp_path: Path, strict: bool, explicit: bool
) -> None:
    body = b"\x0d\x00" + b"\x14\xc3\x01\x02\x04" + b"\x0d\x01" + b"\x11\xf0\x00" + sint(3) + sint(4)
    names = b"".join(
        (b"\x04" if explicit else b"\x03") + string(name) + (uint(i) if explicit else b"")
        for i, name in enumerate([b"CHILD", b"TOP"])
    )
    cells = read(tmp_path / "n.oas", oasis(body, names, strict=strict))
    assert [c.name for c in cells] == ["CHILD", "TOP"]
    assert cells[1].references[0].cell == "CHILD"
    assert cells[1].references[0].positions.tolist() == [[3, 4]]


def test_a_strict_file_with_a_name_outside_its_table_is_refused(tmp_path: Path) -> None:
    body = b"\x04\x03OUT\x07" + b"\x0d\x00" + b"\x14\xc3\x01\x02\x04"
    with pytest.raises(LayoutReadError, match="table"):
        read(tmp_path / "n.oas", oasis(body, b"\x04\x03TOP\x00", strict=True))


@pytest.mark.parametrize(
    "names, words",
    [
        (b"\x04\x01A\x00\x04\x01B\x00", "given twice"),
        (b"\x04\x01A\x00\x03\x01B", "mixed"),
        (b"\x04\x01A\x05", "not in the table"),
        (b"\x04\x02A \x00", "without spaces"),
    ],
)
def test_bad_name_tables_are_refused(tmp_path: Path, names: bytes, words: str) -> None:
    with pytest.raises(LayoutReadError, match=words):
        read(tmp_path / "n.oas", oasis(b"\x0d\x00", names, strict=True))


def test_a_cell_that_is_not_where_its_offset_says_is_refused(tmp_path: Path) -> None:
    # S_CELL_OFFSET, SEMI P39 annex on standard properties: byte of the CELL record
    def names(offset: int) -> bytes:
        return b"\x04\x03TOP\x00" + b"\x1c\x14" + string(b"S_CELL_OFFSET") + b"\x08" + uint(offset)

    body = b"\x0d\x00" + b"\x14\xc3\x01\x02\x04"
    good = oasis(body, names(22), strict=True)
    assert good[22:24] == b"\x0d\x00"
    assert read(tmp_path / "n.oas", good)[0].offset == 22
    with pytest.raises(LayoutReadError, match="S_CELL_OFFSET"):
        read(tmp_path / "n.oas", oasis(body, names(23), strict=True))


def test_several_cells_in_one_block_and_one_cell_in_several_blocks(tmp_path: Path) -> None:
    square = b"\x14\xc3\x01\x02\x04"
    two = packed(b"\x0e\x01A" + square + b"\x0e\x01B" + square)
    split = b"\x0e\x01C" + packed(square) + packed(b"\x14\x10" + sint(9))
    cells = read(tmp_path / "c.oas", oasis(two + split))
    assert [(c.name, len(c.shapes)) for c in cells] == [("A", 1), ("B", 1), ("C", 2)]
    assert cells[2].shapes[1].positions.tolist() == [[9, 0]]


@pytest.mark.parametrize(
    "record, words",
    [
        (packed(b"\x14\xc3\x01\x02\x04", says=6), "exactly"),
        (packed(b"\x14\xc3\x01\x02\x04", says=4), "exactly"),
        (packed(b"\x14\xc3\x01\x02\x04", says=2**30 + 1), "at most"),
        (packed(b"\x14\xc3\x01\x02\x04", says=2**30), "cannot inflate"),
        (packed(packed(b"\x14\xc3\x01\x02\x04")), "inside another"),
        (b"\x22\x01\x01\x01\x00", "type 0"),
        (b"\x22\x00\x05\x03\xff\xff\xff", "does not inflate"),
    ],
)
def test_compressed_blocks_that_lie_are_refused(tmp_path: Path, record: bytes, words: str) -> None:
    with pytest.raises(LayoutReadError, match=words):
        read(tmp_path / "c.oas", one_cell(record))


@pytest.mark.parametrize("validation", [1, 2])
def test_a_flipped_bit_breaks_the_signature(tmp_path: Path, validation: int) -> None:
    data = bytearray(oasis(b"\x0e\x03TOP\x14\xc3\x01\x02\x04", validation=validation))
    path = tmp_path / "s.oas"
    path.write_bytes(data)
    assert gdstk.oas_validate(str(path))[0]
    assert len(read(path, bytes(data))) == 1
    data[-100] ^= 1
    with pytest.raises(LayoutReadError, match=r"CRC32|CHECKSUM32"):
        read(path, bytes(data))


@pytest.mark.parametrize(
    "body, words",
    [
        (b"\x14\xc3\x01\x02\x04", "outside of every cell"),
        (b"\x0e\x01A\x0e\x01A", "twice"),
        (b"\x0e\x01A\x23", "type 35"),
        (b"\x0e\x01A\x01", "type 1"),
        (b"\x0e\x01A\x02", "before the last 256"),
        (b"\x0e\x01A\x14\x67\x01\x02\x04\x06\x0c\x00", "repetition type"),
        (b"\x0e\x01A\x14\x67\x01\x02\x04\x06\x01" + uint(10**5) * 2 + b"\x01\x01", "1e9"),
        (b"\x0e\x01A\x14\x67\x01\x02\x04\x06\x0a" + uint(10**6), "than there are bytes"),
        (b"\x0e\x01A\x14\x67\x01\x02\x04\x06\x0a\x01" + gdelta(2**30, 0) * 2, "32-bit"),
        (b"\x0e\x01A\x14\x67\x01\x02\x04\x06\x0b\x00" + uint(2**20) + gdelta(2**12, 0), "32-bit"),
        (b"\x0e\x01A\x15\x23\x01\x02\x06\x01\x00", "point list type"),
        (b"\x0e\x01A\x15\x23\x01\x02\x00\x03\x02\x02\x02", "even number"),
        (b"\x0e\x01A\x15\x23\x01\x02\x04\x01" + gdelta(1, 1), "at least 3 vertices"),
        (b"\x0e\x01A\x15\xe3\x01\x02", "information byte"),
        (b"\x0e\x01A\x14\xe3\x01\x02\x04\x06", "height of its own"),
        (b"\x0e\x01A\x1a\xe3\x01\x02\x1a\x04\x06", "compact trapezoid"),
        (b"\x0e\x01A\x11\x00", "left out"),
        (b"\x0e\x01A\x12\x84\x01B\x08", "real number"),
        (b"\x0e\x01A\x12\x84\x01B\x01\x02", "magnification above 0"),
        (b"\x0e\x01A\x14\x63\x01\x02" + b"\xff" * 9 + b"\x01\x06", "32-bit"),
    ],
)
def test_malformed_records_are_refused_with_byte_and_reason(
    tmp_path: Path, body: bytes, words: str
) -> None:
    with pytest.raises(LayoutReadError, match=words) as error:
        read(tmp_path / "bad.oas", oasis(body))
    assert "byte" in str(error.value)
    assert "\n" not in str(error.value)


def rich_file() -> bytes:
    """Most record types in one small file, part of it compressed, with a signature."""
    square = b"\x14\xdf\x01\x02\x04" + sint(5) + sint(6)
    body = b"\x0d\x00" + packed(
        b"".join(square + raw for raw, _ in REPETITIONS.values())
        + b"\x15\x23\x01\x02\x04\x03" + gdelta(6, 0) + gdelta(0, 6) + gdelta(-6, 0)
    )  # fmt: skip
    body += b"\x0d\x01" + b"\x11\xf8\x00" + sint(3) + sint(4) + REPETITIONS["10 list"][0]
    body += b"\x12\x86\x05CHILD\x00\x02\x00\x2d" + b"\x1a\xe3\x01\x00\x04" + uint(40) + uint(9)
    body += (
        b"\x17\x63\x01\x00" + uint(60) + uint(50) + sint(-7) + sint(8) + b"\x1c\x14\x01P\x08\x05"
    )
    body += (
        b"\x16\xe3\x01\x00\x05\x0a\x00\x02" + sint(6) + sint(6) + b"\x13\x5b\x01T\x03\x00\x02\x02"
    )
    names = b"\x04\x05CHILD\x00\x04\x03TOP\x01"
    return oasis(body, names, strict=True, validation=1)


def test_a_file_cut_at_any_byte_is_refused(tmp_path: Path) -> None:
    data = rich_file()
    assert len(read(tmp_path / "whole.oas", data)) == 2
    path = tmp_path / "cut.oas"
    for size in range(len(data)):
        path.write_bytes(data[:size])
        with pytest.raises(LayoutReadError) as error:
            summary(path)
        assert "cut.oas" in str(error.value)


@pytest.mark.parametrize("checked", [True, False])
def test_damaged_bytes_are_read_or_refused_and_never_worse(tmp_path: Path, checked: bool) -> None:
    data = rich_file()
    rng = np.random.default_rng(20)
    path = tmp_path / "mutant.oas"
    refused = 0
    for _ in range(300):
        mutant = bytearray(data)
        for at in rng.integers(13, len(data), rng.integers(1, 4)):
            mutant[at] = rng.integers(256)
        path.write_bytes(mutant)
        try:
            with read_oasis(path, check_signature=checked) as file:
                for cell in file:
                    places = [s.places for s in cell.shapes] + [r.places for r in cell.references]
                    assert all(place.count > 0 for place in places)
        except LayoutReadError:
            refused += 1
    if checked:  # a CRC32 finds every burst of up to 32 bits, and nearly all else
        assert refused >= 298
    assert refused > 0


def test_missing_and_empty_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(LayoutReadError, match="cannot be read"):
        read_oasis(tmp_path / "none.oas")
    (tmp_path / "empty.oas").write_bytes(b"")
    with pytest.raises(LayoutReadError, match="at least"):
        read_oasis(tmp_path / "empty.oas")


# ---- files of other writers


def gdstk_library() -> gdstk.Library:
    library = gdstk.Library("LIB", unit=1e-6, precision=1e-9)
    child, top = library.new_cell("CHILD"), library.new_cell("TOP")
    octagon = [(x / 1000, y / 1000) for x, y in OCTAGON]
    repetitions = [
        gdstk.Repetition(columns=3, rows=4, spacing=(0.3, 0.4)),
        gdstk.Repetition(columns=5, rows=1, spacing=(0.3, 0.4)),
        gdstk.Repetition(columns=1, rows=5, spacing=(0.3, 0.4)),
        gdstk.Repetition(columns=2, rows=3, v1=(0.3, 0.1), v2=(-0.2, 0.5)),
        gdstk.Repetition(x_offsets=[0.3, 0.7, 2.0]),
        gdstk.Repetition(y_offsets=[0.3, 0.7, 2.0]),
        gdstk.Repetition(offsets=[(0.3, 0.6), (0.9, 0.3), (0.6, 1.2)]),
    ]
    for i, repetition in enumerate(repetitions):
        polygon = gdstk.Polygon(octagon, layer=i, datatype=i % 3)
        polygon.repetition = repetition
        square = gdstk.rectangle((0, 0), (0.1, 0.1), layer=20 + i)
        square.repetition = repetition
        child.add(polygon, square, gdstk.rectangle((1, 1), (1.3, 1.7), layer=i))
        turned = gdstk.Reference(child, (i, 2 * i), i * np.pi / 2, 1, i % 2 == 1)
        turned.repetition = repetition
        top.add(turned)
    child.add(gdstk.Polygon([(0, 0), (0.5, 0), (0.4, 0.2), (0.1, 0.2)], layer=9))
    child.add(gdstk.Polygon([(0, 0), (0.5, 0), (0.5, 0.2), (0.2, 0.2), (0.2, 0.5), (0, 0.5)]))
    top.add(gdstk.Reference(child, (7, 7), np.radians(30), 1.5))
    top.add(gdstk.Label("hello", (1, 1), layer=3))
    return library


@pytest.mark.parametrize("level", [0, 6])
@pytest.mark.parametrize("validation", [None, "crc32", "checksum32"])
@pytest.mark.parametrize("trapezoids", [False, True])
def test_what_gdstk_writes_is_read_as_gdstk_and_klayout_read_it(
    tmp_path: Path,
    level: int,
    validation: Literal["crc32", "checksum32"] | None,
    trapezoids: bool,
) -> None:
    path = tmp_path / "g.oas"
    gdstk_library().write_oas(
        str(path),
        compression_level=level,
        detect_rectangles=trapezoids,
        detect_trapezoids=trapezoids,
        standard_properties=True,
        validation=validation,
    )
    ours = found(path)
    assert ours.total() == 3 * 40 + 7 + 2 + 1  # 40 places in the seven repetitions
    assert ours == found_by_klayout(path)
    assert ours == found_by_gdstk(path)


@pytest.mark.parametrize("strict", [False, True])
@pytest.mark.parametrize("blocks", [False, True])
@pytest.mark.parametrize("level", [0, 2, 10])
def test_what_klayout_writes_is_read_as_klayout_and_gdstk_read_it(
    tmp_path: Path, strict: bool, blocks: bool, level: int
) -> None:
    rng = np.random.default_rng(3)
    layout = kdb.Layout()
    layout.dbu = 0.001
    child, top = layout.create_cell("CHILD"), layout.create_cell("TOP")
    octagon = kdb.Polygon([kdb.Point(*p) for p in OCTAGON])
    for layer in range(3):
        index = layout.layer(layer, 7)
        for x, y in rng.integers(-3000, 3000, (60, 2)).tolist():
            child.shapes(index).insert(octagon.moved(x * 300, y * 300))
            child.shapes(index).insert(kdb.Box(x, y, x + 80, y + 60 + layer))
        for i in range(30):
            child.shapes(index).insert(octagon.moved(i * 400, 0))
    for turn in range(8):
        move = kdb.Trans(turn % 4, turn >= 4, 1000 * turn, -77)
        top.insert(kdb.CellInstArray(child.cell_index(), move))
    array = kdb.CellInstArray(
        child.cell_index(), kdb.Trans(1, True, 5, 6), kdb.Vector(900, 0), kdb.Vector(10, 700), 3, 4
    )
    top.insert(array)
    top.insert(kdb.CellInstArray(child.cell_index(), kdb.ICplxTrans(1.5, 30, True, 9, 8)))
    options = kdb.SaveLayoutOptions()
    options.format = "OASIS"
    options.oasis_strict_mode = strict
    options.oasis_write_cblocks = blocks
    options.oasis_compression_level = level
    path = tmp_path / "k.oas"
    layout.write(str(path), options)
    ours = found(path)
    assert ours == found_by_klayout(path)
    assert ours == found_by_gdstk(path)


def test_what_fatamorgana_writes_is_read_as_it_was_meant(tmp_path: Path) -> None:
    layout = fatamorgana.OasisLayout(unit=1000)
    name = fatamorgana.NString("TOP")
    cell = fatamorgana.main.Cell(name)
    layout.cells.append(cell)
    points = np.diff(np.array(OCTAGON), axis=0)
    places = fatamorgana.ArbitraryRepetition([300, 0, 600], [0, 300, 900])
    cell.geometry.append(
        fatamorgana.records.Polygon(
            point_list=points.tolist(), layer=4, datatype=5, x=10, y=20, repetition=places
        )
    )
    cell.geometry.append(
        fatamorgana.records.Rectangle(layer=4, datatype=5, width=30, height=40, x=-3, y=-4)
    )
    path = tmp_path / "f.oas"
    with path.open("wb") as out:
        layout.write(out)
    with read_oasis(path) as file:
        (cell_read,) = list(file)
        polygon, box = cell_read.shapes
    assert (polygon.polygon - polygon.polygon[0]).tolist() == [
        [x - OCTAGON[0][0], y - OCTAGON[0][1]] for x, y in OCTAGON
    ]
    assert polygon.positions.tolist() == [[10, 20], [310, 20], [310, 320], [910, 1220]]
    assert box.polygon.max(axis=0).tolist() == [30, 40]
    assert box.positions.tolist() == [[-3, -4]]
    assert (polygon.layer, polygon.datatype) == (4, 5)


def test_summary_gives_the_counts_and_the_box_of_gdstk(tmp_path: Path) -> None:
    library = gdstk_library()
    top: Any = next(c for c in library.cells if c.name == "TOP")
    top.remove(*[r for r in top.references if r.magnification != 1])
    path = tmp_path / "s.oas"
    library.write_oas(str(path))
    facts = summary(path)
    assert facts.tops == ("TOP",)
    assert facts.exact
    assert facts.unit_nm == pytest.approx(1.0)
    read_back: Any = gdstk.read_oas(str(path)).top_level()[0]
    low, high = read_back.bounding_box()
    assert facts.bounds == tuple(round(1000 * v) for v in (*low, *high))
    flat = Counter((p.layer, p.datatype) for p in top.get_polygons())
    ours = {key[1:]: n for key, n in facts.flat_counts("TOP").items() if key[0] == "polygon"}
    assert ours == dict(flat)


def test_a_ring_of_cells_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ring.oas"
    path.write_bytes(oasis(b"\x0e\x01A\x11\x80\x01B\x0e\x01B\x11\x80\x01A"))
    with pytest.raises(LayoutReadError, match="refers to itself"):
        summary(path)


# ---- codes on a lattice

OTHER = [(x * 2, y * 2) for x, y in OCTAGON]
SHAPES = {shape_key(np.array(p))[0]: k for k, p in ((1, OCTAGON), (2, OTHER))}


def polygon_record(points: list[tuple[int, int]], first: int, x: int, y: int) -> bytes:
    turned = points[first:] + points[:first]
    steps = b"".join(gdelta(bx - ax, by - ay) for (ax, ay), (bx, by) in pairwise(turned))
    head = b"\x15\x3b\x01\x00\x04" + uint(len(points) - 1) + steps
    return head + sint(x + turned[0][0]) + sint(y + turned[0][1])


@pytest.mark.parametrize(
    "kind, centre", [("square", "gap"), ("square", "site"), ("hexagonal", "gap")]
)
def test_codes_come_back_from_any_start_vertex_and_direction(
    tmp_path: Path, kind: str, centre: str
) -> None:
    lattice = Lattice(kind, 400, 346 if kind == "hexagonal" else 400, centre)
    window = Window(-3, -4, 6, 9)
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 3, (6, 9))
    records = b""
    for row, col in np.argwhere(codes).tolist():
        points = OCTAGON if codes[row, col] == 1 else OTHER
        if rng.integers(2):
            points = points[::-1]
        x, y = lattice.x_dbu(row - 3, col - 4), lattice.y_dbu(row - 3)
        records += polygon_record(points, int(rng.integers(8)), x, y)
    (cell,) = read(tmp_path / "p.oas", one_cell(records))
    back = pillar_codes(cell, SHAPES, lattice, window)
    assert back.problems == ()
    assert (back.block.codes == codes).all()
    assert back.block.codes.dtype == np.uint8


@pytest.mark.parametrize(
    "records, words",
    [
        (polygon_record(OCTAGON, 0, 1, 0), "between the sites"),
        (polygon_record(OCTAGON, 0, 0, 399), "between the sites"),
        (polygon_record(OCTAGON, 0, 4000, 0), "outside the block"),
        (polygon_record(OCTAGON, 0, 0, -400), "outside the block"),
        (polygon_record(OCTAGON, 0, 0, 0) + polygon_record(OTHER, 3, 0, 0), "taken already"),
        (polygon_record([(0, 0), (9, 0), (0, 9)], 0, 0, 0), "not in the shape table"),
    ],
)
def test_what_does_not_stand_on_a_free_site_is_told(
    tmp_path: Path, records: bytes, words: str
) -> None:
    (cell,) = read(tmp_path / "p.oas", one_cell(records))
    back = pillar_codes(cell, SHAPES, Lattice("square", 400, 400, "site"), Window(0, 0, 2, 2))
    assert back.wrong == 1
    assert words in back.problems[0]
    assert "TOP" in back.problems[0]


def test_polygons_on_other_layers_are_left_alone(tmp_path: Path) -> None:
    records = polygon_record(OCTAGON, 0, 0, 0) + b"\x14\xc1\x07\x04"
    (cell,) = read(tmp_path / "p.oas", one_cell(records))
    lattice, window = Lattice("square", 400, 400, "site"), Window(0, 0, 2, 2)
    assert pillar_codes(cell, SHAPES, lattice, window, layer=(1, 0)).problems == ()
    assert pillar_codes(cell, SHAPES, lattice, window).wrong == 1


def test_thousands_of_different_polygons_keep_their_outlines(tmp_path: Path) -> None:
    # more than the first tables of the reader hold, so that each of them grows
    sizes = range(1, 5001)
    records = b"".join(polygon_record([(0, 0), (n, 0), (n, 7), (0, 7)], 0, 0, 0) for n in sizes)
    (cell,) = read(tmp_path / "many.oas", one_cell(records))
    assert [int(s.polygon[:, 0].max()) for s in cell.shapes] == list(sizes)


def test_a_file_can_be_read_twice_and_left_half_way(tmp_path: Path) -> None:
    path = tmp_path / "twice.oas"
    path.write_bytes(rich_file())
    with OasisFile(path) as file:
        next(iter(file))
        assert found_by_us(file) == found_by_us(file)


@pytest.mark.parametrize("strict", [False, True])
def test_codes_come_back_from_placements_of_pillar_cells(tmp_path: Path, strict: bool) -> None:
    # lists by number, single places, a matrix, a name in full and an idle turn: every way to place
    body = (
        b"\x0d\x00"
        + polygon_record(OCTAGON, 0, 0, 0)
        + b"\x0d\x01"
        + polygon_record(OTHER, 0, 0, 0)
    )
    body += b"\x0d\x02"
    body += b"\x11\xf8\x00" + sint(0) + sint(0) + b"\x0b\x00" + uint(400) + gdelta(2, 1)
    body += b"\x11\xf0\x01" + sint(400) + sint(0)
    body += b"\x11\xf8\x01" + sint(0) + sint(800) + b"\x01\x00\x00" + uint(400) + uint(400)
    body += b"\x11\xb0\x01P" + sint(1200) + sint(0)
    body += b"\x12\xf6\x01\x00\x01\x00\x00" + sint(1200) + sint(400)
    body += b"\x11\xf0\x03" + sint(7) + sint(7)
    names = b"\x04\x01P\x00\x04\x01Q\x01\x04\x03TOP\x02\x04\x01X\x03"
    data = oasis(body, names, strict=strict)
    _, _, top = read(tmp_path / "p.oas", data)
    lattice, window = Lattice("square", 400, 400, "site"), Window(0, 0, 4, 4)
    back = reference_codes(top, {"P": 1, "Q": 2}, lattice, window)
    assert back.problems == ()
    assert back.block.codes.tolist() == [[1, 2, 0, 1], [0, 0, 1, 2], [2, 2, 0, 0], [2, 2, 0, 0]]


def test_a_turned_pillar_and_an_unknown_number_are_told(tmp_path: Path) -> None:
    head = b"\x0d\x00" + polygon_record(OCTAGON, 0, 0, 0) + b"\x0d\x01"
    names = b"\x04\x01P\x00\x04\x03TOP\x01"
    lattice, window = Lattice("square", 400, 400, "site"), Window(0, 0, 4, 4)
    turned = head + b"\x11\xf2\x00" + sint(0) + sint(0)
    _, top = read(tmp_path / "t.oas", oasis(turned, names, strict=True))
    back = reference_codes(top, {"P": 1}, lattice, window)
    assert back.wrong == 1
    assert "turned" in back.problems[0]
    list_of_two = b"\x0a\x00" + gdelta(400, 0)
    path = tmp_path / "u.oas"
    unknown = head + b"\x11\xf8\x09" + sint(0) + sint(0) + list_of_two
    path.write_bytes(oasis(unknown, names, strict=True))
    with read_oasis(path) as file:
        _, top = list(file)
        with pytest.raises(LayoutReadError, match="number 9"):
            reference_codes(top, {"P": 1}, lattice, window)
