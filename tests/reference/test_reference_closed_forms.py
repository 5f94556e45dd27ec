"""The slow model held against closed forms, so that it can be trusted to judge the package."""

from __future__ import annotations

from math import asin, erf, pi, sin, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import ncx2
from shapely.geometry import Polygon, box

from tests.reference import slow_model as m
from tests.reference.compare import count_dies, octagon_area2

NOWHERE = Path()
TERMS = [
    m.Term("gaussian", 9e3, 1.0),
    m.Term("exponential", 5e3, 1.0),
    m.Term("power", 4e3, 1.0, 2.5),
]


def disc(radius: float, corners: int = 4096) -> Polygon:
    """A regular polygon of the area of the disc."""
    a = 2 * pi * np.arange(corners) / corners
    r = radius * sqrt(2 * pi / corners / sin(2 * pi / corners))
    return Polygon(np.column_stack([r * np.cos(a), r * np.sin(a)]))


def part(
    x: m.Ints, y: m.Ints, diameter: float, pitch: float, row: float, hexagonal: bool
) -> m.Part:
    pillars = m.Pillars(np.zeros(0), np.zeros(0, complex), False, (10.0, 400.0, 1.0))
    return m.Part(
        kind="lens", name="array", die=0, at=(0, 0), layer=(1, 0), x=x, y=y,
        master_nm=np.full(len(x), diameter), pillars=pillars, table=m.BiasTable.none(),
        pitch=pitch, row=row, hexagonal=hexagonal,
    )  # fmt: skip


# --- exposure -----------------------------------------------------------------------------------


@pytest.mark.parametrize("term", TERMS, ids=lambda t: t.kind)
def test_each_term_integrates_to_one_over_the_plane(term: m.Term) -> None:
    # normalisation: 2 pi int K r dr = 1 (Chang 1975 for the Gaussian; elementary integrals)
    value = quad(
        lambda u: (
            2 * pi * u * term.range_nm**2 * float(term.value(np.array([u * term.range_nm]))[0])
        ),
        0,
        np.inf,
    )[0]
    assert value == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("term", TERMS, ids=lambda t: t.kind)
def test_the_laplacian_is_that_of_the_kernel(term: m.Term) -> None:
    # K'' + K'/r by central differences
    r, h = np.array([0.3, 1.0, 2.5]) * term.range_nm, 2.0
    low, mid, high = term.value(r - h), term.value(r), term.value(r + h)
    differences = (low - 2 * mid + high) / h**2 + (high - low) / (2 * h * r)
    assert term.laplacian(r) == pytest.approx(differences, rel=1e-5)


@pytest.mark.parametrize("d, wanted", [(-1, 0.07865), (0, 0.5), (0.5, 0.76025), (1, 0.92135)])
def test_a_half_plane_follows_the_error_function(d: float, wanted: float) -> None:
    # (1 + erf(d/b))/2, Gaussian term over a half plane
    b = 9e3
    half = box(0, -50 * b, 50 * b, 50 * b)
    got = m.polygon_density(half, np.array([d * b]), np.zeros(1), [m.Term("gaussian", b, 1.0)])[0]
    assert got == pytest.approx((1 + erf(d)) / 2, abs=1e-9)
    assert got == pytest.approx(wanted, abs=1e-5)


def test_the_centre_of_a_disc_sees_the_radial_integral() -> None:
    # Gaussian 1 - exp(-R^2/b^2); exponential 1 - (1 + R/b) exp(-R/b); power 1 - (1 + R^2/b^2)^(1-q)
    radius = 7e3
    zero = np.zeros(1)
    for term, wanted in zip(
        TERMS,
        (
            1 - np.exp(-((radius / 9e3) ** 2)),
            1 - (1 + radius / 5e3) * np.exp(-radius / 5e3),
            1 - (1 + (radius / 4e3) ** 2) ** -1.5,
        ),
        strict=True,
    ):
        got = m.polygon_density(disc(radius), zero, zero, [term])[0]
        assert got == pytest.approx(float(wanted), abs=1e-6)


@pytest.mark.parametrize(
    "radius, r, b, wanted", [(1, 1, 1, 0.345746), (1, 1, 0.2, 0.471719), (1, 0.5, 0.5, 0.876619)]
)
def test_a_disc_seen_from_anywhere_is_a_noncentral_chi_square(
    radius: float, r: float, b: float, wanted: float
) -> None:
    # 1 - Q1(sqrt2 r/b, sqrt2 R/b), Marcum's Q
    got = m.polygon_density(
        disc(radius * 1e4), np.array([r * 1e4]), np.zeros(1), [m.Term("gaussian", b * 1e4, 1.0)]
    )[0]
    assert got == pytest.approx(ncx2.cdf(2 * radius**2 / b**2, 2, 2 * r**2 / b**2), abs=2e-6)
    assert got == pytest.approx(wanted, abs=1e-5)


