"""Orders of beam deflectors: the grating equation and the efficiencies of even steps."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from layoutgen.optics.orders import GratingSum, Order, propagating_orders

FloatArray = NDArray[np.float64]


def even_steps(count: int, pitch: float, wavelength: float) -> dict[int, float]:
    """Efficiencies by order of a grating of `count` even steps of phase, one site each."""
    orders = propagating_orders(
        (count * pitch, 0.0), pitch_um=pitch, row_um=pitch, shift_um=0.0, wavelength_um=wavelength
    )
    x = np.linspace(-82.5, 83.5, 167) * pitch  # no whole number of periods
    y = np.linspace(-39.5, 39.5, 80) * pitch
    total = GratingSum(orders, 83.5 * pitch, (pitch, pitch))
    t = np.exp(2j * np.pi * x / (count * pitch)) + 0 * y[:, None]
    filled = np.ones(t.shape, dtype=np.bool_)
    for part in (slice(0, 30), slice(30, 80)):
        total.add(total.block(t[part], filled[part], x, y[part], np.zeros(part.stop - part.start)))
    assert total.transmitted == pytest.approx(1.0)
    return {
        o.order: float(e)
        for o, e in zip(orders, total.efficiencies, strict=True)
        if o.lattice_order == (0, 0)
    }


@pytest.mark.parametrize(
    "count, first, other",
    [(2, 0.40528, 0.40528), (4, 0.81057, 0.09006), (8, 0.94964, 0.01938), (16, 0.98721, 0.00439)],
)
def test_even_steps_give_the_efficiencies_of_n_levels(
    count: int, first: float, other: float
) -> None:
    # Swanson, MIT Lincoln Lab. Tech. Rep. 854 (1989): sinc^2(1 / N), and sinc^2((1 - N) / N) in order 1 - N,
    # which leaves where a site is wider than the wavelength
    found = even_steps(count, pitch=1.2, wavelength=1.0)
    assert found[1] == pytest.approx(first, abs=1e-4)
    assert found[1 - count] == pytest.approx(other, abs=1e-4)
    rest = [value for order, value in found.items() if (order - 1) % count]
    assert max(rest) < 1e-6


@pytest.mark.parametrize("vector", [(8, 0), (0, 5), (3, 1), (-4, 3)])
def test_first_order_leaves_at_the_grating_equations_angle(vector: tuple[int, int]) -> None:
    # grating equation: sin(theta) = m lambda / |v|, along v
    pitch, wavelength = 0.4, 0.94
    v = (vector[0] * pitch, vector[1] * pitch)
    orders = propagating_orders(
        v, pitch_um=pitch, row_um=pitch, shift_um=0.0, wavelength_um=wavelength
    )
    own = {o.order: o for o in orders if o.lattice_order == (0, 0)}
    size = math.hypot(*v)
    assert sorted(own) == list(range(-int(size / wavelength), int(size / wavelength) + 1))
    for m, order in own.items():
        assert order.angle_deg == pytest.approx(
            math.degrees(math.asin(m * wavelength / size)), abs=1e-9
        )
    assert own[1].direction_deg == pytest.approx(math.degrees(math.atan2(v[1], v[0])))
    assert all(own[-m].fx == pytest.approx(-own[m].fx) for m in own)


def test_orders_sideways_are_those_of_the_lattice_shifted_by_the_phase() -> None:
    # pattern of period [3, 1] on a square lattice repeats with 10 sites: every order is a tenth of a turn
    orders = propagating_orders(
        (1.2, 0.4), pitch_um=0.4, row_um=0.4, shift_um=0.0, wavelength_um=0.94
    )
    sideways = [o for o in orders if o.lattice_order != (0, 0)]
    assert sideways
    for o in sideways:
        along = (o.fx - 3 * o.order / 4) * 0.4, (o.fy - o.order / 4) * 0.4
        assert along == pytest.approx(np.round(along), abs=1e-9)
        assert math.hypot(o.fx, o.fy) < 1 / 0.94


def test_shifted_rows_count_in_the_sum() -> None:
    # a hexagonal lattice, phase along x: the same first order as on a square one of that pitch
    pitch, row, wavelength = 0.5, 0.433, 0.94
    order = Order(1, (0, 0), 1 / 4.0, 0.0, math.degrees(math.asin(wavelength / 4)), 0.0)
    total = GratingSum([order], 30.0, (pitch, row))
    rows = np.arange(-60, 60)
    xs, ys = np.linspace(-50, 49, 100) * pitch, np.linspace(-60, 59, 120) * row
    shift = np.where(rows & 1, pitch / 2, 0.0)
    x = xs + shift[:, None]
    t = np.exp(2j * np.pi * x / 4.0)
    total.add(total.block(t, np.ones(t.shape, dtype=np.bool_), xs, ys, shift))
    assert total.efficiencies[0] == pytest.approx(np.sinc(0.125) ** 2, abs=1e-6)


def test_the_grating_of_a_hexagonal_lattice_lists_no_order_twice() -> None:
    # the rounded row step parts a pattern's orders from their images by a thousandth of 1 / lambda
    pitch, row = 0.5, 0.433
    v = (4 * pitch + 2 * pitch, 4 * row)
    orders = propagating_orders(
        v, pitch_um=pitch, row_um=row, shift_um=pitch / 2, wavelength_um=0.94
    )
    at = np.array([(o.fx, o.fy) for o in orders])
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1)) + 10 * np.eye(len(at))
    assert apart.min() > 0.05
