"""OASIS files against SEMI P39 and three readers that the writer has no part in."""

from __future__ import annotations

import zlib
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import gdstk
import klayout.db as kdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from layoutgen.codes import CodeBlock, ShapeTable
from layoutgen.lattice import Lattice
from layoutgen.layout.cells import Cell, Layer, Polygons, Reference
from layoutgen.layout.displacements import encode_sites
from layoutgen.layout.oasis import (
    OasisWriter,
    _prefixes,
    _signed,
    _unsigned,
    deflate,
    expected_bytes,
    grid_steps_per_um,
)
from tests.layout.layouts import (
    HEXAGONAL,
    OASIS_READERS,
    PILLARS,
    SQUARE,
    block_cell,
    oasis_bytes,
    phase_codes,
    shapes_of,
    table_of,
    wanted,
)

TABLE = table_of(100)
COMPRESSIONS = ["fast", "small"]


def lens_cells() -> list[Cell]:
    """A quarter of a lens in four blocks, placed in every orientation, with a frame and a label."""
    blocks = [
        block_cell(
            f"B{row}_{col}",
            phase_codes(24, 24, 100, focal=120.0, row0=row, col0=col),
            TABLE,
            row0=row,
            col0=col,
        )
        for row in (0, 24)
        for col in (0, 24)
    ]
    quarter = Cell("QUARTER", references=tuple(Reference(b.name, 0, 0) for b in blocks))
    figure = np.array([(0, 0), (3000, 0), (3000, 1000), (1000, 1000), (1000, 2500), (0, 2500)])
    top = Cell(
        "TOP",
        polygons=(Polygons(Layer(4, 2), [figure, figure + 70_000]),),
        references=tuple(
            Reference("QUARTER", 100_000 * turns, -200_000 * mirror, turns, bool(mirror))
            for turns in range(4)
            for mirror in range(2)
        ),
    )
    return [*blocks, quarter, top]


@pytest.mark.parametrize(
    ("value", "wanted_hex"), [(0, "00"), (127, "7f"), (128, "8001"), (16383, "ff7f")]
)
def test_unsigned_integers_are_those_of_the_standard(value: int, wanted_hex: str) -> None:
    # SEMI P39, examples of unsigned-integer
    assert _unsigned(value).hex() == wanted_hex


@pytest.mark.parametrize(
    ("value", "wanted_hex"), [(0, "00"), (1, "02"), (-1, "03"), (64, "8001"), (-64, "8101")]
)
def test_signed_integers_are_those_of_the_standard(value: int, wanted_hex: str) -> None:
    # SEMI P39: the sign is the lowest bit
    assert _signed(value).hex() == wanted_hex


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("reader", OASIS_READERS)
def test_three_readers_find_every_polygon_where_the_cells_say(
    tmp_path: Path, reader: str, compression: Any
) -> None:
    path = tmp_path / "lens.oas"
    cells = lens_cells()
    path.write_bytes(oasis_bytes(cells, compression=compression))
    assert OASIS_READERS[reader](path, "TOP", 1) == wanted(cells, "TOP")