def test_a_polygon_with_a_hole_is_the_outer_less_the_inner() -> None:
    x, y = np.array([0.0, 3e3, 12e3]), np.array([1e3, -2e3, 5e3])
    outer, inner = box(-2e4, -1e4, 2e4, 1e4), box(-4e3, -3e3, 5e3, 3e3)
    ring = m.polygon_density(outer.difference(inner), x, y, TERMS)
    both = m.polygon_density(outer, x, y, TERMS) - m.polygon_density(inner, x, y, TERMS)
    assert ring == pytest.approx(both, abs=1e-10)


def test_many_small_pillars_add_up_to_their_fill() -> None:
    # centre of a square array of side L: fill * erf(L/2b)^2; fill pi d^2/(4 p^2)
    pitch, d, b, side = 400.0, 240.0, 4e3, 101
    x, y = m.sites("square", "site", pitch, pitch, 50 * pitch)
    whole = m.Field([part(x, y, d, pitch, pitch, False)], [m.Term("gaussian", b, 1.0)])
    rho = whole.add(0, 0, np.full(len(x), d))
    centre = int(np.argmin(x**2 + y**2))
    fill = pi * d**2 / (4 * pitch**2)
    assert rho[centre] == pytest.approx(fill * erf(side * pitch / 2 / b) ** 2, abs=1e-6)
    # and the middle of the right edge lies half a pitch inside the array's rim
    edge = int(np.argmin((x - 50 * pitch) ** 2 + y**2))
    wanted = fill * (1 + erf(0.5 * pitch / b)) / 2
    assert rho[edge] == pytest.approx(wanted, abs=2e-4)  # the lattice is not a plate: (p/b)^2 of it


def test_a_hexagonal_array_has_the_fill_of_its_lattice() -> None:
    # pi d^2 / (2 sqrt3 p^2), here with the row step rounded to 1 nm
    pitch, row, d = 400.0, 346.0, 240.0
    x, y = m.sites("hexagonal", "site", pitch, row, 40e3)
    whole = m.Field([part(x, y, d, pitch, row, True)], [m.Term("gaussian", 4e3, 1.0)])
    rho = whole.add(0, 0, np.full(len(x), d))
    centre = int(np.argmin(x**2 + y**2))
    assert rho[centre] == pytest.approx(pi * d**2 / (4 * pitch * row), abs=1e-6)
    assert rho[centre] == pytest.approx(pi * d**2 / (2 * sqrt(3) * pitch**2), abs=5e-4)


@pytest.mark.parametrize("hexagonal", [False, True])
def test_the_lattice_sum_by_transform_is_the_sum_of_pairs(hexagonal: bool) -> None:
    rng = np.random.default_rng(5)
    pitch, row = 400.0, 346.0 if hexagonal else 400.0
    kind = "hexagonal" if hexagonal else "square"
    x, y = m.sites(kind, "gap", pitch, row, 6e3)
    keep = rng.random(len(x)) < 0.8
    a = part(x[keep], y[keep], 200, pitch, row, hexagonal)
    b = part(x + 20013, y - 4007, 200, pitch, row, hexagonal)
    d = rng.uniform(120, 280, len(a.x))
    field = m.Field([a, b], TERMS)
    table = np.array([t.numbers for t in TERMS])
    for target, p in enumerate((a, b)):
        pairs = m._pair_sum(*(v.astype(float) for v in (p.x, p.y, a.x, a.y)), d, table)  # type: ignore[call-arg]
        own = sum(t.own(d) for t in TERMS) if target == 0 else 0.0
        assert field.add(target, 0, d) == pytest.approx(pairs + own, abs=1e-10)


@pytest.mark.parametrize("term", TERMS, ids=lambda t: t.kind)
@pytest.mark.parametrize("away", [0.0, 400.0, 5000.0])
def test_a_pillar_counts_as_the_disc_that_it_is(term: m.Term, away: float) -> None:
    d = 300.0
    one = part(np.array([0, round(away) + 400000]), np.array([0, 0]), d, 400.0, 400.0, False)
    if away == 0:
        got = m.Field([one], [term]).add(0, 0, np.array([d, 1e-9]))[0]
    else:
        at = np.array([away]), np.zeros(1), np.zeros(1), np.zeros(1)
        got = m._pair_sum(*at, np.array([d]), np.array([term.numbers]))[0]
    exact = m.polygon_density(disc(d / 2), np.array([away]), np.zeros(1), [term])[0]
    assert got == pytest.approx(exact, rel=2e-5)


