"""Steepest gradients, the limits that they set to a lattice, and beam deflectors."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import TypeAdapter

from layoutgen.errors import InputError
from layoutgen.optics.gradient import gradient, max_gradient, rim_gradient
from layoutgen.optics.phase import PhaseProgram, compile_phase, turns
from layoutgen.optics.sampling import (
    deflection_angle_deg,
    deflector_program,
    lattice_vector_nm,
    sampling,
)
from layoutgen.recipe.model import PhaseTerm

TERM: TypeAdapter[PhaseTerm] = TypeAdapter(PhaseTerm)
SQUARE: dict[str, Any] = {"kind": "square", "pitch_nm": 400.0, "row_nm": 400.0}
HEXAGONAL: dict[str, Any] = {"kind": "hexagonal", "pitch_nm": 400.0, "row_nm": 346.0}


def program(*terms: dict[str, Any], half_um: float = 600.0, **samples: Any) -> PhaseProgram:
    return compile_phase(
        [TERM.validate_python(t) for t in terms],
        wavelength_nm=940.0,
        half_aperture_nm=1000 * half_um,
        sampled=samples,
    )


FOCUS: dict[str, Any] = {"kind": "focus", "focal_length": "3 mm"}
MIXED: list[dict[str, Any]] = [
    FOCUS,
    {"kind": "relay", "object_distance": "5 mm", "image_distance": "2 mm"},
    {"kind": "polynomial", "coefficients": (50.0, -30.0, 5.0)},
    {"kind": "tilt", "angle": "3 deg", "direction": "50 deg"},
    {"kind": "cylinder", "focal_length": "4 mm", "direction": "20 deg", "centre": ("9 um", "0 um")},
    {"kind": "axicon", "angle": "2 deg", "centre": ("1 um", "2 um")},
    {"kind": "zernike", "coefficients": dict.fromkeys(range(28), 0.5)},
    {"kind": "sampled", "file": "a", "pitch": "30 um"},
]
SAMPLES = np.random.default_rng(2).normal(size=(44, 46)).cumsum(axis=1)


@pytest.mark.parametrize("term", MIXED, ids=lambda t: t["kind"])
def test_gradients_are_the_slopes_of_the_phase(term: dict[str, Any]) -> None:
    lens = program(term, a=SAMPLES)
    rng = np.random.default_rng(4)
    x, y = rng.uniform(-400, 400, 200), rng.uniform(-400, 400, 200)
    gx, gy = gradient(lens, x, y)
    h = 1e-3  # um; a central difference is good to h^2 and to rounding / h
    np.testing.assert_allclose(gx, (turns(lens, x + h, y) - turns(lens, x - h, y)) / (2 * h), atol=1e-7)  # fmt: skip
    np.testing.assert_allclose(gy, (turns(lens, x, y + h) - turns(lens, x, y - h)) / (2 * h), atol=1e-7)  # fmt: skip


def test_a_spiral_has_no_part_in_the_steepest_gradient() -> None:
    spiral = {"kind": "spiral", "charge": 5}
    assert max_gradient(program(FOCUS, spiral), 600.0) == max_gradient(program(FOCUS), 600.0)
    assert max_gradient(program(spiral), 600.0) == 0


def test_numerical_aperture_of_a_focus_is_the_sine_of_its_rim_angle() -> None:
    # Generalised Snell law, Yu et al., Science 334, 333 (2011): sin(atan(R / f)).
    lens = program(FOCUS)
    wanted = np.sin(np.arctan(600 / 3000))
    assert 0.94 * max_gradient(lens, 600.0) == pytest.approx(wanted, rel=1e-12)
    assert 0.94 * rim_gradient(lens, 600.0) == pytest.approx(wanted, rel=1e-12)
    # two terms go through the search, and half a focus twice is not a closed form
    pair = program(FOCUS, {"kind": "polynomial", "coefficients": (0.0, 1e-9)})
    assert 0.94 * max_gradient(pair, 600.0) == pytest.approx(wanted, rel=1e-9)


def test_an_off_centre_focus_is_steepest_on_the_far_side() -> None:
    moved = program({**FOCUS, "centre": ("30 um", "-40 um")})
    assert 0.94 * max_gradient(moved, 600.0) == pytest.approx(650 / np.hypot(650, 3000), rel=1e-12)


@pytest.mark.parametrize("direction", [0, 35, 90, 160])
def test_an_off_centre_cylinder_is_steepest_where_the_aperture_is_farthest_from_its_axis(
    direction: float,
) -> None:
    # generalised Snell at the aperture's point farthest across the line through (30, -40) um
    moved = program(
        {"kind": "cylinder", "focal_length": "3 mm", "direction": f"{direction} deg",
         "centre": ("30 um", "-40 um")}
    )  # fmt: skip
    angle = np.radians(direction)
    far = 600 + abs(30 * np.cos(angle) - 40 * np.sin(angle))
    assert 0.94 * max_gradient(moved, 600.0) == pytest.approx(far / np.hypot(far, 3000), rel=1e-9)


def test_the_search_finds_a_maximum_inside_the_aperture() -> None:
    # d/dr of a w - b w^2 with w = (r/R)^2 is largest at r = R sqrt(a / (6 b)).
    a, b = 200.0, 150.0
    lens = program({"kind": "polynomial", "coefficients": (a, -b)})
    u = np.sqrt(a / (6 * b))
    wanted = max(abs(2 * a * u - 4 * b * u**3), abs(2 * a - 4 * b)) / 600 / (2 * np.pi)
    assert max_gradient(lens, 600.0) == pytest.approx(wanted, rel=1e-9)
    # a saddle lifts it off the centre: x astigmatism makes the x slope steeper
    steep = program({"kind": "zernike", "coefficients": {4: 20.0, 5: 10.0}})
    slope = 20 * np.sqrt(3) * 4 + 10 * np.sqrt(6) * 2
    assert max_gradient(steep, 600.0) == pytest.approx(slope / 600 / (2 * np.pi), rel=1e-9)


def test_the_search_agrees_with_a_brute_force_map_of_a_mixed_phase() -> None:
    lens = program(*MIXED, a=SAMPLES)
    axis = np.linspace(-600, 600, 1001)
    steep = np.hypot(*gradient(lens, axis[None, :], axis[:, None]))
    steep[axis[None, :] ** 2 + axis[:, None] ** 2 > 600**2] = 0
    found = max_gradient(lens, 600.0)
    assert steep.max() <= found <= steep.max() * (1 + 1e-3)


def test_the_search_climbs_from_where_the_map_is_steep() -> None:
    # A exp(-r^2 / s^2) about a place off both axes and diagonals is steepest at r = s / sqrt(2): A sqrt(2 / e) / s
    at = 10.0 * np.arange(-65, 66)
    hill = 30 * np.exp(-((at[None, :] - 250) ** 2 + (at[:, None] + 60) ** 2) / 90.0**2)
    lens = program({"kind": "sampled", "file": "a", "pitch": "10 um"}, a=hill)
    wanted = 30 * np.sqrt(2 / np.e) / 90 / (2 * np.pi)
    assert max_gradient(lens, 600.0) == pytest.approx(wanted, rel=1e-4)


# --- the lattice's limits ---------------------------------------------------------------------


def limits(lens: PhaseProgram, lattice: dict[str, Any], index: float | None = None) -> Any:
    return sampling(
        lens, wavelength_nm=940.0, half_aperture_nm=600e3, substrate_index=index, **lattice
    )


def test_sampling_limits_follow_from_the_numerical_aperture() -> None:
    # Nyquist on the local gradient: lambda / (2 NA); zone width lambda / sin(theta).
    na = 1 / np.sqrt(26)
    got = limits(program(FOCUS), SQUARE, 1.45)
    assert got.na == pytest.approx(na, rel=1e-9)
    assert got.nyquist_pitch_nm == pytest.approx(470 / na, rel=1e-9)
    assert got.substrate_limit_nm == pytest.approx(940 / (1.45 + na), rel=1e-9)
    assert got.zone_width_nm == pytest.approx(940 / na, rel=1e-6)
    assert got.pillars_per_zone == pytest.approx(940 / na / 400, rel=1e-6)
    assert (got.problems, got.warnings) == ((), ())


def test_zone_width_is_the_distance_in_which_the_phase_falls_by_a_turn_at_the_rim() -> None:
    lens = program(FOCUS)
    width_um = limits(lens, SQUARE).zone_width_nm / 1000
    edges = 600 + np.array([-0.5, 0.5]) * width_um
    assert np.ptp(turns(lens, edges, 0.0)) == pytest.approx(1, abs=1e-5)


def test_a_pitch_at_the_sampling_limit_is_refused_and_one_below_is_not() -> None:
    # index 1, 90 degrees: NA is 1 exactly and the limit 470 nm
    lens = program({"kind": "tilt", "angle": "90 deg", "direction": "0 deg"})
    at = limits(lens, {"kind": "square", "pitch_nm": 470.0, "row_nm": 470.0})
    (problem,) = at.problems
    assert problem == (
        "lattice.pitch: want a pitch below lambda / (2 NA) = 470.0 nm for NA 1.0000 at 940 nm,"
        " got 470 nm"
    )
    below = limits(lens, {"kind": "square", "pitch_nm": 469.0, "row_nm": 469.0})
    assert below.problems == ()


def test_a_hexagonal_lattice_is_held_to_its_row_step() -> None:
    lens = program({"kind": "tilt", "angle": "90 deg", "direction": "0 deg"})
    assert limits(lens, {"kind": "hexagonal", "pitch_nm": 540.0, "row_nm": 468.0}).problems == ()
    refused = limits(lens, {"kind": "hexagonal", "pitch_nm": 544.0, "row_nm": 471.0}).problems
    assert "row step below lambda / (2 NA) = 470.0 nm (pitch below 542.8 nm)" in refused[0]


def test_substrate_orders_are_warned_of_when_the_index_is_known() -> None:
    coarse = {"kind": "square", "pitch_nm": 600.0, "row_nm": 600.0}
    assert limits(program(FOCUS), coarse).warnings == ()
    (warning,) = limits(program(FOCUS), coarse, 1.45).warnings
    assert "600 nm is above lambda / (n_s + NA) = 571.0 nm" in warning


# --- deflectors -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "period, lattice, vector",
    [
        ((8, 0), SQUARE, (3200, 0)),
        ((3, -2), SQUARE, (1200, -800)),
        ((6, 0), HEXAGONAL, (2400, 0)),
        ((-2, 4), HEXAGONAL, (0, 1384)),
    ],
)
def test_deflectors_rise_by_one_turn_along_their_lattice_vector(
    period: tuple[int, int], lattice: dict[str, Any], vector: tuple[float, float]
) -> None:
    assert lattice_vector_nm(period, **lattice) == vector
    beam = deflector_program(period, **lattice)
    v = np.array(vector) / 1000
    start = turns(beam, 0.3, 0.7)
    assert turns(beam, 0.3 + v[0], 0.7 + v[1]) - start == pytest.approx(1, abs=1e-9)
    assert turns(beam, 0.3 - v[1], 0.7 + v[0]) - start == pytest.approx(0, abs=1e-9)


def test_every_period_of_a_deflector_has_the_same_bins() -> None:
    # Eight sites between -8 and 8: phases (k + 1/2) / 8, on edges of the bins but for rounding.
    beam = deflector_program((8, 0), **SQUARE)
    x = (np.arange(-4000, 4000) + 0.5) * 0.4
    wrapped = np.mod(turns(beam, x, 0.0), 1).reshape(-1, 8)
    assert np.array_equal(wrapped, np.broadcast_to((np.arange(8) + 0.5) / 8, wrapped.shape))


def test_mirrors_of_a_deflector_are_those_of_its_direction() -> None:
    along_x, along_y = (deflector_program(p, **SQUARE) for p in ((8, 0), (0, 8)))
    assert (along_x.mirror_x, along_x.mirror_y) == (False, True)
    assert (along_y.mirror_x, along_y.mirror_y) == (True, False)
    assert deflector_program((5, 5), **SQUARE).diagonal


def test_the_first_order_leaves_at_the_angle_of_the_grating_equation() -> None:
    # sin(theta) = lambda / (N p)
    angle = deflection_angle_deg((8, 0), wavelength_nm=940.0, **SQUARE)
    assert angle == pytest.approx(np.degrees(np.arcsin(940 / 3200)), abs=1e-6)


def test_periods_that_deflect_nothing_are_refused() -> None:
    with pytest.raises(InputError, match=r"other than \[0, 0\]"):
        deflector_program((0, 0), **SQUARE)
    with pytest.raises(InputError, match="no first order into air"):
        deflection_angle_deg((2, 0), wavelength_nm=940.0, **SQUARE)
    with pytest.raises(InputError, match="sends no first order into air"):
        deflection_angle_deg(
            (2, 0), wavelength_nm=800.0, **SQUARE
        )  # it would run along the surface
    assert deflection_angle_deg((2, 0), wavelength_nm=799.0, **SQUARE) < 90
