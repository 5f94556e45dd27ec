"""Coupled waves against transfer matrices, effective media, symmetries, and other solvers."""

from __future__ import annotations

import math
from collections.abc import Iterator
from math import pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from threadpoolctl import threadpool_limits
from tmm import coh_tmm

from layoutgen.optics import coupled_waves
from layoutgen.optics.coupled_waves import diffraction
from layoutgen.optics.stack import (
    Cell,
    Film,
    Light,
    Pillar,
    PillarLayer,
    Stack,
    single_cell,
)


@pytest.fixture(autouse=True, scope="module")
def one_thread() -> Iterator[None]:
    """Matrices are small, and threads of several test processes would wait for each other."""
    with threadpool_limits(1):
        yield


GLASS, SILICON = 1.45, 3.6
SQUARE_400 = single_cell("square", 400.0)


def array(diameter_nm: float, *, squares: bool = False, cell: Cell = SQUARE_400) -> Stack:
    """The stack of facts.md: pillars of index 3.6, 600 nm high, in air on index 1.45."""
    layer = PillarLayer(SILICON, 1.0, 600.0, (Pillar(diameter_nm),), squares)
    return Stack(cell, GLASS, 1.0, (layer,))


def uniform(
    index: complex,
    thickness_nm: float,
    n_in: complex,
    n_out: complex,
    before: tuple[Film, ...] = (),
    behind: tuple[Film, ...] = (),
) -> Stack:
    """A slab, written as pillars that do not differ from what is around them."""
    layer = PillarLayer(index, index, thickness_nm, (Pillar(200.0),))
    return Stack(SQUARE_400, n_in, n_out, (layer,), before, behind)


# --- uniform media: closed forms and transfer matrices --------------------------------------------------


@pytest.mark.parametrize("polarisation", ["s", "p"])
@pytest.mark.parametrize("angle_deg, azimuth_deg", [(0, 0), (20, 0), (20, 90), (33, 37)])
def test_films_and_slabs_are_those_of_transfer_matrices(
    polarisation: str, angle_deg: float, azimuth_deg: float
) -> None:
    # the tmm package (S. J. Byrnes, arXiv:1603.02720) gives t from the first interface to the last; ours
    # runs from the pillars' base to their top, with the plane waves outside carried on
    indices = [1.45, 1.9, 3.1 + 0.2j, 2.0 + 0.01j, 1.4, 2.3, 1.2]
    thick = [math.inf, 80, 20, 300, 120, 33, math.inf]
    stack = uniform(
        indices[3], 300, 1.45, 1.2,
        (Film(indices[1], 80), Film(indices[2], 20)), (Film(indices[4], 120), Film(indices[5], 33)),
    )  # fmt: skip
    found = diffraction(stack, Light(633, angle_deg, azimuth_deg), polarisation, 49)
    wanted = coh_tmm(polarisation, indices, thick, math.radians(angle_deg), 633)
    first, last = wanted["th_list"][0], wanted["th_list"][-1]
    path_nm = 1.45 * np.cos(first) * 100 + 1.2 * np.cos(last) * 153
    t = wanted["t"] * np.exp(-2j * pi / 633 * path_nm)
    assert found.order(0)[0] == pytest.approx(wanted["T"], abs=1e-9)
    assert found.order(0)[1] == pytest.approx(wanted["R"], abs=1e-9)
    assert np.angle(found.transmission / t) == pytest.approx(0, abs=1e-9)
    assert abs(found.transmission) ** 2 == pytest.approx(wanted["T"], abs=1e-9)


@pytest.mark.parametrize("n_in, n_out", [(1.0, 1.5), (1.45, 1.0), (1.0, 3.6)])
def test_a_bare_interface_reflects_as_fresnel_says(n_in: float, n_out: float) -> None:
    found = diffraction(uniform(n_out, 100, n_in, n_out), Light(940), "p", 25)
    assert found.order(0)[1] == pytest.approx(((n_in - n_out) / (n_in + n_out)) ** 2, abs=1e-12)
    assert found.lost == pytest.approx(0, abs=1e-12)


def test_nothing_of_p_light_comes_back_at_the_brewster_angle() -> None:
    brewster_deg = math.degrees(math.atan2(1.5, 1.0))
    found = diffraction(uniform(1.5, 50, 1.0, 1.5), Light(940, brewster_deg, 10), "p", 25)
    assert found.order(0)[1] == pytest.approx(0, abs=1e-20)


