"""What surroundings add between its nodes, against SciPy's bilinear interpolation, and its symmetries."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from layoutgen.exposure.around import FieldBand, SurroundingField, field_of

Floats = NDArray[np.float64]


def random_field(rows: int = 7, cols: int = 5) -> SurroundingField:
    steps = np.random.default_rng(3).integers(1, 400, (rows, cols)).astype(np.int16)
    return SurroundingField(steps, -3000.0, 1500.0, 1000.0, 750.0)


def bilinear(field: SurroundingField, x: Floats, y: Floats) -> Floats:
    """scipy.interpolate.RegularGridInterpolator, method linear; the nodes beyond the field hold 0."""
    ys, xs = (
        start + step * np.arange(-1, count + 1)
        for start, step, count in zip(
            (field.y0, field.x0), (field.hy, field.hx), field.steps.shape, strict=True
        )
    )
    padded = np.pad(field.steps, 1) / 1000
    found: Floats = RegularGridInterpolator((ys, xs), padded, bounds_error=False, fill_value=0.0)(
        np.stack(np.broadcast_arrays(y, x), axis=-1)
    )
    return found


def test_between_nodes_it_is_bilinear_and_beyond_them_it_falls_to_nothing() -> None:
    field = random_field()
    rng = np.random.default_rng(8)
    x, y = np.sort(rng.uniform(-6000, 4000, 90)), np.sort(rng.uniform(-1500, 9000, 600))
    grid = bilinear(field, x[None, :], y[:, None])
    assert grid.max() > 0.2
    assert (grid == 0).any()
    np.testing.assert_allclose(field.at(x, y), grid, rtol=0, atol=1e-12)
    places = rng.uniform((-6000, -1500), (4000, 9000), (500, 2)).T
    np.testing.assert_allclose(
        field.at_points(*places), bilinear(field, *places), rtol=0, atol=1e-12
    )


def test_what_is_nothing_is_cut_off_and_the_rest_keeps_its_places() -> None:
    whole = np.zeros((9, 8), dtype=np.int16)
    whole[2:6, 3:7] = random_field().steps[:4, :4]
    whole[3] = 0  # a row within
    x, y = np.linspace(-400.0, 300.0, 8), np.linspace(-150.0, 250.0, 9)
    uncut = SurroundingField(whole, x[0], y[0], 100.0, 50.0)
    at_x, at_y = np.linspace(-600, 500, 77), np.linspace(-250, 400, 66)
    for pace in (1, 2, 4, 9):
        bands = [FieldBand.of(whole[k : k + pace]) for k in range(0, 9, pace)]
        cut = field_of(bands, x, y, 100.0, 50.0)
        assert cut is not None
        assert (cut.x0, cut.y0) == (-100.0, -50.0)
        np.testing.assert_array_equal(cut.steps, whole[2:6, 3:7])
        np.testing.assert_allclose(cut.at(at_x, at_y), uncut.at(at_x, at_y), rtol=0, atol=1e-12)
    assert field_of([FieldBand.of(np.zeros((9, 8), dtype=np.int16))], x, y, 100.0, 50.0) is None


@pytest.mark.parametrize("count", [4, 5])
def test_its_symmetries_are_those_about_the_axis(count: int) -> None:
    half = np.random.default_rng(1).integers(1, 400, (count, count)).astype(np.int16)
    both = half + half[:, ::-1]
    middle = -100.0 * (count - 1) / 2

    def field(steps: NDArray[np.int16], x0: float = middle, y0: float = middle) -> SurroundingField:
        return SurroundingField(steps, x0, y0, 100.0, 100.0)

    assert field(both).mirrored_x
    assert not field(both).mirrored_y
    assert not field(both, x0=middle + 100.0).mirrored_x  # even, but about another axis
    assert field(both.T).mirrored_y
    assert not field(both.T).mirrored_x
    assert not field(both.T, y0=middle - 100.0).mirrored_y
    assert not field(half).mirrored_x
    assert field(half + half.T).diagonal
    assert not field(half).diagonal
    assert not field(half + half.T, x0=middle + 100.0).diagonal
    assert not field(both[:, :2]).diagonal


def test_fields_are_alike_where_steps_and_places_are() -> None:
    one, other = random_field(), random_field()
    assert one.key == other.key
    for moved in (
        SurroundingField(one.steps, 0.0, one.y0, one.hx, one.hy),
        SurroundingField(one.steps, one.x0, 0.0, one.hx, one.hy),
        SurroundingField(one.steps.reshape(5, 7), one.x0, one.y0, one.hx, one.hy),
        SurroundingField(one.steps + np.int16(1), one.x0, one.y0, one.hx, one.hy),
    ):
        assert moved.key != one.key
