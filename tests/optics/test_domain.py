"""Sites of a part and the pieces that it is stored in, against counting them one by one."""

from __future__ import annotations

import math
from collections import Counter
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from layoutgen.lattice import Lattice
from layoutgen.optics.domain import Circle, Domain, Piece, Rectangle, Rows, all_rows, pieces

Place = tuple[int, int]
SQUARE_SYMMETRIES = ("octant", "quadrant", "half_x", "half_y", "whole")
LATTICES = [
    Lattice("square", 400, 400, "gap"),
    Lattice("square", 400, 400, "site"),
    Lattice("square", 401, 401, "site"),
    Lattice("hexagonal", 400, 346, "gap"),
    Lattice("hexagonal", 400, 346, "site"),
]
#: How many times a piece may stand in the plane, by symmetry: the order of its group.
ORDER = {"octant": 8, "quadrant": 4, "half_x": 2, "half_y": 2, "whole": 1}


def every_site(lattice: Lattice, half: int) -> list[Place]:
    """Sites within a square, straight from what a lattice is: no window, no run."""
    rows, cols = half // lattice.row_dbu + 2, half // lattice.pitch_dbu + 2
    shift = Fraction(lattice.pitch_dbu, 2)
    low = shift if lattice.centre == "gap" else Fraction(0)
    found = []
    for row in range(-rows, rows + 1):
        y = row * lattice.row_dbu + (Fraction(0) if lattice.kind == "hexagonal" else low)
        odd = shift if lattice.kind == "hexagonal" and row % 2 else Fraction(0)
        for col in range(-cols, cols + 1):
            x = low + col * lattice.pitch_dbu + odd
            if abs(x) <= half and abs(y) <= half:
                found.append((int(x), int(y)))
    return found


def places(lattice: Lattice, rows: Rows, *, inside: bool = False) -> list[Place]:
    lo, hi = (rows.lo_in, rows.hi_in) if inside else (rows.lo, rows.hi)
    return [
        (lattice.x_dbu(rows.row0 + r, col), lattice.y_dbu(rows.row0 + r))
        for r in range(len(lo))
        for col in range(int(lo[r]), int(hi[r]))
    ]


def placed(lattice: Lattice, piece: Piece, *, inside: bool = False) -> list[Place]:
    """Places of all copies of a piece: an optional mirror y -> -y, then quarter turns."""
    found = []
    for turns, mirror in piece.placements:
        for x, y in places(lattice, piece.rows, inside=inside):
            y = -y if mirror else y
            for _ in range(turns):
                x, y = -y, x
            found.append((x, y))
    return found


def symmetries(lattice: Lattice) -> tuple[str, ...]:
    return SQUARE_SYMMETRIES[1:] if lattice.hexagonal else SQUARE_SYMMETRIES


CASES = [(lattice, symmetry) for lattice in LATTICES for symmetry in symmetries(lattice)]


@pytest.mark.parametrize(("lattice", "symmetry"), CASES)
def test_the_copies_of_all_pieces_hold_every_site_once(lattice: Lattice, symmetry: str) -> None:
    # counted one by one: the definition, a centre with r <= R
    radius, outer = 5000, 6500
    circle = Circle.of(Fraction(radius), Fraction(outer))
    found = pieces(circle, lattice, symmetry)
    for limit, inside in ((radius, True), (outer, False)):
        wanted = [(x, y) for x, y in every_site(lattice, outer) if x * x + y * y <= limit**2]
        got = Counter(p for piece in found for p in placed(lattice, piece, inside=inside))
        assert set(got.values()) == {1}
        assert set(got) == set(wanted)
    assert max(len(piece.placements) for piece in found) == ORDER[symmetry]
    assert sum(len(p.placements) * p.rows.sites for p in found) == len(wanted)


@pytest.mark.parametrize("lattice", LATTICES)
def test_an_octant_is_an_eighth_and_its_axes_are_pieces_of_their_own(lattice: Lattice) -> None:
    if lattice.hexagonal:
        with pytest.raises(ValueError, match="no diagonal mirror"):
            pieces(Circle(10**8, 10**8), lattice, "octant")
        return
    copies = {p.name: len(p.placements) for p in pieces(Circle(10**8, 10**8), lattice, "octant")}
    # between four sites no site stands on an axis; on a site the axis and the centre do
    gap = {"A": 8, "D": 4}
    assert copies == (gap if lattice.centre == "gap" else gap | {"X": 4, "C": 1})


