"""The bias table and the ladder."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from layoutgen.exposure.bias import BiasTable, DrawnLadder
from layoutgen.units import SQUARE_SIDE

TABLE = BiasTable(
    np.array([0.0, 0.2, 0.5, 0.8]),
    np.array([100.0, 180.0, 300.0]),
    np.random.default_rng(3).normal(0, 5, (4, 3)),
)


def test_the_table_is_bilinear() -> None:
    rng = np.random.default_rng(1)
    density, master = rng.uniform(0, 0.8, 200), rng.uniform(100, 300, 200)
    reference = RegularGridInterpolator((TABLE.densities, TABLE.diameters_nm), TABLE.bias_nm)
    np.testing.assert_allclose(
        TABLE(density, master), reference(np.stack([density, master], axis=1)), atol=1e-12
    )


def test_the_table_is_clamped_at_its_ends_and_says_where() -> None:
    assert float(TABLE(np.array(0.95), np.array(50.0))) == pytest.approx(TABLE.bias_nm[-1, 0])
    inside = TABLE.covers(np.array([0.3, 0.9, 0.3]), np.array([200.0, 200.0, 99.0]))
    assert inside.tolist() == [True, False, False]


def test_bias_at_whole_density_steps_is_that_of_the_table() -> None:
    master = np.array([120.0, 222.0])
    steps = TABLE.at_steps(master, np.array([False, True]), 0, 4096)
    assert steps[2048, 0] == pytest.approx(float(TABLE(np.array(0.25), np.array(120.0))))
    assert not steps[:, 1].any()  # a fixed size has no bias


@pytest.mark.parametrize(
    ("size", "drawn"),
    [(202.5, 203), (202.4999, 202), (201.5, 202), (90.0, 90), (329.6, 330), (200 + 2.5, 203)],
)
def test_halves_round_up_to_the_ladder(size: float, drawn: float) -> None:
    ladder = DrawnLadder(90.0, 1.0, 241, squares=False)
    codes, left = ladder.codes(np.array([size]))
    assert ladder.size_nm(int(codes[0])) == drawn
    assert not left[0]


def test_sizes_beyond_the_ladder_are_clamped_and_told() -> None:
    codes, left = DrawnLadder(90.0, 1.0, 241, squares=False).codes(np.array([89.4, 331.0]))
    assert codes.tolist() == [1, 241]
    assert left.tolist() == [True, True]


def test_a_square_is_counted_by_its_side_and_told_by_its_equal_area_diameter() -> None:
    ladder = DrawnLadder(80.0, 2.0, 126, squares=True)
    codes, _ = ladder.codes(np.array([100 / SQUARE_SIDE]))
    assert ladder.size_nm(int(codes[0])) == 100
    # equal areas: side^2 = pi d^2 / 4
    assert np.pi / 4 * ladder.diameter_nm(int(codes[0])) ** 2 == pytest.approx(100**2)
