"""The next bias table from SEM sizes: the fit, what it means for each node, and whether to go on.

The size drawn at a node should make the measured diameter the wanted one. With the surface g of
`exposure.surface`, relative to a known table b0, and the slope s,

    b = b0 - g / s

at every node that has sites in the cells around it; any other keeps the value of the table in
force and says so. b0 is the table of the *first* job given (later tables were made from those very
sizes, and the same data must not speak twice) or no table at all: what is smooth may be what the
first table left, or all that the process adds. The marginal likelihood says which.

The wafer's radial term stays out of the table (it holds at the wafer's centre): it is offered as
ring zones. A table acts at the densities of the next build, which its own bias shifts: d rho / rho =
2 d b / d, so 5 nm on 200 nm at 0.25 moves the density by 0.0125. That needs no correction, since g is a function
of the density as drawn and the next build looks the table up at its own.

Nodes are those of the tables in force, with one more where the data's edge falls into the near half of
a cell, and finer ones only where data without noise show a bend that the old ones cannot follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.outliers import find_outliers
from layoutgen.exposure.surface import (
    IGNORED,
    LENGTHS,
    Nodes,
    Observations,
    SurfaceFit,
    bilinear,
    fit_surface,
)
from layoutgen.exposure.zones import RingZone, ring_zones
from layoutgen.recipe.tables import BiasTableData

__all__ = ["LEAST_SITES", "Refinement", "SemData", "refine_table"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

#: Four for the plane, two for radius and slope, and two to tell noise from them.
LEAST_SITES = 8
#: Sites closer together than this stand at one density, or are one diameter.
LEAST_DENSITIES, LEAST_DIAMETERS_NM = 0.01, 5.0
#: How far d(measured)/d(drawn) is believed to be from 1 where nothing in the data tells (common
#: practice, no source), and how loosely it is held there when something does.
SLOPE_UNKNOWN, SLOPE_PRIOR = 0.1, 0.2
#: A slope is fitted when drawn sizes depart from the table by more than rounding can.
_LEVER_STEPS = 0.5
#: Slopes below these, the second in their own standard errors, say that sizes do not follow what is drawn.
_LEAST_SLOPE, _SURE_SLOPE = 0.2, 3.0
#: Nodes made where the old table has none: the steps, and to what an edge is rounded outward.
DENSITY_STEP, DIAMETER_STEP_NM = 0.05, 20.0
_TIDY_DENSITY, _TIDY_DIAMETER_NM = 0.01, 5.0
#: In spans of the data: a table's own node so near beyond them ends what they reach; if there is none, one
#: is made this far out.
_EDGE_NEAR, _EDGE_MADE = 0.1, 0.03
#: Parts of the data's span that finer nodes stand apart.
_FINER = 12
_FINER_LENGTHS = (0.25, 0.5, 1.0, 2.0)
#: Nats by which the old nodes are preferred: nodes should not come and go with noise.
_EVIDENCE = 3.0
NO_TABLE = BiasTableData("none", np.zeros(1), np.ones(1), np.zeros((1, 1)))
#: A master costs days: another helps where it takes away more of the mean square error than it would leave.
_WORTH_A_ROUND = math.sqrt(2)
#: Fewer lens sites than these say too little about lenses: all sites are asked instead.
_LENS_SITES = 5


@dataclass(frozen=True, eq=False, slots=True)
class SemData:
    """Measured sites of one stage, one entry each, jobs numbered in the order of their writing.

    error_nm: measured less SEM offset less the size wanted at the stage. radius: from the wafer's
    centre, in wafer radii. variance: of the noise, relative. zone_nm: bias of the site's ring zone.
    """

    density: FloatArray
    master_nm: FloatArray
    drawn_nm: FloatArray
    error_nm: FloatArray
    radius: FloatArray
    job: IntArray
    variance: FloatArray
    zone_nm: FloatArray
    lens: BoolArray

    def __len__(self) -> int:
        return len(self.error_nm)


@dataclass(frozen=True, eq=False, slots=True)
class Refinement:
    """The next table, how sure it is, and what else the sites say.

    bias_nm, old_nm (the table in force), sigma_nm, sites are (densities, diameters). sites counts those that
    speak for a node; where it is 0 the bias is the old one, and sigma says how wrong that is expected
    to be. error_nm, left_nm: the systematic error of the table in force and of the next, rms over
    the lens sites. Of each site: residual_nm, its error less what was fitted; left_out_nm, less what the
    others predict; before_nm and after_nm, its error as the table in force and the next leave it, without
    split, zone and rounding.
    """

    densities: FloatArray
    diameters_nm: FloatArray
    bias_nm: FloatArray
    old_nm: FloatArray
    sigma_nm: FloatArray
    sites: IntArray
    slope: float
    slope_sigma: float
    slope_fitted: bool
    radial_nm: float
    radial_sigma_nm: float
    zones: tuple[RingZone, ...]
    drift_nm: FloatArray
    outlier: BoolArray
    noise_nm: float
    residual_rms_nm: float
    residual_nm: FloatArray
    left_out_nm: FloatArray
    before_nm: FloatArray
    after_nm: FloatArray
    error_nm: float
    left_nm: float
    another_round: bool

    @property
    def spoken_for(self) -> int:
        """How many nodes have sites."""
        return int((self.sites > 0).sum())


def refine_table(
    data: SemData,
    first: BiasTableData,
    last: BiasTableData,
    *,
    ladder_step_nm: float,
    wafer_radius_mm: float,
    masters_nm: tuple[float, float],
) -> Refinement:
    """Fit what the process adds and turn it into the next bias table.

    `first` and `last` are the tables of the first and the last job; masters_nm is the range that a table
    made from nothing has to cover. InputError where the sites cannot carry a fit.
    """
    _check_spread(data)
    observed = _observed(data, first)
    lever = float(np.std(observed.departure_nm)) > _LEVER_STEPS * ladder_step_nm
    prior = SLOPE_PRIOR if lever else 0.0
    axes = _axes(data, first, last, masters_nm)
    nodes = Nodes(*axes, observed)
    out, rough = find_outliers(nodes, observed, slope_prior=prior)
    variance = np.where(out, IGNORED, data.variance)

    def fit(base: BiasTableData, grid: Nodes, average: bool = False) -> SurfaceFit:
        return fit_surface(
            grid, _observed(data, base), variance, slope_prior=prior, sigma_nm=rough.sigma_nm,
            lengths=LENGTHS if grid is nodes else _FINER_LENGTHS, passes=1, average=average,
        )  # fmt: skip

    finer = Nodes(_finer(axes[0], data.density), _finer(axes[1], data.master_nm), observed)
    ways = [(base, grid) for base in (first, NO_TABLE) for grid in (nodes, finer)]
    evidence = [fit(*way).log_evidence + _EVIDENCE * (way[1] is nodes) for way in ways]
    base, grid = ways[int(np.argmax(evidence))]
    found = fit(base, grid, average=True)
    if lever:
        _check_slope(found.slope, found.slope_sigma)
    return _refinement(
        data,
        found,
        out,
        axes,
        base,
        last,
        ladder_step_nm,
        wafer_radius_mm,
        lever,
    )


def _observed(data: SemData, base: BiasTableData) -> Observations:
    """The sites as the fit takes them, what was drawn told against a known table."""
    departure = data.drawn_nm - data.master_nm - _table(base, data.density, data.master_nm)
    return Observations(
        data.density, data.master_nm, data.error_nm, departure, data.radius, data.job, data.variance
    )


def _check_spread(data: SemData) -> None:
    if len(data) < LEAST_SITES:
        raise InputError(f"want at least {LEAST_SITES} measured sites, got {len(data)}")
    spread = float(np.ptp(data.density))
    if spread < LEAST_DENSITIES:
        raise InputError(
            f"want sites at densities at least {LEAST_DENSITIES:g} apart, got all of them at"
            f" {data.density.mean():.3f} (+- {spread / 2:.3f}): a table over density cannot be told from them"
        )
    wide = float(np.ptp(data.master_nm))
    if wide < LEAST_DIAMETERS_NM:
        raise InputError(
            f"want sites with diameters at least {LEAST_DIAMETERS_NM:g} nm apart, got all of them at"
            f" {data.master_nm.mean():.1f} nm: a table over diameter cannot be told from them"
        )


def _check_slope(slope: float, sigma: float) -> None:
    """A bias is what is missing over the slope: without one it would be as large as noise makes it."""
    if slope < max(_LEAST_SLOPE, _SURE_SLOPE * sigma):
        raise InputError(
            f"want measured sizes that grow with what was drawn, about 1 nm per nm, got"
            f" {slope:.2f} +- {sigma:.2f}: does measured_nm hold the wanted sizes, or those of another job?"
        )


def _table(table: BiasTableData, density: FloatArray, master_nm: FloatArray) -> FloatArray:
    return bilinear(table.densities, table.diameters_nm, table.bias_nm, density, master_nm)


# --- nodes --------------------------------------------------------------------------------------


def _axes(
    data: SemData, first: BiasTableData, last: BiasTableData, masters_nm: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    densities = _axis(
        (first.densities, last.densities), data.density, (0.0, 1.0), DENSITY_STEP, _TIDY_DENSITY
    )
    diameters = _axis(
        (first.diameters_nm, last.diameters_nm), data.master_nm, masters_nm, DIAMETER_STEP_NM,
        _TIDY_DIAMETER_NM,
    )  # fmt: skip
    return np.unique(np.clip(densities, 0.0, 1.0)), diameters


def _axis(
    held: tuple[FloatArray, FloatArray], at: FloatArray, cover: tuple[float, float], step: float,
    tidy: float,
) -> FloatArray:  # fmt: skip
    """The tables' nodes along one axis, reaching as far as the data, and no farther than need be."""
    # a lone node holds everywhere and says nothing about where nodes should stand
    nodes: FloatArray = np.unique(
        np.round(np.concatenate([h for h in held if len(h) > 1] or [np.zeros(0)]), 9)
    )
    low, high = float(at.min()), float(at.max())
    if not len(nodes):
        start = math.floor(min(low, cover[0]) / step + 1e-9)
        stop = math.ceil(max(high, cover[1]) / step - 1e-9)
        nodes = np.round(np.arange(start, stop + 1) * step, 9)
    span = high - low
    for edge, side in ((low, -1), (high, 1)):
        outer = nodes[nodes * side > edge * side + 1e-9]
        if edge in nodes or (len(outer) and min(outer * side) - edge * side <= _EDGE_NEAR * span):
            continue
        made = math.ceil((edge * side + _EDGE_MADE * span) / tidy) * tidy * side
        nodes = np.union1d(nodes, [round(made, 9)])
    return nodes