# --- optics -------------------------------------------------------------------------------------


def test_the_lens_phase_is_that_of_the_hyperbola() -> None:
    # f 3 mm, 940 nm, r 0.6 mm: -63.20394 waves (Aieta et al. 2012)
    lens = {
        "wavelength": "940 nm",
        "aperture": "1.2 mm",
        "phase": [{"kind": "focus", "focal_length": "3 mm"}],
    }
    got = m.phase(lens, np.array([6e5]), np.zeros(1), NOWHERE)[0]
    assert got / (2 * pi) == pytest.approx(-63.20394, abs=1e-5)


def test_the_steepest_gradient_of_a_lens_is_its_numerical_aperture() -> None:
    # sin(atan(R/f)); sampling limit lambda/(2 NA)
    lens = {
        "wavelength": "940 nm",
        "aperture": "1.2 mm",
        "phase": [{"kind": "focus", "focal_length": "3 mm"}],
    }
    assert m.numerical_aperture(lens, NOWHERE) == pytest.approx(0.6 / sqrt(0.36 + 9), rel=1e-4)


@pytest.mark.parametrize("j", range(1, 21))
def test_zernike_terms_have_unit_variance_and_do_not_mix(j: int) -> None:
    # ISO 24157; midpoint rule in r^2 and angle
    s, a = np.meshgrid((np.arange(400) + 0.5) / 400, 2 * pi * np.arange(64) / 64)
    z = m.zernike(j, np.sqrt(s), a)
    assert np.mean(z) == pytest.approx(0, abs=1e-4)
    assert np.mean(z * z) == pytest.approx(1, abs=2e-3)
    assert np.mean(z * m.zernike(j + 1, np.sqrt(s), a)) == pytest.approx(0, abs=2e-3)


def test_the_first_zernike_indices_are_those_of_the_standard() -> None:
    # j 1: 2 r sin, 2: 2 r cos, 3: sqrt6 r^2 sin 2a, 4: sqrt3 (2 r^2 - 1), 5: sqrt6 r^2 cos 2a (ISO 24157)
    r, a = np.array([0.7]), np.array([0.4])
    wanted = [
        2 * r * np.sin(a), 2 * r * np.cos(a), sqrt(6) * r**2 * np.sin(2 * a), sqrt(3) * (2 * r**2 - 1),
        sqrt(6) * r**2 * np.cos(2 * a),
    ]  # fmt: skip
    for j, value in enumerate(wanted, 1):
        assert m.zernike(j, r, a) == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize("levels, first, other", [(2, 0.40528, 0.40528), (4, 0.81057, 0.09006), (8, 0.94964, 0.01938), (16, 0.98721, 0.00439)])  # fmt: skip
def test_a_chosen_blaze_has_the_efficiency_of_its_levels(
    levels: int, first: float, other: float
) -> None:
    # sinc^2(1/N) in order 1, sinc^2((1-N)/N) in order 1-N (Swanson 1989); library of N even steps
    t = np.exp(2j * pi * np.arange(levels) / levels)
    pillars = m.Pillars(np.arange(levels) + 100.0, t, False, (1, 400, 1))
    psi = 2 * pi * (np.arange(levels) + 0.01) / levels
    chosen = t[pillars.choose(psi)[0]]
    fine = 4096
    x = (np.arange(levels * fine) + 0.5) / (levels * fine)
    stairs = np.repeat(chosen, fine)
    for order, wanted in ((1, first), (1 - levels, other)):
        assert abs(np.mean(stairs * np.exp(-2j * pi * order * x))) ** 2 == pytest.approx(
            wanted, abs=1e-4
        )
    # the grating equation: one period of N pillars of pitch p sends order 1 to asin(lambda/(N p))
    if levels * 400 > 940:
        angle = asin(940 / (levels * 400))
        lens = {"wavelength": "940 nm", "aperture": "10 um", "phase": [{"kind": "tilt", "angle": f"{np.rad2deg(angle)!r} deg".replace("np.float64(", "").replace(")", ""), "direction": "0 deg"}]}  # fmt: skip
        per_period = m.phase(lens, np.array([levels * 400.0]), np.zeros(1), NOWHERE)[0]
        assert per_period == pytest.approx(2 * pi, abs=1e-9)


