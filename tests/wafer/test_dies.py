"""Where dies stand: counted against brute force, closed forms and published estimates."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layoutgen.errors import InputError
from layoutgen.recipe.model import Recipe, Wafer
from layoutgen.wafer.dies import DieGrid, _Barred, _bound, best_offset, place_dies, whole_dies
from layoutgen.wafer.written import Written

ONE_NM = Written(dbu=Fraction(1), scale=Fraction(1), mirrored=False)


def wafer(pitch: str, exclusion: str, offset: str, **more: Any) -> Wafer:
    return Wafer.model_validate(
        {
            "diameter": "200 mm",
            "edge_exclusion": exclusion,
            "die_pitch": (pitch, pitch),
            "grid_offset": offset,
            "fill": "lens",
            **more,
        }
    )


# Counts of whole squares in a circle, found by trying offsets one after another; that a best
# offset of at least this many dies exists can be checked with a pencil from the offset itself.
@pytest.mark.parametrize(
    ("pitch", "exclusion", "offset", "low", "high"),
    [
        ("5 mm", "5 mm", "die", 1049, 1049),
        ("5 mm", "5 mm", "street", 1052, 1052),
        ("5 mm", "5 mm", "best", 1067, 1134),
        ("5 mm", "3 mm", "die", 1101, 1101),
        ("5 mm", "3 mm", "street", 1108, 1108),
        ("5 mm", "3 mm", "best", 1116, 1182),
        ("10 mm", "3 mm", "best", 262, 295),
        ("10 mm", "5 mm", "best", 256, 283),
    ],
)
def test_whole_dies_on_a_200_mm_wafer(
    pitch: str, exclusion: str, offset: str, low: int, high: int
) -> None:
    # `high` is the circle's area over a die's: no offset can pass it
    assert low <= len(place_dies(wafer(pitch, exclusion, offset), ONE_NM).sites) <= high


@pytest.mark.parametrize("pitch_mm", [2.0, 5.0])
def test_gross_dies_agree_with_de_vries(pitch_mm: float) -> None:
    # D. K. de Vries, IEEE Trans. Semicond. Manuf. 18, 136 (2005), citation from memory:
    # pi R^2 / A - 2 pi R / sqrt(2 A), within 2 % at a thousand dies.
    radius, area = 95.0, pitch_mm**2
    estimate = math.pi * radius**2 / area - 2 * math.pi * radius / math.sqrt(2 * area)
    found = len(place_dies(wafer(f"{pitch_mm} mm", "5 mm", "die"), ONE_NM).sites)
    assert found == pytest.approx(estimate, rel=0.02)


def test_too_many_dies_are_refused_whichever_way_the_pitch_is_small() -> None:
    # (190 mm)^2 over 4 million is 9025 um^2, whatever the die's shape
    for pitch in (("5 mm", "0.4 um"), ("0.4 um", "5 mm")):
        with pytest.raises(InputError, match="want at most 4000000 dies"):
            place_dies(wafer("5 mm", "5 mm", "die", die_pitch=pitch), ONE_NM)
    assert (
        len(place_dies(wafer("5 mm", "5 mm", "die", die_pitch=("5 mm", "20 um")), ONE_NM).sites)
        > 2e5
    )


# --- brute force --------------------------------------------------------------------------------


def count_one_by_one(grid: DieGrid, x: int, y: int) -> int:
    """Whole dies by the definition: four corners in the circle, no keep-out under the die."""
    n = math.isqrt(grid.reach2) // (2 * min(grid.pitch_x, grid.pitch_y)) + 2
    count = 0
    for i in range(-n, n + 1):
        for j in range(-n, n + 1):
            cx, cy = 2 * x + 2 * i * grid.pitch_x, 2 * y + 2 * j * grid.pitch_y
            corners = [
                (cx + a * grid.pitch_x, cy + b * grid.pitch_y) for a in (-1, 1) for b in (-1, 1)
            ]
            inside = all(a * a + b * b <= grid.reach2 for a, b in corners)
            barred = any(
                x0 <= cx <= x1 and y0 <= cy <= y1 for x0, x1, y0, y1 in grid.barred
            )  # fmt: skip
            count += inside and not barred
    return count


def best_one_by_one(grid: DieGrid) -> tuple[int, int, int]:
    offsets = [
        (-count_one_by_one(grid, x, y), x * x + y * y, x, y)
        for x in range(-(grid.pitch_x // 2), (grid.pitch_x + 1) // 2)
        for y in range(-(grid.pitch_y // 2), (grid.pitch_y + 1) // 2)
    ]
    count, _, x, y = min(offsets)
    return x, y, -count


@settings(max_examples=150)
@given(
    pitch_x=st.integers(1, 14),
    pitch_y=st.integers(1, 14),
    dies_across=st.floats(0.3, 7.0),
    extra=st.integers(0, 40),
)
def test_best_offset_is_the_one_that_trying_all_finds(
    pitch_x: int, pitch_y: int, dies_across: float, extra: int
) -> None:
    across = int(dies_across * max(pitch_x, pitch_y)) + 1
    grid = DieGrid(pitch_x, pitch_y, across * across + extra)
    assert best_offset(grid) == best_one_by_one(grid)


def test_no_offset_of_a_box_passes_the_boxes_bounds() -> None:
    rng = random.Random(5)
    for _ in range(1500):
        pitch = rng.randint(5, 11), rng.randint(5, 11)
        barred = []
        for _ in range(rng.randint(1, 2)):
            x, y = rng.randint(-40, 40), rng.randint(-40, 40)
            barred.append((x, x + rng.randint(0, 30), y, y + rng.randint(0, 30)))
        grid = DieGrid(*pitch, rng.randint(15, 60) ** 2, tuple(barred))
        u, v = (sorted((rng.randint(0, p // 2), rng.randint(0, p // 2))) for p in pitch)
        (u0, u1), (v0, v1) = (tuple(np.array([end]) for end in ends) for ends in (u, v))
        kept_out = _Barred(grid)
        upper = _bound(grid, u0, u1, v0, v1) - kept_out.count((u0, u1), (v0, v1), surely=True)
        lower = _bound(grid, u1, u0, v1, v0) - kept_out.count((u0, u1), (v0, v1), surely=False)
        for x, y in {(x, y) for x in u for y in v}:
            assert int(lower[0]) <= count_one_by_one(grid, x, y) <= int(upper[0])
        if u[0] == u[1] and v[0] == v[1]:
            assert int(lower[0]) == int(upper[0])


@settings(max_examples=120)
@given(
    pitch=st.tuples(st.integers(2, 9), st.integers(2, 9)),
    across=st.integers(10, 45),
    keep_outs=st.lists(
        st.tuples(
            st.integers(-40, 40), st.integers(0, 40), st.integers(-40, 40), st.integers(0, 40)
        ),
        min_size=1,
        max_size=3,
    ),
)
def test_best_offset_counts_keep_outs_as_trying_all_does(
    pitch: tuple[int, int], across: int, keep_outs: list[tuple[int, int, int, int]]
) -> None:
    barred = tuple((x, x + w, y, y + h) for x, w, y, h in keep_outs)
    grid = DieGrid(pitch[0], pitch[1], across * across, barred)
    assert best_offset(grid) == best_one_by_one(grid)


@settings(max_examples=100)
@given(
    pitch_x=st.integers(1, 12),
    pitch_y=st.integers(1, 12),
    across=st.integers(1, 60),
    offset2=st.tuples(st.integers(-12, 12), st.integers(-12, 12)),
)
def test_placed_dies_are_those_whose_four_corners_are_inside(
    pitch_x: int, pitch_y: int, across: int, offset2: tuple[int, int]
) -> None:
    grid = DieGrid(pitch_x, pitch_y, across * across)
    cols, rows, taken = whole_dies(grid, offset2)
    found = list(zip(rows.tolist(), cols.tolist(), strict=True))
    n = across // min(pitch_x, pitch_y) + 14
    expected = [
        (j, i)
        for j in range(-n, n + 1)
        for i in range(-n, n + 1)
        if all(
            (offset2[0] + (2 * i + a) * pitch_x) ** 2 + (offset2[1] + (2 * j + b) * pitch_y) ** 2
            <= across * across
            for a in (-1, 1)
            for b in (-1, 1)
        )
    ]
    assert found == expected  # by row and then column
    assert not taken.any()


def test_no_neighbour_of_the_best_offset_is_as_good_and_nearer() -> None:
    # the full 1 nm grid of 5e6 x 5e6 offsets: sampled, because it cannot be tried
    grid = DieGrid(5_000_000, 5_000_000, 190_000_000**2)
    x, y, count = best_offset(grid)
    assert count == whole_dies(grid, (2 * x, 2 * y))[0].size
    for dx in range(-3, 4):
        for dy in range(-3, 4):
            near = (x + dx, y + dy)
            there = whole_dies(grid, (2 * near[0], 2 * near[1]))[0].size
            assert (there, -(near[0] ** 2 + near[1] ** 2)) <= (count, -(x * x + y * y))


# --- edges, names, order ------------------------------------------------------------------------


def test_a_die_that_touches_the_edge_exclusion_is_whole() -> None:
    # 3-4-5: the corner (30, 40) mm of a 60 x 80 mm die lies on a circle of 50 mm
    touching = {"diameter": "100 mm", "edge_exclusion": "0 mm", "die_pitch": ("60 mm", "80 mm")}
    assert len(place_dies(wafer("1 mm", "0 mm", "die", **touching), ONE_NM).sites) == 1
    with pytest.raises(InputError, match=r"wafer\.die_pitch: want at least one whole die"):
        place_dies(wafer("1 mm", "0 mm", "die", **{**touching, "edge_exclusion": "1 nm"}), ONE_NM)


@pytest.mark.parametrize("offset", ["die", "street", "best"])
def test_die_zero_holds_the_wafer_centre_and_ties_go_up_and_right(offset: str) -> None:
    sites = place_dies(wafer("5 mm", "5 mm", offset), ONE_NM).sites
    zero = next(s for s in sites if (s.col, s.row) == (0, 0))
    assert -2_500_000 < zero.x <= 2_500_000
    assert -2_500_000 < zero.y <= 2_500_000
    if offset == "street":
        assert (zero.x, zero.y) == (2_500_000, 2_500_000)
    for site in sites:  # col rises with x, row with y
        assert site.x - zero.x == 5_000_000 * site.col
        assert site.y - zero.y == 5_000_000 * site.row
    assert [(s.row, s.col) for s in sites] == sorted((s.row, s.col) for s in sites)


@pytest.mark.parametrize(
    ("pitch", "offset", "zero"),
    [
        (("5 mm", "4 mm"), "street", (2.5, 2.0)),
        # 76^2 + 57^2 = 95^2: two dies fit beside each other at one offset alone, half a die aside
        (("76 mm", "114 mm"), "best", (38.0, 0.0)),
        (("114 mm", "76 mm"), "best", (0.0, 38.0)),
        (("80 mm", "50 mm"), "best", None),
    ],
)
def test_each_axis_names_its_dies_by_its_own_pitch_and_offset(
    pitch: tuple[str, str], offset: str, zero: tuple[float, float] | None
) -> None:
    found = place_dies(wafer("5 mm", "5 mm", offset, die_pitch=pitch), ONE_NM)
    (first,) = (s for s in found.sites if (s.col, s.row) == (0, 0))
    p, q = (float(value.split()[0]) * 1e6 for value in pitch)
    assert -p / 2 < first.x <= p / 2
    assert -q / 2 < first.y <= q / 2
    if zero is not None:
        assert (first.x, first.y) == (zero[0] * 1e6, zero[1] * 1e6)
    for site in found.sites:
        assert (site.x - first.x, site.y - first.y) == (p * site.col, q * site.row)


def test_mirroring_comes_last_and_names_stay_those_of_the_part() -> None:
    part = place_dies(wafer("5 mm", "5 mm", "best"), ONE_NM).sites
    mirrored = place_dies(
        wafer("5 mm", "5 mm", "best"), Written(Fraction(1), Fraction(1), mirrored=True)
    ).sites
    assert [(s.col, s.row, -s.x, s.y) for s in part] == [(s.col, s.row, s.x, s.y) for s in mirrored]


def test_scale_divides_die_centres_and_rounds_each_half_up() -> None:
    scale = 1 + Fraction(100, 10**6)
    sites = place_dies(wafer("5 mm", "5 mm", "street"), Written(Fraction(1), scale, False)).sites
    by_name = {(s.col, s.row): s for s in sites}
    # 2.5 mm / 1.0001 = 2499750.02 nm and 7.5 mm / 1.0001 = 7499250.07 nm
    assert (by_name[0, 0].x, by_name[1, 0].x, by_name[-1, 0].x) == (2499750, 7499250, -2499750)


def test_a_scaled_grid_holds_the_dies_whose_written_rectangles_are_inside() -> None:
    # a part 1 % larger than its master: 5 mm dies are 4.950495 mm on it, the circle stays 95 mm
    sites = place_dies(
        wafer("5 mm", "5 mm", "die"), Written(Fraction(1), Fraction(101, 100), False)
    )
    pitch = 5 / 1.01
    expected = {
        (i, j)
        for i in range(-20, 21)
        for j in range(-20, 21)
        if math.hypot((abs(i) + 0.5) * pitch, (abs(j) + 0.5) * pitch) <= 95
    }
    assert {(s.col, s.row) for s in sites.sites} == expected
    assert len(expected) > 1049


def test_an_odd_pitch_on_a_street_corner_rounds_half_up() -> None:
    odd = wafer("1 mm", "5 mm", "street", die_pitch=("5000001 nm", "5000001 nm"))
    by_name = {(s.col, s.row): s for s in place_dies(odd, ONE_NM).sites}
    assert by_name[0, 0].x == 2500001  # 2500000.5
    assert by_name[-1, 0].x == -2500000  # -2500000.5


def test_a_die_pitch_off_the_grid_is_refused() -> None:
    with pytest.raises(InputError, match=r"wafer\.die_pitch: want whole database units"):
        place_dies(wafer("1 mm", "5 mm", "die", die_pitch=("5000000.5 nm", "5 mm")), ONE_NM)


def test_an_edge_exclusion_over_the_whole_wafer_is_refused() -> None:
    with pytest.raises(InputError, match=r"wafer\.edge_exclusion: want less than half"):
        place_dies(wafer("5 mm", "100 mm", "die"), ONE_NM)


def test_a_keep_out_takes_the_dies_it_overlaps_and_not_those_it_touches() -> None:
    # 5 mm dies on the centre: [0, 0] spans -2.5..2.5 mm, so this keep-out covers exactly it
    exact = {"at": ("0 mm", "0 mm"), "size": ("5 mm", "5 mm")}
    wider = {"at": ("0 mm", "0 mm"), "size": ("5.000002 mm", "5 mm")}
    one = place_dies(wafer("5 mm", "5 mm", "die", keep_out=(exact,)), ONE_NM)
    three = place_dies(wafer("5 mm", "5 mm", "die", keep_out=(wider,)), ONE_NM)
    assert one.kept_out == {(0, 0)}
    assert len(one.sites) == 1048
    assert three.kept_out == {(-1, 0), (0, 0), (1, 0)}


def test_a_keep_out_stands_at_its_place_on_the_part_with_its_size_on_the_master() -> None:
    # at 1 % of scale the keep-out's far edge, 40 mm / 1.01 + 5 mm, reaches 44.6 mm on the master
    scale = Fraction(101, 100)
    keep = {"at": ("40 mm", "0 mm"), "size": ("10 mm", "1 mm")}
    found = place_dies(
        wafer("5 mm", "5 mm", "die", keep_out=(keep,)), Written(Fraction(1), scale, False)
    )
    low, high = 40 / 1.01 - 5, 40 / 1.01 + 5
    pitch = 5 / 1.01
    cols = {
        i for i in range(-15, 16) if i * pitch + pitch / 2 > low and i * pitch - pitch / 2 < high
    }
    assert found.kept_out == {(i, 0) for i in cols}


def test_a_wafer_recipe_is_read_with_its_own_scale(wafer_recipe: Callable[..., Recipe]) -> None:
    def scaled(data: dict[str, Any]) -> None:
        data["replication"] = {
            "transfers": "odd",
            "steps": [{"name": "a", "scale": "0.1 ppm"}, {"name": "b", "scale": "0.2 ppm"}],
        }

    written = Written.of(wafer_recipe(scaled), 0.1)
    # exact sums: 0.1 + 0.2 in doubles is not 0.3
    assert written == Written(Fraction(1, 10), 1 + Fraction(3, 10**7), mirrored=True)
