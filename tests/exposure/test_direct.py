"""Density at a few places, pillar by pillar, against the plain double sum over the whole part."""

from __future__ import annotations

import math

import numpy as np
import pytest

from layoutgen.exposure.direct import density_sum, sum_is_cheaper
from layoutgen.exposure.scatter import ScatterTerm
from layoutgen.lattice import Lattice
from tests.exposure.test_solve import KERNELS, MASTER, RADIUS, masters_at, part_of

PLACES = np.array(
    [[200.0, 200.0], [-7_400.0, 3_000.0], [0.0, -14_600.0], [10_200.0, 10_200.0], [22_000.0, 400.0]]
)


@pytest.mark.parametrize("kernel", KERNELS)
@pytest.mark.parametrize(
    ("kind", "centre", "symmetry"),
    [
        ("square", "gap", "octant"),
        ("square", "site", "octant"),
        ("square", "site", "quadrant"),
        ("square", "gap", "half_x"),
        ("square", "gap", "half_y"),
        ("hexagonal", "gap", "quadrant"),
        ("hexagonal", "site", "whole"),
    ],
)
def test_it_is_the_plain_sum(kind: str, centre: str, symmetry: str, kernel: str) -> None:
    # the definition (design: exposed pattern convolved with the normalised terms), each term up to its reach
    lattice = Lattice(kind, 400, 400 if kind == "square" else 346, centre)
    part, terms = part_of(lattice, symmetry), KERNELS[kernel]
    area = np.concatenate([[0.0], math.pi / 4 * MASTER**2])
    reach = max(term.reach_dbu for term in terms)
    found = density_sum(part, lambda _, masters: masters, area, terms, reach, PLACES)
    x, y = lattice.sites_dbu(lattice.cover(RADIUS, RADIUS))
    inside = x * x + y * y <= RADIUS**2
    x, y = x[inside], y[inside]
    weight = area[masters_at(x, y)]
    for place, value in zip(PLACES, found, strict=True):
        r = np.hypot(x - place[0], y - place[1])
        wanted = sum(
            term.share * float(weight @ np.where(r <= term.reach_dbu, term.value(r), 0.0))
            for term in terms
        )
        # the kernel's table is linear between its entries; shared sites at a term's very reach weigh nothing
        assert value == pytest.approx(wanted, abs=2e-6)


def test_a_far_reach_is_left_to_the_raster() -> None:
    part = part_of(Lattice("square", 400, 400, "gap"), "octant")
    near, far = ScatterTerm("gaussian", 900.0, 1.0), ScatterTerm("gaussian", 90_000.0, 1.0)
    assert sum_is_cheaper(part, near.reach_dbu, 1)
    assert not sum_is_cheaper(part, far.reach_dbu, 1)
    assert not sum_is_cheaper(part, near.reach_dbu, 100)
