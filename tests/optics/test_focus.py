"""The field at a focus: against direct sums, and a uniform pupil against the textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import j0, j1

from layoutgen.optics.focus import Beam, FocalField, LensSum, interpolation
from layoutgen.optics.spot import (
    Spot,
    best_focus,
    depth_of_focus_um,
    encircled_power,
    full_width_um,
    image,
    mtf,
    spot_at,
    strehl,
)

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def sites(half: int, pitch: float) -> FloatArray:
    """Places of 2 half sites about 0."""
    end = (half - 0.5) * pitch
    return np.linspace(-end, end, 2 * half)


def direct(
    t: ComplexArray, x: FloatArray, y: FloatArray, at: tuple[float, float, float],
    wavelength: float, cell: tuple[float, float],
) -> complex:  # fmt: skip
    """Rayleigh's first integral, pillar by pillar (Born & Wolf, 8.11): each fills its own cell."""
    k = 2 * math.pi / wavelength
    r = np.sqrt((at[0] - x) ** 2 + (at[1] - y) ** 2 + at[2] ** 2)
    fill = np.sinc(cell[0] * (at[0] - x) / r / wavelength) * np.sinc(
        cell[1] * (at[1] - y) / r / wavelength
    )
    kernel = at[2] / r**2 * (1 + 1j / (k * r)) * np.exp(1j * k * r)
    return complex(cell[0] * cell[1] / (1j * wavelength) * np.sum(t * fill * kernel))


def lens_field(
    phase: FloatArray, amplitude: FloatArray, x: FloatArray, y: FloatArray, beam: Beam,
    half_um: float, cell: tuple[float, float],
) -> FocalField:  # fmt: skip
    """Square sites at x (cols,), y (rows,); amplitude 0 where there is none."""
    sites = amplitude != 0
    states = np.zeros(sites.shape, dtype=np.int64)
    states[sites] = np.arange(1, np.count_nonzero(sites) + 1)
    light = np.concatenate([[0], (amplitude * np.exp(1j * phase))[sites]])
    total = LensSum(beam, half_um, cell)
    total.add(total.patch(states, light, x, y, np.zeros(len(y), dtype=np.int64)))
    return total.field()


@pytest.fixture(scope="module")
def airy() -> tuple[FocalField, Spot, float]:
    """A uniform pupil of NA 0.05 and Fresnel number 213, its spot, and the light on it.

    The cell is a thousandth of the step between sites, so that each is a point and fills no cell.
    """
    wavelength, focal, half, step = 0.94, 80000.0, 4000.0, 5.0
    axis = sites(800, step)
    x, y = np.meshgrid(axis, axis)
    inside = x * x + y * y <= half * half
    phase = -2 * np.pi / wavelength * (np.sqrt(x * x + y * y + focal**2) - focal)
    beam = Beam(wavelength_um=wavelength, focus_um=(0.0, 0.0, focal))
    cell = step * 1e-3
    field = lens_field(phase, inside.astype(float), axis, axis, beam, half, (cell, cell))
    # each site stands for step^2 of the pupil: powers are in units of a cell's, whose scale is squared
    light = float(np.count_nonzero(inside)) * cell**4 / step**2
    return field, best_focus(field, symmetric=True), light


def test_weights_interpolate_polynomials_of_the_seventh_degree() -> None:
    at = np.array([3.0, 3.25, 4.9])
    first, weights = interpolation(at)
    nodes = first[:, None] + np.arange(8)
    for power in range(8):
        assert (weights * nodes**power).sum(axis=1) == pytest.approx(at**power, rel=1e-10)


@pytest.mark.parametrize(
    "at", [(0, 0, 150), (0, 0, 144), (3, 1, 150), (-8, 2, 153), (12, -12, 150)]
)
def test_field_is_the_sum_over_every_pillar(at: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(1)
    axis = sites(75, 0.4)
    x, y = np.meshgrid(axis, axis)
    inside = x * x + y * y <= 900
    phase = -2 * np.pi / 0.94 * np.sqrt(x * x + y * y + 150**2) + rng.normal(0, 0.5, x.shape)
    amplitude = inside * rng.uniform(0.6, 1.0, x.shape)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, 150.0))
    field = lens_field(phase, amplitude, axis, axis, beam, 30.0, (0.4, 0.4))
    t = amplitude * np.exp(1j * phase)
    wanted = direct(t, x, y, at, 0.94, (0.4, 0.4))
    peak = abs(direct(t, x, y, (0, 0, 150), 0.94, (0.4, 0.4)))
    assert abs(complex(field.at(*at)) - wanted) < 1e-6 * peak
    # seen from elsewhere it is the same field
    moved = field.moved((2.0, -1.0, 148.0))
    assert abs(complex(moved.at(*at)) - wanted) < 1e-6 * peak