def test_a_quarter_wave_coat_takes_the_reflection_away() -> None:
    # index sqrt(n), optical thickness a quarter wave: textbook (Macleod, Thin-Film Optical Filters)
    coat = Film(sqrt(3.6), 940 / 4 / sqrt(3.6))
    found = diffraction(uniform(3.6, 100, 1.0, 3.6, (coat,)), Light(940), "s", 25)
    assert found.order(0)[0] == pytest.approx(1, abs=1e-12)


def test_an_empty_lattice_delays_by_its_path() -> None:
    # a longer optical path is a larger phase: 2 pi n h / lambda
    found = diffraction(uniform(1.3, 200, 1.3, 1.3), Light(940), "p", 25)
    assert np.angle(found.transmission) == pytest.approx(2 * pi * 1.3 * 200 / 940, abs=1e-12)


@pytest.mark.parametrize("orders", [1, 9, 49, 121])
def test_a_uniform_stack_does_not_depend_on_the_number_of_orders(orders: int) -> None:
    stack = uniform(2.0, 300, 1.45, 1.0, (Film(1.7, 90),))
    one = diffraction(stack, Light(940, 12, 30), "p", 1).transmission
    assert diffraction(stack, Light(940, 12, 30), "p", orders).transmission == pytest.approx(
        one, abs=1e-12
    )


def test_a_thick_film_behind_total_reflection_stays_finite() -> None:
    # orders that decay by exp(-500) within the film: no growing exponential may appear
    stack = Stack(
        SQUARE_400, 1.0, 1.0, array(200).pillars, (Film(2.5, 20_000),), (Film(3.0, 9000),)
    )
    found = diffraction(stack, Light(940), "p", 121)
    assert found.lost == pytest.approx(0, abs=1e-10)


# --- long wavelengths: effective media ----------------------------------------------------------------

#: Perrins, McKenzie & McPhedran, Proc. R. Soc. Lond. A 369, 207 (1979), after Rayleigh (1892); from memory.
PERRINS = {
    "square": ((4, 0.305827), (8, 1.402958), (8, 0.013362)),
    "hexagonal": ((6, 0.075422), (12, 1.060283), (12, 0.000076)),
}


def effective_permittivity(kind: str, fill: float, inside: float, outside: float) -> float:
    """Of a lattice of cylinders, for a static field across them."""
    t = (outside + inside) / (outside - inside)
    (a, b), (c, d), (e, f) = PERRINS[kind]
    below = t + fill - b * fill**a * t / (t * t - d * fill**c) - f * fill**e / t
    return outside * (1 - 2 * fill / below)


@pytest.mark.parametrize("kind", ["square", "hexagonal"])
@pytest.mark.parametrize("inside, outside", [(12.96, 1.0), (4.0, 1.0), (1.0, 4.0)])
def test_fine_lattices_of_discs_act_as_rayleighs_medium(
    kind: str, inside: float, outside: float
) -> None:
    pitch, diameter, height = 4.0, 2.6, 500.0  # a pitch of lambda / 235
    area = pitch**2 * (1.0 if kind == "square" else sqrt(3) / 2)
    eps = effective_permittivity(kind, pi * diameter**2 / 4 / area, inside, outside)
    layer = PillarLayer(sqrt(inside), sqrt(outside), height, (Pillar(diameter),))
    found = diffraction(
        Stack(single_cell(kind, pitch), 1.45, 1.0, (layer,)), Light(940), "p", 441
    ).transmission
    wanted = coh_tmm("p", [1.45, sqrt(eps), 1.0], [math.inf, height, math.inf], 0, 940)
    t = wanted["t"] / sqrt(1.45)
    # the truncated series is within a few parts in a thousand of the medium's index
    per_index = 2 * pi * height / 940
    assert np.angle(found / t) == pytest.approx(0, abs=3e-3 * per_index * sqrt(eps))


@pytest.mark.parametrize("polarisation", ["p", "s"])
def test_fine_lines_act_as_rytovs_medium(polarisation: str) -> None:
    # S. M. Rytov, Sov. Phys. JETP 2, 466 (1956): the mean of eps along the lines, of 1/eps across them.
    # Squares a hair apart along y are lines along y. The fields at the lines' ends shift the phase in
    # proportion to the period, so two periods are extrapolated to none.
    fill, height = 0.4, 500.0
    eps = 1 / (fill / 4 + (1 - fill)) if polarisation == "p" else fill * 4 + (1 - fill)
    wanted = coh_tmm("s", [1.45, sqrt(eps), 1.0], [math.inf, height, math.inf], 0, 940)

    def change(period: float) -> tuple[float, float]:
        side = fill * period
        layer = PillarLayer(2.0, 1.0, height, (Pillar(side),), squares=True)
        stack = Stack(Cell(period, side * (1 + 1e-6)), 1.45, 1.0, (layer,))
        t = diffraction(stack, Light(940), polarisation, 81).transmission
        return float(np.angle(t / wanted["t"])), abs(t) ** 2 - wanted["T"]

    (phase_2, power_2), (phase_4, power_4) = change(2.0), change(4.0)
    assert 2 * phase_2 - phase_4 == pytest.approx(0, abs=5e-5)
    assert 2 * power_2 - power_4 == pytest.approx(0, abs=2e-6)


