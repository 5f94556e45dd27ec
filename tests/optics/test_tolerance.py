"""What errors cost, to first order: against closed forms and against Monte Carlo sums over pillars."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from layoutgen.optics.tolerance import (
    _NODES,
    _WEIGHTS,
    AMOUNTS,
    Budget,
    Pillars,
    first_order_loss,
)
from layoutgen.optics.transmission import transmission_of
from layoutgen.recipe.tables import read_library


def budget(
    *, curve: float = 4e-5, dip: float = 0.0, bend: float = 0.0, used: tuple[int, int] = (120, 280),
    mean_square_sine: float = 0.01,
) -> Budget:  # fmt: skip
    """Phase 0.03 rad per nm at 200 nm, its slope growing by 2 curve per nm; one site on each diameter.

    The amplitude is a parabola of curvature 2 bend about 200 nm, less dips of the transmission.
    """
    rows = [
        (
            d,
            0.03 * (d - 200) + curve * (d - 200) ** 2,
            (math.sqrt(0.9) + bend * (d - 200) ** 2) ** 2 - dip * math.sin((d - 100) / 20) ** 2,
        )
        for d in range(100, 301)
    ]
    text = "diameter_nm,phase_rad,transmission\n" + "".join(
        f"{d},{phase:.12f},{t:.12f}\n" for d, phase, t in rows
    )
    diameter = np.arange(used[0], used[1] + 1, dtype=np.float64)
    return Budget(
        pillars=Pillars(diameter, np.ones(len(diameter))),
        transmission=transmission_of(read_library(text.encode(), "library.csv"), 940),
        wavelength_nm=940.0,
        mean_square_sine=mean_square_sine,
        ladder_nm=1.0,
        site_area_nm2=400.0**2,
        height_nm=600.0,
        index=3.6,
    )


def monte_carlo(b: Budget, offset_nm: float, sigma_nm: float, sites: int = 400_000) -> float:
    """Loss of |sum t exp(-i psi)|^2 with every pillar drawn by itself, psi the phase that it was chosen for."""
    rng = np.random.default_rng(11)
    d = rng.choice(b.pillars.diameter_nm, sites)
    before = b.transmission(d)
    after = b.transmission(d + offset_nm + sigma_nm * rng.standard_normal(sites))
    wanted = np.exp(-1j * np.angle(before))
    return (
        1 - abs(complex(np.sum(after * wanted))) ** 2 / abs(complex(np.sum(before * wanted))) ** 2
    )


def test_a_constant_phase_costs_nothing_and_a_variance_itself() -> None:
    weight = np.array([1.0, 2.0, 1.0])
    assert first_order_loss(weight, np.full(3, 0.4), np.zeros(3)) == pytest.approx(0, abs=1e-15)
    # variance of -1, 0, 1 with weights 1, 2, 1 is 1/2
    phase = np.array([-0.1, 0.0, 0.1])
    assert first_order_loss(weight, phase, np.zeros(3)) == pytest.approx(0.01 / 2)
    assert first_order_loss(weight, np.zeros(3), np.full(3, -0.02)) == pytest.approx(0.04)


@pytest.mark.parametrize("offset_nm", [2.0, 5.0, -5.0])
def test_offset_costs_the_square_times_the_variance_of_the_slope(offset_nm: float) -> None:
    # Taylor expansion: D^2 Var(dphi/dd); the slope 0.03 + 2 c (d - 200) is even over 161 nm:
    # variance (2 c)^2 (161^2 - 1) / 12
    b = budget()
    wanted = offset_nm**2 * (2 * 4e-5) ** 2 * (161**2 - 1) / 12
    assert b.first_order_offset(offset_nm) == pytest.approx(wanted, rel=5e-3)
    assert b.offset_loss(offset_nm) == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize("offset_nm, sigma_nm", [(5.0, 0.0), (-5.0, 0.0), (0.0, 2.0), (0.0, 3.0)])
@pytest.mark.parametrize("dip", [0.0, 0.05])
def test_first_order_losses_agree_with_monte_carlo(
    offset_nm: float, sigma_nm: float, dip: float
) -> None:
    b = budget(dip=dip)
    if offset_nm:
        found, exact = b.first_order_offset(offset_nm), b.offset_loss(offset_nm)
    else:
        found, exact = b.first_order_random(sigma_nm), b.random_loss(sigma_nm)
    drawn = monte_carlo(b, offset_nm, sigma_nm)
    assert found == pytest.approx(drawn, rel=0.06, abs=2e-5)
    assert exact == pytest.approx(drawn, rel=0.02, abs=2e-5)


def test_random_errors_cost_their_variance_times_the_mean_square_slope() -> None:
    # Taylor expansion: s^2 <(dphi/dd)^2>
    mean_square = 0.03**2 + (2 * 4e-5) ** 2 * (161**2 - 1) / 12
    assert budget().first_order_random(2.0) == pytest.approx(4 * mean_square, rel=5e-3)
    assert budget().random_loss(2.0) == pytest.approx(1 - math.exp(-4 * mean_square), rel=5e-3)


@pytest.mark.parametrize("bend", [-4e-5, 4e-6])
def test_amplitudes_that_bend_cost_or_save_twice_their_mean_change(bend: float) -> None:
    # Taylor expansion: |t| grows by bend s^2 on the mean, and the loss by -2 of what that is of |t|
    b = budget(curve=0.0, bend=bend)
    amplitude = math.sqrt(0.9) + bend * (b.pillars.diameter_nm - 200) ** 2
    wanted = 4 * (0.03**2 - 2 * bend / float(amplitude.mean()))
    assert b.first_order_random(2.0) == pytest.approx(wanted, rel=2e-3)


def test_rounding_to_a_ladder_costs_a_twelfth_of_the_square_step() -> None:
    # variance of rounding q^2 / 12 (Bennett 1948, from memory)
    b = replace(budget(), ladder_nm=4.0)
    assert b.ladder_loss() == pytest.approx(b.random_loss(math.sqrt(16 / 12)), rel=1e-9)


@pytest.mark.parametrize("sine, wanted", [(0.2, 0.0021), (0.5, 0.013)])
def test_stitching_costs_the_square_of_its_phase(sine: float, wanted: float) -> None:
    # 2 pi s sin(theta) / lambda: 20 nm at 550 nm (first order; derived with the generalised Snell law)
    b = replace(budget(mean_square_sine=sine**2), wavelength_nm=550.0)
    assert b.stitching_loss(20.0) == pytest.approx(wanted, rel=0.01)


def test_height_and_wavelength_cost_the_variance_of_the_phase() -> None:
    # phi grows with the height and with 1 / lambda: a linear phase over 161 nm at 0.03 per nm
    b = budget(curve=0.0)
    variance = 0.03**2 * (161**2 - 1) / 12
    assert b.height_loss(0.01) == pytest.approx(1e-4 * variance, rel=1e-3)
    assert b.wavelength_loss(0.02) == pytest.approx(4e-4 * variance, rel=1e-3)


def test_scale_and_wavelength_move_the_focus() -> None:
    # f goes with the square of the scale (300 ppm: 0.060 %), and with 1 / lambda
    costs = {cost.cause: cost for cost in budget().costs()}
    assert costs["scale"].focus / costs["scale"].amount * 300 == pytest.approx(0.00060)
    assert costs["wavelength"].focus == pytest.approx(-costs["wavelength"].amount / 940)


def test_index_is_not_told_without_height_or_index() -> None:
    b = budget()
    assert b.index_loss(0.01) is not None
    assert replace(b, index=None).index_loss(0.01) is None
    assert replace(b, height_nm=None).index_loss(0.01) is None


@pytest.mark.parametrize("loss", [0.002, 0.01, 0.05])
def test_what_is_allowed_costs_what_was_wanted(loss: float) -> None:
    b = budget(dip=0.03)
    offset, sigma = b.offset_allowed_nm(loss), b.random_allowed_nm(loss)
    assert offset is not None
    assert sigma is not None
    assert b.random_loss(sigma) == pytest.approx(loss, rel=1e-6)
    if offset < b.offset_known_nm:
        worst = max(b.offset_loss(offset), b.offset_loss(-offset))
        assert worst == pytest.approx(loss, rel=1e-6)
    for part in np.linspace(0, 1, 11):
        assert b.offset_loss(part * offset) <= loss * (1 + 1e-9)
        assert b.offset_loss(-part * offset) <= loss * (1 + 1e-9)


def test_the_budget_tells_larger_and_smaller_pillars_apart() -> None:
    # where the amplitude rises with the size, larger pillars gain what smaller ones lose
    b = budget(dip=0.2, used=(110, 140))
    larger, smaller = b.costs()[:2]
    assert (larger.amount, smaller.amount) == (AMOUNTS["diameter_offset_nm"], -larger.amount)
    assert larger.first_order == b.first_order_offset(larger.amount)
    assert smaller.first_order == b.first_order_offset(smaller.amount)
    assert larger.first_order != pytest.approx(smaller.first_order, rel=0.05)
    assert larger.first_order == pytest.approx(monte_carlo(b, larger.amount, 0.0), rel=0.1)
    assert smaller.first_order == pytest.approx(monte_carlo(b, smaller.amount, 0.0), rel=0.1)


def test_an_offset_is_allowed_as_far_as_the_library_reaches() -> None:
    # pillars of 120 to 280 nm in a library of 100 to 300 nm; a constant slope costs nothing anywhere
    b = budget(curve=0.0)
    assert b.offset_known_nm == pytest.approx(20.0)
    assert b.offset_allowed_nm(0.01) == pytest.approx(20.0)
    # beyond, a pillar is dark: one of 161 takes 1 / 161 of the amplitude
    assert b.offset_loss(21.0) == pytest.approx(1 - (160 / 161) ** 2, rel=1e-6)
    assert b.first_order_offset(21.0) == pytest.approx(2 / 161, rel=1e-6)


def test_what_a_pillar_stands_for_counts_and_not_its_own_phase() -> None:
    # each pillar stands for 400 phases over +- 0.2 rad about one that is off its own by up to 0.05 rad; where
    # that grows with the slope dphi/dd, an offset makes good a part of it: the cross term 2 Cov(error, dphi)
    b = budget()
    phase = np.angle(b.transmission(b.pillars.diameter_nm))
    off = 0.05 * (b.pillars.diameter_nm - 200) / 80
    psi = (phase + off)[:, None] + np.linspace(-0.2, 0.2, 401)[None, :]
    held = replace(b, pillars=replace(b.pillars, wanted=np.exp(1j * psi).mean(axis=1)))
    before, after = (
        abs(
            complex(
                np.sum(b.transmission(b.pillars.diameter_nm + offset)[:, None] * np.exp(-1j * psi))
            )
        )
        ** 2
        for offset in (0.0, 5.0)
    )
    assert held.offset_loss(5.0) == pytest.approx(1 - after / before, abs=1e-9)
    assert held.offset_loss(5.0) < 0 < b.offset_loss(5.0)


def test_random_errors_are_averaged_by_the_nodes_and_weights_of_gauss_and_hermite() -> None:
    # numpy.polynomial.hermite_e.hermegauss, whose weight exp(-x^2 / 2) sums to sqrt(2 pi)
    nodes, weights = np.polynomial.hermite_e.hermegauss(5)
    order = np.argsort(_NODES)
    np.testing.assert_allclose(np.array(_NODES)[order], nodes, atol=1e-14)
    np.testing.assert_allclose(
        np.array(_WEIGHTS)[order], weights / math.sqrt(2 * math.pi), rtol=1e-13
    )