def test_shifted_rows_oblique_light_and_a_point_source_are_summed_as_well() -> None:
    rng = np.random.default_rng(2)
    pitch, row, wavelength = 0.5, 0.433, 0.8
    cols, rows = np.arange(-40, 40), np.arange(-46, 46)
    xs, ys = sites(40, pitch) - pitch / 2, sites(46, row) - row / 2
    odd = rows & 1
    x = cols[None, :] * pitch + odd[:, None] * pitch / 2
    y = np.broadcast_to((rows * row)[:, None], x.shape)
    inside = x * x + y * y <= 19.9**2
    focus = (6.0, -4.0, 60.0)
    source = (3.0, 0.0, 200.0, wavelength)
    phase = (
        -2 * np.pi / wavelength
        * (np.sqrt((x - 6) ** 2 + (y + 4) ** 2 + 60**2) + 0.1 * x - 0.05 * y
           + np.sqrt((x - 3) ** 2 + y**2 + 200**2))
        + rng.normal(0, 0.3, x.shape)
    )  # fmt: skip
    t = inside * np.exp(1j * phase)
    tilt = (0.1 / wavelength, -0.05 / wavelength)
    beam = Beam(wavelength_um=wavelength, focus_um=focus, tilt=tilt, source=source)
    states = np.where(inside, np.arange(1, t.size + 1).reshape(t.shape), 0)
    total = LensSum(beam, 20.0, (pitch, row))
    for part in (slice(0, 31), slice(31, 92)):  # in two blocks: how a lens is cut does not matter
        total.add(
            total.patch(
                states[part], np.concatenate([[0], t.ravel()]), xs, ys[part],
                odd[part], pitch / 2,
            )
        )  # fmt: skip
    lit = 2 * np.pi * (tilt[0] * x + tilt[1] * y) + 2 * np.pi / wavelength * np.sqrt(
        (x - 3) ** 2 + y**2 + 200**2
    )
    for at in (focus, (7.5, -4.5, 61.0)):
        wanted = direct(t * np.exp(1j * lit), x, y, at, wavelength, (pitch, row))
        peak = abs(direct(t * np.exp(1j * lit), x, y, focus, wavelength, (pitch, row)))
        assert abs(complex(total.field().at(*at)) - wanted) < 1e-6 * peak


def test_uniform_pupil_has_the_airy_width(airy: tuple[FocalField, Spot, float]) -> None:
    # Born & Wolf, Airy pattern: full width at half maximum 0.51450 lambda / NA
    field, spot, _ = airy
    for axis in ("x", "y"):
        width = full_width_um(field, spot, axis)
        assert width is not None
        assert width * spot.na / spot.wavelength_um == pytest.approx(0.51450, rel=1e-3)


def test_first_dark_ring_is_at_0_60983_lambda_over_na(airy: tuple[FocalField, Spot, float]) -> None:
    # Born & Wolf, 8.5.2
    field, spot, _ = airy
    r = np.linspace(0.58, 0.64, 601) * spot.wavelength_um / spot.na
    light = np.abs(field.at(r, 0.0, spot.at_um[2])) ** 2
    dark = r[int(np.argmin(light))] * spot.na / spot.wavelength_um
    assert dark == pytest.approx(0.60983, rel=1e-3)
    assert light.min() < 1e-5 * spot.peak


def test_energy_within_the_first_dark_ring_is_0_83778(
    airy: tuple[FocalField, Spot, float],
) -> None:
    # Born & Wolf, 8.5.2 (Rayleigh's formula 1 - J0^2 - J1^2)
    field, spot, light = airy
    r = np.array([0.2, 0.4, 0.60983, 1.2, 2.5]) * spot.wavelength_um / spot.na
    v = 2 * np.pi * spot.na * r / spot.wavelength_um
    found = encircled_power(field, spot, r, sector=8) / light
    assert found == pytest.approx(1 - j0(v) ** 2 - j1(v) ** 2, abs=1e-3)
    assert found[2] == pytest.approx(0.83778, abs=1e-3)