# --- what symmetry and conservation ask ---------------------------------------------------------------

indices = st.floats(1.0, 4.0)


@settings(max_examples=40)
@given(
    n_pillar=indices, n_around=indices, n_in=st.floats(1.0, 2.0), n_out=st.floats(1.0, 2.0),
    share=st.floats(0.1, 0.95), height=st.floats(50, 1500), angle=st.floats(0, 25),
    azimuth=st.sampled_from([0.0, 90.0, 45.0, 17.0]), squares=st.booleans(),
    kind=st.sampled_from(["square", "hexagonal"]), polarisation=st.sampled_from(["s", "p"]),
)  # fmt: skip
def test_lossless_stacks_keep_all_power(
    n_pillar: float, n_around: float, n_in: float, n_out: float, share: float, height: float,
    angle: float, azimuth: float, squares: bool, kind: str, polarisation: str,
) -> None:  # fmt: skip
    size = 400 * share * (sqrt(3) / 2 if squares and kind == "hexagonal" else 1)
    layer = PillarLayer(n_pillar, n_around, height, (Pillar(size),), squares)
    stack = Stack(
        single_cell(kind, 400), n_in, n_out, (layer,), (Film(1.9, 80),), (Film(1.38, 110),)
    )
    found = diffraction(stack, Light(940, angle, azimuth), polarisation, 25)
    assert found.lost == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("polarisation", ["s", "p"])
@pytest.mark.parametrize("azimuth_deg", [0.0, 30.0])
def test_light_passes_either_way_alike(polarisation: str, azimuth_deg: float) -> None:
    # reciprocity: zero-order t is the same from below and from above, phase and all, absorption or not;
    # the way back has the same lateral wave vector (the pillars are their own image under a half turn)
    layers = (
        PillarLayer(3.7 + 0.05j, 1.0, 250, (Pillar(230.0),)),
        PillarLayer(3.7 + 0.05j, 1.0, 350, (Pillar(180.0),)),
    )
    up = Stack(SQUARE_400, 1.45, 1.0, layers, (Film(1.9, 80),), (Film(1.4, 150),))
    angle_up = 15.0
    angle_down = math.degrees(math.asin(1.45 * math.sin(math.radians(angle_up))))
    one = diffraction(up, Light(940, angle_up, azimuth_deg), polarisation, 81)
    other = diffraction(up.reversed(), Light(940, angle_down, azimuth_deg), polarisation, 81)
    assert one.transmission == pytest.approx(other.transmission, abs=1e-11)
    assert one.lost > 0.01  # the absorption is there
    assert one.reflection != pytest.approx(other.reflection, abs=1e-3)


@pytest.mark.parametrize("light", [Light(940), Light(940, 14, 0), Light(940, 14, 90)], ids=str)
@pytest.mark.parametrize("polarisation", ["s", "p"])
@pytest.mark.parametrize(
    "stack",
    [
        array(210),
        array(210, squares=True),
        array(210, cell=single_cell("hexagonal", 400)),
        array(210, squares=True, cell=single_cell("hexagonal", 400)),
    ],
    ids=["disc", "square", "disc, hexagonal", "square, hexagonal"],
)
def test_folding_by_mirrors_changes_nothing(
    stack: Stack, polarisation: str, light: Light, monkeypatch: pytest.MonkeyPatch
) -> None:
    folded = diffraction(stack, light, polarisation, 81)
    monkeypatch.setattr(coupled_waves, "_mirrors", lambda _: (False, False))
    whole = diffraction(stack, light, polarisation, 81)
    assert whole.unknowns > 1.7 * folded.unknowns
    assert folded.transmission == pytest.approx(whole.transmission, abs=1e-10)
    assert folded.reflection == pytest.approx(whole.reflection, abs=1e-10)


