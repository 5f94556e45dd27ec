"""A smooth surface over (density, diameter) from scattered SEM errors, with honest errors of its own.

What site i shows is its measured minus its wanted diameter,

    y_i = g(density_i, master_i) + s d_i + a u_i^2 + o_job + noise,    noise ~ N(0, sigma^2 v_i)

with g what the process adds where a known table is drawn exactly, d_i how far the drawn diameter
departs from that table (split, zone, rounding, a later table), s = d(measured)/d(drawn), a the
radial term at the rim (u = 1) and o_job the drift of an earlier job against the last. g is bilinear
between the nodes of a table, as the correction will be, and its node values are a Gaussian
process: a bilinear trend without a prior worth the name, and a smooth departure from it
(Matern 5/2 in each of density and diameter; C. E. Rasmussen and C. K. I. Williams, Gaussian
Processes for Machine Learning, MIT Press 2006, chapters 2, 4 and 5).

How smooth, and how large against the noise, is not chosen: every pair of correlation lengths and
every ratio of variances on a grid is weighed by its marginal likelihood, sigma integrated out, and the
answers are averaged. So data without noise are followed exactly and noisy data are not. For
one pair of lengths all ratios come from one eigendecomposition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LENGTHS", "Nodes", "Observations", "SurfaceFit", "bilinear", "fit_surface", "tents"]

FloatArray = NDArray[np.float64]

#: Correlation lengths in spans of the data: from a kink between neighbouring nodes to a plain bend.
LENGTHS = (0.125, 0.25, 0.5, 1.0, 2.0)
#: Variance of the departure from the trend over that of the noise; 0 is the trend alone.
RATIOS = np.concatenate([[0.0], 10.0 ** np.arange(-1.5, 8.1, 0.5)])
#: Noise below this is rounding of the file: three decimals of a nm.
FLOOR_NM = 0.001
#: Prior standard deviations in nm: so wide that any honest data overrule them, so that what the
#: data cannot tell (all sites at one radius, say) stays near 0 with a large error.
CONSTANT_NM, TREND_NM, RADIAL_NM = 100.0, 50.0, 10.0
#: From one write to the next a process moves by a nm or two (common practice, no source).
DRIFT_NM = 2.0
#: The relative variance that stands for "this site says nothing".
IGNORED = 1e12
#: Narrower spans than these say nothing about a slope in density or diameter.
LEAST_SPAN = (0.02, 10.0)
_MOST_PARTS = 40  # of the average; beyond them weights are below a per cent
_SHARE = 0.98


def tents(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """Weights (at, nodes) of linear interpolation, clamped at the ends."""
    found = np.zeros((len(at), len(nodes)))
    if len(nodes) == 1:
        found[:] = 1.0
        return found
    i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, len(nodes) - 2)
    u = np.clip((at - nodes[i]) / (nodes[i + 1] - nodes[i]), 0.0, 1.0)
    rows = np.arange(len(at))
    found[rows, i] = 1.0 - u
    found[rows, i + 1] = u
    return found


def bilinear(
    densities: FloatArray,
    diameters_nm: FloatArray,
    values: FloatArray,
    density: FloatArray,
    master_nm: FloatArray,
) -> FloatArray:
    """A table's value at each (density, master), clamped at its ends; values is (densities, diameters)."""
    rows = tents(densities, density) @ values
    found: FloatArray = (rows * tents(diameters_nm, master_nm)).sum(axis=1)
    return found


@dataclass(frozen=True, eq=False, slots=True)
class Observations:
    """Measured sites, one entry each: error_nm is measured less offset less wanted.

    departure_nm: drawn less (master + the known table); radius: from the wafer's centre, 1 at its
    rim; job: 0 for the first, the last is the one in force; variance: of the noise, 1 the usual.
    """

    density: FloatArray
    master_nm: FloatArray
    error_nm: FloatArray
    departure_nm: FloatArray
    radius: FloatArray
    job: NDArray[np.intp]
    variance: FloatArray

    def __len__(self) -> int:
        return len(self.error_nm)


