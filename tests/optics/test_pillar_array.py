"""From a pillar's size to its light: slices, sides, polarisations, gratings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from layoutgen.optics.coupled_waves import diffraction
from layoutgen.optics.pillar_array import PillarArray, slices_for
from layoutgen.optics.stack import Film, Light

SILICON = PillarArray(
    kind="square", pitch_nm=400.0, squares=False, height_nm=600.0, sidewall_deg=90.0, index=3.6,
    around=1.0, substrate=1.45, superstrate=1.0, below=(), above=(), from_substrate=True,
    wavelength_nm=940.0,
)  # fmt: skip


@pytest.fixture(autouse=True, scope="module")
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield


def test_cutting_an_upright_pillar_changes_nothing() -> None:
    whole, cut = SILICON.respond(180, 121, 1)[0], SILICON.respond(180, 121, 5)[0]
    assert cut.transmission == pytest.approx(whole.transmission, abs=1e-10)
    assert cut.reflection == pytest.approx(whole.reflection, abs=1e-10)


def test_a_tapered_pillar_is_wider_at_its_base_and_its_middle_is_its_size() -> None:
    layers = replace(SILICON, sidewall_deg=85.0).stack(200, 4).pillars
    sizes = [layer.pillars[0].size_nm for layer in layers]
    flare_nm = 600 / math.tan(math.radians(85))  # both walls, half the height
    assert sizes == pytest.approx([200 + flare_nm * s for s in (0.75, 0.25, -0.25, -0.75)])
    assert sum(layer.thickness_nm for layer in layers) == pytest.approx(600)
    from_above = replace(SILICON, sidewall_deg=85.0, from_substrate=False).stack(200, 4).pillars
    assert from_above == layers[::-1]


def test_slices_of_a_tapered_pillar_converge() -> None:
    tapered = replace(SILICON, sidewall_deg=88.0)
    flare_nm = 600 * math.tan(math.radians(2))
    used = slices_for(flare_nm)
    few, half, many = (
        tapered.respond(160, 121, n)[0].transmission for n in (used, used // 2, 3 * used)
    )
    assert abs(np.angle(few / many)) < 5e-3
    assert abs(abs(few) - abs(many)) < 1e-3
    assert abs(few - many) < abs(half - many)
    assert slices_for(0.0) == 1


def test_light_passes_a_tapered_pillar_either_way_alike() -> None:
    up = replace(SILICON, sidewall_deg=86.0, below=(Film(1.9, 80),), above=(Film(1.4, 150),))
    one = up.respond(170, 81, 6)[0]
    other = replace(up, from_substrate=False).respond(170, 81, 6)[0]
    assert one.transmission == pytest.approx(other.transmission, abs=1e-11)
    assert abs(one.reflection) == pytest.approx(abs(other.reflection), abs=1e-11)  # no absorption


def test_two_polarisations_are_solved_where_they_differ() -> None:
    assert SILICON.polarisations == ("p",)
    assert replace(SILICON, squares=True).polarisations == ("p",)
    assert replace(SILICON, kind="hexagonal").polarisations == ("p",)
    assert replace(SILICON, angle_deg=5.0).polarisations == ("s", "p")
    odd = replace(SILICON, kind="hexagonal", squares=True)
    assert odd.polarisations == ("s", "p")
    s, p = odd.respond(180, 121)
    assert abs(np.angle(s.transmission / p.transmission)) > 1e-3


def test_small_angles_lead_back_to_normal_incidence() -> None:
    straight = SILICON.respond(190, 121)[0].transmission
    for found in replace(SILICON, angle_deg=0.05).respond(190, 121):
        assert found.transmission == pytest.approx(straight, abs=2e-4)


def test_light_in_other_orders_is_told() -> None:
    assert SILICON.respond(200, 81)[0].other == pytest.approx(0, abs=1e-12)
    # 700 nm of pitch in glass: first orders travel below 1015 nm
    assert replace(SILICON, pitch_nm=700.0).respond(300, 81)[0].other > 0.01


def test_a_grating_of_equal_pillars_has_the_zero_order_of_the_array() -> None:
    array = SILICON.respond(190, 81)[0]
    found = diffraction(SILICON.grating([190.0] * 3), Light(940), "p", 27 * 9)
    assert found.order(0)[0] == pytest.approx(abs(array.transmission) ** 2, abs=1e-10)
    assert found.order(1)[0] + found.order(-1)[0] == pytest.approx(0, abs=1e-15)


def test_a_grating_has_converged_at_its_number_of_orders() -> None:
    # pillars about a quarter of a turn apart: most of the light goes into order 1
    stack = SILICON.grating([130.0, 170.0, 205.0, 260.0])
    for polarisation in ("s", "p"):
        few = diffraction(stack, Light(940), polarisation, 4 * 80)
        many = diffraction(stack, Light(940), polarisation, 4 * 120)
        for u in (-1, 0, 1):
            assert few.order(u) == pytest.approx(many.order(u), abs=5e-3)
        assert few.order(1)[0] > 0.35
        assert few.lost == pytest.approx(0, abs=1e-10)


def test_a_grating_wants_a_square_lattice() -> None:
    with pytest.raises(ValueError, match="want a square lattice"):
        replace(SILICON, kind="hexagonal").grating([100.0, 200.0])