def test_a_cell_of_two_equal_pillars_is_the_lattice_itself() -> None:
    one = diffraction(array(210), Light(940, 10), "p", 81)
    layer = PillarLayer(SILICON, 1.0, 600, (Pillar(210.0), Pillar(210.0, 400.0)))
    two = diffraction(Stack(Cell(800, 400), GLASS, 1.0, (layer,)), Light(940, 10), "p", 17 * 9)
    assert two.transmission == pytest.approx(one.transmission, abs=1e-10)
    assert two.order(1) == pytest.approx((0, 0), abs=1e-15)


@pytest.mark.parametrize("squares", [False, True])
def test_a_centred_cell_is_two_pillars_in_a_plain_one(squares: bool) -> None:
    cell = single_cell("hexagonal", 400)
    one = diffraction(array(210, squares=squares, cell=cell), Light(940), "p", 85)
    pillars = (Pillar(210.0), Pillar(210.0, cell.x_nm / 2, cell.y_nm / 2))
    layer = PillarLayer(SILICON, 1.0, 600, pillars, squares)
    two = diffraction(Stack(Cell(cell.x_nm, cell.y_nm), GLASS, 1.0, (layer,)), Light(940), "p", 170)
    assert two.transmission == pytest.approx(one.transmission, abs=1e-9)


def test_discs_on_a_square_lattice_do_not_tell_x_from_y() -> None:
    a, b = (diffraction(array(190), Light(940), pol, 121) for pol in ("s", "p"))
    assert a.transmission == pytest.approx(b.transmission, abs=1e-11)
    c = diffraction(array(190), Light(940, 18, 0), "s", 121)
    d = diffraction(array(190), Light(940, 18, 90), "s", 121)
    assert c.transmission == pytest.approx(d.transmission, abs=1e-11)


@pytest.mark.parametrize("polarisation", ["s", "p"])
def test_hexagonal_lattices_of_discs_hardly_tell_x_from_y(polarisation: str) -> None:
    # exact for all orders; the box of orders is no hexagon, so only nearly so for some
    cell = single_cell("hexagonal", 450)
    x = diffraction(array(200, cell=cell), Light(940), "p", 441).transmission
    y = diffraction(array(200, cell=cell), Light(940), "s", 441).transmission
    assert abs(np.angle(x / y)) < 5e-3
    assert abs(abs(x) - abs(y)) < 1e-3


def test_a_mirrored_grating_mirrors_its_orders() -> None:
    sizes = [130.0, 170.0, 205.0, 260.0]

    def grating(each: list[float]) -> Stack:
        pillars = tuple(Pillar(size, 400.0 * i) for i, size in enumerate(each))
        return Stack(Cell(1600, 400), GLASS, 1.0, (PillarLayer(SILICON, 1.0, 600, pillars),))

    one = diffraction(grating(sizes), Light(940), "p", 200)
    # x -> -x, moved by a period
    other = diffraction(grating([sizes[0], *sizes[:0:-1]]), Light(940), "p", 200)
    for u in (-2, -1, 0, 1, 2):
        assert one.order(u) == pytest.approx(other.order(-u), abs=1e-10)
    assert one.lost == pytest.approx(0, abs=1e-10)
    # phase rises with the diameter, so light goes to +x
    assert one.order(1)[0] > 0.3 > one.order(-1)[0]


def test_orders_leave_at_the_sines_of_the_grating_equation() -> None:
    pillars = tuple(Pillar(size, 400.0 * i) for i, size in enumerate((130.0, 170.0, 205.0, 260.0)))
    stack = Stack(Cell(1600, 400), GLASS, 1.0, (PillarLayer(SILICON, 1.0, 600, pillars),))
    found = diffraction(stack, Light(940, 5), "p", 49)
    sine = GLASS * math.sin(math.radians(5))
    for u, sin_x in zip(found.u, found.sin_x, strict=True):
        assert sin_x == pytest.approx(sine + u * 940 / 1600, abs=1e-12)
    # those that travel in glass but not in air come back only
    beyond = np.abs(found.sin_x) > 1
    assert beyond.any()
    assert (found.transmitted[beyond] == 0).all()
    assert (found.reflected[beyond] > 0).all()


@pytest.mark.parametrize("wavelength_nm", [400.0, 580.0, 400.0 * (1 + 1e-12)])
def test_an_order_that_grazes_exactly_does_no_harm(wavelength_nm: float) -> None:
    # Rayleigh's anomaly: lambda = pitch in air, lambda = 1.45 pitch in glass
    found = diffraction(array(150), Light(wavelength_nm), "p", 81)
    assert np.isfinite(found.transmission)
    assert found.lost == pytest.approx(0, abs=1e-6)


