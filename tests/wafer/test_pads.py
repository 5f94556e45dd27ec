"""Pads: squares and patches where their description puts them, on both lattices, mirrored or not."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from layoutgen.lattice import Lattice, Window
from layoutgen.recipe.model import Backscatter, DensityPad, UniformPad
from layoutgen.wafer.pads import beta_nm, core_sites, density_patches, row_of_squares

NM = Fraction(1)


def uniform(count: int, size: str) -> UniformPad:
    return UniformPad.model_validate(
        {
            "name": "cd",
            "kind": "uniform",
            "diameters": tuple(f"{100 + 10 * k} nm" for k in range(count)),
            "size": size,
        }
    )


def density(probes: int, densities: tuple[float, ...]) -> DensityPad:
    return DensityPad.model_validate(
        {
            "name": "ladder",
            "kind": "density",
            "probes": tuple(f"{100 + 10 * k} nm" for k in range(probes)),
            "densities": densities,
        }
    )


def terms(*ranges: str) -> tuple[Backscatter, ...]:
    return tuple(
        Backscatter.model_validate({"term": "gaussian", "range": r, "ratio": 0.5}) for r in ranges
    )


def test_uniform_squares_run_left_to_right_and_are_centred() -> None:
    squares = row_of_squares(uniform(5, "60 um"), NM, mirrored=False)
    assert [s.diameter_nm for s in squares] == [100, 110, 120, 130, 140]
    assert [(s.x_low, s.x_high) for s in squares] == [
        (-150_000, -90_000), (-90_000, -30_000), (-30_000, 30_000), (30_000, 90_000), (90_000, 150_000)
    ]  # fmt: skip
    assert {(s.y_low, s.y_high) for s in squares} == {(-30_000, 30_000)}


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_every_site_of_the_row_belongs_to_exactly_one_square(kind: str, mirrored: bool) -> None:
    # 2000 nm squares on a 400 nm gap lattice: edges at odd multiples of 1000 nm meet site centres
    lattice = Lattice(kind, 400, 400 if kind == "square" else 346, "gap")
    x, y = lattice.sites_dbu(Window(-20, -20, 41, 41))
    squares = row_of_squares(uniform(3, "2 um"), NM, mirrored=mirrored)
    owners = sum(s.holds(x, y).astype(int) for s in squares)
    inside = (np.abs(y) < 1000) | (y == -1000)
    inside &= (np.abs(x) < 3000) | (x == (3000 if mirrored else -3000))
    assert np.array_equal(owners, inside.astype(int))


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
def test_a_mirrored_uniform_pad_is_the_mirror_image(kind: str) -> None:
    lattice = Lattice(kind, 400, 400 if kind == "square" else 346, "gap")
    x, y = lattice.sites_dbu(Window(-20, -20, 41, 41))
    plain = row_of_squares(uniform(3, "2 um"), NM, mirrored=False)
    mirrored = row_of_squares(uniform(3, "2 um"), NM, mirrored=True)
    for a, b in zip(plain, mirrored, strict=True):
        assert a.diameter_nm == b.diameter_nm
        assert np.array_equal(a.holds(x, y), b.holds(-x, y))
    assert mirrored[0].x_low > mirrored[-1].x_low  # the first diameter is now on the right


def test_patches_are_5_beta_wide_and_4_beta_apart_lowest_density_at_the_bottom() -> None:
    patches = density_patches(
        density(3, (0.4, 0.1)), NM, beta=9000.0, pitch_nm=400.0, mirrored=False
    )
    assert {p.half for p in patches} == {22_500.0}
    assert [(p.probe_nm, p.density, p.x, p.y) for p in patches] == [
        (100, 0.1, -81_000, -40_500), (110, 0.1, 0, -40_500), (120, 0.1, 81_000, -40_500),
        (100, 0.4, -81_000, 40_500), (110, 0.4, 0, 40_500), (120, 0.4, 81_000, 40_500),
    ]  # fmt: skip
    first, second = patches[0], patches[1]
    assert (second.x - second.half) - (first.x + first.half) == 4 * 9000


@pytest.mark.parametrize(
    ("pitch_nm", "beta", "sites"),
    [
        (400.0, 9000.0, 11),
        (400.0, 4400.0, 11),  # 11 x 400 nm is just beta
        (400.0, 4399.0, 9),
        (400.0, 3000.0, 7),
        (400.0, 2000.0, 5),
        (400.0, 100.0, 5),  # never fewer
    ],
)
def test_cores_shrink_to_fit_into_beta(pitch_nm: float, beta: float, sites: int) -> None:
    assert core_sites(pitch_nm, beta) == sites


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_core_is_eleven_rows_of_eleven_sites_around_a_pillar(kind: str, mirrored: bool) -> None:
    lattice = Lattice(kind, 400, 400 if kind == "square" else 346, "site")
    (patch,) = density_patches(
        density(1, (0.2,)), NM, beta=9000.0, pitch_nm=400.0, mirrored=mirrored
    )
    window = Window(-70, -70, 141, 141)
    rows = np.arange(-70, 71)[:, None] + np.zeros((1, 141), dtype=np.int64)
    cols = np.arange(-70, 71)[None, :] + np.zeros((141, 1), dtype=np.int64)
    core = patch.in_core(rows, cols, hexagonal=lattice.hexagonal)
    assert core.sum() == 121
    assert set(core.sum(axis=1).tolist()) == {0, 11}
    assert core[70, 70]  # the pillar at the patch's centre
    x, y = lattice.sites_dbu(window)
    assert patch.holds(x, y)[core].all()


def test_a_mirrored_hexagonal_core_is_the_mirror_image() -> None:
    lattice = Lattice("hexagonal", 400, 346, "site")
    x, y = lattice.sites_dbu(Window(-8, -8, 17, 17))
    rows, cols = np.mgrid[-8:9, -8:9]
    cores = []
    for mirrored in (False, True):
        (patch,) = density_patches(
            density(1, (0.2,)), NM, beta=9000.0, pitch_nm=400.0, mirrored=mirrored
        )
        core = patch.in_core(rows, cols, hexagonal=True)
        sign = -1 if mirrored else 1
        cores.append({(sign * int(a), int(b)) for a, b in zip(x[core], y[core], strict=True)})
    assert cores[0] == cores[1]
    # an odd row of the lattice starts half a pitch to the right, and so does the core's
    assert {a for a, b in cores[0] if b == 346} == {400 * k + 200 for k in range(-5, 6)}


def test_mirrored_patches_stand_at_the_negated_place() -> None:
    args: dict[str, Any] = {"beta": 9001.0, "pitch_nm": 400.0}
    plain = density_patches(density(2, (0.1, 0.2)), NM, mirrored=False, **args)
    mirrored = density_patches(density(2, (0.1, 0.2)), NM, mirrored=True, **args)
    assert [(-p.x, p.y, p.probe) for p in plain] == [(p.x, p.y, p.probe) for p in mirrored]
    # 4.5 beta is 40504.5 steps: half up on both sides, before the mirror
    assert [p.x for p in plain[:2]] == [-40504, 40505]


@pytest.mark.parametrize(
    ("ranges", "beta"),
    [
        (("9 um",), 9e3),
        (("9 um", "50 um", "1 mm"), 5e4),
        (("9 um", "50.001 um"), 9e3),
        (("1 mm", "70 um"), 7e4),
        ((), None),
    ],
)
def test_beta_is_the_longest_range_up_to_50_um_or_else_the_shortest(
    ranges: tuple[str, ...], beta: float | None
) -> None:
    assert beta_nm(terms(*ranges)) == beta
