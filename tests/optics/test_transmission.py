"""Light of diameters that a library does not list."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from layoutgen.optics.transmission import transmission_of
from layoutgen.recipe.tables import LibraryTable, read_library


def table(text: str) -> LibraryTable:
    return read_library(text.encode(), "library.csv")


PLAIN = "diameter_nm,phase_rad,transmission\n" + "".join(
    f"{d},{0.3 + 0.02 * (d - 100) + 0.3 * math.sin(d / 17):.6f},{0.9 + 0.05 * math.cos(d / 9):.6f}\n"
    for d in range(100, 201, 4)
)


def test_between_rows_phase_and_amplitude_follow_shape_preserving_cubics() -> None:
    # Fritsch & Carlson (1980), by scipy's own interpolator
    found = transmission_of(table(PLAIN), 940)
    rows = np.loadtxt(PLAIN.splitlines(), delimiter=",", skiprows=1)
    d = np.linspace(100, 200, 333)
    phase = PchipInterpolator(rows[:, 0], np.unwrap(rows[:, 1]))(d)
    amplitude = PchipInterpolator(rows[:, 0], np.sqrt(rows[:, 2]))(d)
    assert found(d) == pytest.approx(amplitude * np.exp(1j * phase), abs=1e-12)


def test_beyond_the_ends_nothing_is_known_and_nothing_comes_through() -> None:
    found = transmission_of(table(PLAIN), 940)
    d = np.array([99.9, 100.0, 200.0, 200.1, np.nan])
    assert found.known(d).tolist() == [False, True, True, False, False]
    assert (found(d) == 0).tolist() == [True, False, False, True, True]


def test_between_runs_light_takes_the_straight_line() -> None:
    rows = (
        "100,0.1,0.9,0\n102,0.2,0.9,0\n104,0.3,0.9,0\n106,1.9,0.1,1\n108,0.5,0.9,0\n110,0.6,0.9,0\n"
    )
    found = transmission_of(table("diameter_nm,phase_rad,transmission,flag\n" + rows), 940)
    assert found.runs == ((0, 2), (4, 5))
    t = [
        math.sqrt(0.9) * np.exp(0.3j),
        math.sqrt(0.1) * np.exp(1.9j),
        math.sqrt(0.9) * np.exp(0.5j),
    ]
    d = np.array([104.0, 105.0, 106.0, 107.5, 108.0])
    wanted = [t[0], (t[0] + t[1]) / 2, t[1], 0.25 * t[1] + 0.75 * t[2], t[2]]
    assert found(d) == pytest.approx(np.array(wanted), abs=1e-12)
    assert found.barred(d).tolist() == [False, True, True, True, False]


def test_beside_the_outermost_rows_light_takes_the_straight_line_too() -> None:
    # the first and the last row are flagged, and what lies next to them is barred
    rows = "100,0.1,0.4,1\n102,0.4,0.9,0\n104,0.5,0.9,0\n106,1.4,0.25,1\n"
    found = transmission_of(table("diameter_nm,phase_rad,transmission,flag\n" + rows), 940)
    assert found.runs == ((1, 2),)
    t = [
        math.sqrt(power) * np.exp(1j * phase)
        for phase, power in ((0.1, 0.4), (0.4, 0.9), (0.5, 0.9), (1.4, 0.25))
    ]
    d = np.array([100.0, 100.5, 101.0, 105.0, 105.5, 106.0])
    wanted = [t[0], 0.75 * t[0] + 0.25 * t[1], (t[0] + t[1]) / 2, (t[2] + t[3]) / 2,
              0.25 * t[2] + 0.75 * t[3], t[3]]  # fmt: skip
    assert found(d) == pytest.approx(np.array(wanted), abs=1e-12)


def test_a_square_of_equal_area_has_its_sides_light() -> None:
    found = transmission_of(table(PLAIN.replace("diameter_nm", "side_nm")), 940)
    disc = transmission_of(table(PLAIN), 940)
    side = np.array([110.0, 150.5, 199.0])
    assert found(side * 2 / math.sqrt(math.pi)) == pytest.approx(disc(side), abs=1e-9)


def test_a_wavelength_without_rows_is_refused() -> None:
    text = "diameter_nm,phase_rad,transmission,wavelength_nm\n100,0.1,0.9,633\n110,0.2,0.9,633\n"
    with pytest.raises(ValueError, match=r"want rows of 940 nm, got rows of 633 nm"):
        transmission_of(table(text), 940)
