"""Every phase term against a formula computed another way, and the symmetries that are claimed."""

from __future__ import annotations

from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pydantic import TypeAdapter
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.special import eval_jacobi

from layoutgen.errors import InputError
from layoutgen.optics.kernel import atan2_turns
from layoutgen.optics.phase import (
    PhaseProgram,
    compile_phase,
    cos_deg,
    covers,
    sin_deg,
    spline_coefficients,
    turns,
    turns_row,
    zernike_orders,
)
from layoutgen.recipe.model import PhaseTerm

FloatArray = NDArray[np.float64]

LAMBDA_NM = 940.0
HALF_NM = 100e3
TERM: TypeAdapter[PhaseTerm] = TypeAdapter(PhaseTerm)


def term(kind: str, **keys: Any) -> PhaseTerm:
    return TERM.validate_python({"kind": kind, **keys})


def program(*terms: PhaseTerm, sampled: dict[str, FloatArray] | None = None) -> PhaseProgram:
    return compile_phase(
        terms, wavelength_nm=LAMBDA_NM, half_aperture_nm=HALF_NM, sampled=sampled or {}
    )


@pytest.fixture
def points() -> tuple[FloatArray, FloatArray]:
    """x and y of 2000 places in the aperture, um."""
    rng = np.random.default_rng(7)
    return rng.uniform(-70, 70, 2000), rng.uniform(-70, 70, 2000)


def radians(of: PhaseProgram, points: tuple[FloatArray, FloatArray]) -> FloatArray:
    return 2 * np.pi * turns(of, *points)


# --- focus, relay, cylinder, axicon -----------------------------------------------------------


def exact_focus_turns(r_um: float, f_nm: float, wavelength_nm: float) -> Decimal:
    """-(sqrt(r^2 + f^2) - f) / lambda in fifty digits."""
    with localcontext() as ctx:
        ctx.prec = 50
        r, f = Decimal(r_um), Decimal(f_nm) / 1000
        return -((r * r + f * f).sqrt() - f) / (Decimal(wavelength_nm) / 1000)


@given(
    r_um=st.floats(1e-3, 5e4),
    f_um=st.integers(5, 100_000),
)
def test_focus_keeps_all_its_digits_from_the_axis_to_the_rim(r_um: float, f_um: int) -> None:
    # Aieta et al., Nano Lett. 12, 4932 (2012), evaluated in 50-digit decimals.
    lens = program(term("focus", focal_length=f"{f_um} um"))
    exact = exact_focus_turns(r_um, 1000.0 * f_um, LAMBDA_NM)
    assert abs(Decimal(float(turns(lens, r_um, 0.0))) / exact - 1) < Decimal("2e-15")


def test_hyperbolic_phase_of_a_3_mm_lens_at_0_6_mm_is_63_20394_waves() -> None:
    # Aieta et al., Nano Lett. 12, 4932 (2012), their phase; value from a fifty-digit evaluation.
    lens = program(term("focus", focal_length="3 mm"))
    assert float(turns(lens, 600.0, 0.0)) == pytest.approx(-63.20394, abs=1e-5)


def test_relay_is_the_sum_of_two_focus_terms(points: tuple[FloatArray, FloatArray]) -> None:
    relay = program(term("relay", object_distance="2 mm", image_distance="300 um"))
    r2 = points[0] ** 2 + points[1] ** 2
    paths = np.sqrt(r2 + 2000**2) - 2000 + np.sqrt(r2 + 300**2) - 300
    np.testing.assert_allclose(turns(relay, *points), -paths / 0.94, rtol=0, atol=1e-11)


def test_cylinder_is_a_focus_in_the_coordinate_along_its_direction(
    points: tuple[FloatArray, FloatArray],
) -> None:
    lens = program(term("cylinder", focal_length="500 um", direction="30 deg"))
    u = points[0] * np.sqrt(3) / 2 + points[1] / 2
    wanted = -(np.sqrt(u**2 + 500**2) - 500) / 0.94
    np.testing.assert_allclose(turns(lens, *points), wanted, rtol=0, atol=1e-11)


def test_axicon_falls_evenly_with_radius(points: tuple[FloatArray, FloatArray]) -> None:
    lens = program(term("axicon", angle="30 deg"))
    wanted = -0.5 * np.hypot(*points) / 0.94
    np.testing.assert_allclose(turns(lens, *points), wanted, rtol=1e-14)


