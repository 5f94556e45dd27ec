"""`verify`: a job folder proved equal to its own recipe, computed afresh."""

from __future__ import annotations

from pathlib import Path

from layoutgen.errors import InputError
from layoutgen.pipeline.design import Progress, Wafer, design, quiet
from layoutgen.pipeline.facts import dies_csv, marks_csv, operator_facts, sem_csv_of
from layoutgen.pipeline.job import SUFFIX, Job, changed_files, job_hash, open_job
from layoutgen.pipeline.only import only_die
from layoutgen.pipeline.stream import cell_stream
from layoutgen.recipe.load import load_recipe
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
    if job.manifest["pillars"] != wafer.tree.pillars:
        problems.append(
            f"manifest.json: want {wafer.tree.pillars} pillars, got {job.manifest['pillars']}"
        )
    if job.manifest["dies"] != plan.die_counts:
        problems.append(f"manifest.json: want dies {plan.die_counts}, got {job.manifest['dies']}")
    for key, wanted in operator_facts(wafer).items():
        if job.manifest.get(key) != wanted:
            problems.append(f"manifest.json: want {key} {wanted!r}, got {job.manifest.get(key)!r}")
    lists = [("dies.csv", dies_csv(plan)), ("marks.csv", marks_csv(plan))]
    if fresh:  # else it was just made from this very design
        lists.append(("sem_sites.csv", sem_csv_of(wafer, job.manifest["job"])))
    for name, text in lists:
        path = job.folder / name
        if name not in job.manifest["files"]:
            problems.append(f"manifest.json: {name} is not among its files")
        if path.is_file() and path.read_bytes() != text.encode():
            problems.append(f"{name}: not what the recipe gives")
    for form in wafer.loaded.recipe.output.formats:
        path = job.folder / f"{wafer.title}{SUFFIX[form]}"
        if path.name not in job.manifest["files"]:
            problems.append(f"manifest.json: {path.name} is not among its files")
        if not path.is_file():
            problems.append(f"{path.name}: missing")
            continue
        stream = (cell for cell, _ in cell_stream(wafer, workers, progress=progress))
        problems += [
            f"{path.name}: {sentence}"
            for sentence in verify_layout(
                path, form, stream, shapes=wafer.tree.shapes,
                dbu_nm=plan.dbu_nm, top=wafer.tree.top, reader=reader,
            )
        ]  # fmt: skip
    return list(dict.fromkeys(problems))
