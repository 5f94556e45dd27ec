"""A job folder that is finished: its manifest, its hash, its files."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from layoutgen.errors import InputError

if TYPE_CHECKING:  # a job that is only looked at needs no recipe, and none of what checks one
    from layoutgen.recipe.load import LoadedRecipe

SUFFIX = {"oasis": ".oas", "gdsii": ".gds"}


@dataclass(frozen=True, eq=False)
class Job:
    """A finished job folder and its manifest."""

    folder: Path
    manifest: dict[str, Any] = field(repr=False)
    existed: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def only(self) -> str | None:
        """The die that is written alone, where this is a trial clip."""
        clip = self.manifest.get("only")
        return clip["die"] if isinstance(clip, dict) and isinstance(clip.get("die"), str) else None

    @property
    def title(self) -> str:
        return job_title(self.manifest["name"], self.manifest["revision"], self.only)

    def layout(self, form: str) -> Path:
        return self.folder / f"{self.title}{SUFFIX[form]}"


#: What is read from a manifest that stands on the disk, and may have been changed there.
_READ_BACK = {"name": str, "revision": str, "job": str, "files": dict, "dies": dict, "pillars": int,
              "pillars_stored": int, "written": str, "verified": bool,
              "write_time_s": int | float | None}  # fmt: skip


@cache
def layoutgen_version() -> str:
    """The version of the installed package."""
    try:
        return version("layoutgen")
    except PackageNotFoundError:
        return "0+unknown"


def open_job(folder: str | Path) -> Job:
    """A job folder that exists; InputError where it is none."""
    path = Path(folder)
    try:
        manifest = json.loads((path / "manifest.json").read_text(encoding="utf-8"))
        if not isinstance(manifest, dict) or not all(
            isinstance(manifest.get(key), kind) for key, kind in _READ_BACK.items()
        ):
            raise ValueError(f"one without a proper {', '.join(_READ_BACK)}")
        if not all(
            isinstance(facts, dict) and isinstance(facts.get("sha256"), str)
            for facts in manifest["files"].values()
        ):
            raise ValueError("one whose files have no proper sha256")
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: want a job folder with its manifest.json, got"
            f" {error.strerror if isinstance(error, OSError) else error}"
        ) from error
    return Job(path, manifest)


def job_title(name: str, revision: str, only: str | None) -> str:
    """Name of a job folder; a trial clip's says which die it holds, so that it is not taken for a wafer."""
    return f"{name}-{revision}" if only is None else f"{name}-{revision}-only-{only}"


def job_hash(loaded: LoadedRecipe, only: str | None = None) -> str:
    """SHA-256 over the sorted inputs, the recipe and the version: what the job depends on.

    only: the die of a trial clip.
    """
    parts = [f"input {path} {found.sha256}\n" for path, found in sorted(loaded.inputs.items())]
    parts.append(f"recipe {hashlib.sha256(loaded.text).hexdigest()}\n")
    parts.append(f"layoutgen {layoutgen_version()}\n")
    if only is not None:
        parts.append(f"only {only}\n")
    return hashlib.sha256("".join(parts).encode()).hexdigest()


def changed_files(job: Job) -> list[str]:
    """Files of a job folder that are missing or differ from the manifest's hashes."""
    problems = []
    for name, facts in job.manifest["files"].items():
        path = job.folder / name
        if not path.is_file():
            problems.append(f"{name}: missing")
            continue
        try:
            if file_sha256(path) != facts["sha256"]:
                problems.append(f"{name}: another SHA-256 than in the manifest")
        except OSError as error:
            problems.append(f"{name}: cannot be read: {error.strerror}")
    return problems


def file_sha256(path: Path) -> str:
    with path.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()