def test_wide_and_narrow_discs_collect_alike(airy: tuple[FocalField, Spot, float]) -> None:
    # discs beyond 4 lambda / NA are integrated over the spectrum, smaller ones point by point
    field, spot, light = airy
    scale = spot.wavelength_um / spot.na
    narrow = encircled_power(field, spot, np.array([1.0, 2.0, 3.0]) * scale, sector=1)
    wide = encircled_power(field, spot, np.array([1.0, 2.0, 3.0, 40.0]) * scale)
    assert wide[:3] == pytest.approx(narrow, rel=3e-4)
    # Parseval: what passes the lens passes the focal plane, but for 2 / (pi v) beyond v (Born & Wolf 8.5)
    assert wide[3] / light == pytest.approx(1 - 2 / (np.pi * 2 * np.pi * 40), abs=5e-4)


def test_light_within_wide_discs_counts_cells_that_are_not_square() -> None:
    # rows 0.4 um apart of sites 0.5 um apart: each side of the cell counts once
    x, y = sites(60, 0.5), sites(75, 0.4)
    xx, yy = np.meshgrid(x, y)
    inside = xx * xx + yy * yy <= 900
    phase = -2 * np.pi / 0.94 * np.sqrt(xx * xx + yy * yy + 150**2)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, 150.0))
    field = lens_field(phase, inside.astype(float), x, y, beam, 30.0, (0.5, 0.4))
    spot = best_focus(field, symmetric=True)
    radii = np.array([1.0, 2.0, 3.0]) * spot.wavelength_um / spot.na
    narrow = encircled_power(field, spot, radii, sector=1)
    wide = encircled_power(field, spot, np.append(radii, 40 * radii[0]))
    assert wide[:3] == pytest.approx(narrow, rel=2e-3)
    # nearly all of the light that passes the sites, but for 2 / (pi v) beyond v (Born & Wolf 8.5)
    assert wide[3] / (np.count_nonzero(inside) * 0.5 * 0.4) == pytest.approx(0.99, abs=0.03)


def test_plane_waves_of_a_lens_point_the_way_that_light_goes() -> None:
    # a focus beside the axis: from a lens at 0 the light travels towards (30, -50, 150) um
    axis = sites(50, 0.4)
    x, y = np.meshgrid(axis, axis)
    inside = (x * x + y * y <= 400).astype(float)
    at = (30.0, -50.0, 150.0)
    phase = -2 * np.pi / 0.94 * np.sqrt((x - at[0]) ** 2 + (y - at[1]) ** 2 + at[2] ** 2)
    field = lens_field(
        phase, inside, axis, axis, Beam(wavelength_um=0.94, focus_um=at), 20.0, (0.4, 0.4)
    )
    pupil, step, (low_x, low_y) = field.pupil(at)
    weight = np.abs(pupil)
    n = np.arange(len(pupil)) * step
    mean_x = float((weight.sum(axis=0) * (low_x + n)).sum() / weight.sum())
    mean_y = float((weight.sum(axis=1) * (low_y + n)).sum() / weight.sum())
    chief = np.array([at[0], at[1]]) / math.hypot(*at)
    assert (mean_x, mean_y) == pytest.approx(tuple(chief), abs=0.01)
    # the peak itself, nearer to so small a lens, lies on the chief ray
    spot = best_focus(field, spread_um=1.0)
    assert spot.at_um[0] / spot.at_um[2] == pytest.approx(at[0] / at[2], abs=2e-3)
    assert spot.at_um[1] / spot.at_um[2] == pytest.approx(at[1] / at[2], abs=2e-3)


def test_parseval_between_the_lens_and_a_plane_behind_it() -> None:
    axis = sites(8, 0.5)
    x, y = np.meshgrid(axis, axis)
    inside = x * x + y * y <= 16
    phase = 1.5 * np.sin(0.6 * x + 0.4) * np.cos(0.5 * y - 0.3)
    amplitude = inside * (0.8 + 0.2 * np.cos(0.4 * x * y / 4))
    beam = Beam(wavelength_um=0.9, focus_um=(0.0, 0.0, 10.0))
    field = lens_field(phase, amplitude, axis, axis, beam, 4.0, (0.5, 0.5))
    # |U|^2 holds nothing finer than half a wavelength, so the sum over steps of 0.4 um is the integral
    s = np.arange(-24, 24.1, 0.4)
    light = np.abs(field.at(s[None, :], s[:, None], 10.0)) ** 2
    # what even cells send into each direction that leaves, by a transform of the lens plane itself
    f = np.fft.fftfreq(512, 0.5)
    spectrum = np.fft.fft2(amplitude * np.exp(1j * phase), (512, 512)) * np.outer(
        np.sinc(0.5 * f), np.sinc(0.5 * f)
    )
    spectrum[np.hypot(f[:, None], f[None, :]) > 1 / 0.9] = 0
    wanted = float((np.abs(spectrum) ** 2).sum()) / 512**2 * 0.25
    assert light.sum() * 0.4**2 == pytest.approx(wanted, rel=3e-3)


