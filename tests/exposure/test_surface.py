"""The surface fit against the textbook's formulas, written out with dense inverses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator
from scipy.special import gamma, kv

from layoutgen.exposure import surface
from layoutgen.exposure.surface import (
    IGNORED,
    Nodes,
    Observations,
    SurfaceFit,
    bilinear,
    fit_surface,
    tents,
)

FloatArray = NDArray[np.float64]

DENSITIES = np.array([0.05, 0.15, 0.3, 0.45])
DIAMETERS = np.array([120.0, 160.0, 220.0, 300.0])


def observed(seed: int, sites: int = 30) -> Observations:
    """Sites all over a table, some drawn off it, from two jobs, with noise of two sizes."""
    rng = np.random.default_rng(seed)
    rho, d = rng.uniform(0.06, 0.44, sites), rng.uniform(125, 295, sites)
    departure = rng.uniform(-0.5, 0.5, sites) + 4.0 * (rng.uniform(size=sites) < 0.3)
    radius = np.sqrt(rng.uniform(0, 0.9, sites))
    error = 3 + 25 * (rho - 0.2) ** 2 * 10 + 2 * np.sin(d / 30) + departure - 2 * radius**2
    job = (np.arange(sites) % 3 > 0).astype(np.intp)
    variance = np.where(np.arange(sites) % 2, 1.0, 2.5)
    return Observations(
        rho, d, error + 0.4 * rng.normal(size=sites), departure, radius, job, variance
    )


def matern(r: FloatArray, length: float) -> FloatArray:
    """The general Matern covariance at smoothness 5/2 (Rasmussen and Williams 2006, eq. 4.14)."""
    nu = 2.5
    x = np.sqrt(2 * nu) * np.where(r == 0, 1.0, np.abs(r)) / length
    found = 2 ** (1 - nu) / gamma(nu) * x**nu * kv(nu, x)
    return np.where(r == 0, 1.0, found)


class Dense:
    """The same model with all its covariances as full matrices, one smoothness, no shortcuts."""

    def __init__(self, o: Observations, length: float, ratio: float, sigma: float) -> None:
        nodes = Nodes(DENSITIES, DIAMETERS, o)
        self.o, b = o, nodes.weights
        du = (DENSITIES[:, None] - DENSITIES) / np.ptp(o.density)
        dv = (DIAMETERS[:, None] - DIAMETERS) / np.ptp(o.master_nm)
        k = np.kron(matern(du, length), matern(dv, length))
        q, _ = np.linalg.qr(b @ nodes.trend)
        beyond = b - q @ (q.T @ b)
        k = k * ratio / (np.trace(beyond @ k @ beyond.T) / len(o))
        # every prior in units of the noise, as the evidence is (sigma integrated out)
        wide = np.array([100.0, 50.0, 50.0, 50.0]) ** 2 / sigma**2
        self.nodes = k + (nodes.trend * wide) @ nodes.trend.T
        other = np.stack([o.radius**2, o.departure_nm, (o.job == 0).astype(float)], axis=1)
        self.other = np.diag(np.array([10.0, 0.2, 2.0]) ** 2 / sigma**2)
        self.b, self.h = b, other
        self.cov = b @ self.nodes @ b.T + other @ self.other @ other.T + np.diag(o.variance)
        self.z = o.error_nm - o.departure_nm
        self.dof = len(o) - 7 + 1
        self.sigma2 = (self.z @ np.linalg.inv(self.cov) @ self.z + 1e-6) / self.dof

    def posterior(self, cross: FloatArray, prior: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance (Rasmussen and Williams, eqs. 2.25 and 2.26)."""
        inverse = np.linalg.inv(self.cov)
        return cross @ inverse @ self.z, self.sigma2 * (prior - cross @ inverse @ cross.T)


def one_smoothness(
    monkeypatch: pytest.MonkeyPatch, o: Observations, length: float, ratio: float, sigma: float
) -> SurfaceFit:
    monkeypatch.setattr(surface, "RATIOS", np.array([ratio]))
    return fit_surface(
        Nodes(DENSITIES, DIAMETERS, o), o, o.variance, slope_prior=0.2, sigma_nm=sigma,
        lengths=(length,), passes=1,
    )  # fmt: skip