class Nodes:
    """The nodes of a table, flattened density by density, and what they mean at the sites."""

    def __init__(
        self, densities: FloatArray, diameters_nm: FloatArray, observed: Observations
    ) -> None:
        self.densities, self.diameters_nm = densities, diameters_nm
        rho, d = observed.density, observed.master_nm
        spans = [
            max(float(np.ptp(x)), least) for x, least in zip((rho, d), LEAST_SPAN, strict=True)
        ]
        self._u = (densities - (rho.min() + rho.max()) / 2) / spans[0]
        self._v = (diameters_nm - (d.min() + d.max()) / 2) / spans[1]
        u, v = (x.ravel() for x in np.meshgrid(self._u, self._v, indexing="ij"))
        #: (nodes, 4): 1, density, diameter and their product
        self.trend = np.stack([np.ones_like(u), u, v, u * v], axis=1)
        #: (sites, nodes): bilinear weights
        self.weights = (
            tents(densities, rho)[:, :, None] * tents(diameters_nm, d)[:, None, :]
        ).reshape(len(rho), -1)
        #: the nodes that some site's weight is on, by number
        self.touched = np.flatnonzero(self.weights.sum(axis=0) > 0)
        self._kept: dict[tuple[float, float], FloatArray] = {}

    def __len__(self) -> int:
        return len(self.trend)

    def covariance(self, lengths: tuple[float, float]) -> FloatArray:
        """Prior covariance (touched, nodes) of node values; lengths of 0 leave each node on its own."""
        if lengths not in self._kept:
            count = len(self.diameters_nm)
            every, rows = np.arange(len(self)), self.touched
            if lengths[0] == 0:
                found: FloatArray = np.equal(rows[:, None], every).astype(np.float64)
            else:
                ku = _matern(self._u, lengths[0])[np.ix_(rows // count, every // count)]
                kv = _matern(self._v, lengths[1])[np.ix_(rows % count, every % count)]
                found = ku * kv
            self._kept[lengths] = found
        return self._kept[lengths]


def _array(found: NDArray[np.floating]) -> FloatArray:
    """What linear algebra gave back, as the double precision that it is."""
    return found.astype(np.float64, copy=False)


def _matern(x: FloatArray, length: float) -> FloatArray:
    """Matern covariance of smoothness 5/2 between all pairs."""
    r = np.sqrt(5.0) * np.abs(x[:, None] - x) / length
    found: FloatArray = (1 + r + r * r / 3) * np.exp(-r)
    return found


@dataclass(frozen=True, eq=False, slots=True)
class SurfaceFit:
    """What the sites say, and how sure it is; standard deviations are of the posterior.

    g_nm, g_sigma_nm, g_slope_cov (nodes,): the surface and its covariance with the slope.
    at_sites_nm: the surface at the sites; at_sites_sigma_nm: of that. residual_nm: measured less
    fitted. left_out_nm: measured less what the other sites predict; left_out_sigma_nm: of that
    prediction, the site's own noise apart.
    """

    nodes: Nodes
    g_nm: FloatArray
    g_sigma_nm: FloatArray
    g_slope_cov: FloatArray
    at_sites_nm: FloatArray
    at_sites_sigma_nm: FloatArray
    at_sites_slope_cov: FloatArray
    slope: float
    slope_sigma: float
    radial_nm: float
    radial_sigma_nm: float
    drift_nm: FloatArray
    sigma_nm: float
    residual_nm: FloatArray
    left_out_nm: FloatArray
    left_out_sigma_nm: FloatArray
    log_evidence: float


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
    """One pair of correlation lengths: the kernel, and the eigenvalues behind every ratio."""

    lengths: tuple[float, float]
    scale: float
    values: FloatArray
    vectors: FloatArray
    log_weight: FloatArray
    sigma2: FloatArray


def fit_surface(
    nodes: Nodes,
    observed: Observations,
    variance: FloatArray,
    *,
    slope_prior: float,
    sigma_nm: float,
    lengths: tuple[float, ...] = LENGTHS,
    passes: int = 2,
    average: bool = True,
) -> SurfaceFit:
    """Fit the surface, the radial term and the slope; `variance` IGNORED leaves a site out.

    slope_prior: standard deviation of the slope around 1; 0 holds it there. sigma_nm: a first
    guess of the noise, which only says how much the wide priors weigh. `average` False takes
    the likeliest smoothness alone, which is enough to judge residuals by.
    """
    n = len(observed)
    design, prior = _design(nodes, observed, slope_prior)
    live = variance < IGNORED / 2
    b = nodes.weights[:, nodes.touched]
    z = observed.error_nm - observed.departure_nm
    dof = max(int(live.sum()) - design.shape[1] + 1, 1)
    kernels = _kernels(nodes, b[live], design[live, :4], lengths)
    sigma2 = max(sigma_nm, FLOOR_NM) ** 2
    for _ in range(passes):
        used = sigma2
        lower = np.linalg.cholesky(np.diag(variance) + (design * (prior / used)) @ design.T)
        whiten = _array(np.linalg.inv(lower))
        white = whiten @ np.column_stack([b, z])
        q, r = np.linalg.qr(white[:, :-1])
        parts = [
            _part(pair, scale, r @ kernel @ r.T, q.T @ white[:, -1], white[:, -1], dof, first=not k)
            for k, (pair, scale, kernel) in enumerate(kernels)
        ]
        logs = np.array([part.log_weight for part in parts])
        share = np.exp(logs - logs.max())
        evidence = float(np.log(share.sum() / len(parts)) + logs.max())
        share /= share.sum()
        sigma2 = float((share * np.array([part.sigma2 for part in parts])).sum())
    order = np.argsort(-share, axis=None, kind="stable")
    count = int(np.searchsorted(np.cumsum(share.ravel()[order]), _SHARE)) + 1
    chosen = order[: min(count, _MOST_PARTS) if average else 1]
    targets = _Targets(nodes, design, prior / used, whiten, white, slope_prior > 0)
    answers = [targets.ask(parts[k // len(RATIOS)], q, int(k % len(RATIOS))) for k in chosen]
    weights = share.ravel()[chosen] / share.ravel()[chosen].sum()
    slope_at = len(nodes) + n + 1 if slope_prior > 0 else None
    mean, variances, with_slope = _averaged(answers, weights, slope_at)
    left_out, left_out_sigma = targets.left_out(answers[0], whiten, z, variance)
    nodes_, sites = slice(0, len(nodes)), slice(len(nodes), len(nodes) + n)
    rest = mean[len(nodes) + n :]
    rest_sigma = np.sqrt(variances[len(nodes) + n :])
    slope = 1.0 + float(rest[1]) if slope_prior > 0 else 1.0
    drift = rest[2 if slope_prior > 0 else 1 :]
    at_sites = mean[sites]
    fitted = at_sites + observed.departure_nm * slope + observed.radius**2 * rest[0]
    fitted = fitted + np.append(drift, 0.0)[observed.job]
    sigma = np.sqrt(variances)
    return SurfaceFit(
        nodes, mean[nodes_], sigma[nodes_], with_slope[nodes_], at_sites, sigma[sites],
        with_slope[sites], slope, float(rest_sigma[1]) if slope_prior > 0 else 0.0,
        float(rest[0]), float(rest_sigma[0]), drift, float(np.sqrt(sigma2)),
        observed.error_nm - fitted, left_out, left_out_sigma, evidence,
    )  # fmt: skip


def _design(
    nodes: Nodes, observed: Observations, slope_prior: float
) -> tuple[FloatArray, FloatArray]:
    """Columns (sites, terms) beside the smooth surface, and the prior variance of each in nm^2.

    In order: the trend's four, the radial term, the slope if it is free, each earlier job's drift.
    """
    columns = [nodes.weights @ nodes.trend, observed.radius[:, None] ** 2]
    sigma = [CONSTANT_NM, TREND_NM, TREND_NM, TREND_NM, RADIAL_NM]
    if slope_prior > 0:
        columns.append(observed.departure_nm[:, None])
        sigma.append(slope_prior)
    for job in range(int(observed.job.max())):
        columns.append((observed.job == job).astype(np.float64)[:, None])
        sigma.append(DRIFT_NM)
    return np.hstack(columns), np.array(sigma) ** 2


def _kernels(
    nodes: Nodes, b: FloatArray, trend: FloatArray, lengths: tuple[float, ...]
) -> list[tuple[tuple[float, float], float, FloatArray]]:
    """(lengths, scale, kernel over the touched nodes), scaled to a departure of variance 1.

    Long lengths hold mostly what the trend holds already: counted is what the trend leaves.
    """
    q, _ = np.linalg.qr(trend)
    beyond = b - q @ (q.T @ b)
    found = []
    for pair in [*((u, v) for u in lengths for v in lengths), (0.0, 0.0)]:
        kernel = nodes.covariance(pair)[:, nodes.touched]
        mean_square = float(np.einsum("ij,ij->", beyond @ kernel, beyond)) / len(b)
        scale = 1 / max(mean_square, 1e-12)
        found.append((pair, scale, kernel * scale))
    return found


def _part(
    lengths: tuple[float, float], scale: float, kernel: FloatArray, c: FloatArray, y: FloatArray,
    dof: int, *, first: bool,
) -> _Part:  # fmt: skip
    """Evidence and noise for every ratio from one eigendecomposition, in whitened coordinates."""
    values, vectors = np.linalg.eigh((kernel + kernel.T) / 2)
    values = np.maximum(values, 0.0)
    square = (vectors.T @ c) ** 2
    beyond = max(float(y @ y - c @ c), 0.0)
    grown = 1 + RATIOS[:, None] * values
    misfit = beyond + (square / grown).sum(axis=1) + FLOOR_NM**2
    log_weight = -0.5 * np.log(grown).sum(axis=1) - dof / 2 * np.log(misfit)
    if not first:
        log_weight[0] = -np.inf  # the trend alone is the same for every pair: once is enough
    return _Part(lengths, scale, values, vectors, log_weight, misfit / dof)


@dataclass(frozen=True, eq=False, slots=True)
class _Answer:
    """Posterior of the targets under one smoothness, and what leaving sites out needs."""

    mean: FloatArray
    variance: FloatArray
    with_slope: FloatArray
    shrink: FloatArray
    turned: FloatArray
    sigma2: float


class _Targets:
    """What is asked of each smoothness: node values, the surface at the sites, the other terms."""

    def __init__(
        self, nodes: Nodes, design: FloatArray, prior: FloatArray, whiten: FloatArray,
        white: FloatArray, free_slope: bool,
    ) -> None:  # fmt: skip
        self.nodes, self.white = nodes, white
        terms = len(prior) - 4
        # rows over (node values, terms): nodes, then sites, then terms
        trend = np.vstack([nodes.trend, design[:, :4], np.zeros((terms, 4))])
        other = np.vstack([np.zeros((len(nodes) + len(design), terms)), np.eye(terms)])
        rows = np.hstack([trend, other])
        self.fixed = whiten @ ((design * prior) @ rows.T)
        self.prior = (rows**2 * prior).sum(axis=1)
        self.slope = len(nodes) + len(design) + 1 if free_slope else None

    def ask(self, part: _Part, q: FloatArray, ratio: int) -> _Answer:
        weight = RATIOS[ratio] * part.scale
        nodes, y = self.nodes, self.white[:, -1]
        cross, prior = self.fixed.copy(), self.prior.copy()
        if weight > 0:
            kernel = nodes.covariance(part.lengths) * weight
            inner = kernel[:, nodes.touched]
            b = nodes.weights[:, nodes.touched]
            m = len(nodes)
            cross[:, :m] += self.white[:, :-1] @ kernel
            cross[:, m : m + len(b)] += self.white[:, :-1] @ (inner @ b.T)
            prior[:m] += weight
            prior[m : m + len(b)] += np.einsum("ij,ij->i", b @ inner, b)
        shrink = RATIOS[ratio] * part.values / (1 + RATIOS[ratio] * part.values)
        turned = q @ part.vectors
        h = turned.T @ cross
        mean = cross.T @ y - h.T @ (shrink * (turned.T @ y))
        sigma2 = float(part.sigma2[ratio])
        variance = prior - (cross**2).sum(axis=0) + (shrink[:, None] * h**2).sum(axis=0)
        with_slope = np.zeros_like(variance)
        if self.slope is not None:
            k = [self.slope]
            with_slope = (shrink[:, None] * h * h[:, k]).sum(axis=0) - (cross * cross[:, k]).sum(
                axis=0
            )
            with_slope[k] = variance[k]
        return _Answer(
            mean, np.maximum(variance, 0.0) * sigma2, with_slope * sigma2, shrink, turned, sigma2
        )

    def left_out(
        self, answer: _Answer, whiten: FloatArray, z: FloatArray, variance: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Each site less what the others predict for it, and the sigma of that prediction.

        From the inverse covariance C of all sites: residual (C z)_i / C_ii, its variance 1 / C_ii
        (Rasmussen and Williams, equations 5.10 to 5.12).
        """
        turned = answer.turned.T @ whiten
        c = whiten.T @ whiten - turned.T @ (answer.shrink[:, None] * turned)
        diagonal = np.diag(c)
        own = np.maximum(1 / diagonal - variance, 0.0)
        # of an ignored site 1 / C_ii is its huge variance to 16 digits: asked for the other way
        found = (c @ z) / diagonal
        sigma = np.sqrt(answer.sigma2 * own)
        gone = variance >= IGNORED / 2
        if gone.any():
            sites = slice(len(self.nodes), len(self.nodes) + len(z))
            sigma[gone] = np.sqrt(answer.variance[sites][gone])
        return found, sigma


def _averaged(
    answers: list[_Answer], weights: FloatArray, slope: int | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, variance and covariance with the slope over all smoothnesses (law of total variance)."""
    means = np.array([answer.mean for answer in answers])
    mean = weights @ means
    off = means - mean
    variance = weights @ np.array([answer.variance for answer in answers]) + weights @ off**2
    if slope is None:
        return mean, variance, np.zeros_like(mean)
    with_slope = weights @ np.array([answer.with_slope for answer in answers])
    return mean, variance, with_slope + weights @ (off * off[:, [slope]])