@pytest.mark.parametrize(
    "s, wanted", [(0.1, 0.87289), (0.25, 0.68504), (0.5, 0.39100), (0.75, 0.14429), (0.9, 0.03739)]
)
def test_mtf_of_a_uniform_pupil(
    airy: tuple[FocalField, Spot, float], s: float, wanted: float
) -> None:
    # Goodman, Introduction to Fourier Optics, 6.3: (2 / pi)(acos s - s sqrt(1 - s^2))
    field, spot, _ = airy
    found = mtf(field, spot, np.array([0.0, s]) * 2 * spot.na / spot.wavelength_um)
    assert found.x[0] == found.y[0] == 1
    assert found.x[1] == pytest.approx(wanted, abs=5e-4)
    assert found.y[1] == pytest.approx(wanted, abs=5e-4)
    assert found.limit[1] == pytest.approx(wanted, abs=1e-5)


def test_depth_of_focus_is_that_of_the_axial_sinc(airy: tuple[FocalField, Spot, float]) -> None:
    # Born & Wolf, 8.8: on the axis (sin(u / 4) / (u / 4))^2, u = k NA^2 z; 0.8 of it at u / 4 = 0.80849
    field, spot, _ = airy
    depth = depth_of_focus_um(field, spot)
    assert depth is not None
    u = 2 * math.pi / spot.wavelength_um * spot.na**2 * depth / 2
    assert (math.sin(u / 4) / (u / 4)) ** 2 == pytest.approx(0.8, abs=2e-3)
    assert depth * spot.na**2 / spot.wavelength_um == pytest.approx(1.029, rel=5e-3)


def test_a_perfect_lens_has_strehl_one_and_its_peak_where_diffraction_puts_it(
    airy: tuple[FocalField, Spot, float],
) -> None:
    # Li & Wolf, Opt. Commun. 39, 211 (1981), from memory: the peak of a converging wave of Fresnel number N
    # lies nearer to the lens by about 12 / (12 + pi^2 N^2)
    field, spot, _ = airy
    number = field.half_um**2 / (spot.wavelength_um * 80000.0)
    assert strehl(field, spot) == pytest.approx(1.0, abs=1e-9)
    shift = 1 - spot.at_um[2] / 80000.0
    assert shift == pytest.approx(12 / (12 + math.pi**2 * number**2), rel=0.02)


@pytest.mark.parametrize("sigma", [0.05, 0.15, 0.29])
def test_planted_random_phase_costs_exp_of_minus_sigma_squared(sigma: float) -> None:
    # Marechal's approximation in Mahajan's form, J. Opt. Soc. Am. 73, 860 (1983) (from memory)
    rng = np.random.default_rng(7)
    axis = sites(150, 0.4)
    x, y = np.meshgrid(axis, axis)
    inside = (x * x + y * y <= 3600).astype(float)
    phase = -2 * np.pi / 0.94 * np.sqrt(x * x + y * y + 300**2) + rng.normal(0, sigma, x.shape)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, 300.0))
    field = lens_field(phase, inside, axis, axis, beam, 60.0, (0.4, 0.4))
    assert strehl(field, best_focus(field)) == pytest.approx(math.exp(-(sigma**2)), rel=0.01)