def cases() -> dict[str, tuple[np.ndarray[Any, Any], ShapeTable, Lattice, int, int]]:
    rng = np.random.default_rng(7)
    wide = phase_codes(64, 96, 20, focal=300.0)
    rim = wide.copy()
    rim[(np.arange(64)[:, None] ** 2 + np.arange(96)[None, :] ** 2) > 85**2] = 0
    below = rim[::-1].copy()
    left = rim[:, ::-1].copy()
    single = np.zeros((5, 7), np.uint8)
    single[3, 2] = 1
    noise = rng.integers(0, 101, (40, 90)).astype(np.uint8)
    many = rng.integers(0, 600, (50, 130)).astype(np.uint16)
    two = np.zeros((256, 300), np.uint8)
    two[0, 0] = two[255, 299] = two[130, 0] = 9
    stripes = np.tile(np.arange(1, 9, dtype=np.uint8) * 11, (64, 16))
    # from the top of one zone to the foot of the next is a step along the diagonal, down and to the right
    steep = np.tile(np.arange(1, 17, dtype=np.uint8), (17, 6))
    checker = (np.indices((33, 65)).sum(axis=0) % 2 * 3).astype(np.uint8)
    return {
        "wide zones": (wide, TABLE, SQUARE, 0, 0),
        "wide zones with a rim": (rim, TABLE, SQUARE, 0, 0),
        "below the axis": (below, TABLE, SQUARE, -64, 0),
        "left of the axis": (left, TABLE, SQUARE, 0, -96),
        "one pillar": (single, TABLE, SQUARE, -3, -2),
        "noise with gaps": (noise, TABLE, SQUARE, 1000, -2000),
        "more than 255 shapes": (many, table_of(600), SQUARE, 5, 6),
        "far apart": (two, TABLE, SQUARE, 0, 0),
        "a grating": (stripes, TABLE, SQUARE, 0, 0),
        "zones as wide as high": (steep, TABLE, SQUARE, 0, 0),
        "zones as wide as high, mirrored": (steep[:, ::-1].copy(), TABLE, SQUARE, 0, 0),
        "every other site": (checker, TABLE, SQUARE, 0, 0),
        "one row": (noise[:1].copy(), TABLE, SQUARE, 0, 0),
        "one column": (noise[:, :1].copy(), TABLE, SQUARE, 0, 0),
        "512 columns": (phase_codes(8, 512, 100, focal=100.0), TABLE, SQUARE, 0, 0),
        "hexagonal": (wide, TABLE, HEXAGONAL, 0, 0),
        "hexagonal, odd first row": (noise, TABLE, HEXAGONAL, -7, -3),
        "hexagonal, 256 columns": (
            phase_codes(11, 256, 100, focal=60.0),
            TABLE,
            Lattice("hexagonal", 398, 345, "site"),
            3,
            0,
        ),
        "rows apart from columns": (noise, TABLE, Lattice("square", 300, 450, "site"), 0, 0),
    }


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("reader", OASIS_READERS)
@pytest.mark.parametrize("case", cases())
def test_a_block_reads_back_site_by_site(
    tmp_path: Path, case: str, reader: str, compression: Any
) -> None:
    codes, table, lattice, row0, col0 = cases()[case]
    cell = block_cell("BLOCK", codes, table, lattice, row0, col0)
    path = tmp_path / "block.oas"
    path.write_bytes(oasis_bytes([cell], compression=compression))
    assert OASIS_READERS[reader](path, "BLOCK", 1) == wanted([cell], "BLOCK")


def test_an_empty_block_leaves_an_empty_cell(tmp_path: Path) -> None:
    path = tmp_path / "empty.oas"
    path.write_bytes(oasis_bytes([block_cell("EMPTY", np.zeros((16, 16), np.uint8), TABLE)]))
    layout = kdb.Layout()
    layout.read(str(path))
    assert [cell.name for cell in layout.each_cell()] == ["EMPTY"]
    assert layout.cell("EMPTY").bbox().empty()


@settings(max_examples=40)
@given(
    codes=npst.arrays(
        st.sampled_from([np.uint8, np.uint16]),
        npst.array_shapes(min_dims=2, max_dims=2, max_side=40),
        elements=st.integers(0, 100),
    ),
    row0=st.integers(-300, 300),
    col0=st.integers(-300, 300),
    lattice=st.sampled_from([SQUARE, HEXAGONAL]),
    compression=st.sampled_from(["fast", "small"]),
)
def test_any_block_reads_back(
    tmp_path_factory: pytest.TempPathFactory,
    codes: np.ndarray[Any, Any],
    row0: int,
    col0: int,
    lattice: Lattice,
    compression: Any,
) -> None:
    cell = block_cell("BLOCK", codes, TABLE, lattice, row0, col0)
    path = tmp_path_factory.mktemp("any") / "block.oas"
    path.write_bytes(oasis_bytes([cell], compression=compression))
    expected = wanted([cell], "BLOCK")
    assert OASIS_READERS["gdstk"](path, "BLOCK", 1) == expected
    assert OASIS_READERS["fatamorgana"](path, "BLOCK", 1) == expected


