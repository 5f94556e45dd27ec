"""`verify`: a job folder proved equal to its own recipe, computed afresh."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

from layoutgen.errors import InputError
from layoutgen.pipeline.design import Progress, Wafer, design, quiet
from layoutgen.pipeline.facts import (
    Counts,
    counted_facts,
    dies_csv,
    expected_bytes,
    marks_csv,
    operator_facts,
    sem_csv_of,
    sem_sites_of,
)
from layoutgen.pipeline.job import SUFFIX, Job, changed_files, job_hash, open_job
from layoutgen.pipeline.only import only_die
from layoutgen.pipeline.rules import built_rules, rule_facts
from layoutgen.pipeline.stream import cell_stream
from layoutgen.recipe.load import load_recipe
from layoutgen.review.sem_sites import SemSite
from layoutgen.review.verify import verify_layout
from layoutgen.workers import cores


def verify(job: str | Path | Job, *, reader: str = "own", jobs: int | None = None,
           progress: Progress = quiet) -> list[str]:  # fmt: skip
    """Prove a job folder equal to its own recipe, computed afresh; the differences, empty if none."""
    found = job if isinstance(job, Job) else open_job(job)
    try:
        return verify_folder(found, reader=reader, jobs=jobs, progress=progress)
    except OSError as error:
        where = error.filename or found.folder
        raise InputError(f"{where}: want a file that can be read, got {error.strerror}") from error


def verify_folder(
    job: Job, *, wafer: Wafer | None = None, reader: str = "own", jobs: int | None = None,
    progress: Progress = quiet,
) -> list[str]:  # fmt: skip
    """As `verify`; `wafer` is the design when it was just made (its codes are computed afresh)."""
    problems = changed_files(job)
    workers = cores() if jobs is None else jobs
    fresh = wafer is None
    if wafer is None:
        try:
            loaded = load_recipe(job.folder / "recipe.yaml")
            wafer = design(loaded, progress, workers)
            if job.only is not None:
                wafer = only_die(wafer, job.only)
        except InputError as error:
            return [*problems, *(f"recipe.yaml: {sentence}" for sentence in error.problems)]
        if job_hash(loaded, job.only) != job.manifest["job"]:
            problems.append("manifest.json: the job's hash is not that of its recipe and tables")
    plan = wafer.plan
    problems += _told_otherwise(job, "pillars", wafer.tree.pillars)
    problems += _told_otherwise(job, "dies", plan.die_counts)
    for key, wanted in operator_facts(wafer).items():
        if job.manifest.get(key) != wanted:
            problems.append(f"manifest.json: want {key} {wanted!r}, got {job.manifest.get(key)!r}")
    lists = [("dies.csv", dies_csv(plan)), ("marks.csv", marks_csv(plan))]
    # else it was just made from this very design
    sites = sem_sites_of(wafer) if fresh else []
    if fresh:
        lists.append(("sem_sites.csv", sem_csv_of(wafer, job.manifest["job"], sites)))
    for name, text in lists:
        path = job.folder / name
        if name not in job.manifest["files"]:
            problems.append(f"manifest.json: {name} is not among its files")
        if path.is_file() and path.read_bytes() != text.encode():
            problems.append(f"{name}: not what the recipe gives")
    counts: dict[int, Counts] = {}
    for form in wafer.loaded.recipe.output.formats:
        path = job.folder / f"{wafer.title}{SUFFIX[form]}"
        if path.name not in job.manifest["files"]:
            problems.append(f"manifest.json: {path.name} is not among its files")
        if not path.is_file():
            problems.append(f"{path.name}: missing")
            continue
        # the first file that is read to its end brings the counts of all codes with it
        counted: dict[int, Counts] | None = None if counts or not fresh else {}
        stream = cell_stream(wafer, workers, counted, progress=progress)
        problems += [
            f"{path.name}: {sentence}"
            for sentence in verify_layout(
                path, form, (cell for cell, _ in stream), shapes=wafer.tree.shapes,
                dbu_nm=plan.dbu_nm, top=wafer.tree.top, reader=reader,
            )
        ]  # fmt: skip
        if counted is not None and len(counted) == len(wafer.tree.variants):
            counts = counted
    if counts:
        problems += _facts_that_differ(job, wafer, counts, sites, workers)
    return list(dict.fromkeys(problems))


def _facts_that_differ(
    job: Job, wafer: Wafer, counts: dict[int, Counts], sites: list[SemSite], workers: int
) -> Iterator[str]:
    """A sentence for each fact of the manifest that does not follow from the recipe and the codes."""
    rules = built_rules(wafer, counts, expected_bytes(wafer).get("gdsii"))
    wanted = {
        "name": wafer.loaded.recipe.name,
        "revision": wafer.loaded.recipe.revision,
        **counted_facts(wafer, counts, sites, workers),
        "rules": rule_facts(rules),
    }
    for key, value in json.loads(json.dumps(wanted)).items():
        yield from islice(_told_otherwise(job, key, value), 1)


def _told_otherwise(job: Job, key: str, wanted: Any) -> Iterator[str]:
    """A sentence for each place at which the manifest tells something else of a key."""
    for sentence in _differences(key, wanted, job.manifest.get(key)):
        yield f"manifest.json: {sentence}"


def _differences(where: str, wanted: Any, got: Any) -> Iterator[str]:
    """Where a part of the manifest says something else; numbers may differ as those of two machines do."""
    if isinstance(wanted, dict) and isinstance(got, dict) and wanted.keys() == got.keys():
        for key in wanted:
            yield from _differences(f"{where}.{key}", wanted[key], got[key])
    elif isinstance(wanted, list) and isinstance(got, list) and len(wanted) == len(got):
        for k, (one, other) in enumerate(zip(wanted, got, strict=True)):
            yield from _differences(f"{where}[{k}]", one, other)
    elif isinstance(wanted, float) and isinstance(got, (int, float)) and not isinstance(got, bool):
        if not math.isclose(wanted, got, rel_tol=1e-6, abs_tol=1e-6):
            yield f"want {where} {wanted!r}, got {got!r}"
    elif type(wanted) is not type(got) or wanted != got:
        yield f"want {where} {_short(wanted)}, got {_short(got)}"


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."
