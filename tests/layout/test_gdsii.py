"""GDSII files against the stream format manual (Calma, 1987) and two independent readers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import gdstk
import numpy as np
import pytest

from layoutgen.lattice import Lattice
from layoutgen.layout.cells import Cell, Layer, Polygons, Reference
from layoutgen.layout.gdsii import expected_bytes, real8
from tests.layout.layouts import (
    GDSII_READERS,
    HEXAGONAL,
    OASIS_READERS,
    SQUARE,
    block_cell,
    gdsii_bytes,
    oasis_bytes,
    phase_codes,
    table_of,
    wanted,
)

TABLE = table_of(100)


@pytest.mark.parametrize(
    ("value", "wanted_hex"),
    [
        # stream format manual; derived by hand from sign, excess-64 exponent and mantissa
        (0.001, "3e4189374bc6a7f0"),
        (1e-9, "3944b82fa09b5a54"),
        (0, "0000000000000000"),
        (1, "4110000000000000"),
        (-2, "c120000000000000"),
        (90, "425a000000000000"),
    ],
)
def test_eight_byte_reals_are_those_of_the_manual(value: Any, wanted_hex: str) -> None:
    assert real8(value).hex() == wanted_hex


def layout(lattice: Lattice = SQUARE) -> list[Cell]:
    codes = phase_codes(30, 31, 100, focal=60.0)
    codes[5:8, 3:9] = 0
    block = block_cell("BLOCK", codes, TABLE, lattice, -7, 4)
    hot = block_cell("HOT_BLOCK", codes, TABLE, lattice, 3, -11, Layer(1, 101))
    figure = np.array([(0, 0), (3000, 0), (3000, 1000), (1000, 1000), (1000, 2500), (0, 2500)])
    top = Cell(
        "TOP",
        polygons=(Polygons(Layer(4, 2), [figure]),),
        references=tuple(
            Reference(name, 40_000 * turns, -50_000 * mirror, turns, bool(mirror))
            for name in ("BLOCK", "HOT_BLOCK")
            for turns in range(4)
            for mirror in range(2)
        ),
    )
    return [block, hot, top]


@pytest.mark.parametrize("lattice", [SQUARE, HEXAGONAL], ids=lambda lattice: lattice.kind)
@pytest.mark.parametrize("reader", GDSII_READERS)
def test_readers_find_every_polygon_where_the_cells_say(
    tmp_path: Path, reader: str, lattice: Lattice
) -> None:
    path = tmp_path / "lens.gds"
    cells = layout(lattice)
    path.write_bytes(gdsii_bytes(cells))
    assert GDSII_READERS[reader](path, "TOP", 1) == wanted(cells, "TOP")


def test_both_formats_hold_the_same(tmp_path: Path) -> None:
    cells = layout()
    (tmp_path / "a.gds").write_bytes(gdsii_bytes(cells, dbu_nm=0.5))
    (tmp_path / "a.oas").write_bytes(oasis_bytes(cells, dbu_nm=0.5))
    assert GDSII_READERS["klayout"](tmp_path / "a.gds", "TOP", 0.5) == OASIS_READERS["klayout"](
        tmp_path / "a.oas", "TOP", 0.5
    )


def test_units_and_dates_are_fixed(tmp_path: Path) -> None:
    path = tmp_path / "lens.gds"
    data = gdsii_bytes(layout())
    assert gdsii_bytes(layout()) == data
    path.write_bytes(data)
    assert gdstk.gds_units(str(path)) == pytest.approx((1e-6, 1e-9), rel=1e-15)
    assert gdstk.gds_timestamp(str(path)).isoformat() == "2000-01-01T00:00:00"


def test_only_shapes_in_use_are_written(tmp_path: Path) -> None:
    path = tmp_path / "few.gds"
    codes = np.array([[3, 3, 7], [0, 7, 100]], np.uint8)
    path.write_bytes(gdsii_bytes([block_cell("BLOCK", codes, TABLE)]))
    library = gdstk.read_gds(str(path))
    assert [cell.name for cell in library.top_level()] == ["BLOCK"]
    assert len(library.cells) == 4


def test_a_pillar_is_a_reference_of_26_bytes() -> None:
    one = len(gdsii_bytes([block_cell("BLOCK", np.full((10, 10), 5, np.uint8), TABLE)]))
    two = len(gdsii_bytes([block_cell("BLOCK", np.full((10, 20), 5, np.uint8), TABLE)]))
    assert two - one == 26 * 100


def test_the_expected_size_is_exact_but_for_names() -> None:
    codes = phase_codes(50, 60, 100, focal=60.0)
    size = len(gdsii_bytes([block_cell("BLOCK1", codes, TABLE)]))
    guess = expected_bytes(codes.size, cells=1, shapes=len(np.unique(codes)))
    assert guess == pytest.approx(size, abs=64)


def test_names_of_a_thousand_shapes_are_different(tmp_path: Path) -> None:
    codes = np.arange(1, 1201, dtype=np.uint16).reshape(30, 40)
    cell = block_cell("BLOCK", codes, table_of(1200))
    path = tmp_path / "many.gds"
    path.write_bytes(gdsii_bytes([cell]))
    assert GDSII_READERS["gdstk"](path, "BLOCK", 1) == wanted([cell], "BLOCK")


def test_polygons_over_the_classic_limit_are_refused() -> None:
    # one XY record holds 8191 pairs, the first twice (stream format manual)
    angle = np.linspace(0, 2 * np.pi, 8191, endpoint=False)
    circle = np.rint(1e6 * np.stack((np.cos(angle), np.sin(angle)), axis=1)).astype(np.int64)
    with pytest.raises(ValueError, match="8190"):
        gdsii_bytes([Cell("ROUND", polygons=(Polygons(Layer(1, 0), [circle]),))])


def test_coordinates_beyond_32_bits_are_refused() -> None:
    with pytest.raises(ValueError, match="32 bits"):
        gdsii_bytes([block_cell("FAR", np.ones((2, 2), np.uint8), TABLE, row0=6_000_000)])
    with pytest.raises(ValueError, match="32 bits"):
        gdsii_bytes([Cell("A1"), Cell("TOP", references=(Reference("A1", 2**31, 0),))])


def test_an_empty_block_is_an_empty_cell(tmp_path: Path) -> None:
    path = tmp_path / "empty.gds"
    path.write_bytes(gdsii_bytes([block_cell("EMPTY", np.zeros((9, 9), np.uint8), TABLE)]))
    library = gdstk.read_gds(str(path))
    assert [cell.name for cell in library.cells] == ["EMPTY"]
    empty: Any = library.cells[0]
    assert empty.bounding_box() is None
