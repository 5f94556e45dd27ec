"""SEM sites of one job or several, each with what its job knows of it: wanted size, radius, zone, dose."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layoutgen.errors import InputError
from layoutgen.pipeline.job import Job, file_sha256, open_job
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.recipe.measured import MeasuredSite, job_of, read_measured
from layoutgen.recipe.model import Recipe
from layoutgen.recipe.tables import BiasTableData

LARGEST = 100_000_000  # bytes of a measured file


@dataclass(frozen=True, eq=False, slots=True)
class JobSite:
    """One measured pillar with what its job knows of it."""

    job: int
    title: str
    site: MeasuredSite
    wanted_nm: float
    radius: float
    zone_nm: float
    lens: bool
    dose: float


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredJob:
    """A job that sites were measured on; `listed` is its sem_sites.csv as it was built."""

    job: Job
    loaded: LoadedRecipe
    listed: bytes
    table: BiasTableData
    dies: Mapping[tuple[int, int], tuple[float, float]]
    wanted_nm: Mapping[str, float]


def open_measured(given: str | Path | Job) -> MeasuredJob:
    """A job with its recipe, its table and its dies; what is read is what was built."""
    job = given if isinstance(given, Job) else open_job(given)
    for name in ("recipe.yaml", "dies.csv"):
        if not _as_built(job, name):
            raise InputError(
                f"{job.folder / name}: want the file that the job was built with, got another or none"
            )
    loaded = load_recipe(job.folder / "recipe.yaml")
    listed = _listed(job, loaded)
    table = loaded.bias_table
    if table is None:
        table = BiasTableData("none", np.zeros(1), np.ones(1), np.zeros((1, 1)))
    rows = csv.DictReader(io.StringIO((job.folder / "dies.csv").read_text(encoding="utf-8")))
    dies = {
        (int(row["col"]), int(row["row"])): (float(row["x_mm"]), float(row["y_mm"])) for row in rows
    }
    wanted, total = {"resist": 0.0, "master": 0.0}, 0.0
    for step in loaded.recipe.replication.steps:
        total += step.bias_nm
        wanted[step.name] = total
    return MeasuredJob(job, loaded, listed, table, dies, wanted)


def _as_built(job: Job, name: str) -> bool:
    facts, file = job.manifest["files"].get(name), job.folder / name
    return isinstance(facts, dict) and file.is_file() and file_sha256(file) == facts.get("sha256")


def _listed(job: Job, loaded: LoadedRecipe) -> bytes:
    """The job's sem_sites.csv as it was built; if it was filled in where it stands, made afresh."""
    if _as_built(job, "sem_sites.csv"):
        return (job.folder / "sem_sites.csv").read_bytes()
    from layoutgen.pipeline.design import design
    from layoutgen.pipeline.facts import sem_csv_of

    text = sem_csv_of(design(loaded), job.manifest["job"]).encode()
    facts = job.manifest["files"].get("sem_sites.csv")
    if not isinstance(facts, dict) or hashlib.sha256(text).hexdigest() != facts.get("sha256"):
        raise InputError(
            f"{job.folder / 'sem_sites.csv'}: want the file that the job was built with, got another or"
            " none; fill in a copy of it"
        )
    return text


def read_sites(held: Sequence[MeasuredJob], names: Sequence[Path]) -> list[JobSite]:
    """The measured sites of all files, each of its own job; every job has some."""
    found: list[JobSite] = []
    where: dict[tuple[int, str, float, float], str] = {}
    for name in names:
        data = read_bytes_of(name)
        _, digest = job_of(data, name.name)
        number = next(
            (k for k, h in enumerate(held) if h.job.manifest["job"] == digest), len(held) - 1
        )
        of = held[number]
        measured = read_measured(
            data, name.name, job_title=of.job.title, job_hash=of.job.manifest["job"],
            listed=of.listed, wanted_nm=of.wanted_nm,
        )  # fmt: skip
        for site in measured.sites:
            key = (number, site.stage, round(site.x_mm, 4), round(site.y_mm, 4))
            if key in where:
                raise InputError(
                    f"{name.name}:{site.line}: want each site once per stage, got {site.site} at stage"
                    f" {site.stage} that {where[key]} has as well"
                )
            found.append(_known(number, of, site))
        where |= {
            (number, s.stage, round(s.x_mm, 4), round(s.y_mm, 4)): name.name for s in measured.sites
        }
    silent = [h.job.title for k, h in enumerate(held) if not any(s.job == k for s in found)]
    if silent:
        raise InputError(f"{', '.join(silent)}: want measured sites of every job given, got none")
    return found


def read_bytes_of(name: Path) -> bytes:
    try:
        if not name.is_file():
            raise InputError(f"{name}: want a file of measured sites, got none there")
        if name.stat().st_size > LARGEST:
            raise InputError(f"{name}: want at most {LARGEST} bytes, got {name.stat().st_size}")
        return name.read_bytes()
    except OSError as error:
        raise InputError(f"{name}: want a file that can be read, got {error.strerror}") from error


def _known(number: int, held: MeasuredJob, site: MeasuredSite) -> JobSite:
    """What the job knows of a site: its wanted size, radius, zone and dose."""
    recipe = held.loaded.recipe
    radius_mm = recipe.wafer.diameter_nm / 2e6
    centre = held.dies.get((site.col, site.row))
    lens = any(lens.name == site.feature for lens in recipe.lenses)
    far = math.hypot(*(centre or (site.x_mm, site.y_mm)))
    zones = sorted(recipe.wafer.zones, key=lambda zone: zone.outer_nm)
    zone = next((z.bias_nm for z in zones if far <= z.outer_nm * 1e-6 + 1e-9), 0.0)
    return JobSite(
        number, held.job.title, site, site.master_nm + held.wanted_nm[site.stage],
        math.hypot(site.x_mm, site.y_mm) / radius_mm, zone if lens else 0.0, lens,
        _dose(recipe, site, centre),
    )  # fmt: skip


def _dose(recipe: Recipe, site: MeasuredSite, centre: tuple[float, float] | None) -> float:
    """The relative dose of the item that a site stands on: of several, of the nearest."""
    items = [
        item
        for item in recipe.dies.get(site.die, ())
        if site.feature in (item.lens, item.deflector, item.pad)
    ]
    if not items:
        return 1.0
    if centre is None or len({item.dose for item in items}) == 1:
        return items[0].dose
    sign = -1.0 if recipe.mirrored else 1.0

    def distance(k: int) -> float:
        x, y = (at * 1e-6 / (1 + recipe.scale) for at in items[k].at_nm)
        return math.hypot(site.x_mm - centre[0] - sign * x, site.y_mm - centre[1] - y)

    return items[min(range(len(items)), key=distance)].dose
