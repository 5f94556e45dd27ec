"""The outlier rule: its numbers, and that it finds gross errors and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from layoutgen.exposure.outliers import LIMIT, find_outliers, modified_z
from layoutgen.exposure.surface import Nodes, Observations

DENSITIES = np.linspace(0.05, 0.45, 5)
DIAMETERS = np.linspace(120.0, 300.0, 10)


def test_modified_z_by_hand() -> None:
    # median 3, deviations 2 1 0 1 97, MAD 1
    assert modified_z(np.array([1.0, 2.0, 3.0, 4.0, 100.0])) == pytest.approx(
        [-1.349, -0.6745, 0.0, 0.6745, 65.4265]
    )
    # 0.6745 is the upper quartile of the normal distribution, which makes MAD / 0.6745 a sigma
    assert norm.ppf(0.75) == pytest.approx(0.6745, abs=5e-5)
    assert LIMIT == 3.5  # Iglewicz and Hoaglin 1993, from memory


def test_modified_z_without_spread() -> None:
    assert modified_z(np.array([2.0, 2.0, 2.0, 2.0, 7.0])).tolist() == [0, 0, 0, 0, np.inf]


def observed(
    seed: int, noise_nm: float, gross: int, sites: int = 70
) -> tuple[Observations, list[int]]:
    """Sites on a bent surface with a slope and a radius, `gross` of them 8 to 30 nm wrong."""
    rng = np.random.default_rng(seed)
    rho, d = rng.uniform(0.08, 0.4, sites), rng.uniform(125, 295, sites)
    departure = rng.uniform(-0.5, 0.5, sites) + 4.0 * (rng.uniform(size=sites) < 0.15)
    radius = np.sqrt(rng.uniform(0, 0.9, sites))
    error = 4 - 20 * rho + 60 * (rho - 0.2) ** 2 + 2 * np.sin(d / 40) + departure - 2 * radius**2
    error += noise_nm * rng.normal(size=sites)
    wrong = sorted(rng.permutation(sites)[:gross].tolist())
    error[wrong] += rng.choice([-1, 1], gross) * rng.uniform(8, 30, gross)
    o = Observations(
        rho, d, error, departure, radius, np.zeros(sites, dtype=np.intp), np.ones(sites)
    )
    return o, wrong


@pytest.mark.parametrize("seed", range(6))
def test_gross_errors_are_found_and_nothing_else(seed: int) -> None:
    o, wrong = observed(seed, 0.8, 3)
    out, fit = find_outliers(Nodes(DENSITIES, DIAMETERS, o), o, slope_prior=0.2)
    assert np.flatnonzero(out).tolist() == wrong
    assert 0.5 < fit.sigma_nm < 1.1


@pytest.mark.parametrize("seed", range(4))
def test_without_noise_nothing_is_an_outlier_but_what_is_gross(seed: int) -> None:
    o, _ = observed(seed, 0.0, 0)
    assert not find_outliers(Nodes(DENSITIES, DIAMETERS, o), o, slope_prior=0.2)[0].any()
    o, wrong = observed(seed, 0.0, 2)
    out, _ = find_outliers(Nodes(DENSITIES, DIAMETERS, o), o, slope_prior=0.2)
    assert np.flatnonzero(out).tolist() == wrong


def test_structure_without_noise_is_no_outlier() -> None:
    # every node of the table on its own, 2 nm apart: lone sites cannot be predicted by the others
    o, _ = observed(1, 0.0, 0)
    nodes = Nodes(DENSITIES, DIAMETERS, o)
    rough = nodes.weights @ (2 * np.random.default_rng(5).normal(size=len(nodes)))
    o = Observations(
        o.density, o.master_nm, o.error_nm + rough, o.departure_nm, o.radius, o.job, o.variance
    )
    assert not find_outliers(nodes, o, slope_prior=0.2)[0].any()


def test_a_tenth_of_gross_errors_on_one_side_is_found() -> None:
    o, wrong = observed(11, 0.8, 7)
    shifted = o.error_nm.copy()
    shifted[wrong] = np.abs(shifted[wrong]) + 10  # all too large, as dust makes them
    o = Observations(o.density, o.master_nm, shifted, o.departure_nm, o.radius, o.job, o.variance)
    out, _ = find_outliers(Nodes(DENSITIES, DIAMETERS, o), o, slope_prior=0.2)
    assert set(wrong) <= set(np.flatnonzero(out).tolist())