def test_a_library_is_cut_where_it_is_steep_or_flagged() -> None:
    library = m.Library(
        np.array([100.0, 102, 104, 106, 108, 110, 112]),
        np.array([0.0, 0.2, 0.4, 2.4, 2.6, 2.8, 3.0]),
        np.ones(7),
        np.array([False, False, False, False, False, True, False]),
    )
    assert library.runs() == [[0, 1, 2], [3, 4], [6]]
    at = np.arange(99.0, 114.0)
    holds = at[~np.isnan(library.transmit(at).real)]
    assert holds.tolist() == [100, 101, 102, 103, 104, 106, 107, 108, 112]
    # an even slope is kept by the cubics
    assert np.angle(library.transmit(np.array([101.0, 107.0]))) == pytest.approx([0.1, 2.5])


def test_coverage_is_a_turn_less_the_widest_gap() -> None:
    t = np.exp(1j * np.array([0.1, 1.0, 2.0, 6.2]))
    pillars = m.Pillars(np.arange(4.0), t, False, (1, 2, 1))
    assert pillars.coverage_rad == pytest.approx(2 * pi - 4.2)


# --- sizes and wafer ----------------------------------------------------------------------------


def test_the_table_is_bilinear_and_clamped() -> None:
    # z = 3 + 10 rho - 0.02 d + 0.1 rho d is bilinear, so the table must give it back
    rho, d = np.array([0.0, 0.2, 0.7]), np.array([100.0, 150, 300])
    plane = 3 + 10 * rho[:, None] - 0.02 * d + 0.1 * rho[:, None] * d
    table = m.BiasTable(rho, d, plane)
    r, s = np.array([0.05, 0.5, 0.7, 0.2]), np.array([101.0, 222, 300, 150])
    assert table(r, s) == pytest.approx(3 + 10 * r - 0.02 * s + 0.1 * r * s)
    assert table(np.array([0.9]), np.array([350.0]))[0] == pytest.approx(plane[2, 2])


def test_halves_round_up_to_the_ladder() -> None:
    discs = m.Pillars(np.zeros(0), np.zeros(0, complex), False, (90.0, 92.0, 0.5))
    rungs = discs.rungs_nm[discs.rung(np.array([80.0, 90.2499, 90.25, 91.75, 99.0]))]
    assert rungs.tolist() == [90, 90, 90.5, 92, 92]
    squares = m.Pillars(np.zeros(0), np.zeros(0, complex), True, (90.0, 96.0, 2.0))
    assert squares.rungs_nm[squares.rung(np.array([93.0 / m.SIDE]))].tolist() == [94 / m.SIDE]


def test_octagons_come_within_a_tenth_of_a_nanometre_of_the_disc() -> None:
    # rms 0.11 nm of diameter on a 1 nm grid, from enumeration of whole corners
    d = np.arange(90.0, 330.5, 0.5)
    made = np.sqrt(np.array([octagon_area2(k) for k in d]) / 2 * 4 / pi)
    assert np.sqrt(np.mean((made - d) ** 2)) < 0.11


@pytest.mark.parametrize(
    "exclusion, die, street, best", [(5, 1049, 1052, 1067), (3, 1101, 1108, 1116)]
)
def test_whole_dies_of_a_200_mm_wafer(exclusion: float, die: int, street: int, best: int) -> None:
    # brute force counts, 5 mm pitch
    radius = 100 - exclusion
    assert len(m.whole_dies(0, 0, (5, 5), radius)) == die
    assert len(m.whole_dies(-2.5, -2.5, (5, 5), radius)) == street
    x = np.linspace(-2.5, 2.49, 500)
    counts = count_dies(x[None, :], x[:, None], (5, 5), radius)
    assert counts.max() >= best
    assert counts[250, 250] == len(m.whole_dies(x[250], x[250], (5, 5), radius))


@pytest.mark.parametrize("centre", ["gap", "site"])
def test_a_hexagonal_lattice_has_six_equal_neighbours(centre: str) -> None:
    x, y = m.sites("hexagonal", centre, 400.0, 346.0, 5e3)
    k = int(np.argmin((x - 0.1) ** 2 + y**2))
    assert abs(y[k]) == 0
    assert x[k] == (200 if centre == "gap" else 0)
    near = np.sort(np.hypot(x - x[k], y - y[k]))[1:7]
    assert near == pytest.approx([399.65] * 4 + [400] * 2, abs=0.01)  # sqrt(200^2 + 346^2)