def test_tilt_obeys_the_generalised_snell_law_and_a_rising_phase_steers_to_plus_x() -> None:
    # Yu et al., Science 334, 333 (2011): d(phase)/dx = (2 pi / lambda) n sin(angle).
    lens = program(term("tilt", angle="30 deg", direction="0 deg", index=1.5))
    assert float(turns(lens, 0.94, 0.0) - turns(lens, 0.0, 0.0)) == pytest.approx(0.75, rel=1e-14)
    assert float(turns(lens, 0.0, 5.0)) == 0


def test_polynomial_is_a_series_in_the_squared_radius_over_half_the_aperture(
    points: tuple[FloatArray, FloatArray],
) -> None:
    lens = program(term("polynomial", coefficients=(-40.0, 3.0, 0.0, 0.25)))
    w = (points[0] ** 2 + points[1] ** 2) / 100.0**2
    wanted = -40 * w + 3 * w**2 + 0.25 * w**4
    np.testing.assert_allclose(radians(lens, points), wanted, rtol=0, atol=1e-12)


def test_spiral_turns_its_charge_counter_clockwise(points: tuple[FloatArray, FloatArray]) -> None:
    lens = program(term("spiral", charge=-3))
    wanted = -3 * np.arctan2(points[1], points[0])
    np.testing.assert_allclose(radians(lens, points), wanted, rtol=0, atol=4e-14)


def test_a_centre_moves_the_term_and_terms_add_up(points: tuple[FloatArray, FloatArray]) -> None:
    focus = term("focus", focal_length="400 um", centre=("10 um", "-4 um"))
    wave = term("axicon", angle="5 deg")
    both = turns(program(focus, wave), *points)
    apart = turns(program(term("focus", focal_length="400 um")), points[0] - 10, points[1] + 4)
    np.testing.assert_allclose(both, apart + turns(program(wave), *points), rtol=0, atol=1e-11)


# --- angles -----------------------------------------------------------------------------------


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3))
def test_arctangent_agrees_with_the_library_to_1e_14_rad(y: float, x: float) -> None:
    # numpy's arctan2 is within one unit in the last place.
    assert 2 * np.pi * atan2_turns(y, x) == pytest.approx(np.arctan2(y + 0.0, x + 0.0), abs=1e-14)


def test_arctangent_is_exact_on_the_axes_and_diagonals() -> None:
    around = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1)]
    got = [atan2_turns(float(y), float(x)) for x, y in around]
    assert got == [0, 0.125, 0.25, 0.375, 0.5, -0.375, -0.25, -0.125]
    assert atan2_turns(0.0, 0.0) == 0


def test_sines_of_degrees_are_exact_where_geometry_says_so() -> None:
    assert [sin_deg(a) for a in (0, 30, 90, 150, 180, 210, 270)] == [0, 0.5, 1, 0.5, 0, -0.5, -1]
    assert cos_deg(90) == cos_deg(-270) == 0
    assert sin_deg(45) == cos_deg(45) == -cos_deg(135)


@given(st.floats(-720, 720))
def test_sines_of_degrees_agree_with_the_library(angle_deg: float) -> None:
    assert sin_deg(angle_deg) == pytest.approx(np.sin(np.radians(angle_deg)), abs=4e-15)
    assert cos_deg(angle_deg) == pytest.approx(np.cos(np.radians(angle_deg)), abs=4e-15)


# --- zernike ----------------------------------------------------------------------------------


def test_single_index_runs_through_the_pyramid_of_orders() -> None:
    # ISO 24157:2008 (OSA/ANSI): each radial order from m = -n to n in steps of two.
    pairs = [(n, m) for n in range(12) for m in range(-n, n + 1, 2)]
    assert [zernike_orders(j) for j in range(len(pairs))] == pairs


