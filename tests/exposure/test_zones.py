"""Ring zones: what they leave of a parabola, by the closed form and by brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
import yaml

from layoutgen.exposure.zones import MOST_RINGS, ring_zones, zones_yaml


def bias_at(zones: tuple[object, ...], radius_mm: float) -> float:
    for zone in zones:
        if radius_mm <= zone.outer_mm:  # type: ignore[attr-defined]
            return float(zone.bias_nm)  # type: ignore[attr-defined]
    raise AssertionError(radius_mm)


@pytest.mark.parametrize("radial_nm, rings", [(-1.2, 2), (1.7, 3), (-2.4, 4), (9.0, 5)])
def test_rings_leave_the_radial_term_over_their_number_and_root_twelve(
    radial_nm: float, rings: int
) -> None:
    zones = ring_zones(radial_nm, 0.2, 1.0, 100.0)
    assert len(zones) == rings <= MOST_RINGS
    assert zones[-1].outer_mm == 100.0
    r = 100 * np.sqrt((np.arange(20000) + 0.5) / 20000)  # even over the wafer's area
    left = radial_nm * (r / 100) ** 2 + np.array([bias_at(zones, x) for x in r])
    # u^2 is even over the area: a step of a / k has the variance (a / k)^2 / 12
    assert np.sqrt(np.mean(left**2)) == pytest.approx(
        abs(radial_nm) / rings / math.sqrt(12), abs=0.01
    )
    assert left.mean() == pytest.approx(0, abs=0.01)


def test_a_slope_makes_larger_steps() -> None:
    flat, steep = ring_zones(-2.0, 0.2, 1.0, 100.0), ring_zones(-2.0, 0.2, 0.5, 100.0)
    assert [z.bias_nm for z in steep] == pytest.approx([2 * z.bias_nm for z in flat], abs=0.02)


@pytest.mark.parametrize("radial_nm, sigma_nm", [(0.0, 0.1), (0.9, 0.5), (-0.9, 0.5), (0.4, 0.01)])
def test_no_zones_for_what_is_within_its_error_or_small(radial_nm: float, sigma_nm: float) -> None:
    assert ring_zones(radial_nm, sigma_nm, 1.0, 100.0) == ()


def test_the_line_for_the_recipe_is_yaml_of_its_keys() -> None:
    held = yaml.safe_load(zones_yaml(ring_zones(-1.2, 0.2, 1.0, 75.0)))
    assert held == {
        "zones": [{"outer": "53.03 mm", "bias": "0.3 nm"}, {"outer": "75 mm", "bias": "0.9 nm"}]
    }
