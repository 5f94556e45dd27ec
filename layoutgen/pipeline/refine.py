"""`refine`: the next bias table from SEM sizes of one job or of several."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from layoutgen.errors import InputError
from layoutgen.exposure.refine import LEAST_SITES, Refinement, SemData, refine_table
from layoutgen.exposure.surface import bilinear
from layoutgen.exposure.zones import zones_yaml
from layoutgen.pipeline.job import Job, layoutgen_version
from layoutgen.pipeline.sem import JobSite, MeasuredJob, open_measured, read_bytes_of, read_sites
from layoutgen.pipeline.table_file import write_table
from layoutgen.recipe.measured import MeasuredSite
from layoutgen.recipe.model import Recipe
from layoutgen.recipe.tables import BiasTableData, csv_bytes
from layoutgen.units import SQUARE_SIDE, parse_quantity

FloatArray = NDArray[np.float64]
Files = str | Path | Job | Sequence[str | Path | Job]

#: A mean over many pillars still holds what they share: no site counts for more than four, or for less
#: than a twenty-fifth of the usual one.
_WEIGHTS = (0.25, 25.0)
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)")
_MADE_BY = "layoutgen refine"


@dataclass(frozen=True, eq=False)
class Refined:
    """The next bias table on the disk, and what the sites said."""

    path: Path
    existed: bool
    stage: str
    offset_nm: float
    jobs: tuple[str, ...]
    found: Refinement
    sites: tuple[JobSite, ...]
    stages: Mapping[str, dict[str, float]]
    doses: Mapping[float, dict[str, float]]
    density_shift: float
    warnings: tuple[str, ...]
    pictures: tuple[Path, ...]

    @property
    def outliers(self) -> list[dict[str, Any]]:
        """The sites that were left out, each with how far it stands off the others' prediction."""
        out = []
        for k in np.flatnonzero(self.found.outlier).tolist():
            s = self.sites[k]
            out.append(
                {
                    "site": s.site.site,
                    "stage": s.site.stage,
                    "job": s.title,
                    "measured_nm": s.site.measured_nm,
                    "wanted_nm": round(s.wanted_nm + self.offset_nm, 4),
                    "residual_nm": round(float(self.found.left_out_nm[k]), 3),
                }
            )
        return out

    def as_json(self) -> dict[str, Any]:
        f = self.found
        nodes = [
            {
                "density": float(rho),
                "diameter_nm": float(d),
                "bias_nm": round(float(f.bias_nm[i, j]), _DECIMALS),
                "sigma_nm": round(float(f.sigma_nm[i, j]), 4),
                "sites": int(f.sites[i, j]),
            }
            for i, rho in enumerate(f.densities)
            for j, d in enumerate(f.diameters_nm)
        ]
        return {
            "table": str(self.path),
            "existed": self.existed,
            "jobs": list(self.jobs),
            "stage": self.stage,
            "offset_nm": self.offset_nm,
            "sites": len(self.sites),
            "nodes": nodes,
            "radial_nm_at_rim": round(f.radial_nm, 4),
            "radial_sigma_nm": round(f.radial_sigma_nm, 4),
            "zones": [{"outer_mm": z.outer_mm, "bias_nm": z.bias_nm} for z in f.zones],
            "slope": round(f.slope, 5),
            "slope_sigma": round(f.slope_sigma, 5),
            "slope_fitted": f.slope_fitted,
            "drift_nm": [round(float(d), 4) for d in f.drift_nm],
            "outliers": self.outliers,
            "noise_nm": round(f.noise_nm, 4),
            "residual_rms_nm": round(f.residual_rms_nm, 4),
            "error_now_nm": round(f.error_nm, 4),
            "error_left_nm": round(f.left_nm, 4),
            "another_round": f.another_round,
            "density_shift": round(self.density_shift, 5),
            "stages": dict(self.stages),
            "doses": {f"{dose:g}": facts for dose, facts in self.doses.items()},
            "warnings": list(self.warnings),
            "pictures": [str(path) for path in self.pictures],
        }

    def as_text(self) -> str:
        f = self.found
        out = int(f.outlier.sum())
        nodes = f.sites.size
        source = "bias splits" if len(self.jobs) == 1 else "bias splits and the jobs' tables"
        slope = (
            f"{f.slope:.3f} +- {f.slope_sigma:.3f}, d(measured)/d(drawn) from {source}"
            if f.slope_fitted
            else f"1 +- {f.slope_sigma:g}, d(measured)/d(drawn): taken, since no split tells it"
        )
        lines = [
            f"{self.path}: {'already there, the same table' if self.existed else 'written'}",
            f"  sites     {len(self.sites) - out} of {len(self.sites)} at stage {self.stage},"
            f" {out} outlier{'' if out == 1 else 's'}; noise {f.noise_nm:.2f} nm",
            f"  error     {f.error_nm:.2f} nm rms with the table in force,"
            f" {f.left_nm:.2f} nm expected with the new one",
            f"  slope     {slope}",
            f"  radial    {f.radial_nm:+.2f} +- {f.radial_sigma_nm:.2f} nm at the wafer's rim",
            f"  nodes     {f.spoken_for} of {nodes} have sites; {nodes - f.spoken_for} keep the old bias",
            f"  offset    {self.offset_nm:g} nm taken off as the SEM's own: an input, it cannot be told from a bias",
        ]
        lines += [
            f"  drift     {self.jobs[k]} stands {drift:+.2f} nm off {self.jobs[-1]}"
            for k, drift in enumerate(f.drift_nm)
        ]
        lines += [
            f"  outlier   {o['site']} of {o['job']}: {o['measured_nm']:g} nm measured,"
            f" {o['residual_nm']:+.1f} nm off what the others say"
            for o in self.outliers
        ]
        if f.zones:
            lines.append(f"  zones     in the recipe's wafer: {zones_yaml(f.zones)}")
        lines.append(
            "  next      another round helps"
            if f.another_round
            else "  next      another round would not help: what is left is below the noise"
        )
        return "\n".join(lines)