@pytest.mark.parametrize("length, ratio", [(0.25, 100.0), (1.0, 3.0)])
def test_posterior_is_that_of_the_dense_formulas(
    length: float, ratio: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    o = observed(1)
    fit = one_smoothness(monkeypatch, o, length, ratio, 0.5)
    dense = Dense(o, length, ratio, 0.5)
    mean, cov = dense.posterior(dense.nodes @ dense.b.T, dense.nodes)
    assert fit.g_nm == pytest.approx(mean, abs=1e-6)
    assert fit.g_sigma_nm == pytest.approx(np.sqrt(np.diag(cov)), rel=1e-4)
    assert fit.at_sites_nm == pytest.approx(dense.b @ mean, abs=1e-6)
    assert fit.at_sites_sigma_nm == pytest.approx(
        np.sqrt(np.diag(dense.b @ cov @ dense.b.T)), rel=1e-4
    )
    other, other_cov = dense.posterior(dense.other @ dense.h.T, dense.other)
    assert (fit.radial_nm, fit.slope, fit.drift_nm[0]) == pytest.approx(
        (other[0], 1 + other[1], other[2]), abs=1e-6
    )
    assert (fit.radial_sigma_nm, fit.slope_sigma) == pytest.approx(
        tuple(np.sqrt(np.diag(other_cov))[:2]), rel=1e-4
    )
    # covariance of node values with the slope, from the joint posterior
    joint = -dense.sigma2 * (
        dense.nodes @ dense.b.T @ np.linalg.inv(dense.cov) @ dense.h @ dense.other
    )
    assert fit.g_slope_cov == pytest.approx(joint[:, 1], rel=1e-4, abs=1e-9)
    assert fit.sigma_nm == pytest.approx(np.sqrt(dense.sigma2), rel=1e-6)
    fitted = dense.b @ mean + dense.h @ other
    assert fit.residual_nm == pytest.approx(dense.z - fitted, abs=1e-6)


def test_density_and_diameter_have_their_own_correlation_length() -> None:
    o = observed(1)
    nodes = Nodes(DENSITIES, DIAMETERS, o)
    along = matern((DENSITIES[:, None] - DENSITIES) / np.ptp(o.density), 0.25)
    across = matern((DIAMETERS[:, None] - DIAMETERS) / np.ptp(o.master_nm), 1.0)
    whole = np.kron(along, across)
    assert nodes.covariance((0.25, 1.0)) == pytest.approx(whole[nodes.touched], abs=1e-9)


def test_left_out_residual_is_what_a_fit_without_the_site_leaves(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    o = observed(2)
    fit = one_smoothness(monkeypatch, o, 0.5, 20.0, 0.5)
    dense = Dense(o, 0.5, 20.0, 0.5)
    for k in (0, 7, 19):
        rest = np.arange(len(o)) != k
        inverse = np.linalg.inv(dense.cov[np.ix_(rest, rest)])
        row = dense.cov[k, rest]
        assert fit.left_out_nm[k] == pytest.approx(
            dense.z[k] - row @ inverse @ dense.z[rest], abs=1e-6
        )
        own = dense.cov[k, k] - o.variance[k] - row @ inverse @ row
        assert fit.left_out_sigma_nm[k] == pytest.approx(np.sqrt(dense.sigma2 * own), rel=1e-4)


def test_an_ignored_site_changes_nothing_but_is_predicted() -> None:
    o = observed(3)
    spoilt = Observations(
        o.density, o.master_nm, np.where(np.arange(len(o)) == 4, o.error_nm + 500, o.error_nm),
        o.departure_nm, o.radius, o.job, o.variance,
    )  # fmt: skip
    variance = np.where(np.arange(len(o)) == 4, IGNORED, o.variance)
    fits = [
        fit_surface(Nodes(DENSITIES, DIAMETERS, x), x, variance, slope_prior=0.2, sigma_nm=0.5)
        for x in (o, spoilt)
    ]
    assert fits[1].g_nm == pytest.approx(fits[0].g_nm, abs=1e-5)
    assert fits[1].slope == pytest.approx(fits[0].slope, abs=1e-6)
    assert fits[1].left_out_nm[4] - fits[0].left_out_nm[4] == pytest.approx(500, abs=1e-3)


def test_a_slope_that_is_held_stays_at_one() -> None:
    o = observed(4)
    fit = fit_surface(Nodes(DENSITIES, DIAMETERS, o), o, o.variance, slope_prior=0.0, sigma_nm=0.5)
    assert (fit.slope, fit.slope_sigma) == (1.0, 0.0)
    assert not fit.g_slope_cov.any()


@given(st.integers(0, 10**6))
def test_bilinear_is_that_of_scipy_inside_and_clamped_outside(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=(4, 4))
    rho, d = rng.uniform(-0.1, 0.6, 20), rng.uniform(80, 350, 20)
    reference = RegularGridInterpolator((DENSITIES, DIAMETERS), values)
    clamped = np.stack([np.clip(rho, *DENSITIES[[0, -1]]), np.clip(d, *DIAMETERS[[0, -1]])], axis=1)
    assert bilinear(DENSITIES, DIAMETERS, values, rho, d) == pytest.approx(
        reference(clamped), abs=1e-12
    )


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6, unique=True), st.floats(-1, 2))
def test_tents_are_positive_and_sum_to_one(nodes: list[float], at: float) -> None:
    found = tents(np.array(sorted(nodes)), np.array([at]))
    assert (found >= 0).all()
    assert found.sum() == pytest.approx(1, abs=1e-12)
    assert (found > 0).sum() <= 2
