"""`build`: the job folder, whole under its final name or not at all."""

from __future__ import annotations

import glob
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import Any

from layoutgen.errors import InputError, LayoutgenError, RuleError, VerifyError
from layoutgen.kernels import compiled_beside
from layoutgen.layout.cells import Cell, EncodedCell
from layoutgen.layout.gdsii import GdsiiWriter
from layoutgen.layout.gdsii import expected_bytes as expected_gdsii_bytes
from layoutgen.layout.oasis import OasisWriter
from layoutgen.layout.write import LayoutFile
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
from layoutgen.pipeline.job import (
    SUFFIX,
    Job,
    changed_files,
    file_sha256,
    job_hash,
    job_title,
    layoutgen_version,
    open_job,
)
from layoutgen.pipeline.only import only_die
from layoutgen.pipeline.report import report_pages
from layoutgen.pipeline.rules import built_rules, rule_facts, rule_warnings, size_rules, waived
from layoutgen.pipeline.stream import cell_stream
from layoutgen.pipeline.verify import verify_folder
from layoutgen.recipe.load import LoadedRecipe
from layoutgen.wafer.plan import RuleResult
from layoutgen.workers import cores


def build(
    loaded: LoadedRecipe,
    out: str | Path,
    *,
    jobs: int | None = None,
    verify: bool = True,
    only: str | None = None,
    progress: Progress = quiet,
) -> Job:
    """Make the job folder of a recipe inside `out` and verify it.

    only: a die that is written alone, as a trial clip in a job folder NAME-REVISION-only-DIE. It is
    drawn as on the whole wafer (`pipeline.only` says which of several).

    A folder that exists is never overwritten: the same job is said and done, another one under the
    same name and revision is refused. InputError, RuleError or VerifyError otherwise.
    """
    recipe = loaded.recipe
    out = Path(out)
    final = out / job_title(recipe.name, recipe.revision, only)
    job = job_hash(loaded, only)
    try:
        exists = final.exists()
    except OSError as error:  # a name too long, a folder above that cannot be entered
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    if exists:
        return _existing(final, job, verify, progress)
    workers = cores() if jobs is None else jobs
    with compiled_beside(min(workers, cores())):
        return _made(loaded, final, job, workers, verify, only, progress)


def _made(
    loaded: LoadedRecipe, final: Path, job: str, workers: int, verify: bool, only: str | None,
    progress: Progress,
) -> Job:  # fmt: skip
    """The job folder, made anew."""
    out = final.parent
    # a clip is small, whatever its wafer
    refuse = partial(_refuse_too_large, loaded) if only is None else None
    wafer = design(loaded, progress, workers, refuse=refuse)
    wafer.warnings.extend(rule_warnings(wafer))
    if only is not None:
        wafer = only_die(wafer, only)
    _refuse_failed(
        waived([*wafer.rules, *size_rules(loaded, expected_bytes(wafer).get("gdsii"))], loaded)
    )
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    with _folder(out, final.name) as folder:
        try:
            manifest, counts = _fill(wafer, folder, job, workers, progress)
            if verify:
                progress("verifying", 0.0)
                found = verify_folder(
                    Job(folder, manifest), wafer=wafer, jobs=workers, progress=progress
                )
                if found:
                    raise VerifyError(found)
            manifest["verified"] = verify
            progress("drawing the review page", 0.0)
            for name, data in report_pages(wafer, counts, folder, manifest).items():
                _write_bytes(folder / name, data)
                digest = hashlib.sha256(data).hexdigest()
                manifest["files"][name] = {"sha256": digest, "bytes": len(data)}
            _write_text(folder / "manifest.json", _json(manifest))
            existed = not _publish(folder, final)
        except OSError as error:
            raise LayoutgenError(
                f"{final}: could not be written: {error.strerror or error}; nothing is left of it"
            ) from error
    if existed:
        return _existing(final, job, verify, progress)
    return Job(final, manifest, warnings=tuple(wafer.warnings))


def _refuse_too_large(loaded: LoadedRecipe, stored: int) -> None:
    """Refuse a GDSII file that is too large whatever else comes, before densities are computed."""
    size = expected_gdsii_bytes(stored, cells=0, name=2)
    _refuse_failed(waived(size_rules(loaded, size), loaded))


def _refuse_failed(rules: Sequence[RuleResult]) -> None:
    failed = [rule for rule in rules if not rule.ok]
    if failed:
        raise RuleError([f"rule {rule.name}: {rule.sentence}" for rule in failed])


def _existing(final: Path, job: str, verify: bool, progress: Progress) -> Job:
    found = open_job(final)
    if found.manifest["job"] != job:
        raise InputError(
            f"{final}: want a new revision for a changed recipe or table, got the name and revision"
            " of another job; a job folder is never overwritten"
        )
    changed = changed_files(found)
    if changed:
        raise InputError(
            [f"{final}: want the files that were built, got {sentence}" for sentence in changed]
        )
    if verify and not found.manifest.get("verified"):
        problems = verify_folder(found, progress=progress)
        if problems:
            raise VerifyError(problems)
    return Job(final, found.manifest, existed=True)