#: A thousandth of a nm: finer than any SEM, coarser than what differs between processors.
_DECIMALS = 3


def refine(
    jobs: Files,
    measured: str | Path | Sequence[str | Path],
    out: str | Path,
    *,
    offset_nm: float = 0.0,
    stage: str | None = None,
    report: str | Path | None = None,
) -> Refined:
    """Write the next bias table from SEM sizes measured on jobs, the last of which is in force.

    jobs: a job folder, or several in the order in which they were written. measured: their filled-in
    sem_sites.csv, in any order; the first line of each names its job. offset_nm: the SEM's own error,
    measured less true. stage: which stage's sizes to put right; the master unless given, or
    where it was not measured the next stage that was. report: a folder for pictures and the
    table of nodes, or a file for the pictures alone. InputError tells what is wrong; no table is
    written then.
    """
    path = Path(out)
    if not math.isfinite(offset_nm):
        raise InputError(f"offset: want a length in nm, got {offset_nm}")
    held = [open_measured(job) for job in _several(jobs)]
    names = [Path(str(name)) for name in _several(measured)]
    if not held or not names:
        raise InputError("want a job folder and a measured file at least, got none")
    for job in held:
        if path.resolve().is_relative_to(job.job.folder.resolve()):
            raise InputError(
                f"{path}: want a table outside of the job folder, which stays as built"
            )
    sites = read_sites(held, names)
    chosen = _stage(sites, held, stage)
    here = [s for s in sites if s.site.stage == chosen]
    doses = {d: _summary([s for s in here if s.dose == d], offset_nm) for d in _doses(here)}
    used = [s for s in here if s.dose == 1.0]
    if len(used) < LEAST_SITES:
        raise InputError(
            f"{names[-1].name}: want at least {LEAST_SITES} measured sites at stage {chosen} and the base"
            f" dose, got {len(used)}"
        )
    data = _data(used, offset_nm)
    recipe = held[-1].loaded.recipe
    masters_nm, step_nm = _ladder(recipe)
    try:
        found = refine_table(
            data, held[0].table, held[-1].table, ladder_step_nm=step_nm,
            wafer_radius_mm=recipe.wafer.diameter_nm / 2e6, masters_nm=masters_nm,
        )  # fmt: skip
    except InputError as error:
        raise InputError([f"{names[-1].name}: {problem}" for problem in error.problems]) from None
    pictures: tuple[Path, ...] = ()
    if report is not None:
        from layoutgen.review.refine_report import write_report

        pictures = write_report(
            Path(report), data, found, title=f"{held[-1].job.title}, {chosen}", offset_nm=offset_nm,
            wafer_radius_mm=recipe.wafer.diameter_nm / 2e6,
        )  # fmt: skip
    text = _text(found, held, names, stage=chosen, offset_nm=offset_nm, sites=len(used))
    existed = write_table(path, text, lambda old: f"# made_by: {_MADE_BY}".encode() in old)
    stages = {
        name: _summary([s for s in sites if s.site.stage == name and s.dose == 1.0], offset_nm)
        for name in dict.fromkeys(s.site.stage for s in sites)
    }
    return Refined(
        path, existed, chosen, offset_nm, tuple(h.job.title for h in held), found, tuple(used), stages,
        doses, _density_shift(data, found, held[-1].table), _warnings(used, here), pictures,
    )  # fmt: skip