def test_the_checksum_is_the_crc_of_all_bytes_before_it(tmp_path: Path) -> None:
    data = oasis_bytes(lens_cells())
    # SEMI P39, END: scheme 1 is CRC32, low byte first, over all that precedes the signature
    assert int.from_bytes(data[-4:], "little") == zlib.crc32(data[:-4])
    path = tmp_path / "lens.oas"
    path.write_bytes(data)
    assert gdstk.oas_validate(str(path))[0] is True


def test_the_file_starts_and_ends_as_the_standard_says() -> None:
    data = oasis_bytes(lens_cells())
    # SEMI P39: magic bytes; START of version 1.0, unit 1000 as a whole number, offsets in END
    assert data.startswith(b"%SEMI-OASIS\r\n\x01\x031.0\x00\xe8\x07\x01")
    assert data[-256] == 2  # END takes 256 bytes


def test_strict_readers_find_every_cell_by_its_offset(tmp_path: Path) -> None:
    path = tmp_path / "lens.oas"
    path.write_bytes(oasis_bytes(lens_cells()))
    options = kdb.LoadLayoutOptions()
    options.oasis_expect_strict_mode = 1
    options.oasis_read_all_properties = True
    layout = kdb.Layout()
    layout.read(str(path), options)
    data = path.read_bytes()
    offsets = {}
    for cell in layout.each_cell():
        offsets[cell.name] = cell.property("S_CELL_OFFSET")
    if any(offset is None for offset in offsets.values()):
        pytest.fail(f"cells without an offset: {offsets}")
    for offset in offsets.values():
        assert data[offset] == 13  # a CELL record by number
    assert len(set(offsets.values())) == len(offsets)


def test_the_table_gives_every_cells_box_as_klayout_and_gdstk_find_it(tmp_path: Path) -> None:
    # S_BOUNDING_BOX, SEMI P39 annex on standard properties: flags, lower left corner, width, height
    path = tmp_path / "lens.oas"
    path.write_bytes(oasis_bytes(lens_cells()))
    options = kdb.LoadLayoutOptions()
    options.oasis_read_all_properties = True
    layout = kdb.Layout()
    layout.read(str(path), options)
    boxes = {}
    for cell in layout.each_cell():
        told, box = cell.property("S_BOUNDING_BOX"), cell.bbox()
        assert told == [0, box.left, box.bottom, box.width(), box.height()], cell.name
        boxes[cell.name] = (box.left, box.bottom, box.right, box.top)
    read: Any = gdstk.read_oas(str(path))
    for other in read.cells:
        corners = other.bounding_box()
        assert corners is not None
        assert tuple(round(v * 1000) for corner in corners for v in corner) == boxes[other.name]


@pytest.mark.parametrize(("dbu_nm", "steps"), [(1, 1000), (0.5, 2000), (2, 500), (0.1, 10000)])
def test_the_unit_is_a_whole_number_of_grid_steps(
    tmp_path: Path, dbu_nm: float, steps: int
) -> None:
    # a reader that rounds the unit then has nothing to round (klayout issue 1744)
    assert grid_steps_per_um(dbu_nm) == steps
    cell = block_cell("BLOCK", np.ones((3, 3), np.uint8), TABLE)
    path = tmp_path / "block.oas"
    path.write_bytes(oasis_bytes([cell], dbu_nm=dbu_nm))
    for reader in OASIS_READERS.values():
        assert reader(path, "BLOCK", dbu_nm) == wanted([cell], "BLOCK")


def test_a_unit_that_is_not_whole_is_refused() -> None:
    with pytest.raises(ValueError, match="whole number of database units"):
        grid_steps_per_um(0.3)