@contextmanager
def _folder(out: Path, name: str) -> Iterator[Path]:
    """A temporary sibling of the job folder that is gone afterwards unless it was renamed.

    What a killed run left behind is cleared away: a living one holds a lock on its folder.
    """
    for old in out.glob(f".{glob.escape(name)}.*.unfinished"):
        with _locked(old) as dead:
            if dead:
                shutil.rmtree(old, ignore_errors=True)
    try:
        made = Path(tempfile.mkdtemp(prefix=f".{name}.", suffix=".unfinished", dir=out))
        made.chmod(0o777 & ~_umask())
    except OSError as error:
        raise InputError(f"{out}: want a folder to write to, got {error.strerror}") from error
    with _locked(made):
        try:
            yield made
        finally:
            shutil.rmtree(made, ignore_errors=True)


@contextmanager
def _locked(folder: Path) -> Iterator[bool]:
    """Hold a lock on a folder that ends with this process; False where another holds it."""
    try:
        import fcntl

        handle = os.open(folder, os.O_RDONLY)
    except (ImportError, OSError):  # no such locks on this system, or the folder has just gone
        yield False
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        yield False
    else:
        yield True
    finally:
        os.close(handle)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _publish(folder: Path, final: Path) -> bool:
    """Rename the finished folder; False where another build was there first."""
    _sync(folder)
    try:
        folder.rename(final)
    except OSError:
        if final.exists():
            return False
        raise
    with suppress(KeyboardInterrupt):  # the job is there: nothing is left to stop
        _sync(final.parent)
    return True


def _sync(folder: Path) -> None:
    with suppress(OSError):  # some file systems cannot; the rename is still whole
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_text(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())


def _write_bytes(path: Path, data: bytes) -> None:
    with path.open("wb") as out:
        out.write(data)
        out.flush()
        os.fsync(out.fileno())


def _json(manifest: dict[str, Any]) -> str:
    """One line a key: json's own indentation takes a hundred times as long."""
    lines = (
        f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}"
        for key, value in manifest.items()
    )
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _fill(
    wafer: Wafer, folder: Path, job: str, workers: int, progress: Progress
) -> tuple[dict[str, Any], dict[int, Counts]]:
    """Write all but the review page into the temporary folder; the manifest, not yet written, and counts."""
    loaded, plan = wafer.loaded, wafer.plan
    recipe = loaded.recipe
    title = wafer.title
    (folder / "tables").mkdir()
    inputs = {}
    taken: set[str] = set()
    for path, found in sorted(loaded.inputs.items()):
        name = Path(path.replace("\\", "/")).name
        base, k = name, 2
        while name in taken:
            name, k = f"{k}-{base}", k + 1
        taken.add(name)
        _write_bytes(folder / "tables" / name, found.data)
        inputs[path] = {"file": f"tables/{name}", "sha256": found.sha256}
    _write_bytes(folder / "recipe.yaml", loaded.text)
    counts, known = write_layout(wafer, folder, title, workers, progress)
    rules = built_rules(wafer, counts, expected_bytes(wafer).get("gdsii"))
    _refuse_failed(rules)
    _write_text(folder / "dies.csv", dies_csv(plan))
    _write_text(folder / "marks.csv", marks_csv(plan))
    sites = sem_sites_of(wafer)
    _write_text(folder / "sem_sites.csv", sem_csv_of(wafer, job, sites))
    files = {
        path.relative_to(folder).as_posix(): {
            "sha256": known.get(path.name) or file_sha256(path),
            "bytes": path.stat().st_size,
        }
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    manifest = {
        "name": recipe.name,
        "revision": recipe.revision,
        "layoutgen": layoutgen_version(),
        "job": job,
        "inputs": inputs,
        "files": files,
        **operator_facts(wafer),
        "verified": False,
        **counted_facts(wafer, counts, sites, workers),
        "rules": rule_facts(rules),
        "warnings": wafer.warnings,
    }
    return manifest, counts


def write_layout(
    wafer: Wafer, folder: Path, title: str, workers: int, progress: Progress
) -> tuple[dict[int, Counts], dict[str, str]]:
    """Write the layout files; returns the counts of every variant and each file's SHA-256."""
    recipe, tree = wafer.loaded.recipe, wafer.tree
    layers = tree.layers
    counts: dict[int, Counts] = {}
    files: list[LayoutFile] = []
    with ExitStack() as stack:
        writers: list[OasisWriter | GdsiiWriter] = []
        for form in recipe.output.formats:
            out = stack.enter_context(LayoutFile(folder / f"{title}{SUFFIX[form]}"))
            files.append(out)
            if form == "oasis":
                writers.append(
                    OasisWriter(
                        out, dbu_nm=wafer.plan.dbu_nm, layers=layers, shapes=tree.shapes,
                        compression=recipe.output.compression,
                    )
                )  # fmt: skip
            else:
                writers.append(GdsiiWriter(out, dbu_nm=wafer.plan.dbu_nm, shapes=tree.shapes))
        for name in _names(wafer):  # numbers are given in the order of the cells
            for writer in writers:
                if isinstance(writer, OasisWriter):
                    writer.number(name)

        def encode(cell: Cell) -> list[EncodedCell]:
            return [writer.task(cell)() for writer in writers]

        for _, encoded in cell_stream(wafer, workers, counts, encode, progress):
            for writer, data in zip(writers, encoded, strict=True):
                writer.append(data)
        for writer in writers:
            writer.close()
    return counts, {file.path.name: file.sha256 for file in files}


def _names(wafer: Wafer) -> Iterator[str]:
    for variant in wafer.tree.variants:
        for task in variant.blocks():
            yield task.name
        for cell in wafer.tree.variant_cells(variant):
            yield cell.name
    for cell in wafer.tree.plain_cells():
        yield cell.name