def sem_offset(text: str) -> float:
    """An SEM offset in nm from text with a unit; a bare number is in nm, as the sizes of the file are."""
    try:
        return float(text) if _NUMBER.fullmatch(text.strip()) else parse_quantity(text, "length")
    except ValueError as error:
        raise InputError(f"--offset: {error}") from None


# --- numbers ------------------------------------------------------------------------------------


def _several(given: Any) -> list[Any]:
    return [given] if isinstance(given, (str, Path, Job)) else list(given)


def _stage(sites: Sequence[JobSite], held: Sequence[MeasuredJob], wanted: str | None) -> str:
    """The stage that the table is made from: what was asked for, or the master's nearest kin.

    The master is what is drawn for; a replica holds its error as well, resist lacks the etch.
    """
    names = list(held[-1].wanted_nm)
    if wanted is not None and wanted not in names:
        raise InputError(f"--stage: want one of {', '.join(names)}, got {wanted!r}")
    counts = {name: sum(s.site.stage == name for s in sites) for name in names}
    if wanted is not None:
        return wanted
    order = ["master", *(name for name in names if name not in ("resist", "master")), "resist"]
    return next(
        (name for name in order if counts[name] >= LEAST_SITES),
        max(order, key=lambda name: counts[name]),
    )


def _error(site: JobSite, offset_nm: float) -> float:
    return site.site.measured_nm - offset_nm - site.wanted_nm


def _summary(sites: Sequence[JobSite], offset_nm: float) -> dict[str, float]:
    """Number, median and rms of plain errors."""
    errors = np.array([_error(s, offset_nm) for s in sites])
    if not len(errors):
        return {"sites": 0}
    return {
        "sites": len(errors),
        "median_error_nm": round(float(np.median(errors)), 4),
        "rms_error_nm": round(float(np.sqrt(np.mean(errors**2))), 4),
    }


def _doses(sites: Sequence[JobSite]) -> list[float]:
    return sorted({s.dose for s in sites} - {1.0})


def _data(sites: Sequence[JobSite], offset_nm: float) -> SemData:
    def column(values: Any) -> FloatArray:
        return np.array(list(values), dtype=np.float64)

    return SemData(
        column(s.site.density for s in sites),
        column(s.site.master_nm for s in sites),
        column(s.site.drawn_nm for s in sites),
        column(_error(s, offset_nm) for s in sites),
        column(s.radius for s in sites),
        np.array([s.job for s in sites], dtype=np.intp),
        _variance([s.site for s in sites]),
        column(s.zone_nm for s in sites),
        np.array([s.lens for s in sites], dtype=np.bool_),
    )