def records(data: bytes) -> list[tuple[int, bytes]]:
    """Record numbers of a file, with the content of each compressed block, by SEMI P39."""
    at = 13
    found = []

    def unsigned() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = data[at]
            at += 1
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return value

    def text() -> None:
        nonlocal at
        size = unsigned()
        at += size

    while True:
        kind = data[at]
        at += 1
        start = at
        if kind == 1:  # START
            text()
            unsigned()
            unsigned()
            unsigned()
        elif kind == 13:
            unsigned()
        elif kind == 34:
            assert unsigned() == 0  # deflate
            size, packed = unsigned(), unsigned()
            content = zlib.decompress(data[at : at + packed], -15)
            assert len(content) == size
            at += packed
            found.append((kind, content))
            continue
        elif kind in (7, 4, 11):
            text()
            if kind == 4:
                unsigned()
            if kind == 11:
                for _ in range(2):
                    unsigned()
                    unsigned()
        elif kind == 28:
            info = data[at]  # the number of values, then: a name by number, a standard property
            at += 1
            assert info & 15 == 7
            unsigned()
            for _ in range(info >> 4):
                assert unsigned() in (8, 9)
                unsigned()
        elif kind == 21:  # a polygon in a small cell, outside of blocks
            at += 1
            unsigned()
            unsigned()
            assert unsigned() == 4
            for _ in range(unsigned()):
                if unsigned() & 1:
                    unsigned()
            unsigned()
            unsigned()
        elif kind == 17:  # placements in a cell too small for a block
            info = data[at]
            at += 1
            for _ in range(3 if info & 16 else 2):
                unsigned()
            if info & 8:
                assert unsigned() == 11
                steps = unsigned() + 1
                unsigned()
                for _ in range(steps):
                    if unsigned() & 1:
                        unsigned()
        elif kind == 2:
            found.append((kind, data[start:]))
            return found
        found.append((kind, data[start:at]))


def test_a_cell_is_one_compressed_block_at_most() -> None:
    # a cell or record split over blocks breaks readers (klayout issue 1652)
    kinds = [kind for kind, _ in records(oasis_bytes(lens_cells()))]
    for before, kind in pairwise(kinds):
        if kind == 34:
            assert before == 13


def test_fast_codes_every_block_with_the_same_table() -> None:
    # a table of its own for each block comes out of unset memory in isal: now and then other bytes,
    # through the whole life of a process, so rarely that no test of equal bytes would notice
    blocks = [bytes(range(256)) * 40, b"abc" * 3000, bytes(5000), b"\xff\x07" * 70_000]
    packed = [deflate(block, "fast") for block in blocks]
    assert [zlib.decompress(data, -15) for data in packed] == blocks
    # RFC 1951, 3.2.7: the header of a dynamic block with its code lengths, bit 0 for the last block
    assert {data[:100] for data in packed} == {packed[0][:100]}


def test_cell_numbers_are_given_once_and_only_used_shapes_are_written() -> None:
    # duplicate numbers go unseen in readers (klayout 1474, 1482); unused shapes show as top cells
    codes = np.array([[3, 3, 7], [0, 7, 100]], np.uint8)
    found = records(oasis_bytes([block_cell("BLOCK", codes, TABLE)]))
    cells = [content for kind, content in found if kind == 13]
    assert len(cells) == len(set(cells)) == 4
    assert sum(kind == 4 for kind, _ in found) == 4


def test_a_cells_own_count_of_each_code_is_that_of_its_block() -> None:
    codes = np.array([[3, 3, 7], [0, 7, 100]], np.uint8)
    cell = block_cell("BLOCK", codes, TABLE)
    writer = OasisWriter(BytesIO(), dbu_nm=1, layers={PILLARS: "pillars"}, shapes=shapes_of([cell]))
    one = writer.task(cell)()
    assert one.codes is not None
    assert one.codes[1:].tolist() == np.bincount(codes.ravel(), minlength=101)[1:].tolist()


def test_layers_have_their_names() -> None:
    found = records(oasis_bytes([block_cell("BLOCK", np.ones((2, 2), np.uint8), TABLE)]))
    assert [content for kind, content in found if kind == 11] == [b"\x07pillars\x03\x01\x03\x00"]


