"""Which orders a cell keeps: against every box of wave vectors tried one by one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from layoutgen.optics.fourier_orders import fourier_orders
from layoutgen.optics.stack import Cell

CELLS = {
    "square": Cell(400.0, 400.0),
    "hexagonal": Cell(400.0, 400.0 * math.sqrt(3), centred=True),
    "flat": Cell(900.0, 130.0),
    "upright": Cell(130.0, 900.0),
    "a needle": Cell(20.0, 900.0, centred=True),
    "a lying needle": Cell(900.0, 20.0, centred=True),
}


def largest_box(cell: Cell, count: int) -> set[tuple[int, int]]:
    """The most orders with |u| / x <= g and |v| / y <= g that are no more than `count`, over all g."""
    most = 2 * count + 2
    orders = [
        (u, v)
        for u in range(-most, most + 1)
        for v in range(-most, most + 1)
        if not cell.centred or (u + v) % 2 == 0
    ]
    best: set[tuple[int, int]] = set()
    sizes = np.array([max(abs(u) / cell.x_nm, abs(v) / cell.y_nm) for u, v in orders])
    for g in np.unique(np.round(sizes, 12)):
        inside = np.flatnonzero(sizes <= g + 1e-9)
        if len(best) < len(inside) <= count:
            best = {orders[k] for k in inside}
    return best


@pytest.mark.parametrize("count", [1, 2, 3, 5, 9, 24, 25, 49])
@pytest.mark.parametrize("name", CELLS)
def test_orders_are_those_of_the_largest_box_that_holds_no_more(name: str, count: int) -> None:
    found = fourier_orders(CELLS[name], count, wavelength_nm=940.0)
    kept = set(zip(found.u.tolist(), found.v.tolist(), strict=True))
    assert len(kept) == len(found.u)
    assert kept == largest_box(CELLS[name], count)