def test_the_peak_of_an_aberrated_lens_is_found_where_a_fine_search_finds_it() -> None:
    # a wave of coma and a half of astigmatism: the peak is off the axis and off the plane of the design
    axis = sites(75, 0.4)
    x, y = np.meshgrid(axis, axis)
    inside = (x * x + y * y <= 900).astype(float)
    rho = np.hypot(x, y) / 30
    coma = 2 * np.pi * 1.0 * (3 * rho**3 - 2 * rho) * np.cos(np.arctan2(y, x))
    stig = np.pi * rho**2 * np.cos(2 * np.arctan2(y, x))
    phase = -2 * np.pi / 0.94 * np.sqrt(x * x + y * y + 150**2) + coma + stig
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, 150.0))
    field = lens_field(phase, inside, axis, axis, beam, 30.0, (0.4, 0.4))
    spot = best_focus(field, spread_um=1.0)
    z, yy, xx = np.meshgrid(
        np.linspace(76, 160, 29), np.linspace(-6, 6, 31), np.linspace(-6, 6, 31), indexing="ij"
    )
    light = np.abs(field.at(xx, yy, z)) ** 2
    assert spot.peak >= float(light.max()) * (1 - 1e-9)
    top = np.unravel_index(int(np.argmax(light)), light.shape)
    assert spot.at_um == pytest.approx((xx[top], yy[top], z[top]), abs=3.0)


def test_the_image_is_the_field_on_a_square(airy: tuple[FocalField, Spot, float]) -> None:
    field, spot, _ = airy
    found = image(field, spot_at(field, spot.at_um), 20.0, 5)
    assert found[2, 2] == pytest.approx(spot.peak, rel=1e-9)
    assert found[0, 3] == pytest.approx(abs(complex(field.at(10.0, -20.0, spot.at_um[2]))) ** 2)


def small_lens(aperture_um: float, focal_um: float) -> FocalField:
    """A perfect lens of pillars 400 nm apart at 940 nm."""
    pitch = 0.4
    axis = sites(math.ceil(aperture_um / 2 / pitch), pitch)
    x, y = np.meshgrid(axis, axis)
    inside = x * x + y * y <= aperture_um**2 / 4
    phase = -2 * np.pi / 0.94 * (np.sqrt(x * x + y * y + focal_um**2) - focal_um)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, focal_um))
    return lens_field(
        phase, inside.astype(np.float64), axis, axis, beam, aperture_um / 2, (pitch, pitch)
    )


@pytest.mark.parametrize(("aperture_um", "focal_um"), [(30.0, 40.0), (60.0, 180.0), (110.0, 330.0)])
def test_the_mtf_of_a_small_lens_is_the_transform_of_its_spot(
    aperture_um: float, focal_um: float
) -> None:
    # pillars stand farther apart than the grid's nodes: they must not show as single ones
    field = small_lens(aperture_um, focal_um)
    spot = best_focus(field, symmetric=True)
    field = field.moved(spot.at_um)
    cutoff = 2 * spot.na / 0.94
    nu = np.linspace(0, 0.95, 9) * cutoff
    found = mtf(field, spot, nu)
    at = np.arange(-48, 49) / (
        4 * cutoff
    )  # 12 over the cut-off to each side, four points to a period
    square = np.abs(field.at(at[None, :], at[:, None], spot.at_um[2])) ** 2
    wanted = np.abs(square.sum(axis=0) @ np.exp(-2j * np.pi * at[:, None] * nu))
    wanted /= wanted[0]
    # what falls beside the square would take a per cent or two off all but the first
    assert found.x == pytest.approx(wanted, abs=0.035)
    assert found.y == pytest.approx(found.x, abs=1e-9)
    shape = found.x[2:] / found.x[1]
    assert shape == pytest.approx(wanted[2:] / wanted[1], abs=0.012)
    assert np.all((found.x >= 0) & (found.x <= 1))


@pytest.mark.parametrize(
    ("aperture_um", "focal_um", "zones"),
    [(20.0, 100.0, 1.06), (14.0, 80.0, 0.65), (12.0, 100.0, 0.38)],
)
def test_few_fresnel_zones_focus_nearer_than_rays_do(
    aperture_um: float, focal_um: float, zones: float
) -> None:
    # the shift of the focus of small Fresnel numbers: Li & Wolf, Opt. Commun. 39, 211 (1981), from memory
    assert (aperture_um / 2) ** 2 / (0.94 * focal_um) == pytest.approx(zones, abs=0.01)
    field = small_lens(aperture_um, focal_um)
    spot = best_focus(field, symmetric=True)
    z = np.linspace(0.1, 1.3, 1201) * focal_um
    axial = np.abs(field.at(0.0, 0.0, z)) ** 2
    assert spot.at_um[2] == pytest.approx(z[axial.argmax()], abs=z[1] - z[0])
    kept = z[axial > 0.8 * axial.max()]
    assert depth_of_focus_um(field.moved(spot.at_um), spot) == pytest.approx(
        np.ptp(kept), abs=3 * (z[1] - z[0])
    )