def _variance(sites: Sequence[MeasuredSite]) -> FloatArray:
    """Relative variance of the noise: sigma_nm^2 / count, 1 the usual; what is not given is the usual.

    sigma_nm is the standard deviation of one reading and count how many were averaged.
    """
    sigma = np.array([math.nan if s.sigma_nm is None else s.sigma_nm for s in sites])
    count = np.array([math.nan if s.count is None else float(s.count) for s in sites])
    for given in (sigma, count):
        held = given[~np.isnan(given)]
        given[np.isnan(given)] = np.median(held) if len(held) else 1.0
    variance = sigma**2 / count
    found: FloatArray = np.clip(variance / np.median(variance), *_WEIGHTS)
    return found


def _ladder(recipe: Recipe) -> tuple[tuple[float, float], float]:
    """Smallest and largest drawn diameter and the finest step, over all parts."""
    low, high, step = math.inf, 0.0, math.inf
    for part in (*recipe.lenses, *recipe.deflectors, *recipe.pads):
        keys = recipe.pillars_of(part)
        scale = SQUARE_SIDE if keys.vertices == 4 else 1.0
        low, high = min(low, keys.ladder.min_nm / scale), max(high, keys.ladder.max_nm / scale)
        step = min(step, keys.ladder.step_nm / scale)
    return (low, high), step


def _density_shift(data: SemData, found: Refinement, table: BiasTableData) -> float:
    """The most that a density of the next build moves, d rho = 2 rho d bias / d, over the sites."""
    at = data.density, data.master_nm
    change = bilinear(found.densities, found.diameters_nm, found.bias_nm, *at) - bilinear(
        table.densities, table.diameters_nm, table.bias_nm, *at
    )
    return float(np.max(np.abs(2 * data.density * change / data.drawn_nm)))


def _warnings(used: Sequence[JobSite], here: Sequence[JobSite]) -> tuple[str, ...]:
    found = []
    methods = sorted({s.site.edge_method for s in used} - {""})
    if len(methods) > 1:
        found.append(
            f"sizes were read with {len(methods)} edge methods ({', '.join(methods)}): one offset cannot"
            " be right for all"
        )
    for dose in _doses(here):
        count = sum(s.dose == dose for s in here)
        found.append(f"{count} sites at {dose:g} of the base dose are left out of the fit")
    own = sum(not s.site.listed for s in used)
    if own:
        found.append(
            f"{own} sites are not among those that the job lists, and are taken as they are"
        )
    return tuple(found)


# --- out ----------------------------------------------------------------------------------------


def _text(
    found: Refinement, held: Sequence[MeasuredJob], names: Sequence[Path], *, stage: str,
    offset_nm: float, sites: int,
) -> bytes:  # fmt: skip
    """The table as CSV; what is known of each node stands in `#` lines, a line per density."""
    out = int(found.outlier.sum())
    header = {
        "name": f"refined from {' and '.join(h.job.title for h in held)}",
        "made_by": f"{_MADE_BY} {layoutgen_version()}",
        "jobs": ", ".join(h.job.manifest["job"] for h in held),
        "measured": ", ".join(
            f"{n.name} sha256 {hashlib.sha256(read_bytes_of(n)).hexdigest()}" for n in names
        ),
        "stage": stage,
        "sites": f"{sites - out} used, {out} outliers",
        "offset": f"{offset_nm:g} nm, an input: it cannot be told from a bias",
        "slope": f"{found.slope:.4f} +- {found.slope_sigma:.4f}",
        "radial": f"{found.radial_nm:.3f} +- {found.radial_sigma_nm:.3f} nm at the rim, not in the table",
    }
    notes = [
        "sites and sigma in nm of each node, from the smallest diameter up; 0 sites: the old bias"
    ]
    for i, rho in enumerate(found.densities):
        each = " ".join(
            f"{n}:{s:.2f}" for n, s in zip(found.sites[i], found.sigma_nm[i], strict=True)
        )
        notes.append(f"density {rho:.10g}: {each}")
    rows = [
        (f"{rho:.10g}", f"{d:.10g}", f"{round(found.bias_nm[i, j], _DECIMALS) + 0.0:.{_DECIMALS}f}")
        for i, rho in enumerate(found.densities)
        for j, d in enumerate(found.diameters_nm)
    ]
    return csv_bytes(header, notes, ("density", "diameter_nm", "bias_nm"), rows)