def _finer(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """The nodes, with cells that hold data cut into parts of a twelfth of the data's span."""
    step = float(np.ptp(at)) / _FINER
    cut = [nodes]
    for a, b in pairwise(nodes):
        if b > at.min() and a < at.max():
            parts = math.ceil((b - a) / step - 1e-9)
            cut.append(np.round(a + (b - a) * np.arange(1, parts) / parts, 9))
    return np.unique(np.concatenate(cut))


def _near(nodes: FloatArray, cells: FloatArray, at: FloatArray, more: int) -> BoolArray:
    """(nodes, sites): whether a site lies in the cells that touch a node, or `more` cells farther on."""
    ends = np.concatenate([np.full(more + 1, -np.inf), cells, np.full(more + 1, np.inf)])
    below = ends[np.searchsorted(ends, nodes - 1e-9) - 1 - more]
    above = ends[np.searchsorted(ends, nodes + 1e-9, side="right") + more]
    found: BoolArray = (at > below[:, None] + 1e-9) & (at < above[:, None] - 1e-9)
    return found


def _sites(
    nodes: tuple[FloatArray, FloatArray], cells: tuple[FloatArray, FloatArray],
    at: tuple[FloatArray, FloatArray],
) -> IntArray:  # fmt: skip
    """How many sites speak for each node, (densities, diameters).

    Those in the cells that touch it: they act on its value. Where there are none between sites, the smooth
    surface still carries one cell farther, and those of the next cells are counted; at the outer ends of cells
    that hold data it is carried as well, and counts as one. Beyond those nothing is carried.
    """

    def count(more: int) -> IntArray:
        near = [
            _near(n, c, a, more).astype(np.intp) for n, c, a in zip(nodes, cells, at, strict=True)
        ]
        found: IntArray = near[0] @ near[1].T
        return found

    inside = [(n >= a.min() - 1e-9) & (n <= a.max() + 1e-9) for n, a in zip(nodes, at, strict=True)]
    near, next_ = count(0), count(1)
    found = np.where((near == 0) & np.logical_and.outer(*inside), next_, near)
    # a table that moved some nodes at the end of the data and left others would jump from one to the next
    ends = []
    for n, c, a in zip(nodes, cells, at, strict=True):
        low, high = np.searchsorted(c, a.min() + 1e-9) - 1, np.searchsorted(c, a.max() - 1e-9)
        first, last = c[max(int(low), 0)], c[min(int(high), len(c) - 1)]
        ends.append((n >= first - 1e-9) & (n <= last + 1e-9))
    return np.where((found == 0) & np.logical_and.outer(*ends) & (next_ > 0), 1, found)


# --- what the fit means -------------------------------------------------------------------------


def _refinement(
    data: SemData, fit: SurfaceFit, out: BoolArray, axes: tuple[FloatArray, FloatArray],
    base: BiasTableData, last: BiasTableData, ladder_step_nm: float, wafer_radius_mm: float,
    lever: bool,
) -> Refinement:  # fmt: skip
    densities, diameters = fit.nodes.densities, fit.nodes.diameters_nm
    shape = len(densities), len(diameters)
    kept = ~out
    sites = _sites((densities, diameters), axes, (data.density[kept], data.master_nm[kept]))
    rho, d = (x.ravel() for x in np.meshgrid(densities, diameters, indexing="ij"))
    s, s_sigma = fit.slope, fit.slope_sigma if lever else SLOPE_UNKNOWN
    g = fit.g_nm
    new = (_table(base, rho, d) - g / s).reshape(shape)
    old = _table(last, rho, d).reshape(shape)
    if lever:  # of -g / s, both told by the same data
        variance = fit.g_sigma_nm**2 / s**2 + g**2 * s_sigma**2 / s**4
        variance -= 2 * g * fit.g_slope_cov / s**3
    else:  # a change is as wrong as its slope is
        variance = fit.g_sigma_nm**2 + ((new - old).ravel() * s_sigma) ** 2
    sigma = np.sqrt(np.maximum(variance, 0.0)).reshape(shape)
    bias = np.where(sites > 0, new, old)
    sigma = np.where(sites > 0, sigma, np.hypot(sigma, new - old))
    plain = data.error_nm - s * (data.drawn_nm - data.master_nm)
    before = plain + s * _table(last, data.density, data.master_nm)
    after = plain + s * bilinear(densities, diameters, bias, data.density, data.master_nm)
    zones = ring_zones(fit.radial_nm, fit.radial_sigma_nm, s, wafer_radius_mm)
    now, left = _errors(data, fit, kept, base, last, (densities, diameters, bias), lever)
    asked = _asked(data, kept)
    ring = (fit.radial_nm if zones else 0.0) * data.radius**2 + s * data.zone_nm
    doubt = fit.radial_sigma_nm * data.radius**2
    now = math.sqrt(now**2 + mean_square_of(ring[asked], doubt[asked]))
    left = math.hypot(left, ladder_step_nm / math.sqrt(12))
    residual = fit.residual_nm
    return Refinement(
        densities, diameters, bias, old, sigma, sites, s, s_sigma, lever, fit.radial_nm,
        fit.radial_sigma_nm, zones, fit.drift_nm, out, fit.sigma_nm,
        float(np.sqrt(np.mean(residual[kept] ** 2))), residual, fit.left_out_nm, before, after, now, left, now > _WORTH_A_ROUND * left,
    )  # fmt: skip


def mean_square_of(estimate: FloatArray, sigma: FloatArray) -> float:
    """Mean square of what has been estimated, each with its standard error, without what that adds to it."""
    return max(float(np.mean(estimate**2) - np.mean(sigma**2)), 0.0)


def _asked(data: SemData, kept: BoolArray) -> BoolArray:
    """The sites that errors are told for: those of the last job's lenses, or all of its own."""
    found = kept & (data.job == data.job.max())
    lens: BoolArray = found & data.lens
    return lens if int(lens.sum()) >= _LENS_SITES else found


def _errors(
    data: SemData, fit: SurfaceFit, kept: BoolArray, base: BiasTableData, last: BiasTableData,
    new: tuple[FloatArray, FloatArray, FloatArray], lever: bool,
) -> tuple[float, float]:  # fmt: skip
    """Systematic error of the table in force, its own uncertainty taken off, and of the next; rms."""
    asked = _asked(data, kept)
    rho, d = data.density[asked], data.master_nm[asked]
    known = _table(base, rho, d)
    in_force, following = _table(last, rho, d) - known, bilinear(*new, rho, d) - known

    def square(step: FloatArray) -> tuple[float, float]:
        """Mean square of the error with a table that departs by `step` from the known one; its variance."""
        error = fit.at_sites_nm[asked] + fit.slope * step
        variance = fit.at_sites_sigma_nm[asked] ** 2
        if lever:
            variance = variance + (step * fit.slope_sigma) ** 2
            variance += 2 * step * fit.at_sites_slope_cov[asked]
        else:
            variance = variance + ((step - in_force) * SLOPE_UNKNOWN) ** 2
        return float(np.mean(error**2)), float(np.mean(np.maximum(variance, 0.0)))

    now, unsure = square(in_force)
    left, unsure_left = square(following)
    return math.sqrt(max(now - unsure, 0.0)), math.sqrt(left + unsure_left)
