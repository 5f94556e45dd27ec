"""Dispersion formulas against their sources' values, and the ends of what they are good for."""

from __future__ import annotations

from itertools import pairwise

import pytest

from layoutgen.optics.materials import MATERIALS, index_at


@pytest.mark.parametrize(
    "name, wavelength_nm, index, tolerance",
    [
        # Malitson, J. Opt. Soc. Am. 55, 1205 (1965): n of the helium d line
        ("fused silica", 587.6, 1.45846, 1e-5),
        # Luke et al., Opt. Lett. 40, 4823 (2015), as held by an open dispersion database
        ("silicon nitride", 532, 2.0559, 1e-3),
        ("silicon nitride", 940, 2.0164, 1e-3),
        # Lemarchand's sputtered film, from the same database; the formula is a fit within 0.002
        ("niobium pentoxide", 532, 2.3719, 5e-3),
        ("niobium pentoxide", 940, 2.2635, 5e-3),
        ("air", 633, 1.0, 0),
    ],
)
def test_published_indices(name: str, wavelength_nm: float, index: float, tolerance: float) -> None:
    found = index_at(name, wavelength_nm)
    assert found.real == pytest.approx(index, abs=tolerance)
    assert found.imag == 0


def test_malitsons_formula_gives_the_lines_of_his_table() -> None:
    # sodium D and the 1064 nm laser line, Malitson's table at 20 C, from memory to five digits
    assert index_at("fused silica", 589.29).real == pytest.approx(1.45841, abs=2e-5)
    assert index_at("fused silica", 1064).real == pytest.approx(1.44963, abs=2e-5)


@pytest.mark.parametrize("name", ["fused silica", "silicon nitride", "niobium pentoxide"])
def test_indices_fall_with_the_wavelength_within_the_range(name: str) -> None:
    material = MATERIALS[name]
    steps = [material.low_nm + (material.high_nm - material.low_nm) * i / 50 for i in range(51)]
    found = [index_at(name, w).real for w in steps]
    assert all(a > b for a, b in pairwise(found))


@pytest.mark.parametrize(
    "name, wavelength_nm",
    [("fused silica", 209), ("fused silica", 3711), ("silicon nitride", 309),
     ("niobium pentoxide", 419.9), ("niobium pentoxide", 1050.1)],
)  # fmt: skip
def test_beyond_a_formulas_range_is_refused(name: str, wavelength_nm: float) -> None:
    with pytest.raises(ValueError, match=f"the formula of {name} holds, got {wavelength_nm:g} nm"):
        index_at(name, wavelength_nm)


def test_numbers_hold_at_any_wavelength_and_unknown_names_nowhere() -> None:
    assert index_at((3.7, 0.008), 940) == 3.7 + 0.008j
    with pytest.raises(
        ValueError, match=r"want a number, .* one of air, fused silica, .* got 'glass'"
    ):
        index_at("glass", 940)