def repetitions(content: bytes) -> list[int]:
    """Number of positions of each placement in a block's content; 1 without a repetition."""
    at = 0
    found = []

    def unsigned() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = content[at]
            at += 1
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return value

    while at < len(content):
        assert content[at] == 17
        info = content[at + 1]
        at += 2
        unsigned()
        unsigned()
        if info & 16:
            unsigned()
        if not info & 8:
            found.append(1)
            continue
        assert content[at] == 11
        at += 1
        count = unsigned() + 2
        unsigned()
        for _ in range(count - 1):
            if unsigned() & 1:
                unsigned()
        found.append(count)
    return found


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize("case", cases())
def test_repetitions_hold_two_or_more_and_add_up_to_the_sites(case: str, compression: Any) -> None:
    # a repetition of one breaks readers (klayout 68); counts in files were once wrong (gdstk 227)
    codes, table, lattice, row0, col0 = cases()[case]
    cell = block_cell("BLOCK", codes, table, lattice, row0, col0)
    found = records(oasis_bytes([cell], compression=compression))
    content = b"".join(
        c if kind == 34 else bytes((kind,)) + c for kind, c in found if kind in (34, 17)
    )
    counts = repetitions(content)
    assert sum(counts) == np.count_nonzero(codes)
    assert min(counts) >= 1


def test_wide_zones_need_one_list_for_each_shape_and_narrow_ones_one_for_each_strip() -> None:
    def lists(focal: float) -> int:
        codes = phase_codes(64, 256, 40, focal=focal, col0=600)
        found = records(oasis_bytes([block_cell("BLOCK", codes, TABLE, col0=600)]))
        return len(repetitions(next(content for kind, content in found if kind == 34)))

    # 24 pillars to a zone (0.633 um / sin(atan(0.2/12)) ...) and fewer than 4
    assert lists(8000.0) == 40
    assert lists(200.0) > 40


@pytest.mark.parametrize("turn", [0, 5])
@pytest.mark.parametrize("side", [1, -1])
def test_a_list_goes_through_one_zone_before_the_next(turn: int, side: int) -> None:
    # four zones of 24 columns: within a zone a list steps from row to row, which takes a byte; from zone to zone
    # and back, row by row, it would take more than two
    saw = np.tile(np.arange(1, 25, dtype=np.uint8), (64, 4))
    codes = np.roll(saw, turn, axis=1)[:, ::side].copy()
    found = records(oasis_bytes([block_cell("BLOCK", codes, TABLE)]))
    assert len(next(content for kind, content in found if kind == 34)) < 1.1 * codes.size


def test_the_same_cells_give_the_same_bytes_in_any_order_and_on_any_worker() -> None:
    cells = lens_cells()
    once = oasis_bytes(cells)
    assert oasis_bytes(lens_cells()) == once
    for pool in (ThreadPoolExecutor(4), ProcessPoolExecutor(2)):
        with pool:
            out = BytesIO()
            writer = OasisWriter(
                out, dbu_nm=1, layers={PILLARS: "pillars"}, shapes=shapes_of(cells)
            )
            tasks = [writer.task(cell) for cell in cells]
            futures = [pool.submit(task) for task in tasks[::-1]]
            for future in futures[::-1]:
                writer.append(future.result())
            writer.close()
            assert out.getvalue() == once


def test_two_layers_have_their_own_shapes(tmp_path: Path) -> None:
    codes = phase_codes(20, 20, 100, focal=50.0)
    cells = [
        block_cell("A0_PLAIN", codes, TABLE, layer=PILLARS),
        block_cell("B0_DOSE", codes, TABLE, layer=Layer(1, 101)),
    ]
    top = Cell("TOP", references=(Reference("A0_PLAIN", 0, 0), Reference("B0_DOSE", 9000, 0)))
    path = tmp_path / "layers.oas"
    path.write_bytes(oasis_bytes([*cells, top]))
    for reader in OASIS_READERS.values():
        assert reader(path, "TOP", 1) == wanted([*cells, top], "TOP")