def test_absorbing_pillars_lose_power_and_clear_ones_none() -> None:
    layer = PillarLayer(3.6 + 0.02j, 1.0, 600, (Pillar(180.0),))
    found = diffraction(Stack(SQUARE_400, GLASS, 1.0, (layer,)), Light(940), "p", 121)
    assert 0.02 < found.lost < 0.3
    assert diffraction(array(180), Light(940), "p", 121).lost == pytest.approx(0, abs=1e-11)


# --- the array of facts.md ------------------------------------------------------------------------------


@pytest.mark.parametrize("diameter_nm, power", [(120, 0.985), (180, 0.938), (300, 0.950)])
def test_total_transmission_of_the_silicon_array(diameter_nm: float, power: float) -> None:
    # two general coupled-wave packages with normal-vector factorisation, 441 to 793 orders
    found = diffraction(array(diameter_nm), Light(940), "p", 441)
    assert found.transmitted.sum() == pytest.approx(power, abs=0.01)


def test_a_resonance_stands_near_238_nm() -> None:
    # the same two packages: down to about 0.01 within about 3 nm of diameter
    powers = {d: diffraction(array(d), Light(940), "p", 441).order(0)[0] for d in range(234, 243)}
    lowest = min(powers, key=powers.__getitem__)
    assert abs(lowest - 238) <= 1
    assert powers[lowest] < 0.03
    assert powers[lowest - 3] > 0.85
    assert powers[lowest + 3] > 0.85


@pytest.mark.parametrize("diameter_nm", [110, 160, 225, 300, 325])
def test_441_orders_are_within_5_mrad_of_841(diameter_nm: float) -> None:
    few = diffraction(array(diameter_nm), Light(940), "p", 441).transmission
    many = diffraction(array(diameter_nm), Light(940), "p", 841).transmission
    assert abs(np.angle(few / many)) < 5e-3
    assert abs(abs(few) - abs(many)) < 1e-3


def test_the_flank_of_the_resonance_stays_within_a_fifth_of_a_nanometre() -> None:
    few, many, next_one = (
        diffraction(array(d), Light(940), "p", n).transmission
        for d, n in ((237.0, 441), (237.0, 841), (237.5, 441))
    )
    assert abs(few - many) / (abs(next_one - few) / 0.5) < 0.2


# --- what no stack may be -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: Film(1.5, 0.0), "want a thickness above 0, got 0.0"),
        (lambda: Film(1.5 - 0.1j, 10.0), "want absorption k of at least 0, got -0.1"),
        (lambda: PillarLayer(3.6, 1 - 1e-3j, 600, (Pillar(100.0),)), "want absorption k"),
        (lambda: PillarLayer(3.6, 1.0, -600, (Pillar(100.0),)), "want a thickness above 0"),
        (lambda: array(400), "want pillars that do not touch, got 400 nm and 400 nm, 400 nm apart"),
        (lambda: array(347, squares=True, cell=single_cell("hexagonal", 400)), "do not touch"),
        (lambda: Light(0.0), "want a wavelength above 0"),
        (lambda: Light(940, 90), "want an angle from 0 to below 90"),
    ],
)
def test_impossible_stacks_are_refused(make, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        make()


@pytest.mark.parametrize("centred", [False, True])
@pytest.mark.parametrize("x", [-400.0, 0.0, 400.0])
@pytest.mark.parametrize("y", [-400.0, 0.0, 400.0])
def test_pillars_that_touch_across_an_edge_of_the_cell_are_refused(
    x: float, y: float, centred: bool
) -> None:
    # 300 nm wide on a cell of 1000 nm: at +-400 nm along an axis two of them are 200 nm apart
    # through the edge; in a centred cell so is the copy half a cell away, in every direction
    cell = Cell(1000.0, 1000.0, centred)
    both = (Pillar(300.0, x, y), Pillar(300.0, -x, -y))
    alone = (Pillar(300.0), Pillar(300.0, x, y))
    for pillars, touch in ((both, x != 0 or y != 0), (alone, centred and bool(x and y))):
        if pillars[0] == pillars[1]:
            continue
        for pair in (pillars, pillars[::-1]):
            layer = PillarLayer(SILICON, 1.0, 600.0, pair)
            if not touch:
                Stack(cell, GLASS, 1.0, (layer,))
                continue
            with pytest.raises(ValueError, match="want pillars that do not touch"):
                Stack(cell, GLASS, 1.0, (layer,))


def test_light_from_an_absorbing_medium_is_refused() -> None:
    with pytest.raises(ValueError, match="want light from a medium that does not absorb"):
        diffraction(uniform(1.5, 50, 1.5 + 0.1j, 1.0), Light(940), "p", 9)
