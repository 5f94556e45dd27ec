"""Where light meets behind a lens: closed forms of lenses with and without a focus."""

from __future__ import annotations

import math
from typing import Any

import pytest
from pydantic import TypeAdapter

from layoutgen.optics.convergence import Convergence, convergence, mean_square_sine
from layoutgen.optics.phase import PhaseProgram, compile_phase
from layoutgen.recipe.model import PhaseTerm

FOCUS = {"kind": "focus", "focal_length": "3 mm"}
ADAPTER: TypeAdapter[PhaseTerm] = TypeAdapter(PhaseTerm)


def program(*terms: dict[str, Any], wavelength_nm: float = 940) -> PhaseProgram:
    return compile_phase(
        [ADAPTER.validate_python(term) for term in terms],
        wavelength_nm=wavelength_nm, half_aperture_nm=300e3, sampled={},
    )  # fmt: skip


def meet(*terms: dict[str, Any], wavelength_um: float = 0.94, **more: Any) -> Convergence:
    return convergence(program(*terms), 300.0, wavelength_um=wavelength_um, **more)


def test_a_focus_meets_at_its_focal_length() -> None:
    found = meet(FOCUS)
    assert found.kind == "point"
    assert found.focus_um == pytest.approx((0, 0, 3000), abs=1e-6)
    assert found.focus_um is not None
    assert found.focus_um[:2] == (0, 0)  # exactly: a mirror forbids even a rounding
    assert found.wavefront_rad < 1e-6


@pytest.mark.parametrize("wavelength_um", [0.8, 0.9, 1.0, 1.1])
def test_focal_length_goes_with_one_over_the_wavelength(wavelength_um: float) -> None:
    # a fixed phase map, f / 5: f = f0 lambda0 / lambda (diffractive optics textbooks; paraxial)
    found = meet(FOCUS, wavelength_um=wavelength_um)
    assert found.focus_um is not None
    assert found.focus_um[2] == pytest.approx(3000 * 0.94 / wavelength_um, rel=5e-3)


def test_oblique_light_meets_beside_the_axis() -> None:
    # paraxial: f tan(theta) off the axis; generalised Snell: light tilted to +x goes to +x
    sine = math.sin(math.radians(2))
    found = meet(FOCUS, tilt=(sine / 0.94, 0.0))
    assert found.focus_um is not None
    assert found.focus_um[0] == pytest.approx(3000 * math.tan(math.radians(2)), rel=5e-3)
    assert found.focus_um[1] == 0


def test_light_oblique_in_both_directions_keeps_its_sides_and_its_wavefront() -> None:
    # generalised Snell: the chief ray keeps both of its sines
    sine = math.sin(math.radians(2))
    found = meet(FOCUS, tilt=(sine / 0.94, -sine / 2 / 0.94))
    swapped = meet(FOCUS, tilt=(-sine / 2 / 0.94, sine / 0.94))
    assert found.focus_um is not None
    assert swapped.focus_um is not None
    cos = math.sqrt(1 - 1.25 * sine**2)
    assert found.focus_um[:2] == pytest.approx((3000 * sine / cos, -1500 * sine / cos), rel=1e-2)
    assert swapped.focus_um == pytest.approx(
        (found.focus_um[1], found.focus_um[0], found.focus_um[2]), rel=1e-3
    )
    assert found.wavefront_rad == pytest.approx(swapped.wavefront_rad, rel=1e-2)
    assert found.wavefront_rad < 1.0


@pytest.mark.parametrize("sines", [(1.2, 0.0), (-1.2, 0.0), (0.0, 1.2), (0.0, -1.2), (0.9, -0.9)])
def test_light_more_oblique_than_grazing_does_not_leave(sines: tuple[float, float]) -> None:
    # generalised Snell: a sine over 1 belongs to no wave that leaves
    found = meet(FOCUS, tilt=(sines[0] / 0.94, sines[1] / 0.94))
    assert found.kind == "none"
    assert "cannot leave" in found.reason
    grazing = meet(FOCUS, tilt=(sines[0] / 3 / 0.94, sines[1] / 3 / 0.94))
    assert "cannot leave" not in grazing.reason


def test_a_relay_images_its_object_point() -> None:
    relay = {"kind": "relay", "object_distance": "5 mm", "image_distance": "4 mm"}
    found = meet(relay, source=(0.0, 0.0, 5000.0, 0.94))
    assert found.focus_um == pytest.approx((0, 0, 4000), abs=1e-6)
    assert found.wavefront_rad < 1e-6


def test_a_zernike_term_leaves_its_own_variance() -> None:
    # ISO 24157: j = 12 is normalised to unit variance and orthogonal to focus and piston
    found = meet(FOCUS, {"kind": "zernike", "coefficients": {12: 0.4}})
    assert found.wavefront_rad == pytest.approx(0.4, rel=1e-3)


@pytest.mark.parametrize(
    "terms, reason",
    [
        ([{"kind": "tilt", "angle": "5 deg", "direction": "0 deg"}], "side by side"),
        ([{"kind": "axicon", "angle": "5 deg"}], "best point"),
        ([{"kind": "cylinder", "focal_length": "3 mm", "direction": "0 deg"}], "best point"),
        ([{"kind": "spiral", "charge": 2}], "side by side"),
        ([{"kind": "polynomial", "coefficients": [300]}], "spread out"),
    ],
)  # fmt: skip
def test_lenses_without_a_focus_say_so(terms: list[dict[str, Any]], reason: str) -> None:
    found = meet(*terms)
    assert found.kind == "none"
    assert found.focus_um is None
    assert reason in found.reason


def test_a_spiral_makes_a_ring_and_leaves_the_focus_where_it_is() -> None:
    found = meet(FOCUS, {"kind": "spiral", "charge": 3})
    assert found.kind == "ring"
    assert found.focus_um == pytest.approx((0, 0, 3000), abs=1e-6)


def test_mean_square_sine_of_a_paraxial_lens_is_half_the_rims() -> None:
    # sin = r / f over an even disc: the mean of r^2 is R^2 / 2
    found = mean_square_sine(program({"kind": "polynomial", "coefficients": [-50]}), 300.0, 0.94)
    rim = 2 * 50 / 300 / (2 * math.pi) * 0.94
    assert found == pytest.approx(rim**2 / 2, rel=1e-3)


@pytest.mark.parametrize("term", [{7: 0.3}, {5: 0.5}, {12: 0.3}])
def test_a_small_lens_with_a_small_error_has_a_focus(term: dict[int, float]) -> None:
    # its rays miss each other by 15 to 29 % of the radius, and by less than a spot: lambda / NA is 57 % of it
    found = convergence(
        program(
            {"kind": "focus", "focal_length": "60 um"},
            {"kind": "zernike", "coefficients": term, "radius": "10 um"},
        ),
        10.0,
        wavelength_um=0.94,
    )
    assert found.spread > 0.1
    assert found.kind == "point"
    # unit variance over the disc, and a sphere cannot take much of these terms away
    (planted,) = term.values()
    assert 0.8 * planted < found.wavefront_rad < 1.01 * planted
