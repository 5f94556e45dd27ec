"""Boxes of cells where references place them, against their turned corners."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from layoutgen.layout.boxes import joined, polygon_box, turned
from layoutgen.layout.cells import Box, Reference


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turns", range(4))
@pytest.mark.parametrize("box", [(-30, 10, 5, 70), (2, 3, 11, 5), (-8, -9, -1, -2)])
def test_a_turned_box_is_that_of_its_turned_corners(box: Box, turns: int, mirror: bool) -> None:
    # SEMI P39: a placement mirrors about the x axis first, turns counter-clockwise, and then moves
    corners = np.array(list(itertools.product(box[::2], box[1::2])))
    if mirror:
        corners = corners * np.array([1, -1])
    angle = np.pi / 2 * turns
    matrix = np.rint([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]).astype(int)
    wanted = polygon_box(corners @ matrix.T + np.array([1000, -200]))
    assert turned(box, Reference("A", 1000, -200, turns, mirror)) == wanted


def test_nothing_stays_nothing_and_adds_nothing() -> None:
    assert turned(None, Reference("A", 1, 2)) is None
    assert joined(None, (1, 2, 3, 4)) == (1, 2, 3, 4) == joined((1, 2, 3, 4), None)
    assert joined((1, 2, 3, 4), (-5, 3, 2, 9)) == (-5, 2, 3, 9)
    assert joined(None, None) is None