@given(
    radius2=st.integers(0, 40_000),
    pitch=st.sampled_from([2, 4, 6, 10]),
    centre=st.sampled_from(["gap", "site"]),
    hexagonal=st.booleans(),
    more=st.integers(0, 9000),
)
def test_sites_on_the_circle_itself_belong_to_it(
    radius2: int, pitch: int, centre: str, hexagonal: bool, more: int
) -> None:
    # r <= R in whole numbers; with such small pitches many sites lie on the circle exactly
    row = round(pitch * math.sqrt(3) / 2) if hexagonal else pitch
    lattice = Lattice("hexagonal" if hexagonal else "square", pitch, row, centre)
    rows = all_rows(Circle(radius2, radius2 + more), lattice)
    sites = every_site(lattice, math.isqrt(radius2 + more) + 1)
    inner = {(x, y) for x, y in sites if x * x + y * y <= radius2}
    outer = {(x, y) for x, y in sites if x * x + y * y <= radius2 + more}
    assert set(places(lattice, rows, inside=True)) == inner
    assert set(places(lattice, rows)) == outer
    assert rows.sites == len(outer)
    assert rows.sites_inside == len(inner)


@pytest.mark.parametrize(("a", "b", "c"), [(3, 4, 5), (5, 12, 13), (9999, 4900, 0)])
def test_a_site_on_the_circle_is_in_and_one_just_beyond_is_out(a: int, b: int, c: int) -> None:
    # Pythagorean triples (Euclid's Elements X.29) lie on the circle; where no c is given the
    # radius is the whole number below sqrt(a^2 + b^2), which leaves the site out
    c = c or math.isqrt(a * a + b * b)
    rows = all_rows(Circle(c * c, c * c), Lattice("square", 1, 1, "site"))
    at = b - rows.row0
    assert (int(rows.lo[at]) <= a < int(rows.hi[at])) == (a * a + b * b == c * c)
    assert int(rows.hi[at]) - 1 == math.isqrt(c * c - b * b)


def test_a_radius_that_is_not_whole_is_taken_as_it_is() -> None:
    # An aperture of 1.2 mm on a part 150 ppm larger than its master is 1.2 / 1.00015 mm on it.
    radius = Fraction(600_000) / (1 + Fraction(150, 10**6))
    lattice = Lattice("square", 300, 300, "site")
    rows = all_rows(Circle.of(radius, radius), lattice)
    middle = -rows.row0
    largest = int(rows.hi[middle]) - 1
    assert Fraction(largest * 300) <= radius < (largest + 1) * 300
    assert largest == 1999  # 2000 * 300 nm is the aperture's own radius, before the scale


def test_a_square_radius_between_whole_numbers_takes_in_no_site_above_it() -> None:
    # 3.5^2 = 12.25: the site at (2, 3) has 13, the one at (2, 2) has 8; with the collar, 18.0 has (3, 3)
    lattice = Lattice("square", 1, 1, "site")
    rows = all_rows(Circle.of(Fraction(7, 2), Fraction(4243, 1000)), lattice)
    at = 3 - rows.row0
    assert int(rows.hi_in[at]) - 1 == 1
    assert int(rows.hi[at]) - 1 == 3
    # 4.23^2 = 17.9
    tight = all_rows(Circle.of(Fraction(7, 2), Fraction(423, 100)), lattice)
    assert int(tight.hi[3 - tight.row0]) - 1 == 2


def test_a_rectangle_holds_its_edges() -> None:
    lattice = Lattice("square", 400, 400, "gap")
    box: Domain = Rectangle(-600, 1000, -1000, 599)
    wanted = {
        (x, y) for x, y in every_site(lattice, 2000) if -600 <= x <= 1000 and -1000 <= y <= 599
    }
    assert set(places(lattice, all_rows(box, lattice))) == wanted
    assert (1000, -1000) in wanted


@pytest.mark.parametrize("side", [3, 8, 256])
@pytest.mark.parametrize("lattice", LATTICES)
def test_blocks_hold_each_site_once_and_are_cut_at_whole_multiples(
    lattice: Lattice, side: int
) -> None:
    rows = all_rows(Circle(5000**2, 6000**2), lattice)
    got: Counter[tuple[int, int]] = Counter()
    inner: Counter[tuple[int, int]] = Counter()
    for window in rows.blocks(side):
        cut = rows.take(window.row0, window.row0 + window.rows)
        cut = cut.clip(window.col0, window.col0 + window.cols)
        assert max(window.rows, window.cols) <= side
        assert window.row0 // side == (window.row0 + window.rows - 1) // side
        assert window.col0 // side == (window.col0 + window.cols - 1) // side
        assert len(cut.lo) == window.rows
        got.update(places(lattice, cut))
        inner.update(places(lattice, cut, inside=True))
    assert got == Counter(places(lattice, rows))
    assert inner == Counter(places(lattice, rows, inside=True))


def test_a_circle_smaller_than_half_a_pitch_between_sites_is_empty() -> None:
    lattice = Lattice("square", 400, 400, "gap")
    assert pieces(Circle(200**2, 200**2), lattice, "octant") == ()
    rows = all_rows(Circle(80_000, 80_000), lattice)  # the four sites at r^2 = 2 * 200^2
    assert rows.sites == 4
    assert np.array_equal(rows.lo, [-1, -1])


def test_an_unknown_symmetry_is_refused() -> None:
    with pytest.raises(ValueError, match="must be octant, quadrant"):
        pieces(Circle(10**6, 10**6), LATTICES[0], "sixth")