def test_coordinates_beyond_32_bits_are_refused() -> None:
    cell = block_cell("FAR", np.ones((2, 2), np.uint8), TABLE, col0=6_000_000)
    with pytest.raises(ValueError, match="32 bits"):
        oasis_bytes([cell])
    square = np.array([[0, 0], [9, 0], [9, 9], [0, 9]], np.int64)
    for corner in (-(2**31), 2**31 - 10):
        oasis_bytes([Cell("EDGE", polygons=(Polygons(PILLARS, [square + corner]),))])
    for corner in (-(2**31) - 1, 2**31 - 9):
        with pytest.raises(ValueError, match="32 bits"):
            oasis_bytes([Cell("FAR", polygons=(Polygons(PILLARS, [square + corner]),))])


def test_a_name_is_written_once_and_a_missing_cell_is_told() -> None:
    cell = block_cell("BLOCK", np.ones((2, 2), np.uint8), TABLE)
    with pytest.raises(ValueError, match="in the file already"):
        oasis_bytes([cell, cell])
    with pytest.raises(ValueError, match="GONE"):
        oasis_bytes([cell, Cell("TOP", references=(Reference("GONE", 0, 0),))])
    with pytest.raises(ValueError, match="letters, digits"):
        oasis_bytes([Cell("a-b")])
    # the first number of all is a cell's as well
    writer = OasisWriter(BytesIO(), dbu_nm=1, layers={PILLARS: "pillars"}, shapes=shapes_of([cell]))
    writer.number("FIRST")
    with pytest.raises(ValueError, match="not written: FIRST"):
        writer.close()


@pytest.mark.parametrize("compression", COMPRESSIONS)
@pytest.mark.parametrize(("focal", "per_zone"), [(12_000.0, 25.0), (1200.0, 3.4)])
def test_the_expected_size_is_right_to_a_third(
    focal: float, per_zone: float, compression: Any
) -> None:
    # 0.7 of the rim of a 2.4 mm lens of 300 nm pitch; zones are lambda / sin(theta) wide there
    blocks = [
        block_cell(
            f"BLOCK{i}", phase_codes(256, 256, 100, focal=focal, row0=256, col0=c), TABLE, col0=c
        )
        for i, c in enumerate((2560, 2816))
    ]
    size = len(oasis_bytes(blocks, compression=compression))
    drawn = [set(np.unique(block.pillars[0].block.codes).tolist()) - {0} for block in blocks]
    guess = expected_bytes(
        2 * 256 * 256,
        compression=compression,
        sites_per_zone=per_zone,
        shapes=len(drawn[0] | drawn[1]),
        lists=len(drawn[0]) + len(drawn[1]),
    )
    assert guess == pytest.approx(size, rel=0.34)


@pytest.mark.parametrize(("count", "wanted_hex"), [(128, "7e"), (129, "7f"), (130, "8001")])
def test_counts_of_positions_take_as_few_bytes_as_they_need(count: int, wanted_hex: str) -> None:
    # SEMI P39: repetition type 11 holds two positions fewer than there are, the grid, and then the steps
    data, _ = encode_sites(
        CodeBlock(0, 0, np.ones((1, count), np.uint8)), Lattice("square", 400, 400, "gap"),
        _prefixes(np.array([0])), strip_sites=1024,
    )  # fmt: skip
    assert f"0b{wanted_hex}9003" in bytes(data).hex()


def test_a_code_without_a_shape_is_refused() -> None:
    # a place in memory beyond the table of shapes would be read for it
    codes = np.full((4, 5), 2, dtype=np.uint8)
    codes[1, 2] = 3
    prefixes = _prefixes(np.array([0, 1]))
    with pytest.raises(ValueError, match="codes go up to 3, the table has 2 shapes"):
        encode_sites(
            CodeBlock(0, 0, codes), Lattice("square", 400, 400, "gap"), prefixes, strip_sites=64
        )
