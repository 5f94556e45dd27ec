"""Pictures of the way to the sites of a job's sem_sites.csv, for the SEM operator."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layoutgen.errors import InputError
from layoutgen.pipeline.design import Progress, quiet
from layoutgen.pipeline.job import SUFFIX, Job, open_job
from layoutgen.pipeline.picture import job_names
from layoutgen.recipe.load import LoadedRecipe, load_recipe
from layoutgen.review.picture import Names, save_png
from layoutgen.review.sem_sites import pillars_per_site
from layoutgen.review.site_pictures import Landmark, Way, site_figure
from layoutgen.review.window import open_layout
from layoutgen.wafer.designs import part_lattice
from layoutgen.wafer.plan import Part, WaferPlan, plan_wafer


@dataclass(frozen=True, eq=False)
class SitePictures:
    """Pictures on the disk, one a site; facts: site -> what it shows."""

    paths: tuple[Path, ...]
    facts: dict[str, dict[str, Any]]


def site_pictures(
    job: str | Path | Job,
    sites: Sequence[str] | None = None,
    out: str | Path | None = None,
    *,
    pixels: int = 1800,
    progress: Progress = quiet,
) -> SitePictures:
    """Draw the way to sites of a job, named as in sem_sites.csv (all of them unless given).

    out: a folder for NAME-REVISION-SITE.png, made if there is none; the current one unless given.
    InputError for a site that the job does not have.
    """
    found = job if isinstance(job, Job) else open_job(job)
    loaded = load_recipe(found.folder / "recipe.yaml")
    rows = _rows(found)
    wanted = list(rows) if sites is None else [_site(name, rows) for name in sites]
    names = job_names(found, loaded)
    boxes = {
        cell.name: (0, 0, 0, 0) for cell in loaded.recipe.cells
    }  # where they end does not matter
    dbu = loaded.recipe.output.database_unit_nm
    plan = plan_wafer(loaded.recipe, dbu_nm=dbu, cell_boxes=boxes)
    folder = Path() if out is None else Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: want a folder for pictures, got {error.strerror}") from error
    form = next((f for f in SUFFIX if f"{found.title}{SUFFIX[f]}" in found.manifest["files"]), None)
    if form is None:
        raise InputError(f"{found.folder}: want a layout file among its files, got none")
    paths, facts = [], {}
    with open_layout(found.layout(form), found.manifest.get("top_cell")) as layout:
        for number, name in enumerate(wanted):
            progress("drawing", number / len(wanted))
            way = _way(name, rows[name], loaded, plan, names)
            figure, count = site_figure(layout, names, way, pixels=pixels)
            path = folder / f"{found.title}-{name}.png"
            save_png(figure, path)
            paths.append(path)
            facts[name] = {"picture": str(path), "way": way.steps(dbu), "pillars": count}
    return SitePictures(tuple(paths), facts)


def _rows(found: Job) -> dict[str, dict[str, str]]:
    """The first row of each site in the job's sem_sites.csv; stages list the same pillars."""
    path = found.folder / "sem_sites.csv"
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: want the job's sites, got {error}") from None
    rows: dict[str, dict[str, str]] = {}
    for row in csv.DictReader(io.StringIO("\n".join(li for li in lines if not li.startswith("#")))):
        rows.setdefault(row.get("site") or "", row)
    if not rows:
        raise InputError(f"{path}: want at least one site, got none")
    return rows


def _site(name: str, rows: dict[str, dict[str, str]]) -> str:
    """A site by its name, or by its number alone."""
    for known in (name, f"S{name.lstrip('Ss').zfill(3)}"):
        if known in rows:
            return known
    raise InputError(
        f"--site: want a site of sem_sites.csv, {next(iter(rows))} to {list(rows)[-1]}, got {name!r}"
    )


def _way(
    name: str, row: dict[str, str], loaded: LoadedRecipe, plan: WaferPlan, names: Names
) -> Way:
    dbu = plan.dbu_nm
    try:
        x, y = (round(float(row[key]) * 1e6 / dbu) for key in ("x_mm", "y_mm"))
        die = row["die"], int(row["col"]), int(row["row"])
        placed = next(d for d in plan.dies if (d.col, d.row) == die[1:])
        sizes = {key: float(row[key]) for key in ("drawn_nm", "master_nm", "split_nm")}
    except (KeyError, TypeError, ValueError, StopIteration) as error:
        raise InputError(
            f"sem_sites.csv: site {name}: want the columns of the job's own file, got {error!r}"
        ) from None
    parts = plan.die_parts[die[0]]
    feature = min(
        (p for p in parts if p.name == row["feature"] and p.kind in ("lens", "deflector", "pad")),
        key=lambda p: (_away(placed.x + p.x - x, placed.y + p.y - y), p.index),
        default=None,
    )
    if feature is None:
        raise InputError(
            f"sem_sites.csv: site {name}: want a feature on die {die[0]}, got {row['feature']!r}"
        )
    pitch = part_lattice(loaded, _of_recipe(loaded, feature), "site")
    density = f", density {float(row['density']):.4f}" if row["density"] else ""
    split = f", split {sizes['split_nm']:+g} nm" if sizes["split_nm"] else ""
    return Way(
        name,
        f"{feature.kind} {feature.name} on die {die[0]} [{die[1]}, {die[2]}]: drawn {sizes['drawn_nm']:g} nm for a"
        f" master of {sizes['master_nm']:.4g} nm{density}{split}. At ({row['x_mm']}, {row['y_mm']}) mm.",
        x, y, die, _mark(names, x, y), _label(parts, plan, placed.label, placed.x, placed.y, x, y),
        Landmark(f"the middle of {feature.kind} {feature.name}", placed.x + feature.x, placed.y + feature.y),
        (pitch.pitch_dbu, pitch.row_dbu), pillars_per_site(),
    )  # fmt: skip


def _of_recipe(loaded: LoadedRecipe, part: Part) -> Any:
    recipe = loaded.recipe
    held: dict[str, Sequence[Any]] = {
        "lens": recipe.lenses, "deflector": recipe.deflectors, "pad": recipe.pads,
    }  # fmt: skip
    return next(each for each in held[part.kind] if each.name == part.name)


def _away(x: float, y: float) -> float:
    return math.hypot(x, y)


def _mark(names: Names, x: int, y: int) -> Landmark:
    """The mark nearest to a place; the wafer's centre where there are none."""
    if not names.marks:
        return Landmark("the wafer's centre (the layout has no mark)", 0, 0)
    kind, at_x, at_y = min(names.marks, key=lambda mark: (_away(mark[1] - x, mark[2] - y), mark))
    return Landmark(f"the {kind} mark", at_x, at_y)


def _label(
    parts: Sequence[Part], plan: WaferPlan, text: str, die_x: int, die_y: int, x: int, y: int
) -> Landmark:
    """The die's label nearest to a place; its lower left corner where it has none."""
    labels = [part for part in parts if part.kind == "label"]
    if labels:
        best = min(labels, key=lambda p: (_away(die_x + p.x - x, die_y + p.y - y), p.index))
        shown = text if best.text is None else best.text
        return Landmark(f"the label {shown!r}", die_x + best.x, die_y + best.y)
    low = plan.die_outline.min(axis=0)
    return Landmark("the lower left corner", die_x + int(low[0]), die_y + int(low[1]))