def test_a_ring_of_an_aperture_keeps_its_focus_longer() -> None:
    # the axial sinc of a ring from e a to a has 1 - e^2 of the width of the whole aperture's Fresnel zones
    # (Born & Wolf, 8.8), so its depth is 1 / (1 - e^2) times as long: beyond the first window looked at
    pitch, half, focal, inner = 1.0, 120.0, 600.0, 0.9
    axis = sites(120, pitch)
    x, y = np.meshgrid(axis, axis)
    r2 = x * x + y * y
    phase = -2 * np.pi / 0.94 * (np.sqrt(r2 + focal**2) - focal)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, focal))
    depth = []
    for hole in (0.0, inner):
        lit = ((r2 <= half**2) & (r2 >= (hole * half) ** 2)).astype(np.float64)
        field = lens_field(phase, lit, axis, axis, beam, half, (pitch, pitch))
        spot = best_focus(field, symmetric=True)
        found = depth_of_focus_um(field.moved(spot.at_um), spot)
        assert found is not None
        depth.append(found)
    assert depth[1] / depth[0] == pytest.approx(1 / (1 - inner**2), rel=0.1)
    assert depth[1] > 3 * 0.94 / (half / focal) ** 2


@pytest.fixture(scope="module")
def oblique() -> tuple[FocalField, Spot]:
    """A perfect lens under light from below and from the left: its spot is off both axes, by different ways."""
    pitch, half, focal, wavelength = 0.4, 30.0, 150.0, 0.94
    axis = sites(75, pitch)
    x, y = np.meshgrid(axis, axis)
    place = (12.0, -7.0, focal)
    # equal paths to the place, whatever light arrives: Fermat's principle
    phase = -2 * np.pi / wavelength * np.sqrt((x - 12) ** 2 + (y + 7) ** 2 + focal**2)
    beam = Beam(wavelength_um=wavelength, focus_um=place)
    inside = (x * x + y * y <= half**2).astype(np.float64)
    field = lens_field(phase, inside, axis, axis, beam, half, (pitch, pitch))
    return field, spot_at(field, place)


def test_a_disc_off_the_axis_collects_what_a_fine_grid_adds_up(
    oblique: tuple[FocalField, Spot],
) -> None:
    field, spot = oblique
    step = 0.04
    s = np.arange(-6.0, 6.0 + step / 2, step)
    dx, dy = np.meshgrid(s, s)
    light = np.abs(field.at(12 + dx, -7 + dy, np.full(dx.shape, 150.0))) ** 2
    radii = np.array([1.2, 2.5, 5.0])
    wanted = [float(light[dx * dx + dy * dy <= r * r].sum()) * step**2 for r in radii]
    np.testing.assert_allclose(encircled_power(field, spot, radii), wanted, rtol=0.01)


def test_an_image_off_the_axis_is_centred_on_its_spot(oblique: tuple[FocalField, Spot]) -> None:
    field, spot = oblique
    found = image(field, spot, 3.0, 3)
    for j, i in np.ndindex(3, 3):
        there = complex(field.at(12 + 3.0 * (i - 1), -7 + 3.0 * (j - 1), 150.0))
        assert found[j, i] == pytest.approx(abs(there) ** 2, rel=1e-9)


@pytest.mark.parametrize(
    "at", [(29.9, 0.0), (-29.9, 0.0), (0.0, 29.9), (0.0, -29.9), (-21.0, -21.0)]
)
def test_a_pillar_alone_on_the_rim_is_summed_from_its_own_place(at: tuple[float, float]) -> None:
    pitch, place = 0.4, (3.0, -2.0, 150.0)
    beam = Beam(wavelength_um=0.94, focus_um=(0.0, 0.0, 150.0))
    x, y = np.array([at[0]]), np.array([at[1]])
    # in phase at the focus, so that the interpolated part of the lens is smooth
    phase = -2 * np.pi / 0.94 * np.hypot(np.hypot(*at), 150.0)
    one = np.ones((1, 1))
    field = lens_field(phase * one, one, x, y, beam, 30.0, (pitch, pitch))
    wanted = direct(np.exp(1j * phase) * one, x, y, place, 0.94, (pitch, pitch))
    assert abs(complex(field.at(*place)) - wanted) < 1e-3 * abs(wanted)
