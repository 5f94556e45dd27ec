"""Coefficients kept in two bytes a node: what comes back, and what was never kept."""

from __future__ import annotations

import numpy as np
import pytest

from layoutgen.exposure.spline_rows import SplineRows

RNG = np.random.default_rng(5)
VALUES = RNG.uniform(-0.1, 0.6, (9, 14)).astype(np.float32)


def ragged() -> SplineRows:
    """Rows -2 .. 4; row j holds columns j .. 7, as an octant does."""
    j = np.arange(-2, 5)
    return SplineRows(-2, j.copy(), 8 - j)


def test_what_is_kept_comes_back_within_half_a_step_of_its_row() -> None:
    rows = ragged()
    rows.put(VALUES, -4, -3)  # rows -3 .. 5, columns -4 .. 9: more than is kept on every side
    for j in range(-2, 5):
        kept = VALUES[j + 3, j + 4 : 8 + 4]
        back = rows.window(j, j, 8 - j, 1)[0]
        half = (kept.max() - kept.min()) / 65535 / 2
        assert np.abs(back - kept).max() <= half * 1.01 + 1e-7


def test_a_window_is_blank_where_nothing_is_kept() -> None:
    rows = ragged()
    rows.put(np.ones((9, 14), dtype=np.float32), -4, -3)
    window = rows.window(-3, -4, 14, 11)  # from row -4 and column -3 on
    j, i = np.mgrid[-4:7, -3:11]
    inside = (j >= -2) & (j <= 4) & (i >= j) & (i < 8)
    np.testing.assert_array_equal(window, inside.astype(np.float32))


def test_a_window_past_the_last_row_reads_nothing_there() -> None:
    # rows in memory that goes on with others: one row more would show their numbers
    rows = ragged()
    rows.put(np.ones((9, 14), dtype=np.float32), -4, -3)
    for name in ("first", "count", "_start", "_low", "_step"):
        held = getattr(rows, name)
        longer = np.concatenate([held, held[:1]])
        setattr(rows, name, longer[: len(held)])
    np.testing.assert_array_equal(rows.window(-2, 5, 10, 1), np.zeros((1, 10), dtype=np.float32))
    assert rows.window(-2, 4, 10, 2)[0].any()


def test_single_nodes_are_those_of_a_window() -> None:
    rows = ragged()
    rows.put(VALUES, -4, -3)
    j, i = np.mgrid[-5:8, -5:12]
    np.testing.assert_array_equal(rows.nodes(i, j), rows.window(-5, -5, 17, 13))


def test_constant_rows_are_exact() -> None:
    found = SplineRows.of(np.full((3, 4), 0.3, dtype=np.float32), 2, 7)
    np.testing.assert_array_equal(found.window(2, 7, 4, 3), np.float32(0.3))


def test_rows_that_lack_a_column_are_refused() -> None:
    with pytest.raises(ValueError, match="every column"):
        ragged().put(VALUES[:, 6:], 2, -3)


def test_rows_of_one_node_are_kept_and_rows_of_none_ask_for_nothing() -> None:
    rows = SplineRows(0, np.array([2, 3, 9, 4]), np.array([2, 1, 0, 1]))
    rows.put(VALUES[:4, :6], 0, 0)  # columns 0 .. 5: row 2 keeps nothing, not even column 9
    wanted = np.zeros((4, 14), dtype=np.float32)
    wanted[0, 2:4], wanted[1, 3], wanted[3, 4] = VALUES[0, 2:4], VALUES[1, 3], VALUES[3, 4]
    np.testing.assert_allclose(rows.window(0, 0, 14, 4), wanted, rtol=0, atol=1e-5)


def test_a_row_of_one_node_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="every column"):
        SplineRows(0, np.array([5]), np.array([1])).put(VALUES[:1, :3], 0, 0)