@pytest.mark.parametrize("j", [*range(28), 40, 66, 77, 230, 377])
def test_zernike_terms_follow_the_jacobi_form(
    j: int, points: tuple[FloatArray, FloatArray]
) -> None:
    # Born & Wolf, Principles of Optics, 9.2: R_n^m = rho^m P_k^(0, m)(2 rho^2 - 1), k = (n-m)/2.
    n, m = zernike_orders(j)
    rho, theta = np.hypot(*points) / 100, np.arctan2(points[1], points[0])
    radial = rho ** abs(m) * eval_jacobi((n - abs(m)) // 2, 0, abs(m), 2 * rho**2 - 1)
    angular = np.cos(m * theta) if m >= 0 else np.sin(-m * theta)
    wanted = np.sqrt((1 if m == 0 else 2) * (n + 1)) * radial * angular
    got = radians(program(term("zernike", coefficients={j: 1.0})), points)
    np.testing.assert_allclose(got, wanted, rtol=0, atol=1e-11)


@pytest.mark.parametrize(
    "j, form",
    [
        (1, lambda x, y: 2 * y),
        (2, lambda x, y: 2 * x),
        (3, lambda x, y: np.sqrt(6) * 2 * x * y),
        (4, lambda x, y: np.sqrt(3) * (2 * (x * x + y * y) - 1)),
        (5, lambda x, y: np.sqrt(6) * (x * x - y * y)),
        (7, lambda x, y: np.sqrt(8) * (3 * (x * x + y * y) - 2) * y),
        (8, lambda x, y: np.sqrt(8) * (3 * (x * x + y * y) - 2) * x),
        (12, lambda x, y: np.sqrt(5) * (6 * (x * x + y * y) ** 2 - 6 * (x * x + y * y) + 1)),
    ],
)
def test_named_aberrations_have_their_tabulated_polynomials(
    j: int, form: Any, points: tuple[FloatArray, FloatArray]
) -> None:
    # The table of ISO 24157:2008 (from memory): tilts, astigmatisms, defocus, comas, spherical.
    got = radians(program(term("zernike", coefficients={j: 0.5}, radius="80 um")), points)
    np.testing.assert_allclose(got, 0.5 * form(points[0] / 80, points[1] / 80), atol=1e-13)


def test_zernike_terms_are_orthonormal_over_the_disc() -> None:
    nodes, weights = np.polynomial.legendre.leggauss(24)  # exact for the squared radius
    rho, theta = np.sqrt((nodes + 1) / 2)[:, None], np.arange(48)[None, :] * 2 * np.pi / 48
    x = (100 * rho * np.cos(theta)).astype(np.float64)
    y = (100 * rho * np.sin(theta)).astype(np.float64)
    area = np.broadcast_to(weights[:, None] / 2 / 48, x.shape).ravel()
    waves = np.array(
        [
            radians(program(term("zernike", coefficients={j: 1.0})), (x, y)).ravel()
            for j in range(45)
        ]
    )
    np.testing.assert_allclose((waves * area) @ waves.T, np.eye(45), atol=1e-12)


def test_a_sum_of_zernike_terms_is_the_sum_of_each(points: tuple[FloatArray, FloatArray]) -> None:
    rng = np.random.default_rng(3)
    coefficients = {j: float(rng.normal()) for j in range(36)}
    together = radians(program(term("zernike", coefficients=coefficients)), points)
    lone = [program(term("zernike", coefficients={j: a})) for j, a in coefficients.items()]
    apart = np.sum([radians(p, points) for p in lone], axis=0)
    np.testing.assert_allclose(together, apart, atol=1e-12)


def test_a_negative_zernike_index_is_refused_with_its_address() -> None:
    with pytest.raises(InputError, match=r"phase\[1\].coefficients: .* got -2"):
        program(term("axicon", angle="1 deg"), term("zernike", coefficients={-2: 1.0}))


# --- samples ----------------------------------------------------------------------------------


@pytest.mark.parametrize("rows, columns", [(4, 4), (5, 9), (31, 22)])
def test_samples_are_joined_by_the_not_a_knot_bicubic_spline(rows: int, columns: int) -> None:
    # scipy's interpolating RectBivariateSpline (Dierckx) leaves out the second knot on each side.
    rng = np.random.default_rng(rows)
    values = rng.normal(size=(rows, columns)).cumsum(axis=0)
    lens = program(
        term("sampled", file="a.npy", pitch="3 um", centre=("2 um", "-1 um")),
        sampled={"a.npy": values},
    )
    xs, ys = (3 * (np.arange(n) - (n - 1) / 2) for n in (columns, rows))
    reference = RectBivariateSpline(ys, xs, values, s=0)
    x, y = rng.uniform(xs[0], xs[-1], 300), rng.uniform(ys[0], ys[-1], 300)
    got = radians(lens, (x + 2, y - 1))
    np.testing.assert_allclose(got, reference(y, x, grid=False), rtol=0, atol=1e-11)


def test_two_sampled_terms_add_up_each_on_its_own_samples() -> None:
    rng = np.random.default_rng(4)
    samples = {"a": rng.normal(size=(5, 9)), "b": rng.normal(size=(6, 7))}
    both = [term("sampled", file=name, pitch="3 um") for name in samples]
    x, y = rng.uniform(-6, 6, 50), rng.uniform(-6, 6, 50)
    apart = sum(radians(program(each, sampled=samples), (x, y)) for each in both)
    np.testing.assert_allclose(
        radians(program(*both, sampled=samples), (x, y)), apart, rtol=0, atol=1e-12
    )


def test_samples_stand_row_by_row_from_the_lowest_y_with_the_middle_on_the_axis() -> None:
    values: FloatArray = (np.arange(20.0) ** 1.5).reshape(4, 5)
    lens = program(term("sampled", file="a", pitch="10 um"), sampled={"a": values})
    x: FloatArray = np.array([[-20.0, -10, 0, 10, 20]])
    y: FloatArray = np.array([[-15.0], [-5], [5], [15]])
    np.testing.assert_allclose(radians(lens, (x, y)), values, atol=1e-12)


def test_spline_along_one_axis_has_not_a_knot_ends() -> None:
    values = np.random.default_rng(1).normal(size=12)
    c = spline_coefficients(values)
    reference = CubicSpline(np.arange(12), values, bc_type="not-a-knot")
    np.testing.assert_allclose((c[2:] - c[:-2]) / 2, reference(np.arange(12), 1), atol=1e-12)
    np.testing.assert_allclose(
        c[2:] - 2 * c[1:-1] + c[:-2], reference(np.arange(12), 2), atol=1e-12
    )


def test_samples_of_a_cubic_give_back_the_cubic() -> None:
    # A not-a-knot spline reproduces any cubic.
    def cubic(x: Any, y: Any) -> Any:
        return (0.02 * x**3 - x**2 + 3) * (0.5 * y**3 - y + 0.1)

    axis = np.arange(9) - 4.0
    lens = program(
        term("sampled", file="a", pitch="1 um"),
        sampled={"a": cubic(axis[None, :], axis[:, None])},
    )
    x, y = np.linspace(-4, 4, 57)[None, :], np.linspace(-4, 4, 33)[:, None]
    np.testing.assert_allclose(radians(lens, (x, y)), cubic(x, y), atol=1e-10)


@pytest.mark.parametrize(
    "values, sentence",
    [
        (np.zeros((3, 9)), r"phase\[0\].file: want 4 x 4 samples or more, got shape \(3, 9\)"),
        (np.full((5, 5), np.nan), r"phase\[0\].file: want finite samples, got 25 that are not"),
    ],
)
def test_samples_that_carry_no_spline_are_refused(values: FloatArray, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        program(term("sampled", file="a", pitch="1 um"), sampled={"a": values})


def test_samples_must_reach_the_end_of_the_collar() -> None:
    terms = [term("sampled", file="a", pitch="1 um", centre=("0 um", "5 um"))]
    samples = {"a": np.zeros((241, 221))}  # +-120 um in y, +-110 um in x
    reach: dict[str, Any] = {"half_aperture_nm": HALF_NM, "collar_nm": 10e3, "sampled": samples}
    assert covers(terms, **reach) == ()
    short = covers(terms, **{**reach, "collar_nm": 12e3})
    assert [s.split(",")[0] for s in short] == [
        "phase[0].file: want samples over +-112 um in x (aperture and collar)"
    ]
    moved = [term("sampled", file="a", pitch="1 um", centre=("0 um", "11 um"))]
    assert "+-121 um in y" in covers(moved, **reach)[0]


# --- symmetry and bits ------------------------------------------------------------------------

ANGLES = st.sampled_from(
    ["0 deg", "45 deg", "90 deg", "135 deg", "180 deg", "225 deg", "270 deg", "30 deg", "-17 deg"]
)
CENTRES = st.sampled_from(
    [("0 um", "0 um"), ("0 um", "3.3 um"), ("-7.1 um", "0 um"), ("2.7 um", "2.7 um")]
)
TERMS = st.one_of(
    st.builds(lambda c: term("focus", focal_length="120 um", centre=c), CENTRES),
    st.builds(
        lambda c: term("relay", object_distance="90 um", image_distance="1 mm", centre=c), CENTRES
    ),
    st.builds(lambda c: term("polynomial", coefficients=(3.0, -0.7, 0.1), centre=c), CENTRES),
    st.builds(lambda d, c: term("tilt", angle="4 deg", direction=d, centre=c), ANGLES, CENTRES),
    st.builds(lambda q: term("spiral", charge=q), st.integers(-2, 2)),
    st.builds(
        lambda d, c: term("cylinder", focal_length="150 um", direction=d, centre=c),
        ANGLES,
        CENTRES,
    ),
    st.builds(lambda c: term("axicon", angle="7 deg", centre=c), CENTRES),
    st.builds(
        lambda j, c: term("zernike", coefficients=dict.fromkeys(j, 0.77), centre=c),
        st.lists(st.integers(0, 44), min_size=1, max_size=3),
        CENTRES,
    ),
)
# sites of a lattice of 0.37 um with the axis between four of them
PLACES = (np.arange(-24, 24) + 0.5) * 0.37


@settings(max_examples=300)
@given(st.lists(TERMS, min_size=1, max_size=3))
def test_claimed_symmetries_hold_bit_for_bit(terms: list[PhaseTerm]) -> None:
    lens = program(*terms)
    phase = turns(lens, PLACES[None, :], PLACES[:, None])
    if lens.mirror_x:
        assert np.array_equal(phase, phase[:, ::-1])
    if lens.mirror_y:
        assert np.array_equal(phase, phase[::-1])
    if lens.diagonal:
        assert np.array_equal(phase, phase.T)
    if lens.radial:
        assert lens.mirror_x
        assert lens.mirror_y
        assert lens.diagonal


@settings(max_examples=100)
@given(TERMS.filter(lambda t: t.centre_nm == (0, 0)))
def test_all_symmetries_of_a_centred_term_are_claimed(one: PhaseTerm) -> None:
    lens = program(one)
    phase = turns(lens, PLACES[None, :], PLACES[:, None])
    assert lens.mirror_x == np.allclose(phase, phase[:, ::-1], rtol=0, atol=1e-12)
    assert lens.mirror_y == np.allclose(phase, phase[::-1], rtol=0, atol=1e-12)
    assert lens.diagonal == np.allclose(phase, phase.T, rtol=0, atol=1e-12)


def test_only_terms_of_the_radius_on_the_axis_are_radial() -> None:
    focus = term("focus", focal_length="1 mm")
    round_terms = [focus, term("zernike", coefficients={4: 1.0, 12: 2.0})]
    assert program(*round_terms).radial
    assert not program(*round_terms, term("zernike", coefficients={14: 1.0})).radial
    assert not program(term("focus", focal_length="1 mm", centre=("1 nm", "0 nm"))).radial
    assert program(focus, term("spiral", charge=0), term("tilt", angle="0 deg", direction="9 deg")).radial  # fmt: skip


@given(st.lists(TERMS, min_size=1, max_size=3), st.integers(1, 47))
def test_cutting_a_row_changes_no_bit(terms: list[PhaseTerm], cut: int) -> None:
    lens = program(*terms)
    out, work = np.zeros(48), np.zeros(48)
    tables = lens.kinds, lens.params, lens.tables
    turns_row(*tables, PLACES, 1.295, work, out)
    pieces = np.zeros(48)
    for part in (slice(0, cut), slice(cut, 48)):
        turns_row(*tables, PLACES[part].copy(), 1.295, work[part], pieces[part])
    assert np.array_equal(out, pieces)


def test_points_and_grids_give_the_same_bits(points: tuple[FloatArray, FloatArray]) -> None:
    lens = program(term("focus", focal_length="300 um"), term("spiral", charge=1))
    x, y = points[0][:50], points[1][:40]
    grid = turns(lens, x[None, :], y[:, None])
    assert np.array_equal(grid, turns(lens, *np.meshgrid(x, y)))
    assert turns(lens, 1.0, 2.0).shape == ()
